"""Shape and constants are two decisions."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis import fitting
from logbook.analysis.choice import (
    Choice,
    Printed,
    aicc,
    choose,
    extra_sum_of_squares,
    lack_of_fit,
)
from logbook.analysis.fits import Fit
from logbook.analysis.tails import chi2_tail

DAYS = np.array([0.0, 2, 5, 9, 14, 21, 28, 42, 56, 70])
#: Scatter of size 1, the same in every test.
NOISE = np.array([0.3, -1.1, 0.8, -0.4, 1.2, -0.9, 0.1, 0.7, -0.6, 0.2])
#: R data set BOD (Bates & Watts 1988, appendix A4.1).
BOD = ([1, 2, 3, 4, 5, 7], [8.3, 10.3, 19.0, 16.0, 15.6, 19.8])


def decided(values: object, sd: float, days: object = DAYS, free: bool = True) -> Choice:
    """The choice with known errors."""
    fits = fitting.fit_series(days, values, free, sd=sd)  # type: ignore[arg-type]
    return choose(fits, errors_known=True)


def why(choice: Choice, shape: str) -> str:
    """Why a shape was or was not chosen."""
    (found,) = [one.why for one in choice.candidates if one.shape == shape]
    return found


def test_chi2_tail_is_the_tabled_one() -> None:
    # Upper 5 % points, NIST/SEMATECH e-Handbook 1.3.6.7.4: chi2(5) = 11.070, chi2(10) = 18.307.
    assert chi2_tail(11.070, 5) == pytest.approx(0.05, abs=2e-5)
    assert chi2_tail(18.307, 10) == pytest.approx(0.05, abs=2e-5)


def test_a_plain_rise_is_first_order_with_its_constants() -> None:
    choice = decided(40 * (1 - np.exp(-0.06 * DAYS)) + NOISE, 1.0)
    assert choice.chosen is not None
    assert choice.chosen.shape == "first order"
    assert choice.printed is Printed.CONSTANTS
    assert choice.constants_printed
    assert choice.criterion == "chi2 + 2p"
    assert "misses its pulls" in why(choice, "zero order")
    assert why(choice, "two phases").startswith("not chosen: ")


def test_every_candidate_is_listed_and_one_is_chosen() -> None:
    choice = decided(0.5 * DAYS + NOISE, 1.0)
    assert [one.shape for one in choice.candidates] == [
        "zero order",
        "first order",
        "first order with a lag",
        "Gompertz",
        "two phases",
    ]
    assert [one.shape for one in choice.candidates if one.chosen] == ["zero order"]
    assert all(one.why for one in choice.candidates)


def test_a_draw_down_that_recovers_is_two_phases() -> None:
    values = -40 * (1 - np.exp(-0.35 * DAYS)) + 60 * (1 - np.exp(-0.03 * DAYS)) + NOISE
    choice = decided(values, 1.0)
    assert choice.chosen is not None
    assert choice.chosen.shape == "two phases"
    assert choice.chosen.label == "fall, then recovery"


def test_seven_pulls_show_the_shape_but_not_the_constants() -> None:
    days = np.array([0.0, 3, 7, 14, 28, 42, 70])
    values = -40 * (1 - np.exp(-0.3 * days)) + 60 * (1 - np.exp(-0.03 * days)) + NOISE[:7] / 2
    choice = decided(values, 0.5, days)
    assert choice.chosen is not None
    assert choice.chosen.shape == "two phases"
    assert choice.printed is Printed.CURVE
    assert choice.sentence == "two phases: constants need 9 pulls, has 7"


def test_rates_that_lie_close_are_not_printed() -> None:
    days = np.arange(0.0, 90, 6)
    scatter = 0.02 * np.sin(7 * days)
    values = -300 * (1 - np.exp(-0.06 * days)) + 320 * (1 - np.exp(-0.03 * days)) + scatter
    choice = decided(values, 0.02, days)
    assert choice.chosen is not None
    assert choice.chosen.shape == "two phases"
    assert (choice.printed, choice.sentence) == (
        Printed.CURVE,
        "rates not separately identifiable",
    )


def test_a_short_trial_gives_a_zero_order_rate() -> None:
    # k t_max = 0.4: the curve bends visibly with so small an error, but shows no ceiling.
    days = np.linspace(0, 20, 12)
    values = 100 * (1 - np.exp(-0.02 * days)) + 0.1 * np.sin(9 * days)
    choice = decided(values, 0.1, days)
    assert choice.chosen is not None
    assert choice.chosen.shape == "first order"
    assert choice.printed is Printed.ZERO_ORDER_RATE
    assert choice.sentence == "ceiling not reached"
    assert choice.straight is not None
    assert choice.straight.shape == "zero order"


@pytest.mark.parametrize(
    ("rate", "printed"),
    [
        (0.015, Printed.CEILING_BY_INTERVAL),
        (0.05, Printed.CONSTANTS),
        (1.3, Printed.PLATEAU),
    ],
)
def test_what_is_printed_follows_how_much_of_the_rise_was_seen(
    rate: float, printed: Printed
) -> None:
    values = 100 * (1 - np.exp(-rate * DAYS)) + 0.2 * NOISE
    choice = decided(values, 0.2)
    assert choice.chosen is not None
    assert choice.chosen.shape == "first order"
    assert choice.printed is printed


@pytest.mark.long
def test_a_further_phase_must_win_by_more_than_two() -> None:
    # Inert material: in at most a few of 40 series of pure scatter is a phase found.
    rng = np.random.default_rng(20)
    found = [decided(rng.normal(size=10), 1.0).chosen for _ in range(40)]
    further = [one for one in found if one and one.shape not in ("zero order", "first order")]
    assert len(further) < 6


def test_bod_cannot_be_chosen_without_known_errors() -> None:
    # AIC and AICc of R's nls and lm, with the constant n (1 + ln 2 pi): first order 43.8230,
    # line through 0 43.7447; the gap of .08 says nothing, the F test prefers the bend.
    fits = {one.shape: one for one in fitting.fit_series(*BOD, False)}
    line, first = fits["zero order"], fits["first order"]
    assert isinstance(line, Fit)
    assert isinstance(first, Fit)
    constant = 6 * (1 + np.log(2 * np.pi))
    assert aicc(first) == pytest.approx(43.8230 - constant, abs=5e-5)
    assert aicc(line) == pytest.approx(43.7447 - constant, abs=5e-5)
    chance = extra_sum_of_squares(line, first)
    # F = (135.820 - 25.9903) / (25.9903 / 4) = 16.90 on (1, 4); F(1, 4) has its 2.5 % point at
    # 12.22 and its 1 % point at 21.20 (tables of F).
    assert chance is not None
    assert 0.01 < chance < 0.025
    choice = choose(list(fits.values()))
    assert choice.chosen is None
    assert choice.sentence.startswith("cannot choose between zero order and first order: ")
    assert not any(one.chosen for one in choice.candidates)


def test_lack_of_fit_is_said_of_the_best_shape_too() -> None:
    values = 40 * (1 - np.exp(-0.06 * DAYS)) + 6 * NOISE
    choice = decided(values, 1.0)
    assert choice.chosen is not None
    lack = lack_of_fit(choice.chosen)
    assert lack is not None
    assert lack < 0.05
    assert "misses its pulls" in why(choice, choice.chosen.shape)


def test_nothing_fitted_is_nothing_chosen() -> None:
    choice = choose(fitting.fit_series([0, 7, 14], [1, 2, 3], True))
    assert choice.chosen is None
    assert choice.printed is Printed.NOTHING
    assert choice.sentence == "no shape could be fitted"
    assert why(choice, "two phases").startswith("too few pulls: two phases needs 11")
