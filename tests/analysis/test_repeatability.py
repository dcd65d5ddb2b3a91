"""Pairs, s_r, r and runs, against ISO 5725-6 and worked examples."""

from __future__ import annotations

import math
from statistics import stdev

import numpy as np
import pytest
from scipy.stats import studentized_range

from logbook.analysis import repeatability as rep
from logbook.analysis.repeatability import Group


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
    both = rep.compare(0.0, 0.0, limit=None, most_rpd=20)
    assert (both.rpd, both.within) == (None, None)
    assert "both are 0" in both.words
    censored = rep.compare(None, 3.0, limit=1.0, most_rpd=20)
    assert (censored.rpd, censored.difference, censored.within) == (None, None, None)


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
    assert rep.compare(a, b, limit=limit, most_rpd=20).within is within


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
    assert rep.judge_runs([12.0, 13.0], 0.5).how == "mean"  # 1.0 <= 1.4
    apart = rep.judge_runs([12.0, 14.0], 0.5)
    assert (apart.how, apart.value, apart.critical) == ("apart", None, pytest.approx(1.4))
    third = rep.judge_runs([12.0, 13.5, 13.4], 0.5)  # range 1.5 <= 3.3 x 0.5
    assert (third.how, third.value) == ("mean", pytest.approx(38.9 / 3))
    median = rep.judge_runs([12.0, 14.0, 13.9], 0.5)  # range 2.0 > 1.65
    assert (median.how, median.value) == ("median", 13.9)
