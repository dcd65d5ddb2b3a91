"""Curves with two rates as families for `separable`: two phases, and the Gompertz curve."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import paired, separable, varpro
from logbook.analysis.lattice import Grid
from logbook.analysis.orthogonal import dot
from logbook.analysis.separable import Floats, Point, Problem, Solution
from logbook.analysis.terms import Terms

#: The grids in log k, from straight over the whole trial (k t_max) to over before the first pull.
STRAIGHT, OVER = 0.02, 20.0
#: How many peaks of a grid are followed at most: of two phases, first and where in doubt; of
#: sigmoids, on a grid of so many rates by so many days between two pulls.
PHASES_STARTS, SIGMOID_STARTS, SIGMOID_GRID = (1, 19), 12, (40, 5)
#: Rates to a side of the finer grid of two phases, and along an edge of it; and its blocks.
PHASES_GRID, PHASES_BLOCKS = (40, 80), 8
#: Blocks of rates of the sigmoid's grid.
SIGMOID_BLOCKS = 6
#: Near steps: k (t - m) at a pull, negative, from the first to the second, so many.
STEPPED = (-2.0, 4.5, 12)
#: Two phases whose rates have less standard error than the first, and are farther apart than the
#: second, each in log k, with so many degrees of freedom, are the lowest minimum: chosen so that no
#: noisy series in tens of thousands had a lower one. The others are searched again.
WELL_KNOWN, WELL_APART, FEWEST_DF = 0.3, 1.5, 2
#: Two rates closer than this in log k are one: the curve stops changing while the amplitudes grow.
CLOSEST = 0.01
#: Exponents beyond this make no difference to e^(-e^x) in double precision.
LARGEST_EXPONENT = 30.0


@dataclass(frozen=True)
class TwoPhases:
    """A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t)), k1 > k2, with D0 as the first column if free.

    elapsed: (n,) days since the origin of the curve. Rates: log k1, log k2.
    """

    elapsed: Floats
    free_start: bool
    low: Floats = field(init=False)
    high: Floats = field(init=False)

    def __post_init__(self) -> None:
        later = self.elapsed[self.elapsed > 0.0]
        for name, end in (("low", STRAIGHT / later.max()), ("high", OVER / later.min())):
            object.__setattr__(self, name, np.full(2, np.log(end)))

    def terms(self, rates: Floats) -> Terms:
        """The columns and their derivatives."""
        fast, slow = (varpro.rise(self.elapsed, log_rate) for log_rate in rates)
        first = int(self.free_start)
        start = [np.ones_like(fast[0])] if self.free_start else []
        return Terms(
            [*start, fast[0], slow[0]],
            [{first: fast[1]}, {first + 1: slow[1]}],
            {(0, 0): {first: fast[2]}, (1, 1): {first + 1: slow[2]}},
        )

    def start(self, roots: Floats) -> Floats | None:
        """The column of a fitted start at unit length, (n, 1 or s), given the weights' roots."""
        return roots / np.sqrt(dot(roots, roots)) if self.free_start else None

    def inside(self, rates: Floats) -> Floats:
        """Within the bounds, the faster first, and at least CLOSEST apart."""
        kept = np.clip(rates, self.low[:, None], self.high[:, None])
        half = np.maximum(np.abs(kept[0] - kept[1]), CLOSEST) / 2.0
        middle = np.clip(kept.mean(axis=0), self.low[0] + half, self.high[0] - half)
        return np.stack([middle + half, middle - half])

    def grid(self, fine: bool) -> Grid:
        """Pairs of rates, the faster first, and the edges: one rate at a bound, or rates merged."""
        size, edge = PHASES_GRID if fine else (24, 24)
        axis = np.linspace(self.low[0], self.high[0], size)
        fast, slow = np.nonzero(np.tri(size, k=-1, dtype=bool))
        along = np.linspace(self.low[0], self.high[0] - 2.0 * CLOSEST, edge)
        bottom, top = np.full(edge, self.low[0]), np.full(edge, self.high[0])
        edges = [[top, along], [along + 2.0 * CLOSEST, bottom], [along + 2.0 * CLOSEST, along]]
        inner = np.stack([axis[fast], axis[slow]])
        nodes = np.hstack([inner, *(np.stack(one) for one in edges)])
        places = [(size + 1 + 2 * one) * edge + np.arange(edge) for one in range(3)]
        frozen = np.zeros_like(nodes, dtype=bool)
        frozen[0, len(fast) : len(fast) + edge] = True
        frozen[1, len(fast) + edge : len(fast) + 2 * edge] = True
        block = np.full(nodes.shape[1], -1)
        block[: len(fast)] = fast * PHASES_BLOCKS // size
        place = np.append(fast * edge + slow, places)
        return Grid(nodes, (size + 6, edge), place, block if fine else None, frozen)

    def doubtful(self, found: Solution, problem: Problem) -> NDArray[np.bool_]:
        """Where another minimum may be lower: a bound, rates alike, or a rate not well known."""
        df = len(self.elapsed) - 4 - int(self.free_start)
        if df < FEWEST_DF:
            return np.ones(len(found.rss), dtype=bool)
        unknown = ~(rate_errors(problem.point(found.rates), df).max(axis=0) < WELL_KNOWN)
        alike = found.rates[0] - found.rates[1] < WELL_APART
        return np.asarray(at_bound(self, found.rates).any(axis=0) | alike | unknown)


