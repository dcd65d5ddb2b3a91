"""Machines that are not let in, and a book whose members are all lost: `ignore`, `trust`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli import completing
from logbook.cli.session import Session, say
from logbook.cli.words import compare
from logbook.errors import UserMistake

if TYPE_CHECKING:
    import sqlite3

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


def ignore(context: typer.Context, machine: Named) -> None:
    """Turn a stranger away: what waits of it goes, and nothing more of it is taken in here.

    For machines that are none of yours. No line is written; `enrol` hears it again.

    Examples: logbook machines ignore 3f2a91c0
              logbook machines ignore unknown-laptop
    """
    from logbook.book import members, receiving
    from logbook.store import database

    session: Session = context.obj
    wanted = session.read(lambda store: _stranger(store, machine))
    with database.writing(session.store) as connection:
        dropped = receiving.turn_away(connection, wanted.writer)
    say(f"{members.shown(wanted)} is turned away; {dropped} of its entries that waited here went")


def _stranger(store: sqlite3.Connection, machine: str) -> Standing:
    from logbook.book import members, membership

    found = members.called(membership.standings(store), machine)
    if found.member:
        raise UserMistake(
            f"{members.shown(found)} is a member of the book: {found.why}",
            "logbook machines retire NAME, if nothing more of it shall count",
        )
    return found


def trust(
    context: typer.Context,
    machine: Named,
    words: Annotated[
        str | None,
        typer.Option(help="The four words, as that machine shows them.", metavar="'A B C D'"),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Trust it without comparing its words.")
    ] = False,
) -> None:
    """Take another machine for the founder, when every machine that was a member is lost.

    After a fire or a theft nobody is left who could enrol the new machine. Name the new machine on
    itself first: it lets in all whose lines it has. Then name it on every other one that is left.

    Examples: logbook machines trust new-laptop
              logbook machines trust 3f2a91c0 --words 'apple bridge candle dune'
    """
    from logbook.book import members, membership
    from logbook.book.corrections import inside
    from logbook.book.vouching import own_writer
    from logbook.store import views

    session: Session = context.obj
    wanted = session.read(lambda store: members.called(membership.standings(store), machine))
    if wanted.writer != session.read(own_writer):
        compare(members.shown(wanted), wanted.introduced.public_key, words, yes, "not trusted")
    with session.write() as book:
        members.trust(book, membership.standings(inside(book))[wanted.writer])
    entries = session.read(views.count_entries)
    say(f"{members.shown(wanted)} is the founder that this machine trusts; {entries} entries count")
