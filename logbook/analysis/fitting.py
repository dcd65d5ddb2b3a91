"""Fitting release curves: no starting values, many series at once, and refusals by name.

`fit_many` takes series that share their pull days and returns a `Batch` for every shape;
`fit_series` takes one series, `fit_each` many of any days, and they return a `Fit` or a `Refusal`
for every shape. A fit says what is
wrong with it (`checks`, `verdict`) before it says its numbers. Standard errors here are asymptotic
(linearised at the optimum, s^2 = rss/df): they check the arithmetic against published fits and are
not the interval of a rate, which they cover badly.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import kinetics, varpro
from logbook.analysis.fits import ASYMPTOTIC, Batch, Check, Curve, Fit, Limit, Parameter, Refusal
from logbook.analysis.given import (
    NO_SCATTER,
    NO_START,
    START_WITHIN,
    Given,
    batch_of,
    checked,
    finite,
    not_counted,
    numbers,
    start_column,
    start_of,
    telling_days,
)
from logbook.analysis.multirate import fit_gompertz, fit_lagged, fit_two_phases
from logbook.analysis.parts import in_parts
from logbook.analysis.verdicts import fit_of
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

__all__ = [
    "ASYMPTOTIC",
    "Asked",
    "Batch",
    "Check",
    "Curve",
    "Fit",
    "Limit",
    "Parameter",
    "Refusal",
    "fit_each",
    "fit_first_order",
    "fit_gompertz",
    "fit_lagged",
    "fit_many",
    "fit_of",
    "fit_series",
    "fit_two_phases",
    "fit_zero_order",
    "refusal_for",
]

#: A limit is preferred to a rate that beats it by less than this share of the rss.
TIE = 1e-9


def fit_zero_order(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares a t, or D0 + a t, of every series.

    Args:
        days: (n,) days since application, none negative.
        values: (series, n) net release, or (n,) for one series.
        free_start: fit D0; otherwise the line starts at 0.
        weights: positive, (n,) or (series, n), proportional to 1/variance.

    Raises:
        UserMistake: NaN, negative days, shapes that do not agree, too few different days, or a
            fitted start without a pull on day 0.
    """
    return in_parts(checked("zero order", days, values, free_start, weights), _zero_order)


def _zero_order(given: Given) -> Batch:
    """`fit_zero_order` of checked input."""
    line = _line(given)
    columns = (*start_column(given), given.days[:, None])
    pairs = (line.start, line.slope) if given.free_start else (line.slope,)
    limit = np.where(given.flat, Limit.FLAT, Limit.INSIDE).astype(np.int8)
    constants = np.stack([line.slope, np.full(len(line.slope), np.nan)], axis=1)
    return batch_of("zero order", given, pairs, columns, (line.rss, limit, line.start, constants))


