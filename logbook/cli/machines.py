"""Which machines write in the book: `machines`, letting one in, retiring one."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli import completing, trusting
from logbook.cli.app import bare_group
from logbook.cli.run import aside
from logbook.cli.session import Session, as_json, say
from logbook.cli.wording import needed
from logbook.cli.words import compare
from logbook.errors import UserMistake
from logbook.store import held, views

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.admitting import Admitted
    from logbook.book.membership import Standing

_MOST_NAMED = 3
_GROUP = """The machines that write in the book.

A machine is called what its system calls it, or what LOGBOOK_MACHINE says before its first line.
"""

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

    Of this machine, and of those that wait, the four words that people compare.

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
    wanted = session.read(lambda store: _to_let_in(store, machine))
    if words is not None or wanted.writer != session.read(_own):
        compare(members.shown(wanted), wanted.introduced.public_key, words, yes, "not enrolled")
    with session.write() as book:
        # It is named by its whole id: no other may have come to be called so in between.
        act, admitted = members.enrol(book, _called(inside(book), wanted.writer, _waits))
    say(f"{act.code}  enrolled {members.shown(wanted)}: {_let_in(wanted, admitted)}")
    for problem in admitted.forged:
        aside(f"Note: {problem}")


def retire(
    context: typer.Context,
    machine: Named,
    reason: Annotated[str | None, typer.Option(help="Why; kept with the line.")] = None,
    successors: Annotated[
        bool, typer.Option("--successors", help="Put out those that go on after it, too.")
    ] = False,
) -> None:
    """Retire a machine: what of it is here counts, what it writes from now on waits.

    For one that was sold, lost or stolen, or whose disk was copied. `enrol` takes it back. One that
    goes on after it, as after a restore, is a member by it alone: enrol that one before.

    Examples: logbook machines retire old-bench --reason 'sold'
              logbook machines retire 3f2a91c0 --reason 'stolen on 3 May'
    """
    from logbook.book import members
    from logbook.book.corrections import inside

    session: Session = context.obj
    why = needed(reason, "a retirement needs its reason")
    session.read(lambda store: _to_retire(store, machine, successors))
    with session.write() as book:
        wanted = _to_retire(inside(book), machine, successors)
        act = members.retire(book, wanted, why)
        last = held.last(inside(book), wanted.writer)
    until = f"its entry {last} is the last that counts" if last else "no entry of it counts"
    say(f"{act.code}  retired {members.shown(wanted)}: {why}")
    say(f"  {until}; what it writes from now on waits")


def _called(store: sqlite3.Connection, machine: str, fits: Callable[[Standing], bool]) -> Standing:
    """The machine of that name; of several, the only one that the act fits."""
    from logbook.book import members, membership

    known = membership.standings(store)
    try:
        return members.called(known, machine)
    except UserMistake:
        # Only where the name alone does not tell: no id may come to mean another's name.
        with suppress(UserMistake):
            return members.called({name: one for name, one in known.items() if fits(one)}, machine)
        raise


def _waits(one: Standing) -> bool:
    return not one.member and not one.retired


def _to_let_in(store: sqlite3.Connection, machine: str) -> Standing:
    """The machine of that name, refused before anything is asked if it is in already."""
    from logbook.book import members

    found = _called(store, machine, _waits)
    members.refuse_enrolled(found)
    return found


def _to_retire(store: sqlite3.Connection, machine: str, successors: bool) -> Standing:
    """The machine of that name, refused if a live one would fall out with it, unseen."""
    from logbook.book import members, membership

    found = _called(store, machine, lambda one: one.member)
    known = membership.standings(store)
    own = _own(store)
    out = sorted(members.going_on_after(known, found.writer))
    # Of this machine itself `members.retire` speaks, whatever was asked for.
    if found.member and out and not successors and own not in out and own != found.writer:
        named = ", ".join(members.shown(known[one]) for one in out[:_MOST_NAMED])
        named += f" and {len(out) - _MOST_NAMED} more" * (len(out) > _MOST_NAMED)
        go, their, them = ("goes", "its", "that one") if len(out) == 1 else ("go", "their", "all")
        raise UserMistake(
            f"{named} {go} on after {members.shown(found)}: without it, {their} lines would wait",
            f"logbook machines enrol {out[0][:8]}, then retire it; --successors puts {them} out, "
            "too",
        )
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
        _GROUP,
        list=list_machines,
        enrol=enrol,
        retire=retire,
        ignore=trusting.ignore,
        trust=trusting.trust,
    )
}
