"""Amendment rates: read "10 % v/v of the mix", turn a rate into litres and grams for one bed.

A volume rate has two readings, and both are in use: a share of the finished mix, or an addition
on top of a fixed volume of soil. A rate that does not say which is refused. Masses are of the
amendment as it is (moist) unless a name says dry. A rate applies to the layer into which the
amendment is worked, not to the whole bed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from logbook.errors import UserMistake
from logbook.trial import units

OF_MIX = "% v/v of the mix"
ON_TOP = "% v/v on top of the soil"
PER_SOIL = "g/kg"
PER_BED = "g/bed"
AREA_UNITS = tuple(units.UNITS["mass per area"])
RATE_UNITS = (OF_MIX, ON_TOP, *AREA_UNITS, PER_SOIL, PER_BED)
BASES = ("dry", "as is")

_SPOKEN = (OF_MIX, ON_TOP, *AREA_UNITS, f"{PER_SOIL} of dry soil", PER_BED, "kg/bed")
_HINT = f'write it like "20 t/ha", with one of: {", ".join(_SPOKEN)}'
_NUMBER = re.compile(r"\s*([+-]?[0-9][0-9.,]*|[+-]?[.,][0-9]+)\s*(.*?)\s*\Z", re.DOTALL)
_VOLUME = re.compile(
    r"(?:%|percent)\s*(?:v/v|vol/vol|by volume|vol\.?)?\s*(of the mix|on top of the soil|on top)?\Z"
)


def parse_rate(text: str) -> tuple[Decimal, str]:
    """Read a rate as (value, one of RATE_UNITS); "g/kg" is g as it is per kg of dry soil.

    Raises UserMistake for anything else, for a bare volume percentage (it has two readings), for
    nothing or less, and for a mix that would hold no soil.
    """
    match = _NUMBER.match(text)
    if match is None:
        raise UserMistake(f"{text.strip()!r} is not a rate", _HINT)
    value, unit = units.number(match[1]), " ".join(match[2].lower().split())
    volume = _VOLUME.match(unit)
    if volume:
        return _checked(text, value, _reading(text, value, volume[1]))
    if re.fullmatch(r"(g|kg)( ?/ ?| per )bed", unit):
        return _checked(text, value * (1000 if unit.startswith("kg") else 1), PER_BED)
    if re.fullmatch(r"g ?/ ?kg( of)?( dry)?( soil)?", unit):
        return _checked(text, value, PER_SOIL)
    usual = units.canonical_unit(match[2]) if match[2] else None
    if usual not in AREA_UNITS:
        raise UserMistake(f"{text.strip()!r} is not a rate: its unit is not known", _HINT)
    return _checked(text, value, usual)


def _reading(text: str, value: Decimal, words: str | None) -> str:
    if words is None:
        share = units.short(round(value / (100 + value) * 100, 2)) if value > 0 else "?"
        raise UserMistake(
            f"{text.strip()!r} can be read in two ways",
            f'write "{units.short(value)} {OF_MIX}" or "{units.short(value)} {ON_TOP}" '
            f"(the second is {share} % of the mix)",
        )
    return OF_MIX if words == "of the mix" else ON_TOP


def _checked(text: str, value: Decimal, unit: str) -> tuple[Decimal, str]:
    if value <= 0:
        raise UserMistake(f"{text.strip()!r} must be more than nothing", _HINT)
    if unit == OF_MIX and value >= 100:
        raise UserMistake(
            f"{text.strip()!r} leaves no soil in the mix",
            f'give less than 100 %, or write "{units.short(value)} {ON_TOP}"',
        )
    return value, unit


def of_mix(on_top: Decimal) -> Decimal:
    """% of the mix that equals `on_top` % on top of the soil: p/(1+p); 10 % is 9.0909 %.

    Source: volume balance without settling (the mix shrinks a little as it settles).
    """
    return on_top / (100 + on_top) * 100


def on_top(of_the_mix: Decimal) -> Decimal:
    """% on top of the soil that equals `of_the_mix` % of the mix: p/(1-p); 20 % is 25 %."""
    return of_the_mix / (100 - of_the_mix) * 100


@dataclass(frozen=True)
class Amount:
    """What one bed gets. Each value is None while something it needs is not known.

    `soil_dry_mass_g` is the dry soil of the layer worked; `dry_fraction` is f, the amendment's
    share of the dry mass of that layer, as used in T - (1 - f) C. `missing` names each unknown
    and what waits on it: "lot density: grams and dilution wait on it".
    """

    volume_l: Decimal | None
    mass_g: Decimal | None
    dry_mass_g: Decimal | None
    soil_dry_mass_g: Decimal | None
    dry_fraction: Decimal | None
    missing: tuple[str, ...]


def amount_for_bed(
    rate: Decimal,
    unit: str,
    area_m2: Decimal,
    depth_cm: Decimal,
    *,
    bulk_density: Decimal | None,
    density: Decimal | None,
    moisture: Decimal | None,
) -> Amount:
    """Litres, grams and dilution of `rate` in the layer of `area_m2` x `depth_cm` of one bed.

    `depth_cm` is the incorporation depth; `bulk_density` that of the dry soil and `density` that
    of the amendment as it is, both kg/L; `moisture` its water in % of the wet mass.
    Of the mix: amendment pV, soil (1-p)V. On top of the soil, and for every rate by mass: the
    layer V is soil, the amendment is added to it. f = dry amendment / (dry amendment + dry soil).
    Source: mass and volume balances without settling; 1 m2 x 1 cm = 10 L.
    """
    layer = area_m2 * depth_cm * 10
    share = rate / 100 if unit == OF_MIX else Decimal(0)
    soil = None if bulk_density is None else (1 - share) * layer * bulk_density * 1000
    volume, mass = _amendment(rate, unit, layer, area_m2=area_m2, soil_g=soil, density=density)
    solids = None if moisture is None else 1 - moisture / 100
    dry = None if mass is None or solids is None else mass * solids
    fraction = _dry_fraction(rate, unit, solids, dry, soil)
    known = {
        "soil bulk density": bulk_density is not None,
        "lot density": density is not None,
        "lot moisture": moisture is not None,
    }
    return Amount(volume, mass, dry, soil, fraction, _missing(unit, known))


def _amendment(
    rate: Decimal,
    unit: str,
    layer_l: Decimal,
    *,
    area_m2: Decimal,
    soil_g: Decimal | None,
    density: Decimal | None,
) -> tuple[Decimal | None, Decimal | None]:
    """Litres and grams as it is of the amendment for one bed."""
    if unit in (OF_MIX, ON_TOP):
        volume = rate / 100 * layer_l
        return volume, None if density is None else volume * density * 1000
    mass = _mass(rate, unit, area_m2, soil_g)
    return (None if mass is None or density is None else mass / density / 1000), mass


def _mass(rate: Decimal, unit: str, area_m2: Decimal, soil_g: Decimal | None) -> Decimal | None:
    if unit == PER_BED:
        return rate
    if unit == PER_SOIL:
        return None if soil_g is None else rate * soil_g / 1000
    return units.convert(rate, unit, "g/m2", "mass per area") * area_m2


def _dry_fraction(
    rate: Decimal, unit: str, solids: Decimal | None, dry: Decimal | None, soil: Decimal | None
) -> Decimal | None:
    if unit == PER_SOIL and solids is not None:  # the soil's mass cancels
        return rate * solids / (1000 + rate * solids)
    return None if dry is None or soil is None else dry / (dry + soil)


_NEEDS_DENSITY = {"volume": ("grams", "dry grams", "dilution"), "mass": ("litres",)}
_NEEDS_SOIL = {
    PER_SOIL: ("litres", "grams", "dry grams", "dry soil"),
    "else": ("dry soil", "dilution"),
}


def _missing(unit: str, known: dict[str, bool]) -> tuple[str, ...]:
    """Each unknown input with what waits on it, for a rate of this unit."""
    kind = "volume" if unit in (OF_MIX, ON_TOP) else "mass"
    waiting = {
        "soil bulk density": _NEEDS_SOIL.get(unit, _NEEDS_SOIL["else"]),
        "lot density": _NEEDS_DENSITY[kind],
        "lot moisture": ("dry grams", "dilution"),
    }
    return tuple(
        f"{name}: {_and(waiting[name])} wait on it"
        for name, is_known in known.items()
        if not is_known
    )


def _and(words: tuple[str, ...]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def applied_mg_per_kg(amount: Amount, content: Decimal, basis: str) -> Decimal | None:
    """What the amendment brings, in mg per kg of the dry mix; None while something is missing.

    `content` in mg/kg of the amendment, on the `basis` "dry" or "as is": f x content (dry), or
    mass as it is x content / dry mass of the mix. Raises UserMistake for another basis.
    """
    if basis not in BASES:
        raise UserMistake(f"{basis!r} is not a basis", 'use "dry" or "as is"')
    if basis == "dry":
        return None if amount.dry_fraction is None else amount.dry_fraction * content
    if amount.mass_g is None or amount.dry_mass_g is None or amount.soil_dry_mass_g is None:
        return None
    return amount.mass_g * content / (amount.dry_mass_g + amount.soil_dry_mass_g)


def brought_g(amount: Amount, content: Decimal, basis: str) -> Decimal | None:
    """What the amendment brings into one bed, in g; None while something is missing.

    `content` in mg/kg of the amendment, on the `basis` "dry" or "as is". Raises UserMistake for
    another basis.
    """
    if basis not in BASES:
        raise UserMistake(f"{basis!r} is not a basis", 'use "dry" or "as is"')
    mass = amount.dry_mass_g if basis == "dry" else amount.mass_g
    return None if mass is None else mass * content / 1_000_000


def kg_per_ha(content: Decimal, bulk_density: Decimal, depth_cm: Decimal) -> Decimal:
    """A content of a layer, mg/kg of dry soil, as kg/ha: content x bulk density x depth x 0.1.

    `bulk_density` in kg/L, dry. Source: the mass of the layer, 1 ha x 1 cm = 100,000 L.
    """
    return content * bulk_density * depth_cm / 10


def content_of_layer(per_ha: Decimal, bulk_density: Decimal, depth_cm: Decimal) -> Decimal:
    """mg/kg of dry soil from kg/ha: `kg_per_ha` turned round. Raises UserMistake for no layer."""
    layer = bulk_density * depth_cm
    if layer <= 0:
        raise UserMistake(f"a layer of {depth_cm} cm at {bulk_density} kg/L has no soil in it")
    return per_ha / layer * 10
