"""One-rate curves by variable projection, many series at once.

A first-order curve D0 + A (1 - e^(-k t)) is linear in D0 and A. For a given k both follow in closed
form, so that only u = log k is searched: a grid in one matrix product for all series, a parabola
through the best three grid points, then Newton's method with exact derivatives, kept inside a
bracket. No starting values are needed. Method: variable projection, Golub & Pereyra 1973, SIAM J.
Numer. Anal. 10:413-432, here for one rate and with the exact second derivative of the projected
sum of squares.

Shapes of arrays: `elapsed` (n,), `values` (s, n), `weights` (1, n) or (s, n), rates (s,).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: The grid in log k: from a curve that is straight over the whole trial (k t_max = 0.02) to one
#: that is over before the first pull (k t_min = 20).
GRID_SIZE, FINE_GRID_SIZE = 36, 120
STRAIGHT = 0.02
OVER = 20.0
#: A Newton step in log k this small ends the search: convergence is quadratic, so the value after
#: the step is good to rounding.
SMALL_STEP = 1e-10
MOST_STEPS = 60


@dataclass(frozen=True)
class Prepared:
    """Series that share their days, prepared for the search.

    elapsed: days since the origin of the curve; values: centred on their weighted mean when a start
    is fitted, which takes the start out of the problem; weights: positive.
    """

    elapsed: Floats
    values: Floats
    weights: Floats
    free_start: bool

    def rows(self, chosen: Ints) -> Prepared:
        """The same problem for the chosen series (repeats allowed)."""
        weights = self.weights if len(self.weights) == 1 else self.weights[chosen]
        return Prepared(self.elapsed, self.values[chosen], weights, self.free_start)


@dataclass(frozen=True)
class Projection:
    """The best amplitude for given rates: amplitude (s,), rss (s,), at_bound (s,): -1, 0 or +1."""

    log_rate: Floats
    amplitude: Floats
    rss: Floats
    at_bound: NDArray[np.int8]

    def improved(self, rows: Ints, other: Projection) -> Projection:
        """With those of the rows replaced for which `other`, one row for each, has less rss."""
        better = other.rss < self.rss[rows]

        def chosen(mine: NDArray[Any], theirs: NDArray[Any]) -> NDArray[Any]:
            mine = mine.copy()
            mine[rows[better]] = theirs[better]
            return mine

        return Projection(
            chosen(self.log_rate, other.log_rate),
            chosen(self.amplitude, other.amplitude),
            chosen(self.rss, other.rss),
            chosen(self.at_bound, other.at_bound),
        )


def prepare(elapsed: Floats, values: Floats, weights: Floats, free_start: bool) -> Prepared:
    """A `Prepared` with the start projected out of the values when it is to be fitted."""
    if not free_start:
        return Prepared(elapsed, values, weights, free_start)
    return Prepared(elapsed, centred(values, weights), weights, free_start)


def centred(columns: Floats, weights: Floats) -> Floats:
    """Columns (s, n) less their weighted means."""
    return columns - weighted_mean(columns, weights)[:, None]


def weighted_mean(columns: Floats, weights: Floats) -> Floats:
    """Weighted mean of each row of (s, n): (s,)."""
    return np.asarray(_dot(weights, columns) / weights.sum(axis=1))


def amplitude_of(problem: Prepared, basis: Floats) -> tuple[Floats, Floats]:
    """Best amplitude and weighted rss (each (s,)) for a basis (s, n) or (1, n)."""
    if problem.free_start:
        basis = centred(basis, problem.weights)
    weighted = problem.weights * basis
    amplitude = _dot(weighted, problem.values) / _dot(weighted, basis)
    residual = problem.values - amplitude[:, None] * basis
    return amplitude, _dot(problem.weights * residual, residual)


def _dot(one: Floats, other: Floats) -> Floats:
    """Sum of products along each row: (s,); a single row goes with every other."""
    return np.asarray(np.einsum("ij,ij->i", *np.broadcast_arrays(one, other)))


def log_rate_grid(elapsed: Floats, size: int = GRID_SIZE) -> Floats:
    """The grid of log k (size,) that the days can tell apart."""
    later = elapsed[elapsed > 0.0]
    return np.linspace(np.log(STRAIGHT / later.max()), np.log(OVER / later.min()), size)


def search(problem: Prepared) -> Projection:
    """Best log k of every series; `at_bound` where the best is an end of the grid.

    Series that end at a bound are searched again on a finer grid: a shallow optimum beside a limit
    can hide between grid points.
    """
    found = _search(problem, log_rate_grid(problem.elapsed))
    doubtful = np.flatnonzero(found.at_bound)
    if not len(doubtful):
        return found
    finer = log_rate_grid(problem.elapsed, FINE_GRID_SIZE)
    return found.improved(doubtful, _search(problem.rows(doubtful), finer))


def _search(problem: Prepared, grid: Floats) -> Projection:
    """Best log k of every series, from every local minimum of the grid: noise makes several."""
    gain = _gains(problem, grid)
    series, place = _local_best(gain)
    low = grid[np.maximum(place - 1, 0)]
    high = grid[np.minimum(place + 1, len(grid) - 1)]
    followed = problem.rows(series)
    start = _start(followed, grid[place], np.clip(_vertex(grid, gain, series, place), low, high))
    found = _newton(followed, start, low, high)
    amplitude, rss = amplitude_of(followed, _first_order(problem.elapsed, found)[0])
    best = _best_of_each(series, rss)
    ends = np.where(found <= grid[0], -1, np.where(found >= grid[-1], 1, 0)).astype(np.int8)
    return Projection(found[best], amplitude[best], rss[best], ends[best])


def _gains(problem: Prepared, grid: Floats) -> Floats:
    """What the curve takes off the sum of squares, (s, grid), in matrix products.

    Only to choose where to start: it cancels digits, so that the search itself does not use it.
    """
    basis = _first_order(problem.elapsed, grid)[0]
    cross = (problem.weights * problem.values) @ basis.T
    norm = problem.weights @ (basis**2).T
    if problem.free_start:
        norm = norm - (problem.weights @ basis.T) ** 2 / problem.weights.sum(axis=1)[:, None]
    return np.asarray(cross**2 / norm)


def _local_best(gain: Floats) -> tuple[Ints, Ints]:
    """(series, grid place) of every local maximum of the gain, ends included."""
    edge = np.full((len(gain), 1), -np.inf)
    padded = np.hstack([edge, gain, edge])
    peak = (gain >= padded[:, :-2]) & (gain >= padded[:, 2:])
    series, place = np.nonzero(peak)
    return series, place


def _vertex(grid: Floats, gain: Floats, series: Ints, place: Ints) -> Floats:
    """Top of the parabola through a local best and its neighbours; at an end, the end."""
    middle = np.clip(place, 1, len(grid) - 2)
    before, here, after = (gain[series, middle + shift] for shift in (-1, 0, 1))
    bend = before - 2.0 * here + after
    usable = (bend < 0.0) & (middle == place)
    move = np.where(usable, 0.5 * (before - after) / np.where(usable, bend, 1.0), 0.0)
    return np.asarray(grid[place] + move * (grid[1] - grid[0]))


def _start(problem: Prepared, place: Floats, vertex: Floats) -> Floats:
    """The better of grid point and parabola's top: no worse than the bracket's ends in any case."""
    at_place, at_vertex = (
        amplitude_of(problem, _first_order(problem.elapsed, log_rate)[0])[1]
        for log_rate in (place, vertex)
    )
    return np.where(at_vertex <= at_place, vertex, place)


def _newton(problem: Prepared, start: Floats, low: Floats, high: Floats) -> Floats:
    """Newton's method on log k, each row in its own bracket; bisection where Newton leaves it."""
    found, low, high = start.copy(), low.copy(), high.copy()
    rows = np.arange(len(start))
    for _ in range(MOST_STEPS):
        here = found[rows]
        first, second = _derivatives(problem.rows(rows), here)
        rising = first > 0.0
        high[rows[rising]] = here[rising]
        low[rows[~rising]] = here[~rising]
        found[rows], settled = _step(first, second, here, low[rows], high[rows])
        rows = rows[~settled]
        if not len(rows):
            break
    return found


