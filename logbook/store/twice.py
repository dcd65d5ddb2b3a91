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

# One bed is filled once and applied once, whenever that was.
_PAIRS = (
    "SELECT b.label, substr(p.id, 1, instr(p.id, '/') - 1), substr(q.id, 1, instr(q.id, '/') - 1) "
    'FROM "{0}" p JOIN "{0}" q ON q.bed = p.bed AND q.id > p.id JOIN bed b ON b.id = p.bed '
    "JOIN entry e ON e.id = p.entry JOIN entry f ON f.id = q.entry "
    "WHERE p.{1} AND e.writer <> f.writer{2} ORDER BY 2, 3, b.place"
)
_CLOSE = (
    ' AND substr(p."when", 1, 10) >= ? AND length(p."when") = length(q."when") '
    'AND abs(julianday(p."when") - julianday(q."when")) * 1440 <= ?'
)


def acts(
    connection: sqlite3.Connection, trial: str, today: date
) -> list[tuple[str, str, str, list[str]]]:
    """(kind of act, the codes of two acts, the labels of the beds that both are about)."""
    found: dict[tuple[str, str, str], list[str]] = {}
    since = (today - timedelta(days=_DAYS)).isoformat()
    for space in ("fill", "apply", "water"):
        more = (since, _MINUTES) if space == "water" else ()
        query = _PAIRS.format(space, OF_TRIAL, _CLOSE if more else "")
        for label, first, second in connection.execute(query, (trial, *more)):
            found.setdefault((space, first, second), []).append(label)
    return [(*key, labels) for key, labels in found.items()]
