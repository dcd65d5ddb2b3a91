"""What comes from other machines: held back first, then let into the journal, or left waiting.

`receive` checks bytes and files them in `held`; `admit` moves what may count into the journal and
folds it, in the same transaction. An entry is accepted if its chain below it is here and
(a) its writer is a member, and a head at or after the entry, signed with that writer's key, is
here; of a retired writer, up to the entry that its retirement pinned; or
(b) an accepted entry of another writer says that it saw it (`saw`), or an entry after it: a member
had accepted it. What is accepted stays so. Everything else waits, and `machines` shows it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from json import dumps, loads
from typing import TYPE_CHECKING, Any

from logbook.book import membership
from logbook.book.membership import Standing
from logbook.errors import Problem
from logbook.journal import entry as journal
from logbook.journal.chain import introduces
from logbook.journal.entry import BadEntry, Entry
from logbook.store import derived, entries, held, local, projections
from logbook.store.held import Link, Vouched

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

_BATCH_WRITES = 20_000
_CONTINUED = "lines of this machine's writer came from elsewhere (a copied or restored disk?)"
# A clock may be a little ahead, and zones differ; a day ahead is no zone.
FUTURE = timedelta(hours=24)


@dataclass
class Received:
    """What one delivery brought: entries that are new here, by writer, and what was refused."""

    new: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


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


def receive(
    connection: Connection,
    writer: str,
    bodies: Sequence[bytes],
    heads: Iterable[tuple[int, str, str]],
    *,
    now: datetime,
    source: str,
) -> Received:
    """File entries of one writer, and heads `(seq, id, signature)` of it, as held back.

    The first entry that cannot be one ends the delivery: what follows hangs on it. Nothing is
    believed yet but that the bytes are entries of that writer.
    """
    store = _raw(connection)
    received = Received()
    rows: list[tuple[Any, ...]] = []
    for body in bodies:
        try:
            entry = _checked(journal.decode(body), writer)
        except BadEntry as problem:
            where = f"{source}, writer {writer[:8]}"
            received.problems.append(Problem(where, str(problem), "It was not taken in."))
            break
        rows.append((journal.entry_id(body), writer, entry.seq, entry.prev, body, now.isoformat()))
    count = held.hold(store, rows)
    if count:
        received.new[writer] = count
        held.touch(store, writer, now.isoformat(timespec="seconds"), source)
    received.problems += _file_heads(store, writer, heads, source)
    if writer == local.get(connection, "writer") and held.signed_ahead(store, writer):
        # Now, not when they are let in: an act in between would use their numbers again.
        local.put(connection, "ended", _CONTINUED)
    return received


def _checked(entry: Entry, writer: str) -> Entry:
    """The entry, if it can stand in that writer's chain."""
    if entry.writer != writer:
        raise BadEntry(f"an entry of writer {entry.writer[:8]} among those of {writer[:8]}")
    if (entry.seq == 1) != (entry.prev is None):
        raise BadEntry(f"entry {entry.seq} of {writer[:8]} does not say what it follows")
    if entry.seq == 1 and not introduces(entry):
        raise BadEntry(f"entry 1 of {writer[:8]} does not hold the key that its id follows from")
    return entry


def _file_heads(
    store: sqlite3.Connection, writer: str, heads: Iterable[tuple[int, str, str]], source: str
) -> list[Problem]:
    """Keep heads whose signature holds, or cannot be looked at yet: `admit` looks again."""
    first = held.first_entry(store, writer)
    introduced = membership.introduction(first) if first is not None else None
    problems, good = [], []
    for seq, name, signature in heads:
        head = Vouched(writer, seq, name, writer, signature)
        if introduced is None or membership.signed(head, introduced):
            good.append(head)
        else:
            problems.append(_forged(head, source))
    held.vouch(store, good)
    return problems


def _forged(head: Vouched, source: str) -> Problem:
    return Problem(
        f"{source}, writer {head.writer[:8]}, entry {head.seq} ({head.id[:12]})",
        "the signature is not by that writer's key",
        "Someone other than that machine put it there, or it was damaged: it was not taken in.",
    )