def fit_first_order(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares A (1 - e^(-k t)), or D0 + A (1 - e^(-k t)), of each series; k per day, above 0.

    Arguments and errors as in `fit_zero_order`. Where the best curve is the straight line (k -> 0)
    or a step (k -> infinity), `limit` says so, k is NaN, and rss and curve are the limit's.
    """
    return in_parts(checked("first order", days, values, free_start, weights), _first_order)


def _first_order(given: Given) -> Batch:
    """`fit_first_order` of checked input."""
    elapsed = given.days - given.origin
    best = varpro.search(varpro.prepare(elapsed, given.searched, given.weights, given.free_start))
    line, jump = _line(given), _step(given)
    limit = _limits(given, best, line.rss, jump.rss)
    rate = np.exp(best.log_rate)
    # From the search's origin back to day 0: A e^(-k t) does not change when t is counted anew.
    ceiling = best.amplitude * np.exp(rate * given.origin)
    risen = -np.expm1(np.multiply.outer(-given.days, rate))
    start = start_of(given, ceiling * risen if given.free_start else risen)
    columns = (risen, ceiling * given.days[:, None] * (1.0 - risen))
    inside = _Limits(limit, start, np.stack([ceiling, rate], axis=1), best.rss)
    chosen = inside.replaced(Limit.LINE, line.start, line.slope, np.nan, line.rss)
    chosen = chosen.replaced(Limit.STEP, jump.start, jump.slope, given.origin, jump.rss)
    chosen = chosen.replaced(Limit.FLAT, jump.start, jump.slope, given.origin, jump.rss)
    return _first_order_batch(given, chosen, columns)


@dataclass(frozen=True)
class _Linear:
    """A curve with one linear constant for each series: start, slope (or height), rss: (s,)."""

    start: Floats
    slope: Floats
    rss: Floats


@dataclass(frozen=True)
class _Limits:
    """The chosen curve of every series: limit code (s,), start (s,), constants (s, 2), rss (s,)."""

    limit: NDArray[np.int8]
    start: Floats
    constants: Floats
    rss: Floats

    def replaced(
        self, limit: Limit, start: Floats, first: Floats, second: float, rss: Floats
    ) -> _Limits:
        """With the given curve in the rows of that limit."""
        here = self.limit == limit
        if not here.any():
            return self
        pair = np.stack(np.broadcast_arrays(first, np.full(len(here), second)), axis=1)
        return _Limits(
            self.limit,
            np.where(here, start, self.start),
            np.where(here[:, None], pair, self.constants),
            np.where(here, rss, self.rss),
        )


def _limits(given: Given, best: varpro.Projection, line: Floats, jump: Floats) -> NDArray[np.int8]:
    """Which limit, if any, each first-order series has run into: (s,) codes."""
    least = best.rss * (1.0 + TIE) + NO_SCATTER * given.sizes
    straight = (best.at_bound < 0) | (line <= least)
    over = (best.at_bound > 0) | (jump <= least)
    codes = np.where(straight, Limit.LINE, np.where(over, Limit.STEP, Limit.INSIDE))
    return np.where(given.flat, Limit.FLAT, codes).astype(np.int8)


def _first_order_batch(given: Given, chosen: _Limits, columns: tuple[Floats, ...]) -> Batch:
    """The batch, with the constants that a limit leaves undetermined set to NaN."""
    inside = chosen.limit == Limit.INSIDE
    step = chosen.limit == Limit.STEP
    ceiling = np.where(inside | step, chosen.constants[:, 0], np.nan)
    rate = np.where(inside, chosen.constants[:, 1], np.nan)
    pairs = (chosen.start, ceiling, rate) if given.free_start else (ceiling, rate)
    found = (chosen.rss, chosen.limit, chosen.start, chosen.constants)
    return batch_of("first order", given, pairs, start_column(given) + columns, found)


def _linear(given: Given, basis: Floats) -> _Linear:
    """The best D0 + c * basis, basis (n,)."""
    zero = np.zeros_like(given.days)
    ready = varpro.prepare(zero, given.values, given.weights, given.free_start)
    slope, rss = varpro.amplitude_of(ready, basis[:, None])
    curve = np.multiply.outer(basis, slope) if given.free_start else basis
    return _Linear(start_of(given, curve), slope, rss)


def _line(given: Given) -> _Linear:
    """The best straight line of every series: the limit of the first order as k goes to 0."""
    return _linear(given, given.days)


def _step(given: Given) -> _Linear:
    """The best step after the origin: the limit of the first order as k goes to infinity."""
    return _linear(given, (given.days > given.origin).astype(float))


def fit_series(
    days: ArrayLike,
    values: ArrayLike,
    free_start: bool,
    *,
    weights: ArrayLike | None = None,
    errors_known: bool = False,
    sd: ArrayLike | None = None,
    shapes: Collection[str] | None = None,
) -> list[Fit | Refusal]:
    """Every shape of `kinetics.SHAPES` fitted to one series, or refused by name.

    Args:
        days, values: (n,) pull days since application and net release; several values on one day
            are allowed and count as one pull.
        free_start: fit D0 (needs a pull on day 0); otherwise the curve starts at 0.
        weights: (n,) positive, proportional to 1/variance.
        errors_known: the error of a result is known beforehand, so fewer pulls will do.
        sd: (n,) or one number, the standard deviation of each value, known beforehand: then the
            weights are 1/sd^2, the rss is a chi2, and errors_known is meant.
        shapes: only these of them; None: all.

    Raises:
        UserMistake: NaN, negative days, arrays that do not match, sd together with weights, or a
            shape that is not known.
    """
    asked = Asked(days, values, free_start, weights, errors_known, sd)
    return fit_each([asked], shapes=shapes)[0]


@dataclass(frozen=True)
class Asked:
    """One series to be fitted: its arrays and what is known of them, as for `fit_series`."""

    days: ArrayLike
    values: ArrayLike
    free_start: bool
    weights: ArrayLike | None = None
    errors_known: bool = False
    sd: ArrayLike | None = None


def fit_each(
    asked: Sequence[Asked], *, shapes: Collection[str] | None = None
) -> list[list[Fit | Refusal]]:
    """`fit_series` of every series, in their order; those that share their days go in a batch.

    Raises:
        UserMistake: as `fit_series`, for the first series that cannot be used.
    """
    ready = [_ready(one) for one in asked]
    answers: list[list[Fit | Refusal]] = [[] for _ in asked]
    for name, fitter in _fitters(shapes).items():
        alike: dict[tuple[bytes, bool, bool], list[int]] = {}
        for place, one in enumerate(ready):
            refusal = refusal_for(name, one.days, one.values, one.free_start, one.errors_known)
            if refusal is not None:
                answers[place].append(refusal)
            else:
                alike.setdefault(one.alike, []).append(place)
        for places in alike.values():
            batch = _together(fitter, [ready[place] for place in places])
            for row, place in enumerate(places):
                answers[place].append(fit_of(batch, row))
    return answers


@dataclass(frozen=True)
class _Ready:
    """A series with its arrays checked: days, values, weights (None: equal), (n,) each."""

    days: Floats
    values: Floats
    weights: Floats | None
    free_start: bool
    errors_known: bool

    @property
    def alike(self) -> tuple[bytes, bool, bool]:
        """What the series of a batch have in common."""
        return self.days.tobytes(), self.free_start, self.weights is None


def _ready(one: Asked) -> _Ready:
    """One series, checked; a standard deviation known beforehand as weights."""
    weights, errors_known = one.weights, one.errors_known
    if one.sd is not None:
        if weights is not None:
            raise UserMistake("weights and standard deviations given: one of them is enough")
        weights, errors_known = _weights_of(one.sd, np.size(np.asarray(one.days))), True
    when, what, weight = numbers(one.days, one.values, weights)
    if len(what) != 1:
        raise UserMistake(f"one series at a time: got {len(what)}")
    return _Ready(
        when, what[0], None if weights is None else weight[0], one.free_start, errors_known
    )


def _together(fitter: Callable[..., Batch], found: Sequence[_Ready]) -> Batch:
    """One shape fitted to series that are alike."""
    known = [one.weights for one in found if one.weights is not None]
    weights = np.array(known) if known else None
    values = np.array([one.values for one in found])
    return fitter(found[0].days, values, free_start=found[0].free_start, weights=weights)


def fit_many(
    days: ArrayLike,
    values: ArrayLike,
    *,
    free_start: bool,
    weights: ArrayLike | None = None,
    shapes: Collection[str] | None = None,
) -> dict[str, Batch]:
    """Every shape of `kinetics.SHAPES` fitted to many series that share their days.

    Args:
        days: (n,) days since application, none negative.
        values: (series, n) net release.
        free_start, weights: as in `fit_zero_order`.
        shapes: only these of them; None: all.

    Returns:
        A `Batch` for each shape, by its name, simplest first. `fit_of` makes a `Fit` of one series
        with its checks. The numbers are those of each series fitted by itself.

    Raises:
        UserMistake: as `fit_zero_order`, for the first shape that cannot be fitted.
    """
    return {
        name: fitter(days, values, free_start=free_start, weights=weights)
        for name, fitter in _fitters(shapes).items()
    }


def _fitters(shapes: Collection[str] | None) -> dict[str, Callable[..., Batch]]:
    """The function that fits each of the shapes, simplest first.

    Raises:
        UserMistake: a shape of that name is not known.
    """
    every: dict[str, Callable[..., Batch]] = {
        "zero order": fit_zero_order,
        "first order": fit_first_order,
        "first order with a lag": fit_lagged,
        "Gompertz": fit_gompertz,
        "two phases": fit_two_phases,
    }
    unknown = [name for name in shapes or () if name not in every]
    if unknown:
        raise UserMistake(f'no shape "{unknown[0]}"; there are {", ".join(every)}')
    return {name: fit for name, fit in every.items() if shapes is None or name in shapes}


def _weights_of(sd: ArrayLike, count: int) -> Floats:
    """1/sd^2 for each value (n,)."""
    spread = np.broadcast_to(finite("standard deviation", sd), (count,))
    if (spread <= 0.0).any():
        raise UserMistake("a standard deviation must be above zero")
    return np.asarray(1.0 / spread**2)


def refusal_for(
    shape: str, days: Floats, values: Floats, free_start: bool, errors_known: bool
) -> Refusal | None:
    """Why this shape may not be fitted to this series (days, values (n,)), or None."""
    wanted = kinetics.SHAPES[shape]
    needs = (wanted.fewest_known if errors_known else wanted.fewest_unknown) + int(free_start)
    has = telling_days(days, free_start)
    if len(np.unique(days)) == 1:
        return Refusal(shape, "one day", f"{shape}: all values are from one day: no curve")
    apart = not_counted(days, free_start)
    if has == 1:
        return Refusal(shape, "one day", f"{shape}: values of one day only{apart}: no curve")
    if has < needs:
        extra = ", one of them for the start" if free_start else ""
        # With known errors fewer would do, which is worth knowing where that is what is missing.
        unknown = not errors_known and has >= wanted.fewest_known + int(free_start)
        why = " where the errors of the values are not known" if unknown else ""
        reason = f"too few pulls: {shape} needs {needs}{extra}{why}, has {has}{apart}"
        return Refusal(shape, "too few pulls", reason)
    if np.ptp(values) == 0.0:
        reason = f"{shape}: all values are equal ({values[0]:g}): no change to fit"
        return Refusal(shape, "all values equal", reason)
    if free_start and days.min() >= START_WITHIN:
        return Refusal(shape, "no pull on day 0", f"{shape}: {NO_START}")
    return None
