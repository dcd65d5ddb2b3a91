"""What each bed is to get or got, how far it thins the soil, and what is not known yet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.store import asking, views
from logbook.trial import rates
from logbook.trial.ranges import BedRef
from logbook.trial.records import Application, Bed, Treatment
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


def dry_fraction(known: Facts, bed: str) -> Decimal | None:
    """f: the amendment's share of a treated bed's dry mass, as applied where that was measured."""
    plan = planned(known, bed)
    if plan is None:
        return None
    line = known.applications.get(bed)
    lot = known.treatments[known.beds[bed].treatment].lot or ""
    density, moisture = known.densities.get(lot), known.moistures.get(lot)
    if line is None or line.known == "as planned" or plan.soil_dry_mass_g is None:
        return plan.dry_fraction
    grams = line.mass_g
    if grams is None and line.volume_l is not None and density is not None:
        grams = line.volume_l * density * 1000
    if grams is None or moisture is None:
        return plan.dry_fraction
    dry = grams * (100 - moisture) / 100
    return dry / (dry + plan.soil_dry_mass_g)


def missing_for_dilution(known: Facts, treatment: str) -> list[str]:
    """What must be known before the dilution of a treatment can be given, in words."""
    record = known.treatments[treatment]
    lot = record.lot or ""
    name = known.lot_names.get(lot, "the amendment")
    found = []
    if known.bulk_density is None:
        found.append("the soil's bulk density")
    if known.densities.get(lot) is None and record.rate_unit in (rates.OF_MIX, rates.ON_TOP):
        found.append(f"the density of {name}")
    if known.moistures.get(lot) is None:
        found.append(f"the moisture of {name}")
    return found


def not_known(store: sqlite3.Connection, trial: str) -> list[str]:
    """Everything that is not known yet, with what waits on it."""
    known = facts(store, trial)
    found = []
    if known.bulk_density is None:
        found.append("the soil's bulk density is not known yet: the dilution waits on it")
    for lot, name in sorted(known.lot_names.items(), key=lambda pair: pair[1]):
        if lot not in known.densities:
            found.append(f"the density of {name} is not known yet: litres to grams wait on it")
        if lot not in known.moistures:
            found.append(f"the moisture of {name} is not known yet: the dilution waits on it")
        if lot not in known.contents:
            found.append(f"the analysis of {name} is not known yet: its share released waits on it")
    return found


def watering_volumes(
    store: sqlite3.Connection, trial: str, beds: Iterable[BedRef]
) -> dict[str, Decimal]:
    """The planned water of each bed, mL; empty if the trial has no watering plan."""
    plans = views.fetch(store, "watering-plan", "trial = ?", (trial,))
    if not plans:
        return {}
    areas = asking.bed_areas(store, trial)
    return {bed.id: bed_volume_ml(plans[0].record, areas[bed.id]) for bed in beds}
