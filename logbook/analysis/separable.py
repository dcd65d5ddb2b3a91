"""Curves linear in their amplitudes, with one to three rates: many series at once.

For given rates the amplitudes follow by least squares, so that only the rates are searched: a grid
of rates in a few matrix products for all series, then Levenberg and Marquardt's method from the
best grid points, with the exact second derivatives of the projected sum of squares wherever they
bend upwards and Kaufman's Jacobian elsewhere. No starting values are needed. Methods: Golub &
Pereyra 1973, SIAM J. Numer. Anal. 10:413-432; Kaufman 1975, BIT 15:49-57.

Shapes of arrays: values (n, s), roots of weights (n, 1 or s), rates (p, s), columns (n, s).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.lattice import Grid, best_nodes
from logbook.analysis.orthogonal import Frame, definite_solve, dot, frame
from logbook.analysis.terms import Terms
from logbook.analysis.varpro import best_of_each

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MOST_STEPS = 240
#: Steps that a block of series is taken at a time, and numbers in one array of a block.
ROUND, BLOCK = 8, 16_000
#: After so many steps each, starts of a series within this share of the bounds' distance have met,
#: and those that gain too little, the best few apart, are left.
LEGS, MEETING, MANY_TIMES, ALWAYS = (3, 4, 8), 1e3, 4.0, 3
#: A step this small in every rate ends the search: the next would be its square.
SMALL_STEP = 1e-9
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-2, 1e-12, 1e6
#: The longest step, as a share of the way between the bounds; and of one that only settles.
LONGEST_STEP, SETTLING = 0.125, 1e-5
#: Half the sum of squares may rise by rounding, relative to itself and to that of the values.
ROUNDING, ROUNDING_OF_VALUES = 1e-13, 1e-31


class Family(Protocol):
    """A family of curves. low, high: (p,) bounds of the rates."""

    @property
    def low(self) -> Floats: ...

    @property
    def high(self) -> Floats: ...

    def terms(self, rates: Floats) -> Terms:
        """The columns at rates (p, s)."""

    def inside(self, rates: Floats) -> Floats:
        """The nearest allowed rates."""


@dataclass(frozen=True)
class Problem:
    """Series to fit: a family, values (n, s) times roots, roots (n, 1 or s).

    own_point: a quicker way of the family to `point_at`, for these series.
    """

    family: Family
    values: Floats
    roots: Floats
    own_point: Callable[[Problem, Floats], Point] | None = None

    def point(self, rates: Floats) -> Point:
        """Half the rss and its derivatives at rates (p, s)."""
        return (self.own_point or point_at)(self, rates)

    def rows(self, chosen: Ints) -> Problem:
        """The same problem for the chosen series (repeats allowed)."""
        roots = self.roots
        if roots.shape[1] > 1:
            roots = np.take(roots, chosen, axis=1)
        return replace(self, values=np.take(self.values, chosen, axis=1), roots=roots)


@dataclass(frozen=True)
class Solution:
    """Rates (p, s), amplitudes (m, s), rss (s,)."""

    rates: Floats
    amplitudes: Floats
    rss: Floats

    def improved(self, rows: Ints, other: Solution) -> Solution:
        """With those of the rows replaced for which `other`, one for each, has less rss."""
        better = other.rss < self.rss[rows]
        mine = (self.rates.copy(), self.amplitudes.copy(), self.rss.copy())
        for old, new in zip(mine, (other.rates, other.amplitudes, other.rss), strict=True):
            old[..., rows[better]] = new[..., better]
        return Solution(*mine)


@dataclass(frozen=True)
class Point:
    """Where a search stands: half the rss (s,), its gradient (p, s), and two matrices (p, p, s) of
    second derivatives: the exact one and Kaufman's."""

    half: Floats
    gradient: Floats
    exact: Floats
    kaufman: Floats

    def replaced(self, better: NDArray[np.bool_], other: Point) -> Point:
        """With the other's numbers where it is better."""
        pairs = zip(vars(other).values(), vars(self).values(), strict=True)
        return Point(*(np.where(better, theirs, mine) for theirs, mine in pairs))

    def kept(self, rows: NDArray[np.bool_]) -> Point:
        """The point of some of the rows."""
        return Point(*(np.compress(rows, one, axis=-1) for one in vars(self).values()))


