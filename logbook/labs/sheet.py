"""One sheet of a spreadsheet, tag by tag, into cells."""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass

from logbook.labs import grid
from logbook.labs.formats import Look, numeral
from logbook.labs.grid import Cells, Flaw, Merged, cell_flaws, place
from logbook.labs.package import Package, feed
from logbook.labs.seen import Marks, Noted
from logbook.labs.strings import Strings, unescaped

MOST_MERGED = 20_000
MOST_FLAWS = 50_000
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")
_LAST_COLUMN = 16_384
_NUMBER_TEXT = re.compile(r"\s*[<>]?\s*[+-]?[0-9.,]+%?\s*")
_OPEN_AND_SAVE = "open and save it in a spreadsheet program, or leave the column out"
_CORRECT = "correct it in the spreadsheet, or leave the column out"


def _harmless(text: str) -> str:
    """The beginning of a text that is only shown, never kept as a value."""
    return grid.FORBIDDEN.sub("\N{REPLACEMENT CHARACTER}", " ".join(text[:100].split()))


class _FoundError(Exception):
    """A sheet holds something: no need to read on."""


class _Peek:
    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag in ("v", "t", "f"):
            raise _FoundError

    def end(self, tag: str) -> None:
        """Only what opens is of interest."""

    def text(self, text: str) -> None:
        """Only tags are of interest."""


def holds_anything(package: Package, part: str) -> bool:
    """True if some cell of the sheet has a value."""
    try:
        feed(package, part, _Peek())
    except _FoundError:
        return True
    return False


@dataclass
class _Cell:
    """The cell that is being read."""

    attributes: dict[str, str]
    value: list[str] | None = None
    formula: list[str] | None = None


