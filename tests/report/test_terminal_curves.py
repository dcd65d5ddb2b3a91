"""Curves on a terminal: nothing wider than the window, nothing needs colour or more than ASCII.

No outside source: widths, wording and signs are promises of our own.
"""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from logbook.analysis.intervals import LINE_FITS, MISFIT, STEP_FITS, Interval
from logbook.analysis.series import ONE_BED
from logbook.report import marks, ranges
from logbook.report.constants import Asked
from logbook.report.terminal.curves import show_curve
from logbook.study.fitted import Declared
from logbook.study.losses import CANNOT_TELL, Loss, Losses
from logbook.study.series import Series

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


def test_nothing_is_called_net_or_released_that_is_not_corrected(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shown(made_up.release(dilution=None), 80, capsys)
    assert not re.search(r"\b(net|released)\b", text)
    assert "difference from control (T - C): T1" in words(text)
    assert "T - C on day 70, the last pull: " in text
    assert "\ndifference from control (T - C), mg/kg\n" in text
    assert "change by day 70, since day 0: " in text


def words(text: str) -> str:
    """The text on one line, however it was wrapped."""
    return " ".join(text.split())


def test_checks_come_before_numbers_and_every_constant_has_its_range(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.release(), 80, capsys))
    told = (
        "curve: first order over 70 days, 9 pulls checks: no check failed start D0 +3.20 mg/kg, "
        "fitted ceiling A of first order over 70 days: +45.2 mg/kg (+43.0 to +47.6) "
        "above the start "
        "rate k 0.0523 per day ("
    )
    assert told in text
    assert "net on day 70, the last pull: +46.9 mg/kg (+40.2 to +53.5)" in text
    assert "released by day 70, since day 0: +43.7 mg/kg (+39.4 to +48.0)" in text
    assert "area above control (AUC), day 0 to 70: +2532 mg/kg x days (+2471 to +2592)" in text
    assert "( ) 95 % range between beds, within blocks" in text
    assert "errors: beds differ by a CV of 5.5 % (27 df); shapes judged by chi2 + 2p" in text
    assert "below control: not shown, by a bound that holds for all 9 pulls at once" in text


def test_the_net_on_the_last_day_is_the_row_of_the_table(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = shown(made_up.release(), 80, capsys)
    row = words(next(line for line in text.splitlines() if line.startswith("day 70")))
    assert row.endswith("+46.9 +40.2 to +53.5 4+4")


def test_days_asked_for_and_named_beforehand_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    asked = Asked((10.5, 80.0), (28.0, "the planting day"))
    show_curve(made_up.release(), 80, asked=asked)
    text = words(capsys.readouterr().out)
    # Halfway between the pulls of days 7 and 14: (+16.26 + 27.06) / 2 of their rows.
    assert "net on day 28, the planting day: +38.0 mg/kg (+31.9 to +44.1)" in text
    assert "net on day 10.5, on the straight line between pulls: +21.7 mg/kg (" in text
    assert "net on day 80: day 80 is outside the pulls (day 0 to day 70)" in text


def test_the_words_of_an_open_end(capsys: pytest.CaptureFixture[str]) -> None:
    open_above = Interval(0.12, 0.09, None, "bed scores, welch", "", STEP_FITS, 3.0)
    assert ranges.worded(open_above, "per day", signed=False) == (
        "0.120 per day (at least 0.090; no upper limit: a step before the first pull fits as well)"
    )
    open_below = Interval(44.0, None, 60.0, "bed scores, welch", LINE_FITS, "", 3.0)
    assert ranges.worded(open_below, "mg/kg", signed=True) == (
        "+44.0 mg/kg (at most +60.0; no lower limit: a straight line fits as well)"
    )
    nothing = Interval(None, None, None, "none", MISFIT, MISFIT, None)
    assert ranges.worded(nothing, "per day", signed=False) == f"not given: {MISFIT}"
    limit = Interval(None, 0.9, None, "bed scores, welch", "", STEP_FITS, 3.0)
    assert ranges.worded(limit, "per day", signed=False) == (
        f"at least 0.900; no upper limit: {STEP_FITS} per day"
    )


def test_constants_are_withheld_where_rates_are_not_told_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.below_control(), 80, capsys))
    assert "curve: two phases over 70 days (below control, then recovery), 9 pulls" in text
    assert "its constants are not given" in text
    assert "A1" not in text and "k1" not in text and "ceiling" not in text
    assert "draw-down" not in text


def test_mineral_n_below_control_is_told_with_depth_bracket_and_level(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.below_control(), 80, capsys))
    assert (
        "below control: shown on days 3, 7, 14 and 21, by a bound that holds for all 9 pulls at "
        "once deepest on day 14: 13.2 mg/kg below (11.2 to 15.2) "
        "by the means: below on day 28, level or above on day 42 "
        "level with control again: day 31 (27 to 33)"
    ) in text
    text = words(shown(made_up.below_control(still=True), 80, capsys))
    assert "by the means: below on day 28, the last pull" in text
    assert "level with control again: not shown by day 28" in text
    assert "below control" not in shown(made_up.release(analyte="P"), 80, capsys)


