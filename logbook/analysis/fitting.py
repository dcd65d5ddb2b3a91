"""Fitting release curves: no starting values, many series at once, and refusals by name.

`fit_zero_order` and `fit_first_order` take series that share their pull days and return a `Batch`;
`fit_series` takes one series and returns a `Fit` or a `Refusal` for every shape. A fit says what is
wrong with it (`checks`, `verdict`) before it says its numbers. Standard errors here are asymptotic
(linearised at the optimum, s^2 = rss/df): they check the arithmetic against published fits and are
not the interval of a rate, which they cover badly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import kinetics, varpro
from logbook.analysis.beds import LARGEST
from logbook.analysis.fits import ASYMPTOTIC, Batch, Check, Curve, Fit, Limit, Parameter, Refusal
from logbook.analysis.verdicts import fit_of
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

__all__ = [
    "ASYMPTOTIC",
    "Batch",
    "Check",
    "Curve",
    "Fit",
    "Limit",
    "Parameter",
    "Refusal",
    "fit_first_order",
    "fit_of",
    "fit_series",
    "fit_zero_order",
    "refusal_for",
]

#: A start can be told from release only by a pull within a day of mixing.
START_WITHIN = 1.0
#: Weighted rss, relative to the sum of squares, that is rounding and not scatter.
NO_SCATTER = 1e-26
#: A limit is preferred to a rate that beats it by less than this share of the rss.
TIE = 1e-9


@dataclass(frozen=True)
class _Input:
    """Checked input: days (n,), values (s, n) scaled by powers of two, weights (1 or s, n)."""

    days: Floats
    values: Floats
    weights: Floats
    scale: Floats
    flat: NDArray[np.bool_]
    free_start: bool

    @property
    def origin(self) -> float:
        """The day the search counts from: the first pull when a start is fitted, else day 0.

        Moving the origin changes D0 and A but neither k nor the curve, and keeps the columns apart.
        """
        return float(self.days.min()) if self.free_start else 0.0


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
    given = _checked("zero order", days, values, free_start, weights)
    line = _line(given)
    columns = (*_start_column(given), np.broadcast_to(given.days, given.values.shape))
    pairs = (line.start, line.slope) if free_start else (line.slope,)
    limit = np.where(given.flat, Limit.FLAT, Limit.INSIDE).astype(np.int8)
    constants = np.stack([line.slope, np.full(len(line.slope), np.nan)], axis=1)
    return _batch("zero order", given, pairs, columns, (line.rss, limit, line.start, constants))


def fit_first_order(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares A (1 - e^(-k t)), or D0 + A (1 - e^(-k t)), of each series; k per day, above 0.

    Arguments and errors as in `fit_zero_order`. Where the best curve is the straight line (k -> 0)
    or a step (k -> infinity), `limit` says so, k is NaN, and rss and curve are the limit's.
    """
    given = _checked("first order", days, values, free_start, weights)
    elapsed = given.days - given.origin
    # A flat series has no optimum: a straight line stands in for it during the search.
    searched = np.where(given.flat[:, None], elapsed, given.values)
    best = varpro.search(varpro.prepare(elapsed, searched, given.weights, free_start))
    line, jump = _line(given), _step(given)
    limit = _limits(given, best, line.rss, jump.rss)
    rate = np.exp(best.log_rate)
    # From the search's origin back to day 0: A e^(-k t) does not change when t is counted anew.
    ceiling = best.amplitude * np.exp(rate * given.origin)
    decay = np.exp(-rate[:, None] * given.days)
    start = _start_of(given, ceiling[:, None] * (1.0 - decay))
    columns = (1.0 - decay, ceiling[:, None] * given.days * decay)
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
        pair = np.stack(np.broadcast_arrays(first, np.full(len(here), second)), axis=1)
        return _Limits(
            self.limit,
            np.where(here, start, self.start),
            np.where(here[:, None], pair, self.constants),
            np.where(here, rss, self.rss),
        )


def _limits(given: _Input, best: varpro.Projection, line: Floats, jump: Floats) -> NDArray[np.int8]:
    """Which limit, if any, each first-order series has run into: (s,) codes."""
    least = best.rss * (1.0 + TIE) + NO_SCATTER * (given.weights * given.values**2).sum(axis=1)
    straight = (best.at_bound < 0) | (line <= least)
    over = (best.at_bound > 0) | (jump <= least)
    codes = np.where(straight, Limit.LINE, np.where(over, Limit.STEP, Limit.INSIDE))
    return np.where(given.flat, Limit.FLAT, codes).astype(np.int8)


