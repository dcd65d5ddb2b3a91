"""Where a value stands: classes, ranges and units against the tables' own worked numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook import handbook
from logbook.errors import UserMistake
from logbook.study.levels import NO_CLASS, level_between, level_of

BOOK = handbook.load()


def test_pounds_an_acre_are_twice_the_content() -> None:
    """Rutgers NJAES: P 71 lb/acre, the end of "medium", is 35.5 ppm, by the table's own factor."""
    at, above = (level_of(BOOK, "P", "Mehlich-3", value, "mg/kg") for value in (35.5, 35.6))
    assert (at.class_name, at.low, at.high) == ("medium", 22.5, 35.5)
    assert (above.class_name, above.low, above.high) == ("high", 35.5, 68.5)
    assert above.sufficient == (35.5, 68.5)
    assert (at.position, above.position) == ("below", "within")


def test_no_bed_density_changes_a_table_by_area() -> None:
    light = level_of(BOOK, "P", "Mehlich-3", 36.0, "mg/kg", bulk_density=0.5)
    assert light == level_of(BOOK, "P", "Mehlich-3", 36.0, "mg/kg")


# Rutgers NJAES prints 0-24, 25-45, ...: what lies between belongs to the class above.
@pytest.mark.parametrize(
    ("pounds", "name"),
    [(0, "very low"), (24, "very low"), (24.5, "low"), (25, "low"), (45, "low"), (46, "medium"),
     (137, "high"), (137.5, "very high"), (5000, "very high")],
)  # fmt: skip
def test_no_gap_between_classes(pounds: float, name: str) -> None:
    assert level_of(BOOK, "P", "m3", pounds / 2, "mg/kg").class_name == name


@given(st.floats(0, 5000), st.sampled_from([(t.nutrient, t.methods[0]) for t in BOOK.tables]))
def test_every_value_has_one_class_that_holds_it(value: float, what: tuple[str, str]) -> None:
    unit = "dS/m" if what[0] == "EC" else "mg/kg"
    found = level_of(BOOK, *what, value, unit, bulk_density=1.0, ph=6.5)
    assert found.class_name
    # 12 digits count: what lies nearer to a bound than that is the bound.
    slack = 1e-10 * (1.0 + value)
    assert found.low is None or found.low <= value + slack
    assert found.high is None or value <= found.high + slack
    if found.position == "below":
        assert found.sufficient and found.sufficient[0] is not None
        assert value <= found.sufficient[0] + slack
    if found.position == "above":
        assert found.sufficient and found.sufficient[1] is not None
        assert value >= found.sufficient[1] - slack


def test_manganese_by_its_index() -> None:
    """Rutgers NJAES: MnAI = 101.7 + 3.75 Mn - 15.2 pH; Mn 20 at pH 6.5 is 77.9."""
    found = level_of(BOOK, "Mn", "Mehlich-3", 20.0, "mg/kg", ph=6.5)
    assert found.index == pytest.approx(77.9)
    assert (found.class_name, found.position) == ("above critical", "within")
    # Back from the index: (25 - 101.7 + 15.2 x 6.5) / 3.75 and the same with 100.
    assert found.sufficient == (pytest.approx(5.8933, abs=1e-4), pytest.approx(25.8933, abs=1e-4))
    assert level_of(BOOK, "Mn", "Mehlich-3", 20.0, "mg/kg", ph=7.9).position == "within"
    assert level_of(BOOK, "Mn", "Mehlich-3", 10.0, "mg/kg", ph=7.9).position == "below"


def test_an_end_below_nothing_is_none() -> None:
    """At pH 5.0 the index is 25.7 without any manganese: there is no lower end."""
    found = level_of(BOOK, "Mn", "Mehlich-3", 1.0, "mg/kg", ph=5.0)
    assert found.sufficient is not None
    assert (found.sufficient[0], found.low) == (None, None)


def test_manganese_without_a_ph() -> None:
    found = level_of(BOOK, "Mn", "Mehlich-3", 20.0, "mg/kg")
    assert (found.class_name, found.reason) == ("", NO_CLASS["pH"])


def test_an_index_per_litre_needs_the_bulk_density() -> None:
    """Northern Ireland SR 2019/81: index 2- is 16 to 20 mg/L; 20 mg/kg at 0.8 kg/L are 16."""
    found = level_of(BOOK, "P", "Olsen", 20.0, "mg/kg", bulk_density=0.8)
    assert (found.class_name, found.low, found.high) == ("index 2-", 18.75, 25.0)
    assert level_of(BOOK, "P", "Olsen", 16.0, "mg/L").class_name == "index 2-"
    unknown = level_of(BOOK, "P", "Olsen", 20.0, "mg/kg")
    assert (unknown.class_name, unknown.reason) == ("", NO_CLASS["bulk density"])
    # The source names no index that is enough.
    assert (found.sufficient, found.position, found.words) == (None, "", "")


