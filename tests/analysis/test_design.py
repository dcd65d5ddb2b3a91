"""Power and detectable differences against R, published tables and another implementation."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special
from statsmodels.stats.power import TTestIndPower, TTestPower

from logbook.analysis.design import ONE_BED, ONE_BLOCK, beds_needed, detectable, power
from logbook.errors import UserMistake

# R's power.t.test (two-sided, 5 %, delta = sd = 1 unless named).
R_POWER_OF_20 = 0.8689528
R_BEDS_FOR_90 = 22.02110
R_BEDS_FOR_80 = 16.71477  # prints 16.71477; the far tail, which it leaves out, moves the last digit
# R's power.t.test for delta, and qt(.975, 2n - 2) * sqrt(2 / n): both over the sd. R's root finder
# stops within 1.2e-4 of the root, here seen at two beds: the root is 5.65349.
TABLE = [
    (2, 5.654, 4.303),
    (3, 3.071, 2.267),
    (4, 2.381, 1.730),
    (5, 2.024, 1.458),
    (6, 1.796, 1.286),
    (8, 1.507, 1.072),
    (10, 1.325, 0.940),
]


def test_the_figures_of_r() -> None:
    assert power(20, 20, 1.0) == pytest.approx(R_POWER_OF_20, abs=5e-7)
    assert beds_needed(1.0, 1.0, power=0.9).exact == pytest.approx(R_BEDS_FOR_90, abs=5e-5)
    assert beds_needed(1.0, 1.0, power=0.8).exact == pytest.approx(R_BEDS_FOR_80, abs=1e-4)


@pytest.mark.parametrize(("beds", "detected", "least"), TABLE)
def test_the_table_of_detectable_differences(beds: int, detected: float, least: float) -> None:
    found = detectable(beds, beds, 1.0)
    assert found.value == pytest.approx(detected, abs=5.01e-4 + 1.2e-4)
    assert found.least == pytest.approx(least, abs=5.01e-4)
    assert found.df == 2 * beds - 2


def test_three_beds_at_a_cv_of_15_percent_show_46_percent() -> None:
    found = detectable(3, 3, 15.0)
    assert found.value is not None and round(found.value) == 46


def test_the_normal_formula_is_one_bed_short() -> None:
    # A class example of North Dakota State University: difference 10, variance 50, 5 %, 80 %:
    # the normal formula gives 7.84, so 8; R's power.t.test gives 0.7487 with 8, 0.8040 with 9.
    z = float(special.ndtri(0.975) + special.ndtri(0.8))
    assert 2 * z**2 * 50 / 100 == pytest.approx(7.84, abs=0.01)
    effect = 10 / math.sqrt(50)
    assert power(8, 8, effect) == pytest.approx(0.7487, abs=5e-5)
    assert power(9, 9, effect) == pytest.approx(0.8040, abs=5e-5)
    found = beds_needed(10.0, math.sqrt(50))
    assert (found.treated, found.control) == (9, 9)
    assert found.exact == pytest.approx(8.92, abs=0.005)


def test_unequal_numbers_of_beds() -> None:
    # Cohen 1988, ch. 2, as worked in the help of R's package pwr (from memory): d = 0.6, 90 and 60,
    # one-sided 5 %: power 0.9737262. One-sided 5 % is two-sided 10 % here: the far tail is empty.
    assert power(90, 60, 0.6, level=0.1) == pytest.approx(0.9737262, abs=5e-7)
    theirs = TTestIndPower().power(1.7, nobs1=4, alpha=0.05, ratio=2.0)
    assert power(4, 8, 1.7) == pytest.approx(theirs, abs=1e-10)
    assert power(4, 8, 1.7) == power(8, 4, -1.7)


def test_extra_beds_in_the_control_pay() -> None:
    effect = detectable(4, 4, 1.0, power=0.92).value
    assert effect is not None
    assert 0.98 < power(4, 8, effect) < 0.99


@pytest.mark.parametrize("blocks", [2, 3, 4, 6])
def test_complete_blocks_are_a_paired_test(blocks: int) -> None:
    # Differences within blocks have sd * sqrt 2.
    theirs = TTestPower().power(1.5 / math.sqrt(2), nobs=blocks, alpha=0.05)
    assert power(blocks, blocks, 1.5, in_blocks=True) == pytest.approx(theirs, abs=1e-10)
    found = detectable(blocks, blocks, 10.0, in_blocks=True)
    apart = detectable(blocks, blocks, 10.0)
    assert found.df == blocks - 1
    assert found.value is not None and apart.value is not None and found.value > apart.value


@pytest.mark.parametrize("df", [1.0, 2.0, 6.0, 21.5])
@pytest.mark.parametrize("effect", [0.0, 0.5, 2.0, 6.0])
def test_the_noncentral_t_against_its_integral(df: float, effect: float) -> None:
    # Power as the normal tails averaged over the chi of the error: from the definition of t.
    shift, bar = effect / math.sqrt(2 / 4), float(special.stdtrit(df, 0.975))

    def part(u: float) -> float:
        density = (
            2
            * u
            * df
            * math.exp(
                (df / 2 - 1) * math.log(df * u * u / 2) - df * u * u / 2 - math.lgamma(df / 2)
            )
        )
        beyond = special.ndtr(shift - bar * u) + special.ndtr(-shift - bar * u)
        return float(beyond) * density / 2

    pieces = [
        integrate.quad(part, a, a + 0.25, epsabs=1e-12)[0] for a in [0.25 * k for k in range(40)]
    ]
    assert power(4, 4, effect, df=df) == pytest.approx(sum(pieces), abs=1e-8)


@given(
    st.integers(2, 12),
    st.integers(2, 12),
    st.floats(0.01, 100),
    st.floats(0.06, 0.99),
    st.booleans(),
)
def test_a_detectable_difference_is_detected_so_often(
    treated: int, extra: int, sd: float, wished: float, blocks: bool
) -> None:
    control = treated + extra
    found = detectable(treated, control, sd, power=wished, in_blocks=blocks)
    assert found.value is not None
    again = power(treated, control, found.value / sd, in_blocks=blocks)
    assert again == pytest.approx(wished, abs=1e-7)


@given(st.floats(0.3, 20), st.floats(0.1, 0.99), st.sampled_from([0.5, 1, 2]), st.booleans())
def test_whole_beds_reach_the_power_and_one_fewer_does_not(
    effect: float, wished: float, ratio: float, blocks: bool
) -> None:
    ratio = max(ratio, 1.0) if blocks else ratio
    found = beds_needed(effect, 1.0, power=wished, controls_per_treated=ratio, in_blocks=blocks)
    assert found.power >= wished - 1e-7
    assert min(found.treated, found.control) >= 2
    fewer = found.treated - 1
    if fewer * min(ratio, 1.0) > 1:
        assert power(fewer, fewer * ratio, effect, in_blocks=blocks) < wished + 1e-7


def test_a_null_difference_is_found_at_the_level() -> None:
    assert power(3, 5, 0.0) == pytest.approx(0.05, abs=1e-9)


def test_one_bed_shows_nothing_unless_the_spread_is_known_from_elsewhere() -> None:
    found = detectable(1, 4, 10.0)
    assert (found.value, found.least, found.reason) == (None, None, ONE_BED)
    assert detectable(1, 1, 10.0, in_blocks=True).reason == ONE_BLOCK
    with pytest.raises(UserMistake, match="one bed on a side"):
        power(1, 4, 2.0)
    assert detectable(1, 4, 10.0, df=12.0).value is not None


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: power(0, 3, 1.0), "0 treated beds"),
        (lambda: power(3, 3, math.nan), "is no number"),
        (lambda: power(3, 3, 1.0, level=1.0), "level of 1"),
        (lambda: power(3, 3, 1.0, df=0.0), "0 degrees of freedom"),
        (lambda: power(4, 3, 1.0, in_blocks=True), "a control bed in each"),
        (lambda: detectable(3, 3, 0.0), "not above zero"),
        (lambda: detectable(3, 3, 1.0, power=0.05), "not above the level"),
        (lambda: beds_needed(0.0, 1.0), "other than zero"),
        (lambda: beds_needed(1e-6, 1.0), "more than 10,000"),
        (lambda: beds_needed(1.0, 1.0, controls_per_treated=0.0), "no plan"),
    ],
)
def test_plans_that_cannot_be(call, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(UserMistake, match=says):
        call()