class SheetReader:
    """Takes a sheet's tags and gives its `cells`."""

    def __init__(
        self,
        package: Package,
        name: str,
        strings: Strings,
        looks: dict[str, Look | None],
        *,
        since_1904: bool,
    ) -> None:
        self._package = package
        self._name = name
        self._where = place(package.file, name)
        self._strings, self._looks, self._since_1904 = strings, looks, since_1904
        self._columns: dict[str, int] = {}
        self._cells = Cells(sheet=name)
        self._row: list[str] = []
        self._line, self._line_text, self._hidden = 0, "", False
        self._count = self._next = 0
        self._numbers = array("Q")
        self._marks, self._noted = Marks(), Noted()
        self._merged: list[str] = []
        self._dates: set[int] = set()
        self._cell, self._open = _Cell({}), ""
        self._pieces: list[str] | None = None
        self._size = 0
        self._aside = 0

    # --- tags -----------------------------------------------------------------------------------

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """A tag opens: rows, cells and what they hold are of interest."""
        if tag == "c":
            if self._open != "row":
                raise self._package.damaged("a cell stands outside a row")
            self._cell, self._size, self._open = _Cell(attributes), 0, "c"
        elif tag == "v" or (tag == "t" and not self._aside):
            if self._cell.value is None:
                self._cell.value = []
            self._pieces = self._cell.value
            if tag == "v":
                self._size = 0
        elif tag == "f":
            self._pieces, self._size = [], 0
            self._cell.formula = self._pieces
        elif tag == "row":
            self._start_row(attributes)
        elif tag == "rPh":
            self._aside += 1
        elif tag == "mergeCell":
            self._merged.append(attributes.get("ref", ""))
            if len(self._merged) > MOST_MERGED:
                raise self._package.damaged("it has too many merged cells")
        elif tag == "col" and attributes.get("hidden", "0") in ("1", "true"):
            first, last = int(attributes["min"]), int(attributes["max"])
            self._noted.hidden_columns.append((first - 1, min(last, _LAST_COLUMN)))

    def end(self, tag: str) -> None:
        """A tag closes."""
        if tag == "c":
            self._end_cell()
            self._open = "row"
        elif tag in ("v", "t", "f"):
            self._pieces = None
        elif tag == "row":
            self._end_row()
        elif tag == "rPh":
            self._aside -= 1

    def text(self, text: str) -> None:
        """Text of a value or formula; more of it than a cell may have is dropped."""
        if self._pieces is not None and self._size <= grid.MOST_CHARACTERS:
            self._pieces.append(text)
            self._size += len(text)

    # --- rows -----------------------------------------------------------------------------------

    def _start_row(self, attributes: dict[str, str]) -> None:
        if self._open:
            raise self._package.damaged("a row stands inside a row")
        self._open = "row"
        line = int(attributes["r"]) if "r" in attributes else self._line + 1
        if line <= self._line:
            raise self._package.damaged(f"row {line} comes after row {self._line}")
        self._line, self._line_text = line, str(line)
        self._hidden = attributes.get("hidden", "0") in ("1", "true")
        self._row, self._next = [], 0

    def _end_row(self) -> None:
        """Keep a row that holds anything, and the blank ones before it."""
        row, self._open = self._row, ""
        if not any(map(str.strip, row)):
            self._drop_flaws()
            return
        if self._line > grid.MOST_ROWS:
            raise grid.too_many_rows(self._where)
        rows, lines = self._cells.rows, self._cells.lines
        self._count += len(row)
        if self._count > grid.MOST_CELLS:
            raise grid.too_many_cells(self._where)
        for line in range(len(rows) + 1, self._line):
            rows.append([])
            lines.append(line)
        rows.append(row)
        lines.append(self._line)
        if self._hidden:
            self._noted.hidden_rows.append(self._line)

    def _drop_flaws(self) -> None:
        """A row of blanks is no row; nothing in it can be wrong."""
        flaws = self._cells.flaws
        while flaws and flaws[-1].row == self._line - 1:
            flaws.pop()

    # --- cells ----------------------------------------------------------------------------------

    def _end_cell(self) -> None:
        cell = self._cell
        attributes, value, formula = cell.attributes, cell.value, cell.formula
        column = self._place(attributes)
        if value is None and formula is None:
            return
        if column >= grid.MOST_COLUMNS:
            raise grid.too_many_columns(f"{self._where}, row {self._line}")
        kind = attributes.get("t", "n")
        text = "" if value is None else "".join(value)[: grid.MOST_CHARACTERS + 1]
        if formula is not None:
            if not text and kind != "str":
                self._put(column, _harmless("=" + "".join(formula)))
                self._flaw(column, "the formula has no stored result", _OPEN_AND_SAVE)
                return
            self._noted.formulas += 1
        if kind == "n":
            self._put_number(column, text.strip(), attributes.get("s", "0"))
        elif kind == "s":
            self._put_shared(column, text.strip())
        elif kind in ("str", "inlineStr", "d"):
            self._put_text(column, grid.composed(unescaped(text)))
        else:
            self._put_special(column, kind, text.strip())

    def _place(self, attributes: dict[str, str]) -> int:
        """The column of a cell; rows and columns must come in their order, each cell once."""
        reference = attributes.get("r")
        column = self._next
        if reference is not None:
            name = reference.rstrip("0123456789")
            found = self._columns.get(name)
            column = self._new_column(name) if found is None else found
            if reference[len(name) :] != self._line_text or column < self._next:
                raise self._package.damaged(
                    f"cell {grid.shown(reference)} stands in the wrong place"
                )
        self._next = column + 1
        return column

    def _new_column(self, name: str) -> int:
        if not 1 <= len(name) <= 3 or not name.isascii() or not name.isupper():
            raise self._package.damaged(f"there is no column {grid.shown(name)}")
        column = 0
        for letter in name:
            column = column * 26 + ord(letter) - 64
        self._columns[name] = column - 1
        return column - 1

    def _put(self, column: int, text: str) -> None:
        row = self._row
        if column > len(row):
            row.extend([""] * (column - len(row)))
        row.append(text)

    def _flaw(self, column: int, what: str, remedy: str) -> None:
        if len(self._cells.flaws) >= MOST_FLAWS:
            what = f"more than {MOST_FLAWS:,} cells cannot be read, the first ones because {what}"
            raise grid.refused(self._where, what, remedy)
        self._cells.flaws.append(Flaw(self._line - 1, column, what, remedy))

    def _put_number(self, column: int, text: str, style: str) -> None:
        if not text:
            return
        number = numeral(text)
        if number is None:
            self._put(column, _harmless(text) or "?")
            self._flaw(column, "the cell is said to hold a number, and does not", _CORRECT)
            return
        if style not in self._looks:
            raise self._package.damaged(f"a cell has format {grid.shown(style)}, which is missing")
        look = self._looks[style]
        if look is not None:
            number = self._formatted(column, number, look)
        self._put(column, number)
        if "." in number:
            self._numbers.append((self._line - 1) * _LAST_COLUMN + column)

    def _formatted(self, column: int, number: str, look: Look) -> str:
        """What the cell shows; a number that its format hides is kept and marked."""
        try:
            text = look.text(number, self._since_1904)
        except ValueError as error:
            self._flaw(column, f"{error}", _CORRECT)
            return number
        if look.is_date:
            self._dates.add(column)
        elif look.shortens(number):
            self._noted.longer += 1
        text = grid.composed(" ".join(text.split()))
        self._cells.flaws.extend(cell_flaws(text, self._line - 1, column))
        return text

    def _put_shared(self, column: int, text: str) -> None:
        strings = self._strings
        at = int(text) if text.isdecimal() and text.isascii() and len(text) < 10 else -1
        if not 0 <= at < len(strings.texts):
            raise self._package.damaged(f"text {grid.shown(text)} of the cells is missing")
        self._put_text(column, strings.texts[at], at in strings.odd)

    def _put_text(self, column: int, text: str, odd: bool = True) -> None:
        self._put(column, text)
        if odd:
            self._cells.flaws.extend(cell_flaws(text, self._line - 1, column))
            if len(self._cells.flaws) > MOST_FLAWS:
                raise grid.refused(self._where, "too many cells cannot be read", _CORRECT)
        if ("," in text or "." in text) and _NUMBER_TEXT.fullmatch(text):
            self._marks.look_at(text, column)

    def _put_special(self, column: int, kind: str, text: str) -> None:
        if kind == "b":
            self._put(column, "TRUE" if text in ("1", "true") else "FALSE")
            self._flaw(column, "the cell holds yes or no, neither text nor a number", _CORRECT)
        elif kind == "e":
            self._put(column, _harmless(text) or "#")
            self._flaw(column, "the cell holds an error, no value", _CORRECT)
        else:
            raise self._package.damaged(f"a cell is of kind {grid.shown(kind)}")

    # --- the whole ------------------------------------------------------------------------------

    def cells(self) -> Cells:
        """What was read; raises BadData if a merged range is no range."""
        cells = self._cells
        comma = self._marks.comma
        if comma:
            for at in self._numbers:
                row, column = divmod(at, _LAST_COLUMN)
                if row < len(cells.rows):
                    kept = cells.rows[row]
                    kept[column] = kept[column].replace(".", ",")
        width = max(map(len, cells.rows), default=0)
        cells.merged = tuple(filter(None, (self._range(ref, width) for ref in self._merged)))
        _fill_merged(cells, self._where)
        cells.dates = frozenset(self._dates)
        cells.notes = self._noted.sentences(width)
        cells.decimal_comma = comma if comma is not None or not self._numbers else False
        cells.point_doubtful = self._marks.doubtful and comma is None
        return cells

    def _range(self, reference: str, width: int) -> Merged | None:
        """A range such as A1:C1 within the rows that hold anything; None if it lies beyond."""
        first, _, last = reference.partition(":")
        corners = [_REFERENCE.fullmatch(corner) for corner in (first, last or first)]
        if corners[0] is None or corners[1] is None:
            raise self._package.damaged(f"merged cells {grid.shown(reference)} are no range")
        left, right = self._new_column(corners[0][1]), self._new_column(corners[1][1])
        top, bottom = int(corners[0][2]) - 1, int(corners[1][2]) - 1
        bottom, right = min(bottom, len(self._cells.rows) - 1), min(right, width - 1)
        return Merged(top, left, bottom, right) if top <= bottom and left <= right else None


def _fill_merged(cells: Cells, where: str) -> None:
    """Give every cell of a merged range its text; a number stands once, or it would count twice."""
    filled = 0
    for one in cells.merged:
        first = cells.rows[one.top]
        text = first[one.left] if one.left < len(first) else ""
        if not text.strip() or _NUMBER_TEXT.fullmatch(text):
            continue
        filled += (one.bottom - one.top + 1) * (one.right - one.left + 1)
        if filled > grid.MOST_CELLS:
            raise grid.too_many_cells(where)
        for row in cells.rows[one.top : one.bottom + 1]:
            if len(row) <= one.right:
                row.extend([""] * (one.right + 1 - len(row)))
            for column in range(one.left, one.right + 1):
                if not row[column].strip():
                    row[column] = text
