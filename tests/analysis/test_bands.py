"""Bands of fitted curves against t tests of bed scores whose weights are worked out again here."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from logbook.analysis import bands, fitting, intervals
from logbook.analysis.bands import Band, band
from logbook.analysis.fits import Fit
from logbook.analysis.rising import Rise, best_rate
from logbook.analysis.scores import Beds, Units, beds_of

Floats = NDArray[np.float64]

DAYS = np.array([0.0, 4, 7, 14, 28, 42, 56, 70, 84, 98, 112])
GRID = [0.0, 5.0, 28.0, 63.0, 112.0]


def made(*, beds: int = 4, line: bool = False, start: float = 8.0, seed: int = 1) -> Beds:
    """Invented beds on a first-order curve or a line."""
    rng = np.random.default_rng(seed)
    release = start + (0.3 * DAYS if line else -40.0 * np.expm1(-0.04 * DAYS))
    sides = (
        mean
        * (1.0 + 0.05 * rng.standard_normal((beds, 1)))
        * (1.0 + 0.05 * rng.standard_normal((beds, len(DAYS))))
        for mean in (30.0 + release, np.full(len(DAYS), 30.0))
    )
    return beds_of(DAYS, *sides)


def fit_of(beds: Beds, shape: str, *, free: bool) -> Fit:
    """The fit of one shape to the mean difference."""
    values = beds.treated.mean(0) - beds.control.mean(0)
    weights = None
    if beds.fewest < 2:
        weights = intervals.one_bed_weights(beds, free_start=free)
    found = fitting.fit_series(list(beds.days), list(values), free, weights=weights, shapes=[shape])
    assert isinstance(found[0], Fit)
    return found[0]


def ends(found: Band) -> tuple[Floats, Floats]:
    """Both edges, which must be there."""
    assert found.low is not None
    assert found.high is not None
    return np.array(found.low), np.array(found.high)


def interval(beds: Beds, weights: Floats) -> tuple[float, float]:
    """Welch's 95 % interval of a weighted sum of the pulls, by scipy."""
    tested = stats.ttest_ind(beds.treated @ weights, beds.control @ weights, equal_var=False)
    found = tested.confidence_interval(0.95)
    return float(found.low), float(found.high)


def test_a_line_through_zero_widens_with_its_day() -> None:
    beds = made(line=True, start=0.0)
    low, high = ends(band(beds, fit_of(beds, "zero order", free=False), GRID))
    slope = intervals.slope(beds)
    assert slope.low is not None
    assert slope.high is not None
    assert low == pytest.approx(slope.low * np.array(GRID))
    assert high == pytest.approx(slope.high * np.array(GRID))


def test_a_line_with_a_start_is_the_range_of_a_regression() -> None:
    beds = made(line=True)
    low, high = ends(band(beds, fit_of(beds, "zero order", free=True), GRID))
    design = np.column_stack([np.ones(len(DAYS)), DAYS])
    for place, day in enumerate(GRID):
        weights = np.array([1.0, day]) @ np.linalg.pinv(design)
        assert (low[place], high[place]) == pytest.approx(interval(beds, weights))


@pytest.mark.parametrize("free", [False, True])
@pytest.mark.parametrize("day", [5.0, 28.0, 112.0])
def test_a_first_order_band_by_its_definition(free: bool, day: float) -> None:
    beds = made(start=8.0 if free else 0.0)
    net = beds.treated.mean(0) - beds.control.mean(0)

    def design(log_rate: float, days: Floats) -> Floats:
        rise = 1.0 - np.exp(-math.exp(log_rate) * days)
        return np.column_stack([np.ones(len(days)), rise][not free :])

    def fitted(log_rate: float, days: Floats) -> Floats:
        height = np.linalg.lstsq(design(log_rate, DAYS), net, rcond=None)[0]
        return np.asarray(design(log_rate, days) @ height)

    best = optimize.minimize_scalar(
        lambda u: float(((net - fitted(u, DAYS)) ** 2).sum()),
        bounds=(math.log(0.01), math.log(0.2)),
        method="bounded",
        options={"xatol": 1e-10},
    ).x

    def tangents(days: Floats) -> Floats:
        k = math.exp(best)
        return np.column_stack([design(best, days), k * days * np.exp(-k * days)])

    row = (tangents(np.array([day])) @ np.linalg.pinv(tangents(DAYS)))[0]
    plain = interval(beds, row)
    # How surely log k is known: its score is what is left of the tangent beside the others.
    others = design(best, DAYS)
    steep = tangents(DAYS)[:, -1]
    left = steep - others @ np.linalg.lstsq(others, steep, rcond=None)[0]
    height = np.linalg.lstsq(others, net, rcond=None)[0][-1]
    error = math.sqrt(sum((side @ left).var(ddof=1) / 4 for side in (beds.treated, beds.control)))
    step = error / abs(height * (left @ steep))
    three = [fitted(best + way * step, np.array([day]))[0] for way in (-1, 0, 1)]
    bend = abs(three[0] - 2.0 * three[1] + three[2]) / 2.0
    low, high = ends(band(beds, fit_of(beds, "first order", free=free), [day]))
    assert (low[0], high[0]) == pytest.approx((plain[0] - bend, plain[1] + bend), rel=1e-5)


