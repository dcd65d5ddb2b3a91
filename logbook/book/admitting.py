"""What comes from other machines: held back first, then let into the journal, or left waiting.

`receiving` checks bytes and files them in `held`; `admit` moves what may count into the journal and
folds it, in the same transaction. An entry is accepted if its chain below it is here and
(a) its writer is a member, and a head at or after the entry, signed with that writer's key, is
here; of a retired writer, up to the entry that its retirement pinned; or
(b) an accepted entry of another writer says that it saw it (`saw`), or an entry after it: a member
had accepted it; or
(c) the accepted entry after it names it as the one before: it was lost here out of the middle.
What is accepted stays so. Everything else waits, and `machines` shows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from json import dumps
from typing import TYPE_CHECKING

from logbook.book import membership
from logbook.book.membership import Standing
from logbook.book.receiving import CONTINUED, forged
from logbook.errors import Problem
from logbook.journal import entry as journal
from logbook.journal.entry import Entry
from logbook.store import database, derived, entries, held, local, projections
from logbook.store.held import Link, Tip, Vouched

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

_BATCH_WRITES = 20_000
# A clock may be a little ahead, and zones differ; a day ahead is no zone.
FUTURE = timedelta(hours=24)


@dataclass
class Admitted:
    """What was let into the journal: entries and lines by writer, and what is to be said of it.

    `ahead` counts entries whose clock is more than a day ahead of this machine's; `newer` those
    of kinds that this program does not know; `joined` are writers seen for the first time.
    """

    entries: dict[str, int] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    ahead: dict[str, int] = field(default_factory=dict)
    newer: int = 0
    joined: list[str] = field(default_factory=list)
    forged: list[Problem] = field(default_factory=list)


def admit(connection: Connection, now: datetime) -> Admitted:
    """Let into the journal whatever may be, until nothing more may; fold it."""
    limits: dict[str, tuple[Tip, ...]] = {}
    problems: list[Problem] = []
    while True:
        attempt = _Attempt(connection, now, limits)
        try:
            with _taken_back_if_wrong(connection):
                attempt.run()
        except _Again as again:
            limits |= again.limits
            problems += again.problems
            continue
        attempt.admitted.forged += problems
        return attempt.admitted


class _Again(Exception):
    """What was let in must be taken back and tried once more, writers held to these pins."""

    def __init__(
        self, limits: Mapping[str, tuple[Tip, ...]], problems: Sequence[Problem] = ()
    ) -> None:
        super().__init__()
        self.limits = limits
        self.problems = problems


@contextmanager
def _taken_back_if_wrong(connection: Connection) -> Iterator[None]:
    connection.exec_driver_sql("SAVEPOINT admitting")
    try:
        yield
    except _Again:
        connection.exec_driver_sql("ROLLBACK TO admitting")
        raise
    finally:
        connection.exec_driver_sql("RELEASE admitting")


@dataclass
class _Attempt:
    """One try to let in what may be. `own` is how far a writer's own signature reached in it."""

    connection: Connection
    now: datetime
    limits: Mapping[str, tuple[Tip, ...]]
    admitted: Admitted = field(default_factory=Admitted)
    own: dict[str, int] = field(default_factory=dict)

    def run(self) -> None:
        """Let in until nothing more may be; raises _Again."""
        store = database.inside(self.connection)
        before = set(held.writers(store))
        newest = held.last(store, local.get(self.connection, "writer") or "")
        trials: set[str] = set()
        moved = True
        while moved:
            moved = False
            standing = membership.standings(store)
            for writer in held.writers_held(store):
                names = self.ready(store, writer, standing.get(writer))
                if names:
                    trials |= _let_in(self.connection, writer, names, self.now, self.admitted)
                    moved = True
        self.look_back(membership.standings(store))
        derived.refresh(self.connection, trials)
        self.admitted.joined = sorted(self.admitted.entries.keys() - before)
        for writer in self.admitted.entries:
            held.forget_older_heads(store, writer)
        _learn(self.connection, self.admitted.entries, newest)

    def look_back(self, standing: Mapping[str, Standing]) -> None:
        """Raise _Again if a writer was let in beyond the pin of a retirement that came along."""
        over = [
            one
            for writer, up_to in self.own.items()
            if (one := standing.get(writer)) is not None
            and one.retired
            and up_to > max((seq for seq, _ in one.pins), default=0)
        ]
        if over:
            # One at a time, the farthest from the founder: held to its pin, its word may be gone.
            last = max(over, key=lambda one: (one.rank, one.writer))
            raise _Again({last.writer: last.pins})

    def ready(self, store: sqlite3.Connection, writer: str, standing: Standing | None) -> list[str]:
        """Ids of the entries held back of a writer that may be let in now, by number."""
        links = held.links(store, writer)
        ready: dict[str, Link] = {}
        for end, own in self.vouched_for(store, writer, standing, links):
            found = _chain_down(store, writer, end, links, ready)
            if found and own:
                self.own[writer] = max(self.own.get(writer, 0), links[end].seq)
            ready |= found
        return sorted(ready, key=lambda name: ready[name].seq)

    def vouched_for(
        self,
        store: sqlite3.Connection,
        writer: str,
        standing: Standing | None,
        links: Mapping[str, Link],
    ) -> Iterator[tuple[str, bool]]:
        """Which of the entries held back are vouched for, by which rule; if by its own word.

        By others first: what they saw counts, whatever was said of the writer since.
        """
        newest = held.last(store, writer)
        for name, link in links.items():
            if link.seq < newest and held.is_followed(store, writer, link.seq, name):
                yield name, False
        heads = [head for head in held.heads(store, writer) if head.id in links]
        yield from ((head.id, False) for head in heads if head.by != writer)
        pins = self.limits.get(writer, ())
        if standing is not None and standing.retired:
            pins = (*pins, *standing.pins)
        yield from ((name, False) for _, name in pins if name in links)
        if standing is None or not standing.member or writer in self.limits:
            return
        for head in heads:
            if head.by == writer and membership.signed(head, standing.introduced):
                yield head.id, True
            elif head.by == writer:
                # It came before the writer's key did.
                held.unvouch(store, head)
                self.admitted.forged.append(forged(head, "held back"))


