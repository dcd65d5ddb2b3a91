"""A disk that is full, a store that may only be read, a store that another program holds."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from logbook.handbook import files
from logbook.store import causes, views
from tests.faults.counting import Counting
from tests.faults.killing import acts_in, must_be_sound, working
from tests.program import Program, Said
from tests.store.test_database import without_rights

pytestmark = pytest.mark.skipif(os.name != "posix", reason="limits and accounts are POSIX's")

ON = "2026-03-05T09:00+01:00"
LIMIT = "LOGBOOK_TEST_LIMIT"


def limit_files() -> None:
    """No file of this process grows beyond the size that the environment says."""
    import resource
    import signal

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    size = int(os.environ[LIMIT])
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def one_sentence(answer: tuple[int, str, str], beginning: str) -> None:
    """Exit code 2, nothing on stdout, a sentence and what to try."""
    code, out, err = answer
    assert (code, out) == (2, "")
    first, second = err.splitlines()
    assert first.startswith(beginning)
    assert second.startswith("Try: ")


def test_the_disk_is_full(started: Program, counting: Counting) -> None:
    how = "RLIMIT_FSIZE a little above the store's size, SIGXFSZ ignored"
    with counting.fault("11", "disk full", how, 3) as count:
        for n in range(count.asked):
            size = started.store.stat().st_size + 4096 * (1 + 2 * n)
            before = acts_in(started.store)
            with working(started.folder, limit_files, **{LIMIT: str(size)}) as worker:
                while True:
                    worker.tell([("note", "x" * 900)], ON)
                    if worker.wait()[-1][0] != 0:
                        break
                one_sentence(worker.answers.pop(), f"Error: {started.store}: disk I/O error")
                acknowledged = set(worker.acts)
                worker.tell([("note", "x" * 900), ("today",), ("history", "B1")], ON)
                refused, board, history = worker.wait(3)[-3:]
            assert (refused[0], board[0], history[0]) == (2, 0, 0), "it can still be read"
            assert acts_in(started.store) - before == acknowledged
            must_be_sound(started.store)
            started.must("note", "there is room again", on=ON)
            count.saw["acts written before it was full"] += len(acknowledged)
            count.passed += 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is Linux's")
@pytest.mark.parametrize(
    "words", [("today",), ("history", "all"), ("note", "written all the same")]
)
def test_what_it_prints_goes_to_a_full_disk(started: Program, words: tuple[str, ...]) -> None:
    """man 4 full: writes to /dev/full fail with ENOSPC."""
    before = acts_in(started.store)
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        said = subprocess.run(
            [sys.executable, "-m", "logbook", *words],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert said.returncode == 2
    assert [line.split(":")[0] for line in said.stderr.splitlines()] == ["Error", "Try"], said
    assert len(acts_in(started.store) - before) == (words[0] == "note")
    assert ("the line IS written" in said.stderr) == (words[0] == "note")


@contextmanager
def only_readable(program: Program, mode: str) -> Iterator[None]:
    """File, folder or both may be read by everybody and written by nobody."""
    opened = [one for one in program.folder.parents if one.stat().st_uid == os.geteuid()]
    for one in opened:
        if one != Path("/"):
            one.chmod(one.stat().st_mode | 0o055)
    (program.folder / "state").chmod(0o755)
    if mode != "folder":
        program.store.chmod(0o444)
    program.folder.chmod(0o755 if mode == "file" else 0o555)
    try:
        with without_rights():
            yield
    finally:
        program.folder.chmod(0o755)
        program.store.chmod(0o644)


@pytest.mark.parametrize("mode", ["file", "folder", "both"])
def test_another_account_reads_and_does_not_write(
    started: Program,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    counting: Counting,
    mode: str,
) -> None:
    out = tmp_path_factory.mktemp("of the other account")
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(out))
    stick, drive = out / "stick", out / "drive"
    stick.mkdir()
    reads = [
        ("today",), ("week",), ("history", "B1"), ("bed", "list"), ("verify",), ("machines",),
        ("conflicts",), ("sync", "places"), ("season", f"{out}/season"),
        ("export", "journal", f"{out}/journal.jsonl"), ("backup", f"{out}/backup.db"),
    ]  # fmt: skip
    writes = [("note", "x"), ("water", "all"), ("undo",), ("sync", str(drive))]
    # An account without rights may not load modules either, more of them once a line is signed.
    for words in [*reads, *writes, ("sync", str(stick)), *reads]:
        started(*words, on=ON)
    shutil.rmtree(out)
    for folder in (out, drive):
        folder.mkdir()
        folder.chmod(0o777)
    monkeypatch.setenv("LOGBOOK_STATE", str(out / "keys"))
    # Nor read the tables that come with the program, where it lies in somebody's home.
    tables = shutil.copytree(Path(files.__file__).parent, out / "handbook")
    monkeypatch.setattr(files, "resources", SimpleNamespace(files=lambda _: tables))
    before = started.store.read_bytes()
    how = "file, folder or both read-only, asked by another account"
    tried = len(reads) + len(writes)
    with (
        counting.fault("12", "read-only store", how, tried, always=True) as count,
        only_readable(started, mode),
    ):
        for words in reads:
            said = started(*words, on=ON)
            assert said.code == 0, (words, said)
            count.passed += 1
            count.saw["answers read"] += 1
        for words in writes:
            said = started(*words, on=ON)
            one_sentence((said.code, said.out, said.err), f"Error: {started.store}: the store")
            count.passed += 1
            count.saw["acts refused in one sentence"] += 1
    assert started.store.read_bytes() == before
    assert list(drive.iterdir()) == []


def test_another_program_holds_the_store(
    started: Program, counting: Counting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wait, then a sentence; the act goes through when the other has ended."""
    for module in (causes, views):
        monkeypatch.setattr(module, "BUSY_MS", 300)
    with counting.fault("14", "lock held", "another program writes and does not end", 10) as count:
        for _ in range(count.asked):
            _held(started, 3)
            count.passed += 1


@pytest.mark.long
def test_another_program_holds_the_store_longer_than_the_wait(
    started: Program, counting: Counting
) -> None:
    how = "held throughout; the wait is the program's own, 5 seconds"
    with counting.fault("14", "lock held", how, 10) as count:
        for _ in range(count.asked):
            waited = _held(started, 6)
            count.saw["seconds waited at most"] = max(count.saw["seconds waited at most"], waited)
            count.passed += 1


def _held(program: Program, most: float) -> int:
    """Try an act while another program writes; whole seconds that it waited."""
    before = acts_in(program.store)
    with closing(sqlite3.connect(program.store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        began = time.monotonic()
        said: Said = program("note", "x", on=ON)
        waited = time.monotonic() - began
        assert program("today", on=ON).code == 0, "a writer keeps no reader out"
        other.execute("ROLLBACK")
    sentence = "another program has been writing to the store for more than 5 seconds"
    one_sentence((said.code, said.out, said.err), f"Error: {program.store}: {sentence}")
    assert waited < most
    assert acts_in(program.store) == before
    program.must("note", "x", on=ON)
    return round(waited)
