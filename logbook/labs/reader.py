"""Any table from outside (a laboratory report, a plain series) as cells of text, or why not.

Rules, in the order they are applied:

1. Limits, and characters that are refused, are those of `grid`.
2. A spreadsheet (xlsx) is read by `xlsx`, of other binary files the kind is told. Anything else is
   text: `encodings` finds which, `delimited` its rows.
3. `read_grid` gives every row of the file. `read_table` is for files whose first row is the header:
   every row has the header's columns, blank cells beyond them and blank lines are dropped, anything
   else is refused. Header names are unique.
4. `decimal_comma` is decided per file from its numbers, never from the delimiter alone: true if
   some column has more numbers that only a decimal comma explains ("12,5", "0,125") than numbers
   that only a decimal point explains. "1,234" explains nothing, since it is 1234 in one country
   and 1.234 in another. With comma delimiters this needs quoted cells ("12,5"); unquoted decimal
   commas there give rows that are too long, and the message says so.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Literal

from logbook.errors import Problem, UserMistake
from logbook.labs import delimited, encodings, grid
from logbook.labs.grid import (
    MOST_PROBLEMS,
    Cells,
    Flaw,
    Grid,
    Progress,
    all_refused,
    cell_flaws,
    control_character,
    letters,
    place,
    refused,
    shown,
)

__all__ = [
    "MOST_PROBLEMS", "Grid", "Table", "control_character", "read_grid", "read_sound_rows",
    "read_table", "shown",
]  # fmt: skip

Kind = Literal["csv", "xlsx"]
_BINARY = (
    (b"%PDF", "a PDF", "ask the laboratory for a CSV or XLSX file"),
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
    (b"7z\xbc\xaf", "a compressed file", "unpack it first"),
    (b"Rar!", "a compressed file", "unpack it first"),
)
_PAGE = re.compile(r"\s*<(?:[?!]|html|table|workbook)", re.IGNORECASE)
_OLD_FILE = b"\xd0\xcf\x11\xe0"
_LOCKED = "EncryptedPackage".encode("utf-16-le")


@dataclass(frozen=True)
class Table:
    """A file as text cells: `rows[i]` has one cell per name in `header`, from line `lines[i]`.

    `file` is the file's name, `sha256` of its bytes; `encoding` is how they were read; `sheet` is
    the name of a spreadsheet's sheet. `point_doubtful`: the delimiter leaves it open, and no number
    shows, whether a point marks decimals or thousands: 1.250 may be 1250. `remarks` are sentences
    for the person about how the file was read.
    """

    of_a_file: ClassVar[bool] = True
    header: tuple[str, ...]
    rows: list[list[str]]
    lines: list[int]
    file: str
    sha256: str
    decimal_comma: bool
    encoding: str = "utf-8"
    point_doubtful: bool = False
    sheet: str | None = None
    remarks: tuple[str, ...] = ()

    def where(self, row: int, column: int) -> str:
        """`soil.csv, row 7, column value (value '1,2,3')`: the place of one cell."""
        cell = shown(self.rows[row][column])
        at = place(self.file, self.sheet, self.lines[row])
        return f"{at}, column {self.header[column]} (value {cell})"

    def heading(self, column: int) -> str:
        """The heading that a column has in the file."""
        return self.header[column]

    def file_columns(self) -> Iterator[tuple[str, str, list[str]]]:
        """Every column of the file: its letters, its heading, its cells in the rows of data."""
        for at, title in enumerate(self.header):
            yield letters(at), title, [row[at] for row in self.rows]

    def column(self, *names: str) -> int | None:
        """The first column whose name, whatever its case, is one of `names`; None without."""
        wanted = {name.lower() for name in names}
        places = (i for i, name in enumerate(self.header) if name.lower() in wanted)
        return next(places, None)


def read_grid(
    path: Path,
    *,
    sheet: str | None = None,
    encoding: str | None = None,
    delimiter: str | None = None,
    progress: Progress | None = None,
) -> Grid:
    """Read a CSV or XLSX file whole, header or not; see `Grid` for what is in it.

    `sheet` names a spreadsheet's sheet, needed if several hold data; `encoding` and `delimiter`
    (or its name: comma, semicolon, tab, bar) overrule what would be found in a text file;
    `progress` is told how far it is. Raises BadData with every problem of the file at once, and
    UserMistake for a file that is missing, and for a sheet, encoding or delimiter that does not
    exist.
    """
    name, data = _bytes(path)
    kind, cells = _cells(data, name, sheet, encoding, delimiter, progress)
    if not cells.rows:
        raise refused(place(name, cells.sheet), "the file is empty", "export it again")
    _refuse_fatal(cells, name, kind)
    _pad(cells.rows, place(name, cells.sheet))
    comma, doubtful = _marks(kind, cells, cells.rows)
    return Grid(
        rows=cells.rows,
        lines=cells.lines,
        file=name,
        sha256=hashlib.sha256(data).hexdigest(),
        kind=kind,
        sheet=cells.sheet,
        sheets=cells.sheets,
        encoding=cells.encoding,
        delimiter=cells.delimiter,
        decimal_comma=comma,
        point_doubtful=doubtful,
        merged=cells.merged,
        dates=cells.dates,
        flaws=tuple(cells.flaws),
        notes=cells.notes,
    )


def read_table(path: Path) -> Table:
    """Read a file whose first row is the header; raises BadData with every problem at once.

    A file that is missing or may not be read is the caller's mistake (UserMistake).
    """
    table, problems = read_sound_rows(path)
    if problems:
        raise all_refused(problems)
    return table


def read_sound_rows(
    path: Path,
    *,
    sheet: str | None = None,
    encoding: str | None = None,
    delimiter: str | None = None,
    progress: Progress | None = None,
) -> tuple[Table, list[Problem]]:
    """The rows that can be read, and a problem for every other one; else as `read_table`.

    One torn row must not hide what is wrong in the others. With a problem nothing of the table
    may be recorded. The keywords are those of `read_grid`.
    """
    name, data = _bytes(path)
    kind, cells = _cells(data, name, sheet, encoding, delimiter, progress)
    header, problems = _under_header(cells, name, kind)
    comma, doubtful = _marks(kind, cells, cells.rows)
    table = Table(
        header=header,
        rows=cells.rows,
        lines=cells.lines,
        file=name,
        sha256=hashlib.sha256(data).hexdigest(),
        decimal_comma=bool(comma),
        encoding=cells.encoding or "utf-8",
        point_doubtful=doubtful,
        sheet=cells.sheet,
        remarks=cells.notes,
    )
    return table, problems


# --- any file -----------------------------------------------------------------------------------


def _bytes(path: Path) -> tuple[str, bytes]:
    """The file's name, safe to show, and what is in it."""
    name = shown(path.name or path.resolve().name)[1:-1]  # "." has none of its own
    try:
        if path.is_dir():
            raise UserMistake(f"{name} is a folder", "name the file in it")
        with path.open("rb") as stream:
            data = b""
            while len(data) <= grid.MOST_BYTES and (more := stream.read(1 << 22)):
                data += more
    except FileNotFoundError:
        raise UserMistake(f"there is no file {shown(str(path))}", "check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        raise UserMistake(f"{name} cannot be read: {reason}", "check the file") from None
    if len(data) > grid.MOST_BYTES:
        raise refused(name, "the file is larger than 64 MB", "split it into smaller files")
    if not data.strip():
        raise refused(name, "the file is empty", "export it again")
    return name, data


def _cells(
    data: bytes,
    name: str,
    sheet: str | None,
    encoding: str | None,
    delimiter: str | None,
    progress: Progress | None,
) -> tuple[Kind, Cells]:
    """What a file of either kind holds; raises BadData for any other kind."""
    if data.startswith(b"PK\x03\x04"):
        from logbook.labs.xlsx import sheet_cells

        return "xlsx", sheet_cells(data, name, sheet, progress)
    if data.startswith(_OLD_FILE):
        raise _old_file(data, name)
    for magic, what, remedy in _BINARY:
        if data.startswith(magic):
            raise refused(name, f"this is {what}, not a table", remedy)
    if sheet is not None:
        raise UserMistake(f"{name}: a text file has no sheets", "leave --sheet out")
    text, found = encodings.decode(data, name, encoding)
    if _PAGE.match(text):
        what = "this is a page of tags (HTML or XML), whatever its name says, not a table"
        raise refused(name, what, "open it in a spreadsheet program and save it as XLSX or CSV")
    cells = delimited.split(text, name, delimiter, progress)
    cells.encoding = found
    return "csv", cells


def _old_file(data: bytes, name: str) -> Exception:
    if _LOCKED in data:
        what = "this spreadsheet is locked with a password"
        return refused(name, what, "open it, take the password away, save it again")
    what = "this is an old spreadsheet (xls) or document, not a table"
    return refused(name, what, "save it as XLSX or CSV")


def _refuse_fatal(cells: Cells, name: str, kind: Kind) -> None:
    """Raise BadData for the cells whose text must not be kept."""
    if fatal := [flaw for flaw in cells.flaws if flaw.fatal]:
        rough = Grid(cells.rows, cells.lines, name, "", kind, cells.sheet)
        raise all_refused(
            [Problem(rough.where(one.row, one.column), one.what, one.remedy) for one in fatal]
        )


def _pad(rows: list[list[str]], where: str) -> None:
    """Fill every row up with blank cells to the longest one's length, blank ends not counted."""
    width = 0
    for row in rows:
        if len(row) > width:
            width = max(width, next((n for n in range(len(row), 0, -1) if row[n - 1].strip()), 0))
    if width * len(rows) > grid.MOST_CELLS:
        raise grid.too_many_cells(where)
    for row in rows:
        if len(row) > width:
            del row[width:]
        elif len(row) < width:
            row.extend([""] * (width - len(row)))


def _marks(kind: Kind, cells: Cells, rows: list[list[str]]) -> tuple[bool | None, bool]:
    """Whether numbers have a decimal comma, and whether their points are doubtful."""
    if kind == "xlsx":
        return cells.decimal_comma, cells.point_doubtful
    comma = grid.decimal_mark(rows)
    shows = comma is False or (comma is True and grid.shows_point(rows))
    return comma, cells.delimiter != "," and not shows


# --- a header in the first row ------------------------------------------------------------------


def _under_header(cells: Cells, name: str, kind: Kind) -> tuple[tuple[str, ...], list[Problem]]:
    """Leave the sound rows below the header in `cells`; the header, and what is wrong."""
    first = next((at for at, row in enumerate(cells.rows) if any(map(str.strip, row))), None)
    if first is None:
        raise refused(name, "the file is empty", "export it again")
    names = cells.rows[first]
    where = place(name, cells.sheet, cells.lines[first])
    if len(names) == 1 and kind == "csv":
        raise refused(
            where,
            "the header has one column only: no comma, semicolon, tab or bar",
            "export the table as CSV, with one column each for sample, nutrient, value, unit",
        )
    header, problems = _header(names, where)
    problems += [
        Problem(f"{where}, column {one.column + 1}", one.what, one.remedy)
        for one in cells.flaws
        if one.row == first and not one.fatal
    ]
    if problems:
        raise all_refused(problems)
    if kind == "xlsx" and len(header) * len(cells.rows) > grid.MOST_CELLS:
        raise grid.too_many_cells(place(name, cells.sheet))
    problems = _body(cells, first, header, name, kind)
    if not cells.rows and not problems:
        raise refused(name, "there is a header but no row below it", "export the file again")
    return header, problems


def _header(names: list[str], where: str) -> tuple[tuple[str, ...], list[Problem]]:
    """The column names with single blanks, without unnamed columns at the end."""
    header = [" ".join(name.split()) for name in names]
    while header and not header[-1]:
        header.pop()
    problems: list[Problem] = []
    first: dict[str, int] = {}
    for at, title in enumerate(header, start=1):
        before = first.setdefault(title.lower(), at)
        if not title:
            problems.append(Problem(where, f"column {at} has no name", "name it"))
        elif before != at:
            what = f"columns {before} and {at} are both named {shown(title)}"
            problems.append(Problem(where, what, "give each column its own name"))
        problems += _told(cell_flaws(title, 0, at), f"{where}, column {at}", title)
    return tuple(header), problems


def _told(flaws: Iterable[Flaw], where: str, cell: str) -> list[Problem]:
    """A cell's flaws; a cell that is too long is not shown again."""
    valued = f"{where} (value {shown(cell)})"
    return [
        Problem(where if "characters" in one.what else valued, one.what, one.remedy)
        for one in flaws
    ]


def _body(
    cells: Cells, first: int, header: tuple[str, ...], name: str, kind: Kind
) -> list[Problem]:
    """Sound rows below the header stay in `cells`, of the header's length; problems of others."""
    flaws: dict[int, list[Flaw]] = {}
    for flaw in cells.flaws:
        flaws.setdefault(flaw.row, []).append(flaw)
    rows: list[list[str]] = []
    lines: list[int] = []
    problems: list[Problem] = []
    width = len(header)
    for at in range(first + 1, len(cells.rows)):
        row, line = cells.rows[at], cells.lines[at]
        while len(row) > width and not row[-1].strip():
            row.pop()
        if not any(map(str.strip, row)):
            continue
        if kind == "xlsx" and len(row) < width:
            row.extend([""] * (width - len(row)))
        if len(row) == width and at not in flaws:
            rows.append(row)
            lines.append(line)
            continue
        where = place(name, cells.sheet, line)
        found = [] if len(row) == width else [_ragged(row, header, where, kind)]
        for flaw in flaws.get(at, ()) if not found else ():
            if flaw.column < width:
                found += _told([flaw], f"{where}, column {header[flaw.column]}", row[flaw.column])
        if found:
            problems += found
        else:
            rows.append(row)
            lines.append(line)
        if len(problems) >= MOST_PROBLEMS:
            problems.append(Problem(name, "the rows after these were not looked at"))
            break
    cells.rows, cells.lines = rows, lines
    return problems


def _ragged(row: list[str], header: tuple[str, ...], where: str, kind: Kind) -> Problem:
    cells = "1 cell" if len(row) == 1 else f"{len(row):,} cells"
    what = f"the row has {cells}, the header {len(header)}"
    if len(row) < len(header):
        return Problem(f"{where}, column {header[len(row)]}", what, "fill the row up")
    extra = shown(row[len(header)])
    at = letters(len(header)) if kind == "xlsx" else len(header) + 1
    if kind == "xlsx":
        remedy = "name its column in the header, or empty the cell"
    else:
        remedy = "quote cells that hold the delimiter, such as a decimal comma, or put ; between"
        remedy += " columns"
    return Problem(f"{where}, column {at} (value {extra})", what, remedy)
