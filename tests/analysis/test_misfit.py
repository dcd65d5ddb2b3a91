"""The lack-of-fit test: a shape that misses its pulls is said to, one that fits is not."""

from __future__ import annotations

import pytest

from logbook.analysis import fitting, misfit
from logbook.analysis.fits import Fit
from logbook.analysis.series import Contrast
from logbook.analysis.tails import f_tail

DAYS = [0.0, 3.0, 7.0, 14.0, 28.0, 42.0, 56.0]


def _fit(shape: str, values: list[float]) -> Fit:
    (found,) = [one for one in fitting.fit_series(DAYS, values, True) if one.shape == shape]
    assert isinstance(found, Fit)
    return found


def test_f_tail_is_the_tabled_one() -> None:
    # Upper 5 % points of F, NIST/SEMATECH e-Handbook 1.3.6.7.3: F(4, 10) = 3.478, F(5, 20) = 2.711.
    assert f_tail(3.478, 4, 10) == pytest.approx(0.05, abs=2e-5)
    assert f_tail(2.711, 5, 20) == pytest.approx(0.05, abs=2e-5)


def test_the_spread_behind_an_interval_comes_back() -> None:
    # t(.975, 6) = 2.447 (table of the t distribution, NIST/SEMATECH e-Handbook 1.3.6.7.2).
    spread = misfit.spread_of(Contrast(10.0, 10 - 2.447 * 1.5, 10 + 2.447 * 1.5, 6.0))
    assert spread is not None
    assert spread.se == pytest.approx(1.5, rel=2e-4)
    assert spread.df == 6.0


def test_no_interval_tells_nothing() -> None:
    assert misfit.spread_of(Contrast(None, 1.0, 2.0, None)) is None
    assert misfit.spread_of(Contrast(3.0, None, None, None, "one bed")) is None
    fit = _fit("zero order", [0, 5, 1, 9, 4, 8, 2])
    assert misfit.checked(fit, DAYS, [0, 5, 1, 9, 4, 8, 2], []) is fit


def test_a_straight_line_through_a_draw_down_is_named() -> None:
    values = [1.0, -6.0, -10.0, -10.5, -4.5, 4.0, 7.0]
    spreads = [misfit.Spread(0.8, 3.0)] * len(values)

    fit = misfit.checked(_fit("zero order", values), DAYS, values, spreads)

    assert not fit.sound
    assert fit.checks[-1].name == "fits its pulls"
    assert fit.verdict == (
        "zero order misses its pulls by more than the beds differ: this is not the shape"
    )


def test_a_line_within_the_spread_of_beds_passes() -> None:
    values = [0.2, 0.9, 2.3, 3.9, 8.6, 12.4, 17.1]  # 0.3 a day, give or take 0.3
    spreads = [misfit.Spread(0.4, 3.0)] * len(values)

    fit = misfit.checked(_fit("zero order", values), DAYS, values, spreads)

    assert fit.sound
    assert fit.checks[-1].passed
