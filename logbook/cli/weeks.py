"""The command `week`: the coming seven days, to prepare and to print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli.app import command
from logbook.cli.session import Chosen, Session, as_json, running_trials, say
from logbook.cli.session import chosen as trial_meant
from logbook.cli.today import FIRST_STEP, day_of
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.report.week import Week, spoken, week
from logbook.store import views
from logbook.trial import records
from logbook.trial.ranges import compact
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    import sqlite3

_CODES_A_LINE = 7


def show(
    context: typer.Context,
    on: Annotated[str | None, typer.Option(help="The first day: 2026-03-14 [today].")] = None,
    reserve: Annotated[
        bool, typer.Option("--reserve", help="Reserve codes to write on the week's bags.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show the coming seven days: pulls and their bags, water, readings, results.

    Examples: logbook week > week.txt
              logbook week --reserve
    """
    session: Session = context.obj
    try:
        found = session.read(lambda store: _weeks(store, session, on))
    except views.NoStore:
        found = []
    if reserve:
        found = [_reserved(session, one, trial) for one, trial in found]
    weeks = [one for one, _ in found]
    if json:
        as_json({"weeks": [one.document() for one in weeks]})
    elif not weeks:
        say(FIRST_STEP)
    for one in weeks if not json else ():
        _print(one)


def _weeks(
    store: sqlite3.Connection, session: Session, on: str | None
) -> list[tuple[Week, Chosen]]:
    trials = (
        [trial_meant(store, session)] if session.trial_given else running_trials(store, session)
    )
    return [
        (week(store, one.id, one.trial, day_of(session, on, one.trial.zone)), one) for one in trials
    ]


def _reserved(session: Session, found: Week, trial: Chosen) -> tuple[Week, Chosen]:
    """The week after reserving as many codes as its bags still need."""
    missing = found.bags - len(found.reserved)
    if missing <= 0:
        raise UserMistake(
            f"{len(found.reserved)} codes are reserved for {found.bags} bags: enough",
            "logbook week",
        )
    at = session.when(None, trial.trial)
    with session.write() as book:
        codes = [book.new_code() for _ in range(missing)]
        act = book.record(
            "set", [(key("bag", code), records.Bag(trial.id, code, at)) for code in codes]
        )
    say(f"{act.code}  reserved {missing} codes for bags")
    return (
        session.read(lambda store: week(store, trial.id, trial.trial, found.first)),
        trial,
    )


def _print(one: Week) -> None:
    """Plain text for paper."""
    say(f"{one.trial}, week from {spoken_day(one.first)}")
    for day in one.days:
        if not day.pulls and not day.water:
            continue
        say("")
        say(spoken_day(day.day))
        for pull in day.pulls:
            say(f"  [ ] pull {spoken(pull)}")
        for task in day.water:
            say(f"  [ ] water {compact(task.beds)}: {task.amount} each")
    if not any(day.pulls or day.water for day in one.days):
        say("\nNothing to pull or water this week.")
    if one.measure:
        say("\nRead and weigh")
        for text in one.measure:
            say(f"  [ ] {text}")
    if one.awaited:
        say("\nResults to expect")
        for some in one.awaited:
            count = len(some.codes)
            say(
                f"  {count} sample{'s' * (count != 1)} of {spoken_day(some.pulled)}, "
                f"{some.days} d ago"
            )
    if one.bags:
        say(f"\nBags to prepare: {one.bags}; codes reserved: {len(one.reserved)}")
        for place in range(0, len(one.reserved), _CODES_A_LINE):
            say("  " + "  ".join(one.reserved[place : place + _CODES_A_LINE]))
        if len(one.reserved) < one.bags:
            say("  logbook week --reserve gives codes to write on the others")


COMMANDS = {"week": command(show)}
