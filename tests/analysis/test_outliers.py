"""Flags: a worked table, planted faults of the bench, clean series, and beds too few to judge."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from logbook.analysis import rosner
from logbook.analysis.additive import additive, deleted
from logbook.analysis.beds import Observation
from logbook.analysis.outliers import Review, review
from logbook.errors import BadData

DAYS = (0.0, 7.0, 14.0, 28.0, 42.0, 56.0, 70.0, 84.0)
Table = dict[str, NDArray[np.float64]]


def season(seed: int, beds: int, cv: float, spread: float = 0.1) -> Table:
    """Clean lognormal results in mg/kg: controls near 10, treated beds rising to nearly 50."""
    rng = np.random.default_rng(seed)
    sd = math.sqrt(math.log1p(cv**2))
    level = {"C": np.full(8, 10.0), "T": 10.0 + 40.0 * (1.0 - np.exp(-0.03 * np.array(DAYS)))}
    return {
        f"{side}{bed}": level[side]
        * np.exp(spread * rng.standard_normal() + sd * rng.standard_normal(8))
        for side in "CT"
        for bed in range(1, beds + 1)
    }


def results(table: Table) -> list[Observation]:
    """A table as results of beds; T beds are treated."""
    return [
        Observation(day, bed, None, bed[0] == "T", float(value))
        for bed, row in table.items()
        for day, value in zip(DAYS, row, strict=True)
        if np.isfinite(value)
    ]


def flagged(found: Review) -> set[tuple[str, float]]:
    """Bed and day of every flag."""
    return {(flag.bed, flag.day) for flag in found.flags}


def test_the_deleted_residuals_against_statsmodels() -> None:
    # Soil nitrate of a table with one gap: bed plus pull by ordinary least squares.
    y = np.log(np.array(list(season(5, 4, 0.1).values())[:4]))
    kept = np.ones_like(y, dtype=bool)
    kept[2, 3] = False
    bed, day = (index[kept] for index in np.indices(y.shape))
    frame = pd.DataFrame({"y": y[kept], "bed": bed, "day": day})
    fitted = smf.ols("y ~ C(bed) + C(day)", frame).fit()
    mine = additive(y, kept)
    assert mine.design.df == fitted.df_resid == 20
    theirs = fitted.get_influence().resid_studentized_external
    t, _ = deleted((y - mine.expected)[kept][None], mine.design.weight[kept], 20)
    assert t[0] == pytest.approx(np.asarray(theirs), rel=1e-8)
    gap = fitted.get_prediction(pd.DataFrame({"bed": [2], "day": [3]}))
    assert mine.expected[2, 3] == pytest.approx(float(gap.predicted_mean[0]), rel=1e-9)
    assert mine.error[2, 3] == pytest.approx(float(gap.se_obs[0]), rel=1e-9)


def with_gaps(seed: int) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """A table of 3 to 6 beds and pulls with gaps and wild results, and what is kept of it."""
    draw = np.random.default_rng(seed)
    beds, days = draw.integers(3, 7, 2)
    y = draw.normal(0, 0.1, (beds, days)) + draw.normal(0, 1, (beds, 1))
    y[draw.random((beds, days)) < 0.1] += 2
    return y, draw.random((beds, days)) < 0.85


@pytest.mark.parametrize("seed", range(40))
def test_a_result_taken_out_of_a_fit_is_as_if_it_had_never_been_there(seed: int) -> None:
    y, kept = with_gaps(seed)
    fit = additive(y, kept)
    for row, column in np.argwhere(kept):
        less = kept.copy()
        less[row, column] = False
        anew = additive(y, less)
        for at in ((row, column), (0, 0), (2, 1)):
            mine = fit.without((row, column), at)
            assert mine == pytest.approx((anew.expected[at], anew.error[at]), rel=1e-7, nan_ok=True)


def one_by_one(y: NDArray[np.float64], judged: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Rosner's procedure with a fit anew after each result, as its papers describe it."""
    kept, order, last = judged.copy(), [], 0
    total = int(judged.sum())
    for turn in range(max(2, total // 8)):
        fit = additive(y, kept)
        residual, weight = (
            np.where(kept, y - fit.expected, 0.0),
            np.where(kept, fit.design.weight, 0),
        )
        found = deleted(residual.reshape(1, -1), weight.reshape(1, -1), fit.design.df)
        t, off = (one.reshape(y.shape) for one in found)
        t = np.where(rosner.enough(kept) & np.isfinite(t), abs(t), -1.0)
        place = np.unravel_index(t.argmax(), t.shape)
        if t[place] < 0:
            break
        order.append(place)
        kept[place] = False
        bar = stats.t.ppf(1 - rosner.LEVEL / (2 * (total - turn)), fit.design.df - 1)
        if t[place] > bar and abs(off[place]) > 0.2:
            last = turn + 1
    apart = np.zeros_like(judged)
    for place in order[:last]:
        apart[place] = True
    return apart if order else None


@pytest.mark.parametrize("seed", range(12))
def test_many_tables_at_once_are_judged_as_one_by_one_with_a_fit_anew_each_time(seed: int) -> None:
    first, kept = with_gaps(seed)
    draw, mask = np.random.default_rng(seed), rosner.enough(kept)
    shape = (20, *first.shape)
    y = first + draw.normal(0, 0.1, shape) + 2 * (draw.random(shape) < 0.1)
    found, can = rosner.stand_apart(y, mask, np.full(20, 0.2))
    for table, apart, judged in zip(y, found, can, strict=True):
        alone = one_by_one(table, mask) if mask.any() else None
        assert judged == (alone is not None)
        assert (apart == (False if alone is None else alone)).all()


def test_the_tables_judged_at_once_have_wild_results() -> None:
    draw = np.random.default_rng(1)
    y = draw.normal(0, 0.05, (50, 4, 8)) + 2 * (draw.random((50, 4, 8)) < 0.04)
    apart, can = rosner.stand_apart(y, np.ones((4, 8), dtype=bool), np.full(50, 0.2))
    assert can.all()
    assert apart.sum() > 30


@given(
    share=st.floats(1e-6, 0.2),
    df=st.integers(1, 300),
    near=st.lists(st.one_of(st.floats(0.5, 2.0), st.floats(0.999, 1.001))),
)
def test_bounds_of_a_t_decide_as_its_quantile(share: float, df: int, near: list[float]) -> None:
    quantile = stats.t.isf(share, df)
    told = [one for one in near if abs(one - 1) > 1e-9]
    t = quantile * np.array([*told, 1 - 1e-8, 1 + 1e-8, -1.0 / quantile, 1e7])
    assert (rosner._exceeds(t, share, df) == (t > quantile)).all()


def test_a_t_that_is_clearly_wild_needs_no_quantile(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rosner, "t_quantile", None)
    assert rosner._exceeds(np.array([3.0, 4.2]), 1e-4, 60).tolist() == [False, True]


@pytest.mark.parametrize(("level", "wild", "scale"), [(1.0, 10.0, "log"), (7.0, 9.0, "raw")])
def test_where_all_the_others_are_equal_the_one_that_is_not_is_named(
    level: float, wild: float, scale: Literal["log", "raw"]
) -> None:
    """The rest fits exactly: there is no error to hold an exchange against."""
    beds = ["c1", "c2", "c3", "m1", "m2", "m3"]
    given = [
        Observation(day, bed, None, bed[0] == "m", wild if (bed, day) == ("m2", 14.0) else level)
        for day in (0.0, 7.0, 14.0, 28.0)
        for bed in beds
    ]
    (flag,) = review(given, scale=scale).flags
    assert (flag.bed, flag.day, flag.partner) == ("m2", 14.0, "")


@given(
    st.lists(st.sampled_from([0.1, 1.0, 1.1, 2.0, 10.0, 20.0]), min_size=24, max_size=24),
    st.sampled_from(["log", "raw"]),
)
def test_rounded_numbers_are_reviewed_whatever_they_are(
    values: list[float], scale: Literal["log", "raw"]
) -> None:
    places = [(day, bed) for day in (0.0, 7.0, 14.0, 28.0) for bed in range(6)]
    given = [
        Observation(day, f"b{bed}", None, bed < 3, value)
        for (day, bed), value in zip(places, values, strict=True)
    ]
    for flag in review(given, scale=scale).flags:
        assert any(math.isclose(flag.value, value) for value in values)


def test_clean_series_are_flagged_less_than_once_in_200_results() -> None:
    found = total = 0
    for seed in range(40):
        for beds, cv in ((3, 0.05), (3, 0.15), (4, 0.1)):
            table = season(seed, beds, cv)
            found += len(review(results(table)).flags)
            total += 8 * len(table)
    assert total / max(found, 1) > 200


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (10.0, "a lost decimal point, about a factor of 10?"),
        (0.01, "a misplaced decimal point, about a hundredth?"),
    ],
)
@pytest.mark.parametrize("beds", [1, 2, 3, 4])
def test_a_lost_decimal_point_is_found_however_few_the_beds(
    factor: float, words: str, beds: int
) -> None:
    for seed in range(5):
        table = season(seed, beds, 0.1)
        right = table["C1"][4]
        table["C1"][4] *= factor
        flags = [f for f in review(results(table)).flags if (f.bed, f.day) == ("C1", 42.0)]
        assert len(flags) == 1 and words in flags[0].why
        assert flags[0].value == pytest.approx(right * factor)
        assert flags[0].expected == pytest.approx(right, rel=0.5)


