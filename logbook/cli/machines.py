"""Which machines write in the book: `machines`, letting one in, retiring one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli import completing
from logbook.cli.app import bare_group
from logbook.cli.session import Session, as_json, say
from logbook.cli.wording import needed
from logbook.cli.words import compare
from logbook.store import held, views

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.admitting import Admitted
    from logbook.book.membership import Standing

Named = Annotated[
    str,
    typer.Argument(
        help="Its name, or the beginning of its id.",
        metavar="NAME|ID",
        show_default=False,
        autocompletion=completing.machines,
    ),
]


def list_machines(
    context: typer.Context,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """List every machine that writes in the book: who let it in, what of it is here, what waits.

    Of this machine, and of each one that waits, the four words that people compare.

    Examples: logbook machines
              logbook machines --json
    """
    from logbook.report.machines import document
    from logbook.study.machines import machines

    session: Session = context.obj
    try:
        found = session.read(lambda store: machines(store, session.clock.now()))
    except views.NoStore:
        found = []
    if json:
        as_json(document(found))
    elif not found:
        say("No machine writes here yet: the first line makes this one the founder of a book.")
        say("To become one of a book that is there already: logbook join PLACE")
    else:
        from logbook.report.terminal.machines import show_machines

        show_machines(found)


def enrol(
    context: typer.Context,
    machine: Named,
    words: Annotated[
        str | None,
        typer.Option(help="The four words, as the other machine shows them.", metavar="'A B C D'"),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Let it in without comparing its words.")
    ] = False,
) -> None:
    """Let a machine into the book, once its four words were compared.

    What it wrote and waits here counts from then on; the other machines learn of it by `sync`.

    Examples: logbook machines enrol greenhouse
              logbook machines enrol 3f2a91c0 --words 'apple bridge candle dune'
    """
    from logbook.book import members
    from logbook.book.corrections import inside

    session: Session = context.obj
    wanted = session.read(lambda store: _waiting(store, machine))
    if words is not None or wanted.writer != session.read(_own):
        compare(members.shown(wanted), wanted.introduced.public_key, words, yes, "not enrolled")
    with session.write() as book:
        # It is named by its whole id: no other may have come to be called so in between.
        act, admitted = members.enrol(book, _called(inside(book), wanted.writer))
    say(f"{act.code}  enrolled {members.shown(wanted)}: {_let_in(wanted, admitted)}")
    for problem in admitted.forged:
        typer.echo(f"Note: {problem}", err=True)


def retire(
    context: typer.Context,
    machine: Named,
    reason: Annotated[str | None, typer.Option(help="Why; kept with the line.")] = None,
) -> None:
    """Retire a machine: what of it is here counts, what it writes from now on waits.

    For one that was sold, lost or stolen, or whose disk was copied. `enrol` takes it back.

    Examples: logbook machines retire old-bench --reason 'sold'
              logbook machines retire 3f2a91c0 --reason 'stolen on 3 May'
    """
    from logbook.book import members
    from logbook.book.corrections import inside

    session: Session = context.obj
    why = needed(reason, "a retirement needs its reason")
    session.read(lambda store: _called(store, machine))
    with session.write() as book:
        wanted = _called(inside(book), machine)
        act = members.retire(book, wanted, why)
        last = held.last(inside(book), wanted.writer)
    until = f"its entry {last} is the last that counts" if last else "no entry of it counts"
    say(f"{act.code}  retired {members.shown(wanted)}: {why}")
    say(f"  {until}; what it writes from now on waits")


def _called(store: sqlite3.Connection, machine: str) -> Standing:
    from logbook.book import members, membership

    return members.called(membership.standings(store), machine)


def _waiting(store: sqlite3.Connection, machine: str) -> Standing:
    """The machine of that name, refused before anything is asked if it is in already."""
    from logbook.book import members

    found = _called(store, machine)
    members.refuse_enrolled(found)
    return found


def _own(store: sqlite3.Connection) -> str | None:
    from logbook.book.vouching import own_writer

    return own_writer(store)


def _let_in(wanted: Standing, admitted: Admitted) -> str:
    """How many lines came in by it."""
    lines = dict(admitted.lines)
    own = lines.pop(wanted.writer, 0)
    told = (
        f"{_many(own)} of it {'were' if own != 1 else 'was'} let in"
        if own
        else ("nothing of it waited here")
    )
    others = sum(lines.values())
    return f"{told}, and {_many(others)} of others" if others else told


def _many(count: int) -> str:
    return f"{count} line{'s' * (count != 1)}"


COMMANDS = {
    "machines": bare_group(
        "The machines that write in the book.", list=list_machines, enrol=enrol, retire=retire
    )
}
