"""A laboratory's long table (a row per result) into results, or every reason why not.

Rules:

1. A row names its sample (a code of ours), nutrient, value, unit and method; optional columns
   are basis, report, lab, limit, qualifier, run and repeat. Columns are found by the trade's names.
2. Nothing is guessed: a wrong cell is a problem with file, row, column, value and remedy, and all
   problems of the file come at once. A code with a right check symbol that this book does not
   know yet is accepted as waiting; a wrong code is refused with the nearest known ones.
3. The canonical value stands beside the cell as it was written. `<0.5` keeps its limit and has no
   value; a non-detect without a limit is refused.
4. Equal keys within a file are repeats 1, 2, .. of one analysis, in the order of the file, and a
   note names their rows. In another form or unit (NO3 beside NO3-N) they are refused: that is
   the same measurement printed twice, not a second one.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from logbook.errors import Problem, UserMistake
from logbook.labs.columns import NEEDED, find_columns, picker
from logbook.labs.reader import MOST_PROBLEMS, Table, shown
from logbook.trial import chemistry, codes, units
from logbook.trial.chemistry import Analyte
from logbook.trial.records import Result

MOST_NOTES = 50
_MOST_TEXT = 80
_MOST_GUESSES = 50

_BASES = {
    "dry": "|dry|dry basis|dry soil|dry weight|dw|dm|oven dry",
    "moist": "moist|moist basis|as received|as is|wet|fresh|fresh weight|fw|field moist",
}
_BASIS = {word: basis for basis, words in _BASES.items() for word in words.split("|")}
_POINT = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,9})?").fullmatch
_COMMA = re.compile(r"[0-9]{1,9}(?:,[0-9]{1,9})?").fullmatch
_AS_NUMBER = re.compile(r"[0-9][0-9.,]*E\+?[0-9]+", re.IGNORECASE)


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


@dataclass(frozen=True)
class _Flaw:
    """Something wrong with one column's cell, before it is known in which row."""

    column: int
    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class _Kind:
    """What rows of the same nutrient, unit, method and basis have in common."""

    series: int
    analyte: Analyte
    method: str
    basis: str
    factor: Fraction | None
    most: Decimal
    form: str
    unit: str


@dataclass(frozen=True, slots=True)
class _Origin:
    """Where rows come from: laboratory, report, run; `n` if the file numbers its repeats."""

    lab: str
    report: str
    run: int
    n: int | None


@dataclass
class _Reading:
    """The state of one pass over a table: caches per distinct cell, and what was found."""

    table: Table
    columns: dict[str, int]
    known: frozenset[str]
    lab: str
    report: str
    kinds: dict[object, _Kind | list[_Flaw]] = field(default_factory=dict)
    origins: dict[object, _Origin | list[_Flaw]] = field(default_factory=dict)
    samples: dict[str, str | _Flaw] = field(default_factory=dict)
    series: dict[tuple[str, str, str], int] = field(default_factory=dict)
    first: dict[tuple[object, ...], int] = field(default_factory=dict)
    repeats: dict[tuple[object, ...], list[int]] = field(default_factory=dict)
    waiting: dict[str, None] = field(default_factory=dict)
    results: list[Result] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    unshown: int = 0
    guesses: int = 0

    def refuse(self, row: int, flaw: _Flaw) -> None:
        """Keep a problem with its place, or only count it when there are too many to keep."""
        if len(self.problems) < MOST_PROBLEMS:
            where = self.table.where(row, flaw.column)
            self.problems.append(Problem(where, flaw.what, flaw.remedy))
        else:
            self.unshown += 1


def parse_long(
    table: Table, known_codes: Collection[str], *, lab: str | None, report: str | None
) -> Parsed:
    """The results of a long table; `known_codes` are the sample codes of the book.

    `lab` and `report` fill in what the file does not say; a report without a number is named by
    the first 12 hex digits of the file's SHA-256, so that every machine names it alike. Values
    are exact (24 digits); nothing is raised for bad data, see `Parsed.problems`.
    """
    columns, problems = find_columns(table)
    if lab is None and "lab" not in columns:
        what = "the file does not name its laboratory"
        problems.append(Problem(table.file, what, "add --lab NAME"))
    if any(role not in columns for role in NEEDED):
        return Parsed([], problems, [], [])
    number = report or table.sha256[:12]
    reading = _Reading(table, columns, frozenset(known_codes), lab or "", number)
    reading.problems = problems
    _read_rows(reading)
    if reading.unshown:
        what = f"{reading.unshown:,} more cells are wrong and not listed"
        problems.append(Problem(table.file, what))
    return Parsed(reading.results, problems, list(reading.waiting), _notes(reading))


