"""`verify`: every check of a store, in one run that changes nothing and reports every problem.

Findings are what is wrong; notes are what to know: entries held back, forks that are dealt with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logbook.book import vouching
from logbook.errors import Problem
from logbook.journal import chain
from logbook.journal.entry import BadEntry
from logbook.store import soundness, views
from logbook.store.causes import Damaged
from logbook.store.schemas import SCHEMA, SCHEMAS

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

_RESTORE = "Restore a backup, or fetch the entries from another machine."
_REBUILD = "The journal is not touched by this: restore a backup to have the tables made anew."


@dataclass
class Found:
    """What a check of a store found.

    Of the entries that this machine wrote, `written`, another machine has seen `witnessed`.
    """

    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    writers: int = 0
    written: int = 0
    witnessed: int = 0


def check_store(path: Path) -> list[Problem]:
    """Every problem of the store at `path`: its pages, its schema, its chains, its tables, heads.

    Of a store of an older schema, pages and chains only: its tables are made anew by the upgrade.
    Raises NoStore, NewerStore or StoreError if there is no store to check.
    """
    return look(path).problems


def look(path: Path, *, tables: bool = True) -> Found:
    """As `check_store`, with what else there is to say of the store.

    Without `tables`, only the chains and what machines say of them: in a fraction of the time.
    """
    with TemporaryDirectory(prefix="logbook-verify-") as folder:
        found = Found()
        copy = Path(folder) / "copy.db"
        found.problems = _check(path, copy, found, pages=tables)
        return found


def check_copy(path: Path, copy: Path) -> list[Problem]:
    """Copy the store at `path` to the new file `copy`, and check what the journal needs of it.

    That is its pages and its chains: everything else is made anew from the journal.
    """
    return _check(path, copy, None)


def _check(path: Path, copy: Path, found: Found | None, *, pages: bool = True) -> list[Problem]:
    """Chains and pages; with `found`, also the tables and what machines say of each other."""
    seen: chain.Seen = {}
    try:
        with views.reading(path, SCHEMAS) as store:
            newest = views.schema_of(store, path) == SCHEMA
            views.copy(store, copy)
        with views.reading(copy, SCHEMAS) as store:
            problems = chain.check(views.filed_entries(store), seen)
            if found is not None and newest:
                problems += _machines(store, seen, found)
        if not pages:
            return problems
        with soundness.beside(copy) as connection:
            problems += _pages(path, connection)
            problems += _folded(path, connection) if found is not None and newest else []
        return problems
    except Damaged as problem:
        return [Problem(str(path), f"{problem.what}: {problem.__cause__}", _RESTORE)]


def _machines(store: sqlite3.Connection, seen: chain.Seen, found: Found) -> list[Problem]:
    """What the writers of the book say of each other's chains; notes go to `found`."""
    problems: list[Problem] = []
    try:
        problems = vouching.damaged(store)
        told = vouching.look(store, seen)
    except (BadEntry, *views.UNREADABLE):
        # An entry or a table that this needs is damaged: the other checks name it.
        return problems
    found.notes += told.notes
    found.writers, found.written, found.witnessed = told.writers, told.written, told.witnessed
    return problems + told.problems


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
