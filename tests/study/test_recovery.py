"""What of the amendment is seen again: balances, and what must be known before it can be said."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.fieller import ratio
from logbook.analysis.tails import t_quantile
from logbook.study import recovery
from logbook.study.brought import Brought, Stated
from logbook.study.recovery import NO_ERROR_STATED, Recovered
from logbook.study.series import series_of
from tests.program import PROTOCOL, Program
from tests.study.small_season import ANALYSIS, PER_MIX, VALUES, F, opened, read, recovered, season


def net(day: int) -> tuple[float, float]:
    """T - (1 - f) C on a day, and its standard error on 1 df, from the two blocks."""
    found = VALUES[day]
    gaps = [found["B2"] - (1 - F) * found["B1"], found["B6"] - (1 - F) * found["B5"]]
    return sum(gaps) / 2, abs(gaps[0] - gaps[1]) / 2


def test_apparent_recovery_is_the_share_of_the_total_nitrogen_that_is_seen(
    started: Program,
) -> None:
    """Mass balance: T = r A + (1 - f) C. Day 28: (30 + 32) / 2 of 66.6 mg/kg are 46.6 %."""
    season(started)
    found = recovered(started)
    assert [(one.pull, one.what) for one in found.apparent] == [
        (name, "apparent N recovery") for name in ("day 0", "day 7", "day 28")
    ]
    last = found.apparent[-1]
    value, error = net(28)
    assert last.value == pytest.approx(100 * value / PER_MIX)
    # t(.975, 1) = 12.706 (t table, any).
    assert last.high is not None and last.low is not None
    assert last.high - last.low == pytest.approx(2 * 12.7062 * 100 * error / PER_MIX, rel=1e-5)
    assert last.method == "within-block"
    assert (last.bound, last.because, last.reason) == ("", (), "")
    assert last.against_control == pytest.approx(100 * 31 / PER_MIX)
    assert last.value > last.against_control
    assert found.net == "T - (1 - f) C, what the amendment gave, with f its share of the dry mass"
    assert NO_ERROR_STATED in found.notes


def test_net_mineralised_counts_from_day_0_over_the_organic_nitrogen(started: Program) -> None:
    """(D28 - D0) / organic N; 6 % total less 0.5 % mineral: 5.5 % are 61.05 mg/kg of the mix."""
    analysis = (
        *ANALYSIS, "--content", "ammonium-N = 0.4 %", "--content", "nitrate-N = 0.1 %",
    )  # fmt: skip
    season(started, analysis=analysis)
    found = recovered(started)
    assert found.organic is not None
    assert found.organic.per_mix.value == pytest.approx(PER_MIX * 5.5 / 6)
    assert [one.pull for one in found.mineralised] == ["day 7", "day 28"]
    last = found.mineralised[-1]
    grown = net(28)[0] - net(0)[0]
    assert last.value == pytest.approx(100 * grown / (PER_MIX * 5.5 / 6))
    assert last.low is not None and last.high is not None
    assert last.low < last.value < last.high
    assert [one.what for one in found.last] == ["apparent N recovery", "net organic N mineralised"]


def test_without_the_mineral_nitrogen_of_the_meal_only_the_mineralised_share_waits(
    started: Program,
) -> None:
    season(started)
    found = recovered(started)
    assert {one.value for one in found.mineralised} == {None}
    assert {one.reason for one in found.mineralised} == {
        "cannot be given: the nitrate-N of meal and the ammonium-N of meal are not known yet"
    }
    assert found.apparent[-1].value is not None


def test_an_analysis_with_an_error_widens_the_interval_by_fieller(started: Program) -> None:
    season(started, analysis=("--content", "total-N = 6 % +- 0.3 %", *ANALYSIS[2:]))
    last = recovered(started).apparent[-1]
    value, error = net(28)
    exact = ratio(value, error, PER_MIX, 0.05 * PER_MIX, 1.0)
    assert (last.value, last.low, last.high) == pytest.approx(
        tuple(100 * one for one in (exact.value, exact.low, exact.high) if one is not None)
    )
    assert last.method == "within-block; Fieller"
    assert NO_ERROR_STATED not in recovered(started).notes


def test_an_amount_judged_by_eye_gives_no_interval(started: Program) -> None:
    season(started, known="by eye")
    last = recovered(started).apparent[-1]
    assert last.value is not None
    assert (last.low, last.high) == (None, None)
    assert last.reason == (
        "no interval: the amount on B2, B6 was judged by eye: how far it is off is not known"
    )


def test_what_is_missing_is_named_and_no_number_given(started: Program) -> None:
    season(started, analysis=None)
    found = recovered(started)
    reason = "cannot be given: the total-N of meal is not known yet"
    assert {one.reason for one in found.apparent} == {reason}
    assert {one.against_control for one in found.apparent} == {None}
    assert found.last == ()


def test_a_material_that_gives_nothing_recovers_nothing(started: Program) -> None:
    """Mass balance: its beds hold (1 - f) C; the plain T - C would say that it took some up."""
    values = {
        0: {"B1": 100.0, "B2": 100 * (1 - F), "B5": 200.0, "B6": 200 * (1 - F)},
        7: {"B1": 110.0, "B2": 110 * (1 - F), "B5": 220.0, "B6": 220 * (1 - F)},
    }
    season(started, values=values)
    last = recovered(started).apparent[-1]
    assert last.value == pytest.approx(0.0, abs=0.01)
    assert last.against_control == pytest.approx(-100 * 165 * F / PER_MIX, rel=0.01)


def test_below_nothing_and_above_all_are_shown(started: Program) -> None:
    """Immobilisation and a wrong analysis give such figures; clipping would hide both."""
    values = {
        0: {"B1": 30.0, "B2": 20.0, "B5": 34.0, "B6": 23.0},
        7: {"B1": 20.0, "B2": 120.0, "B5": 24.0, "B6": 126.0},
    }
    season(started, values=values)
    first, last = recovered(started).apparent
    assert first.value is not None and first.value < 0
    assert last.value is not None and last.value > 100


def test_nitrate_alone_has_no_recovery(started: Program) -> None:
    season(started)
    found = recovered(started, "nitrate-N")
    assert {one.value for one in found.apparent} == {None}
    assert "nitrate-N and ammonium-N of one sample together" in found.apparent[0].reason


def test_ph_has_none(started: Program) -> None:
    season(started, parts=(("EC", 0.01),), method="water 1:5", unit="dS/m")
    assert recovery.recovery(*read(started, "EC")) is None


def test_of_phosphorus_it_is_what_the_extractant_finds_again(started: Program) -> None:
    """2 % P2O5 is 0.8729 % P (IUPAC weights): 0.8729 g of it in 100 g of meal."""
    season(
        started,
        analysis=("--content", "P2O5 = 2 %", *ANALYSIS[2:]),
        parts=(("P", 1.0),),
        method="Mehlich-3",
    )
    found = recovered(started, "P")
    assert found.applied.per_bed.value == pytest.approx(0.8729, abs=1e-4)
    assert found.organic is None and found.mineralised == ()
    last = found.apparent[-1]
    assert last.what == "apparent recovery by the extractant"
    assert last.value == pytest.approx(100 * net(28)[0] / (872.85 / 90.092), rel=1e-4)


@pytest.mark.parametrize(
    ("act", "word"),
    [
        (("event", "B2", "drained", "--when", "2026-03-05"), "at least"),
        (("event", "B2", "flooded", "--when", "2026-03-05"), "at least"),
        (("event", "B6", "ammonia smelt", "--when", "2026-03-05"), "at least"),
        (("event", "B1", "drained", "--when", "2026-03-05"), "may be too high or too low"),
        (("event", "B2", "spilled", "--when", "2026-03-05"), ""),
        # 35 % of the dry mass at 1.2 kg/L: 0.42 L in 0.547 L of pores (grains 2.65): 77 %.
        (("measure", "moisture", "35 %", "--on", "B2", "--when", "2026-03-05"), ""),
        (("measure", "moisture", "40 %", "--on", "B2", "--when", "2026-03-05"), "at least"),
    ],
)
def test_a_loss_makes_it_at_least(started: Program, act: tuple[str, ...], word: str) -> None:
    """From that day on; a control's loss makes the treated beds look richer than they are."""
    season(started, act)
    found = recovered(started)
    assert [one.bound for one in found.apparent] == ["", word, word]
    assert [bool(one.because) for one in found.apparent] == [False, bool(word), bool(word)]


