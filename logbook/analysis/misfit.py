"""Does a fitted shape miss its pulls by more than beds differ? The lack-of-fit F test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from logbook.analysis.fits import Check, Fit
from logbook.analysis.series import Contrast
from logbook.analysis.tails import f_tail, t_quantile

#: Below this chance of so large a misfit, the shape is said not to fit.
LEAST_CHANCE = 0.05


@dataclass(frozen=True)
class Spread:
    """The standard error of one pull's difference between beds, and its degrees of freedom."""

    se: float
    df: float


def spread_of(contrast: Contrast) -> Spread | None:
    """The standard error behind a 95 % interval; None where there is no interval."""
    ends = (contrast.low, contrast.high, contrast.df)
    if contrast.value is None or None in ends:
        return None
    low, high, df = (float(end) for end in ends if end is not None)
    return Spread((high - low) / 2.0 / t_quantile(0.975, df), df)


def checked(
    fit: Fit, days: Sequence[float], values: Sequence[float], spreads: Sequence[Spread]
) -> Fit:
    """The fit with the check "fits its pulls" added, where beds tell how far chance goes.

    F = [sum of squared residuals / (n - p)] / s^2 with s^2 the variance of a pull's difference,
    pooled over pulls by their degrees of freedom; compared with F(n - p, sum of df). Source: the
    lack-of-fit test with an independent estimate of error (e.g. NIST/SEMATECH e-Handbook,
    section 4.4.4.6). Without beds to tell, or without degrees of freedom, the fit is unchanged.
    """
    total = sum(spread.df for spread in spreads)
    if not spreads or fit.df < 1 or total <= 0.0:
        return fit
    variance = sum(spread.df * spread.se**2 for spread in spreads) / total
    if variance <= 0.0:
        return fit
    curve = fit.at(list(days))
    squares = sum((value - float(at)) ** 2 for value, at in zip(values, curve, strict=True))
    statistic = squares / fit.df / variance
    passed = f_tail(statistic, fit.df, total) >= LEAST_CHANCE
    text = f"{fit.shape} misses its pulls by more than the beds differ: this is not the shape"
    check = Check("fits its pulls", statistic, None, passed, "" if passed else text)
    failed = [one.text for one in (*fit.checks, check) if not one.passed]
    return replace(fit, checks=(*fit.checks, check), verdict=failed[0] if failed else fit.verdict)
