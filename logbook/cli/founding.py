"""A machine that has no logbook yet becomes one of a book's: `join`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli.app import command
from logbook.cli.session import Session, say
from logbook.cli.syncing import Where, Which, end, exchanged
from logbook.cli.words import compare
from logbook.errors import NeedsAnswer, UserMistake
from logbook.store import places as remembered
from logbook.store.places import Remembered

if TYPE_CHECKING:
    from logbook.sync.joining import Founder, Offer


def join(
    context: typer.Context,
    place: Where,
    name: Annotated[
        str | None, typer.Option("--name", help="Remember the place by this name [its own].")
    ] = None,
    founder: Annotated[
        str | None,
        typer.Option("--founder", help="Whose book, where several lie there.", metavar="MACHINE"),
    ] = None,
    words: Annotated[
        str | None,
        typer.Option("--words", help="The founder's four words, as its own screen shows them."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Trust the founder without comparing its words.")
    ] = False,
    book: Which = None,
) -> None:
    """Make this machine one of a book's: fetch it all, and begin to write in it.

    The founder's four words are compared once; `logbook machines` shows them there. What this
    machine writes is seen by the others as soon as one of them enrols it.

    Examples: logbook join /media/greenhouse-stick
              logbook join postgresql://bench@db.example/trials --yes
    """
    from logbook.report.terminal.progress import counter
    from logbook.sync import joining
    from logbook.sync.places import address_to_keep, opened

    session: Session = context.obj
    config.author(session.by_given)
    address, _ = address_to_keep(place)
    one = Remembered(name or _own_name(address), place, book, None, {})
    when = session.clock.now()
    with (
        opened(one, session.store, keep=False) as there,
        counter(one.name) as progress,
        joining.offered(session.store, there, now=when, progress=progress) as offer,
    ):
        chosen = founder_meant(offer, founder)
        trusted(chosen, words, yes)
        admitted = offer.accept(chosen, session.store, when)
    _settle_in(session, one, address, chosen, sum(admitted.lines.values()))


def _own_name(address: str) -> str:
    if "://" in address:
        return "hub"
    return Path(address).name or "folder"


def founder_meant(offer: Offer, named: str | None) -> Founder:
    """The founder of that machine name or id; without a name, the only one there is."""
    wanted = [
        one
        for one in offer.founders
        if named is None
        or one.introduced.machine.casefold() == named.casefold()
        or one.writer.startswith(named.casefold())
    ]
    if len(wanted) == 1:
        return wanted[0]
    listed = ", ".join(f"{o.introduced.machine} ({o.writer[:8]})" for o in offer.founders)
    if not wanted:
        raise UserMistake(f"no founder there is called {named!r}", f"there are: {listed}")
    # Of two books that were made one, either founder will do.
    raise NeedsAnswer(
        f"what lies there has several founders, {listed}: it is several books, or one made of them",
        "name one with --founder",
    )


def trusted(founder: Founder, words: str | None, yes: bool) -> None:
    """Have a person say that the founder is the right one, by its four words."""
    machine = f"{founder.introduced.machine} ({founder.writer[:8]})"
    say(f"The book was founded by {machine}.")
    compare(machine, founder.introduced.public_key, words, yes, "not joined")


def _settle_in(
    session: Session, one: Remembered, address: str, founder: Founder, lines: int
) -> None:
    """Begin to write as this machine, remember the place, and leave the first entry there."""
    from logbook.report.exchanges import lines as spoken
    from logbook.sync.places import changing

    with session.write(founding=True) as book:
        writer = book.replica.writer
    with changing(session.store) as store:
        remembered.remember(store, one.name, address, one.book)
    summary = exchanged(session, one, dry=False, thorough=False)
    say(f"{session.store}: {spoken(lines)} of the book that {founder.introduced.machine} founded")
    say(f"The place is known as {one.name}: `logbook sync` exchanges lines through it.")
    say(
        f"This machine is {config.machine_name()} ({writer[:8]}). The others see what it writes "
        f"once a member lets it in: logbook machines enrol {writer[:8]}"
    )
    end([summary], json=False)


COMMANDS = {"join": command(join)}
