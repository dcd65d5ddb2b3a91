"""Fold a store's journal into its tables anew, or insert the very same rows raw; print the seconds.

python rebuild.py STORE          the fold
python rebuild.py STORE COPY     the same journal and table rows into COPY, an empty file
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from time import perf_counter

from logbook.store import database, projections


def fold(store: Path) -> float:
    """Seconds for the tables of `store`, dropped and folded again, durably."""
    with database.writing(store):
        pass
    start = perf_counter()
    with database.writing(store) as connection:
        projections.rebuild(connection)
    return perf_counter() - start


def insert(store: Path, copy: Path) -> float:
    """Seconds for inserting every row of `store` into an empty store of the same schema."""
    with database.writing(copy):
        pass
    source = sqlite3.connect(store)
    tables = [
        name
        for (name,) in source.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        if name not in ("alembic_version", "local") and not name.startswith("sqlite_")
    ]
    rows = {name: source.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}
    source.close()
    start = perf_counter()
    target = sqlite3.connect(copy)
    target.execute("PRAGMA synchronous = EXTRA")
    for name, found in rows.items():
        if found:
            marks = ", ".join("?" * len(found[0]))
            target.executemany(f'INSERT INTO "{name}" VALUES ({marks})', found)
    target.commit()
    target.close()
    return perf_counter() - start


if __name__ == "__main__":
    paths = [Path(argument) for argument in sys.argv[1:]]
    print(fold(paths[0]) if len(paths) == 1 else insert(*paths))
