"""How many beds, and which difference they could show: t tests planned before the beds are filled.

Power by the noncentral t distribution of a two-sided test of two means with equal variances; with
complete blocks, of the differences within blocks. The bed is the unit: cores and laboratory
duplicates make the standard deviation smaller, not the number of beds larger.

Source: Fisher's noncentral t as in Cohen 1988, Statistical Power Analysis for the Behavioral
Sciences, ch. 2. The normal formula n = 2 (z_a + z_b)^2 (sd / d)^2 is not used: with few beds it is
a bed or more short.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.tails import t_quantile
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

#: Places of the double exponential rule: 14 digits at any df from 1 on.
_PLACES = 201
_MOST_BEDS = 10_000.0
_HALVINGS = 200

ONE_BED = (
    "one bed on a side and no spread between beds known from elsewhere: no difference could be "
    "shown at all"
)
ONE_BLOCK = (
    "one block, and no spread within blocks known from elsewhere: no difference can be shown"
)


@dataclass(frozen=True)
class Detectable:
    """The planned detectable difference, in the unit of the standard deviation given.

    value: the true difference that a trial of this plan shows with the chance `power`; least: the
    smallest observed difference that would be significant (half of all true differences of that
    size are missed). Both None with `reason` where nothing can be shown. df: of the error.
    """

    value: float | None
    least: float | None
    df: float
    power: float
    reason: str = ""


@dataclass(frozen=True)
class Needed:
    """Beds that show a difference with the chance wished for.

    treated, control: whole beds, two or more a side; exact: the fractional number of treated beds
    at which the chance is met; power: the chance with the whole beds.
    """

    treated: int
    control: int
    exact: float
    power: float


def power(
    beds_treated: float,
    beds_control: float,
    difference_over_sd: float,
    *,
    df: float | None = None,
    in_blocks: bool = False,
    level: float = 0.05,
) -> float:
    """The chance that a two-sided test shows a true difference.

    Args:
        beds_treated, beds_control: above 0; may be fractions, as a plan's solution is.
        difference_over_sd: true difference over the standard deviation between beds of one
            treatment (within a block where there are blocks).
        df: of the error, if not the plan's own; for instance (b - 1)(k - 1) when k treatments in b
            complete blocks share one error.
        in_blocks: complete blocks of one treated bed each; b - 1 df. Exact when every block has
            the same number of control beds.
        level: the test's chance of a false alarm.

    Raises:
        UserMistake: beds, df or a level that allow no test.
    """
    own = _df(beds_treated, beds_control, df, in_blocks)
    if df is None and min(beds_treated, beds_control) <= 1.0:
        raise UserMistake(ONE_BLOCK if in_blocks else ONE_BED)
    if not math.isfinite(difference_over_sd):
        raise UserMistake(f"a difference of {difference_over_sd} standard deviations is no number")
    _within_one("level", level)
    return _chance(abs(difference_over_sd) / _spread(beds_treated, beds_control), own, level)


def detectable(
    beds_treated: float,
    beds_control: float,
    sd: float,
    *,
    power: float = 0.8,
    df: float | None = None,
    in_blocks: bool = False,
    level: float = 0.05,
) -> Detectable:
    """The smallest true difference that the beds show with the chance `power`.

    Args:
        sd: standard deviation between beds of one treatment, or their CV in percent or as a
            fraction: the answer has the same unit. Within blocks where there are blocks.
        power: the chance wished for, above `level`. Others as in `power`.

    Raises:
        UserMistake: no bed, an sd that is not above zero, a chance outside its range.
    """
    own = _df(beds_treated, beds_control, df, in_blocks)
    _checked(sd, power, level)
    if df is None and min(beds_treated, beds_control) <= 1.0:
        return Detectable(None, None, own, power, ONE_BLOCK if in_blocks else ONE_BED)
    spread = sd * _spread(beds_treated, beds_control)
    reach = _crossing(lambda shift: _chance(shift, own, level) - power, 0.0)
    return Detectable(reach * spread, t_quantile(1.0 - level / 2.0, own) * spread, own, power)


def beds_needed(
    difference: float,
    sd: float,
    *,
    power: float = 0.8,
    controls_per_treated: float = 1.0,
    in_blocks: bool = False,
    level: float = 0.05,
) -> Needed:
    """The beds that show a true difference with the chance `power`.

    Args:
        difference: in the unit of sd, not zero; its sign does not matter.
        controls_per_treated: control beds for each treated bed. Others as in `detectable`.

    Raises:
        UserMistake: as `detectable`, and a difference so small that 10,000 treated beds would not
            show it.
    """
    _checked(sd, power, level)
    if not (math.isfinite(difference) and difference != 0.0):
        raise UserMistake("the difference to be shown must be a number other than zero")
    if not 0.0 < controls_per_treated < math.inf:
        raise UserMistake(f"{controls_per_treated:g} control beds a treated bed is no plan")
    effect = abs(difference) / sd

    def chance(treated: float, control: float) -> float:
        return _chance(
            effect / _spread(treated, control), _df(treated, control, None, in_blocks), level
        )

    def short(treated: float) -> float:
        return chance(treated, treated * controls_per_treated) - power

    fewest = 1.0 if in_blocks else 2.0 / (1.0 + controls_per_treated)
    if short(_MOST_BEDS) < 0.0:
        raise UserMistake(f"more than {_MOST_BEDS:,.0f} treated beds would be needed")
    exact = _crossing(short, fewest)
    treated = max(2, _up(exact))
    control = max(2, _up(treated * controls_per_treated))
    return Needed(treated, control, exact, chance(treated, control))


def _up(number: float) -> int:
    """The next whole number, one that is whole but for rounding kept."""
    return math.ceil(number - 1e-9)


def _chance(shift: float, df: float, level: float) -> float:
    """Both tails of the noncentral t beyond the critical value; shift: its noncentrality, >= 0.

    The tails of the normal distribution averaged over the estimated over the true standard
    deviation u, whose square times df is chi2. scipy's own distribution function (1.17) is not a
    number in many far tails.
    """
    from scipy.special import ndtr

    bar = t_quantile(1.0 - level / 2.0, df)
    u, weights = _spreads(df)
    return float(weights @ (ndtr(shift - bar * u) + ndtr(-shift - bar * u)))


def _spreads(df: float) -> tuple[Floats, Floats]:
    """Quantiles of u and their weights, which add up to 1.

    Places are dense at both ends of the probability (the double exponential rule: Takahasi & Mori
    1974, Publications of RIMS Kyoto 9:721), so that an infinite slope there costs no digits.
    """
    from scipy.special import gammainccinv, gammaincinv

    x = np.linspace(-3.5, 3.5, _PLACES)
    lower = 1.0 / (1.0 + np.exp(-math.pi * np.sinh(x)))
    upper = lower[::-1]
    half = df / 2.0
    chi2 = np.where(x < 0.0, gammaincinv(half, lower), gammainccinv(half, upper))
    weights = np.cosh(x) * lower * upper
    return np.sqrt(chi2 / half), weights / weights.sum()


def _spread(treated: float, control: float) -> float:
    """Standard error of the difference over the standard deviation."""
    return math.sqrt(1.0 / treated + 1.0 / control)


def _df(treated: float, control: float, df: float | None, in_blocks: bool) -> float:
    """Degrees of freedom of the error: those given, or the plan's own."""
    for name, beds in (("treated", treated), ("control", control)):
        if not 0.0 < beds < math.inf:
            raise UserMistake(f"{beds:g} {name} beds: a comparison needs one or more on each side")
    if in_blocks and control < treated:
        raise UserMistake("complete blocks have a control bed in each")
    if df is not None:
        if not 0.0 < df < math.inf:
            raise UserMistake(f"{df:g} degrees of freedom allow no test")
        return df
    return treated - 1.0 if in_blocks else treated + control - 2.0


def _checked(sd: float, power: float, level: float) -> None:
    """Refuse what no plan can be made of."""
    if not 0.0 < sd < math.inf:
        raise UserMistake(f"a standard deviation of {sd:g} is not above zero")
    _within_one("level", level)
    _within_one("power", power)
    if power <= level:
        raise UserMistake(f"a power of {power:g} is not above the level of {level:g}")


def _within_one(name: str, number: float) -> None:
    """Refuse a chance that is not strictly between 0 and 1."""
    if not 0.0 < number < 1.0:
        raise UserMistake(f"a {name} of {number:g} is not between 0 and 1")


def _crossing(rising: Callable[[float], float], low: float) -> float:
    """Where a rising function of a number above `low` crosses zero, by doubling and halving.

    `low` itself is never tried: at the fewest beds there are no degrees of freedom.
    """
    step = 1.0
    while rising(low + step) < 0.0:
        step *= 2.0
    high, start = low + step, low
    for _ in range(_HALVINGS):
        middle = (start + high) / 2.0
        if middle in (start, high):
            break
        if rising(middle) < 0.0:
            start = middle
        else:
            high = middle
    return high
