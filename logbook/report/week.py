"""The coming seven days of a trial, to prepare and to print: pulls, water, readings, results."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from logbook.report.board import (
    Again,
    Awaited,
    awaited,
    in_bench_order,
    reruns,
    to_send,
    volume_spoken,
)
from logbook.store import asking, awaiting, views
from logbook.study import parts as pulled_parts
from logbook.study import samplelog
from logbook.study.samplelog import Late
from logbook.trial import schedule, watering
from logbook.trial.ranges import BedRef, compact
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial.records import Trial

DAYS = 7


@dataclass(frozen=True)
class PullTask:
    """A pull of the week: what for, which beds, by when, and the bags it takes."""

    planned: str
    beds: tuple[str, ...]
    state: str
    until: date | None
    bags: tuple[str, ...]


@dataclass(frozen=True)
class WaterTask:
    """Beds to water, and how much each."""

    beds: tuple[str, ...]
    amount: str


@dataclass(frozen=True)
class Day:
    """One day of the week."""

    day: date
    pulls: tuple[PullTask, ...]
    water: tuple[WaterTask, ...]


@dataclass(frozen=True)
class Week:
    """Seven days of one trial. `bags` counts the bags to prepare, `reserved` are their codes.

    `awaited` are all bags without a result, `to_send` those of them that are still here.
    """

    trial: str
    first: date
    days: tuple[Day, ...]
    measure: tuple[str, ...]
    awaited: tuple[Awaited, ...]
    bags: int
    reserved: tuple[str, ...]
    late: tuple[Late, ...] = ()
    to_send: tuple[Awaited, ...] = ()
    reruns: tuple[Again, ...] = ()

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def week(store: sqlite3.Connection, ident: str, trial: Trial, today: date) -> Week:
    """Read and compute the coming seven days; today is the first of them."""
    beds = {bed.id: bed for bed in views.bed_refs(store, ident)}
    owed = views.obligations(store, ident)
    kinds = [kind for kind, _ in pulled_parts.planned(store, ident)]
    pulls = dict(_pulls(owed, beds, today, tuple(kinds)))
    water = _waterings(store, ident, beds, owed, today)
    days = tuple(
        Day(day, tuple(pulls.get(day, ())), tuple(water.get(day, ())))
        for day in (today + timedelta(days=ahead) for ahead in range(DAYS))
    )
    waiting = awaited(store, ident, today)
    bags = sum(len(task.beds) * max(len(kinds), 1) for day in days for task in day.pulls)
    return Week(
        trial=trial.name,
        first=today,
        days=days,
        measure=tuple(_measurements(store, ident, today)),
        awaited=tuple(waiting),
        bags=bags,
        reserved=tuple(asking.free_bags(store, ident)),
        late=tuple(
            samplelog.late_shipments(store, ident, today, awaiting.unfinished(store, ident))
        ),
        to_send=tuple(to_send(store, ident, waiting, today)),
        reruns=tuple(reruns(store, ident, today)),
    )


def _pulls(
    owed: Iterable[schedule.Obligation],
    beds: dict[str, BedRef],
    today: date,
    kinds: tuple[str, ...],
) -> Iterator[tuple[date, list[PullTask]]]:
    """The pulls of each day: on target, or today where their window is open or just over."""
    groups: dict[date, dict[tuple[str, str, date | None], list[BedRef]]] = {}
    last = today + timedelta(days=DAYS - 1)
    for one in owed:
        state = schedule.status(one, today).state
        if state not in ("coming", "due", "overdue") or one.bed not in beds:
            continue
        day = _day(one, today, last)
        if day is not None:
            key = (" and ".join(one.names), state, one.closes)
            groups.setdefault(day, {}).setdefault(key, []).append(beds[one.bed])
    for day, found in groups.items():
        yield (
            day,
            [
                PullTask(name, tuple(in_bench_order(some)), state, until, kinds)
                for (name, state, until), some in found.items()
            ],
        )


def _day(one: schedule.Obligation, today: date, last: date) -> date | None:
    """The day of the week on which a pull is best taken; None if not this week."""
    if one.target is not None and one.target >= today:
        return one.target if one.target <= last else None
    if one.opens is not None and one.opens > last:
        return None
    return None if one.opens is None and one.target is None else today


def _waterings(
    store: sqlite3.Connection,
    trial: str,
    beds: dict[str, BedRef],
    owed: list[schedule.Obligation],
    today: date,
) -> dict[date, list[WaterTask]]:
    """The waterings of the week if each is done on its day."""
    plans = views.fetch(store, "watering-plan", "trial = ?", (trial,))
    if not plans:
        return {}
    plan = plans[0].record
    areas = asking.bed_areas(store, trial)
    groups: dict[tuple[date, str], list[BedRef]] = {}
    fillings = views.fillings(store, trial)
    given, out = asking.watering_days(store, trial), views.left(store, trial)
    by_bed: dict[str, list[schedule.Obligation]] = {}
    for one in owed:
        by_bed.setdefault(one.bed, []).append(one)
    wanted = watering.still_asked(owed, today)
    for due in watering.next_waterings(plan, fillings, given, today, out):
        if due.bed not in beds or (owed and due.bed not in wanted):
            continue
        end = schedule.last_day(by_bed.get(due.bed, ()))
        if end is not None and end < today:
            # Its last pull is overdue: it is watered until that counts as missed.
            lost = [
                one.missed_from
                for one in by_bed[due.bed]
                if one.missed_from is not None and one.pulled is None and one.skipped is None
            ]
            end = max(lost) - timedelta(days=1) if lost else today
        amount = volume_spoken(watering.bed_volume_ml(plan, areas[due.bed]))
        day = max(due.due, today)
        while day < today + timedelta(days=DAYS) and (end is None or day <= end):
            groups.setdefault((day, amount), []).append(beds[due.bed])
            day += timedelta(days=plan.interval)
    days: dict[date, list[WaterTask]] = {}
    for (day, amount), some in groups.items():
        days.setdefault(day, []).append(WaterTask(tuple(in_bench_order(some)), amount))
    return days


def _measurements(store: sqlite3.Connection, trial: str, today: date) -> Iterator[str]:
    """What to read or weigh: tins that wait for a weight, and readings that are old."""
    labels = {bed.id: bed.label for bed in views.bed_refs(store, trial)}
    for code, pulled, pulled_beds, missing in asking.open_tins(store, trial):
        where = compact(labels[bed] for bed in pulled_beds if bed in labels)
        yield f"weigh the tin of {where}, {spoken_day(pulled)}, {code}: {missing}"
    last = asking.last_measured(store, trial, "soil temperature")
    if last is None:
        yield "soil temperature: not read yet"
    elif (today - last).days >= DAYS:
        yield f"soil temperature: last read {(today - last).days} d ago"


def spoken(task: PullTask) -> str:
    """A pull in words: `day 14: B1-B6, by Fri 20 Mar (chilled, dried)`."""
    until = "" if task.until is None else f", by {spoken_day(task.until)}"
    if task.state == "overdue" and task.until is not None:
        until = f", overdue: its window closed on {spoken_day(task.until)}"
    bags = f" ({', '.join(task.bags)})" if task.bags else ""
    return f"{task.planned}: {compact(task.beds)}{until}{bags}"
