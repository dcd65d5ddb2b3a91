"""`verify`: every check of a store, in one run that changes nothing and reports every problem."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logbook.errors import Problem
from logbook.journal import chain
from logbook.journal.entry import BadEntry
from logbook.store import soundness, views
from logbook.store.causes import Damaged
from logbook.store.schemas import SCHEMA, SCHEMAS

if TYPE_CHECKING:
    from sqlalchemy import Connection

_RESTORE = "Restore a backup, or fetch the entries from another machine."
_REBUILD = "The journal is not touched by this: restore a backup to have the tables made anew."


def check_store(path: Path) -> list[Problem]:
    """Every problem of the store at `path`: its pages, its schema, its chains, its tables.

    Of a store of an older schema, pages and chains only: its tables are made anew by the upgrade.
    Raises NoStore, NewerStore or StoreError if there is no store to check.
    """
    with TemporaryDirectory(prefix="logbook-verify-") as folder:
        return check_copy(path, Path(folder) / "copy.db", tables=True)


def check_copy(path: Path, copy: Path, *, tables: bool) -> list[Problem]:
    """Copy the store at `path` to the new file `copy`, and check the copy.

    Without `tables`, only what the journal needs: pages and chains.
    """
    try:
        with views.reading(path, SCHEMAS) as store:
            newest = views.schema_of(store, path) == SCHEMA
            views.copy(store, copy)
        with views.reading(copy, SCHEMAS) as store:
            problems = chain.check(views.filed_entries(store))
        with soundness.beside(copy) as connection:
            problems += _pages(path, connection)
            problems += _folded(path, connection) if tables and newest else []
        return problems
    except Damaged as problem:
        return [Problem(str(path), f"{problem.what}: {problem.__cause__}", _RESTORE)]


def _pages(path: Path, connection: Connection) -> list[Problem]:
    return [
        Problem(str(path), f"SQLite finds damage: {said}", _RESTORE)
        for said in soundness.page_damage(connection)
    ]


def _folded(path: Path, connection: Connection) -> Iterator[Problem]:
    for said in soundness.schema_differences(connection):
        yield Problem(str(path), said, _REBUILD)
    yield from _tables(connection)


def _tables(connection: Connection) -> Iterator[Problem]:
    try:
        stale = soundness.stale_tables(connection)
    except BadEntry:
        what = "cannot be compared with the journal while an entry of it cannot be read"
        yield Problem("tables", what, _RESTORE)
        return
    for name in stale:
        yield Problem(f"table {name}", "does not say what the journal says", _REBUILD)
