"""What each bed is to get or got, how far it thins the soil, and what is not known yet."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.store import asking, views
from logbook.trial import rates, unknown
from logbook.trial.ranges import BedRef, compact
from logbook.trial.records import BULK_DENSITY, Application, Bed, Treatment
from logbook.trial.watering import bed_volume_ml

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True)
class Facts:
    """What amounts follow from: soil and lots as far as they are known, by id."""

    bulk_density: Decimal | None
    densities: dict[str, Decimal]
    moistures: dict[str, Decimal]
    treatments: dict[str, Treatment]
    beds: dict[str, Bed]
    applications: dict[str, Application]
    lot_names: dict[str, str]
    contents: dict[str, set[str]]


def facts(store: sqlite3.Connection, trial: str) -> Facts:
    """Read what amounts follow from."""
    soil = views.fetch(store, "soil", "trial = ?", (trial,))
    lots = {found.id: found.record for found in views.fetch(store, "lot", "trial = ?", (trial,))}
    amendments = {
        found.id: found.record.code
        for found in views.fetch(store, "amendment", "trial = ?", (trial,))
    }
    of_lot = "lot IN (SELECT id FROM lot WHERE trial = ?)"
    contents: dict[str, set[str]] = {}
    for found in views.fetch(store, "lot-content", of_lot, (trial,)):
        contents.setdefault(found.record.lot, set()).add(found.record.analyte)
    return Facts(
        bulk_density=soil[0].record.bulk_density if soil else None,
        densities={
            found.record.lot: found.record.density
            for found in views.fetch(store, "lot-density", of_lot, (trial,))
        },
        moistures={
            found.record.lot: found.record.moisture
            for found in views.fetch(store, "lot-moisture", of_lot, (trial,))
        },
        treatments={
            found.id: found.record
            for found in views.fetch(store, "treatment", "trial = ?", (trial,))
        },
        beds={found.id: found.record for found in views.fetch(store, "bed", "trial = ?", (trial,))},
        applications={
            found.record.bed: found.record
            for found in views.fetch(store, "apply", views.OF_TRIAL, (trial,))
        },
        lot_names={ident: amendments.get(lot.amendment, lot.name) for ident, lot in lots.items()},
        contents=contents,
    )


def planned(known: Facts, bed: str) -> rates.Amount | None:
    """What a bed is to get by its treatment's rate; None for a control bed."""
    place = known.beds[bed]
    treatment = known.treatments.get(place.treatment)
    if treatment is None or treatment.control or treatment.rate is None:
        return None
    lot = treatment.lot or ""
    return rates.amount_for_bed(
        treatment.rate,
        treatment.rate_unit or "",
        place.area_m2,
        treatment.depth_cm,
        bulk_density=known.bulk_density,
        density=known.densities.get(lot),
        moisture=known.moistures.get(lot),
    )


def applied(known: Facts, bed: str) -> rates.Amount | None:
    """What a treated bed got, as far as it was measured, else what it was to get; None: control."""
    plan, line = planned(known, bed), known.applications.get(bed)
    if plan is None or line is None or line.known == "as planned":
        return plan
    lot = known.treatments[known.beds[bed].treatment].lot or ""
    density, moisture = known.densities.get(lot), known.moistures.get(lot)
    grams, litres = line.mass_g, line.volume_l
    if grams is None and litres is not None and density is not None:
        grams = litres * density * 1000
    if grams is None:
        return plan
    if litres is None and density is not None:
        litres = grams / density / 1000
    dry = None if moisture is None else grams * (100 - moisture) / 100
    soil, fraction = plan.soil_dry_mass_g, plan.dry_fraction
    if dry is not None and soil is not None:
        fraction = dry / (dry + soil)
    return replace(plan, volume_l=litres, mass_g=grams, dry_mass_g=dry, dry_fraction=fraction)


def dry_fraction(known: Facts, bed: str) -> Decimal | None:
    """f: the amendment's share of a treated bed's dry mass, as applied where that was measured."""
    got = applied(known, bed)
    return None if got is None else got.dry_fraction


