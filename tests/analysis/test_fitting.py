"""Fits against certified and published answers, and what is refused or flagged."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from logbook.analysis import fitting, kinetics
from logbook.analysis.fitting import Fit, Limit, Refusal
from logbook.errors import UserMistake

# NIST/ITL Statistical Reference Datasets, nonlinear regression, y = b1 (1 - exp(-b2 x)).
# fmt: off
MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
     378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
     44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78],
)
# fmt: on
# fmt: off
MGH17 = [0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751, 0.718, 0.685,
         0.658, 0.628, 0.603, 0.580, 0.558, 0.538, 0.522, 0.506, 0.490, 0.478, 0.467, 0.457, 0.448,
         0.438, 0.431, 0.424, 0.420, 0.414, 0.411, 0.406]
# fmt: on
BOXBOD = ([1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224])
CERTIFIED = {
    "Misra1a": (
        MISRA1A,
        (2.3894212918e02, 2.7070075241e00),
        (5.5015643181e-04, 7.2668688436e-06),
        1.2455138894e-01,
        1.0187876330e-01,
    ),
    "BoxBOD": (
        BOXBOD,
        (2.1380940889e02, 1.2354515176e01),
        (5.4723748542e-01, 1.0455993237e-01),
        1.1680088766e03,
        1.7088072423e01,
    ),
}
#: R data set BOD (Bates & Watts 1988, Nonlinear Regression Analysis, appendix A4.1).
BOD = ([1, 2, 3, 4, 5, 7], [8.3, 10.3, 19.0, 16.0, 15.6, 19.8])
DAYS = np.array([0.0, 3.0, 7.0, 14.0, 21.0, 28.0, 42.0, 56.0])


def fits(days: object, values: object, free_start: bool = False, **more: object) -> dict[str, Fit]:
    """The fits of `fit_series` by shape; a refusal fails the test."""
    answers = fitting.fit_series(days, values, free_start, **more)  # type: ignore[arg-type]
    assert all(isinstance(answer, Fit) for answer in answers[:2]), answers
    return {answer.shape: answer for answer in answers if isinstance(answer, Fit)}


def digits(got: float | None, certified: float) -> float:
    """Number of matching digits: -log10 of the relative error."""
    assert got is not None
    return float(-np.log10(max(abs(got - certified) / abs(certified), 1e-16)))


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_fits_without_starting_values(name: str) -> None:
    data, ceiling, rate, rss, sd = CERTIFIED[name]
    fit = fits(*data)["first order"]
    for symbol, (value, se) in {"A": ceiling, "k": rate}.items():
        found = fit.parameter(symbol)
        assert digits(found.value, value) >= 9
        assert digits(found.se, se) >= 8
        assert found.reason == "asymptotic standard error, not an interval"
    assert digits(fit.rss, rss) >= 9
    assert digits(fit.residual_sd, sd) >= 9
    assert fit.limit is Limit.INSIDE


def test_mgh17_is_two_phases_with_a_start() -> None:
    # NIST/ITL StRD MGH17: y = b1 + b2 exp(-x b4) + b3 exp(-x b5), x = 0, 10, ..., 320. With
    # D0 = b1 + b2 + b3, A1 = -b3 (fast, b5) and A2 = -b2 (slow, b4).
    days = np.arange(33) * 10.0
    batch = fitting.fit_two_phases(days, MGH17, free_start=True)
    b1, b2, b3 = 3.7541005211e-01, 1.9358469127e00, -1.4646871366e00
    certified = [b1 + b2 + b3, -b3, 2.2122699662e-02, -b2, 1.2867534640e-02]
    errors = [2.2175707739e-01, 8.9471996575e-04, 2.2031669222e-01, 4.4861358114e-04]
    assert batch.symbols == ("D0", "A1", "k1", "A2", "k2")
    assert batch.values[0] == pytest.approx(certified, rel=1e-9)
    assert batch.se[0, 1:] == pytest.approx(errors, rel=1e-8)
    assert batch.rss[0] == pytest.approx(5.4648946975e-05, rel=1e-9)
    assert batch.residual_sd[0] == pytest.approx(1.3970497866e-03, rel=1e-9)
    fit = fitting.fit_of(batch, 0)
    assert fit.label == "flush, then loss"
    # k1 / k2 = 1.72: the data are exact enough for the numbers, and yet they are not apart.
    assert fit.verdict == "rates not separately identifiable"


def test_two_pools_of_a_worked_example() -> None:
    # Na 30, ka .3, Ns 170, ks .01 at t = 4 give 27.6300 (Molina's form, worked by hand).
    assert kinetics.two_phases(4.0, 30.0, 0.3, 170.0, 0.01) == pytest.approx(27.6300, abs=5e-5)
    days = np.array([1.0, 2, 4, 7, 11, 16, 24, 40, 70, 110, 160, 220])
    values = kinetics.two_phases(days, 30.0, 0.3, 170.0, 0.01)
    batch = fitting.fit_two_phases(days, values, free_start=False)
    assert batch.values[0] == pytest.approx([30.0, 0.3, 170.0, 0.01], rel=1e-8)
    assert fitting.fit_of(batch, 0).label == "two pools"


def test_a_lag_and_a_sigmoid_are_found_again() -> None:
    days = np.array([0.0, 3, 6, 10, 14, 19, 25, 32, 40, 50, 65, 80])
    late = fitting.fit_lagged(
        days, kinetics.first_order_with_lag(days, 25, 0.07, 11.5), free_start=False
    )
    assert late.values[0] == pytest.approx([25, 0.07, 11.5], rel=1e-8)
    curve = 4.0 + kinetics.gompertz(days, 25, 0.12, 22.0)
    sigmoid = fitting.fit_gompertz(days, curve, free_start=True)
    assert sigmoid.values[0] == pytest.approx([4.0, 25, 0.12, 22.0], rel=1e-7)
    assert kinetics.gompertz([0.0, 1e6], 25, 0.12, 22.0) == pytest.approx([0.0, 25.0])


def test_limits_of_the_further_shapes_are_named() -> None:
    days = np.array([0.0, 3, 7, 14, 21, 28, 42, 56, 70, 84])
    rise = kinetics.two_phases(days, 10, 0.5, 10, 0.03)
    no_lag = fitting.fit_of(fitting.fit_lagged(days, rise, free_start=False), 0)
    assert no_lag.verdict == "no lag: a first order fits as well"
    assert no_lag.parameter("t0").value is None
    plain = fitting.fit_of(fitting.fit_gompertz(days, rise, free_start=False), 0)
    assert plain.verdict == "no slow beginning: fastest on day 0, which is no sigmoid"
    steep = np.where(days > 25, 30.0, 0.0) + 0.1 * np.cos(3 * days)
    jump = fitting.fit_of(fitting.fit_gompertz(days, steep, free_start=False), 0)
    assert jump.verdict == "fewer than two pulls on the rise: any faster rate fits as well"
    bend = fitting.fit_of(fitting.fit_two_phases(days, np.cos(days / 20), free_start=True), 0)
    assert bend.limit is Limit.MERGED
    assert bend.parameter("k1").value is None
    assert bend.at(days) == pytest.approx(np.cos(days / 20), abs=0.5)


def test_flat_series_of_the_further_shapes() -> None:
    values = np.stack([np.full(8, 5.0), 20 * (1 - np.exp(-0.1 * DAYS)) + np.sin(DAYS)])
    for fitter in (fitting.fit_lagged, fitting.fit_gompertz, fitting.fit_two_phases):
        for free in (False, True):
            batch = fitter(DAYS, values, free_start=free)
            assert batch.limit[0] == Limit.FLAT
            assert fitting.fit_of(batch, 0).at([7.0, 8.0]) == pytest.approx([5.0, 5.0])
            assert batch.rss[0] == pytest.approx(0.0 if free else 25.0)


def test_known_standard_deviations_make_the_rss_a_chi2() -> None:
    sd = np.array([0.5, 1, 1, 1, 2, 2, 2, 2])
    values = 20 * (1 - np.exp(-0.1 * DAYS)) + np.sin(DAYS)
    answers = fitting.fit_series(DAYS, values, False, sd=sd)
    assert [type(answer) for answer in answers] == [Fit] * 5
    first = answers[1]
    assert isinstance(first, Fit)
    assert first.rss == pytest.approx((((values - first.at(DAYS)) / sd) ** 2).sum())
    with pytest.raises(UserMistake, match="one of them is enough"):
        fitting.fit_series(DAYS, values, False, sd=sd, weights=sd)
    with pytest.raises(UserMistake, match="above zero"):
        fitting.fit_series(DAYS, values, False, sd=0.0)


def test_misra1a_has_not_levelled_off() -> None:
    fit = fits(*MISRA1A)["first order"]
    assert fit.verdict == (
        "ceiling not reached: the curve has not levelled off "
        "(the last pull is at 34 % of the fitted ceiling)"
    )
    failed = [check.name for check in fit.checks if not check.passed]
    assert failed == ["ceiling reached", "ceiling seen"]
    assert not fit.sound


def test_bod_of_bates_and_watts() -> None:
    answers = fits(*BOD)
    first = answers["first order"]
    assert first.parameter("A").value == pytest.approx(19.14258, abs=5e-6)
    assert first.parameter("A").se == pytest.approx(2.496, abs=5e-4)
    assert first.parameter("k").value == pytest.approx(0.53109, abs=5e-6)
    assert first.parameter("k").se == pytest.approx(0.20308, abs=5e-6)
    assert first.rss == pytest.approx(25.9903, abs=5e-5)
    assert first.residual_sd == pytest.approx(2.549, abs=5e-4)
    assert answers["zero order"].rss == pytest.approx(135.820, abs=5e-4)
    assert first.sound
    assert first.verdict == "no check failed"


def test_line_with_a_start_through_bod() -> None:
    # R: lm(demand ~ Time, BOD) has RSS 38.0693; days are moved so that the first is day 0.
    batch = fitting.fit_zero_order(np.array(BOD[0]) - 1.0, BOD[1], free_start=True)
    assert batch.rss[0] == pytest.approx(38.0693, abs=5e-5)


def test_line_of_a_published_calibration() -> None:
    # R data set Formaldehyde: intercept .005086 (.007834), slope .876286 (.013535).
    carb, density = [0.1, 0.3, 0.5, 0.6, 0.7, 0.9], [0.086, 0.269, 0.446, 0.538, 0.626, 0.782]
    batch = fitting.fit_zero_order(carb, density, free_start=True)
    assert batch.symbols == ("D0", "a")
    assert batch.values[0] == pytest.approx([0.005086, 0.876286], abs=5e-7)
    assert batch.se[0] == pytest.approx([0.007834, 0.013535], abs=5e-7)


def test_half_life_and_its_error_follow_from_the_rate() -> None:
    fit = fits(*BOD)["first order"]
    half, rate = fit.parameter("t1/2"), fit.parameter("k")
    assert half.unit == "days"
    assert half.value == pytest.approx(np.log(2) / 0.53109, rel=1e-5)
    # d(ln 2 / k) = ln 2 / k^2 dk
    assert half.se == pytest.approx(np.log(2) / 0.53109**2 * 0.20308, rel=1e-4)
    assert rate.unit == "per day"


def test_a_start_that_came_in_the_bag_is_not_release() -> None:
    # A jump of 15 with A = 30 and k = 0.02 a day: through zero the half-life comes out far too
    # short, with the start fitted it is 35 days.
    values = 15 + 30 * (1 - np.exp(-0.02 * DAYS))
    free = fits(DAYS, values, free_start=True)["first order"]
    assert free.parameter("D0").value == pytest.approx(15)
    assert free.parameter("t1/2").value == pytest.approx(np.log(2) / 0.02)
    forced = fits(DAYS, values, errors_known=True)["first order"].parameter("t1/2").value
    assert forced is not None
    assert forced < 15


def test_values_on_the_curve_get_no_standard_error() -> None:
    fit = fits(DAYS, 30 * (1 - np.exp(-0.1 * DAYS)))["first order"]
    assert fit.parameter("k").value == pytest.approx(0.1, rel=1e-12)
    assert fit.parameter("k").se is None
    assert "without scatter to judge by" in fit.parameter("k").reason


def test_a_curve_that_bends_up_is_named_a_straight_line() -> None:
    fit = fits(DAYS, 0.1 * DAYS + 0.01 * DAYS**2)["first order"]
    assert fit.limit is Limit.LINE
    assert fit.verdict == "rate at its lower bound: a straight line fits as well"
    for symbol in ("A", "k", "t1/2"):
        found = fit.parameter(symbol)
        assert (found.value, found.se, found.reason) == (None, None, fit.verdict)
    line = fits(DAYS, 0.1 * DAYS + 0.01 * DAYS**2)["zero order"]
    assert fit.rss == line.rss
    assert fit.at(DAYS) == pytest.approx(line.at(DAYS))


def test_a_plateau_from_the_first_pull_on_is_named() -> None:
    values = np.array([0.0, 21, 19, 20, 21, 19, 20, 20])
    fixed, free = (fits(DAYS, values, free_start=free)["first order"] for free in (False, True))
    assert fixed.limit is free.limit is Limit.STEP
    assert fixed.verdict == "plateau reached before the first pull (rate at infinity)"
    assert free.verdict == "plateau reached before the first pull after day 0 (rate at infinity)"
    assert fixed.parameter("A").value == pytest.approx(20.0)
    assert fixed.parameter("k").value is None
    assert fixed.rss == pytest.approx(4.0)
    assert free.at([0.0, 1.0, 50.0]) == pytest.approx([0.0, 20.0, 20.0])


def test_a_rise_over_at_the_first_pull_is_flagged() -> None:
    scatter = np.array([0, 0.1, -0.1, 0.2, -0.2, 0.1, -0.1, 0.0])
    fit = fits(DAYS, 20 * (1 - np.exp(-0.9 * DAYS)) + scatter)["first order"]
    assert fit.limit is Limit.INSIDE
    assert (
        fit.verdict == "the rise was nearly over at the first pull (day 3): rate is a lower limit"
    )


@pytest.mark.parametrize(
    ("days", "values", "free_start", "expected"),
    [
        ([7, 14, 28], [1, 2, 3], False, "too few pulls: first order needs 6, has 3"),
        (
            [0, 7, 14, 28, 35, 42],
            [0, 1, 2, 3, 3, 4],
            False,
            "too few pulls: first order needs 6 where the errors of the values are not known, "
            "has 5 beside day 0, which is not counted: the start is fixed at 0",
        ),
        (
            [0, 7, 14, 28, 35, 42],
            [0, 1, 2, 3, 3, 4],
            True,
            "too few pulls: first order needs 7, one of them for the start where the errors of the "
            "values are not known, has 6",
        ),
        (
            [7, 7, 7, 7, 7, 7],
            [1, 2, 3, 4, 5, 6],
            False,
            "first order: all values are from one day: no curve",
        ),
        (range(1, 8), [5] * 7, False, "first order: all values are equal (5): no change to fit"),
        (
            range(1, 9),
            range(8),
            True,
            "first order: no pull on day 0, so that what came in with the amendment cannot be told "
            "from what it released later: no rate is given",
        ),
    ],
)
def test_refusals(days: object, values: object, free_start: bool, expected: str) -> None:
    answers = fitting.fit_series(days, values, free_start)  # type: ignore[arg-type]
    first = next(answer for answer in answers if answer.shape == "first order")
    assert isinstance(first, Refusal)
    assert first.reason == expected


def test_zero_order_needs_fewer_pulls_and_known_errors_fewer_still() -> None:
    answers = fitting.fit_series([7, 14, 28, 42], [1, 2, 3, 4], False)
    assert [type(answer) for answer in answers] == [Fit] + 4 * [Refusal]
    known = fitting.fit_series([7, 14, 28, 42], [1, 2, 3, 3.1], False, errors_known=True)
    assert [type(answer) for answer in known] == [Fit, Fit] + 3 * [Refusal]


def test_duplicates_of_one_day_are_one_pull() -> None:
    answers = fitting.fit_series([1, 1, 2, 2, 3, 3], [1, 1.1, 2, 2.1, 3, 3.1], False)
    assert [a.reason for a in answers if isinstance(a, Refusal)] == [
        "too few pulls: zero order needs 4 where the errors of the values are not known, has 3",
        "too few pulls: first order needs 6, has 3",
        "too few pulls: first order with a lag needs 10, has 3",
        "too few pulls: Gompertz needs 10, has 3",
        "too few pulls: two phases needs 10, has 3",
    ]


@pytest.mark.parametrize(
    ("days", "values", "message"),
    [
        ([-3, 0, 7], [1, 2, 3], "day -3 is before application: a curve starts at day 0"),
        ([0, 7, 14], [1, float("nan"), 3], "value 2 is nan, not a number"),
        ([0, float("inf"), 14], [1, 2, 3], "day 2 is inf, not a number"),
        ([0, 7, 14], [1, 2, 1e200], "value 3 is 1e+200, too large"),
        ([0, 7], [1, 2, 3], "2 days do not match values of shape (1, 3)"),
        ([], [], "0 days do not match values of shape (1, 0)"),
    ],
)
def test_wrong_input(days: list[float], values: list[float], message: str) -> None:
    with pytest.raises(UserMistake) as caught:
        fitting.fit_series(days, values, False)
    assert caught.value.message == message


def test_wrong_batch_input() -> None:
    with pytest.raises(UserMistake, match="first order needs at least 2 different days, has 1"):
        fitting.fit_first_order([0, 5, 5], [[0, 1, 2]], free_start=False)
    with pytest.raises(UserMistake, match="weights must be above zero"):
        fitting.fit_zero_order([1, 2], [[1, 2]], free_start=False, weights=[1, 0])
    with pytest.raises(UserMistake, match="no pull on day 0"):
        fitting.fit_first_order([1, 2, 3, 4], [[0, 1, 2, 2]], free_start=True)
    with pytest.raises(UserMistake, match="one series at a time: got 2"):
        fitting.fit_series([1, 2], [[1, 2], [3, 4]], False)


def test_an_unknown_parameter_is_refused() -> None:
    with pytest.raises(UserMistake, match="zero order has no parameter k"):
        fits(*BOD)["zero order"].parameter("k")


def test_batch_holds_flat_series_apart() -> None:
    rising = 20 * (1 - np.exp(-0.1 * DAYS)) + np.sin(DAYS)
    values = np.stack([np.zeros(8), rising, np.full(8, 5.0)])
    for free in (False, True):
        batch = fitting.fit_first_order(DAYS, values, free_start=free)
        assert list(batch.limit) == [Limit.FLAT, Limit.INSIDE, Limit.FLAT]
        assert np.isnan(batch.values[[0, 2], -1]).all()
        alone = fitting.fit_first_order(DAYS, rising, free_start=free)
        assert batch.values[1] == pytest.approx(alone.values[0], rel=1e-12)
        assert fitting.fit_of(batch, 2).verdict == "all values equal: no change to fit"
        assert fitting.fit_of(batch, 2).at([7.0, 8.0]) == pytest.approx([5.0, 5.0])


def test_weights_are_inverse_variances() -> None:
    # A weight of 2 is the same value twice: same curve, same sum of squares.
    values = 20 * (1 - np.exp(-0.1 * DAYS)) + np.sin(DAYS)
    weights = np.array([1.0, 1, 2, 1, 2, 1, 1, 1])
    twice = [0, 1, 2, 2, 3, 4, 4, 5, 6, 7]
    for free in (False, True):
        for fit in (fitting.fit_zero_order, fitting.fit_first_order):
            weighted = fit(DAYS, values, free_start=free, weights=weights)
            repeated = fit(DAYS[twice], values[twice], free_start=free)
            assert weighted.values == pytest.approx(repeated.values, rel=1e-9)
            assert weighted.rss == pytest.approx(repeated.rss, rel=1e-9)
            per_value = fit(DAYS, [values] * 2, free_start=free, weights=[weights, weights])
            assert per_value.values[1] == pytest.approx(weighted.values[0], rel=1e-12)


def test_the_day_zero_pull_may_be_hours_late() -> None:
    days = DAYS + 0.25
    values = 15 + 30 * (1 - np.exp(-0.05 * days)) + np.cos(days)
    fit = fits(days, values, free_start=True)["first order"]
    start, ceiling, rate = (fit.parameter(symbol).value for symbol in ("D0", "A", "k"))
    assert start is not None
    assert ceiling is not None
    assert rate is not None
    assert fit.at(days) == pytest.approx(start + ceiling * (1 - np.exp(-rate * days)))
    assert fit.rss == pytest.approx(((values - fit.at(days)) ** 2).sum())


def test_importing_the_fitter_loads_no_heavy_module() -> None:
    code = (
        "import sys; from logbook.analysis import fitting, series, kinetics;"
        "print([m for m in ('scipy', 'pandas', 'matplotlib', 'sqlalchemy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_ceiling_beyond_the_last_pull_is_an_extrapolation() -> None:
    # k t_max = 0.02 * 56 = 1.12: past 0.5, short of 1.5; 67 % of the ceiling is reached.
    values = 30 * (1 - np.exp(-0.02 * DAYS)) + 0.01 * np.sin(5 * DAYS)
    fit = fits(DAYS, values)["first order"]
    failed = [check for check in fit.checks if not check.passed]
    assert [check.name for check in failed] == ["ceiling seen"]
    assert failed[0].statistic == pytest.approx(1.12, abs=0.02)
    assert fit.verdict == (
        "ceiling found by extrapolation: the last pull is at 67 % of the fitted ceiling"
    )
    assert {check.text for check in fit.checks if check.passed} == {""}
