"""Is a store sound? Its tables against a fold made anew beside it, its schema against the newest.

All of it works on a copy: the store itself is read once, and never kept from its writers for long.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, Connection, Table, event

from logbook.store import database, local, projections
from logbook.store.tables import CONTACT, HEAD, HELD, LOCAL, PLACE, PLACE_FILE, REFUSED

if TYPE_CHECKING:
    import sqlite3

KEPT = "kept"


@contextmanager
def beside(copy: Path, made: Path | None = None) -> Iterator[Connection]:
    """A new database of the newest schema, with the copy of a store attached as `kept`.

    It is `made`, or else a scratch file; what is done to it is committed at the end.
    """
    scratch = database.engine(made or copy.with_suffix(".scratch"))
    event.listen(scratch, "connect", lambda raw, _record: _attach(raw, copy))
    try:
        with database.translated(copy), scratch.begin() as connection:
            database.upgrade(connection)
            yield connection
    finally:
        scratch.dispose()


def _attach(raw: Any, copy: Path) -> None:
    raw.execute(f"ATTACH ? AS {KEPT}", (str(copy),))


def make_anew(copy: Path, to: Path) -> None:
    """A fresh store in the new file `to` from the journal of a checked copy, of any known schema.

    Its schema is this program's and its tables are folded from the journal. Taken over besides are
    which writer the store was of and if it ended, whom it trusts, what it holds back and learnt
    from others, its places.
    Raises StoreError.
    """
    with beside(copy, to) as connection:
        connection.exec_driver_sql(
            "INSERT INTO main.entry (id, writer, seq, act, body) "
            f"SELECT id, writer, seq, act, body FROM {KEPT}.entry ORDER BY writer, seq, id"
        )
        connection.exec_driver_sql(
            "INSERT INTO main.local (name, value) "
            f"SELECT name, value FROM {KEPT}.local "
            "WHERE name IN ('writer', 'program', 'root', 'ended', 'learnt')"
        )
        for table in (HELD, HEAD, PLACE, CONTACT):
            _take_over(connection, table)
        projections.rebuild(connection)


def _take_over(connection: Connection, table: Table) -> None:
    """Copy a table that only this copy has, if the attached store has it already."""
    if connection.exec_driver_sql(
        f"SELECT 1 FROM {KEPT}.sqlite_master WHERE name = ?", (table.name,)
    ).first():
        names = ", ".join(f'"{column.name}"' for column in table.columns)
        connection.exec_driver_sql(
            f"INSERT INTO main.{table.name} ({names}) SELECT {names} FROM {KEPT}.{table.name}"
        )


def strange_rows(store: sqlite3.Connection) -> list[tuple[str, int]]:
    """Tables that no fold fills, with how many of their rows hold what their columns do not take.

    One bit of a row's header makes text of a number, or nothing of a text.
    """
    there = {name for (name,) in store.execute("SELECT name FROM sqlite_master")}
    found = []
    for table in (LOCAL, HELD, REFUSED, HEAD, PLACE, PLACE_FILE, CONTACT):
        if table.name in there:
            signs = list(map(_is_strange, table.columns))
            signs += _no_notes() if table is LOCAL else []
            # The table itself: an index would answer for the row that it was made of.
            query = f'SELECT count(*) FROM "{table.name}" NOT INDEXED WHERE {" OR ".join(signs)}'
            (count,) = store.execute(query).fetchone()
            found += [(table.name, count)] if count else []
    return found


def _no_notes() -> list[str]:
    """Of facts that are JSON: that they are none, or of another kind."""
    return [
        f"name = '{name}' AND "
        f"CASE WHEN json_valid(value) THEN json_type(value) ELSE '' END <> '{kind}'"
        for name, kind in local.JSON.items()
    ]


def _is_strange(column: Column[Any]) -> str:
    wanted = {"TEXT": "text", "INTEGER": "integer", "BLOB": "blob"}[str(column.type)]
    takes = f"'{wanted}', 'null'" if column.nullable else f"'{wanted}'"
    return f'typeof("{column.name}") NOT IN ({takes})'


def page_damage(connection: Connection, most: int = 20) -> list[str]:
    """What SQLite's own check says of the attached copy's pages and indexes."""
    rows = connection.exec_driver_sql(f"PRAGMA {KEPT}.integrity_check({most})").all()
    return [text for (text,) in rows if text != "ok"]


def schema_differences(connection: Connection) -> list[str]:
    """Tables, indexes and triggers that are missing, changed or strange in the attached copy."""
    wanted, found = (_schema(connection, name) for name in ("main", KEPT))
    said = [f"the {kind} {name} is missing" for kind, name in sorted(wanted.keys() - found.keys())]
    said += [
        f"the {kind} {name} does not belong here"
        for kind, name in sorted(found.keys() - wanted.keys())
    ]
    return said + [
        f"the {kind} {name} is not as this program makes it"
        for kind, name in sorted(wanted.keys() & found.keys())
        if wanted[kind, name] != found[kind, name]
    ]


def _schema(connection: Connection, of: str) -> dict[tuple[str, str], str]:
    rows = connection.exec_driver_sql(
        f"SELECT type, name, sql FROM {of}.sqlite_master WHERE name NOT LIKE 'sqlite~_%' ESCAPE '~'"
    )
    return {(kind, name): sql for kind, name, sql in rows}


def stale_tables(connection: Connection) -> list[str]:
    """Names of the attached copy's folded tables that its journal does not say.

    Raises BadEntry if an entry of the journal cannot be read.
    """
    # Without a table of that name here, `entry` means the attached copy's.
    connection.exec_driver_sql("DROP TABLE IF EXISTS main.entry")
    projections.rebuild(connection)
    return projections.differing_tables(connection, KEPT)