def admit(connection: Connection, now: datetime) -> Admitted:
    """Let into the journal whatever may be, until nothing more may; fold it."""
    store = _raw(connection)
    before = set(held.writers(store))
    admitted = Admitted()
    trials: set[str] = set()
    while found := _next_ready(store, admitted):
        for writer, names in found.items():
            trials |= _let_in(connection, writer, names, now, admitted)
    derived.refresh(connection, trials)
    admitted.joined = sorted(admitted.entries.keys() - before)
    for writer in admitted.entries:
        held.forget_older_heads(store, writer)
    _learn(connection, admitted.entries)
    return admitted


def _next_ready(store: sqlite3.Connection, admitted: Admitted) -> dict[str, list[str]]:
    """What may be let in next, by writer: first what says who is a member, up to where it says so.

    A retirement that came along with what the retired machine wrote after it counts at once.
    """
    standing = membership.standings(store)
    ready = {
        writer: names
        for writer in held.writers_held(store)
        if (names := _ready(store, writer, standing.get(writer), admitted))
    }
    telling = {}
    for writer, seq in held.telling_of_members(store).items():
        names = ready.get(writer, [])
        up_to = bisect_right(names, seq, key=lambda name: held.number(store, name))
        if up_to:
            telling[writer] = names[:up_to]
    return telling or ready


def _ready(
    store: sqlite3.Connection, writer: str, standing: Standing | None, admitted: Admitted
) -> list[str]:
    """Ids of the entries held back of a writer that may be let in now, by number."""
    links = held.links(store, writer)
    ready: dict[str, Link] = {}
    for end in _vouched_for(store, writer, standing, links, admitted):
        ready |= _chain_down(store, writer, end, links, ready)
    return sorted(ready, key=lambda name: ready[name].seq)


def _vouched_for(
    store: sqlite3.Connection,
    writer: str,
    standing: Standing | None,
    links: Mapping[str, Link],
    admitted: Admitted,
) -> list[str]:
    """Which of the entries held back are vouched for, by rule (a) or (b)."""
    found = []
    for head in held.heads(store, writer):
        if head.id not in links:
            continue
        if head.by != writer:
            found.append(head.id)
        elif standing is not None and standing.member:
            if membership.signed(head, standing.introduced):
                found.append(head.id)
            else:
                # It came before the writer's key did.
                held.unvouch(store, head)
                admitted.forged.append(_forged(head, "held back"))
    if standing is not None and standing.retired:
        found += [name for _, name in standing.pins if name in links]
    return found


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
    store = _raw(connection)
    trials: set[str] = set()
    batch: list[tuple[str, Entry, bytes]] = []
    waiting = 0
    for name, body in held.accept(store, writer, names):
        entry = journal.decode(body)
        batch.append((name, entry, body))
        waiting += len(entry.writes)
        _count(entry, now, admitted)
        if waiting >= _BATCH_WRITES:
            trials |= _file(connection, batch)
            batch, waiting = [], 0
    return trials | _file(connection, batch)


def _file(connection: Connection, batch: list[tuple[str, Entry, bytes]]) -> set[str]:
    entries.append(connection, batch)
    held.vouch(
        _raw(connection),
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


def _learn(connection: Connection, changed: Iterable[str]) -> None:
    """Note the new heads for this writer's next entry; end it if it was continued elsewhere."""
    store = _raw(connection)
    own = local.get(connection, "writer")
    learnt = loads(local.get(connection, "learnt") or "{}")
    for writer in changed:
        if writer == own:
            local.put(connection, "ended", _CONTINUED)
        else:
            learnt[writer] = list(max(held.tips(store, writer)))
    if learnt:
        local.put(connection, "learnt", dumps(learnt))


def _raw(connection: Connection) -> Any:
    """The open transaction as the standard library's sqlite3 knows it."""
    return connection.connection.driver_connection
