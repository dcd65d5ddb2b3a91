"""From bed results to differences against the control, day by day.

The bed is the unit of replication: results of one bed and day are averaged within the bed first.
Two differences are formed. T - C is what the grower's bed has; T - (1 - f) C, with f the
amendment's share of the dry mass, is what the amendment gave, since it also displaced soil. A
negative difference is a result and is never clipped. A result below a reporting limit stays an
interval: with one, the difference is a range of possible values and not a 95 % interval, unless
enough is seen of every bed for an interval that holds whatever the values are within their limits.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

from logbook.analysis.beds import Bed, Observation, beds_of, mean, problems
from logbook.analysis.contrasts import (
    ROUNDING,
    SPREAD_UNSEEN,
    Contrast,
    block_means,
    same_in_blocks,
    welch,
    within_block,
)
from logbook.errors import BadData, UserMistake
from logbook.trial.times import age_text

__all__ = [
    "ROUNDING",
    "SPREAD_UNSEEN",
    "Contrast",
    "Difference",
    "Method",
    "Observation",
    "Points",
    "between_beds",
    "differences",
    "points_for_fit",
    "problems",
    "same_in_blocks",
]

Method = Literal[
    "welch", "within-block", "bounds + welch", "bounds + within-block", "one bed", "bounds", "none"
]

ONE_BED = (
    "one bed per treatment: any interval would cover laboratory and within-bed error for these "
    "two beds only; it cannot separate the amendment from a difference between the beds; no test "
    "is reported"
)
NO_DETECTABLE = "no detectable difference: both sides are below the reporting limit"
BEYOND_RANGE = "no difference can be given: both sides are above the method's range"
POSSIBLE = "range of possible values, from the reporting limits; not a 95 % interval"
WIDENED = (
    "reporting limits leave some values open: a 95 % range that holds whatever they are within "
    "their limits; no single difference can be given"
)
#: Every choice of open ends is tried, 2 ** beds of them, where less than half of the beds are open.
_MOST_OPEN_BEDS = 10
#: So many whole blocks (2 degrees of freedom) are worth more than beds of broken ones. Common
#: practice, no source.
FEWEST_WHOLE = 3


@dataclass(frozen=True)
class Difference:
    """Treated beds against control beds on one day.

    treated_mean, control_mean: means over beds (over block means where blocks are used), None when
    a side is censored or missing; against_control: T - C; from_amendment: T - (1 - f) C, None when
    f is unknown; treated_beds, control_beds, censored: numbers of beds; note: why the method is
    not the one that the design would suggest.
    """

    day: float
    treated_mean: float | None
    control_mean: float | None
    against_control: Contrast
    from_amendment: Contrast | None
    treated_beds: int
    control_beds: int
    censored: int
    method: Method
    note: str = ""


@dataclass(frozen=True)
class Points:
    """What a curve is fitted to: days and net values; left_out: a sentence for each day that isn't.

    corrected: the values are T - (1 - f) C.
    """

    days: tuple[float, ...]
    values: tuple[float, ...]
    corrected: bool
    left_out: tuple[str, ...]


def differences(observations: Iterable[Observation], dilution: float | None) -> list[Difference]:
    """The difference against the control on every day, in order of days.

    Two or more beds on each side give a 95 % interval: within blocks (paired t on b - 1 df) where
    every block of that day has a treated and a control bed, each side averaged (a block that lost a
    side is left out while three others are whole), otherwise Welch's with Satterthwaite's df.

    Args:
        observations: results of one analyte, method, basis and unit, of one treatment and its
            control.
        dilution: f, the amendment's share of the dry mass, 0 <= f < 1; None when not known.

    Raises:
        BadData: every problem found in the observations.
        UserMistake: a dilution outside its range.
    """
    if dilution is not None and not 0.0 <= dilution < 1.0:
        raise UserMistake(f"the amendment's share of the dry mass is {dilution:g}, not in 0 to 1")
    given = list(observations)
    found = problems(given)
    if found:
        raise BadData(f"{len(found)} results cannot be used: {found[0]}", found)
    by_day: dict[float, list[Observation]] = defaultdict(list)
    for observation in given:
        by_day[observation.day].append(observation)
    return [between_beds(day, beds_of(by_day[day]), dilution) for day in sorted(by_day)]


def points_for_fit(found: Iterable[Difference]) -> Points:
    """The days and values that a curve may be fitted to, and why the others may not.

    Uses T - (1 - f) C where f is known, else T - C. Left out: days before application, days with
    a censored or missing side.
    """
    kept: list[tuple[float, float]] = []
    left_out: list[str] = []
    corrected = False
    for difference in found:
        contrast = difference.from_amendment or difference.against_control
        corrected = corrected or difference.from_amendment is not None
        if difference.day < 0.0:
            left_out.append(f"{_day(difference.day)}: before application")
        elif contrast.value is None:
            left_out.append(f"{_day(difference.day)}: {contrast.reason}")
        else:
            kept.append((difference.day, contrast.value))
    days, values = tuple(day for day, _ in kept), tuple(value for _, value in kept)
    return Points(days, values, corrected, tuple(left_out))


def _day(day: float) -> str:
    """A day in words; that of beds applied on different days, their mean."""
    return f"day {age_text(day)}"


def between_beds(day: float, beds: Sequence[Bed], dilution: float | None) -> Difference:
    """One day's difference, by the method that its beds allow; arguments as in `differences`."""
    treated, control, note = _whole_blocks(beds)
    method, why = _method(treated, control)
    if note and "within-block" not in method:
        treated, control = _sides(beds)
        method, why = _method(treated, control)
    part = None
    if dilution is not None:
        part = _contrast(method, day, treated, control, 1.0 - dilution)
    return Difference(
        day=day,
        treated_mean=_side_mean(method, treated),
        control_mean=_side_mean(method, control),
        against_control=_contrast(method, day, treated, control, 1.0),
        from_amendment=part,
        treated_beds=len(treated),
        control_beds=len(control),
        censored=sum(bed.censored for bed in beds),
        method=method,
        note=why or note,
    )


