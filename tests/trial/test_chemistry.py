"""Analytes, forms, methods and cells, against handbook factors and worked examples."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from logbook.errors import UserMistake
from logbook.trial import chemistry
from logbook.trial.chemistry import Measured, find_analyte, parse_cell, to_canonical

# Molar shares from the IUPAC/CIAAW abridged atomic weights, to seven digits, beside the rounded
# factors that extension services print (0.226, 0.776, 0.44, 0.83, 1/3.0, 1/2.5).
SHARES = [
    ("NO3", "nitrate-N", 0.2259048, 0.226),
    ("NH4", "ammonium-N", 0.7764843, 0.776),
    ("P2O5", "P", 0.4364268, 0.44),
    ("K2O", "K", 0.8301513, 0.83),
    ("SO4", "sulfate-S", 1 / 2.996132, 1 / 3.0),
    ("Ca as CaCO3", "Ca", 1 / 2.497280, 1 / 2.5),
]


@pytest.mark.parametrize(("form", "name", "share", "rounded"), SHARES)
def test_oxide_and_ion_factors(form: str, name: str, share: float, rounded: float) -> None:
    analyte, found = find_analyte(form)
    assert analyte.name == name
    assert float(found) == pytest.approx(share, rel=3e-7)
    assert float(found) == pytest.approx(rounded, rel=0.01)


@pytest.mark.parametrize(
    "name",
    ["CaCO3", "caco3", "CaCO₃", "Calcium carbonate", "CaCO3 equivalent",
     "Calcium Carbonate Equivalent"],
)  # fmt: skip
def test_carbonate_of_a_soil_is_its_lime_and_no_calcium(name: str) -> None:
    analyte, share = find_analyte(name)
    assert (analyte.name, analyte.unit, share) == ("CaCO3", "%", 1)
    assert to_canonical(Decimal(20), "g/kg", analyte, share) == 2


def test_only_calcium_that_is_named_as_its_carbonate_is_calcium() -> None:
    assert find_analyte("calcium as CaCO3") == find_analyte("Ca (CaCO3)")
    assert find_analyte("calcium as CaCO3")[0].name == "Ca"


# mg/kg per cmol(+)/kg = molar mass / charge * 10, and the rounded figures of soil handbooks.
CHARGES = [
    ("Ca", "200.39", 200),
    ("Mg", "121.525", 121.5),
    ("K", "390.983", 391),
    ("Na", "229.8976928", 230),
    ("Al", "89.938461333333333333333333", 90),
    ("ammonium-N", "140.07", 140),
]


@pytest.mark.parametrize(("name", "exact", "rounded"), CHARGES)
def test_charge_factors(name: str, exact: str, rounded: float) -> None:
    analyte = chemistry.ANALYTES[name]
    found = to_canonical(Decimal(1), "cmol(+)/kg", analyte, Fraction(1))
    assert found == pytest.approx(Decimal(exact), rel=Decimal("1e-22"))
    assert float(found) == pytest.approx(rounded, rel=0.0025)


# Worked examples of a university soils course (NRES 201), which uses rounded atomic weights:
# hence the tolerance of 0.25 %.
NRES = [
    ("4", "meq/100 g", "Ca", 800),
    ("2", "cmolc/kg", "Al", 180),
    ("1.023", "meq/100 g", "K", 400),  # printed as 1.02
    ("0.98", "meq/100 g", "K", 383.18),
    ("8", "meq/100 g", "Ca", 1600),
    ("3.81", "meq/100 g", "Mg", 462.9),
]


@pytest.mark.parametrize(("value", "unit", "name", "ppm"), NRES)
def test_worked_examples(value: str, unit: str, name: str, ppm: float) -> None:
    analyte = chemistry.ANALYTES[name]
    found = to_canonical(Decimal(value), unit, analyte, Fraction(1))
    assert float(found) == pytest.approx(ppm, rel=0.0025)


@pytest.mark.parametrize(
    ("value", "unit", "name", "canonical"),
    [
        ("12.50", "ppm", "P", "12.5"),
        ("0.15", "%", "total-N", "1500"),
        ("35", "g/kg", "OM", "3.5"),
        ("850", "uS/cm", "EC", "0.85"),
        ("1.2", "mmho/cm", "EC", "1.2"),
        ("120", "mS/m", "EC", "1.2"),
        ("6.80", "pH", "pH", "6.8"),
        ("14", "meq/100 g", "CEC", "14"),
    ],
)
def test_canonical_units(value: str, unit: str, name: str, canonical: str) -> None:
    found = to_canonical(Decimal(value), unit, chemistry.ANALYTES[name], Fraction(1))
    assert str(found) == canonical


def test_forms_are_elements_after_conversion() -> None:
    nitrate, share = find_analyte("NO3")
    found = to_canonical(Decimal("44.27"), "mg/kg", nitrate, share)
    assert float(found) == pytest.approx(10, rel=0.001)  # NO3 44 beside NO3-N 10


@pytest.mark.parametrize(
    ("text", "name", "share_is_one"),
    [
        ("NO3-N", "nitrate-N", True), ("no3 - n", "nitrate-N", True), ("NO₃⁻", "nitrate-N", False),
        ("Nitrate as N", "nitrate-N", True), ("nitrate (NO3-N)", "nitrate-N", True),
        ("nitrate as NO3", "nitrate-N", False), ("NH4+", "ammonium-N", False),
        ("Ammonia-N", "ammonium-N", True), ("Phosphorus as P2O5", "P", False),
        ("Potassium (K2O)", "K", False), ("SO4 2-", "sulfate-S", False),
        ("Sulphate-S", "sulfate-S", True), ("PH", "pH", True), ("Organic  Matter", "OM", True),
    ],
)  # fmt: skip
def test_names_of_the_trade(text: str, name: str, share_is_one: bool) -> None:
    analyte, share = find_analyte(text)
    assert (analyte.name, share == 1) == (name, share_is_one)


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("nitrate", "'nitrate' may mean NO3 or NO3-N", "write NO3 or NO3-N"),
        ("Phosphate", "'Phosphate' may mean P2O5 or P", "write P2O5 or P"),
        ("N", "'N' may mean total-N or NO3-N", "write total-N or NO3-N"),
    ],
)
def test_words_with_two_readings(text: str, what: str, remedy: str) -> None:
    with pytest.raises(UserMistake) as caught:
        find_analyte(text)
    assert (caught.value.message, caught.value.hint) == (what, remedy)


@pytest.mark.parametrize("text", ["unobtainium", "", "P (K2O)", "K as N", "Co"])
def test_unknown_nutrients(text: str) -> None:
    with pytest.raises(UserMistake, match="is not a nutrient this program knows") as caught:
        find_analyte(text)
    assert caught.value.hint.startswith("use one of: nitrate-N, ammonium-N")


@pytest.mark.parametrize(
    ("text", "meant"),
    [("nitrote", "nitrate-N"), ("Potasium", "K"), ("sulfte", "sulfate-S"), ("phosphorous", "P")],
)
def test_a_slip_of_the_hand_is_asked_about(text: str, meant: str) -> None:
    with pytest.raises(UserMistake) as caught:
        find_analyte(text)
    assert caught.value.hint == f"did you mean {meant}?"


def test_a_name_of_another_tongue_is_not_taken_for_another_nutrient() -> None:
    """Kalium is potassium, however near it looks to calcium; reports print the oxide under it."""
    for text, both in (
        ("Kalium", "K2O or K"),
        ("Phosphor", "P2O5 or P"),
        ("Nitrat", "NO3 or NO3-N"),
    ):
        with pytest.raises(UserMistake) as caught:
            find_analyte(text)
        assert caught.value.hint == f"write {both}"
    with pytest.raises(UserMistake) as caught:
        find_analyte("kaliium")
    assert caught.value.hint == "did you mean K?"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Nitrat-N", "nitrate-N"), ("Nitrat - N", "nitrate-N"), ("Gesamtstickstoff", "total-N"),
        ("pH-Wert", "pH"), ("Kalzium", "Ca"), ("Phosphor (P2O5)", "P"),
        ("azote nitrique", "nitrate-N"), ("Magnesio", "Mg"), ("Matière organique", "OM"),
    ],
)  # fmt: skip
def test_names_of_other_tongues(text: str, name: str) -> None:
    """From memory: names that a German, French or Spanish report prints."""
    assert find_analyte(text)[0].name == name


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("mehlich 3", "Mehlich-3"), ("M3", "Mehlich-3"), ("Bray-P1", "Bray P1"),
        ("KCl, 2 M", "2 M KCl"), ("2M KCl", "2 M KCl"), ("H2O 1:1", "water 1:1"),
        ("CaCl₂ 0,01 M", "0.01 M CaCl2"), ("LOI", "loss on ignition"),
        ("Mehlich-3  ICP", "Mehlich-3 ICP"), ("KCl", "KCl"), ("Bray", "Bray"),
    ],
)  # fmt: skip
def test_methods_join_spellings_never_procedures(text: str, name: str) -> None:
    assert chemistry.method_name(text) == name
    assert chemistry.method_name(name) == name


@pytest.mark.parametrize(
    ("text", "name", "what"),
    [
        ("mg/L", "P", "mg/L is a concentration in an extract (or per volume of soil), "
         "not a content of the dry soil"),
        ("meq/L", "Ca", "meq/L is a concentration in an extract (or per volume of soil), "
         "not a content of the dry soil"),
        ("lb/ac", "P", "lb/acre is an amount per area: without the depth and the bulk density "
         "that the laboratory took it is no content of the soil"),
        ("cmol/kg", "P", "'cmol/kg' is not a unit of P"),
        ("mg/kg", "pH", "'mg/kg' is not a unit of pH"),
        ("dS/m", "CEC", "'dS/m' is not a unit of CEC"),
    ],
)  # fmt: skip
def test_units_that_measure_something_else(text: str, name: str, what: str) -> None:
    with pytest.raises(UserMistake) as caught:
        chemistry.read_unit(text, chemistry.ANALYTES[name])
    assert caught.value.message == what


CELLS = [
    ("12.5", "", Measured(Decimal("12.5"), None)),
    ("12,5", "", Measured(Decimal("12.5"), None)),
    ("<0.5", "", Measured(None, Decimal("0.5"), "<")),
    ("< 0,5 ", "", Measured(None, Decimal("0.5"), "<")),
    ("≤0.5", "", Measured(None, Decimal("0.5"), "<")),
    ("<=0.5", "", Measured(None, Decimal("0.5"), "<")),
    (">200", "", Measured(None, Decimal(200), ">")),
    ("ND", "0.5", Measured(None, Decimal("0.5"), "<")),
    ("n.d.", "<0.5", Measured(None, Decimal("0.5"), "<")),
    ("< LOQ", "2", Measured(None, Decimal(2), "<")),
    ("0", "", Measured(Decimal(0), None)),
]


@pytest.mark.parametrize(("cell", "limit", "measured"), CELLS)
def test_cells(cell: str, limit: str, measured: Measured) -> None:
    assert parse_cell(cell, limit) == measured


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        ("ND", "'ND' needs the laboratory's limit"),
        ("<0", "a limit of 0 says nothing"),
        ("<-1", "'-1' is a negative limit"),
        ("", "there is no value"),
        ("n/a", "there is no value"),
        ("VL", "'VL' is a rating, not a measurement"),
        ("trace", "'trace' is not a number"),
        ("12.5 J", "'12.5 J' is not a number"),
        ("<O.5", "'O.5' has a letter in place of a digit"),
    ],
)
def test_refused_cells(cell: str, what: str) -> None:
    with pytest.raises(UserMistake) as caught:
        parse_cell(cell)
    assert caught.value.message == what


@pytest.mark.parametrize(
    ("value", "name", "what"),
    [
        ("14.1", "pH", "a pH of 14.1 does not exist"),
        ("-0.1", "pH", "a pH of -0.1 does not exist"),
        ("-0.02", "P", "P cannot be negative"),
        ("101", "OM", "101 % of OM is more than the whole sample"),
        ("1000001", "Ca", "1000001 mg/kg of Ca is more than the whole sample"),
        ("-1", "EC", "EC cannot be negative"),
    ],
)
def test_values_no_soil_can_have(value: str, name: str, what: str) -> None:
    with pytest.raises(UserMistake) as caught:
        chemistry.check_range(Decimal(value), chemistry.ANALYTES[name])
    assert caught.value.message == what


def test_the_two_readings_of_an_ambiguous_word() -> None:
    assert chemistry.readings("Nitrate") == ("NO3", "NO3-N")
    assert chemistry.readings("potash") == ("K2O", "K")


# Factors of the trade (extension bulletins; NCDA for P2O5) beside ours: rounded, up to 1 % off.
TRADE = [("NO3", 0.226), ("NH4", 0.776), ("P2O5", 0.44), ("K2O", 0.83), ("SO4", 1 / 3.0)]


@pytest.mark.parametrize(("form", "factor"), TRADE)
def test_shares_against_the_rounded_factors_of_the_trade(form: str, factor: float) -> None:
    _, share = chemistry.find_analyte(form)
    assert float(share) == pytest.approx(factor, rel=0.01)


def test_where_a_nutrient_is_only_named_its_form_does_not_matter() -> None:
    assert [chemistry.named(text) for text in ("nitrate", "Potash", "Kalium", "NO3", "P")] == [
        "nitrate-N", "K", "K", "nitrate-N", "P",
    ]  # fmt: skip
    for text in ("nitrogen", "snow"):
        with pytest.raises(UserMistake):
            chemistry.named(text)
