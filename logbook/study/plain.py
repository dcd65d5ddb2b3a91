"""Series from a plain file, without a logbook: net values, or beds with a control among them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from logbook.errors import BadData, Problem, UserMistake
from logbook.labs.reader import Table, read_table
from logbook.study.fitted import Declared, Fitted, fit, fit_values, points_of
from logbook.study.series import Row, Series
from logbook.trial import units
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.fits import Fit, Refusal
    from logbook.analysis.series import Observation, Points

_MOST_DAYS = 10_000
_VALUES = "columns day and value, and se where the standard error of a value is known"
_BEDS = "columns day, bed, treatment and value, and block where there are blocks"
FORMS = f"a plain series has the {_VALUES}; or the {_BEDS}, with --control NAME"


def plain_series(
    path: Path, free_start: bool, control: str | None = None, treatment: str | None = None
) -> list[Series]:
    """Read and fit a plain file: one series of net values, or one for each treatment with beds.

    Net values start at 0 unless free_start; of beds the start is always fitted, as in a trial.
    control: the name of the untreated in the column treatment; treatment: only this one of others.

    Raises:
        BadData: every wrong cell at once.
        UserMistake: columns that are neither form, a control that is missing or not in the file.
    """
    table = read_table(path)
    if table.column("bed") is None and table.column("treatment") is None:
        for given, name in ((control, "--control"), (treatment, "a treatment")):
            if given is not None:
                raise UserMistake(
                    f"{table.file}: {name} goes with beds, and there is no column bed", FORMS
                )
        return [_of_values(table, path, free_start)]
    if free_start:
        raise UserMistake(
            f"{table.file}: --free-start goes with net values",
            "of beds the start is always fitted",
        )
    return _of_beds(table, path, control, treatment)


def _of_values(table: Table, path: Path, free_start: bool) -> Series:
    """Net values on their days, with their standard errors where there are any."""
    from logbook.analysis.series import Contrast, Difference, Points

    has_errors = table.column("se") is not None
    columns = _columns(table, ("day", "value", "se") if has_errors else ("day", "value"), _VALUES)
    days, values, *errors = _numbers(table, columns)
    found = fit_values(days, values, errors[0] if errors else None, free_start)
    rows = [
        Row(
            f"day {age_text(day)}",
            None,
            None,
            Difference(day, None, None, Contrast(value, None, None, None), None, 0, 0, 0, "none"),
        )
        for day, value in zip(days, values, strict=True)
    ]
    points = Points(tuple(days), tuple(values), False, ())
    notes = (_start(days, values, free_start), "net values: no control, no beds")
    called = (path.stem, "a plain series", _one_of(table, "unit") or "value")
    return _series(path, called, rows, points, found, notes)


def _start(days: Sequence[float], values: Sequence[float], free_start: bool) -> str:
    """How the start was fitted; that it is fixed against what was measured on day 0."""
    if free_start:
        return "the start (D0) is fitted"
    said = "the start (D0) is fixed at 0"
    there = [value for day, value in zip(days, values, strict=True) if day == 0.0 and value != 0.0]
    if not there:
        return said
    read = ", ".join(f"{value:g}" for value in there)
    return f"{said}, although day 0 has {read}: --free-start fits it"


def _one_of(table: Table, name: str) -> str:
    """What a column says that must say one thing, "" where there is no such column.

    Raises UserMistake for several: they are never compared, nor converted here.
    """
    place = table.column(name)
    if place is None:
        return ""
    found = list(dict.fromkeys(cells[place].strip() for cells in table.rows))
    if len(found) > 1:
        said = ", ".join(one or "none" for one in found)
        raise UserMistake(
            f"{table.file}: several values in the column {name}: {said}",
            f"a file for each {name}, or all values in one",
        )
    return found[0]


def _series(
    path: Path,
    called: tuple[str, str, str],
    rows: Sequence[Row],
    points: Points,
    found: tuple[tuple[Fit | Refusal, ...], Fitted | None],
    notes: Sequence[str],
) -> Series:
    """A series without a trial; called: its treatment's code and name, and the unit."""
    return Series(
        trial=path.name,
        analyte="",
        unit=called[2],
        method="",
        basis="",
        lab="",
        treatment=called[0],
        treatment_name=called[1],
        dilution=None,
        rows=tuple(rows),
        points=points,
        fits=found[0],
        notes=tuple(notes),
        fitted=found[1],
    )


