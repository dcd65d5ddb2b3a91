"""Which beds want water, how much, since when; and which intervals were too long; pure.

A bed is watered from its filling on (pre-wetting), every `interval` days after its last watering,
until the calendar asks for no more soil of it or the bed is out of the trial. Several waterings of
one day are one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise

from logbook.errors import UserMistake
from logbook.trial.records import Record, WateringPlan, record
from logbook.trial.schedule import SETTLED, Obligation, status

_ML_PER_UNIT = {"mL": 1, "L": 1000}
_ML_PER_UNIT_AND_M2 = {"L/m2": 1000, "mL/m2": 1}


@record
class NextWatering(Record):
    """When a bed's next watering is due: `days` after its due day `today` is (negative: to go).

    `last` is the last watering, None if the bed has had none since its filling.
    """

    bed: str
    due: date
    days: int
    last: date | None


@record
class LateWatering(Record):
    """A bed that waited too long: watered on `day` after `since`, `days` later than planned."""

    bed: str
    since: date
    day: date
    days: int


def bed_volume_ml(plan: WateringPlan, area_m2: Decimal) -> Decimal:
    """Water for one bed, in mL: `amount` x area for L/m2 and mL/m2, as it stands for mL and L.

    1 L/m2 is a depth of 1 mm. Raises UserMistake for another unit.
    """
    if plan.unit in _ML_PER_UNIT:
        return plan.amount * _ML_PER_UNIT[plan.unit]
    if plan.unit in _ML_PER_UNIT_AND_M2:
        return plan.amount * _ML_PER_UNIT_AND_M2[plan.unit] * area_m2
    known = ", ".join((*_ML_PER_UNIT, *_ML_PER_UNIT_AND_M2))
    raise UserMistake(f"{plan.unit!r} is no unit of watering", f"use one of {known}")


def next_waterings(
    plan: WateringPlan,
    fillings: Mapping[str, date],
    waterings: Mapping[str, Iterable[date]],
    today: date,
    out: Mapping[str, date] | None = None,
) -> list[NextWatering]:
    """The next watering of every bed that was filled or watered by `today`, the longest wait first.

    `fillings` and `waterings` map a bed's id to its days, `out` to the day from which it is out
    of the trial; what happened after `today` is ignored.
    """
    found = []
    gone = {bed for bed, day in (out or {}).items() if day <= today}
    for bed in {*fillings, *waterings} - gone:
        given = [day for day in waterings.get(bed, ()) if day <= today]
        filled = fillings.get(bed)
        started = [*given, *([filled] if filled is not None and filled <= today else [])]
        if started:
            due = max(started) + timedelta(days=plan.interval)
            found.append(NextWatering(bed, due, (today - due).days, max(given, default=None)))
    return sorted(found, key=lambda one: (one.due, one.bed))


def waterings_due(
    plan: WateringPlan,
    fillings: Mapping[str, date],
    waterings: Mapping[str, Iterable[date]],
    obligations: Iterable[Obligation],
    today: date,
    out: Mapping[str, date] | None = None,
) -> list[NextWatering]:
    """The beds to water on `today`; none whose every planned pull is done or missed."""
    owed = list(obligations)
    wanted = still_asked(owed, today)
    waits = next_waterings(plan, fillings, waterings, today, out)
    return [one for one in waits if one.due <= today and (one.bed in wanted or not owed)]


def still_asked(obligations: Iterable[Obligation], today: date) -> set[str]:
    """The beds of which the calendar asks for more soil: not every pull is done or missed."""
    return {one.bed for one in obligations if status(one, today).state not in SETTLED}


def late_waterings(
    plan: WateringPlan,
    fillings: Mapping[str, date],
    waterings: Mapping[str, Iterable[date]],
    until: date | None = None,
) -> list[LateWatering]:
    """The intervals that were longer than planned, in order of day and bed.

    Only intervals that a watering ended; days after `until` (the trial's last day) do not count.
    A bed's first interval begins with its filling, where that is known.
    """
    found = []
    for bed, days in waterings.items():
        filled = fillings.get(bed)
        steps = sorted({day for day in days if filled is None or day >= filled})
        if filled is not None:
            steps = sorted({filled, *steps})
        for since, day in pairwise(steps):
            ended = day if until is None else min(day, until)
            late = (ended - since).days - plan.interval
            if late > 0:
                found.append(LateWatering(bed, since, day, late))
    return sorted(found, key=lambda one: (one.day, one.bed, one.since))
