"""What an amendment brought: worked amounts, and the words of what is missing."""

from __future__ import annotations

import pytest

from logbook.study import brought
from logbook.study.brought import Brought
from tests.program import PROTOCOL, Program
from tests.study.small_season import ANALYSIS, PER_MIX, opened, season

ON = "2026-03-02T09:00+01:00"

# A bed of 1.2 m x 2.4 m worked 15 cm deep, a compost of 0.55 kg/L at 40 % water.
LARGE = (
    PROTOCOL.replace('length = "1 m"\nwidth = "0.5 m"', 'length = "2.4 m"\nwidth = "1.2 m"')
    .replace('bulk_density = "1.2 kg/L"', 'bulk_density = "1.3 kg/L"')
    .replace(
        'density = "not known yet"\nmoisture = "not known yet"',
        'density = "0.55 kg/L"\nmoisture = "40 % wet basis"',
    )
)


def of(program: Program, code: str, nutrient: str = "total-N") -> Brought:
    with opened(program) as (store, trial):
        return brought.of_nutrient(brought.matter(store, trial), code, nutrient)


def start(program: Program, text: str) -> None:
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")


def test_the_worked_example_of_a_tenth_of_the_mix(program: Program) -> None:
    """Computed from the balances: 1.5 % N (dry) of 14.256 kg dry compost are 213.84 g a bed,
    742.5 kg/ha, and 411.5 mg for each kg of the mix, whose dry mass is .027431 compost."""
    start(program, LARGE)
    given = ("--content", "total-N = 1.5 %", "--basis", "dry", "--method", "dry combustion")
    program.must("amendment", "set", "compost", *given, on=ON)
    found = of(program, "C10")
    assert found.per_bed.value == pytest.approx(213.84)
    assert found.per_area.value == pytest.approx(742.5)
    assert found.per_mix.value == pytest.approx(411.5, abs=0.05)
    assert (found.per_mix.low, found.per_mix.high) == (None, None)
    assert found.sources == ("total-N 15000 mg/kg dry, dry combustion",)
    assert found.notes == ("B3, B4: not applied yet: the planned amount is taken",)


def test_as_it_is_and_dry_say_the_same(started: Program) -> None:
    """6 % of the meal as it is (8 % water) is 6.5217 % of its dry mass."""
    started.must("amendment", "set", "meal", *ANALYSIS, on=ON)
    moist = of(started, "M")
    other = ("--content", "total-N = 6.52173913 %", "--basis", "dry", "--method", "Kjeldahl")
    started.must("amendment", "set", "meal", *other, "--reason", "on its dry mass", on=ON)
    dry = of(started, "M")
    assert moist.per_bed.value == pytest.approx(6.0)
    assert moist.per_area.value == pytest.approx(120.0)
    assert moist.per_mix.value == pytest.approx(PER_MIX)
    for one, two in zip(
        (moist.per_bed, moist.per_area, moist.per_mix),
        (dry.per_bed, dry.per_area, dry.per_mix),
        strict=True,
    ):
        assert one.value == pytest.approx(two.value)


def test_what_was_weighed_counts_and_not_what_was_planned(started: Program) -> None:
    started.must("amendment", "set", "meal", *ANALYSIS, on=ON)
    started.must("apply", "B2", "--amount", "90 g", "--known", "weighed", on=ON)
    started.must("apply", "B6", "--amount", "110 g", "--known", "weighed", on=ON)
    found = of(started, "M")
    assert (found.per_bed.value, found.per_bed.low, found.per_bed.high) == pytest.approx(
        (6.0, 5.4, 6.6)
    )
    assert (found.unsure, found.notes) == ("", ())


def test_organic_nitrogen_is_total_less_mineral_whatever_basis_each_is_on(
    started: Program,
) -> None:
    """6 g total less 0.92 % of 92 g dry: 0.8464 g of ammonium; nitrate 0.1 % of 100 g: 0.1 g."""
    for content, basis in (
        ("total-N = 6 %", "as is"), ("ammonium-N = 0.92 %", "dry"), ("nitrate-N = 0.1 %", "as is"),
    ):  # fmt: skip
        words = ("--content", content, "--basis", basis, "--method", "invented")
        started.must("amendment", "set", "meal", *words, on=ON)
    assert of(started, "M", "organic-N").per_bed.value == pytest.approx(6 - 0.8464 - 0.1)
    assert of(started, "M", "mineral-N").per_bed.value == pytest.approx(0.9464)


