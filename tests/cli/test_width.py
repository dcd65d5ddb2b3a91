"""On a terminal no line that the program says is wider than it: answers, remarks and refusals."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pytest

from logbook.cli.run import run
from tests.cli.test_syncing import ON, Bench, enrolled, two  # noqa: F401
from tests.program import Program
from tests.terminal import captured
from tests.test_upgrade import GOLDEN, unpack

WIDE = 80


def shown(monkeypatch: pytest.MonkeyPatch, *words: str, on: str = ON) -> str:
    """What a command shows on a terminal of 80 columns; no line may hold more."""
    with captured(monkeypatch) as got:
        run(("--plain", *words), now=datetime.fromisoformat(on))
    text = b"".join(got).decode().replace("\r\n", "\n")
    # A path is one word, and may be longer than a line; a counter overwrites itself.
    for line in (line.rpartition("\r")[2] for line in text.splitlines()):
        assert len(line) <= WIDE or " " not in line.strip(), line
    return " ".join(text.split())


def test_a_round_of_exchanges(two: Bench, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: F811
    two.must("office", "sync", two.stick)
    two.must("bench", "join", two.stick, "--yes")
    (two.folder / "gone").mkdir()
    two.must("bench", "sync", "add", "a place in the drawer", str(two.folder / "gone"))
    (two.folder / "gone").rmdir()
    two.sit_at("bench")
    told = shown(monkeypatch, "sync")
    assert "a place in the drawer: not reached: " in told
    assert "what it writes counts on no other one" in told
    two.must("shed", "trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    two.must("shed", "sync", "add", "a stick of the others", two.stick)
    two.sit_at("shed")
    assert "a stick of the others: nothing exchanged: " in shown(monkeypatch, "sync")
    assert "another book lies there, " in shown(monkeypatch, "sync", two.stick)


def test_a_store_that_came_back(enrolled: Bench, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: F811
    kept = str(enrolled.folder / "kept.db")
    enrolled.must("office", "backup", kept)
    enrolled.must("office", "note", "after the backup")
    enrolled.must("office", "sync", enrolled.stick)
    told = shown(monkeypatch, "restore", kept, "--yes")
    assert "until then logbook today may ask for pulls that were taken already" in told
    assert "Note: this store " in shown(monkeypatch, "note", "on we go")
    enrolled.sit_at("laptop")
    assert "No key of this book's machines is here" in shown(monkeypatch, "restore", kept)


def test_lines_of_its_own_that_came_from_elsewhere(
    enrolled: Bench,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for one in ("bench", "bench-keys"):
        shutil.copytree(enrolled.folder / one, enrolled.folder / "copy" / one)
    enrolled.must("bench", "note", "before the disk failed")
    enrolled.must("bench", "sync", enrolled.stick)
    for one in ("bench", "bench-keys"):
        shutil.rmtree(enrolled.folder / one)
        shutil.copytree(enrolled.folder / "copy" / one, enrolled.folder / one)
    enrolled.must("bench", "sync", enrolled.stick)
    told = shown(monkeypatch, "note", "on we go")
    assert "Note: lines of this machine's writer came from elsewhere" in told


def test_what_a_person_is_told_beside_an_act(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = shown(monkeypatch, "apply", "M", "--amount", "9 kg")
    assert "Note: planned for " in told
    told = shown(monkeypatch, "water", "all", "--amount", "900 mL")
    assert "Note: " in told
    early = shown(monkeypatch, "water", "all", "--when", "2026-02-20", "--amount", "250 mL")
    assert "this is before it." in early


def test_a_store_of_an_older_release(
    program: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unpack(GOLDEN[0], program.store)
    assert "was upgraded from schema " in shown(monkeypatch, "today")
