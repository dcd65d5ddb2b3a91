"""The daily board of one trial: what to do today, what is late, what is awaited, what is wrong.

Content only; `terminal` prints it. Everything is said as of the `today` given.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import asdict, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logbook.report import laboratory
from logbook.store import asking, awaiting, twice, views
from logbook.trial import schedule, watering
from logbook.trial.ranges import BedRef, compact
from logbook.trial.records import Record, Trial, record
from logbook.trial.times import ago, spoken_day
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

COMING_DAYS = 7
_DONE = {"fill": "filled", "apply": "applied", "water": "watered at the same time"}


@record
class Task(Record):
    """Beds with the same thing to do, or not: `state` and why.

    States: fill, water, apply, due, overdue, missed, coming, and skipped, which no screen shows.

    `days` is how many days past the target (negative: to go); `target` the day aimed at.
    """

    state: str
    what: str
    beds: tuple[str, ...]
    target: date | None
    days: int | None
    why: str


@record
class Awaited(Record):
    """Samples of one day that have no result yet."""

    pulled: date
    codes: tuple[str, ...]
    days: int


@record
class Again(Record):
    """Results that are to be measured again, asked for on one day: `CODE:NUTRIENT` each."""

    asked: date
    results: tuple[str, ...]
    days: int


@record
class Board(Record):
    """One trial on one day. `wrong` holds a sentence for each thing that needs a look.

    `awaited` are all bags without a result, `to_send` those of them that are still here.
    """

    trial: str
    today: date
    day: int | None
    water: tuple[Task, ...]
    pulls: tuple[Task, ...]
    awaited: tuple[Awaited, ...]
    wrong: tuple[str, ...]
    apply: tuple[Task, ...] = ()
    to_send: tuple[Awaited, ...] = ()
    reruns: tuple[Again, ...] = ()
    fill: tuple[Task, ...] = ()

    def document(self) -> dict[str, Any]:
        """For JSON; dates become ISO text. What is to be filled or applied is for people only."""
        found = asdict(self)
        del found["apply"], found["fill"]
        return found

    def of(self, state: str) -> list[Task]:
        """The pulls in one state."""
        return [task for task in self.pulls if task.state == state]


def board(store: sqlite3.Connection, ident: str, trial: Trial, today: date) -> Board:
    """Read and compute the board of a trial."""
    owed = views.obligations(store, ident)
    beds = {bed.id: bed for bed in views.bed_refs(store, ident)}
    applied = views.first_days(store, "apply", ident)
    waiting = awaited(store, ident, today)
    return Board(
        trial=trial.name,
        today=today,
        day=schedule.trial_day(applied, today),
        water=tuple(_waterings(store, ident, beds, owed, today)),
        pulls=tuple(_pulls(owed, beds, today)),
        awaited=tuple(waiting),
        wrong=(*_wrong(store, ident, today), *laboratory.sentences(store, ident, trial, today)),
        apply=tuple(_unapplied(store, ident, beds, owed, today)),
        to_send=tuple(to_send(store, ident, waiting, today)),
        reruns=tuple(reruns(store, ident, today)),
        fill=tuple(_unfilled(store, ident, beds, owed, today)),
    )


def _unfilled(
    store: sqlite3.Connection,
    trial: str,
    beds: dict[str, BedRef],
    owed: Iterable[schedule.Obligation],
    today: date,
) -> list[Task]:
    """Beds that owe the calendar pulls and are neither filled nor, with no filling logged, applied
    or watered."""
    begun = {*views.fillings(store, trial), *views.first_days(store, "apply", trial)}
    begun |= {*views.first_days(store, "water", trial), *views.first_days(store, "pull", trial)}
    begun |= {bed for bed, day in views.left(store, trial).items() if day <= today}
    begun |= {bed for bed, day in views.joined(store, trial).items() if day > today}
    waits = {one.bed for one in owed if one.bed in beds} - begun
    if not waits:
        return []
    labels = tuple(in_bench_order(beds[bed] for bed in waits))
    return [Task("fill", "", labels, None, None, "not filled yet")]


def _unapplied(
    store: sqlite3.Connection,
    trial: str,
    beds: dict[str, BedRef],
    owed: Iterable[schedule.Obligation],
    today: date,
) -> list[Task]:
    """Beds that owe the calendar pulls after an application, are filled and not applied.

    A control whose block is being applied already waits for nothing: its mock application may go
    unlogged.
    """
    applied = {
        bed: day for bed, day in views.first_days(store, "apply", trial).items() if day <= today
    }
    begun = {beds[bed].block for bed in applied if bed in beds and not beds[bed].control}
    gone = {bed for bed, day in views.left(store, trial).items() if day <= today}
    waits = {one.bed for one in owed if one.day is not None} - {*applied} - gone
    days: dict[date, list[BedRef]] = {}
    for bed, filled in views.fillings(store, trial).items():
        if bed not in waits or bed not in beds or filled > today:
            continue
        if not (beds[bed].control and beds[bed].block in begun):
            days.setdefault(filled, []).append(beds[bed])
    return [
        Task("apply", "", tuple(in_bench_order(some)), None, None, _filled(day, today))
        for day, some in sorted(days.items())
    ]


def _filled(day: date, today: date) -> str:
    return f"filled {ago((today - day).days)}"


def _waterings(
    store: sqlite3.Connection,
    trial: str,
    beds: dict[str, BedRef],
    owed: list[schedule.Obligation],
    today: date,
) -> list[Task]:
    plans = views.fetch(store, "watering-plan", "trial = ?", (trial,))
    if not plans:
        return []
    plan = plans[0].record
    areas = asking.bed_areas(store, trial)
    fillings = views.fillings(store, trial)
    days = asking.watering_days(store, trial)
    groups: dict[tuple[str, date, int], list[BedRef]] = {}
    out = views.left(store, trial)
    for due in watering.waterings_due(plan, fillings, days, owed, today, out):
        if due.bed not in beds:
            continue
        amount = volume_spoken(watering.bed_volume_ml(plan, areas[due.bed]))
        groups.setdefault((amount, due.due, due.days), []).append(beds[due.bed])
    return [
        Task(
            "water",
            # Words that programs read, too: the same for one bed as for many.
            f"{amount} each",
            tuple(in_bench_order(found)),
            due,
            late,
            f"{late} d late" if late else "today",
        )
        for (amount, due, late), found in groups.items()
    ]


def in_bench_order(beds: Iterable[BedRef]) -> list[str]:
    """The labels of beds in bench order."""
    return [bed.label for bed in sorted(beds, key=lambda bed: (bed.place, bed.label))]


def volume_spoken(millilitres: Decimal) -> str:
    """`250 mL`, `8.64 L`."""
    if millilitres >= 1000:
        return f"{short(round(millilitres / 1000, 2))} L"
    return f"{short(round(millilitres, 0))} mL"


def _pulls(owed: list[schedule.Obligation], beds: dict[str, BedRef], today: date) -> list[Task]:
    """What is due, overdue, missed or coming, beds with the same state and target together."""
    groups: dict[tuple[Any, ...], tuple[list[BedRef], list[BedRef]]] = {}
    horizon = _horizon(owed, today)
    mixed = _of_several_ages(owed, beds)
    for one in owed:
        state = schedule.status(one, today)
        if state.state in schedule.DONE or one.bed not in beds:
            continue
        if state.state == "coming" and (one.opens is None or one.opens > horizon):
            continue
        name = " and ".join(one.names)
        late = None if one.target is None else (today - one.target).days
        bed = beds[one.bed]
        treated = mixed.get(bed.block, ()) if bed.control and one.day is not None else ()
        own = [other for other in owed if other.bed == one.bed] if treated else []
        followed = [beds[other.bed] for other in treated if schedule.asked_by(other, own) is one]
        group = (state.state, name, one.target, late, state.why, bool(followed))
        some, others = groups.setdefault(group, ([], []))
        some.append(bed)
        others += followed
    tasks = [
        Task(
            state, name, tuple(bed.label for bed in some), target, late, _why_followed(why, others)
        )
        for (state, name, target, late, why, _), (some, others) in groups.items()
    ]
    order = ("overdue", "due", "coming", "missed", "skipped")
    return sorted(tasks, key=lambda t: (order.index(t.state), t.target or date.min, t.what))


def _of_several_ages(
    owed: Iterable[schedule.Obligation], beds: dict[str, BedRef]
) -> dict[str, list[schedule.Obligation]]:
    """What the treated beds owe, by block, where those of the block were applied on several days.

    A control there is pulled more than once for one planned day, so that it is said for whom.
    """
    blocks: dict[str, list[schedule.Obligation]] = {}
    for one in owed:
        if one.bed in beds and not beds[one.bed].control:
            blocks.setdefault(beds[one.bed].block, []).append(one)
    return {
        block: some
        for block, some in blocks.items()
        if len({one.day0 for one in some} - {None}) > 1
    }


def _why_followed(why: str, followed: Iterable[BedRef]) -> str:
    """Why, with the treated beds that a control's pull is for."""
    labels = compact(dict.fromkeys(in_bench_order(followed)))
    return "; ".join(part for part in (why, f"follows {labels}" if labels else "") if part)