def _fitted(problem: Problem, terms: Terms) -> tuple[Frame, list[Floats], Floats]:
    """The frame of the columns, the amplitudes and the residual (n, s)."""
    found = frame(terms.columns)
    along = found.along(problem.values)
    rest = found.off(problem.values, along)
    more = found.along(rest)
    amplitudes = found.solve([a + b for a, b in zip(along, more, strict=True)])
    return found, amplitudes, found.off(rest, more)


def solved(problem: Problem, rates: Floats) -> Solution:
    """Amplitudes and rss at given rates."""
    terms = problem.family.terms(rates).times(problem.roots)
    _, amplitudes, rest = _fitted(problem, terms)
    return Solution(rates, np.stack(amplitudes), dot(rest, rest))


def _moved(amplitudes: list[Floats], moves: dict[int, Floats]) -> Floats:
    """How the curve moves when its columns move and its amplitudes stay: (n, s)."""
    parts = [amplitudes[i] * move for i, move in moves.items()]
    return sum(parts[1:], parts[0])


def point_at(problem: Problem, rates: Floats) -> Point:
    """Half the rss and its derivatives in the rates.

    With r the residual, v_j the curve's move in rate j, e_j its part along the columns, o_j the
    rest, s_j the products of the columns' moves with r, and h_j = R'^-1 s_j: F_j = -v_j r, which
    loses no digits since r is formed first; Kaufman's matrix is o_j o_k, and the exact one
    F_jk = o_j o_k + h_j e_k + h_k e_j - h_j h_k - r v_jk.
    """
    terms = problem.family.terms(rates).times(problem.roots)
    found, amplitudes, rest = _fitted(problem, terms)
    moves = [_moved(amplitudes, first) for first in terms.first]
    along = [found.along(move) for move in moves]
    off = [found.off(move, part) for move, part in zip(moves, along, strict=True)]
    still = np.zeros_like(amplitudes[0])
    pulls = [
        found.solve_across(
            [dot(first[i], rest) if i in first else still for i in range(len(amplitudes))]
        )
        for first in terms.first
    ]
    count = range(len(moves))
    kaufman = [[dot(off[j], off[k]) for k in count] for j in count]
    exact = [[kaufman[j][k] + _mixed(pulls, along, j, k) for k in count] for j in count]
    for (j, k), second in terms.second.items():
        bend = dot(_moved(amplitudes, second), rest)
        exact[j][k] = exact[j][k] - bend
        if j != k:
            exact[k][j] = exact[j][k]
    uphill = np.stack([-dot(move, rest) for move in moves])
    return Point(dot(rest, rest) / 2.0, uphill, np.array(exact), np.array(kaufman))


def _mixed(pulls: list[list[Floats]], along: list[list[Floats]], j: int, k: int) -> Floats:
    """h_j e_k + h_k e_j - h_j h_k."""
    parts = [
        pulls[j][i] * along[k][i] + pulls[k][i] * along[j][i] - pulls[j][i] * pulls[k][i]
        for i in range(len(along[j]))
    ]
    return sum(parts[1:], parts[0])


def _step(point: Point, held: NDArray[np.bool_], damping: Floats, longest: Floats) -> Floats:
    """The damped step (p, s): exact where that bends upwards, Kaufman's elsewhere."""
    right, count = -point.gradient, len(held)
    sizes = damping * np.maximum(np.einsum("jjs->js", point.kaufman), 1e-300)
    some = held.any()
    if some:
        right[held] = 0.0

    def damped(matrix: Floats) -> list[list[Floats]]:
        rows = [
            [matrix[j, k] + sizes[j] if j == k else matrix[j, k] for k in range(count)]
            for j in range(count)
        ]
        if some:
            for j, k in itertools.product(range(count), repeat=2):
                rows[j][k] = np.where(held[j] | held[k], float(j == k), rows[j][k])
        return rows

    steps, bends = definite_solve(damped(point.exact), list(right))
    step = np.stack(steps)
    if not bends.all():
        other, _ = definite_solve(damped(point.kaufman), list(right))
        step = np.where(bends, step, np.stack(other))
    return np.clip(step, -longest, longest)


