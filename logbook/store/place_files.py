"""What is remembered of the files of a folder that machines share: the table `place_file`.

Every function takes a connection of the standard library's sqlite3: one that reads, or the one
inside an open transaction.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3

# Size in bytes, time of change in ns, what it holds as JSON.
Row = tuple[int, int, str]


def load(store: sqlite3.Connection, place: str) -> dict[str, Row]:
    """The files of a place that were read, by name."""
    rows = store.execute(
        "SELECT file, size, mtime, runs FROM place_file WHERE place = ?", (place,)
    ).fetchall()
    return {file: (size, mtime, runs) for file, size, mtime, runs in rows}


def save(store: sqlite3.Connection, place: str, files: Mapping[str, Row]) -> None:
    """Remember exactly these files of a place; rows that did not change are not written."""
    old = load(store, place)
    store.executemany(
        "DELETE FROM place_file WHERE place = ? AND file = ?",
        [(place, file) for file in old.keys() - files.keys()],
    )
    store.executemany(
        "INSERT OR REPLACE INTO place_file (place, file, size, mtime, runs) VALUES (?, ?, ?, ?, ?)",
        [(place, file, *row) for file, row in files.items() if old.get(file) != row],
    )
