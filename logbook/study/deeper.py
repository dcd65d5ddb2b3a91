"""Pulls that may lie deeper below the control than the deepest that is told.

A result beyond a reporting limit leaves its pull out of the bound that holds for all pulls at once,
and so does a bed that stands alone; what is known of such a pull may all the same reach deeper.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.below import Below
    from logbook.study.series import Row, Series

Deeper = tuple[float, float | None]


def maybe_deeper(series: Series) -> tuple[Deeper, ...]:
    """Day and largest deficit (None: no end is known) of each pull that may be deeper.

    Deeper than the depth that is told; where nothing is shown below, than the deepest that fits.
    """
    below = None if series.fitted is None else series.fitted.below
    if below is None or not below.days:
        return ()
    return tuple(_deeper(series, below, _told(below)))


def _told(below: Below) -> float:
    if below.depth is not None and below.depth.value is not None:
        return below.depth.value
    ends = [-one.low for one in below.bounds if one.low is not None]
    return max(0.0, *ends) if ends else 0.0


def _deeper(series: Series, below: Below, told: float) -> Iterator[Deeper]:
    bounds = dict(zip(below.days, below.bounds, strict=True))
    for row in series.rows:
        day = row.difference.day
        if day < 0.0 or row.planted or day == below.trough_day:
            continue
        bound = bounds.get(day)
        if bound is None:
            yield from ((day, most) for most in _left_out(row) if most is None or most > told)
        elif bound.value is not None and -bound.value > told:
            yield day, None if bound.low is None else -bound.low


def _left_out(row: Row) -> Iterator[float | None]:
    """The largest deficit of a pull that is not tested, nothing where none is known to fit."""
    one = row.difference.from_amendment or row.difference.against_control
    ends = [end for end in (one.value, one.low) if end is not None]
    if ends:
        yield -min(ends)
    elif one.high is not None:
        yield None


def words(series: Series, number: Callable[[float], str]) -> str:
    """ "day 7 may be deeper, up to 7.66 mg/kg", "" where none may be; days by their ages."""
    found = [(f"day {age_text(day)}", most) for day, most in maybe_deeper(series)]
    return worded(found, series.unit, number)


def worded(
    found: Iterable[tuple[str, float | None]], unit: str, number: Callable[[float], str]
) -> str:
    """The same of pulls that are named."""
    ends = [
        (name, "" if most is None else f", up to {number(most)} {unit}") for name, most in found
    ]
    return "; ".join(f"{name} may be deeper{end}" for name, end in ends)