@dataclass(frozen=True)
class _Line:
    """One line of a file with beds; known: its value and what is known of one beyond a limit."""

    day: float
    bed: str
    treatment: str
    block: str | None
    known: Known


def _of_beds(table: Table, path: Path, control: str | None, treatment: str | None) -> list[Series]:
    """A series for each treatment but the control, or for the one asked for."""
    lines, unit = _lines(table), _one_of(table, "unit") or "value"
    names = _treatments(table, lines)
    if control is None:
        raise UserMistake(
            f"{table.file}: which treatment is the untreated control?",
            f"--control NAME, one of: {', '.join(names)}",
        )
    mine = [one for one in names if one.casefold() == control.strip().casefold()]
    if not mine:
        raise UserMistake(
            f"{table.file}: there is no treatment {control!r} to be the control",
            f"there are: {', '.join(names)}",
        )
    treated = [one for one in names if one != mine[0]]
    if not treated:
        raise UserMistake(
            f"{table.file}: there is no treatment besides the control {mine[0]!r}",
            "the file needs lines of a treatment to compare with it",
        )
    wanted = _wanted(table, treated, treatment)
    found = [
        replace(_of_treatment(path, lines, one, mine[0], unit), place=place)
        for place, one in enumerate(treated)
        if one in wanted
    ]
    if not any(one.points.days for one in found):
        raise UserMistake(
            f"{table.file}: the control {mine[0]!r} and {', '.join(wanted)} have no day in common",
            "a difference needs a treated and a control bed on the same day",
        )
    return found


def _wanted(table: Table, treated: Sequence[str], treatment: str | None) -> list[str]:
    """The treatment asked for, in however large letters; all without any."""
    if treatment is None:
        return list(treated)
    found = [one for one in treated if one.casefold() == treatment.strip().casefold()]
    if not found:
        raise UserMistake(
            f"{table.file}: there is no treatment {treatment!r} to compare with the control",
            f"there are: {', '.join(treated)}",
        )
    return found


def _treatments(table: Table, lines: Sequence[_Line]) -> list[str]:
    """The names of the treatments.

    Raises UserMistake where one is written in two ways, or a bed has two.
    """
    names = list(dict.fromkeys(line.treatment for line in lines))
    written: dict[str, str] = {}
    for name in names:
        other = written.setdefault(name.casefold(), name)
        if other != name:
            raise UserMistake(
                f"{table.file}: are {other} and {name} the same treatment?",
                "write each treatment in one way",
            )
    had: dict[str, str] = {}
    for line in lines:
        other = had.setdefault(line.bed, line.treatment)
        if other != line.treatment:
            raise UserMistake(
                f"{table.file}: bed {line.bed} has two treatments: {other} and {line.treatment}",
                "a bed has one treatment; beds of one number in two blocks need names of their own",
            )
    return names


def _of_treatment(
    path: Path, lines: Sequence[_Line], treatment: str, control: str, unit: str
) -> Series:
    """One treatment against the control, day by day."""
    from logbook.analysis import series as analysis
    from logbook.analysis.series import Observation

    observed = [
        Observation(one.day, one.bed, one.block, one.treatment == treatment, *one.known)
        for one in lines
        if one.treatment in (treatment, control)
    ]
    by_day: dict[float, list[Observation]] = {}
    for one in observed:
        by_day.setdefault(one.day, []).append(one)
    rows = [
        Row(f"day {age_text(one.day)}", None, None, one, tuple(by_day[one.day]))
        for one in analysis.differences(observed, None)
    ]
    points = points_of(rows)
    found = fit("", rows, points, None, Declared()) if points.days else ((), None)
    notes = ("no dilution is known: T - C only", *points.left_out)
    called = (treatment, f"against {control}", unit)
    return _series(path, called, rows, points, found, notes)


