"""Any text table from outside (a laboratory report, a plain series) as cells of text, or why not.

Rules, in the order they are applied:

1. At most 64 MB, 500,000 rows, 1,000 columns, 10,000 characters a cell.
2. Text only: UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252 if
   every byte is a printable character of it. Spreadsheets and other binary files are refused.
3. Control characters (terminal escapes, bidirectional overrides) are refused, not stripped: what
   is kept "as the laboratory wrote it" may be shown on a terminal later. Tabs and line breaks
   inside a quoted cell become one blank.
4. The delimiter (comma, semicolon or tab) is the one that gives the first line most columns; a
   first line `sep=;`, which spreadsheets write, names it.
5. Every row has the header's columns: blank cells beyond them and blank lines are dropped,
   anything else is refused. Header names are unique.
6. `decimal_comma` is decided per file from its numbers, never from the delimiter alone: true if
   some column has more numbers that only a decimal comma explains ("12,5", "0,125") than numbers
   that only a decimal point explains. "1,234" explains nothing, since it is 1234 in one country
   and 1.234 in another. With comma delimiters this needs quoted cells ("12,5"); unquoted decimal
   commas there give rows that are too long, and the message says so.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from logbook.errors import BadData, Problem, UserMistake

MOST_BYTES = 64 * 1024 * 1024
MOST_ROWS = 500_000
MOST_COLUMNS = 1_000
MOST_CHARACTERS = 10_000
MOST_PROBLEMS = 5_000
_CONTROL = (
    "\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\xad"
    "\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff"
)
_FORBIDDEN = re.compile(f"[{_CONTROL}]")
_BINARY = (
    (b"PK\x03\x04", "a spreadsheet (xlsx, ods) or a zip archive", "save it as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet (xls) or document", "save it as CSV"),
    (b"%PDF", "a PDF", "ask the laboratory for a CSV file"),
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
)
_ONLY_COMMA = re.compile(r"\s*[<>]?\s*[+-]?(0?,\d+|\d+,(\d{1,2}|\d{4,})|\d{4,},\d+)\s*\Z")
_ONLY_POINT = re.compile(r"\s*[<>]?\s*[+-]?(0?\.\d+|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)\s*\Z")


@dataclass(frozen=True)
class Table:
    """A file as text cells: `rows[i]` has one cell per name in `header`, from line `lines[i]`.

    `file` is the file's name, `sha256` of its bytes; `encoding` is how they were read.
    `point_doubtful`: the delimiter leaves it open, and no number shows, whether a point marks
    decimals or thousands: 1.250 may be 1250.
    """

    header: tuple[str, ...]
    rows: list[list[str]]
    lines: list[int]
    file: str
    sha256: str
    decimal_comma: bool
    encoding: str = "utf-8"
    point_doubtful: bool = False

    def where(self, row: int, column: int) -> str:
        """`soil.csv, row 7, column value (value '1,2,3')`: the place of one cell."""
        cell = shown(self.rows[row][column])
        return f"{self.file}, row {self.lines[row]}, column {self.header[column]} (value {cell})"

    def column(self, *names: str) -> int | None:
        """The first column whose name, whatever its case, is one of `names`; None without."""
        wanted = {name.lower() for name in names}
        places = (i for i, name in enumerate(self.header) if name.lower() in wanted)
        return next(places, None)


def control_character(text: str) -> str | None:
    """`U+001B` if the text has a character that may steer a terminal; None without."""
    found = _FORBIDDEN.search(text)
    return f"U+{ord(found[0]):04X}" if found else None


def shown(cell: str) -> str:
    """A cell in quotes, safe for a terminal and at most 40 characters long."""
    text = " ".join(cell.split())
    return repr(text if len(text) <= 40 else text[:37] + "...")


def read_table(path: Path) -> Table:
    """Read a delimited text file whole; raises BadData with every problem of the file at once.

    A file that is missing or may not be read is the caller's mistake (UserMistake).
    """
    table, problems = read_sound_rows(path)
    if problems:
        raise _all_refused(problems)
    return table


def read_sound_rows(path: Path) -> tuple[Table, list[Problem]]:
    """The rows that can be read, and a problem for every other one; else as `read_table`.

    One torn row must not hide what is wrong in the others. With a problem nothing of the table
    may be recorded.
    """
    name = shown(path.name)[1:-1]
    data = _bytes(path, name)
    text, encoding = _decode(data, name)
    delimiter, skip = _delimiter(text, name)
    header, rows, lines, problems = _cells(text, delimiter, skip, name)
    commas = "," in text and (delimiter != "," or '"' in text)
    table = Table(
        header=header,
        rows=rows,
        lines=lines,
        file=name,
        sha256=hashlib.sha256(data).hexdigest(),
        decimal_comma=commas and _decimal_comma(rows),
        encoding=encoding,
        point_doubtful=delimiter != "," and not _shows_point(rows),
    )
    return table, problems


def _bytes(path: Path, name: str) -> bytes:
    try:
        if path.is_dir():
            raise UserMistake(f"{name} is a folder", "name the file in it")
        with path.open("rb") as stream:
            data = b""
            while len(data) <= MOST_BYTES and (more := stream.read(1 << 22)):
                data += more
    except FileNotFoundError:
        raise UserMistake(f"there is no file {shown(str(path))}", "check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name cannot be used"
        raise UserMistake(f"{name} cannot be read: {reason}", "check the file") from None
    if len(data) > MOST_BYTES:
        raise _refused(name, "the file is larger than 64 MB", "split it into smaller files")
    if not data.strip():
        raise _refused(name, "the file is empty", "export it again")
    return data


def _refused(where: str, what: str, remedy: str) -> BadData:
    return _all_refused([Problem(where, what, remedy)])


def _all_refused(problems: list[Problem]) -> BadData:
    first = problems[0]
    return BadData(f"{first.where}: {first.what}", problems, first.remedy)


def _decode(data: bytes, name: str) -> tuple[str, str]:
    """The text and its encoding, in Unicode's composed form (NFC)."""
    for magic, what, remedy in _BINARY:
        if data.startswith(magic):
            raise _refused(name, f"this is {what}, not a text table", remedy)
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not wide and b"\0" in data:
        raise _refused(name, "this is a binary file, not a text table", "save it as CSV in UTF-8")
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding == "cp1252" and _FORBIDDEN.search(text):
            break
        return (text if text.isascii() else unicodedata.normalize("NFC", text)), encoding
    raise _refused(
        name, "this is neither UTF-8, UTF-16 nor Windows-1252 text", "save it as CSV in UTF-8"
    )


