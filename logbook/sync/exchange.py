"""One exchange with a place: fetch what it has and this machine lacks, let in what may be, send.

    summary = exchange(store, state, place, now=now)

Each step is durable by itself and may be repeated: what was fetched is held back until it is let
in, what was sent is there. An exchange that is interrupted anywhere is finished by the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook import config, signing
from logbook.book import admitting
from logbook.errors import LogbookError, Problem
from logbook.journal import entry as journal
from logbook.store import asking, database, held, views
from logbook.store.held import Link, Vouched
from logbook.sync.place import Head, Inventory, Known, Place, Run, Tip

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

MOST_ENTRIES = 1_000  # of a run
MOST_BYTES = 4 * 1024 * 1024

Progress = Callable[[str, int], None]
Tips = Mapping[str, frozenset[Tip]]


@dataclass
class Summary:
    """What an exchange did, or would do (`dry`). Lines are writes: one key each.

    `fetched` counts lines by writer. `refused` is why nothing could be sent, where that is so.
    """

    place: str
    dry: bool = False
    sent: int = 0
    sent_entries: int = 0
    fetched: dict[str, int] = field(default_factory=dict)
    admitted: admitting.Admitted = field(default_factory=admitting.Admitted)
    waiting: dict[str, int] = field(default_factory=dict)
    conflicts: int = 0
    duplicates: int = 0
    backwards: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    refused: LogbookError | None = None
    tips: Tips = field(default_factory=dict)


class Here(Known):
    """What this machine has, accepted or held back."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self._store = store

    def tips(self, writer: str) -> frozenset[Tip]:
        """The tips of the writer here, those held back included."""
        waiting = held.links(self._store, writer)
        accepted = held.tips(self._store, writer)
        followed = {link.prev for link in waiting.values()}
        ends = {(link.seq, name) for name, link in waiting.items() if name not in followed}
        return frozenset(ends | {tip for tip in accepted if tip[1] not in followed})

    def has(self, entry: str) -> bool:
        """True if the entry is here."""
        return held.is_here(self._store, entry)

    def has_head(self, head: Head) -> bool:
        """True if the signed head, or a newer one of the same chain, is here."""
        for kept in held.heads(self._store, head.writer):
            if kept.by != head.writer:
                continue
            if kept.id == head.id:
                return True
            if kept.seq > head.seq and held.is_accepted(self._store, kept.id):
                # Of a branch that is not let in yet, the head is what lets it in.
                known = held.is_accepted(self._store, head.id)
                return known and not held.is_forked(self._store, head.writer)
        return False


def exchange(
    store: Path,
    state: Path,
    place: Place,
    *,
    now: datetime,
    seen: Tips | None = None,
    dry: bool = False,
    progress: Progress | None = None,
) -> Summary:
    """Exchange entries with a place; `seen` are the tips it had the last time, if known.

    Raises Unreachable, NoStore or StoreError; a place that can be read but not written is told
    in the summary.
    """
    summary = Summary(place.label, dry)
    if dry:
        _look(store, place, summary)
        return summary
    if not store.exists():
        raise views.NoStore(f"{store}: there is no logbook here yet")
    sign_heads(store, state)
    there = place.inventory()
    summary.backwards = _backwards(seen or {}, there)
    _fetch(store, place, summary, now, progress)
    with database.writing(store) as connection:
        summary.admitted = admitting.admit(connection, now)
    summary.fetched = summary.admitted.lines
    summary.problems += summary.admitted.forged
    if place.takes:
        _send(store, place, there, summary, progress)
    summary.problems += place.problems
    _take_stock(store, there, summary)
    return summary


def sign_heads(store: Path, state: Path) -> None:
    """Sign the newest entries of every writer whose key lies on this machine.

    Of one that went on as another one, too: its last lines may have been sent nowhere yet.
    """
    with database.writing(store) as connection:
        raw = inside(connection)
        for writer in held.writers(raw):
            replica = config.load(state, writer)
            if replica is None:
                continue
            for seq, name in held.tips(raw, writer):
                if held.signed_at(raw, writer, name) is None:
                    message = signing.head_message(writer, seq, name)
                    signature = signing.sign(replica.private_key, message)
                    held.vouch(raw, [Vouched(writer, seq, name, writer, signature)])
            held.forget_older_heads(raw, writer)


