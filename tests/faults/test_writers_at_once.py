"""Programs that write to one store at once: no line lost, no gap, no fork, no error."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from tests.faults.counting import Counting
from tests.faults.killing import Worker, acts_in, must_be_sound, working
from tests.program import Program

pytestmark = pytest.mark.long

ON = "2026-03-05T09:00+01:00"


def numbers(store: Path) -> dict[str, list[int]]:
    """The numbers of each writer's entries, in order."""
    found: dict[str, list[int]] = {}
    with closing(sqlite3.connect(store)) as connection:
        for writer, seq in connection.execute("SELECT writer, seq FROM entry ORDER BY 1, 2"):
            found.setdefault(writer, []).append(seq)
    return found


def must_hold(store: Path, before: set[str], workers: list[Worker]) -> int:
    """Every act acknowledged is there once, under numbers without gap or fork; how many."""
    acknowledged = [code for worker in workers for code in worker.acts]
    found = acts_in(store) - before
    assert len(acknowledged) == len(set(acknowledged)), "a code was given twice"
    assert found == set(acknowledged)
    for seqs in numbers(store).values():
        assert seqs == list(range(1, len(seqs) + 1)), "a gap or a fork"
    must_be_sound(store)
    return len(acknowledged)


def test_four_programs_write_at_once(started: Program, counting: Counting) -> None:
    how = "4 processes, each the same number of acts"
    with counting.fault("13", "writers at once, by acts", how, 2_000) as count:
        before = acts_in(started.store)
        each = count.asked // 4
        with ExitStack() as stack:
            workers = [stack.enter_context(working(started.folder)) for _ in range(4)]
            for worker in workers:
                worker.tell([("note", f"line {n}") for n in range(each)], ON)
            for worker in workers:
                worker.wait(each)
        count.passed = must_hold(started.store, before, workers)
    assert len(numbers(started.store)) == 1, "one machine is one writer"


def test_two_programs_write_for_a_minute(started: Program, counting: Counting) -> None:
    """Of the store's own writer, both of them; while a third one reads."""
    how = "2 processes write and one reads for a minute (asked: seconds)"
    with counting.fault("13", "writers at once, by time", how, 60) as count:
        before = acts_in(started.store)
        end = time.monotonic() + count.asked
        with ExitStack() as stack:
            writers = [stack.enter_context(working(started.folder)) for _ in range(2)]
            reader = stack.enter_context(working(started.folder))
            told = 0
            while time.monotonic() < end:
                for worker in writers:
                    worker.tell([("note", f"line {told}"), ("water", "all")], ON)
                reader.tell([("today",)], ON)
                told += 1
                for worker in writers:
                    worker.wait(2)
                reader.wait()
            assert all(code == 0 for code, _, _ in reader.answers)
        count.saw["acts written"] += must_hold(started.store, before, writers)
        count.saw["boards read meanwhile"] += len(reader.answers)
        count.passed = count.asked


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's")
def test_one_of_two_programs_is_killed(started: Program, counting: Counting) -> None:
    """The other goes on over what the dead one left, and nothing that either said is lost."""
    how = "SIGKILL of one of two processes that write to one store"
    with counting.fault("1", "one of two writers killed", how, 100) as count:
        for _ in range(count.asked):
            before = acts_in(started.store)
            with working(started.folder) as dies, working(started.folder) as lives:
                for worker in (dies, lives):
                    worker.tell([("note", f"line {n}") for n in range(10)], ON)
                time.sleep(count.rng.uniform(0, 0.2))
                dies.kill()
                lives.wait(10)
            found = acts_in(started.store) - before
            said = {*dies.acts, *lives.acts}
            assert said <= found and len(found - said) <= 1
            count.saw["acts acknowledged"] += len(said)
            count.saw["acknowledged acts lost"] += len(said - found)
            count.passed += 1
        must_be_sound(started.store)
