"""What a laboratory's number can be: usual ranges, and the slips that put one outside of them.

A suspicion is a question for a person. It never changes a number and never stops an import.
The ranges are wide: they hold mixes of raised beds and fields of all kinds, by any extractant, so
that what lies outside is rather a slip of the pen than a soil.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cache
from math import log10
from statistics import fmean
from types import MappingProxyType

from logbook.trial.chemistry import ANALYTES, FORMS, canonical_factor
from logbook.trial.units import short

PRACTICE = "common practice, no source"
#: Days that a laboratory keeps what is left of a sample. Clemson's laboratory keeps soil a month.
KEEPS = 30
KEEPS_WORDS = "laboratories keep soil about a month; ask yours"


@dataclass(frozen=True)
class Range:
    """The usual range of an analyte in soil, in its canonical unit, and who says so."""

    low: float
    high: float
    source: str = PRACTICE


RANGES: dict[str, Range] = {
    "pH": Range(3.0, 10.5, "soils lie between 3.5 and 10 (textbooks of soil science), with room"),
    "EC": Range(0.0, 40.0, "sea water has about 50 dS/m"),
    "CEC": Range(0.3, 250.0, "organic soils have up to about 200 cmol(+)/kg, with room"),
    "OM": Range(0.0, 98.0, "peat"),
    "organic-C": Range(0.0, 580_000.0, "58 % of organic matter (van Bemmelen), all of it organic"),
    "total-N": Range(0.0, 50_000.0),
    "nitrate-N": Range(0.0, 2_000.0),
    "ammonium-N": Range(0.0, 3_000.0),
    "mineral-N": Range(0.0, 5_000.0),
    "P": Range(0.0, 5_000.0),
    "K": Range(3.0, 20_000.0, "3 mg/kg are 0.008 cmol(+)/kg, below what soils have; in cmol(+)/kg, "
               "3 would be 1,173 mg/kg"),
    "Ca": Range(20.0, 100_000.0),
    "Mg": Range(3.0, 20_000.0),
    "Na": Range(0.0, 30_000.0),
    "Al": Range(0.0, 50_000.0),
    "sulfate-S": Range(0.0, 10_000.0),
    "S": Range(0.0, 20_000.0),
    "Fe": Range(0.0, 50_000.0),
    "Mn": Range(0.0, 5_000.0),
    "Zn": Range(0.0, 2_000.0),
    "Cu": Range(0.0, 2_000.0),
    "B": Range(0.0, 100.0),
    "Cl": Range(0.0, 30_000.0),
    "CaCO3": Range(0.0, 98.0, "marl and chalk"),
}  # fmt: skip

#: How near a factor must come to 10 or 100, on its logarithm to base 10.
DECIMAL_SLACK = 0.2
#: How near it must come to the factor of a unit or a form. Common practice, no source.
FORM_SLACK = 0.08
#: How near the control beds of a report must come to a factor, all together: their nutrients
#: change between two pulls, by a few tenths. Common practice, no source; docs/quality.md measures
#: what it finds and what it asks for nothing.
REPORT_SLACK = 0.1
#: A change of a soil's pH from one pull to the next that is asked about. Common practice, no
#: source: five times what a laboratory reproduces (0.2), twice what nitrification commonly does.
PH_JUMP = 1.0
#: What microbes make and plants take up doubles honestly between two pulls.
RESTLESS = ("nitrate-N", "ammonium-N", "mineral-N")


@dataclass(frozen=True)
class Slip:
    """What may have happened to a number: `kind` of question, in words, times what was meant."""

    kind: str
    words: str
    factor: float
    slack: float

    @property
    def cause(self) -> str:
        """In words, without how many times: to name several in one question."""
        return self.words.partition(",")[0].rstrip("?")


_JUMPED = f"more than {PH_JUMP:g} at once: another bag, or a slip of the pen?"
_UP, _DOWN = Slip("jump", _JUMPED, 1.0, 0.0), Slip("jump", _JUMPED, -1.0, 0.0)


_POINTS = (
    Slip("decimal", "a lost decimal point, about a factor of 10?", 10.0, DECIMAL_SLACK),
    Slip("decimal", "a misplaced decimal point, about a tenth?", 0.1, DECIMAL_SLACK),
    Slip("decimal", "a lost decimal point, about a factor of 100?", 100.0, DECIMAL_SLACK),
    Slip("decimal", "a misplaced decimal point, about a hundredth?", 0.01, DECIMAL_SLACK),
)


@cache
def slips(analyte: str) -> tuple[Slip, ...]:
    """The slips that an analyte is prone to; a number is `factor` times what was meant."""
    found = [*_POINTS]
    of = ANALYTES[analyte]
    if of.unit == "%":
        found.insert(0, Slip("unit", "g/kg where % is written?", 10.0, DECIMAL_SLACK))
    if of.name in ("K", "Ca", "Mg", "Na", "Al"):
        mass = float(canonical_factor("cmol(+)/kg", of, Fraction(1)))
        found.append(
            Slip("unit", f"cmol(+)/kg where {of.unit} is written?", 1 / mass, DECIMAL_SLACK)
        )
    if of.name == "nitrate-N":
        share = float(FORMS["no3"][1])
        found.append(Slip("form", "nitrate where nitrate-N is written?", 1 / share, FORM_SLACK))
        found.append(Slip("form", "nitrate-N where nitrate is written?", share, FORM_SLACK))
    return tuple(found)


@cache
def slips_of_reports(analyte: str) -> tuple[Slip, ...]:
    """The units and forms that a whole report may be in, other than it says."""
    found = [one for one in slips(analyte) if one.kind != "decimal"]
    if ANALYTES[analyte].unit == "mg/kg":
        found.append(Slip("unit", "mg/100 g where mg/kg is written?", 0.1, REPORT_SLACK))
        found.append(Slip("unit", "mg/kg where mg/100 g is written?", 10.0, REPORT_SLACK))
        if analyte not in RESTLESS:
            # A furrow slice, 6 2/3 inches deep, weighs about two million pounds an acre.
            found.append(Slip("unit", "lb/acre where mg/kg is written?", 2.0, FORM_SLACK))
            found.append(Slip("unit", "mg/kg where lb/acre is written?", 0.5, FORM_SLACK))
    if analyte == "P":
        share = float(FORMS["p2o5"][1])
        found.append(Slip("form", "P2O5 where P is written?", 1 / share, FORM_SLACK))
        found.append(Slip("form", "P where P2O5 is written?", share, FORM_SLACK))
    return tuple(replace(one, slack=max(one.slack, REPORT_SLACK)) for one in found)


def slip(analyte: str, ratio: float) -> Slip | None:
    """The slip nearest to a ratio of a number to what was expected; None if none is near."""
    return _nearest(slips(analyte), ratio)


def point(ratio: float) -> Slip | None:
    """The decimal point whose slip is nearest to a ratio, of any analyte; None if none is near."""
    return _nearest(_POINTS, ratio)


def slip_of_report(analyte: str, ratio: float) -> Slip | None:
    """The slip nearest to the ratio by which a whole report is shifted; None if none is near."""
    return _nearest(slips_of_reports(analyte), ratio)


def _nearest(known: Iterable[Slip], ratio: float) -> Slip | None:
    if not ratio > 0:
        return None
    near = [
        (abs(log10(ratio / one.factor)), place, one)
        for place, one in enumerate(known)
        if abs(log10(ratio / one.factor)) <= one.slack
    ]
    return min(near)[2] if near else None


def jump(difference: float) -> Slip | None:
    """A pH that lies farther from another one than soils go between two pulls; else None."""
    if abs(difference) <= PH_JUMP:
        return None
    return _UP if difference > 0 else _DOWN


def outside(analyte: str, value: float) -> bool:
    """Whether a canonical value lies outside the usual range of its analyte."""
    usual = RANGES.get(analyte)
    return usual is not None and not usual.low <= value <= usual.high


def about_range(
    analyte: str, value: Decimal, beside: Mapping[str, float] = MappingProxyType({})
) -> tuple[str, str] | None:
    """Kind and sentence of a value outside its usual range; None inside it.

    beside: what its bed and the beds like it have, which may tell one slip from another.
    `65` for pH: "pH 65 lies outside 3 to 10.5: a lost decimal point, about a factor of 10?"
    """
    if not outside(analyte, float(value)):
        return None
    of, unit = RANGES[analyte], ANALYTES[analyte].unit
    shown = "" if unit == analyte else f" {unit}"
    kind, question = _likely(analyte, float(value), beside.values())
    what = f"{analyte} {short(value)}{shown} lies outside {of.low:,g} to {of.high:,g}{shown}"
    if beside:
        what += f" ({', '.join(f'{name} {number:.4g}' for name, number in beside.items())})"
    return kind, f"{what}: {question}" if question else what


def _likely(analyte: str, value: float, usual: Collection[float]) -> tuple[str, str]:
    """The slip that explains a value by what is usual there; else all that could, best first.

    Where nothing is known of the bed, units come before points.
    """
    found = _bringing_back(analyte, value)
    if not found:
        return "range", ""
    if usual:
        away = {one: _away(value / one.factor, usual) for one in found}
        near = [one for one in found if away[one] <= DECIMAL_SLACK]
        found = near if len(near) == 1 else sorted(found, key=lambda one: away[one])
    if len(found) == 1:
        return found[0].kind, found[0].words
    causes = dict.fromkeys(one.cause for one in found)
    return found[0].kind, f"{', or '.join(causes)}?"


def _bringing_back(analyte: str, value: float) -> list[Slip]:
    """The slips that would bring a value into its usual range, of each factor one."""
    factors: dict[float, Slip] = {}
    for one in sorted(slips(analyte), key=lambda one: one.kind == "decimal"):
        if value > 0 and not outside(analyte, value / one.factor):
            factors.setdefault(one.factor, one)
    return list(factors.values())


def _away(value: float, usual: Collection[float]) -> float:
    """How far a value lies from what is usual, on its logarithm to base 10."""
    return fmean(abs(log10(value / one)) for one in usual)


def impossible(analyte: str, value: float) -> bool:
    """Whether no soil can have this: a pH beyond 14, more than all of the sample."""
    of = ANALYTES[analyte]
    if of.dimension == "acidity":
        return value > 14
    return of.dimension == "content" and value > (100 if of.unit == "%" else 1_000_000)


def retest_until(received: date, lab: str, keeps: Mapping[str, int] | None = None) -> date:
    """The last day on which the laboratory still has the soil, counted from the report's day.

    keeps: days by laboratory, where they are known; else `KEEPS`.
    """
    return received + timedelta(days=(keeps or {}).get(lab, KEEPS))
