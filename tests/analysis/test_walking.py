"""The walk from an estimate to the ends of its interval, and the critical values it needs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from logbook.analysis.scores import critical_between
from logbook.analysis.walking import first_root

Floats = NDArray[np.float64]


@pytest.mark.parametrize("freedoms", [(1.0, 1.0), (2.0, 2.0), (3.0, 7.0), (2.0, 30.0)])
def test_quick_critical_values_are_those_of_the_tables(freedoms: tuple[float, ...]) -> None:
    df = np.linspace(min(freedoms), sum(freedoms), 500)
    found = critical_between(df, freedoms)
    assert found == pytest.approx(stats.t.ppf(0.975, df), rel=1e-11)
    # t(.975, 2) = 4.3027, t(.975, 10) = 2.2281 (tables).
    known = {(1.0, 1.0): 4.3027, (3.0, 7.0): 2.2281}
    if freedoms in known:
        assert found[-1] == pytest.approx(known[freedoms], abs=5e-5)


def test_the_first_root_counts_and_not_a_later_one() -> None:
    start = np.array([0.05, 0.05, 0.05])

    def waves(place: Floats, rows: NDArray[np.intp]) -> Floats:
        return np.asarray(-np.sin(np.array([1.0, 2.0, 3.0])[rows] * place))

    found = first_root(waves, start, np.full(3, 20.0))
    assert found == pytest.approx(math.pi / np.array([1.0, 2.0, 3.0]), abs=1e-11)


def test_a_place_that_just_fits_is_inside() -> None:
    def touching(place: Floats, rows: NDArray[np.intp]) -> Floats:
        return np.asarray(np.minimum(0.0, place - 1.0))

    assert np.isnan(first_root(touching, np.zeros(1), np.full(1, 3.0))).all()
    assert np.isnan(first_root(lambda place, rows: 0.0 * place, np.zeros(1), np.ones(1))).all()


def test_a_jump_is_an_end_too() -> None:
    found = first_root(lambda place, rows: np.sign(place - 0.7), np.zeros(2), np.full(2, 3.0))
    assert found == pytest.approx([0.7, 0.7], abs=1e-11)
