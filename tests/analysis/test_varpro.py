"""The search itself: exact derivatives, and quick convergence."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis import varpro

DAYS = np.array([0.0, 3.0, 7.0, 14.0, 21.0, 28.0, 42.0, 56.0])
WEIGHTS = np.array([[1.0, 2.0, 1.0, 0.5, 1.0, 3.0, 1.0, 1.0]])


def noisy(series: int) -> varpro.Floats:
    """Noisy release curves, (series, 8)."""
    rng = np.random.default_rng(11)
    rates = rng.uniform(0.01, 0.3, (series, 1))
    values: varpro.Floats = 20 * (1 - np.exp(-rates * DAYS)) + rng.normal(size=(series, 8))
    return values


@pytest.mark.parametrize("free_start", [False, True])
def test_derivatives_are_those_of_half_the_sum_of_squares(free_start: bool) -> None:
    problem = varpro.prepare(DAYS, noisy(30), WEIGHTS, free_start)
    at = np.linspace(np.log(0.01), np.log(0.5), 30)
    step = 1e-4
    before, here, after = (
        varpro.amplitude_of(problem, 1 - np.exp(-np.exp(at + move) * DAYS[:, None]))[1] / 2
        for move in (-step, 0.0, step)
    )
    half, first, second = varpro._derivatives(problem, at)
    assert half == pytest.approx(here, rel=1e-12)
    assert first == pytest.approx((after - before) / (2 * step), rel=1e-5, abs=1e-5)
    assert second == pytest.approx((after - 2 * here + before) / step**2, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("free_start", [False, True])
def test_the_search_settles_within_a_few_steps(
    free_start: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A bracket that throws a converged row out would use all the steps there are.
    problem = varpro.prepare(DAYS, noisy(2000), WEIGHTS, free_start)
    unhurried = varpro.search(problem)
    monkeypatch.setattr(varpro, "MOST_STEPS", 9)
    hurried = varpro.search(problem)
    same = np.abs(hurried.log_rate - unhurried.log_rate) < 1e-8
    assert same.mean() > 0.99


def test_a_parabola_that_lands_on_a_hump_is_not_trusted() -> None:
    # A shallow optimum at k t_1 = 6.5 before a hump at 8.5 and a plateau: the grid point is better.
    days = np.array([0.0, 35.0, 45.0, 61.0, 64.0, 70.0, 81.0, 96.0])
    values = np.array([[-8.1556911, 35.18124995, 34.65780294, 33.96411805, 35.34692818,
                        35.4833529, 36.64535157, 34.62068262]])  # fmt: skip
    problem = varpro.prepare(days, values, np.ones((1, 8)), free_start=True)
    assert np.exp(varpro.search(problem).log_rate) * 35 == pytest.approx([6.468], abs=0.001)


def test_a_finer_search_replaces_only_what_it_improves() -> None:
    zeros = np.zeros(3)
    coarse = varpro.Projection(
        zeros, zeros, np.array([1.0, 2.0, 3.0]), np.array([1, 0, 1], np.int8)
    )
    finer = varpro.Projection(
        np.array([5.0, 6.0]), np.array([7.0, 8.0]), np.array([0.5, 3.5]), np.array([0, 0], np.int8)
    )
    both = coarse.improved(np.array([0, 2]), finer)
    assert list(both.log_rate) == [5.0, 0.0, 0.0]
    assert list(both.amplitude) == [7.0, 0.0, 0.0]
    assert list(both.rss) == [0.5, 2.0, 3.0]
    assert list(both.at_bound) == [0, 0, 1]
    assert list(coarse.rss) == [1.0, 2.0, 3.0]
