"""Ends of intervals: outward from the estimate to the first root, of many series at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

#: (places, rows) -> how far each series is outside its interval there: above 0 is outside.
Margin = Callable[[Floats, Rows], Floats]

FIRST_STEP, LARGEST_STEP, GROWTH = 0.03, 0.2, 1.2
CLOSE = 1e-12
MOST_TURNS = 100


def first_root(margin: Margin, start: Floats, limit: Floats) -> Floats:
    """Where each series first leaves its interval between start and limit; NaN where it does not.

    Args:
        margin: how far outside; it must not be above 0 at the start.
        start, limit: (series,); steps grow from FIRST_STEP to LARGEST_STEP, so both are best
            logarithms. NaN in start leaves a series out.
    """
    inner, outer = start.copy(), np.full_like(start, np.nan)
    below, above = np.full_like(start, np.nan), np.full_like(start, np.nan)
    active = np.flatnonzero(np.isfinite(start) & (start != limit))
    sign = np.sign(limit - start)
    step = FIRST_STEP
    while active.size:
        place = inner[active] + sign[active] * step
        room = np.abs(limit[active] - inner[active])
        place = np.where(room <= step, limit[active], place)
        value = margin(place, active)
        outside = value > 0.0
        outer[active[outside]], above[active[outside]] = place[outside], value[outside]
        inner[active[~outside]], below[active[~outside]] = place[~outside], value[~outside]
        active = active[~outside & (place != limit[active])]
        step = min(step * GROWTH, LARGEST_STEP)
    rows = np.flatnonzero(np.isfinite(outer))
    first = rows[np.isnan(below[rows])]
    below[first] = margin(inner[first], first)
    near = Bracket(rows, inner[rows], outer[rows], below[rows], above[rows])
    outer[rows] = _refined(margin, near)
    return outer


@dataclass(frozen=True)
class Bracket:
    """Some series with a root each between inner (inside) and outer (outside), and the margins."""

    rows: Rows
    inner: Floats
    outer: Floats
    below: Floats
    above: Floats


def _refined(margin: Margin, bracket: Bracket) -> Floats:
    """The root of each series: inverse quadratic interpolation, bisection where it is not safe.

    Source: Chandrupatla 1997, Advances in Engineering Software 28:145-149, the first place taken
    on the chord.
    """
    rows, found = bracket.rows, bracket.outer.copy()
    places = np.arange(len(rows))
    last, value = bracket.outer, bracket.above
    other, far = bracket.inner, bracket.below
    share = _between(value / (value - far), np.full_like(last, 0.05))
    for _ in range(MOST_TURNS):
        place = last + share * (other - last)
        at_place = margin(place, rows)
        same = (at_place > 0.0) == (value > 0.0)
        third, beyond = np.where(same, last, other), np.where(same, value, far)
        other, far = np.where(same, other, last), np.where(same, far, value)
        last, value = place, at_place
        found[places] = np.where(np.abs(value) < np.abs(far), last, other)
        least = CLOSE * (1.0 + np.abs(last)) / np.abs(other - last)
        open_ = (least < 0.5) & (value != 0.0)
        if not open_.any():
            break
        share = _between(_quadratic(last, other, third, value, far, beyond), least)[open_]
        rows, places = rows[open_], places[open_]
        last, other, value, far = last[open_], other[open_], value[open_], far[open_]
    return found


def _quadratic(a: Floats, b: Floats, c: Floats, at_a: Floats, at_b: Floats, at_c: Floats) -> Floats:
    """Share of the way from a to b at which an inverse quadratic is zero; NaN where not safe."""
    with np.errstate(divide="ignore", invalid="ignore"):
        way, height = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
        safe = (height**2 < way) & ((1.0 - height) ** 2 < 1.0 - way)
        first = at_a / (at_b - at_a) * at_c / (at_b - at_c)
        second = (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
    return np.where(safe, first + second, np.nan)


def _between(share: Floats, least: Floats) -> Floats:
    """A share kept off both ends; half-way where there is none."""
    return np.where(np.isfinite(share), np.clip(share, least, 1.0 - least), 0.5)
