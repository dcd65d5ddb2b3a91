"""A laboratory's table into results, or every reason why not: a row per result, or per sample.

Rules:

1. A row names its sample (a code of ours), nutrient, value, unit and method; optional columns
   are basis, report, lab, limit, qualifier, run, repeat and the laboratory's own number of the
   sample. Columns are found by the trade's names.
2. Nothing is guessed: a wrong cell is a problem with file, row, column, value and remedy, and all
   problems of the file come at once. A code with a right check symbol that this book does not
   know yet is accepted as waiting; a wrong code is refused with the nearest known ones.
3. The canonical value stands beside the cell as it was written. `<0.5` keeps its limit and has no
   value; a non-detect whose limit neither the file nor the person says waits for it.
4. Equal keys within a file are repeats 1, 2, .. of one analysis, in the order of the file, and a
   note names their rows. In another form or unit (NO3 beside NO3-N) they are refused: that is
   the same measurement printed twice, not a second one. Repeats of one analysis are all numbered
   by the file or none is: each row that is accepted has a key of its own.
5. A wide table (a row per sample, a column per nutrient) is turned into a long one first (`wide`),
   and then read by the same rules; its problems name the cells of the file itself.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from logbook.errors import Problem
from logbook.labs import wide
from logbook.labs.cells import (
    Beside,
    Flaw,
    Kind,
    Origin,
    Reading,
    measured_value,
    new_kind,
    new_origin,
    new_sample,
    plain_value,
    text_of,
)
from logbook.labs.columns import NEEDED, find_columns, picker
from logbook.labs.marks import Marks
from logbook.labs.reader import Table, shown
from logbook.labs.uncoded import uncoded
from logbook.trial import codes
from logbook.trial.records import Result

MOST_NOTES = 50
_POINT = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9})?").fullmatch
_UNDOUBTED = re.compile(r"[0-9]{1,9}(?:\.(?:[0-9]{1,2}|[0-9]{4,9}))?").fullmatch
_COMMA = re.compile(r"[0-9]{1,9}(?:,[0-9]{1,9})?").fullmatch


@dataclass(frozen=True)
class Parsed:
    """What a file holds. With any problem nothing of it may be recorded.

    `waiting` are valid sample codes that the book does not know yet, in the file's order; `notes`
    are sentences for the person, such as which rows were taken as repeats.
    """

    results: list[Result]
    problems: list[Problem]
    waiting: list[str]
    notes: list[str]


def parse_long(
    table: Table, known_codes: Collection[str], *, lab: str | None, report: str | None
) -> Parsed:
    """The results of a long table; `known_codes` are the sample codes of the book.

    `lab` and `report` fill in what the file does not say; a report without a number is named by
    the first 12 hex digits of the file's SHA-256, so that every machine names it alike. Values
    are exact (24 digits); nothing is raised for bad data, see `Parsed.problems`.
    """
    beside = Beside(frozenset(known_codes), lab, report)
    return _parsed(table, *find_columns(table), beside)


def parse_report(
    table: Table,
    beside: Beside,
    *,
    methods: Sequence[str] = (),
    skip: Sequence[str] = (),
) -> Parsed:
    """The results of a table in either shape, long or wide; the header tells which.

    `methods` ("P=Mehlich-3") and `skip` (column names) say what a wide table leaves open (see
    `wide`); `beside` is what is known beside the file.
    """
    skipped, problems = wide.named_columns(table, skip)
    shape, found = wide.shape(table, skipped)
    problems += found
    if shape == "wide":
        options = wide.Options(tuple(methods), skipped, beside.followed)
        long, wrong = wide.as_long(table, options)
        if long is None or problems:
            return Parsed([], [*problems, *wrong], [], [])
        parsed = _parsed(long, long.columns, wrong, beside)
        return replace(parsed, problems=wide.reworded(parsed.problems), notes=_and(long, parsed))
    if shape == "long" and methods:
        what = f"--method {shown(methods[0])} is for a table with a column per nutrient"
        problems.append(Problem(table.file, what, "this one names the method in each row"))
    if problems:
        return Parsed([], problems, [], [])
    return _parsed(table, *find_columns(table, skipped), beside, skipped)


def codes_in(table: Table, skip: Sequence[str] = ()) -> set[str]:
    """The valid sample codes of a table in either shape, before anything else of it is read.

    skip: columns that are left out.
    """
    skipped, _ = wide.named_columns(table, skip)
    columns, _ = find_columns(table, skipped, ("sample",), ())
    place = columns.get("sample")
    cells = set() if place is None else {row[place] for row in table.rows}
    return {code for code in map(codes.tidy, cells) if codes.is_valid(code)}


def _and(long: wide.Long, parsed: Parsed) -> list[str]:
    return [*parsed.notes, *long.notes]


def parse_understood(
    table: Table,
    columns: dict[str, int],
    beside: Beside,
    kinds: Mapping[object, Kind],
    marks: Marks,
) -> Parsed:
    """The results of a long table whose columns, kinds of rows and marks a profile explains."""
    return _parsed(table, columns, [], beside, kinds=kinds, marks=marks)


def _parsed(
    table: Table,
    columns: dict[str, int],
    problems: list[Problem],
    beside: Beside,
    skipped: Collection[int] = (),
    *,
    kinds: Mapping[object, Kind] | None = None,
    marks: Marks | None = None,
) -> Parsed:
    """The results of a table whose columns are known; `problems` are what is wrong with them."""
    if beside.lab is None and "lab" not in columns:
        what = "the file does not name its laboratory"
        problems.append(Problem(table.file, what, "add --lab NAME"))
    if any(role not in columns for role in NEEDED):
        return Parsed([], problems, [], [])
    reading = Reading(table, columns, beside, beside.report or table.sha256[:12])
    reading.problems, reading.marks = problems, marks
    reading.kinds |= kinds or {}
    if (none := uncoded(reading)) is not None:
        reading.uncoded = True
        problems.append(none)
    _read_rows(reading)
    _refuse_half_numbered(reading)
    reading.say_alike()
    if beside.renumbered and len(reading.numbers) > 1:
        several = " and ".join(map(shown, reading.numbers))
        what = f"the file has reports {several}: they cannot all be {shown(reading.report)}"
        problems.append(Problem(table.file, what, "split the file, one report each"))
    if reading.unshown:
        what = f"{reading.unshown:,} more cells are wrong and not listed"
        problems.append(Problem(table.file, what))
    return Parsed(reading.results, problems, list(reading.waiting), _notes(reading, skipped))


def _read_rows(reading: Reading) -> None:
    """One pass; each distinct combination of cells is understood once, plain numbers quickly."""
    columns, comma = reading.columns, reading.table.decimal_comma
    sample_at, value_at = columns["sample"], columns["value"]
    kind_cells = picker(columns, "nutrient", "unit", "method", "basis")
    origin_cells = picker(columns, "lab", "report", "run", "repeat", "laboratory_number")
    is_plain = _COMMA if comma else _POINT
    if reading.table.point_doubtful and not comma:
        is_plain = _UNDOUBTED
    kinds, origins, samples = reading.kinds, reading.origins, reading.samples
    qualified = "qualifier" in columns
    for at, row in enumerate(reading.table.rows):
        kind_key, origin_key, cell = kind_cells(row), origin_cells(row), row[value_at]
        kind = kinds.get(kind_key) or new_kind(reading, kind_key, row)
        origin = origins.get(origin_key) or new_origin(reading, origin_key, row)
        code = samples.get(row[sample_at]) or new_sample(reading, row[sample_at])
        if not (isinstance(kind, Kind) and isinstance(origin, Origin) and isinstance(code, str)):
            _refuse_row(reading, at, kind, origin, code)
            continue
        value: Decimal | None
        if is_plain(cell) and not qualified and (value := plain_value(cell, kind)) <= kind.most:
            limit, side, flags = None, "", ""
        else:
            measured = measured_value(reading, row, kind)
            if isinstance(measured, Flaw):
                reading.refuse(at, measured)
                continue
            value, limit, side = measured.value, measured.limit, measured.qualifier
            flags = measured.flags
        n = _repeat_number(reading, at, code, kind, origin)
        if isinstance(n, Flaw):
            reading.refuse(at, n)
            continue
        reading.results.append(
            Result(
                origin.lab, origin.report, code, kind.analyte.name, kind.method, kind.basis,
                origin.run, n, value, limit, side, kind.analyte.unit, cell.strip(), kind.unit,
                kind.form, flags, origin.number,
            )
        )  # fmt: skip


def _refuse_row(
    reading: Reading,
    at: int,
    kind: Kind | list[Flaw],
    origin: Origin | list[Flaw],
    code: str | Flaw,
) -> None:
    """Every problem of a row whose value cannot be kept, the value's own included."""
    if isinstance(code, Flaw) and not reading.uncoded:
        reading.refuse(at, code)
    for flaw in kind if isinstance(kind, list) else ():
        reading.refuse_kind(at, flaw)
    flaws = origin if isinstance(origin, list) else []
    measured = measured_value(reading, reading.table.rows[at], kind)
    for flaw in [*flaws, measured] if isinstance(measured, Flaw) else flaws:
        reading.refuse(at, flaw)


