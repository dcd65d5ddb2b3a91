"""Many series at once: the fits of each by itself, in parts of any size, refused in a sentence."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis import fitting, intervals, parts, separable, tworate
from logbook.analysis.fits import Batch
from logbook.errors import UserMistake

DAYS = np.array([0.0, 2, 5, 9, 14, 20, 28, 37, 48, 60, 75, 90])


def release(series: int) -> separable.Floats:
    """Draw-down and recovery with scatter, (series, 12)."""
    rng = np.random.default_rng(6)
    fast, slow = rng.uniform(0.2, 0.8, (series, 1)), rng.uniform(0.01, 0.05, (series, 1))
    curve = 40 * (1 - np.exp(-slow * DAYS)) - 20 * (1 - np.exp(-fast * DAYS))
    return np.asarray(curve + rng.normal(size=curve.shape))


def same(one: Batch, other: Batch) -> None:
    """Both hold the same fits."""
    assert one.rss == pytest.approx(other.rss, rel=1e-9)
    assert list(one.limit) == list(other.limit)
    assert one.values == pytest.approx(other.values, rel=1e-5, abs=1e-6, nan_ok=True)


@pytest.mark.parametrize("free_start", [False, True])
def test_every_shape_of_many_series_is_that_of_each(free_start: bool) -> None:
    values = release(12)
    together = fitting.fit_many(DAYS, values, free_start=free_start)
    assert list(together) == [
        "zero order", "first order", "first order with a lag", "Gompertz", "two phases",
    ]  # fmt: skip
    for row, value in enumerate(values):
        for shape, alone in fitting.fit_many(DAYS, value, free_start=free_start).items():
            assert alone.rss[0] == pytest.approx(together[shape].rss[row], rel=1e-9)
            assert alone.limit[0] == together[shape].limit[row]


def test_the_size_of_a_part_and_of_a_block_changes_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    values, weights = release(50), np.random.default_rng(7).uniform(0.5, 2, (50, 12))
    whole = fitting.fit_many(DAYS, values, free_start=True, weights=weights)
    monkeypatch.setattr(parts, "PART", 100)
    monkeypatch.setattr(separable, "BLOCK", 60)
    monkeypatch.setattr(separable, "ROUND", 3)
    for shape, batch in fitting.fit_many(DAYS, values, free_start=True, weights=weights).items():
        same(batch, whole[shape])


@pytest.mark.parametrize("free_start", [False, True])
@pytest.mark.parametrize("kind", [tworate.TwoPhases, tworate.Gompertz])
def test_the_written_out_step_is_that_of_any_family(
    kind: type[tworate.TwoPhases] | type[tworate.Gompertz], free_start: bool
) -> None:
    family = kind(DAYS, free_start)
    rng = np.random.default_rng(3)
    problem = tworate._problem(family, release(20), rng.uniform(0.5, 2, (20, 12)))
    at = family.low[:, None] + np.array([[0.7], [0.4]]) * (family.high - family.low)[:, None]
    rates = family.inside(at + rng.uniform(-0.5, 0.5, (2, 20)))
    quick, plain = problem.point(rates), separable.point_at(problem, rates)
    assert quick.half == pytest.approx(plain.half, rel=1e-10)
    assert quick.gradient == pytest.approx(plain.gradient, rel=1e-7, abs=1e-7)
    assert quick.exact == pytest.approx(plain.exact, rel=1e-6, abs=1e-6)
    assert quick.kaufman == pytest.approx(plain.kaufman, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("days", "values", "message"),
    [
        ([1, 2], [[1, 2]], "too few pulls: first order with a lag needs at least 3 different days,"
         " has 2"),
        ([5, 5, 5], [[1, 2, 3]], "too few pulls: first order needs at least 2 different days,"
         " has 1"),
        ([-3, 0, 7], [[1, 2, 3]], "day -3 is before application: a curve starts at day 0"),
        ([0, 7, 14], [[1, 2, 3], [1, float("nan"), 3]], "value 2, 2 is nan, not a number"),
        ([0, 7, 14], [[1, 2, float("inf")]], "value 1, 3 is inf, not a number"),
        ([0, 7], [[1, 2, 3]], "2 days do not match values of shape (1, 3)"),
    ],
)  # fmt: skip
def test_wrong_input_of_many(days: list[float], values: list[list[float]], message: str) -> None:
    with pytest.raises(UserMistake) as caught:
        fitting.fit_many(days, values, free_start=False)
    assert caught.value.message == message


def test_an_unknown_shape_is_refused_and_equal_values_are_named() -> None:
    with pytest.raises(UserMistake) as caught:
        fitting.fit_many(DAYS, release(1), free_start=True, shapes=["cubic"])
    assert caught.value.message == (
        'no shape "cubic"; there are zero order, first order, first order with a lag, Gompertz, '
        "two phases"
    )
    for batch in fitting.fit_many(DAYS, np.full((1, 12), 4.0), free_start=True).values():
        assert batch.limit[0] == fitting.Limit.FLAT
        assert fitting.fit_of(batch, 0).verdict == "all values equal: no change to fit"


# R data set Theoph (hours; mg/l), subjects 1 to 6, and the areas below them by the trapezoid rule
# that test suites of several statistical packages agree on.
# fmt: off
THEOPH = {
    1: ([0.0, 0.25, 0.57, 1.12, 2.02, 3.82, 5.1, 7.03, 9.05, 12.12, 24.37],
        [0.74, 2.84, 6.57, 10.5, 9.66, 8.58, 8.36, 7.47, 6.89, 5.94, 3.28]),
    2: ([0.0, 0.27, 0.52, 1.0, 1.92, 3.5, 5.02, 7.03, 9.0, 12.0, 24.3],
        [0.0, 1.72, 7.91, 8.31, 8.33, 6.85, 6.08, 5.4, 4.55, 3.01, 0.9]),
    3: ([0.0, 0.27, 0.58, 1.02, 2.02, 3.62, 5.08, 7.07, 9.0, 12.15, 24.17],
        [0.0, 4.4, 6.9, 8.2, 7.8, 7.5, 6.2, 5.3, 4.9, 3.7, 1.05]),
    4: ([0.0, 0.35, 0.6, 1.07, 2.13, 3.5, 5.02, 7.02, 9.02, 11.98, 24.65],
        [0.0, 1.89, 4.6, 8.6, 8.38, 7.54, 6.88, 5.78, 5.33, 4.19, 1.15]),
    5: ([0.0, 0.3, 0.52, 1.0, 2.02, 3.5, 5.02, 7.02, 9.1, 12.0, 24.35],
        [0.0, 2.02, 5.63, 11.4, 9.33, 8.74, 7.56, 7.09, 5.9, 4.37, 1.57]),
    6: ([0.0, 0.27, 0.58, 1.15, 2.03, 3.57, 5.0, 7.0, 9.22, 12.1, 23.85],
        [0.0, 1.29, 3.08, 6.44, 6.32, 5.53, 4.94, 4.02, 3.46, 2.78, 0.92]),
}
AREAS = {1: 148.92305, 2: 91.52680, 3: 99.28650, 4: 106.79630, 5: 121.29440, 6: 73.77555}
# fmt: on


@pytest.mark.parametrize("subject", AREAS)
def test_areas_of_theoph(subject: int) -> None:
    hours, values = (np.array(column) for column in THEOPH[subject])
    area = float(intervals.area_weights(hours) @ values)
    assert area == pytest.approx(AREAS[subject], abs=5e-6)
