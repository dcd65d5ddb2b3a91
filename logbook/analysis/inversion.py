"""First-order constants with their 95 % ends, from beds or from one bed's errors, batched.

Bed-score inversion: if D = A phi(k), any h that is orthogonal to phi has E[h.D] = 0 whatever A, so
a Welch or paired t of the bed scores h.y tests one k; likewise h orthogonal to the slope of phi
tests one A. The interval is every value that is not rejected, outward from the estimate to the
first root. Profile: the same walk on the residual sum of squares, for one bed a side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.nuisance import under
from logbook.analysis.rising import NEAR_BOUND, Rise, best_rate, dot, off
from logbook.analysis.scores import Scatter, Units, critical
from logbook.analysis.walking import Margin, first_root

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: How far a ceiling is followed up and down from its estimate, as a logarithm.
FARTHEST = 9.0
#: A score this small, as a share of the ceiling, is zero but for rounding.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Ends:
    """One constant of many series: all (series,); NaN is an open end or no estimate.

    at_line, at_step: the best rate lies at its lower or upper bound; misfit: even the best curve
    is rejected, so that there is no interval; falls: the ceiling is below zero.
    """

    value: Floats
    low: Floats
    high: Floats
    df: Floats
    at_line: Flags
    at_step: Flags
    misfit: Flags
    falls: Flags


@dataclass(frozen=True)
class _Best:
    """Least-squares u and A of every series, what they were fitted to, and whether at a bound."""

    rise: Rise
    seen: Floats
    rate: Floats
    ceiling: Floats

    @property
    def at_line(self) -> Flags:
        return np.asarray(self.rate - self.rise.line < NEAR_BOUND)

    @property
    def at_step(self) -> Flags:
        return np.asarray(self.rise.step - self.rate < NEAR_BOUND)


def rates(units: Units, rise: Rise) -> Ends:
    """k per day of every series by bed-score inversion."""
    scatter = units.scatter
    best = _best(rise, scatter.difference)
    ends = _rate_walk(best, _rate_margin(scatter, rise))
    return _with_df(ends, scatter.contrast(off(*reversed(rise.basis(best.rate)))).df)


def ceilings(units: Units, rise: Rise) -> Ends:
    """A of every series by bed-score inversion."""
    scatter = units.scatter
    best = _best(rise, scatter.difference)
    ends = _ceiling_walk(best, _ceiling_margin(scatter, units.offsets, best))
    return _with_df(ends, scatter.contrast(off(*rise.basis(best.rate))).df)


def profiled_rates(rise: Rise, difference: Floats, variance: float | None) -> Ends:
    """k per day by profile: F(1, n - p) cut-off, or chi-square where the variance is known.

    Args:
        rise: with the roots of the weights. difference: (series, n).
        variance: of a result of unit weight; None: estimated from the residuals.
    """
    best, cut, df = _profile(rise, difference, variance)

    def margin(rate: Floats, rows: NDArray[np.intp]) -> Floats:
        phi, _ = rise.basis(rate)
        left = off(best.seen[rows], phi)
        return np.asarray(dot(left, left) - cut[rows])

    return _with_df(_rate_walk(best, margin), df)


def profiled_ceilings(rise: Rise, difference: Floats, variance: float | None) -> Ends:
    """A by profile; arguments as for `profiled_rates`."""
    best, cut, df = _profile(rise, difference, variance)
    search = under(rise, best.seen)

    def margin(ceiling: Floats, rows: NDArray[np.intp]) -> Floats:
        phi, _ = rise.basis(search.rate(ceiling, rows))
        left = best.seen[rows] - ceiling[:, None] * phi
        return np.asarray(dot(left, left) - cut[rows])

    return _with_df(_ceiling_walk(best, margin), df)


def _best(rise: Rise, difference: Floats) -> _Best:
    """The least-squares curve of every series."""
    seen = rise.seen(difference)
    return _Best(rise, seen, *best_rate(rise, seen))


def _rate_margin(scatter: Scatter, rise: Rise) -> Margin:
    """How far beyond the critical value the beds' scores against a rate are."""

    def margin(rate: Floats, rows: NDArray[np.intp]) -> Floats:
        phi, steep = rise.basis(rate)
        some = scatter.rows(rows)
        found = some.contrast(off(steep, phi))
        return np.asarray(np.abs(found.estimate) - some.half_width(found))

    return margin


