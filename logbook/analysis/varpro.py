"""One-rate curves by variable projection, many series at once.

A first-order curve D0 + A (1 - e^(-k t)) is linear in D0 and A. For a given k both follow in closed
form, so that only u = log k is searched: a grid in one matrix product for all series, a parabola
through the best three grid points, then Newton's method with exact derivatives, kept inside a
bracket. No starting values are needed. Method: variable projection, Golub & Pereyra 1973, SIAM J.
Numer. Anal. 10:413-432, here for one rate and with the exact second derivative of the projected
sum of squares.

Shapes of arrays: elapsed (n,), columns (n, s), pulls down and series across, rates (s,).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.orthogonal import dot

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
#: Gains are level where they differ by less than rounding.
LEVEL = 1.0 + 1e-12


@dataclass(frozen=True)
class Prepared:
    """Series that share their days, prepared for the search: pulls down, series across.

    elapsed: (n,) days since the origin of the curve; values: (n, s) times the roots of the weights,
    a fitted start projected off; roots: (n, 1 or s); start: the roots as a unit column, (n, 1 or
    s), when a start is fitted, which takes it out of the problem.
    """

    elapsed: Floats
    values: Floats
    roots: Floats
    start: Floats | None

    def rows(self, chosen: Ints) -> Prepared:
        """The same problem for the chosen series (repeats allowed)."""
        roots, start = self.roots, self.start
        if roots.shape[1] > 1:
            roots = np.take(roots, chosen, axis=1)
            start = None if start is None else np.take(start, chosen, axis=1)
        return Prepared(self.elapsed, np.take(self.values, chosen, axis=1), roots, start)

    def seen(self, column: Floats) -> Floats:
        """A column (n, 1 or s) as the values are: weighted, the start projected off."""
        return off(self.roots * column, self.start)


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
    """A `Prepared` of values (s, n) and weights (1 or s, n)."""
    roots = np.sqrt(weights.T)
    start = roots / np.sqrt(dot(roots, roots)) if free_start else None
    return Prepared(elapsed, off(roots * values.T, start), np.ascontiguousarray(roots), start)


def weighted_mean(rows: Floats, weights: Floats) -> Floats:
    """Weighted mean of each row of (s, n): (s,); weights (1 or s, n)."""
    if len(weights) == 1:
        return np.asarray(rows @ weights[0] / weights.sum())
    return np.asarray(np.einsum("ij,ij->i", weights, rows) / weights.sum(axis=1))


def amplitude_of(problem: Prepared, basis: Floats) -> tuple[Floats, Floats]:
    """Best amplitude and weighted rss (each (s,)) for a basis (n, s) or (n, 1)."""
    basis = problem.seen(basis)
    amplitude = common(basis, problem.values) / dot(basis, basis)
    residual = problem.values - amplitude * basis
    return amplitude, dot(residual, residual)


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
    place, series = local_best(gain)
    low = grid[np.maximum(place - 1, 0)]
    high = grid[np.minimum(place + 1, len(grid) - 1)]
    followed = problem.rows(series)
    top = np.clip(_vertex(grid, gain, series, place), low, high)
    at_place = (dot(problem.values, problem.values)[series] - gain[place, series]) / 2.0
    found = _newton(followed, grid[place], at_place, top, low, high)
    amplitude, rss = amplitude_of(followed, rise(problem.elapsed, found)[0])
    best = best_of_each(series, rss)
    ends = np.where(found <= grid[0], -1, np.where(found >= grid[-1], 1, 0)).astype(np.int8)
    return Projection(found[best], amplitude[best], rss[best], ends[best])


def _gains(problem: Prepared, grid: Floats) -> Floats:
    """What the curve takes off the sum of squares, (grid, s), in a matrix product.

    Only to choose where to start: it cancels digits, so that the search itself does not use it.
    """
    basis = rise(problem.elapsed, grid)[0]
    if problem.roots.shape[1] > 1:
        return _gains_each(problem, basis)
    basis = problem.seen(basis)
    gain = (basis / np.sqrt(dot(basis, basis))).T @ problem.values
    gain *= gain
    return np.asarray(gain)


def _gains_each(problem: Prepared, basis: Floats) -> Floats:
    """`_gains` where every series has weights of its own; basis (n, grid)."""
    roots, start = problem.roots, problem.start
    cross = basis.T @ (roots * problem.values)
    norm = (basis**2).T @ roots**2
    if start is not None:
        norm -= (basis.T @ (roots * start)) ** 2
    return np.asarray(cross**2 / norm)


def local_best(gain: Floats) -> tuple[Ints, Ints]:
    """(grid place, series) of every local maximum of the gain (g, s), ends included; of a level
    stretch, which has no other, the first place."""
    peak = np.ones(gain.shape, dtype=bool)
    peak[1:] = gain[1:] > gain[:-1] * LEVEL
    peak[:-1] &= gain[1:] <= gain[:-1] * LEVEL
    place, series = np.nonzero(peak)
    return place, series


def _vertex(grid: Floats, gain: Floats, series: Ints, place: Ints) -> Floats:
    """Top of the parabola through a local best and its neighbours; at an end, the end."""
    middle = np.clip(place, 1, len(grid) - 2)
    before, here, after = (gain[middle + shift, series] for shift in (-1, 0, 1))
    bend = before - 2.0 * here + after
    usable = (bend < 0.0) & (middle == place)
    move = np.where(usable, 0.5 * (before - after) / np.where(usable, bend, 1.0), 0.0)
    return np.asarray(grid[place] + move * (grid[1] - grid[0]))


def _newton(
    problem: Prepared, place: Floats, at_place: Floats, vertex: Floats, low: Floats, high: Floats
) -> Floats:
    """Newton's method on log k, each row in its own bracket; bisection where Newton leaves it.

    It starts from the better of grid point, where half the rss is `at_place`, and parabola's top:
    no worse than the bracket's ends.
    """
    found, rows = vertex.copy(), np.arange(len(place))
    half, first, second = _derivatives(problem, vertex)
    worse = np.flatnonzero(half > at_place)
    found[worse] = place[worse]
    _, first[worse], second[worse] = _derivatives(problem.rows(worse), place[worse])
    here, now, ends = problem, found, (low, high)
    for _ in range(MOST_STEPS):
        rising = first > 0.0
        ends = np.where(rising, ends[0], now), np.where(rising, now, ends[1])
        now, settled = _step(first, second, now, *ends)
        found[rows] = now
        going = np.flatnonzero(~settled)
        if not len(going):
            break
        rows, now, ends = rows[going], now[going], (ends[0][going], ends[1][going])
        here = here.rows(going)
        _, first, second = _derivatives(here, now)
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


def _derivatives(problem: Prepared, log_rate: Floats) -> tuple[Floats, Floats, Floats]:
    """Half the projected sum of squares, and its first and second derivative in log k, (s,) each.

    With r = y - A phi and <a, b> = a' W b: F' = -A <phi_u, r>, which loses no digits since r is
    formed first; A_u = (<phi_u, r> - A <phi_u, phi>) / <phi, phi>;
    F'' = A (A <phi_u, phi_u> + A_u <phi_u, phi> - <phi_uu, r>) - A_u <phi_u, r>. Only phi needs the
    start projected off: r and phi have nothing in common with it.
    """
    shape, slope, bend = (problem.roots * one for one in rise(problem.elapsed, log_rate))
    shape = off(shape, problem.start)
    norm = dot(shape, shape)
    amplitude = dot(shape, problem.values) / norm
    lean = dot(slope, shape)
    shape *= amplitude
    residual = np.subtract(problem.values, shape, out=shape)
    pull, curved, steep = dot(slope, residual), dot(bend, residual), dot(slope, slope)
    if problem.start is not None:
        steep -= common(problem.start, slope) ** 2
    drift = (pull - amplitude * lean) / norm
    second = amplitude * (amplitude * steep + drift * lean - curved) - drift * pull
    return dot(residual, residual) / 2.0, -amplitude * pull, second


def rise(elapsed: Floats, log_rate: Floats) -> tuple[Floats, Floats, Floats]:
    """1 - e^(-kt) and its first two derivatives in log k, each (n, s): elapsed (n,), rates (s,)."""
    exponent = np.multiply.outer(elapsed, np.exp(log_rate))
    shape = np.expm1(np.negative(exponent))
    slope = shape + 1.0
    slope *= exponent
    np.negative(shape, out=shape)
    np.subtract(1.0, exponent, out=exponent)
    exponent *= slope
    return shape, slope, exponent


def off(column: Floats, start: Floats | None) -> Floats:
    """A column (n, s) without its part along the start (n, 1 or s) of unit length."""
    return column if start is None else column - start * common(start, column)


def common(one: Floats, column: Floats) -> Floats:
    """Sum of products down each series: (s,); a single `one` (n, 1) goes with every column."""
    if one.shape[1] == 1:
        return np.asarray(one[:, 0] @ column)
    return dot(*np.broadcast_arrays(one, column))


def best_of_each(series: Ints, rss: Floats) -> Ints:
    """Row with the smallest rss of each series, in series order; every series has a row."""
    order = np.lexsort((rss, series))
    first = np.ones(len(order), dtype=bool)
    first[1:] = series[order][1:] != series[order][:-1]
    return np.asarray(order[first])
