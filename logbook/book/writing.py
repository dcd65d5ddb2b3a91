"""The write side: each act is one transaction - check, append, fold - or it did not happen.

`Book` is what a command holds while it writes: an open transaction, the writer that signs, the
author's handle and the clock. Use it so:

    with writing.opened(path, state, by="mira", now=now) as book:
        act = book.record("water", [("water/K7.../b1", Watering(...))])
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook import config, signing
from logbook.book import membership
from logbook.errors import StoreError, UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import BadEntry, Entry, TooLarge, Value, Write
from logbook.journal.fold import Merged, merge
from logbook.journal.kinds import KINDS, readable, to_value, understood
from logbook.store import database, derived, entries, held, local, projections
from logbook.trial import codes
from logbook.trial.records import Writer

if TYPE_CHECKING:
    from sqlalchemy import Connection

# Lines that an entry has room for: those of a laboratory's report take some 450 bytes each, half
# of an entry. Where it has no room, they are divided.
_MOST_LINES = 1_000


@dataclass(frozen=True)
class Act:
    """What was written: the act's code, its kind and the keys it wrote."""

    code: str
    kind: str
    keys: tuple[str, ...]


@dataclass
class Book:
    """An open write transaction; everything recorded in it is committed together."""

    connection: Connection
    by: str
    now: datetime
    replica: config.Replica
    choose: Callable[[str], str] = secrets.choice
    announced: list[str] = field(default_factory=list)

    def new_code(self) -> str:
        """A code that this book does not use yet, for an act or a sample."""
        while True:
            code = codes.new_code(self.choose)
            if not self._used(code):
                return code

    def _used(self, code: str) -> bool:
        taken = self.connection.exec_driver_sql(
            "SELECT 1 FROM entry WHERE act = ? "
            "UNION ALL SELECT 1 FROM write WHERE key IN (?, ?, ?, ?, ?)",
            (code, *(f"{s}/{code}" for s in ("pull", "part", "bag", "blind", "shipment"))),
        ).first()
        return taken is not None

    def record(
        self,
        kind: str,
        records: Iterable[tuple[str, Any]],
        *,
        code: str | None = None,
        reason: str | None = None,
        progress: Callable[[int], None] | None = None,
    ) -> Act:
        """Write records under their keys, replacing what is live there; a record None strikes.

        `progress` is told how many are written. Raises UserMistake if there is no record, or two
        under one key.
        """
        values = ((key, None if record is None else to_value(record)) for key, record in records)
        return self.write(kind, values, code=code, reason=reason, progress=progress)

    def write(
        self,
        kind: str,
        values: Iterable[tuple[str, Value | None]],
        *,
        code: str | None = None,
        reason: str | None = None,
        progress: Callable[[int], None] | None = None,
    ) -> Act:
        """Write journal values under their keys as one act; see `record`."""
        act = code or self.new_code()
        keys: dict[str, None] = {}
        trials: set[str] = set()
        for part in _split(values):
            count = len(keys) + len(part)
            keys.update((key, None) for key, _ in part)
            if len(keys) < count:
                raise UserMistake("one act cannot say two things about one line")
            trials |= self._append(kind, part, act, reason)
            if progress is not None:
                progress(len(keys))
        if not keys:
            raise UserMistake("there is nothing to write down")
        derived.refresh(self.connection, trials)
        return Act(act, kind, tuple(keys))

    def live(self, keys: Iterable[str]) -> Mapping[str, tuple[str, ...]]:
        """The live entries of each key that has any."""
        return projections.live(self.connection, keys)

    def shown(self, keys: Sequence[str]) -> dict[str, Merged]:
        """What stands under each of these keys; keys never written are left out.

        As in the tables, a write of a newer program and a value that is no record do not show.
        """
        living: dict[str, list[tuple[str, Value | None]]] = {}
        pairs = [(name, key) for key, names in self.live(keys).items() for name in names]
        known = {name: understood(self.entry(name)) for name in {name for name, _ in pairs}}
        for (name, key), value in self.written(pairs).items():
            if known[name] and (value is None or readable(journal.space(key), value)):
                living.setdefault(key, []).append((name, value))
        merged = {key: merge(writes) for key, writes in living.items()}
        return {key: found for key, found in merged.items() if found is not None}

    def values(self, keys: Sequence[str]) -> dict[str, Value | None]:
        """What stands under each of these keys (None: struck); keys never written are left out."""
        return {key: found.value for key, found in self.shown(keys).items()}

    def value(self, entry: str, key: str) -> Value | None:
        """What an entry wrote under a key."""
        return self.written([(entry, key)])[entry, key]

    def written(self, pairs: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Value | None]:
        """What each entry wrote under a key, for pairs of both; each entry is read once."""
        found: dict[tuple[str, str], Value | None] = {}
        loaded: dict[str, Value | None] = {}
        last = None
        for name, key in sorted(pairs):
            if name != last:
                last = name
                loaded = {write.key: write.value for write in self.entry(name).writes}
            found[name, key] = loaded[key]
        return found

    def entry(self, name: str) -> Entry:
        """The entry of that id."""
        row = self.connection.exec_driver_sql("SELECT body FROM entry WHERE id = ?", (name,)).one()
        return journal.decode(row[0])

    def _append(
        self, kind: str, values: Sequence[tuple[str, Value | None]], act: str, reason: str | None
    ) -> set[str]:
        """File and fold one entry; returns the trials it touched."""
        for key, value in values:
            if value is not None and not readable(journal.space(key), value):
                raise BadEntry(f"{key}: {value!r} is not what its record must be")
        replaces = self.live([key for key, _ in values])
        writes = [Write(key, value, replaces.get(key, ())) for key, value in values]
        try:
            name, entry, body = self._next_entry(kind, writes, act, reason)
        except TooLarge as problem:
            if len(values) == 1:
                raise TooLarge(f"{values[0][0]}: {problem.message}", "shorten its text") from None
            half = len(values) // 2
            trials = self._append(kind, values[:half], act, reason)
            return trials | self._append(kind, values[half:], act, reason)
        entries.append(self.connection, [(name, entry, body)])
        return projections.fold_own(self.connection, name, entry)

    def _next_entry(
        self, kind: str, writes: Sequence[Write], act: str | None, reason: str | None
    ) -> tuple[str, Entry, bytes]:
        entry = Entry(
            writer=self.replica.writer,
            seq=self.replica.seq + 1,
            prev=self.replica.id or None,
            kind=kind,
            kv=KINDS[kind],
            written=self.now.isoformat(timespec="seconds"),
            by=self.by,
            act=act,
            reason=reason,
            writes=tuple(writes),
            saw=self._learnt(),
        )
        body = journal.encode(entry)
        # Said in this entry, and in no later one.
        local.drop(self.connection, "learnt")
        name = journal.entry_id(body)
        self.replica = replace(self.replica, seq=entry.seq, id=name)
        # Folded as it is stored: its text in NFC.
        return name, entry if body.isascii() else journal.decode(body), body

    def _learnt(self) -> dict[str, Any] | None:
        """Heads of other writers that came since this writer's last entry: it pins their tails."""
        found: dict[str, Any] = local.noted(self.connection, "learnt")
        found.pop(self.replica.writer, None)
        return found or None