def test_with_flagged_pulls_left_out_a_bed_that_drained_is_not_in_it(started: Program) -> None:
    season(started, ("event", "B2", "drained", "--when", "2026-03-05"))
    with opened(started) as (store, trial):
        (one,) = series_of(store, trial, "mineral-N", "M", without_flagged=True)
    _, matter, losses = read(started)
    found = recovery.recovery(one, matter, losses)
    assert found is not None
    assert [one.bound for one in found.apparent] == ["", "", ""]


ALONE = {
    day: {bed: value for bed, value in beds.items() if bed in ("B1", "B2")}
    for day, beds in VALUES.items()
}


def test_one_bed_gives_a_figure_and_no_interval(started: Program) -> None:
    season(started, values=ALONE)
    last = recovered(started).apparent[-1]
    assert last.value == pytest.approx(100 * (50 - (1 - F) * 20) / PER_MIX)
    assert (last.low, last.high, last.method) == (None, None, "one bed")
    assert last.reason.startswith("one bed per treatment")


def test_one_bed_with_a_declared_error_speaks_of_these_beds_only(program: Program) -> None:
    """SE = CV sqrt(T^2 + (1 - f)^2 C^2) with a CV of 8 %, 1.96 of it either way."""
    declared = '{ method = "1 M KCl", cv = "8 %" }'
    text = PROTOCOL
    for name in ("nitrate-N", "ammonium-N"):
        text = text.replace(f'{name} = "1 M KCl"', f"{name} = {declared}")
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    season(program, values=ALONE)
    last = recovered(program).apparent[-1]
    error = 0.08 * math.hypot(50, (1 - F) * 20)
    assert last.low is not None and last.high is not None
    assert last.high - last.low == pytest.approx(2 * 1.959964 * 100 * error / PER_MIX, rel=1e-5)
    assert "these two beds only" in last.method


