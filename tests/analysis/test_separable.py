"""The search over several rates against certified and published answers, without starting values.

Families that are no shapes of release (sums of decays, in and out) test the engine itself.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest

from logbook.analysis import orthogonal, separable, tworate
from logbook.analysis.lattice import Grid
from logbook.analysis.separable import Floats, Problem
from logbook.analysis.terms import Terms

# NIST/ITL Statistical Reference Datasets, nonlinear regression, Lanczos3: x = 0, .05, ..., 1.15.
# fmt: off
LANCZOS3 = [2.5134, 2.0443, 1.6684, 1.3664, 1.1232, 0.9269, 0.7679, 0.6389, 0.5338, 0.4479, 0.3776,
            0.3197, 0.2720, 0.2325, 0.1997, 0.1723, 0.1493, 0.1301, 0.1138, 0.1000, 0.0883, 0.0783,
            0.0698, 0.0624]
# R data sets Theoph, subject 4 (hours; mg/l) and Indometh, subject 1 (hours; mcg/ml).
THEOPH_4 = ([0, 0.35, 0.6, 1.07, 2.13, 3.5, 5.02, 7.02, 9.02, 11.98, 24.65],
            [0, 1.89, 4.6, 8.6, 8.38, 7.54, 6.88, 5.78, 5.33, 4.19, 1.15])
INDOMETH_1 = ([0.25, 0.5, 0.75, 1, 1.25, 2, 3, 4, 5, 6, 8],
              [1.5, 0.94, 0.78, 0.48, 0.37, 0.19, 0.12, 0.11, 0.08, 0.07, 0.05])
# fmt: on


@dataclass(frozen=True)
class Decays:
    """Sum of b e^(-k t) over so many rates, the fastest first."""

    times: Floats
    count: int

    @property
    def low(self) -> Floats:
        return np.full(self.count, np.log(0.02 / self.times.max()))

    @property
    def high(self) -> Floats:
        return np.full(self.count, np.log(20.0 / self.times[self.times > 0].min()))

    def terms(self, rates: Floats) -> Terms:
        exponents = [self.times[:, None] * np.exp(one) for one in rates]
        decays = [np.exp(-one) for one in exponents]
        first = [{i: -x * d} for i, (x, d) in enumerate(zip(exponents, decays, strict=True))]
        second = {
            (i, i): {i: x * (x - 1) * d}
            for i, (x, d) in enumerate(zip(exponents, decays, strict=True))
        }
        return Terms(decays, first, second)

    def inside(self, rates: Floats) -> Floats:
        return np.clip(rates, self.low[:, None], self.high[:, None])

    def grid(self, size: int) -> Grid:
        axis = np.linspace(self.low[0], self.high[0], size)
        sets = np.array(list(itertools.combinations(axis[::-1], self.count))).T
        places = np.arange(sets.shape[1])
        return Grid(sets, (1, len(places)), places, places // size)


@dataclass(frozen=True)
class InAndOut(Decays):
    """c (e^(-k1 t) - e^(-k2 t)): first order in and out, k2 > k1."""

    def terms(self, rates: Floats) -> Terms:
        parts = super().terms(rates)
        fast, slow = parts.columns
        return Terms(
            [slow - fast],
            [{0: -parts.first[0][0]}, {0: parts.first[1][1]}],
            {(0, 0): {0: -parts.second[0, 0][0]}, (1, 1): {0: parts.second[1, 1][1]}},
        )


def solve(family: Decays, values: object, size: int) -> separable.Solution:
    """One series without weights."""
    column = np.asarray(values, dtype=float)[:, None]
    problem = Problem(family, column, np.ones((len(column), 1)))
    return separable.search(problem, family.grid(size), 20)


def test_lanczos3_to_eight_digits() -> None:
    found = solve(Decays(np.linspace(0.0, 1.15, 24), 3), LANCZOS3, 16)
    order = np.argsort(found.rates[:, 0])
    rates, amplitudes = np.exp(found.rates[order, 0]), found.amplitudes[order, 0]
    assert rates == pytest.approx([9.5498101505e-01, 2.9515951832e00, 4.9863565084e00], rel=1e-8)
    assert amplitudes == pytest.approx(
        [8.6816414977e-02, 8.4400777463e-01, 1.5825685901e00], rel=1e-8
    )
    assert found.rss[0] == pytest.approx(1.6117193594e-08, rel=1e-8)


def test_indometh_subject_1_is_biexponential() -> None:
    # R, SSbiexp: A1 2.02928, ln k1 .57939, A2 .19155, ln k2 -1.78778, rss .011782.
    found = solve(Decays(np.array(INDOMETH_1[0]), 2), INDOMETH_1[1], 24)
    assert found.amplitudes[:, 0] == pytest.approx([2.02928, 0.19155], abs=1e-5)
    assert found.rates[:, 0] == pytest.approx([0.57939, -1.78778], abs=1e-5)
    assert found.rss[0] == pytest.approx(0.011782, abs=5e-7)


def test_theoph_subject_4_is_first_order_in_and_out() -> None:
    # R, SSfol, dose 4.40: ln ke -2.4365, ln ka .1583, ln Cl -3.2861, residual SE .8465 on 8 df;
    # the amplitude is dose ke ka / (Cl (ka - ke)).
    found = solve(InAndOut(np.array(THEOPH_4[0]), 2), THEOPH_4[1], 24)
    assert found.rates[:, 0] == pytest.approx([0.1583, -2.4365], abs=5e-5)
    ka, ke, cl = np.exp([0.1583, -2.4365, -3.2861])
    assert found.amplitudes[0, 0] == pytest.approx(4.40 * ke * ka / (cl * (ka - ke)), rel=2e-4)
    assert np.sqrt(found.rss[0] / 8) == pytest.approx(0.8465, abs=5e-5)


DAYS = np.array([0.0, 3, 7, 14, 21, 28, 42, 56])


@pytest.mark.parametrize("free_start", [False, True])
@pytest.mark.parametrize("kind", [tworate.TwoPhases, tworate.Gompertz])
def test_derivatives_are_those_of_half_the_sum_of_squares(
    kind: type[tworate.TwoPhases] | type[tworate.Gompertz], free_start: bool
) -> None:
    family = kind(DAYS, free_start)
    rng = np.random.default_rng(4)
    roots = np.sqrt(rng.uniform(0.5, 2, (8, 1)))
    problem = Problem(family, rng.normal(size=(8, 6)) * 10 * roots, roots)
    share = rng.uniform(0.45, 0.55, (2, 6)) + np.array([[0.1], [-0.1]])
    at = family.low[:, None] + share * (family.high - family.low)[:, None]
    point = separable.point_at(problem, at)
    step = 1e-4

    def half(first: int, one: float, second: int, other: float) -> Floats:
        moved = at.copy()
        moved[first] += one * step
        moved[second] += other * step
        return separable.solved(problem, moved).rss / 2

    for j, k in ((0, 0), (0, 1), (1, 1)):
        slope = (half(j, 1, k, 0) - half(j, -1, k, 0)) / (2 * step)
        corners = half(j, 1, k, 1) - half(j, 1, k, -1) - half(j, -1, k, 1) + half(j, -1, k, -1)
        assert point.gradient[j] == pytest.approx(slope, rel=1e-4, abs=1e-4)
        assert point.exact[j][k] == pytest.approx(corners / (4 * step**2), rel=2e-3, abs=2e-2)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_columns_apart_agree_with_a_plain_inverse(count: int) -> None:
    rng = np.random.default_rng(count)
    columns = [rng.normal(size=(9, 20)) * 10.0**i for i in range(count)]
    squares, condition = orthogonal.apart(columns)
    for series in range(20):
        design = np.column_stack([column[:, series] for column in columns])
        inverse = np.linalg.inv(design.T @ design)
        assert squares[series] == pytest.approx(1 / np.diag(inverse), rel=1e-8)
        unit = design / np.sqrt((design**2).sum(axis=0))
        assert condition[series] == pytest.approx(np.linalg.cond(unit), rel=1e-6)


def test_columns_that_agree_say_nothing_apart() -> None:
    column = np.arange(1.0, 9.0)[:, None]
    squares, condition = orthogonal.apart([column, column])
    assert np.isinf(condition[0])
    assert list(squares[0]) == [0.0, 0.0]


def test_series_with_weights_of_their_own_start_as_well() -> None:
    rng = np.random.default_rng(2)
    values = 20 * (1 - np.exp(-0.3 * DAYS)) - 15 * (1 - np.exp(-0.03 * DAYS))
    series = values + 0.3 * rng.normal(size=(6, 8))
    weights = rng.uniform(0.5, 2, (6, 8))
    family = tworate.TwoPhases(DAYS, True)
    together = tworate.search(family, series, weights)
    for row in range(6):
        alone = tworate.search(family, series[[row]], weights[[row]])
        assert together.rss[row] == pytest.approx(alone.rss[0], rel=1e-9)
