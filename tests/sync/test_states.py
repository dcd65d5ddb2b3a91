"""A state machine of machines: whatever they do in whatever order, they end with the same book."""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import patch
from uuid import uuid4

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from logbook import config
from logbook.book import (
    admitting,
    corrections,
    keeping,
    members,
    membership,
    receiving,
    settling,
    vouching,
)
from logbook.book.writing import Book
from logbook.errors import UserMistake
from logbook.journal import chain
from logbook.journal import entry as journal
from logbook.store import derived, entries, held, local, projections, views
from logbook.sync import exchange, joining
from logbook.sync.folder import Folder
from logbook.sync.hub import init, open_hub
from logbook.sync.place import Place
from logbook.trial.records import Note
from logbook.trial.times import read_stored
from tests.faults.counting import Counting
from tests.postgres import Server
from tests.sync.chains import Having
from tests.sync.memory import MemoryPlace, Shelf
from tests.sync.simulation import (
    Disk,
    ids_of,
    must_agree,
    must_be_rebuilt_alike,
    seeded,
)

Opened = Callable[[], Place]
Places = Callable[[Path], list[Opened]]
MOST_MACHINES = 4
PLACES = 2
which = st.integers(0, MOST_MACHINES - 1)
nth = st.integers(1, 4)


class Killed(BaseException):
    """The program ends here."""


# What an exchange and an act go through, one function after another.
IN_AN_EXCHANGE = [
    (exchange, "sign_heads"),
    (receiving, "receive"),
    (admitting, "admit"),
    (exchange, "runs_for"),
    (held, "hold"),
    (held, "vouch"),
    (held, "accept"),
    (held, "forget_older_heads"),
    (entries, "append"),
    (projections, "fold_batch"),
    (derived, "refresh"),
    (local, "put"),
]
IN_AN_ACT = [
    (entries, "append"),
    (projections, "fold_own"),
    (derived, "refresh"),
    (local, "put"),
    (local, "drop"),
    (config, "save"),
]


@contextmanager
def killed_in(where: tuple[Any, str], call: int, after: bool) -> Iterator[None]:
    """The program is killed at the n-th call of a function: before it, or right after."""
    module, name = where
    whole, left = getattr(module, name), [call]

    def killing(*given: Any, **named: Any) -> Any:
        left[0] -= 1
        if left[0] == 0 and not after:
            raise Killed
        answer = whole(*given, **named)
        if left[0] == 0:
            raise Killed
        return answer

    with patch.object(module, name, killing), suppress(Killed):
        yield


