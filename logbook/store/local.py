"""Facts of this copy of the store alone: the rows of `local`, on an open transaction.

`writer`: who goes on here. `root`: the founder that this copy trusts. `learnt`: the heads of other
writers that came here since this writer's last entry, JSON. `ended`: why this writer must not go
on. `ignored`: writers that a person turned away, JSON. `program`: the version that wrote last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlalchemy import Connection


def get(connection: Connection, name: str) -> str | None:
    """The value of a fact, or None."""
    row = connection.exec_driver_sql("SELECT value FROM local WHERE name = ?", (name,)).first()
    return None if row is None else str(row[0])


def put(connection: Connection, name: str, value: str) -> None:
    """Set a fact."""
    connection.exec_driver_sql(
        "INSERT OR REPLACE INTO local (name, value) VALUES (?, ?)", (name, value)
    )


def drop(connection: Connection, name: str) -> None:
    """Forget a fact."""
    connection.exec_driver_sql("DELETE FROM local WHERE name = ?", (name,))
