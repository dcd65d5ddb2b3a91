"""Dunnett's test against published tables and worked examples, and against scipy's as a peer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from logbook.analysis.dunnett import adjusted_p, critical, loadings, one_factor
from logbook.analysis.tails import t_quantile
from logbook.errors import UserMistake

# Two-sided 5 % points for equal numbers of beds, k = 1 to 5 treatments (Dunnett 1964, Biometrics
# 20:482-491, has two decimals of them; the third as R's mvtnorm integrates it). Dunnett's first
# two-sided table (1955) was approximate: 2.81 at k = 3, 10 df, where the exact value is 2.759;
# 2.57 at k = 3, 20 df (2.540).
EXACT = {
    4: (2.776, 3.310, 3.618, 3.831, 3.994),
    6: (2.447, 2.863, 3.099, 3.263, 3.388),
    8: (2.306, 2.673, 2.880, 3.023, 3.131),
    10: (2.228, 2.569, 2.759, 2.890, 2.990),
    12: (2.179, 2.503, 2.683, 2.807, 2.901),
    20: (2.086, 2.379, 2.540, 2.651, 2.735),
    30: (2.042, 2.321, 2.474, 2.578, 2.657),
}


@pytest.mark.parametrize(
    ("df", "k", "value"),
    [(df, k, value) for df, row in EXACT.items() for k, value in enumerate(row, 1)],
)
def test_critical_values(df: int, k: int, value: float) -> None:
    assert critical(loadings([4] * k, 4), df) == pytest.approx(value, abs=7e-4)


def test_the_chance_at_the_critical_value_is_five_per_cent() -> None:
    shares = loadings([3, 4, 4, 8], 8)
    for df in (1, 2, 5, 17, 200):
        assert adjusted_p(critical(shares, df), shares, df) == pytest.approx(0.05, abs=1e-10)


def test_blood_counts() -> None:
    # Dunnett 1955, table 1 (six animals without, four and five with a drug); p to four decimals as
    # R's multcomp gives them.
    shares = loadings([4, 5], 6)
    assert adjusted_p(0.85703, shares, 12) == pytest.approx(0.6201, abs=1e-4)
    assert adjusted_p(3.69375, shares, 12) == pytest.approx(0.0058, abs=5e-5)


def test_thomson_and_short() -> None:
    # Thomson & Short 1969, J. Appl. Physiol. 26:535-539: mucociliary efficiency, 5, 4 and 5 people.
    shares = loadings([4, 5], 5)
    assert adjusted_p(0.90874545, shares, 11) == pytest.approx(0.58325, abs=1e-4)
    assert adjusted_p(-0.05007117, shares, 11) == pytest.approx(0.99819, abs=1e-4)


def test_three_groups_of_three() -> None:
    # A public worked example (three groups of three, a control of three), its p by a randomised
    # integral that is off by up to 3e-4: the joint t of three to seven digits gives .036622.
    shares = loadings([3, 3, 3], 3)
    found = [adjusted_p(t, shares, 8) for t in (3.09073, 0.56195, -1.40488)]
    assert found == pytest.approx([0.0364, 0.8966, 0.4091], abs=3e-4)
    assert found[0] == pytest.approx(0.036622, abs=2e-6)


def test_the_same_as_scipy_within_its_random_error() -> None:
    rng = np.random.default_rng(3)
    control, *treated = (rng.normal(10, 1, n) for n in (8, 3, 4, 5))
    peer = stats.dunnett(*treated, control=control, rng=np.random.default_rng(1))
    df = 8 + 3 + 4 + 5 - 4
    shares = loadings([3, 4, 5], 8)
    found = [adjusted_p(float(t), shares, df) for t in peer.statistic]
    assert found == pytest.approx(peer.pvalue.tolist(), abs=5e-4)


def test_the_same_input_gives_the_same_digits() -> None:
    shares = loadings([3, 4, 4], 7)
    assert len({adjusted_p(2.3, shares, 14) for _ in range(20)}) == 1


def test_one_treatment_is_the_t_test() -> None:
    assert critical(loadings([5], 3), 6) == pytest.approx(t_quantile(0.975, 6), rel=1e-12)
    assert adjusted_p(2.447, (0.7,), 6) == pytest.approx(2 * stats.t.sf(2.447, 6), rel=1e-9)


def test_a_chance_never_leaves_its_exact_bounds() -> None:
    shares = loadings([4, 4, 4], 8)
    for t in (0.0, 1e-9, 3.0, 20.0, 60.0, 1e6):
        alone = 2 * stats.t.sf(t, 16)
        assert alone * (1 - 1e-12) <= adjusted_p(t, shares, 16) <= min(1.0, 3 * alone) + 1e-12


class TestOneFactor:
    def test_exact_where_correlations_are_products(self) -> None:
        shares = np.array(loadings([2, 3, 4, 6], 5))
        covariance = np.outer(shares, shares)
        np.fill_diagonal(covariance, 1.0)
        assert one_factor(3.0 * covariance) == pytest.approx(shares.tolist(), abs=1e-9)

    def test_two_treatments_are_always_exact(self) -> None:
        found = one_factor([[2.0, 0.9], [0.9, 1.0]])
        assert found[0] * found[1] == pytest.approx(0.9 / math.sqrt(2.0))

    def test_missing_beds_against_a_multivariate_t(self) -> None:
        # Correlations of differences in blocks with gaps: not products, and nearly so.
        correlation = np.array(
            [[1, 0.52, 0.47, 0.5], [0.52, 1, 0.5, 0.44], [0.47, 0.5, 1, 0.55], [0.5, 0.44, 0.55, 1]]
        )
        shares = one_factor(correlation)
        joint = stats.multivariate_t(shape=correlation, df=9, seed=5)
        limit = np.full(4, 2.6)
        exact = 1 - joint.cdf(limit, lower_limit=-limit, maxpts=200_000)
        assert adjusted_p(2.6, shares, 9) == pytest.approx(float(exact), abs=4e-4)


@pytest.mark.parametrize(
    ("statistic", "shares", "df", "said"),
    [
        (2.0, (), 5.0, "no treatment to compare"),
        (2.0, (0.5, 0.5), 0.0, "0 degrees of freedom: no test"),
        (2.0, (0.5, 0.5), math.nan, "no test"),
        (math.nan, (0.5, 0.5), 5.0, "not a number"),
    ],
)
def test_wrong_use(statistic: float, shares: tuple[float, ...], df: float, said: str) -> None:
    with pytest.raises(UserMistake, match=said):
        adjusted_p(statistic, shares, df)


def test_a_bed_is_needed_on_each_side() -> None:
    with pytest.raises(UserMistake, match="need a bed"):
        loadings([3, 0], 4)
