"""The daily board as printed: one screen, plain when piped, in colour only where it is seen."""

from __future__ import annotations

import io
import re
import sys
from datetime import date, timedelta

import pytest

from logbook.report.board import Awaited, Board, Task
from logbook.report.terminal.board import show_board

TODAY = date(2026, 3, 28)
ALL = tuple(f"B{number}" for number in range(1, 25))
BOARD = Board(
    trial="Small house (invented)",
    today=TODAY,
    day=14,
    water=(Task("water", "3 L each", ALL[::2], date(2026, 3, 26), 2, "2 d late"),),
    pulls=(
        Task("overdue", "day 7", ("B4",), date(2026, 3, 21), 7, "late, still worth taking"),
        Task("due", "day 14", ALL, TODAY, 0, "open until Sun 29 Mar 2026"),
        Task("coming", "day 28", ALL, date(2026, 4, 11), -14, ""),
        *(Task("missed", f"day {n}", ("B1",), date(2026, 3, 14), 14, "") for n in range(5)),
    ),
    awaited=(Awaited(date(2026, 3, 21), ("JK9ADXQC",), 7),),
    wrong=("results wait for the pull of 1 sample: 4WDCFEEK",),
)
EMPTY = Board("Small house", TODAY, None, (), (), (), ())


def shown(capsys: pytest.CaptureFixture[str], board: Board = BOARD) -> str:
    show_board(board)
    return capsys.readouterr().out


def test_a_board_fits_one_screen_in_plain_ascii(capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(capsys)
    lines = text.splitlines()
    assert text.isascii()
    assert "\x1b" not in text
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines)


def test_every_heading_says_its_state_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    headings = [line.split("  ")[0] for line in shown(capsys).splitlines() if line[0] != " "]
    assert headings == [
        "Small house (invented), day 14, Sat 28 Mar 2026", "Water", "Overdue", "Pull", "Coming",
        "Missed", "Missed", "Missed", "Missed", "Awaited", "Look at",
    ]  # fmt: skip


@pytest.mark.parametrize("width", [40, 60, 120])
def test_a_narrow_window_wraps_under_the_text(
    width: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wide = shown(capsys)
    monkeypatch.setenv("COLUMNS", str(width))
    text = shown(capsys)
    assert max(map(len, text.splitlines())) <= width
    assert text.split() == wide.split()
    assert all(re.match(r"\S| {11}\S", line) for line in text.splitlines())


def test_control_characters_of_data_do_not_reach_the_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    board = Board("\x1b[2Jgone", TODAY, 3, (), (), (), ("bad\x07bell",))
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", shown(capsys, board))


def test_nothing_to_do_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(capsys, EMPTY)
    assert text == "Small house, not applied yet, Sat 28 Mar 2026\nNothing to do today.\n"


def test_beds_that_wait_for_their_application_are_something_to_do(
    capsys: pytest.CaptureFixture[str],
) -> None:
    waits = Task("apply", "", ("B1", "B2", "B3", "B4"), None, None, "filled 4 d ago")
    board = Board("Small house", TODAY, None, (), (), (), (), (waits,))
    text = shown(capsys, board)
    assert text.splitlines()[1:] == ["Apply      B1-B4: filled 4 d ago"]


def test_the_oldest_awaited_results_are_shown_and_the_rest_counted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    days = [TODAY - timedelta(days=ago) for ago in (60, 50, 40, 30, 20)]
    awaited = tuple(Awaited(day, ("A", "B"), (TODAY - day).days) for day in days)
    board = Board("Small house", TODAY, 70, (), (), awaited, ())
    lines = [line for line in shown(capsys, board).splitlines() if line.startswith("Awaited")]
    assert [line.rsplit(" ", 2)[-2] for line in lines[:3]] == ["60", "50", "40"]
    assert lines[3:] == ["Awaited    and 4 more, later (--json lists them)"]
    assert len(board.document()["awaited"]) == 5


class Screen(io.StringIO):
    """A standard output that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def on_screen(monkeypatch: pytest.MonkeyPatch, **environment: str) -> str:
    screen = Screen()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    show_board(BOARD)
    return screen.getvalue()


def test_a_terminal_gets_the_sixteen_colours_and_nothing_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """ECMA-48, Select Graphic Rendition: 1 bold, 30-37 and 90-97 colours, 0 back to normal."""
    plain = shown(capsys)
    text = on_screen(monkeypatch)
    codes = {code for run in re.findall(r"\x1b\[([0-9;]+)m", text) for code in run.split(";")}
    assert codes - {"0", "1"}
    assert codes <= {"0", "1", *map(str, range(30, 38)), *map(str, range(90, 98))}
    assert re.sub(r"\x1b\[[0-9;]+m", "", text) == plain


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=str)
def test_colour_can_be_refused(
    environment: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "\x1b" not in on_screen(monkeypatch, **environment)
