"""Acts that two machines wrote of one bed, and that may be one: said, never merged.

Two pulls that may be one are a pair of their own (`derived`), since a sample can be a repeat. An
act has no such word: if it was one, one of the two lines is struck.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from logbook.store.views import OF_TRIAL

if TYPE_CHECKING:
    import sqlite3

_MINUTES = 15
_DAYS = 7  # after a week a bed that was watered twice is no news

# One bed is filled once and applied once, whenever that was. Of the waterings, of which there are
# many, the last days' are read once.
_PAIRS = (
    'WITH done AS MATERIALIZED (SELECT id, bed, entry, "when" FROM "{0}" WHERE {1}{2}) '
    "SELECT b.label, substr(p.id, 1, instr(p.id, '/') - 1), substr(q.id, 1, instr(q.id, '/') - 1) "
    "FROM done p JOIN done q ON q.bed = p.bed AND q.id > p.id JOIN bed b ON b.id = p.bed "
    "JOIN entry e ON e.id = p.entry JOIN entry f ON f.id = q.entry "
    "WHERE e.writer <> f.writer{3} ORDER BY 2, 3, b.place"
)
_LATELY = ' AND substr("when", 1, 10) >= ?'
_CLOSE = (
    ' AND length(p."when") = length(q."when") '
    'AND abs(julianday(p."when") - julianday(q."when")) * 1440 <= ?'
)


def _one_writer(connection: sqlite3.Connection) -> bool:
    """Whether one machine wrote all: mostly so, and known without reading a line."""
    row = connection.execute(
        "SELECT (SELECT min(writer) FROM entry) IS (SELECT max(writer) FROM entry)"
    ).fetchone()
    return bool(row[0])


def acts(
    connection: sqlite3.Connection, trial: str, today: date
) -> list[tuple[str, str, str, list[str]]]:
    """(kind of act, the codes of two acts, the labels of the beds that both are about)."""
    if _one_writer(connection):
        return []
    found: dict[tuple[str, str, str], list[str]] = {}
    since = (today - timedelta(days=_DAYS)).isoformat()
    for space in ("fill", "apply", "water"):
        more = (since, _MINUTES) if space == "water" else ()
        query = _PAIRS.format(space, OF_TRIAL, *((_LATELY, _CLOSE) if more else ("", "")))
        for label, first, second in connection.execute(query, (trial, *more)):
            found.setdefault((space, first, second), []).append(label)
    return [(*key, labels) for key, labels in found.items()]
