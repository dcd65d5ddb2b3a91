"""Hubs for tests: made on a server, with others' transactions held open, with dumps put back."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from typing import Any

import psycopg

from logbook.journal.entry import decode, entry_id
from logbook.sync.hub import Hub, init, open_hub
from logbook.sync.place import Run
from tests.postgres import OWNER, Server


@dataclass
class Made:
    """A hub made for a test: its server, its book, and the owner's connection to it."""

    server: Server
    book: str
    owner: psycopg.Connection[Any]
    hubs: list[Hub] = field(default_factory=list)

    def open(self, user: str = OWNER) -> Hub:
        self.hubs.append(open_hub(self.server.url(user), self.book))
        return self.hubs[-1]

    @property
    def schema(self) -> str:
        """Where its tables are."""
        return f"logbook_{self.book[:12]}"

    def send(self, *runs: Run) -> None:
        with closing(self.open()) as hub:
            hub.send(runs)

    def insert(
        self, body: bytes, writer: bytes, seq: int, prev: bytes | None, role: str = OWNER
    ) -> None:
        """Put a row among the entries by hand, as somebody with that role could."""
        with psycopg.connect(self.server.url(role)) as connection:
            connection.execute(
                f"INSERT INTO {self.schema}.entry (writer, seq, prev, body) "
                "VALUES (%s, %s, %s, %s)".encode(),
                (writer, seq, prev, body),
            )

    def count(self) -> int:
        return int(self.owner.execute("SELECT count(*) FROM entry").fetchone()[0])  # type: ignore[index]


@contextmanager
def made_on(server: Server, book: str) -> Iterator[Made]:
    """A hub for a book, and a role `bench` with the rights that `hub init` prints."""
    grants = init(server.url(), book, "bench", "test").grants
    with psycopg.connect(server.url(), autocommit=True) as owner:
        owner.execute("DO $$ BEGIN CREATE ROLE bench LOGIN; EXCEPTION WHEN others THEN END $$")
        for grant in grants[1:]:
            owner.execute(grant.encode())
        made = Made(server, book, owner)
        owner.execute(f"SET search_path TO {made.schema}".encode())
        try:
            yield made
        finally:
            for hub in made.hubs:
                hub.close()


@contextmanager
def held_open(made: Made, bodies: Sequence[bytes]) -> Iterator[Callable[[], None]]:
    """Another machine that has sent entries and not committed them yet, until it is told to."""
    first = decode(bodies[0])
    prev = bytes.fromhex(first.prev) if first.prev else None
    with psycopg.connect(made.server.url()) as connection:
        connection.execute(f"SET search_path TO logbook_{made.book[:12]}".encode())
        rows = []
        for seq, body in enumerate(bodies, first.seq):
            rows.append((bytes.fromhex(first.writer), seq, prev, body))
            prev = bytes.fromhex(entry_id(body))
        for row in rows:
            connection.execute(
                "INSERT INTO entry (writer, seq, prev, body) VALUES (%s, %s, %s, %s)", row
            )
        yield connection.commit
        connection.rollback()


def waits_for_a_lock(made: Made) -> None:
    """Return when somebody waits for another transaction of this server."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        (count,) = made.owner.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock'"
        ).fetchone()  # type: ignore[misc]
        if count:
            return
        time.sleep(0.01)
    raise AssertionError("nobody waits")


def restored(server: Server, dump: str) -> None:
    """Put the schema of a dump back."""
    file = server.folder / "dump.sql"
    file.write_text(dump, encoding="utf-8")
    file.chmod(0o644)
    server.run("psql", "-q", "-v", "ON_ERROR_STOP=1", "-f", str(file), "postgres")
