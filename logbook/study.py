"""From the store's lines to curves: what was pulled and measured, paired, compared, fitted.

A *series* is one nutrient of one treatment against its control, by one method, on one basis, from
one laboratory: only such results are ever compared. Treated and control beds are paired by block
and by the planned pull that each served.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial import rates
from logbook.trial.chemistry import ANALYTES
from logbook.trial.records import Trial
from logbook.trial.times import spoken_day
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.analysis.fits import Fit, Refusal
    from logbook.analysis.series import Difference, Points

MINERAL_N = "mineral-N"
_PARTS = ("nitrate-N", "ammonium-N")
# Released, in the strict sense, is only what the extractant takes whole: see `Series.title`.
RELEASED = frozenset({"nitrate-N", "ammonium-N", MINERAL_N, "sulfate-S"})
NOT_RELEASED = frozenset({"pH", "EC", "CEC"})
RATE_INTERVAL = "interval of the rate: not computed yet"
BEFORE_DAY = -0.5  # a pull "before" on the day of application still lies before it


@dataclass(frozen=True)
class Sample:
    """A pull in its trial: `name` is the calendar's, `age` days since its bed's application."""

    code: str
    bed: str
    label: str
    block: str
    treatment: str
    control: bool
    names: tuple[str, ...]
    day: date
    age: int | None


@dataclass(frozen=True)
class Reading:
    """One value of one sample: a number, or what is known of a censored one (`low`, `high`)."""

    sample: str
    analyte: str
    method: str
    basis: str
    lab: str
    unit: str
    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Row:
    """One planned pull of a series: its name, the days it fell on, and the difference."""

    name: str
    first: date
    last: date
    difference: Difference


@dataclass(frozen=True)
class Series:
    """One nutrient of one treatment against the control; `notes` say what limits it.

    `dilution` is f, the amendment's share of the dry mass (None: `notes` say what is missing);
    `fits` hold the candidate curves and the refusals, empty where no release is claimed.
    """

    trial: str
    analyte: str
    unit: str
    method: str
    basis: str
    lab: str
    treatment: str
    treatment_name: str
    dilution: float | None
    rows: tuple[Row, ...]
    points: Points
    fits: tuple[Fit | Refusal, ...]
    notes: tuple[str, ...]

    @property
    def title(self) -> str:
        """What the curve is: release only where the extractant takes all that is released."""
        what = ANALYTES[self.analyte].title
        if self.analyte in RELEASED:
            return f"{self.analyte} ({what}), net release against control"
        if self.analyte in NOT_RELEASED:
            return f"{self.analyte}, difference from control"
        return f"change in extractable {self.analyte} ({self.method}) against control"
