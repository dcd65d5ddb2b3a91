"""One date, nutrient by nutrient: what is shown, what fits, what it means beside the tables."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.study import levels
from logbook.study.comparison import Line
from logbook.study.findings import dated
from logbook.study.findings.content import Finding, number, signed, span
from logbook.study.findings.nitrogen import DILUTES, design_of
from logbook.study.fitted import Declared
from logbook.study.losses import CANNOT_TELL
from logbook.study.samples import MINERAL_N
from logbook.study.series import NOT_RELEASED
from logbook.trial.chemistry import ANALYTES, method_name
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.handbook import Handbook
    from logbook.study.levels import Level

PLANTING = ("ammonium-N", "EC", "pH")
#: Sampling and analysis together, SD of a soil pH. Source: Ferrari & Vermeulen, Netherlands
#: Journal of Agricultural Science: about 0.1 pH (with 10 % for P, K and Mg).
PH_SD = 0.1
_TIMES_SR = 1.96  # r = 1.96 sqrt(2) s_r for two single results: ISO 5725-6
SEEN_SPREAD = "none was planned; by these beds' spread, shown four times in five"
_ENOUGH = "more of it means nothing to a plant"
#: Nutrients whose top class their tables call "very high" or "excessive", of which plants take
#: no harm. Common practice, no source; not Ca: its range is one of balance with liming.
_PLENTY = ("P", "K", "Mg")
_LIMING = ("lime", "ash", "rock powder")
_ACID = ("mehlich", "bray", "morgan", "double acid", "lactate")
UNDISSOLVED = (
    "the acid extractant also dissolves what has not dissolved in the soil yet: "
    f"{levels.NO_CLASS['amended']}"
)


@dataclass(frozen=True)
class Beside:
    """What lines are read beside: tables, the soil, what was declared; amended: asked for classes.

    settled: the soil is a settled mineral one, which the tables are for; material: the class of
    the amendment's material, "" where it is not known.
    """

    handbook: Handbook
    declared: Mapping[str, Declared]
    bulk_density: float | None
    ph: float | None
    settled: bool
    amended: bool = False
    material: str = ""


def of_line(line: Line, beside: Beside) -> Finding:
    """The finding of one nutrient on one date."""
    series, found = line.series, line.row.difference
    one = found.against_control
    declared = beside.declared.get(series.analyte, Declared())
    kind, said = dated.said_of(line)
    start = Finding(
        topic=_topic(line),
        about=series.analyte,
        kind=kind,
        sentence=f"{_named(line)}: {said}",
        value=one.value,
        low=one.low,
        high=one.high,
        unit=series.unit,
        design=design_of([line.row], found.method),
        pull=line.row.name,
        declared=line.declared,
        method="" if series.analyte == MINERAL_N else series.method,
        treated=found.treated_mean,
        control=found.control_mean,
    )
    if kind in _SHOWN and not line.shown:
        start = _by_ratio(start, line)
    if found.method == "one bed" and one.value is not None:
        start = _single(start, line, one.value, declared)
    elif start.kind == "no difference shown":
        start = _not_shown(start, line, declared)
    if series.analyte == MINERAL_N:
        if kind.endswith("less") and found.method != "one bed":
            start = replace(start, sentence=f"{start.sentence}, {_THIS_DATE}")
        start = _net(start, line)
    if series.analyte == "nitrate-N" and kind.endswith("less"):
        why = f"{CANNOT_TELL}, ammonium was not measured with it"
        start = replace(start, sentence=f"{start.sentence}; {why}")
    if line.row.planted and series.analyte not in NOT_RELEASED:
        sown = "sown before it: what the crop took up is not in this"
        start = replace(start, sentence=f"{start.sentence}; {sown}")
    if series.analyte in PLANTING:
        return _at_planting(start, line, beside)
    return _with_level(start, line, beside)


_THIS_DATE = "by this date alone, dilution included"
_SHOWN = ("more", "less", "perhaps more", "perhaps less")


def _by_ratio(start: Finding, line: Line) -> Finding:
    """The numbers of a line that its test shows and its own differences do not: the test's."""
    assert line.test is not None
    one = line.test.line
    unit = "times the control" if line.test.family.scale == "ratio" else start.unit
    return replace(start, value=one.estimate, low=one.low, high=one.high, unit=unit)


