"""Mineral N below the control: shown or not, how deep, when, and when it is level again.

Input is nitrate-N + ammonium-N. Whether it is tied up, lost or not yet nitrified is for the flags
of the trial to say, not for these numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.intervals import Interval, at_day
from logbook.analysis.scores import CONFIDENCE, Beds, Contrast, critical
from logbook.analysis.series import ROUNDING, SPREAD_UNSEEN
from logbook.trial.times import age_text

Floats = NDArray[np.float64]

NOT_SHOWN = "not shown to be below the control"
ONE_BED = "one bed on a side: mineral N below the control cannot be shown"
FEWEST_BEDS = 3
FEW_BEDS = "fewer than 3 beds a side: the largest of several deficits has no sound interval"
TEST_INSTEAD = "test nitrate before planting"
#: Places between two pulls at which the level is looked at before the root is closed in on.
PLACES = 8
HALVINGS = 36


@dataclass(frozen=True)
class Below:
    """What the pulls show of mineral N below the control.

    shown: some pull is below by the bound that holds for all pulls at once; reason: why not.
    days, bounds: every tested pull with its simultaneous interval of D; days_below: those below.
    depth: the largest mean deficit, above 0 when below, with its simultaneous interval: of the
    pulls below, and of those that lie below by their means on either side of them without a pull
    level between; so its pull, trough_day, need not be one of days_below.
    bracket: last pull below and first pull level again, after the trough; (day, None) when none.
    level: the day level with the control again, interpolated, and its 95 % interval.
    beds: the fewer beds of the two sides. All None or empty when not shown.
    """

    shown: bool
    reason: str
    days: tuple[float, ...]
    bounds: tuple[Interval, ...]
    days_below: tuple[float, ...]
    depth: Interval | None
    trough_day: float | None
    bracket: tuple[float, float | None] | None
    level: Interval | None
    beds: int


@dataclass(frozen=True)
class MakeUp:
    """Nitrogen that was missing at the trough, mg per kg of dry soil, or why there is no figure."""

    trough: Interval | None
    reason: str


def below_control(beds: Beds) -> Below:
    """Everything that may be said of mineral N below the control.

    Pulls before day 0 take no part, nor pulls with fewer than two beds a side. The simultaneous
    bound: each end of a pull's interval of D at 1 - 0.05/m for m pulls (Bonferroni's inequality,
    so whatever the correlation of the pulls), from `relative`.
    """
    tested = [
        pull for pull in range(len(beds.days)) if beds.days[pull] >= 0.0 and _fewest(beds, pull) > 1
    ]
    days = tuple(float(beds.days[pull]) for pull in tested)
    if not tested:
        return _none(ONE_BED, days, (), beds.fewest)
    bounds = tuple(_bound(present(beds, pull), len(tested)) for pull in tested)
    under = [place for place, b in enumerate(bounds) if b.high is not None and b.high < 0.0]
    if not under:
        unseen = [b for b in bounds if b.high is None]
        unsaid = len(unseen) == len(bounds) or any((b.value or 0.0) < 0.0 for b in unseen)
        return _none(SPREAD_UNSEEN if unsaid else NOT_SHOWN, days, bounds, beds.fewest)
    fewest = min(_fewest(beds, pull) for pull in tested)
    trough = _trough(bounds, under)
    last, again = _bracket(bounds, trough)
    return Below(
        shown=True,
        reason="",
        days=days,
        bounds=bounds,
        days_below=tuple(days[place] for place in under),
        depth=_depth(bounds[trough], fewest),
        trough_day=days[trough],
        bracket=(days[last], None if again is None else days[again]),
        level=_level(beds.on(tested), bounds, trough, again),
        beds=fewest,
    )


def _trough(bounds: Sequence[Interval], under: Sequence[int]) -> int:
    """The place of the lowest mean, sought from the lowest pull below while means lie below.

    A pull may be the lowest of all and its beds too far apart for its own bound to show anything:
    to call another one the deepest would be untrue.
    """
    values = [bound.value or 0.0 for bound in bounds]
    seed = min(under, key=values.__getitem__)
    first = next((place + 1 for place in range(seed, -1, -1) if values[place] >= 0.0), 0)
    last = next((place for place in range(seed, len(values)) if values[place] >= 0.0), len(values))
    known = [place for place in range(first, last) if bounds[place].high is not None]
    return min(known, key=values.__getitem__)


def make_up(below: Below) -> MakeUp:
    """The range of nitrogen missing at the trough, where one may be printed at all.

    Conditions: three or more beds a side, a deficit that is shown, at its lowest pull too, and a
    closed interval for its end.
    """
    if not below.shown or below.level is None:
        return MakeUp(None, f"{below.reason}: {TEST_INSTEAD}")
    if below.beds < FEWEST_BEDS:
        return MakeUp(None, f"{below.beds} beds on a side, {FEWEST_BEDS} needed: {TEST_INSTEAD}")
    lowest = below.trough_day
    if lowest is not None and lowest not in below.days_below:
        why = f"the lowest pull (day {age_text(lowest)}) is not shown to be below by itself"
        return MakeUp(None, f"{why}: {TEST_INSTEAD}")
    if not below.level.closed:
        why = below.level.reason_high or below.level.reason_low
        return MakeUp(None, f"{why}: {TEST_INSTEAD}")
    return MakeUp(below.depth, "")


def relative(treated: Floats, control: Floats) -> Contrast:
    """D with the error of beds whose standard deviation is a share of their side's mean.

    One relative variance of both sides on b_T + b_C - 2 df, or Welch's variance where that is
    larger; twice the smaller side's df where the sides differ; Welch's variance where a mean is
    not above zero. Beds of one block count as independent: what they share can only widen the
    bound, and differences within three blocks (2 df) would hardly ever show anything.

    Args:
        treated, control: (..., beds), control already times 1 - f.
    """
    first, second = treated.shape[-1], control.shape[-1]
    means = treated.mean(-1), control.mean(-1)
    spread = treated.var(-1, ddof=1), control.var(-1, ddof=1)
    plain = spread[0] / first + spread[1] / second
    positive = (means[0] > 0.0) & (means[1] > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = (first - 1) * spread[0] / means[0] ** 2 + (second - 1) * spread[1] / means[1] ** 2
    of_all = shares / (first + second - 2) * (means[0] ** 2 / first + means[1] ** 2 / second)
    variance = np.where(positive, np.fmax(of_all, plain), plain)
    df = np.full_like(plain, 2.0 * min(first, second) - 2.0)
    return Contrast(means[0] - means[1], np.sqrt(variance), df)


def simultaneous(found: Contrast, pulls: int) -> Floats:
    """Half-width of each end at 1 - 0.05/m for m pulls."""
    return critical(found.df, 1.0 - 2.0 * (1.0 - CONFIDENCE) / pulls) * found.error


def present(beds: Beds, pull: int) -> tuple[Floats, Floats]:
    """The results of one pull: treated, and (1 - f) times control, without gaps."""
    treated, control = beds.treated[:, pull], (1.0 - beds.share) * beds.control[:, pull]
    return treated[~np.isnan(treated)], control[~np.isnan(control)]


def _fewest(beds: Beds, pull: int) -> int:
    """The smaller number of beds with a result of that pull."""
    return min(len(side) for side in present(beds, pull))


def _bound(results: tuple[Floats, Floats], pulls: int) -> Interval:
    """D of one pull with ends that hold for all pulls at once."""
    found = relative(*results)
    value, half = float(found.estimate), float(simultaneous(found, pulls))
    method = f"beds, each end at 95 % for all {pulls} pulls at once"
    size = max(float(np.abs(side).max()) for side in results)
    if float(found.error) <= ROUNDING * size:
        return Interval(value, None, None, method, SPREAD_UNSEEN, SPREAD_UNSEEN, None)
    return Interval(value, value - half, value + half, method, "", "", float(found.df))


def _depth(bound: Interval, beds: int) -> Interval:
    """An interval of D as one of the deficit -D; without ends where there are too few beds."""
    low, high, value = bound.low or 0.0, bound.high or 0.0, bound.value or 0.0
    if beds < FEWEST_BEDS:
        return Interval(-value, None, None, bound.method, FEW_BEDS, FEW_BEDS, bound.df)
    return Interval(-value, -high, -low, bound.method, "", "", bound.df)


def _none(reason: str, days: tuple[float, ...], bounds: tuple[Interval, ...], beds: int) -> Below:
    """Nothing shown, and why."""
    return Below(False, reason, days, bounds, (), None, None, None, None, beds)


def _bracket(bounds: Sequence[Interval], trough: int) -> tuple[int, int | None]:
    """Places of the last pull below and the first pull level again, after the trough."""
    for place in range(trough + 1, len(bounds)):
        if (bounds[place].value or 0.0) >= 0.0:
            return place - 1, place
    return len(bounds) - 1, None


def _level(beds: Beds, bounds: Sequence[Interval], trough: int, again: int | None) -> Interval:
    """Day level with the control again: the interpolated day, and the days that fit as well."""
    first, last = float(beds.days[trough]), float(beds.days[-1])
    not_yet = f"recovery not shown by day {age_text(last)}"
    day = None if again is None else _crossing(beds.days, bounds, again)
    start = last if day is None else day
    if _over(beds, start) < 0:
        return Interval(
            None, None, None, "per day", f"still below on day {age_text(last)}", not_yet, None
        )
    low = _edge(beds, start, first, -1)
    high = None if day is None else _edge(beds, day, last, 1)
    method = f"D = 0 along the lines between pulls; {at_day(beds, start).method}"
    why_low = (
        "" if low is not None else f"no day after the trough (day {age_text(first)}) is ruled out"
    )
    return Interval(day, low, high, method, why_low, not_yet if high is None else "", None)


def _crossing(days: Floats, bounds: Sequence[Interval], again: int) -> float:
    """The day on which the line between two pulls meets zero."""
    before, after = bounds[again - 1].value or 0.0, bounds[again].value or 0.0
    share = before / (before - after)
    return float(days[again - 1] + share * (days[again] - days[again - 1]))


def _over(beds: Beds, day: float) -> int:
    """-1 where D on a day is shown below zero, 1 where above, 0 where zero fits."""
    found = at_day(beds, day)
    if found.low is None or found.high is None:
        return 0
    return int(found.low > 0.0) - int(found.high < 0.0)


def _edge(beds: Beds, start: float, end: float, sign: int) -> float | None:
    """The first day from start towards end on which D is shown to have that sign; None if none.

    Within blocks the next pull beyond the day must show it too. The error of few differences is
    small by luck for a day or two between pulls: such a day alone hid the true one in 0.08 of
    simulated trials with 3 blocks.
    """

    def out(day: float) -> bool:
        return _over(beds, day) == sign and (
            not beds.paired or _over(beds, _pull_beyond(beds.days, day, end)) == sign
        )

    inside = start
    for place in _places(beds.days, start, end):
        if out(place):
            return _halved(inside, place, out)
        inside = place
    return None


def _pull_beyond(days: Floats, day: float, end: float) -> float:
    """The pull on a day, or the first between it and the end."""
    beyond = days[days >= day] if end >= day else days[days <= day]
    return float(beyond[0] if end >= day else beyond[-1])


def _places(days: Floats, start: float, end: float) -> list[float]:
    """Days to look at from start to end: the pulls, and PLACES between each two."""
    corners = np.unique([*days[(days >= min(start, end)) & (days <= max(start, end))], start, end])
    parts = [np.linspace(a, b, PLACES + 2) for a, b in pairwise(corners)]
    places = np.unique(np.concatenate([corners, *parts]))
    return [float(place) for place in (places if end > start else places[::-1])][1:]


def _halved(inside: float, outside: float, out: Callable[[float], bool]) -> float:
    """The edge between a day that fits and one that is ruled out."""
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2.0
        inside, outside = (inside, middle) if out(middle) else (middle, outside)
    return inside
