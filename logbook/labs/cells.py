"""What the cells of a laboratory's long table mean: each distinct one is understood once.

A `Reading` is the state of one pass over a table. The functions here turn a cell, or a combination
of cells, seen for the first time into what it stands for, or into its flaws; `importer` puts the
results together.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction

from logbook.errors import Problem, UserMistake
from logbook.labs.columns import IN_A_PROFILE
from logbook.labs.marks import Marks
from logbook.labs.reader import MOST_PROBLEMS, Table, shown
from logbook.trial import chemistry, codes, contents, units
from logbook.trial.chemistry import Analyte
from logbook.trial.records import Result

MOST_TEXT = 80
MOST_GUESSES = 50

_BASES = {
    "dry": "|dry|dry basis|dry soil|dry matter|dry weight|dw|dm|ts|tm|trockenmasse|oven dry",
    "moist": "moist|moist basis|as received|as is|wet|fresh|fresh weight|fw|fm|frischmasse|"
    "field moist",
}
BASES = {word: basis for basis, words in _BASES.items() for word in words.split("|")}
AS_NUMBER = re.compile(r"[0-9][0-9.,]*E\+?[0-9]+", re.IGNORECASE)


@dataclass(frozen=True)
class Flaw:
    """Something wrong with one column's cell, before it is known in which row."""

    column: int
    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Kind:
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
class Origin:
    """Where rows come from: laboratory, report, run; `n` if the file numbers its repeats.

    `number` is what the laboratory calls the sample.
    """

    lab: str
    report: str
    run: int
    n: int | None
    number: str


@dataclass(frozen=True)
class Beside:
    """What is known beside the file: from the person, and from the book.

    `codes` are sample codes that the book knows, `refused` those that no result may name, with the
    reason; `labs` are laboratories as they are written in the book, the likeliest first. `lab` and
    `report` fill in what the file does not say; with `renumbered`, `report` counts and the file's
    does not. By nutrient, `limits` are what was not detected where the file has no limit, and
    `followed` the trial's methods, only ever named in a remedy.
    """

    codes: frozenset[str]
    lab: str | None = None
    report: str | None = None
    renumbered: bool = False
    labs: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    limits: Mapping[str, str] = field(default_factory=dict)
    followed: Mapping[str, str] = field(default_factory=dict)


@dataclass
class Reading:
    """The state of one pass over a table: caches per distinct cell, and what was found.

    `marks` is how a profile's laboratory writes its results; without one the usual rules hold.
    `uncoded`: no cell of the samples' column is a code, which was said once for all rows.
    """

    table: Table
    columns: dict[str, int]
    beside: Beside
    report: str
    kinds: dict[object, Kind | list[Flaw]] = field(default_factory=dict)
    origins: dict[object, Origin | list[Flaw]] = field(default_factory=dict)
    samples: dict[str, str | Flaw] = field(default_factory=dict)
    series: dict[tuple[str, str, str], int] = field(default_factory=dict)
    first: dict[tuple[object, ...], int] = field(default_factory=dict)
    repeats: dict[tuple[object, ...], list[int]] = field(default_factory=dict)
    numbering: dict[tuple[object, ...], list[tuple[int, int | None]]] = field(default_factory=dict)
    labs: dict[str, str] = field(default_factory=dict)
    respelled: dict[str, str] = field(default_factory=dict)
    numbers: dict[str, None] = field(default_factory=dict)
    unnamed_basis: bool = False
    waiting: dict[str, None] = field(default_factory=dict)
    results: list[Result] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    told: set[int] = field(default_factory=set)
    alike: dict[tuple[int, str, str, str], list[int]] = field(default_factory=dict)
    unshown: int = 0
    guesses: int = 0
    marks: Marks | None = None
    uncoded: bool = False

    def refuse(self, row: int, flaw: Flaw) -> None:
        """Keep a problem with its place, once, or only count it when there are too many to keep."""
        where = self.table.where(row, flaw.column)
        before = len(self.told)
        self.told.add(hash((where, flaw.what)))
        if len(self.told) == before:
            return
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(Problem(where, flaw.what, flaw.remedy))
        else:
            self.unshown += 1

    def refuse_kind(self, row: int, flaw: Flaw) -> None:
        """Keep a problem of what a nutrient's rows have in common: told at the first of them."""
        alike = (flaw.column, flaw.what, flaw.remedy, self.table.rows[row][flaw.column])
        rows = self.alike.setdefault(alike, [])
        if not rows:
            self.refuse(row, flaw)
        rows.append(row)

    def say_alike(self) -> None:
        """Say of how many rows such a problem is."""
        for (column, what, _, _), rows in self.alike.items():
            told = (self.table.where(rows[0], column), what)
            count = len({self.table.lines[row] for row in rows})
            for at, problem in enumerate(self.problems) if count > 1 else ():
                if (problem.where, problem.what) == told:
                    self.problems[at] = replace(problem, what=f"{what} ({count:,} rows)")


