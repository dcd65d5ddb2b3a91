"""Ends of intervals: outward from the estimate to the first root, of many series at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

#: (places, rows) -> how far each series is outside its interval there: above 0 is outside.
Margin = Callable[[Floats, Rows], Floats]

FIRST_STEP, LARGEST_STEP, GROWTH = 0.02, 0.1, 1.15
CLOSE = 1e-12
MOST_HALVINGS = 100


def first_root(margin: Margin, start: Floats, limit: Floats) -> Floats:
    """Where each series first leaves its interval between start and limit; NaN where it does not.

    Args:
        margin: how far outside; it must not be above 0 at the start.
        start, limit: (series,); steps grow from FIRST_STEP to LARGEST_STEP, so both are best
            logarithms. NaN in start leaves a series out.
    """
    inner, outer = start.copy(), np.full_like(start, np.nan)
    active = np.flatnonzero(np.isfinite(start) & (start != limit))
    sign = np.sign(limit - start)
    step = FIRST_STEP
    while active.size:
        place = inner[active] + sign[active] * step
        room = np.abs(limit[active] - inner[active])
        place = np.where(room <= step, limit[active], place)
        outside = margin(place, active) > 0.0
        outer[active[outside]] = place[outside]
        inner[active[~outside]] = place[~outside]
        active = active[~outside & (place != limit[active])]
        step = min(step * GROWTH, LARGEST_STEP)
    return _refined(margin, inner, outer)


def _refined(margin: Margin, inner: Floats, outer: Floats) -> Floats:
    """The root between inner (inside) and outer (outside): regula falsi kept honest by halving.

    Source: Illinois rule, Dowell & Jarratt 1971, BIT 11:168-174; every third step halves.
    """
    rows = np.flatnonzero(np.isfinite(outer))
    low, high = inner.copy(), outer.copy()
    below, above = np.full_like(low, np.nan), np.full_like(low, np.nan)
    below[rows], above[rows] = margin(low[rows], rows), margin(high[rows], rows)
    for turn in range(MOST_HALVINGS):
        rows = rows[np.abs(high[rows] - low[rows]) > CLOSE * (1.0 + np.abs(high[rows]))]
        if not rows.size:
            break
        place = _guess(low[rows], high[rows], below[rows], above[rows], turn % 3 == 2)
        value = margin(place, rows)
        out = value > 0.0
        _move(high, above, below, rows[out], place[out], value[out])
        _move(low, below, above, rows[~out], place[~out], value[~out])
    return high


def _guess(low: Floats, high: Floats, below: Floats, above: Floats, halve: bool) -> Floats:
    """The next place to look: where the chord crosses zero, or half-way."""
    share = np.full_like(low, 0.5) if halve else below / (below - above)
    share = np.where(np.isfinite(share) & (share > 0.0) & (share < 1.0), share, 0.5)
    return np.asarray(low + share * (high - low))


def _move(end: Floats, own: Floats, other: Floats, rows: Rows, place: Floats, val: Floats) -> None:
    """Move one end of some brackets, and halve what the other end pulls with."""
    end[rows], own[rows] = place, val
    other[rows] /= 2.0
