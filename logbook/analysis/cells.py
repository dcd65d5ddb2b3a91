"""The numbers of samples by cell or by group: their means, their ranges, their medians.

Which sample is of which cell is the same for all that was measured in it, so it is known before the
numbers are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.additive import Floats

Places = NDArray[np.intp]


def numbers(values: Iterable[float | None]) -> Floats:
    """Values as an array; NaN for None."""
    return np.array(list(values), dtype=np.float64)


@dataclass(frozen=True)
class Groups:
    """Places in a series, group by group: `of` one group after the other, each from its start."""

    of: Places
    starts: Places

    @property
    def counts(self) -> Places:
        """How many there are in each group."""
        return np.diff(self.starts, append=len(self.of))

    def means(self, values: Floats) -> Floats:
        """The mean of each group."""
        if len(self.of) == len(self.starts):
            return values[self.of]
        return np.asarray(np.add.reduceat(values[self.of], self.starts) / self.counts)

    def ends(self, values: Floats) -> tuple[Floats, Floats]:
        """The lowest and the highest of each group."""
        if not len(self.of):
            return np.empty(0), np.empty(0)
        mine = values[self.of]
        lowest, highest = (end.reduceat(mine, self.starts) for end in (np.minimum, np.maximum))
        return lowest, highest

    def median_ratios(self, values: Floats, to: Groups) -> Floats:
        """The median of each group's ratios to the values beside them (`to`, of equal groups)."""
        if not len(self.of):
            return np.empty(0)
        ratios, counts = values[self.of] / values[to.of], self.counts
        ordered = ratios[np.lexsort((ratios, np.repeat(np.arange(len(counts)), counts)))]
        low, high = (ordered[self.starts + place] for place in ((counts - 1) // 2, counts // 2))
        return np.asarray((low + high) / 2)


def grouped(groups: Iterable[Sequence[int]]) -> Groups:
    """Groups of places; none that is empty."""
    filled = [group for group in groups if group]
    starts = np.cumsum([0, *map(len, filled)])[:-1]
    return Groups(np.array([one for group in filled for one in group], dtype=np.intp), starts)


@dataclass(frozen=True)
class Grid:
    """Cells in rows and columns: `at` which cell (row by row) the sample at place `of` stands."""

    shape: tuple[int, int]
    of: Places
    at: Places

    def means(self, values: Floats) -> Floats:
        """The mean of each cell; NaN where there is none, or not all are numbers."""
        found = np.full(self.shape, np.nan)
        if len(self.of):
            sums = np.bincount(self.at, values[self.of], found.size)
            np.divide(sums, self._counts, out=found.reshape(-1), where=self._counts > 0)
        return found

    @cached_property
    def _counts(self) -> Places:
        return np.bincount(self.at, minlength=self.shape[0] * self.shape[1])

    def placed(self, places: Sequence[int]) -> Grid:
        """The same grid in a longer series, in which its samples stand at these places."""
        return Grid(self.shape, np.asarray(places, dtype=np.intp)[self.of], self.at)

    def last(self, row: int, column: int) -> int:
        """The place of the sample in a cell, the last of several."""
        cell = row * self.shape[1] + column
        return int(self.of[np.flatnonzero(self.at == cell)[-1]])


def grid(shape: tuple[int, int], cells: Sequence[tuple[int, int]]) -> Grid:
    """The grid of places, each with its cell, counted row by row."""
    of, at = (np.array([one[n] for one in cells], dtype=np.intp) for n in (0, 1))
    return Grid(shape, of, at)


def logs(values: Floats) -> Floats:
    """Natural logarithms; NaN for what has none."""
    return np.log(values, out=np.full_like(values, np.nan), where=values > 0)


def any_near(values: Floats, factor: float, decades: float) -> bool:
    """Whether a value above zero is this factor, give or take so many powers of ten."""
    return bool((np.abs(np.log10(values) - math.log10(factor)) <= decades).any())
