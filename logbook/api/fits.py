"""Fitting a series without any logbook: `fit`, and what it gives back."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import choice, errors, fitting, intervals, kinetics
from logbook.analysis.choice import Candidate, Choice, Printed
from logbook.analysis.fits import Fit, Parameter, Refusal
from logbook.analysis.given import finite
from logbook.analysis.intervals import THESE_BEDS, Interval
from logbook.analysis.netted import THESE_VALUES
from logbook.api import shown
from logbook.api.frames import FITS, frame
from logbook.errors import UserMistake
from logbook.study.fitted import Fitted, fit_values
from logbook.trial.times import age_text

Floats = NDArray[np.float64]

#: Columns of a frame that must say one thing only, or its rows may not stand in one curve.
_ONE_OF_A_KIND = ("nutrient", "treatment", "control", "unit", "method", "basis", "lab")
#: Columns that mark rows which stand in no curve, and why.
_APART = {"planted": "were pulled after sowing", "conflict": "machines disagree about"}
_MOST_LISTED = 6


@dataclass(frozen=True, repr=False, eq=False)
class Fits:
    """Every shape fitted to one series or refused by name, and the choice between them.

    fits: a Fit or a Refusal for each shape; choice: which shape describes the values, and what of
    its constants may be quoted; days, values: what was fitted; intervals: 95 % intervals of the
    constants that may be quoted, by symbol; unit: of the values; ranges: intervals of every shape
    that has any, by shape and symbol. What is told of a constant is the value of its interval; that
    of the drawn curve is in `fits`, and in the table as through_all_pulls.

    `fits["first order"]` is one of them, `fits.chosen` the one chosen, `fits.table` a frame.
    """

    fits: tuple[Fit | Refusal, ...]
    choice: Choice
    days: tuple[float, ...]
    values: tuple[float, ...]
    intervals: Mapping[str, Interval] = field(default_factory=dict)
    unit: str = "value"
    ranges: Mapping[str, Mapping[str, Interval]] = field(default_factory=dict)

    @property
    def chosen(self) -> Fit | None:
        """The fit that describes the values; None when none does, or when it cannot be told."""
        return self.choice.chosen

    @property
    def table(self) -> pd.DataFrame:
        """A row for each parameter of each fit, and for each refusal: `columns("fits")`."""
        rows = [row for one in self.fits for row in _rows(self, one)]
        return frame(FITS, rows)

    def at(self, days: ArrayLike) -> Floats:
        """Values of the chosen curve on days from application to the last pull.

        Raises:
            UserMistake: no shape was chosen, or a day outside the pulls: a curve is not extended.
        """
        if self.chosen is None:
            raise UserMistake(f"there is no curve: {self.choice.sentence}")
        when = floats("day", days)
        last = max(self.days)
        outside = when[(when < 0.0) | (when > last)]
        if len(outside):
            raise UserMistake(
                f"day {outside[0]:g} is outside the pulls: the curve is known from day 0 to day "
                f"{age_text(last)}"
            )
        return self.chosen.at(when)

    def __getitem__(self, shape: str) -> Fit | Refusal:
        """The fit or refusal of a shape; raises UserMistake for one that was not asked for."""
        for one in self.fits:
            if one.shape == shape:
                return one
        raise UserMistake(
            f"{shape!r} was not fitted", f"there are: {', '.join(one.shape for one in self.fits)}"
        )

    def __iter__(self) -> Iterator[Fit | Refusal]:
        return iter(self.fits)

    def __len__(self) -> int:
        return len(self.fits)

    def __repr__(self) -> str:
        return shown.lines(self._heading(), *sentences(self), *told(self))

    def _repr_html_(self) -> str:
        return shown.page(self._heading(), sentences(self), self.table)

    def _heading(self) -> str:
        days = len(set(self.days))
        return f"Fits of {len(self.values)} value{'s' * (len(self.values) != 1)} on {days} days"


def fit(
    days: ArrayLike | pd.DataFrame,
    values: ArrayLike | str | None = None,
    *,
    free_start: bool = True,
    sd: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    shapes: Collection[str] | None = None,
) -> Fits:
    """Fit every shape to net release over time, and choose between them.

    Args:
        days: days since application, or a frame with the column `day`.
        values: net release (treated less control) on those days; of a frame, the column that
            holds it ("value" unless named).
        free_start: fit the start D0, which needs a pull on day 0; else the curve starts at 0.
        sd: the standard deviation of each value, or of all, known beforehand.
        weights: proportional to 1 / variance, where only that is known.
        shapes: only these shapes; None: all.

    Raises:
        UserMistake: NaN or text, lengths that do not match, days before application, a shape
            that does not exist, sd together with weights, a frame of several nutrients, units,
            methods, laboratories or treatments.

    Example:
        >>> logbook.fit([0, 7, 14, 28, 42, 56], [4.9, 14.2, 20.7, 28.9, 33.8, 35.2])
    """
    if isinstance(days, pd.DataFrame):
        days, values = _of_frame(days, "value" if values is None else values)
    elif values is None:
        raise UserMistake("values are missing: give days and values, or a frame with both")
    when, what = floats("day", days), floats("value", values)
    if len(when) != len(what):
        raise UserMistake(f"{len(when)} days do not match {len(what)} values")
    spread = _beside("standard deviation", sd, len(when))
    if spread is not None and (spread <= 0.0).any():
        raise UserMistake("a standard deviation must be above zero")
    if shapes is None and weights is None:
        known = None if spread is None else spread.tolist()
        found, fitted = fit_values(when.tolist(), what.tolist(), known, free_start)
        decided, constants = fitted.choice, fitted.constants
        ranges = ranges_of(fitted, found)
    else:
        heavy = _beside("weight", weights, len(when))
        found, decided = _chosen(when, what, free_start, spread, heavy, _known(shapes))
        constants, ranges = {}, {}
    numbers = (tuple(when.tolist()), tuple(what.tolist()))
    return Fits(found, decided, *numbers, constants, ranges=ranges)


def ranges_of(fitted: Fitted, found: Iterable[Fit | Refusal]) -> dict[str, Mapping[str, Interval]]:
    """The intervals of every fit that has any, by shape and symbol."""
    return {one.shape: fitted.ranges_of(one) for one in found if isinstance(one, Fit)}


def _chosen(
    days: Floats,
    values: Floats,
    free_start: bool,
    sd: Floats | None,
    weights: Floats | None,
    shapes: Collection[str] | None,
) -> tuple[tuple[Fit | Refusal, ...], Choice]:
    """Some shapes, or all with weights; and the choice among them."""
    found = fitting.fit_series(days, values, free_start, weights=weights, sd=sd, shapes=shapes)
    if sd is not None:
        chances = {one.shape: errors.misfit(one, math.inf) for one in found if isinstance(one, Fit)}
        found = [errors.checked(one, chances.get) if isinstance(one, Fit) else one for one in found]
    else:
        heavy = None if weights is None else weights.tolist()
        found = errors.straight_checked(found, days.tolist(), values.tolist(), heavy)
    pulls = len(np.unique(days))
    return tuple(found), choice.choose(found, errors_known=sd is not None, pulls=pulls)


def _of_frame(given: pd.DataFrame, values: ArrayLike | str) -> tuple[Any, Any]:
    """The columns to fit of a frame whose rows may stand in one curve."""
    if not isinstance(values, str):
        raise UserMistake("name the column of the frame that holds the values")
    for name in ("day", values):
        if name not in given.columns:
            have = ", ".join(map(str, given.columns))
            raise UserMistake(f"the frame has no column {name!r}", f"it has: {have}")
    for name in _ONE_OF_A_KIND:
        # In a table of net release, `control` is a mean and no question of yes or no.
        if name in given.columns and not pd.api.types.is_float_dtype(given[name]):
            _one_only(given, name)
    _none_apart(given)
    return given["day"], given[values]


def _one_only(given: pd.DataFrame, name: str) -> None:
    """Refuse a frame that says several things in a column that must say one."""
    some = [str(one) for one in given[name].unique()]
    if len(some) > 1:
        listed = ", ".join(some[:_MOST_LISTED]) + (", ..." if len(some) > _MOST_LISTED else "")
        raise UserMistake(
            f"the frame mixes several of {name} ({listed}), which stand in no one curve",
            f"choose one: frame[frame[{name!r}] == ...]",
        )


def _none_apart(given: pd.DataFrame) -> None:
    """Refuse rows that are outside every release fit: planted, or in dispute."""
    for name, why in _APART.items():
        if name in given.columns and given[name].astype(bool).any():
            raise UserMistake(
                f"the frame has rows that {why}: they stand in no curve",
                f"leave them out: frame[~frame[{name!r}].astype(bool)]",
            )


def floats(name: str, given: ArrayLike) -> Floats:
    """A row of finite numbers; what is none is named with its place."""
    kind = getattr(given, "dtype", None)
    if kind is not None and kind.kind in "mM":
        raise UserMistake(f"{name}s are dates: give days since application as numbers")
    try:
        found = finite(name, np.atleast_1d(np.asarray(given, dtype=float)))
    except (TypeError, ValueError):
        raise UserMistake(f"{name}s are not all numbers") from None
    if found.ndim != 1:
        raise UserMistake(f"one series at a time: {name}s of shape {found.shape}")
    return found


def _beside(name: str, given: ArrayLike | None, count: int) -> Floats | None:
    """Numbers that go with the values, one each or one for all."""
    if given is None:
        return None
    found = floats(name, given)
    if len(found) not in (1, count):
        raise UserMistake(f"{len(found)} {name}s do not match {count} values")
    return np.broadcast_to(found, (count,))


def _known(shapes: Collection[str] | None) -> list[str] | None:
    """The shapes asked for, each of which must exist."""
    if shapes is None:
        return None
    wanted = [shapes] if isinstance(shapes, str) else list(shapes)
    strange = [one for one in wanted if one not in kinetics.SHAPES]
    if strange or not wanted:
        what = f"there is no shape {strange[0]!r}" if strange else "no shape was asked for"
        raise UserMistake(what, f"there are: {', '.join(kinetics.SHAPES)}")
    return wanted


def quotable(found: Fits, one: Fit) -> frozenset[str]:
    """The symbols of a fit whose numbers may be quoted, by the choice made."""
    decided = found.choice
    symbols = frozenset(each.symbol for each in one.parameters + one.derived)
    if decided.straight is not None and one.shape == decided.straight.shape:
        return symbols
    if decided.chosen is None or one.shape != decided.chosen.shape:
        return frozenset()
    if decided.printed is Printed.CONSTANTS:
        return symbols
    if decided.printed is Printed.CEILING_BY_INTERVAL:
        return symbols - ({"A", "A1", "A2"} - found.intervals.keys())
    return symbols & {"D0", "A"} if decided.printed is Printed.PLATEAU else frozenset()


def sentences(found: Fits) -> list[str]:
    """What was chosen, and what of it may be quoted, a sentence each."""
    decided = found.choice
    if decided.chosen is None:
        return [f"No curve: {decided.sentence}."]
    label = f" ({decided.chosen.label})" if decided.chosen.label else ""
    said = [f"Chosen: {decided.chosen.shape}{label}, by {decided.criterion}."]
    if decided.sentence:
        said.append(f"To be quoted: {decided.printed.value}, since: {decided.sentence}.")
    told = {one.shape: one for one in (decided.chosen, decided.straight) if one is not None}
    for one in told.values():
        said += [f"  {one.shape}: {number}" for number in _numbers(found, one)]
    return [*said, *reach(tuple(found.intervals.values()))]


def _numbers(found: Fits, one: Fit) -> Iterator[str]:
    """ "ceiling A 31.2 mg/kg (28 to 35)" and so on, of what may be quoted and can be given."""
    may = quotable(found, one)
    for each in one.parameters + one.derived:
        value = _value(found, one, each)
        if each.symbol in may and value is not None:
            unit = _unit(each, found.unit)
            around = found.intervals.get(each.symbol)
            said = f"{each.word} {each.symbol} {shown.number(value)} {unit}"
            yield said if around is None else f"{said}, 95 % range {span(around)}"


def _value(found: Fits, one: Fit, each: Parameter) -> float | None:
    """The value told of a constant, that of its interval where there is one."""
    return intervals.told(each.value, found.ranges.get(one.shape, {}).get(each.symbol))


def span(one: Interval) -> str:
    """ "28 to 35", "above 28 (why it is open)", or why there is none."""
    low, high = shown.number(one.low), shown.number(one.high)
    if one.low is None and one.high is None:
        return f"not given: {one.reason_low}"
    if one.high is None:
        return f"above {low}; open upwards: {one.reason_high}"
    if one.low is None:
        return f"below {high}; open downwards: {one.reason_low}"
    return f"{low} to {high}"


def reach(found: Iterable[Interval]) -> list[str]:
    """What intervals do not speak of: the amendment, where there are no beds or one a side."""
    spoken = [limit for limit in (THESE_BEDS, THESE_VALUES) for one in found if limit in one.method]
    return [f"The ranges are of {limit}." for limit in dict.fromkeys(spoken)]


def told(found: Fits) -> list[str]:
    """A line for each shape: why it was or was not chosen."""
    return [f"  {_opened(one.shape, one.why)}" for one in found.choice.candidates]


def _opened(shape: str, why: str) -> str:
    """The reason with its shape before it, unless it begins with that."""
    return why if why.startswith(shape) else f"{shape}: {why}"


def _rows(found: Fits, one: Fit | Refusal) -> Iterator[tuple[Any, ...]]:
    """The rows of one shape in the table of fits."""
    about = next((each for each in found.choice.candidates if each.shape == one.shape), None)
    why = about.why if about is not None else ""
    if isinstance(one, Refusal):
        yield (one.shape, "", *[None] * 5, "", False, one.reason, "", *[None] * 4, False, why)
        return
    chosen = found.chosen is not None and found.chosen.shape == one.shape
    tail = (one.rss, *_criteria(found.choice, about, one), one.df, chosen, why)
    for each in one.parameters + one.derived:
        yield (one.shape, *_cells(found, one, each), *tail)


def _cells(found: Fits, one: Fit, each: Parameter) -> tuple[Any, ...]:
    """One parameter: its numbers, whether they may be quoted, and what must be said of them."""
    may = each.symbol in quotable(found, one)
    around = found.intervals.get(each.symbol) if may else None
    ends = (None, None) if around is None else (around.low, around.high)
    reasons = (each.reason,) if around is None else (around.reason_low, around.reason_high)
    reason = "; ".join(dict.fromkeys(said for said in reasons if said))
    value = _value(found, one, each)
    numbers = (each.symbol, value, each.value, each.se, *ends, _unit(each, found.unit))
    return (*numbers, may, reason, "" if around is None else around.method)


def _criteria(
    decided: Choice, about: Candidate | None, one: Fit
) -> tuple[float | None, float | None]:
    """chi2 and AICc of a fit: one or the other, as the errors were known or not."""
    if not decided.criterion.startswith("chi2"):
        return None, choice.aicc(one)
    if about is None or about.criterion is None or about.constants is None:
        return None, None
    return about.criterion - 2.0 * about.constants, None


def _unit(one: Parameter, unit: str) -> str:
    return one.unit.replace("value", unit, 1)
