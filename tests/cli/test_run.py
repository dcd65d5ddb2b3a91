"""How a command ends: a sentence and an exit code whatever happens, the environment as before."""

from __future__ import annotations

import os

import pytest

from logbook.cli import today
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
