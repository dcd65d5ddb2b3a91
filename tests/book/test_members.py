"""Enrolling and retiring where a store was in use twice: no branch is lost anywhere."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logbook.store import database, local
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf


@pytest.fixture
def place() -> MemoryPlace:
    """Where all of them exchange."""
    return MemoryPlace(Shelf(), "stick")


@pytest.fixture
def house(tmp_path: Path, place: MemoryPlace) -> tuple[Machine, Machine, Machine]:
    """A founder, an office that it enrolled, and a clone that writes on with the office's key."""
    bench = Machine("bench", tmp_path)
    bench.note("first")
    office = bench.copied("office")
    office.note("from the office")
    office.sync(place)
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    office.sync(place)
    clone = office.copied("clone", keys=True)
    aside = office.store.with_name("aside.db")
    office.store.rename(aside)
    clone.note("on the clone")
    clone.note("on the clone once more")
    aside.rename(office.store)
    office.note("on the office itself")
    return bench, office, clone


def test_the_shorter_branch_reaches_a_machine_that_has_the_longer_one(
    house: tuple[Machine, Machine, Machine], place: MemoryPlace
) -> None:
    """Its signature is for a smaller number than one that is here, and lets in another branch."""
    bench, office, clone = house
    office.sync(place)
    clone.sync(place)
    for machine in (bench, office, clone):
        machine.sync(place)
        assert machine.waiting() == 0
    assert bench.journal() == office.journal() == clone.journal()


def test_every_branch_of_a_retired_machine_counts_for_one_that_comes_later(
    house: tuple[Machine, Machine, Machine], place: MemoryPlace
) -> None:
    bench, office, clone = house
    office.sync(place)
    clone.sync(place)
    bench.sync(place)
    bench.retire("office")
    bench.sync(place)
    fresh = Machine("fresh", bench.folder)
    with closing(sqlite3.connect(bench.store)) as store:
        (root,) = store.execute("SELECT value FROM local WHERE name = 'root'").fetchone()
    with database.writing(fresh.store) as connection:
        local.put(connection, "root", root)
    fresh.sync(place)
    assert fresh.waiting() == 0
    assert fresh.journal() == bench.journal()
