"""Stage 2 of the fold: rows computed for a whole trial from its records - what to pull and when,
and which pulls look like the same one recorded twice. Dates only: "overdue" is said at read time.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import date
from typing import Any

from sqlalchemy import Connection

from logbook.journal.kinds import from_value
from logbook.store.tables import RECORD_TABLES
from logbook.trial import schedule
from logbook.trial.ranges import BedRef

_OF_BED = (
    'SELECT DISTINCT b.trial FROM "{0}" r JOIN bed b ON b.id = r.bed WHERE r.id IN '
    "(SELECT substr(key, {1}) FROM touched WHERE key >= '{2}/' AND key < '{2}0')"
)
_OF_TRIAL = (
    'SELECT DISTINCT {3} FROM "{0}" WHERE id IN '
    "(SELECT substr(key, {1}) FROM touched WHERE key >= '{2}/' AND key < '{2}0')"
)


def _feed(space: str, query: str, column: str = "trial") -> str:
    return query.format(space.replace("-", "_"), len(space) + 2, space, column)


# Key space -> the query that names the trials its touched rows belong to.
FEEDS = {
    "trial": _feed("trial", _OF_TRIAL, "id"),
    "bed": _feed("bed", _OF_TRIAL),
    "treatment": _feed("treatment", _OF_TRIAL),
    "planned-pull": _feed("planned-pull", _OF_TRIAL),
    **{space: _feed(space, _OF_BED) for space in ("fill", "apply", "pull")},
}


def refresh(connection: Connection, trials: Iterable[str] | None) -> None:
    """Compute the derived rows of these trials anew (None: of every trial)."""
    if trials is None:
        rows = connection.exec_driver_sql("SELECT id FROM trial").all()
        trials = [row[0] for row in rows]
    for trial in sorted(trials):
        _refresh_due(connection, trial)
        _refresh_duplicates(connection, trial)


def _records(connection: Connection, space: str, where: str, trial: str) -> list[tuple[Any, ...]]:
    """(id, entry, record) of the rows of a space that belong to a trial."""
    table = RECORD_TABLES[space]
    names = [column.name for column in table.columns]
    rows = connection.exec_driver_sql(f'SELECT * FROM "{table.name}" WHERE {where}', (trial,))
    return [(row[0], row[1], from_value(space, dict(zip(names, row, strict=True)))) for row in rows]


def _refresh_due(connection: Connection, trial: str) -> None:
    beds = [
        BedRef(ident, label, block, code or "", bool(control), place or 0)
        for ident, label, block, code, control, place in connection.exec_driver_sql(
            "SELECT b.id, b.label, b.block, t.code, t.control, b.place FROM bed b "
            "LEFT JOIN treatment t ON t.id = b.treatment WHERE b.trial = ?",
            (trial,),
        )
    ]
    of_bed = "bed IN (SELECT id FROM bed WHERE trial = ?)"
    planned = [record for *_, record in _records(connection, "planned-pull", "trial = ?", trial)]
    pulls = [
        schedule.Taken(p.code, p.bed, p.when.day, p.planned, p.again is not None, entry)
        for _, entry, p in _records(connection, "pull", of_bed, trial)
    ]
    owed = schedule.obligations(
        beds,
        planned,
        _first_days(_records(connection, "apply", of_bed, trial)),
        _first_days(_records(connection, "fill", of_bed, trial)),
        pulls,
    )
    connection.exec_driver_sql("DELETE FROM due WHERE trial = ?", (trial,))
    counted: dict[str, int] = {}
    rows = []
    for one in owed:
        place = counted.get(one.bed, 0)
        counted[one.bed] = place + 1
        rows.append((trial, one.bed, place, *due_cells(one)))
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
    )


def _first_days(rows: Iterable[tuple[Any, ...]]) -> dict[str, date]:
    """The earliest day of each bed among fillings or applications."""
    days: dict[str, date] = {}
    for _, _, record in rows:
        days[record.bed] = min(record.when.day, days.get(record.bed, record.when.day))
    return days


def _refresh_duplicates(connection: Connection, trial: str) -> None:
    """Pulls of one bed on one day that nobody called a repeat: perhaps one pull, written twice."""
    connection.exec_driver_sql("DELETE FROM possible_duplicate WHERE trial = ?", (trial,))
    connection.exec_driver_sql(
        "INSERT INTO possible_duplicate (trial, first, second) "
        "SELECT b.trial, p.code, q.code FROM pull p JOIN pull q ON q.bed = p.bed "
        'AND substr(q."when", 1, 10) = substr(p."when", 1, 10) AND q.code > p.code '
        "JOIN bed b ON b.id = p.bed "
        "WHERE b.trial = ? AND p.again IS NULL AND q.again IS NULL "
        "AND coalesce(p.planned, '') = coalesce(q.planned, '')",
        (trial,),
    )
