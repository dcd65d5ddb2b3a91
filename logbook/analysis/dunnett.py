"""Several treatments against one control: Dunnett's two-sided test by exact quadrature.

The statistics t_i = (mean_i - mean_0) / (s c_i) share the control and the error mean square. With
correlations of the form l_i l_j (the control's share of each difference) the chance that none
exceeds c is a double integral, over the control's normal deviate and over s / sigma. Both are
taken by Gauss-Legendre rules of fixed nodes: the same input gives the same digits. Dunnett's own
two-sided table of 1955 is approximate; the exact values are those of his table of 1964.

Sources: Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121; Dunnett 1964, Biometrics 20:482-491;
Hsu 1992, J. Comput. Graph. Stat. 1:151-168 (one factor where correlations have no such form).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.errors import UserMistake

Floats = NDArray[np.float64]

_NORMAL_NODES, _SPREAD_NODES = 128, 64
_FAR = 9.0  # normal deviates beyond weigh less than 1e-18
_OUTSIDE = 1e-18  # so little of the spread's distribution is left out at each end
_MOST = 0.9999  # loadings nearer to 1 than this are a control without error: no such trial
_ROUNDS = 5000


def loadings(treated: Sequence[int], control: int) -> tuple[float, ...]:
    """l_i = sqrt(n_i / (n_i + n_0)) of treatments with n_i beds and a control with n_0."""
    if control < 1 or any(count < 1 for count in treated):
        raise UserMistake("every treatment and the control need a bed")
    return tuple(math.sqrt(count / (count + control)) for count in treated)


def one_factor(covariance: ArrayLike) -> tuple[float, ...]:
    """Loadings l_i whose products l_i l_j come nearest to the correlations of some differences.

    Exact where the correlations have that form, as with complete blocks; else by least squares on
    the correlations (Hsu's one-factor approximation).

    Args:
        covariance: (k, k) of the differences from the control, up to a factor.
    """
    matrix = np.asarray(covariance, dtype=float)
    root = np.sqrt(np.diag(matrix))
    correlation = matrix / np.outer(root, root)
    if len(correlation) == 1:
        return (0.0,)
    if len(correlation) == 2:
        size = math.sqrt(min(abs(correlation[0, 1]), _MOST))
        return (size, math.copysign(size, correlation[0, 1]))
    return _principal(correlation)


def _principal(correlation: Floats) -> tuple[float, ...]:
    """The first factor, its communalities put on the diagonal again until they stand."""
    found = np.sqrt(np.clip(np.abs(correlation - np.eye(len(correlation))).max(1), 0.0, _MOST))
    for _ in range(_ROUNDS):
        reduced = correlation.copy()
        np.fill_diagonal(reduced, found**2)
        values, vectors = np.linalg.eigh(reduced)
        first = vectors[:, -1] * math.sqrt(max(values[-1], 0.0))
        first = np.clip(first * (1.0 if first.sum() >= 0.0 else -1.0), -_MOST, _MOST)
        moved = float(np.abs(first - found).max())
        found = first
        if moved < 1e-13:
            break
    return tuple(float(one) for one in found)


def adjusted_p(statistic: float, shares: Sequence[float], df: float) -> float:
    """The chance, without any difference, that one of the |t_i| is at least so large.

    Held between the p of a single t test and k times it, which bound it exactly, so that rounding
    never leaves a chance below nothing.

    Args:
        statistic: t of one treatment. shares: the loadings of all. df: of the error mean square.

    Raises:
        UserMistake: no treatment, fewer than 1 degree of freedom, a statistic that is no number.
    """
    from scipy.special import stdtr

    _check(shares, df)
    if math.isnan(statistic):
        raise UserMistake("a test statistic is not a number")
    alone = 2.0 * float(stdtr(df, -abs(statistic)))
    if len(shares) == 1:
        return alone
    found = 1.0 - _covered(abs(statistic), tuple(shares), df)
    return min(max(found, alone), len(shares) * alone, 1.0)


def critical(shares: Sequence[float], df: float, confidence: float = 0.95) -> float:
    """The value that the largest |t_i| stays below with the chance `confidence`.

    Raises UserMistake as `adjusted_p` does.
    """
    _check(shares, df)
    return _critical(tuple(shares), float(df), confidence)


@lru_cache(maxsize=256)
def _critical(shares: tuple[float, ...], df: float, confidence: float) -> float:
    """The root, bracketed by the t quantile of one test and that of Bonferroni."""
    from scipy.special import stdtrit

    tail = (1.0 - confidence) / 2.0
    least = -float(stdtrit(df, tail))
    if len(shares) == 1:
        return least
    most = -float(stdtrit(df, tail / len(shares)))
    return _root(lambda c: _covered(c, shares, df) - confidence, least, most)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses zero, by the Illinois rule: chords, neither end stuck.

    Source: Dowell & Jarratt 1971, BIT 11:168-174. Loading a library for it takes longer.
    """
    below, above = function(low), function(high)
    moved = 0
    for _ in range(100):
        middle = high - above * (high - low) / (above - below) if above > below else low
        found = function(middle)
        if abs(found) < 1e-13 or high - low < 1e-12:
            return middle
        side = 1 if found > 0.0 else -1
        if side > 0:
            high, above, below = middle, found, below / 2.0 if moved == side else below
        else:
            low, below, above = middle, found, above / 2.0 if moved == side else above
        moved = side
    return (low + high) / 2.0


def _check(shares: Sequence[float], df: float) -> None:
    """Refuse what has no such test."""
    if not shares:
        raise UserMistake("there is no treatment to compare with the control")
    if not df >= 1.0:
        raise UserMistake(f"{df:g} degrees of freedom: no test, since no spread can be estimated")


def _covered(value: float, shares: tuple[float, ...], df: float) -> float:
    """The chance that every |t_i| stays below a value."""
    from scipy.special import ndtr

    deviate, weight = _normal_rule()
    spread, density = _spread_rule(df)
    chance = np.outer(density, weight)
    for share, times in Counter(shares).items():
        rest = math.sqrt(1.0 - share**2)
        middle, half = share * deviate / rest, value * spread[:, None] / rest
        chance *= (ndtr(middle + half) - ndtr(middle - half)) ** times
    return float(chance.sum())


@lru_cache(maxsize=1)
def _normal_rule() -> tuple[Floats, Floats]:
    """Nodes and weights for an integral over a standard normal deviate."""
    node, weight = np.polynomial.legendre.leggauss(_NORMAL_NODES)
    deviate = _FAR * node
    weights = _FAR * weight * np.exp(-(deviate**2) / 2.0) / math.sqrt(2.0 * math.pi)
    return deviate, weights / weights.sum()


@lru_cache(maxsize=256)
def _spread_rule(df: float) -> tuple[Floats, Floats]:
    """Nodes and weights for an integral over s / sigma, of which df s^2 / sigma^2 is chi2(df)."""
    from scipy.special import gammainccinv, gammaincinv

    half = df / 2.0
    low = math.sqrt(float(gammaincinv(half, _OUTSIDE)) / half)
    high = math.sqrt(float(gammainccinv(half, _OUTSIDE)) / half)
    node, weight = np.polynomial.legendre.leggauss(_SPREAD_NODES)
    spread = low + (high - low) * (node + 1.0) / 2.0
    log_density = (df - 1.0) * np.log(spread) - half * spread**2
    weights = weight * np.exp(log_density - log_density.max())
    return spread, weights / weights.sum()
