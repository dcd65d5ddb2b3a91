"""Curves on a terminal: nothing wider than the window, nothing needs colour or more than ASCII.

No outside source: widths, wording and signs are promises of our own.
"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from logbook.analysis.series import ONE_BED
from logbook.report import marks
from logbook.report.terminal.curves import show_curve
from logbook.study.series import RATE_INTERVAL, Series

sys.path.insert(0, str(Path(__file__).parent))
import made_up

KINDS = (
    made_up.release,
    made_up.below_control,
    made_up.one_bed,
    made_up.censored,
    made_up.empty,
    made_up.one_point,
    made_up.huge,
    made_up.all_censored,
)


class Window(io.TextIOWrapper):
    """A terminal of a chosen encoding."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, newline="")

    def isatty(self) -> bool:
        return True


def shown(series: Series, width: int, capsys: pytest.CaptureFixture[str]) -> str:
    """What is printed when the output is piped."""
    show_curve(series, width)
    return capsys.readouterr().out


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [40, 60, 80, 100])
def test_no_line_is_wider_and_all_is_plain_ascii(
    kind: object, width: int, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(kind(), width, capsys)  # type: ignore[operator]
    assert max(map(len, text.splitlines())) <= width
    assert text.isascii() and "\x1b" not in text


def test_the_table_holds_both_differences_their_intervals_and_the_beds(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown(made_up.release(), 80, capsys).splitlines()
    heading = next(line for line in lines if line.startswith("pull"))
    words = "pull day treated control T - C 95 % range net 95 % range beds"
    assert " ".join(heading.split()) == words
    row = next(line for line in lines if line.startswith("day 14"))
    assert " ".join(row.split()) == (
        "day 14 14 46.7 21.4 +25.3 +21.0 to +29.7 +27.1 +22.8 to +31.3 4+4"
    )
    assert "f = 0.08" in " ".join(" ".join(lines).split())


def test_a_narrow_window_gets_two_tables_with_the_same_numbers(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown(made_up.release(), 60, capsys).splitlines()
    rows = [" ".join(line.split()) for line in lines if line.startswith("day 14")]
    assert rows == ["day 14 14 46.7 21.4 4+4", "day 14 +25.3 +21.0 to +29.7 +27.1 +22.8 to +31.3"]


def test_without_dilution_there_is_no_net_column(capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(made_up.release(dilution=None), 80, capsys)
    assert " net " not in next(line for line in text.splitlines() if line.startswith("pull"))
    assert "o T - C" in text and "(1 - f)" not in text


def test_checks_come_before_numbers_and_the_rate_has_no_interval_yet(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shown(made_up.release(), 100, capsys)
    first = text.index("first order, 9 pulls; checks: no check failed")
    assert first < text.index("rate k 0.0523 per day, half-life 13.3 days")
    assert text.count(RATE_INTERVAL) == 1
    assert "ceiling A +45.2 mg/kg" in text


def test_constants_are_withheld_where_a_check_failed(capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(made_up.one_bed(), 100, capsys)
    assert "ceiling found by extrapolation" in text and "ceiling A not given" in text
    text = shown(made_up.below_control(), 100, capsys)
    assert "rate at its lower bound" in text and "half-life not given" in text


def test_refusals_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    text = " ".join(shown(made_up.censored(), 80, capsys).split())
    assert "first order: not fitted; too few pulls: first order needs 7" in text


def test_notes_and_the_one_bed_wording_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    text = shown(made_up.one_bed(notes=("a made-up note",)), 80, capsys)
    assert ONE_BED in " ".join(text.split())
    assert "note: a made-up note" in text
    assert "day 0 to day 70: one bed" in text and "| 95 %" not in text


def test_censored_ranges_are_bracketed_and_never_called_95(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shown(made_up.censored(), 80, capsys)
    assert "[+5.7 to +7.5]" in text and "[-12.4 or less]" in text and "[+24.5 or more]" in text
    assert "not a 95 % range" in text
    assert "^ this or more" in text and "v this or less" in text


def test_zero_has_no_sign_and_marks_lie_on_their_side_of_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = shown(made_up.below_control(), 80, capsys).splitlines()
    picture = lines[lines.index("net difference, mg/kg") + 1 :]
    zero = next(place for place, line in enumerate(picture) if line.lstrip().startswith("0+"))
    below = sum(line.count("o") for line in picture[zero + 1 : -4])
    above = sum(line[4:].count("o") for line in picture[:zero])
    assert (above, below) == (3, 5), "day 0 stands on the line"


def test_below_60_columns_the_picture_is_left_out_with_a_word(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shown(made_up.release(), 59, capsys)
    assert "(the picture needs 60 columns)" in text and "fitted curve" not in text


@pytest.mark.parametrize(
    ("encoding", "plain", "boxes"),
    [
        ("utf-8", False, True),
        ("utf-8", True, False),
        ("cp1252", False, False),
        ("ascii", False, False),
    ],
)
def test_box_drawing_only_on_a_utf8_terminal(
    encoding: str, plain: bool, boxes: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    window = Window(encoding)
    monkeypatch.setattr(sys, "stdout", window)
    monkeypatch.setenv("NO_COLOR", "1")
    _environment(monkeypatch, {"LANG": "en_GB.UTF-8"})
    given = made_up.renamed(made_up.release(), "T1", "made-up \N{GREEK SMALL LETTER MU} \x1b[31m")
    show_curve(given, 80, plain=plain)
    window.flush()
    text = window.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]
    monkeypatch.undo()
    assert ("\N{BOX DRAWINGS LIGHT VERTICAL}" in text) is boxes
    assert set(re.findall(r"\x1b\[([0-9;]*)m", text)) <= {"0", "1"}, "bold at most, no colour"
    bare = re.sub(r"\x1b\[[0-9;]*m", "", text)
    assert max(map(len, bare.splitlines())) <= 80


def _environment(monkeypatch: pytest.MonkeyPatch, names: dict[str, str]) -> None:
    for name in ("LC_ALL", "LC_CTYPE", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in {"TERM": "xterm", **names}.items():
        monkeypatch.setenv(name, value)


@pytest.mark.parametrize(
    ("names", "boxes"),
    [
        ({}, True),
        ({"LANG": "C.UTF-8"}, True),
        ({"TERM": "dumb", "LANG": "C.UTF-8"}, False),
        ({"LANG": "C"}, False),
        ({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, False),  # as Python changes it by itself, PEP 538
        ({"LANG": "en_GB.UTF-8", "LC_ALL": "POSIX"}, False),
        ({"LANG": "C", "LC_ALL": "en_GB.UTF-8"}, True),
        ({"LANG": "C", "LC_CTYPE": "de_DE.UTF-8"}, True),
    ],
)
def test_a_plain_locale_or_terminal_gets_ascii(
    names: dict[str, str], boxes: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    window = Window("utf-8")
    monkeypatch.setattr(sys, "stdout", window)
    _environment(monkeypatch, names)
    show_curve(made_up.release(), 80)
    window.flush()
    text = window.buffer.getvalue().decode()  # type: ignore[attr-defined]
    monkeypatch.undo()
    assert ("\N{BOX DRAWINGS LIGHT VERTICAL}" in text) is boxes
    assert text.isascii() is not boxes


@pytest.mark.parametrize(
    ("methods", "said"),
    [
        (["welch", "one bed", "none", "bounds"], "between beds (Welch)"),
        (["within-block"], "within blocks"),
        (["welch", "within-block"], "within blocks or between beds (Welch)"),
        (["bounds + welch"], "between beds (Welch); [ ] widened by the reporting limits"),
        (["bounds", "one bed"], ""),
    ],
)
def test_a_range_is_named_after_how_it_was_made(methods: list[str], said: str) -> None:
    assert marks.made(methods) == said


def test_the_key_of_the_table_names_the_range(capsys: pytest.CaptureFixture[str]) -> None:
    show_curve(made_up.release(), 80)
    assert "95 % range: within blocks" in " ".join(capsys.readouterr().out.split())


def test_the_last_day_tick_covers_a_mean_day() -> None:
    assert marks.day_ticks(0.0, 55.5)[-1] == 56
    assert marks.day_ticks(0.0, 56.0)[-1] == 56


def test_numbers_are_read_as_meant() -> None:
    assert marks.signed(-0.04, 1) == "0.0"
    assert marks.signed(12.345, 1) == "+12.3"
    assert marks.signed(-3.0, 0) == "-3"
    assert [marks.digits(n) for n in (0.02137, 33.14, 1213.0, 0.0)] == [
        "0.0214",
        "33.1",
        "1210",
        "0",
    ]
    assert marks.day_text(-0.5) == "0" and marks.day_text(-7.0) == "-7"
    assert marks.value_ticks(-12.0, 33.0) == [-10.0, 0.0, 10.0, 20.0, 30.0]
    assert marks.day_ticks(0.0, 70.0) == [0, 14, 28, 42, 56, 70]
    assert marks.day_ticks(-0.5, 1.0) == [0, 1]


@pytest.mark.parametrize("heavy", ["plotext", "numpy", "matplotlib", "sqlalchemy"])
def test_the_board_loads_no_plotting(heavy: str) -> None:
    code = f"import sys, logbook.report.terminal.board; sys.exit({heavy!r} in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], check=False, env={**os.environ})
    assert done.returncode == 0
