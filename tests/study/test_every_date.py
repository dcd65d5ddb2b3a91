"""All dates at once: which dates are shared, what a random bed leaves, what is said of turns."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logbook.analysis.beds import Observation
from logbook.analysis.repeated import WHOLE
from logbook.analysis.series import differences
from logbook.report.documents_compared import family_document
from logbook.report.every_date import turning
from logbook.report.tested import families as families_of
from logbook.study.every_date import TOO_FEW, EveryDate, Nutrient, nutrient_of
from logbook.study.series import Row, Series
from logbook.study.tested import Families, kind_of
from tests.one_date import DAY0, pulled, report
from tests.program import Program
from tests.report.made_up_date import line

Values = dict[str, dict[float, float | None]]


def series(code: str, treated: Values, control: Values, analyte: str = "P") -> Series:
    """A made-up series of one treatment: beds by label, a value (None below 2) for each day."""
    days = sorted({day for beds in (treated, control) for bed in beds.values() for day in bed})
    rows = []
    for day in days:
        found = [
            Observation(day, bed, None, side, v[day], *((None, None) if v[day] else (0.0, 2.0)))
            for side, beds in ((True, treated), (False, control))
            for bed, v in beds.items()
            if day in v
        ]
        rows.append(Row(f"day {day:g}", None, None, differences(found, None)[0], tuple(found)))
    start = line(analyte, (1.0, 2.0), (1.0, 2.0), treatment=code).series
    return replace(start, rows=tuple(rows))


def beds(name: str, levels: dict[float, float], seed: int, count: int = 4) -> Values:
    """Invented beds that differ among themselves by a tenth, and by a twentieth within."""
    rng = np.random.default_rng(seed)
    lifts = rng.normal(1.0, 0.1, count)
    return {
        f"{name}{n}": {day: float(v * lift * rng.normal(1.0, 0.05)) for day, v in levels.items()}
        for n, lift in enumerate(lifts)
    }


FLAT = {0.0: 20.0, 14.0: 20.0, 28.0: 20.0}
CONTROL = beds("c", FLAT, 1)


def nutrient(
    *found: Series, limit: float | None = None, endpoint: tuple[str, str] = ("", "")
) -> Nutrient:
    return nutrient_of(found, limit, {one.treatment for one in found}, endpoint)


def test_means_over_the_dates_have_the_spread_between_beds() -> None:
    found = nutrient(
        series("A", beds("a", {0.0: 40.0, 14.0: 40.0, 28.0: 40.0}, 2), CONTROL),
        series("B", beds("b", FLAT, 3), CONTROL),
    )
    assert found.season is not None and found.season.why == WHOLE
    assert found.dates == ("day 0", "day 14", "day 28")
    assert found.season.means.df == 3 * 3  # beds less treatments, however many the dates
    first, second = found.lines
    assert (first.finding, second.finding) == ("more", "no difference shown")
    assert first.sentence.startswith("more than the control: ") and "times (" in first.sentence


def test_a_difference_that_turns_is_told() -> None:
    turns = {0.0: 10.0, 14.0: 20.0, 28.0: 40.0}
    found = nutrient(
        series("A", beds("a", turns, 2), CONTROL), series("B", beds("b", FLAT, 3), CONTROL)
    )
    assert found.season is not None and found.season.interaction is not None
    assert found.season.interaction.p < 0.001
    (said,) = turning(EveryDate("trial", True, "P", 28, (found,), False))
    assert said == (
        "P, A: below the control on day 0; above the control on day 28: the mean over the dates "
        "hides this"
    )


def test_a_date_is_judged_among_all_dates_and_treatments() -> None:
    # 27 stands out on its date by itself (p 0.044), and not among six tests.
    turns = {0.0: 8.0, 14.0: 20.0, 28.0: 27.0}
    found = nutrient(
        series("A", beds("a", turns, 2), CONTROL), series("B", beds("b", FLAT, 3), CONTROL)
    )
    (line, _) = found.lines
    tests = dict(line.on_dates)
    last = tests["day 28"]
    assert last.p is not None and last.p_exploratory is not None and last.tests == 6
    assert last.p <= 0.05 < last.p_exploratory and last.perhaps and last.side == 1
    (said,) = turning(EveryDate("trial", True, "P", 28, (found,), False))
    assert said == (
        "P, A: below the control on day 0; perhaps above the control on day 28: the mean over the "
        "dates may hide this"
    )
    # The difference declared beforehand is judged by its date alone.
    named = nutrient(
        series("A", beds("a", turns, 2), CONTROL),
        series("B", beds("b", FLAT, 3), CONTROL),
        endpoint=("P", "day 28"),
    )
    assert dict(named.lines[0].on_dates)["day 28"].p_exploratory is None
    assert not dict(named.lines[0].on_dates)["day 28"].perhaps


def test_what_is_shown_on_no_date_is_not_said_to_turn() -> None:
    found = nutrient(
        series("A", beds("a", FLAT, 2), CONTROL), series("B", beds("b", FLAT, 3), CONTROL)
    )
    assert list(turning(EveryDate("trial", True, "P", 28, (found,), False))) == []


def test_a_late_joiner_stands_outside_and_is_named() -> None:
    late = {0.0: 20.0}
    found = nutrient(
        series("A", beds("a", FLAT, 2), CONTROL), series("L", beds("l", late, 4), CONTROL)
    )
    assert found.dates == ("day 0", "day 14", "day 28")
    assert found.outside == ("L has 1 of 3 dates: stands outside the means over the dates",)
    assert found.lines[1].finding == "cannot say: few dates"


def test_a_treatment_with_controls_of_its_own_stands_outside() -> None:
    own = beds("k", FLAT, 7)
    found = nutrient(
        series("A", beds("a", FLAT, 2), CONTROL),
        series("B", beds("b", FLAT, 3), CONTROL),
        series("L", beds("l", FLAT, 4), own),
    )
    assert found.outside == (
        "L has control beds of its own: stands outside the means over the dates",
    )
    assert found.season is not None
    assert [line.treatment for line in found.season.means.lines] == ["A", "B"]


def test_the_json_says_which_treatments_share_their_controls() -> None:
    own = beds("k", FLAT, 7)
    found = [
        series("A", beds("a", FLAT, 2), CONTROL),
        series("B", beds("b", FLAT, 3), CONTROL),
        series("L", beds("l", FLAT, 4), own),
    ]
    families = Families(found, {kind_of(found[0]): None})
    lines = []
    for one in found:
        test = families.of(one, one.rows[2], declared=False, endpoint=("", ""))
        start = line("P", (1.0, 2.0), (1.0, 2.0), treatment=one.treatment)
        lines.append(replace(start, test=test))
    told = [family_document(one.test.family)["family_treatments"] for one in lines if one.test]
    assert told == [["A", "B"], ["A", "B"], ["L"]]
    (said,) = families_of(lines)
    assert said == (
        "P: not all share their control beds, so each of these is tested apart: A, B; L"
    )
    assert families_of(lines[:2]) == []


def test_a_date_that_one_treatment_lacks_is_left_out_for_all() -> None:
    short = {0.0: 20.0, 28.0: 20.0}
    found = nutrient(
        series("A", beds("a", FLAT, 2), CONTROL), series("B", beds("b", short, 4), CONTROL)
    )
    assert found.dates == ("day 0", "day 28")
    assert found.outside == ("not of every treatment, so left out: day 14",)


def test_results_beyond_a_limit_and_sown_dates_do_not_count() -> None:
    one = series("A", beds("a", FLAT, 2), CONTROL)
    sown = replace(one, rows=(*one.rows[:2], replace(one.rows[2], planted=("a0",))))
    assert nutrient(sown).dates == ("day 0", "day 14")
    low = beds("a", FLAT, 2)
    low["a1"] = {**low["a1"], 14.0: None}
    assert nutrient(series("A", low, CONTROL)).dates == ("day 0", "day 28")


def test_pulls_before_application_do_not_count() -> None:
    early = {-1.0: 20.0, **FLAT}
    found = nutrient(series("A", beds("a", early, 2), beds("c", early, 1)))
    assert "day -1" not in found.dates and len(found.dates) == 3


def test_one_date_is_no_season() -> None:
    found = nutrient(series("A", beds("a", {7.0: 3.0}, 2), beds("c", {7.0: 3.0}, 1)))
    assert (found.season, found.reason) == (None, TOO_FEW)
    assert found.lines[0].finding == "cannot say: few dates"


def test_one_bed_of_each_has_no_test() -> None:
    found = nutrient(series("A", beds("a", FLAT, 2, count=1), beds("c", FLAT, 1, count=1)))
    assert found.season is not None and found.season.method == "none"
    assert found.lines[0].finding == "cannot say: one bed"
    assert "no test is reported" in found.lines[0].sentence


def test_ph_is_compared_by_differences() -> None:
    levels = {0.0: 6.0, 28.0: 6.0}
    found = nutrient(series("A", beds("a", levels, 2), beds("c", levels, 1), "pH"))
    assert found.season is not None and found.season.means.scale == "difference"


def test_the_area_by_hand_and_of_the_declared_nutrient_only() -> None:
    # T - C of the two beds: 10 and 12 on day 0, 20 and 22 on day 10; 16 a day over ten days.
    treated: Values = {"a0": {0.0: 30.0, 10.0: 40.0}, "a1": {0.0: 32.0, 10.0: 42.0}}
    control: Values = {"c0": {0.0: 20.0, 10.0: 20.0}, "c1": {0.0: 20.0, 10.0: 20.0}}
    one = series("A", treated, control)
    area = nutrient(one, endpoint=("P", "day 10")).lines[0].area
    # Areas of the treated beds 350 and 370, of the control 200: se sqrt(200 / 2), 1 df.
    assert area is not None and area.value == pytest.approx(160.0)
    assert area.high == pytest.approx(160.0 + 12.7062 * 10.0, abs=1e-2)
    assert nutrient(one).lines[0].area is None


PULLS = {"day 7": "2026-03-09T09:00+01:00", "day 28": "2026-03-30T09:00+02:00"}
# Invented: B1, B5 control, B2, B6 meal, B3, B4 compost; the meal turns from less to more.
P = {
    "day 7": {"B1": 20, "B2": 11, "B3": 21, "B4": 22, "B5": 22, "B6": 12},
    "day 28": {"B1": 21, "B2": 44, "B3": 20, "B4": 24, "B5": 23, "B6": 47},
}


def season(program: Program, *, without: tuple[str, str] = ("", "")) -> Program:
    """Two dates of P of all beds, one bed-date left out."""
    program.must("apply", "all", on=DAY0)
    for number, (name, on) in enumerate(PULLS.items(), 1):
        codes = pulled(program, "all", on)
        rows = [
            (codes[bed], "P", str(value), "mg/kg", "Olsen")
            for bed, value in P[name].items()
            if (name, bed) != without
        ]
        report(program, rows, str(number))
    return program


def document(program: Program, *words: str) -> dict[str, Any]:
    found = json.loads(program.must("compare", "--all-dates", *words, "--json").out)
    assert found["format"] == 1
    return found["every_date"]  # type: ignore[no-any-return]


class TestThroughTheProgram:
    def test_blocks_are_taken_out_of_the_means(self, started: Program) -> None:
        (one,) = document(season(started))["nutrients"]
        assert (one["nutrient"], one["dates"]) == ("P", ["day 7", "day 28"])
        assert (one["variance_method"], one["df_between_beds"]) == ("closed form", 2)
        assert one["family"]["scale"] == "ratio" and one["family"]["blocks_taken_out"] is True
        meal = next(line for line in one["treatments"] if line["treatment"] == "M")
        logs = {
            bed: np.mean([np.log(P[date][bed]) for date in P]) for bed in ("B1", "B2", "B5", "B6")
        }
        ratio = np.exp((logs["B2"] + logs["B6"] - logs["B1"] - logs["B5"]) / 2)
        assert meal["mean_over_dates"]["estimate"] == pytest.approx(ratio)
        assert [line["pull"] for line in meal["on_dates"]] == ["day 7", "day 28"]
        assert one["treatment_by_date"]["df"] == 2
        assert meal["area"] is None  # P is not the declared nutrient

    def test_a_single_date_reads_as_where_it_is_compared_alone(self, started: Program) -> None:
        (one,) = document(season(started))["nutrients"]
        for code in ("C10", "M"):
            mine = next(line for line in one["treatments"] if line["treatment"] == code)
            for date in mine["on_dates"]:
                alone = json.loads(started.must("compare", date["pull"], "--json").out)
                found = next(
                    line["test"]
                    for line in alone["comparison"]["differences"]
                    if line["treatment"] == code and line["nutrient"] == "P"
                )
                for name in ("finding", "adjusted_p", "exploratory_p", "exploratory_tests"):
                    assert date[name] == found[name]

    def test_a_missing_bed_date_is_said(self, started: Program) -> None:
        (one,) = document(season(started, without=("day 7", "B3")))["nutrients"]
        assert "1 of 12 bed-dates are missing" in one["variance_why"]

    def test_what_is_shown_changes_no_number(self, started: Program) -> None:
        season(started)
        (whole,) = document(started)["nutrients"]
        (alone,) = document(started, "--treatment", "M")["nutrients"]
        assert [line["treatment"] for line in alone["treatments"]] == ["M"]
        assert alone["treatments"][0] == whole["treatments"][1]

    def test_the_screen_holds_to_eighty_columns(self, started: Program) -> None:
        said = season(started).must("compare", "--all-dates").out
        assert max(map(len, said.splitlines())) <= 80 and said.isascii()
        words = " ".join(said.split())
        assert "M (meal) nutrient dates T to C together p finding P 2 x 1.06 " in words
        assert "P, M: below the control on day 7; above the control on day 28: the mean" in words
        assert "by Holm over every date and treatment of the nutrient" in words
        assert "all of it is exploratory: declared beforehand was mineral-N on day 28" in words

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (("day 7",), "'day 7' is one date: leave it out with --all-dates"),
            (("--svg", "a.svg"), "--svg and --png draw one date: leave it out with --all-dates"),
            (("--treatment", "Z"), "there is no treatment 'Z' to compare with the control"),
        ],
    )
    def test_wrong_use(self, started: Program, words: tuple[str, ...], said: str) -> None:
        season(started)
        found = started("compare", "--all-dates", *words)
        assert (found.code, found.out) == (2, "") and found.err.startswith(f"Error: {said}")

    def test_without_results_it_says_how_they_come(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        found = started("compare", "--all-dates")
        assert (found.code, found.out) == (2, "")
        assert found.err == (
            "Error: no pull has a result of a treated bed yet\n"
            "Try: logbook lab import FILE brings results in\n"
        )
