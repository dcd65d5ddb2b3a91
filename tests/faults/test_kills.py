"""SIGKILL at any moment: what was acknowledged is there, and nothing is there by half."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults.counting import Count, Counting
from tests.faults.killing import Kept, acts_in, journal_of, must_be_sound, wait_for, working
from tests.labs.hostile import csv_text
from tests.program import PROTOCOL, Program

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's"),
]

ON = "2026-03-05T09:00+01:00"
# A store grows under its acts, and each check reads all of it.
KILLS_OF_A_STORE = 25


def acts(count: int) -> list[Sequence[str]]:
    """Acts of several kinds, of one entry each."""
    kinds: list[Sequence[str]] = [
        ("note", "beds turned"),
        ("water", "all"),
        ("event", "B2", "spilled", "--text", "a can of it"),
        ("note", "slugs", "--on", "B1-B3"),
    ]
    return [kinds[n % len(kinds)] for n in range(count)]


def writers(store: Path) -> int:
    """How many writers there are."""
    with closing(sqlite3.connect(store)) as connection:
        (count,) = connection.execute("SELECT count(DISTINCT writer) FROM entry").fetchone()
    return int(count)


def looked_at(store: Path, before: set[str], acknowledged: list[str], count: Count) -> None:
    """The store after a kill: every act acknowledged, at most one that was not, all sound."""
    if journal_of(store).exists():
        count.saw["transactions that SQLite took back"] += 1
    must_be_sound(store)
    found = acts_in(store) - before
    missing = set(acknowledged) - found
    assert not missing, f"acknowledged, and lost: {missing}"
    unsaid = len(found) - len(acknowledged)
    assert unsaid <= 1
    count.saw["acts acknowledged"] += len(acknowledged)
    count.saw["acknowledged acts lost"] += len(missing)
    count.saw["acts written whole but not acknowledged"] += unsaid


@pytest.mark.parametrize("moment", ["any", "in a transaction"])
def test_killed_among_its_acts(
    started: Program, tmp_path_factory: pytest.TempPathFactory, counting: Counting, moment: str
) -> None:
    kept = Kept.of(started.folder, tmp_path_factory.mktemp("kept") / "folder")
    how = "SIGKILL at any moment, or while a transaction is open, of a program that writes acts"
    with counting.fault("1", "killed among its acts", how, 250) as count:
        for n in range(count.asked):
            if n % KILLS_OF_A_STORE == 0:
                kept.put_back()
            before = acts_in(started.store)
            with working(started.folder) as worker:
                worker.tell(acts(60), ON)
                time.sleep(count.rng.uniform(0, 0.3))
                if moment == "in a transaction":
                    wait_for(journal_of(started.store), 1)
                    time.sleep(count.rng.uniform(0, 0.003))
                worker.kill()
            looked_at(started.store, before, worker.acts, count)
            started.must("note", "after the kill", on=ON)
            assert writers(started.store) == 1, "a kill does not make another writer"
            count.passed += 1


def test_a_command_killed_from_its_first_moment_to_its_last(
    started: Program, counting: Counting
) -> None:
    how = "SIGKILL between the start of `python -m logbook note` and its end"
    words = [sys.executable, "-m", "logbook", "note", "from the shell"]
    began = time.monotonic()
    subprocess.run(words, cwd=started.folder, check=True, capture_output=True)
    whole = time.monotonic() - began
    with counting.fault("1", "a command killed", how, 50) as count:
        for _ in range(count.asked):
            before = acts_in(started.store)
            process = subprocess.Popen(
                words, cwd=started.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
            )
            time.sleep(count.rng.uniform(whole / 3, whole))
            process.kill()
            out, err = process.communicate(timeout=60)
            assert err == ""
            looked_at(started.store, before, [out.split()[0]] if out else [], count)
            started.must("note", "after the kill", on=ON)
            count.passed += 1


def test_killed_while_the_store_is_made(program: Program, counting: Counting) -> None:
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    how = "SIGKILL between the first act's beginning and its answer"
    with working(program.folder) as worker:
        began = time.monotonic()
        worker.tell([("trial", "start", "trial.toml")], ON)
        worker.wait()
        whole = time.monotonic() - began
    with counting.fault("1", "killed while the store is made", how, 100) as count:
        for _ in range(count.asked):
            for one in program.folder.glob("logbook.db*"):
                one.unlink()
            with working(program.folder) as worker:
                worker.tell([("trial", "start", "trial.toml")], ON)
                time.sleep(count.rng.uniform(0, 1.5 * whole))
                worker.kill()
            made = program("note", "is it there?", on=ON).code == 0
            assert made or not worker.acts
            count.saw["stores whole"] += made
            count.saw["stores not begun"] += not made
            if not made:
                program.must("trial", "start", "trial.toml", on=ON)
            must_be_sound(program.store)
            assert writers(program.store) == 1
            count.passed += 1


# What a kill leaves of a report.
WHOLE = "reports whole"
TAKEN_BACK = "reports half written, taken back by SQLite"
NOT_BEGUN = "reports not begun"
NUTRIENTS = ["P", "K", "Ca", "Mg", "Na", "Fe", "Mn", "Zn", "Cu", "B", "S", "Al"]


def report(samples: list[str]) -> str:
    """A laboratory's file: each nutrient of each sample."""
    rows = [["sample", "nutrient", "value", "unit", "method", "lab"]]
    for at, sample in enumerate(samples):
        for nutrient in NUTRIENTS:
            rows.append([sample, nutrient, f"{at}2.5", "mg/kg", "Mehlich-3", "Invented Soil Lab"])
    return csv_text(rows)