def rate_errors(point: Point, df: int) -> Floats:
    """Asymptotic standard errors of two rates (2, s), from Kaufman's matrix; infinite where it
    has no inverse."""
    (a, b), (_, d) = point.kaufman
    own = a * d - b * b
    variance = 2.0 * point.half / df
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.sqrt(np.where(own > 0.0, variance * np.stack([d, a]) / own, np.inf))


@dataclass(frozen=True)
class Gompertz:
    """The rise of e^(-e^(-k (t - m))) since day 0, with D0 as the first column if free.

    days: (n,) days since application. Rates: log k; m / last day, between 0 and 1.
    """

    days: Floats
    free_start: bool
    low: Floats = field(init=False)
    high: Floats = field(init=False)

    def __post_init__(self) -> None:
        last = self.days.max()
        gap = np.diff(np.unique(np.append(self.days, 0.0))).min()
        object.__setattr__(self, "low", np.array([np.log(STRAIGHT / last), 0.0]))
        object.__setattr__(self, "high", np.array([np.log(OVER / gap), 1.0]))

    def start(self, roots: Floats) -> Floats | None:
        """The column of a fitted start at unit length, (n, 1 or s), given the weights' roots."""
        return roots / np.sqrt(dot(roots, roots)) if self.free_start else None

    def risen(self, rates: Floats) -> tuple[Floats, ...]:
        """The sigmoid less its value on day 0, and its derivatives: k, m, kk, km, mm."""
        there = _sigmoid(self.days[:, None], rates, self.days.max())
        zero = _sigmoid(np.zeros((1, 1)), rates, self.days.max())
        return tuple(a - b for a, b in zip(there, zero, strict=True))

    def terms(self, rates: Floats) -> Terms:
        """The columns and their derivatives: those of the sigmoid, less their values on day 0."""
        value, by_k, by_m, kk, km, mm = self.risen(rates)
        first = int(self.free_start)
        start = [np.ones_like(value)] if self.free_start else []
        return Terms(
            [*start, value],
            [{first: by_k}, {first: by_m}],
            {(0, 0): {first: kk}, (0, 1): {first: km}, (1, 1): {first: mm}},
        )

    def inside(self, rates: Floats) -> Floats:
        """Within the bounds."""
        return np.clip(rates, self.low[:, None], self.high[:, None])

    def grid(self) -> Grid:
        """Rates by days of fastest release, these at the pulls and between them."""
        size, between = SIGMOID_GRID
        pulls = np.unique(np.append(self.days, 0.0)) / self.days.max()
        axis = np.linspace(self.low[0], self.high[0], size)
        share = np.arange(between) / between
        middle = np.append((pulls[:-1, None] + share * np.diff(pulls)[:, None]).ravel(), 1.0)
        k, m = (part.ravel() for part in np.indices((size, len(middle))))
        return self._stepped(np.stack([axis[k], middle[m]]), size, len(middle))

    def _stepped(self, nodes: Floats, rows: int, columns: int) -> Grid:
        """With a last row of near steps: over within a pull, which sees a share of the rise."""
        last, fast = self.days.max(), self.high[0] - np.log(2.0)
        shares = np.linspace(*STEPPED)
        days = (np.unique(self.days)[:, None] - shares[::-1] / np.exp(fast)).ravel()
        days = days[(days >= 0.0) & (days <= last)] / last
        wide = max(columns, len(days))
        inner = np.arange(rows)[:, None] * wide + np.arange(columns)
        place = np.append(inner.ravel(), (rows + 1) * wide + np.arange(len(days)))
        steps = np.stack([np.full(len(days), fast), days])
        frozen = np.zeros((2, len(place)), dtype=bool)
        frozen[0, nodes.shape[1] :] = True
        block = np.full(len(place), -1)
        block[: nodes.shape[1]] = np.repeat(np.arange(rows) * SIGMOID_BLOCKS // rows, columns)
        return Grid(np.hstack([nodes, steps]), (rows + 2, wide), place, block, frozen)


def _sigmoid(days: Floats, rates: Floats, last: float) -> tuple[Floats, ...]:
    """s = e^(-e^x), x = -k (t - m), and its derivatives in log k and m / last."""
    k, move = np.exp(rates[0]), np.exp(rates[0]) * last
    x = np.minimum(-k * (days - rates[1] * last), LARGEST_EXPONENT)
    x = np.maximum(x, -700.0)
    inner = np.exp(x)
    value = np.exp(-inner)
    # d/dx: s' = -e^x s, s'' = s' (1 - e^x); x in log k: x, x; in m: K = k last, 0; mixed: K.
    first = -inner * value
    second = first * (1.0 - inner)
    return (
        value,
        first * x,
        first * move,
        second * x * x + first * x,
        second * x * move + first * move,
        second * move * move,
    )


def search(family: TwoPhases | Gompertz, values: Floats, weights: Floats) -> Solution:
    """The best curve of every series: values (s, n), weights (1 or s, n).

    Series of which another minimum may be lower are searched again on a finer grid with more
    starts: a shallow optimum can hide between grid points.
    """
    problem = _problem(family, values, weights)
    if isinstance(family, Gompertz):
        return separable.search(problem, family.grid(), SIGMOID_STARTS)
    few, many = PHASES_STARTS
    found = separable.search(problem, family.grid(fine=False), few)
    doubtful = np.flatnonzero(family.doubtful(found, problem))
    if not len(doubtful):
        return found
    finer = separable.search(problem.rows(doubtful), family.grid(fine=True), many)
    return found.improved(doubtful, finer)


def _problem(family: TwoPhases | Gompertz, values: Floats, weights: Floats) -> Problem:
    """The series as the search takes them: weighted, a fitted start projected off."""
    roots = np.sqrt(weights.T)
    start = family.start(roots)
    seen = varpro.off(np.ascontiguousarray(values.T) * roots, start)
    return Problem(family, seen, roots, _point)


def _point(problem: Problem, rates: Floats) -> Point:
    """The point of either family."""
    family, roots = problem.family, problem.roots
    assert isinstance(family, TwoPhases | Gompertz)
    start = family.start(roots)
    if isinstance(family, TwoPhases):
        return paired.point_of_two(family.elapsed, problem.values, roots, start, rates)
    column, by_k, by_m, *bends = family.risen(rates)
    moves, seconds = (by_k, by_m), (bends[0], bends[1], bends[2])
    return paired.point_of_one(problem.values, roots, start, column, moves, seconds)


def at_bound(family: TwoPhases | Gompertz, rates: Floats) -> NDArray[np.bool_]:
    """(2 * p + 1, s): at the low end of each rate, at the high end of each, and rates merged."""
    near = 1e-6
    low = rates <= family.low[:, None] + near
    high = rates >= family.high[:, None] - near
    merged = np.zeros((1, rates.shape[1]), dtype=bool)
    if isinstance(family, TwoPhases):
        merged = (rates[:1] - rates[1:]) <= CLOSEST + near
    return np.vstack([low, high, merged])


def risen(days: Floats, rate: Floats, fastest: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of the ceiling that a Gompertz curve has reached, and its derivatives: (n, s) each.

    Args:
        days: (n,) days since application.
        rate, fastest: k, per day, and m, days: (s,).

    Returns:
        The share, and how it moves with k and with m.
    """
    rates = np.stack([np.log(rate), fastest])
    value, by_k, by_m, *_ = _sigmoid(days[:, None], rates, 1.0)
    zero, zero_k, zero_m, *_ = _sigmoid(np.zeros((1, 1)), rates, 1.0)
    left = 1.0 - zero
    share = (value - zero) / left

    def moved(move: Floats, zero_move: Floats) -> Floats:
        return ((move - zero_move) + share * zero_move) / left

    return share, moved(by_k, zero_k) / rate, moved(by_m, zero_m)