def _lines(table: Table) -> list[_Line]:
    """The lines of a file with beds."""
    wanted = ("day", "bed", "treatment", "value")
    columns = _columns(table, wanted, _BEDS)
    (days,), values = _numbers(table, {"day": columns["day"]}), _amounts(table, columns["value"])
    block = table.column("block")
    lines = [
        _Line(
            day,
            cells[columns["bed"]].strip(),
            cells[columns["treatment"]].strip(),
            (cells[block].strip() or None) if block is not None else None,
            value,
        )
        for day, value, cells in zip(days, values, table.rows, strict=True)
    ]
    problems = [
        Problem(
            table.where(row, columns[name]), f"no {name}", "every line names its bed and treatment"
        )
        for row, line in enumerate(lines)
        for name in ("bed", "treatment")
        if not getattr(line, name)
    ]
    if block is not None and any(line.block for line in lines):
        problems += [
            Problem(
                table.where(row, block),
                "block missing (others have one)",
                "every line has one, or none",
            )
            for row, line in enumerate(lines)
            if line.block is None
        ]
    _refuse(table, problems)
    return lines


def _columns(table: Table, wanted: Sequence[str], form: str) -> dict[str, int]:
    """The places of the wanted columns."""
    places = {name: table.column(name) for name in wanted}
    absent = [name for name, place in places.items() if place is None]
    if absent:
        raise BadData(
            f"{table.file}: a plain series has the {form}; {' and '.join(absent)} missing",
            hint="name them in the first row",
        )
    return {name: place for name, place in places.items() if place is not None}


def _numbers(table: Table, columns: Mapping[str, int]) -> list[list[float]]:
    """The numbers of some columns, column by column; a day counts from application."""
    problems: list[Problem] = []
    read: dict[str, list[float]] = {name: [] for name in columns}
    for row, cells in enumerate(table.rows):
        for name, place in columns.items():
            try:
                read[name].append(_number(name, cells[place], table.decimal_comma))
            except UserMistake as mistake:
                problems.append(Problem(table.where(row, place), mistake.message, mistake.hint))
    _refuse(table, problems)
    return list(read.values())


#: A value, and of one beyond a limit its lower and its upper end.
Known = tuple[float | None, float | None, float | None]


def _amounts(table: Table, place: int) -> list[Known]:
    """The values of beds; "<2" lies from 0 to 2, ">200" at 200 or above."""
    problems: list[Problem] = []
    read: list[Known] = []
    for row, cells in enumerate(table.rows):
        cell = cells[place].strip()
        try:
            number = float(units.number(cell.lstrip("<>"), table.decimal_comma))
        except UserMistake as mistake:
            problems.append(Problem(table.where(row, place), mistake.message, mistake.hint))
            continue
        if cell.startswith("<"):
            read.append((None, 0.0, number))
        else:
            read.append((None, number, None) if cell.startswith(">") else (number, None, None))
    _refuse(table, problems)
    return read


def _number(name: str, cell: str, decimal_comma: bool | None) -> float:
    """One number of a column of that name."""
    if name == "value" and cell.strip()[:1] in ("<", ">"):
        raise UserMistake(
            f"{cell.strip()} is no net value",
            f"leave the line out; or give the beds themselves ({_BEDS}), where it is understood",
        )
    number = float(units.number(cell, decimal_comma))
    if name == "day" and not 0 <= number <= _MOST_DAYS:
        raise UserMistake("a day counts from application: 0 or more")
    if name == "se" and not number > 0.0:
        raise UserMistake(
            "a standard error is above 0", "leave the column se out where none is known"
        )
    return number


def _refuse(table: Table, problems: Sequence[Problem]) -> None:
    if problems:
        count = f"{len(problems)} problem{'s' * (len(problems) > 1)}"
        raise BadData(f"{table.file}: {count}; nothing was fitted", problems)
