"""Water in soil: moisture bases, water-filled pore space, target weights, water to add.

Moistures are fractions (0.27, not 27 %). `theta_g` is water / dry mass (oven-dry at 105 C for
24 h, the usual gravimetric method), `theta_v` water / volume. Densities in kg/L, masses in kg.
1 kg of water is 1 L.
"""

from __future__ import annotations

from decimal import Decimal

from logbook.errors import UserMistake

QUARTZ = Decimal("2.65")
"""Usual particle density of mineral soil, kg/L. Some manuals use 2.60; organic matter is far
lighter, so pore space computed from it is biased in a mix rich in compost."""


def gravimetric(wet_kg: Decimal, dry_kg: Decimal) -> Decimal:
    """theta_g = (wet - dry) / dry. Raises UserMistake if dry is not between 0 and wet."""
    if not 0 < dry_kg <= wet_kg:
        raise UserMistake(
            f"dry mass {dry_kg} and wet mass {wet_kg} do not fit together",
            "the dry mass is more than nothing and at most the wet mass",
        )
    return (wet_kg - dry_kg) / dry_kg


def dry_basis(wet_basis: Decimal) -> Decimal:
    """Water per dry mass from water per wet mass: u = w / (1 - w). Raises UserMistake."""
    if not 0 <= wet_basis < 1:
        raise UserMistake(f"{wet_basis} of the wet mass cannot be water")
    return wet_basis / (1 - wet_basis)


def wet_basis(dry_basis: Decimal) -> Decimal:
    """Water per wet mass from water per dry mass: w = u / (1 + u). Raises UserMistake."""
    if dry_basis < 0:
        raise UserMistake(f"{dry_basis} is less than no water")
    return dry_basis / (1 + dry_basis)


def per_dry_mass(moist_content: Decimal, theta_g: Decimal) -> Decimal:
    """A content per moist mass as a content per dry mass: x (1 + theta_g)."""
    return moist_content * (1 + theta_g)


def dry_mass(moist_kg: Decimal, theta_g: Decimal) -> Decimal:
    """Dry mass of moist soil: moist / (1 + theta_g)."""
    return moist_kg / (1 + theta_g)


def volumetric(theta_g: Decimal, bulk_density: Decimal) -> Decimal:
    """theta_v = theta_g x bulk density / density of water (1 kg/L)."""
    return theta_g * bulk_density


def porosity(bulk_density: Decimal, particle_density: Decimal = QUARTZ) -> Decimal:
    """Share of pores: f = 1 - bulk / particle density. Raises UserMistake if nothing is left."""
    if not 0 < bulk_density < particle_density:
        raise UserMistake(
            f"a bulk density of {bulk_density} kg/L leaves no pores",
            f"it lies between 0 and the density of the grains, {particle_density} kg/L",
        )
    return 1 - bulk_density / particle_density


def pore_space_filled(
    theta_g: Decimal, bulk_density: Decimal, particle_density: Decimal = QUARTZ
) -> Decimal:
    """Water-filled pore space, WFPS = theta_v / f, as a fraction; above 1 is shown as it is."""
    return volumetric(theta_g, bulk_density) / porosity(bulk_density, particle_density)


def moisture_at_pore_space(
    filled: Decimal, bulk_density: Decimal, particle_density: Decimal = QUARTZ
) -> Decimal:
    """theta_g at which the fraction `filled` of the pores holds water (WFPS turned round)."""
    return filled * porosity(bulk_density, particle_density) / bulk_density


def target_weight(dry_kg: Decimal, theta_g: Decimal, container_kg: Decimal = Decimal(0)) -> Decimal:
    """What the container weighs when its soil is at `theta_g`: container + dry (1 + theta_g)."""
    return container_kg + dry_kg * (1 + theta_g)


def water_to_add(target_kg: Decimal, now_kg: Decimal) -> Decimal:
    """Litres to reach the target weight: target - now; negative when it is already too wet."""
    return target_kg - now_kg


def target_after_removal(target_kg: Decimal, removed_kg: Decimal) -> Decimal:
    """The target weight after moist soil was taken out, else every pull makes the bed wetter."""
    return target_kg - removed_kg


def watering_ml(amount: Decimal, unit: str, area_m2: Decimal) -> Decimal:
    """A planned watering ("mL" a bed, or "L/m2") as mL for a bed; 1 L/m2 is 1 mm of water.

    Raises UserMistake for another unit.
    """
    if unit == "mL":
        return amount
    if unit == "L/m2":
        return amount * area_m2 * 1000
    raise UserMistake(f"{unit!r} is not a unit of watering", "use mL (per bed) or L/m2")