def text_of(reading: Reading, row: list[str], role: str) -> str:
    """The row's cell of that role with single blanks; empty without such a column."""
    place = reading.columns.get(role)
    return "" if place is None else " ".join(row[place].split())


def _flaw(reading: Reading, role: str, error: UserMistake) -> Flaw:
    return Flaw(reading.columns[role], error.message, error.hint)


def new_kind(reading: Reading, key: object, row: list[str]) -> Kind | list[Flaw]:
    """Understand a combination of nutrient, unit, method and basis seen for the first time."""
    flaws: list[Flaw] = []
    method, basis = _method(reading, row, flaws), _basis(reading, row, flaws)
    named = _named(reading, row, flaws)
    unit = None if named is None else _unit(reading, row, named[0], flaws)
    if flaws or named is None or unit is None:
        reading.kinds[key] = flaws
        return flaws
    analyte, share = named
    factor = chemistry.canonical_factor(unit, analyte, share)
    kind = Kind(
        series=reading.series.setdefault((analyte.name, method, basis), len(reading.series)),
        analyte=analyte,
        method=method,
        basis=basis,
        factor=None if factor == 1 else factor,
        most=chemistry.most_possible(analyte),
        form=text_of(reading, row, "nutrient"),
        unit=text_of(reading, row, "unit"),
    )
    reading.kinds[key] = kind
    return kind


def _named(reading: Reading, row: list[str], flaws: list[Flaw]) -> tuple[Analyte, Fraction] | None:
    text = text_of(reading, row, "nutrient")
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


def _unit(reading: Reading, row: list[str], analyte: Analyte, flaws: list[Flaw]) -> str | None:
    text = text_of(reading, row, "unit")
    if not text and analyte.dimension == "acidity":
        return analyte.unit
    try:
        if not text:
            raise UserMistake("there is no unit", _no_unit(reading, row, analyte))
        remedy = "leave the row out, or give the content in mg/kg"
        if not reading.table.of_a_file:
            remedy = "write the content in mg/kg, if the laboratory gives it"
        contents.refuse_share(text, analyte, remedy)
        return chemistry.read_unit(units.of_basis(text)[0], analyte)
    except UserMistake as error:
        flaws.append(_flaw(reading, "unit", error))
        return None


def _no_unit(reading: Reading, row: list[str], analyte: Analyte) -> str:
    """What to do about a missing unit: the whole value to type, or which unit a file may say."""
    remedy = f"write the laboratory's, such as {analyte.unit}"
    if reading.table.of_a_file:
        return remedy
    typed = f"{text_of(reading, row, 'value')} {analyte.unit}"
    return f"{remedy}: {shown(typed)}"


def _method(reading: Reading, row: list[str], flaws: list[Flaw]) -> str:
    text = text_of(reading, row, "method")
    if not text:
        what = "there is no method, and without one nothing can be compared"
        own = reading.beside.followed.get(chemistry.name_of(text_of(reading, row, "nutrient")))
        said = f": {shown(own)} (the trial's method), if that is how it was measured" if own else ""
        remedy = f"name the extractant or procedure{said}"
        flaws.append(Flaw(reading.columns["method"], what, remedy))
    _check_length(reading, "method", text, flaws)
    try:
        contents.refuse_converted(text, chemistry.name_of(text_of(reading, row, "nutrient")))
    except UserMistake as error:
        flaws.append(_flaw(reading, "method", error))
    return chemistry.method_name(text)