def _delimiter(text: str, name: str) -> tuple[str, int]:
    """The delimiter of the header line, and how many lines stand before the table's own."""
    lines = io.StringIO(text[: MOST_CHARACTERS * 100], newline="")
    first, skip = "", 0
    for number, line in enumerate(lines):
        named = re.fullmatch(r'\s*"?sep=([,;\t])"?\s*', line)
        if named and not first:
            return named[1], number + 1
        if line.strip(' \t\r\n,;"'):
            first, skip = line, number
            break
    if not first:
        raise _refused(name, "the file is empty", "export it again")
    bare = re.sub(r'"[^"]*"', "", first)
    best = max("\t;,", key=bare.count)
    if bare.count(best) == 0:
        raise _refused(
            f"{name}, row {skip + 1}",
            "the header has one column only: no comma, semicolon or tab",
            "export the table as CSV, with one column each for sample, nutrient, value, unit",
        )
    return best, skip


def _numbered(text: str, delimiter: str, skip: int, name: str) -> Iterator[tuple[int, list[str]]]:
    """Each non-blank row with the 1-based line it starts on."""
    stream = io.StringIO(text, newline="")
    for _ in range(skip):
        stream.readline()
    reader = csv.reader(stream, delimiter=delimiter, strict=True)
    line = skip + 1
    try:
        for row in reader:
            if any(map(str.strip, row)):
                yield line, row
            line = skip + reader.line_num + 1
    except csv.Error as error:
        what = (
            "a cell is longer than 10,000 characters, or its quote is never closed"
            if "field larger" in str(error) or "unexpected end" in str(error)
            else "a quoted cell goes on after its closing quote"
        )
        raise _refused(f"{name}, row {line}", what, 'check the quotes (") of that row') from None


def _cells(
    text: str, delimiter: str, skip: int, name: str
) -> tuple[tuple[str, ...], list[list[str]], list[int], list[Problem]]:
    numbered = _numbered(text, delimiter, skip, name)
    line, names = next(numbered, (skip + 1, []))
    header, problems = _header(names, f"{name}, row {line}")
    if problems:
        raise _all_refused(problems)
    rows, lines, problems = _body(numbered, header, name, _oddities(text))
    if not rows and not problems:
        raise _refused(name, "there is a header but no row below it", "export the file again")
    return header, rows, lines, problems


