"""The scale of one nutrient in a picture of many: its range always in the same place.

Up to the upper end of the range the scale is even; beyond it, it is logarithmic and ends at a
round number above the largest value, so that nothing runs off it and nothing else is squashed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from logbook.report import marks

_LOW, _HIGH = 0.30, 0.66  # where the ends of a range stand, as shares of the width
_BELOW_ZERO = 0.06  # of the width, for what lies below nothing
_APART = 0.15  # of the width, between two tick labels
_FAR = 5.0  # times the control, from where a scale without a table is squeezed too


@dataclass(frozen=True)
class Scale:
    """From a value to its place between 0 and 1; what is below nothing is just left of 0.

    knots: (value, place), even between them; top: the value at the right end. Beyond the last
    knot the scale is logarithmic. start: the value at the left end, 0 but for a pH.
    """

    knots: tuple[tuple[float, float], ...]
    top: float
    start: float = 0.0

    @property
    def turn(self) -> float | None:
        """The place from which the scale is logarithmic, None where it is even to its end."""
        place = self.knots[-1][1]
        return None if place >= 1.0 else place

    def place(self, value: float) -> float:
        """Where a value stands."""
        first, last = self.knots[0], self.knots[-1]
        if value < first[0]:
            beyond = (first[0] - value) / (abs(last[0] - first[0]) or 1.0)
            return first[1] - _BELOW_ZERO * (1.0 - 1.0 / (1.0 + beyond))
        for (low, left), (high, right) in pairwise(self.knots):
            if value <= high:
                return left + (right - left) * (value - low) / (high - low)
        if last[1] >= 1.0:
            return 1.0
        share = math.log(value / last[0]) / math.log(self.top / last[0])
        return last[1] + (1.0 - last[1]) * min(share, 1.0)

    def ticks(self) -> list[float]:
        """Values to be labelled: round ones; of a turning scale its knots and end, then tens."""
        if self.turn is None:
            return marks.value_ticks(self.start, self.top, 4)
        power = math.floor(math.log10(self.knots[-1][0])) + 1
        tens = [10.0**n for n in range(power, math.ceil(math.log10(self.top)))]
        wanted = [*(value for value, _ in self.knots), self.top, *tens]
        kept: list[float] = []
        for value in wanted:
            if all(abs(self.place(value) - self.place(one)) >= _APART for one in kept):
                kept.append(value)
        return sorted(kept)


def ranged(ends: tuple[float | None, float | None], values: Iterable[float]) -> Scale:
    """The scale of a nutrient with a range, either end of which may be open."""
    low, high = ends
    most = max(values, default=0.0)
    knots = [(0.0, 0.0)]
    if low:
        knots.append((low, _LOW))
    if high is not None:
        knots.append((high, _HIGH))
    return Scale(tuple(knots), round_up(max(most, 2.0 * knots[-1][0])))


def plain(values: Iterable[float], control: float | None) -> Scale:
    """The scale of a nutrient without a table: from nothing to above the largest value.

    control: its largest mean; far beyond it the scale is squeezed as beyond a range.
    """
    top = round_up(max((*values, control or 0.0), default=0.0) or 1.0)
    if control and top > 2.0 * _FAR * control:
        return Scale(((0.0, 0.0), (round_up(2.0 * control), _HIGH)), top)
    return Scale(((0.0, 0.0), (top, 1.0)), top)


def acid(values: Iterable[float]) -> Scale:
    """The scale of a pH, which has no zero that matters: half units around all values."""
    known = list(values) or [7.0]
    start, top = math.floor(2.0 * min(known)) / 2.0, math.ceil(2.0 * max(known)) / 2.0
    top = max(top, start + 1.0)
    return Scale(((start, 0.0), (top, 1.0)), top, start)


def round_up(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten, at or above a value."""
    power = 10.0 ** math.floor(math.log10(value))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return next(step * power for step in steps if step * power >= value * (1.0 - 1e-12))


def tick_text(value: float) -> str:
    """A tick's label: up to four digits, thousands set apart, large ones with an exponent."""
    if abs(value) >= 1e5:
        return f"{value:.3g}".replace("e+0", "e").replace("e+", "e")
    return f"{value:,.0f}" if abs(value) >= 1e4 else f"{value:.4g}"
