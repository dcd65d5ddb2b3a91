"""The journal's rows: append, and read in the orders that are needed."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection

from logbook.journal.entry import Entry


def append(connection: Connection, entries: Iterable[tuple[str, Entry, bytes]]) -> None:
    """Add entries `(id, entry, bytes)`; one that is here already stays as it is."""
    rows = [(name, entry.writer, entry.seq, entry.act, body) for name, entry, body in entries]
    if rows:
        connection.exec_driver_sql(
            "INSERT INTO entry (id, writer, seq, act, body) VALUES (?, ?, ?, ?, ?) "
            "ON CONFLICT (id) DO NOTHING",
            rows,
        )


def head(connection: Connection, writer: str) -> tuple[int, str] | None:
    """The number and id of the writer's newest entry here, or None."""
    row = connection.exec_driver_sql(
        "SELECT seq, id FROM entry WHERE writer = ? ORDER BY seq DESC, id DESC LIMIT 1", (writer,)
    ).first()
    return (row[0], row[1]) if row else None


def has(connection: Connection, writer: str, seq: int, name: str) -> bool:
    """True if the entry with this writer, number and id is here."""
    found = connection.exec_driver_sql(
        "SELECT 1 FROM entry WHERE writer = ? AND seq = ? AND id = ?", (writer, seq, name)
    ).first()
    return found is not None
