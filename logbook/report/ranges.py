"""Estimates and their 95 % ranges in words: open ends said as open, methods in a reader's words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from logbook.report import marks

if TYPE_CHECKING:
    from logbook.analysis.below import Below
    from logbook.analysis.intervals import Interval

#: What a range was made of, by the name of its method.
_WORDS = {
    "within-block": "between beds, within blocks",
    "welch": "between beds (Welch)",
    "residual error": "from the scatter about the curve",
    "given standard errors": "from the standard errors given",
    "declared CV": "from the laboratory's declared CV",
    "declared CV and smallest SD": "from the laboratory's declared CV and smallest SD",
}
_KINDS = ("bed scores", "profile", "least squares", "trapezoids", "lines between the values")
_NO_RANGE = "no range"


def decimals_of(interval: Interval) -> int:
    """Decimal places that show three digits of the largest of estimate and ends."""
    numbers = (interval.value, interval.low, interval.high)
    return marks.places_for(number for number in numbers if number is not None)


def worded(interval: Interval, unit: str, *, signed: bool, decimals: int | None = None) -> str:
    """ "+44.4 mg/kg (+39.9 to +48.8)", "0.120 per day (at least 0.09; no upper limit: ...)".

    signed: a difference, which shows its "+". decimals: None: three digits of the largest number.
    """
    decimals = decimals_of(interval) if decimals is None else decimals
    show = marks.signed if signed else marks.plain
    tail = f" {unit}" if unit else ""
    if interval.value is None:
        told = _open(interval, decimals, signed)
        return f"not given: {interval.reason_low}" if told == _NO_RANGE else f"{told}{tail}"
    return f"{show(interval.value, decimals)}{tail} ({ends(interval, decimals, signed=signed)})"


def ends(interval: Interval, decimals: int, *, signed: bool) -> str:
    """ "+39.9 to +48.8"; an open end in words; "no range" where both are open for one reason."""
    show = marks.signed if signed else marks.plain
    if interval.low is not None and interval.high is not None:
        return f"{show(interval.low, decimals)} to {show(interval.high, decimals)}"
    return _open(interval, decimals, signed)


def _open(interval: Interval, decimals: int, signed: bool) -> str:
    """An interval with an end that is not known."""
    show = marks.signed if signed else marks.plain
    low, high = interval.low, interval.high
    above, below = _why(interval.reason_high), _why(interval.reason_low)
    if low is not None:
        return f"at least {show(low, decimals)}; no upper limit{above}"
    if high is not None:
        return f"at most {show(high, decimals)}; no lower limit{below}"
    if interval.reason_low == interval.reason_high:
        return _NO_RANGE
    return f"no lower limit{below}; no upper limit{above}"


def _why(reason: str) -> str:
    return f": {reason}" if reason else ""


def without_range(interval: Interval) -> str:
    """Why there is no range at all, "" where there is an end of one."""
    both = interval.low is None and interval.high is None
    return interval.reason_low if both and interval.reason_low == interval.reason_high else ""


def how(method: str) -> str:
    """How a range was made, in words: "between beds, within blocks; gaps: without 2 beds"."""
    parts = [_plain(part) for part in method.split("; ")]
    return "; ".join(_WORDS.get(part, part) for part in parts if part)


def _plain(part: str) -> str:
    """A part of a method without the name of its kind of calculation."""
    for kind in _KINDS:
        part = "" if part == kind else part.removeprefix(f"{kind}, ")
    return part


def grouped(named: Iterable[tuple[str, str]]) -> list[str]:
    """Sentences with the names that each holds for; none are named where it holds for all.

    named: (name, sentence); an empty sentence says nothing.
    """
    groups: dict[str, list[str]] = {}
    every = list(named)
    for name, sentence in every:
        names = groups.setdefault(sentence, [])
        names += [name] * (name not in names)
    told = {sentence: names for sentence, names in groups.items() if sentence}
    if len(groups) == 1:
        return list(told)
    return [f"{sentence} ({', '.join(names)})" for sentence, names in told.items()]


def level_words(found: Below) -> str:
    """ "level with control again on day 35 (33 to 44)", or by when it is not shown."""
    level = found.level
    if level is None or level.value is None:
        why = "" if level is None else level.reason_high.removeprefix("recovery ")
        return f"level with control again: {why or 'not shown'}"
    if level.low is not None and level.high is not None:
        told = f"{level.low:.0f} to {level.high:.0f}"
    else:
        told = ends(level, 0, signed=False)
    return f"level with control again: day {level.value:.0f} ({told})"
