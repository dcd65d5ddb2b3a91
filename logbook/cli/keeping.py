"""Keeping the book sound and safe: `backup`, `restore`, `verify`."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli.app import command
from logbook.cli.session import Session, as_json, say
from logbook.cli.syncing import must_exist
from logbook.errors import NeedsAnswer, Problem, ProblemsFound, StoreError, UserMistake
from logbook.store import views
from logbook.store.schemas import SCHEMA

if TYPE_CHECKING:
    from logbook.book.checking import Found
    from logbook.book.keeping import Missing


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
    must_exist(session)
    made = keeping.back_up(session.store, file, config.state_folder())
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

    The backup is checked first. Lines written after it was made are in the store kept beside, and
    in the places and machines that got them: `logbook sync` brings those back. Their numbers are
    not used again: this machine goes on as a new writer, and takes back with `undo` only what it
    writes from then on.

    Examples: logbook restore /media/stick/logbook-2026-05-18.db
              logbook --store bench.db restore bench-copy.db --yes
    """
    from logbook.book import keeping

    session: Session = context.obj
    with keeping.checked(file, session.store) as found:
        missing = found.missing(session.store, config.state_folder())
        if session.store.exists() and not yes:
            _confirm(session.store, f"the {found.backup.entries} entries of {file}", missing)
        kept = found.put_back(session.store, config.state_folder())
    say(f"{session.store}: restored {found.backup.entries} entries from {file}")
    if kept is not None:
        say(f"The store that was there is kept as {kept.name}")
    if missing is None:
        say("What it has more could not be read")
    if missing is None or missing.entries:
        if missing is not None:
            say(f"{_counted(missing)} written after the backup: not here now")
        say(
            "logbook sync brings back what was sent somewhere; until then logbook today may ask "
            "for pulls that were taken already"
        )
    if _no_key_here(session):
        say(
            "No key of this book's machines is here: what is written here counts on other ones "
            "once one of them lets this one in (logbook machines enrol). If all of them are lost, "
            f"write a line, then: logbook machines trust {config.machine_name()}"
        )


def _no_key_here(session: Session) -> bool:
    from logbook.book import members

    # The restored store is in its place: a disk that fails now is for the next command to say.
    with suppress(StoreError):
        return not session.read(lambda store: members.is_of(store, config.state_folder()))
    return False


def _confirm(store: Path, entries: str, missing: Missing | None) -> None:
    lacks = f", which lack {_counted(missing)} of it" if missing and missing.entries else ""
    if not sys.stdin.isatty():
        raise NeedsAnswer(
            f"{store} would make room for {entries}{lacks}: not restored", "say so with --yes"
        )
    if not typer.confirm(f"Put {entries}{lacks}, in place of {store}?"):
        raise UserMistake("not restored: nothing was changed")


def _counted(missing: Missing) -> str:
    """`18 entries (the first of 2026-03-05 08:00 UTC)`."""
    from logbook.report.machines import counted, spoken

    since = f" (the first of {spoken(missing.since)})" if missing.since is not None else ""
    return f"{counted(missing.entries, 'entry', 'entries')}{since}"


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
    must_exist(session)
    found = look(session.store, tables=not only_chain, state=config.state_folder())
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


COMMANDS = {"backup": command(backup), "restore": command(restore), "verify": command(verify)}
