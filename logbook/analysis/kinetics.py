"""The shapes of release curves: plain functions of days since application, and their vocabulary.

A net release curve is D(t) = D0 + shape(t). Every rate is per day, every time in days. To add a
shape: write its function here, add its row to SHAPES, and give `fitting` a way to fit it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.errors import UserMistake

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Constant:
    """One constant of a shape, without the start D0, which every shape may have.

    symbol: as in the formula; word: what a screen calls it; unit: "value" is the unit of the
    series itself, "value per day" and "per day" are built on it.
    """

    symbol: str
    word: str
    unit: str


@dataclass(frozen=True)
class Shape:
    """One curve shape: name, formula, constants, and the fewest pulls it may be fitted to.

    curve: the function (days, *constants) -> release above the start.
    fewest_known, fewest_unknown: pulls needed when the error of a result is known beforehand, and
    when it has to be estimated from the residuals; a fitted start D0 adds one.
    constants_known, constants_unknown: pulls needed before its constants are printed as well, where
    that takes more.
    """

    name: str
    formula: str
    constants: tuple[Constant, ...]
    curve: Callable[..., Floats]
    fewest_known: int
    fewest_unknown: int
    constants_known: int | None = None
    constants_unknown: int | None = None


def zero_order(days: ArrayLike, slope: ArrayLike) -> Floats:
    """Release at a constant rate: a t.

    Args:
        days: t, days since application, any shape.
        slope: a, value units per day; broadcast against days.

    Source: the zero-order rate law of chemical kinetics.
    """
    return np.asarray(np.multiply(slope, np.asarray(days, dtype=float)), dtype=float)


def first_order(days: ArrayLike, ceiling: ArrayLike, rate: ArrayLike) -> Floats:
    """Release in proportion to what is left: A (1 - e^(-k t)).

    Args:
        days: t, days since application, any shape.
        ceiling: A, value units; negative when the soil is drawn down.
        rate: k, per day; broadcast against days.

    Source: Stanford & Smith 1972, SSSAJ 36:465-472, where A is N0.
    """
    exponent = -np.multiply(rate, np.asarray(days, dtype=float))
    return np.asarray(-np.multiply(ceiling, np.expm1(exponent)), dtype=float)


def first_order_with_lag(
    days: ArrayLike, ceiling: ArrayLike, rate: ArrayLike, lag: ArrayLike
) -> Floats:
    """Nothing up to day t0, first order from then on: A (1 - e^(-k (t - t0))), t > t0.

    Args:
        days: t, days since application, any shape.
        ceiling, rate: A, value units, and k, per day, as in `first_order`.
        lag: t0, days; broadcast against days.
    """
    late = np.maximum(np.subtract(np.asarray(days, dtype=float), lag), 0.0)
    return first_order(late, ceiling, rate)


def gompertz(days: ArrayLike, ceiling: ArrayLike, rate: ArrayLike, fastest: ArrayLike) -> Floats:
    """A sigmoid rise from 0 on day 0 to A: A (s(t) - s(0)) / (1 - s(0)), s = e^(-e^(-k (t - m))).

    Args:
        days: t, days since application, any shape.
        ceiling, rate: A, value units, and k, per day.
        fastest: m, the day of fastest release; broadcast against days.

    Source: Gompertz 1825, Phil. Trans. R. Soc. 115:513-585, less its value on day 0.
    """
    exponent = np.multiply(-1.0, rate) * np.subtract(np.asarray(days, dtype=float), fastest)
    at_zero = np.exp(-np.exp(np.minimum(np.multiply(rate, fastest), 700.0)))
    risen = np.exp(-np.exp(np.clip(exponent, -700.0, 700.0)))
    return np.asarray(ceiling * (risen - at_zero) / (1.0 - at_zero), dtype=float)


def two_phases(
    days: ArrayLike,
    fast_ceiling: ArrayLike,
    fast_rate: ArrayLike,
    slow_ceiling: ArrayLike,
    slow_rate: ArrayLike,
) -> Floats:
    """Two first-order phases of either sign: A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t)), k1 > k2.

    Args:
        days: t, days since application, any shape.
        fast_ceiling, fast_rate, slow_ceiling, slow_rate: A1, k1 (per day), A2, k2.

    Source: the two-pool form of Molina, Clapp & Larson 1980, SSSAJ 44:442-443, signs left free.
    """
    return first_order(days, fast_ceiling, fast_rate) + first_order(days, slow_ceiling, slow_rate)


def phases_label(fast_ceiling: float, slow_ceiling: float) -> str:
    """What two phases of these signs are called."""
    if fast_ceiling > 0.0:
        return "two pools" if slow_ceiling > 0.0 else "flush, then loss"
    return "fall, then recovery" if slow_ceiling > 0.0 else "fall in two phases"


def step(days: ArrayLike, height: ArrayLike, until: ArrayLike) -> Floats:
    """A jump that is over by the next pull: 0 up to day `until`, `height` after it.

    The limit of the first-order curve as its rate goes to infinity.
    """
    late = np.greater(np.asarray(days, dtype=float), until)
    return np.asarray(np.where(late, height, 0.0), dtype=float)


def half_life(rate: float) -> float:
    """Days until half of the ceiling is released: ln 2 / k.

    Raises:
        UserMistake: the rate (per day) is not above zero.
    """
    return math.log(2.0) / _positive_rate(rate)


def released_fraction(days: ArrayLike, rate: float) -> Floats:
    """Share of the ceiling released by each day, 0 to 1: 1 - e^(-k t).

    Raises:
        UserMistake: the rate (per day) is not above zero.
    """
    return first_order(days, 1.0, _positive_rate(rate))


def ceiling_from_release(released: float, days: float, rate: float) -> float:
    """The ceiling that a release by one day implies: N_t / (1 - e^(-k t)).

    Source: Stanford, Carter & Smith 1974, SSSAP 38:99-102. Only as good as the k put in.

    Raises:
        UserMistake: the rate (per day) or the time (days) is not above zero.
    """
    if not days > 0.0:
        raise UserMistake(f"day {days:g}: a ceiling needs release over a time above zero")
    return released / float(released_fraction(days, rate))


def _positive_rate(rate: float) -> float:
    """The rate itself, once it is known to be finite and above zero."""
    if not (math.isfinite(rate) and rate > 0.0):
        raise UserMistake(
            f"a first-order rate of {rate:g} per day has no half-life",
            hint="Give a rate above zero, per day (a rate per week divided by 7).",
        )
    return rate


#: Every shape that can be fitted, by name, simplest first. Fewest pulls: chosen by simulation with
#: 3-4 beds, 4-12 pulls and laboratory CVs of 5-15 %.
SHAPES: dict[str, Shape] = {
    "zero order": Shape(
        name="zero order",
        formula="a t",
        constants=(Constant("a", "rate", "value per day"),),
        curve=zero_order,
        fewest_known=3,
        fewest_unknown=4,
    ),
    "first order": Shape(
        name="first order",
        formula="A (1 - e^(-k t))",
        constants=(Constant("A", "ceiling", "value"), Constant("k", "rate", "per day")),
        curve=first_order,
        fewest_known=4,
        fewest_unknown=6,
    ),
    "first order with a lag": Shape(
        name="first order with a lag",
        formula="A (1 - e^(-k (t - t0))), t > t0",
        constants=(
            Constant("A", "ceiling", "value"),
            Constant("k", "rate", "per day"),
            Constant("t0", "lag", "days"),
        ),
        curve=first_order_with_lag,
        fewest_known=5,
        fewest_unknown=10,
    ),
    "Gompertz": Shape(
        name="Gompertz",
        formula="A (s(t) - s(0)) / (1 - s(0)), s = e^(-e^(-k (t - m)))",
        constants=(
            Constant("A", "ceiling", "value"),
            Constant("k", "rate", "per day"),
            Constant("m", "day of fastest release", "days"),
        ),
        curve=gompertz,
        fewest_known=5,
        fewest_unknown=10,
    ),
    "two phases": Shape(
        name="two phases",
        formula="A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t))",
        constants=(
            Constant("A1", "fast ceiling", "value"),
            Constant("k1", "fast rate", "per day"),
            Constant("A2", "slow ceiling", "value"),
            Constant("k2", "slow rate", "per day"),
        ),
        curve=two_phases,
        fewest_known=5,
        fewest_unknown=10,
        constants_known=8,
        constants_unknown=12,
    ),
}

#: The start of a curve, which any shape may have.
START = Constant("D0", "start", "value")
