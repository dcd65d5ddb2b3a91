"""What every record is, whatever it says."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields, replace
from datetime import date
from typing import Any

import pytest

from logbook.trial.records import Report, Result
from logbook.trial.times import When

DAY = When(date(2026, 3, 2))
CELLS: tuple[Any, ...] = ("Lab", "26-1", "r.csv", "ab", DAY, 3)


def test_a_record_is_made_by_place_by_name_or_by_both() -> None:
    names = [one.name for one in fields(Report)]
    one = Report(*CELLS)
    assert one == Report(**dict(zip(names, CELLS, strict=True)))
    assert one == Report(*CELLS[:2], **dict(zip(names[2:], CELLS[2:], strict=True)))
    assert (one.lab, one.rows) == ("Lab", 3)


def test_what_is_left_out_is_its_default() -> None:
    cells = ("L", "R", "K7M3QX4R", "P", "Olsen", "dry", 1, 1, None, None, "", "mg/kg", "", "", "")
    assert Result(*cells).flags == ""
    assert Result(*cells, laboratory_number="7") == replace(Result(*cells), laboratory_number="7")


@pytest.mark.parametrize(
    ("cells", "named"),
    [(CELLS[:5], {}), ((*CELLS, 1), {}), (CELLS, {"rows": 4}), (CELLS[:5], {"row": 3})],
    ids=["one is missing", "one too many", "one twice", "one of another name"],
)
def test_what_does_not_fit_is_refused(cells: tuple[Any, ...], named: dict[str, Any]) -> None:
    with pytest.raises(TypeError):
        Report(*cells, **named)


def test_a_record_is_frozen_and_equal_by_its_fields() -> None:
    one = Report(*CELLS)
    with pytest.raises(FrozenInstanceError):
        one.rows = 4  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        del one.rows  # type: ignore[misc]
    assert len({one, Report(*CELLS), replace(one, rows=4)}) == 2
    assert repr(one).startswith("Report(lab='Lab', number='26-1', file='r.csv'")
