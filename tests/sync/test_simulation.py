"""Five machines write for weeks and exchange as chance has it: they end with the same book."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pytest

from logbook.book.checking import check_store
from logbook.journal.entry import decode, entry_id
from logbook.store import views
from tests.faults.counting import Counting
from tests.sync.machine import NOW
from tests.sync.memory import MemoryPlace
from tests.sync.simulation import (
    CLOCKS,
    World,
    conflicts_by_hand,
    exchange_all,
    ids_of,
    live_by_hand,
    must_agree,
    must_be_rebuilt_alike,
    seeded,
)


def must_converge(world: World) -> None:
    """After mutual exchange: one journal, one set of tables, every act; settling ends it all."""
    exchange_all(world.machines, world.shelves[:1])
    must_agree(world.machines)
    first = world.machines[0]
    assert world.acknowledged.keys() <= ids_of(first), "an acknowledged act is missing"
    must_fold_as_by_hand(world)
    assert conflicts_by_hand(first.journal()), "machines that never disagree show nothing"
    world.done["conflicts"] = world.settle()
    exchange_all(world.machines, world.shelves[:1])
    must_agree(world.machines)
    assert conflicts_by_hand(first.journal()) == set()
    for machine in world.machines:
        assert machine.sync(MemoryPlace(world.shelves[0])).conflicts == 0
        must_be_rebuilt_alike(machine)
    assert check_store(first.store) == []


def must_fold_as_by_hand(world: World) -> None:
    """The tables' live writes and conflicts are those worked out from the journal alone."""
    first = world.machines[0]
    bodies = first.journal()
    with views.reading(first.store) as connection:
        live = set(connection.execute("SELECT key, entry FROM write WHERE live = 1"))
        disputed = {
            f"{space}/{name}"
            for space in ("note", "water", "event", "pull")
            for (name,) in connection.execute(f"SELECT id FROM {space} WHERE conflict = 1")
        }
    by_hand = live_by_hand(bodies)
    assert live == {(key, name) for key, says in by_hand.items() for name, _ in says}
    assert disputed == conflicts_by_hand(bodies)


def test_a_few_acts_of_three_machines(tmp_path: Path) -> None:
    rng = random.Random(7)
    with seeded(rng):
        world = World(tmp_path, rng, count=3)
        world.begin()
        world.live(60)
        must_converge(world)


def stands(
    folder: Path, clocks: Sequence[datetime], acts: int
) -> tuple[dict[str, list[tuple[str, int]]], set[str], int]:
    """What is live under each key by writer and number, what is disputed, what was dated ahead."""
    folder.mkdir()
    rng = random.Random(15)
    with seeded(rng):
        world = World(folder, rng, count=3, clocks=clocks)
        world.begin()
        world.live(acts)
        exchange_all(world.machines, world.shelves[:1])
        bodies = world.machines[0].journal()
        entries = {entry_id(body): decode(body) for body in bodies}
        live = {
            key: sorted((entries[name].writer, entries[name].seq) for name, _ in says)
            for key, says in live_by_hand(bodies).items()
        }
        assert len({entry.written[:4] for entry in entries.values()}) == len(
            {clock.year for clock in clocks}
        )
        must_fold_as_by_hand(world)
        return live, conflicts_by_hand(bodies), world.done["entries dated ahead"]


def test_wrong_clocks_change_nothing_of_what_stands(tmp_path: Path, counting: Counting) -> None:
    how = "the same acts with right clocks, and with clocks of 1970, a year back and 2099"
    with counting.fault("15", "clocks set wrong, and changed on the way", how, 1) as count:
        right = stands(tmp_path / "right", [NOW] * len(CLOCKS), 40)
        wrong = stands(tmp_path / "wrong", CLOCKS, 40)
        assert wrong[:2] == right[:2]
        assert (right[2], wrong[2] > 0) == (0, True)
        count.saw["entries dated more than a day ahead, and told"] += wrong[2]
        count.passed += 1


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """As many seeds as `--seeds` says."""
    if "seed" in metafunc.fixturenames:
        metafunc.parametrize("seed", range(1, 1 + metafunc.config.getoption("--seeds")))


@pytest.mark.long
def test_two_thousand_acts_of_each_of_five_machines(
    tmp_path: Path, seed: int, counting: Counting
) -> None:
    how = "5 machines of 2,000 acts each, random exchanges, clocks of 1970, 2026 and 2099"
    with counting.fault("8", "machines that write apart", how, 1) as count:
        rng = random.Random(seed)
        with seeded(rng):
            world = World(tmp_path, rng)
            world.begin()
            world.live(2_000)
            must_converge(world)
        assert sum(world.done[kind] for kind in ("note", "water", "correct")) > 5_000
        count.saw.update(world.done)
        count.saw["acts acknowledged"] += len(world.acknowledged)
        count.passed += 1