def test_three_times_too_high_is_found_on_a_rising_curve() -> None:
    hits = 0
    for seed in range(20):
        table = season(seed, 3, 0.1)
        table["T2"][seed % 8] *= 3.0
        hits += ("T2", DAYS[seed % 8]) in flagged(review(results(table)))
    assert hits == 20


def test_two_wild_results_do_not_hide_each_other() -> None:
    table = season(3, 3, 0.08)
    table["C1"][2] *= 4.0
    table["C2"][5] *= 4.0
    assert {("C1", 14.0), ("C2", 56.0)} <= flagged(review(results(table)))


def test_a_treated_and_a_control_bed_exchanged() -> None:
    hits = 0
    for seed in range(20):
        table = season(seed, 3, 0.1)
        table["T1"][5], table["C2"][5] = table["C2"][5], table["T1"][5]
        found = {flag.bed: flag.why for flag in review(results(table)).flags if flag.day == 56.0}
        hits += "exchanged with bed C2" in found.get("T1", "") and (
            "exchanged with bed T1" in found.get("C2", "")
        )
    assert hits >= 18


def test_one_wrong_result_is_no_exchange() -> None:
    table = season(1, 3, 0.1)
    table["T1"][5] = 10.0
    why = {flag.bed: flag.why for flag in review(results(table)).flags}
    assert "exchanged" not in why["T1"] and "times what its bed and its pull" in why["T1"]


