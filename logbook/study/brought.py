"""What the amendment brought: per bed, per area and per kg of the dry mix, nutrient by nutrient.

From the amount that each bed got, the lot's moisture and its analysis. Whatever is not known is
named, and the value that waits on it is not given. Contents are of the element: oxides were
converted when they were written down.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study import amounts
from logbook.study.samples import MINERAL_N, PARTS
from logbook.trial import rates
from logbook.trial.chemistry import ANALYTES
from logbook.trial.rates import Amount
from logbook.trial.records import LotContent, Treatment
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

TOTAL_N, ORGANIC_N = "total-N", "organic-N"
# What is no nutrient that an amendment brings into a bed.
_NOT_BROUGHT = frozenset({"OM", "organic-C", "CaCO3", "pH", "EC", "CEC"})


@dataclass(frozen=True)
class Stated:
    """A value in its unit with the range it lies in; None where `reason` says what is missing."""

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    reason: str = ""

    def times(self, factor: float, unit: str) -> Stated:
        """The same in another unit; a factor below zero turns the range round."""
        ends = [None if end is None else end * factor for end in (self.low, self.high)]
        low, high = ends if factor >= 0 else reversed(ends)
        value = None if self.value is None else self.value * factor
        return Stated(value, unit, low, high, self.reason)


@dataclass(frozen=True)
class Brought:
    """What a treatment's amendment brought of one nutrient: means over its beds.

    per_bed in g, per_area in kg/ha, per_mix in mg per kg of the dry mix; their ranges are the
    smallest and the largest bed, None where all got the same. share_sd: the standard deviation
    that the laboratory states of the analysis, as a share of the amount (None: it states none);
    unsure: why the amount itself may be off, and nobody knows how far, "" where it was measured
    or taken as planned. sources: the analyses it follows from. notes: what else to know.
    """

    nutrient: str
    per_bed: Stated
    per_area: Stated
    per_mix: Stated
    share_sd: float | None
    unsure: str
    sources: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Matter:
    """What a trial's amendments and beds are made of, read once.

    contents: lot -> nutrient -> its analysis; disputed: (lot, nutrient) on which machines
    disagree; prices: by lot, as written; densities: measured bulk densities by bed, the mean of
    each, kg/L; depth_cm: how deep samples are taken.
    """

    known: amounts.Facts
    contents: Mapping[str, Mapping[str, LotContent]]
    disputed: frozenset[tuple[str, str]]
    prices: Mapping[str, str]
    densities: Mapping[str, Decimal]
    depth_cm: Decimal

    def treatment(self, code: str) -> tuple[str, Treatment]:
        """The id and the record of a treatment by its code."""
        return next(pair for pair in self.known.treatments.items() if pair[1].code == code)

    def beds(self, treatment: str) -> list[str]:
        """The ids of the beds of a treatment (its id), in bench order."""
        beds = self.known.beds
        mine = [one for one, record in beds.items() if record.treatment == treatment]
        return sorted(mine, key=lambda one: beds[one].place)

    def name(self, treatment: Treatment) -> str:
        """What people call the amendment of a treatment: its code."""
        return self.known.lot_names.get(treatment.lot or "", "the amendment")


def matter(store: sqlite3.Connection, trial: str) -> Matter:
    """Read what the amendments of a trial bring, and how dense its beds are."""
    of_lot = "lot IN (SELECT id FROM lot WHERE trial = ?)"
    contents: dict[str, dict[str, LotContent]] = {}
    disputed = set()
    for found in views.fetch(store, "lot-content", of_lot, (trial,)):
        contents.setdefault(found.record.lot, {})[found.record.analyte] = found.record
        if found.conflict:
            disputed.add((found.record.lot, found.record.analyte))
    lots = views.fetch(store, "lot", "trial = ?", (trial,))
    return Matter(
        known=amounts.facts(store, trial),
        contents=contents,
        disputed=frozenset(disputed),
        prices={one.id: one.record.price for one in lots if one.record.price},
        densities=amounts.measured_densities(store, trial),
        depth_cm=views.fetch(store, "trial", "id = ?", (trial,))[0].record.depth_cm,
    )


def brought(known: Matter, code: str) -> tuple[Brought, ...]:
    """Everything a treatment's amendment brought: nitrogen first, then by the nutrient's table.

    Total nitrogen is always among it, if only to say that it is not known.
    """
    _, treatment = known.treatment(code)
    listed = known.contents.get(treatment.lot or "", {})
    others = [
        name
        for name in ANALYTES
        if name in listed and name not in (TOTAL_N, MINERAL_N, *PARTS, *_NOT_BROUGHT)
    ]
    some = [MINERAL_N] if {MINERAL_N, *PARTS} & set(listed) else []
    return tuple(of_nutrient(known, code, name) for name in (TOTAL_N, ORGANIC_N, *some, *others))


def of_nutrient(known: Matter, code: str, nutrient: str) -> Brought:
    """What a treatment's amendment brought of one nutrient (or of organic-N, mineral-N)."""
    ident, treatment = known.treatment(code)
    parts, lacking = _parts(known, treatment, nutrient)
    beds = [(bed, amounts.applied(known.known, bed)) for bed in known.beds(ident)]
    got = [(bed, amount) for bed, amount in beds if amount is not None]
    per_bed, per_area, per_mix = _values(known, treatment, parts, lacking, got)
    return Brought(
        nutrient=nutrient,
        per_bed=per_bed,
        per_area=per_area,
        per_mix=per_mix,
        share_sd=_share_sd(parts, [amount for _, amount in got]) if per_mix.value else None,
        unsure=_unsure(known, [bed for bed, _ in got]),
        sources=tuple(_source(one) for _, one in parts),
        notes=tuple(_notes(known, [bed for bed, _ in got])),
    )


