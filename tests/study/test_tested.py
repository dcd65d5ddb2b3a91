"""Families of one date: who belongs to them, on which scale, and what their p values count."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from logbook.analysis.beds import Observation
from logbook.analysis.series import differences
from logbook.analysis.several import Measured, compared, holm
from logbook.study import tested
from logbook.study.series import Row
from tests.one_date import DAY0, DAY7, DAY28, day28, pulled, report
from tests.program import Program


def row(treated: dict[str, Any], control: dict[str, Any], day: float = 28.0) -> Row:
    """One pull of one treatment; beds by "label/block", None a result below 2."""
    found = [
        Observation(
            day,
            bed.partition("/")[0],
            bed.partition("/")[2] or None,
            side,
            value,
            *((None, None) if value is not None else (0.0, 2.0)),
        )
        for side, beds in ((True, treated), (False, control))
        for bed, value in beds.items()
    ]
    return Row(f"day {day:g}", None, None, differences(found, None)[0], tuple(found))


CONTROL = {"c1": 20.0, "c2": 22.0, "c3": 21.0}
A = {"a1": 40.0, "a2": 43.0, "a3": 41.0}
B = {"b1": 20.5, "b2": 23.0, "b3": 19.0}


def test_one_control_serves_all_and_counts_once() -> None:
    family, note = tested.family_of({"A": row(A, CONTROL), "B": row(B, CONTROL)}, None, "P")
    assert (family.method, family.scale, family.df, note) == ("dunnett", "ratio", 6.0, "")
    assert family.control_beds == 3
    peer = compared(
        [
            Measured(bed, None, code, value)
            for code, beds in (("", CONTROL), ("A", A), ("B", B))
            for bed, value in beds.items()
        ],
        "",
        logs=True,
    )
    assert family == peer


def test_near_the_limit_and_for_ph_the_scale_is_the_differences() -> None:
    rows = {"A": row(A, CONTROL), "B": row(B, CONTROL)}
    assert tested.family_of(rows, 3.0, "P")[0].scale == "ratio"
    assert tested.family_of(rows, 4.0, "P")[0].scale == "difference"  # 19 lies below 5 x 4
    assert tested.family_of(rows, None, "pH")[0].scale == "difference"
    assert tested.family_of(rows, None, "EC")[0].scale == "ratio"
    none = {"A": row({**A, "a4": 0.0}, CONTROL)}
    assert tested.family_of(none, None, "P")[0].scale == "difference"


def test_ph_means_are_arithmetic() -> None:
    # Common practice for soils, whose colloids buffer: pH as measured is averaged (Conyers 2026,
    # Eur. J. Soil Sci., has the reasons); 4.5, 5.5, 6.5, 7.5 give 6.00 and not 5.06.
    acid = {"t1": 4.5, "t2": 5.5, "t3": 6.5, "t4": 7.5}
    family, _ = tested.family_of({"A": row(acid, {"c1": 5.0, "c2": 5.2})}, None, "pH")
    assert family.lines[0].estimate == pytest.approx(6.0 - 5.1)


def test_a_treatment_beyond_its_limit_stands_outside_the_family() -> None:
    low = {"l1": 30.0, "l2": None, "l3": 31.0}
    family, _ = tested.family_of({"A": row(A, CONTROL), "L": row(low, CONTROL)}, None, "P")
    assert family.method == "dunnett"
    line = next(one for one in family.lines if one.treatment == "L")
    assert (line.p, line.estimate, line.reason) == (None, None, tested.BEYOND)
    only, _ = tested.family_of({"A": row(A, CONTROL)}, None, "P")
    assert family.lines[0] == only.lines[0]


def test_a_control_beyond_its_limit_leaves_no_test() -> None:
    family, _ = tested.family_of({"A": row(A, {**CONTROL, "c4": None})}, None, "P")
    assert (family.method, family.why) == ("none", tested.CONTROL_BEYOND)
    assert family.lines[0].reason == tested.CONTROL_BEYOND


def test_no_control_and_single_beds_have_no_test() -> None:
    family, _ = tested.family_of({"A": row(A, {})}, None, "P")
    assert family.method == "none" and "no control bed" in family.why
    family, _ = tested.family_of({"A": row({"a": 6.35}, {"c": 6.4})}, None, "pH")
    assert family.method == "none" and family.lines[0].p is None
    assert tested.words_of(_series(), family, family.lines[0], None, 0) == ("", "")


def test_a_control_pulled_on_two_days_counts_with_its_mean() -> None:
    other = {**CONTROL, "c1": 26.0}
    rows = {"A": row(A, CONTROL), "B": row(B, other)}
    family, note = tested.family_of(rows, None, "pH")
    assert note == tested.SEVERAL_DAYS
    mean = (23.0 + 22.0 + 21.0) / 3
    assert family.lines[0].estimate == pytest.approx(np.mean(list(A.values())) - mean)


def test_a_late_joiner_with_controls_of_its_own_is_no_member() -> None:
    late = {"l1": 60.0, "l2": 61.0}
    own = {"k1": 50.0, "k2": 51.0}
    rows = {"A": row(A, CONTROL), "L": row(late, own), "B": row(B, {"c3": 21.0, "c9": 20.0})}
    groups = tested.sharing_controls(rows)
    assert [sorted(one) for one in groups] == [["L"], ["A", "B"]]


def _series() -> Any:
    from tests.report.made_up_date import line

    return line("P", (30.0, 31.0), (12.0, 13.0)).series


class TestWords:
    def words(self, p: float | None, p_dates: float | None = None, **ends: float) -> Any:
        rows = {"A": row(A, CONTROL)}
        family, _ = tested.family_of(rows, None, "P")
        from dataclasses import replace

        one = replace(family.lines[0], p=p, **ends)
        return tested.words_of(_series(), family, one, p_dates, 9)

    def test_more_with_its_range(self) -> None:
        finding, sentence = self.words(0.01, estimate=1.96, low=1.5, high=2.56)
        assert finding == "more"
        assert sentence == "more than the control: 1.96 times (1.5 to 2.56)"

    def test_less(self) -> None:
        assert self.words(0.01, estimate=0.8, low=0.7, high=0.9)[0] == "less"

    def test_no_difference_is_not_the_same(self) -> None:
        finding, sentence = self.words(0.3, estimate=1.1, low=0.9, high=1.3)
        assert finding == "no difference shown"
        assert sentence == "no difference shown: anything from 0.9 to 1.3 times the control fits"

    def test_one_of_many_dates_is_a_perhaps(self) -> None:
        finding, sentence = self.words(0.02, 0.18, estimate=1.96, low=1.5, high=2.56)
        assert finding == "perhaps more"
        assert sentence.endswith("; not beyond chance among 9 tests of P (p 0.18)")
        assert self.words(0.02, 0.04, estimate=1.96, low=1.5, high=2.56)[0] == "more"


def test_p_as_text() -> None:
    said = [tested.p_text(p) for p in (1e-9, 0.0186, 0.05, 0.189, 0.999)]
    assert said == ["<0.001", "0.019", "0.050", "0.19", ">0.99"]


def document(program: Program, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(program.must("compare", *words, "--json").out)
    return found["comparison"]  # type: ignore[no-any-return]


def line(found: dict[str, Any], treatment: str, nutrient: str) -> dict[str, Any]:
    return next(
        one
        for one in found["differences"]
        if (one["treatment"], one["nutrient"]) == (treatment, nutrient)
    )


class TestThroughTheProgram:
    def test_blocks_are_taken_out_by_hand(self, started: Program) -> None:
        # Logs of mineral N in two blocks: control 21, 24; M 42, 47; C10 19, 23. With treatments a
        # and blocks b the error is what the additive fit leaves, on 6 - 1 - 1 - 2 = 2 df.
        logs = np.log([[21.0, 24.0], [42.0, 47.0], [19.0, 23.0]])
        left = logs - logs.mean(1, keepdims=True) - logs.mean(0) + logs.mean()
        one = line(document(day28(started)), "M", "mineral-N")["test"]
        assert (one["family_method"], one["scale"], one["error_df"]) == ("dunnett", "ratio", 2)
        assert one["blocks_taken_out"] is True and one["family_control_beds"] == 2
        assert one["error_mean_square"] == pytest.approx((left**2).sum() / 2)
        value = logs[1].mean() - logs[0].mean()
        assert one["estimate"] == pytest.approx(math.exp(value))
        assert one["t"] == pytest.approx(value / math.sqrt((left**2).sum() / 2))
        reach = one["critical_value"] * math.sqrt((left**2).sum() / 2)
        assert one["simultaneous_low"] == pytest.approx(math.exp(value - reach))
        assert one["finding"] == "more" and one["adjusted_p"] > one["unadjusted_p"]

    def test_the_declared_difference_is_counted_by_itself(self, started: Program) -> None:
        found = document(day28(started))
        one = line(found, "M", "mineral-N")["test"]
        assert (one["exploratory_p"], one["exploratory_tests"]) == (None, 0)
        # Zn: two treatments on the one date that has results of it.
        both = [line(found, code, "Zn")["test"] for code in ("C10", "M")]
        assert [one["exploratory_tests"] for one in both] == [2, 2]
        assert [one["exploratory_p"] for one in both] == pytest.approx(
            holm([one["unadjusted_p"] for one in both])
        )

    def test_other_dates_count_among_the_exploratory_tests(self, started: Program) -> None:
        day28(started)
        early = pulled(started, "all", "2026-03-16T09:00+01:00")
        values = ("2", "3", "2.5", "2.2", "2.1", "2.9")
        rows = [(early[f"B{n}"], "Zn", v, "mg/kg", "DTPA") for n, v in enumerate(values, 1)]
        report(started, rows, "3")
        found = document(started, "day 28")
        assert line(found, "M", "Zn")["test"]["exploratory_tests"] == 4

    def test_what_is_shown_changes_no_p(self, started: Program) -> None:
        whole = line(document(day28(started)), "M", "P")["test"]
        alone = line(document(started, "--treatment", "M"), "M", "P")["test"]
        assert alone == whole

    def test_methods_are_never_mixed(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        codes = pulled(started, "all", DAY28)
        by = {bed: "Olsen" if bed in ("B1", "B2", "B5", "B6") else "Mehlich-3" for bed in codes}
        values = dict(zip(codes, ("10", "20", "40", "41", "11", "22"), strict=True))
        report(started, [(codes[b], "P", values[b], "mg/kg", by[b]) for b in codes], "1")
        found = {one["method"]: one["test"] for one in document(started)["differences"]}
        assert found["Olsen"]["family_control_beds"] == 2
        assert found["Mehlich-3"]["family_method"] == "none"
        assert "no control bed" in found["Mehlich-3"]["reason"]

    def test_pulls_before_application_count_for_nothing(self, started: Program) -> None:
        early = pulled(started, "all", "2026-03-01T12:00+01:00")
        values = ("2", "3", "2.5", "2.2", "2.1", "2.9")
        rows = [(early[f"B{n}"], "Zn", v, "mg/kg", "DTPA") for n, v in enumerate(values, 1)]
        started.must("apply", "all", on=DAY0)
        codes = pulled(started, "all", DAY7)
        rows += [(codes[f"B{n}"], "Zn", v, "mg/kg", "DTPA") for n, v in enumerate(values, 1)]
        report(started, rows, "1")
        assert line(document(started, "day 7"), "M", "Zn")["test"]["exploratory_tests"] == 2
        before = line(document(started, "before"), "M", "Zn")["test"]
        assert before["exploratory_p"] is None and before["adjusted_p"] is not None
