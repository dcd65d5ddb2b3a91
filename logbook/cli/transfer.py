"""The whole journal as text: `export journal`, `import journal`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli.app import group
from logbook.cli.founding import founder_meant, trusted
from logbook.cli.session import Session, say
from logbook.cli.syncing import must_exist, tell
from logbook.errors import UserMistake

if TYPE_CHECKING:
    from logbook.sync.textfile import TextFile


def export_journal(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="A new file.", metavar="FILE", show_default=False)],
) -> None:
    """Write every line ever written to a text file that needs no program to be read.

    JSON Lines: one entry a line; docs/journal.md explains them. Corrections and struck lines are
    in it, and who wrote what when. The keys of this machine are not.

    Examples: logbook export journal season-2026.jsonl
              logbook --store bench.db export journal bench.jsonl
    """
    from logbook.book.heads import sign_where_writable
    from logbook.sync import textfile

    session: Session = context.obj
    if str(file) == "-":
        raise UserMistake("- is no name of a file", "name a new file, or /dev/stdout to print it")
    must_exist(session)
    sign_where_writable(session.store, config.state_folder())
    count = textfile.write(session.store, file)
    say(f"{file}: {count} entries, {file.stat().st_size} bytes")


def import_journal(
    context: typer.Context,
    file: Annotated[
        Path,
        typer.Argument(
            help="A file that export journal wrote.", metavar="FILE", show_default=False
        ),
    ],
    words: Annotated[
        str | None,
        typer.Option("--words", help="The founder's four words, for a machine without a logbook."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Trust the founder without comparing its words.")
    ] = False,
) -> None:
    """Take in the lines of a journal in text: into the logbook here, or as a new one.

    The file is checked to its end first. Lines of machines that are not enrolled here wait.

    Examples: logbook import journal season-2026.jsonl
              logbook --store bench.db import journal bench.jsonl --yes
    """
    from logbook.sync.textfile import TextFile

    session: Session = context.obj
    place = TextFile(file)
    place.check()
    if session.store.exists():
        _take_in(session, place, file)
    else:
        _begin_with(session, place, words, yes)


def _take_in(session: Session, place: TextFile, file: Path) -> None:
    from logbook.sync.exchange import exchange

    summary = exchange(session.store, config.state_folder(), place, now=session.clock.now())
    tell(session, [(str(file), summary)], [], json=False)


def _begin_with(session: Session, place: TextFile, words: str | None, yes: bool) -> None:
    from logbook.sync import joining

    named = place.founder()
    if named is None:
        raise UserMistake(f"{place.label}: it names no founder", "export the journal anew")
    now = session.clock.now()
    with joining.offered(session.store, place, now=now) as offer:
        founder = founder_meant(offer, named)
        trusted(founder, words, yes)
        admitted = offer.accept(founder, session.store, now)
    count = sum(admitted.entries.values())
    say(f"{session.store}: {count} entries of the book that {founder.introduced.machine} founded")
    say("This machine writes in it as a new one, with its first line.")


COMMANDS = {
    "export": group("Write what the logbook holds for others to read.", journal=export_journal),
    "import": group("Take in what a logbook exported.", journal=import_journal),
}
