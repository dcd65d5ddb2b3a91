"""Ratios: worked by hand on powers of two, against scipy's t intervals, and refused by name."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logbook.analysis.ratios import CENSORED, NOTHING_FOUND, ratio_of, why_no_share
from logbook.analysis.series import ONE_BED, SPREAD_UNSEEN, Observation
from logbook.errors import BadData, UserMistake

T2 = 4.302653  # t(0.975, 2); 4.303 in the t table of any handbook
# Dried weights of plants, PlantGrowth of R's datasets (Dobson 1983): control and treatment 1.
CONTROL = (4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14)
TREATED = (4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69)


def beds(treated: Sequence[float], control: Sequence[float], blocks: bool) -> list[Observation]:
    """One result a bed; the n-th bed of each side in block n, or in none."""
    return [
        Observation(28.0, f"{side}{n}", str(n) if blocks else None, side == "T", value)
        for side, values in (("T", treated), ("C", control))
        for n, value in enumerate(values)
    ]


def test_welch_on_logs_by_hand() -> None:
    # ln 8, ln 32 and ln 2, ln 8: means ln 16 and ln 4, each variance 2 (ln 2)^2, so that
    # se = sqrt(2) ln 2 on (2 + 2)^2 / (2^2 + 2^2) = 2 df.
    found = ratio_of(beds((8, 32), (2, 8), blocks=False), None)
    assert (found.method, found.df) == ("welch", pytest.approx(2))
    assert found.value == pytest.approx(4)
    assert found.low == pytest.approx(4 * 2 ** (-T2 * math.sqrt(2)), rel=1e-5)
    assert found.high == pytest.approx(4 * 2 ** (T2 * math.sqrt(2)), rel=1e-5)


def test_within_blocks_by_hand() -> None:
    # Ratios 2, 4, 8: logs ln 2, 2 ln 2, 3 ln 2: mean 2 ln 2, sd ln 2, se ln 2 / sqrt 3, 2 df.
    found = ratio_of(beds((2, 8, 32), (1, 2, 4), blocks=True), None)
    assert (found.method, found.df) == ("within-block", 2)
    assert found.value == pytest.approx(4)
    assert found.low == pytest.approx(4 * 2 ** (-T2 / math.sqrt(3)), rel=1e-5)
    assert found.high == pytest.approx(4 * 2 ** (T2 / math.sqrt(3)), rel=1e-5)


def test_the_same_as_scipy_on_logs() -> None:
    t, c = np.log(TREATED), np.log(CONTROL)
    apart = stats.ttest_ind(t, c, equal_var=False).confidence_interval(0.95)
    found = ratio_of(beds(TREATED, CONTROL, blocks=False), None)
    assert found.value == pytest.approx(float(stats.gmean(TREATED) / stats.gmean(CONTROL)))
    assert (found.low, found.high) == pytest.approx(tuple(np.exp(apart)), rel=1e-9)
    paired = stats.ttest_rel(t, c).confidence_interval(0.95)
    found = ratio_of(beds(TREATED, CONTROL, blocks=True), None)
    assert (found.low, found.high) == pytest.approx(tuple(np.exp(paired)), rel=1e-9)


@given(st.floats(1e-3, 1e3), st.booleans())
def test_a_change_of_unit_leaves_the_ratio(factor: float, blocks: bool) -> None:
    plain = ratio_of(beds(TREATED, CONTROL, blocks), None)
    other = [[factor * value for value in side] for side in (TREATED, CONTROL)]
    scaled = ratio_of(beds(*other, blocks), None)
    for one, two in ((plain.value, scaled.value), (plain.low, scaled.low)):
        assert one == pytest.approx(two, rel=1e-9)


def test_repeats_of_a_bed_are_averaged_before_the_log() -> None:
    twice = [*beds((8, 32), (2, 8), False), Observation(28.0, "T0", None, True, 24.0)]
    assert ratio_of(twice, None) == ratio_of(beds((16, 32), (2, 8), False), None)


def test_five_times_the_limit_is_enough_and_less_is_not() -> None:
    given_beds = beds((8, 32), (2, 8), False)
    assert ratio_of(given_beds, 0.4).value == pytest.approx(4)
    found = ratio_of(given_beds, 0.41)
    assert (found.value, found.low, found.high, found.method) == (None, None, None, "none")
    assert found.reason == (
        "a bed is below 5 times the reporting limit of 0.41: a difference, never a ratio"
    )


def test_a_share_needs_the_control_alone_above_the_limit() -> None:
    few = beds((0.1, 0.2), (2, 8), False)
    assert why_no_share(few, 0.4) == "" and ratio_of(few, 0.4).value is None
    assert why_no_share(beds((9, 9), (1, 8), False), 0.4).startswith("a bed is below 5 times")
    assert why_no_share(few[:2], None) == "no control bed was pulled"


def test_censored_zero_and_missing_sides_have_no_ratio() -> None:
    below = Observation(28.0, "T9", None, True, None, 0.0, 0.5)
    assert ratio_of([*beds((8, 32), (2, 8), False), below], None).reason == CENSORED
    assert ratio_of(beds((8, 32), (0, 8), False), None).reason == NOTHING_FOUND
    assert ratio_of(beds((8, 32), (), False), None).reason == (
        "no control bed has a result that counts on day 28: no difference"
    )


def test_one_bed_a_side_and_beds_that_agree_have_no_interval() -> None:
    one = ratio_of(beds((15,), (10,), False), None)
    assert (one.value, one.low, one.high, one.reason) == (pytest.approx(1.5), None, None, ONE_BED)
    same = ratio_of(beds((3, 3), (2, 2), False), None)
    assert (same.value, same.low, same.reason) == (pytest.approx(1.5), None, SPREAD_UNSEEN)


def test_wrong_input_is_named() -> None:
    with pytest.raises(UserMistake, match="a reporting limit of 0 is not above zero"):
        ratio_of(beds((8, 32), (2, 8), False), 0.0)
    with pytest.raises(BadData, match="value is nan, not a number"):
        ratio_of(beds((math.nan, 32), (2, 8), False), None)
