"""Ratios treated / control on one day, where a ratio means anything.

A ratio is formed on logarithms, where the spread of concentrations well above the limit is nearly
constant: the difference of mean logs and its interval, raised back. It is therefore a ratio of
geometric means. Source: Bland & Altman 1996, BMJ 312:1153 (comparing two means of transformed
data); the intervals on the log scale are those of `logbook.analysis.series`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from logbook.analysis.beds import Bed, Observation, beds_of, problems
from logbook.analysis.series import Method, between_beds
from logbook.errors import BadData, UserMistake

#: A ratio needs results of at least so many times the reporting limit. Common practice, no source.
TIMES_LIMIT = 5.0

CENSORED = "a result is below or above what the method reports: a difference, never a ratio"
NOTHING_FOUND = "a result is zero or negative: a difference, never a ratio"


@dataclass(frozen=True)
class Ratio:
    """Treated / control. value None: it is not meant, and `reason` says why.

    low, high: its 95 % interval, both None when there is none, with `reason`; df: degrees of
    freedom of the interval on the log scale; method: as in `series.Difference`.
    """

    value: float | None
    low: float | None
    high: float | None
    df: float | None
    method: Method
    reason: str = ""


def ratio_of(observations: Iterable[Observation], limit: float | None) -> Ratio:
    """The ratio of one day's treated beds to its control beds, with its interval between beds.

    Repeats of a bed are averaged first. Within blocks the logs are paired (b - 1 df), otherwise
    Welch's interval is taken of them.

    Args:
        observations: results of one concentration on one day, of one treatment and its control.
        limit: the reporting limit in the same unit; None when no result shows one.

    Raises:
        BadData: every problem found in the observations.
        UserMistake: a limit that is not above zero.
    """
    given = list(observations)
    found = problems(given)
    if found:
        raise BadData(f"{len(found)} results cannot be used: {found[0]}", found)
    beds = beds_of(given)
    reason = _unfit(beds, limit)
    if reason:
        return Ratio(None, None, None, None, "none", reason)
    logs = [replace(bed, low=math.log(bed.low), high=math.log(bed.high)) for bed in beds]
    compared = between_beds(given[0].day if given else 0.0, logs, None)
    one = compared.against_control
    value, low, high = map(_raised, (one.value, one.low, one.high))
    return Ratio(
        value,
        low,
        high,
        one.df,
        compared.method,
        one.reason.replace("same difference", "same ratio"),
    )


def _raised(log: float | None) -> float | None:
    return None if log is None else math.exp(log)


def why_no_share(observations: Iterable[Observation], limit: float | None) -> str:
    """Why a difference cannot be given as a share of the control's mean; "" where it can.

    Arguments as in `ratio_of`: the control must be a number, and far enough above the limit.
    """
    control = [bed for bed in beds_of(list(observations)) if not bed.treated]
    return _unfit(control, limit) if control else "no control bed was pulled"


def _unfit(beds: Sequence[Bed], limit: float | None) -> str:
    """Why these beds cannot stand in a ratio, "" when they can."""
    if limit is not None and not limit > 0.0:
        raise UserMistake(f"a reporting limit of {limit:g} is not above zero")
    if any(bed.censored for bed in beds):
        return CENSORED
    if any(bed.low <= 0.0 for bed in beds):
        return NOTHING_FOUND
    if limit is not None and any(bed.low < TIMES_LIMIT * limit for bed in beds):
        return (
            f"a bed is below {TIMES_LIMIT:g} times the reporting limit of {limit:g}: "
            "a difference, never a ratio"
        )
    return ""
