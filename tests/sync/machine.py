"""A machine of the tests: a store, its key files, a person, a clock in the test's hand."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logbook import config
from logbook.book import corrections, members, membership, writing
from logbook.book.writing import Act, Book
from logbook.journal import entry as journal
from logbook.store import held, views
from logbook.sync import exchange
from logbook.sync.place import Place
from logbook.trial.records import Note
from logbook.trial.times import read_stored

NOW = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)


@dataclass
class Machine:
    """One store with its own key files; `name` is what the machine is called."""

    name: str
    folder: Path
    now: datetime = NOW
    seen: dict[str, Any] = field(default_factory=dict)

    @property
    def store(self) -> Path:
        return self.folder / self.name / "logbook.db"

    @property
    def state(self) -> Path:
        return self.folder / f"{self.name}-keys"

    @contextmanager
    def book(self) -> Iterator[Book]:
        """One act's transaction, as the command line opens it."""
        named = config.machine_name
        config.machine_name = lambda: self.name  # type: ignore[assignment]
        try:
            with writing.opened(self.store, self.state, by=self.name, now=self.now) as book:
                yield book
        finally:
            config.machine_name = named  # type: ignore[assignment]

    def note(self, text: str, key: str | None = None) -> str:
        """Write a remark; returns its key, under which it can be written again."""
        when = read_stored(self.now.date().isoformat())
        with self.book() as book:
            at = key or journal.key("note", book.new_code(), "1")
            book.record("note", [(at, Note("a trial", when, text))])
        return at

    def correct(self, key: str, text: str) -> Act:
        """Correct a remark."""
        with self.book() as book:
            return corrections.correct(book, key, {"text": text}, "read again")

    def sync(self, place: Place, **given: Any) -> exchange.Summary:
        """Exchange with a place."""
        return exchange.exchange(self.store, self.state, place, now=self.now, **given)

    def enrol(self, name: str) -> None:
        """Let the machine of that name in."""
        with self.book() as book:
            wanted = members.called(membership.standings(self.raw(book)), name)
            members.enrol(book, wanted)

    def retire(self, name: str) -> None:
        """Retire the machine of that name."""
        with self.book() as book:
            wanted = members.called(membership.standings(self.raw(book)), name)
            members.retire(book, wanted, "sold")

    @staticmethod
    def raw(book: Book) -> Any:
        """The transaction's own connection."""
        return book.connection.connection.driver_connection

    def journal(self) -> list[bytes]:
        """Every entry accepted here, by writer and number."""
        with views.reading(self.store) as connection:
            return [filed.body for filed in views.filed_entries(connection)]

    def rows(self) -> str:
        """The folded tables, as text."""
        from logbook.store.tables import FOLDED

        with views.reading(self.store) as connection:
            return "\n".join(
                f"{table.name}: {row}"
                for table in FOLDED
                for row in sorted(
                    connection.execute(f'SELECT * FROM "{table.name}"').fetchall(), key=repr
                )
            )

    def waiting(self) -> int:
        """How many entries are held back here."""
        with views.reading(self.store) as connection:
            return sum(len(held.links(connection, w)) for w in held.writers_held(connection))

    def copied(self, name: str, keys: bool = False) -> Machine:
        """The store copied to another machine, with the key files or (as it should be) without."""
        other = Machine(name, self.folder, self.now)
        other.store.parent.mkdir(parents=True)
        shutil.copy2(self.store, other.store)
        if keys:
            shutil.copytree(self.state, other.state)
        return other