def _net(start: Finding, line: Line) -> Finding:
    """With what the amendment gave, where it takes the place of much soil."""
    net, share = line.row.difference.from_amendment, line.series.dilution
    if net is None or net.value is None or share is None or share < DILUTES:
        return start
    if line.row.difference.day < 0.0:
        return start
    ends = "" if net.low is None or net.high is None else f" ({span(net.low, net.high)})"
    said = f"with the amendment's dilution taken off, {signed(net.value)}{ends}"
    return replace(start, sentence=f"{start.sentence}; {said}")


def _topic(line: Line) -> str:
    if line.series.analyte in (MINERAL_N, "nitrate-N"):
        return "nitrogen"
    return "planting" if line.series.analyte in PLANTING else "nutrients"


_SCALE = "plant limits are given for the saturated paste: no class on this scale"


def _at_planting(start: Finding, line: Line, beside: Beside) -> Finding:
    """Both means; and of salt what its scale allows to say."""
    unit = "" if line.series.unit == start.about else f" {line.series.unit}"
    if start.treated is not None and start.control is not None:
        means = f"treated {number(start.treated)}, control {number(start.control)}{unit}"
        start = replace(start, sentence=f"{start.sentence}; {means}")
    if line.series.analyte != "EC":
        return start
    if method_name(line.series.method) != "saturated paste":
        return _beside_it(start, _SCALE)
    treated = start.treated or 0.0
    hurt = [
        f"{crop.name} ({short(crop.threshold)})"
        for crop in beside.handbook.crops
        if treated > float(crop.threshold)
    ]
    if not beside.handbook.crops or start.treated is None:
        return start
    said = f"the treated soil is above the thresholds of {', '.join(hurt)} dS/m" if hurt else ""
    said = said or "the treated soil is below the thresholds of all crops in the table"
    source = beside.handbook.crops[0].source
    return _beside_it(replace(start, source=source), said)


def _beside_it(start: Finding, aside: str) -> Finding:
    asides = "; ".join(filter(None, (start.aside, aside)))
    return replace(start, aside=asides, sentence=f"{start.sentence}; {aside}")


def _named(line: Line) -> str:
    """ "P (Mehlich-3)"; the sum of two goes without its method."""
    series = line.series
    return series.analyte if series.analyte == MINERAL_N else f"{series.analyte} ({series.method})"


def _single(start: Finding, line: Line, value: float, declared: Declared) -> Finding:
    """One bed on a side: how far chance in the laboratory alone goes, and no more."""
    found, unit, name = line.row.difference, line.series.unit, _named(line)
    said = f"{signed(value)} {unit} between single beds is no finding: one bed on a side"
    within = _repeatability(line, declared)
    if within is None or not found.treated_beds == found.control_beds == 1:
        return replace(start, sentence=f"{name}: cannot say: {said}")
    reach, whose = within
    aside = f"laboratory chance alone goes as far as {number(reach)} ({whose})"
    if abs(value) > reach:
        said = (
            f"cannot say: {signed(value)} {unit} is more than laboratory chance ({number(reach)}, "
            f"{whose}), but may be these two beds as well as the amendment"
        )
        return replace(start, sentence=f"{name}: {said}", aside=aside, chance=reach)
    return replace(start, sentence=f"{name}: {said}, and {aside}", aside=aside, chance=reach)


def _repeatability(line: Line, declared: Declared) -> tuple[float, str] | None:
    """The difference that two single results reach by laboratory chance, 95 %, and whose figure."""
    found = line.row.difference
    levels_of = (found.treated_mean or 0.0, found.control_mean or 0.0)
    if declared.known:
        return _TIMES_SR * math.hypot(*map(declared.sd, levels_of)), "the declared error"
    if line.series.analyte == "pH":
        source = "SD 0.1 pH for sampling and analysis, Ferrari & Vermeulen"
        return _TIMES_SR * math.sqrt(2.0) * PH_SD, source
    return None