def _sides(beds: Sequence[Bed]) -> tuple[list[Bed], list[Bed]]:
    """Treated beds and control beds."""
    return [bed for bed in beds if bed.treated], [bed for bed in beds if not bed.treated]


def _whole_blocks(beds: Sequence[Bed]) -> tuple[list[Bed], list[Bed], str]:
    """Treated and control beds of one day, without blocks that lost a side, and which those are.

    A block that lost a side on this day tells nothing within itself; to give up the blocks of all
    the others for it would cost more than it brings, while so many others are whole.
    """
    sides = _sides(beds)
    blocks = {bed.block for bed in beds}
    if None in blocks or not all(sides):
        return sides[0], sides[1], ""
    both = {bed.block for bed in sides[0]} & {bed.block for bed in sides[1]}
    gone = sorted(str(block) for block in blocks - both)
    if not gone or len(both) < FEWEST_WHOLE:
        return sides[0], sides[1], ""
    kept = [[bed for bed in side if bed.block in both] for side in sides]
    word = "block" if len(gone) == 1 else "blocks"
    return kept[0], kept[1], f"{word} {', '.join(gone)} left out: one side of it has no result"


def _method(treated: Sequence[Bed], control: Sequence[Bed]) -> tuple[Method, str]:
    """The method for one day's beds, and why blocks are not used although there are some."""
    if not treated or not control:
        return "none", ""
    censored = [bed for bed in (*treated, *control) if bed.censored]
    alone = len(treated) == 1 or len(control) == 1
    if censored and (alone or not _narrow(censored, len(treated) + len(control))):
        return "bounds", ""
    if alone:
        return "one bed", ""
    why_not = _blocks_unusable(treated, control)
    if censored:
        within = why_not is None
        return ("bounds + within-block" if within else "bounds + welch"), why_not or ""
    return ("welch", why_not) if why_not is not None else ("within-block", "")


def _narrow(censored: Sequence[Bed], beds: int) -> bool:
    """Whether every censored bed has two known ends above zero, as a sum with one part seen.

    A bed of which nothing was seen has no spread that an interval could be made of.
    """
    seen = all(bed.low > 0.0 and math.isfinite(bed.high) for bed in censored)
    return seen and (len(censored) <= _MOST_OPEN_BEDS or 2 * len(censored) >= beds)


def _blocks_unusable(treated: Sequence[Bed], control: Sequence[Bed]) -> str | None:
    """None when blocks are complete; else why they cannot be used ("" when there are no blocks)."""
    blocks = {bed.block for bed in (*treated, *control)}
    if blocks == {None}:
        return ""
    if None in blocks:
        return "blocks not used: some beds have no block"
    if len(blocks) == 1:
        return "blocks not used: all beds are in one block"
    for block in sorted(str(block) for block in blocks):
        if not any(bed.block == block for bed in control):
            return f"blocks not used: block {block} has no control on this day"
        if not any(bed.block == block for bed in treated):
            return f"blocks not used: block {block} has no treated bed on this day"
    return None


