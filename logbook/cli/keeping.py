"""Keeping the book sound: `verify`."""

from __future__ import annotations

from typing import Annotated

import typer

from logbook.cli.app import command
from logbook.cli.session import Session, as_json, say
from logbook.errors import ProblemsFound
from logbook.store.views import NoStore


def verify(
    context: typer.Context,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Check the store: every chain, and that the tables equal a rebuild from the journal.

    Exit code 1 if anything is wrong. It changes nothing.

    Examples: logbook verify
              logbook --store bench.db verify --json
    """
    from logbook.book.checking import check_store

    session: Session = context.obj
    if not session.store.exists():
        raise NoStore(f"{session.store}: there is no logbook here yet", "logbook today")
    problems = check_store(session.store)
    if json:
        as_json(
            {
                "store": str(session.store),
                "problems": [
                    {"where": one.where, "what": one.what, "remedy": one.remedy} for one in problems
                ],
            }
        )
    for problem in problems if not json else ():
        say(str(problem))
    if problems:
        raise ProblemsFound(f"{len(problems)} problems found in {session.store}")
    if not json:
        say(f"{session.store}: no problems found")


COMMANDS = {"verify": command(verify)}
