"""A seeded share of the contest with scipy; the whole of it is run by hand in benchmarks."""

from __future__ import annotations

import pytest

from tests.benchmarks import best_of_twenty


@pytest.mark.parametrize("name", best_of_twenty.CONTESTS)
@pytest.mark.long
def test_no_series_is_missed(name: str) -> None:
    tally, wrong = best_of_twenty.contest(name, 50, seed=11)
    assert wrong == []
    assert tally.total() == 50
    assert tally["as good"] >= 15
