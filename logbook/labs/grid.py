"""A file from outside as a grid of texts, what bounds it, and how a place in it is named.

Limits: at most 64 MB, 500,000 rows, 1,000 columns, 5,000,000 cells, 10,000 characters a cell.
They keep what a hostile file can make the program hold well below a gigabyte.

Control characters (terminal escapes, bidirectional overrides) are refused, not stripped: what is
kept "as the laboratory wrote it" may be shown on a terminal later.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from typing import Literal

from logbook.errors import BadData, Problem

# Is told which share of a file, 0 to 1, has been read.
Progress = Callable[[float], None]

MOST_BYTES = 64 * 1024 * 1024
MOST_ROWS = 500_000
MOST_COLUMNS = 1_000
MOST_CELLS = 5_000_000
MOST_CHARACTERS = 10_000
MOST_PROBLEMS = 5_000
_CONTROL = (
    "\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\xad"
    "\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff"
)
FORBIDDEN = re.compile(f"[{_CONTROL}]")
_ONLY_COMMA = re.compile(r"\s*[<>]?\s*[+-]?(0?,\d+|\d+,(\d{1,2}|\d{4,})|\d{4,},\d+)\s*\Z")
_ONLY_POINT = re.compile(r"\s*[<>]?\s*[+-]?(0?\.\d+|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)\s*\Z")
_EITHER_POINT = re.compile(r"\s*[<>]?\s*[+-]?[1-9]\d{0,2}\.\d{3}\s*\Z")


@dataclass(frozen=True)
class Flaw:
    """A cell that cannot be taken as it is: its place in `rows`, why, and what to do about it.

    With `fatal` the text itself must not be kept (a terminal escape, a cell of a megabyte).
    """

    row: int
    column: int
    what: str
    remedy: str
    fatal: bool = False


@dataclass(frozen=True)
class Merged:
    """Cells that a spreadsheet shows as one, first to last inclusive, as places in `rows`."""

    top: int
    left: int
    bottom: int
    right: int


@dataclass
class Cells:
    """What a file holds before it is a grid: rows as long as they were written.

    `decimal_comma` and `point_doubtful` are known here for spreadsheets only, whose numbers have
    no mark of their own.
    """

    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    flaws: list[Flaw] = field(default_factory=list)
    merged: tuple[Merged, ...] = ()
    dates: frozenset[int] = frozenset()
    sheet: str | None = None
    sheets: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    encoding: str | None = None
    delimiter: str | None = None
    decimal_comma: bool | None = None
    point_doubtful: bool = False


@dataclass(frozen=True)
class Grid:
    """A file as a grid: every row has the same number of cells, each the text a person sees.

    `rows[i]` is the row that a person counts as `lines[i]`: lines of a text file, row numbers of
    a spreadsheet. Blank rows are kept, except at the end. Nothing is interpreted, but a
    spreadsheet's dates are ISO (`dates`: the columns that have any) and the cells of a merged
    range all have its text, unless it is a number, which would count twice.

    `flaws` are cells that must be refused if they are used: errors such as #N/A, formulas without
    a result, yes or no. Whoever takes cells from the grid reports `refusals` of its columns.

    `decimal_comma`: some number can only have a decimal comma (True), or a point (False); None if
    no number shows it. `point_doubtful`: nothing shows whether a point marks decimals or
    thousands, 1.250 may be 1250. `notes` are sentences for the person.
    """

    rows: list[list[str]]
    lines: list[int]
    file: str
    sha256: str
    kind: Literal["csv", "xlsx"]
    sheet: str | None = None
    sheets: tuple[str, ...] = ()
    encoding: str | None = None
    delimiter: str | None = None
    decimal_comma: bool | None = None
    point_doubtful: bool = False
    merged: tuple[Merged, ...] = ()
    dates: frozenset[int] = frozenset()
    flaws: tuple[Flaw, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        """Cells in every row."""
        return len(self.rows[0]) if self.rows else 0

    def where(self, row: int, column: int, heading: str = "") -> str:
        """`soil.xlsx, sheet 'Soil', row 7, column C 'Nitrate-N' (value '1,2,3')`: one cell."""
        named = self.column(column) + (f" {shown(heading)}" if heading else "")
        return f"{self.place(row)}, column {named} (value {shown(self.rows[row][column])})"

    def place(self, row: int | None = None) -> str:
        """The file, the sheet of a spreadsheet, and the row if there is one to name."""
        return place(self.file, self.sheet, None if row is None else self.lines[row])

    def column(self, column: int) -> str:
        """How a person names a column: its letters in a spreadsheet, its number in a text file."""
        return letters(column) if self.kind == "xlsx" else str(column + 1)

    def refusals(self, columns: Collection[int], first: int = 0) -> list[Problem]:
        """A problem for each flaw in those columns, from row `first` of `rows` on."""
        return [
            Problem(self.where(flaw.row, flaw.column), flaw.what, flaw.remedy)
            for flaw in self.flaws
            if flaw.column in columns and flaw.row >= first
        ]


def control_character(text: str) -> str | None:
    """`U+001B` if the text has a character that may steer a terminal; None without."""
    found = FORBIDDEN.search(text)
    return f"U+{ord(found[0]):04X}" if found else None


def shown(cell: str) -> str:
    """A cell in quotes, safe for a terminal and at most 40 characters long."""
    text = " ".join(cell[:1000].split())
    return repr(text if len(text) <= 40 else text[:37] + "...")


def place(file: str, sheet: str | None, line: int | None = None) -> str:
    """`soil.xlsx, sheet 'Soil', row 7`."""
    parts = [file]
    if sheet is not None:
        parts.append(f"sheet {shown(sheet)}")
    if line is not None:
        parts.append(f"row {line}")
    return ", ".join(parts)


def letters(column: int) -> str:
    """The letters of a spreadsheet's column, counted from 0: A, B, .. Z, AA."""
    text, rest = "", column + 1
    while rest:
        rest, letter = divmod(rest - 1, 26)
        text = chr(65 + letter) + text
    return text