def test_the_band_holds_its_curve_and_is_nothing_wide_where_nothing_is_free() -> None:
    beds = made(start=0.0)
    fit = fit_of(beds, "first order", free=False)
    low, high = ends(band(beds, fit, list(np.linspace(0.0, 112.0, 57))))
    curve = fit.at(np.linspace(0.0, 112.0, 57))
    assert (low <= curve).all()
    assert (curve <= high).all()
    assert (low[0], high[0]) == (0.0, 0.0)
    assert (high[1:] > low[1:]).all()


def test_a_band_alone_is_that_of_many_at_once() -> None:
    beds = made()
    fit = fit_of(beds, "first order", free=True)
    low, high = ends(band(beds, fit, [5.0, 70.0]))
    rise = Rise(DAYS, np.ones(len(DAYS)), free_start=True)
    scatter = Units(beds.treated[None], beds.control[None]).scatter
    log_rate, _ = best_rate(rise, rise.seen(scatter.difference))
    for place, day in enumerate((5.0, 70.0)):
        middle, half = bands.half_widths(rise, scatter, log_rate, day)
        assert (low[place], high[place]) == pytest.approx(
            (middle[0] - half[0], middle[0] + half[0])
        )


@pytest.mark.parametrize(("rate", "day"), [(0.05, 10.0), (0.02, 56.0)])
def test_nineteen_curves_in_twenty(rate: float, day: float) -> None:
    rng = np.random.default_rng(5)
    days = DAYS[1:9]
    soil = np.full((3000, 3, len(days)), 30.0)
    release = -40.0 * np.expm1(-rate * days)
    sides = [
        mean
        * (1.0 + 0.05 * rng.standard_normal((3000, 3, 1)))
        * (1.0 + 0.1 * rng.standard_normal(soil.shape))
        for mean in (soil + release, soil)
    ]
    rise, scatter = Rise(days, np.ones(len(days))), Units(*sides).scatter
    log_rate, _ = best_rate(rise, rise.seen(scatter.difference))
    middle, half = bands.half_widths(rise, scatter, log_rate, day)
    covered = (np.abs(middle + 40.0 * np.expm1(-rate * day)) <= half).mean()
    # 3,000 runs: one standard error of 0.95 is 0.004.
    assert 0.935 <= covered <= 0.975


def test_another_shape_gets_the_ranges_of_the_pulls() -> None:
    beds = made()
    fit = fit_of(beds, "Gompertz", free=False)
    found = band(beds, fit, [0.0, 14.0, 21.0, 28.0])
    low, high = ends(found)
    assert "at each pull, joined by straight lines" in found.method
    of_pulls = [intervals.at_day(beds, day) for day in (14.0, 28.0)]
    assert (low[1], low[3]) == pytest.approx(tuple(each.low for each in of_pulls))
    assert low[2] == pytest.approx((low[1] + low[3]) / 2.0)
    assert high[2] == pytest.approx((high[1] + high[3]) / 2.0)


def test_one_bed_has_a_band_of_these_beds_only() -> None:
    beds = made(beds=1, start=0.0)
    fit = fit_of(beds, "zero order", free=False)
    bare = band(beds, fit, GRID)
    assert (bare.low, bare.high) == (None, None)
    assert bare.reason == intervals.ONE_BED
    # A smallest SD alone is a declaration too.
    least = band(beds, fit, GRID, floor=1.0)
    assert intervals.THESE_BEDS in least.method and least.low is not None
    found = band(beds, fit, GRID, cv=0.05, floor=1.0)
    assert intervals.THESE_BEDS in found.method
    _, high = ends(found)
    # Weighted least squares through zero: variance of the slope 1 / sum(t^2 / var).
    values = beds.treated[0], beds.control[0]
    weights = intervals.one_bed_weights(beds, free_start=False, cv=0.05, floor=1.0)
    assert weights is not None
    row = DAYS * weights / (DAYS**2 @ weights)
    variance = 0.05**2 * (values[0] ** 2 + values[1] ** 2) + 2.0
    half = 1.959964 * math.sqrt(row**2 @ variance) * 112.0
    middle = row @ (values[0] - values[1]) * 112.0
    assert high[-1] == pytest.approx(middle + half, rel=1e-5)


@pytest.mark.parametrize("days", [[-1.0], [113.0], []])
def test_no_band_outside_the_pulls(days: list[float]) -> None:
    beds = made()
    found = band(beds, fit_of(beds, "first order", free=True), days)
    assert found.low is None
    assert found.reason == "a band is given from day 0 to day 112 only"


def test_a_gap_is_named() -> None:
    beds = made()
    fit = fit_of(beds, "first order", free=True)
    beds.treated[:2, 3] = np.nan
    assert "gaps: without day 14" in band(beds, fit, [28.0]).method
