"""A result typed by hand as a table of one row, so that the rules for files hold for it too."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from logbook.errors import UserMistake
from logbook.labs.reader import Table, shown
from logbook.trial import units

_HEADER = ("sample", "nutrient", "value", "unit", "method", "basis")


@dataclass(frozen=True)
class TypedTable(Table):
    """A table of one typed row: its problems name what was typed, not a file."""

    def where(self, row: int, column: int) -> str:
        """`value '12.x'`."""
        return f"{self.header[column]} {shown(self.rows[row][column])}"


def typed_table(cells: tuple[str, str, str, str, str, str]) -> TypedTable:
    """The table of sample, nutrient, value, unit, method and basis.

    A keyboard writes either decimal mark: "12,5" is 12.5, and "1,234", which is a thousand in one
    country and one in another, is left for the rules to refuse.
    """
    number = cells[2].lstrip("<>≤≥= ")
    comma = False
    with suppress(UserMistake):
        comma = units.number(number, None) is not None and "," in number
    return TypedTable(_HEADER, [list(cells)], [1], "what was typed", "", comma)