def _horizon(owed: list[schedule.Obligation], today: date) -> date:
    """How far ahead the board looks: a week, or to the next pull if that is later."""
    ahead = [one.opens for one in owed if one.opens is not None and one.opens > today]
    return max(today + timedelta(days=COMING_DAYS), min(ahead, default=today))


def awaited(store: sqlite3.Connection, trial: str, today: date) -> list[Awaited]:
    """Samples without a result yet, by the day they were pulled."""
    days: dict[date, list[str]] = {}
    for code, day in asking.samples_without_results(store, trial):
        days.setdefault(day, []).append(code)
    return [
        Awaited(day, tuple(codes), (today - day).days)
        for day, codes in sorted(days.items())
        if day <= today
    ]


def to_send(
    store: sqlite3.Connection, trial: str, waiting: Iterable[Awaited], today: date
) -> list[Awaited]:
    """Of the samples without a result those whose bags are still here, as far as it is known."""
    gone = awaiting.went(store, trial, today)
    return [] if gone is None else list(_without(waiting, gone))


def at_laboratory(waiting: Iterable[Awaited], here: Iterable[Awaited]) -> list[Awaited]:
    """Of the samples without a result those whose bags are not here any more."""
    return list(_without(waiting, {code for one in here for code in one.codes}))


def _without(waiting: Iterable[Awaited], gone: Collection[str]) -> Iterator[Awaited]:
    for one in waiting:
        codes = tuple(code for code in one.codes if code not in gone)
        if codes:
            yield replace(one, codes=codes)


