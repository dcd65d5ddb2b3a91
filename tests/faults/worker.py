"""A process that runs commands one after another, until somebody kills it.

It stands in a forked child of a server that has loaded the program already, so that a kill after
a few milliseconds strikes an act, not the loading of modules.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Callable, Mapping
from datetime import datetime
from multiprocessing.connection import Connection

import alembic.command
import alembic.config  # noqa: F401
import sqlalchemy.dialects.sqlite  # noqa: F401

from logbook.book import corrections, writing  # noqa: F401
from logbook.cli import acts, changes, lab  # noqa: F401
from logbook.cli.run import run

Answer = tuple[int, str, str]


def answer(
    connection: Connection,
    folder: str,
    environment: Mapping[str, str],
    before: Callable[[], None] | None,
) -> None:
    """Answer each command `(words, instant or None)` with its exit code, stdout and stderr.

    An act answered is acknowledged. `before` is called first, to bend the process.
    """
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    if before is not None:
        before()
    connection.send("ready")
    with contextlib.suppress(EOFError):
        while True:
            words, now = connection.recv()
            connection.send(answered(words, now))


def answered(words: list[str], now: str | None = None) -> Answer:
    """Run one command in this process."""
    out, err = io.StringIO(), io.StringIO()
    instant = datetime.fromisoformat(now) if now else None
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(words, now=instant)
    return code, out.getvalue(), err.getvalue()
