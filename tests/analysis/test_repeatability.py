"""Pairs, s_r, r and runs, against ISO 5725-6 and worked examples."""

from __future__ import annotations

import math
from statistics import stdev

import numpy as np
import pytest
from scipy.stats import studentized_range

from logbook.analysis import repeatability as rep
from logbook.analysis.repeatability import Group

BELOW_1 = (0.0, 1.0)


def numbers(*values: float) -> list[rep.Bounds]:
    return [(one, one) for one in values]


def test_the_worked_pair() -> None:
    # 12.4 and 14.1: RPD 12.83 % (an environmental laboratory's worked example); SD |a - b| / sqrt 2
    assert rep.rpd(12.4, 14.1) == pytest.approx(12.83, abs=0.005)
    assert rep.pair_sd(12.4, 14.1) == pytest.approx(1.2021, abs=5e-5)
    assert rep.pair_sd(12.4, 14.1) == pytest.approx(stdev([12.4, 14.1]))


def test_r_is_2_8_times_the_repeatability_standard_deviation() -> None:
    # ISO 5725-6: r = 2.8 s_r; s_r = 0.05 pH gives 0.14
    assert rep.limit_r(0.05) == pytest.approx(0.14)
    assert math.sqrt(2) * 1.959964 == pytest.approx(rep.FACTORS[2], abs=0.03)


@pytest.mark.parametrize("count", sorted(rep.FACTORS))
def test_critical_range_factors_are_quantiles_of_the_studentized_range(count: int) -> None:
    # Of known standard deviation: infinite degrees of freedom. ISO 5725-6 rounds to one decimal.
    exact = float(studentized_range.ppf(0.95, count, np.inf))
    assert rep.FACTORS[count] == pytest.approx(exact, abs=0.051)


def test_undefined_and_meaningless_pairs_are_said() -> None:
    assert rep.rpd(0, 0) is None
    both = rep.compare(numbers(0.0, 0.0), limit=None, most_rpd=20)
    assert (both.rpd, both.within) == (None, None)
    assert "both are 0" in both.words
    censored = rep.compare([BELOW_1, (3.0, 3.0)], limit=1.0, most_rpd=20)
    assert (censored.rpd, censored.difference, censored.within) == (None, None, None)


@pytest.mark.parametrize(
    ("pair", "limit", "within", "words"),
    [
        # 60 less 0.5 are 59.5, more than twice the limit
        ([(0.0, 0.5), (60.0, 60.0)], 0.5, False,
         "at least 59.5 mg/kg apart, more than twice the limit of 0.5 mg/kg"),
        # of a diluted extract: its own limit counts; 12 less 5 are 7, no more than 10
        ([(0.0, 5.0), (12.0, 12.0)], 0.5, None, "a difference means nothing"),
        ([(0.0, 5.0), (16.0, 16.0)], 0.5, False, "at least 11 mg/kg apart, more than twice"),
        ([(0.0, 5.0), (3.0, 3.0)], 0.5, None, "a difference means nothing"),
        # taken at the limit, 100 and 200 differ by two thirds of their mean
        ([(100.0, 100.0), (200.0, math.inf)], 0.5, False, "RPD at least 66.7 %, beyond 20 %"),
        ([(190.0, 190.0), (200.0, math.inf)], 0.5, None, "a difference means nothing"),
        ([(0.0, 0.5), (0.0, 5.0)], 0.5, None, "a difference means nothing"),
    ],
)  # fmt: skip
def test_a_pair_with_one_beyond_a_limit_is_taken_at_the_limit(
    pair: list[rep.Bounds], limit: float, within: bool | None, words: str
) -> None:
    found = rep.compare(pair, limit=limit, most_rpd=20, unit="mg/kg")
    assert (found.rpd, found.difference, found.within) == (None, None, within)
    assert words in found.words


@pytest.mark.parametrize(
    ("a", "b", "limit", "within"),
    [
        (12.4, 14.1, None, True),  # 12.83 %
        (10.0, 12.5, None, False),  # 22.2 %
        (2.0, 3.9, 1.0, True),  # below 5 limits: 1.9 apart, 2 are allowed, although 64 %
        (2.0, 4.1, 1.0, False),
        (5.0, 6.5, 1.0, False),  # at 5 limits the share counts again: 26 %
    ],
)
def test_a_pair_passes_by_its_share_or_near_the_limit_by_its_difference(
    a: float, b: float, limit: float | None, within: bool
) -> None:
    assert rep.compare(numbers(a, b), limit=limit, most_rpd=20).within is within


