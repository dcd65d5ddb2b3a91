"""Ranges and slips. The slips are those that laboratories' reports are known for."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.trial import plausible
from logbook.trial.chemistry import ANALYTES


@pytest.mark.parametrize(
    ("analyte", "value", "kind", "words"),
    [
        ("pH", "65", "decimal", "pH 65 lies outside 3 to 10.5: a lost decimal point"),
        ("pH", "0.65", "decimal", "pH 0.65 lies outside 3 to 10.5: a misplaced decimal point"),
        ("pH", "650", "decimal", "factor of 100?"),
        ("OM", "350", "unit", "OM 350 % lies outside 0 to 98 %: g/kg where % is written, or a"),
        ("K", "0.02", "unit", "cmol(+)/kg where mg/kg is written?"),
        ("K", "1.2", "unit", "cmol(+)/kg where mg/kg is written, or a misplaced decimal point?"),
        ("Mg", "1.5", "unit", "cmol(+)/kg where mg/kg is written, or a misplaced decimal point?"),
        ("CEC", "0.05", "decimal", "a misplaced decimal point?"),
        ("nitrate-N", "8000", "form", "nitrate where nitrate-N is written, or a lost decimal"),
    ],
)
def test_a_slip_outside_the_range_is_named(analyte: str, value: str, kind: str, words: str) -> None:
    found = plausible.about_range(analyte, Decimal(value))
    assert found is not None
    assert found[0] == kind
    assert words in found[1]


@pytest.mark.parametrize(
    ("usual", "kind", "words"),
    [
        ([135], "decimal", "(a 135): a misplaced decimal point, about a hundredth?"),
        ([13, 14], "decimal", "(a 13, b 14): a misplaced decimal point, about a tenth?"),
        ([530], "unit", "(a 530): cmol(+)/kg where mg/kg is written?"),
        # The bed had 135, those like it have 500 now: either may be.
        (
            [135, 500],
            "decimal",
            ": a misplaced decimal point, or cmol(+)/kg where mg/kg is written?",
        ),
        ([5000], "unit", ": cmol(+)/kg where mg/kg is written, or a misplaced decimal point?"),
    ],
)
def test_what_is_usual_there_tells_one_slip_from_another(
    usual: list[float], kind: str, words: str
) -> None:
    found = plausible.about_range("K", Decimal("1.35"), dict(zip("ab", usual, strict=False)))
    assert found is not None
    assert found[0] == kind
    assert found[1].endswith(words)


@pytest.mark.parametrize(
    ("analyte", "value"),
    [("pH", "6.5"), ("pH", "4"), ("OM", "35"), ("K", "120"), ("P", "0.1"), ("nitrate-N", "44")],
)
def test_usual_numbers_raise_no_doubt(analyte: str, value: str) -> None:
    assert plausible.about_range(analyte, Decimal(value)) is None


def test_every_nutrient_has_a_range_with_its_source() -> None:
    assert set(plausible.RANGES) == set(ANALYTES)
    assert all(one.low < one.high and one.source for one in plausible.RANGES.values())


def test_factors_of_units_and_forms() -> None:
    # IUPAC/CIAAW atomic weights: NO3/N = 62.004/14.007 = 4.4266; 1 cmol(+)/kg K = 390.98 mg/kg,
    # Ca 200.39, Mg 121.53.
    assert plausible.slip("nitrate-N", 44 / 10) is not None
    form = plausible.slip("nitrate-N", 4.4266)
    assert form is not None
    assert (form.kind, round(form.factor, 4)) == ("form", 4.4266)
    for name, mass in (("K", 390.98), ("Ca", 200.39), ("Mg", 121.525)):
        unit = next(one for one in plausible.slips(name) if one.kind == "unit")
        assert 1 / unit.factor == pytest.approx(mass, rel=1e-4)


@given(st.sampled_from(sorted(ANALYTES)), st.floats(0.3, 3.0))
def test_a_ratio_near_one_is_no_slip(analyte: str, ratio: float) -> None:
    assert plausible.slip(analyte, ratio) is None


def test_the_retest_deadline_is_a_month_unless_the_laboratory_says_otherwise() -> None:
    # Clemson University's laboratory keeps soil for a month.
    received = date(2026, 3, 31)
    assert plausible.retest_until(received, "L") == date(2026, 4, 30)
    assert plausible.retest_until(received, "L", {"L": 60}) == date(2026, 5, 30)


def test_what_no_soil_can_have() -> None:
    assert plausible.impossible("pH", 65)
    assert plausible.impossible("OM", 350)
    assert not plausible.impossible("K", 1.2)
