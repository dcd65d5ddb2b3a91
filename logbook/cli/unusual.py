"""Remarks on what can be, but seldom is: soil that fills a bed, densities, temperatures.

The bounds are common practice (no source); what is beyond them is written all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.trial import units
from logbook.trial.ranges import BedRef, compact
from logbook.trial.records import BULK_DENSITY

if TYPE_CHECKING:
    import sqlite3

# A density this far off the declared one is worth a remark, as an amount is off the plan.
_FAR = Decimal("0.25")
# Soil lies loosely when it is filled in, and it is weighed moist, often nobody says how moist.
_LOOSE, _MOIST = Decimal("0.6"), Decimal(40)
# The soil of a bed under a roof, and the air about it, C.
_USUAL = {
    "soil temperature": (Decimal(-10), Decimal(45)),
    "air temperature": (Decimal(-25), Decimal(50)),
}
# From perlite and dry moss to gravel, kg/L.
_LIGHTEST, _HEAVIEST = Decimal("0.03"), Decimal("2.5")


def fillings(
    store: sqlite3.Connection,
    trial: str,
    filled: Iterable[tuple[BedRef, Decimal | None, Decimal | None]],
) -> list[str]:
    """Remarks on soil (bed, kg moist, % of the dry mass) that does not fit the bed's size."""
    density = declared(store, trial)
    if density is None:
        return []
    far: dict[tuple[Decimal, Decimal], list[str]] = {}
    for bed, kilos, moisture in filled:
        litres = _litres(store, bed)
        most = density * (1 + _FAR) * (100 + (_MOIST if moisture is None else moisture)) / 100
        if kilos is not None and not density * _LOOSE <= kilos / litres <= most:
            far.setdefault((kilos, litres), []).append(bed.label)
    return [
        f"{_digits(kilos)} kg in {_digits(litres)} L ({compact(labels)}) is "
        f"{_digits(kilos / litres)} kg/L, and the soil's bulk density is {units.short(density)} "
        "kg/L: check it"
        for (kilos, litres), labels in far.items()
    ]


def _litres(store: sqlite3.Connection, bed: BedRef) -> Decimal:
    size = views.fetch(store, "bed", "id = ?", (bed.id,))[0].record
    return Decimal(size.area_m2 * size.depth_cm * 10)


def declared(store: sqlite3.Connection, trial: str) -> Decimal | None:
    """The soil's bulk density by the protocol, kg/L."""
    found = views.fetch(store, "soil", "trial = ?", (trial,))
    density: Decimal | None = found[0].record.bulk_density if found else None
    return density


def reading(what: str, number: Decimal, soil: Decimal | None) -> list[str]:
    """Remarks on a reading in its first unit; `soil` is the soil's declared bulk density."""
    if what == BULK_DENSITY:
        return bulk_density(number, soil)
    low, high = _USUAL.get(what, (number, number))
    if low <= number <= high:
        return []
    return [f"{what} {units.short(number)} C is unusual: check the number, and whether C or F"]


def bulk_density(number: Decimal, soil: Decimal | None) -> list[str]:
    """A remark on a soil's density over a quarter off the declared one."""
    if soil is None or abs(number - soil) <= _FAR * soil:
        return []
    return [
        f"the soil's bulk density by the protocol is {units.short(soil)} kg/L: this is more than "
        "25 % off, check it"
    ]


def loose_density(number: Decimal) -> list[str]:
    """A remark on the density of a material that hardly any has."""
    if _LIGHTEST <= number <= _HEAVIEST:
        return []
    way = "lighter" if number < _LIGHTEST else "heavier"
    return [f"{_digits(number)} kg/L is {way} than loose materials are: check the unit"]


def _digits(number: Decimal) -> str:
    """Three digits, as far as it has them."""
    return units.short(Decimal(f"{number:.3g}"))


def corrected_readings(
    store: sqlite3.Connection, changed: Iterable[tuple[str, str, Mapping[str, str]]]
) -> list[str]:
    """Remarks on readings typed anew: (what, bed or trial, values)."""
    told: list[str] = []
    for what, about, values in changed:
        if "value" in values:
            bed = views.fetch(store, "bed", "id = ?", (about,))
            soil = declared(store, bed[0].record.trial) if bed else None
            told += reading(what, Decimal(values["value"]), soil)
    return list(dict.fromkeys(told))
