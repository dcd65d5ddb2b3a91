"""Curve shapes against published mineralisation kinetics."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis import kinetics
from logbook.errors import UserMistake

#: Stanford & Smith 1972, SSSAJ 36:465-472: k = 0.054 +- 0.009 per week at 35 C.
STANFORD_SMITH = 0.054
#: Ebid, Ueno & Ghoneim 2007, Int. J. Soil Sci. 2:96-106: N0 (mg/kg), k (per day) of three composts,
#: with the half-life and the nitrogen released by days 7 and 63 that these imply.
EBID = [
    (18.8, 0.101, 6.86, 9.53, 18.77),
    (6.30, 0.199, 3.48, 4.74, 6.30),
    (22.4, 0.255, 2.72, 18.64, 22.40),
]


def test_released_fractions_of_stanford_and_smith() -> None:
    weeks = [1, 2, 4, 8, 12, 16, 30]
    expected = [0.05257, 0.10237, 0.19426, 0.35079, 0.47691, 0.57853, 0.80210]
    assert kinetics.released_fraction(weeks, STANFORD_SMITH) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize(("rate", "weeks"), [(0.054, 12.836), (0.063, 11.00), (0.045, 15.40)])
def test_half_times_of_stanford_and_smith(rate: float, weeks: float) -> None:
    assert kinetics.half_life(rate) == pytest.approx(weeks, abs=0.005)


def test_a_rate_per_week_is_seven_times_the_rate_per_day() -> None:
    assert kinetics.half_life(STANFORD_SMITH / 7) == pytest.approx(7 * 12.836, abs=0.005)


@pytest.mark.parametrize(("ceiling", "rate", "half", "week", "end"), EBID)
def test_composts_of_ebid(
    ceiling: float, rate: float, half: float, week: float, end: float
) -> None:
    assert kinetics.half_life(rate) == pytest.approx(half, abs=0.005)
    released = kinetics.first_order([7, 63], ceiling, rate)
    assert released == pytest.approx([week, end], abs=0.005)


def test_queensland_half_lives() -> None:
    # Campbell, Myers & Weier 1981, AJSR 19: k per week at 35, 25 and 15 C.
    halves = [kinetics.half_life(rate) for rate in (0.058, 0.031, 0.018)]
    assert halves == pytest.approx([11.95, 22.36, 38.51], abs=0.005)


def test_ceiling_from_two_weeks_release() -> None:
    # Stanford, Carter & Smith 1974, SSSAP 38:99-102: N0 = 9.77 Nt at 2 weeks (2.303 rounded).
    assert kinetics.ceiling_from_release(1.0, 2.0, STANFORD_SMITH) == pytest.approx(9.768, abs=5e-4)


def test_two_pools_add_up() -> None:
    # Molina et al. 1980, quoted by Wang, Smith & Chen 2004, SSSAJ 68:1256-1265.
    both = kinetics.first_order(4, 30, 0.3) + kinetics.first_order(4, 170, 0.01)
    assert both == pytest.approx(27.6300, abs=5e-5)


def test_small_rates_lose_no_digits() -> None:
    assert kinetics.first_order(1.0, 1.0, 1e-14) == pytest.approx(1e-14, rel=1e-12)


def test_shapes_start_at_zero_and_broadcast() -> None:
    for shape in kinetics.SHAPES.values():
        constants = np.ones((3, len(shape.constants)))
        curve = shape.curve([[0.0, 5.0]], *(column[:, None] for column in constants.T))
        assert curve.shape == (3, 2)
        assert (curve[:, 0] == 0.0).all()


@pytest.mark.parametrize("rate", [0.0, -0.1, float("nan"), float("inf")])
def test_a_rate_that_is_none_is_refused(rate: float) -> None:
    with pytest.raises(UserMistake, match="has no half-life"):
        kinetics.half_life(rate)


def test_a_ceiling_needs_time() -> None:
    with pytest.raises(UserMistake, match="a ceiling needs release over a time above zero"):
        kinetics.ceiling_from_release(1.0, 0.0, 0.1)
