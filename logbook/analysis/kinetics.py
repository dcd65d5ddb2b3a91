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
    """

    name: str
    formula: str
    constants: tuple[Constant, ...]
    curve: Callable[..., Floats]
    fewest_known: int
    fewest_unknown: int


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
}

#: The start of a curve, which any shape may have.
START = Constant("D0", "start", "value")
