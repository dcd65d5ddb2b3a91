"""A result typed by hand as a table of one row, so that the rules for files hold for it too."""

from __future__ import annotations

import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from typing import ClassVar

from logbook.errors import UserMistake
from logbook.labs.cells import MOST_TEXT
from logbook.labs.reader import Table, control_character, shown
from logbook.trial import units

_HEADER = ("sample", "nutrient", "value", "unit", "method", "basis")


@dataclass(frozen=True)
class TypedTable(Table):
    """A table of one typed row: its problems name what was typed, not a file."""

    of_a_file: ClassVar[bool] = False

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


def option_text(option: str, text: str | None) -> str | None:
    """What an option says, tidied and checked as a cell of a file is; None if it was not given."""
    if text is None:
        return None
    tidied = " ".join(unicodedata.normalize("NFC", text).split())
    if not tidied:
        raise UserMistake(f"{option} says nothing", "fill it in, or leave it out")
    found = control_character(tidied)
    if found:
        raise UserMistake(f"{option} has a control character ({found})", "type it without")
    if len(tidied) > MOST_TEXT:
        what = f"{option} has {len(tidied)} characters, more than {MOST_TEXT}"
        raise UserMistake(what, "shorten it")
    return tidied
