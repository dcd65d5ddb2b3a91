"""What left the beds by another way: seen, not seen, and what cannot be judged."""

from __future__ import annotations

from decimal import Decimal

import pytest

from logbook.study import losses
from logbook.study.losses import CANNOT_TELL, TIED_UP, Loss, Losses
from logbook.trial import water
from tests.program import PROTOCOL, Program, begun
from tests.study.small_season import opened, season

DARK = "how wet B1, B2, B5, B6 stood cannot be judged: no moisture was measured"


def lost(program: Program, code: str = "M") -> Losses:
    with opened(program) as (store, trial):
        return losses.losses(store, trial, code)


def test_what_was_written_down_is_said_with_its_bed_and_its_day(started: Program) -> None:
    season(
        started,
        ("event", "B2", "drained", "--when", "2026-03-05"),
        ("event", "B1", "flooded", "--when", "2026-03-09"),
        ("event", "B6", "ammonia smelt", "--when", "2026-03-03"),
        ("event", "B2", "heat off", "--when", "2026-03-03"),
    )
    found = lost(started)
    assert found.sentences == (
        "ammonia was smelt on B6 on Tue 3 Mar 2026 (day 1)",
        "B2 drained on Thu 5 Mar 2026 (day 3): nitrate goes with the water",
        "B1 flooded on Mon 9 Mar 2026 (day 7): nitrate goes with the water",
        DARK,
    )
    assert [(one.bed, one.control, one.day) for one in found.drained] == [
        ("B2", False, 3),
        ("B1", True, 7),
    ]
    assert [one.sentence for one in found.by(2).every] == [found.sentences[0]]


def test_what_happened_before_application_or_on_other_beds_is_not_among_it(
    started: Program,
) -> None:
    started.must("event", "B2", "flooded", "--when", "2026-03-01", on="2026-03-02T08:00+01:00")
    season(started, ("event", "B3", "drained", "--when", "2026-03-05"))
    assert lost(started).every == ()


def test_pore_space_of_a_worked_example() -> None:
    """94 g wet, 78 g dry in 60 cm3 (a worked example of an instrument manual): bulk density 1.30,
    theta 0.20513; with grains of 2.65 kg/L water fills 52.35 % of the pores."""
    theta = water.gravimetric(Decimal(94), Decimal(78))
    share = water.pore_space_filled(theta, Decimal("1.3"))
    assert round(share * 100, 2) == Decimal("52.35")
    assert share < losses.WET


def test_wetness_goes_by_the_density_measured_on_the_bed_else_the_soils(started: Program) -> None:
    """Computed: 40 % at 1.2 kg/L fill 88 % of the pores, at 0.9 kg/L 55 %."""
    wet = ("measure", "moisture", "40 %", "--on", "B2,B6,B1,B5", "--when")
    season(
        started,
        (*wet, "2026-03-05"),
        (*wet, "2026-03-12"),
        ("measure", "bulk density", "0.9 kg/L", "--on", "B6", "--when", "2026-03-05"),
    )
    found = lost(started)
    # B2 goes by what was measured on the other bed of its treatment.
    assert [(one.bed, one.day, one.last) for one in found.wet] == [("B1", 3, 10), ("B5", 3, 10)]
    assert found.wet[0].sentence == (
        "B1 stood wet: water filled 88 % on day 3, 88 % on day 10 of the pores (bulk density "
        "1.2 kg/L, the soil's; grains 2.65 kg/L)"
    )
    assert found.cannot_judge == ()


PARTED = PROTOCOL.replace(
    "[soil]",
    '[sampling.parts]\nchilled = ["nitrate-N", "ammonium-N", "pH"]\ntin = []\n\n[soil]',
)


def test_a_moisture_tin_is_a_reading_too(program: Program) -> None:
    """20 g empty, 94 g moist, 72 g dry: (94 - 72) / (72 - 20) = 42.3 %: 93 % of the pores."""
    begun(program, PARTED)
    program.must("apply", "control,M", on="2026-03-02T09:00+01:00")
    bags = program.must("pull", "B1,B2", on="2026-03-09T09:00+01:00").bags
    weights = ("--tare", "20 g", "--wet", "94 g", "--dry", "72 g")
    program.must("weigh", bags[1][1], *weights, on="2026-03-11T09:00+01:00")
    found = lost(program)
    assert [(one.bed, one.day) for one in found.wet] == [("B2", 7)]
    assert "water filled 93 % on day 7" in found.wet[0].sentence
    assert found.cannot_judge == (
        "how wet B1, B5, B6 stood cannot be judged: no moisture was measured",
    )


def test_without_a_density_wetness_cannot_be_judged(program: Program) -> None:
    text = PROTOCOL.replace('bulk_density = "1.2 kg/L"', 'bulk_density = "not known yet"')
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    program.must("apply", "control,M", on="2026-03-02T09:00+01:00")
    program.must("measure", "moisture", "45 %", "--on", "B2", on="2026-03-05T09:00+01:00")
    assert lost(program).cannot_judge == (
        "how wet B1, B5, B6 stood cannot be judged: no moisture was measured",
        "how wet B2 stood cannot be judged: the bulk density is not known",
    )


def loss(kind: losses.Kind, control: bool = False) -> Losses:
    one = Loss(kind, "B1", control, 5, 5, "B1 lost some")
    return Losses(**{kind: (one,)})


@pytest.mark.parametrize("kind", ["drained", "wet", "ammonia"])
def test_tied_up_needs_that_nothing_was_lost(kind: losses.Kind) -> None:
    """Immobilisation and loss look alike in mineral nitrogen: only one of them comes back."""
    assert losses.why_below(loss(kind), "mineral-N", 14) == (CANNOT_TELL, ("B1 lost some",))
    assert losses.why_below(loss(kind), "mineral-N", 4) == (TIED_UP, ())
    assert losses.why_below(loss(kind, control=True), "mineral-N", 14) == (TIED_UP, ())


def test_tied_up_needs_ammonium() -> None:
    """Nitrate alone may be low because ammonium was not nitrified yet."""
    word, why = losses.why_below(Losses(), "nitrate-N", 14)
    assert word == CANNOT_TELL
    assert why == ("ammonium was not measured with it",)


def test_tied_up_says_what_nobody_looked_at() -> None:
    assert losses.why_below(Losses(cannot_judge=(DARK,)), "mineral-N", 14) == (TIED_UP, (DARK,))


@pytest.mark.parametrize(
    ("kind", "nutrient", "word"),
    [
        ("drained", "K", "at least"),
        ("drained", "sulfate-S", "at least"),
        ("wet", "mineral-N", "at least"),
        ("wet", "K", ""),
        ("ammonia", "mineral-N", "at least"),
        ("ammonia", "P", ""),
        ("ammonia", "ammonium-N", "at least"),
        ("drained", "ammonium-N", ""),
    ],
)
def test_which_loss_takes_which_nutrient(kind: losses.Kind, nutrient: str, word: str) -> None:
    """Denitrification and ammonia take nitrogen; what drains takes whatever is dissolved in it."""
    assert losses.bound(loss(kind), nutrient, 14)[0] == word


def test_a_controls_loss_cuts_both_ways() -> None:
    both = Losses(drained=(*loss("drained").drained, *loss("drained", control=True).drained))
    assert losses.bound(both, "mineral-N", 14) == (
        "may be too high or too low",
        ("B1 lost some", "B1 lost some"),
    )