def inside(connection: Connection) -> Any:
    """The open transaction as the standard library's sqlite3 knows it."""
    return connection.connection.driver_connection


def _backwards(seen: Tips, there: Inventory) -> list[str]:
    """Writers of whom the place had more the last time than it has now."""
    newest = {writer: max(seq for seq, _ in tips) for writer, tips in there.tips.items() if tips}
    return sorted(
        writer
        for writer, tips in seen.items()
        if tips and max(seq for seq, _ in tips) > newest.get(writer, 0)
    )


def _fetch(
    store: Path, place: Place, summary: Summary, now: datetime, progress: Progress | None
) -> None:
    """Hold back whatever is new there, delivery by delivery."""
    count = 0
    # Each question is answered whole: no open cursor keeps the deliveries from being filed.
    with views.reading(store) as connection:
        for run in place.fetch(Here(connection)):
            with database.writing(store) as writing:
                heads = [(head.seq, head.id, head.signature) for head in run.heads]
                received = admitting.receive(
                    writing, run.writer, run.bodies, heads, now=now, source=place.label
                )
            summary.problems += received.problems
            count += sum(received.new.values())
            if progress is not None:
                progress("fetched", count)


def _send(
    store: Path, place: Place, there: Inventory, summary: Summary, progress: Progress | None
) -> None:
    with views.reading(store) as connection:
        try:
            place.send(_counted(runs_for(connection, there), summary, progress))
        except LogbookError as refused:
            # What was fetched is safe; the next exchange sends.
            summary.refused = refused
            summary.sent = summary.sent_entries = 0


def _counted(runs: Iterator[Run], summary: Summary, progress: Progress | None) -> Iterator[Run]:
    for run in runs:
        yield run
        summary.sent_entries += len(run.bodies)
        summary.sent += sum(len(journal.decode(body).writes) for body in run.bodies)
        if progress is not None and run.bodies:
            progress("sent", summary.sent_entries)


def runs_for(store: sqlite3.Connection, there: Inventory) -> Iterator[Run]:
    """What a place lacks of the accepted entries here, and of the heads that vouch for them."""
    for writer in held.writers(store):
        yield from _runs_of(store, writer, there)


def _runs_of(store: sqlite3.Connection, writer: str, there: Inventory) -> Iterator[Run]:
    mine = held.tips(store, writer)
    heads = _heads_lacking(store, writer, mine, there)
    lacking = mine - there.tips.get(writer, frozenset())
    if lacking and len(mine) == 1 and not held.is_forked(store, writer):
        start = _common(store, writer, there)
        (end,) = mine
        while start < end[0]:
            bodies = _some(held.bodies(store, writer, start, MOST_ENTRIES))
            start += len(bodies)
            yield Run(writer, tuple(bodies), heads if start == end[0] else ())
            if start == end[0]:
                heads = ()
    elif lacking:
        yield from _branches(store, writer, lacking, there)
    if heads:
        yield Run(writer, (), heads)


def _some(bodies: list[bytes]) -> list[bytes]:
    """As many of these entries as make a run of a bearable size, at least one."""
    size = 0
    for place, body in enumerate(bodies):
        size += len(body)
        if size > MOST_BYTES and place:
            return bodies[:place]
    return bodies


def _heads_lacking(
    store: sqlite3.Connection, writer: str, mine: frozenset[Tip], there: Inventory
) -> tuple[Head, ...]:
    found = []
    for seq, name in sorted(mine):
        signature = held.signed_at(store, writer, name)
        if signature is not None and not _has_signed(there, writer, name):
            found.append(Head(writer, seq, name, signature))
    return tuple(found)