Part = tuple[int, LotContent]
Brings = Callable[[Amount, Decimal, str], Decimal | None]
_UNITS = ("g", "kg/ha", "mg/kg")  # per bed, per area, per kg of the dry mix


def _parts(known: Matter, treatment: Treatment, nutrient: str) -> tuple[list[Part], list[str]]:
    """The analyses that add up to a nutrient, each with its sign, and those that are lacking."""
    lot = treatment.lot or ""
    listed = known.contents.get(lot, {})
    minerals = (MINERAL_N,) if MINERAL_N in listed else PARTS
    signs = {
        MINERAL_N: dict.fromkeys(minerals, 1),
        ORGANIC_N: {TOTAL_N: 1, **dict.fromkeys(minerals, -1)},
    }.get(nutrient, {nutrient: 1})
    name = known.name(treatment)
    lacking = [f"the {one} of {name}" for one in signs if one not in listed]
    lacking += [
        f"the {one} of {name}, on which machines disagree,"
        for one in signs
        if (lot, one) in known.disputed
    ]
    return [(sign, listed[one]) for one, sign in signs.items() if one in listed], lacking


def _values(
    known: Matter,
    treatment: Treatment,
    parts: Sequence[Part],
    lacking: Sequence[str],
    got: Sequence[tuple[str, Amount]],
) -> tuple[Stated, Stated, Stated]:
    """Per bed, per area, per kg of the mix."""
    if lacking or not got:
        why = waiting(lacking) if lacking else "cannot be given: no bed of it is known"
        return _without(why)
    grams = [_sum(parts, amount, rates.brought_g) for _, amount in got]
    mixes = [_sum(parts, amount, rates.applied_mg_per_kg) for _, amount in got]
    areas = [
        None if gram is None else gram / known.known.beds[bed].area_m2 * 10
        for gram, (bed, _) in zip(grams, got, strict=True)
    ]
    if any(one is not None and one < 0 for one in (*grams, *mixes)):
        why = (
            f"cannot be given: the analyses of {known.name(treatment)} contradict each other, "
            "more mineral than total nitrogen"
        )
        return _without(why)
    bases = {one.basis for _, one in parts}
    each = [amount for _, amount in got]
    for_bed = _unknown(known, treatment, each, bases, mix=False)
    for_mix = _unknown(known, treatment, each, bases, mix=True)
    return (
        _stated(grams, _UNITS[0], for_bed),
        _stated(areas, _UNITS[1], for_bed),
        _stated(mixes, _UNITS[2], for_mix),
    )


