"""A column of samples that holds no code at all: one thing is wrong, not one in each row."""

from __future__ import annotations

from collections.abc import Callable, Collection
from operator import itemgetter

from logbook.errors import Problem
from logbook.labs.cells import AS_NUMBER, MOST_GUESSES, Reading
from logbook.labs.columns import IN_A_PROFILE, is_sample
from logbook.labs.reader import Table, shown
from logbook.trial import codes


def uncoded(reading: Reading) -> Problem | None:
    """That no cell of the column of samples is a code, and where codes of the book stand instead.

    None if some cell is, or may be, one: then what is wrong is told row by row.
    """
    table, column = reading.table, reading.columns["sample"]
    known = reading.beside.codes
    if not table.rows or not table.of_a_file:
        return None
    # In any usual file the first cell ends this.
    if any(_is_code(row[column], reading) for row in table.rows):
        return None
    rows = len(set(table.lines))
    place, title, count = _with_most(table, known.__contains__)
    if not count:
        if _may_be_codes({row[column] for row in table.rows}, known):
            return None
        # Codes of samples that were pulled on another machine; here and there one is chance.
        place, title, count = _with_most(table, codes.is_valid)
        count = count if 2 * count > rows else 0
    many = f"{rows:,} row{'s' * (rows != 1)}"
    what = f"no cell of this column holds a sample code of this book ({many})"
    if not count:
        remedy = "are these samples of this book, and is it the column of their codes?"
    elif reading.marks is not None:
        name = title or f"at {place}"
        remedy = f"{_holds(name, count)}: sample = {shown(name)} in [columns] of the profile"
    elif is_sample(title):
        skip = shown(table.heading(column))
        remedy = f"{_holds(title, count)}: --skip {skip}, and not that one"
    else:
        remedy = f"{_holds(title, count)}: {IN_A_PROFILE}"
    return Problem(table.where(0, column), what, remedy)


def _may_be_codes(cells: Collection[str], known: Collection[str]) -> bool:
    """Whether cells are codes with a slip: a single one, or of several any of the first."""
    return len(cells) < 2 or any(
        AS_NUMBER.fullmatch(one.strip()) or codes.candidates(one, known)
        for one in sorted(cells)[:MOST_GUESSES]
    )


def _holds(title: str, count: int) -> str:
    return f"column {shown(title)} holds sample codes in {count:,} row{'s' * (count != 1)}"


def _is_code(cell: str, reading: Reading) -> bool:
    code = codes.tidy(cell)
    return code in reading.beside.codes or codes.is_valid(code)


def _with_most(table: Table, is_meant: Callable[[str], bool]) -> tuple[str, str, int]:
    """The column with the most codes that are meant: its letters, its heading, how many."""
    found = [
        (sum(is_meant(codes.tidy(cell)) for cell in cells), place, title)
        for place, title, cells in table.file_columns()
    ]
    count, place, title = max(found, key=itemgetter(0))
    return place, title, count
