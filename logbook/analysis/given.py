"""What a fit is given, checked once for all shapes, and the batch that it gives back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import kinetics, orthogonal, varpro
from logbook.analysis.beds import LARGEST
from logbook.analysis.fits import Batch, Limit
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

#: A start can be told from release only by a pull within a day of mixing.
START_WITHIN = 1.0
#: Weighted rss, relative to the sum of squares, that is rounding and not scatter.
NO_SCATTER = 1e-26


@dataclass(frozen=True)
class Given:
    """Checked input: days (n,), values (s, n) scaled by powers of two, weights (1 or s, n)."""

    days: Floats
    values: Floats
    weights: Floats
    scale: Floats
    flat: NDArray[np.bool_]
    free_start: bool

    @property
    def searched(self) -> Floats:
        """The values (s, n); a flat series has no optimum: a straight line stands in for it."""
        if not self.flat.any():
            return self.values
        return np.where(self.flat[:, None], self.days, self.values)

    @property
    def sizes(self) -> Floats:
        """Weighted sums of squares of the values: (s,)."""
        if len(self.weights) == 1:
            return np.asarray(self.values**2 @ self.weights[0])
        return np.asarray(np.einsum("ij,ij,ij->i", self.weights, self.values, self.values))

    def rows(self, chosen: slice) -> Given:
        """The same input for some of the series."""
        weights = self.weights if len(self.weights) == 1 else self.weights[chosen]
        return Given(
            self.days,
            self.values[chosen],
            weights,
            self.scale[chosen],
            self.flat[chosen],
            self.free_start,
        )

    @property
    def origin(self) -> float:
        """The day the search counts from: the first pull when a start is fitted, else day 0.

        Moving the origin changes D0 and A but neither k nor the curve, and keeps the columns apart.
        """
        return float(self.days.min()) if self.free_start else 0.0


def batch_of(
    shape: str,
    given: Given,
    pairs: tuple[Floats, ...],
    columns: tuple[Floats, ...],
    found: tuple[Floats, NDArray[np.int8], Floats, Floats],
) -> Batch:
    """A `Batch` in the caller's units; standard errors where the optimum is an ordinary one.

    pairs: the parameters (s,), columns: how the curve moves with each, (n, s) or (n, 1); found:
    rss, limit, start, constants.
    """
    rss, limit, start, constants = found
    n, df = len(given.days), len(given.days) - len(pairs)
    se, condition = _errors(given, columns, rss, limit == Limit.INSIDE, df)
    first = (kinetics.START,) if given.free_start else ()
    named = first + kinetics.SHAPES[shape].constants
    one = np.ones(len(rss))
    sized = [given.scale if c.unit.startswith("value") else one for c in named]
    size = np.stack(sized, axis=1)
    resized = constants * np.stack(
        [given.scale if c.unit.startswith("value") else one for c in _drawn(shape)], axis=1
    )
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


def _errors(
    given: Given,
    columns: tuple[Floats, ...],
    rss: Floats,
    inside: NDArray[np.bool_],
    df: int,
) -> tuple[Floats, Floats]:
    """Standard errors (s, p) and condition (s,) of the series inside; NaN for others."""
    se, condition = np.full((len(rss), len(columns)), np.nan), np.full(len(rss), np.nan)
    rows = np.flatnonzero(inside)
    if not len(rows):
        return se, condition
    roots, weighted = np.sqrt(given.weights.T), []
    for column in columns:
        seen = np.broadcast_to(roots * column, given.values.T.shape)
        weighted.append(seen if len(rows) == len(rss) else np.take(seen, rows, axis=1))
    squares, condition[rows] = orthogonal.apart(weighted)
    if df > 0:
        scatter = rss[rows] > NO_SCATTER * given.sizes[rows]
        told = (squares > 0.0) & scatter[:, None]
        se[rows] = np.sqrt(rss[rows, None] / df / np.where(told, squares, np.nan))
    return se, condition


def _drawn(shape: str) -> tuple[kinetics.Constant, ...]:
    """Constants of what is drawn; two at least, since a limit may draw a step."""
    constants = kinetics.SHAPES[shape].constants
    return constants if len(constants) > 1 else (*constants, kinetics.Constant("", "", "days"))


def start_column(given: Given) -> tuple[Floats, ...]:
    """The Jacobian's column of D0, when it is fitted."""
    return (np.ones((len(given.days), 1)),) if given.free_start else ()


def start_of(given: Given, shape: Floats) -> Floats:
    """D0 (s,) for the fitted shape (n, s): the mean of what is left, or 0 when it is fixed."""
    if not given.free_start:
        return np.zeros(len(given.values))
    return varpro.weighted_mean(given.values - shape.T, given.weights)


NO_START = (
    "no pull on day 0, so that what came in with the amendment cannot be told from what it "
    "released later: no rate is given"
)


def telling_days(days: Floats, free_start: bool) -> int:
    """Number of different days that say something: day 0 does not when the start is fixed."""
    return len(np.unique(days if free_start else days[days > 0.0]))


def not_counted(days: Floats, free_start: bool) -> str:
    """That the values of day 0 are not counted, "" where they are or there are none."""
    if free_start or not (days == 0.0).any():
        return ""
    return " beside day 0, which is not counted: the start is fixed at 0"


def checked(
    shape: str, days: ArrayLike, values: ArrayLike, free_start: bool, weights: ArrayLike | None
) -> Given:
    """The input of a batch fit, checked and scaled."""
    when, what, weight = numbers(days, values, weights)
    needs = len(kinetics.SHAPES[shape].constants) + int(free_start)
    has = telling_days(when, free_start)
    if has < needs:
        raise UserMistake(
            f"too few pulls: {shape} needs at least {needs} different days, has {has}"
            f"{not_counted(when, free_start)}"
        )
    if free_start and when.min() >= START_WITHIN:
        raise UserMistake(f"{shape}: {NO_START}", hint="Fit with the start fixed at 0.")
    biggest = np.abs(what).max(axis=1)
    scale = np.exp2(np.ceil(np.log2(np.where(biggest > 0.0, biggest, 1.0))))
    return Given(
        when, what / scale[:, None], weight, scale, np.ptp(what, axis=1) == 0.0, free_start
    )


def numbers(
    days: ArrayLike, values: ArrayLike, weights: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    """Days (n,), values (s, n) and weights (1 or s, n) as finite arrays that fit together."""
    when, what = finite("day", days), np.atleast_2d(finite("value", values))
    weight = np.atleast_2d(finite("weight", np.ones(len(when)) if weights is None else weights))
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


def finite(name: str, numbers: ArrayLike) -> Floats:
    """The numbers as floats; the first that cannot be used is named with its place."""
    array = np.asarray(numbers, dtype=float)
    wrong = np.argwhere(~(np.abs(array) < LARGEST))
    if len(wrong):
        place, number = ", ".join(str(int(i) + 1) for i in wrong[0]), array[tuple(wrong[0])]
        what = "too large" if np.isfinite(number) else "not a number"
        raise UserMistake(f"{name} {place} is {number}, {what}")
    return array
