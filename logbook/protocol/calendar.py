"""The sections [calendar] and [application]: pulls with their windows, planned dates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from itertools import pairwise
from typing import NamedTuple

from logbook.protocol.content import DEFAULT_PULLS, PullLine
from logbook.protocol.section import Section

BEFORE = "before"
_TOLERANCE = 1
_LAST_DAY = 1500


class _Placed(NamedTuple):
    """A pull and the entry it was read from."""

    pull: PullLine
    entry: Section


def pull_name(day: int | None) -> str:
    """`before`, or `day 28`."""
    return BEFORE if day is None else f"day {day}"


def default_pulls() -> tuple[PullLine, ...]:
    """The calendar of a protocol that gives none."""
    return tuple(PullLine(pull_name(day), day, tolerance) for day, tolerance in DEFAULT_PULLS)


def read_pulls(section: Section) -> tuple[PullLine, ...]:
    """The pulls of [calendar] in the order of their days, or the default calendar."""
    if not section.has("pulls"):
        section.close()
        return default_pulls()
    entries = section.entries("pulls")
    if section.table["pulls"] == []:
        section.problem("pulls", "has no pull in it", "list the days, or leave the key out")
    placed = [one for entry in entries if (one := _pull(entry)) is not None]
    section.close()
    placed.sort(key=lambda one: -1 if one.pull.day is None else one.pull.day)
    _check_windows(placed)
    return tuple(one.pull for one in placed)


def _pull(entry: Section) -> _Placed | None:
    before = entry.table.get("day") == BEFORE
    if before:
        entry.has("day")
    day = None if before else entry.whole("day", 0, 'give a day after application, or "before"')
    tolerance = entry.whole("tolerance", 0)
    entry.close()
    if day is None and not before:
        return None
    if day is not None and day > _LAST_DAY:
        entry.problem("day", f"day {day} is more than four years away", "check the number")
    if (day is None or day == 0) and tolerance:
        entry.problem("tolerance", f"the pull {pull_name(day)!r} takes no tolerance", "write 0")
        tolerance = 0
    usual = 0 if day is None or day == 0 else _TOLERANCE
    line = PullLine(pull_name(day), day, usual if tolerance is None else tolerance)
    return _Placed(line, entry)


def _check_windows(placed: list[_Placed]) -> None:
    """No day twice, and no day that could belong to two pulls."""
    for (one, _), (other, entry) in pairwise(placed):
        if one.day == other.day:
            entry.problem("day", f"{other.name!r} is in the calendar twice", "keep one of them")
        elif one.day is not None and other.day is not None:
            last, first = one.day + one.tolerance, other.day - other.tolerance
            if first <= last:
                entry.problem(
                    "tolerance" if "tolerance" in entry.table else "day",
                    f"the windows of {one.name} (to day {last}) and {other.name} "
                    f"(from day {first}) overlap",
                    "narrow a tolerance or move a day",
                )


def read_planned(section: Section) -> Mapping[str, date]:
    """Planned application dates by block; "" is the date of every block; empty if none is given."""
    if not section.has("planned"):
        return {}
    if not isinstance(section.table["planned"], dict):
        day = section.day("planned")
        return {} if day is None else {"": day}
    blocks = section.section("planned")
    days = {block: blocks.day(block) for block in blocks.table}
    return {block: day for block, day in days.items() if day is not None}
