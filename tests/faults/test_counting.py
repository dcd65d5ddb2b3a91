"""The counting of faults itself: an early end is no success, and every figure is of a run."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.faults.counting import Counting
from tests.faults.figures import page


def test_a_tenth_is_never_nothing() -> None:
    assert [Counting("tenth").of(full) for full in (1, 9, 10, 1_000)] == [1, 1, 1, 100]
    assert Counting("full").of(1_000) == 1_000


def test_fewer_passed_than_asked_is_a_failure_and_is_written_down(tmp_path: Path) -> None:
    counting = Counting("tenth", tmp_path / "figures.jsonl")
    with pytest.raises(AssertionError), counting.fault("1", "kill", "by hand", 20) as count:
        count.passed += 1
        count.saw["acts"] += 5
    with counting.fault("1", "kill", "by hand", 20) as count:
        count.passed += 2
    written = (tmp_path / "figures.jsonl").read_text(encoding="utf-8").splitlines()
    found = [(one["asked"], one["passed"], one["saw"]) for one in map(json.loads, written)]
    assert found == [(2, 1, {"acts": 5}), (2, 2, {})]


def test_the_same_fault_makes_the_same_choices() -> None:
    drawn = []
    for _ in range(2):
        with Counting("tenth").fault("1", "kill", "by hand", 1) as count:
            count.passed += 1
            drawn.append(count.rng.random())
    assert drawn[0] == drawn[1]


def test_the_page_adds_up_what_a_run_wrote() -> None:
    records = [
        {
            "number": number, "fault": "kill", "how": "by hand", "asked": 2, "passed": passed,
            "saw": {"acts": 1_000}, "faults": "tenth",
        }
        for number, passed in (("10", 2), ("2", 2), ("2", 1))
    ]  # fmt: skip
    told = page(records, "2026-11-29", "")
    assert "Run of 2026-11-29, a tenth of the counts.\n" in told
    assert told.index("| 2 | kill | by hand | 4 | 3 | 2,000 acts |") < told.index("| 10 | kill ")
