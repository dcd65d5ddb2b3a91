"""Rows of a text file whose cells are divided by commas, semicolons, tabs or upright bars.

The delimiter is the one that divides most of the first lines alike; where two do, the tab, then
the semicolon, then the bar: decimal commas can be as regular as columns. A first line `sep=;`,
which spreadsheets write, names it and is no row. Quotes follow RFC 4180, and a quote gone wrong is
refused. Tabs and line breaks inside a quoted cell are kept.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Iterator

from logbook.errors import UserMistake
from logbook.labs import grid
from logbook.labs.grid import Cells, Progress, cell_flaws, refused, shown

DELIMITERS = "\t;|,"
_LOOKED_AT = 100_000
_MOST_LINES = 200
_MOST_DELIMITERS = 50_000
_MOST_LINE = 10_000_000
_LINE = re.compile(r"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+")
_NAMED = {"tab": "\t", "comma": ",", "semicolon": ";", "bar": "|", "\\t": "\t"}


def split(
    text: str, name: str, delimiter: str | None = None, progress: Progress | None = None
) -> Cells:
    """The rows of a text, each as long as it was written; blank rows at the end are dropped.

    `name` is the file's in messages; `delimiter` overrules the one that would be found. Raises
    BadData for too many rows, columns or cells, and for quotes that never close.
    """
    asked = None if delimiter is None else _asked(delimiter)
    found, skip = _delimiter(text, name)
    cells = Cells(delimiter=asked or found)
    numbered = _numbered(text, cells.delimiter or ",", skip, name, progress)
    _read(cells, numbered, name, _is_odd(text))
    return cells


def _asked(delimiter: str) -> str:
    found = _NAMED.get(delimiter.lower(), delimiter)
    if found not in tuple(DELIMITERS):
        raise UserMistake(
            f"there is no delimiter {shown(delimiter)}", "one of comma, semicolon, tab, bar"
        )
    return found


def _is_odd(text: str) -> bool:
    """True if cells must be looked at one by one: very rare, so the text is searched once."""
    return grid.FORBIDDEN.search(text) is not None


def _delimiter(text: str, name: str) -> tuple[str | None, int]:
    """The delimiter, and how many lines stand before the first row; None without any."""
    start = text[:_LOOKED_AT]
    if named := re.match(r'[ \t\r\n]*"?sep=([,;|\t])"?[ \t]*(?:\r\n?|\n|\Z)', start):
        return named[1], len(re.findall(r"\r\n?|\n", named[0]))
    if not text.strip(' \t\r\n",;|'):
        raise refused(name, "the file is empty", "export it again")
    lines = re.split(r"[\r\n]+", re.sub(r'"[^"]*"', "", start))
    best, most = None, 0
    for delimiter in DELIMITERS:
        counts = Counter(line.count(delimiter) for line in lines[:_MOST_LINES])
        counts.pop(0, None)
        alike = max(counts.values(), default=0)
        if alike > most:
            best, most = delimiter, alike
    return best, 0


def _numbered(
    text: str, delimiter: str, skip: int, name: str, progress: Progress | None
) -> Iterator[tuple[int, list[str]]]:
    """Each row with the 1-based line it starts on."""
    at = count = 0

    def lines() -> Iterator[str]:
        # Texts of a row are made all at once, so they are counted before.
        nonlocal at, count
        for found in itertools.islice(_LINE.finditer(text), skip, None):
            if found.end() - found.start() > _MOST_LINE:
                what = f"the line is longer than {_MOST_LINE:,} characters"
                raise refused(f"{name}, row {line}", what, 'check the quotes (") of that row')
            at = found.end()
            count += found[0].count(delimiter)
            if count > _MOST_DELIMITERS:
                raise grid.too_many_columns(f"{name}, row {line}", count)
            yield found[0]

    line = skip + 1
    reader = csv.reader(lines(), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            count = 0
            if progress is not None and line % 5_000 == 0:
                progress(at / len(text))
            yield line, row
            line = skip + reader.line_num + 1
    except csv.Error as error:
        what = (
            "a cell is longer than 10,000 characters, or its quote is never closed"
            if "field larger" in str(error) or "unexpected end" in str(error)
            else "a quoted cell goes on after its closing quote"
        )
        raise refused(f"{name}, row {line}", what, 'check the quotes (") of that row') from None


def _read(cells: Cells, numbered: Iterator[tuple[int, list[str]]], name: str, odd: bool) -> None:
    """Keep rows and lines; equal cells share one string, which saves memory."""
    rows, lines = cells.rows, cells.lines
    known: dict[str, str] = {}
    share = known.setdefault
    blank: list[int] = []
    count = 0
    for line, row in numbered:
        if not any(map(str.strip, row)):
            blank.append(line)
            if len(blank) > grid.MOST_ROWS:
                raise grid.too_many_rows(name)
            continue
        if blank:
            rows += [[] for _ in blank]
            lines += blank
            blank = []
        if len(rows) >= grid.MOST_ROWS:
            raise grid.too_many_rows(name)
        if len(row) > grid.MOST_COLUMNS:
            _shorten(row, f"{name}, row {line}")
        count += len(row)
        if count > grid.MOST_CELLS:
            raise grid.too_many_cells(name)
        rows.append([share(cell, cell) for cell in row] if len(known) < grid.MOST_ROWS else row)
        lines.append(line)
        if (odd or max(map(len, row)) > grid.MOST_CHARACTERS) and not _sound(cells, row):
            return


def _shorten(row: list[str], where: str) -> None:
    """Drop the blank cells beyond the last column that is read; refuse any other."""
    while row and not row[-1].strip():
        row.pop()
    if len(row) > grid.MOST_COLUMNS:
        raise grid.too_many_columns(where, len(row))


def _sound(cells: Cells, row: list[str]) -> bool:
    """Note what is wrong with a row's cells; False when there is more than can be told."""
    for column, cell in enumerate(row):
        cells.flaws += cell_flaws(cell, len(cells.rows) - 1, column)
    return len(cells.flaws) < grid.MOST_PROBLEMS
