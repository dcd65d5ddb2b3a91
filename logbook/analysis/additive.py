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


@dataclass(frozen=True)
class Additive:
    """Bed plus pull effects without some results.

    expected, error: (beds, days), the fitted value and, for a result not used, the standard error
    of its difference from it; NaN where the results used say nothing. t, off: of each result used,
    its difference from the fit without it, over its standard error and plain. df: of the residual.
    """

    expected: Floats
    error: Floats
    t: Floats
    off: Floats
    df: int


def additive(y: Floats, kept: Flags) -> Additive:
    """Least squares of bed plus pull effects on the results kept."""
    fit = _fitted(kept.shape, kept.tobytes())
    effects = fit.inverse @ y[kept]
    beds = len(y)
    expected = effects[:beds, None] + effects[None, beds:]
    residual = np.where(kept, y - expected, np.nan)
    rss = float((residual[kept] ** 2).sum())
    spread = math.sqrt(rss / fit.df) if fit.df > 0 else math.nan
    error = np.where(fit.known, spread * np.sqrt(1.0 + fit.weight), np.nan)
    t, off = _deleted(residual, fit.weight, rss, fit.df)
    return Additive(np.where(fit.known, expected, np.nan), error, t, off, fit.df)


@dataclass(frozen=True)
class _Fit:
    """What a fit is whatever the numbers: effects are `inverse` (beds + days, results) times them.

    known: (beds, days) where the results used say anything; weight: the variance of the fitted
    value there over that of a result.
    """

    inverse: Floats
    known: Flags
    weight: Floats
    df: int


# The nutrients of a report are mostly of the same beds and pulls.
@lru_cache(maxsize=128)
def _fitted(shape: tuple[int, int], mask: bytes) -> _Fit:
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
    return _Fit(inverse, known, weight, df)


def _deleted(residual: Floats, weight: Floats, rss: float, df: int) -> tuple[Floats, Floats]:
    """Residuals from the fit without the result: over their standard errors (df - 1), and plain.

    Source: Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2. A residual that is the only
    misfit of all would have no finite t: it gets a very large one.
    """
    if df < 2 or rss <= 0.0:
        return np.full(residual.shape, np.nan), np.full(residual.shape, np.nan)
    free = np.where(weight < 1.0 - 1e-8, 1.0 - weight, np.nan)
    own = residual**2 / free
    without = np.maximum(rss - own, 1e-14 * rss) / (df - 1)
    return np.sign(residual) * np.sqrt(own / without), residual / free
