"""All nutrients of one date as strips: each on its own scale, with its range and its numbers.

The range is that of the nutrient's own table, for its own method; without one the scale is plain
and says so. Treated beds beside a table are a bare comparison: no class is given to them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.report import compared, marks, scales
from logbook.report.levels import span
from logbook.report.scales import Scale
from logbook.study.levels import Level, level_of
from logbook.study.standing import Ground, in_water, why_no_class
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    from logbook.handbook import Handbook
    from logbook.study.comparison import Comparison, Line
    from logbook.study.series import Series


@dataclass(frozen=True)
class Spot:
    """A mean of beds, or with value None what it may be at least and at most (None: open)."""

    value: float | None
    low: float | None
    high: float | None

    @property
    def ends(self) -> list[float]:
        """What of it stands on a scale."""
        return [end for end in (self.value, self.low, self.high) if end is not None]

    @property
    def text(self) -> str:
        """In figures: "44.5", "<0.5", ">200", "4.5 to 5.5" (two digits), "-"."""
        if self.value is not None:
            return marks.digits(self.value)
        if self.high is None:
            return f">{marks.digits(self.low)}" if self.low else "-"
        if not self.low:
            return f"<{marks.digits(self.high)}"
        return f"{marks.digits(self.low, 2)} to {marks.digits(self.high, 2)}"


@dataclass(frozen=True)
class Entry:
    """One treatment in a strip; bar: the ends of its 95 % range, set off from the control."""

    place: int
    code: str
    control: Spot
    treated: Spot
    bar: tuple[float, float] | None
    difference: str


@dataclass(frozen=True)
class Strip:
    """One nutrient and method. band: the range that is enough, None without one; table: in words.

    source: of the table, "" without one; reason: why a table that there is gives no range.
    """

    label: str
    method: str
    table: str
    source: str
    band: tuple[float | None, float | None] | None
    scale: Scale
    entries: tuple[Entry, ...]
    reason: str = ""


def strips(
    comparison: Comparison, handbook: Handbook | None = None, ground: Ground | None = None
) -> list[Strip]:
    """The strips of a comparison: mineral-N, then the order of the nutrients, pH and EC last.

    handbook, ground: the tables and the trial's soil; without a handbook no strip has a range.
    """
    kinds: dict[tuple[str, ...], list[Line]] = {}
    for line in comparison.lines:
        one = line.series
        kinds.setdefault((one.analyte, one.method, one.basis, one.lab, one.unit), []).append(line)
    order = {name: place for place, name in enumerate(ANALYTES)}
    ordered = sorted(
        kinds, key=lambda k: (k[0] in ("pH", "EC"), k[0] != "mineral-N", order[k[0]], k)
    )
    ph = _ph(comparison.lines)
    found = []
    for kind in ordered:
        level = None
        if handbook is not None:
            level = _level(kinds[kind][0], handbook, ground or Ground(None), ph)
        found.append(_strip(kinds[kind], comparison.treatments, level))
    return found


def _ph(lines: Iterable[Line]) -> float | None:
    """The control's mean pH in water on this date, for the tables that need one."""
    found = [
        line.row.difference.control_mean
        for line in lines
        if line.series.analyte == "pH" and in_water(line.series.method)
    ]
    return next((one for one in found if one is not None), None)


def _level(line: Line, handbook: Handbook, ground: Ground, ph: float | None) -> Level:
    """The table of a line, asked with the control's mean; only its range is used."""
    one = line.series
    why = why_no_class(handbook, ground, one.analyte, one.method, one.basis)
    mean = line.row.difference.control_mean or 0.0
    if why:
        return Level(one.analyte, one.method, mean, one.unit, reason=why)
    density = ground.bulk_density
    return level_of(handbook, one.analyte, one.method, mean, one.unit, bulk_density=density, ph=ph)


def _strip(lines: Sequence[Line], codes: Sequence[str], level: Level | None) -> Strip:
    band = level.sufficient if level else None
    band = None if band == (None, None) else band
    entries = tuple(_entry(line, place_of(line.series, codes)) for line in lines)
    source = level.source if level and band else ""
    reason = ""
    if band:
        table = f"enough: {span(band)}"
    elif level is None or level.reason.startswith("no table"):
        table = "no table: plain scale"
    else:
        table = "no range: plain scale"
        reason = level.reason or "its table names no range that is enough"
    scale = _scale(lines[0].series.analyte, band, entries)
    one = lines[0].series
    return Strip(compared.label(lines[0]), one.method, table, source, band, scale, entries, reason)


def _scale(
    analyte: str, band: tuple[float | None, float | None] | None, entries: Sequence[Entry]
) -> Scale:
    numbers = [
        end for one in entries for end in (*one.control.ends, *one.treated.ends, *(one.bar or ()))
    ]
    if band is not None:
        return scales.ranged(band, numbers)
    if ANALYTES[analyte].dimension == "acidity":
        return scales.acid(numbers)
    controls = [end for one in entries for end in one.control.ends]
    return scales.plain(numbers, max(controls, default=None))


def place_of(series: Series, codes: Sequence[str]) -> int:
    """Whose signs a treatment has: by its place in the trial, where that is known."""
    return codes.index(series.treatment) if series.place is None else series.place


def _entry(line: Line, place: int) -> Entry:
    found = line.row.difference
    one = found.against_control
    bar = None
    control, treated = _spot(line, treated=False), _spot(line, treated=True)
    possible = found.method == "bounds"
    if None not in (one.value, one.low, one.high, treated.value) and not possible:
        off = (treated.value or 0.0) - (one.value or 0.0)
        bar = (off + (one.low or 0.0), off + (one.high or 0.0))
    return Entry(place, line.series.treatment, control, treated, bar, compared.difference(line))


def _spot(line: Line, *, treated: bool) -> Spot:
    """One side's mean as the difference took it; else the bounds of the mean of its beds."""
    from logbook.analysis.beds import beds_of, mean

    found = line.row.difference
    value = found.treated_mean if treated else found.control_mean
    if value is not None:
        return Spot(value, None, None)
    beds = [bed for bed in beds_of(line.row.observations) if bed.treated == treated]
    if not beds:
        return Spot(None, None, None)
    low, high = mean([bed.low for bed in beds]), mean([bed.high for bed in beds])
    return Spot(None, low if math.isfinite(low) else None, high if math.isfinite(high) else None)
