"""Keeping the book sound and safe: `backup`, `restore`, `verify`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli.app import command
from logbook.cli.session import Session, as_json, say
from logbook.errors import NeedsAnswer, Problem, ProblemsFound, UserMistake
from logbook.store import views
from logbook.store.schemas import SCHEMA

if TYPE_CHECKING:
    from logbook.book.checking import Found


def backup(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="A new file.", metavar="FILE", show_default=False)],
) -> None:
    """Copy the whole logbook to a new file, while it is in use or not, and check the copy.

    Keep it on another disk. The keys of this machine's writer are not in it.

    Examples: logbook backup /media/stick/logbook-2026-05-18.db
              logbook --store bench.db backup bench-copy.db
    """
    from logbook.book import keeping

    session: Session = context.obj
    _must_exist(session)
    made = keeping.back_up(session.store, file)
    say(f"{file}: {made.entries} entries, {made.size} bytes")
    for problem in made.problems:
        say(str(problem))
    if made.problems:
        raise ProblemsFound(
            f"{file} is a faithful copy of {session.store}, which is not sound", "logbook verify"
        )


def restore(
    context: typer.Context,
    file: Annotated[
        Path, typer.Argument(help="A file that backup made.", metavar="FILE", show_default=False)
    ],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Go back to a backup; the present store is kept beside, under a name that says so.

    The backup is checked first. Lines written after it was made are in the store kept beside only,
    and their numbers are not used again: this machine goes on as a new writer.

    Examples: logbook restore /media/stick/logbook-2026-05-18.db
              logbook --store bench.db restore bench-copy.db --yes
    """
    from logbook.book import keeping

    session: Session = context.obj
    with keeping.checked(file, session.store) as found:
        if session.store.exists() and not yes:
            _confirm(f"Put {found.backup.entries} entries of {file} in place of {session.store}?")
        kept = found.put_back(session.store, config.state_folder())
    say(f"{session.store}: restored {found.backup.entries} entries from {file}")
    if kept is not None:
        say(f"The store that was there is kept as {kept.name}")


def _confirm(question: str) -> None:
    if not sys.stdin.isatty():
        raise NeedsAnswer(question, "answer with --yes")
    if not typer.confirm(question):
        raise UserMistake("not restored: nothing was changed")


def verify(
    context: typer.Context,
    only_chain: Annotated[
        bool, typer.Option("--chain", help="Chains and signatures alone: quicker.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Check the store: chains, signatures, and that the tables equal a rebuild from the journal.

    Exit code 1 if anything is wrong; what only waits or was settled is a note. A journal is
    tamper-evident once another machine has seen it. It changes nothing; a store of an older release
    is not upgraded by it, and its tables are not compared.

    Examples: logbook verify
              logbook verify --chain
              logbook --store bench.db verify --json
    """
    from logbook.book.checking import look

    session: Session = context.obj
    _must_exist(session)
    found = look(session.store, tables=not only_chain)
    if json:
        as_json(
            {
                "store": str(session.store),
                "problems": [_document(one) for one in found.problems],
                "notes": [_document(one) for one in found.notes],
                "written_here": found.written,
                "seen_by_another_machine": found.witnessed,
            }
        )
    else:
        _say_found(found)
    if found.problems:
        count = len(found.problems)
        raise ProblemsFound(f"{count} problem{'s' * (count != 1)} found in {session.store}")
    if not json:
        say(f"{session.store}: no problems found")
        if only_chain:
            say("Its pages and tables were not looked at.")
        else:
            _say_if_older(session)


def _document(one: Problem) -> dict[str, str]:
    return {"where": one.where, "what": one.what, "remedy": one.remedy}


def _say_found(found: Found) -> None:
    for problem in found.problems:
        say(str(problem))
    for note in found.notes:
        say(f"Note: {note}")
    if found.writers > 1 and found.written:
        say(
            f"Another machine has seen {found.witnessed} of the {found.written} entries that this "
            "one wrote: the journal is tamper-evident once another machine has seen it"
        )


def _say_if_older(session: Session) -> None:
    found = views.schema_at(session.store)
    if found != SCHEMA:
        say(
            f"Its tables are of schema {found} and were not compared: "
            "another command makes them anew."
        )


def _must_exist(session: Session) -> None:
    if not session.store.exists():
        raise views.NoStore(f"{session.store}: there is no logbook here yet", "logbook today")


COMMANDS = {"backup": command(backup), "restore": command(restore), "verify": command(verify)}
