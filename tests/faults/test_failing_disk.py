"""The n-th read, write or sync fails: one sentence, exit code 2, nothing there by half."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.faults import disk
from tests.faults.counting import Counting
from tests.faults.killing import Kept, acts_in, must_be_sound
from tests.labs.hostile import csv_text
from tests.program import PROTOCOL, Program, Said

ON = "2026-03-05T09:00+01:00"
COMMANDS = {
    "note": ("note", "beds turned"),
    "water": ("water", "all"),
    "undo": ("undo",),
    "import": ("lab", "import", "report.csv", "--report", "R1"),
    "backup": ("backup", "copy.db"),
    "restore": ("restore", "older.db", "--yes"),
    "today": ("today",),
    "verify": ("verify",),
}


@pytest.fixture
def ready(started: Program) -> Program:
    """A store with samples, a report of them that is not imported yet, an older backup."""
    started.must("backup", "older.db")
    samples = started.must("pull", "all", "--for", "before", on="2026-03-01T12:00+01:00").samples
    rows = [["sample", "nutrient", "value", "unit", "method", "lab"]]
    rows += [[one, "P", "2.5", "mg/kg", "Mehlich-3", "Invented Soil Lab"] for one in samples]
    (started.folder / "report.csv").write_text(csv_text(rows), encoding="utf-8")
    return started


def told_plainly(said: Said) -> None:
    """One sentence and what to try; no trace of the program's inside."""
    lines = said.err.splitlines()
    assert [line.split(":")[0] for line in lines[-2:]] == ["Error", "Try"], said
    assert len(lines) == 2 or "is not sound" in said.err, said
    assert "Traceback" not in said.err + said.out
    assert "the program made a mistake" not in said.err


def failing(at: int, code: int | None, then: bool) -> Callable[[disk.Change], int]:
    """Fail the change of that number with a code, and those after it if `then`."""
    seen = 0

    def fail(change: disk.Change) -> int:
        nonlocal seen
        seen += 1
        wanted = code if code is not None else disk.IOERR[change.what]
        fails = seen > at if then else seen == at + 1
        # A full disk still reads, syncs and deletes.
        full_elsewhere = code == disk.FULL and change.what != "write"
        return wanted if fails and not full_elsewhere else disk.OK

    return fail


def moves(program: Program, words: tuple[str, ...]) -> int:
    """How many reads, writes, syncs and deletions of SQLite a command takes."""
    count = 0

    def fail(_: disk.Change) -> int:
        nonlocal count
        count += 1
        return disk.OK

    with disk.watched() as watch:
        watch.fail = fail
        program.must(*words, on=ON)
    return count


@pytest.mark.long
@pytest.mark.skipif(disk.library() is None, reason="SQLite is not a library here")
@pytest.mark.parametrize("how", ["fails once", "fails for good", "is full"])
@pytest.mark.parametrize("name", COMMANDS)
def test_the_nth_of_sqlites_moves_fails(
    ready: Program,
    tmp_path_factory: pytest.TempPathFactory,
    counting: Counting,
    name: str,
    how: str,
) -> None:
    kept = Kept.of(ready.folder, tmp_path_factory.mktemp("kept") / "folder")
    before = acts_in(ready.store)
    number, fault = ("11", "disk full") if how == "is full" else ("3", "the n-th I/O fails")
    words = COMMANDS[name]
    moved = range(moves(ready, words))
    text = (
        "SQLite is told that the disk is full at its n-th move"
        if how == "is full"
        else "SQLite's n-th read, write, sync or deletion gets an I/O error, once or for good"
    )
    # To read all of a store takes hundreds of moves; a hundred of them are tried.
    with counting.fault(number, fault, text, min(len(moved), 100)) as count:
        for at in sorted(count.rng.sample(moved, count.asked)):
            kept.put_back()
            with disk.watched() as watch:
                watch.fail = failing(at, disk.FULL if how == "is full" else None, "once" not in how)
                said = ready(*words, on=ON)
            # Some failures harm nothing: SQLite tries again, or the move was not needed.
            assert said.code in (0, 2) or (name in ("verify", "backup") and said.code == 1), said
            if said.code == 2:
                told_plainly(said)
                count.saw["refused in one sentence"] += 1
            _nothing_by_half(ready, name, said, before)
            count.passed += 1


def _nothing_by_half(program: Program, name: str, said: Said, before: set[str]) -> None:
    must_be_sound(program.store)
    assert not list(program.folder.glob(".*part"))
    if name == "backup":
        copy = program.folder / "copy.db"
        assert copy.exists() == (said.code != 2)
    if name == "restore":
        restored = acts_in(program.store)
        assert restored == before if said.code else restored < before
        return
    found = acts_in(program.store)
    assert before <= found
    if name in ("today", "verify", "backup"):
        assert found == before
    elif said.code == 0:
        assert found - before == {said.act}
    else:
        # A disk that fails after the commit: the sentence says that the act is there.
        assert len(found - before) == ("the line IS written" in said.err)
    program.must("note", "goes on", on=ON)


@pytest.mark.long
@pytest.mark.skipif(disk.library() is None, reason="SQLite is not a library here")
def test_the_nth_move_fails_while_the_store_is_made(program: Program, counting: Counting) -> None:
    """What lies there afterwards is a store or nothing, and the same command makes it whole."""
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    words = ("trial", "start", "trial.toml")
    moved = range(moves(program, words))
    how = "SQLite's n-th read, write, sync or deletion gets an I/O error while the store is made"
    with counting.fault("3", "the n-th I/O fails", how, min(len(moved), 100)) as count:
        for at in sorted(count.rng.sample(moved, count.asked)):
            for one in program.folder.glob("logbook.db*"):
                one.unlink()
            with disk.watched() as watch:
                watch.fail = failing(at, None, bool(at % 2))
                said = program(*words, on=ON)
            assert said.code in (0, 2), said
            if said.code == 2:
                told_plainly(said)
                count.saw["refused in one sentence"] += 1
            if said.code == 2 and "the line IS written" not in said.err:
                program.must(*words, on=ON)
            must_be_sound(program.store)
            program.must("note", "goes on", on=ON)
            count.passed += 1


@pytest.mark.parametrize("reason", [errno.EIO, errno.ENOSPC])
def test_the_key_file_cannot_be_kept_up(
    started: Program, monkeypatch: pytest.MonkeyPatch, reason: int
) -> None:
    """After the commit the act is written, and the sentence says so, whichever call fails."""
    calls = ["open", "fsync", "replace"]
    for at, name in enumerate(calls):
        before = acts_in(started.store)
        with monkeypatch.context() as patched:
            patched.setattr(os, name, _refusing(getattr(os, name), reason))
            said = started("note", f"line {at}", on=ON)
        told_plainly(said)
        assert said.code == 2
        assert said.err.startswith("Error: the line IS written, but this writer's key file")
        assert "do not type the line again" in said.err
        assert len(acts_in(started.store) - before) == 1
        assert not list((started.folder / "state").glob("*.tmp"))
        must_be_sound(started.store)
    assert started.must("note", "goes on", on=ON).err == ""


def _refusing(real: Any, reason: int) -> Any:
    """The system's call, which fails for key files."""

    def call(*args: Any, **more: Any) -> Any:
        name = args[0]
        where = str(Path(f"/proc/self/fd/{name}").resolve() if isinstance(name, int) else name)
        if "writer-" in where or where.endswith("/state"):
            raise OSError(reason, os.strerror(reason), where)
        return real(*args, **more)

    return call
