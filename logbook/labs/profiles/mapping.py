"""The long table of a grid, row by row: which kind each row is of, and where it stands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from logbook.errors import Problem, UserMistake
from logbook.labs.cells import BASES, Kind
from logbook.labs.grid import Grid, letters, shown
from logbook.labs.marks import Marks
from logbook.labs.profiles.content import Measure, Profile
from logbook.labs.profiles.finding import Found
from logbook.labs.profiles.reading import full_method, refuse_share
from logbook.labs.reader import Table
from logbook.trial import chemistry, contents, units

_HEADER = ("sample", "nutrient", "unit", "method", "basis", "value", "limit")
_BESIDE = ("report", "repeat", "laboratory_number")
_MOST_NAMED = 20


@dataclass(frozen=True)
class Mapped(Table):
    """A long table made from a grid; `where` names the cells of the grid.

    `places[i]` are the row and the column in `grid` that row i's value stands in; `homes` by role
    the column of `grid` that a cell was taken from.
    """

    grid: Grid | None = None
    titles: Sequence[str] = ()
    columns: dict[str, int] = field(default_factory=dict)
    places: list[tuple[int, int]] = field(default_factory=list)
    homes: dict[str, int] = field(default_factory=dict)

    def where(self, row: int, column: int) -> str:
        """The place in the file itself."""
        if self.grid is None:
            return super().where(row, column)
        at, value = self.places[row]
        home = self.homes.get(self.header[column], value)
        return self.grid.where(at, home, self.titles[home])

    def file_columns(self) -> Iterator[tuple[str, str, list[str]]]:
        """The columns of the grid itself."""
        rows = dict.fromkeys(at for at, _ in self.places)
        if self.grid is None:
            return
        for column, title in enumerate(self.titles):
            yield letters(column), title, [self.grid.rows[at][column] for at in rows]


@dataclass
class Making:
    """The long table in the making, and the kinds of its rows."""

    profile: Profile
    grid: Grid
    found: Found
    marks: Marks
    limits: Mapping[str, str]
    kinds: dict[object, Kind] = field(default_factory=dict)
    series: dict[tuple[str, str, str], int] = field(default_factory=dict)
    resolved: dict[tuple[int, str, str, str], list[str] | None] = field(default_factory=dict)
    dried: set[tuple[str, str]] = field(default_factory=set)
    rows: list[list[str]] = field(default_factory=list)
    places: list[tuple[int, int]] = field(default_factory=list)
    nothing: int = 0
    unknown: dict[str, None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        measures = enumerate(self.profile.measures)
        self.named = {one.title.casefold(): number for number, one in measures}

    def table(self) -> Mapped:
        """All rows; problems and notes are left in `found`."""
        also = [role for role in _BESIDE if role in self.found.roles]
        fill = self._fill_long if self.profile.layout.long else self._fill_wide
        silent = []
        for at in self.found.rows:
            before = len(self.rows) + self.nothing * self.profile.layout.long
            tail = [self._text(at, role) for role in also]
            fill(at, tail)
            if len(self.rows) + self.nothing * self.profile.layout.long == before:
                silent.append(self.grid.lines[at])
        self._say(silent)
        header = (*_HEADER, *also)
        grid = self.grid
        named = ("sample", "basis", "unit", "method", "limit", "nutrient", *also)
        homes = {role: self.found.roles[role] for role in named if role in self.found.roles}
        return Mapped(
            header=header,
            rows=self.rows,
            lines=[grid.lines[at] for at, _ in self.places],
            file=grid.file,
            sha256=grid.sha256,
            decimal_comma=self.marks.decimal == ",",
            point_doubtful=self.marks.doubtful,
            grid=grid,
            titles=self.found.titles,
            columns={role: place for place, role in enumerate(header)},
            places=self.places,
            homes=homes,
        )

    def _text(self, at: int, role: str) -> str:
        column = self.found.roles.get(role)
        return "" if column is None else " ".join(self.grid.rows[at][column].split())

    def _fill_wide(self, at: int, tail: list[str]) -> None:
        row, basis = self.grid.rows[at], self._text(at, "basis")
        for number, (measure, column) in enumerate(self.found.measures):
            cell = row[column]
            if self.marks.is_nothing(cell):
                self.nothing += bool(cell.strip())
                continue
            kind = self._kind(number, measure, at, column, basis=basis)
            if kind is not None:
                self._add(at, column, kind, cell, self._limit(measure, at, column), tail)

    def _fill_long(self, at: int, tail: list[str]) -> None:
        named = self._text(at, "nutrient")
        cell = self.grid.rows[at][self.found.roles["value"]]
        sign = self._text(at, "qualifier")
        if self.marks.is_nothing(cell) and (self.marks.is_nothing(sign) or not sign):
            self.nothing += bool(cell.strip())
            return
        wanted = named.casefold()
        number = self.named.get(wanted)
        if number is None:
            self._stranger(at, named)
            return
        measure = self.profile.measures[number]
        texts = {role: self._text(at, role) for role in ("unit", "method", "basis")}
        kind = self._kind(number, measure, at, self.found.roles["nutrient"], **texts)
        if kind is not None:
            limit = self._text(at, "limit") or self._limit(measure, at)
            value = _with_sign(cell.strip(), sign, self.marks)
            self._add(at, self.found.roles["value"], kind, value, limit, tail)

    def _stranger(self, at: int, named: str) -> None:
        """A row of a nutrient that the profile does not explain, told once for each name."""
        skipped = any(one.casefold() == named.casefold() for one in self.profile.skip)
        if skipped or self.profile.skip_rest or named in self.unknown:
            self.nothing += skipped or self.profile.skip_rest
            return
        self.unknown[named] = None
        where = self.grid.where(at, self.found.roles["nutrient"])
        remedy = "describe it in a [[column]], or name it in [skip] columns"
        what = "the profile does not say what this is"
        self.found.problems.append(Problem(where, what, remedy))

    def _add(
        self, at: int, column: int, kind: list[str], cell: str, limit: str, tail: list[str]
    ) -> None:
        self.rows.append([self._text(at, "sample"), *kind, cell, limit, *tail])
        self.places.append((at, column))

    def _limit(self, measure: Measure, at: int, column: int | None = None) -> str:
        """The laboratory's limit: of a column of limits, said beside the file, or of the profile.

        What is said beside the file has a point, whatever the laboratory's decimal mark.
        """
        said = self.limits.get(measure.analyte.name, "")
        if said and "." in said:
            # One zero more, so that no three decimals look like a group of thousands.
            said = f"{said}0".replace(".", self.marks.decimal)
        place = None if column is None else self.found.limits.get(column)
        if place is None:
            return said or measure.limit
        own = self.grid.rows[at][place].strip()
        return said if self.marks.is_nothing(own) else own

    def _kind(
        self,
        number: int,
        measure: Measure,
        at: int,
        column: int,
        unit: str = "",
        method: str = "",
        basis: str = "",
    ) -> list[str] | None:
        """The cells that name a row's kind, which is understood once; None with its problem."""
        key = (number, unit, method, basis)
        if key not in self.resolved:
            try:
                self.resolved[key] = self._understood(measure, unit, method, basis)
            except UserMistake as mistake:
                self.resolved[key] = None
                where = self.grid.where(at, column, self.found.titles[column])
                self.found.problems.append(Problem(where, mistake.message, mistake.hint))
        return self.resolved[key]

    def _understood(self, measure: Measure, unit: str, method: str, basis: str) -> list[str]:
        measure = _completed(measure, unit, method, basis)
        analyte = measure.analyte
        cells = [measure.nutrient, measure.unit, measure.method, measure.basis]
        factor = measure.factor
        series = (analyte.name, measure.method, measure.basis)
        kind = Kind(
            series=self.series.setdefault(series, len(self.series)),
            analyte=analyte,
            method=measure.method,
            basis=measure.basis,
            factor=None if factor == 1 else factor,
            most=chemistry.most_possible(analyte),
            form=measure.nutrient,
            unit=measure.unit,
        )
        before = self.kinds.setdefault(tuple(cells), kind)
        if before.factor != kind.factor:
            what = f"{measure.title} and another row give {analyte.name} at two depths or ratios"
            raise UserMistake(what, "each needs a method of its own")
        if measure.to_dry:
            self.dried.add((analyte.name, measure.method))
        return cells

    def _say(self, silent: Sequence[int]) -> None:
        notes = self.found.notes
        if self.nothing:
            cells = "1 cell says" if self.nothing == 1 else f"{self.nothing:,} cells say"
            notes.append(f"{cells} that nothing was reported, or are left out")
        if silent:
            lines = ", ".join(map(str, silent[:_MOST_NAMED]))
            more = ", ..." if len(silent) > _MOST_NAMED else ""
            notes.append(f"rows that report nothing: {lines}{more}")
        if not self.rows and not self.found.problems:
            what = "there is no result in the file"
            self.found.problems.append(Problem(self.grid.place(), what, "is it the right sheet?"))