def _not_shown(start: Finding, line: Line, declared: Declared) -> Finding:
    """Nothing shown: what this design could have shown stands beside it; or it does not matter."""
    margin, low, high = declared.margin, start.low, start.high
    if (
        margin is not None
        and low is not None
        and high is not None
        and -margin < low < high < margin
    ):
        return replace(
            start,
            kind="equivalent",
            sentence=(
                f"{_named(line)}: no difference that matters: {span(low, high)} {start.unit}, "
                f"within the margin of {number(margin)} declared beforehand"
            ),
        )
    able, planned = _detectable(line, declared)
    if able is None:
        return start
    whose = "planned detectable difference" if planned else SEEN_SPREAD
    told = f"{start.sentence} ({whose}: {number(able)} {start.unit})"
    return replace(start, sentence=told, detectable=able, planned=planned)


def _detectable(line: Line, declared: Declared) -> tuple[float | None, bool]:
    """The difference shown four times in five, by the larger of declared error and beds' spread.

    Planned (the second answer) only where the declared error of the laboratory is the larger:
    beds that differ by more show less than was planned.
    """
    from logbook.analysis import design

    found = line.row.difference
    treated, control, df = found.treated_beds, found.control_beds, found.against_control.df
    blocks = found.method == "within-block" and control >= treated
    planned = seen = None
    expected = declared.sd(found.control_mean or 0.0)
    if expected > 0.0:
        planned = design.detectable(treated, control, expected, in_blocks=blocks).value
    sd = dated.spread(line)
    if sd is not None:
        seen = design.detectable(treated, control, sd, df=df).value
    if planned is None or (seen is not None and seen > planned):
        return seen, False
    return planned, True


def _with_level(start: Finding, line: Line, beside: Beside) -> Finding:
    """Beside the table: where the untreated soil stands, and no class of the amended."""
    series, found = line.series, line.row.difference
    if found.control_mean is None or ANALYTES[series.analyte].dimension not in (
        "content",
        "charge",
    ):
        return start
    if not beside.settled or series.analyte in (MINERAL_N, "nitrate-N"):
        return start
    here = _level(line, found.control_mean, beside)
    if not here.position:
        why = f"; {here.reason}" if here.reason and start.kind != dated.NOT_SHOWN else ""
        return replace(start, sentence=f"{start.sentence}{why}")
    return replace(
        start,
        sentence=f"{start.sentence}; {'; '.join(_stands(start, line, here, beside))}",
        standing=here.words,
        source=here.source,
    )


def _level(line: Line, value: float, beside: Beside) -> Level:
    return levels.level_of(
        beside.handbook,
        line.series.analyte,
        line.series.method,
        value,
        line.series.unit,
        bulk_density=beside.bulk_density,
        ph=beside.ph,
    )


def _stands(start: Finding, line: Line, here: Level, beside: Beside) -> Iterator[str]:
    """Where the untreated soil stands; the amended only where that was asked for."""
    unit, treated = line.series.unit, line.row.difference.treated_mean
    ends = f" ({_ends(here)} {unit})" if here.sufficient else ""
    told = f"the untreated soil, at {number(here.value)} {unit}, is {here.words}{ends}"
    more = ("more", "perhaps more", "cannot say")
    raised = here.position == "above" and start.kind in more
    enough = raised and _plenty(here, beside.material)
    yield f"{told}: {_ENOUGH}" if enough else told
    if start.kind in (dated.NOT_SHOWN, "equivalent") or treated is None:
        return
    if beside.amended:
        there = _level(line, treated, beside)
        yield f"the treated, at {number(treated)}, {there.words}: {levels.NO_CLASS['amended']}"
    elif start.kind in more and undissolved(line, beside.material):
        yield UNDISSOLVED
    elif not enough:
        yield f"no class of the amended soil: {levels.NO_CLASS['amended']}"


def _plenty(here: Level, material: str) -> bool:
    """Whether more of a nutrient is nothing to a plant: far above, or in the table's top class."""
    top = here.high is None and here.distance != "just"
    return here.nutrient in _PLENTY and material not in _LIMING and (here.distance == "far" or top)


def undissolved(line: Line, material: str) -> bool:
    """Whether an acid extractant may dissolve of a liming material what the soil has not yet."""
    acid = method_name(line.series.method).casefold().startswith(_ACID)
    return acid and material in _LIMING


def _ends(level: Level) -> str:
    low, high = level.sufficient or (None, None)
    if low is None:
        return f"up to {levels.bound(high)}" if high is not None else ""
    return (
        f"from {levels.bound(low)}"
        if high is None
        else f"{levels.bound(low)} to {levels.bound(high)}"
    )