def descended(
    problem: Problem,
    start: Floats,
    steps: int = MOST_STEPS,
    frozen: NDArray[np.bool_] | None = None,
) -> Floats:
    """The rates (p, s) that lie below each start: of its minimum, or after so many steps.

    frozen: (p, s), rates that stay where they are.
    """
    found = problem.family.inside(start)
    rows, damping = np.arange(start.shape[1]), np.full(start.shape[1], FIRST_DAMPING)
    for taken in range(0, steps, ROUND):
        going = [
            _round(problem, block, found, damping, frozen, min(ROUND, steps - taken))
            for block in _blocks(rows, len(problem.values))
        ]
        rows = np.concatenate(going) if going else rows
        if not len(rows):
            break
    return found


def _blocks(rows: Ints, pulls: int) -> list[Ints]:
    """The rows in blocks of which an array stays in the processor's cache."""
    size = max(1, BLOCK // pulls)
    return [rows[start : start + size] for start in range(0, len(rows), size)]


def _round(
    problem: Problem,
    rows: Ints,
    found: Floats,
    damping: Floats,
    frozen: NDArray[np.bool_] | None,
    steps: int,
) -> Ints:
    """Some steps of some rows; writes where they stand to `found` and `damping`.

    Those that are not at their end are returned, to be gathered with the rest of other blocks.
    """
    family, here = problem.family, problem.rows(rows)
    low, high = family.low[:, None], family.high[:, None]
    longest = LONGEST_STEP * (high - low)
    floor = ROUNDING_OF_VALUES * dot(here.values, here.values)
    now, damp, still = found[:, rows], damping[rows], None if frozen is None else frozen[:, rows]
    point = here.point(now)
    for _ in range(steps):
        held = ((now <= low) & (point.gradient > 0.0)) | ((now >= high) & (point.gradient < 0.0))
        if still is not None:
            held |= still
        target = family.inside(now + _step(point, held, damp, longest))
        trial = here.point(target)
        better = trial.half <= point.half * (1.0 + ROUNDING) + floor
        moved = np.abs(target - now).max(axis=0)
        now = np.where(better, target, now)
        point = point.replaced(better, trial)
        damp = np.where(better, np.maximum(damp * 0.1, LEAST_DAMPING), damp * 10.0)
        found[:, rows], damping[rows] = now, damp
        going = (moved > SMALL_STEP) & (damp <= MOST_DAMPING)
        if not going.all():
            rows, damp, floor, point = rows[going], damp[going], floor[going], point.kept(going)
            now, here = now[:, going], here.rows(np.flatnonzero(going))
            still = None if still is None else still[:, going]
        if not len(rows):
            break
    return rows


def starts(problem: Problem, grid: Grid, most: int) -> tuple[Ints, Ints]:
    """(series, node) to start from: the nodes of the grid that take more off the sum of squares
    than those around them, and of these the best `most` of every series."""
    if problem.roots.shape[1] == 1:
        return _starts_alike(problem, grid, most)
    kinds, which = np.unique(problem.roots, axis=1, return_inverse=True)
    found = []
    for kind in range(kinds.shape[1]):
        rows = np.flatnonzero(which.ravel() == kind)
        alike = Problem(problem.family, problem.values[:, rows], kinds[:, [kind]])
        series, node = _starts_alike(alike, grid, most)
        found.append((rows[series], node))
    series, node = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return series, node


def _starts_alike(problem: Problem, grid: Grid, most: int) -> tuple[Ints, Ints]:
    """`starts` of series that share their weights, a block at a time."""
    basis = frame(problem.family.terms(grid.nodes).times(problem.roots).columns)
    found = []
    for rows in _blocks(np.arange(problem.values.shape[1]), grid.nodes.shape[1] // 4):
        gain = _gains(basis, problem.values[:, rows[0] : rows[-1] + 1])
        series, node = best_nodes(gain, grid, most)
        found.append((rows[series], node))
    series, node = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return series, node


def _gains(basis: Frame, values: Floats) -> Floats:
    """What the curves at a basis' nodes take off the sums of squares of values (n, s): (g, s).

    Only to choose where to start: it cancels digits, so that the search itself does not use it.
    """
    gain = np.zeros((basis.q[0].shape[1], values.shape[1]))
    for q in basis.q:
        part = q.T @ values
        part *= part
        gain += part
    return gain


def search(problem: Problem, grid: Grid, most: int) -> Solution:
    """The best rates of every series, from the best nodes of the grid's zones."""
    series, node = starts(problem, grid, most)
    if most > 1:
        return _best_of_many(problem, grid, series, node)
    rows = problem.rows(series)
    found = solved(rows, descended(rows, grid.nodes[:, node]))
    best = best_of_each(series, found.rss)
    return Solution(found.rates[:, best], found.amplitudes[:, best], found.rss[best])


def _best_of_many(problem: Problem, grid: Grid, series: Ints, node: Ints) -> Solution:
    """The best end of some starts of every series: those that meet on the way go on as one, and
    those that cannot become the best go no further."""
    near = grid.nodes[:, node]
    frozen = None if grid.frozen is None else grid.frozen[:, node]
    for steps in LEGS:
        near = descended(problem.rows(series), near, steps, frozen)
        apart = _different(problem.family, series, near)
        series, near, frozen = series[apart], near[:, apart], None
        kept = _promising(problem.rows(series), series, near)
        series, near = series[kept], near[:, kept]
    rows = problem.rows(series)
    found = descended(rows, near)
    best = best_of_each(series, solved(rows, found).rss)
    return solved(problem, _settled(problem, found[:, best]))


def _settled(problem: Problem, rates: Floats) -> Floats:
    """Rates after two more steps of Newton's, where those are small and lessen the slope.

    A sum of squares is level to rounding long before its slope is: a descent may end a little short
    of the digits that there are to be had.
    """
    family = problem.family
    low, high = family.low[:, None], family.high[:, None]
    now = rates.copy()
    for block in _blocks(np.arange(rates.shape[1]), len(problem.values)):
        here, mine = problem.rows(block), now[:, block]
        point = here.point(mine)
        for _ in range(2):
            held = (mine <= low) | (mine >= high)
            step = _step(point, held, np.full(len(block), LEAST_DAMPING), SETTLING * (high - low))
            target = family.inside(mine + step)
            trial = here.point(target)
            slopes = (np.abs(np.where(held, 0.0, one.gradient)) for one in (trial, point))
            less = np.less(*(slope.max(axis=0) for slope in slopes))
            less &= trial.half <= point.half * (1.0 + 1e-10)
            mine, point = np.where(less, target, mine), point.replaced(less, trial)
        now[:, block] = mine
    return now


def _promising(problem: Problem, series: Ints, rates: Floats) -> NDArray[np.bool_]:
    """Starts that may still become the best of their series: not where, were what the next step
    is going to gain gained many times over, another would still be lower."""
    family = problem.family
    low, high = family.low[:, None], family.high[:, None]
    half, gained = np.empty(len(series)), np.empty(len(series))
    for block in _blocks(np.arange(len(series)), len(problem.values)):
        now, point = rates[:, block], problem.rows(block).point(rates[:, block])
        held = ((now <= low) & (point.gradient > 0.0)) | ((now >= high) & (point.gradient < 0.0))
        damping = np.full(len(block), FIRST_DAMPING)
        uphill = np.where(held, 0.0, point.gradient)
        step = _step(point, held, damping, LONGEST_STEP * (high - low))
        half[block], gained[block] = point.half, np.abs(uphill * step).sum(axis=0)
    least = np.full(series.max() + 1, np.inf)
    np.minimum.at(least, series, half)
    order = np.lexsort((half, series))
    rank = np.empty(len(series), dtype=np.intp)
    rank[order] = np.arange(len(series)) - np.searchsorted(series[order], series[order])
    return (rank < ALWAYS) | (half - MANY_TIMES * gained <= least[series])


def _different(family: Family, series: Ints, rates: Floats) -> Ints:
    """Rows, one of each group of starts of a series that have met."""
    place = np.rint((rates - family.low[:, None]) / (family.high - family.low)[:, None] * MEETING)
    _, rows = np.unique(np.vstack([series, place]), axis=1, return_index=True)
    return np.asarray(rows)