def test_salts_by_the_saturated_paste_only() -> None:
    """Colorado State: most plants to 2.5-3, sensitive ones to 2-2.5, saline from 4 on."""
    named = [
        level_of(BOOK, "EC", "saturated paste", value, "dS/m").class_name
        for value in (2.0, 2.4, 3.0, 3.99, 4.0)
    ]
    assert named == [
        "for sensitive plants",
        "limit of sensitive plants",
        "limit of most plants",
        "above most plants' limit",
        "saline",
    ]
    for ratio in ("water 1:1", "water 1:2", "water 1:5"):
        found = level_of(BOOK, "EC", ratio, 0.4, "dS/m")
        assert found.class_name == ""
        assert found.reason == "no table for this method (there is one for saturated paste)"


@pytest.mark.parametrize("method", ["Mehlich-3 ICP", "Bray P1", "water", ""])
def test_a_method_without_a_table(method: str) -> None:
    found = level_of(BOOK, "P", method, 30.0, "mg/kg")
    assert found.reason.startswith(NO_CLASS["method"])
    assert (found.class_name, found.sufficient, found.source) == ("", None, "")


def test_a_nutrient_without_a_table() -> None:
    assert level_of(BOOK, "nitrate-N", "1 M KCl", 30.0, "mg/kg").reason == NO_CLASS["nutrient"]


def test_other_units_of_the_nutrient() -> None:
    """100 mg/kg of K are 0.2558 cmol(+)/kg (molar mass 39.0983): the same class either way."""
    content = level_of(BOOK, "K", "Mehlich-3", 100.0, "mg/kg")
    charge = level_of(BOOK, "K", "Mehlich-3", 0.25577, "cmol(+)/kg")
    assert content.class_name == charge.class_name == "high"
    assert charge.high == pytest.approx(138.5 / 390.983)
    with pytest.raises(UserMistake):
        level_of(BOOK, "K", "Mehlich-3", 100.0, "kg/ha")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0])
def test_a_number_that_no_soil_has(value: float) -> None:
    with pytest.raises(UserMistake, match="does not exist"):
        level_of(BOOK, "P", "Mehlich-3", value, "mg/kg")
    with pytest.raises(UserMistake, match="a pH of"):
        level_of(BOOK, "Mn", "Mehlich-3", 20.0, "mg/kg", ph=value)


def test_iron_from_just_below_to_just_above_its_range() -> None:
    """Rutgers NJAES, Mehlich-3 iron: critical 50, high 100 mg/kg. The words are common practice."""
    told = [level_of(BOOK, "Fe", "Mehlich-3", x, "mg/kg").words for x in (45.0, 75.0, 110.0, 150.0)]
    assert told == [
        "just below its range",
        "within its range",
        "just above its range",
        "above its range",
    ]


def test_phosphorus_far_above_its_range() -> None:
    """Rutgers NJAES: "high" ends at 68.5 mg/kg; 180 is 2.6 times that."""
    found = level_of(BOOK, "P", "Mehlich-3", 180.0, "mg/kg")
    assert found.times == pytest.approx(2.628, abs=1e-3)
    assert found.words == "far above its range"


def test_a_non_detect_has_a_class_where_all_it_may_be_has_the_same() -> None:
    """Rutgers NJAES, boron: critical 0.5 mg/kg."""
    below = level_between(BOOK, "B", "Mehlich-3", 0.0, 0.5, "mg/kg")
    assert (below.class_name, below.position) == ("critical or below", "below")
    either = level_between(BOOK, "B", "Mehlich-3", 0.0, 1.0, "mg/kg")
    assert (either.class_name, either.position) == ("", "")
    assert either.reason == f"{NO_CLASS['range']} (critical or below to above critical)"
    assert level_between(BOOK, "B", "Mehlich-3", 25.0, None, "mg/kg").class_name == "above high"
    assert level_between(BOOK, "P", "water", 0.0, 1.0, "mg/kg").reason.startswith("no table")


def test_the_example_of_the_documentation() -> None:
    found = level_of(BOOK, "Fe", "Mehlich-3", 104, "mg/kg")
    assert (found.class_name, found.sufficient, found.words) == (
        "above high",
        (50.0, 100.0),
        "just above its range",
    )