def reruns(store: sqlite3.Connection, trial: str, today: date) -> list[Again]:
    """What was asked to be measured again, by the day it was asked for."""
    days: dict[date, list[str]] = {}
    for day, result in laboratory.reruns(store, trial, today):
        days.setdefault(day, []).append(result)
    return [Again(day, tuple(some), (today - day).days) for day, some in days.items()]


def _wrong(store: sqlite3.Connection, trial: str, today: date) -> list[str]:
    """A sentence for everything that a person must look at."""
    found = [
        f"{compact(labels)} {_DONE[space]} by two machines ({first}, {second}): if that was one "
        f"act, logbook strike {second}:{compact(labels).replace(', ', ',')} --reason TEXT"
        for space, first, second, labels in twice.acts(store, trial, today)
    ]
    pairs = asking.possible_duplicates(store, trial)
    if len(pairs) == 1:
        ((first, second, bed),) = pairs
        told = f"{first} and {second} may be one pull of {bed} written down twice"
        found.append(f"{told}: logbook conflicts")
    elif pairs:
        told = f"{len(pairs)} pairs of pulls may be one pull written down twice"
        found.append(f"{told}: logbook conflicts")
    disputed = sum(asking.conflicts(store).values())
    if disputed:
        lines = "1 line" if disputed == 1 else f"{disputed} lines"
        found.append(f"machines disagree about {lines}: logbook conflicts")
    own = asking.not_let_in(store)
    if own is not None:
        found.append(f"{left_out(own)}: logbook machines")
    found += [
        f"the chain of {str(name)[:40]} ({writer[:8]}) forks, as its store is in use in two "
        "places: logbook verify"
        for writer, name in asking.forked(store)
    ]
    found += _to_enrol(asking.machines_waiting(store))
    waiting = asking.waiting_results(store)
    if waiting:
        codes = ", ".join(waiting[:3]) + (", ..." if len(waiting) > 3 else "")
        many = "1 sample" if len(waiting) == 1 else f"{len(waiting)} samples"
        found.append(f"results wait for the pull of {many}: {codes}")
    return found


def left_out(writer: str) -> str:
    """What a machine that is no member must know, its writer named by the beginning of its id."""
    return (
        f"this machine ({writer[:8]}) is no member of the book: until one enrols it, no other "
        "takes its lines"
    )


def _to_enrol(machines: list[tuple[str, str, int]]) -> list[str]:
    """One sentence about the machines that wait to be enrolled."""
    if not machines:
        return []
    count = sum(lines for _, _, lines in machines)
    lines = "1 line" if count == 1 else f"{count} lines"
    if len(machines) > 1:
        return [f"{len(machines)} machines wait with {lines}: logbook machines"]
    ((writer, name, _),) = machines
    return [f"{str(name)[:40]} ({writer[:8]}) waits with {lines}: logbook machines"]


def spoken(labels: Iterable[str]) -> str:
    """Bed labels as a range."""
    return compact(labels)


def when_spoken(task: Task) -> str:
    """The target day of a task, and how far it is."""
    if task.target is None:
        return ""
    day = spoken_day(task.target)
    days = task.days or 0
    return f"{day}, in {-days} d" if days < 0 else f"{day}, {ago(days)}"
