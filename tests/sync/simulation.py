"""Machines whose disks are all mounted at one path, and a world in which they write and exchange.

A machine's disk can be copied or put back whole, key files and all, as people do: no path tells
the copy from the original. Keys and codes follow from a seed, so that a run can be repeated.
"""

from __future__ import annotations

import hashlib
import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from unittest.mock import patch

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logbook import config
from logbook.book import corrections, members, membership, settling, vouching, writing
from logbook.book.writing import Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.store import database, held, projections, views
from logbook.store.tables import FOLDED
from logbook.sync import exchange
from logbook.sync.place import Place
from logbook.trial import records
from logbook.trial.records import Note
from logbook.trial.times import read_stored
from tests.store import made
from tests.sync.machine import NOW, Machine
from tests.sync.memory import MemoryPlace, Shelf


@contextmanager
def seeded(rng: random.Random) -> Iterator[None]:
    """Writers' keys that follow from a seed: who comes first by id is the same at every run."""

    def new_replica(store: Path) -> config.Replica:
        private = rng.randbytes(32)
        public = Ed25519PrivateKey.from_private_bytes(private).public_key().public_bytes_raw()
        writer = hashlib.sha256(public).hexdigest()[:32]
        return config.Replica(writer, private.hex(), public.hex(), str(store.resolve()), 0, "")

    def token_hex(count: int) -> str:
        return rng.randbytes(count).hex()

    with (
        patch.object(config, "new_replica", new_replica),
        patch.object(writing.secrets, "token_hex", token_hex),
    ):
        yield


@dataclass
class Disk(Machine):
    """A machine on a disk of its own, which lies at the same path as every other while it runs."""

    choose: Callable[[str], str] = random.Random(20260314).choice
    running: int = 0

    @property
    def disk(self) -> Path:
        """Where the disk lies while the machine does not run."""
        return self.folder / "disks" / self.name

    @property
    def here(self) -> Path:
        """Where the disk lies now."""
        return self.folder / "mounted" if self.running else self.disk

    @property
    def store(self) -> Path:
        return self.here / "data" / "logbook.db"

    @property
    def state(self) -> Path:
        return self.here / "keys"

    @contextmanager
    def mounted(self) -> Iterator[None]:
        """The disk where it is while the machine runs."""
        if not self.running:
            self.disk.mkdir(parents=True, exist_ok=True)
            self.disk.rename(self.folder / "mounted")
        self.running += 1
        try:
            yield
        finally:
            self.running -= 1
            if not self.running:
                (self.folder / "mounted").rename(self.disk)

    @contextmanager
    def book(self) -> Iterator[Book]:
        """One transaction, as the command line opens it."""
        with (
            self.mounted(),
            patch.object(config, "machine_name", lambda: self.name),
            writing.opened(
                self.store, self.state, by=self.name, now=self.now, choose=self.choose
            ) as book,
        ):
            yield book

    def sync(self, place: Place, **given: Any) -> exchange.Summary:
        """Exchange with a place."""
        with self.mounted():
            return exchange.exchange(self.store, self.state, place, now=self.now, **given)

    def copied(self, name: str, keys: bool = False) -> Disk:
        """The store on another machine, with the key files (the whole disk) or without."""
        other = Disk(name, self.folder, self.now, choose=self.choose)
        other.store.parent.mkdir(parents=True)
        shutil.copy2(self.store, other.store)
        if keys and self.state.exists():
            shutil.copytree(self.state, other.state)
        return other

    def writer(self) -> str | None:
        """The writer that goes on here, unless something ended it."""
        with views.reading(self.store) as connection:
            row = connection.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
        return None if row is None else str(row[0])

    def standings(self) -> dict[str, membership.Standing]:
        """Who is let in, as this machine sees it."""
        with views.reading(self.store) as connection:
            return membership.standings(connection)

    def enrol_all(self) -> int:
        """Let in every writer that waits or was retired; how many."""
        done = 0
        while wanted := [one for one in self.standings().values() if not one.member]:
            # A writer that goes on after another one that waits may be let in with it.
            after = {one.writer for one in wanted}
            first = min(wanted, key=lambda one: (one.introduced.predecessor in after, one.writer))
            with self.book() as book:
                members.enrol(book, first)
            done += 1
        return done


def ids_of(machine: Machine) -> set[str]:
    """The ids of every entry accepted there."""
    return set(map(journal.entry_id, machine.journal()))


def must_be_rebuilt_alike(machine: Machine) -> None:
    """The folded tables, kept up act by act, are what a fold of the whole journal makes."""
    copy = machine.folder / f"{machine.name}-rebuilt.db"
    shutil.copy2(machine.store, copy)
    try:
        with views.reading(copy) as connection:
            before = rows_of(connection)
        with database.writing(copy) as connection:
            projections.rebuild(connection)
        with views.reading(copy) as connection:
            after = rows_of(connection)
        for table, rows in before.items():
            assert rows == after[table], f"{machine.name}, {table}"
    finally:
        copy.unlink()


