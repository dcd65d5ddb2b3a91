"""Intervals against R's, against hand-worked t intervals, and against their own definition.

The definition is worked again in every such test with scipy's t tests and plain least squares.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from logbook.analysis import intervals, inversion
from logbook.analysis.complete import whole
from logbook.analysis.intervals import Interval
from logbook.analysis.rising import Rise
from logbook.analysis.scores import (
    Beds,
    Units,
    beds_of,
    contrast,
    critical,
)
from logbook.analysis.series import SPREAD_UNSEEN, same_in_blocks
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

#: Bates & Watts 1988 (R datasets, BOD): days and biochemical oxygen demand, mg/l.
BOD = ([1.0, 2, 3, 4, 5, 7], [8.3, 10.3, 19.0, 16.0, 15.6, 19.8])
#: Student 1908 (R datasets, sleep): extra hours of ten patients under two drugs.
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)
#: R datasets, Theoph: times and concentrations of three subjects, and the area under each.
THEOPH = [
    (
        [0, 0.25, 0.57, 1.12, 2.02, 3.82, 5.10, 7.03, 9.05, 12.12, 24.37],
        [0.74, 2.84, 6.57, 10.5, 9.66, 8.58, 8.36, 7.47, 6.89, 5.94, 3.28],
        148.92305,
    ),
    (
        [0, 0.27, 0.52, 1.0, 1.92, 3.5, 5.02, 7.03, 9.0, 12.0, 24.3],
        [0, 1.72, 7.91, 8.31, 8.33, 6.85, 6.08, 5.4, 4.55, 3.01, 0.9],
        91.52680,
    ),
    (
        [0, 0.27, 0.58, 1.02, 2.02, 3.62, 5.08, 7.07, 9.0, 12.15, 24.17],
        [0, 4.4, 6.9, 8.2, 7.8, 7.5, 6.2, 5.3, 4.9, 3.7, 1.05],
        99.28650,
    ),
]
DAYS = np.array([4.0, 7, 14, 28, 42, 56, 70, 84])
FORMS = ["plain", "free", "dilution", "blocks"]


def made(
    form: str = "plain",
    *,
    beds: int = 4,
    ceiling: float = 40.0,
    rate: float = 0.04,
    lab: float = 0.06,
    seed: int = 1,
) -> Beds:
    """Invented beds that follow a first-order curve."""
    rng = np.random.default_rng(seed)
    days = np.append(0.0, DAYS) if form == "free" else DAYS
    share = 0.1 if form == "dilution" else 0.0
    level = 60.0 + 0.1 * days
    release = -ceiling * np.expm1(-rate * days) + (8.0 if form == "free" else 0.0)
    block = 1.0 + (0.2 if form == "blocks" else 0.0) * rng.standard_normal((beds, 1))
    sides = [
        block
        * mean
        * (1.0 + 0.04 * rng.standard_normal((beds, 1)))
        * (1.0 + lab * rng.standard_normal((beds, len(days))))
        for mean in ((1.0 - share) * level + release, level)
    ]
    names = [f"block {n}" for n in range(beds)] if form == "blocks" else None
    return beds_of(
        days, sides[0], sides[1], share=share, treated_blocks=names, control_blocks=names
    )


def basis(beds: Beds, rate: float, free: bool) -> tuple[Floats, Floats]:
    """phi and k t e^(-kt), the constant regressed out of both by least squares when free."""
    phi, steep = 1.0 - np.exp(-rate * beds.days), rate * beds.days * np.exp(-rate * beds.days)
    if free:
        phi, steep = phi - phi.mean(), steep - steep.mean()
    return phi, steep


def p_value(beds: Beds, h: Floats, shift: float = 0.0) -> float:
    """Two-sided p of the scores of h by scipy's tests: paired within blocks, else Welch's."""
    first, second = beds.treated @ h, (1.0 - beds.share) * (beds.control @ h)
    if beds.paired:
        return float(stats.ttest_1samp(first - second - shift, 0.0).pvalue)
    return float(stats.ttest_ind(first - shift, second, equal_var=False).pvalue)


def p_of_rate(beds: Beds, rate: float, free: bool = False) -> float:
    """p of one k."""
    phi, steep = basis(beds, rate, free)
    return p_value(beds, steep - phi * (phi @ steep) / (phi @ phi))


def net(beds: Beds) -> Floats:
    """Mean treated less mean control."""
    return np.asarray(beds.treated.mean(0) - (1.0 - beds.share) * beds.control.mean(0))


def p_of_ceiling(beds: Beds, ceiling: float, free: bool = False) -> float:
    """p of one A with its generalised least-squares k, the covariance matrix written out."""
    side = (beds.treated.mean(0), (1.0 - beds.share) * beds.control.mean(0))
    size = (side[0] @ side[0] + side[1] @ side[1]) / len(beds.days)
    keep = np.eye(len(beds.days)) - (1.0 / len(beds.days) if free else 0.0)
    alike = keep @ (np.outer(side[0], side[0]) + np.outer(side[1], side[1])) @ keep / size
    inverse = np.linalg.inv(np.eye(len(beds.days)) + alike)

    def loss(log_rate: float) -> float:
        left = keep @ net(beds) - ceiling * basis(beds, math.exp(log_rate), free)[0]
        return float(left @ inverse @ left)

    grid = np.linspace(math.log(1e-6), math.log(5.0), 400)
    start = grid[np.argmin([loss(u) for u in grid])]
    best = optimize.minimize_scalar(loss, bounds=(start - 0.1, start + 0.1), method="bounded")
    phi, steep = basis(beds, math.exp(best.x), free)
    h = phi - steep * (phi @ steep) / (steep @ steep)
    return p_value(beds, h, ceiling * float(h @ phi))


def ends(interval: Interval) -> tuple[float, float]:
    """Both ends, which must be closed."""
    assert interval.low is not None
    assert interval.high is not None
    return interval.low, interval.high


# --- Against R and handbooks


def test_profile_limits_of_bod() -> None:
    rise, values = Rise(np.array(BOD[0]), np.ones(6)), np.array([BOD[1]])
    k = inversion.profiled_rates(rise, values, None)
    a = inversion.profiled_ceilings(rise, values, None)
    assert (k.value[0], a.value[0]) == pytest.approx((0.53109, 19.14258), abs=5e-6)
    # R confint (nls): it interpolates the profile by splines, hence the room left to it.
    assert (k.low[0], k.high[0]) == pytest.approx((0.1356, 1.8101), abs=0.005)
    assert (a.low[0], a.high[0]) == pytest.approx((14.08, 38.48), abs=0.035)


def test_profile_limits_of_bod_by_their_definition() -> None:
    days, values = np.array(BOD[0]), np.array(BOD[1])

    def rss(rate: float) -> float:
        shape = 1.0 - np.exp(-rate * days)
        left = values - shape * (shape @ values) / (shape @ shape)
        return float(left @ left)

    def of_ceiling(ceiling: float) -> float:
        tried = [
            float(((values - ceiling * (1.0 - np.exp(-k * days))) ** 2).sum())
            for k in np.geomspace(0.01, 20.0, 20_000)
        ]
        return min(tried)

    rise = Rise(days, np.ones(6))
    k = inversion.profiled_rates(rise, values[None], None)
    a = inversion.profiled_ceilings(rise, values[None], None)
    # Largest RSS inside: RSS (1 + F/4) with F(.95; 1, 4) = 7.7086 (tables of F).
    largest = 25.9903 * (1.0 + 7.7086 / 4.0)
    assert [rss(end) for end in (k.low[0], k.high[0])] == pytest.approx([largest] * 2, rel=1e-5)
    assert [of_ceiling(e) for e in (a.low[0], a.high[0])] == pytest.approx([largest] * 2, rel=1e-5)


def test_paired_interval_of_student() -> None:
    blocks = [f"patient {n}" for n in range(10)]
    columns = [np.array(side)[:, None] for side in SLEEP]
    beds = beds_of([1.0], *columns, treated_blocks=blocks, control_blocks=blocks)
    found = intervals.at_day(beds, 1.0)
    # R: t.test(paired): mean -1.58, df 9, 95 % -2.4599 to -0.7001.
    assert (found.value, found.low, found.high) == pytest.approx(
        (-1.58, -2.4599, -0.7001), abs=5e-5
    )
    assert found.df == 9
    assert found.method == "within-block"


def test_welch_interval_of_student() -> None:
    beds = beds_of([1.0], *(np.array(side)[:, None] for side in SLEEP))
    found = intervals.at_day(beds, 1.0)
    # R's help page of t.test: df 17.776, 95 % -3.3655 to 0.2055 (from memory).
    assert (found.low, found.high) == pytest.approx((-3.36548, 0.20548), abs=5e-5)
    assert found.df == pytest.approx(17.776, abs=5e-4)


def test_welch_worked_by_hand() -> None:
    # 10 12 14 against 5 6 7: variances 4 and 1; se^2 = 5/3; df = (5/3)^2/((16/9+1/9)/2) = 2.941.
    beds = beds_of([7.0], [[10], [12], [14]], [[5], [6], [7]])
    found = intervals.at_day(beds, 7.0)
    assert found.value == pytest.approx(6.0)
    assert found.df == pytest.approx(50 / 17)
    assert ends(found)[1] - 6.0 == pytest.approx(stats.t.ppf(0.975, 50 / 17) * math.sqrt(5 / 3))


@pytest.mark.parametrize(("times", "values", "area"), THEOPH)
def test_areas_of_theoph(times: list[float], values: list[float], area: float) -> None:
    scattered = [np.array(values) * factor for factor in (0.9, 1.0, 1.1)]
    found = intervals.area(beds_of(times, scattered, np.zeros((2, len(times)))))
    assert found.value == pytest.approx(area, abs=5e-6)
    # Three beds a tenth of the area apart, controls all alike: t(.975, 2) = 4.303 (tables).
    assert ends(found)[1] - area == pytest.approx(4.3027 * 0.1 * area / math.sqrt(3), rel=1e-4)


# --- Against the definition


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ends_of_k_are_where_the_t_test_turns(form: str, seed: int) -> None:
    beds, free = made(form, seed=seed), form == "free"
    found = intervals.rate(beds, free_start=free)
    low, high = ends(found)
    assert [p_of_rate(beds, end, free) for end in (low, high)] == pytest.approx(
        [0.05] * 2, abs=1e-8
    )
    assert p_of_rate(beds, found.value or 0.0, free) == pytest.approx(1.0, abs=1e-6)
    assert min(p_of_rate(beds, k, free) for k in np.geomspace(low, high, 50)[1:-1]) > 0.05


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ends_of_a_are_where_the_t_test_turns(form: str, seed: int) -> None:
    beds, free = made(form, seed=seed), form == "free"
    found = intervals.ceiling(beds, free_start=free)
    low, high = ends(found)
    p_values = [p_of_ceiling(beds, end, free) for end in (low, high)]
    assert p_values == pytest.approx([0.05] * 2, abs=1e-5)
    assert min(p_of_ceiling(beds, a, free) for a in np.linspace(low, high, 12)[1:-1]) > 0.05


def test_least_squares_in_the_middle() -> None:
    beds = made()
    (height, rate), _ = optimize.curve_fit(
        lambda t, a, k: a * (1.0 - np.exp(-k * t)), beds.days, net(beds), p0=(40.0, 0.04)
    )
    assert intervals.rate(beds).value == pytest.approx(rate, rel=1e-5)
    assert intervals.ceiling(beds).value == pytest.approx(height, rel=1e-5)


def test_a_falling_curve_is_the_mirror_of_a_rising_one() -> None:
    beds = made()
    turned = beds_of(beds.days, beds.control, beds.treated)
    up, down = intervals.ceiling(beds), intervals.ceiling(turned)
    assert (down.low, down.high) == pytest.approx((-(up.high or 0.0), -(up.low or 0.0)))
    assert ends(intervals.rate(turned)) == pytest.approx(ends(intervals.rate(beds)))


def test_half_life_turns_the_ends_of_k() -> None:
    k, half = intervals.rate(made()), intervals.half_life(made())
    assert ends(half) == pytest.approx([math.log(2.0) / end for end in reversed(ends(k))])
    assert half.value == pytest.approx(math.log(2.0) / (k.value or 0.0))


def test_many_series_give_what_each_gives_alone() -> None:
    some = [made(seed=seed) for seed in range(5)]
    units = Units(np.array([b.treated for b in some]), np.array([b.control for b in some]))
    together = inversion.ceilings(units, Rise(DAYS, np.ones(len(DAYS))))
    alone = [ends(intervals.ceiling(beds)) for beds in some]
    assert np.column_stack([together.low, together.high]) == pytest.approx(
        np.array(alone), rel=1e-9
    )


def trials(
    runs: int, *, beds: int, lab: float, bed: float, rate: float = 0.05, share: float = 0.0
) -> Units:
    """Invented trials with a ceiling of 40, all at once."""
    rng = np.random.default_rng(7)
    soil = np.full((runs, beds, len(DAYS)), 30.0)
    release = -40.0 * np.expm1(-rate * DAYS)
    treated, control = (
        mean
        * (1.0 + bed * rng.standard_normal((runs, beds, 1)))
        * (1.0 + lab * rng.standard_normal(mean.shape))
        for mean in ((1.0 - share) * soil + release, soil)
    )
    return Units(treated, (1.0 - share) * control)


# One standard error of 0.95 in 4,000 runs is 0.0034. With its plain least-squares rate a ceiling
# held the truth in 0.92 of the second case's trials.
@pytest.mark.parametrize(("beds", "lab", "bed"), [(3, 0.10, 0.0), (4, 0.05, 0.10)])
@pytest.mark.parametrize("constant", [inversion.rates, inversion.ceilings])
def test_nineteen_times_in_twenty(constant: object, beds: int, lab: float, bed: float) -> None:
    units = trials(4000, beds=beds, lab=lab, bed=bed)
    found = constant(units, Rise(DAYS, np.ones(len(DAYS))))  # type: ignore[operator]
    true = 0.05 if constant is inversion.rates else 40.0
    covered = (~(found.low > true) & ~(found.high < true) & ~found.misfit).mean()
    assert 0.936 <= covered <= 0.968


def test_nineteen_differences_in_twenty_though_one_side_is_far_more_uneven() -> None:
    rng = np.random.default_rng(3)
    treated, control = rng.normal(20.0, 6.0, (20_000, 3, 1)), rng.normal(5.0, 0.5, (20_000, 3, 1))
    found = contrast(Units(treated, control), np.ones(1))
    half = critical(found.df) * found.error
    # Close to a t of the uneven side's 2 df; with a pooled 4 df it would be 0.89.
    assert 0.935 <= (np.abs(found.estimate - 15.0) <= half).mean() <= 0.957


def test_a_diluted_soil_keeps_its_ceiling() -> None:
    units = trials(2000, beds=3, lab=0.03, bed=0.0, share=0.2)
    found = inversion.ceilings(units, Rise(DAYS, np.ones(len(DAYS))))
    assert np.median(found.value) == pytest.approx(40.0, abs=0.3)
    assert 0.93 <= (~(found.low > 40.0) & ~(found.high < 40.0)).mean() <= 0.97


# --- Contrasts of D


def test_day_between_two_pulls_is_on_the_line_between_them() -> None:
    beds = made()
    expected = np.interp(35.0, beds.days, net(beds))
    assert intervals.at_day(beds, 35.0).value == pytest.approx(expected)


def test_dilution_takes_the_amendments_share_off_the_control() -> None:
    whole_soil = beds_of([7.0], [[50.0], [52.0]], [[40.0], [44.0]], share=0.25)
    found = intervals.at_day(whole_soil, 7.0)
    # 51 - 0.75 * 42; variances 2 and 0.75^2 * 8.
    assert found.value == pytest.approx(19.5)
    half = math.sqrt(2.0 / 2 + 0.75**2 * 8.0 / 2)
    assert ends(found)[1] - 19.5 == pytest.approx(stats.t.ppf(0.975, found.df) * half)


def test_release_by_a_day_is_the_gain_since_day_0() -> None:
    beds = beds_of([0.0, 28.0], [[15, 40], [17, 46]], [[10, 12], [10, 12]])
    found = intervals.released_by(beds, 28.0)
    assert found.value == pytest.approx((25 + 29) / 2 - 2)
    # Gains 25 and 29 against 2 and 2: variance 8, one df, t(.975, 1) = 12.706 (tables).
    assert ends(found)[1] - 25.0 == pytest.approx(12.706 * 2.0, rel=1e-4)
    assert "day 0" in intervals.released_by(made(), 28.0).reason_low


def test_slope_is_a_t_test_of_the_beds_slopes() -> None:
    days = np.array([7.0, 14, 28, 56])
    treated = [20 + a * days for a in (0.4, 0.5, 0.6)]
    control = [20 + a * days for a in (0.1, 0.1, 0.1)]
    found = intervals.slope(beds_of(days, treated, control), free_start=True)
    assert found.value == pytest.approx(0.4)
    assert ends(found)[1] - 0.4 == pytest.approx(4.3027 * 0.1 / math.sqrt(3), rel=1e-4)
    through_zero = intervals.slope(beds_of(days, treated, control))
    assert through_zero.value == pytest.approx(0.4)


# --- Open ends, refusals, gaps


def test_a_line_leaves_the_ceiling_open() -> None:
    rng = np.random.default_rng(3)
    control = 25.0 * (1.0 + 0.05 * rng.standard_normal((3, len(DAYS))))
    treated = (25.0 + 0.3 * DAYS) * (1.0 + 0.05 * rng.standard_normal((3, len(DAYS))))
    beds = beds_of(DAYS, treated, control)
    a, k, half = intervals.ceiling(beds), intervals.rate(beds), intervals.half_life(beds)
    assert a.high is None
    assert a.reason_high == intervals.NEVER_LEVELS
    assert a.low is not None
    assert k.low is None
    assert k.reason_low == intervals.LINE_FITS
    assert half.high is None
    assert half.reason_high == intervals.LINE_FITS


def test_a_step_leaves_the_rate_open_above() -> None:
    rng = np.random.default_rng(4)
    control = 25.0 * (1.0 + 0.05 * rng.standard_normal((3, len(DAYS))))
    treated = 65.0 * (1.0 + 0.05 * rng.standard_normal((3, len(DAYS))))
    k, a = (f(beds_of(DAYS, treated, control)) for f in (intervals.rate, intervals.ceiling))
    assert k.high is None
    assert k.reason_high == intervals.STEP_FITS
    assert k.low is not None
    assert a.closed
    assert ends(a)[0] < 40.0 < ends(a)[1]


def test_no_release_leaves_everything_open() -> None:
    rng = np.random.default_rng(5)
    sides = 25.0 * (1.0 + 0.1 * rng.standard_normal((2, 3, len(DAYS))))
    a = intervals.ceiling(beds_of(DAYS, *sides))
    assert intervals.ZERO_FITS in (a.reason_low, a.reason_high)


def test_a_curve_that_turns_up_has_no_rate() -> None:
    rng = np.random.default_rng(6)
    control = 25.0 + 0.1 * rng.standard_normal((3, len(DAYS)))
    treated = 25.0 + 0.01 * DAYS**2 + 0.1 * rng.standard_normal((3, len(DAYS)))
    for constant in (intervals.rate, intervals.ceiling):
        found = constant(beds_of(DAYS, treated, control))
        assert found.value is None
        assert (found.low, found.high) == (None, None)
        assert found.reason_low == intervals.MISFIT


def test_beds_all_alike_give_no_invented_number() -> None:
    sides = np.full((2, 3, len(DAYS)), 25.0)
    for constant in (intervals.rate, intervals.ceiling):
        found = constant(beds_of(DAYS, *sides))
        assert (found.low, found.high) == (None, None)
        assert found.reason_low


@pytest.mark.parametrize(
    ("days", "free", "words"),
    [
        ([7.0, 14, 28], False, "first order: needs 4 pulls, has 3"),
        ([0.0, 7, 14, 28], False, "first order: needs 4 pulls, has 3"),
        ([0.0, 7, 14, 28], True, "first order: needs 5 pulls, has 4"),
        ([4.0, 7, 14, 28, 42], True, "no pull on day 0"),
    ],
)
def test_too_few_pulls_are_refused_by_name(days: list[float], free: bool, words: str) -> None:
    sides = np.random.default_rng(1).normal(25.0, 1.0, (2, 3, len(days)))
    found = intervals.rate(beds_of(days, *sides), free_start=free)
    assert (found.value, found.low, found.high) == (None, None, None)
    assert words in found.reason_low


def test_nothing_is_said_outside_the_pulls() -> None:
    found = intervals.at_day(made(), 90.0)
    assert found.value is None
    assert "day 90 is outside the pulls (day 4 to day 84)" in found.reason_high


def test_a_gap_costs_the_pull_and_is_named() -> None:
    beds = made()
    beds.treated[1, 3] = np.nan
    beds.control[2, 3] = np.nan
    left = beds_of(np.delete(DAYS, 3), *(np.delete(s, 3, 1) for s in (beds.treated, beds.control)))
    found = intervals.rate(beds)
    assert ends(found) == ends(intervals.rate(left))
    assert "without day 28" in found.method


def test_a_bed_that_was_hardly_pulled_is_left_out_rather_than_the_pulls() -> None:
    beds = made()
    beds.treated[3, 2:] = np.nan
    kept = whole(beds)
    assert kept.beds.treated.shape == (3, 8)
    assert kept.note == "gaps: without 1 bed"
    found = intervals.at_day(beds, 28.0)
    assert found.method == "welch; gaps: each pull by the beds that it has"


def test_a_block_that_lost_a_side_is_left_out_of_a_day_while_three_are_whole() -> None:
    beds = made("blocks")
    beds.treated[0, 3] = np.nan
    found = intervals.at_day(beds, 28.0)
    # By the definition: the paired t of the three other blocks, 2 df.
    gaps = beds.treated[1:, 3] - beds.control[1:, 3]
    half = 4.302653 * gaps.std(ddof=1) / np.sqrt(3)  # t(.975, 2), tables
    assert found.method == "within-block; gaps: each pull by the beds that it has"
    assert ends(found) == pytest.approx((gaps.mean() - half, gaps.mean() + half), rel=1e-6)
    assert intervals.at_day(beds, 42.0).method == "within-block"


def test_two_whole_blocks_of_four_fall_back_on_welch() -> None:
    beds = made("blocks")
    beds.treated[0, 3] = beds.treated[1, 3] = np.nan
    assert intervals.at_day(beds, 28.0).method.startswith("welch")


def test_late_gaps_cost_the_fewest_units_and_pulls() -> None:
    # Four blocks, two controls each. Two controls end early: they go, and no day for them.
    beds = made("blocks")
    beds = beds_of(
        beds.days,
        beds.treated,
        np.vstack([beds.control, beds.control + 1.0]),
        treated_blocks=beds.treated_blocks,
        control_blocks=(beds.control_blocks or ()) * 2,
    )
    beds.control[1, 5:] = beds.control[2, 5:] = np.nan
    kept = whole(beds)
    assert kept.days_left_out == ()
    assert kept.beds_left_out == 2
    assert kept.beds.paired
    # A whole block ends early: three blocks of 8 pulls against four of 5.
    beds.treated[0, 5:] = np.nan
    kept = whole(beds)
    assert (kept.days_left_out, len(kept.beds.treated)) == ((), 3)


def test_two_controls_of_a_block_are_averaged() -> None:
    beds = beds_of(
        [7.0],
        [[20.0], [26.0]],
        [[10.0], [14.0], [13.0]],
        treated_blocks=["a", "b"],
        control_blocks=["a", "a", "b"],
    )
    found = intervals.at_day(beds, 7.0)
    # Differences 8 and 13: mean 10.5, se 2.5, t(.975, 1) = 12.706 (tables).
    assert found.value == pytest.approx(10.5)
    assert ends(found)[1] - 10.5 == pytest.approx(12.706 * 2.5, rel=1e-4)


@pytest.mark.parametrize(
    ("days", "treated", "share", "words"),
    [
        ([7.0, 7.0], [[1, 2]], 0.0, "must rise"),
        ([7.0, math.nan], [[1, 2]], 0.0, "row of numbers"),
        ([7.0, 14.0], [[1, 2, 3]], 0.0, "not (beds, 2 pulls)"),
        ([7.0, 14.0], [[1, math.inf]], 0.0, "infinite"),
        ([7.0, 14.0], [[1, 2]], 1.0, "share of the dry mass"),
    ],
)
def test_unusable_results_are_refused(
    days: list[float], treated: list[list[float]], share: float, words: str
) -> None:
    with pytest.raises(UserMistake) as refused:
        beds_of(days, treated, [[1.0] * len(treated[0])], share=share)
    assert words in str(refused.value)


# --- One bed a side


def one_bed() -> Beds:
    """One treated and one control bed."""
    return made(beds=1, rate=0.08, lab=0.01, seed=8)


def test_one_bed_speaks_of_these_beds_only() -> None:
    for cv in (None, 0.05):
        for constant in (intervals.rate, intervals.ceiling):
            assert intervals.THESE_BEDS in constant(one_bed(), cv=cv).method


@pytest.mark.parametrize("cv", [None, 0.05])
def test_one_bed_profile_by_its_definition(cv: float | None) -> None:
    beds = one_bed()
    treated, control = beds.treated[0], beds.control[0]
    weights = np.ones(len(DAYS))
    for _ in range(20):
        root = np.sqrt(weights)
        (a, k), _ = optimize.curve_fit(
            lambda t, a, k: a * (1.0 - np.exp(-k * t)), DAYS, net(beds), (30, 0.05), 1.0 / root
        )
        weights = 1.0 / ((control + a * (1.0 - np.exp(-k * DAYS))) ** 2 + control**2)

    def rss(rate: float) -> float:
        shape = 1.0 - np.exp(-rate * DAYS)
        height = (weights * shape) @ (treated - control) / ((weights * shape) @ shape)
        return float(weights @ (treated - control - height * shape) ** 2)

    # F(.95; 1, 6) = 5.9874, chi-square(.95; 1) = 3.8415 (tables).
    more = rss(k) * 5.9874 / 6 if cv is None else 3.8415 * cv**2
    found = intervals.rate(beds, cv=cv)
    assert found.value == pytest.approx(k, rel=1e-3)
    assert [rss(end) for end in ends(found)] == pytest.approx([rss(k) + more] * 2, rel=1e-3)


def test_one_bed_has_no_interval_of_a_difference_unless_the_error_is_declared() -> None:
    beds = beds_of([28.0], [[95.0]], [[60.0]])
    bare = intervals.at_day(beds, 28.0)
    assert bare.value == 35.0
    assert (bare.low, bare.high) == (None, None)
    assert bare.reason_low == intervals.ONE_BED
    declared = intervals.at_day(beds, 28.0, cv=0.06)
    # se^2 = CV^2 (T^2 + C^2): 0.06 * 112.361 = 6.7417; 1.96 of it is 13.213.
    assert ends(declared)[1] - 35.0 == pytest.approx(13.213, abs=0.001)
    assert intervals.THESE_BEDS in declared.method


def test_a_declared_floor_adds_to_the_cv() -> None:
    beds = beds_of([28.0], [[95.0]], [[60.0]], share=0.1)
    found = intervals.at_day(beds, 28.0, cv=0.06, floor=3.0)
    # SD^2 = s0^2 + (CV x)^2 of each result: 9 + 5.7^2 and 0.9^2 (9 + 3.6^2); 1.96 sqrt(59.28).
    assert ends(found)[1] - (95.0 - 54.0) == pytest.approx(1.959964 * math.sqrt(59.2776), rel=1e-5)
    assert found.method.startswith("declared CV and smallest SD; ")


def test_one_bed_profile_with_a_floor_by_its_definition() -> None:
    beds = one_bed()
    treated, control = beds.treated[0], beds.control[0]
    sd = np.ones(len(DAYS))
    for _ in range(20):
        (a, k), _ = optimize.curve_fit(
            lambda t, a, k: a * (1.0 - np.exp(-k * t)), DAYS, net(beds), (30, 0.05), sd
        )
        level = control + a * (1.0 - np.exp(-k * DAYS))
        sd = np.sqrt(2.0 * 4.0 + 0.05**2 * (level**2 + control**2))

    def chi2(ceiling: float) -> float:
        tried = [
            (((treated - control - ceiling * (1.0 - np.exp(-k * DAYS))) / sd) ** 2).sum()
            for k in np.geomspace(0.01, 1.0, 20_000)
        ]
        return float(min(tried))

    found = intervals.ceiling(beds, cv=0.05, floor=2.0)
    assert found.value == pytest.approx(a, rel=1e-3)
    # chi-square(.95; 1) = 3.8415 (tables).
    assert [chi2(end) for end in ends(found)] == pytest.approx([chi2(a) + 3.8415] * 2, rel=2e-3)
    assert "declared CV and smallest SD" in found.method


def test_one_bed_needs_more_pulls_when_its_error_is_unknown() -> None:
    beds = one_bed().on([0, 2, 3, 5, 7])
    assert "needs 6 pulls, has 5" in intervals.rate(beds).reason_low
    assert intervals.rate(beds, cv=0.05).value is not None


def with_gaps(beds: Beds) -> Beds:
    """A result missing here and there, as when bags are lost."""
    for side, gaps in ((beds.treated, ((0, 1), (2, 4))), (beds.control, ((1, 1), (3, 6)))):
        for place in gaps:
            side[place] = np.nan
    return beds


@pytest.mark.parametrize("form", ["plain", "blocks"])
def test_an_area_over_gaps_gives_up_no_day(form: str) -> None:
    beds = with_gaps(made(form))
    pulls = [intervals.at_day(beds, float(day)).value or 0.0 for day in beds.days]
    found = intervals.area(beds)
    # By the definition: the trapezoids of what each pull shows of the beds that it has.
    assert found.value == pytest.approx(np.trapezoid(pulls, beds.days))
    assert found.closed
    assert "each pull by the beds that it has" in found.method


def test_a_day_between_two_pulls_lies_on_their_line_whatever_beds_they_have() -> None:
    beds = with_gaps(made("plain"))
    first, last = (intervals.at_day(beds, float(beds.days[place])).value for place in (3, 4))
    middle = float(beds.days[3:5].mean())
    assert first is not None
    assert last is not None
    assert intervals.at_day(beds, middle).value == pytest.approx((first + last) / 2.0)


def test_ranges_over_gaps_hold_the_true_area_as_often_as_they_say() -> None:
    rng = np.random.default_rng(11)
    days = np.array([0.0, 7.0, 14.0, 28.0, 42.0, 56.0])
    truth = 5.0 - 40.0 * np.expm1(-0.06 * days)
    area = float(intervals.area_weights(days) @ truth)
    held = []
    for _ in range(600):
        sides = []
        for level in (20.0 + truth, np.full(6, 20.0)):
            bed = 1.0 + 0.1 * rng.standard_normal((4, 1)) + 0.1 * rng.standard_normal((4, 6))
            side = level * bed
            side[rng.random(side.shape) < 1 / 6] = np.nan
            sides.append(side)
        found = intervals.area(beds_of(days, *sides))
        if found.low is not None and found.high is not None:
            held.append(found.low <= area <= found.high)
    assert len(held) > 400
    assert 0.93 <= np.mean(held) <= 0.99


def test_beds_that_all_agree_have_estimates_without_ranges() -> None:
    times = np.array([0.0, 7.0, 14.0, 28.0, 42.0, 56.0])
    level = np.tile(20.1 - 30.0 * np.expm1(-0.05 * times), (3, 1))
    beds = beds_of(times, level, np.full((3, 6), 20.1))
    several = (
        intervals.at_day(beds, 10.0),
        intervals.released_by(beds, 56.0),
        intervals.area(beds),
        intervals.slope(beds, free_start=True),
        intervals.rate(beds, free_start=True),
        intervals.ceiling(beds, free_start=True),
    )
    for found in several:
        assert found.value is not None
        assert (found.low, found.high) == (None, None)
        assert found.reason_low == SPREAD_UNSEEN


@pytest.mark.parametrize("share", [0.0, 0.02])
def test_blocks_that_give_the_same_difference_say_so(share: float) -> None:
    times = np.array([0.0, 7.0, 14.0, 28.0, 42.0, 56.0])
    rise = -30.0 * np.expm1(-0.05 * times)
    control = np.array([[20.0], [24.0]]) + np.zeros(6)
    beds = beds_of(
        times, control + rise, control, share=share, treated_blocks="ab", control_blocks="ab"
    )
    several = (
        intervals.at_day(beds, 7.0),
        intervals.at_day(beds, 10.0),
        intervals.area(beds),
        intervals.rate(beds, free_start=True),
    )
    for found in several:
        assert found.value is not None
        assert (found.low, found.high) == (None, None)
        assert found.reason_low == same_in_blocks(2)


def test_a_sum_that_needs_a_pull_of_one_bed_has_no_range() -> None:
    beds = made("plain")
    beds.treated[1:, 2] = np.nan
    found = intervals.area(beds)
    assert found.value is not None
    assert not found.closed
    assert found.reason_low.startswith(f"one bed on a side on day {beds.days[2]:g}")
