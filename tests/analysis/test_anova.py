"""Analysis of variance against certified and published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from logbook.analysis.anova import Source, effects, sequential
from logbook.errors import UserMistake

# NIST Statistical Reference Datasets, analysis of variance: SiRstv (resistance of wafers).
SIRSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
# NIST AtmWtAg (Powell, Murphy & Gramlich 1982, J. Res. NBS 87:9-19): less 107.868, times 1e7.
ATMWTAG = (
    (
        *(1568, 1465, 1572, 1785, 1446, 1903, 1526, 1494, 1616, 1587, 1519, 1486),
        *(1419, 1569, 1508, 1672, 1385, 1518, 1662, 1424, 1360, 1333, 1610, 1477),
    ),
    (
        *(1079, 1344, 1513, 1197, 1604, 1385, 1642, 1365, 1151, 1082, 1517, 1448),
        *(1198, 1482, 1334, 1609, 1101, 1512, 1469, 1360, 1254, 1261, 1450, 1368),
    ),
)
# Goulden 1952, Methods of Statistical Analysis, p. 216: a Latin square, rows by columns.
GOULDEN = (
    "A9.3 E6.3 D11.8 C15.9 B7.6",
    "E5.3 B7.6 C13.2 D8.6 A4.9",
    "D7.6 C15.4 A6.5 B6.0 E4.6",
    "C9.3 A4.0 B6.2 E5.1 D5.4",
    "B4.9 D6.4 E3.3 A9.5 C11.8",
)
# Mangold roots on one uniform field, cut as a Latin square (Fisher 1925, Statistical Methods for
# Research Workers, section 49; data of Mercer & Hall 1911): no treatment was given.
FISHER = (
    "D376 E371 C355 B356 A335",
    "B316 D338 E336 A356 C332",
    "C326 A326 B335 D343 E330",
    "E317 B343 A330 C327 D336",
    "A321 C332 D317 E318 B306",
)
# npk of R's datasets (Venables & Ripley 2002): six blocks of four; N, P, K given or not.
NPK = (
    "1 011 49.5, 1 110 62.8, 1 000 46.8, 1 101 57.0, 2 100 59.8, 2 111 58.5, "
    "2 001 55.5, 2 010 56.0, 3 010 62.8, 3 111 55.8, 3 100 69.5, 3 001 55.0, "
    "4 100 62.0, 4 111 48.8, 4 001 45.5, 4 010 44.2, 5 110 52.0, 5 000 51.5, "
    "5 101 49.8, 5 011 48.8, 6 101 57.2, 6 110 59.0, 6 011 53.2, 6 000 56.0"
)


def one_way(groups: tuple[tuple[float, ...], ...]) -> list[Source]:
    labels = [place for place, group in enumerate(groups) for _ in group]
    return sequential([value for group in groups for value in group], [("between", labels)])


def square(rows: tuple[str, ...]) -> dict[str, Source]:
    cells = [(r, c, cell) for r, row in enumerate(rows) for c, cell in enumerate(row.split())]
    found = sequential(
        [float(cell[1:]) for _, _, cell in cells],
        [
            ("row", [r for r, _, _ in cells]),
            ("column", [c for _, c, _ in cells]),
            ("treatment", [cell[0] for _, _, cell in cells]),
        ],
    )
    return {one.name: one for one in found}


def simon_lesage(shift: float) -> tuple[tuple[float, ...], ...]:
    """Nine groups of 21 (Simon & Lesage 1989): a level, then ten times 0.1 below and above it.

    The levels give the certified sums of squares, 1.68 between and 1.80 within.
    """
    levels = (14, 13, 15, 13, 15, 13, 15, 13, 15)
    return tuple(
        tuple(shift + (level + step) / 10.0 for step in (0, *(-1, 1) * 10)) for level in levels
    )


def test_certified_f_of_sirstv() -> None:
    between, error = one_way(SIRSTV)
    assert (between.df, error.df) == (4, 20)
    assert between.f == pytest.approx(1.18046237440255, rel=1e-11)
    assert between.ss == pytest.approx(5.11462616000000e-02, rel=1e-11)
    assert error.ms == pytest.approx(1.08318280000000e-02, rel=1e-11)
    assert between.p == pytest.approx(0.34945, abs=1e-5)


def test_certified_f_of_atmwtag() -> None:
    # The values share seven leading digits: as floats they carry about nine of the rest.
    between, error = one_way(tuple(tuple(107.868 + 1e-7 * v for v in one) for one in ATMWTAG))
    assert between.f == pytest.approx(15.9467335677930, rel=1e-8)
    assert math.sqrt(error.ms or 0.0) == pytest.approx(1.51048314446410e-05, rel=1e-8)


@pytest.mark.parametrize(("shift", "digits"), [(0.0, 1e-12), (1e6, 1e-8)])
def test_certified_f_of_simon_and_lesage(shift: float, digits: float) -> None:
    # SmLs01 and SmLs04 of NIST: the same spread with one and with seven leading digits.
    between, error = one_way(simon_lesage(shift))
    assert (between.df, error.df) == (8, 180)
    assert between.f == pytest.approx(21.0, rel=digits)
    assert (between.ss, error.ss) == pytest.approx((1.68, 1.80), rel=1e-8)


def test_goulden_latin_square() -> None:
    found = square(GOULDEN)
    ss = [found[name].ss for name in ("treatment", "row", "column", "error")]
    assert ss == pytest.approx([196.608, 46.668, 14.020, 28.044], abs=6e-4)
    assert [found[name].df for name in found] == [4, 4, 4, 12]
    assert found["treatment"].f == pytest.approx(21.0321, abs=1e-4)
    assert found["row"].f == pytest.approx(4.9923, abs=1e-4)
    assert found["column"].f == pytest.approx(1.4998, abs=1e-4)


def test_a_uniform_field_has_no_treatments() -> None:
    found = square(FISHER)
    ss = [found[name].ss for name in ("treatment", "row", "column", "error")]
    assert ss == pytest.approx([330.24, 4240.24, 701.84, 1754.32], abs=1e-6)
    assert found["treatment"].p == pytest.approx(0.693, abs=5e-4)
    assert found["row"].f == pytest.approx(7.25, abs=5e-3)


def test_a_factorial_in_blocks_with_one_term_confounded() -> None:
    rows = [one.split() for one in NPK.split(", ")]
    n, p, k = ([int(row[1][place]) for row in rows] for place in range(3))
    found = sequential(
        [float(row[2]) for row in rows],
        [
            ("block", [row[0] for row in rows]),
            *(("N", n), ("P", p), ("K", k)),
            *(("N:P", list(zip(n, p, strict=True))), ("N:K", list(zip(n, k, strict=True)))),
            *(("P:K", list(zip(p, k, strict=True))), ("N:P:K", list(zip(n, p, k, strict=True)))),
        ],
    )
    ss = [one.ss for one in found]
    wanted = [343.295, 189.282, 8.402, 95.202, 21.282, 33.135, 0.482, 0.0, 185.287]
    assert ss == pytest.approx(wanted, abs=6e-4)
    assert [one.df for one in found] == [5, 1, 1, 1, 1, 1, 1, 0, 12]
    assert found[1].f == pytest.approx(12.2587, abs=1e-4)
    assert found[1].p == pytest.approx(0.00437, abs=1e-5)
    assert found[3].p == pytest.approx(0.0288, abs=1e-4)
    assert found[7].f is None  # N:P:K is confounded with blocks


def test_the_same_as_scipy_on_unequal_groups() -> None:
    rng = np.random.default_rng(7)
    groups = tuple(tuple(rng.normal(10, 1, n)) for n in (3, 5, 9))
    between, _ = one_way(groups)
    assert between.f == pytest.approx(float(stats.f_oneway(*groups).statistic), rel=1e-10)


def test_differences_of_complete_blocks_are_those_of_means() -> None:
    values = [10, 13, 11, 14, 20, 25, 22, 23]
    found = effects(values, ["C", "T"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "C")
    assert found is not None
    assert found.differences == pytest.approx([np.mean(values[1::2]) - np.mean(values[::2])])
    # The paired t: the error mean square is half the variance of the differences, on b - 1 df.
    gaps = np.diff(np.reshape(values, (4, 2)))[:, 0]
    assert (found.df, found.ms) == (3, pytest.approx(gaps.var(ddof=1) / 2))
    assert found.unscaled[0, 0] == pytest.approx(2 / 4)


def test_missing_beds_are_the_same_as_an_ordinary_least_squares_library() -> None:
    import pandas as pd
    from statsmodels.formula.api import ols

    rng = np.random.default_rng(11)
    rows = [(b, t) for b in "1234" for t in ("C", "C", "A", "B") if (b, t) != ("2", "A")]
    values = rng.normal(5, 1, len(rows))
    frame = pd.DataFrame(rows, columns=["b", "t"]).assign(y=values)
    peer = ols("y ~ C(b) + C(t, Treatment('C'))", frame).fit()
    found = effects(values.tolist(), [t for _, t in rows], [b for b, _ in rows], "C")
    assert found is not None and found.ms is not None
    assert found.treatments == ("A", "B")
    assert found.differences == pytest.approx(peer.params.to_numpy()[-2:])
    covariance = peer.cov_params().to_numpy()[-2:, -2:]
    assert found.unscaled * found.ms == pytest.approx(covariance)
    assert (found.ms, found.df) == (pytest.approx(peer.mse_resid), peer.df_resid)


def test_a_treatment_that_shares_no_block_with_the_control_has_no_difference() -> None:
    assert effects([1, 2, 3, 4], ["C", "T", "U", "U"], [1, 1, 2, 2], "C") is None


@pytest.mark.parametrize(
    ("values", "labels", "said"),
    [
        ([], [], "needs a row of values"),
        ([1.0, math.nan], ["a", "b"], "not a finite number"),
        ([1.0, math.inf], ["a", "b"], "not a finite number"),
        ([1.0, 2.0], ["a"], "1 labels for 2 values"),
    ],
)
def test_wrong_use(values: list[float], labels: list[str], said: str) -> None:
    with pytest.raises(UserMistake, match=said):
        sequential(values, [("between", labels)])


def test_no_control_is_said() -> None:
    with pytest.raises(UserMistake, match="no value of the control"):
        effects([1.0, 2.0], ["A", "B"], None, "C")
