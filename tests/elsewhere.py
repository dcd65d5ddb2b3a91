"""Another machine of the book: its entries arrive in a test's store as a sync would bring them."""

from __future__ import annotations

from pathlib import Path

from logbook.journal.entry import Entry, Value, Write
from logbook.journal.kinds import KINDS, to_value
from logbook.store import database, entries, projections, views
from logbook.trial import records
from tests.store import made


class Elsewhere:
    """Another machine: what it writes is in the store at once, knowing only what it says it saw."""

    def __init__(self, store: Path, name: str = "greenhouse", by: str = "olek") -> None:
        self.store, self.name, self.by = store, name, by
        self.seq, self.prev = 0, ""
        value = to_value(records.Writer("book", name, made.public_key(name), None))
        self.files("writer", [Write(f"writer/{made.writer_id(name)}", value)])

    def says(
        self,
        key: str,
        value: Value | None,
        replaces: tuple[str, ...] = (),
        reason: str | None = None,
        at: str = "2026-03-02T10:15:00+01:00",
    ) -> str:
        """Write one value (None: struck) in place of those entries; the id of its entry."""
        kind = "correct" if value is not None else "strike"
        return self.files(kind, [Write(key, value, replaces)], reason, at)

    def files(
        self,
        kind: str,
        writes: list[Write],
        reason: str | None = None,
        at: str = "2026-03-01T08:00:00+01:00",
    ) -> str:
        """Write an entry of any kind; its id."""
        self.seq += 1
        entry = Entry(
            writer=made.writer_id(self.name),
            seq=self.seq,
            prev=self.prev or None,
            kind=kind,
            kv=KINDS.get(kind, 1),
            written=at,
            by=self.by,
            act=None if kind == "writer" else f"{self.name}{self.seq}",
            reason=reason,
            writes=tuple(writes),
        )
        filing = made.filed(entry)
        with database.writing(self.store) as connection:
            entries.append(connection, [filing])
            projections.apply(connection, [filing[:2]])
        self.prev = filing[0]
        return filing[0]


def standing(store: Path, key: str) -> tuple[str, Value]:
    """The one live line of a key: its entry's id and its value."""
    with views.reading(store) as connection:
        (found,) = [line for line in views.writes_of_key(connection, key) if line[3]]
    name, entry, place, _ = found
    return name, entry.writes[place].value or {}


def keys_of(store: Path, act: str) -> list[str]:
    """The keys that an act wrote."""
    with views.reading(store) as connection:
        return views.keys_of_act(connection, act)