def test_pooled_by_degrees_of_freedom() -> None:
    groups = [Group((10.0, 12.0)), Group((20.0, 22.0, 24.0)), Group((5.0,))]
    found = rep.pooled(groups)
    assert found is not None
    shares = (2.0 / 11.0**2 * 1 + 4.0 / 22.0**2 * 2) / 3
    assert (found.cv, found.cv_df) == (pytest.approx(math.sqrt(shares)), 3)
    assert (found.sd, found.sd_df, found.df, found.enough) == (None, 0, 3, False)


def test_two_parts_below_and_above_five_limits() -> None:
    found = rep.pooled([Group((1.0, 2.0), 1.0), Group((100.0, 110.0), 1.0)])
    assert found is not None
    assert found.sd == pytest.approx(math.sqrt(0.5))
    assert found.at(0.0) == pytest.approx(math.sqrt(0.5))
    assert found.at(105.0) == pytest.approx(math.hypot(math.sqrt(0.5), math.sqrt(50.0)))


def test_ph_has_one_standard_deviation() -> None:
    found = rep.pooled([Group((6.5, 6.6)), Group((4.1, 4.2))], scale="raw")
    assert found is not None
    assert (found.cv, found.sd) == (None, pytest.approx(0.1 / math.sqrt(2)))


def test_pooling_finds_the_error_that_was_put_in() -> None:
    rng = np.random.default_rng(11)
    levels = rng.uniform(20, 200, 400)
    pairs = levels[:, None] * (1 + 0.06 * rng.standard_normal((400, 2)))
    found = rep.pooled(Group(tuple(map(float, pair))) for pair in pairs)
    assert found is not None
    assert found.cv == pytest.approx(0.06, rel=0.08)


def test_runs_within_r_are_averaged_and_beyond_it_not() -> None:
    assert rep.judge_runs(numbers(12.0, 13.0), 0.5).how == "mean"  # 1.0 <= 1.4
    apart = rep.judge_runs(numbers(12.0, 14.0), 0.5)
    assert (apart.how, apart.value, apart.critical) == ("apart", None, pytest.approx(1.4))
    third = rep.judge_runs(numbers(12.0, 13.5, 13.4), 0.5)  # range 1.5 <= 3.3 x 0.5
    assert (third.how, third.value) == ("mean", pytest.approx((38.9 / 3, 38.9 / 3)))
    median = rep.judge_runs(numbers(12.0, 14.0, 13.9), 0.5)  # range 2.0 > 1.65
    assert (median.how, median.value) == ("median", (13.9, 13.9))


@pytest.mark.parametrize(
    ("runs", "how", "value"),
    [
        # the number less the limit is 17.1, more than r = 1.4
        ([(18.1, 18.1), BELOW_1], "apart", None),
        ([(2.0, 2.0), BELOW_1], "mean", (1.0, 1.5)),
        # two numbers above the limit: the lower one is in the middle
        ([(120.3, 120.3), BELOW_1, (12.4, 12.4)], "median", (12.4, 12.4)),
        # two limits: the middle is below them
        ([(18.1, 18.1), BELOW_1, BELOW_1], "median", BELOW_1),
        # a number that may lie on either side of what is below 5
        ([(0.0, 5.0), (3.0, 3.0), (60.0, 60.0)], "median", (3.0, 5.0)),
        ([(12.0, 12.0), (13.0, 13.0), (200.0, math.inf)], "median", (13.0, 13.0)),
    ],
)
def test_runs_beyond_a_limit(runs: list[rep.Bounds], how: str, value: rep.Bounds | None) -> None:
    found = rep.judge_runs(runs, 0.5)
    assert (found.how, found.value) == (how, value)


def test_intermediate_precision_is_that_of_results_over_reports() -> None:
    # One a report: the SD of the results.
    one_each = rep.intermediate([[150.0], [156.0], [162.0], [161.0]])
    assert one_each is not None
    assert (one_each.sd, one_each.df) == (pytest.approx(stdev([150, 156, 162, 161])), 3)
    assert rep.intermediate([[150.0, 151.0]]) is None
    # lme4's Dyestuff: 6 batches of 5, variance of batches 1764.05, residual 2451.25.
    batches = [
        [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560], [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
    ]  # fmt: skip
    found = rep.intermediate(batches)
    assert found is not None
    assert found.sd == pytest.approx(math.sqrt(1764.05 + 2451.25), rel=1e-6)
    assert (found.df, found.reports, found.results, found.level) == (5, 6, 30, 1527.5)
