"""The power fails at any write: the store is as before the act or as after it, nothing else.

The writes are SQLite's own, noted while real acts run (tests/faults/disk.py). From them the disk
is made as it may stand after the cut: synced bytes whole, others done in any order, torn or lost.
"""

from __future__ import annotations

import os
import random
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from logbook import config
from logbook.book import writing
from logbook.trial import records
from logbook.trial.times import When
from tests.faults import disk
from tests.faults.counting import Counting
from tests.faults.killing import acts_in, must_be_sound
from tests.program import PROTOCOL, Program

pytestmark = pytest.mark.skipif(disk.library() is None, reason="SQLite is not a library here")

ON = "2026-03-05T09:00+01:00"


@dataclass(frozen=True)
class Act:
    """An act that was acknowledged: its code, how many changes the disk saw, the key file then."""

    code: str
    changes: int
    key: bytes


@dataclass(frozen=True)
class Played:
    """Acts on a store: what lay there before, every change that SQLite made, the acts."""

    before: dict[str, bytes]
    changes: list[disk.Change]
    acts: list[Act]


def files(program: Program) -> dict[str, bytes]:
    """The store and what SQLite keeps beside it."""
    return {str(one): one.read_bytes() for one in program.folder.glob("logbook.db*")}


def key_file(program: Program) -> Path:
    """The key file of the newest writer."""
    return max((program.folder / "state").glob("writer-*.json"), key=os.path.getmtime)


def large_act(program: Program) -> str:
    """An act larger than its cache: its pages reach the file before the commit."""
    now = datetime.fromisoformat(ON)
    with writing.opened(program.store, program.folder / "state", by="mira", now=now) as book:
        book.connection.exec_driver_sql("PRAGMA cache_size = 5")
        line = records.Note("t", When(now.date()), "x" * 400)
        return book.record("note", [(f"note/{n:04d}/t", line) for n in range(400)]).code


def play(program: Program, with_start: bool) -> Played:
    """Live through acts of all sizes, watched."""
    before = {} if with_start else files(program)
    acts: list[Act] = []
    words = [("trial", "start", "trial.toml")] if with_start else []
    words += [("note", "x"), ("water", "all"), ("pull", "all", "--for", "before")]
    words += [("undo",), ("fill", "all", "--mass", "111 kg")]
    with disk.watched() as watch:
        for said in words:
            code = program.must(*said, on=ON).act
            acts.append(Act(code, len(watch.changes), key_file(program).read_bytes()))
        code = large_act(program)
        acts.append(Act(code, len(watch.changes), key_file(program).read_bytes()))
    assert acts_in(program.store) >= {act.code for act in acts}
    return Played(before, watch.changes, acts)


def cut_at(played: Played, at: int, rng: random.Random) -> dict[str, bytes]:
    """What the disk may hold if the power fails when SQLite has made `at` changes."""
    after = disk.AfterACut(rng, dict(played.before))
    for change in played.changes[:at]:
        after.then(change)
    return after.cut()


def put(program: Program, found: dict[str, bytes]) -> None:
    """Lay the files of a disk where the store is."""
    for one in program.folder.glob("logbook.db*"):
        one.unlink()
    for name, data in found.items():
        if "logbook.db" in name:
            Path(name).write_bytes(data)


@pytest.mark.long
@pytest.mark.usefixtures("waiting")
@pytest.mark.parametrize("begins", ["with a store", "with nothing"])
def test_the_power_fails(program: Program, counting: Counting, begins: str) -> None:
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    anew = begins == "with nothing"
    if not anew:
        program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    earlier = set() if anew else acts_in(program.store)
    first_key = None if anew else key_file(program).read_bytes()
    played = play(program, with_start=anew)
    key = key_file(program)
    how = "any cut in the writes of SQLite; unsynced sectors done, torn or lost in any order"
    with counting.fault("2", "power cut", how, 200) as count:
        for _ in range(count.asked):
            # Any act first: the largest makes more changes than all others together.
            act = count.rng.randrange(len(played.acts))
            begun = played.acts[act - 1].changes if act else 0
            at = count.rng.randint(begun + 1, played.acts[act].changes)
            put(program, cut_at(played, at, count.rng))
            done = [act for act in played.acts if act.changes <= at]
            kept = done[-1].key if done else first_key
            key.unlink(missing_ok=True)
            if kept is not None:
                key.write_bytes(kept)
            count.saw["transactions that SQLite took back"] += len(
                list(program.folder.glob("*-journal"))
            )
            if not done and anew:
                # Nothing was acknowledged: the first act may be done anew, whatever lies there.
                program.must("trial", "start", "trial.toml", on=ON)
                must_be_sound(program.store)
                count.passed += 1
                continue
            must_be_sound(program.store)
            found = acts_in(program.store) - earlier
            under_way = {act.code for act in played.acts[: len(done) + 1]}
            assert {act.code for act in done} <= found <= under_way, "neither old nor new"
            count.saw["acknowledged acts lost"] += len({act.code for act in done} - found)
            said = program.must("note", "after the cut", on=ON)
            assert said.err == "", "a cut does not make another writer"
            count.passed += 1


@pytest.mark.long
@pytest.mark.usefixtures("waiting")
def test_without_syncs_the_same_cuts_do_damage(program: Program) -> None:
    """The test above can fail: a disk that lies about its syncs leaves damaged stores."""
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    played = play(program, with_start=False)
    changes = [change for change in played.changes if change.what != "sync"]
    rng = random.Random(20260305)
    damaged = 0
    for _ in range(10):
        put(program, cut_at(replace(played, changes=changes), len(changes) - 1, rng))
        damaged += program("verify").code != 0
    assert damaged > 5


def test_the_cut_loses_what_is_not_synced() -> None:
    """The disk that is made up is a bad one: without syncs, writes are lost and torn."""
    write = disk.Change("write", "a", 512, b"x" * 4096)
    seen = set()
    for seed in range(50):
        after = disk.AfterACut(random.Random(seed), {"a": b"o" * 8192})
        after.then(write)
        seen.add(after.cut()["a"].count(b"x"))
    assert {0, 4096} < seen and len(seen) > 5
    after = disk.AfterACut(random.Random(1), {"a": b"o" * 8192})
    for change in (write, disk.Change("sync", "a")):
        after.then(change)
    assert after.cut()["a"] == b"o" * 512 + b"x" * 4096 + b"o" * 3584


def test_a_key_file_is_whole_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written, synced, renamed, and the folder synced: in that order."""
    seen: list[str] = []

    def noting(name: str, real: Any) -> Any:
        def call(*args: Any) -> Any:
            folder = name == "fsync" and os.path.isdir(f"/proc/self/fd/{args[0]}")  # noqa: PTH112
            seen.append("fsync of the folder" if folder else name)
            return real(*args)

        return call

    monkeypatch.setattr(os, "fsync", noting("fsync", os.fsync))
    monkeypatch.setattr(os, "replace", noting("replace", os.replace))
    config.save(tmp_path / "keys", config.new_replica(tmp_path / "logbook.db"))
    assert seen == ["fsync", "replace", "fsync of the folder"]
