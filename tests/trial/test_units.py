"""Quantities: exact factors, conversions there and back, refusals with their remedy."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial import units

# Factors printed in NIST Special Publication 811, Appendix B (exact ones in bold there).
NIST_EXACT = [
    ("mass", "lb", "kg", "0.45359237"),
    ("mass", "oz", "g", "28.349523125"),
    ("length", "in", "cm", "2.54"),
    ("length", "ft", "m", "0.3048"),
    ("area", "ft2", "m2", "0.09290304"),
    ("area", "acre", "m2", "4046.8564224"),  # of the international foot
    ("volume", "ft3", "L", "28.316846592"),
    ("volume", "gal", "L", "3.785411784"),
    ("volume", "yd3", "L", "764.554857984"),
    ("volume", "fl oz", "mL", "29.5735295625"),
    ("conductivity", "mS/m", "dS/m", "0.01"),
    ("density", "g/cm3", "kg/L", "1"),
]
# Rounded factors of extension tables, worked out again from the exact ones above.
ROUNDED = [
    ("mass per area", "lb/acre", "kg/ha", "1.12085116"),
    ("mass per area", "kg/ha", "lb/acre", "0.89217912"),
    ("mass per area", "ton/acre", "t/ha", "2.24170231"),
    ("mass per area", "lb/1000 ft2", "kg/ha", "48.8242764"),
    ("mass per area", "lb/1000 ft2", "lb/acre", "43.56"),
    ("mass per area", "t/ha", "g/m2", "100"),
    ("mass per area", "t/ha", "lb/1000 ft2", "20.4816"),
    ("mass per area", "lb/100 ft2", "kg/ha", "488.24"),
    ("density", "kg/m3", "lb/yd3", "1.685555"),
]


@pytest.mark.parametrize(("dimension", "unit", "target", "factor"), NIST_EXACT)
def test_nist_factors_are_exact(dimension: str, unit: str, target: str, factor: str) -> None:
    assert units.convert(Decimal(1), unit, target, dimension) == Decimal(factor)


@pytest.mark.parametrize(("dimension", "unit", "target", "factor"), ROUNDED)
def test_factors_of_extension_tables(dimension: str, unit: str, target: str, factor: str) -> None:
    found = units.convert(Decimal(1), unit, target, dimension)
    assert found.quantize(Decimal(factor)) == Decimal(factor)


PAIRS = [
    (dimension, one, other)
    for dimension, table in units.UNITS.items()
    for one in table
    for other in table
]
MEASUREMENT = st.decimals(-(10**6), 10**6, allow_nan=False, allow_infinity=False, places=6)


@given(MEASUREMENT, st.sampled_from(PAIRS))
def test_there_and_back_is_the_same_number(value: Decimal, pair: tuple[str, str, str]) -> None:
    dimension, one, other = pair
    there = units.convert(value, one, other, dimension)
    back = units.convert(there, other, one, dimension)
    assert abs(back - value) <= abs(value) * Decimal("1e-22")
    assert round(back, 6) == value


@given(MEASUREMENT, st.fractions(min_value=Fraction(1, 1000), max_value=1000))
def test_scale_is_the_fraction_rounded_once(value: Decimal, factor: Fraction) -> None:
    assert units.scale(value, factor) == units.to_decimal(Fraction(value) * factor)


@given(MEASUREMENT)
def test_plain_text_is_read_back(value: Decimal) -> None:
    assert units.number(units.plain(value)) == value
    assert units.number(units.short(value)) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("ml", "mL"), ("mg kg-1", "mg/kg"), ("mg.kg-1", "mg/kg"), ("mg kg⁻¹", "mg/kg"),
        ("MG/KG", "mg/kg"), ("mg / kg", "mg/kg"), ("µg/g", "ug/g"), ("μg/g", "ug/g"),
        ("dS m-1", "dS/m"), ("mmhos/cm", "mmho/cm"), ("umhos/cm", "uS/cm"),
        ("cmol(+) kg-1", "cmol(+)/kg"), ("meq/100g", "meq/100 g"), ("m²", "m2"),
        ("Mg m-3", "t/m3"), ("Mg/ha", "t/ha"), ("kg ha⁻¹", "kg/ha"), ("per cent", "%"),
        ("s.u.", "pH"), ("sq ft", "ft2"),
    ],
)  # fmt: skip
def test_spellings(text: str, unit: str) -> None:
    assert units.canonical_unit(text) == unit


@pytest.mark.parametrize("text", ["", "Mg", "mg/L", "furlong", "kg kg", "m4"])
def test_unknown_or_ambiguous_units(text: str) -> None:
    assert units.canonical_unit(text) is None


READINGS = [
    ("2.5", None, "2.5"), ("2,5", None, "2.5"), ("0,125", None, "0.125"), ("12", None, "12"),
    (" +3 ", None, "3"), ("−4", None, "-4"), (".5", None, "0.5"), ("1234,567", None, "1234.567"),
    ("1,234", True, "1.234"), ("1.234", False, "1.234"), ("1.234", None, "1.234"),
    ("0.1234567890123456789", None, "0.1234567890123456789"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "comma", "value"), READINGS)
def test_numbers(text: str, comma: bool | None, value: str) -> None:
    assert units.number(text, comma) == Decimal(value)


REFUSED = [
    ("1,234", None, "'1,234' can be read as 1234 or as 1.234", "write 1234 or 1.234"),
    ("1,234", False, "'1,234' can be read as 1234 or as 1.234", "write 1234 or 1.234"),
    ("1.234", True, "'1.234' can be read as 1234 or as 1,234", "write 1234 or 1,234"),
    ("12,5", False, "'12,5' has a decimal comma, and the other numbers there have a point",
     "write 12.5"),
    ("12.5", True, "'12.5' has a decimal point, and the other numbers there have a comma",
     "write 12,5"),
    ("1,234.5", None, "'1,234.5' has a thousands mark", "write 1234.5"),
    ("1.234,5", None, "'1.234,5' has a thousands mark", "write 1234.5"),
    ("1 234", None, "'1 234' has a thousands mark", "write 1234"),
    ("1'234", None, '"1\'234" has a thousands mark', "write 1234"),
    ("1,234,567", None, "'1,234,567' has a thousands mark", "write 1234567"),
    ("1O.5", None, "'1O.5' has a letter in place of a digit", "write 10.5"),
    ("l2", None, "'l2' has a letter in place of a digit", "write 12"),
    ("1.2E+03", None, "'1.2E+03' has an exponent, as spreadsheets write it when they drop digits",
     "write the number out in full"),
    ("NaN", None, "'NaN' is not a number", "write it like 2.5"),
    ("inf", None, "'inf' is not a number", "write it like 2.5"),
    ("1_000", None, "'1_000' is not a number", "write it like 2.5"),
    ("٣", None, "'٣' is not a number", "write it like 2.5"),
    ("", None, "'' is not a number", "write it like 2.5"),
    ("1" * 31, None, f"'{'1' * 30}'... has more digits than a measurement can have",
     "write at most 24 digits"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "comma", "what", "remedy"), REFUSED)
def test_refused_numbers(text: str, comma: bool | None, what: str, remedy: str) -> None:
    with pytest.raises(UserMistake) as caught:
        units.number(text, comma)
    assert (caught.value.message, caught.value.hint) == (what, remedy)


def test_amounts_carry_their_unit() -> None:
    assert units.parse("2,5 kilos", "mass") == units.Quantity(Decimal("2.5"), "kg")
    assert str(units.parse("250ml", "volume")) == "250 mL"
    assert units.parse("2 lb", "mass").to("g", "mass") == Decimal("907.18474")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("kg", "'kg' is not an amount"),
        ("5", "'5' has no unit"),
        ("5 L", "'L' is not a unit of mass"),
        ("5 Mg", "'Mg' is not a unit of mass"),
        ("0 g", "'0 g' must be more than nothing"),
        ("-1 g", "'-1 g' must be more than nothing"),
        ("1,500 g", "'1,500' can be read as 1500 or as 1.500"),
    ],
)
def test_refused_amounts(text: str, what: str) -> None:
    with pytest.raises(UserMistake) as caught:
        units.positive(text, "mass")
    assert caught.value.message == what


def test_dimensions_do_not_mix() -> None:
    with pytest.raises(UserMistake, match="kg cannot be turned into L"):
        units.convert(Decimal(1), "kg", "L", "mass")
    assert units.dimension_of("%") == ("content", "fraction")
