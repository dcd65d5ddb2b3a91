"""Results that stand out from the others of their bed and their pull: said, and kept.

A flag asks a person to look at the bag, the report, the unit. It never drops a value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.study.series import Row

_RAW = frozenset({"pH"})  # a logarithm already


def noted(rows: Sequence[Row], analyte: str, unit: str) -> list[Row]:
    """The rows of a series, each with a note for every result of it that stands out."""
    from logbook.analysis import outliers
    from logbook.study.findings.content import number

    results = [one for row in rows for one in row.observations]
    if len({one.day for one in results}) < outliers.FEWEST:
        return [*rows]
    review = outliers.review(results, scale="raw" if analyte in _RAW else "log")
    unit = "" if unit == analyte else f" {unit}"
    notes: dict[float | None, list[str]] = {}
    for one in review.flags:
        where = f"{one.bed} on day {age_text(one.day)}"
        said = f"{where} stands out ({number(one.value)}{unit}, {one.why}): kept"
        notes.setdefault(one.day, []).append(said)
    return [replace(row, notes=(*row.notes, *notes.get(_day(row), ()))) for row in rows]


def _day(row: Row) -> float | None:
    """The day under which the results of a row were looked at."""
    return row.observations[0].day if row.observations else None
