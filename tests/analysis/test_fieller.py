"""Fieller's interval: hand-worked roots, its plain cases, and what no interval may hide."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import special

from logbook.analysis.fieller import ALL_BUT, ANY, NO_AMOUNT, NO_ERROR, FiellerRatio, ratio
from logbook.errors import UserMistake

# Worked example: treated 95 (sd 6), control 60 (sd 5), four beds each, 120 applied.
GAIN, GAIN_SE = 35.0, math.sqrt(36 / 4 + 25 / 4)
T6 = 2.4469119  # t(0.975, 6); 2.447 in the t table of any handbook


def half_width(found: FiellerRatio) -> float:
    """Half the length of the interval."""
    assert found.low is not None and found.high is not None
    return (found.high - found.low) / 2


def test_a_certain_amount_gives_the_plain_t_interval() -> None:
    found = ratio(GAIN, GAIN_SE, 120.0, 0.0, 6)
    assert found.value is not None and round(100 * found.value, 2) == 29.17
    assert half_width(found) / T6 * 100 == pytest.approx(3.25, abs=0.005)
    assert (found.low, found.high) == pytest.approx(
        ((GAIN - T6 * GAIN_SE) / 120, (GAIN + T6 * GAIN_SE) / 120), rel=1e-6
    )
    assert found.form == "interval" and found.g == 0


def test_an_uncertain_amount_is_close_to_the_delta_method_and_wider() -> None:
    # The delta method: sqrt(se^2 / A^2 + gain^2 8^2 / A^4) = 3.79 points.
    delta = math.sqrt(GAIN_SE**2 / 120**2 + GAIN**2 * 64 / 120**4)
    assert 100 * delta == pytest.approx(3.79, abs=0.005)
    found = ratio(GAIN, GAIN_SE, 120.0, 8.0, 6)
    assert 1.0 < half_width(found) / (T6 * delta) < 1.03
    assert found.low is not None and found.high is not None and found.value is not None
    assert found.high - found.value > found.value - found.low


def test_roots_worked_by_hand() -> None:
    # t = 1.96 (df without end). V = 10, se 1, A = 5, se 1, covariance 0: with t^2 = 3.8414588
    # (25 - t^2) r^2 - 100 r + 100 - t^2 = 0: 21.1585412 r^2 - 100 r + 96.1585412 = 0, whose half
    # discriminant is 2500 - 2034.5745 = 465.4255, its root 21.573722.
    found = ratio(10.0, 1.0, 5.0, 1.0, math.inf)
    assert found.low == pytest.approx((50 - 21.573722) / 21.1585412, rel=1e-6)
    assert found.high == pytest.approx((50 + 21.573722) / 21.1585412, rel=1e-6)
    # With covariance 0.5 the middle coefficient is 50 - t^2 / 2 = 48.0792706.
    half_b = 48.0792706
    root = math.sqrt(half_b**2 - 21.1585412 * 96.1585412)
    found = ratio(10.0, 1.0, 5.0, 1.0, math.inf, covariance=0.5)
    assert found.low == pytest.approx((half_b - root) / 21.1585412, rel=1e-6)
    assert found.high == pytest.approx((half_b + root) / 21.1585412, rel=1e-6)


NUMBER = st.floats(-100, 100)
ERROR = st.floats(0.01, 30)


@given(NUMBER, ERROR, NUMBER, ERROR, st.floats(1, 60), st.floats(-0.99, 0.99))
def test_the_ends_are_where_the_t_test_is_on_the_edge(
    value: float, value_se: float, amount: float, amount_se: float, df: float, r: float
) -> None:
    assume(abs(amount) > 1e-3)
    shared = r * value_se * amount_se
    found = ratio(value, value_se, amount, amount_se, df, shared)
    ends = (found.low, found.high) if found.form == "interval" else found.outside
    assume(ends is not None and found.g is not None and abs(found.g - 1) > 1e-3)
    t = float(special.stdtrit(df, 0.975))
    assert ends is not None
    for end in ends:
        assert end is not None
        error = math.sqrt(value_se**2 + end**2 * amount_se**2 - 2 * end * shared)
        assert abs(value - end * amount) / error == pytest.approx(t, rel=1e-6)


@given(NUMBER, ERROR, NUMBER, ERROR, st.floats(1, 60))
def test_what_is_given_contains_the_ratio_and_what_is_refused_gives_none(
    value: float, value_se: float, amount: float, amount_se: float, df: float
) -> None:
    assume(abs(amount) > 1e-3)
    found = ratio(value, value_se, amount, amount_se, df)
    clear = abs(amount) / amount_se > float(special.stdtrit(df, 0.975))
    assert (found.form == "interval") == clear
    if clear:
        assert found.value is not None and found.low is not None and found.high is not None
        assert found.low < found.value < found.high
    else:
        assert (found.value, found.low, found.high) == (None, None, None)
        assert "not clearly different from zero" in found.reason
    if found.outside:
        assert not found.outside[0] < value / amount < found.outside[1]


@given(NUMBER, ERROR, st.floats(50, 100), st.floats(0, 5), st.floats(0.01, 100))
def test_units_of_value_and_amount_scale_the_ends(
    value: float, value_se: float, amount: float, amount_se: float, factor: float
) -> None:
    one = ratio(value, value_se, amount, amount_se, 6)
    two = ratio(factor * value, factor * value_se, amount, amount_se, 6)
    three = ratio(value, value_se, factor * amount, factor * amount_se, 6)
    assert one.low is not None and one.high is not None
    assert (two.low, two.high) == pytest.approx((factor * one.low, factor * one.high), rel=1e-7)
    assert (three.low, three.high) == pytest.approx((one.low / factor, one.high / factor), rel=1e-7)


def test_an_amount_near_zero_excludes_a_stretch_or_nothing() -> None:
    found = ratio(10.0, 1.0, 1.0, 1.0, 6)
    assert (found.form, found.reason, found.value) == ("all but a stretch", ALL_BUT, None)
    assert found.outside is not None and found.outside[0] < 0 < found.outside[1]
    found = ratio(1.0, 1.0, 1.0, 1.0, 6)
    assert (found.form, found.reason, found.outside) == ("everything", ANY, None)


def test_a_negative_release_stays_negative() -> None:
    found = ratio(-20.0, 3.0, 120.0, 8.0, 6)
    assert found.high is not None and found.high < 0


def test_nothing_applied_and_no_error_at_all() -> None:
    found = ratio(10.0, 1.0, 0.0, 1.0, 6)
    assert (found.value, found.form, found.reason) == (None, "none", NO_AMOUNT)
    found = ratio(10.0, 0.0, 5.0, 0.0, 6)
    assert (found.value, found.low, found.high, found.reason) == (2.0, None, None, NO_ERROR)


@pytest.mark.parametrize(
    ("inputs", "says"),
    [
        ((math.nan, 1, 5, 1, 6), "the value is nan"),
        ((1, math.inf, 5, 1, 6), "standard error of the value is inf"),
        ((1, 1, 5, -1, 6), "below zero"),
        ((1, 1, 5, 1, 0), "degrees of freedom"),
        ((1, 1, 5, 1, 6, 2), "covariance"),
    ],
)
def test_inputs_of_which_no_ratio_can_be_formed(inputs: tuple[float, ...], says: str) -> None:
    with pytest.raises(UserMistake, match=says):
        ratio(*inputs)