def _repeat_number(reading: Reading, at: int, code: str, kind: Kind, origin: Origin) -> int | Flaw:
    """1 for the first row of its key, then 2, 3, .. - or the file's own number, if it has one."""
    key = (code, kind.series, origin.lab, origin.report, origin.run, origin.n)
    if "repeat" in reading.columns:
        reading.numbering.setdefault(key[:-1], []).append((at, origin.n))
    before = reading.first.setdefault(key, at)
    if before == at:
        return origin.n or 1
    table, columns = reading.table, reading.columns
    if origin.n is not None:
        what = f"row {table.lines[before]} already has repeat {origin.n} of this analysis"
        return Flaw(columns["repeat"], what, "number the repeats 1, 2, 3 ..")
    for role in ("nutrient", "unit"):
        if text_of(reading, table.rows[before], role) != text_of(reading, table.rows[at], role):
            what = f"row {table.lines[before]} gives the same analysis in another {role}"
            return Flaw(columns[role], what, "keep one of the rows, or add a column 'repeat'")
    rows = reading.repeats.setdefault(key, [before])
    rows.append(at)
    return len(rows)


def _refuse_half_numbered(reading: Reading) -> None:
    """A blank and a number among the repeats of one analysis: which repeat is the blank one?"""
    for rows in reading.numbering.values():
        if 0 < sum(n is None for _, n in rows) < len(rows):
            what = (
                f"{_listed(reading, [at for at, _ in rows])} are repeats of one analysis, some of "
                "them numbered and some not"
            )
            blank = next(at for at, n in rows if n is None)
            remedy = "number all of them 1, 2, 3 .., or none"
            reading.refuse(blank, Flaw(reading.columns["repeat"], what, remedy))


