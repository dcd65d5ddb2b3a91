"""Simulated trials with known constants, many of one kind at once, as beds, pulls and results."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.complete import whole
from logbook.analysis.rising import Rise
from logbook.analysis.scores import Units, beds_of

Floats = NDArray[np.float64]

CALENDARS = {
    4: (7, 21, 42, 84),
    8: (4, 7, 14, 28, 42, 56, 70, 84),
    12: (3, 7, 10, 14, 21, 28, 35, 42, 49, 56, 70, 84),
}
RATES = (0.005, 0.02, 0.05, 0.1)
CEILING, START, SHARE, BLOCK, SLOPE = 40.0, 10.0, 0.1, 0.15, 0.5
FORMS = ("plain", "D0 free", "dilution", "blocks", "straight line")
STRESSES = (
    "outliers",
    "floor",
    "lab batches",
    "split batches",
    "pull dates",
    "application date",
    "non-detects: pulls out",
    "non-detects: gaps",
)
#: Results of a laboratory below this are not detected, under the last two stresses.
LIMIT = 20.0


@dataclass(frozen=True)
class Cell:
    """One kind of trial: form, beds a side, pulls, CVs, k per day; stress: what is done to it."""

    form: str
    beds: int
    pulls: int
    lab: float
    bed: float
    rate: float
    stress: str = ""
    floor: float = 0.0

    def __str__(self) -> str:
        rate = f", k {self.rate:g}" if self.rate else ""
        return f"{self.beds} beds, {self.pulls} pulls, lab {self.lab:.0%}, bed {self.bed:.0%}{rate}"

    @property
    def free(self) -> bool:
        """Whether D0 is fitted."""
        return self.form == "D0 free"

    def release(self, days: Any) -> Floats:
        """True D on some days."""
        if self.form == "straight line":
            return np.asarray(SLOPE * np.asarray(days))
        start = START if self.free else 0.0
        return np.asarray(start - CEILING * np.expm1(-self.rate * np.asarray(days)))


def cells(form: str) -> Iterator[Cell]:
    """Every cell of a form."""
    rates = (0.0,) if form == "straight line" else RATES
    for values in product((3, 4), CALENDARS, (0.05, 0.10, 0.15), (0.0, 0.10), rates):
        yield Cell(form, *values)


def stressed(stress: str) -> Iterator[Cell]:
    """The cells that are put under a stress."""
    for beds, lab, rate in product((3, 4), (0.05, 0.10, 0.15), (0.02, 0.05)):
        yield Cell("plain", beds, 8, lab, 0.10, rate, stress)


@dataclass(frozen=True)
class Part:
    """Trials of one cell that have the same pulls and numbers of beds; rows: which they are."""

    rows: NDArray[np.intp]
    units: Units
    rise: Rise


def results(cell: Cell, runs: int, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Days (n,), and results (runs, beds, n) of treated and of control, the latter times 1 - f."""
    days = np.array(((0,) if cell.free else ()) + CALENDARS[cell.pulls], dtype=float)
    share = SHARE if cell.form == "dilution" else 0.0
    soil = 25.0 + 0.1 * days
    truth = cell.release(_pulled(cell, days, runs, rng))
    spread = BLOCK if cell.form == "blocks" else 0.0
    block = 1.0 + spread * rng.standard_normal((runs, cell.beds, 1))
    batches = _batches(cell, (runs, 1, len(days)), rng)
    treated = batches[0] * measured(cell, block * ((1.0 - share) * soil + truth), rng)
    control = (1.0 - share) * batches[1] * measured(cell, block * soil, rng)
    return days, treated, control


def _pulled(cell: Cell, days: Floats, runs: int, rng: np.random.Generator) -> Floats:
    """The days on which the pulls were really taken: (n,) or (runs, 1, n)."""
    if cell.stress == "pull dates":
        return np.maximum(days + rng.standard_normal((runs, 1, len(days))), 0.0)
    if cell.stress == "application date":
        return np.maximum(days + rng.choice((-1.0, 1.0), (runs, 1, 1)), 0.0)
    return days


def _batches(cell: Cell, shape: tuple[int, int, int], rng: np.random.Generator) -> list[Any]:
    """What the laboratory's batch does to treated and control results."""
    if cell.stress == "lab batches":
        return [1.0 + 0.07 * rng.standard_normal(shape)] * 2
    if cell.stress == "split batches":
        return [1.0 + 0.07 * rng.standard_normal(shape) for _ in range(2)]
    return [1.0, 1.0]


def measured(cell: Cell, level: Any, rng: np.random.Generator) -> Any:
    """Results of beds whose mean level is given: bed differences, then the laboratory."""
    level = np.broadcast_to(level, np.broadcast_shapes(level.shape, (1, cell.beds, 1)))
    beds = level * (1.0 + cell.bed * rng.standard_normal((*level.shape[:2], 1)))
    found = beds * (1.0 + cell.lab * rng.standard_normal(beds.shape))
    if cell.stress == "outliers":
        found = np.where(rng.random(found.shape) < 0.02, 2.0 * found, found)
    floor = 5.0 if cell.stress == "floor" else cell.floor
    return found + floor * rng.standard_normal(found.shape) if floor else found


def simulated(cell: Cell, runs: int, rng: np.random.Generator) -> list[Part]:
    """Trials of a cell, apart where their pulls or beds differ; some may be missing altogether."""
    days, treated, control = results(cell, runs, rng)
    if cell.stress == "non-detects: pulls out":
        return _without_pulls(days, treated, control)
    if cell.stress == "non-detects: gaps":
        return _with_gaps(days, treated, control)
    return [part(np.arange(runs), days, treated, control, cell)]


def part(rows: Any, days: Any, treated: Any, control: Any, cell: Cell | None = None) -> Part:
    """Trials with the same pulls and beds; differences within blocks where the cell has blocks."""
    rise = Rise(np.asarray(days), np.ones(len(days)), cell is not None and cell.free)
    if cell is None or cell.form != "blocks":
        return Part(rows, Units(treated, control), rise)
    levels = np.stack([treated.mean(1), control.mean(1)], axis=1)
    return Part(rows, Units(treated - control, None, levels), rise)


def _without_pulls(days: Floats, treated: Floats, control: Floats) -> list[Part]:
    """Every pull with a non-detect left out: as the fits and their intervals do it."""
    kept = (treated >= LIMIT).all(1) & (control >= LIMIT).all(1)
    patterns, place = np.unique(kept, axis=0, return_inverse=True)
    found = []
    for number, pulls in enumerate(patterns):
        rows = np.flatnonzero(place.ravel() == number)
        if pulls.sum() > 1:
            sides = (side[rows][:, :, pulls] for side in (treated, control))
            found.append(part(rows, days[pulls], *sides))
    return found


def _with_gaps(days: Floats, treated: Floats, control: Floats) -> list[Part]:
    """Only the bed-days without a number left out, and what `whole` leaves out for them."""
    apart: dict[Any, list[tuple[int, Floats, Floats]]] = {}
    for row, sides in enumerate(zip(treated, control, strict=True)):
        kept = whole(beds_of(days, *(np.where(y < LIMIT, np.nan, y) for y in sides))).beds
        if len(kept.days) > 1 and kept.fewest > 1:
            shape = (tuple(kept.days), len(kept.treated), len(kept.control))
            apart.setdefault(shape, []).append((row, kept.treated, kept.control))
    return [
        part(*(np.array(each) for each in (rows, shape[0], first, second)))
        for shape, these in apart.items()
        for rows, first, second in [zip(*these, strict=True)]
    ]