def refused(where: str, what: str, remedy: str) -> BadData:
    """A file refused for one reason."""
    return all_refused([Problem(where, what, remedy)])


def all_refused(problems: list[Problem]) -> BadData:
    """A file refused for several reasons; the message names the first."""
    first = problems[0]
    return BadData(f"{first.where}: {first.what}", problems, first.remedy)


def too_many_rows(where: str) -> BadData:
    """More rows than are read."""
    return refused(where, f"there are more than {MOST_ROWS:,} rows", "split the file")


def too_many_cells(where: str) -> BadData:
    """More cells than are read, blank ones between others counted."""
    what = f"there are more than {MOST_CELLS:,} cells"
    return refused(where, what, "split the file, or export fewer columns")


def too_many_columns(where: str, count: int | None = None) -> BadData:
    """A row with more cells than are read; `count` where all of them have been seen."""
    what = f"there are more than {MOST_COLUMNS:,} columns"
    if count is not None:
        what = f"there are {count:,} columns, more than {MOST_COLUMNS:,}"
    return refused(where, what, "export one row per result")


def cell_flaws(cell: str, row: int, column: int) -> Iterator[Flaw]:
    """What forbids to keep a text: its length, a character that may steer a terminal."""
    if len(cell) > MOST_CHARACTERS:
        what = f"the cell has {len(cell):,} characters, more than {MOST_CHARACTERS:,}"
        yield Flaw(row, column, what, "check the quotes of that row", fatal=True)
    found = control_character(cell)
    if found:
        what = f"the cell has a control character ({found})"
        yield Flaw(row, column, what, "type the cell again without it", fatal=True)


def composed(text: str) -> str:
    """A text in Unicode's composed form (NFC), so that equal letters are equal."""
    if text.isascii() or unicodedata.is_normalized("NFC", text):
        return text
    return unicodedata.normalize("NFC", text)


def mark_of(text: str) -> str:
    """The decimal mark that a number can only have, "," or "."; "?" for 1.250; else nothing."""
    if _ONLY_COMMA.match(text):
        return ","
    if _ONLY_POINT.match(text):
        return "."
    return "?" if _EITHER_POINT.match(text) else ""


def decimal_mark(rows: list[list[str]]) -> bool | None:
    """True if numbers of some column need a decimal comma more often than a decimal point.

    False if some number can only have a decimal point, None if no number shows either. "1,234"
    shows nothing, since it is 1234 in one country and 1.234 in another. Rows are of one length.
    """
    if any(map(_needs_comma, zip(*rows, strict=True))):
        return True
    return False if shows_point(rows) else None


def shows_point(rows: list[list[str]]) -> bool:
    """True if some number can only have a decimal point."""
    return any("." in cell and _ONLY_POINT.match(cell) for row in rows for cell in row)


def _needs_comma(cells: tuple[str, ...]) -> bool:
    commas = sum(1 for cell in cells if "," in cell and _ONLY_COMMA.match(cell))
    if commas == 0:
        return False
    return commas > sum(1 for cell in cells if "." in cell and _ONLY_POINT.match(cell))