Values = list[tuple[str, Value | None]]


def _split(values: Iterable[tuple[str, Value | None]]) -> Iterator[Values]:
    """Values in groups that mostly fit one entry."""
    rest = iter(values)
    while group := list(islice(rest, _MOST_LINES)):
        yield group


@contextmanager
def opened(
    path: Path,
    state: Path,
    *,
    by: str,
    now: datetime,
    choose: Callable[[str], str] = secrets.choice,
    told: Callable[[str], None] | None = None,
) -> Iterator[Book]:
    """Open the store for one transaction as this machine's writer; commit at the end.

    `told` hears the sentence about an older store that was backed up and upgraded first.

    The key file is updated after the commit; if the program dies between the two, the store is
    ahead of the file, which the next opening recognises as this writer's own work.
    """
    config.refuse_beside(state, path)
    with database.writing(path, told) as connection:
        replica, announced = _writer(connection, path, state)
        book = Book(connection, by, now, replica, choose, announced)
        with _keeping(state, replica):
            if _is_new(connection, replica):
                _introduce(book, state)
            yield book
    try:
        config.save(state, book.replica)
    except (OSError, StoreError) as problem:
        # After the commit nothing may read as if the act had failed: it would be typed again.
        raise StoreError(
            f"the line IS written, but this writer's key file cannot be kept up ({problem})",
            f"look at {state}; do not type the line again",
        ) from problem


