"""The 95 % range between beds of a fitted curve on any day, for figures.

A straight line's value on a day is a weighted sum of the pulls, so its range is that of a contrast.
A first-order curve is linearised at its rate: the weights are the row of the day in the hat matrix
of the tangents, and half the range is made wider by how far the curve bends within one standard
error of log k. Other shapes get the ranges of the pulls themselves, joined by straight lines.
Source of the linearisation: Bates & Watts 1988, Nonlinear Regression Analysis, section 2.3; how
often these bands hold the curve was simulated, see docs/coverage.md.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import intervals
from logbook.analysis.complete import Whole, whole
from logbook.analysis.fits import Fit, Limit
from logbook.analysis.intervals import Interval
from logbook.analysis.rising import Rise, dot, off
from logbook.analysis.scores import Beds, Scatter, units_of
from logbook.trial.times import age_text

Floats = NDArray[np.float64]
#: Standard error of a weighted sum of the pulls of every series: (series, n) -> (series,).
Error = Callable[[Floats], Floats]

AT_PULLS = "95 % range between beds at each pull, joined by straight lines"
OF_CURVE = "95 % range between beds of the fitted curve, day by day"
#: A standard error of log k above this says no more than that k is hardly known.
WIDEST = 1.0


@dataclass(frozen=True)
class Band:
    """A range on each of some days, in the unit of the series.

    low, high: (days,), or None with the reason; method: how it was found, and for which beds.
    """

    days: tuple[float, ...]
    low: tuple[float, ...] | None
    high: tuple[float, ...] | None
    method: str
    reason: str


def band(
    beds: Beds, fit: Fit, days: Sequence[float], *, cv: float | None = None, floor: float = 0.0
) -> Band:
    """The 95 % range of a fit on some days, each day by itself.

    Args:
        beds: the results that were fitted; fit: drawn from them.
        days: within the days that were fitted (from day 0 on for a curve that starts at 0).
        cv, floor: the laboratory's declared error, used with one bed a side only.
    """
    kept = whole(beds)
    asked = np.asarray(days, dtype=float)
    first = beds.days[0] if fit.free_start else min(0.0, float(beds.days[0]))
    if not asked.size or asked.min() < first or asked.max() > beds.days[-1]:
        return _nothing(
            days,
            f"a band is given from day {age_text(first)} to day {age_text(beds.days[-1])} only",
        )
    if kept.beds.fewest < 2 and not intervals.Lab(cv, floor).known:
        return _nothing(days, intervals.ONE_BED)
    rise = _rise(kept.beds, fit, cv, floor)
    weights = _weights(kept.beds, fit, rise, asked)
    if weights is None:
        return _at_pulls(beds, asked, cv, floor)
    found = _linear(kept.beds, weights, cv, floor)
    unknown = next((each.reason_low for each in found if not each.closed), "")
    if unknown:
        return _nothing(days, unknown)
    extra = np.zeros(len(asked))
    rate = _rate(fit, rise)
    if rate is not None:
        difference = units_of(kept.beds).difference
        error = intervals.error_of(kept.beds, cv=cv, floor=floor)
        extra = np.concatenate([bend(rise, difference, rate, day, error) for day in asked])
    return _of_curve(kept, fit, asked, found, extra)


def _linear(beds: Beds, weights: Floats, cv: float | None, floor: float) -> list[Interval]:
    """The interval of each row of weights; without any weight the curve is where it must be."""
    found = [
        intervals.linear(beds, row, cv=cv, floor=floor) if row.any() else None for row in weights
    ]
    some = next((each for each in found if each is not None), None)
    fixed = Interval(0.0, 0.0, 0.0, "" if some is None else some.method, "", "", None)
    return [fixed if each is None else each for each in found]


def curve_weights(rise: Rise, rate: Floats, day: float) -> Floats:
    """Weights of the pulls in the value on a day of first-order curves near their rate u.

    Args:
        rate: (series,). Returns (series, n): the row of the day in the hat matrix of the tangents.
    """
    roots = rise.roots[:, None]
    pulls, there = (_tangents(rise, rate, at) for at in (rise.days, np.array([day])))
    return _hat_row(pulls * roots, there[:, 0]) * rise.roots


def bend(rise: Rise, difference: Floats, rate: Floats, day: float, error: Error) -> Floats:
    """How far the curves on a day leave their tangent within one standard error of u: (series,)."""
    phi, steep = rise.basis(rate)
    h = off(steep, phi)
    seen = rise.seen(difference)
    with np.errstate(divide="ignore", invalid="ignore"):
        ceiling = dot(phi, seen) / dot(phi, phi)
        step = error(h * rise.roots) / np.abs(ceiling * dot(h, steep))
    step = np.where(np.isfinite(step), np.minimum(step, WIDEST), WIDEST)
    there = [_value(rise, difference, rate + way * step, day) for way in (-1.0, 0.0, 1.0)]
    return np.asarray(np.abs(there[0] - 2.0 * there[1] + there[2]) / 2.0)


def half_widths(rise: Rise, scatter: Scatter, rate: Floats, day: float) -> tuple[Floats, Floats]:
    """Middle and half the width of the band on a day of first-order curves: each (series,)."""
    found = scatter.contrast(curve_weights(rise, rate, day))
    extra = bend(rise, scatter.difference, rate, day, lambda h: scatter.contrast(h).error)
    return found.estimate, scatter.half_width(found) + extra


def _tangents(rise: Rise, rate: Floats, days: Floats) -> Floats:
    """Derivatives of the curve by D0 (when free), by A, and by u for A = 1: (series, days, p)."""
    exponent = np.exp(rate)[:, None] * np.maximum(days, 0.0)
    columns = [-np.expm1(-exponent), exponent * np.exp(-exponent)]
    if rise.free_start:
        columns.insert(0, np.ones_like(exponent))
    return np.stack(columns, axis=-1)


def _hat_row(columns: Floats, row: Floats) -> Floats:
    """row (J'J)^-1 J' of every series: columns J (series, n, p), row (series, p)."""
    size = np.sqrt((columns**2).sum(1))
    orthogonal, upper = np.linalg.qr(columns / size[:, None])
    solved = np.linalg.solve(np.swapaxes(upper, 1, 2), (row / size)[..., None])[..., 0]
    return np.asarray(np.einsum("sp,snp->sn", solved, orthogonal))


def _value(rise: Rise, difference: Floats, rate: Floats, day: float) -> Floats:
    """Value on a day of the curve that fits best with a given u: (series,)."""
    roots = rise.roots[:, None]
    keep = slice(None, -1)  # D0 and A only
    pulls, there = (_tangents(rise, rate, at)[..., keep] for at in (rise.days, np.array([day])))
    return dot(_hat_row(pulls * roots, there[:, 0]), difference * rise.roots)


def _weights(beds: Beds, fit: Fit, rise: Rise, days: Floats) -> Floats | None:
    """Weights of the pulls in the fit on each day, (days, n); None for a shape without them."""
    if fit.shape == "zero order":
        columns = np.stack([np.ones_like(beds.days), beds.days], axis=-1)[:, not fit.free_start :]
        rows = np.stack([np.ones_like(days), days], axis=-1)[:, not fit.free_start :]
        if len(beds.days) < columns.shape[1]:
            return None
        all_columns = np.broadcast_to(columns * rise.roots[:, None], (len(days), *columns.shape))
        return _hat_row(all_columns, rows) * rise.roots
    rate = _rate(fit, rise) if len(beds.days) > 2 + fit.free_start else None
    if rate is None:
        return None
    return np.concatenate([curve_weights(rise, rate, day) for day in days])


def _rise(beds: Beds, fit: Fit, cv: float | None, floor: float) -> Rise:
    """The days of the beds, with the weights that a fit to one bed a side has."""
    roots = None
    if beds.fewest < 2:
        free = fit.free_start
        roots = intervals.one_bed_weights(beds, free_start=free, cv=cv, floor=floor)
    even = np.ones(len(beds.days))
    return Rise(beds.days, even if roots is None else np.sqrt(roots), fit.free_start)


def _rate(fit: Fit, rise: Rise) -> Floats | None:
    """u of a first-order fit, its bound where it lies there, None for other shapes: (1,)."""
    if fit.shape != "first order" or not (rise.days > 0.0).any():
        return None
    if fit.limit in {Limit.LINE, Limit.STEP}:
        return np.array([rise.line if fit.limit == Limit.LINE else rise.step])
    k = fit.parameter("k").value
    return None if k is None else np.log([k])


def _of_curve(
    kept: Whole, fit: Fit, days: Floats, found: Sequence[Interval], extra: Floats
) -> Band:
    """The band of a line or of a first-order curve, which it always holds."""
    curve = fit.at(days)
    low = np.minimum([each.low or 0.0 for each in found] - extra, curve)
    high = np.maximum([each.high or 0.0 for each in found] + extra, curve)
    parts = (OF_CURVE, found[0].method, kept.note)
    return _band(days, low, high, "; ".join(part for part in parts if part))


def _at_pulls(beds: Beds, days: Floats, cv: float | None, floor: float) -> Band:
    """The band that supposes no shape: every pull's own range, joined by straight lines."""
    found = [intervals.at_day(beds, float(day), cv=cv, floor=floor) for day in beds.days]
    known = [(day, each) for day, each in zip(beds.days, found, strict=True) if each.closed]
    if not known or days.min() < known[0][0] or days.max() > known[-1][0]:
        where = f"day {known[0][0]:g} to day {known[-1][0]:g} only" if known else "no day"
        return _nothing(tuple(days), f"two beds a side have results from {where}")
    at = [day for day, _ in known]
    low = np.interp(days, at, [each.low or 0.0 for _, each in known])
    high = np.interp(days, at, [each.high or 0.0 for _, each in known])
    return _band(days, low, high, f"{AT_PULLS}; {known[0][1].method}")


def _band(days: Floats, low: Floats, high: Floats, method: str) -> Band:
    """Arrays as a band."""
    first, second, third = (tuple(float(x) for x in each) for each in (days, low, high))
    return Band(first, second, third, method, "")


def _nothing(days: Sequence[float], reason: str) -> Band:
    """No band, for one reason."""
    return Band(tuple(float(day) for day in days), None, None, "none", reason)