def imported(store: Path) -> tuple[int, int]:
    """How many reports and results are in the tables."""
    with closing(sqlite3.connect(store)) as connection:
        (reports,) = connection.execute("SELECT count(*) FROM report").fetchone()
        (results,) = connection.execute("SELECT count(*) FROM result").fetchone()
    return reports, results


def test_killed_in_an_import(
    started: Program, tmp_path_factory: pytest.TempPathFactory, counting: Counting
) -> None:
    """Reports are all or nothing, and the same file imports whole afterwards."""
    samples = started.must("pull", "all", "--for", "before", on="2026-03-01T12:00+01:00").samples
    for day in range(2, 5):
        again = ("pull", "all", "--again", "for a fuller report")
        samples += started.must(*again, on=f"2026-03-0{day}T12:00+01:00").samples
    (started.folder / "report.csv").write_text(report(samples), encoding="utf-8")
    kept = Kept.of(started.folder, tmp_path_factory.mktemp("kept") / "folder")
    words = ("lab", "import", "report.csv", "--report", "R1")
    with working(started.folder) as worker:
        began = time.monotonic()
        worker.tell([words], ON)
        assert wait_for(journal_of(started.store), 30)
        begun = time.monotonic() - began
        worker.wait()
        whole = time.monotonic() - began
    every = (1, len(samples) * len(NUTRIENTS))
    assert imported(started.store) == every
    how = f"SIGKILL in the import of a report of {every[1]} results"
    with counting.fault("1", "killed in an import", how, 50) as count:
        for n in range(count.asked):
            kept.put_back()
            with working(started.folder) as worker:
                worker.tell([words], ON)
                if n % 2:
                    wait_for(journal_of(started.store), 5)
                    time.sleep(count.rng.uniform(0, 1.2 * (whole - begun)))
                else:
                    time.sleep(count.rng.uniform(0, 1.2 * whole))
                worker.kill()
            writing = journal_of(started.store).exists()
            must_be_sound(started.store)
            found = imported(started.store)
            assert found in ((0, 0), every)
            assert found == every or not worker.acts
            count.saw[WHOLE if found == every else TAKEN_BACK if writing else NOT_BEGUN] += 1
            started.must(*words, on=ON)
            assert imported(started.store) == every
            must_be_sound(started.store)
            count.passed += 1
        counting.must_have_seen(count, WHOLE, TAKEN_BACK, NOT_BEGUN)
