"""What is said of results that stand under other reports already."""

from __future__ import annotations

import pytest

from logbook.study.doubles import Doubled, Standing


@pytest.mark.parametrize(
    ("count", "named"),
    [
        (1, "report 26-0 of Fen lab"),
        (3, "reports 26-0, 26-1, 26-2 of Fen lab"),
        (200, "reports 26-0, 26-1, 26-10 and 197 more of Fen lab"),
    ],
)
def test_many_reports_are_not_all_named(count: int, named: str) -> None:
    standing = tuple(Standing(f"r{n}", f"26-{n}", 1, (None, None, "")) for n in range(count))
    assert Doubled("Fen lab", 0, count, standing).named == named
