"""Rates against worked examples of the trade, and the balances they rest on."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial import rates, units
from logbook.trial.rates import OF_MIX, ON_TOP

D = Decimal

# A bed of 1.2 m x 2.4 m, worked 15 cm deep: 432 L. Computed from the balances.
AREA, DEPTH = D("2.88"), D(15)
SOIL, LOT, MOIST = D("1.3"), D("0.55"), D(40)


def near(value: D | None, expected: str, digits: int = 4) -> bool:
    assert value is not None
    return abs(value - D(expected)) <= abs(D(expected)) * D(10) ** -digits


def bed_amount(rate: D, unit: str, area: D, depth: D, *known: D | None) -> rates.Amount:
    """`known`: the soil's bulk density, the lot's density, the lot's moisture."""
    soil, density, moisture = known
    return rates.amount_for_bed(
        rate, unit, area, depth, bulk_density=soil, density=density, moisture=moisture
    )


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("10 % v/v of the mix", "10", OF_MIX),
        ("7,5% of the mix", "7.5", OF_MIX),
        ("10 % by volume on top of the soil", "10", ON_TOP),
        ("120 % v/v on top", "120", ON_TOP),
        ("20 t/ha", "20", "t/ha"),
        ("2 tonnes/ha", "2", "t/ha"),
        ("15 g/kg", "15", "g/kg"),
        ("15 g/kg dry soil", "15", "g/kg"),
        ("350 g per bed", "350", "g/bed"),
        ("1.5 kg/bed", "1500", "g/bed"),
        ("50 lb/1000 ft2", "50", "lb/1000 ft2"),
        ("8 kg/m2", "8", "kg/m2"),
    ],
)
def test_rates_are_read(text: str, value: str, unit: str) -> None:
    assert rates.parse_rate(text) == (D(value), unit)
    assert unit in rates.RATE_UNITS


@pytest.mark.parametrize("text", ["10 %", "10 % v/v", "10% by volume"])
def test_a_bare_volume_rate_has_two_readings_and_is_refused(text: str) -> None:
    with pytest.raises(UserMistake, match="can be read in two ways") as caught:
        rates.parse_rate(text)
    assert caught.value.hint == (
        'write "10 % v/v of the mix" or "10 % v/v on top of the soil" (the second is 9.09 % of '
        "the mix)"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a lot", "'a lot' is not a rate"),
        ("5 handfuls", "'5 handfuls' is not a rate: its unit is not known"),
        ("20", "'20' is not a rate: its unit is not known"),
        ("0 t/ha", "'0 t/ha' must be more than nothing"),
        ("-5 g/bed", "'-5 g/bed' must be more than nothing"),
        ("100 % of the mix", "'100 % of the mix' leaves no soil in the mix"),
        ("1,234.5 t/ha", "'1,234.5' has a thousands mark"),
    ],
)
def test_nonsense_is_refused(text: str, message: str) -> None:
    with pytest.raises(UserMistake) as caught:
        rates.parse_rate(text)
    assert str(caught.value) == message


def test_a_rate_that_is_none_lists_every_unit_that_is_understood() -> None:
    with pytest.raises(UserMistake) as caught:
        rates.parse_rate("5 kg/ha2")
    listed = caught.value.hint.partition("one of: ")[2].split(", ")
    assert {rates.parse_rate(f"5 {unit}")[1] for unit in listed} == set(rates.RATE_UNITS)


@pytest.mark.parametrize(("top", "mix"), [("10", "9.0909"), ("20", "16.667"), ("30", "23.077")])
def test_both_readings_convert(top: str, mix: str) -> None:
    """Computed: 10, 20, 30 % on top are 9.0909, 16.667, 23.077 % of the mix."""
    assert near(rates.of_mix(D(top)), mix)
    assert near(rates.on_top(rates.of_mix(D(top))), top, 20)


@pytest.mark.parametrize(
    ("rate", "litres", "kilos", "t_per_ha"),
    [
        ("10", "43.2", "23.76", "82.5"),
        ("5", "21.6", "11.88", "41.25"),
        ("20", "86.4", "47.52", "165"),
    ],
)
def test_share_of_the_mix_in_a_432_litre_bed(
    rate: str, litres: str, kilos: str, t_per_ha: str
) -> None:
    """Computed: length x width x depth x proportion; 0.55 kg/L as it is."""
    amount = bed_amount(D(rate), OF_MIX, AREA, DEPTH, SOIL, LOT, MOIST)
    assert amount.volume_l == D(litres)
    assert amount.mass_g == D(kilos) * 1000
    per_area = amount.mass_g / AREA
    assert units.convert(per_area, "g/m2", "t/ha", "mass per area") == D(t_per_ha)
    assert amount.missing == ()