def _step(
    first: Floats, second: Floats, here: Floats, low: Floats, high: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Next log k of each row, and whether the row is done."""
    convex = second > 0.0
    newton = here - np.where(convex, first / np.where(convex, second, 1.0), 0.0)
    # The bracket's ends belong to it: `here` has just become one of them, so a converged row has
    # its next value on the end, and a strict comparison would bisect away from the root.
    inside = convex & (newton >= low) & (newton <= high)
    target = np.where(inside, newton, 0.5 * (low + high))
    settled = np.abs(target - here) <= SMALL_STEP
    return target, np.asarray(settled)


def _derivatives(problem: Prepared, log_rate: Floats) -> tuple[Floats, Floats]:
    """First and second derivative in log k of half the projected sum of squares, (s,) each.

    With r = y - A phi and <a, b> = a' W b: F' = -A <phi_u, r>, which loses no digits since r is
    formed first; A_u = (<phi_u, r> - A <phi_u, phi>) / <phi, phi>;
    F'' = A (A <phi_u, phi_u> + A_u <phi_u, phi> - <phi_uu, r>) - A_u <phi_u, r>.
    """
    shape, slope, bend = _first_order(problem.elapsed, log_rate)
    if problem.free_start:
        shape, slope, bend = (centred(column, problem.weights) for column in (shape, slope, bend))
    weighted_slope, weighted_shape = problem.weights * slope, problem.weights * shape
    norm = _dot(weighted_shape, shape)
    amplitude = _dot(weighted_shape, problem.values) / norm
    residual = problem.values - amplitude[:, None] * shape
    pull = _dot(weighted_slope, residual)
    lean = _dot(weighted_slope, shape)
    drift = (pull - amplitude * lean) / norm
    curved = _dot(problem.weights * bend, residual)
    steep = _dot(weighted_slope, slope)
    second = amplitude * (amplitude * steep + drift * lean - curved) - drift * pull
    return -amplitude * pull, second


def _first_order(elapsed: Floats, log_rate: Floats) -> tuple[Floats, Floats, Floats]:
    """phi = 1 - e^(-kt) and its first two derivatives in log k, each (rates, n)."""
    exponent = np.exp(log_rate)[:, None] * elapsed[None, :]
    shape = -np.expm1(-exponent)
    slope = exponent * np.exp(-exponent)
    return shape, slope, slope * (1.0 - exponent)


def _best_of_each(series: Ints, rss: Floats) -> Ints:
    """Row with the smallest rss of each series, in series order; every series has a row."""
    order = np.lexsort((rss, series))
    first = np.ones(len(order), dtype=bool)
    first[1:] = series[order][1:] != series[order][:-1]
    return np.asarray(order[first])