class Machines(RuleBasedStateMachine):
    """Up to four machines and two places.

    Never lost: `committed`, all that was ever committed anywhere, without `gone`, which was only
    in a store that was thrown away for an older one. `copied`: writers whose whole disk was copied
    or put back, which nothing on it can tell; no other writer may use a number twice.
    """

    def __init__(self, places: Places) -> None:
        super().__init__()
        self.stack = ExitStack()
        self.folder = Path(tempfile.mkdtemp(prefix="logbook-states-"))
        self.stack.callback(shutil.rmtree, self.folder)
        self.rng = random.Random(20260314)
        self.stack.enter_context(seeded(self.rng))
        self.places = places(self.folder)
        self.machines: list[Disk] = []
        self.keys: list[str] = []
        self.committed: set[str] = set()
        self.gone: set[str] = set()
        self.copied: set[str | None] = set()
        self.kept: dict[str, Path] = {}
        self.texts = 0
        self.named = 1

    def teardown(self) -> None:
        try:
            if self.machines:
                self.end()
        finally:
            self.stack.close()

    # What is there

    def machine(self, n: int) -> Disk:
        return self.machines[n % len(self.machines)]

    def at(self, n: int) -> Place:
        return self.places[n % PLACES]()

    def anywhere(self) -> set[str]:
        """The ids of all entries that are in some store, accepted or held back, or at a place."""
        found = set()
        for machine in self.machines:
            with views.reading(machine.store) as connection:
                for table in ("entry", "held"):
                    found |= {name for (name,) in connection.execute(f"SELECT id FROM {table}")}
        for opened in self.places:
            for run in Having().fetch_all(opened()):
                found |= set(map(journal.entry_id, run.bodies))
        return found

    @contextmanager
    def losing(self) -> Iterator[None]:
        """What was nowhere else than in a store that is thrown away is no loss of ours."""
        before = self.anywhere()
        yield
        self.gone |= before - self.anywhere()

    def act(self, machine: Disk, done: Callable[[Book], object]) -> None:
        """One act, unless the program refuses it; what was committed must stay."""
        try:
            with machine.book() as book:
                done(book)
        except UserMistake:
            pass
        finally:
            self.committed |= ids_of(machine)

    def key(self, n: int) -> str:
        return self.keys[n % len(self.keys)]

    def new_machine(self) -> str:
        self.named += 1
        return f"m{self.named}"

    def is_member(self, machine: Disk) -> bool:
        own = machine.standings().get(machine.writer() or "")
        return own is not None and own.member

    # What people do

    @initialize()
    def begin(self) -> None:
        first = Disk("m1", self.folder, choose=self.rng.choice)
        self.machines = [first]
        self.write(0)
        first.sync(self.at(0))

    def say(self, book: Book) -> None:
        self.texts += 1
        key = journal.key("note", book.new_code(), "1")
        book.record("note", [(key, Note("t", read_stored("2026-03-14"), f"line {self.texts}"))])
        self.keys.append(key)

    @rule(m=which)
    def write(self, m: int) -> None:
        self.act(self.machine(m), self.say)

    @rule(m=which, k=st.integers(0, 50), text=st.sampled_from(("one", "other")))
    def correct(self, m: int, k: int, text: str) -> None:
        self.act(
            self.machine(m),
            lambda book: corrections.correct(book, self.key(k), {"text": text}, "read again"),
        )

    @rule(m=which, k=st.integers(0, 50))
    def strike(self, m: int, k: int) -> None:
        self.act(self.machine(m), lambda book: corrections.strike(book, [self.key(k)], "wrong"))

    @rule(m=which)
    def undo(self, m: int) -> None:
        self.act(self.machine(m), corrections.undo)

    @rule(m=which)
    def settle(self, m: int) -> None:
        def first_conflict(book: Book) -> None:
            row = book.connection.exec_driver_sql(
                "SELECT 'note/' || id FROM note WHERE conflict = 1"
            ).first()
            if row is not None:
                settling.keep(book, row[0], book.live([row[0]])[row[0]][0], "looked at it")

        self.act(self.machine(m), first_conflict)

    @rule(m=which, p=which)
    def sync(self, m: int, p: int) -> None:
        machine = self.machine(m)
        machine.sync(self.at(p))
        self.committed |= ids_of(machine)

    @rule(m=which, p=which, where=st.sampled_from(IN_AN_EXCHANGE), call=nth, after=st.booleans())
    def sync_killed(self, m: int, p: int, where: tuple[Any, str], call: int, after: bool) -> None:
        with killed_in(where, call, after):
            self.machine(m).sync(self.at(p))

    @rule(m=which, where=st.sampled_from(IN_AN_ACT), call=nth, after=st.booleans())
    def act_killed(self, m: int, where: tuple[Any, str], call: int, after: bool) -> None:
        with killed_in(where, call, after):
            self.act(self.machine(m), self.say)

    @precondition(lambda self: len(self.machines) < MOST_MACHINES)
    @rule(m=which)
    def copy_the_store(self, m: int) -> None:
        self.machines.append(self.machine(m).copied(self.new_machine()))

    @precondition(lambda self: len(self.machines) < MOST_MACHINES)
    @rule(m=which)
    def copy_the_disk(self, m: int) -> None:
        machine = self.machine(m)
        self.copied.add(machine.writer())
        self.machines.append(machine.copied(self.new_machine(), keys=True))

    @precondition(lambda self: len(self.machines) < MOST_MACHINES)
    @rule(p=which)
    def join(self, p: int) -> None:
        with views.reading(self.machines[0].store) as connection:
            root = membership.root(connection)
        machine = Disk(self.new_machine(), self.folder, choose=self.rng.choice)
        with suppress(joining.BadData), machine.mounted():
            machine.store.parent.mkdir(parents=True)
            with joining.offered(machine.store, self.at(p), now=machine.now) as offer:
                founders = [one for one in offer.founders if one.writer == root]
                if founders:
                    offer.accept(founders[0], machine.store, machine.now)
        if machine.store.exists():
            self.machines.append(machine)

    @rule(m=which)
    def back_up(self, m: int) -> None:
        machine = self.machine(m)
        backup = self.folder / f"{machine.name}-backup.db"
        backup.unlink(missing_ok=True)
        keeping.back_up(machine.store, backup, machine.state)

    @rule(m=which, by_hand=st.booleans())
    def restore(self, m: int, by_hand: bool) -> None:
        machine = self.machine(m)
        backup = self.folder / f"{machine.name}-backup.db"
        if not backup.exists():
            return
        with self.losing(), machine.mounted():
            if by_hand:
                shutil.copy2(backup, machine.store)
                return
            with keeping.checked(backup, machine.store) as found:
                found.put_back(machine.store, machine.state)

    @rule(m=which)
    def keep_the_disk(self, m: int) -> None:
        machine = self.machine(m)
        kept = self.folder / "kept" / machine.name
        shutil.rmtree(kept, ignore_errors=True)
        shutil.copytree(machine.disk, kept)

    @rule(m=which)
    def put_back_the_disk(self, m: int) -> None:
        machine = self.machine(m)
        kept = self.folder / "kept" / machine.name
        if kept.exists():
            with self.losing():
                shutil.rmtree(machine.disk)
                shutil.copytree(kept, machine.disk)
            self.copied.add(machine.writer())

    @rule(m=which)
    def enrol(self, m: int) -> None:
        """By a machine that is a member: a copied store is one no more when it writes."""
        machine = self.machine(m)
        if self.is_member(machine):
            with suppress(UserMistake):
                machine.enrol_all()
            self.committed |= ids_of(machine)

    @precondition(lambda self: len(self.machines) > 1)
    @rule(m=st.integers(1, MOST_MACHINES - 1))
    def retire(self, m: int) -> None:
        """The first machine retires another; two that retire each other are left out: each of
        them ends at what the other had seen, and nobody can say who was right."""
        first, other = self.machines[0], self.machine(m).writer()
        known = first.standings()
        wanted, own = known.get(other or ""), first.writer()
        while own is not None and own != other:
            own = known[own].introduced.predecessor if own in known else None
        if wanted is not None and own is None:
            self.act(first, lambda book: members.retire(book, wanted, "sold"))

    # How it ends

    def end(self) -> None:
        """All exchange, whoever waits is let in, each says a line: now all have the same."""
        for machine in self.machines:
            must_be_vouched_for(machine)
        self.exchange_all(self.places)
        for _ in range(8):
            enrolled = self.machines[0].enrol_all()
            for machine in self.machines:
                self.act(machine, self.say)
            self.exchange_all(self.places[:1])
            if not enrolled and not any(machine.waiting() for machine in self.machines):
                break
        must_agree(self.machines)
        for machine in self.machines:
            must_be_rebuilt_alike(machine)
            must_be_vouched_for(machine)
        first = self.machines[0]
        lost = self.committed - self.gone - ids_of(first)
        assert not lost, f"lost: {lost}"
        with views.reading(first.store) as connection:
            assert chain.check(views.filed_entries(connection)) == []
        assert self.used_twice() <= self.copied

    def exchange_all(self, places: Sequence[Opened]) -> None:
        for _ in range(2):
            for machine in self.machines:
                for opened in places:
                    machine.sync(opened())

    def used_twice(self) -> set[str | None]:
        """Writers of whom two entries have one number."""
        found: dict[tuple[str, int], set[bytes]] = {}
        for body in self.machines[0].journal():
            entry = journal.decode(body)
            found.setdefault((entry.writer, entry.seq), set()).add(body)
        return {writer for (writer, _), bodies in found.items() if len(bodies) > 1}


