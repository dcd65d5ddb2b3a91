"""How the numbers of a report are written: the decimal mark, the thousands mark, or that neither
can be known from the file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from logbook.errors import UserMistake
from logbook.labs.grid import Grid
from logbook.labs.marks import THOUSANDS
from logbook.trial import units

_BOTH = re.compile(
    r"[<>]?\s*\d{1,3}(?P<group>[.,' \u00a0\u202f])\d{3}(?:(?P=group)\d{3})*(?P<point>[.,])\d+"
)
_GROUPED = re.compile(
    r"[<>]?\s*[1-9]\d{0,2}(?P<group>[.,' \u00a0\u202f])\d{3}(?:(?P=group)\d{3})*(?!\d)"
)
_LONGEST = 40
_ONE = re.compile(r"\s*[<>≤≥]?\s*[+-]?[0-9][0-9.,' ]*\s*[A-Za-z*~@]{0,3}\s*\Z")
_NAMES = {mark: name for name, mark in THOUSANDS.items()} | {"\u00a0": "blank", "\u202f": "blank"}


@dataclass(frozen=True)
class Written:
    """`decimal` is "" where nothing shows it, and `doubtful` then is a number with two readings.

    `thousands` is a name out of `THOUSANDS`, "" for none.
    """

    decimal: str
    thousands: str = ""
    doubtful: str = ""

    @property
    def mark(self) -> str:
        """The thousands mark itself."""
        return THOUSANDS.get(self.thousands, "")


def is_number(text: str, decimal: str) -> bool:
    """True for a number as a profile writes it, whose decimal mark may be open ("")."""
    with suppress(UserMistake):
        return bool(units.number(text, {"": None}.get(decimal, decimal == ",")) > 0)
    return False


def looks_like_one(cell: str) -> bool:
    """True for a cell with a number, of a sign and of short marks: `12,5 J`, `< 0.5`."""
    return len(cell) <= _LONGEST and _ONE.match(cell) is not None


def written_as(cells: Sequence[str], grid: Grid) -> Written:
    """How the numbers in these cells of a grid are written."""
    texts = [cell.strip() for cell in cells if cell.strip()]
    for text in texts:
        both = _BOTH.match(text)
        if both and both["group"] != both["point"]:
            return Written(both["point"], _NAMES[both["group"]])
    decimal = {True: ",", False: "."}.get(grid.decimal_comma is True)
    if grid.decimal_comma is None:
        decimal = ""
    grouped = [(text, found["group"]) for text in texts if (found := _GROUPED.match(text))]
    others = [(text, group) for text, group in grouped if group not in ".,"]
    if decimal:
        groups = {_NAMES[group] for _, group in grouped if group != decimal}
        return Written(decimal, next(iter(sorted(groups)), ""))
    if others:
        return Written(".", _NAMES[others[0][1]])
    if grouped:
        return Written("", "", grouped[0][0])
    return Written(".")
