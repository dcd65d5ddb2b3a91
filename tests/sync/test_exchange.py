"""One exchange with a place: what it brings and sends and says, and that it may end anywhere."""

from __future__ import annotations

import copy
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from logbook.book import admitting, receiving, writing
from logbook.journal import entry as journal
from logbook.store import derived, entries, held, local, projections, views
from logbook.sync import exchange
from logbook.sync.place import Head, Inventory, Known, Place, Run, Unreachable
from tests.sync.chains import chain, head, longer, run, tip, writer_id
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf
from tests.sync.simulation import exchange_all, must_agree, must_be_rebuilt_alike


@pytest.fixture
def office(tmp_path: Path) -> Machine:
    """The founder's machine."""
    machine = Machine("office", tmp_path)
    machine.note("the trial begins")
    return machine


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


@pytest.fixture
def bench(office: Machine, shelf: Shelf) -> Machine:
    """Another machine, let in."""
    machine = office.copied("bench")
    machine.note("here too")
    exchange_all([machine, office], [shelf], rounds=1)
    office.enrol("bench")
    exchange_all([office, machine], [shelf])
    return machine


def writer(machine: Machine) -> str:
    with views.reading(machine.store) as connection:
        (found,) = connection.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
    return str(found)


def test_what_came_and_went_is_counted_in_lines(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    key = bench.note("one")
    bench.note("two")
    office.note("three")
    sent = bench.sync(MemoryPlace(shelf))
    assert (sent.sent, sent.sent_entries, sent.fetched) == (2, 2, {})
    got = office.sync(MemoryPlace(shelf))
    assert (got.sent, got.sent_entries, got.fetched) == (1, 1, {writer(bench): 2})
    assert (got.conflicts, got.duplicates, got.waiting, got.problems) == (0, 0, {}, [])
    bench.sync(MemoryPlace(shelf))
    bench.correct(key, "the bench's")
    office.correct(key, "the office's")
    bench.sync(MemoryPlace(shelf))
    assert office.sync(MemoryPlace(shelf)).conflicts == 1
    bench.sync(MemoryPlace(shelf))
    must_agree([office, bench])
    nothing = office.sync(MemoryPlace(shelf))
    assert (nothing.sent, nothing.fetched, nothing.admitted.entries) == (0, {}, {})


def test_what_was_seen_goes_into_the_next_line_once(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    bench.note("one")
    exchange_all([bench, office], [shelf], rounds=1)
    office.note("after that")
    office.note("and then")
    of_office = [journal.decode(body) for body in office.journal()]
    last, before = sorted(
        (entry for entry in of_office if entry.writer == writer(office)), key=lambda e: -e.seq
    )[:2]
    with views.reading(bench.store) as connection:
        (newest,) = held.tips(connection, writer(bench))
    assert (before.saw, last.saw) == ({writer(bench): list(newest)}, None)


def test_a_dry_run_says_the_same_and_writes_nothing(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    bench.note("one")
    bench.sync(MemoryPlace(shelf))
    office.note("two")
    before = (office.store.read_bytes(), copy.deepcopy(shelf))
    dry = office.sync(MemoryPlace(shelf), dry=True)
    assert (office.store.read_bytes(), shelf) == before
    wet = office.sync(MemoryPlace(shelf))
    assert (dry.sent, dry.sent_entries, dry.fetched) == (wet.sent, wet.sent_entries, wet.fetched)
    assert (dry.dry, dry.sent, dry.fetched) == (True, 1, {writer(bench): 1})


def test_without_a_store_nothing_is_made(tmp_path: Path, shelf: Shelf) -> None:
    nobody = Machine("nobody", tmp_path)
    for dry in (False, True):
        with pytest.raises(views.NoStore) as refused:
            nobody.sync(MemoryPlace(shelf), dry=dry)
        assert str(refused.value) == f"{nobody.store}: there is no logbook here yet"
    assert not nobody.store.exists()


def test_a_place_that_went_backwards_is_told_and_filled_again(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    older = copy.deepcopy(shelf)
    bench.note("one")
    tips = bench.sync(MemoryPlace(shelf)).tips
    assert bench.sync(MemoryPlace(shelf), seen=tips).backwards == []
    again = bench.sync(MemoryPlace(older), seen=tips)
    assert (again.backwards, again.sent) == ([writer(bench)], 1)
    assert older.entries == shelf.entries


class ReadOnly(MemoryPlace):
    """A place that takes nothing."""

    def send(self, runs: Any) -> None:
        for _ in runs:
            raise Unreachable("memory: read-only")


def test_what_cannot_be_sent_is_told_and_goes_another_time(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    office.note("one")
    bench.note("two")
    bench.sync(MemoryPlace(shelf))
    summary = office.sync(ReadOnly(shelf))
    assert str(summary.refused) == "memory: read-only"
    assert (summary.sent, summary.sent_entries) == (0, 0)
    assert summary.fetched == {writer(bench): 1}
    assert office.sync(MemoryPlace(shelf)).sent == 1


def test_a_connection_that_breaks_while_sending_is_taken_up_where_it_broke(
    office: Machine, shelf: Shelf
) -> None:
    for n in range(6):
        office.note(f"line {n}")
    shelf.left = 3
    assert str(office.sync(MemoryPlace(shelf)).refused) == "memory: the connection broke"
    assert len(shelf.entries) == 3
    shelf.left = None
    assert office.sync(MemoryPlace(shelf)).sent_entries == 5
    assert [kept.body for kept in shelf.entries.values()] == office.journal()


def test_long_chains_travel_in_runs_of_a_bearable_size(
    office: Machine, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(11):
        office.note(f"line {n}")
    monkeypatch.setattr(exchange, "MOST_ENTRIES", 4)
    exchange.sign_heads(office.store, office.state)
    with views.reading(office.store) as connection:
        runs = list(exchange.runs_for(connection, Inventory(), []))
        there = {writer(office): frozenset({tip(runs[0].bodies)})}
        rest = list(exchange.runs_for(connection, Inventory(there), []))
        monkeypatch.setattr(exchange, "MOST_BYTES", 1)
        single = list(exchange.runs_for(connection, Inventory(), []))
    assert [len(one.bodies) for one in runs] == [4, 4, 4, 1]
    assert [len(one.heads) for one in runs] == [0, 0, 0, 1]
    assert [body for one in runs for body in one.bodies] == office.journal()
    assert rest == runs[1:]
    assert [len(one.bodies) for one in single] == [1] * 13


def test_progress_is_told_as_it_goes(office: Machine, bench: Machine, shelf: Shelf) -> None:
    bench.note("one")
    bench.sync(MemoryPlace(shelf))
    office.note("two")
    told: list[tuple[str, int]] = []
    office.sync(MemoryPlace(shelf), progress=lambda what, count: told.append((what, count)))
    assert ("fetched", 1) in told
    assert ("sent", 1) in told


class Backwards(MemoryPlace):
    """A place that delivers in the wrong order, and everything twice."""

    def fetch(self, known: Known) -> Iterator[Run]:
        runs = [Run(one.writer, (body,), ()) for one in super().fetch(known) for body in one.bodies]
        heads = [one for one in super().fetch(known) if one.heads]
        yield from heads
        yield from reversed(runs)
        yield from runs


def test_the_order_of_deliveries_does_not_matter(office: Machine, shelf: Shelf) -> None:
    bodies = chain("bench", 6)
    MemoryPlace(shelf).send([run("bench", bodies, signed=True)])
    office.sync(Backwards(shelf))
    office.enrol("bench")
    more = longer("bench", bodies, 5)
    MemoryPlace(shelf).send([run("bench", more, signed=True)])
    summary = office.sync(Backwards(shelf))
    assert summary.fetched == {writer_id("bench"): 5}
    assert office.waiting() == 0
    must_be_rebuilt_alike(office)


def test_entries_past_a_gap_wait_for_it(office: Machine, shelf: Shelf) -> None:
    bodies = chain("bench", 6)
    MemoryPlace(shelf).send([run("bench", bodies[:2], signed=True)])
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    with_gap = Shelf()
    MemoryPlace(with_gap).send([run("bench", bodies, signed=True)])
    lost = with_gap.entries.pop(journal.entry_id(bodies[3]))
    waiting = office.sync(MemoryPlace(with_gap)).waiting
    assert waiting == {writer_id("bench"): 3}, "the head above the gap covers nothing below it"
    with_gap.entries[journal.entry_id(bodies[3])] = lost
    assert office.sync(MemoryPlace(with_gap)).waiting == {}
    assert set(bodies) <= set(office.journal())


# An exchange that ends anywhere


@dataclass(frozen=True)
class Step:
    """A function that an exchange goes through."""

    module: Any
    name: str

    def __str__(self) -> str:
        return f"{getattr(self.module, '__name__', '?').rpartition('.')[2]}.{self.name}"


STEPS = [
    Step(exchange, "sign_heads"),
    Step(exchange, "runs_for"),
    Step(exchange, "_take_stock"),
    Step(receiving, "receive"),
    Step(admitting, "admit"),
    Step(held, "hold"),
    Step(held, "vouch"),
    Step(held, "touch"),
    Step(held, "accept"),
    Step(held, "forget_older_heads"),
    Step(entries, "append"),
    Step(projections, "fold_batch"),
    Step(derived, "refresh"),
    Step(local, "put"),
    Step(MemoryPlace, "inventory"),
    Step(MemoryPlace, "fetch"),
    Step(MemoryPlace, "send"),
    Step(MemoryPlace, "_keep"),
]


class Killed(BaseException):
    """The program ends here."""


def killed_at(step: Step, call: int, after: bool, done: Any) -> bool:
    """Do it, killed before or after the n-th call of a function; False if it was not called."""
    whole, count = getattr(step.module, step.name), 0

    def counted(*given: Any, **named: Any) -> Any:
        nonlocal count
        count += 1
        if count == call and not after:
            raise Killed
        answer = whole(*given, **named)
        if count == call:
            raise Killed
        return answer

    with patch.object(step.module, step.name, counted), suppress(Killed):
        done()
    return count >= call


@dataclass
class Scene:
    """Two machines that both wrote, a conflict among it, and a stranger; kept to begin anew."""

    office: Machine
    bench: Machine
    shelf: Shelf
    kept: Path
    lying: Shelf

    @classmethod
    def of(cls, folder: Path) -> Scene:
        office, shelf = Machine("office", folder / "now"), Shelf()
        key = office.note("the trial begins")
        bench = office.copied("bench")
        bench.note("here too")
        exchange_all([bench, office], [shelf], rounds=1)
        office.enrol("bench")
        exchange_all([office, bench], [shelf])
        bench.correct(key, "the bench's")
        bench.note("more of the bench")
        bench.note("and more")
        bench.sync(MemoryPlace(shelf))
        office.correct(key, "the office's")
        office.note("more of the office")
        MemoryPlace(shelf).send([run("stranger", chain("stranger", 3), signed=True)])
        shutil.copytree(folder / "now", folder / "kept")
        return cls(office, bench, shelf, folder / "kept", copy.deepcopy(shelf))

    def again(self) -> None:
        shutil.rmtree(self.office.folder)
        shutil.copytree(self.kept, self.office.folder)
        lying = copy.deepcopy(self.lying)
        self.shelf.entries, self.shelf.heads = lying.entries, lying.heads

    def exchange(self) -> None:
        self.office.sync(MemoryPlace(self.shelf))

    def outcome(self) -> tuple[Any, ...]:
        with views.reading(self.office.store) as connection:
            facts = connection.execute("SELECT * FROM local ORDER BY name").fetchall()
            # What others saw before what they saw last may be forgotten, or not yet.
            heads = connection.execute(
                "SELECT * FROM head WHERE signature <> '' ORDER BY 1, 2, 3"
            ).fetchall()
            waiting = connection.execute("SELECT id FROM held ORDER BY id").fetchall()
        entries_there = {name: kept.body for name, kept in self.shelf.entries.items()}
        return (
            self.office.journal(), self.office.rows(), facts, heads, waiting, entries_there,
            self.shelf.heads,
        )  # fmt: skip


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """Made once: it is put back before each interruption."""
    return Scene.of(tmp_path_factory.mktemp("scene"))


@pytest.fixture(scope="module")
def whole(scene: Scene) -> tuple[Any, ...]:
    """What an exchange that nothing interrupts comes to."""
    scene.again()
    scene.exchange()
    return scene.outcome()


@pytest.mark.parametrize("step", STEPS, ids=str)
@pytest.mark.long
def test_an_exchange_that_is_killed_anywhere_is_finished_by_the_next(
    scene: Scene, whole: tuple[Any, ...], step: Step
) -> None:
    tried = 0
    for after in (False, True):
        for call in range(1, 30):
            scene.again()
            if not killed_at(step, call, after, scene.exchange):
                break
            scene.exchange()
            assert scene.outcome() == whole, f"{step}, call {call}, after: {after}"
            tried += 1
    assert tried >= 2, "it was called, and killed"


@pytest.mark.parametrize("step", [s for s in STEPS if s.module is not exchange], ids=str)
def test_a_line_written_between_the_two_stays(scene: Scene, step: Step) -> None:
    for after in (False, True):
        scene.again()
        assert killed_at(step, 1, after, scene.exchange)
        key = scene.office.note("written between the two")
        for _ in range(2):
            scene.office.sync(MemoryPlace(scene.shelf))
            scene.bench.sync(MemoryPlace(scene.shelf))
        assert scene.office.journal() == scene.bench.journal()
        assert scene.office.rows() == scene.bench.rows()
        with views.reading(scene.bench.store) as connection:
            found = views.fetch(connection, "note", "id = ?", (journal.ident(key),))
        assert len(found) == 1
        must_be_rebuilt_alike(scene.office)


def test_an_act_that_is_killed_anywhere_happened_whole_or_not_at_all(scene: Scene) -> None:
    steps = [
        Step(entries, "append"),
        Step(projections, "fold_own"),
        Step(derived, "refresh"),
        Step(local, "drop"),
        Step(writing.config, "save"),
    ]
    for step in steps:
        for after in (False, True):
            scene.again()
            scene.exchange()
            before = scene.office.journal()
            own = writer(scene.office)
            assert killed_at(step, 1, after, lambda: scene.office.note("killed")), str(step)
            more = len(scene.office.journal()) - len(before)
            assert more == (1 if step.name == "save" else 0), str(step)
            scene.office.note("the next")
            assert len(scene.office.journal()) == len(before) + more + 1
            assert writer(scene.office) == own
            must_be_rebuilt_alike(scene.office)


def test_a_head_is_signed_once_and_only_the_newest_is_kept(
    office: Machine, bench: Machine, shelf: Shelf
) -> None:
    for n in range(3):
        office.note(f"line {n}")
        office.sync(MemoryPlace(shelf))
        office.sync(MemoryPlace(shelf))
    bench.sync(MemoryPlace(shelf))
    for machine in (office, bench):
        with views.reading(machine.store) as connection:
            kept = [one for one in held.heads(connection, writer(office)) if one.by == one.writer]
            (newest,) = held.tips(connection, writer(office))
        assert [(one.seq, one.id) for one in kept] == [newest]


def test_what_a_place_says_of_its_problems_is_handed_on(office: Machine, shelf: Shelf) -> None:
    from logbook.errors import Problem

    place: Place = MemoryPlace(shelf)
    torn = Problem("memory, file 3", "torn", "It will be whole at the next sync.")
    place.problems.append(torn)
    assert office.sync(place).problems == [torn]


def test_a_fork_there_is_followed_from_where_it_forks(office: Machine, shelf: Shelf) -> None:
    below = chain("bench", 4)
    one, other = (longer("bench", below, 3, text) for text in ("one", "other"))
    both: list[Head] = []
    for branch in (one, other):
        MemoryPlace(shelf).send([run("bench", (*below, *branch))])
        both.append(head("bench", branch))
    MemoryPlace(shelf).send([Run(writer_id("bench"), (), tuple(both))])
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    assert len(set(office.journal()) & {*below, *one, *other}) == 10
    only_one = Shelf()
    MemoryPlace(only_one).send([run("bench", (*below, *one))])
    with views.reading(office.store) as connection:
        runs = list(exchange.runs_for(connection, MemoryPlace(only_one).inventory(), []))
    sent = [body for of in runs if of.writer == writer_id("bench") for body in of.bodies]
    assert sent == list(other)
    fresh = Shelf()
    office.sync(MemoryPlace(fresh))
    late = office.copied("late")
    assert late.sync(MemoryPlace(fresh)).sent == 0
    assert len(fresh.entries) == len(office.journal())
