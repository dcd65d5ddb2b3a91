"""What the daily board says of the laboratory: open queries and late results, a sentence each.

What mostly holds, that nothing is asked and nothing late, costs one statement each: what knows
more is imported only if there is something to say.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import awaiting
from logbook.trial.times import span, spoken_day

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial.records import Trial


def sentences(store: sqlite3.Connection, ident: str, trial: Trial, today: date) -> Iterator[str]:
    """Open queries and late results of a trial, each with the command that lists them."""
    if awaiting.unanswered(store):
        yield from _queries(store, trial, today)
    if waiting := awaiting.unfinished(store, ident):
        from logbook.study import usual

        if usual.may_be_late(store, trial, today, waiting):
            yield from _late(store, ident, today, waiting)


def reruns(store: sqlite3.Connection, ident: str, today: date) -> list[tuple[date, str]]:
    """What was asked to be measured again and is not here: since when, and `CODE:NUTRIENT`."""
    if not awaiting.reruns(store, ident):
        return []
    from logbook.study import samplelog

    return samplelog.reruns(store, ident, today)


def _queries(store: sqlite3.Connection, trial: Trial, today: date) -> Iterator[str]:
    """How many queries are open, and the nearest day until which to ask for a re-run.

    One about a blind code belongs to no bed, and is said of every trial.
    """
    from logbook.study import queries

    asked = [
        one.query
        for one in queries.lines(store, unanswered=True)
        if one.open and one.trial in ("", trial.name) and one.query.opened.day <= today
    ]
    if not asked:
        return
    many = "1 query about a result is" if len(asked) == 1 else f"{len(asked)} queries are"
    days = sorted(one.deadline for one in asked if one.deadline is not None)
    ahead = [day for day in days if day >= today]
    until = ""
    if ahead:
        until = f", a re-run can be asked for until {spoken_day(ahead[0])}"
        until += f" ({span((ahead[0] - today).days)})"
    elif days:
        until = ", too late for a re-run, most likely"
    yield f"{many} open{until}: logbook lab queries"


def _late(
    store: sqlite3.Connection, ident: str, today: date, waiting: Collection[str]
) -> Iterator[str]:
    """How many results take longer than usual, first ones and re-runs apart."""
    from logbook.study import samplelog

    late = samplelog.late_shipments(store, ident, today, waiting)
    for again in (False, True):
        some = [one for one in late if one.again == again]
        if len(some) == 1:
            yield f"{some[0].spoken} (usually {some[0].usual_days:g} d): logbook lab log --waiting"
        elif some:
            told = samplelog.late_words(some, f"{len(some)} shipments")
            yield f"{told}: logbook lab log --waiting"
