"""First order with a lag, exactly: the best curve between any two pulls, and at every pull.

Between two neighbouring pulls the lag moves only the late values, so that the curve there is
A + B e^(-k t): linear but for k. The best lag is either the one that this curve crosses zero at, if
that lies between the two pulls, or a pull's own day, where the curve is a first order that starts
there. So every candidate is a search over one rate, and none is missed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import separable, varpro
from logbook.analysis.fits import Limit
from logbook.analysis.lattice import Grid
from logbook.analysis.separable import Floats, Problem
from logbook.analysis.terms import Terms

#: A curve without a lag is preferred to one that beats it by less than this share of the rss.
TIE = 1e-9
GRID_SIZE = 36
#: Pulls after the lag that a rate and a lag need: two can be met by many.
LATE_PULLS = 3


@dataclass(frozen=True)
class Lagged:
    """The best curve of every series: ceiling, log_rate, lag (elapsed days), rss, limit: (s,)."""

    ceiling: Floats
    log_rate: Floats
    lag: Floats
    rss: Floats
    limit: NDArray[np.int8]

    def improved(self, other: Lagged, valid: NDArray[np.bool_]) -> Lagged:
        """With the other's curve where that is valid and has clearly less rss."""
        better = valid & (other.rss < self.rss * (1.0 - TIE))
        pairs = zip(vars(self).values(), vars(other).values(), strict=True)
        return Lagged(*(np.where(better, theirs, mine) for mine, theirs in pairs))


@dataclass(frozen=True)
class _Late:
    """A + B e^(-k (t - first)) for the late pulls, 0 for the early; D0 as the first column."""

    elapsed: Floats
    late: NDArray[np.bool_]
    free_start: bool
    low: Floats
    high: Floats

    def terms(self, rates: Floats) -> Terms:
        """The columns and their derivatives in log k."""
        since = np.where(self.late, self.elapsed - self.elapsed[self.late].min(), 0.0)
        exponent = since[:, None] * np.exp(rates[0])
        late = np.broadcast_to(self.late[:, None], exponent.shape).astype(float)
        decay = late * np.exp(-exponent)
        start = [np.ones_like(late)] if self.free_start else []
        last = len(start) + 1
        bend = exponent * (exponent - 1.0) * decay
        return Terms([*start, late, decay], [{last: -exponent * decay}], {(0, 0): {last: bend}})

    def inside(self, rates: Floats) -> Floats:
        """Within the bounds."""
        return np.clip(rates, self.low[:, None], self.high[:, None])


def search(elapsed: Floats, values: Floats, weights: Floats, free_start: bool) -> Lagged:
    """The best curve of every series: values (s, n), weights (1 or s, n), elapsed (n,)."""
    knots = np.unique(np.append(elapsed, 0.0))[:-1]
    found = _from_pull(elapsed, values, weights, free_start, 0.0)
    every = np.ones(len(values), dtype=bool)
    for knot in knots[1:]:
        found = found.improved(_from_pull(elapsed, values, weights, free_start, knot), every)
    for knot in knots:
        if len(np.unique(elapsed[elapsed > knot])) >= LATE_PULLS - 1:
            found = found.improved(*_between(elapsed, values, weights, free_start, knot))
    return found


def _from_pull(
    elapsed: Floats, values: Floats, weights: Floats, free_start: bool, knot: float
) -> Lagged:
    """The best first order that starts on a pull's day."""
    since = np.maximum(elapsed - knot, 0.0)
    best = varpro.search(varpro.prepare(since, values, weights, free_start))
    few = len(np.unique(elapsed[elapsed > knot])) < LATE_PULLS
    ordinary = Limit.NO_LAG if knot == 0.0 else Limit.TOO_FEW_LATE if few else Limit.INSIDE
    limit = np.where(
        best.at_bound < 0, Limit.LINE, np.where(best.at_bound > 0, Limit.STEP, ordinary)
    ).astype(np.int8)
    lag = np.full(len(values), knot)
    return Lagged(best.amplitude, best.log_rate, lag, best.rss, limit)


def _between(
    elapsed: Floats, values: Floats, weights: Floats, free_start: bool, knot: float
) -> tuple[Lagged, NDArray[np.bool_]]:
    """The best curve with its lag between a pull and the next, and whether there is one."""
    late = elapsed > knot
    following = float(elapsed[late].min())
    # A rate over by the second late pull: the first may be anywhere on the rise.
    grid = varpro.log_rate_grid(elapsed[late] - following, GRID_SIZE)
    family = _Late(elapsed, late, free_start, grid[:1], grid[-1:])
    roots = np.sqrt(weights.T)
    problem = Problem(family, np.ascontiguousarray(values.T) * roots, roots)
    series, node = separable.starts(problem, Grid(grid[None, :]), 0)
    rows = problem.rows(series)
    ends = separable.solved(rows, separable.descended(rows, grid[None, node]))
    top, drop = ends.amplitudes[-2], ends.amplitudes[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        lag = following + np.log(-drop / top) / np.exp(ends.rates[0])
    valid = (lag > knot) & (lag < following)
    best = varpro.best_of_each(series, np.where(valid, ends.rss, np.inf))
    rate, few = ends.rates[0, best], len(np.unique(elapsed[late])) < LATE_PULLS
    limit = np.where(
        rate <= grid[0], Limit.LINE, np.where(rate >= grid[-1], Limit.STEP, Limit.INSIDE)
    ).astype(np.int8)
    if few:  # any rate meets both late pulls, so that a bound says nothing
        limit[:] = Limit.TOO_FEW_LATE
    return Lagged(top[best], rate, lag[best], ends.rss[best], limit), valid[best]
