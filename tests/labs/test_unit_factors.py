"""Units of reports to contents of the dry soil, exact; each number beside its source."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import periodictable
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial import chemistry, contents, units
from logbook.trial.contents import Known
from logbook.trial.methods import full_name

NOTHING = Known()


def canonical(value: str, unit: str, name: str, known: Known = NOTHING) -> Decimal:
    analyte, share = chemistry.find_analyte(name)
    return units.scale(Decimal(value), contents.factor(unit, analyte, share, known))


@pytest.mark.parametrize("symbol", chemistry.WEIGHTS)
def test_atomic_weights_are_those_of_the_reference_library(symbol: str) -> None:
    # periodictable: IUPAC/CIAAW. Where an interval is given (C, H, N, O, S) both take the
    # conventional value; it agrees to 1 in 10,000 or better.
    reference = periodictable.elements.symbol(symbol).mass
    assert float(chemistry.WEIGHTS[symbol]) == pytest.approx(reference, rel=1e-4)


@pytest.mark.parametrize(
    ("form", "formula", "element", "atoms"),
    [
        ("NO3", "NO3", "N", 1), ("NH4", "NH4", "N", 1), ("P2O5", "P2O5", "P", 2),
        ("K2O", "K2O", "K", 2), ("PO4", "PO4", "P", 1), ("SO4", "SO4", "S", 1),
        ("CaO", "CaO", "Ca", 1), ("MgO", "MgO", "Mg", 1), ("Ca as CaCO3", "CaCO3", "Ca", 1),
    ],
)  # fmt: skip
def test_shares_of_forms_against_the_reference_library(
    form: str, formula: str, element: str, atoms: int
) -> None:
    _, share = chemistry.find_analyte(form)
    of = atoms * periodictable.elements.symbol(element).mass
    assert float(share) == pytest.approx(of / periodictable.formula(formula).mass, rel=1e-4)


# NRES 201 (University of Illinois), worked examples of soil units. The course takes 39.1 for K and
# 24.3 for Mg, so that exact weights are within a quarter of a per cent.
NRES = [
    ("4", "meq/100 g", "Ca", Known(), 800),
    ("2", "cmol(+)/kg", "Al", Known(), 180),
    ("0.98", "meq/100 g", "K", Known(), 383.18),
    ("766.36", "lb/acre", "K", Known(by_twos=True), 383.18),
    ("100", "lb/acre", "P", Known(by_twos=True), 50),
    ("3.81", "meq/100 g", "Mg", Known(), 462.9),
    ("4800", "lb/acre", "Ca", Known(by_twos=True), 2400),
    # 50 g in 200 mL, diluted 25 times, 4 ppm K read: 100 mg/L in the extract, 400 ppm in the soil.
    ("100", "mg/L", "K", Known(ratio=Fraction(4)), 400),
]


@pytest.mark.parametrize(("value", "unit", "name", "known", "expected"), NRES)
def test_worked_examples(value: str, unit: str, name: str, known: Known, expected: float) -> None:
    assert float(canonical(value, unit, name, known)) == pytest.approx(expected, rel=0.0025)


def test_depth_and_density_are_exact() -> None:
    # kg/ha = mg/kg x BD (g/cm3) x depth (cm) x 0.1: an identity of units.
    fifteen = Known(depth_cm=Decimal(15), density=Decimal("1.3"))
    twenty = Known(depth_cm=Decimal(20), density=Decimal("1.4"))
    assert canonical("1.95", "kg/ha", "P", fifteen) == 1
    assert canonical("2.80", "kg/ha", "P", twenty) == 1
    # The rule of twos is that of a slice of 6 2/3 in at 1.3238 (from 2,000,000 lb per acre).
    slice_ = Known(depth_cm=Decimal("16.9333333333"), density=Decimal("1.3238"))
    assert float(canonical("2", "lb/acre", "P", slice_)) == pytest.approx(1, rel=1e-4)
    # In a light raised-bed mix it is wrong by more than half.
    light = Known(depth_cm=Decimal("16.9333333333"), density=Decimal("0.6"))
    assert float(canonical("2", "lb/acre", "P", light)) > 2


@pytest.mark.parametrize(
    ("value", "unit", "name", "expected"),
    [
        ("44.26644", "mg/kg", "NO3", "10"), ("1.287856", "ppm", "NH4", "1"),
        ("2.291335", "mg/kg", "P2O5", "1"), ("1.204600", "mg/kg", "K2O", "1"),
        ("2.996132", "mg/kg", "SO4", "1"), ("0.1", "%", "K", "1000"), ("1.5", "g/kg", "P", "1500"),
    ],
)  # fmt: skip
def test_forms_and_units(value: str, unit: str, name: str, expected: str) -> None:
    # Factors from IUPAC/CIAAW weights, rounded to seven digits.
    assert float(canonical(value, unit, name)) == pytest.approx(float(expected), rel=1e-6)


@pytest.mark.parametrize(
    "unit",
    ["mg/100 g", "mg/100g", "mg / 100 g", "mg 100 g-1", "mg 100g⁻¹", "MG/100G", "mg/100 g soil",
     "mg/100 g dry matter", "mg/100g TS"],
)  # fmt: skip
def test_a_hundredth_of_a_gram_per_kilogram(unit: str) -> None:
    # An identity: 1 mg in 100 g is 10 mg in 1 kg.
    assert canonical("12.35", unit, "P") == Decimal("123.5")
    # 10 mg P2O5/100 g are 43.6 mg P/kg (Mg, K as in test_forms_and_units).
    assert float(canonical("10", unit, "P2O5")) == pytest.approx(43.64268, rel=1e-6)


def test_a_hundredth_of_a_gram_in_a_volume_of_soil_needs_its_density() -> None:
    # 1 mg/100 mL is 10 mg/L; a litre of soil of 1.25 kg has them in 1.25 kg: 8 mg/kg.
    known = Known(density=Decimal("1.25"))
    assert canonical("1", "mg/100 mL", "P", known) == 8
    assert canonical("1", "mg/100ml", "P", known) == 8
    assert canonical("1", "mg/100 cm3", "P", known) == 8
    assert canonical("1", "g/100 g", "P") == 10_000


@pytest.mark.parametrize("unit", ["dS/m", "mmho/cm", "mmhos/cm", "mS/cm"])
def test_conductivities_that_are_one_another(unit: str) -> None:
    assert canonical("1.2", unit, "EC") == Decimal("1.2")
    assert canonical("1200", "uS/cm", "EC") == Decimal("1.2")


def test_charge_in_an_extract() -> None:
    # 1 meq/L at 1:10 is 10 meq/kg = 1 cmol(+)/kg: 391 mg K.
    known = Known(ratio=Fraction(10))
    assert canonical("1", "meq/L", "K", known) == Decimal("390.983")
    with pytest.raises(UserMistake, match="not an exchangeable cation"):
        canonical("1", "meq/L", "P", known)


@pytest.mark.parametrize(
    ("unit", "known", "what"),
    [
        ("mg/L", Known(), "mg/L is a concentration in an extract: without the extraction ratio"),
        ("kg/ha", Known(), "without the depth and the bulk density"),
        ("kg/ha", Known(depth_cm=Decimal(15)), "without the bulk density"),
        ("kg/ha", Known(by_twos=True), "the rule of twos is for lb/acre"),
        ("lb/acre", Known(density=Decimal(1)), "without the depth"),
        ("mg/100 mL", Known(), "an amount per volume of soil: without the bulk density"),
        ("furlong", Known(), "'furlong' is not a unit of P"),
    ],
)
def test_what_is_missing_is_said(unit: str, known: Known, what: str) -> None:
    with pytest.raises(UserMistake, match=what.replace("(", r"\(")):
        canonical("1", unit, "P", known)


def test_moisture_on_either_basis() -> None:
    # 25 mg/kg moist at 20 %: 30.0 where the water is per dry mass, 31.25 where it is per wet mass.
    assert units.scale(Decimal(25), contents.dry_factor(Decimal("0.2"))) == 30
    wet_basis = Decimal("0.2") / (1 - Decimal("0.2"))
    assert units.scale(Decimal(25), contents.dry_factor(wet_basis)) == Decimal("31.25")
    with pytest.raises(UserMistake):
        contents.dry_factor(Decimal("-0.1"))


@given(
    st.decimals("0.001", "99999", places=3),
    st.sampled_from(["mg/L", "kg/ha", "lb/acre", "ug/L", "t/ha"]),
    st.decimals("1", "40", places=1), st.decimals("0.3", "1.8", places=2),
)  # fmt: skip
def test_there_and_back_is_exact(value: Decimal, unit: str, deep: Decimal, heavy: Decimal) -> None:
    analyte, share = chemistry.find_analyte("P2O5")
    known = Known(Fraction(5), deep, heavy)
    there = contents.factor(unit, analyte, share, known)
    assert Fraction(value) * there / there == Fraction(value)
    back = units.scale(units.scale(value, there), 1 / there)
    assert abs(back - value) <= value * Decimal("1e-22")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1:5", "1:5"), ("2 g : 30 mL", "1:15"), ("10 g + 25 mL", "1:2.5"), ("3:7", "3:7"),
     ("1/10", "1:10")],
)  # fmt: skip
def test_ratios(text: str, expected: str) -> None:
    # 2 g : 30 mL CaSO4 and 10 g + 10 mL are ratios that laboratories state (common practice).
    assert contents.ratio_text(contents.read_ratio(text)) == expected


@pytest.mark.parametrize("text", ["5", "0:5", "1:0", "five to one", "1:5000"])
def test_what_is_no_ratio(text: str) -> None:
    with pytest.raises(UserMistake):
        contents.read_ratio(text)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (("M3-ICP",), "Mehlich-3 ICP"), (("mehlich 3 (ICP)",), "Mehlich-3 ICP"),
        (("Mehlich III", "", "colorimetric"), "Mehlich-3 colorimetric"),
        (("1M KCl", "2 g : 30 mL"), "1 M KCl 1:15"), (("1M KCl 1:10",), "1 M KCl 1:10"),
        (("water 1:5",), "water 1:5"), (("water", "1:5"), "water 1:5"),
        (("water 1:5", "1:5"), "water 1:5"), (("own  way",), "own way"),
        (("Mehlich-3", "1:10", "icp-oes"), "Mehlich-3 1:10 ICP"),
    ],
)  # fmt: skip
def test_ratio_and_detection_belong_to_the_method(said: tuple[str, ...], expected: str) -> None:
    assert full_name(*said) == expected


@pytest.mark.parametrize(
    "said",
    [("water 1:5", "1:2"), ("M3-ICP", "", "colorimetric"), ("saturated paste", "1:5"),
     ("Bray P1 equivalent",), ("Olsen, calculated from Mehlich-3",)],
)  # fmt: skip
def test_methods_that_contradict_themselves_or_were_not_used(said: tuple[str, ...]) -> None:
    with pytest.raises(UserMistake):
        full_name(*said)
