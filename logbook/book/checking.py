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

if TYPE_CHECKING:
    from sqlalchemy import Connection

_RESTORE = "Restore a backup, or fetch the entries from another machine."
_REBUILD = "The journal is not touched by this: restore a backup to have the tables made anew."


def check_store(path: Path) -> list[Problem]:
    """Every problem of the store at `path`: its pages, its schema, its chains, its tables.

    Raises NoStore, OtherSchema or StoreError if there is no store to check.
    """
    with TemporaryDirectory(prefix="logbook-verify-") as folder:
        copy = Path(folder) / "copy.db"
        try:
            with views.reading(path) as store:
                views.copy(store, copy)
            return [*_chains(copy), *_in_copy(path, copy)]
        except Damaged as problem:
            return [Problem(str(path), f"{problem.what}: {problem.__cause__}", _RESTORE)]


def _chains(copy: Path) -> list[Problem]:
    with views.reading(copy) as store:
        return chain.check(views.filed_entries(store))


def _in_copy(path: Path, copy: Path) -> Iterator[Problem]:
    with soundness.beside(copy) as connection:
        for said in soundness.page_damage(connection):
            yield Problem(str(path), f"SQLite finds damage: {said}", _RESTORE)
        said_of_schema = soundness.schema_differences(connection)
        for said in said_of_schema:
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