def test_beds_that_agree_to_the_last_digit_show_no_spread(started: Program) -> None:
    values = {0: dict.fromkeys(("B1", "B2", "B5", "B6"), 10.0)}
    values[7] = {"B1": 10.0, "B2": 30.0, "B5": 10.0, "B6": 30.0}
    analysis = (*ANALYSIS, "--content", "nitrate-N = 0.1 %", "--content", "ammonium-N = 0.1 %")
    season(started, values=values, analysis=analysis)
    found = recovered(started)
    for last in (found.apparent[-1], found.mineralised[-1]):
        assert last.value is not None
        assert (last.low, last.high) == (None, None)
        assert "the beds agree to the last digit reported" in last.reason


def test_a_side_below_its_limit_leaves_a_range_of_possible_values(started: Program) -> None:
    """P of the controls below 5 mg/kg, treated 9 and 11: between 10 - 5 and 10 of what came."""
    season(
        started, analysis=("--content", "P = 1 %", *ANALYSIS[2:]), parts=(("P", 1.0),),
        method="Mehlich-3", values={0: {"B1": "<5", "B2": 9.0, "B5": "<5", "B6": 11.0}},
    )  # fmt: skip
    (first,) = recovered(started, "P").apparent
    applied = PER_MIX / 6
    assert first.value is None
    assert (first.low, first.high) == pytest.approx(
        (100 * (10 - (1 - F) * 5) / applied, 100 * 10 / applied)
    )
    assert (first.method, bool(first.reason)) == ("bounds", True)


def test_soil_from_below_the_mix_is_no_part_of_it(started: Program) -> None:
    season(started)
    series, matter, losses = read(started)
    deeper = replace(matter, depth_cm=matter.depth_cm + 5)
    found = recovery.recovery(series, deeper, losses)
    assert found is not None
    assert {one.reason for one in found.apparent} == {
        "cannot be given: samples reach 20 cm and the amendment 15 cm, so that soil without it is "
        "in them"
    }


def test_planted_beds_and_pulls_before_application_have_none(started: Program) -> None:
    season(started, ("event", "M", "sown", "--when", "2026-03-20"))
    found = recovered(started)
    assert [one.value is None for one in found.apparent] == [False, False, True]
    assert found.apparent[-1].reason == "planted: what roots took up is no longer in the bed"


def test_the_worked_example_of_a_release_with_an_uncertain_amount() -> None:
    """T 95 (SD 6), C 60 (SD 5), 4 beds each, 120 applied: 29.17 %, SE 3.25 points; with an SD of
    8 on the amount 3.79 points (computed by error propagation; the handbook way of stating it)."""
    found = _given(35.0, math.sqrt(36 / 4 + 25 / 4), 120.0, 0.0)
    assert found.value == pytest.approx(29.17, abs=0.005)
    assert found.high is not None and found.low is not None
    t = t_quantile(0.975, 6.0)
    assert (found.high - found.low) / (2 * t) == pytest.approx(3.25, abs=0.005)
    # Fieller's interval is not symmetric; for this amount (SD 6.7 %) it is near that of 3.79.
    unsure = _given(35.0, math.sqrt(36 / 4 + 25 / 4), 120.0, 8 / 120)
    assert unsure.high is not None and unsure.low is not None
    assert (unsure.high - unsure.low) / (2 * t) == pytest.approx(3.79, rel=0.04)
    assert unsure.high - 29.17 > 29.17 - unsure.low


def _given(value: float, error: float, amount: float, share_sd: float) -> Recovered:
    t = t_quantile(0.975, 6.0)
    found = recovery._Net(value, value - t * error, value + t * error, 6.0, "welch", "")
    none = Stated(None, "g")
    applied = Brought("total-N", none, none, Stated(amount, "mg/kg"), share_sd, "", (), ())
    empty = Recovered("x", "day 28", 28.0, None, None, None, "", (), None, "none", "")
    return recovery._fieller(empty, found, amount, applied)


@given(
    value=st.floats(-200, 200),
    error=st.floats(0.01, 50),
    amount=st.floats(1, 500),
    share=st.floats(0, 0.1),
    c=st.floats(0.01, 100),
)
def test_c_times_the_amount_is_a_cth_of_the_recovery(
    value: float, error: float, amount: float, share: float, c: float
) -> None:
    one, other = _given(value, error, amount, share), _given(value, error, amount * c, share)
    assert one.value is not None and other.value is not None
    assert other.value * c == pytest.approx(one.value, rel=1e-9, abs=1e-9)
    assert one.low is not None and one.high is not None
    assert (other.low or 0.0) * c == pytest.approx(one.low, rel=1e-6, abs=1e-6)
    assert (other.high or 0.0) * c == pytest.approx(one.high, rel=1e-6, abs=1e-6)