def test_analyses_that_contradict_each_other_give_nothing(started: Program) -> None:
    for content in ("total-N = 1 %", "ammonium-N = 2 %", "nitrate-N = 0.1 %"):
        words = ("--content", content, "--basis", "as is", "--method", "invented")
        started.must("amendment", "set", "meal", *words, on=ON)
    found = of(started, "M", "organic-N").per_bed
    assert found.value is None
    assert found.reason == (
        "cannot be given: the analyses of meal contradict each other, more mineral than total "
        "nitrogen"
    )


def test_errors_of_analyses_add_as_variances(started: Program) -> None:
    """SD 0.3 % of 6 % is 5 %; less 1 +- 0.4 % mineral: hypot(0.3, 0.4) = 0.5 of 5: 10 %."""
    for content in ("total-N = 6 % +- 0.3 %", "nitrate-N = 1 % +- 0.4 %"):
        words = ("--content", content, "--basis", "as is", "--method", "invented")
        started.must("amendment", "set", "meal", *words, on=ON)
    assert of(started, "M").share_sd == pytest.approx(0.05)
    assert of(started, "M").sources == ("total-N 60000 mg/kg (SD 3000) as is, invented",)
    assert of(started, "M", "organic-N").share_sd is None
    words = ("--content", "ammonium-N = 0.000001 % +- 0.0000001 %", "--basis", "as is")
    started.must("amendment", "set", "meal", *words, "--method", "invented", on=ON)
    assert of(started, "M", "organic-N").share_sd == pytest.approx(0.1, rel=1e-5)


def test_what_is_missing_is_named_for_each_value(program: Program) -> None:
    """A volume waits on its density; dry contents wait on moisture; a mix on the soil too."""
    start(program, PROTOCOL.replace('"1.2 kg/L"', '"not known yet"'))
    words = ("--content", "total-N = 1.5 %", "--basis", "as is", "--method", "invented")
    program.must("amendment", "set", "compost", *words, on=ON)
    found = of(program, "C10")
    assert found.per_bed.reason == ("cannot be given: the density of compost is not known yet")
    assert found.per_mix.reason == (
        "cannot be given: the soil's bulk density and the density of compost and the moisture of "
        "compost are not known yet"
    )
    program.must("amendment", "set", "meal", *words, on=ON)
    meal = of(program, "M")
    assert meal.per_bed.value == pytest.approx(1.5)
    assert meal.per_mix.reason == "cannot be given: the soil's bulk density is not known yet"


def test_the_moisture_alone(program: Program) -> None:
    start(program, PROTOCOL.replace('"8 % wet basis"', '"not known yet"'))
    words = ("--content", "total-N = 6 %", "--basis", "dry", "--method", "invented")
    program.must("amendment", "set", "meal", *words, on=ON)
    found = of(program, "M")
    assert found.per_bed.reason == "cannot be given: the moisture of meal is not known yet"
    assert found.per_mix.reason == found.per_bed.reason


def test_everything_that_was_analysed_is_listed_nitrogen_first(started: Program) -> None:
    for content in ("K2O = 1 %", "pH = 6.5 pH", "OM = 70 %", "CaO = 2 %"):
        words = ("--content", content, "--basis", "dry", "--method", "invented")
        started.must("amendment", "set", "meal", *words, on=ON)
    with opened(started) as (store, trial):
        found = brought.brought(brought.matter(store, trial), "M")
    assert [one.nutrient for one in found] == ["total-N", "organic-N", "K", "Ca"]
    # IUPAC weights: K2O is 83.01513 % K, CaO 71.4690 % Ca; of 92 g dry.
    assert found[2].per_bed.value == pytest.approx(0.92 * 0.8301513, rel=1e-6)
    assert found[3].per_bed.value == pytest.approx(1.84 * 0.714690, rel=1e-5)
    assert found[0].per_bed.reason == "cannot be given: the total-N of meal is not known yet"


def test_an_amount_by_eye_is_said_to_be_unsure(started: Program) -> None:
    season(started, known="by eye")
    assert of(started, "M").unsure == (
        "the amount on B2, B6 was judged by eye: how far it is off is not known"
    )
