"""One exchange with a place: fetch what it has and this machine lacks, let in what may be, send.

    summary = exchange(store, state, place, now=now)

Each step is durable by itself and may be repeated: what was fetched is held back until it is let
in, what was sent is there. An exchange that is interrupted anywhere is finished by the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logbook.book import admitting, receiving
from logbook.book.heads import sign_heads
from logbook.errors import LogbookError, Problem
from logbook.journal import entry as journal
from logbook.store import asking, database, held, views
from logbook.store.held import Link
from logbook.sync.place import MOST_BYTES, MOST_ENTRIES, Head, Inventory, Known, Place, Run, Tip

if TYPE_CHECKING:
    import sqlite3

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
    forked: list[str] = field(default_factory=list)
    backwards: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    refused: LogbookError | None = None
    tips: Tips = field(default_factory=dict)


class Here(Known):
    """What this machine has, accepted or held back."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self._store = store

    def tips(self, writer: str) -> frozenset[Tip]:
        """The tips of the writer here that can be followed from entry 1, held back or accepted."""
        waiting = held.links(self._store, writer)
        there: dict[str, Link] = {}
        for name, link in sorted(waiting.items(), key=lambda item: item[1].seq):
            if link.prev is None or link.prev in there or self._follows(writer, link):
                there[name] = link
        unbroken = held.unbroken(self._store, writer)
        if unbroken == held.last(self._store, writer):
            accepted = held.tips(self._store, writer)
        else:
            # What was lost out of the middle comes again, and what is above it with it.
            accepted = held.at(self._store, writer, unbroken)
        followed = {link.prev for link in there.values()}
        ends = {(link.seq, name) for name, link in there.items() if name not in followed}
        return frozenset(ends | {tip for tip in accepted if tip[1] not in followed})

    def _follows(self, writer: str, link: Link) -> bool:
        return held.follows(self._store, writer, link.seq, link.prev or "")

    def refuses(self, entry: str) -> bool:
        """True if bytes of that SHA-256 were no entry when they were looked at."""
        return held.refused(self._store, entry) is not None

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
        _look(store, place, seen or {}, summary)
        return summary
    if not store.exists():
        raise views.NoStore(f"{store}: there is no logbook here yet", views.FIRST)
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
                received = receiving.receive(
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
            runs = runs_for(connection, there, summary.problems)
            place.send(_counted(runs, summary, progress))
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


def runs_for(store: sqlite3.Connection, there: Inventory, problems: list[Problem]) -> Iterator[Run]:
    """What a place lacks of the accepted entries here, and of the heads that vouch for them.

    An entry that is damaged or lost here goes nowhere, nor what follows it of that writer: it is
    told in `problems`.
    """
    for writer in held.writers(store):
        try:
            yield from _runs_of(store, writer, there)
        except _Damaged as damaged:
            where = f"this store, writer {writer[:8]}, entry {damaged.which}"
            problems.append(Problem(where, damaged.what, "Run: logbook verify"))


class _Damaged(Exception):
    """An accepted entry that cannot be sent: its bytes are not those of its id, or it is lost."""

    def __init__(self, which: str, what: str) -> None:
        super().__init__(which)
        self.which = which
        self.what = what


def _lost(seq: int) -> _Damaged:
    return _Damaged(str(seq), "it is missing here: what follows it is not sent")


def _runs_of(store: sqlite3.Connection, writer: str, there: Inventory) -> Iterator[Run]:
    mine = held.tips(store, writer)
    heads = _heads_lacking(store, writer, mine, there)
    lacking = mine - there.tips.get(writer, frozenset())
    last = Run(writer, ())
    if lacking:
        try:
            for run in _Chain(store, writer, there).runs(lacking):
                if last.bodies:
                    yield last
                last = run
        except _Damaged:
            if last.bodies:
                yield last
            raise
    if last.bodies or heads:
        # With the entries that they vouch for, where there are any.
        yield Run(writer, last.bodies, heads)


def _heads_lacking(
    store: sqlite3.Connection, writer: str, mine: frozenset[Tip], there: Inventory
) -> tuple[Head, ...]:
    found = []
    for seq, name in sorted(mine):
        signature = held.signed_at(store, writer, name)
        if signature is not None:
            head = Head(writer, seq, name, signature)
            # Another signature there of the same entry may be false.
            found += [head] if head not in there.heads else []
    return tuple(found)


class _Chain:
    """What a place lacks of one writer: the trunk up to where its chain forks, then branches."""

    def __init__(self, store: sqlite3.Connection, writer: str, there: Inventory) -> None:
        self._store, self._writer = store, writer
        fork = held.fork_at(store, writer)
        self._trunk_end = fork - 1 if fork else held.last(store, writer)
        self._forked = held.chain_from(store, writer, fork) if fork else {}
        self._had = self._known_there(there.tips.get(writer, frozenset()))

    def _known_there(self, tips: frozenset[Tip]) -> set[str]:
        """The newest accepted entries that the place has: below each of its tips.

        By ids alone: the numbers that a place says are not believed.
        """
        waiting = held.links(self._store, self._writer)
        found = set()
        for _, tip in tips:
            name: str | None = tip
            walked: set[str] = set()
            while name and name not in walked and not self._number(name):
                walked.add(name)
                if name in waiting:
                    name = waiting[name].prev
                else:
                    refused = held.refused(self._store, name)
                    name = refused[0] if refused else None
            if name and self._number(name):
                found.add(name)
        return found

    def _number(self, name: str) -> int:
        return held.accepted_number(self._store, self._writer, name)

    def runs(self, lacking: frozenset[Tip]) -> Iterator[Run]:
        """All that the place lacks, in the order of the chain."""
        yield from self._trunk()
        yield from self._branches(lacking)

    def _trunk(self) -> Iterator[Run]:
        """From the newest entry that the place has to where the chain ends, or first forks."""
        if any(name in self._forked for name in self._had):
            return
        start = max((self._number(name) for name in self._had), default=0)
        while start < self._trunk_end:
            rows = held.numbered(self._store, self._writer, start, self._trunk_end, MOST_ENTRIES)
            bodies = _some(_following(start, rows))
            yield Run(self._writer, tuple(bodies))
            start += len(bodies)

    def _branches(self, lacking: frozenset[Tip]) -> Iterator[Run]:
        """Each branch of a chain that forks, from the newest entry of it that the place has."""
        had: set[str] = set()
        for name in self._had:
            had |= set(_down(self._forked, name, had))
        for _, name in sorted(lacking):
            path = _down(self._forked, name, had)
            had |= set(path)
            path.reverse()
            below = self._forked[path[0]] if path else None
            if below is not None and below.prev and not held.is_accepted(self._store, below.prev):
                raise _lost(below.seq - 1)
            while path:
                some = [_sound(n, held.body(self._store, n)) for n in path[:MOST_ENTRIES]]
                bodies = _some(some)
                yield Run(self._writer, tuple(bodies))
                path = path[len(bodies) :]


def _following(start: int, rows: Sequence[tuple[int, str, bytes]]) -> list[bytes]:
    """The entries that follow number `start` one by one, up to where one is damaged or lost.

    Raises _Damaged where that is the first.
    """
    bodies: list[bytes] = []
    try:
        for seq, name, body in rows:
            if seq != start + len(bodies) + 1:
                break
            bodies.append(_sound(name, body))
    except _Damaged:
        if not bodies:
            raise
    if not bodies:
        raise _lost(start + 1)
    return bodies


def _sound(name: str, body: bytes) -> bytes:
    if journal.entry_id(body) != name:
        what = "its bytes do not match its id: it was damaged, and is not sent"
        raise _Damaged(name[:12], what)
    return body


def _some(bodies: list[bytes]) -> list[bytes]:
    """As many of these entries as make a run of a bearable size, at least one."""
    size = 0
    for place, body in enumerate(bodies):
        size += len(body)
        if size > MOST_BYTES and place:
            return bodies[:place]
    return bodies


def _down(chain: Mapping[str, Link], name: str, had: set[str]) -> list[str]:
    """Ids from this entry down to entry 1, or to the first that is among `had`."""
    path: list[str] = []
    at: str | None = name
    while at is not None and at in chain and at not in had:
        path.append(at)
        at = chain[at].prev
    return path


def _look(store: Path, place: Place, seen: Tips, summary: Summary) -> None:
    """What an exchange would do, with nothing written anywhere."""
    there = place.inventory()
    summary.backwards = _backwards(seen, there)
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
            runs = runs_for(connection, _without(there, new), summary.problems)
            for run in _counted(runs, summary, None):
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
            writer: held.count(connection, writer) for writer in held.writers_held(connection)
        }
        summary.forked = [writer for writer, _ in asking.forked(connection)]
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
