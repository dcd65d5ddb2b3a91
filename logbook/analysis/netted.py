"""95 % intervals from net values alone, where no bed is known: an old spreadsheet's column.

A rate and a ceiling by profile likelihood, sums of values by their standard errors. They speak of
these values and their scatter about the curve; nothing here separates an amendment from its bed.
Source of the profile and its cut-off: Bates & Watts 1988, Nonlinear Regression Analysis, 6.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import intervals, inversion
from logbook.analysis.intervals import Interval
from logbook.analysis.rising import Rise
from logbook.analysis.scores import critical
from logbook.trial.times import age_text

Floats = NDArray[np.float64]

THESE_VALUES = "these values only: no beds, so no claim about the amendment"
NO_ERROR = "no standard errors given: nothing says how far this sum may be off"


@dataclass(frozen=True)
class Values:
    """Net values on their days, (n,) each; sd: their standard errors, None when not known."""

    days: Floats
    values: Floats
    free_start: bool
    sd: Floats | None

    @property
    def rise(self) -> Rise:
        """The first-order basis on these days with their weights."""
        roots = np.ones(len(self.days)) if self.sd is None else 1.0 / self.sd
        return Rise(self.days, roots, self.free_start)

    @property
    def variance(self) -> float | None:
        """Of a value of unit weight: 1 where standard errors were given."""
        return None if self.sd is None else 1.0

    @property
    def method(self) -> str:
        """How an interval was made."""
        name = "residual error" if self.sd is None else "given standard errors"
        return f"profile, {name}; {THESE_VALUES}"


def values_of(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, sd: ArrayLike | None = None
) -> Values:
    """Net values for the functions below; days may repeat."""
    when, what = (np.asarray(one, dtype=float) for one in (days, values))
    order = np.argsort(when, kind="stable")
    error = None if sd is None else np.asarray(sd, dtype=float)[order]
    return Values(when[order], what[order], free_start, error)


def rate(given: Values) -> Interval:
    """First-order k per day."""
    ends = inversion.profiled_rates(given.rise, given.values[None], given.variance)
    return intervals.of_rate(ends, given.method)


def half_life(given: Values) -> Interval:
    """ln 2 / k in days, its ends from those of k."""
    return intervals.halved(rate(given))


def ceiling(given: Values) -> Interval:
    """First-order A, above D0 when that is fitted."""
    ends = inversion.profiled_ceilings(given.rise, given.values[None], given.variance)
    return intervals.of_ceiling(ends, given.method)


def slope(given: Values) -> Interval:
    """Zero-order a per day: weighted least squares, through 0 unless the start is free."""
    rise = given.rise
    basis, seen = rise.seen(given.days), rise.seen(given.values)
    size = float(basis @ basis)
    value = float(basis @ seen) / size
    df = len(given.days) - 1 - int(given.free_start)
    if given.sd is not None:
        half = float(critical(np.inf)) / math.sqrt(size)
        return Interval(value, value - half, value + half, given.method, "", "", None)
    residual = seen - value * basis
    error = math.sqrt(float(residual @ residual) / df / size)
    half = float(critical(df)) * error
    method = given.method.replace("profile", "least squares")
    return Interval(value, value - half, value + half, method, "", "", float(df))


def area(given: Values) -> Interval:
    """Area under the values (trapezoids), in the unit times days; several of a day averaged."""
    days, means = _by_day(given)
    if len(days) < 2:
        return intervals.nothing("an area needs two days")
    return _sum(given, intervals.area_weights(days) @ means, "trapezoids")


def at_day(given: Values, day: float) -> Interval:
    """The value on a day, between two days along the straight line that joins them.

    A start fixed at 0 stands on day 0 without an error of its own.
    """
    weights = _weights_on(given, day)
    if weights is None:
        first = given.days[0] if given.free_start else min(0.0, given.days[0])
        return intervals.nothing(
            f"day {age_text(day)} is outside the values (day {age_text(first)} to day "
            f"{age_text(given.days[-1])})"
        )
    return _sum(given, weights, "lines between the values")


def released_by(given: Values, day: float) -> Interval:
    """The value on a day less that of day 0, where a free start needs a value."""
    start = _weights_on(given, 0.0)
    if start is None:
        return intervals.nothing("no value on day 0: what was there at the start is not known")
    weights = _weights_on(given, day)
    if weights is None:
        return at_day(given, day)
    # A start fixed at 0 is 0 by declaration, whatever was measured on day 0.
    kept = weights - start if given.free_start else weights
    return _sum(given, kept, "lines between the values")


def _by_day(given: Values) -> tuple[Floats, Floats]:
    """The different days, and the weights that average the values of each: (days, n)."""
    days = np.unique(given.days)
    means = [(given.days == day) / (given.days == day).sum() for day in days]
    return days, np.array(means)


def _weights_on(given: Values, day: float) -> Floats | None:
    """Weights of the values in the value on a day; None outside of them."""
    days, means = _by_day(given)
    if not given.free_start and days[0] > 0.0:
        days, means = np.append(0.0, days), np.vstack([np.zeros(means.shape[1]), means])
    weights = intervals.day_weights(days, day)
    return None if weights is None else np.asarray(weights @ means)


def _sum(given: Values, weights: Floats, how: str) -> Interval:
    """A weighted sum of the values, with a range where their standard errors are known."""
    value = float(weights @ given.values)
    if given.sd is None:
        return Interval(value, None, None, f"{how}; {THESE_VALUES}", NO_ERROR, NO_ERROR, None)
    half = float(critical(np.inf)) * math.sqrt(float(weights**2 @ given.sd**2))
    method = f"{how}, given standard errors; {THESE_VALUES}"
    return Interval(value, value - half, value + half, method, "", "", None)