def _first_order_batch(given: _Input, chosen: _Limits, columns: tuple[Floats, ...]) -> Batch:
    """The batch, with the constants that a limit leaves undetermined set to NaN."""
    inside = chosen.limit == Limit.INSIDE
    step = chosen.limit == Limit.STEP
    ceiling = np.where(inside | step, chosen.constants[:, 0], np.nan)
    rate = np.where(inside, chosen.constants[:, 1], np.nan)
    pairs = (chosen.start, ceiling, rate) if given.free_start else (ceiling, rate)
    found = (chosen.rss, chosen.limit, chosen.start, chosen.constants)
    return _batch("first order", given, pairs, _start_column(given) + columns, found)


def _batch(
    shape: str,
    given: _Input,
    pairs: tuple[Floats, ...],
    columns: tuple[Floats, ...],
    found: tuple[Floats, NDArray[np.int8], Floats, Floats],
) -> Batch:
    """A `Batch` in the caller's units; standard errors where the optimum is an ordinary one."""
    rss, limit, start, constants = found
    n, df = len(given.days), len(given.days) - len(pairs)
    inside = limit == Limit.INSIDE
    se = np.full((len(rss), len(pairs)), np.nan)
    condition = np.full(len(rss), np.nan)
    if inside.any():
        roots = np.sqrt(np.broadcast_to(given.weights, given.values.shape)[inside])
        weighted = tuple(roots * column[inside] for column in columns)
        squares, condition[inside] = varpro.apart(weighted)
        if df > 0:
            spread = rss[inside, None] / df / squares
            total = (given.weights * given.values**2).sum(axis=1)
            spread[(rss <= NO_SCATTER * total)[inside]] = np.nan
            se[inside] = np.sqrt(spread)
    first = (kinetics.START,) if given.free_start else ()
    named = first + kinetics.SHAPES[shape].constants
    size = np.stack([given.scale if c.unit != "per day" else np.ones(len(rss)) for c in named], 1)
    resized = constants * np.stack([given.scale, np.ones(len(rss))], axis=1)
    return Batch(
        shape=shape,
        free_start=given.free_start,
        days=given.days,
        symbols=tuple(constant.symbol for constant in named),
        values=np.stack(pairs, axis=1) * size,
        se=se * size,
        rss=rss * given.scale**2,
        df=df,
        n=n,
        limit=limit,
        condition=condition,
        start=start * given.scale,
        constants=resized,
    )


def _start_column(given: _Input) -> tuple[Floats, ...]:
    """The Jacobian's column of D0, when it is fitted."""
    return (np.ones_like(given.values),) if given.free_start else ()


def _start_of(given: _Input, shape: Floats) -> Floats:
    """D0 (s,) for the fitted shape (s, n): the mean of what is left, or 0 when it is fixed."""
    if not given.free_start:
        return np.zeros(len(given.values))
    return varpro.weighted_mean(given.values - shape, given.weights)


def _linear(given: _Input, basis: Floats) -> _Linear:
    """The best D0 + c * basis, basis (n,)."""
    zero = np.zeros_like(given.days)
    ready = varpro.prepare(zero, given.values, given.weights, given.free_start)
    slope, rss = varpro.amplitude_of(ready, basis[None, :])
    return _Linear(_start_of(given, slope[:, None] * basis), slope, rss)


def _line(given: _Input) -> _Linear:
    """The best straight line of every series: the limit of the first order as k goes to 0."""
    return _linear(given, given.days)


def _step(given: _Input) -> _Linear:
    """The best step after the origin: the limit of the first order as k goes to infinity."""
    return _linear(given, (given.days > given.origin).astype(float))