def missing_for_dilution(known: Facts, treatment: str) -> list[str]:
    """What must be known before the dilution of a treatment can be given, in words."""
    name = known.lot_names.get(known.treatments[treatment].lot or "", "the amendment")
    soil, options = _missing_for_dilution(known, treatment)
    found = ["the soil's bulk density"] if soil else []
    return found + [f"the {option} of {name}" for option in options]


def given_by(known: Facts, treatment: str) -> list[str]:
    """The commands that write down what the dilution of a treatment waits for."""
    name = known.lot_names.get(known.treatments[treatment].lot or "")
    soil, options = _missing_for_dilution(known, treatment)
    found = ["logbook amendment set soil --density ..."] if soil else []
    if name and options:
        told = " ".join(f"--{option} ..." for option in options)
        found.append(f"logbook amendment set {shlex.quote(name)} {told}")
    return found


def _missing_for_dilution(known: Facts, treatment: str) -> tuple[bool, list[str]]:
    """Whether the soil's density is missing, and what of the lot is: "density", "moisture"."""
    record = known.treatments[treatment]
    lot = record.lot or ""
    options = []
    if known.densities.get(lot) is None and record.rate_unit in (rates.OF_MIX, rates.ON_TOP):
        options.append("density")
    if known.moistures.get(lot) is None:
        options.append("moisture")
    return known.bulk_density is None, options


def measured_densities(store: sqlite3.Connection, trial: str) -> dict[str, Decimal]:
    """The bulk density measured on each bed, kg/L, the mean of several; without disputed ones."""
    found: dict[str, list[Decimal]] = {}
    where = "what = ? AND about IN (SELECT id FROM bed WHERE trial = ?)"
    for one in views.fetch(store, "measure", where, (BULK_DENSITY, trial)):
        if not one.conflict:
            found.setdefault(one.record.about, []).append(one.record.value)
    return {bed: sum(values, Decimal(0)) / len(values) for bed, values in found.items()}


def bulk_density(
    known: Facts, measured: Mapping[str, Decimal], treatment: str
) -> tuple[Decimal, str] | None:
    """The bulk density of a treatment's beds (its id), kg/L, and whose it is.

    The mean of those measured on its beds, else the soil's; None where neither is known.
    """
    own = {
        record.label: measured[bed]
        for bed, record in sorted(known.beds.items(), key=lambda pair: pair[1].place)
        if record.treatment == treatment and bed in measured
    }
    if own:
        return sum(own.values(), Decimal(0)) / len(own), f"measured on {compact(own)}"
    if known.bulk_density is None:
        return None
    return known.bulk_density, "the soil's"


def not_known(store: sqlite3.Connection, trial: str) -> list[str]:
    """Everything that is not known yet, with what waits on it."""
    known = facts(store, trial)
    found = []
    rates_of: dict[str, list[str]] = {}
    by_soil = []
    for treatment in known.treatments.values():
        rates_of.setdefault(treatment.lot or "", []).append(treatment.rate_unit or "")
        if treatment.rate_unit == rates.PER_SOIL:
            by_soil.append(treatment.code)
    if known.bulk_density is None:
        found.append(unknown.soil_density(sorted(by_soil)))
    for lot, name in sorted(known.lot_names.items(), key=lambda pair: pair[1]):
        found += unknown.of_lot(
            name,
            rates_of.get(lot, ()),
            density=lot not in known.densities,
            moisture=lot not in known.moistures,
            contents=() if lot in known.contents else ("analysis",),
        )
    if any(one.record.lab is None for one in views.fetch(store, "trial", "id = ?", (trial,))):
        found.append(unknown.LABORATORY)
    return [str(one) for one in found]


def watering_volumes(
    store: sqlite3.Connection, trial: str, beds: Iterable[BedRef]
) -> dict[str, Decimal]:
    """The planned water of each bed, mL; empty if the trial has no watering plan."""
    plans = views.fetch(store, "watering-plan", "trial = ?", (trial,))
    if not plans:
        return {}
    areas = asking.bed_areas(store, trial)
    return {bed.id: bed_volume_ml(plans[0].record, areas[bed.id]) for bed in beds}