@contextmanager
def _keeping(state: Path, replica: config.Replica) -> Iterator[None]:
    """Save a new writer's key before its first commit: without the key it could not go on."""
    if replica.id:
        yield
        return
    config.save(state, replica)
    try:
        yield
    except BaseException:
        config.forget(state, replica)
        raise


def _is_new(connection: Connection, replica: config.Replica) -> bool:
    return entries.head(connection, replica.writer) is None


def _writer(connection: Connection, path: Path, state: Path) -> tuple[config.Replica, list[str]]:
    """The writer that may continue here, or a new one and the sentence that says why."""
    writer = local.get(connection, "writer")
    if writer is None:
        return config.new_replica(path), []
    replica = config.load(state, writer)
    if replica is None:
        return config.new_replica(path), ["this store came from elsewhere: writing as a new writer"]
    here = str(path.resolve())
    ended = _ended(connection, replica, here)
    if ended:
        return config.new_replica(path), [f"{ended}: writing as a new writer"]
    seq, name = entries.head(connection, replica.writer) or (0, "")
    return replace(replica, store=here, seq=seq, id=name), []


def _ended(connection: Connection, replica: config.Replica, here: str) -> str | None:
    """Why this machine's writer must not go on in this store, or None."""
    if replica.seq and not entries.has(connection, replica.writer, replica.seq, replica.id):
        return "this store is older than this machine's last line (a restored backup?)"
    if replica.store != here and Path(replica.store).exists():
        return f"this store is a copy of {replica.store}"
    return local.get(connection, "ended")


def _introduce(book: Book, state: Path) -> None:
    """Entry 1 of a writer: who it is, which book it belongs to, whom it follows."""
    connection = book.connection
    store = database.inside(connection)
    previous = local.get(connection, "writer")
    before = config.load(state, previous) if previous else None
    founder = membership.root(store)
    first = held.first_entry(store, founder) if founder else None
    said = membership.introduction(first) if first else None
    writer = Writer(
        # A book is called after its founder, so that nobody can found it a second time.
        book=said.book if said else book.replica.writer[:16],
        machine=config.machine_name(),
        public_key=book.replica.public_key,
        predecessor=previous,
        signed=_succession(state, before, book.replica),
    )
    if previous:
        _pin_all(connection, store)
    key = journal.key("writer", book.replica.writer)
    entry = book._next_entry("writer", [Write(key, to_value(writer))], None, None)
    entries.append(connection, [entry])
    projections.apply(connection, [entry[:2]])
    local.put(connection, "writer", book.replica.writer)
    local.drop(connection, "ended")
    if founder is None:
        local.put(connection, "root", book.replica.writer)


def _succession(state: Path, before: config.Replica | None, after: config.Replica) -> str | None:
    """The predecessor's word for the new key, where its own key is at hand."""
    if before is None:
        return None
    config.must_sign(state, before)
    return signing.sign(before.private_key, signing.successor_message(after.public_key))


def _pin_all(connection: Connection, store: Any) -> None:
    """Have a successor's first entry say which entries of every other writer it has.

    What somebody put here past the program is left out: others would take it in by that word.
    """
    from logbook.book import vouching

    heads = {writer: list(tip) for writer, tip in vouching.vouched(store).items()}
    local.put(connection, "learnt", dumps(heads))
