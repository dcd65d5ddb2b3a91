"""How far chance alone takes the difference of each pull: beds that differ, a laboratory that errs.

An error is taken as a share of the level (a CV), with the laboratory's floor where one is declared:
SD^2 = s0^2 + (CV x)^2. The larger of what was declared and what the beds show counts, pull by pull.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.fits import Check, Fit, Limit, Refusal
from logbook.analysis.intervals import Lab
from logbook.analysis.scores import Beds, units_of
from logbook.analysis.series import ROUNDING
from logbook.analysis.tails import chi2_tail, f_tail

Floats = NDArray[np.float64]

#: Below this chance of so large a misfit, a shape is said not to fit.
LEAST_CHANCE = 0.05
#: A pull's error is at least this share of the usual one. Common practice, no source.
LEAST_SHARE = 0.1
BENT = "the values bend away from a straight line"
#: A line and a bend have three constants: fewer values leave too little to judge by.
FEWEST_BENT = 5


@dataclass(frozen=True)
class Errors:
    """The standard deviation of the difference D of every pull: (n,), in the unit of the series.

    df: degrees of freedom that it is known by, infinite where declared; source: whether the
    laboratory's error was "declared" or "measured" by duplicates and repeats; beds: the CV between
    beds (within blocks where there are blocks), None where one bed a side cannot tell.
    """

    sd: Floats
    df: float
    beds: float | None
    declared: float | None
    source: str = "declared"

    @property
    def words(self) -> str:
        """Where the error comes from, for a reader."""
        parts = []
        if self.beds is not None:
            parts.append(f"beds differ by a CV of {100.0 * self.beds:.2g} % ({self.df_words})")
        if self.declared is not None:
            parts.append(f"the laboratory's {self.source} CV is {100.0 * self.declared:.2g} %")
        return "; ".join(parts)

    @property
    def df_words(self) -> str:
        """The degrees of freedom of the beds."""
        return f"{self.df:.0f} df" if math.isfinite(self.df) else "less than the declared error"


def errors_of(beds: Beds, *, cv: float | None = None, floor: float = 0.0) -> Errors | None:
    """The error of every pull's difference; None where neither beds nor a declaration tell.

    Args:
        beds: results by bed and pull; gaps (NaN) take no part.
        cv, floor: the laboratory's declared CV as a fraction, and s0 in the unit of the series.
    """
    lab = Lab(cv, floor)
    pulls = [_pull(beds, place, lab) for place in range(len(beds.days))]
    spread, df = _pooled(pulls)
    between = None if spread is None else np.array([spread * one.scale for one in pulls])
    declared = np.array([one.declared for one in pulls]) if lab.known else None
    if between is None and declared is None:
        return None
    if between is None or declared is None:
        sd = between if between is not None else declared
        assert sd is not None
        known = df if between is not None else math.inf
    else:
        sd = np.maximum(between, declared)
        known = df if 2 * int((between >= declared).sum()) >= len(pulls) else math.inf
    if not (sd > 0.0).any():
        return None
    # A pull on which all beds read next to nothing is not known without any error.
    return Errors(np.maximum(sd, LEAST_SHARE * np.median(sd[sd > 0.0])), known, spread, cv)


@dataclass(frozen=True)
class _Pull:
    """What one pull says: relative variance of its units with their df, and the declared error.

    scale: what a CV is multiplied with for the standard deviation of D; declared: that of D by
    the laboratory's error alone. All 0 where a side has no result.
    """

    variance: float
    df: int
    scale: float
    declared: float


def _pull(beds: Beds, place: int, lab: Lab) -> _Pull:
    """What one pull says of the spread between beds."""
    there = beds.on([place])
    kept = there.only(there.seen[:, 0])
    if not kept.fewest:
        return _Pull(0.0, 0, 0.0, 0.0)
    treated = float(kept.treated.mean())
    control = (1.0 - kept.share) * float(kept.control.mean())
    declared = math.sqrt(float(lab.variance(kept, kept.treated.mean(0))[0]))
    if kept.paired:
        gaps = units_of(kept).treated[0, :, 0]
        size = treated**2 + control**2
        scale = math.sqrt(size / len(gaps))
        return _Pull(_share(gaps.var(ddof=1), size), len(gaps) - 1, scale, declared)
    scale = math.sqrt(treated**2 / len(kept.treated) + control**2 / len(kept.control))
    squares = sum(
        ((side / side.mean() - 1.0) ** 2).sum()
        for side in (kept.treated, kept.control)
        if side.mean() > 0.0
    )
    df = sum(len(side) - 1 for side in (kept.treated, kept.control) if side.mean() > 0.0)
    return _Pull(_share(squares, df), df, scale, declared)


def _share(part: float, whole: float) -> float:
    return float(part) / whole if whole > 0.0 else 0.0


def _pooled(pulls: list[_Pull]) -> tuple[float | None, float]:
    """The CV between beds pooled over the pulls by their degrees of freedom, and those."""
    df = sum(one.df for one in pulls)
    if not df:
        return None, math.inf
    spread = math.sqrt(sum(one.df * one.variance for one in pulls) / df)
    # Beds that agree but for rounding do not tell how much beds differ.
    return (spread, float(df)) if spread > ROUNDING else (None, math.inf)


def misfit(judged: Fit, df: float) -> tuple[float, float] | None:
    """Statistic and chance of so large a chi2 per degree of freedom; None without any left.

    chi2 / (n - p) against F(n - p, df), or chi2 itself where the error was declared (df infinite).
    Source: the lack-of-fit test with an independent estimate of error (e.g. NIST/SEMATECH
    e-Handbook, section 4.4.4.6); Bevington & Robinson 2003, Data Reduction, chapter 11, for chi2.

    Args:
        judged: a fit with weights 1/sd^2, so that its rss is chi2.
    """
    if judged.df < 1:
        return None
    statistic = judged.rss / judged.df
    if math.isinf(df):
        return statistic, chi2_tail(judged.rss, judged.df)
    return statistic, f_tail(statistic, judged.df, df)


def straight_checked(
    found: Sequence[Fit | Refusal],
    days: Sequence[float],
    values: Sequence[float],
    weights: Sequence[float] | None = None,
) -> list[Fit | Refusal]:
    """The fits with the check "straight" on a line through values of unknown error.

    F test of an added term in t^2, from FEWEST_BENT values on. Source: the extra sum of squares
    test, Bates & Watts 1988, Nonlinear Regression Analysis, section 3.10.
    """
    return [
        _straight(one, days, values, weights)
        if isinstance(one, Fit) and one.shape == "zero order" and one.n >= FEWEST_BENT
        else one
        for one in found
    ]


def _straight(
    fit: Fit, days: Sequence[float], values: Sequence[float], weights: Sequence[float] | None
) -> Fit:
    """A line with its check."""
    when, what = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    roots = np.ones(len(when)) if weights is None else np.sqrt(np.asarray(weights, dtype=float))
    columns = [when**power for power in range(0 if fit.free_start else 1, 3)]
    basis, seen = np.stack(columns, axis=-1) * roots[:, None], what * roots
    basis = basis / np.sqrt((basis**2).sum(0))
    rest = [seen - part @ np.linalg.lstsq(part, seen)[0] for part in (basis[:, :-1], basis)]
    line, bent = (float(one @ one) for one in rest)
    df = len(when) - basis.shape[1]
    if fit.limit is Limit.FLAT or df < 1 or line <= ROUNDING * float(seen @ seen):
        return fit
    statistic = (line - bent) / (max(bent, ROUNDING * line) / df)
    passed = f_tail(statistic, 1, df) >= LEAST_CHANCE
    return _with(fit, Check("straight", statistic, None, passed, "" if passed else BENT))


def _with(fit: Fit, check: Check) -> Fit:
    """The fit with one check more, and the verdict that follows."""
    failed = [one.text for one in (*fit.checks, check) if not one.passed]
    return replace(fit, checks=(*fit.checks, check), verdict=failed[0] if failed else fit.verdict)


def checked(fit: Fit, chance_of: Callable[[str], tuple[float, float] | None]) -> Fit:
    """The fit with the check "fits its pulls" added, where there is an error to judge it by.

    chance_of: statistic and chance of a shape's misfit, by its name.
    """
    found = chance_of(fit.shape)
    if found is None:
        return fit
    statistic, chance = found
    passed = chance >= LEAST_CHANCE
    text = f"{fit.shape} misses its pulls by more than their errors allow: this is not the shape"
    check = Check("fits its pulls", statistic, None, passed, "" if passed else text)
    return _with(fit, check)
