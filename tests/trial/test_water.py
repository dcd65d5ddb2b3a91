"""Moisture arithmetic against an instrument manual's example and worked trays."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from logbook.errors import UserMistake
from logbook.trial import water

D = Decimal


def near(value: D, expected: str, places: int) -> bool:
    return abs(value - D(expected)) <= D(10) ** -places / 2 * D("1.01")


def test_core_of_an_instrument_manual() -> None:
    """Manual's appendix: 94 g wet, 78 g dry, 60 cm3; with 2.65, and with its own 2.60."""
    theta = water.gravimetric(D(94), D(78))
    density = D(78) / 60
    assert near(theta, ".20513", 5)
    assert density == D("1.3")
    assert near(water.volumetric(theta, density), ".26667", 5)
    assert near(water.porosity(density), ".50943", 5)
    assert near(water.pore_space_filled(theta, density), ".5235", 4)
    assert water.porosity(density, D("2.6")) == D("0.5")
    assert near(water.pore_space_filled(theta, density, D("2.6")), ".5333", 4)


def test_saturated_core() -> None:
    """Soil physics text: .700 kg wet, .600 kg dry, .35 L; 80.92 % saturation unrounded."""
    theta, density = water.gravimetric(D(".7"), D(".6")), D(".6") / D(".35")
    assert near(density, "1.714", 3)
    assert near(water.porosity(density), ".3531", 4)
    assert near(water.pore_space_filled(theta, density), ".8092", 4)
    full = water.moisture_at_pore_space(D(1), density)
    assert near(full * D(".6"), ".1236", 4)


def test_sixty_percent_of_the_pores() -> None:
    """Computed: 60 % WFPS at 1.10 kg/L is theta_v .35094, theta_g .31904."""
    theta = water.moisture_at_pore_space(D(".6"), D("1.10"))
    assert near(theta, ".31904", 5)
    assert near(water.volumetric(theta, D("1.10")), ".35094", 5)
    assert near(water.pore_space_filled(theta, D("1.10")), ".6", 20)


def test_tray_to_sixty_percent_of_its_capacity() -> None:
    """Computed: 5 kg at 4 %; capacity .45, target 60 %: add 1.10577 kg; pot .350 kg."""
    dry = water.dry_mass(D(5), D(".04"))
    target = water.target_weight(dry, D(".6") * D(".45"), D(".350"))
    assert near(dry, "4.80769", 5)
    assert near(dry * D(".27"), "1.29808", 5)
    assert near(target, "6.45577", 5)
    assert near(water.water_to_add(target, D("5.350")), "1.10577", 5)


def test_the_target_falls_by_what_a_pull_takes() -> None:
    """Computed: 6.456 kg less 0.20 kg of moist soil is 6.256 kg."""
    assert water.target_after_removal(D("6.456"), D("0.20")) == D("6.256")


def test_too_wet_is_shown_as_it_is() -> None:
    assert water.water_to_add(D("6.2"), D("6.5")) == D("-0.3")


def test_moisture_bases() -> None:
    """u = w/(1-w); 25 mg/kg on moist soil is 30.0 dry at 20 % dry basis, 31.25 at 20 % wet."""
    assert water.per_dry_mass(D(25), D(".20")) == 30
    assert water.per_dry_mass(D(25), water.dry_basis(D(".20"))) == D("31.25")
    assert water.wet_basis(water.dry_basis(D(".4"))) == pytest.approx(D(".4"))


def test_watering_by_bed_and_by_area() -> None:
    """1 mm of water is 1 L/m2 (definition)."""
    assert water.watering_ml(D(250), "mL", D("2.88")) == 250
    assert water.watering_ml(D(3), "L/m2", D("2.88")) == 8640
    with pytest.raises(UserMistake, match="'gal' is not a unit of watering"):
        water.watering_ml(D(3), "gal", D(1))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: water.gravimetric(D(70), D(78)), "do not fit together"),
        (lambda: water.gravimetric(D(70), D(0)), "do not fit together"),
        (lambda: water.dry_basis(D(1)), "cannot be water"),
        (lambda: water.wet_basis(D("-.1")), "less than no water"),
        (lambda: water.porosity(D("2.7")), "leaves no pores"),
    ],
)
def test_impossible_values_are_refused(call: Callable[[], D], message: str) -> None:
    with pytest.raises(UserMistake, match=message):
        call()