def _read_rows(reading: _Reading) -> None:
    """One pass; each distinct combination of cells is understood once, plain numbers quickly."""
    columns, comma = reading.columns, reading.table.decimal_comma
    sample_at, value_at = columns["sample"], columns["value"]
    kind_cells = picker(columns, "nutrient", "unit", "method", "basis")
    origin_cells = picker(columns, "lab", "report", "run", "repeat")
    is_plain = _COMMA if comma else _POINT
    kinds, origins, samples = reading.kinds, reading.origins, reading.samples
    qualified = "qualifier" in columns
    for at, row in enumerate(reading.table.rows):
        kind_key, origin_key, cell = kind_cells(row), origin_cells(row), row[value_at]
        kind = kinds.get(kind_key) or _new_kind(reading, kind_key, row)
        origin = origins.get(origin_key) or _new_origin(reading, origin_key, row)
        code = samples.get(row[sample_at]) or _new_sample(reading, row[sample_at])
        if not (isinstance(kind, _Kind) and isinstance(origin, _Origin) and isinstance(code, str)):
            _refuse_row(reading, at, kind, origin, code)
            continue
        value: Decimal | None
        if is_plain(cell) and not qualified and (value := _plain(cell, kind)) <= kind.most:
            limit, side = None, ""
        else:
            measured = _measured(reading, row, kind)
            if isinstance(measured, _Flaw):
                reading.refuse(at, measured)
                continue
            value, limit, side = measured.value, measured.limit, measured.qualifier
        n = _repeat_number(reading, at, code, kind, origin)
        if isinstance(n, _Flaw):
            reading.refuse(at, n)
            continue
        reading.results.append(
            Result(
                origin.lab, origin.report, code, kind.analyte.name, kind.method, kind.basis,
                origin.run, n, value, limit, side, kind.analyte.unit, cell.strip(), kind.unit,
                kind.form,
            )
        )  # fmt: skip


def _cell(reading: _Reading, row: list[str], role: str) -> str:
    """The row's cell of that role with single blanks; empty without such a column."""
    place = reading.columns.get(role)
    return "" if place is None else " ".join(row[place].split())


def _flaw(reading: _Reading, role: str, error: UserMistake) -> _Flaw:
    return _Flaw(reading.columns[role], error.message, error.hint)


def _new_kind(reading: _Reading, key: object, row: list[str]) -> _Kind | list[_Flaw]:
    """Understand a combination of nutrient, unit, method and basis seen for the first time."""
    flaws: list[_Flaw] = []
    method, basis = _method(reading, row, flaws), _basis(reading, row, flaws)
    named = _named(reading, row, flaws)
    unit = None if named is None else _unit(reading, row, named[0], flaws)
    if flaws or named is None or unit is None:
        reading.kinds[key] = flaws
        return flaws
    analyte, share = named
    factor = chemistry.canonical_factor(unit, analyte, share)
    kind = _Kind(
        series=reading.series.setdefault((analyte.name, method, basis), len(reading.series)),
        analyte=analyte,
        method=method,
        basis=basis,
        factor=None if factor == 1 else factor,
        most=chemistry.most_possible(analyte),
        form=_cell(reading, row, "nutrient"),
        unit=_cell(reading, row, "unit"),
    )
    reading.kinds[key] = kind
    return kind


def _named(
    reading: _Reading, row: list[str], flaws: list[_Flaw]
) -> tuple[Analyte, Fraction] | None:
    text = _cell(reading, row, "nutrient")
    try:
        if not text:
            raise UserMistake("there is no nutrient", "name it, such as NO3-N")
        analyte, share = chemistry.find_analyte(text)
        if analyte.name == "mineral-N":
            raise UserMistake(
                "mineral-N is not imported: it is the sum of nitrate-N and ammonium-N",
                "give those two, each in its own row",
            )
    except UserMistake as error:
        flaws.append(_flaw(reading, "nutrient", error))
        return None
    return analyte, share