def _basis(reading: Reading, row: list[str], flaws: list[Flaw]) -> str:
    text, unit = text_of(reading, row, "basis"), text_of(reading, row, "unit")
    said = units.of_basis(unit)[1]
    if not text and said:
        return said
    if not text:
        reading.unnamed_basis |= _has_basis(text_of(reading, row, "nutrient"))
    basis = BASES.get(text.lower())
    if basis and said and said != basis:
        what = f"the unit {shown(unit)} says {said}, the basis {basis}"
        flaws.append(Flaw(reading.columns["basis"], what, "ask the laboratory which is right"))
    if basis is None:
        what = f"{shown(text)} is not a basis"
        flaws.append(Flaw(reading.columns["basis"], what, "write dry or moist"))
    return basis or ""


def _has_basis(nutrient: str) -> bool:
    """False for pH and EC, which are read in water: they are the same on either basis."""
    try:
        return chemistry.find_analyte(nutrient)[0].dimension not in ("acidity", "conductivity")
    except UserMistake:
        return False


def _check_length(reading: Reading, role: str, text: str, flaws: list[Flaw]) -> None:
    if len(text) > MOST_TEXT:
        what = f"the {role.replace('_', ' ')} has {len(text)} characters, more than {MOST_TEXT}"
        flaws.append(Flaw(reading.columns[role], what, "shorten it"))


def new_origin(reading: Reading, key: object, row: list[str]) -> Origin | list[Flaw]:
    """Understand a combination of laboratory, report, run .. seen for the first time."""
    flaws: list[Flaw] = []
    lab = _spelled(reading, text_of(reading, row, "lab") or reading.beside.lab or "")
    if not lab and "lab" in reading.columns:
        remedy = "fill it in, or add --lab NAME"
        flaws.append(Flaw(reading.columns["lab"], "there is no laboratory", remedy))
    own = text_of(reading, row, "report")
    report = reading.report if reading.beside.renumbered else own or reading.report
    reading.numbers[own] = None
    number = text_of(reading, row, "laboratory_number")
    for role, text in (("lab", lab), ("report", report), ("laboratory_number", number)):
        if role in reading.columns:
            _check_length(reading, role, text, flaws)
    run = _count(reading, row, "run", flaws) or 1
    origin = Origin(lab, report, run, _count(reading, row, "repeat", flaws), number)
    reading.origins[key] = flaws or origin
    return flaws or origin


def _spelled(reading: Reading, name: str) -> str:
    """A laboratory as the book writes it, where only capitals and blanks are different."""
    if not reading.labs:
        reading.labs |= known_names(reading.beside.labs)
    known = name if name in reading.beside.labs else reading.labs.setdefault(_folded(name), name)
    if known != name:
        reading.respelled[name] = known
    return known


def known_names(names: Iterable[str]) -> dict[str, str]:
    """Names by what they are whatever their capitals and blanks; the first spelling counts."""
    found: dict[str, str] = {}
    for name in names:
        found.setdefault(_folded(name), name)
    return found


def _folded(name: str) -> str:
    return "".join(name.casefold().split())


def _count(reading: Reading, row: list[str], role: str, flaws: list[Flaw]) -> int | None:
    text = text_of(reading, row, role)
    if not text:
        return None
    if re.fullmatch("[1-9][0-9]{0,2}", text):
        return int(text)
    what = f"the {role} must be a whole number from 1 to 999"
    flaws.append(Flaw(reading.columns[role], what, "write 1, 2, 3 .."))
    return None


def new_sample(reading: Reading, cell: str) -> str | Flaw:
    """The code in a cell seen for the first time; a valid one may still wait for its pull."""
    code = codes.tidy(cell)
    # A code that the book knows was looked at when it came into the book.
    wrong = "" if code in reading.beside.codes else codes.flaw(code)
    found: str | Flaw = _wrong_code(reading, cell, wrong) if wrong else code
    if not wrong and code in reading.beside.refused:
        column = reading.columns["sample"]
        found = Flaw(column, reading.beside.refused[code], "leave the row out, or mend its code")
    elif not wrong and code not in reading.beside.codes:
        reading.waiting[code] = None
    reading.samples[cell] = found
    return found