def _ceiling_margin(scatter: Scatter, offsets: Floats, best: _Best) -> Margin:
    """How far beyond the critical value the beds' scores against a ceiling are.

    The rate that goes with the ceiling is that of `nuisance`, which says why.
    """
    search = under(best.rise, best.seen, offsets)

    def margin(ceiling: Floats, rows: NDArray[np.intp]) -> Floats:
        phi, steep = best.rise.basis(search.rate(ceiling, rows))
        h = off(phi, steep)
        some = scatter.rows(rows)
        found = some.contrast(h)
        distance = np.abs(found.estimate - ceiling * dot(h, phi))
        return np.asarray(distance - some.half_width(found))

    return margin


def _profile(rise: Rise, difference: Floats, variance: float | None) -> tuple[_Best, Floats, float]:
    """The best curves, the largest RSS inside the interval of each, and degrees of freedom."""
    best = _best(rise, difference)
    phi, _ = rise.basis(best.rate)
    left = best.seen - best.ceiling[:, None] * phi
    least = dot(left, left)
    df = len(rise.days) - 2 - int(rise.free_start)
    if variance is None:
        return best, least * (1.0 + float(critical(df)) ** 2 / df), float(df)
    return best, least + variance * float(critical(np.inf)) ** 2, np.inf


def _rate_walk(best: _Best, margin: Margin) -> Ends:
    """Ends of k: down to a line, up to a step."""
    misfit = margin(best.rate, np.arange(len(best.rate))) > 0.0
    misfit &= best.at_line | best.at_step
    start = np.where(misfit, np.nan, best.rate)
    low = first_root(margin, start, np.full_like(start, best.rise.line))
    high = first_root(margin, start, np.full_like(start, best.rise.step))
    value = np.where(best.at_line | best.at_step, np.nan, best.rate)
    return _ends(best, np.exp(value), np.exp(low), np.exp(high), misfit)


def _ceiling_walk(best: _Best, margin: Margin) -> Ends:
    """Ends of A: towards zero, and away from it until the curve is a line."""
    with np.errstate(divide="ignore"):
        size = np.log(np.abs(best.ceiling))
    sign = np.where(best.ceiling < 0.0, -1.0, 1.0)
    by_size = _by_size(margin, sign)
    beyond = by_size(size, np.arange(len(size)))
    # Away from a bound only by luck (1 in 100,000): what rounding leaves does not count there.
    rounding = np.where(best.at_line | best.at_step, 0.0, ROUNDING * np.abs(best.ceiling))
    misfit = beyond > rounding
    start = np.where(misfit | ~np.isfinite(size), np.nan, size)
    near = sign * np.exp(first_root(by_size, start, size - FARTHEST))
    far = sign * np.exp(first_root(by_size, start, _farthest(best, size)))
    value = np.where(best.at_line, np.nan, best.ceiling)
    up = sign > 0.0
    return _ends(best, value, np.where(up, near, far), np.where(up, far, near), misfit)


def _by_size(margin: Margin, sign: Floats) -> Margin:
    """The margin as a function of log |A|."""
    return lambda size, rows: margin(sign[rows] * np.exp(size), rows)


def _farthest(best: _Best, size: Floats) -> Floats:
    """log |A| at which the curve of a series is a line; FARTHEST up where its line falls."""
    phi, _ = best.rise.basis(np.full_like(size, best.rise.line))
    line = dot(phi, best.seen) / dot(phi, phi)
    with np.errstate(divide="ignore"):
        there = np.log(np.abs(line))
    usable = (line * best.ceiling > 0.0) & (there >= size)
    return np.where(usable, there, size + FARTHEST)


def _ends(best: _Best, value: Floats, low: Floats, high: Floats, misfit: Flags) -> Ends:
    """Ends of one constant, degrees of freedom still to come."""
    unknown, falls = np.full_like(value, np.nan), best.ceiling < 0.0
    return Ends(value, low, high, unknown, best.at_line, best.at_step, misfit, falls)


def _with_df(ends: Ends, df: Floats | float) -> Ends:
    """The same ends with their degrees of freedom."""
    return replace(ends, df=np.broadcast_to(np.asarray(df, dtype=float), ends.value.shape))