def fit_series(
    days: ArrayLike,
    values: ArrayLike,
    free_start: bool,
    *,
    weights: ArrayLike | None = None,
    errors_known: bool = False,
) -> list[Fit | Refusal]:
    """Every shape of `kinetics.SHAPES` fitted to one series, or refused by name.

    Args:
        days, values: (n,) pull days since application and net release; several values on one day
            are allowed and count as one pull.
        free_start: fit D0 (needs a pull on day 0); otherwise the curve starts at 0.
        weights: (n,) positive, proportional to 1/variance.
        errors_known: the error of a result is known beforehand, so fewer pulls will do.

    Raises:
        UserMistake: NaN, negative days or arrays that do not match.
    """
    when, what, _ = _numbers(days, values, weights)
    if len(what) != 1:
        raise UserMistake(f"one series at a time: got {len(what)}")
    fitters = {"zero order": fit_zero_order, "first order": fit_first_order}
    answers: list[Fit | Refusal] = []
    for name, fitter in fitters.items():
        refusal = refusal_for(name, when, what[0], free_start, errors_known)
        if refusal is not None:
            answers.append(refusal)
        else:
            batch = fitter(when, what, free_start=free_start, weights=weights)
            answers.append(fit_of(batch, 0))
    return answers


def refusal_for(
    shape: str, days: Floats, values: Floats, free_start: bool, errors_known: bool
) -> Refusal | None:
    """Why this shape may not be fitted to this series (days, values (n,)), or None."""
    wanted = kinetics.SHAPES[shape]
    needs = (wanted.fewest_known if errors_known else wanted.fewest_unknown) + int(free_start)
    has = _telling_days(days, free_start)
    if has == 1 or len(np.unique(days)) == 1:
        return Refusal(shape, "one day", f"{shape}: all values are from one day: no curve")
    if has < needs:
        extra = ", one of them for the start" if free_start else ""
        reason = f"too few pulls: {shape} needs {needs}{extra}, has {has}"
        return Refusal(shape, "too few pulls", reason)
    if np.ptp(values) == 0.0:
        reason = f"{shape}: all values are equal ({values[0]:g}): no change to fit"
        return Refusal(shape, "all values equal", reason)
    if free_start and days.min() >= START_WITHIN:
        return Refusal(shape, "no pull on day 0", f"{shape}: {_NO_START}")
    return None


_NO_START = (
    "no pull on day 0, so that what came in with the amendment cannot be told from what it "
    "released later: no rate is given"
)


def _telling_days(days: Floats, free_start: bool) -> int:
    """Number of different days that say something: day 0 does not when the start is fixed."""
    return len(np.unique(days if free_start else days[days > 0.0]))


def _checked(
    shape: str, days: ArrayLike, values: ArrayLike, free_start: bool, weights: ArrayLike | None
) -> _Input:
    """The input of a batch fit, checked and scaled."""
    when, what, weight = _numbers(days, values, weights)
    needs = len(kinetics.SHAPES[shape].constants) + int(free_start)
    has = _telling_days(when, free_start)
    if has < needs:
        raise UserMistake(
            f"too few pulls: {shape} needs at least {needs} different days, has {has}"
        )
    if free_start and when.min() >= START_WITHIN:
        raise UserMistake(f"{shape}: {_NO_START}", hint="Fit with the start fixed at 0.")
    biggest = np.abs(what).max(axis=1)
    scale = np.exp2(np.ceil(np.log2(np.where(biggest > 0.0, biggest, 1.0))))
    return _Input(
        when, what / scale[:, None], weight, scale, np.ptp(what, axis=1) == 0.0, free_start
    )


def _numbers(
    days: ArrayLike, values: ArrayLike, weights: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    """Days (n,), values (s, n) and weights (1 or s, n) as finite arrays that fit together."""
    when, what = _finite("day", days), np.atleast_2d(_finite("value", values))
    weight = np.atleast_2d(_finite("weight", np.ones(len(when)) if weights is None else weights))
    if when.ndim != 1 or what.ndim != 2 or what.shape[1] != len(when) or not len(when):
        raise UserMistake(f"{when.size} days do not match values of shape {what.shape}")
    if when.min() < 0.0:
        raise UserMistake(
            f"day {when.min():g} is before application: a curve starts at day 0",
            hint="Leave pulls before application out of the fit.",
        )
    if weight.shape not in {(1, len(when)), what.shape} or (weight <= 0.0).any():
        raise UserMistake("weights must be above zero, one for each day or one for each value")
    return when, what, weight


def _finite(name: str, numbers: ArrayLike) -> Floats:
    """The numbers as floats; the first that cannot be used is named with its place."""
    array = np.asarray(numbers, dtype=float)
    wrong = np.argwhere(~(np.abs(array) < LARGEST))
    if len(wrong):
        place, number = ", ".join(str(int(i) + 1) for i in wrong[0]), array[tuple(wrong[0])]
        what = "too large" if np.isfinite(number) else "not a number"
        raise UserMistake(f"{name} {place} is {number}, {what}")
    return array
