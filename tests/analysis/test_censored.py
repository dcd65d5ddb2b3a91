"""Means with results beyond limits: a published data set, other implementations, properties."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import optimize, stats

from logbook.analysis.censored import (
    BOTH_ENDS,
    ZEROS,
    CensoredMean,
    Qualifier,
    censored_mean,
    kaplan_meier_mean,
    lognormal_mean,
    ros_mean,
)
from logbook.errors import UserMistake

Table = tuple[list[float | None], list[float | None], list[Qualifier]]
Estimator = Callable[[Sequence[float | None], Sequence[float | None], Sequence[Qualifier]], float]

# Arsenic in Oahu's streams, ug/L: Helsel 2005, Nondetects and Data Analysis, appendix B.
OAHU = "3.2 2.8 <2 <2 <2 <2 <2 <2 <2 <2 1.7 1.5 <1 <1 <1 <1 .9 <.9 .7 .7 .6 .5 .5 .5"


def table(text: str) -> Table:
    """Results as a laboratory writes them, as values, limits and qualifiers."""
    values: list[float | None] = []
    limits: list[float | None] = []
    qualifiers: list[Qualifier] = []
    for word in text.split():
        kind: Qualifier = "<" if word[0] == "<" else ">" if word[0] == ">" else ""
        number = float(word.lstrip("<>"))
        values.append(None if kind else number)
        limits.append(number if kind else None)
        qualifiers.append(kind)
    return values, limits, qualifiers


def written(
    seen: Sequence[float], under: Sequence[float] = (), over: Sequence[float] = ()
) -> Table:
    """Numbers seen, limits not reached and ranges passed, as results."""
    marked = [("", seen), ("<", under), (">", over)]
    return table(" ".join(f"{kind}{number!r}" for kind, part in marked for number in part))


def test_the_three_means_of_oahu_arsenic() -> None:
    # Regression on order statistics and Kaplan-Meier as in Helsel's book (0.972, 0.949), with the
    # fill-ins of statsmodels' tests of these data; the likelihood's mean recomputed elsewhere.
    given_results = table(OAHU)
    assert ros_mean(*given_results) == pytest.approx(0.9725, abs=5.1e-5)
    assert kaplan_meier_mean(*given_results) == pytest.approx(0.9490, abs=5.1e-5)
    assert lognormal_mean(*given_results) == pytest.approx(0.9453, abs=5.1e-5)


def test_oahu_arsenic_is_more_than_half_censored_and_gets_bounds_only() -> None:
    found = censored_mean(*table(OAHU))
    assert (found.value, found.method, found.n, found.below) == (None, "bounds", 24, 13)
    assert found.low == pytest.approx(0.5667, abs=5e-5)
    assert found.high == pytest.approx(1.4375)
    assert "13 of 24 results are censored, more than half" in found.reason
    assert (found.low + (found.high or 0)) / 2 == pytest.approx(1.0021, abs=5e-5)  # half the limits


def test_regression_on_order_statistics_against_statsmodels() -> None:
    import pandas as pd
    from statsmodels.imputation import ros

    values, limits, kinds = table("<1 <1 1.2 <2 1.8 2.2 2.9 <5 3.3 5.1 6.0 8.4 11")
    frame = pd.DataFrame(
        {
            "x": [v if v is not None else m for v, m in zip(values, limits, strict=True)],
            "below": [kind == "<" for kind in kinds],
        }
    )
    theirs = float(np.mean(ros.impute_ros("x", "below", df=frame)))
    assert ros_mean(values, limits, kinds) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("text", [OAHU, "<1 <1 1.2 <2 1.8 2.2 2.9 3.3 5.1 6.0 8.4 11"])
def test_kaplan_meier_against_statsmodels(text: str) -> None:
    from statsmodels.duration.survfunc import SurvfuncRight

    values, limits, kinds = table(text)
    numbers = np.array([v if v is not None else m for v, m in zip(values, limits, strict=True)])
    flip = float(numbers.max()) + 1.0
    seen = np.array([kind == "" for kind in kinds]).astype(int)
    seen[numbers == numbers.min()] = 1  # Efron: the lowest counts as seen
    found = SurvfuncRight(flip - np.array(numbers), seen)
    times = np.concatenate([[0.0], found.surv_times])
    area = float(np.diff(times) @ np.concatenate([[1.0], found.surv_prob[:-1]]))
    assert kaplan_meier_mean(values, limits, kinds) == pytest.approx(flip - area, rel=1e-9)


def test_kaplan_meier_by_hand() -> None:
    # 4, <3, 2, 1: 4 is one of four known to be at or below 4 and holds 1/4; 2 is one of two (<3 may
    # lie above 2) and holds half of the 3/4 left; 1 holds the rest.
    assert kaplan_meier_mean(*table("4 <3 2 1")) == pytest.approx(4 / 4 + 2 * 3 / 8 + 1 * 3 / 8)
    # Efron's convention: the lowest, <1, holds its share at 1. Above a range likewise.
    assert kaplan_meier_mean(*table("4 2 <1 <1")) == pytest.approx((4 + 2 + 1 + 1) / 4)
    assert kaplan_meier_mean(*table("4 2 >5 >5")) == pytest.approx((4 + 2 + 5 + 5) / 4)


def test_one_limit_makes_kaplan_meier_substitution_and_not_the_regression() -> None:
    results = table("<2 <2 <2 <2 2.1 2.5 3.0 3.4 4.2 5.5 6.1 9.0")
    found = censored_mean(*results, way="km")
    assert found.value == pytest.approx(found.high)
    default = censored_mean(*results)
    assert default.method == "regression on order statistics"
    assert default.value is not None and default.high is not None
    assert default.low < default.value < default.high


@pytest.mark.parametrize("text", [OAHU, "2 3 5 >8 >8 4 <1 1.5 <2 6", "1 1.1 >1.2 >1.2 <0.9 1.05"])
def test_the_likelihood_against_a_general_optimiser(text: str) -> None:
    values, limits, kinds = table(text)

    def minus(at: Sequence[float]) -> float:
        mu, sigma = at[0], math.exp(at[1])
        total = 0.0
        for value, limit, kind in zip(values, limits, kinds, strict=True):
            z = (math.log(value if value is not None else limit or 0.0) - mu) / sigma
            norm = stats.norm
            total += {"": norm.logpdf(z) - at[1], "<": norm.logcdf(z), ">": norm.logsf(z)}[kind]
        return -total

    best = optimize.minimize(
        minus, [0.0, -0.5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13}
    ).x
    expected = math.exp(best[0] + math.exp(2 * best[1]) / 2)
    assert lognormal_mean(values, limits, kinds) == pytest.approx(expected, rel=1e-7)


CONCENTRATION = st.floats(0.01, 1000.0)
MANY = st.lists(CONCENTRATION, min_size=6, max_size=20)
FEW = st.lists(CONCENTRATION, min_size=4, max_size=6)


@given(st.lists(CONCENTRATION, min_size=2, max_size=20))
def test_without_censored_results_the_means_are_the_plain_ones(seen: list[float]) -> None:
    results = written(seen)
    plain = math.fsum(seen) / len(seen)
    assert kaplan_meier_mean(*results) == pytest.approx(plain, rel=1e-9)
    assert ros_mean(*results) == pytest.approx(plain, rel=1e-12)
    found = censored_mean(*results)
    assert (found.value, found.method) == (pytest.approx(plain), "arithmetic")
    assert found.low == found.high == found.value
    logs = np.log(seen)
    assume(float(np.ptp(logs)) > 1e-6)
    lognormal = math.exp(float(logs.mean()) + float(logs.var()) / 2)
    assert lognormal_mean(*results) == pytest.approx(lognormal, rel=1e-9)


@pytest.mark.parametrize("estimator", [kaplan_meier_mean, ros_mean, lognormal_mean])
@given(seen=MANY, limits=FEW, factor=st.floats(1e-3, 1e3), over=st.booleans())
def test_a_change_of_unit_changes_the_mean_alike(
    estimator: Estimator, seen: list[float], limits: list[float], factor: float, over: bool
) -> None:
    assume(max(seen) > 1.01 * min(seen))

    def mean_of(scale: float) -> float:
        numbers, ends = [scale * x for x in seen], [scale * x for x in limits]
        return estimator(*(written(numbers, (), ends) if over else written(numbers, ends)))

    one = mean_of(1.0)
    assume(one < 1e12)
    # Powers of 2 keep every tie; another product may round two close numbers together.
    power = 2.0 ** round(math.log2(factor))
    assert mean_of(power) == pytest.approx(power * one, rel=1e-7)


@given(seen=MANY, limits=FEW, over=st.booleans(), way=st.sampled_from(["ros", "km", "mle"]))
def test_a_mean_lies_within_what_the_limits_allow(
    seen: list[float], limits: list[float], over: bool, way: str
) -> None:
    results = written(seen, (), limits) if over else written(seen, limits)
    found = censored_mean(*results, way=way)  # type: ignore[arg-type]
    assert (found.high is None) == over
    if found.value is None:
        assert found.method == "bounds" and found.reason
        return
    assert found.value >= found.low * (1 - 1e-9)
    assert found.high is None or found.value <= found.high * (1 + 1e-9)


@given(seen=MANY, limits=FEW)
def test_regression_and_kaplan_meier_never_leave_the_bounds(
    seen: list[float], limits: list[float]
) -> None:
    results = written(seen, limits)
    n = len(seen) + len(limits)
    for estimator in (ros_mean, kaplan_meier_mean):
        mean = estimator(*results)
        assert sum(seen) / n <= mean * (1 + 1e-9)
        assert mean <= (sum(seen) + sum(limits)) / n * (1 + 1e-9)


def test_the_order_of_results_changes_nothing() -> None:
    words = OAHU.split()
    back = table(" ".join(reversed(words)))
    for estimator in (ros_mean, kaplan_meier_mean, lognormal_mean):
        assert estimator(*back) == pytest.approx(estimator(*table(OAHU)), rel=1e-12)


def test_fewer_than_ten_results_give_bounds_only() -> None:
    nine = censored_mean(*table("<1 2 3 4 5 6 7 8 9"))
    assert (nine.value, nine.method) == (None, "bounds")
    assert (nine.low, nine.high) == pytest.approx((44 / 9, 45 / 9))
    assert nine.reason.startswith("9 results, some of them censored: a mean needs 10")
    ten = censored_mean(*table("<1 2 3 4 5 6 7 8 9 10"))
    assert ten.value is not None and ten.reason == ""


def test_half_censored_is_allowed_and_one_more_is_not() -> None:
    half = censored_mean(*table("<1 <1 <1 <1 <1 2 3 4 5 6"))
    assert half.value is not None
    more = censored_mean(*table("<1 <1 <1 <1 <1 <1 3 4 5 6"))
    assert more.value is None and "6 of 10" in more.reason


def test_above_a_range_the_upper_end_is_open() -> None:
    results = table("1 2 3 4 5 6 7 8 9 10 >10 >10")
    for way in ("ros", "km", "mle"):
        found = censored_mean(*results, way=way)
        assert (found.high, found.above, found.below) == (None, 2, 0)
        assert found.low == pytest.approx(75 / 12)
        assert found.value is not None and found.value >= found.low


def test_another_way_where_the_one_wished_for_cannot_be() -> None:
    zero: CensoredMean = censored_mean(*table("<1 0 2 3 4 5 6 7 8 9"))
    assert (zero.method, zero.reason) == ("Kaplan-Meier", ZEROS)
    both = censored_mean(*table("<1 2 3 4 5 6 7 8 9 >9"))
    assert (both.method, both.reason) == ("lognormal maximum likelihood", BOTH_ENDS)
    alike = censored_mean(*table("<1 2 2 2 2 2 2 2 2 2"), way="mle")
    assert alike.method == "Kaplan-Meier" and "all alike" in alike.reason
    nothing = censored_mean(*table("<1 2 2 2 2 2 2 2 2 >3"))
    assert nothing.value is None and "all alike" in nothing.reason


@pytest.mark.parametrize(
    ("results", "says"),
    [
        (([], [], []), "no result"),
        (([1.0], [None], []), "of one length"),
        (([math.nan], [None], [""]), "value is missing"),
        (([None], [None], ["<"]), "limit is missing"),
        (([-1.0], [None], [""]), "no concentration"),
        (([None], [0.0], ["<"]), "no concentration"),
        (([1.0], [None], ["~"]), "qualifier"),
    ],
)
def test_results_that_cannot_be_used(results: Table, says: str) -> None:
    with pytest.raises(UserMistake, match=says):
        censored_mean(*results)


def test_a_fitted_mean_beyond_all_numbers_is_not_given() -> None:
    seen = [10.0**-place for place in (1, 60, 100, 120, 140, 9, 30)]
    found = censored_mean(*written(seen, (), [1.0, 1e100, 1e140]), way="mle")
    assert found.value is None and found.method == "bounds"


def test_estimators_refuse_what_they_cannot_take() -> None:
    for estimator in (ros_mean, kaplan_meier_mean):
        with pytest.raises(UserMistake, match="not both"):
            estimator(*table("<1 2 3 >4"))
    with pytest.raises(UserMistake, match="above zero"):
        ros_mean(*table("<1 0 3"))
    with pytest.raises(UserMistake, match="two or more different"):
        lognormal_mean(*table("<1 3 3"))
