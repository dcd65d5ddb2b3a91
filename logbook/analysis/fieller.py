"""The interval of a ratio whose denominator is itself uncertain.

Nitrogen recovered over nitrogen applied, when the amount applied comes from an analysis with a
standard error. The interval is every ratio r for which value - r amount does not differ from zero
by a t test. Where the amount does not differ clearly from zero, that is no interval: it is all
numbers, or all but a stretch, and neither is given as one.

Source: Fieller 1954, Journal of the Royal Statistical Society B 16:175-185.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from logbook.analysis.tails import t_quantile
from logbook.errors import UserMistake

Form = Literal["interval", "all but a stretch", "everything", "none"]

#: Fourth powers of anything larger overflow; no amount comes near.
LARGEST = 1e70
#: A coefficient this small beside the terms it is the difference of is rounding.
_ROUNDING = 1e-12

NO_AMOUNT = "the amount is zero: no ratio"
NO_ERROR = "neither the value nor the amount has a standard error: no interval"
ALL_BUT = (
    "the amount is not clearly different from zero, so that the ratio can be any number outside a "
    "stretch: no interval"
)
ANY = "the amount is not clearly different from zero, so that the ratio can be any number"


@dataclass(frozen=True)
class FiellerRatio:
    """value / amount and its interval; multiply by 100 for percent.

    value, low, high: None where the ratio means nothing (low and high also without any standard
    error), with `reason`. form: what the set of ratios is that the data leave possible; outside:
    the stretch that is excluded when that is all but a stretch. g: (t se / amount)^2, how far the
    amount is from zero; below 1 there is an interval, None when the amount is zero.
    """

    value: float | None
    low: float | None
    high: float | None
    form: Form
    df: float
    g: float | None
    outside: tuple[float, float] | None = None
    reason: str = ""


def ratio(
    value: float,
    value_se: float,
    amount: float,
    amount_se: float,
    df: float,
    covariance: float = 0.0,
    *,
    confidence: float = 0.95,
) -> FiellerRatio:
    """value / amount with the interval that holds whatever both may be.

    The ends are the roots of r^2 (A^2 - t^2 sA^2) - 2 r (V A - t^2 s_VA) + V^2 - t^2 sV^2 = 0.

    Args:
        value, value_se: V and its standard error.
        amount, amount_se: A, in the same unit and basis, and its standard error; 0 when certain.
        df: degrees of freedom of the standard errors; the smaller one's when they differ, infinite
            when both are known beforehand.
        covariance: of V and A; 0 when they come from different samples.

    Raises:
        UserMistake: an input that is no number, a negative standard error, a covariance larger
            than the two standard errors allow, no degrees of freedom.
    """
    _check(value, value_se, amount, amount_se, covariance)
    t2 = t_quantile((1.0 + confidence) / 2.0, df) ** 2
    if amount == 0.0:
        return FiellerRatio(None, None, None, "none", df, None, None, NO_AMOUNT)
    g = t2 * (amount_se / amount) ** 2
    if value_se == amount_se == 0.0:
        return FiellerRatio(value / amount, None, None, "none", df, g, None, NO_ERROR)
    a = amount**2 - t2 * amount_se**2
    half_b = value * amount - t2 * covariance
    c = value**2 - t2 * value_se**2
    inner = _inner(value, value_se, amount, amount_se, covariance, t2)
    if a > _ROUNDING * amount**2:
        low, high = _roots(a, half_b, c, max(inner, 0.0))
        return FiellerRatio(value / amount, low, high, "interval", df, g)
    if a < -_ROUNDING * amount**2 and inner > 0.0:
        roots = _roots(a, half_b, c, inner)
        return FiellerRatio(None, None, None, "all but a stretch", df, g, roots, ALL_BUT)
    return FiellerRatio(None, None, None, "everything", df, g, None, ANY)


def _inner(
    value: float, value_se: float, amount: float, amount_se: float, covariance: float, t2: float
) -> float:
    """half_b^2 - a c, multiplied out so that the large equal terms V^2 A^2 are never formed."""
    spread = (amount * value_se) ** 2 + (value * amount_se) ** 2 - 2.0 * value * amount * covariance
    return t2 * (spread - t2 * ((value_se * amount_se) ** 2 - covariance**2))


def _roots(a: float, half_b: float, c: float, inner: float) -> tuple[float, float]:
    """Both roots of a r^2 - 2 half_b r + c, the lower first; no difference of near equals."""
    larger = half_b + math.copysign(math.sqrt(inner), half_b)
    if larger == 0.0:
        return 0.0, 0.0
    first, second = sorted((larger / a, c / larger))
    return first, second


def _check(
    value: float, value_se: float, amount: float, amount_se: float, covariance: float
) -> None:
    """Refuse what no ratio can be formed of."""
    numbers = {
        "value": value,
        "standard error of the value": value_se,
        "amount": amount,
        "standard error of the amount": amount_se,
    }
    for name, number in numbers.items():
        if not abs(number) < LARGEST:
            raise UserMistake(f"the {name} is {number}, not a usable number")
    if value_se < 0.0 or amount_se < 0.0:
        raise UserMistake("a standard error is below zero")
    if not abs(covariance) <= value_se * amount_se * (1.0 + 1e-9):
        raise UserMistake("the covariance is larger than the two standard errors allow")
