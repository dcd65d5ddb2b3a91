"""How well a laboratory repeats itself: pairs, relative differences, s_r, the limit r.

Results of one sample by one method, at short intervals, by one laboratory (repeatability
conditions, ISO 5725-1). Plain arithmetic: nothing here is estimated that the formulas do not say.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, variance

#: f(n): the 95 % critical range of n results is f(n) s_r. Source: ISO 5725-6, table 1 (quantiles of
#: the studentized range, e.g. 1.96 sqrt 2 = 2.77 for two).
FACTORS = {2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0, 7: 4.2, 8: 4.3, 9: 4.4, 10: 4.5}
#: Degrees of freedom from which a measured s_r counts more than a declared one.
ENOUGH = 8
#: Below so many times its reporting limit an analyte is judged by differences, not by shares.
#: Source: the habit of data validation for environmental laboratories (US EPA).
LOW_LEVEL = 5.0


@dataclass(frozen=True)
class Group:
    """Results of one sample under repeatability conditions; `limit`: the reporting limit."""

    values: tuple[float, ...]
    limit: float | None = None

    @property
    def mean(self) -> float:
        """Their mean."""
        return fmean(self.values)

    @property
    def df(self) -> int:
        """Degrees of freedom that they have."""
        return len(self.values) - 1

    @property
    def low(self) -> bool:
        """Whether the level is too low for a share of it to mean much."""
        return self.mean <= 0 or (self.limit is not None and self.mean < LOW_LEVEL * self.limit)


@dataclass(frozen=True)
class Repeatability:
    """SD = s0 near the limit, CV x above it: SD^2 = s0^2 + (CV x)^2, with their own df.

    `cv` is a fraction; None where no group tells; `level` the mean of the groups.
    """

    sd: float | None
    sd_df: int
    cv: float | None
    cv_df: int
    level: float

    @property
    def df(self) -> int:
        """Degrees of freedom of the part that counts at most levels: of the CV, if there is one."""
        return self.cv_df if self.cv is not None else self.sd_df

    @property
    def enough(self) -> bool:
        """Whether it is known well enough to take the place of what was declared."""
        return self.df >= ENOUGH

    def at(self, level: float) -> float:
        """s_r at a level, in the unit of the results."""
        return math.hypot(self.sd or 0.0, (self.cv or 0.0) * level)


def pair_sd(a: float, b: float) -> float:
    """The standard deviation of a pair: |a - b| / sqrt 2."""
    return abs(a - b) / math.sqrt(2.0)


def rpd(a: float, b: float) -> float | None:
    """The relative difference of a pair, 100 |a - b| / mean, in %; None where the mean is 0."""
    mean = (a + b) / 2.0
    return None if mean <= 0 else 100.0 * abs(a - b) / mean


def limit_r(sr: float) -> float:
    """r = 2.8 s_r: what two single results differ by at most, 95 % of the time (ISO 5725-6)."""
    return FACTORS[2] * sr


def critical_range(sr: float, count: int) -> float:
    """CR(n) = f(n) s_r: the range of n results, 95 % of the time (ISO 5725-6).

    Beyond ten results f(10) is used, which is a little too strict.
    """
    return FACTORS[max(2, min(count, max(FACTORS)))] * sr


def pooled(groups: Iterable[Group], *, scale: str = "log") -> Repeatability | None:
    """s_r pooled over groups by their degrees of freedom; None without two results of one sample.

    Groups at a low level give s0, all others the CV. scale "raw" (pH): all give one SD.
    """
    known = [one for one in groups if one.df > 0]
    if not known:
        return None
    low = [one for one in known if scale == "raw" or one.low]
    high = [one for one in known if scale != "raw" and not one.low]
    sd, sd_df = _pooled([(variance(one.values), one.df) for one in low])
    cv, cv_df = _pooled([(variance(one.values) / one.mean**2, one.df) for one in high])
    return Repeatability(sd, sd_df, cv, cv_df, fmean(one.mean for one in known))


def _pooled(parts: Sequence[tuple[float, int]]) -> tuple[float | None, int]:
    """The root of the variances pooled by their degrees of freedom, and those."""
    df = sum(weight for _, weight in parts)
    if not df:
        return None, 0
    return math.sqrt(sum(part * weight for part, weight in parts) / df), df


@dataclass(frozen=True)
class Compared:
    """A pair held against its limit. `rpd` in %, None where it says nothing; `within`: may pass."""

    rpd: float | None
    difference: float | None
    within: bool | None
    words: str


def compare(
    a: float | None, b: float | None, *, limit: float | None, most_rpd: float, unit: str = ""
) -> Compared:
    """A duplicate beside its sample: by its RPD, near the reporting limit by its difference.

    a, b: None where the laboratory gave a limit and no number. Below 5 times the reporting limit
    |a - b| <= 2 limits passes (the habit of data validation, US EPA), above it RPD <= most_rpd.
    """
    if a is None or b is None:
        return Compared(None, None, None, "a result beyond a limit: a difference means nothing")
    share, apart = rpd(a, b), abs(a - b)
    unit = f" {unit}" if unit else ""
    if share is None:
        return Compared(None, apart, None, "both are 0: no relative difference")
    if limit is not None and min(a, b) < LOW_LEVEL * limit:
        within = apart <= 2.0 * limit
        side = "within" if within else "more than"
        words = f"{apart:.3g}{unit} apart, {side} twice the limit of {limit:g}{unit}"
        return Compared(share, apart, within, words)
    within = share <= most_rpd
    side = "within" if within else "beyond"
    return Compared(share, apart, within, f"RPD {share:.3g} %, {side} {most_rpd:g} %")


@dataclass(frozen=True)
class Runs:
    """What counts of several runs: their mean, their median, or nothing yet.

    how: "mean" (within the critical range), "median" (three or more that are not) or "apart" (two
    that are not: a third is asked, or the laboratory says which was wrong).
    """

    value: float | None
    how: str
    range: float
    critical: float


def judge_runs(values: Sequence[float], sr: float) -> Runs:
    """Runs of one analysis beside the repeatability of the method.

    Source: ISO 5725-6, checking the acceptability of results where they are expensive to obtain:
    two beyond r are not averaged but a third is obtained; the mean of three within CR(3), else
    their median (from memory of the standard).
    """
    spread, critical = max(values) - min(values), critical_range(sr, len(values))
    if spread <= critical * (1 + 1e-9):
        return Runs(fmean(values), "mean", spread, critical)
    if len(values) == 2:
        return Runs(None, "apart", spread, critical)
    ordered = sorted(values)
    middle = len(ordered) // 2
    value = ordered[middle] if len(ordered) % 2 else fmean(ordered[middle - 1 : middle + 1])
    return Runs(value, "median", spread, critical)
