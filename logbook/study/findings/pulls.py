"""What a pull is called in findings: by the calendar's name, as in their headings and in tables.

Its age is a mean over its beds and need not be the day of its name: 3.25 of a pull named day 3.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from logbook.study.deeper import worded
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.study.deeper import Deeper
    from logbook.study.series import Series

_DAY = "day "


def called(series: Series, day: float | None) -> str:
    """ "day 3": the name of the pull of that age; of an age without a pull the age itself."""
    if day is None:
        return ""
    names = (row.name for row in series.rows if row.difference.day == day)
    return next((name for name in names if name.startswith(_DAY)), f"{_DAY}{age_text(day)}")


def words(series: Series, found: Iterable[Deeper], number: Callable[[float], str]) -> str:
    """ "day 7 may be deeper, up to 7.66 mg/kg", by the names of pulls."""
    named = [(called(series, day), most) for day, most in found]
    return worded(named, series.unit, number)


def numbers(series: Series, days: Iterable[float]) -> list[str]:
    """ "3", "7", "14": the names of several pulls without the word."""
    return [called(series, day).removeprefix(_DAY) for day in days]
