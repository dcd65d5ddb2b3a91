"""Mineral N below the control on a terminal: shown or not, how deep, until when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from logbook.report import marks, ranges
from logbook.study.deeper import maybe_deeper, words
from logbook.trial.times import age_text, days_text

if TYPE_CHECKING:
    from logbook.analysis.below import Below
    from logbook.report.constants import Asked
    from logbook.study.series import Series


def lines(series: Series, asked: Asked) -> Iterator[str]:
    """The paragraph, empty for series that are not mineral N or not fitted."""
    found = None if series.fitted is None else series.fitted.below
    if found is None:
        return
    if not found.shown:
        yield f"below control: {_not_shown(found)}"
        yield from (f"  {line}" for line in _maybe_deeper(series))
        return
    yield f"below control: shown on {days_text(found.days_below)}, {_by(found)}"
    yield from (f"  {line}" for line in (*_depth(series, found), *_until(found)))
    yield from _why(series, asked)


def _not_shown(found: Below) -> str:
    """Why nothing is shown: nothing so low, or nothing to judge by."""
    from logbook.analysis.below import NOT_SHOWN, ONE_BED

    if found.reason == ONE_BED:
        return "cannot be shown with one bed on a side"
    if found.reason != NOT_SHOWN:
        return f"cannot say: {found.reason}"
    return f"not shown, {_by(found)}"


def _why(series: Series, asked: Asked) -> Iterator[str]:
    """Tied up, or what else it may be as far as the trial can tell."""
    word, grounds = asked.why_below(series)
    if word:
        yield f"  {word} ({'; '.join(grounds)})" if grounds else f"  {word}"


def _by(found: Below) -> str:
    if len(found.days) == 1:
        return "by the bound of its one pull"
    return f"by a bound that holds for all {len(found.days)} pulls at once"


def _depth(series: Series, found: Below) -> Iterator[str]:
    if found.depth is None or found.trough_day is None:
        return
    depth = found.depth
    told = ranges.worded(depth, f"{series.unit} below", signed=False)
    why = ranges.without_range(depth)
    used = " of the pulls that can be used" * bool(maybe_deeper(series))
    yield f"deepest{used} on day {age_text(found.trough_day)}: {told}{f': {why}' if why else ''}"
    yield from _maybe_deeper(series)


def _maybe_deeper(series: Series) -> Iterator[str]:
    """The pulls of which too little is known to be told among the others."""
    said = words(series, marks.digits)
    if said:
        yield said


def _until(found: Below) -> Iterator[str]:
    """The bracket that was seen, then the day and its range."""
    if found.bracket is not None:
        last, again = found.bracket
        under = f"by the means: below on day {age_text(last)}"
        if again is None:
            yield f"{under}, the last pull"
        else:
            yield f"{under}, level or above on day {age_text(again)}"
    if found.level is not None:
        yield ranges.level_words(found)