def _listed(reading: Reading, rows: list[int]) -> str:
    """`rows 2, 4 and 5`."""
    lines = [str(reading.table.lines[at]) for at in rows[:20]]
    return f"rows {', '.join(lines[:-1])} and {lines[-1]}"


def _notes(reading: Reading, skipped: Collection[int]) -> list[str]:
    """What the person should know although nothing is wrong."""
    table, used = reading.table, {*reading.columns.values(), *skipped}
    notes = []
    if table.encoding == "cp1252":
        notes.append(f"{table.file} is not UTF-8: it was read as Windows-1252")
    ignored = [title for place, title in enumerate(table.header) if place not in used]
    if ignored:
        notes.append(f"columns not used: {', '.join(ignored[:20])}")
    for name, known in reading.respelled.items():
        notes.append(f"{shown(name)} is taken as {shown(known)}, as it is written here")
    if reading.unnamed_basis:
        notes.append("the basis is not named: taken as dry")
    for key, rows in list(reading.repeats.items())[:MOST_NOTES]:
        nutrient = text_of(reading, table.rows[rows[0]], "nutrient")
        listed = _listed(reading, rows)
        notes.append(f"{listed} are repeats of one analysis: {key[0]}, {nutrient}")
    if len(reading.repeats) > MOST_NOTES:
        notes.append(f"and {len(reading.repeats) - MOST_NOTES:,} more analyses with repeats")
    return notes