def _chain_down(
    store: sqlite3.Connection,
    writer: str,
    end: str,
    links: Mapping[str, Link],
    ready: Mapping[str, Link],
) -> dict[str, Link]:
    """The entries from `end` down to what is accepted; empty if one of them is missing."""
    path: dict[str, Link] = {}
    name = end
    while name not in ready:
        link = links[name]
        path[name] = link
        if link.prev is None:
            return path
        if link.prev in links:
            if links[link.prev].seq != link.seq - 1:
                return {}
            name = link.prev
            continue
        return path if held.follows(store, writer, link.seq, link.prev) else {}
    return path


def _let_in(
    connection: Connection, writer: str, names: Sequence[str], now: datetime, admitted: Admitted
) -> set[str]:
    """Move entries into the journal and fold them; the trials touched."""
    store = database.inside(connection)
    trials: set[str] = set()
    batch: list[tuple[str, Entry, bytes]] = []
    waiting = 0
    for name, body in held.accept(store, writer, names):
        if journal.entry_id(body) != name:
            raise _damaged(connection, writer, name)
        entry = journal.decode(body)
        batch.append((name, entry, body))
        waiting += len(entry.writes)
        _count(entry, now, admitted)
        if waiting >= _BATCH_WRITES:
            trials |= _file(connection, batch)
            batch, waiting = [], 0
    return trials | _file(connection, batch)


def _damaged(connection: Connection, writer: str, name: str) -> _Again:
    """Bytes that changed while they waited: they go, and everything is tried without them."""
    connection.exec_driver_sql("ROLLBACK TO admitting")
    held.drop(database.inside(connection), [name])
    connection.exec_driver_sql("RELEASE admitting")
    connection.exec_driver_sql("SAVEPOINT admitting")
    problem = Problem(
        f"writer {writer[:8]} ({name[:12]})",
        "an entry changed while it was held back: the disk, or another program, damaged it",
        "It was not taken in. Fetch it anew: logbook sync --thorough; then: logbook verify",
    )
    return _Again({}, [problem])


def _file(connection: Connection, batch: list[tuple[str, Entry, bytes]]) -> set[str]:
    entries.append(connection, batch)
    held.vouch(
        database.inside(connection),
        [
            Vouched(other, seq, name, entry.writer, "")
            for _, entry, _ in batch
            for other, (seq, name) in (entry.saw or {}).items()
            if other != entry.writer
        ],
    )
    return projections.fold_batch(connection, [(name, entry) for name, entry, _ in batch])


def _count(entry: Entry, now: datetime, admitted: Admitted) -> None:
    from logbook.journal.kinds import understood

    writer = entry.writer
    admitted.entries[writer] = admitted.entries.get(writer, 0) + 1
    admitted.lines[writer] = admitted.lines.get(writer, 0) + len(entry.writes)
    admitted.newer += not understood(entry)
    if datetime.fromisoformat(entry.written) > now + FUTURE:
        admitted.ahead[writer] = admitted.ahead.get(writer, 0) + 1


def _learn(connection: Connection, changed: Iterable[str], newest: int) -> None:
    """Note the new heads for this writer's next entry; end it if it was continued elsewhere.

    `newest` was its last number: below it, what was lost out of its chain came again.
    """
    store = database.inside(connection)
    own = local.get(connection, "writer")
    learnt = local.noted(connection, "learnt")
    for writer in changed:
        if writer == own:
            if held.last(store, writer) == newest and not held.is_forked(store, writer):
                continue
            local.put(connection, "ended", CONTINUED)
        else:
            learnt[writer] = list(max(held.tips(store, writer)))
    if learnt:
        local.put(connection, "learnt", dumps(learnt))
