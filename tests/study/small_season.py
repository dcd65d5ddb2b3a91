"""An invented season of the small trial: a meal with its analysis, pulls on days 0, 7 and 28.

The meal: 2 t/ha on 0.5 m2 are 100 g a bed, 8 % of it water, so 92 g dry; the soil of the layer is
0.5 m2 x 15 cm x 1.2 kg/L = 90 kg; f = 92 / 90,092. 6 % nitrogen as it is are 6 g a bed, 120 kg/ha,
6,000 mg / 90.092 kg = 66.599 mg for each kg of the dry mix.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from logbook.store import views
from logbook.study import brought, losses, recovery, series
from logbook.study.brought import Matter
from logbook.study.losses import Losses
from logbook.study.recovery import Recovery
from logbook.study.series import Series
from tests.program import Program

F = 92 / 90_092
PER_MIX = 6_000 / 90.092
DAY0 = "2026-03-02T09:00+01:00"
RESULTS = "2026-04-20T09:00+02:00"
# Invented: mineral N in mg/kg by day and bed; B1 and B5 are controls, B2 and B6 got the meal.
VALUES = {
    0: {"B1": 10.0, "B2": 14.0, "B5": 12.0, "B6": 15.0},
    7: {"B1": 14.0, "B2": 30.0, "B5": 15.0, "B6": 33.0},
    28: {"B1": 20.0, "B2": 50.0, "B5": 24.0, "B6": 56.0},
}
ANALYSIS = ("--content", "total-N = 6 %", "--basis", "as is", "--method", "Kjeldahl")


def season(
    program: Program,
    *acts: tuple[str, ...],
    analysis: tuple[str, ...] | None = ANALYSIS,
    values: Mapping[int, Mapping[str, float | str]] = VALUES,
    parts: tuple[tuple[str, float], ...] = (("nitrate-N", 0.75), ("ammonium-N", 0.25)),
    method: str = "1 M KCl",
    unit: str = "mg/kg",
    known: str = "weighed",
) -> dict[tuple[int, str], str]:
    """Run the season; acts are done after the application. Sample codes by day and bed."""
    if analysis is not None:
        program.must("amendment", "set", "meal", *analysis, on=DAY0)
    program.must("apply", "control", on=DAY0)
    program.must("apply", "M", "--amount", "100 g", "--known", known, on=DAY0)
    codes, text = {}, "sample,nutrient,value,unit,method\n"
    for day, beds in values.items():
        hours = "09:30:00+01:00" if day < 27 else "12:00:00+02:00"
        said = program.must("pull", ",".join(beds), on=f"2026-03-{2 + day:02d}T{hours}")
        lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
        for code, label, *_ in lines:
            codes[day, label] = code
            for nutrient, share in parts:
                value = beds[label]
                cell = value if isinstance(value, str) else f"{value * share:.8g}"
                text += f"{code},{nutrient},{cell},{unit},{method}\n"
    for words in acts:
        program.must(*words, on="2026-03-31T09:00+02:00")
    (program.folder / "season.csv").write_text(text, encoding="utf-8")
    program.must("lab", "import", "season.csv", "--report", "s", on=RESULTS)
    return codes


@contextmanager
def opened(program: Program) -> Iterator[tuple[sqlite3.Connection, str]]:
    """The store for reading, and the id of its only trial."""
    with views.reading(program.store) as store:
        yield store, views.fetch(store, "trial")[0].id


def read(
    program: Program, analyte: str = "mineral-N", code: str = "M"
) -> tuple[Series, Matter, Losses]:
    """The first series of a nutrient, what it is read with, and what was lost."""
    with opened(program) as (store, trial):
        (one,) = series.series_of(store, trial, analyte, code)
        return one, brought.matter(store, trial), losses.losses(store, trial, code)


def recovered(program: Program, analyte: str = "mineral-N") -> Recovery:
    """The recovery of a nutrient of the meal."""
    found = recovery.recovery(*read(program, analyte))
    assert found is not None
    return found
