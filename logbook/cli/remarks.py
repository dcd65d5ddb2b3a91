"""Acts out of order: what was done to a bed before it was filled, or filled after application."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial.ranges import BedRef, compact
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    import sqlite3

_AFTER_FILLING = ("apply", "water", "pull")


def out_of_order(
    store: sqlite3.Connection, trial: str, space: str, beds: Iterable[BedRef], day: date
) -> list[str]:
    """Remarks on acts of a kind (`apply`, `water`, `pull`, `fill`) on a day out of the usual order.

    They are written all the same: it may be the other line whose day is wrong.
    """
    refs = list(beds)
    if space == "fill":
        applied = views.first_days(store, "apply", trial)
        late = {bed.label: applied[bed.id] for bed in refs if applied.get(bed.id, day) < day}
        return _said(late, "was applied on", "were applied on", "this is after it")
    if space not in _AFTER_FILLING:
        return []
    filled, joined = views.first_days(store, "fill", trial), views.joined(store, trial)
    early = {bed.label: filled[bed.id] for bed in refs if filled.get(bed.id, day) > day}
    absent = {
        bed.label: joined[bed.id]
        for bed in refs
        if bed.label not in early and joined.get(bed.id, day) > day
    }
    return [
        *_said(early, "was filled on", "were filled on", "this is before it"),
        *_said(absent, "joined on", "joined on", "this is before it"),
    ]


def _said(days: Mapping[str, date], one: str, many: str, tail: str) -> list[str]:
    by_day: dict[date, list[str]] = {}
    for label, day in days.items():
        by_day.setdefault(day, []).append(label)
    return [
        f"{compact(labels)} {one if len(labels) == 1 else many} {spoken_day(day)}: {tail}"
        for day, labels in sorted(by_day.items())
    ]


def refuse_across_application(
    store: sqlite3.Connection, trial: str, planned: str | None, beds: Iterable[BedRef], day: date
) -> None:
    """A pull for the calendar's pull before application cannot follow it; on its day it may.

    One that counts from the application cannot precede it. A control is pulled whenever its block
    is, whatever the day of its mock application.
    """
    ages = {
        one.record.name: one.record.day
        for one in views.fetch(store, "planned-pull", "trial = ?", (trial,))
    }
    age = ages.get(planned or "", -1)
    applied = views.first_days(store, "apply", trial)
    days = [(bed, applied[bed.id]) for bed in beds if bed.id in applied]
    if age is None:
        wrong = {bed.label: day0 for bed, day0 in days if day0 < day}
    else:
        wrong = {
            bed.label: day0 for bed, day0 in days if age >= 0 and day < day0 and not bed.control
        }
    told = _said(wrong, "was applied on", "were applied on", f"a pull of {spoken_day(day)}")
    if told:
        raise UserMistake(
            f"{told[0]} is not one for {planned!r}",
            "check the day, or leave --for out",
        )


def not_applied(
    store: sqlite3.Connection, trial: str, planned: str | None, beds: Iterable[BedRef]
) -> list[str]:
    """A remark on treated beds pulled for a day after an application that nobody wrote down."""
    ages = views.fetch(store, "planned-pull", "trial = ? AND name = ?", (trial, planned or ""))
    if not any(one.record.day is not None and one.record.day >= 0 for one in ages):
        return []
    applied = views.first_days(store, "apply", trial)
    waits = [bed.label for bed in beds if bed.id not in applied and not bed.control]
    if not waits:
        return []
    what = "is not applied" if len(waits) == 1 else "are not applied"
    return [f"{compact(waits)} {what} yet, and {planned} counts from that: logbook apply"]
