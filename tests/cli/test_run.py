"""How a command ends: a sentence and an exit code whatever happens, the environment as before."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing

import pytest

from logbook.cli import run, today
from logbook.errors import BadData, Problem, UserMistake
from tests.program import Program


def test_a_mistake_of_the_program_is_a_sentence(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise KeyError("bed")

    monkeypatch.setattr(today, "_boards", broken)
    said = started("today")

    assert said.code == 2
    assert said.err == (
        "Error: the program made a mistake: KeyError: 'bed'\n"
        "Try: logbook verify; LOGBOOK_DEBUG=1 before the command shows where\n"
    )
    monkeypatch.setenv("LOGBOOK_DEBUG", "1")
    with pytest.raises(KeyError):
        started("today")


def test_what_comes_of_a_damaged_store_is_no_mistake_of_the_program(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An entry's bytes made text, as by one bit of its row's header; a date made nothing."""
    with closing(sqlite3.connect(started.store)) as store:
        store.execute("DROP TRIGGER entry_no_update")
        store.execute("UPDATE entry SET body = CAST(body AS TEXT) WHERE seq = 2")
        store.commit()
    for words in (("history", "B1"), ("sync", "stick"), ("machines",), ("undo",)):
        said = started(*words)
        assert "the program made a mistake" not in said.err, words

    def broken(*_: object) -> None:
        raise TypeError("fromisoformat: argument must be str")

    monkeypatch.setattr(today, "_boards", broken)
    assert started("today").err == (
        f"Error: {started.store}: the store is damaged\nTry: run: logbook verify\n"
    )


def test_every_copy_names_the_entry_that_is_no_bytes(started: Program) -> None:
    with closing(sqlite3.connect(started.store)) as store:
        store.execute("DROP TRIGGER entry_no_update")
        store.execute("UPDATE entry SET body = CAST(body AS TEXT) WHERE seq = 2")
        ((writer, name),) = store.execute("SELECT writer, id FROM entry WHERE seq = 2")
        store.commit()
    where = f"writer {writer[:8]}, entry 2 ({name[:12]}): "
    for words in (("verify",), ("verify", "--chain"), ("backup", "copy.db")):
        said = started(*words)
        assert said.code == 1
        assert f"{where}its id, writer, number or bytes are stored as something else" in said.out
    said = started("export", "journal", "journal.jsonl")
    assert said.err == (
        f"Error: {where}its bytes do not match its id: it was damaged; no journal was written\n"
        "Try: run: logbook verify\n"
    )
    assert not (started.folder / "journal.jsonl").exists()


@pytest.mark.parametrize(
    ("store", "expected"),
    [
        ("~nosuchuserx/x.db", "Error: ~nosuchuserx/x.db: there is no such home folder\n"),
        ("x" * 300, f"Error: {'x' * 300}: File name too long\n"),
    ],
)
def test_a_store_that_no_path_can_name(program: Program, store: str, expected: str) -> None:
    said = program("--store", store, "today")
    assert said.code == 2
    assert said.err.startswith(expected)


def test_stopped_from_the_keyboard(started: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(today, "_boards", stopped)
    said = started("today")
    assert said.code == 130
    assert said.err == "stopped; logbook history shows what was written before\n"


def test_stopped_where_nothing_was_ever_written(
    program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(today, "_boards", stopped)
    assert (program("today").code, program("today").err) == (130, "stopped\n")
    assert program("--store", "nowhere.db", "today").err == "stopped\n"


@pytest.mark.parametrize(
    ("words", "way"),
    [
        (("today", "--plain"), "logbook --plain today"),
        (("water", "B1", "--by", "olek"), "logbook --by HANDLE water"),
        (("week", "--store", "x.db"), "logbook --store FILE week"),
        (("bed", "list", "--trial", "x"), "logbook --trial NAME bed list"),
        (("machines", "--plain"), "logbook --plain machines list"),
    ],
)
def test_an_option_behind_the_command_is_told_its_place(
    program: Program, words: tuple[str, ...], way: str
) -> None:
    said = program(*words)
    assert said.code == 2
    assert said.err.endswith(f"\nTry: it goes before the command: {way}\n"), said.err
    assert "goes before" not in program("today", "--fast").err


def test_where_there_is_no_logbook_its_path_and_the_first_steps_are_shown(
    program: Program,
) -> None:
    said = program.must("--store", "nowhere/x.db", "today").out
    assert said.startswith("There is no logbook at nowhere/x.db yet. A first step:\n  logbook demo")
    hint = (
        "Error: nowhere/x.db: there is no logbook here yet\n"
        "Try: logbook trial start FILE begins one; logbook join PLACE fetches one that is there "
        "already\n"
    )
    for words in (("water", "B1"), ("history", "B1"), ("lab", "results"), ("bed", "list")):
        assert program("--store", "nowhere/x.db", *words).err == hint


def test_plain_holds_for_one_command_only(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    seen = {}
    kept = today._boards

    def look(*words: object) -> object:
        seen.update(TERM=os.environ.get("TERM"), NO_COLOR=os.environ.get("NO_COLOR"))
        return kept(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(today, "_boards", look)
    started.must("--plain", "today")

    assert seen == {"TERM": "dumb", "NO_COLOR": "1"}
    assert os.environ["TERM"] == "xterm-256color"
    assert "NO_COLOR" not in os.environ


def test_the_nearest_command_is_named(program: Program) -> None:
    assert "Did you mean 'water'?" in program("waterr", "B1").err


@pytest.fixture
def window(monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages go to a window of 40 columns."""
    monkeypatch.setattr(run, "_width", lambda: 40)


@pytest.mark.usefixtures("window")
def test_a_message_is_broken_between_words(capsys: pytest.CaptureFixture[str]) -> None:
    place = "r.csv, row 2, column sample (value 'HJKL-MNP4')"
    what = "this is not a sample code: its check symbol does not fit"
    run.show(BadData("r.csv: nothing was written", [Problem(place, what, "is it HJKLMNP3?")]))
    assert capsys.readouterr().err.splitlines() == [
        "r.csv, row 2, column sample (value",
        "  'HJKL-MNP4'): this is not a sample",
        "  code: its check symbol does not fit;",
        "  is it HJKLMNP3?",
        "Error: r.csv: nothing was written",
    ]


@pytest.mark.usefixtures("window")
def test_a_word_longer_than_the_window_is_whole(capsys: pytest.CaptureFixture[str]) -> None:
    path = "/home/mira/reports-of-the-laboratory/2026-03/fen-114.csv"
    run.show(UserMistake(f"{path}: already there\n\nnot written", f"logbook lab import {path}"))
    assert capsys.readouterr().err.splitlines() == [
        "Error:",
        f"  {path}:",
        "  already there",
        "",
        "not written",
        "Try: logbook lab import",
        f"  {path}",
    ]


def test_what_goes_to_a_file_is_one_line_and_no_escape_passes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    run.show(UserMistake("a name with \x1b[31m in it " + "and so on " * 20))
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("Error: a name with \N{REPLACEMENT CHARACTER}[31m in it and so on")