def _wrong_code(reading: Reading, cell: str, wrong: str) -> Flaw:
    """Candidates are looked for only as often as a person would read them."""
    column = reading.columns["sample"]
    if not cell.strip():
        remedy = "fill it in, or take the row out"
        return Flaw(column, "there is no sample code", remedy)
    if AS_NUMBER.fullmatch(cell.strip()):
        what = "a spreadsheet has turned the sample code into a number"
        return Flaw(column, what, "make that column text and export the file again")
    reading.guesses += 1
    known = reading.beside.codes
    near = codes.candidates(cell, known) if reading.guesses <= MOST_GUESSES else []
    remedy = f"is it {' or '.join(near)}?" if near else "copy the code from the label"
    if reading.marks is not None and not near:
        remedy += ", or name it in skip_rows of the profile if it is no sample of yours"
    return Flaw(column, f"this is not a sample code: {wrong}", remedy)


def plain_value(cell: str, kind: Kind) -> Decimal:
    """The canonical value of digits with at most one decimal mark."""
    value = Decimal(cell.replace(",", "."))
    if kind.factor is not None:
        return units.scale(value, kind.factor)
    return units.tidied(value) if cell[-1] == "0" else value


def measured_value(
    reading: Reading, row: list[str], kind: Kind | list[Flaw]
) -> chemistry.Measured | Flaw:
    """Any other cell, by the full rules; only its form is checked while its kind is not known."""
    try:
        read = _read(reading, row)
        if isinstance(kind, list):
            return read
        value, bound = _canonical(read.value, kind, 100), _canonical(read.limit, kind, 1)
    except UserMistake as error:
        return _flaw(reading, "value", error)
    return chemistry.Measured(value, bound, read.qualifier, read.flags)


def _read(reading: Reading, row: list[str]) -> chemistry.Measured:
    """What the cell says, in the laboratory's unit. Raises UserMistake."""
    limit = text_of(reading, row, "limit")
    if reading.marks is not None:
        return reading.marks.read(text_of(reading, row, "value"), limit)
    cell = _with_qualifier(reading, row)
    _refuse_doubtful(reading, cell)
    if not limit and reading.table.of_a_file and chemistry.is_not_detected(cell):
        return _not_detected(reading, row)
    try:
        return chemistry.parse_cell(cell, limit, reading.table.decimal_comma)
    except UserMistake as error:
        if error.hint != units.LIKE_A_NUMBER or not reading.table.of_a_file:
            raise
        remedy = f"if that is a mark of the laboratory, {IN_A_PROFILE}"
        raise UserMistake(error.message, remedy) from None


def _not_detected(reading: Reading, row: list[str]) -> chemistry.Measured:
    """Below the limit that is said beside the file; without one it waits for it, and is no 0."""
    said = reading.beside.limits.get(chemistry.name_of(text_of(reading, row, "nutrient")))
    if said is None:
        return chemistry.Measured(None, None, "", "not-detected")
    return chemistry.Measured(None, Decimal(said), "<", "not-detected")


DOUBTFUL = re.compile(r"[<>]?\s*([1-9][0-9]{0,2})\.([0-9]{3})").fullmatch


def _refuse_doubtful(reading: Reading, cell: str) -> None:
    """A point that may group thousands is asked about, never guessed: it is a factor of 1000."""
    table = reading.table
    found = DOUBTFUL(cell) if table.point_doubtful and not table.decimal_comma else None
    if found:
        whole, decimals = found[1] + found[2], f"{found[1]}.{found[2]}".rstrip("0").rstrip(".")
        raise UserMistake(
            f"{cell!r} can be read as {whole} or as {decimals}", f"write {whole} or {decimals}"
        )


def _with_qualifier(reading: Reading, row: list[str]) -> str:
    """The value cell with the sign that stands in a column of its own."""
    cell, sign = text_of(reading, row, "value"), text_of(reading, row, "qualifier")
    if sign in ("", "=") or cell.startswith(sign):
        return cell
    if sign in ("<", ">", "<=", ">=", "≤", "≥"):
        return f"{sign}{cell}"
    raise UserMistake(
        f"its qualifier {shown(sign)} is not understood here", f"only < and > are: {IN_A_PROFILE}"
    )


def _canonical(value: Decimal | None, kind: Kind, slack: int) -> Decimal | None:
    """The canonical number, at most `slack` times the largest that can be.

    A lost decimal point or a wrong unit is the laboratory's to mend, and asked about once it is in:
    nobody has to edit the file for it. Beyond two places nothing can be meant.
    """
    if value is None:
        return None
    canonical = units.scale(value, kind.factor or Fraction(1))
    if not 0 <= canonical <= slack * chemistry.most_possible(kind.analyte):
        chemistry.check_range(canonical, kind.analyte)
    return canonical