def test_what_was_lost_is_said_of_the_release_and_of_what_is_below(
    capsys: pytest.CaptureFixture[str],
) -> None:
    wet = Loss("drained", "T2", False, 5, 5, "T2 drained on day 5: nitrate goes with the water")
    both = Loss("drained", "C2", True, 5, 5, "C2 flooded on day 5: nitrate goes with the water")
    lost = Asked(losses=Losses(drained=(wet,)))
    show_curve(made_up.below_control(), 80, asked=lost)
    text = words(capsys.readouterr().out)
    assert f"{CANNOT_TELL} (T2 drained on day 5: nitrate goes with the water)" in text
    assert "losses: at least so much: T2 drained on day 5" in text
    show_curve(made_up.below_control(), 80, asked=Asked(losses=Losses()))
    text = words(capsys.readouterr().out)
    assert "level with control again: day 31 (27 to 33) tied up" in text
    assert "losses" not in text
    show_curve(made_up.release(), 80, asked=Asked(losses=Losses(drained=(wet, both))))
    text = words(capsys.readouterr().out)
    assert "losses: the release shown may be too high or too low: C2 flooded" in text
    assert "tied up" not in text, "nothing is shown below the control"


def test_a_rise_still_going_on_gets_the_zero_order_rate_and_no_ceiling(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.rising(0.006, 300.0), 80, capsys))
    assert "curve: first order over 42 days, 8 pulls" in text
    assert "ceiling not reached" in text
    assert "zero-order rate a +1.57 mg/kg per day (+1.52 to +1.63)" in text
    assert "ceiling A" not in text and "half-life" not in text and "rate k" not in text


def test_a_ceiling_by_extrapolation_has_an_open_end_in_words(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.rising(0.008, 200.0), 80, capsys))
    assert "ceiling found by extrapolation" in text
    assert re.search(
        r"ceiling A of first order over 42 days: \+\d+ mg/kg \(at least \+\d+; no upper limit: "
        "ceiling not reached: a curve that never levels off fits as well",
        text,
    ), text
    assert re.search(r"rate k [0-9.]+ per day \(at most [0-9.]+; no lower limit: a straight", text)


def test_a_rise_over_before_the_first_pull_gets_a_lower_limit_of_the_rate(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.at_once(), 80, capsys))
    assert "ceiling A of first order over 56 days: +2" in text
    assert re.search(r"rate k at least [0-9.]+; no upper limit", text), text
    assert "half-life" not in text


def test_every_shape_is_listed_with_why(capsys: pytest.CaptureFixture[str]) -> None:
    show_curve(made_up.release(), 80, every=True)
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    text = words(out)
    for shape in ("zero order", "first order", "first order with a lag", "Gompertz", "two phases"):
        assert f"{shape} " in text
    assert "first order 3 7.4 chosen: the least chi2 + 2p" in text
    show_curve(made_up.release(), 80)
    assert "Gompertz" not in capsys.readouterr().out, "calm where not asked"


def test_an_extractant_s_change_is_descriptive_and_never_released(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.release(analyte="P"), 80, capsys))
    assert "curve: first order over 70 days, descriptive only, 9 pulls" in text
    assert "change by day 70, since day 0: +43.7" in text
    assert "released" not in text


def test_a_series_without_a_shape_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    text = words(shown(made_up.censored(), 80, capsys))
    assert "no curve: no shape can be fitted: too few pulls: zero order needs 4" in text
    text = words(shown(made_up.one_point(), 80, capsys))
    assert "no curve: no shape can be fitted: all values are from one day" in text
    text = words(shown(made_up.huge(), 80, capsys))
    assert "no curve: zero order misses its pulls by more than their errors allow" in text
    assert "rate a" not in text, "what misses its pulls has no constants"


def test_what_has_no_curve_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    acidity = replace(made_up.release(analyte="pH"), fits=(), fitted=None)
    show_curve(acidity, 80, every=True, asked=Asked((10.0,)))
    text = words(capsys.readouterr().out)
    assert "no curve is fitted to pH: differences only" in text
    assert "every shape" not in text and "net on day" not in text


def test_one_bed_has_ranges_of_these_two_beds_only_and_no_test(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = words(shown(made_up.one_bed(), 80, capsys))
    assert "net on day 70, the last pull: +28.74 mg/kg (no range)" in text
    assert "below control: cannot be shown with one bed on a side" in text
    text = words(shown(made_up.one_bed(declared=Declared(0.08)), 80, capsys))
    assert (
        "95 % range from the laboratory's declared CV; these two beds only: laboratory and "
        "within-bed error, not the amendment"
    ) in text
    assert "between beds" not in text


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


def test_one_number_far_from_all_others_takes_no_decimals_from_them() -> None:
    treated = {0.0: 21.3, 7.0: 30.4, 14.0: 45.6, 28.0: 660.0}
    control = dict.fromkeys(treated, 20.0)
    assert marks.places(made_up.series(made_up.both(treated, control), dilution=None)) == 1
    usual = {day: 220.0 + day for day in treated}
    assert marks.places(made_up.series(made_up.both(usual, control), dilution=None)) == 0
