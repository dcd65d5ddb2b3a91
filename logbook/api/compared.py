"""One date, every nutrient of every treatment against the control, as a notebook shows it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from logbook.api import shown
from logbook.api.curves import bed_cells, difference_cells, made_cells
from logbook.api.frames import COMPARED, frame
from logbook.study import comparison
from logbook.study.comparison import Line
from logbook.study.tested import Tested


@dataclass(frozen=True, repr=False, eq=False)
class Comparison:
    """All differences on one date; `found` holds all there is, `table` a row for each line."""

    found: comparison.Comparison

    @property
    def pull(self) -> str:
        """The calendar's name of the date compared."""
        return self.found.pull

    @property
    def treatments(self) -> list[str]:
        """Codes of the treatments compared."""
        return self.found.treatments

    @property
    def notes(self) -> tuple[str, ...]:
        """What limits the lines, what was not measured on this date, and what may be salt."""
        return (*self.found.salt, *self.found.missing, *self.found.notes)

    @property
    def table(self) -> pd.DataFrame:
        """A row for each treatment and nutrient: `columns("compare")`."""
        return frame(COMPARED, map(_row, self.found.lines))

    def __repr__(self) -> str:
        return shown.lines(self._heading(), *self._said(), *self._noted())

    def _repr_html_(self) -> str:
        return shown.page(self._heading(), self._noted(), self.table[_SHOWN])

    def _heading(self) -> str:
        one = self.found
        days = f"{one.first}" if one.first == one.last else f"{one.first} to {one.last}"
        drawn = "" if one.randomised else "; beds were assigned by hand: not randomised"
        return f"{one.trial}: {one.pull} ({days}) against control{drawn}"

    def _said(self) -> Iterator[str]:
        for treatment in self.treatments:
            yield f"{treatment}:"
            for line in self.found.of(treatment):
                declared = " (declared beforehand)" if line.declared else ""
                yield f"  {line.series.analyte}{declared}: {_sentence(line)}"
        if any(line.test is not None and line.test.p is not None for line in self.found.lines):
            yield _TOGETHER

    def _noted(self) -> Iterator[str]:
        yield from (f"Note: {note}." for note in self.notes)


_TOGETHER = (
    "Ranges hold for all treatments of the date together where they could be tested; what was not "
    "declared beforehand is exploratory."
)
_SHOWN = ["treatment", "nutrient", "treated", "control", "difference", "low", "high", "unit"]
_SHOWN += ["ratio", "ratio_low", "ratio_high", "p", "finding", "tested"]


def _sentence(line: Line) -> str:
    """What is said of a line among all treatments where it was tested, else of it alone."""
    return (line.test.sentence if line.test is not None else "") or line.sentence or line.finding


def _test_cells(test: Tested | None) -> tuple[Any, ...]:
    """The test of a line among all treatments."""
    if test is None:
        return ("none", "", None, None, None, None, 0, "", "")
    line, family = test.line, test.family
    ends = (line.low, line.high)
    reason = line.reason or family.why
    return (
        family.method if line.p is not None else "none",
        family.scale if line.p is not None else "",
        *ends,
        line.p,
        test.p_exploratory,
        test.tests,
        reason,
        test.sentence,
    )


def _row(line: Line) -> tuple[Any, ...]:
    """One line as a row of COMPARED."""
    ratio = line.ratio
    return (
        *difference_cells(line.series, line.row),
        *bed_cells(line.row),
        ratio.value,
        ratio.low,
        ratio.high,
        ratio.reason,
        line.declared,
        line.finding,
        line.sentence,
        *_test_cells(line.test),
        *made_cells(line.series),
    )