def test_ten_percent_in_other_units() -> None:
    """Computed: a layer of 15 mm; 1,689.7 lb/1000 ft2; 14.256 kg dry = 49.5 t/ha dry."""
    amount = bed_amount(D(10), OF_MIX, AREA, DEPTH, SOIL, LOT, MOIST)
    assert amount.volume_l is not None and amount.mass_g is not None
    assert amount.volume_l / AREA == 15
    pounds = units.convert(amount.mass_g / AREA, "g/m2", "lb/1000 ft2", "mass per area")
    assert near(pounds, "1689.7")
    assert amount.dry_mass_g == D("14256.0")
    back = bed_amount(D("82.5"), "t/ha", AREA, DEPTH, SOIL, LOT, MOIST)
    assert (back.mass_g, back.volume_l) == (amount.mass_g, amount.volume_l)


def test_dry_fraction_and_applied_nitrogen() -> None:
    """Computed: f = .027431; 1.5 % N (dry) adds 411.5 mg N/kg of mix; the mix keeps 97.26 %."""
    amount = bed_amount(D(10), OF_MIX, AREA, DEPTH, SOIL, LOT, MOIST)
    assert amount.dry_fraction is not None
    assert near(amount.dry_fraction, ".027431")
    assert near(1 - amount.dry_fraction, ".9726")
    assert near(rates.applied_mg_per_kg(amount, D(15000), "dry"), "411.5")
    # 1.5 % of the dry mass at 40 % water is 0.9 % of the material as it is.
    assert near(rates.applied_mg_per_kg(amount, D(9000), "as is"), "411.46")


def test_on_top_of_the_soil_leaves_the_soil_whole() -> None:
    """Volume balance: 43.2 L on 432 L of soil; f = 14.256 / (14.256 + 561.6)."""
    amount = bed_amount(D(10), ON_TOP, AREA, DEPTH, SOIL, LOT, MOIST)
    assert amount.volume_l == D("43.2")
    assert amount.soil_dry_mass_g == 561600
    assert near(amount.dry_fraction, "0.0247562", 5)


@pytest.mark.parametrize(
    ("rate", "unit", "kg_per_ha"),
    [
        ("1", "lb/acre", "1.12085116"),
        ("1", "ton/acre", "2241.70231"),
        ("1", "lb/1000 ft2", "48.8242764"),
        ("1", "lb/100 ft2", "488.24"),
        ("1", "t/ha", "1000"),
    ],
)
def test_area_units(rate: str, unit: str, kg_per_ha: str) -> None:
    """Exact factors: 1 acre = 4046.8564224 m2, 1 lb = .45359237 kg, 1 ft = .3048 m."""
    amount = bed_amount(D(rate), unit, D(10000), DEPTH, SOIL, LOT, MOIST)
    assert amount.mass_g is not None
    assert near(amount.mass_g / 1000, kg_per_ha, 5)


@pytest.mark.parametrize(
    ("density", "depth", "kg_per_ha"), [("1.3", "15", "1.95"), ("1.4", "20", "2.80")]
)
def test_content_of_a_layer(density: str, depth: str, kg_per_ha: str) -> None:
    """kg/ha = mg/kg x bulk density x depth(cm) x 0.1, on the soil mass of one hectare."""
    amount = bed_amount(D(1), "g/kg", D(10000), D(depth), D(density), None, None)
    assert amount.soil_dry_mass_g is not None
    assert amount.soil_dry_mass_g / 1000 * D("1e-6") == D(kg_per_ha)


@pytest.mark.parametrize(
    ("density", "depth", "expected"), [("1.3", "15", "1.95"), ("1.4", "20", "2.80")]
)
def test_a_content_becomes_an_amount_per_area(density: str, depth: str, expected: str) -> None:
    """kg/ha = mg/kg x bulk density x depth x 0.1: 1 mg/kg is 1.95 and 2.80 kg/ha (computed)."""
    assert rates.kg_per_ha(D(1), D(density), D(depth)) == D(expected)
    assert rates.content_of_layer(D(expected), D(density), D(depth)) == 1


def test_the_two_million_pound_rule_needs_a_bulk_density_of_its_own() -> None:
    """lb/acre = 2 x mg/kg holds for 6 in at 1.4709 kg/L, not for a light mix: at 0.6 it is 0.82
    (computed from 43,560 ft2 to the acre; the rule is common in soil test handbooks)."""
    six_inches = D("15.24")
    for density, factor in (("1.4709", "2"), ("0.6", "0.8158")):
        per_ha = rates.kg_per_ha(D(1), D(density), six_inches)
        pounds = units.convert(per_ha, "kg/ha", "lb/acre", "mass per area")
        assert near(pounds, factor)


def test_a_layer_without_soil_holds_nothing() -> None:
    with pytest.raises(UserMistake, match="has no soil in it"):
        rates.content_of_layer(D(1), D(0), D(15))


