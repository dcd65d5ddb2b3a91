"""Several treatments and one control: published cases, the choice of the test, and wrong use."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from scipy import stats

from logbook.analysis.series import ONE_BED, SPREAD_UNSEEN
from logbook.analysis.several import (
    NO_CONTROL,
    ONE_CONTROL,
    ONE_TREATED,
    SAME_IN_BLOCKS,
    Family,
    Line,
    Measured,
    compared,
    holm,
)
from logbook.errors import BadData, UserMistake

# Dunnett 1955, table 1: blood counts (millions per mm3) of animals without and with two drugs.
BLOOD = {
    "control": (7.40, 8.50, 7.20, 8.24, 9.84, 8.32),
    "A": (9.76, 8.80, 7.68, 9.36),
    "B": (12.80, 9.68, 12.16, 9.20, 10.55),
}
# Thomson & Short 1969, J. Appl. Physiol. 26:535-539: half-times in hours.
THOMSON = {
    "control": (2.9, 3.0, 2.5, 2.6, 3.2),
    "g1": (3.8, 2.7, 4.0, 2.4),
    "g2": (2.8, 3.4, 3.7, 2.2, 2.0),
}
# PlantGrowth of R's datasets (Dobson 1983): dried weights of plants.
PLANTS = {
    "control": (4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14),
    "trt1": (4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69),
    "trt2": (6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26),
}
# Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, p. 259: soil nitrogen, %,
# at the first of three dates, eight fertiliser treatments, the four replications in order.
GOMEZ_P1 = {
    "T1": (3.26, 2.98, 2.78, 2.77),
    "T2": (3.84, 3.74, 3.09, 3.36),
    "T3": (3.50, 3.49, 3.03, 3.36),
    "T4": (3.43, 3.45, 2.81, 3.32),
    "T5": (3.43, 3.24, 3.45, 3.09),
    "T6": (3.68, 3.24, 2.84, 2.91),
    "T7": (2.97, 2.90, 2.92, 2.42),
    "T8": (3.11, 3.04, 3.20, 2.81),
}


def beds(groups: Mapping[str, Sequence[float]], *, blocks: bool = False) -> list[Measured]:
    """One number a bed; the n-th of each group in block n, or in none."""
    return [
        Measured(f"{code} {place}", str(place) if blocks else None, code, value)
        for code, values in groups.items()
        for place, value in enumerate(values)
    ]


def lines(family: Family) -> dict[str, Line]:
    return {line.treatment: line for line in family.lines}


def test_blood_counts_of_the_paper() -> None:
    family = compared(beds(BLOOD), "control", logs=False)
    assert (family.method, family.df) == ("dunnett", 12)
    a, b = family.lines
    assert (a.t, b.t) == pytest.approx((0.85703, 3.69375), abs=1e-5)
    assert (a.p, b.p) == pytest.approx((0.6201, 0.0058), abs=1e-4)
    assert (a.low, a.high) == pytest.approx((-1.2564, 2.5564), abs=2e-4)
    assert (b.low, b.high) == pytest.approx((0.8396, 4.4164), abs=2e-4)


def test_thomson_and_short() -> None:
    family = compared(beds(THOMSON), "control", logs=False)
    assert [line.t for line in family.lines] == pytest.approx([0.90874545, -0.05007117], abs=1e-8)
    assert [line.p for line in family.lines] == pytest.approx([0.58325, 0.99819], abs=1e-4)


def test_an_overall_difference_of_which_no_treatment_is_the_cause() -> None:
    # F is 4.85 (p 0.016, R's reference output), and neither treatment differs from the control.
    family = compared(beds(PLANTS), "control", logs=False)
    one, two = family.lines
    assert (one.p, two.p) == pytest.approx((0.3227, 0.1535), abs=1e-4)
    assert (one.low, one.high) == pytest.approx((-1.0216, 0.2796), abs=2e-4)
    assert (two.low, two.high) == pytest.approx((-0.1566, 1.1446), abs=2e-4)


def test_soil_nitrogen_in_blocks() -> None:
    # p as R's multcomp gives them on the block-adjusted mean square.
    family = compared(beds(GOMEZ_P1, blocks=True), "T8", logs=False)
    assert (family.method, family.blocks, family.df) == ("dunnett", True, 21)
    assert family.ms == pytest.approx(0.03984, abs=5e-6)
    found = lines(family)
    assert found["T2"].estimate == pytest.approx(0.4675)
    assert found["T2"].t == pytest.approx(3.312, abs=1e-3)
    wanted = {"T2": 0.0186, "T3": 0.189, "T5": 0.314, "T7": 0.410}
    assert {code: found[code].p for code in wanted} == pytest.approx(wanted, abs=6e-4)


def test_two_beds_each_and_half_as_much_again_is_not_proven() -> None:
    # A maize trial of the University of Florida (UF00080557, pp. 55-56), two beds a side: t 4.1629
    # on 2 df against 4.303 of the t table, p 0.053.
    family = compared(beds({"control": (4.3, 3.9), "T": (5.7, 6.6)}), "control", logs=False)
    (one,) = family.lines
    assert (one.t, one.df) == (pytest.approx(4.1629, abs=1e-4), 2)
    assert one.p == one.p_alone == pytest.approx(0.0532, abs=1e-4)
    assert family.critical == pytest.approx(4.303, abs=1e-3)
    assert one.low is not None and one.high is not None and one.low < 0.0 < one.high


def test_logs_give_ratios() -> None:
    family = compared(beds(BLOOD), "control", logs=True)
    assert family.scale == "ratio"
    one = lines(family)["B"]
    assert one.estimate == pytest.approx(stats.gmean(BLOOD["B"]) / stats.gmean(BLOOD["control"]))
    assert one.low is not None and one.high is not None and one.low > 1.0
    # The range is even on the logarithmic scale, and both scales have one test.
    assert math.sqrt(one.low * one.high) == pytest.approx(one.estimate)
    logs = {code: [math.log(value) for value in values] for code, values in BLOOD.items()}
    assert one.p == lines(compared(beds(logs), "control", logs=False))["B"].p


def test_a_spread_that_stands_out_is_not_shared() -> None:
    wild = {
        "C": (10.0, 10.4, 9.8, 10.1, 10.2, 9.9),
        "A": (11.9, 12.2, 12.0),
        "B": (3.0, 25.0, 9.0),
    }
    family = compared(beds(wild), "C", logs=False)
    assert family.method == "welch + holm" and family.ms is None and family.critical is None
    assert family.why.startswith("one spread between beds stands out (Cochran's test: p ")
    found = lines(family)
    for code in "AB":
        peer = stats.ttest_ind(wild[code], wild["C"], equal_var=False)
        assert found[code].p_alone == pytest.approx(float(peer.pvalue), rel=1e-9)
        low, high = peer.confidence_interval(0.975)  # Bonferroni for two
        assert (found[code].low, found[code].high) == pytest.approx((low, high), rel=1e-9)
    # Sharing B's spread would have hidden A.
    assert found["A"].p == pytest.approx(2 * (found["A"].p_alone or 1.0)) and found["A"].p < 0.01
    assert found["B"].p == found["B"].p_alone


def test_in_blocks_each_treatment_is_then_paired() -> None:
    wild = {
        "C": (10.0, 12.4, 14.8, 17.1),
        "A": (11.0, 13.5, 15.7, 18.2),
        "B": (30.0, 2.0, 44.0, 8.0),
        "D": (10.3, 12.2, 15.0, 17.4),
        "E": (9.8, 12.0, 14.9, 16.8),
        "F": (10.1, 12.6, 14.5, 17.3),
    }
    family = compared(beds(wild, blocks=True), "C", logs=False)
    assert (family.method, family.blocks) == ("welch + holm", True)
    one = lines(family)["A"]
    peer = stats.ttest_rel(wild["A"], wild["C"])
    assert (one.df, one.p_alone) == (3, pytest.approx(float(peer.pvalue), rel=1e-9))


def test_cochran_by_hand() -> None:
    # Variances 1, 1 and 25 on 2 df each: F = 25 on 2 and 4 df, its tail 1 / (1 + 25/2)^2 exactly
    # (for 2 df above, the tail is (1 + 2 F / d)^(-d/2)), times three groups.
    groups = {"C": (-1.0, 0.0, 1.0), "A": (9.0, 10.0, 11.0), "B": (15.0, 20.0, 25.0)}
    family = compared(beds(groups), "C", logs=False)
    assert family.unequal_p == pytest.approx(3 / 13.5**2)


def test_holm_by_hand() -> None:
    # Holm 1979: times 4, 3, 2, 1 in order of size, never falling.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.5, 0.9]) == [1.0, 1.0]
    assert holm([]) == []


def test_missing_beds_of_blocks_by_least_squares() -> None:
    import pandas as pd
    from statsmodels.formula.api import ols

    short = [one for one in beds(GOMEZ_P1, blocks=True) if one.bed not in ("T2 1", "T8 3")]
    family = compared(short, "T8", logs=False)
    frame = pd.DataFrame(
        [(one.block, one.treatment, one.value) for one in short], columns=["b", "t", "y"]
    )
    peer = ols("y ~ C(b) + C(t, Treatment('T8'))", frame).fit()
    assert (family.df, family.ms) == (19, pytest.approx(peer.mse_resid))
    name = "C(t, Treatment('T8'))[T.T2]"
    one = lines(family)["T2"]
    assert one.estimate == pytest.approx(peer.params[name])
    assert one.t == pytest.approx(peer.tvalues[name])
    assert one.p_alone == pytest.approx(peer.pvalues[name])


def test_the_order_of_beds_changes_no_digit_that_is_shown() -> None:
    given = beds(GOMEZ_P1, blocks=True)
    rng = np.random.default_rng(2)
    first = lines(compared(given, "T8", logs=True))
    shuffled = [given[place] for place in rng.permutation(len(given))]
    again = lines(compared(shuffled, "T8", logs=True))
    for code, line in first.items():
        assert again[code].p == pytest.approx(line.p, rel=1e-10)
        assert again[code].low == pytest.approx(line.low, rel=1e-12)


class TestNoTest:
    def test_one_bed_of_each(self) -> None:
        family = compared(beds({"C": (6.10,), "A": (6.15,), "B": (6.0,)}), "C", logs=False)
        assert (family.method, family.why) == ("none", ONE_BED)
        for line in family.lines:
            assert (line.p, line.p_alone, line.low, line.high, line.t) == (None,) * 5
            assert line.reason == ONE_BED
        assert lines(family)["A"].estimate == pytest.approx(0.05)

    def test_one_control_bed(self) -> None:
        family = compared(beds({"C": (6.0,), "A": (7.0, 8.0), "B": (6.0, 6.1)}), "C", logs=False)
        assert (family.method, family.why) == ("none", ONE_CONTROL)

    def test_one_bed_among_others_has_none_and_lends_none(self) -> None:
        full = {"C": (6.0, 6.4, 6.1), "A": (7.0, 8.0, 7.4)}
        family = compared(beds({**full, "B": (60.0,)}), "C", logs=False)
        alone = lines(family)["B"]
        assert (alone.p, alone.low, alone.reason) == (None, None, ONE_TREATED)
        assert lines(family)["A"] == compared(beds(full), "C", logs=False).lines[0]

    def test_no_control(self) -> None:
        family = compared(beds({"A": (7.0, 8.0)}), "C", logs=True)
        assert (family.method, family.why) == ("none", NO_CONTROL)
        assert family.lines[0].estimate is None

    def test_beds_that_agree_to_the_last_digit(self) -> None:
        family = compared(beds({"C": (6.1, 6.1), "A": (6.3, 6.3)}), "C", logs=False)
        assert (family.method, family.why) == ("none", SPREAD_UNSEEN)

    def test_blocks_that_give_the_same_differences(self) -> None:
        family = compared(beds({"C": (6.1, 7.1), "A": (6.3, 7.3)}, blocks=True), "C", logs=False)
        assert (family.method, family.why) == ("none", SAME_IN_BLOCKS)

    def test_two_blocks_of_two_beds_leave_one_degree_of_freedom(self) -> None:
        family = compared(beds({"C": (6.0, 7.0), "A": (6.5, 7.7)}, blocks=True), "C", logs=False)
        assert (family.df, family.method) == (1, "dunnett")


@pytest.mark.parametrize(
    ("given", "logs", "said"),
    [
        ([Measured("b", None, "A", math.nan)], False, "bed b: value is nan, not a number"),
        ([Measured("b", None, "A", math.inf)], False, "not a number"),
        ([Measured("b", None, "A", 0.0)], True, "it has no logarithm"),
        ([Measured("b", None, "A", 1.0)] * 2, True, "bed b: is given twice"),
    ],
)
def test_values_that_mean_nothing_are_refused(given: list[Measured], logs: bool, said: str) -> None:
    with pytest.raises(BadData, match=said):
        compared(given, "C", logs=logs)


def test_a_control_alone_is_refused() -> None:
    with pytest.raises(UserMistake, match="no treatment to compare"):
        compared(beds({"C": (1.0, 2.0)}), "C", logs=True)


def test_blocks_that_hold_no_control_are_said() -> None:
    apart = [
        *beds({"C": (6.0, 6.5, 6.2)}),
        *beds({"A": (7.0, 7.4, 7.3)}),
    ]
    given = [
        Measured(one.bed, "1" if one.treatment == "C" else "2", one.treatment, one.value)
        for one in apart
    ]
    family = compared(given, "C", logs=False)
    assert family.blocks is False
    assert family.why.endswith("blocks not used: a treatment shares no block with the control")