def _completed(measure: Measure, unit: str, method: str, basis: str) -> Measure:
    """A measure with what its row says; raises UserMistake where the two contradict."""
    if unit and measure.unit and _other_unit(measure, unit):
        what = f"the row says {unit}, the profile {measure.unit}"
        raise UserMistake(what, "ask the laboratory, then mend the profile")
    analyte = measure.analyte.name
    if method and measure.method and full_method(method, analyte=analyte) != measure.method:
        what = f"the row says {method}, the profile {measure.method}"
        raise UserMistake(what, "a change of the method starts a new series: mend the profile")
    if basis and basis.lower() not in BASES:
        raise UserMistake(f"{shown(basis)} is not a basis", "write dry or moist")
    by_unit = units.of_basis(unit)[1]
    if basis and by_unit and BASES[basis.lower()] != by_unit:
        what = f"the unit {shown(unit)} says {by_unit}, the basis {basis}"
        raise UserMistake(what, "ask the laboratory which is right")
    own = by_unit or (BASES[basis.lower()] if basis else measure.basis)
    full = replace(
        measure,
        unit=measure.unit or unit,
        method=measure.method or (full_method(method, analyte=analyte) if method else ""),
        basis=own,
        to_dry=measure.to_dry and own == "moist",
    )
    if not full.method:
        what = "there is no method, and without one nothing can be compared"
        raise UserMistake(what, "name it in the profile's [[column]]")
    if not full.unit and full.analyte.dimension != "acidity":
        raise UserMistake("there is no unit", "name it in the profile's [[column]]")
    if full.unit:
        refuse_share(full.unit, full.analyte)
    return full


def _other_unit(measure: Measure, unit: str) -> bool:
    analyte, share = chemistry.find_analyte(measure.nutrient)
    return contents.factor(unit, analyte, share, measure.known) != measure.factor


def _with_sign(cell: str, sign: str, marks: Marks) -> str:
    """A cell with the mark of a column of its own: `< 0.5`, `12.5 J`."""
    if not sign or sign == "=" or marks.is_nothing(sign):
        return cell
    if sign in ("<", ">", "<=", ">=", "≤", "≥"):
        return cell if cell.startswith(sign[0]) else f"{sign} {cell}"
    return f"{cell} {sign}".strip() if not marks.is_nothing(cell) else sign
