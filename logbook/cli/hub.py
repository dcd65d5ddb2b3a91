"""The hub, a PostgreSQL database that machines exchange lines through: `hub init`."""

from __future__ import annotations

from typing import Annotated

import typer

from logbook.cli.app import group
from logbook.cli.session import Session, say
from logbook.errors import NeedsAnswer


def init(
    context: typer.Context,
    url: Annotated[
        str,
        typer.Argument(
            help="postgresql://USER@HOST/DATABASE; what it leaves out is found as psql finds it.",
            metavar="URL",
            show_default=False,
        ),
    ],
    book: Annotated[
        str | None,
        typer.Option("--book", help="Which book [the one of this logbook].", metavar="ID"),
    ] = None,
    role: Annotated[
        str, typer.Option("--role", help="The role that the rights are printed for.")
    ] = "bench",
) -> None:
    """Make a book's place in a PostgreSQL database, and print the rights that a machine needs.

    Run it as the owner of the database, once for each book; again, it changes nothing. The rights
    are printed for its keeper to run, one role for each machine: it may append and read, and
    neither change nor delete.

    Examples: logbook hub init postgresql://owner@db.example/trials
              logbook hub init postgresql:///trials --role greenhouse
    """
    from logbook import __version__
    from logbook.sync import hub

    session: Session = context.obj
    made = hub.init(url, book or _own_book(session), role, __version__)
    done = "made" if made.new else "there already, nothing was changed"
    say(f"-- {made.label}: {made.schema} is {done}")
    say("-- For one machine, by the server's keeper; each machine has a role of its own:")
    for line in made.grants:
        say(line)
    say(f"-- Then, on that machine: logbook sync add hub {made.url}")


def _own_book(session: Session) -> str:
    from logbook.book import membership

    found = session.read(membership.book) if session.store.exists() else None
    if found is None:
        raise NeedsAnswer(
            f"{session.store}: there is no logbook here yet", "name a book with --book"
        )
    return found


COMMANDS = {"hub": group("A PostgreSQL database for exchanging lines.", init=init)}
