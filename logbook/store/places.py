"""The places that this copy of the store exchanges entries through, by name."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.store.held import Tip

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True)
class Remembered:
    """A place by its name: a folder, or a URL without its password; `last` is an instant.

    `book` is which book of a hub is meant, where it keeps several. `seen` are the tips of each
    writer that the place had after the last exchange.
    """

    name: str
    address: str
    book: str | None
    last: str | None
    seen: Mapping[str, frozenset[Tip]]


def listed(store: sqlite3.Connection) -> list[Remembered]:
    """Every remembered place, by name."""
    rows = store.execute("SELECT name, address, book, last, seen FROM place ORDER BY name")
    return [_place(*row) for row in rows.fetchall()]


def _place(name: str, address: str, book: str | None, last: str | None, seen: str) -> Remembered:
    tips = {
        writer: frozenset((seq, entry) for seq, entry in some)
        for writer, some in json.loads(seen).items()
    }
    return Remembered(name, address, book, last, tips)


def remember(store: sqlite3.Connection, name: str, address: str, book: str | None) -> None:
    """Remember a place under a name; one of that name is replaced."""
    store.execute(
        "INSERT OR REPLACE INTO place (name, address, book, last, seen) "
        "VALUES (?, ?, ?, NULL, '{}')",
        (name, address, book),
    )


def forget(store: sqlite3.Connection, name: str) -> None:
    """Forget a place; nothing in it changes."""
    store.execute("DELETE FROM place WHERE name = ?", (name,))


def exchanged(
    store: sqlite3.Connection, name: str, last: str, seen: Mapping[str, frozenset[Tip]]
) -> None:
    """Note an exchange with a place and what it has now."""
    tips = {writer: sorted(some) for writer, some in sorted(seen.items())}
    store.execute(
        "UPDATE place SET last = ?, seen = ? WHERE name = ?", (last, json.dumps(tips), name)
    )
