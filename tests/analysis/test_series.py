"""Differences against the control: worked examples, censored results, one bed, wrong input."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtr

from logbook.analysis import intervals, scores, series
from logbook.analysis.series import Difference, Observation
from logbook.analysis.tails import t_quantile
from logbook.errors import BadData, UserMistake

#: Student's sleep data (R data set sleep): extra hours with two drugs on ten subjects.
DRUG_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
DRUG_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def seen(
    treated: bool, values: list[float], *, day: float = 7.0, blocks: str | None = None
) -> list[Observation]:
    """One result for each of some beds; blocks: a letter for each bed."""
    side = "T" if treated else "C"
    return [
        Observation(day, f"{side}{place}", blocks[place] if blocks else None, treated, value)
        for place, value in enumerate(values)
    ]


def below(limit: float, bed: str, treated: bool, day: float = 7.0) -> Observation:
    """A result "< limit"."""
    return Observation(day, bed, None, treated, None, 0.0, limit)


def one(observations: list[Observation], dilution: float | None = None) -> Difference:
    """The only difference of observations from one day."""
    (difference,) = series.differences(observations, dilution)
    return difference


def test_paired_sleep_data() -> None:
    # R: t.test(extra ~ group, sleep, paired): t = -4.0621, df 9, p .002833, CI (-2.4599, -.7001).
    blocks = "abcdefghij"
    found = one(seen(True, DRUG_1, blocks=blocks) + seen(False, DRUG_2, blocks=blocks))
    contrast = found.against_control
    assert found.method == "within-block"
    assert contrast.df == 9
    assert contrast.value == pytest.approx(-1.58)
    assert (contrast.low, contrast.high) == pytest.approx((-2.4599, -0.7001), abs=5e-5)


def test_welch_on_sleep_data() -> None:
    # The same without the pairing: p = .0794 (R); df 17.776 and CI (-3.3655, .2055) from memory.
    found = one(seen(True, DRUG_1) + seen(False, DRUG_2))
    contrast = found.against_control
    assert found.method == "welch"
    assert contrast.df == pytest.approx(17.776, abs=5e-4)
    assert (contrast.low, contrast.high) == pytest.approx((-3.3655, 0.2055), abs=5e-5)
    assert contrast.df is not None
    assert 2 * stdtr(contrast.df, t_ratio(found)) == pytest.approx(0.0794, abs=5e-5)


def test_two_maize_beds_each_prove_nothing() -> None:
    # IFAS maize trial (UF00080557, pp. 55-56): t = 4.1629; equal numbers make Welch's t the same.
    found = one(seen(True, [5.7, 6.6]) + seen(False, [4.3, 3.9]))
    contrast = found.against_control
    assert contrast.value == pytest.approx(2.05)
    assert t_ratio(found) == pytest.approx(4.1629, abs=5e-5)
    assert contrast.low is not None
    assert contrast.low < 0
    # Satterthwaite: (.2025 + .04)^2 / (.2025^2 + .04^2), from variances .405 and .08.
    assert contrast.df == pytest.approx(0.2425**2 / (0.2025**2 + 0.04**2))


def t_ratio(found: Difference) -> float:
    """Difference over its standard error, recovered from the interval."""
    contrast = found.against_control
    assert contrast.value is not None
    assert contrast.high is not None
    assert contrast.df is not None
    return contrast.value * t_quantile(0.975, contrast.df) / (contrast.high - contrast.value)


@pytest.mark.parametrize(("df", "expected"), [(2, 4.303), (10, 2.228), (21, 2.080), (30, 2.042)])
def test_t_quantiles(df: float, expected: float) -> None:
    # Student's t, two-sided 5 %, as in any printed table.
    assert t_quantile(0.975, df) == pytest.approx(expected, abs=5e-4)


def test_dilution_by_the_amendment() -> None:
    # Inert compost, a tenth of the dry mass: it takes up nothing, but T - C says it does.
    found = one(seen(True, [17.9, 18.1]) + seen(False, [19.9, 20.1]), dilution=0.1)
    assert found.against_control.value == pytest.approx(-2.0)
    assert found.from_amendment is not None
    assert found.from_amendment.value == pytest.approx(0.0)
    # The control's scatter shrinks with its share: se^2 = .01 + .81 * .01.
    reach = t_quantile(0.975, found.from_amendment.df or 0) * math.sqrt(0.0181)
    assert found.from_amendment.high == pytest.approx(reach)


def test_without_dilution_there_is_no_second_difference() -> None:
    assert one(seen(True, [1, 2]) + seen(False, [1, 2])).from_amendment is None


def test_within_block_with_dilution_and_two_controls_in_a_block() -> None:
    # By hand: block a 10 - .8 * (4 + 6)/2 = 6, block b 14 - .8 * 10 = 6.
    found = one(
        seen(True, [10, 14], blocks="ab") + seen(False, [4, 6, 10], blocks="aab"), dilution=0.2
    )
    assert found.method == "within-block"
    assert found.control_beds == 3
    assert found.control_mean == 7.5
    assert found.against_control.value == 4.5
    assert found.against_control.low == pytest.approx(4.5 - 12.706 * 0.5, abs=1e-3)
    assert found.from_amendment is not None
    assert found.from_amendment.value == pytest.approx(6.0)
    assert found.from_amendment.low is None
    assert found.from_amendment.reason == series.same_in_blocks(2)


def test_blocks_that_give_the_same_difference_have_no_range_of_either_kind() -> None:
    # 116 - 114.5 = 120 - 118.5 = 1.5: the beds differ, the blocks do not.
    beds = seen(True, [116, 120], blocks="ab") + seen(False, [119, 110, 114, 123], blocks="aabb")
    for dilution in (None, 0.02):
        found = one(beds, dilution=dilution)
        for contrast in (found.against_control, found.from_amendment or found.against_control):
            assert contrast.value is not None
            assert (contrast.low, contrast.high) == (None, None)
            assert contrast.reason == (
                "both blocks give the same difference, so that the spread between them cannot be "
                "estimated: no interval"
            )
    assert one(beds).against_control.value == pytest.approx(1.5)
    assert series.same_in_blocks(4).startswith("all 4 blocks give the same difference")


@pytest.mark.parametrize(
    ("treated", "control", "note"),
    [
        ("ab", "aa", "blocks not used: block b has no control on this day"),
        ("ab", "abc", "blocks not used: block c has no treated bed on this day"),
        ("aa", "aa", "blocks not used: all beds are in one block"),
    ],
)
def test_incomplete_blocks_fall_back_to_welch(treated: str, control: str, note: str) -> None:
    found = one(
        seen(True, [float(n * n) for n in range(len(treated))], blocks=treated)
        + seen(False, [float(n) for n in range(len(control))], blocks=control)
    )
    assert (found.method, found.note) == ("welch", note)
    assert found.against_control.low is not None


def test_a_block_that_lost_a_side_is_left_out_while_three_others_are_whole() -> None:
    # By hand: differences within blocks 6, 6, 9: mean 7, se sqrt(3 / 3) = 1, t(.975, 2) = 4.303.
    # Blocks lie so far apart that Welch's interval of all seven beds would hold zero.
    found = one(
        seen(True, [10, 20, 33, 99], blocks="abcd") + seen(False, [4, 14, 24], blocks="abc")
    )
    assert (found.method, found.treated_beds, found.control_beds) == ("within-block", 3, 3)
    assert found.note == "block d left out: one side of it has no result"
    assert found.against_control.value == pytest.approx(7.0)
    assert found.against_control.low == pytest.approx(7.0 - 4.303, abs=1e-3)


def test_with_two_whole_blocks_no_bed_is_given_up() -> None:
    found = one(seen(True, [10, 20, 33], blocks="abc") + seen(False, [4, 14], blocks="ab"))
    assert (found.method, found.treated_beds) == ("welch", 3)
    assert found.note == "blocks not used: block c has no control on this day"


def test_two_treated_beds_of_a_block_are_averaged() -> None:
    # By hand: block a (10 + 12)/2 - 4 = 7, b 20 - 14 = 6, c 33 - 25 = 8: mean 7, se 1/sqrt 3.
    found = one(
        seen(True, [10, 12, 20, 33], blocks="aabc") + seen(False, [4, 14, 25], blocks="abc")
    )
    assert (found.method, found.treated_beds) == ("within-block", 4)
    assert found.against_control.value == pytest.approx(7.0)
    assert found.against_control.high == pytest.approx(7.0 + 4.303 / 3**0.5, abs=1e-3)


@pytest.mark.parametrize("blocks", ["112233", "112333", "111223"])
def test_a_day_says_what_the_intervals_of_the_whole_curve_say(blocks: str) -> None:
    rng = np.random.default_rng(20260214)
    for _ in range(20):
        treated, control = 40 + 8 * rng.standard_normal(6), 30 + 8 * rng.standard_normal(3)
        day = one(
            seen(True, list(treated), blocks=blocks) + seen(False, list(control), blocks="123")
        ).against_control
        beds = scores.beds_of(
            [7.0],
            treated[:, None],
            control[:, None],
            treated_blocks=tuple(blocks),
            control_blocks=tuple("123"),
        )
        curve = intervals.at_day(beds, 7.0)
        assert (day.value, day.low, day.high) == pytest.approx((curve.value, curve.low, curve.high))


def test_one_bed_has_no_interval_and_says_why() -> None:
    found = one(seen(True, [12.0]) + seen(False, [9.0]), dilution=0.0)
    assert found.method == "one bed"
    for contrast in (found.against_control, found.from_amendment):
        assert contrast is not None
        assert (contrast.value, contrast.low, contrast.high, contrast.df) == (3.0, None, None, None)
        assert contrast.reason == (
            "one bed per treatment: any interval would cover laboratory and within-bed error for "
            "these two beds only; it cannot separate the amendment from a difference between the "
            "beds; no test is reported"
        )


def test_one_treated_bed_against_three_controls() -> None:
    contrast = one(seen(True, [12.0]) + seen(False, [9.0, 8.0, 10.0])).against_control
    assert contrast.low is None
    assert contrast.reason.startswith("only one treated bed (and 3 control beds): nothing shows")


def test_cores_of_one_bed_are_not_beds() -> None:
    duplicates = [Observation(7.0, "T0", None, True, value) for value in (10.0, 14.0, 12.0)]
    found = one(duplicates + seen(False, [9.0, 8.0]))
    assert found.treated_beds == 1
    assert found.treated_mean == 12.0
    assert found.method == "one bed"


@pytest.mark.parametrize("blocks", [None, "abc"])
def test_equal_values_claim_no_certainty(blocks: str | None) -> None:
    found = one(
        seen(True, [0.3] * 3, blocks=blocks) + seen(False, [0.1] * 3, blocks=blocks), dilution=0.3
    )
    for contrast in (found.against_control, found.from_amendment):
        assert contrast is not None
        assert contrast.value is not None
        assert (contrast.low, contrast.high) == (None, None)
        assert contrast.reason == (
            "the beds agree to the last digit reported, so that the spread between them cannot be "
            "estimated: no interval"
        )


def test_one_censored_side_gives_a_range() -> None:
    # Treated 4.0, control <0.5: the difference is between +3.5 and +4.0.
    contrast = one([*seen(True, [4.0]), below(0.5, "C0", False)]).against_control
    assert (contrast.value, contrast.low, contrast.high) == (None, 3.5, 4.0)
    assert contrast.reason == (
        "range of possible values, from the reporting limits; not a 95 % interval"
    )


def test_censored_beds_are_counted_and_bound_the_mean() -> None:
    found = one([*seen(True, [4.0, 6.0]), below(1.0, "C0", False),
                 Observation(7.0, "C1", None, False, 2.0)], dilution=0.5)  # fmt: skip
    assert (found.method, found.censored, found.treated_beds, found.control_beds) == (
        "bounds", 1, 2, 2,
    )  # fmt: skip
    assert (found.treated_mean, found.control_mean) == (5.0, None)
    assert (found.against_control.low, found.against_control.high) == (3.5, 4.0)
    assert found.from_amendment is not None
    assert (found.from_amendment.low, found.from_amendment.high) == (4.25, 4.5)


def test_a_bed_known_to_within_two_ends_widens_the_range_and_closes_it() -> None:
    """Two beds a side, one between 20 and 24: Welch at both ends, united.

    With 20: means 21 and 11, se^2 = 2 / 2 + 2 / 2, df 2: 10 +- 4.3027 x 1.41421 (t table, any).
    With 24: treated 24 and 22, as far apart: 12 +- the same. So from 3.915 to 18.085.
    """
    found = one([Observation(7.0, "T0", None, True, None, 20.0, 24.0),
                 Observation(7.0, "T1", None, True, 22.0), *seen(False, [10.0, 12.0])])  # fmt: skip
    contrast = found.against_control
    assert (found.method, contrast.value, contrast.df) == ("bounds + welch", None, None)
    assert (contrast.low, contrast.high) == pytest.approx((3.91518, 18.08482), abs=1e-4)
    assert contrast.reason.startswith("reporting limits leave some values open")
    assert (found.treated_mean, found.control_mean) == (None, 11.0)


def test_within_blocks_the_widest_choice_of_ends_counts() -> None:
    """Gaps 10 and 10 to 14: with 14, 12 +- 12.7062 x 2 holds the rest (t table, any)."""
    beds = [Observation(7.0, "T0", "1", True, 20.0), Observation(7.0, "C0", "1", False, 10.0),
            Observation(7.0, "T1", "2", True, None, 30.0, 34.0),
            Observation(7.0, "C1", "2", False, 20.0)]  # fmt: skip
    found = one(beds)
    assert found.method == "bounds + within-block"
    ends = (found.against_control.low, found.against_control.high)
    assert ends == pytest.approx((12 - 12.7062 * 2, 12 + 12.7062 * 2), abs=1e-3)


@pytest.mark.parametrize(("low", "high"), [(0.0, 4.0), (200.0, None)])
def test_a_bed_of_which_nothing_is_known_at_one_end_leaves_bounds(
    low: float, high: float | None
) -> None:
    beds = [Observation(7.0, "T0", None, True, None, low, high),
            Observation(7.0, "T1", None, True, 22.0), *seen(False, [10.0, 12.0])]  # fmt: skip
    assert one(beds).method == "bounds"


def test_a_mean_day_is_said_to_a_hundredth() -> None:
    found = series.differences(seen(True, [1.0, 2.0], day=22 / 3), None)
    assert "on day 7.33:" in found[0].against_control.reason


def test_two_censored_sides_show_nothing() -> None:
    contrast = one([below(0.5, "T0", True), below(0.5, "C0", False)]).against_control
    assert (contrast.value, contrast.low, contrast.high) == (None, None, None)
    assert contrast.reason == ("no detectable difference: both sides are below the reporting limit")


def test_results_beyond_the_range() -> None:
    above = Observation(7.0, "T0", None, True, None, 200.0, None)
    contrast = one([above, below(0.5, "C0", False)]).against_control
    assert (contrast.low, contrast.high) == (199.5, None)
    both = one([above, Observation(7.0, "C0", None, False, None, 200.0, None)]).against_control
    assert both.reason == "no difference can be given: both sides are above the method's range"


def test_a_trace_is_not_a_non_detect() -> None:
    # Seen, but between the limits of detection (0.3) and of quantification (0.5).
    trace = Observation(7.0, "T0", None, True, None, 0.3, 0.5)
    contrast = one([trace, below(0.2, "C0", False)]).against_control
    assert (contrast.low, contrast.high) == pytest.approx((0.1, 0.5))


def test_a_censored_duplicate_bounds_its_bed() -> None:
    mixed = [Observation(7.0, "T0", None, True, 1.0), below(0.5, "T0", True)]
    contrast = one([*mixed, below(0.5, "C0", False)]).against_control
    assert (contrast.low, contrast.high) == (0.0, 0.75)


def test_a_day_without_control_has_no_difference() -> None:
    found = series.differences(
        seen(True, [1.0, 2.0], day=14) + seen(True, [1.0]) + seen(False, [2.0]), None
    )
    assert [difference.day for difference in found] == [7.0, 14.0]
    assert found[1].method == "none"
    assert found[1].treated_mean == 1.5
    reason = "no control bed has a result that counts on day 14: no difference"
    assert found[1].against_control.reason == reason


def test_points_for_a_fit() -> None:
    observations = [
        *seen(True, [9.0], day=-2), *seen(False, [9.0], day=-2),
        *seen(True, [10.0], day=0), *seen(False, [8.0], day=0),
        *seen(True, [4.0], day=7), below(0.5, "C0", False),
        *seen(True, [5.0], day=14),
        *seen(True, [5.0], day=21), *seen(False, [8.0], day=21),
    ]  # fmt: skip
    points = series.points_for_fit(series.differences(observations, 0.25))
    assert points.days == (0.0, 21.0)
    assert points.values == (4.0, -1.0)  # a negative release is kept
    assert points.corrected
    assert points.left_out == (
        "day -2: before application",
        "day 7: range of possible values, from the reporting limits; not a 95 % interval",
        "day 14: no control bed has a result that counts on day 14: no difference",
    )
    plain = series.points_for_fit(series.differences(observations, None))
    assert plain.values == (2.0, -3.0)
    assert not plain.corrected


def test_every_problem_is_named_at_once() -> None:
    observations = [
        Observation(float("nan"), "T0", None, True, 1.0),
        Observation(7.0, "T1", None, True, float("inf")),
        Observation(7.0, "T2", None, True, None),
        Observation(7.0, "C0", None, False, 1e200),
        Observation(7.0, "C1", None, False, None, 2.0, 1.0),
        Observation(7.0, "C2", "a", False, 1.0),
        Observation(7.0, "C2", "b", True, 1.0),
    ]
    with pytest.raises(BadData) as caught:
        series.differences(observations, None)
    assert [str(problem) for problem in caught.value.problems] == [
        "result 1, bed T0, day nan: day is nan, not a number",
        "result 2, bed T1, day 7: value is inf, not a number",
        "result 3, bed T2, day 7: no value and no bounds",
        "result 4, bed C0, day 7: value is 1e+200, too large",
        "result 5, bed C1, day 7: lower bound 2 is above upper bound 1",
        "bed C2: is both treated and control",
        "bed C2: is in two blocks",
    ]


@pytest.mark.parametrize("dilution", [-0.1, 1.0, float("nan")])
def test_a_dilution_is_a_share(dilution: float) -> None:
    with pytest.raises(UserMistake, match=r"share of the dry mass is .*, not in 0 to 1"):
        series.differences([], dilution)


def test_no_observations_no_differences() -> None:
    assert series.differences([], None) == []


def test_quantiles_out_of_range() -> None:
    with pytest.raises(UserMistake, match="at least two beds are needed"):
        t_quantile(0.975, 0)
    with pytest.raises(UserMistake, match="is not between 0 and 1"):
        t_quantile(1.0, 3)


@pytest.mark.parametrize("blocks", [None, "abc"])
def test_the_order_of_beds_changes_no_digit(blocks: str | None) -> None:
    treated = seen(True, [0.1, 0.7, 1.3], blocks=blocks)
    control = seen(False, [0.2, 0.3, 0.37], blocks=blocks)
    reference = one(treated + control, 0.1)
    for order in permutations(range(3)):
        shuffled = [bed for place in order for bed in (control[place], treated[place])]
        assert one(shuffled, 0.1) == reference


measured = st.lists(st.integers(0, 5000).map(lambda n: n / 16), min_size=2, max_size=6)


@settings(derandomize=True, deadline=None, max_examples=80)
@given(measured, measured, st.randoms(use_true_random=False))
def test_naming_and_shuffling_beds_change_nothing(
    treated: list[float], control: list[float], rng: object
) -> None:
    here = one(seen(True, treated) + seen(False, control))
    there = one(seen(True, treated[::-1]) + seen(False, sorted(control)))
    rng.shuffle(treated)  # type: ignore[attr-defined]
    assert one(seen(True, treated) + seen(False, control)) == here == there
    value = here.against_control.value
    assert value == pytest.approx(sum(treated) / len(treated) - sum(control) / len(control))


@settings(derandomize=True, deadline=None, max_examples=80)
@given(measured, measured, st.floats(-50, 50))
def test_a_shift_of_both_sides_leaves_the_difference(
    treated: list[float], control: list[float], shift: float
) -> None:
    here = one(seen(True, treated) + seen(False, control)).against_control
    there = one(
        seen(True, [value + shift for value in treated])
        + seen(False, [value + shift for value in control])
    ).against_control
    assert there.value == pytest.approx(here.value, abs=1e-9)
    if here.low is not None and there.low is not None:
        assert there.low == pytest.approx(here.low, rel=1e-6, abs=1e-6)


def test_an_open_part_of_every_bed_moves_the_ends_by_no_more_than_its_limit() -> None:
    """Nitrate 20.1, 21.3, 19.4, 20.6 beside 19.8, 20.9, 20.2, 19.5, ammonium of all below 2."""
    nitrate = {True: [20.1, 21.3, 19.4, 20.6], False: [19.8, 20.9, 20.2, 19.5]}
    plain = [one for side, values in nitrate.items() for one in seen(side, values)]
    opened = [replace(one, value=None, low=one.value, high=one.value + 2.0) for one in plain]
    (whole,), (found,) = (series.differences(some, None) for some in (plain, opened))
    narrow, wide = whole.against_control, found.against_control
    assert narrow.low is not None
    assert narrow.high is not None
    assert found.method == "bounds + welch"
    assert (wide.low, wide.high) == pytest.approx((narrow.low - 2.0, narrow.high + 2.0))
