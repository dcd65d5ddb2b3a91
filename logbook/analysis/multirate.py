"""Fitting the shapes with more than one rate or time: a lag, a sigmoid, two phases.

Each function takes series that share their pull days and gives a `Batch`, as `fitting` describes.
Where the best curve lies at a bound or at infinity, `limit` says which, the constants are NaN, and
rss and curve are those of the bound.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import kinetics, lagged, tworate
from logbook.analysis.fits import Batch, Limit
from logbook.analysis.given import Given, batch_of, checked, start_column, start_of
from logbook.analysis.parts import LARGE_PART, in_parts

Floats = NDArray[np.float64]

#: Share of the ceiling that a pull on the rise of a sigmoid has at least, and lacks at least.
ON_THE_RISE = 0.02
#: Slow rate times the first pull above which both phases are over before anything was seen of them.
GONE = 10.0
#: Pulls on the rise that a rate and a day of fastest release need.
RISE_PULLS = 2


def fit_lagged(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares first order with a lag of every series; t0 is not below 0.

    Arguments and errors as in `fitting.fit_zero_order`. A lag on a pull's very day is an ordinary
    optimum: the curve has its kink there, and standard errors are those of later lags.
    """
    return in_parts(checked("first order with a lag", days, values, free_start, weights), _lagged)


def _lagged(given: Given) -> Batch:
    """`fit_lagged` of checked input."""
    found = lagged.search(
        given.days - given.origin, given.searched, given.weights, given.free_start
    )
    rate, lag = np.exp(found.log_rate), found.lag + given.origin
    late = np.maximum(given.days[:, None] - lag, 0.0)
    decay = np.exp(-rate * late)
    columns = (
        1.0 - decay,
        found.ceiling * late * decay,
        np.where(late > 0.0, -found.ceiling * rate * decay, 0.0),
    )
    constants = np.stack([found.ceiling, rate, lag], axis=1)
    return _finished(given, "first order with a lag", constants, columns, found.rss, found.limit)


def fit_gompertz(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares Gompertz curve from 0 on day 0, of every series; m within the trial.

    Arguments and errors as in `fitting.fit_zero_order`. A curve that fewer than two pulls saw on
    its rise is named a step: its rate may be anything from there up.
    """
    given = checked("Gompertz", days, values, free_start, weights)
    return in_parts(given, _gompertz, LARGE_PART)


def _gompertz(given: Given) -> Batch:
    """`fit_gompertz` of checked input."""
    family = tworate.Gompertz(given.days, given.free_start)
    found = tworate.search(family, given.searched, given.weights)
    rate, fastest = np.exp(found.rates[0]), found.rates[1] * given.days.max()
    share, by_rate, by_day = tworate.risen(given.days, rate, fastest)
    at_zero = np.exp(-np.exp(np.minimum(rate * fastest, tworate.LARGEST_EXPONENT)))
    ceiling = found.amplitudes[-1] * (1.0 - at_zero)
    low_k, low_m, high_k, high_m, _ = tworate.at_bound(family, found.rates)
    rising = ((share > ON_THE_RISE) & (share < 1.0 - ON_THE_RISE)).sum(axis=0)
    limit = np.select(
        [low_k | high_m, high_k | (rising < RISE_PULLS), low_m],
        [Limit.LINE, Limit.STEP, Limit.NO_LAG],
        Limit.INSIDE,
    ).astype(np.int8)
    columns = (share, ceiling * by_rate, ceiling * by_day)
    constants = np.stack([ceiling, rate, fastest], axis=1)
    return _finished(given, "Gompertz", constants, columns, found.rss, limit)


def fit_two_phases(
    days: ArrayLike, values: ArrayLike, *, free_start: bool, weights: ArrayLike | None = None
) -> Batch:
    """Least-squares A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t)), k1 > k2, signs free, of every series.

    Arguments and errors as in `fitting.fit_zero_order`.
    """
    given = checked("two phases", days, values, free_start, weights)
    return in_parts(given, _two_phases, LARGE_PART)


def _two_phases(given: Given) -> Batch:
    """`fit_two_phases` of checked input."""
    family = tworate.TwoPhases(given.days - given.origin, given.free_start)
    found = tworate.search(family, given.searched, given.weights)
    rates = np.exp(found.rates)
    # From the search's origin back to day 0, as A e^(-k t) does not change when t is counted anew.
    ceilings = found.amplitudes[-2:] * np.exp(np.minimum(rates * given.origin, 700.0))
    decays = [np.exp(np.multiply.outer(-given.days, rate)) for rate in rates]
    columns = tuple(
        column
        for ceiling, decay in zip(ceilings, decays, strict=True)
        for column in (1.0 - decay, ceiling * given.days[:, None] * decay)
    )
    low_fast, low_slow, high_fast, high_slow, merged = tworate.at_bound(family, found.rates)
    first = family.elapsed[family.elapsed > 0.0].min()
    limit = np.select(
        [high_fast | high_slow | (rates[1] * first > GONE), low_fast | low_slow, merged],
        [Limit.STEP, Limit.LINE, Limit.MERGED],
        Limit.INSIDE,
    ).astype(np.int8)
    constants = np.stack([ceilings[0], rates[0], ceilings[1], rates[1]], axis=1)
    return _finished(given, "two phases", constants, columns, found.rss, limit)


def _finished(
    given: Given,
    shape: str,
    constants: Floats,
    columns: tuple[Floats, ...],
    rss: Floats,
    limit: NDArray[np.int8],
) -> Batch:
    """The batch: the constants of a limit NaN, a flat series a step of its own height."""
    limit = np.where(given.flat, Limit.FLAT, limit).astype(np.int8)
    start = np.zeros(len(limit))
    if given.free_start:
        curve = kinetics.SHAPES[shape].curve(given.days[:, None], *constants.T)
        start = start_of(given, np.asarray(curve))
    if given.flat.any():
        start, constants, rss = _flattened(given, start, constants, rss)
    told = np.where((limit == Limit.INSIDE)[:, None], constants, np.nan)
    pairs = ((start,) if given.free_start else ()) + tuple(told.T)
    found = (rss, limit, start, constants)
    return batch_of(shape, given, pairs, start_column(given) + columns, found)


def _flattened(
    given: Given, start: Floats, constants: Floats, rss: Floats
) -> tuple[Floats, Floats, Floats]:
    """Start, constants and rss with flat series as their own level: a step on day 0 or a start."""
    level, at_start = given.values[:, 0], given.days <= 0.0
    step = np.full_like(constants, np.nan)
    step[:, 0], step[:, 1] = (0.0 if given.free_start else level), 0.0
    lost = np.zeros_like(rss)
    if not given.free_start:
        lost = (given.weights * at_start).sum(axis=1) * level**2
    return (
        np.where(given.flat, level if given.free_start else 0.0, start),
        np.where(given.flat[:, None], step, constants),
        np.where(given.flat, lost, rss),
    )
