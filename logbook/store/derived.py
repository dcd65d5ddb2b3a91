"""Stage 2 of the fold: rows computed for a whole trial from its records - what to pull and when,
and which pulls look like the same one recorded twice. Dates only: "overdue" is said at read time.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection

from logbook.store import views
from logbook.trial import schedule

_OF_BED = (
    'SELECT DISTINCT b.trial FROM "{0}" r JOIN bed b ON b.id = r.bed WHERE r.id IN '
    "(SELECT substr(key, {1}) FROM touched WHERE key >= '{2}/' AND key < '{2}0')"
)
_OF_TRIAL = (
    'SELECT DISTINCT {3} FROM "{0}" WHERE id IN '
    "(SELECT substr(key, {1}) FROM touched WHERE key >= '{2}/' AND key < '{2}0')"
)
_OF_TREATMENT = (
    "SELECT DISTINCT trial FROM bed WHERE treatment IN "
    "(SELECT substr(key, {1}) FROM touched WHERE key >= '{2}/' AND key < '{2}0')"
)


def _feed(space: str, query: str, column: str = "trial") -> str:
    return query.format(space.replace("-", "_"), len(space) + 2, space, column)


# Key space -> the query that names the trials its touched rows belong to.
FEEDS = {
    "trial": _feed("trial", _OF_TRIAL, "id"),
    "bed": _feed("bed", _OF_TRIAL),
    "treatment": _feed("treatment", _OF_TREATMENT),
    "planned-pull": _feed("planned-pull", _OF_TRIAL),
    **{space: _feed(space, _OF_BED) for space in ("fill", "apply", "pull", "event", "skip")},
}


def refresh(connection: Connection, trials: Iterable[str] | None) -> None:
    """Compute the derived rows of these trials anew (None: of every trial that has beds)."""
    if trials is None:
        rows = connection.exec_driver_sql("SELECT DISTINCT trial FROM bed").all()
        trials = [row[0] for row in rows]
    ordered = sorted(trials)
    # All the old rows first: a bed may have gone from one of these trials to another.
    for trial in ordered:
        connection.exec_driver_sql("DELETE FROM due WHERE trial = ?", (trial,))
        connection.exec_driver_sql("DELETE FROM possible_duplicate WHERE trial = ?", (trial,))
    for trial in ordered:
        _add_due(connection, trial)
        _add_duplicates(connection, trial)


def _add_due(connection: Connection, trial: str) -> None:
    # The reads of `views`, on this transaction's own connection.
    raw: Any = connection.connection.driver_connection
    try:
        owed = views.calendar(raw, trial).owed()
    except OverflowError:
        # A pull planned for a day that no calendar has; the fold goes on whatever was written.
        return
    counted: dict[str, int] = {}
    rows = []
    for one in owed:
        place = counted.get(one.bed, 0)
        counted[one.bed] = place + 1
        rows.append((one.bed, place, trial, *due_cells(one)))
    if rows:
        marks = ", ".join("?" * len(rows[0]))
        connection.exec_driver_sql(f"INSERT INTO due VALUES ({marks})", rows)


def due_cells(one: schedule.Obligation) -> tuple[Any, ...]:
    """An obligation as the cells of a `due` row, from `planned` on."""
    return (
        one.planned,
        one.day,
        *(day and day.isoformat() for day in (one.day0, one.opens, one.target, one.closes)),
        one.missed_from and one.missed_from.isoformat(),
        one.tolerance,
        json.dumps(one.also),
        int(one.moved),
        one.pull,
        one.pulled and one.pulled.isoformat(),
        json.dumps(one.repeats),
        one.skipped,
    )


def _add_duplicates(connection: Connection, trial: str) -> None:
    """Pulls of one bed on one day that nobody called a repeat: perhaps one pull, written twice."""
    connection.exec_driver_sql(
        "INSERT INTO possible_duplicate (trial, first, second) "
        "SELECT b.trial, p.id, q.id FROM pull p JOIN pull q ON q.bed = p.bed "
        'AND substr(q."when", 1, 10) = substr(p."when", 1, 10) AND q.id > p.id '
        "JOIN bed b ON b.id = p.bed "
        "WHERE b.trial = ? AND p.again IS NULL AND q.again IS NULL "
        "AND coalesce(p.planned, '') = coalesce(q.planned, '')",
        (trial,),
    )