@given(
    content=st.decimals("-500", "500", places=2),
    density=st.decimals("0.1", "2", places=2),
    depth=st.decimals("1", "60", places=1),
)
def test_content_and_amount_per_area_there_and_back(content: D, density: D, depth: D) -> None:
    per_ha = rates.kg_per_ha(content, density, depth)
    assert abs(rates.content_of_layer(per_ha, density, depth) - content) < D("1e-20")


def test_what_a_bed_gets_of_a_nutrient() -> None:
    """1.5 % N of 14.256 kg dry, or 0.9 % of 23.76 kg as it is: 213.84 g either way (computed)."""
    amount = bed_amount(D(10), OF_MIX, AREA, DEPTH, SOIL, LOT, MOIST)
    assert rates.brought_g(amount, D(15000), "dry") == D("213.84")
    assert rates.brought_g(amount, D(9000), "as is") == D("213.84")
    unknown = bed_amount(D(10), OF_MIX, AREA, DEPTH, SOIL, LOT, None)
    assert rates.brought_g(unknown, D(15000), "dry") is None
    assert rates.brought_g(unknown, D(9000), "as is") == D("213.84")
    with pytest.raises(UserMistake, match="'wet' is not a basis"):
        rates.brought_g(amount, D(1), "wet")


def test_grams_per_kilogram_of_dry_soil() -> None:
    """5 g/kg on 561.6 kg of dry soil is 2,808 g; f needs no bulk density (it cancels)."""
    amount = bed_amount(D(5), "g/kg", AREA, DEPTH, SOIL, LOT, D(0))
    assert amount.mass_g == 2808
    assert near(amount.dry_fraction, "0.00497512", 5)
    without = bed_amount(D(5), "g/kg", AREA, DEPTH, None, LOT, D(0))
    assert without.mass_g is None
    assert without.dry_fraction == D(5) / D(1005)
    assert without.missing == (
        "soil bulk density: litres, grams, dry grams and dry soil wait on it",
    )


def test_what_is_not_known_is_named_and_nothing_is_guessed() -> None:
    amount = bed_amount(D(10), OF_MIX, AREA, DEPTH, None, None, None)
    assert amount.volume_l == D("43.2")
    assert amount.mass_g is amount.dry_mass_g is amount.soil_dry_mass_g is None
    assert amount.dry_fraction is None
    assert rates.applied_mg_per_kg(amount, D(15000), "dry") is None
    assert rates.applied_mg_per_kg(amount, D(15000), "as is") is None
    assert amount.missing == (
        "soil bulk density: dry soil and dilution wait on it",
        "lot density: grams, dry grams and dilution wait on it",
        "lot moisture: dry grams and dilution wait on it",
    )
    by_mass = bed_amount(D(350), "g/bed", AREA, DEPTH, SOIL, None, MOIST)
    assert by_mass.missing == ("lot density: litres wait on it",)
    assert (by_mass.mass_g, by_mass.volume_l) == (D(350), None)


def test_an_unknown_basis_is_refused() -> None:
    amount = bed_amount(D(10), OF_MIX, AREA, DEPTH, SOIL, LOT, MOIST)
    with pytest.raises(UserMistake, match="'wet' is not a basis"):
        rates.applied_mg_per_kg(amount, D(1), "wet")


def test_compost_bulk_density_by_the_yard() -> None:
    """1,000-1,200 lb/yd3 are 593-712 kg/m3; 1 kg/m3 = 1.685555 lb/yd3 (exact factors)."""
    assert near(units.convert(D(1000), "lb/yd3", "kg/m3", "density"), "593", 3)
    assert near(units.convert(D(1200), "lb/yd3", "kg/m3", "density"), "712", 3)
    assert near(units.convert(D(1), "kg/m3", "lb/yd3", "density"), "1.685555", 6)
    # 1 in on 1000 ft2 is 3.0864 yd3 (324 ft2 a yard).
    litres = units.convert(D(1000), "ft2", "m2", "area") * D("2.54") * 10
    assert near(units.convert(litres, "L", "yd3", "volume"), "3.0864")


@given(
    rate=st.decimals("0.1", "60", places=1),
    area=st.decimals("0.05", "20", places=2),
    moisture=st.decimals("0", "90", places=0),
)
def test_the_two_readings_of_one_mix_agree(rate: D, area: D, moisture: D) -> None:
    """The same mix said both ways has the same dilution, whatever the bed."""
    mix = bed_amount(rate, OF_MIX, area, DEPTH, SOIL, LOT, moisture)
    top = bed_amount(rates.on_top(rate), ON_TOP, area, DEPTH, SOIL, LOT, moisture)
    assert mix.dry_fraction is not None and top.dry_fraction is not None
    assert abs(mix.dry_fraction - top.dry_fraction) < D("1e-20")
    assert 0 < mix.dry_fraction < 1
