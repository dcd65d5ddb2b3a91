"""The command `today`: the daily board."""

from __future__ import annotations

from contextlib import suppress
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli.app import command
from logbook.cli.session import Chosen, Session, as_json, chosen, running_trials, say
from logbook.errors import UserMistake
from logbook.report.board import Board, board
from logbook.store import views
from logbook.trial import times

if TYPE_CHECKING:
    import sqlite3

_FIRST_STEP = """\
  logbook demo                            see an invented season
  logbook trial template > trial.toml     a protocol to fill in
  logbook trial check trial.toml          what it would create, and what is wrong
  logbook trial start trial.toml          begin"""


def today(
    context: typer.Context,
    on: Annotated[
        str | None, typer.Option(help="Another day: tomorrow, 2026-03-14 [today].")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show the day's board: what to water and pull, what is late, awaited or wrong.

    Examples: logbook today
              logbook today --on 2026-03-14 --json
    """
    session: Session = context.obj
    boards = _boards(session, on)
    if json:
        as_json({"boards": [one.document() for one in boards]})
    elif not boards:
        say_first_step(session)
    else:
        from logbook.report.terminal.board import show_board

        for place, one in enumerate(boards):
            if place:
                say("")
            show_board(one)


def say_first_step(session: Session) -> None:
    """Say that there is nothing to show yet, and how a trial begins."""
    # A path typed wrong shows as what it is: a logbook that is not there.
    there = session.store.exists()
    none = "trial in this logbook" if there else f"logbook at {session.store}"
    say(f"There is no {none} yet. A first step:\n{_FIRST_STEP}")


def _boards(session: Session, on: str | None) -> list[Board]:
    try:
        return session.read(
            lambda store: [
                board(store, one.id, one.trial, day_of(session, on, one.trial.zone))
                for one in (
                    [chosen(store, session)]
                    if session.trial_given
                    else running_trials(store, session) or _over(store, session)
                )
            ]
        )
    except views.NoStore:
        return []


def _over(store: sqlite3.Connection, session: Session) -> list[Chosen]:
    """The only trial, though it is over; none of several."""
    with suppress(UserMistake):
        return [chosen(store, session)]
    return []


def day_of(session: Session, on: str | None, zone: str) -> date:
    """The day asked for, in the trial's zone."""
    said = times.parse_when(on or "today", times.zone(zone), session.clock.now())
    if said.instant is not None:
        raise UserMistake("a board is for a whole day", "leave the clock time out")
    return said.day


COMMANDS = {"today": command(today)}