def rows_of(connection: Any) -> dict[str, list[Any]]:
    """Every row of every folded table."""
    return {
        table.name: sorted(connection.execute(f'SELECT * FROM "{table.name}"'), key=repr)
        for table in FOLDED
    }


def must_agree(machines: Sequence[Machine]) -> None:
    """Byte for byte the same journal and the same rows everywhere, with nothing waiting."""
    first, *others = machines
    for machine in machines:
        assert machine.waiting() == 0, f"{machine.name}: {what_waits(machine)}"
    journal_there, rows = first.journal(), first.rows()
    for other in others:
        assert other.journal() == journal_there, f"{other.name} and {first.name}"
        assert other.rows() == rows, f"{other.name} and {first.name}"


def what_waits(machine: Machine) -> list[str]:
    """What is held back there, and the heads that are known of it, for a test that fails."""
    with views.reading(machine.store) as connection:
        known = membership.standings(connection)
        return [
            f"{one.entries} of {one.writer[:6]}, {one.why}: {held.links(connection, one.writer)}; "
            f"heads {held.heads(connection, one.writer)}; {known.get(one.writer)}"
            for one in vouching.waiting(connection, known)
        ]


def exchange_all(machines: Sequence[Machine], shelves: Sequence[Shelf], rounds: int = 2) -> None:
    """Every machine with every shelf, until each has met what the last one brought."""
    for _ in range(rounds):
        for machine in machines:
            for shelf in shelves:
                machine.sync(MemoryPlace(shelf))


Says = tuple[str, journal.Value | None]  # an entry, and what it says of a key


def live_by_hand(bodies: Sequence[bytes]) -> dict[str, list[Says]]:
    """What stands under each key, worked out from the journal alone: written, replaced by none."""
    written: dict[str, list[Says]] = {}
    replaced: set[tuple[str, str]] = set()
    for body in bodies:
        entry, name = journal.decode(body), journal.entry_id(body)
        for write in entry.writes:
            written.setdefault(write.key, []).append((name, write.value))
            replaced |= {(write.key, old) for old in write.replaces}
    return {
        key: [(name, value) for name, value in sorted(of, key=repr) if (key, name) not in replaced]
        for key, of in written.items()
    }


def conflicts_by_hand(bodies: Sequence[bytes]) -> set[str]:
    """The keys of which two live writes say something else, strikes beside strikes left out."""
    return {
        key
        for key, says in live_by_hand(bodies).items()
        if len({_said(value) for _, value in says}) > 1
    }


def _said(value: journal.Value | None) -> str:
    return repr(value and sorted((n, v) for n, v in value.items() if n != "typed"))


BEDS = ("b1", "b2", "b3")
CLOCKS = (
    NOW,
    datetime(1970, 1, 1, tzinfo=UTC),
    datetime(2099, 12, 31, 23, 59, tzinfo=UTC),
    NOW - timedelta(days=365),
    NOW + timedelta(hours=9),
)


@dataclass
class World:
    """Machines that write and exchange through places as chance has it."""

    folder: Path
    rng: random.Random
    count: int = 5
    clocks: Sequence[datetime] = CLOCKS
    machines: list[Disk] = field(default_factory=list)
    shelves: list[Shelf] = field(default_factory=lambda: [Shelf(), Shelf(), Shelf()])
    keys: list[str] = field(default_factory=list)
    acknowledged: dict[str, str] = field(default_factory=dict)
    done: Counter[str] = field(default_factory=Counter)

    def begin(self) -> None:
        """The first machine plans a trial; the others have copies of its store, and are let in."""
        first = Disk("m1", self.folder, choose=self.rng.choice)
        with first.book() as book:
            plan = records.PlannedPull("t", "start", None, 1)
            beds = [(f"bed/{bed}", made.bed(bed, place=n)) for n, bed in enumerate(BEDS)]
            book.record("trial", [("trial/t", made.TRIAL), ("planned-pull/p", plan), *beds])
        self.machines = [first]
        self.machines += [first.copied(f"m{n}") for n in range(2, self.count + 1)]
        for machine, clock in zip(self.machines, self.clocks, strict=False):
            machine.now = clock
            self.write(machine, 1)
            machine.sync(MemoryPlace(self.shelves[0]))
        first.sync(MemoryPlace(self.shelves[0]))
        assert first.enrol_all() == self.count - 1
        exchange_all(self.machines, self.shelves)

    def live(self, acts: int) -> None:
        """Every machine writes so many acts; between them, exchanges of some with some place."""
        left = dict.fromkeys(range(len(self.machines)), acts)
        while left:
            place = self.rng.choice(list(left))
            burst = min(left[place], 1 if self.rng.random() < 0.3 else self.rng.randint(2, 90))
            self._pass_time(self.machines[place])
            self.write(self.machines[place], burst)
            left[place] -= burst
            if not left[place]:
                del left[place]
            if self.rng.random() < 0.6:
                machine = self.rng.choice(self.machines)
                summary = machine.sync(MemoryPlace(self.rng.choice(self.shelves)))
                self.done["exchanges"] += 1
                self.done["entries dated ahead"] += sum(summary.admitted.ahead.values())

    def _pass_time(self, machine: Disk) -> None:
        """Some hours; now and then the clock is set anew, forwards or back."""
        machine.now += timedelta(minutes=self.rng.randint(1, 600))
        if self.rng.random() < 0.05 or machine.now.year > 2100:
            machine.now = self.rng.choice(self.clocks)

    def write(self, machine: Disk, count: int) -> None:
        """So many acts in one transaction; acknowledged once it is committed."""
        written: list[tuple[str, str]] = []
        keys: list[str] = []
        with machine.book() as book:
            for _ in range(count):
                kind = self.rng.choices(tuple(ACTS), [share for share, _ in ACTS.values()])[0]
                try:
                    found = ACTS[kind][1](self, book)
                except UserMistake:
                    kind, found = "note", note(self, book)
                keys += found
                written.append((kind, book.replica.id))
        self.keys += keys
        self.acknowledged |= {name: machine.name for _, name in written}
        self.done.update(kind for kind, _ in written)

    def some_key(self, book: Book) -> str:
        """The key of a line that is here: one of late, or of a few that all like to correct."""
        for _ in range(6):
            some = self.rng.choice((self.keys, self.keys[-300:], self.keys[:40]))
            if some and _is_here(book, key := self.rng.choice(some)):
                return key
        raise UserMistake("what was drawn is not here yet")

    def settle(self) -> int:
        """End every conflict, each on one of the machines; how many."""
        keys = sorted(conflicts_by_hand(self.machines[0].journal()))
        for n, machine in enumerate(self.machines):
            with machine.book() as book:
                for key in keys[n :: len(self.machines)]:
                    entry = self.rng.choice(book.live([key])[key])
                    settling.keep(book, key, entry, "looked at the bed")
        return len(keys)


