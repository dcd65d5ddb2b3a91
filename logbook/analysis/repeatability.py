"""How well a laboratory repeats itself: pairs, relative differences, s_r, the limit r.

Results of one sample by one method, at short intervals, by one laboratory (repeatability
conditions, ISO 5725-1); of one material over days and batches, intermediate precision conditions.
Plain arithmetic: nothing here is estimated that the formulas do not say.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, variance

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


#: What a result says: a number is both bounds, "<0.5" lies between 0 and 0.5, ">200" above 200.
Bounds = tuple[float, float]


def bounds(value: float | None, limit: float | None, side: str) -> Bounds | None:
    """A number, or what lies beyond a limit (`side` "<" or ">"); None where neither is known."""
    if value is not None:
        return (value, value)
    if limit is None:
        return None
    return (limit, math.inf) if side == ">" else (0.0, limit)


def is_number(one: Bounds) -> bool:
    """Whether a result is a number, not something beyond a limit."""
    return one[0] == one[1]


def apart(results: Sequence[Bounds]) -> float:
    """By how much results differ at least; 0 where limits leave room for no difference."""
    return max(0.0, max(low for low, _ in results) - min(high for _, high in results))


@dataclass(frozen=True)
class Compared:
    """A pair held against its limit: `within` it, beyond it, or None where that cannot be said.

    `rpd` in %, None where it says nothing; `by_share`: the largest RPD decides, not the rule of
    low levels.
    """

    rpd: float | None
    difference: float | None
    within: bool | None
    words: str
    by_share: bool = True


_NOTHING = Compared(None, None, None, "a result beyond a limit: a difference means nothing")


def compare(
    results: Sequence[Bounds], *, limit: float | None, most_rpd: float, unit: str = ""
) -> Compared:
    """Duplicates, by the RPD of the two that differ most, near the limit by their difference.

    Below 5 times the reporting limit |a - b| <= 2 limits passes (the habit of data validation, US
    EPA), above it RPD <= most_rpd. What lies beyond a limit is taken at the limit: differs it
    enough there, it differs; else nothing can be said.
    """
    low, high = min(one[1] for one in results), max(one[0] for one in results)
    exact = all(map(is_number, results))
    if not exact:
        if high <= low:
            return _NOTHING
        # A limit of its own, of a diluted extract, is the one that counts.
        limit = max([limit or 0.0, *(top for foot, top in results if foot < top == low)]) or None
    found = _numbers(low, high, limit, most_rpd, f" {unit}" if unit else "")
    if exact:
        return found
    if found.within is not False:
        return _NOTHING
    words = (
        found.words.replace("RPD ", "RPD at least ")
        if found.by_share
        else (f"at least {found.words}")
    )
    return replace(found, rpd=None, difference=None, words=words)


def _numbers(low: float, high: float, limit: float | None, most_rpd: float, unit: str) -> Compared:
    share, difference = rpd(low, high), high - low
    if share is None:
        return Compared(None, difference, None, "both are 0: no relative difference")
    if limit is not None and low < LOW_LEVEL * limit:
        within = difference <= 2.0 * limit
        side = "within" if within else "more than"
        words = f"{difference:.3g}{unit} apart, {side} twice the limit of {limit:g}{unit}"
        return Compared(share, difference, within, words, by_share=False)
    within = share <= most_rpd
    side = "within" if within else "beyond"
    return Compared(share, difference, within, f"RPD {share:.3g} %, {side} {most_rpd:g} %")


def compare_raw(results: Sequence[Bounds], most: float) -> Compared:
    """Duplicates of what is a logarithm already (pH), by their difference."""
    exact, difference = all(map(is_number, results)), apart(results)
    within = difference <= most + 1e-9
    if not exact and within:
        return _NOTHING
    least, side = "" if exact else "at least ", "within" if within else "more than"
    words = f"{least}{difference:.2g} apart, {side} {most:g}"
    return Compared(None, difference if exact else None, within, words)


@dataclass(frozen=True)
class Runs:
    """What counts of several runs: their mean, their median, or nothing yet.

    how: "mean" (within the critical range), "median" (three or more that are not) or "apart" (two
    that are not: a third is asked, or the laboratory says which was wrong). `value` is what
    counts, None while nothing does; `range` what they differ by, at least.
    """

    value: Bounds | None
    how: str
    range: float
    critical: float


def judge_runs(runs: Sequence[Bounds], sr: float) -> Runs:
    """Runs of one analysis beside the repeatability of the method.

    Source: ISO 5725-6, checking the acceptability of results where they are expensive to obtain:
    two beyond r are not averaged but a third is obtained; the mean of three within CR(3), else
    their median (from memory of the standard). Runs beyond a limit are not in the standard: they
    differ where even their limits do, and the median of the bounds are the bounds of the median.
    """
    difference, critical = apart(runs), critical_range(sr, len(runs))
    lows, highs = zip(*runs, strict=True)
    if difference <= critical * (1 + 1e-9):
        return Runs((fmean(lows), fmean(highs)), "mean", difference, critical)
    if len(runs) == 2:
        return Runs(None, "apart", difference, critical)
    return Runs((median(lows), median(highs)), "median", difference, critical)


@dataclass(frozen=True)
class Intermediate:
    """The SD of a material's results under intermediate precision conditions, and its df.

    `level` is their mean, `reports` and `results` say how many there are.
    """

    sd: float
    df: int
    level: float
    reports: int
    results: int


def intermediate(reports: Sequence[Sequence[float]]) -> Intermediate | None:
    """The intermediate precision of one laboratory: results of one material, report by report.

    Between days, batches and calibrations: s_I^2 = s_r^2 + s_between^2 (ISO 5725-3), by the
    analysis of variance of ISO 5725-2. With one result a report it is the SD of the results. None
    with fewer than two reports. The df are those between reports, the fewer of both parts.
    """
    several = [one for one in reports if one]
    if len(several) < 2:
        return None
    numbers = [value for one in several for value in one]
    level, count, df = fmean(numbers), len(numbers), len(several) - 1
    between = sum(len(one) * (fmean(one) - level) ** 2 for one in several) / df
    inside = sum((value - fmean(one)) ** 2 for one in several for value in one)
    within = inside / (count - len(several)) if count > len(several) else 0.0
    each = (count - sum(len(one) ** 2 for one in several) / count) / df
    of_reports = max(0.0, (between - within) / each)
    return Intermediate(math.sqrt(of_reports + within), df, level, len(several), count)