def _contrast(
    method: Method, day: float, treated: Sequence[Bed], control: Sequence[Bed], share: float
) -> Contrast:
    """T - share * C with what may be said of it."""
    if method == "none":
        missing = "control" if treated else "treated"
        reason = f"no {missing} bed has a result that counts on {_day(day)}: no difference"
        return Contrast(None, None, None, None, reason)
    if method == "bounds":
        return _bounds(treated, control, share)
    if method in ("bounds + within-block", "bounds + welch"):
        return _widened(method, treated, control, share)
    if method == "within-block":
        return within_block(treated, control, share)
    t, c = [bed.low for bed in treated], [bed.low for bed in control]
    if method == "one bed":
        return Contrast(mean(t) - share * mean(c), None, None, None, _one_bed(len(t), len(c)))
    return welch(t, c, share)


def _one_bed(treated: int, control: int) -> str:
    """The one-bed wording, with the side that is alone when the other is not."""
    if treated == control == 1:
        return ONE_BED
    alone, many, other = (
        ("treated", control, "control") if treated == 1 else ("control", treated, "treated")
    )
    return (
        f"only one {alone} bed (and {many} {other} beds): nothing shows how much such beds differ, "
        "so the amendment cannot be separated from a difference between beds; no test is reported"
    )


def _bounds(treated: Sequence[Bed], control: Sequence[Bed], share: float) -> Contrast:
    """The possible values of the difference, from the bounds of every bed."""
    if all(bed.above for bed in (*treated, *control)):
        return Contrast(None, None, None, None, BEYOND_RANGE)
    if all(bed.below for bed in (*treated, *control)):
        return Contrast(None, None, None, None, NO_DETECTABLE)
    low = mean([bed.low for bed in treated]) - share * mean([bed.high for bed in control])
    high = mean([bed.high for bed in treated]) - share * mean([bed.low for bed in control])
    return Contrast(None, _closed(low), _closed(high), None, POSSIBLE)


def _widened(
    method: Method, treated: Sequence[Bed], control: Sequence[Bed], share: float
) -> Contrast:
    """A 95 % interval that holds whatever the censored beds are within their limits.

    Where at least half of the beds are censored, the interval of the lower ends, moved out by as
    far as a mean of each side can lie above them: what is open of a bed is 0 to its limit, and so
    is its mean over all such beds, while corners that alternate from bed to bed would count it as
    a spread between beds. Else the union of the intervals of every choice of ends: an end of a
    paired interval, mean -+ t se, is concave (convex) in the beds' values, so that its extreme
    over all values within the limits lies at such a choice; Welch's nearly so, its df varying
    with them.
    """
    both = (*treated, *control)
    if 2 * sum(bed.censored for bed in both) >= len(both):
        lower = _of_ends(method, [bed.low for bed in both], treated, control, share)
        ends = [] if lower is None else [_moved(lower, treated, control, share)]
    else:
        corners = product(*({bed.low, bed.high} for bed in both))
        found = (_of_ends(method, chosen, treated, control, share) for chosen in corners)
        ends = [one for one in found if one is not None]
    if not ends:
        return _bounds(treated, control, share)
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    return Contrast(None, low, high, None, WIDENED)


def _of_ends(
    method: Method,
    chosen: Sequence[float],
    treated: Sequence[Bed],
    control: Sequence[Bed],
    share: float,
) -> tuple[float, float] | None:
    """The 95 % interval for one choice of the beds' values; None without a spread."""
    fixed = [
        replace(bed, low=value, high=value, censored=False)
        for bed, value in zip((*treated, *control), chosen, strict=True)
    ]
    t, c = fixed[: len(treated)], fixed[len(treated) :]
    if method == "bounds + within-block":
        one = within_block(t, c, share)
    else:
        one = welch([bed.low for bed in t], [bed.low for bed in c], share)
    return None if one.low is None or one.high is None else (one.low, one.high)


def _moved(
    ends: tuple[float, float], treated: Sequence[Bed], control: Sequence[Bed], share: float
) -> tuple[float, float]:
    """The ends moved out by the widest open part of a bed of the side that can move each."""
    reach = [max(bed.high - bed.low for bed in side) for side in (treated, control)]
    return ends[0] - share * reach[1], ends[1] + reach[0]


def _closed(end: float) -> float | None:
    """The end of a range, None when it is open."""
    return end if math.isfinite(end) else None


def _side_mean(method: Method, beds: Sequence[Bed]) -> float | None:
    """Mean of one side: over beds, or over blocks when the method is within-block."""
    if not beds or any(bed.censored for bed in beds):
        return None
    if method in ("within-block", "bounds + within-block"):
        return mean(list(block_means(beds).values()))
    return mean([bed.low for bed in beds])