def _unit(reading: _Reading, row: list[str], analyte: Analyte, flaws: list[_Flaw]) -> str | None:
    text = _cell(reading, row, "unit")
    if not text and analyte.dimension == "acidity":
        return analyte.unit
    try:
        if not text:
            raise UserMistake("there is no unit", f"write the laboratory's, such as {analyte.unit}")
        return chemistry.read_unit(text, analyte)
    except UserMistake as error:
        flaws.append(_flaw(reading, "unit", error))
        return None


def _method(reading: _Reading, row: list[str], flaws: list[_Flaw]) -> str:
    text = _cell(reading, row, "method")
    if not text:
        what = "there is no method, and without one nothing can be compared"
        flaws.append(_Flaw(reading.columns["method"], what, "name the extractant or procedure"))
    _check_length(reading, "method", text, flaws)
    return chemistry.method_name(text)


def _basis(reading: _Reading, row: list[str], flaws: list[_Flaw]) -> str:
    text = _cell(reading, row, "basis")
    basis = _BASIS.get(text.lower())
    if basis is None:
        what = f"{shown(text)} is not a basis"
        flaws.append(_Flaw(reading.columns["basis"], what, "write dry or moist"))
    return basis or ""


def _check_length(reading: _Reading, role: str, text: str, flaws: list[_Flaw]) -> None:
    if len(text) > _MOST_TEXT:
        what = f"the {role} has {len(text)} characters, more than {_MOST_TEXT}"
        flaws.append(_Flaw(reading.columns[role], what, "shorten it"))


def _new_origin(reading: _Reading, key: object, row: list[str]) -> _Origin | list[_Flaw]:
    """Understand a combination of laboratory, report, run and repeat seen for the first time."""
    flaws: list[_Flaw] = []
    lab = _cell(reading, row, "lab") or reading.lab
    if not lab and "lab" in reading.columns:
        remedy = "fill it in, or add --lab NAME"
        flaws.append(_Flaw(reading.columns["lab"], "there is no laboratory", remedy))
    report = _cell(reading, row, "report") or reading.report
    for role, text in (("lab", lab), ("report", report)):
        if role in reading.columns:
            _check_length(reading, role, text, flaws)
    run = _count(reading, row, "run", flaws) or 1
    origin = _Origin(lab, report, run, _count(reading, row, "repeat", flaws))
    reading.origins[key] = flaws or origin
    return flaws or origin


def _count(reading: _Reading, row: list[str], role: str, flaws: list[_Flaw]) -> int | None:
    text = _cell(reading, row, role)
    if not text:
        return None
    if re.fullmatch("[1-9][0-9]{0,2}", text):
        return int(text)
    what = f"the {role} must be a whole number from 1 to 999"
    flaws.append(_Flaw(reading.columns[role], what, "write 1, 2, 3 .."))
    return None


def _new_sample(reading: _Reading, cell: str) -> str | _Flaw:
    """The code in a cell seen for the first time; a valid one may still wait for its pull."""
    code = codes.tidy(cell)
    wrong = codes.flaw(code)
    found = _wrong_code(reading, cell, wrong) if wrong else code
    if not wrong and code not in reading.known:
        reading.waiting[code] = None
    reading.samples[cell] = found
    return found


def _wrong_code(reading: _Reading, cell: str, wrong: str) -> _Flaw:
    """Candidates are looked for only as often as a person would read them."""
    column = reading.columns["sample"]
    if not cell.strip():
        remedy = "fill it in, or take the row out"
        return _Flaw(column, "there is no sample code", remedy)
    if _AS_NUMBER.fullmatch(cell.strip()):
        what = "a spreadsheet has turned the sample code into a number"
        return _Flaw(column, what, "make that column text and export the file again")
    reading.guesses += 1
    near = codes.candidates(cell, reading.known) if reading.guesses <= _MOST_GUESSES else []
    remedy = f"is it {' or '.join(near)}?" if near else "copy the code from the label"
    return _Flaw(column, f"this is not a sample code: {wrong}", remedy)


