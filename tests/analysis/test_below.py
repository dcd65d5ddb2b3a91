"""Mineral N below the control: shown only beyond chance over all pulls, and what follows from it.

The bounds are worked again by hand and with scipy; false alarms are counted in simulated trials.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from logbook.analysis import below
from logbook.analysis.below import below_control, make_up
from logbook.analysis.scores import Beds, beds_of
from logbook.analysis.series import SPREAD_UNSEEN

Floats = NDArray[np.float64]

DAYS = np.array([0.0, 7, 14, 28, 42, 56, 70, 84])
#: Common practice, no source: a material of C:N near 20 takes nitrate down by two thirds within
#: two weeks and gives it back later.
TAKEN = np.array([1.0, 0.55, 0.33, 0.5, 0.8, 1.3, 1.6, 1.8])


def made(
    share: Floats = TAKEN, *, beds: int = 4, lab: float = 0.06, seed: int = 1, blocks: bool = False
) -> Beds:
    """Invented beds whose control stays at 30 mg/kg, the treated ones at shares of it."""
    rng = np.random.default_rng(seed)
    sides = [
        30.0
        * level
        * (1.0 + 0.04 * rng.standard_normal((beds, 1)))
        * (1.0 + lab * rng.standard_normal((beds, len(DAYS))))
        for level in (share, np.ones(len(DAYS)))
    ]
    names = [f"block {n}" for n in range(beds)] if blocks else None
    return beds_of(DAYS, *sides, treated_blocks=names, control_blocks=names)


def net(beds: Beds) -> Floats:
    """Mean treated less mean control."""
    return np.asarray(beds.treated.mean(0) - beds.control.mean(0))


@pytest.mark.parametrize("beds", [3, 4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nitrate_taken_down_by_two_thirds_is_shown(beds: int, seed: int) -> None:
    found = below_control(made(beds=beds, seed=seed))
    assert found.shown
    assert found.trough_day == 14.0
    assert {7.0, 14.0, 28.0} <= set(found.days_below)
    assert found.depth is not None
    assert found.depth.low is not None
    assert found.depth.high is not None
    assert 0.0 < found.depth.low < 30.0 * 0.67 < found.depth.high
    assert found.bracket == (42.0, 56.0)


def test_simultaneous_bound_worked_by_hand() -> None:
    # Treated 9 10 11, control 18 20 22: both CV 0.1, so se^2 = 0.01 (100 + 400)/3 = 1.6667, df 4.
    # Ten pulls: each end at 1 - 0.05/10; t(.995, 4) = 4.604 (tables).
    days = np.arange(10.0)
    flat = np.array([[18.0], [20], [22]]) * np.ones(10)
    treated = flat.copy()
    treated[:, 4] = [9, 10, 11]
    bound = below_control(beds_of(days, treated, flat)).bounds[4]
    half = 4.604 * math.sqrt(0.01 * 500 / 3)
    assert (bound.low, bound.high) == pytest.approx((-10 - half, -10 + half), abs=0.001)
    assert bound.df == 4.0


def test_welch_variance_where_it_is_the_larger() -> None:
    treated, control = np.array([9.0, 9.1, 9.2]), np.array([15.0, 20, 25])
    found = below.relative(treated, control)
    assert found.error == pytest.approx(math.sqrt((0.01 + 25.0) / 3))
    assert found.df == 4.0


def test_levels_at_or_below_zero_use_the_plain_variance() -> None:
    treated, control = np.array([-1.0, 0.0, 1.0]), np.array([4.0, 5.0, 6.0])
    found = below.relative(treated, control)
    assert found.error == pytest.approx(math.sqrt((1.0 + 1.0) / 3))


def test_depth_is_the_bound_at_the_trough_turned_round() -> None:
    found = below_control(made())
    bound = found.bounds[found.days.index(14.0)]
    assert found.depth is not None
    assert (found.depth.value, found.depth.low, found.depth.high) == (
        -(bound.value or 0.0),
        -(bound.high or 0.0),
        -(bound.low or 0.0),
    )
    assert "all 8 pulls at once" in found.depth.method


def test_level_again_is_interpolated_and_inverted() -> None:
    beds = made()
    level = below_control(beds).level
    assert level is not None
    day = optimize.brentq(lambda t: np.interp(t, DAYS, net(beds)), 42.0, 56.0)
    assert level.value == pytest.approx(day)
    assert level.low is not None
    assert level.high is not None

    def p_value(when: float) -> float:
        sides = [[np.interp(when, DAYS, y) for y in side] for side in (beds.treated, beds.control)]
        return float(stats.ttest_ind(*sides, equal_var=False).pvalue)

    assert [p_value(level.low), p_value(level.high)] == pytest.approx([0.05, 0.05], abs=1e-6)
    between = np.linspace(level.low, level.high, 20)[1:-1]
    assert min(p_value(when) for when in between) > 0.05


def test_level_again_within_blocks_is_a_paired_interval() -> None:
    beds = made(blocks=True)
    level = below_control(beds).level
    assert level is not None
    assert "within-block" in level.method
    assert level.high is not None
    pairs = [np.interp(level.high, DAYS, y) for y in beds.treated - beds.control]
    assert stats.ttest_1samp(pairs, 0.0).pvalue == pytest.approx(0.05, abs=1e-6)


def test_within_blocks_the_pull_beyond_an_edge_shows_it_too() -> None:
    closed = 0
    for seed in range(40):
        beds = made(beds=3, blocks=True, lab=0.12, seed=seed)
        level = below_control(beds).level
        for edge, side, sign in (("low", -1, -1.0), ("high", 1, 1.0)):
            day = None if level is None else getattr(level, edge)
            if day is None:
                continue
            beyond = DAYS[day >= DAYS][-1] if side < 0 else DAYS[day <= DAYS][0]
            gaps = (beds.treated - beds.control)[:, beyond == DAYS][:, 0]
            assert stats.ttest_1samp(gaps, 0.0).pvalue < 0.05
            assert np.sign(gaps.mean()) == sign
            closed += 1
    assert closed > 20


def test_recovery_that_never_comes() -> None:
    share = np.array([1.0, 0.55, 0.33, 0.33, 0.33, 0.4, 0.45, 0.5])
    found = below_control(made(share))
    assert found.bracket == (84.0, None)
    assert found.level is not None
    assert (found.level.value, found.level.low, found.level.high) == (None, None, None)
    assert found.level.reason_low == "still below on day 84"
    assert found.level.reason_high == "recovery not shown by day 84"
    assert make_up(found).reason == "recovery not shown by day 84: test nitrate before planting"


def test_recovery_that_is_near_but_not_shown() -> None:
    share = np.array([1.0, 0.55, 0.33, 0.5, 0.7, 0.85, 0.97, 0.97])
    found = below_control(made(share, lab=0.1, seed=5))
    assert found.level is not None
    assert found.level.high is None
    assert found.level.reason_high == "recovery not shown by day 84"
    assert found.level.low is not None
    assert 42.0 < found.level.low < 84.0


def test_make_up_is_the_trough_with_its_interval() -> None:
    found = below_control(made())
    answer = make_up(found)
    assert answer.reason == ""
    assert answer.trough == found.depth


def test_two_beds_may_show_it_but_give_no_range() -> None:
    share = np.array([1.0, 0.4, 0.1, 0.2, 0.8, 1.5, 2.0, 2.2])
    found = below_control(made(share, beds=2, lab=0.01, seed=4))
    assert found.shown
    assert found.depth is not None
    assert found.depth.value is not None
    assert (found.depth.low, found.depth.high) == (None, None)
    assert found.depth.reason_low == below.FEW_BEDS
    answer = make_up(found)
    assert answer.trough is None
    assert "2 beds on a side, 3 needed" in answer.reason


def test_one_bed_shows_nothing() -> None:
    found = below_control(made(beds=1))
    assert not found.shown
    assert found.reason == below.ONE_BED
    assert make_up(found).trough is None


def test_an_inert_amendment_shows_nothing() -> None:
    found = below_control(made(np.ones(8), seed=3))
    assert not found.shown
    assert found.reason == "not shown to be below the control"
    assert (found.level, found.depth, found.bracket, found.trough_day) == (None, None, None, None)
    assert (
        make_up(found).reason == "not shown to be below the control: test nitrate before planting"
    )


def test_a_diluted_soil_is_not_below_its_control() -> None:
    rng = np.random.default_rng(5)
    control = 30.0 * (1.0 + 0.02 * rng.standard_normal((4, 8)))
    treated = 0.7 * 30.0 * (1.0 + 0.02 * rng.standard_normal((4, 8)))
    assert below_control(beds_of(DAYS, treated, control)).shown
    assert not below_control(beds_of(DAYS, treated, control, share=0.3)).shown


def test_pulls_before_application_and_of_one_bed_are_not_tested() -> None:
    beds = made()
    days = DAYS - 7.0
    treated = beds.treated.copy()
    treated[:, 0] = 1.0
    treated[1:, 5] = np.nan
    found = below_control(beds_of(days, treated, beds.control))
    assert found.days == tuple(days[[1, 2, 3, 4, 6, 7]])
    assert found.trough_day == 7.0


def test_a_missing_bed_is_left_out_of_its_pull_only() -> None:
    beds = made()
    beds.treated[0, 2] = np.nan
    found = below_control(beds)
    assert found.shown
    assert found.beds == 3
    assert found.bounds[2].df == 4.0
    assert found.bounds[3].df == 6.0


@pytest.mark.parametrize("beds", [3, 4])
@pytest.mark.parametrize("pulls", [8, 12])
@pytest.mark.parametrize("bed", [0.0, 0.1])
def test_false_alarms_of_an_inert_amendment_stay_within_one_in_twenty(
    beds: int, pulls: int, bed: float
) -> None:
    rng = np.random.default_rng([11, beds, pulls])
    sides = [
        25.0
        * (1.0 + bed * rng.standard_normal((20_000, 1, beds)))
        * (1.0 + 0.1 * rng.standard_normal((20_000, pulls, beds)))
        for _ in range(2)
    ]
    found = below.relative(*sides)
    alarms = (found.estimate + below.simultaneous(found, pulls) < 0.0).any(1).mean()
    # 20,000 runs: one standard error is 0.0015. More than 0.02: the bound is not merely wide.
    assert 0.02 < alarms < 0.0515


def test_beds_that_all_agree_cannot_say() -> None:
    days = [0.0, 7.0, 14.0]
    found = below_control(beds_of(days, [[9.1, 4.1, 8.1]] * 3, [[9.1, 9.1, 9.1]] * 3))
    assert (found.shown, found.reason) == (False, SPREAD_UNSEEN)
