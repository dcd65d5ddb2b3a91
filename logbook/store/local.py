"""Facts of this copy of the store alone: the rows of `local`, on an open transaction.

`writer`: who goes on here. `root`: the founder that this copy trusts. `learnt`: the heads of other
writers that came here since this writer's last entry, JSON. `ended`: why this writer must not go
on. `ignored`: writers that a person turned away, JSON. `program`: the version that wrote last.
"""

from __future__ import annotations

from json import loads
from typing import TYPE_CHECKING, Any

from logbook.errors import StoreError

if TYPE_CHECKING:
    from sqlalchemy import Connection

#: The facts that are JSON, and of which kind.
JSON = {"learnt": "object", "ignored": "array"}


def get(connection: Connection, name: str) -> str | None:
    """The value of a fact, or None."""
    row = connection.exec_driver_sql("SELECT value FROM local WHERE name = ?", (name,)).first()
    return None if row is None else str(row[0])


def noted(connection: Connection, name: str) -> Any:
    """A fact that is JSON, a dict or a list; an empty one where nothing is noted.

    Raises StoreError for one that was damaged.
    """
    kind = {"object": dict, "array": list}[JSON[name]]
    text = get(connection, name)
    try:
        found = kind() if text is None else loads(text)
    except ValueError:
        found = None
    if not isinstance(found, kind):
        raise StoreError(
            f"the store's note {name!r} of other machines is damaged", "logbook verify"
        )
    return found


def put(connection: Connection, name: str, value: str) -> None:
    """Set a fact."""
    connection.exec_driver_sql(
        "INSERT OR REPLACE INTO local (name, value) VALUES (?, ?)", (name, value)
    )


def drop(connection: Connection, name: str) -> None:
    """Forget a fact."""
    connection.exec_driver_sql("DELETE FROM local WHERE name = ?", (name,))
