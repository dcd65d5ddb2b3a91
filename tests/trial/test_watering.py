"""Watering: who is thirsty today, how much to give, and who waited too long.

Intervals and the end of watering are common practice (no source). 1 L/m2 is 1 mm of water by
definition of the units.
"""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial.owing import obligations
from logbook.trial.ranges import BedRef
from logbook.trial.records import PlannedPull, WateringPlan
from logbook.trial.schedule import Taken, last_day
from logbook.trial.watering import (
    LateWatering,
    NextWatering,
    bed_volume_ml,
    late_waterings,
    next_waterings,
    waterings_due,
)

PLAN = WateringPlan("t", 3, Decimal(250), "mL")
START = date(2026, 3, 2)
BED = BedRef("B1", "B1", "1", "COM", False, 1)


def _day(number: int) -> date:
    return START + timedelta(days=number)


def _days(*numbers: int) -> list[date]:
    return [_day(number) for number in numbers]


@pytest.mark.parametrize(
    ("amount", "unit", "area", "ml"),
    [
        ("250", "mL", "0.36", "250"),
        ("1.5", "L", "0.36", "1500"),
        ("4", "L/m2", "0.36", "1440"),  # 4 mm on 60 cm x 60 cm
        ("0.5", "L/m2", "1.44", "720"),
    ],
)
def test_amount_for_one_bed(amount: str, unit: str, area: str, ml: str) -> None:
    plan = WateringPlan("t", 3, Decimal(amount), unit)
    assert bed_volume_ml(plan, Decimal(area)) == Decimal(ml)


def test_unknown_unit_of_watering() -> None:
    with pytest.raises(UserMistake, match="'mm' is no unit of watering"):
        bed_volume_ml(WateringPlan("t", 3, Decimal(4), "mm"), Decimal(1))


def test_watering_starts_with_the_filling() -> None:
    assert next_waterings(PLAN, {"B1": START}, {}, _day(2)) == [
        NextWatering("B1", _day(3), -1, None)
    ]
    assert waterings_due(PLAN, {"B1": START}, {}, [], _day(2)) == []
    assert waterings_due(PLAN, {"B1": START}, {}, [], _day(3)) == [
        NextWatering("B1", _day(3), 0, None)
    ]
    assert next_waterings(PLAN, {"B1": START}, {}, _day(-1)) == []


def test_last_watering_counts_and_later_ones_do_not_exist_yet() -> None:
    given_on = {"B1": _days(8, 3, 5)}
    assert waterings_due(PLAN, {"B1": START}, given_on, [], _day(7)) == []
    [one] = waterings_due(PLAN, {"B1": START}, given_on, [], _day(13))
    assert one == NextWatering("B1", _day(11), 2, _day(8))


def test_thirstiest_bed_comes_first() -> None:
    filled = {"B1": START, "B2": START, "B3": START}
    found = waterings_due(PLAN, filled, {"B1": _days(4), "B3": _days(2)}, [], _day(9))
    assert [(one.bed, one.days) for one in found] == [("B2", 6), ("B3", 4), ("B1", 2)]


def test_watering_ends_with_the_last_planned_pull() -> None:
    plan = [PlannedPull("t", "day 0", 0, 0), PlannedPull("t", "day 14", 14, 1)]
    filled, applied = {"B1": START}, {"B1": START}
    open_ = obligations([BED], plan, applied, filled, [])
    assert waterings_due(PLAN, filled, {}, open_, _day(16))  # still overdue, may yet be pulled
    assert not waterings_due(PLAN, filled, {}, open_, _day(17))
    pulled = obligations([BED], plan, applied, filled, [Taken("x", "B1", _day(13))])
    assert waterings_due(PLAN, filled, {}, pulled, _day(12))
    assert not waterings_due(PLAN, filled, {}, pulled, _day(13))


def test_a_finished_bed_stays_finished_when_another_joins() -> None:
    plan = [PlannedPull("t", "day 7", 7, 1)]
    late = BedRef("L1", "L1", "1", "COM", False, 2)
    filled = {"B1": START, "L1": _day(100)}
    owed = obligations([BED, late], plan, {"B1": START}, filled, [])
    assert [one.bed for one in waterings_due(PLAN, filled, {}, owed, _day(104))] == ["L1"]


def test_bed_that_waits_for_its_application_is_kept_wet() -> None:
    plan = [PlannedPull("t", "day 0", 0, 0)]
    owed = obligations([BED], plan, {}, {"B1": START}, [])
    assert waterings_due(PLAN, {"B1": START}, {}, owed, _day(100))


def test_intervals_that_were_too_long() -> None:
    given_on = {"B1": _days(3, 8, 8, 10), "B2": _days(4)}
    assert late_waterings(PLAN, {"B1": START, "B2": START}, given_on) == [
        LateWatering("B2", START, _day(4), 1),
        LateWatering("B1", _day(3), _day(8), 2),
    ]


def test_wait_before_the_filling_is_no_wait() -> None:
    assert late_waterings(PLAN, {"B1": START}, {"B1": _days(-20, 3)}) == []


def test_late_waterings_without_a_logged_filling_and_after_the_end() -> None:
    assert late_waterings(PLAN, {}, {"B1": _days(0, 3)}) == []
    plan = [PlannedPull("t", "day 7", 7, 0)]
    end = last_day(obligations([BED], plan, {"B1": START}, {}, []))
    assert end == _day(7)
    given_on = {"B1": _days(3, 60)}
    assert late_waterings(PLAN, {"B1": START}, given_on, until=end) == [
        LateWatering("B1", _day(3), _day(60), 1)
    ]
    assert late_waterings(PLAN, {"B1": START}, {"B1": _days(3, 6, 60)}, until=end) == []


@settings(derandomize=True, max_examples=100, deadline=None)
@given(
    numbers=st.lists(st.integers(1, 60), min_size=1, max_size=12),
    interval=st.integers(1, 10),
)
def test_lateness_adds_up_to_what_the_days_say(numbers: list[int], interval: int) -> None:
    """Nobody late: every gap fits. Otherwise the gaps in excess are exactly those reported."""
    plan = WateringPlan("t", interval, Decimal(1), "L")
    late = late_waterings(plan, {"B1": START}, {"B1": _days(*numbers)})
    wet = {START, *_days(*numbers)}
    dry_days = sum(
        1
        for number in range(max(numbers))
        if not any(_day(number - back) in wet for back in range(interval))
    )
    assert sum(one.days for one in late) == dry_days