def must_be_vouched_for(machine: Any) -> None:
    """Whatever people do, what was let in was let in by a word that is still here."""
    if not machine.store.exists():
        return
    seen: chain.Seen = {}
    with views.reading(machine.store) as store:
        chain.check(views.filed_entries(store), seen)
        told = vouching.look(store, seen)
    nobody = [one for one in told.problems if "vouched for by nobody" in one.what]
    assert not nobody, (machine.name, nobody)


def in_memory(_: Path) -> list[Opened]:
    """Shelves."""
    shelves = [Shelf() for _ in range(PLACES)]
    return [lambda shelf=shelf: MemoryPlace(shelf) for shelf in shelves]  # type: ignore[misc]


def in_folders(folder: Path) -> list[Opened]:
    """Folders; each opening is another machine's, which remembers nothing of them."""
    numbers = count()
    paths = [folder / f"stick-{n}" for n in range(PLACES)]
    for path in paths:
        path.mkdir()
    return [lambda path=path: Folder(path, f"{next(numbers):08x}") for path in paths]  # type: ignore[misc]


@contextmanager
def on_hub(server: Server) -> Iterator[Places]:
    """Books of their own on a PostgreSQL server; each machine connects anew."""
    with ExitStack() as connected:

        def opened(book: str) -> Place:
            connected.close()
            place = open_hub(server.url(), book)
            connected.callback(place.close)
            return place

        def places(_: Path) -> list[Opened]:
            # Not by `secrets`, which follows a seed here: no sequence sees another one's book.
            books = [uuid4().hex[:16] for _ in range(PLACES)]
            for book in books:
                init(server.url(), book, "bench", "test")
            return [partial(opened, book) for book in books]

        yield places


def run(places: Places, examples: int, steps: int) -> None:
    """Try so many sequences of so many steps."""
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        lambda: Machines(places),
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            derandomize=True,
            database=None,
            # A sequence that fails is told whole: to make it shorter would take an hour.
            phases=(Phase.generate,),
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_a_few_sequences_of_what_people_do() -> None:
    run(in_memory, examples=3, steps=20)


HOW = "sequences of 50 steps: write, exchange, copy, restore, kill, enrol, retire, settle"


@pytest.mark.long
def test_many_sequences_through_memory(counting: Counting) -> None:
    with counting.fault(
        "9", "machines in any order of steps, memory", HOW, 200, always=True
    ) as tried:
        run(in_memory, tried.asked, 50)
        tried.passed = tried.asked


@pytest.mark.long
def test_some_sequences_through_folders(counting: Counting) -> None:
    with counting.fault(
        "9", "machines in any order of steps, folders", HOW, 20, always=True
    ) as tried:
        run(in_folders, tried.asked, 50)
        tried.passed = tried.asked


@pytest.mark.long
def test_some_sequences_through_the_hub(counting: Counting, postgres: Server) -> None:
    with counting.fault("9", "machines in any order of steps, hub", HOW, 10, always=True) as tried:
        with on_hub(postgres) as places:
            run(places, tried.asked, 50)
        tried.passed = tried.asked
