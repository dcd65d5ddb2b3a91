"""SIGKILL in the middle of an exchange: the next one finishes it, nothing lost, nothing doubled."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from logbook.sync.folder import SUBFOLDER
from tests.faults.counting import Counting
from tests.faults.killing import acts_in, journal_of, must_be_sound, working
from tests.faults.worker import Answer
from tests.program import PROTOCOL

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's"),
]
ON = "2026-03-05T09:00+01:00"
# How far an exchange had come when it was killed.
BEFORE = "killed before anything was written"
DURING = "killed while it wrote, its segment not there yet"
AFTER = "killed with its segment there, or ended"
EARLIER = "2026-03-01T09:00+01:00"


class Machine:
    """One machine of two, its commands run by a process of its own."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder, self.name = folder, name
        self.store = folder / name / "logbook.db"

    def environment(self) -> dict[str, str]:
        return {
            "LOGBOOK_STORE": str(self.store),
            "LOGBOOK_STATE": str(self.folder / f"{self.name}-keys"),
            "LOGBOOK_MACHINE": self.name,
        }

    def run(self, *commands: list[str], on: str = ON) -> list[Answer]:
        """Run commands to their end; each must end well."""
        with working(self.folder, **self.environment()) as worker:
            worker.tell(commands, on)
            answers = worker.wait(len(commands))
        assert all(code == 0 for code, _, _ in answers), answers
        return answers

    def taking(self, command: list[str]) -> float:
        """Run a command to its end; how many seconds it takes a worker that is ready."""
        with working(self.folder, **self.environment()) as worker:
            began = time.monotonic()
            worker.tell([command], ON)
            (answer,) = worker.wait()
            assert answer[0] == 0, answer
            return time.monotonic() - began

    def killed(self, command: list[str], after: float) -> None:
        """Begin a command, and kill it so many seconds later."""
        with working(self.folder, **self.environment()) as worker:
            worker.tell([command], ON)
            time.sleep(after)
            worker.kill()

    def entries(self) -> list[bytes]:
        """Every accepted entry, in order."""
        with closing(sqlite3.connect(self.store)) as connection:
            rows = connection.execute("SELECT body FROM entry ORDER BY writer, seq, id")
            return [body for (body,) in rows]

    def received(self) -> int:
        """How many entries are here, accepted or held back."""
        with closing(sqlite3.connect(self.store)) as connection:
            query = "SELECT (SELECT count(*) FROM entry) + (SELECT count(*) FROM held)"
            (count,) = connection.execute(query).fetchone()
            return int(count)


def the_two(folder: Path) -> tuple[Machine, Machine, str]:
    """Office and bench of one book, and their stick."""
    (folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    stick = folder / "stick"
    stick.mkdir()
    office, bench = Machine(folder, "office"), Machine(folder, "bench")
    office.run(["trial", "start", "trial.toml"], on=EARLIER)
    office.run(["sync", str(stick)])
    bench.run(["join", str(stick), "--yes"])
    office.run(["sync", str(stick)], ["machines", "enrol", "bench", "--yes"], ["sync", str(stick)])
    bench.run(["sync", str(stick)])
    return office, bench, str(stick)


def in_folder(stick: str) -> tuple[set[str], set[str]]:
    """The files of segments there, and the files that are not whole yet."""
    names = {one.name for one in (Path(stick) / SUBFOLDER).iterdir()}
    return {one for one in names if one.endswith(".seg")}, {n for n in names if n.endswith(".part")}


def something_new(one: Machine, other: Machine, text: str, stick: str) -> tuple[set[str], float]:
    """Lines on both, those of the other at the stick: the codes of their acts, and how many seconds
    that exchange took, just before the one that is killed: a busy machine is slower all along.
    """
    found: set[str] = set()
    for machine in (one, other):
        notes = [["note", f"{text} of {machine.name}, {line}"] for line in range(3)]
        found |= {out.split()[0] for _, out, _ in machine.run(*notes)}
    return found, other.taking(["sync", stick])


def test_killed_in_an_exchange(tmp_path: Path, counting: Counting) -> None:
    office, bench, stick = the_two(tmp_path)
    how = "SIGKILL at any moment of sync, of one machine or the other, then an exchange to its end"
    acknowledged: set[str] = set()
    with counting.fault("1", "killed in an exchange", how, 100) as count:
        for n in range(count.asked):
            one, other = (office, bench) if n % 2 else (bench, office)
            acts, whole = something_new(one, other, f"round {n}", stick)
            acknowledged |= acts
            (segments, _), received = in_folder(stick), one.received()
            one.killed(["sync", stick], count.rng.uniform(0.0, 1.5 * whole))
            sent, parts = in_folder(stick)
            writing = journal_of(one.store).exists() or bool(parts)
            must_be_sound(one.store)
            begun = writing or one.received() > received
            count.saw[AFTER if sent > segments else DURING if begun else BEFORE] += 1
            for machine in (one, other, one):
                machine.run(["sync", stick])
            assert one.entries() == other.entries()
            missing = acknowledged - acts_in(one.store)
            assert not missing, f"acknowledged, and lost: {missing}"
            count.saw["acts acknowledged"] = len(acknowledged)
            count.passed += 1
        counting.must_have_seen(count, BEFORE, DURING, AFTER)
    for machine in (office, bench):
        must_be_sound(machine.store)
