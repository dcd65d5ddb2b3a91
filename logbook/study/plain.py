"""A plain series from a file: columns day and value, no logbook, no control."""

from __future__ import annotations

from pathlib import Path

from logbook.errors import BadData, Problem, UserMistake
from logbook.labs.reader import Table, read_table
from logbook.study.series import SHOWN, Row, Series
from logbook.trial import units

_MOST_DAYS = 10_000


def plain_series(path: Path, free_start: bool) -> Series:
    """Read and fit a plain series of net release; the start is 0 unless it is fitted.

    Raises BadData with every wrong cell at once.
    """
    from logbook.analysis import fitting
    from logbook.analysis.series import Contrast, Difference, Points

    days, values = _numbers(read_table(path))
    fits = fitting.fit_series(days, values, free_start, shapes=SHOWN)
    start = "fitted" if free_start else "fixed at 0"
    return Series(
        trial=path.name,
        analyte="",
        unit="value",
        method="",
        basis="",
        lab="",
        treatment=path.stem,
        treatment_name="a plain series",
        dilution=None,
        rows=tuple(
            Row(
                f"day {day:g}",
                None,
                None,
                Difference(
                    day, None, None, Contrast(value, None, None, None), None, 0, 0, 0, "none"
                ),
            )
            for day, value in zip(days, values, strict=True)
        ),
        points=Points(tuple(days), tuple(values), False, ()),
        fits=tuple(fits),
        notes=(f"the start (D0) is {start}", "a plain series: no control, no beds, no interval"),
    )


def _numbers(table: Table) -> tuple[list[float], list[float]]:
    columns = {name: table.column(name) for name in ("day", "value")}
    absent = [name for name, place in columns.items() if place is None]
    if absent:
        raise BadData(
            f"{table.file}: a plain series has the columns day and value; "
            f"{' and '.join(absent)} missing",
            hint="name them in the first row",
        )
    problems: list[Problem] = []
    read: dict[str, list[float]] = {name: [] for name in columns}
    for row, cells in enumerate(table.rows):
        for name, place in columns.items():
            assert place is not None
            try:
                number = units.number(cells[place], table.decimal_comma)
                if name == "day" and not 0 <= number <= _MOST_DAYS:
                    raise UserMistake("a day counts from application: 0 or more")
                read[name].append(float(number))
            except UserMistake as mistake:
                problems.append(Problem(table.where(row, place), mistake.message, mistake.hint))
    if problems:
        raise BadData(f"{table.file}: {len(problems)} problems; nothing was fitted", problems)
    return read["day"], read["value"]
