"""Beds by pulls as a bed effect plus a pull effect, with what each result is beside the others.

A table with gaps is fitted by least squares. Of every result the fit without it is known as well,
and of every gap what the others lead to expect, where they say anything of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Place = tuple[int, int]

#: A result that the others say so little of is the only one of its bed or its pull.
ALONE = 1e-8


@dataclass(frozen=True)
class Design:
    """What a fit is whatever the numbers; n: the results that it is of, row by row.

    inverse: (beds + days, n), effects by results. reach: (n, n), fitted values by results (the hat
    matrix). known: (beds, days), where the results say anything; weight: the variance of the fitted
    value there over that of a result; df: of the residual.
    """

    kept: Flags
    inverse: Floats
    reach: Floats
    known: Flags
    weight: Floats
    df: int

    def row(self, place: Place) -> Floats:
        """How the fitted value at a place follows from the results (n)."""
        bed, day = place
        return np.asarray(self.inverse[bed] + self.inverse[len(self.kept) + day])


def design(kept: Flags) -> Design:
    """The design of a fit on the results kept (beds, days)."""
    return _design(kept.shape, kept.tobytes())


# The nutrients of a report are mostly of the same beds and pulls.
@lru_cache(maxsize=32)
def _design(shape: tuple[int, int], mask: bytes) -> Design:
    kept = np.frombuffer(mask, dtype=np.bool_).reshape(shape)
    beds, days = shape
    both = np.broadcast_to(np.eye(beds)[:, None, :], (beds, days, beds))
    pulls = np.broadcast_to(np.eye(days)[None, :, :], (beds, days, days))
    rows = np.concatenate([both, pulls], axis=2)
    used = rows[kept]
    inverse = np.linalg.pinv(used)
    reach = rows @ inverse
    known = (np.abs(reach @ used - rows) < 1e-8).all(axis=-1)
    weight = (reach**2).sum(axis=-1)
    df = int(kept.sum()) - (int(np.linalg.matrix_rank(used)) if kept.any() else 0)
    return Design(kept, inverse, reach[kept], known, weight, df)


@dataclass(frozen=True)
class Additive:
    """Bed plus pull effects of the results of a design.

    y, expected, error: (beds, days), the results, the fitted value and, for a result not used, the
    standard error of its difference from it; NaN where the results used say nothing. rss: the
    residual sum of squares.
    """

    design: Design
    y: Floats
    expected: Floats
    error: Floats
    rss: float

    def without(self, place: Place, at: Place) -> tuple[float, float]:
        """Fitted value and error `at` a place of the fit without the result of another one.

        NaN where the others say nothing. Source: Belsley, Kuh & Welsch 1980, Regression
        Diagnostics, ch. 2.
        """
        design = self.design
        if not design.kept[place]:
            return float(self.expected[at]), float(self.error[at])
        row = design.row(place)
        own = int(design.kept[: place[0]].sum() + design.kept[place[0], : place[1]].sum())
        free = 1.0 - row[own]
        if free < ALONE:  # nothing else is known of its bed or its pull
            kept = design.kept.copy()
            kept[place] = False
            anew = additive(self.y, kept)
            return float(anew.expected[at]), float(anew.error[at])
        df = design.df - 1
        if not design.known[at]:
            return math.nan, math.nan
        off = float(self.y[place] - self.expected[place]) / free
        reach = design.row(at)[own]
        rss = max(self.rss - off**2 * free, 0.0)
        spread = math.sqrt(rss / df) if df > 0 else math.nan
        error = spread * math.sqrt(1.0 + design.weight[at] + reach**2 / free)
        return float(self.expected[at] - reach * off), error


def additive(y: Floats, kept: Flags) -> Additive:
    """Least squares of bed plus pull effects on the results kept."""
    of = design(kept)
    effects = of.inverse @ y[kept]
    expected = effects[: len(y), None] + effects[None, len(y) :]
    rss = float(((y - expected)[kept] ** 2).sum())
    spread = math.sqrt(rss / of.df) if of.df > 0 else math.nan
    error = np.where(of.known, spread * np.sqrt(1.0 + of.weight), np.nan)
    return Additive(of, y, np.where(of.known, expected, np.nan), error, rss)


def deleted(residual: Floats, weight: Floats, df: int) -> tuple[Floats, Floats]:
    """Residuals (fits, n) from the fit without the result: over their standard errors, and plain.

    weight: of each result on its own fitted value; df: of the residual, df - 1 without the result.
    NaN for a result that the others say nothing of, and for all without degrees of freedom. Source:
    Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2. A residual that is the only misfit of
    all would have no finite t: it gets a very large one.
    """
    rss = (residual**2).sum(axis=-1, keepdims=True)
    left = df - 1 if df > 1 else math.nan
    free = np.where((weight < 1.0 - ALONE) & (rss > 0.0), 1.0 - weight, np.nan)
    own = residual**2 / free
    without = np.maximum(rss - own, 1e-14 * rss) / left
    return np.sign(residual) * np.sqrt(own / without), residual / free
