"""Entry point: runs a command and turns every error into one sentence and an exit code."""

from __future__ import annotations

import atexit
import gc
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn


def start() -> NoReturn:
    """Run the program as its own process.

    It ends without taking its memory to pieces, which is a seventh of a daily command's time.
    """
    code = _run(None)
    # What others asked for at the end (temporary folders of matplotlib, the measuring of tests).
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        # The reader went away, or the disk is full: `_run` said what could be said.
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the program with these arguments (the command line's own if None) and exit."""
    sys.exit(_run(arguments))


def _run(arguments: Sequence[str] | None) -> int:
    # Commands make many objects and hardly any garbage that has to be looked for. To look less
    # often saves 4 ms of a daily command, and a fortieth of a large import.
    gc.set_threshold(400_000, 50, 100)
    from logbook.cli.run import run

    _safe_output()
    try:
        code = run(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (a pager, head) went away: not an error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    return code


def _safe_output() -> None:
    """Show a replacement instead of crashing where the terminal cannot show a character."""
    # A stream that was closed from outside (`>&-`) is None: what is printed goes nowhere.
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


if __name__ == "__main__":
    start()