def _is_here(book: Book, key: str) -> bool:
    store: Any = book.connection.connection.driver_connection
    return store.execute("SELECT 1 FROM write WHERE key = ?", (key,)).fetchone() is not None


def note(world: World, book: Book) -> list[str]:
    """A remark about the trial."""
    key = journal.key("note", book.new_code(), "1")
    book.record("note", [(key, Note("t", read_stored("2026-03-14"), f"n{world.rng.random()}"))])
    return [key]


def water(world: World, book: Book) -> list[str]:
    """A bed is watered."""
    bed, volume = world.rng.choice(BEDS), Decimal(world.rng.randint(100, 400))
    key = journal.key("water", book.new_code(), bed)
    when = read_stored("2026-03-14")
    book.record("water", [(key, records.Watering(bed, when, volume, "metered", f"{volume} mL"))])
    return [key]


def pull(world: World, book: Book) -> list[str]:
    """A bed is sampled."""
    code, day = book.new_code(), f"2026-03-{world.rng.randint(1, 28):02}"
    bed, when = world.rng.choice(BEDS), read_stored(day)
    taken = records.Pull(code, bed, when, None, 8, Decimal(15), None)
    book.record("pull", [(f"pull/{code}", taken)], code=code)
    return []


def event(world: World, book: Book) -> list[str]:
    """Something befalls a bed."""
    key = journal.key("event", book.new_code(), world.rng.choice(BEDS))
    bed, when = journal.parts(key)[2], read_stored("2026-03-14")
    book.record("event", [(key, records.Event(bed, when, "spilled", "a can of it"))])
    return [key]


def correct(world: World, book: Book) -> list[str]:
    """A line is corrected: of few values, so that two machines may agree, too."""
    key = world.some_key(book)
    new = str(world.rng.randint(1, 6))
    changes = {"volume_ml": new} if journal.space(key) == "water" else {"text": new}
    corrections.correct(book, key, changes, "read again")
    return []


def strike(world: World, book: Book) -> list[str]:
    """A line is struck."""
    corrections.strike(book, [world.some_key(book)], "the other bed")
    return []


def undo(_: World, book: Book) -> list[str]:
    """The last act here is taken back."""
    corrections.undo(book)
    return []


def settle(world: World, book: Book) -> list[str]:
    """A conflict that is known here is ended."""
    row = book.connection.exec_driver_sql(
        "SELECT 'note/' || id FROM note WHERE conflict = 1 "
        "UNION ALL SELECT 'water/' || id FROM water WHERE conflict = 1 LIMIT 1"
    ).first()
    if row is None:
        raise UserMistake("there is no conflict")
    # By what it says, which is no matter of a clock; an entry's id is.
    entry = min(book.live([row[0]])[row[0]], key=lambda name: repr(book.value(name, row[0])))
    settling.keep(book, row[0], entry, "looked at the bed")
    return []


Doing = Callable[[World, Book], list[str]]
# Each act with how often, in a hundred.
ACTS: dict[str, tuple[int, Doing]] = {
    "note": (32, note),
    "water": (25, water),
    "pull": (1, pull),
    "event": (2, event),
    "correct": (24, correct),
    "strike": (6, strike),
    "undo": (7, undo),
    "settle": (3, settle),
}
