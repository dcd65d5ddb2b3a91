"""Means of results of which some are known only to lie below a reporting limit, or above a range.

Substituting zero, half the limit or the limit moves a mean at will (Helsel 2005, Environmental
Science & Technology 39:419A), so three estimators are here, each a function of its own: robust
regression on order statistics, Kaplan-Meier and lognormal maximum likelihood. `censored_mean`
stands above them with the rule of when any may be used at all; with fewer results, or more than
half of them censored, only the two ends stay that the limits themselves prove.

The default is regression on order statistics. With a single reporting limit, as one method of one
laboratory has, Kaplan-Meier has nothing below the limit to hand the censored share to and becomes
substitution of the limit, the upper end. Simulated (lognormal, 12 or 20 results, one limit at
their 20 or 40 % point, CV 20, 50 and 100 %, 2,000 runs a cell, those with none or more than half
censored left out): bias -1.6 to +3.7 % of the true mean for regression on order statistics, +1.1
to +12.5 % for Kaplan-Meier, -1.1 to +6.7 % for maximum likelihood, which also needs the seen
results to be lognormal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.beds import mean
from logbook.errors import UserMistake

Floats = NDArray[np.float64]
Way = Literal["ros", "km", "mle"]
Qualifier = Literal["", "<", ">"]
Method = Literal[
    "arithmetic",
    "regression on order statistics",
    "Kaplan-Meier",
    "lognormal maximum likelihood",
    "bounds",
]

#: Fewer results give no mean once any is censored. Common practice, no source.
FEWEST = 10
#: A Newton step is halved so often before it is given up, and so many steps are made at most.
_HALVINGS, _STEPS = 60, 100
#: A mean whose logarithm is larger is beyond all numbers: infinite.
_LARGEST_LOG = 700.0

TOO_FEW = (
    "{n} results, some of them censored: a mean needs {fewest}; only the ends that the limits "
    "leave are given"
)
MOSTLY_CENSORED = (
    "{censored} of {n} results are censored, more than half: only the ends that the limits leave "
    "are given"
)
ZEROS = "a result is zero, which has no logarithm: Kaplan-Meier instead"
BOTH_ENDS = "results below a limit and above a range together: lognormal maximum likelihood instead"
NO_SPREAD = "the results seen are all alike, so that no distribution can be fitted"
OUTSIDE = "the fitted mean lies outside the ends that the limits leave: no mean is given"


@dataclass(frozen=True)
class CensoredMean:
    """A mean in the unit of the values; value None: only bounds can be given, and `reason` why.

    low, high: the mean with each censored result at the lowest and highest it can be (zero or the
    limit below a limit; the range or nothing above it: high None, open). n: results; below, above:
    how many of them are censored. reason: why there is no value, or why another method was used.
    """

    value: float | None
    method: Method
    low: float
    high: float | None
    n: int
    below: int
    above: int
    reason: str = ""


@dataclass(frozen=True)
class _Sorted:
    """Numbers seen, limits of "<" results, limits of ">" results."""

    seen: Floats
    under: Floats
    over: Floats


def censored_mean(
    values: Sequence[float | None],
    limits: Sequence[float | None],
    qualifiers: Sequence[Qualifier],
    *,
    way: Way = "ros",
) -> CensoredMean:
    """The mean of some results, or its bounds where a mean would be an invention.

    Args:
        values: concentrations in one unit, not below zero; ignored where the result is censored.
        limits: the reporting limit, or the end of the range, of each censored result.
        qualifiers: "" seen, "<" below its limit, ">" above its limit.
        way: the estimator wished for: "ros", "km" or "mle".

    Raises:
        UserMistake: no result, lengths that differ, a missing limit, a value that is no number.
    """
    given = _sorted(values, limits, qualifiers)
    n, below, above = len(qualifiers), len(given.under), len(given.over)
    low = mean([*given.seen, *np.zeros(below), *given.over])
    high = None if above else mean([*given.seen, *given.under])
    if not below and not above:
        return CensoredMean(low, "arithmetic", low, high, n, 0, 0)
    reason = _refusal(given, n)
    if reason:
        return CensoredMean(None, "bounds", low, high, n, below, above, reason)
    chosen, why = _allowed(way, given)
    value = _WAYS[chosen](values, limits, qualifiers)
    top = math.inf if high is None else high * (1 + 1e-12)
    if not (low * (1 - 1e-12) <= value <= top and math.isfinite(value)):
        return CensoredMean(None, "bounds", low, high, n, below, above, OUTSIDE)
    return CensoredMean(value, _NAMES[chosen], low, high, n, below, above, why)


def _refusal(given: _Sorted, n: int) -> str:
    """Why these results have no mean, "" when they have one."""
    censored = n - len(given.seen)
    if n < FEWEST:
        return TOO_FEW.format(n=n, fewest=FEWEST)
    if 2 * censored > n:
        return MOSTLY_CENSORED.format(n=n, censored=censored)
    if len(given.under) and len(given.over) and (_alike(given.seen) or not given.seen.all()):
        return NO_SPREAD if _alike(given.seen) else "a result is zero, which has no logarithm"
    return ""


def _allowed(way: Way, given: _Sorted) -> tuple[Way, str]:
    """The estimator that these results allow, and why it is not the one wished for."""
    if len(given.under) and len(given.over):
        return "mle", "" if way == "mle" else BOTH_ENDS
    if way != "km" and not given.seen.all():
        return "km", ZEROS
    if way == "mle" and _alike(given.seen):
        return "km", f"{NO_SPREAD}: Kaplan-Meier instead"
    return way, ""


def _alike(seen: Floats) -> bool:
    """Whether fewer than two different numbers were seen."""
    return len(seen) < 2 or float(np.ptp(seen)) <= 1e-12 * float(seen.max())


def kaplan_meier_mean(
    values: Sequence[float | None], limits: Sequence[float | None], qualifiers: Sequence[Qualifier]
) -> float:
    """The mean of the Kaplan-Meier distribution; left-censored results are flipped.

    Where the lowest result of all is censored, it counts as seen at its limit (Efron's convention;
    likewise the highest above a range), so that the mean is then too high rather than unknown.
    Without censored results it is the arithmetic mean. Arguments as in `censored_mean`.

    Source: Kaplan & Meier 1958, Journal of the American Statistical Association 53:457; Efron 1967,
    Fifth Berkeley Symposium 4:831; flipping: Helsel 2005, Nondetects and Data Analysis.

    Raises:
        UserMistake: as `censored_mean`, and results below a limit and above a range together.
    """
    given = _sorted(values, limits, qualifiers)
    if len(given.under) and len(given.over):
        raise UserMistake("Kaplan-Meier takes results below a limit or above a range, not both")
    if len(given.over):
        return -_falling_mean(-given.seen, -given.over)
    return _falling_mean(given.seen, given.under)


def _falling_mean(seen: Floats, under: Floats) -> float:
    """The Kaplan-Meier mean of numbers and of limits that results lie below, from the top down."""
    everything = np.concatenate([seen, under])
    left, parts = 1.0, []
    for value in sorted(set(seen.tolist()), reverse=True):
        share = np.count_nonzero(seen == value) / np.count_nonzero(everything <= value)
        parts.append(left * share * value)
        left *= 1.0 - share
    return math.fsum([*parts, left * float(everything.min())])


def ros_mean(
    values: Sequence[float | None], limits: Sequence[float | None], qualifiers: Sequence[Qualifier]
) -> float:
    """The mean after robust regression on order statistics of the logarithms.

    The logs of the seen results are regressed on normal quantiles of their plotting positions; each
    censored result is filled in from that line, at most (above a range: at least) its own limit,
    which the line alone can miss. Seen results stay as they are, so that without censored results
    it is the arithmetic mean. Arguments as in `censored_mean`, seen values above zero.

    Source: Helsel & Cohn 1988, Water Resources Research 24:1997; plotting positions for several
    limits: Hirsch & Stedinger 1987, Water Resources Research 23:715.

    Raises:
        UserMistake: as `censored_mean`; results below a limit and above a range together; a zero
            among the seen; nothing seen, or one only.
    """
    given = _sorted(values, limits, qualifiers)
    if len(given.under) and len(given.over):
        raise UserMistake("this regression takes results below a limit or above a range, not both")
    censored = np.concatenate([given.under, given.over])
    if not len(censored):
        return mean(given.seen.tolist())
    if not given.seen.all() or len(given.seen) < 2:
        raise UserMistake("this regression needs two or more seen results, all above zero")
    sign = -1.0 if len(given.over) else 1.0
    filled = _filled(sign * np.log(given.seen), sign * np.log(censored))
    return mean([*given.seen, *np.exp(sign * filled)])


def _filled(seen: Floats, under: Floats) -> Floats:
    """Numbers for results below their limits, from the line through the seen; all on logs."""
    from scipy.special import ndtri

    seen, under = np.sort(seen), np.sort(under)
    at_seen, at_under = _positions(seen, under)
    across = ndtri(at_seen)
    off = across - across.mean()
    slope = float(off @ seen) / float(off @ off)
    line = seen.mean() + slope * (ndtri(at_under) - across.mean())
    return np.asarray(np.minimum(line, under))


def _positions(seen: Floats, under: Floats) -> tuple[Floats, Floats]:
    """Plotting positions of sorted seen numbers and of sorted limits, lower-tail probabilities.

    From the top limit down: the chance to exceed limit j is that of the limit above, plus, of the
    rest, the share of the numbers seen between the two among all that are known to lie below it.
    """
    limits = np.unique(under)
    at_seen, at_under = np.empty(len(seen)), np.empty(len(under))
    above, top = 0.0, math.inf
    for limit in (*limits[::-1], -math.inf):
        within = np.flatnonzero((seen >= limit) & (seen < top))
        beneath = np.count_nonzero(seen < limit) + np.count_nonzero(under <= limit)
        known = len(within) + beneath
        exceeded = above + (len(within) / known * (1.0 - above) if known else 0.0)
        ranks = np.arange(1, len(within) + 1)
        at_seen[within] = 1.0 - exceeded + (exceeded - above) * ranks / (len(within) + 1)
        here = np.flatnonzero(under == limit)
        at_under[here] = (1.0 - exceeded) * np.arange(1, len(here) + 1) / (len(here) + 1)
        above, top = exceeded, limit
    return at_seen, at_under


def lognormal_mean(
    values: Sequence[float | None], limits: Sequence[float | None], qualifiers: Sequence[Qualifier]
) -> float:
    """The mean exp(mu + sigma^2 / 2) of the lognormal distribution of largest likelihood.

    A seen result counts with its density, a censored one with the chance of lying where it is known
    to lie. Without censored results mu and sigma^2 are mean and variance (divisor n) of the logs:
    the mean is that of the fitted lognormal, near but not equal to the arithmetic mean. Arguments
    as in `censored_mean`, seen values above zero.

    Source: Cohen 1959, Technometrics 1:217. In (mu / sigma, 1 / sigma) the likelihood has one
    summit (Olsen 1978, Econometrica 46:1211), which Newton's steps climb.

    Raises:
        UserMistake: as `censored_mean`; a zero among the seen; fewer than two different seen.
    """
    given = _sorted(values, limits, qualifiers)
    if not given.seen.all() or _alike(given.seen):
        raise UserMistake("this likelihood needs two or more different seen results, above zero")
    logs = np.log(given.seen)
    centre, size = float(logs.mean()), float(logs.std())
    steps = [(part - centre) / size for part in (logs, np.log(given.under), np.log(given.over))]
    mu, sigma = _summit(_Sorted(*steps))
    log = centre + size * mu + (size * sigma) ** 2 / 2.0
    return math.exp(log) if log < _LARGEST_LOG else math.inf


def _summit(given: _Sorted) -> tuple[float, float]:
    """mu and sigma of largest likelihood, of numbers whose seen part has mean 0 and variance 1."""
    at = np.array([0.0, 1.0])
    height, slope, bend = _likelihood(at, given)
    for _ in range(_STEPS):
        step = -np.linalg.solve(bend, slope)
        if abs(step).max() <= 1e-13 * max(1.0, abs(at).max()):
            break
        for _ in range(_HALVINGS):
            if at[1] + step[1] > 0.0:
                tried = _likelihood(at + step, given)
                if tried[0] >= height:
                    break
            step = step / 2.0
        else:
            break
        at = at + step
        height, slope, bend = tried
    return float(at[0] / at[1]), float(1.0 / at[1])


def _likelihood(at: Floats, given: _Sorted) -> tuple[float, Floats, Floats]:
    """Log likelihood, gradient and Hessian at (a, h) = (mu / sigma, 1 / sigma).

    Sum of ln h - (h y - a)^2 / 2 over the seen, ln Phi(h y - a) over limits not reached,
    ln Phi(a - h y) over ranges passed.
    """
    from scipy.special import log_ndtr

    a, h = at
    off = h * given.seen - a
    under, over = h * given.under - a, a - h * given.over
    height = len(off) * math.log(h) - float(off @ off) / 2.0
    height += float(log_ndtr(under).sum() + log_ndtr(over).sum())
    y = np.concatenate([given.seen, given.under, given.over])
    z = np.concatenate([under, over])
    ratio = np.exp(-(z**2) / 2.0 - math.log(2.0 * math.pi) / 2.0 - log_ndtr(z))
    sign = np.concatenate([np.ones(len(under)), -np.ones(len(over))])
    first = np.concatenate([-off, sign * ratio])
    second = np.concatenate([-np.ones(len(off)), -ratio * (z + ratio)])
    slope = np.array([-first.sum(), float(first @ y) + len(off) / h])
    cross = -float(second @ y)
    bend = np.array([[second.sum(), cross], [cross, float(second @ y**2) - len(off) / h**2]])
    return height, slope, bend


def _sorted(
    values: Sequence[float | None], limits: Sequence[float | None], qualifiers: Sequence[Qualifier]
) -> _Sorted:
    """The three kinds of results apart, once they are known to be usable."""
    if not len(values) == len(limits) == len(qualifiers):
        raise UserMistake("values, limits and qualifiers must be of one length")
    if not len(values):
        raise UserMistake("no result: no mean")
    kinds: dict[str, list[float]] = {"": [], "<": [], ">": []}
    for place, (value, limit, kind) in enumerate(zip(values, limits, qualifiers, strict=True), 1):
        if kind not in kinds:
            raise UserMistake(f"result {place}: the qualifier is {kind!r}", 'use "", "<" or ">"')
        number = limit if kind else value
        name = "limit" if kind else "value"
        if number is None or not math.isfinite(number):
            raise UserMistake(f"result {place}: its {name} is missing")
        if number < 0.0 or (kind and number == 0.0):
            raise UserMistake(f"result {place}: a {name} of {number:g} is no concentration")
        kinds[kind].append(float(number))
    return _Sorted(*(np.array(kinds[kind]) for kind in ("", "<", ">")))


_WAYS = {"ros": ros_mean, "km": kaplan_meier_mean, "mle": lognormal_mean}
_NAMES: dict[str, Method] = {
    "ros": "regression on order statistics",
    "km": "Kaplan-Meier",
    "mle": "lognormal maximum likelihood",
}