def _refuse_row(
    reading: _Reading,
    at: int,
    kind: _Kind | list[_Flaw],
    origin: _Origin | list[_Flaw],
    code: str | _Flaw,
) -> None:
    """Every problem of a row whose value cannot be kept, the value's own included."""
    flaws = [code] if isinstance(code, _Flaw) else []
    for part in (kind, origin):
        flaws += part if isinstance(part, list) else []
    measured = _measured(reading, reading.table.rows[at], kind)
    for flaw in [*flaws, measured] if isinstance(measured, _Flaw) else flaws:
        reading.refuse(at, flaw)


def _plain(cell: str, kind: _Kind) -> Decimal:
    """The canonical value of digits with at most one decimal mark."""
    value = Decimal(cell.replace(",", "."))
    if kind.factor is not None:
        return units.scale(value, kind.factor)
    return units.tidied(value) if cell[-1] == "0" else value


def _measured(
    reading: _Reading, row: list[str], kind: _Kind | list[_Flaw]
) -> chemistry.Measured | _Flaw:
    """Any other cell, by the full rules; only its form is checked while its kind is not known."""
    try:
        cell = _with_qualifier(reading, row)
        limit = _cell(reading, row, "limit")
        read = chemistry.parse_cell(cell, limit, reading.table.decimal_comma)
        if isinstance(kind, list):
            return read
        value, bound = (_canonical(number, kind) for number in (read.value, read.limit))
    except UserMistake as error:
        return _flaw(reading, "value", error)
    return chemistry.Measured(value, bound, read.qualifier)


def _with_qualifier(reading: _Reading, row: list[str]) -> str:
    """The value cell with the sign that stands in a column of its own."""
    cell, sign = _cell(reading, row, "value"), _cell(reading, row, "qualifier")
    if sign in ("", "=") or cell.startswith(sign):
        return cell
    if sign in ("<", ">", "<=", ">=", "≤", "≥"):
        return f"{sign}{cell}"
    raise UserMistake(
        f"its qualifier {shown(sign)} is not understood here", "only < and > are: clear it up first"
    )


def _canonical(value: Decimal | None, kind: _Kind) -> Decimal | None:
    if value is None:
        return None
    canonical = units.scale(value, kind.factor or Fraction(1))
    chemistry.check_range(canonical, kind.analyte)
    return canonical


def _repeat_number(
    reading: _Reading, at: int, code: str, kind: _Kind, origin: _Origin
) -> int | _Flaw:
    """1 for the first row of its key, then 2, 3, .. - or the file's own number, if it has one."""
    key = (code, kind.series, origin.lab, origin.report, origin.run, origin.n)
    before = reading.first.setdefault(key, at)
    if before == at:
        return origin.n or 1
    table, columns = reading.table, reading.columns
    if origin.n is not None:
        what = f"row {table.lines[before]} already has repeat {origin.n} of this analysis"
        return _Flaw(columns["repeat"], what, "number the repeats 1, 2, 3 ..")
    for role in ("nutrient", "unit"):
        if _cell(reading, table.rows[before], role) != _cell(reading, table.rows[at], role):
            what = f"row {table.lines[before]} gives the same analysis in another {role}"
            return _Flaw(columns[role], what, "keep one of the rows, or add a column 'repeat'")
    rows = reading.repeats.setdefault(key, [before])
    rows.append(at)
    return len(rows)


def _notes(reading: _Reading) -> list[str]:
    """What the person should know although nothing is wrong."""
    table, used = reading.table, set(reading.columns.values())
    notes = []
    if table.encoding == "cp1252":
        notes.append(f"{table.file} is not UTF-8: it was read as Windows-1252")
    ignored = [title for place, title in enumerate(table.header) if place not in used]
    if ignored:
        notes.append(f"columns not used: {', '.join(ignored[:20])}")
    for key, rows in list(reading.repeats.items())[:MOST_NOTES]:
        lines = [str(table.lines[at]) for at in rows[:20]]
        listed = f"{', '.join(lines[:-1])} and {lines[-1]}"
        nutrient = _cell(reading, table.rows[rows[0]], "nutrient")
        notes.append(f"rows {listed} are repeats of one analysis: {key[0]}, {nutrient}")
    if len(reading.repeats) > MOST_NOTES:
        notes.append(f"and {len(reading.repeats) - MOST_NOTES:,} more analyses with repeats")
    return notes