def _has_signed(there: Inventory, writer: str, name: str) -> bool:
    return any(head.writer == writer and head.id == name for head in there.heads)


def _common(store: sqlite3.Connection, writer: str, there: Inventory) -> int:
    """The number of the newest accepted entry that the place has of a chain that does not fork."""
    waiting = held.links(store, writer)
    newest = 0
    for seq, name in there.tips.get(writer, frozenset()):
        at, prev = seq, name
        while prev in waiting:
            at, prev = waiting[prev].seq - 1, waiting[prev].prev or ""
        if prev and held.is_accepted(store, prev):
            newest = max(newest, at)
    return newest


def _branches(
    store: sqlite3.Connection, writer: str, lacking: frozenset[Tip], there: Inventory
) -> Iterator[Run]:
    """Each branch of a chain that forks, from the newest entry of it that the place has."""
    chain = held.chain_of(store, writer) | held.links(store, writer)
    had: set[str] = set()
    for _, name in there.tips.get(writer, frozenset()):
        had |= set(_down(chain, name, had))
    for _, name in sorted(lacking):
        path = _down(chain, name, had)
        had |= set(path)
        path.reverse()
        for start in range(0, len(path), MOST_ENTRIES):
            some = path[start : start + MOST_ENTRIES]
            yield Run(writer, tuple(held.body(store, one) for one in some))


def _down(chain: Mapping[str, Link], name: str, had: set[str]) -> list[str]:
    """Ids from this entry down to entry 1, or to the first that is among `had`."""
    path: list[str] = []
    at: str | None = name
    while at is not None and at in chain and at not in had:
        path.append(at)
        at = chain[at].prev
    return path


def _look(store: Path, place: Place, summary: Summary) -> None:
    """What an exchange would do, with nothing written anywhere."""
    there = place.inventory()
    with views.reading(store) as connection:
        here = Here(connection)
        new: dict[str, Link] = {}
        for run in place.fetch(here):
            for body in run.bodies:
                name = journal.entry_id(body)
                if name in new or here.has(name):
                    continue
                try:
                    entry = journal.decode(body)
                except journal.BadEntry as problem:
                    where = f"{place.label}, writer {run.writer[:8]}"
                    summary.problems.append(Problem(where, str(problem), "It is not taken in."))
                    continue
                new[name] = Link(entry.seq, entry.prev)
                lines = summary.fetched.get(run.writer, 0) + len(entry.writes)
                summary.fetched[run.writer] = lines
        if place.takes:
            for run in _counted(runs_for(connection, _without(there, new)), summary, None):
                del run
    summary.problems += place.problems
    _take_stock(store, there, summary)


def _without(there: Inventory, new: Mapping[str, Link]) -> Inventory:
    """What the place holds of what is known here: below each tip that is `new`."""

    def below(tip: Tip) -> Tip:
        seq, name = tip
        while name in new:
            seq, name = new[name].seq - 1, new[name].prev or ""
        return seq, name

    tips = {writer: frozenset(map(below, of)) for writer, of in there.tips.items()}
    return Inventory(tips, there.heads)


def _take_stock(store: Path, there: Inventory, summary: Summary) -> None:
    """What stands open after the exchange, and what the place holds now."""
    with views.reading(store) as connection:
        summary.waiting = {
            writer: len(held.links(connection, writer)) for writer in held.writers_held(connection)
        }
        summary.conflicts = sum(asking.conflicts(connection).values())
        (summary.duplicates,) = connection.execute(
            "SELECT count(*) FROM possible_duplicate"
        ).fetchone()
        now_there = {writer: set(tips) for writer, tips in there.tips.items()}
        if summary.refused is None and not summary.dry:
            for writer in held.writers(connection):
                now_there[writer] = set(held.tips(connection, writer)) | {
                    tip for tip in now_there.get(writer, ()) if not held.is_here(connection, tip[1])
                }
        summary.tips = {writer: frozenset(tips) for writer, tips in now_there.items()}
