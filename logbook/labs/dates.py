"""Dates as laboratories print them: the order of day and month is said, never guessed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from datetime import date

from logbook.errors import UserMistake
from logbook.labs.grid import shown

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?\Z", re.ASCII)
_NUMBERS = re.compile(r"(\d{1,2})\s*[-/. ]\s*(\d{1,2})\s*[-/. ]\s*(\d{4})(?:[T ,].*)?\Z", re.ASCII)
_SHORT = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{2})(?:[T ,].*)?\Z", re.ASCII)
_DAY_NAMED = re.compile(r"(\d{1,2})[-. ]+([A-Za-z]{3,9})[-., ]+(\d{4})(?: .*)?\Z", re.ASCII)
_NAMED_DAY = re.compile(r"([A-Za-z]{3,9})[. ]+(\d{1,2}),? +(\d{4})(?: .*)?\Z", re.ASCII)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def read_date(text: str, order: str) -> date:
    """The date in a cell; `order` is one of `content.ORDERS`, or "" where it is not said.

    "2026-04-03" and "3 Apr 2026" need no order, nor does "13/04/2026". A year of two digits is one
    of this century, and needs the order unless only one can be. Raises UserMistake, also for a date
    that several orders can read while none is said.
    """
    tidy = " ".join(text.split())
    readings = _readings(tidy)
    if order in readings:
        return readings[order]
    days = set(readings.values())
    if len(days) == 1:
        only = next(iter(readings))
        if order in ("day first", "month first") and only not in (order, "either"):
            raise UserMistake(f"{shown(tidy)} is no date with the {order}", "check the date order")
        return days.pop()
    if days:
        raise UserMistake(
            f"{shown(tidy)} may be {' or '.join(found.isoformat() for found in readings.values())}",
            f"say which in the profile: [file] dates = {' or '.join(map(_quoted, readings))}",
        )
    raise UserMistake(
        f"{shown(tidy)} is no date that is understood here", "write it like 2026-04-03"
    )


def orders_left(cells: Iterable[str]) -> set[str]:
    """The orders in which all of these dates can be read; all three if nothing shows it."""
    left = {"day first", "month first", "year first"}
    for cell in cells:
        readings = _readings(" ".join(cell.split()))
        if readings and "either" not in readings:
            left &= set(readings)
    return left


def is_date(text: str) -> bool:
    """True if a cell can be read as a date in some order."""
    return bool(_readings(" ".join(text.split())))


def _readings(tidy: str) -> dict[str, date]:
    """The date by each order that can read it; "either" where the text needs none."""
    found = _ISO.match(tidy)
    if found:
        return _kept({"either": (int(found[1]), int(found[2]), int(found[3]))})
    for pattern, day, month in ((_DAY_NAMED, 1, 2), (_NAMED_DAY, 2, 1)):
        found = pattern.match(tidy)
        if found and found[month][:3].lower() in _MONTHS:
            number = _MONTHS.index(found[month][:3].lower()) + 1
            return _kept({"either": (int(found[3]), number, int(found[day]))})
    found = _SHORT.match(tidy)
    if found:
        one, two, three = int(found[1]), int(found[3]), int(found[4])
        orders = {"day first": (three, two, one), "month first": (three, one, two),
                  "year first": (one, two, three)}  # fmt: skip
        return _kept({order: (2000 + year, m, d) for order, (year, m, d) in orders.items()})
    found = _NUMBERS.match(tidy)
    if found is None:
        return {}
    first, second, year = int(found[1]), int(found[2]), int(found[3])
    if first == second:
        return _kept({"either": (year, first, second)})
    return _kept({"day first": (year, second, first), "month first": (year, first, second)})


def _quoted(order: str) -> str:
    return f'"{order}"'


def _kept(readings: dict[str, tuple[int, int, int]]) -> dict[str, date]:
    kept = {}
    for order, parts in readings.items():
        with suppress(ValueError):
            kept[order] = date(*parts)
    return kept
