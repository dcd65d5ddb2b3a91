"""Thousands of noisy series against an independent optimiser, and properties of the fit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from logbook.analysis import fitting
from logbook.analysis.fitting import Batch, Limit

Floats = NDArray[np.float64]
SERIES_A_DESIGN = 170
DESIGNS = 10
DAYS = np.array([0.0, 3.0, 7.0, 14.0, 21.0, 28.0, 42.0, 56.0])
FIXED_SEED = settings(derandomize=True, deadline=None, max_examples=60)


def best_rss(days: Floats, values: Floats, free_start: bool) -> tuple[float, float]:
    """Smallest rss and its k: dense search in log k, then a bounded scipy polish; own code."""
    logs = np.linspace(np.log(1e-4 / days.max()), np.log(60 / days[days > 0].min()), 1500)

    def rss(log_rate: float) -> float:
        rise = 1 - np.exp(-np.exp(log_rate) * days)
        design = np.column_stack([np.ones_like(days), rise]) if free_start else rise[:, None]
        return float(
            ((values - design @ np.linalg.lstsq(design, values, rcond=None)[0]) ** 2).sum()
        )

    rise = 1 - np.exp(-np.exp(logs)[:, None] * days)
    target = values
    if free_start:
        rise, target = rise - rise.mean(axis=1, keepdims=True), values - values.mean()
    place = int(np.argmax((rise @ target) ** 2 / (rise**2).sum(axis=1)))
    around = (logs[max(place - 1, 0)], logs[min(place + 1, len(logs) - 1)])
    polished = minimize_scalar(rss, bounds=around, method="bounded", options={"xatol": 1e-9})
    best = min(float(polished.x), float(logs[place]), key=rss)
    return rss(best), float(np.exp(best))


def noisy(rng: np.random.Generator, free_start: bool) -> tuple[Floats, Floats]:
    """Days, and series of release or draw-down with a scatter of 2, 10 or 50 % of the ceiling."""
    pulls = int(rng.integers(6, 13))
    days = np.sort(rng.choice(np.arange(1, 120), pulls, replace=False)).astype(float)
    days[0] = 0.0 if free_start else days[0]
    ceiling = rng.uniform(5, 100, (SERIES_A_DESIGN, 1)) * rng.choice([-1, 1], (SERIES_A_DESIGN, 1))
    rate = 10 ** rng.uniform(-3, 0, (SERIES_A_DESIGN, 1))
    start = rng.uniform(-20, 20, (SERIES_A_DESIGN, 1)) * free_start
    scatter = np.abs(ceiling) * rng.choice([0.02, 0.1, 0.5], (SERIES_A_DESIGN, 1))
    curve = start + ceiling * (1 - np.exp(-rate * days))
    return days, curve + scatter * rng.normal(size=curve.shape)


@pytest.mark.parametrize("free_start", [False, True])
def test_noisy_series_reach_the_best_sum_of_squares(free_start: bool) -> None:
    rng = np.random.default_rng(20260 + free_start)
    limits = []
    for _ in range(DESIGNS):
        days, values = noisy(rng, free_start)
        batch = fitting.fit_first_order(days, values, free_start=free_start)
        for series in range(SERIES_A_DESIGN):
            best, rate = best_rss(days, values[series], free_start)
            check_against_best(batch, series, best, rate)
        limits += list(batch.limit)
    # Enough ordinary optima for the comparison to mean something, and both limits met.
    counts = np.bincount(limits, minlength=4)
    assert counts[Limit.INSIDE] > 1000
    assert counts[Limit.LINE] > 50
    assert counts[Limit.STEP] > 20


def check_against_best(batch: Batch, series: int, best: float, rate: float) -> None:
    """An ordinary fit is as good as the best; a series named as a limit has its optimum there."""
    if batch.limit[series] == Limit.INSIDE:
        assert batch.rss[series] <= best * (1 + 1e-6)
        assert batch.rss[series] >= best * (1 - 1e-6)
    elif batch.limit[series] == Limit.LINE:
        assert rate * batch.days.max() < 0.0201
        assert batch.rss[series] <= best * (1 + 1e-3)
    else:
        assert batch.limit[series] == Limit.STEP
        first = batch.days[0] if batch.free_start else 0.0
        beyond = rate * (batch.days[batch.days > first].min() - first) > 19
        assert beyond or batch.rss[series] <= best * (1 + 2e-9)
        assert batch.rss[series] <= best * (1 + 1e-6)


@pytest.mark.parametrize("free_start", [False, True])
def test_standard_errors_are_those_of_the_linearised_curve(free_start: bool) -> None:
    # s^2 (J'J)^-1 with a Jacobian by central differences and a plain inverse.
    rng = np.random.default_rng(7)
    values = 20 * (1 - np.exp(-0.08 * DAYS)) + rng.normal(size=(40, 8))
    batch = fitting.fit_first_order(DAYS, values, free_start=free_start)
    for series in np.flatnonzero(batch.limit == Limit.INSIDE):
        found = batch.values[series]
        moves = np.diag(1e-5 * np.abs(found))
        jacobian = np.stack(
            [(curve(found + move) - curve(found - move)) / (2 * move.sum()) for move in moves], 1
        )
        spread = batch.rss[series] / batch.df * np.linalg.inv(jacobian.T @ jacobian)
        assert batch.se[series] == pytest.approx(np.sqrt(np.diag(spread)), rel=1e-4)


def curve(constants: Floats) -> Floats:
    """First order over DAYS, with a start when three constants are given."""
    start = constants[0] if len(constants) == 3 else 0.0
    values: Floats = start + constants[-2] * (1 - np.exp(-constants[-1] * DAYS))
    return values


noise = st.lists(st.floats(-3, 3), min_size=8, max_size=8)
ceilings = st.sampled_from([-40.0, -8.0, 12.0, 60.0])
rates = st.floats(0.02, 0.4)


def series_of(ceiling: float, rate: float, scatter: list[float]) -> Floats:
    """Noisy first-order values over DAYS."""
    values: Floats = ceiling * (1 - np.exp(-rate * DAYS)) + np.array(scatter)
    return values


@FIXED_SEED
@given(ceilings, rates, noise, st.floats(-500, 500))
def test_a_shift_moves_only_the_start(
    ceiling: float, rate: float, scatter: list[float], shift: float
) -> None:
    values = series_of(ceiling, rate, scatter)
    for fit in (fitting.fit_zero_order, fitting.fit_first_order):
        here = fit(DAYS, values, free_start=True)
        there = fit(DAYS, values + shift, free_start=True)
        assert there.limit[0] == here.limit[0]
        assert there.values[0, 1:] == pytest.approx(here.values[0, 1:], rel=1e-6, nan_ok=True)
        assert there.values[0, 0] == pytest.approx(here.values[0, 0] + shift, rel=1e-6, abs=1e-6)
        assert there.se[0] == pytest.approx(here.se[0], rel=1e-6, nan_ok=True)


@FIXED_SEED
@given(ceilings, rates, noise, st.floats(-1e3, -1e-3) | st.floats(1e-3, 1e3), st.booleans())
def test_scaling_values_scales_the_ceiling(
    ceiling: float, rate: float, scatter: list[float], factor: float, free: bool
) -> None:
    values = series_of(ceiling, rate, scatter)
    here = fitting.fit_first_order(DAYS, values, free_start=free)
    there = fitting.fit_first_order(DAYS, factor * values, free_start=free)
    assert there.limit[0] == here.limit[0]
    assert there.values[0, -1] == pytest.approx(here.values[0, -1], rel=1e-7, nan_ok=True)
    assert there.values[0, :-1] == pytest.approx(
        factor * here.values[0, :-1], rel=1e-6, abs=1e-9 * abs(factor), nan_ok=True
    )
    assert there.rss == pytest.approx(factor**2 * here.rss, rel=1e-6)


@FIXED_SEED
@given(ceilings, rates, noise, st.floats(0.1, 20), st.booleans())
def test_scaling_time_scales_the_rate_inversely(
    ceiling: float, rate: float, scatter: list[float], factor: float, free: bool
) -> None:
    values = series_of(ceiling, rate, scatter)
    here = fitting.fit_first_order(DAYS, values, free_start=free)
    there = fitting.fit_first_order(DAYS * factor, values, free_start=free)
    assert there.limit[0] == here.limit[0]
    assert there.values[0, -1] * factor == pytest.approx(here.values[0, -1], rel=1e-7, nan_ok=True)
    assert there.values[0, -2] == pytest.approx(here.values[0, -2], rel=1e-6, nan_ok=True)
    assert there.rss == pytest.approx(here.rss, rel=1e-9)


@FIXED_SEED
@given(ceilings, rates, noise, st.permutations(range(8)), st.booleans())
def test_the_order_of_pulls_does_not_matter(
    ceiling: float, rate: float, scatter: list[float], order: list[int], free: bool
) -> None:
    values = series_of(ceiling, rate, scatter)
    here = fitting.fit_first_order(DAYS, values, free_start=free)
    there = fitting.fit_first_order(DAYS[order], values[order], free_start=free)
    assert there.limit[0] == here.limit[0]
    assert there.values == pytest.approx(here.values, rel=1e-7, abs=1e-9, nan_ok=True)


def test_a_shallow_optimum_between_grid_points_beside_a_plateau() -> None:
    # The optimum, at k = 0.206 a day, lies 0.3 % of the rss below a flat plateau.
    days = np.array([25.0, 29, 33, 51, 78, 85, 89, 99, 109])
    values = np.array(
        [98.72372907, 94.78701084, 97.46438782, 98.02216076, 96.15388609, 100.12846893,
         97.57989047, 97.13407755, 99.42114249]
    )  # fmt: skip
    batch = fitting.fit_first_order(days, values, free_start=False)
    best, rate = best_rss(days, values, free_start=False)
    assert batch.limit[0] == Limit.INSIDE
    assert batch.rss[0] == pytest.approx(best, rel=1e-9)
    assert batch.values[0, 1] == pytest.approx(rate, rel=1e-4)


def test_huge_and_tiny_values_fit_as_well() -> None:
    values = series_of(30.0, 0.1, [0.3, -0.2, 0.1, 0.4, -0.5, 0.2, 0.1, -0.3])
    rate = fitting.fit_first_order(DAYS, values, free_start=False).values[0, 1]
    for factor in (1e-140, 1e60):
        again = fitting.fit_first_order(DAYS, values * factor, free_start=False)
        assert again.values[0, 1] == pytest.approx(rate, rel=1e-9)
        assert again.values[0, 0] / factor == pytest.approx(30, abs=1)