def _oddities(text: str) -> bool:
    """True if cells must be looked at one by one: very rare, so the text is searched once."""
    return _FORBIDDEN.search(text) is not None


def _header(names: list[str], where: str) -> tuple[tuple[str, ...], list[Problem]]:
    """The column names with single blanks, without unnamed columns at the end."""
    header = [" ".join(name.split()) for name in names]
    while header and not header[-1]:
        header.pop()
    if not header:
        return (), [Problem(where, "the header is empty", "name the columns in the first row")]
    if len(header) > MOST_COLUMNS:
        what = f"there are {len(header):,} columns, more than 1,000"
        return (), [Problem(where, what, "export one row per result")]
    problems: list[Problem] = []
    first: dict[str, int] = {}
    for place, title in enumerate(header, start=1):
        before = first.setdefault(title.lower(), place)
        if not title:
            problems.append(Problem(where, f"column {place} has no name", "name it"))
        elif before != place:
            what = f"columns {before} and {place} are both named {shown(title)}"
            problems.append(Problem(where, what, "give each column its own name"))
        problems += _cell_problems(title, f"{where}, column {place}")
    return tuple(header), problems


def _cell_problems(cell: str, where: str) -> Iterator[Problem]:
    if len(cell) > MOST_CHARACTERS:
        what = f"the cell has {len(cell):,} characters, more than 10,000"
        yield Problem(where, what, "check the quotes of that row")
    found = control_character(cell)
    if found:
        what = f"the cell has a control character ({found})"
        yield Problem(f"{where} (value {shown(cell)})", what, "type the cell again without it")


def _body(
    numbered: Iterable[tuple[int, list[str]]], header: tuple[str, ...], name: str, odd: bool
) -> tuple[list[list[str]], list[int], list[Problem]]:
    """Sound rows and their lines; equal short cells share one string, which saves memory."""
    rows: list[list[str]] = []
    lines: list[int] = []
    problems: list[Problem] = []
    known: dict[str, str] = {}
    share = known.setdefault
    width = len(header)
    for line, row in numbered:
        while len(row) > width and not row[-1].strip():
            row.pop()
        if len(rows) == MOST_ROWS:
            return (
                rows,
                lines,
                [Problem(name, "there are more than 500,000 rows", "split the file")],
            )
        before = len(problems)
        if len(row) != width:
            problems.append(_ragged(row, header, f"{name}, row {line}"))
        elif odd or max(map(len, row)) > MOST_CHARACTERS:
            for title, cell in zip(header, row, strict=True):
                problems += _cell_problems(cell, f"{name}, row {line}, column {title}")
        if len(problems) >= MOST_PROBLEMS:
            problems.append(Problem(name, "the rows after these were not looked at"))
            break
        if len(problems) > before:
            continue
        rows.append([share(cell, cell) for cell in row] if len(known) < MOST_ROWS else row)
        lines.append(line)
    return rows, lines, problems


def _ragged(row: list[str], header: tuple[str, ...], where: str) -> Problem:
    cells = "1 cell" if len(row) == 1 else f"{len(row):,} cells"
    what = f"the row has {cells}, the header {len(header)}"
    if len(row) < len(header):
        return Problem(f"{where}, column {header[len(row)]}", what, "fill the row up")
    extra = shown(row[len(header)])
    return Problem(
        f"{where}, column {len(header) + 1} (value {extra})",
        what,
        "quote cells that hold the delimiter, such as a decimal comma, or put ; between columns",
    )


def _decimal_comma(rows: list[list[str]]) -> bool:
    """True if numbers of some column need a decimal comma more often than a decimal point."""
    return any(map(_needs_comma, zip(*rows, strict=True)))


def _shows_point(rows: list[list[str]]) -> bool:
    """True if some number can only have a decimal point."""
    return any("." in cell and _ONLY_POINT.match(cell) for row in rows for cell in row)


def _needs_comma(cells: tuple[str, ...]) -> bool:
    commas = sum(1 for cell in cells if "," in cell and _ONLY_COMMA.match(cell))
    if commas == 0:
        return False
    return commas > sum(1 for cell in cells if "." in cell and _ONLY_POINT.match(cell))