def _without(why: str) -> tuple[Stated, Stated, Stated]:
    """No value of any of the three, for one reason."""
    bed, area, mix = (Stated(None, one, reason=why) for one in _UNITS)
    return bed, area, mix


def _sum(parts: Iterable[Part], amount: Amount, brings: Brings) -> Decimal | None:
    """The signed sum over the analyses of what an amount brings; None while one is missing."""
    total = Decimal(0)
    for sign, one in parts:
        value = brings(amount, one.value, one.basis)
        if value is None:
            return None
        total += sign * value
    return total


def _stated(values: Sequence[Decimal | None], unit: str, unknown: Sequence[str]) -> Stated:
    """Mean and range over beds; without a value, what it waits on."""
    numbers = [float(one) for one in values if one is not None]
    if len(numbers) < len(values):
        return Stated(None, unit, reason=waiting(unknown))
    low, high = min(numbers), max(numbers)
    ends = (None, None) if math.isclose(low, high, rel_tol=1e-9) else (low, high)
    return Stated(sum(numbers) / len(numbers), unit, *ends)


def _unknown(
    known: Matter, treatment: Treatment, got: Sequence[Amount], bases: set[str], *, mix: bool
) -> list[str]:
    """What is not known yet and what a bed brought (or a kg of its mix) waits on."""
    facts, lot, name = known.known, treatment.lot or "", known.name(treatment)
    weighed = all(one.mass_g is not None for one in got)
    per_soil = treatment.rate_unit == rates.PER_SOIL
    by_volume = treatment.rate_unit in (rates.OF_MIX, rates.ON_TOP)
    cancels = per_soil and bases == {"dry"}  # the soil's mass, over itself
    found = []
    if facts.bulk_density is None and (not cancels if mix else per_soil and not weighed):
        found.append("the soil's bulk density")
    if lot not in facts.densities and by_volume and not weighed:
        found.append(f"the density of {name}")
    if lot not in facts.moistures and (mix or "dry" in bases):
        found.append(f"the moisture of {name}")
    return found


def waiting(unknown: Sequence[str]) -> str:
    """`cannot be given: the moisture of straw is not known yet`."""
    verb = "is" if len(unknown) == 1 else "are"
    return f"cannot be given: {' and '.join(unknown)} {verb} not known yet"


def _share_sd(parts: Sequence[Part], got: Sequence[Amount]) -> float | None:
    """SD of the analysis as a share of the amount: the parts' errors add as variances."""
    if any(one.sd is None for _, one in parts):
        return None
    shares = []
    for amount in got:
        total = _sum(parts, amount, rates.applied_mg_per_kg)
        errors = [
            rates.applied_mg_per_kg(amount, one.sd or Decimal(0), one.basis) for _, one in parts
        ]
        if not total or None in errors:
            return None
        shares.append(math.hypot(*(float(one or 0) for one in errors)) / float(total))
    return sum(shares) / len(shares)


def _unsure(known: Matter, beds: Iterable[str]) -> str:
    """Why nobody knows how far the amount may be off; "" where it was measured or planned."""
    lines = known.known.applications
    by_eye = [
        known.known.beds[bed].label for bed in beds if bed in lines and lines[bed].known == "by eye"
    ]
    if not by_eye:
        return ""
    return f"the amount on {', '.join(by_eye)} was judged by eye: how far it is off is not known"


def _notes(known: Matter, beds: Iterable[str]) -> Iterator[str]:
    """How the amounts were known, where they were not measured."""
    lines, labels = known.known.applications, known.known.beds
    mine = list(beds)
    for words, said in (
        ("not applied yet: the planned amount is taken", None),
        ("nobody said what was mixed in: the planned amount is taken", "as planned"),
    ):
        some = [
            labels[bed].label
            for bed in mine
            if (lines[bed].known if bed in lines else None) == said
        ]
        if some:
            yield f"{', '.join(some)}: {words}"


def _source(one: LotContent) -> str:
    """`total-N 15000 mg/kg dry, dry combustion`."""
    error = "" if one.sd is None else f" (SD {short(one.sd)})"
    return f"{one.analyte} {short(one.value)} {one.unit}{error} {one.basis}, {one.method}"
