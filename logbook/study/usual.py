"""How many days a laboratory usually takes, and whether anything can be late by that.

A module of its own, as the daily board asks this each time and mostly nothing more.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from json import dumps
from typing import TYPE_CHECKING

from logbook.journal.entry import below
from logbook.store import asking
from logbook.trial.records import Record, record

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial.records import Trial

_ENOUGH = 3  # past reports, or the first of two would make the second late
_RECENT = 30  # shipments that tell how long a laboratory takes. Common practice, no source.


@record
class Usual(Record):
    """How many days a laboratory usually takes, and how that is known ("" : it is not)."""

    days: float | None
    how: str


def usual_days(store: sqlite3.Connection, trial: Trial, lab: str) -> Usual:
    """How long a laboratory usually takes: as the protocol says, else the median of the past.

    Re-runs do not count: they are asked for later. Nor do reports older than their shipment. Of
    the last _RECENT shipments that were answered: what took long years ago says little.
    """
    if trial.usual_days is not None and lab == trial.lab:
        return Usual(trial.usual_days, "as the protocol says")
    went = store.execute(
        'SELECT id, substr("when", 1, 10) FROM shipment WHERE lab = ? ORDER BY 2 DESC, 1', (lab,)
    ).fetchall()
    came = asking.received(store)
    took: list[int] = []
    answered = 0
    for shipment, day in went:
        found = [came[of] for of in _reports_on(store, shipment) if of in came]
        took += [(received - date.fromisoformat(day)).days for received in found]
        answered += bool(found)
        if answered == _RECENT:
            break
    past = [days for days in took if days >= 0]
    if len(past) < _ENOUGH:
        return Usual(None, "")
    return Usual(_median(past), f"the median of {len(past)} past reports")


def _median(numbers: Collection[int]) -> float:
    # `statistics` would be a sixtieth of the daily board, for this alone.
    ordered, middle = sorted(numbers), len(numbers) // 2
    return (ordered[middle] + ordered[-middle - 1]) / 2


def _reports_on(store: sqlite3.Connection, shipment: str) -> list[tuple[str, str]]:
    """Laboratory and number of the reports that have first results of what went in a shipment."""
    # By the keys of what was sent, or SQLite would read all that ever was.
    return store.execute(
        "SELECT DISTINCT v.lab, v.report FROM sent x CROSS JOIN result v ON v.sample = x.sample "
        "WHERE x.id >= ? AND x.id < ? AND v.run = 1",
        below(shipment),
    ).fetchall()


def may_be_late(
    store: sqlite3.Connection, trial: Trial, today: date, waiting: Collection[str]
) -> bool:
    """Whether any of these bags went longer ago than its laboratory usually takes.

    Mostly none did, and nothing more need be read.
    """
    oldest = store.execute(
        'SELECT s.lab, min(substr(s."when", 1, 10)) FROM json_each(?) w '
        "CROSS JOIN sent x ON x.sample = w.value JOIN shipment s ON s.id = x.shipment GROUP BY 1",
        (dumps(sorted(waiting)),),
    ).fetchall()
    for lab, day in oldest:
        usual = usual_days(store, trial, lab).days
        if usual is not None and (today - date.fromisoformat(day)).days > usual:
            return True
    return False
