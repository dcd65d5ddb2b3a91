"""`verify`: every check of a store, in one run that changes nothing and reports every problem.

Findings are what is wrong; notes are what to know: entries held back, forks that are dealt with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logbook import config
from logbook.book import vouching
from logbook.errors import Problem, StoreError
from logbook.journal import chain
from logbook.journal.entry import BadEntry
from logbook.store import held, soundness, views
from logbook.store.causes import Damaged
from logbook.store.schemas import SCHEMA, SCHEMAS

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

_RESTORE = "Restore a backup, or copy the book anew from another machine: logbook join."
_REBUILD = (
    "The journal is not touched by this. To have the tables made anew: logbook backup FILE, "
    "then logbook restore FILE."
)
_REBUILT_LATER = "Mend the journal first: a restore makes the tables anew."


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


def look(path: Path, *, tables: bool = True, state: Path | None = None) -> Found:
    """As `check_store`, with what else there is to say of the store.

    Without `tables`, only the chains and what machines say of them: in a fraction of the time.
    With `state`, the key files there of the store's writers are looked at too.
    """
    with TemporaryDirectory(prefix="logbook-verify-") as folder:
        found = Found()
        copy = Path(folder) / "copy.db"
        found.problems = _check(path, copy, found, pages=tables)
        if state is not None and copy.exists():
            found.problems += _keys(copy, state)
        return found


def _keys(copy: Path, state: Path) -> list[Problem]:
    """What is wrong with the key files of the store's writers that lie on this machine."""
    try:
        with views.reading(copy, SCHEMAS) as store:
            writers = held.writers(store)
    except StoreError:
        # The store cannot be read: said already.
        return []
    problems = []
    for writer in writers:
        try:
            replica = config.load(state, writer)
            if replica is not None:
                config.must_sign(state, replica)
        except StoreError as problem:
            problems.append(Problem("", problem.message, f"{problem.hint}."))
    return problems


def is_damaged(path: Path) -> bool:
    """True if pages, chains or tables are not as they must be, whatever machines say of them."""
    with TemporaryDirectory(prefix="logbook-verify-") as folder:
        copy = Path(folder) / "copy.db"
        if _check(path, copy, None):
            return True
        with soundness.beside(copy, Path(folder) / "made.db") as connection:
            return views.schema_at(copy) == SCHEMA and any(_folded(path, connection, ""))


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
            # Text that is none must be named, not end the check.
            store.text_factory = _text
            problems = chain.check(views.filed_entries(store), seen)
            sound = not problems
            if found is not None and newest:
                problems += _machines(store, seen, found)
        if not pages:
            return problems
        with soundness.beside(copy) as connection:
            problems += _pages(path, connection)
            if found is not None and newest:
                problems += _folded(path, connection, _REBUILD if sound else _REBUILT_LATER)
        return problems
    except Damaged as problem:
        return [Problem(str(path), f"{problem.what}: {problem.__cause__}", _RESTORE)]


def _text(raw: bytes) -> str:
    return raw.decode(errors="replace")


def _machines(store: sqlite3.Connection, seen: chain.Seen, found: Found) -> list[Problem]:
    """What the writers of the book say of each other's chains; notes go to `found`."""
    problems: list[Problem] = []
    try:
        problems = [
            Problem(f"table {name}", f"{count} of its rows hold what is no value of it", _RESTORE)
            for name, count in soundness.strange_rows(store)
        ]
        if problems:
            return problems
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


def _folded(path: Path, connection: Connection, remedy: str) -> Iterator[Problem]:
    for said in soundness.schema_differences(connection):
        yield Problem(str(path), said, remedy)
    yield from _tables(connection, remedy)


def _tables(connection: Connection, remedy: str) -> Iterator[Problem]:
    try:
        stale = soundness.stale_tables(connection)
    except BadEntry:
        what = "cannot be compared with the journal while an entry of it cannot be read"
        yield Problem("tables", what, _RESTORE)
        return
    for name in stale:
        yield Problem(f"table {name}", "does not say what the journal says", remedy)
