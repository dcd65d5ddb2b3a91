"""From mg/kg to what a grower weighs and pays, each with the depth and the density it is of."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.intervals import Interval
from logbook.study import brought, supply
from logbook.study.brought import Stated
from logbook.study.supply import Layer, Supply
from tests.program import PROTOCOL, Program, begun
from tests.study.small_season import DAY0, VALUES, F, opened, read, season

MASS = 90.092 / 0.5  # kg of dry soil and meal on each m2, as applied
SOIL = Layer(Decimal(15), Decimal("1.3"), "the soil's", Decimal("2.88"))


def by_day(program: Program, day: float, analyte: str = "mineral-N") -> Supply:
    series, matter, losses = read(program, analyte)
    return supply.available(series, day, matter, losses)


def net(day: int) -> float:
    found = VALUES[day]
    return (found["B2"] + found["B6"] - (1 - F) * (found["B1"] + found["B5"])) / 2


def test_one_mg_per_kg_of_a_layer() -> None:
    """15 cm at 1.3 kg/L: 1.95 kg/ha (computed), 0.195 g/m2; 1 lb/100 ft2 is 488.24 kg/ha (exact
    definitions of pound and foot); 2.88 m2 hold 0.5616 g, 1 mg for each of 561.6 kg."""
    one = Stated(1.0, "mg/kg", -1.0, 2.0)
    assert SOIL.per_ha(one) == Stated(pytest.approx(1.95), "kg/ha", -1.95, 3.90)  # type: ignore[arg-type]
    assert SOIL.per_m2(one).value == pytest.approx(0.195)
    assert SOIL.per_100_sq_ft(one).value == pytest.approx(1.95 / 488.2428, rel=1e-6)
    assert SOIL.per_bed(one).value == pytest.approx(0.5616)
    assert SOIL.spoken == "15 cm: 195 kg of dry mix per m2 (at 1.3 kg/L, the soil's)"


def test_a_layer_names_every_number_of_its_mass(started: Program) -> None:
    """A tenth of 15 cm is compost: 15 L on each m2, 0.6 kg/L, half of it water: 4.5 kg dry; nine
    tenths are soil: 135 L x 1.2 kg/L = 162 kg. 1 mg/kg of these 166.5 kg is 0.1665 g."""
    started.must("amendment", "set", "compost", "--density", "0.6 kg/L", on=DAY0)
    started.must("amendment", "set", "compost", "--moisture", "50 % wet basis", on=DAY0)
    started.must("apply", "all", on=DAY0)
    with opened(started) as (store, trial):
        layer = supply.layer_of(brought.matter(store, trial), "C10")
    assert layer.spoken == (
        "15 cm: 166.5 kg of dry mix per m2 (162 kg of soil at 1.2 kg/L, the soil's, in 90 % of the "
        "volume, and 4.5 kg of amendment)"
    )
    one = layer.per_m2(Stated(1.0, "mg/kg", 1.0, 1.0))
    assert one.value == pytest.approx((162 + 4.5) / 1000)


@given(value=st.floats(-1e4, 1e4), factor=st.floats(-1e3, 1e3).filter(lambda one: abs(one) > 1e-3))
def test_a_value_there_and_back(value: float, factor: float) -> None:
    one = Stated(value, "mg/kg", value - 1, value + 1)
    there = one.times(factor, "x")
    assert there.low is not None and there.high is not None and there.low <= there.high
    back = there.times(1 / factor, "mg/kg")
    assert (back.low, back.value, back.high) == pytest.approx((value - 1, value, value + 1))


def test_available_nitrogen_per_area_and_per_kg_of_product(started: Program) -> None:
    """Day 28: 31.02 mg/kg in 180.184 kg/m2 (soil 180, dry meal 0.184) are 55.9 kg/ha;
    100 g of meal in
    90.092 kg of dry mix are 1.10998 g/kg: 27.95 g N for each kg of meal."""
    season(started)
    found = by_day(started, 28)
    assert found.kg_per_ha.value == pytest.approx(net(28) * MASS / 100)
    assert found.per_m2.value == pytest.approx(net(28) * MASS / 1000)
    assert found.per_bed.value == pytest.approx(net(28) * MASS / 2000)
    assert found.per_kg_product.value == pytest.approx(net(28) / (100 / 90.092))
    # 100 g of meal on 0.5 m2: product per m2 x g per kg of product is g per m2.
    assert found.layer.product == Decimal("0.2")
    assert found.per_m2.value == pytest.approx(0.2 * found.per_kg_product.value)
    for one in (found.kg_per_ha, found.per_m2, found.per_kg_product):
        assert one.low is not None and one.value is not None and one.high is not None
        assert one.low < one.value < one.high
    assert (found.depth_cm, found.bulk_density, found.whose) == (15, Decimal("1.2"), "the soil's")
    assert (found.bound, found.method) == ("", "within-block")


def test_between_two_pulls_the_line_that_joins_them_counts(started: Program) -> None:
    season(started)
    found = by_day(started, 17.5)
    assert found.kg_per_ha.value == pytest.approx((net(7) + net(28)) / 2 * MASS / 100)
    beyond = by_day(started, 40)
    assert beyond.kg_per_ha.value is None
    assert beyond.kg_per_ha.reason == "day 40 is outside the pulls (day 0 to day 28)"
    assert beyond.per_kg_product.value is None
    assert beyond.per_kg_product.reason == beyond.kg_per_ha.reason


def test_the_density_measured_on_its_beds_goes_before_the_soils(started: Program) -> None:
    """It is that of the mix already: 157.5 kg/m2 hold all the nitrogen and all of the product."""
    season(
        started,
        ("measure", "bulk density", "1 kg/L", "--on", "B2", "--when", "2026-03-10"),
        ("measure", "bulk density", "1.1 kg/L", "--on", "B6", "--when", "2026-03-10"),
        ("measure", "bulk density", "1.3 kg/L", "--on", "B1", "--when", "2026-03-10"),
    )
    found = by_day(started, 28)
    assert (found.bulk_density, found.whose) == (Decimal("1.05"), "measured on B2, B6")
    assert found.kg_per_ha.value == pytest.approx(net(28) * 1.05 * 15 * 0.1)
    assert found.per_kg_product.value == pytest.approx(net(28) * 157.5 / 1000 / 0.2)


def test_a_loss_makes_the_supply_at_least(started: Program) -> None:
    season(started, ("event", "B2", "drained", "--when", "2026-03-05"))
    found = by_day(started, 28)
    assert found.bound == "at least"
    assert found.because[0].startswith("B2 drained on Thu 5 Mar 2026")
    assert by_day(started, 0).bound == ""


PRICED = PROTOCOL.replace('lot = "bag 1"', 'lot = "bag 1"\nprice = "1.10 EUR/kg"')


@pytest.mark.parametrize(
    ("price", "each"), [("1.10 EUR/kg", 1.10), ("0.30 EUR/L", 0.5), ("12 EUR/40 L", 0.5)]
)
def test_the_cost_of_a_kg_of_nitrogen(program: Program, price: str, each: float) -> None:
    """27.95 g N for each kg of meal at 1.10 EUR: 39.36 EUR for a kg of N; a litre is 0.6 kg."""
    _begin(program, PRICED.replace("1.10 EUR/kg", price))
    season(program)
    found = by_day(program, 28)
    assert found.per_kg_product.value is not None
    assert found.cost.unit == "EUR/kg"
    assert found.cost.value == pytest.approx(each * 1000 / found.per_kg_product.value)
    assert found.per_kg_product.low is not None and found.per_kg_product.low > 0
    assert found.cost.low is not None and found.cost.high is not None
    assert found.cost.low < found.cost.value < found.cost.high


def _begin(program: Program, text: str) -> None:
    begun(program, text)


def test_without_a_price_there_is_no_cost(started: Program) -> None:
    season(started)
    assert by_day(started, 28).cost.reason == "cannot be given: the price of meal is not known"


def test_a_price_for_each_litre_waits_on_the_density(program: Program) -> None:
    text = PRICED.replace("1.10 EUR/kg", "0.3 EUR/L")
    _begin(program, text.replace('density = "0.6 kg/L"', 'density = "not known yet"'))
    season(program)
    assert by_day(program, 28).cost.reason == (
        "cannot be given: the density of meal is not known yet"
    )


def interval(value: float, low: float, high: float) -> Interval:
    return Interval(value, low, high, "welch", "", "", 4.0)


def test_nothing_available_and_an_uncertain_supply_have_no_price(
    program: Program,
) -> None:
    _begin(program, PRICED)
    season(program)
    series, matter, losses = read(program)
    none = supply.supply_of(series, 28, interval(-5.0, -9.0, -1.0), matter, losses)
    assert none.kg_per_ha.value == pytest.approx(-5.0 * MASS / 100)
    assert none.cost.value is None
    assert none.cost.reason == (
        "cannot be given: none was shown to be available by then: a price for each kg of it has no "
        "sense"
    )
    some = supply.supply_of(series, 28, interval(5.0, -1.0, 11.0), matter, losses).cost
    assert (some.value, some.low, some.high) == (None, None, None)
    assert some.reason == none.cost.reason


def test_an_extractants_answer_is_no_supply_but_has_an_amount_per_area(started: Program) -> None:
    season(started, parts=(("P", 1.0),), method="Mehlich-3")
    found = by_day(started, 28, "P")
    assert found.kg_per_ha.value == pytest.approx(net(28) * MASS / 100)
    assert found.per_kg_product.value is None
    assert "what an extractant dissolves is no supply" in found.per_kg_product.reason
    assert found.cost.value is None


def test_what_is_missing_is_named(program: Program) -> None:
    _begin(program, PROTOCOL.replace('"8 % wet basis"', '"not known yet"'))
    season(program)
    found = by_day(program, 28)
    reason = "cannot be given: the moisture of meal is not known yet"
    assert (found.kg_per_ha.reason, found.per_kg_product.reason) == (reason, reason)
    assert found.per_kg_product.value is None and found.kg_per_ha.value is None


def test_samples_from_below_the_mix_give_no_amount(started: Program) -> None:
    season(started)
    series, matter, losses = read(started)
    found = supply.available(series, 28, replace(matter, depth_cm=Decimal(18)), losses)
    assert found.kg_per_ha.reason == (
        "cannot be given: samples reach 18 cm and the amendment 15 cm"
    )
    assert found.per_kg_product.value is None