def test_a_bad_day_of_the_laboratory_is_no_fault_of_a_bed() -> None:
    table = season(2, 3, 0.05)
    for row in table.values():
        row[3] *= 3.0
    assert flagged(review(results(table))) == flagged(review(results(season(2, 3, 0.05))))


def test_two_beds_that_jump_together_lost_no_decimal_point() -> None:
    table = season(4, 2, 0.1)
    table["C1"][3] *= 10.0
    assert ("C1", 28.0) in flagged(review(results(table)))
    table["C2"][3] *= 8.0
    assert not flagged(review(results(table)))


def test_beds_too_few_to_judge_are_named() -> None:
    table = season(0, 2, 0.1)
    table["T1"][4] *= 3.0
    found = review(results(table))
    assert not found.flags
    assert [note.split(":")[0] for note in found.not_judged] == ["treated beds", "control beds"]
    assert "nobody can say which result is wrong" in found.not_judged[0]


def test_a_pull_with_two_results_is_not_judged() -> None:
    table = season(0, 3, 0.1)
    table["T3"][4] = np.nan
    table["T1"][4] *= 3.0
    found = review(results(table))
    assert ("T1", 42.0) not in flagged(found)
    assert any(note.startswith("treated beds, day 42:") for note in found.not_judged)


def test_ph_is_judged_on_its_own_scale() -> None:
    rng = np.random.default_rng(8)
    table = {f"C{bed}": 6.5 + 0.05 * rng.standard_normal(8) for bed in (1, 2, 3)}
    assert not review(results(table), scale="raw").flags
    table["C2"][3] += 0.9
    (flag,) = review(results(table), scale="raw").flags
    assert (flag.bed, flag.day) == ("C2", 28.0)
    assert flag.expected == pytest.approx(6.5, abs=0.15)
    assert "above what its bed and its pull" in flag.why and "times" not in flag.why
    table["C2"][3] = 65.0
    assert "decimal point" in review(results(table), scale="raw").flags[0].why


def test_differences_too_small_to_ask_about_are_not_flagged() -> None:
    # Six beds that agree to the last digit, but for one tenth.
    table = {f"{side}{bed}": np.full(8, 10.0) for side in "CT" for bed in (1, 2, 3)}
    assert not review(results(table)).flags
    table["C1"][2] = 11.0
    assert not review(results(table)).flags
    table["C1"][2] = 20.0
    assert flagged(review(results(table))) == {("C1", 14.0)}


def test_results_beyond_a_limit_or_at_zero_are_named_and_left_alone() -> None:
    table = season(6, 3, 0.1)
    table["C1"][1] = 0.0
    given_results = [
        Observation(one.day, one.bed, None, one.treated, None, 0.0, 0.5)
        if (one.bed, one.day) == ("C2", 14.0)
        else one
        for one in results(table)
    ]
    note = review(given_results).not_judged[0]
    assert note.startswith("control beds not judged, beyond a limit or not above zero")
    assert "C1 on day 7" in note and "C2 on day 14" in note


@given(st.integers(0, 200), st.floats(0.01, 100.0))
def test_the_unit_and_the_order_change_no_flag(seed: int, factor: float) -> None:
    table = season(seed, 3, 0.1)
    table["T2"][3] *= 5.0
    one = review(results(table))
    two = review(reversed(results({bed: factor * row for bed, row in table.items()})))
    assert flagged(one) == flagged(two)
    for flag, scaled in zip(one.flags, two.flags, strict=True):
        assert scaled.expected == pytest.approx(factor * flag.expected, rel=1e-6)


def nothing() -> Iterable[Observation]:
    """No results."""
    return []


def test_nothing_and_nonsense() -> None:
    assert review(nothing()) == Review((), ())
    with pytest.raises(BadData, match="bed C1"):
        review([Observation(0.0, "C1", None, False, math.nan)])
