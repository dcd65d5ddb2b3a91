"""What is due, overdue or missed, and why: from the plan, the history and a day; pure.

The rules, in the words of the trade:

- Day 0 belongs to the bed: it is the day of its application (of its mock application, if it is a
  control). Planned pulls count from there; the window is the target plus or minus the tolerance.
- The pull *before* (planned day None) is open from the bed's filling until its application; a
  pull on the application day is day 0's unless it says that it was the one before.
- The control is pulled whenever a treated bed of its block is. So a control bed has one
  obligation for every day on which a treated bed of its block has a planned pull (two treated
  beds with the same target share it). Where treated beds were in fact pulled on another day, the
  control's target moves there: to the first such day inside the window, or to each day outside.
- A pull serves the obligation that it names; otherwise the one whose window holds its day;
  otherwise the nearest unserved one, up to half-way to its neighbour ("early", "late"); otherwise
  it is an extra pull. A second pull of the same obligation is kept as a repeat; the first counts.
- A planned pull is in force for the targets from its `since` to the day before its `until`, so a
  change of the calendar applies from its date on. A pull may be skipped, with a reason; controls
  do not follow it then. A bed that is out of the trial owes nothing from that day on.

Example: a bed applied on 2 March with a pull on day 14, tolerance 2, has the target 16 March and
the window 14 to 18 March; unpulled it is overdue on 19 and 20 March and missed from 21 March.

Two stages: `obligations` knows dates only and can be kept; `status` looks at one of them on a
day. How many days early, late or overdue is always counted from the target. Lines that were
struck and duplicates are left out by the caller.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from logbook.trial.ranges import BedRef
from logbook.trial.records import PlannedPull
from logbook.trial.times import spoken_day

STATES = ("coming", "due", "overdue", "missed", "skipped", "done", "done early", "done late")
DONE = ("done", "done early", "done late")
SETTLED = (*DONE, "missed", "skipped")


@dataclass(frozen=True)
class Taken:
    """A pull that was made: its code, the bed's id, the field day in the trial's zone.

    `planned` is the calendar's pull it was taken for, where the person said so; `again` whether
    it was recorded as a repeat; `order` is what orders pulls of one day (the entry's id).
    """

    code: str
    bed: str
    day: date
    planned: str | None = None
    again: bool = False
    order: str = ""


@dataclass(frozen=True)
class Obligation:
    """One pull that one bed owes the calendar; dates only.

    `bed` is the bed's id and `planned` the calendar's name of the pull; `also` holds further names
    of a control's pull that serves treated beds of different age on the same day. `day` counts
    from `day0`. `opens`, `target` and `closes` are days, both ends included, None as long as they
    hang on an application (or a filling) that has not been made; `missed_from` is the first day
    on which it is lost. `moved`: the target is a day on which treated beds were in fact pulled.
    `pull` and `pulled` are the code and day of the pull that serves it, `repeats` the codes of
    further ones. `skipped` is the reason why it will not be pulled.
    """

    bed: str
    planned: str
    day: int | None
    day0: date | None
    opens: date | None
    target: date | None
    closes: date | None
    missed_from: date | None
    tolerance: int
    also: tuple[str, ...] = ()
    moved: bool = False
    pull: str | None = None
    pulled: date | None = None
    repeats: tuple[str, ...] = ()
    skipped: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Every name of the calendar that a pull may give to serve this obligation."""
        return (self.planned, *self.also)


@dataclass(frozen=True)
class Status:
    """How an obligation stands on a day: one of STATES, days from the target, and why.

    `days` is the distance to the target: still to go ("coming", "due"; negative when past it),
    past it ("overdue", "missed", "done late", "done") or ahead of it ("done early"); None where
    there is no target.
    """

    state: str
    days: int | None
    why: str


@dataclass(frozen=True)
class Trip:
    """The pulls of one day: made where they were made, otherwise on target."""

    day: date
    obligations: tuple[Obligation, ...]


def trial_day(applications: Mapping[str, date], today: date) -> int | None:
    """Days since the trial's first application (bed id -> day); None before there is one."""
    return (today - min(applications.values())).days if applications else None


def obligations(
    beds: Iterable[BedRef],
    planned: Iterable[PlannedPull],
    applications: Mapping[str, date],
    fillings: Mapping[str, date],
    pulls: Iterable[Taken],
    *,
    out: Mapping[str, date] | None = None,
    skipped: Mapping[tuple[str, str], str] | None = None,
) -> list[Obligation]:
    """What every bed owes the calendar, and the pull that served it; in order of bed and target.

    `applications` and `fillings` map a bed's id to the day of its (mock) application and of its
    filling; `out` to the day from which it is out of the trial; `skipped` maps (bed id, planned
    pull) to the reason. Neither the order of the inputs nor the day on which this runs matters; a
    bed's obligations hang on its own block only.
    """
    calendar = sorted(planned, key=_calendar_order)
    leaving, reasons = out or {}, skipped or {}
    by_bed: dict[str, list[Taken]] = {}
    for pull in sorted(pulls, key=lambda pull: (pull.day, pull.again, pull.order, pull.code)):
        by_bed.setdefault(pull.bed, []).append(pull)
    every = sorted(beds, key=lambda bed: (bed.place, bed.label, bed.id))
    served: dict[str, list[Obligation]] = {}
    for bed in every:
        if not bed.control:
            own = _own(bed.id, calendar, applications.get(bed.id), fillings.get(bed.id))
            own = _still_owed(own, leaving.get(bed.id), reasons)
            served[bed.id] = _serve(own, by_bed.get(bed.id, ()))
    for bed in every:
        if bed.control:
            treated = [
                owed
                for other in every
                if other.block == bed.block and not other.control
                for owed in served[other.id]
                if owed.skipped is None or owed.pulled is not None
            ]
            own = _control(bed.id, calendar, applications, fillings, treated)
            own = _still_owed(own, leaving.get(bed.id), reasons)
            served[bed.id] = _serve(own, by_bed.get(bed.id, ()))
    return [owed for bed in every for owed in served[bed.id]]


def extra_pulls(owed: Iterable[Obligation], pulls: Iterable[Taken]) -> list[Taken]:
    """The pulls that serve and repeat nothing of the calendar, in order of day and code."""
    used = {code for one in owed for code in (one.pull, *one.repeats)}
    return sorted(
        (pull for pull in pulls if pull.code not in used), key=lambda pull: (pull.day, pull.code)
    )


def status(owed: Obligation, today: date) -> Status:
    """How that obligation stands on `today`; a pull made after that day does not count."""
    if owed.pulled is not None and owed.pulled <= today:
        return _done(owed, owed.pulled)
    to_go = None if owed.target is None else (owed.target - today).days
    if owed.skipped is not None:
        return Status("skipped", to_go, f"skipped: {owed.skipped}")
    if owed.missed_from is not None and today >= owed.missed_from:
        return Status("missed", None if to_go is None else -to_go, _why_missed(owed))
    if owed.closes is not None and today > owed.closes:
        past = None if to_go is None else -to_go
        return Status("overdue", past, f"its window closed on {spoken_day(owed.closes)}")
    if _open(owed, today):
        until = "its application" if owed.closes is None else spoken_day(owed.closes)
        return Status("due", to_go, f"open until {until}")
    return Status("coming", to_go, _why_coming(owed))


def last_day(owed: Iterable[Obligation]) -> date | None:
    """The last day on which the calendar asks for soil; None while a bed is not yet applied."""
    days = [one.pulled or one.closes for one in owed]
    known = [day for day in days if day is not None]
    return max(known) if known and len(known) == len(days) else None


def sampling_trips(owed: Iterable[Obligation]) -> list[Trip]:
    """The obligations day by day: pulls of the same day are one trip; undated ones are left out."""
    days: dict[date, list[Obligation]] = {}
    for one in owed:
        day = one.pulled or one.target
        if day is not None:
            days.setdefault(day, []).append(one)
    return [
        Trip(day, tuple(sorted(some, key=lambda one: (_age(one.day), one.planned, one.bed))))
        for day, some in sorted(days.items())
    ]


def _age(day: int | None) -> int:
    """For sorting: the pull before comes ahead of every numbered day, whatever its sign."""
    return -(10**6) if day is None else day


def _calendar_order(plan: PlannedPull) -> tuple[int, str]:
    return (_age(plan.day), plan.name)


def _shift(day: date | None, days: int) -> date | None:
    return None if day is None else day + timedelta(days=days)


# --- the dates ----------------------------------------------------------------------------------


def _own(
    bed: str, calendar: Sequence[PlannedPull], day0: date | None, filled: date | None
) -> list[Obligation]:
    """The obligations of a bed that follows its own application."""
    made = [
        _before(bed, plan, day0, filled)
        if plan.day is None
        else _dated(bed, plan, plan.day, day0, _shift(day0, plan.day))
        for plan in calendar
        if _in_force(plan, _shift(day0, plan.day or 0))
    ]
    return _with_limits(made)


def _in_force(plan: PlannedPull, target: date | None) -> bool:
    """Whether a planned pull counts for that target; without one yet, the plan of today counts."""
    if target is None:
        return plan.until is None
    return (plan.since is None or plan.since <= target) and (
        plan.until is None or target < plan.until
    )


def _still_owed(
    made: Iterable[Obligation], leaves: date | None, reasons: Mapping[tuple[str, str], str]
) -> list[Obligation]:
    """Without what falls on or after the day a bed left; with the reasons of what is skipped."""
    return [
        replace(one, skipped=next((reasons[key] for key in _keys(one) if key in reasons), None))
        for one in made
        if leaves is None or (one.target is not None and one.target < leaves)
    ]


def _keys(one: Obligation) -> list[tuple[str, str]]:
    return [(one.bed, name) for name in one.names]


def _before(bed: str, plan: PlannedPull, day0: date | None, filled: date | None) -> Obligation:
    """The pull before application; lost on the application day, though a pull may still name it."""
    return Obligation(bed, plan.name, None, day0, filled, day0, day0, day0, plan.tolerance)


def _dated(
    bed: str, plan: PlannedPull, day: int, day0: date | None, target: date | None
) -> Obligation:
    """A pull on a day after application; its window never reaches across the application."""
    opens, closes = _shift(target, -plan.tolerance), _shift(target, plan.tolerance)
    if target is not None and day0 is not None and opens is not None and closes is not None:
        # A treated bed's pull may name this one on a day before the application: a slip, but kept.
        opens = max(opens, min(day0, target)) if day >= 0 else opens
        closes = min(closes, day0 - timedelta(days=1)) if day < 0 else closes
    return Obligation(bed, plan.name, day, day0, opens, target, closes, None, plan.tolerance)


def _with_limits(made: Iterable[Obligation]) -> list[Obligation]:
    """In order of target, each with the day from which it is missed.

    It stays overdue for as long again as the tolerance, at least one day, but never into the
    window of the pull that follows.
    """
    ordered = sorted(made, key=_bed_order)
    limited = list(ordered)
    following: Obligation | None = None
    for at in range(len(ordered) - 1, -1, -1):
        one = ordered[at]
        if one.day is None or one.closes is None:
            continue
        limit = one.closes + timedelta(days=max(1, one.tolerance) + 1)
        if following is not None and following.opens is not None:
            limit = min(limit, following.opens)
        limited[at] = replace(one, missed_from=max(limit, one.closes + timedelta(days=1)))
        following = one
    return limited


def _bed_order(one: Obligation) -> tuple[bool, bool, date, int, str]:
    """The pulls before first, then by target, then those that have none yet."""
    known = one.target is not None
    return (one.day is not None, not known, one.target or date.min, _age(one.day), one.planned)


def _control(
    bed: str,
    calendar: Sequence[PlannedPull],
    applications: Mapping[str, date],
    fillings: Mapping[str, date],
    treated: Sequence[Obligation],
) -> list[Obligation]:
    """The obligations of a control bed; it follows itself if its block has no treated bed."""
    day0, filled = applications.get(bed), fillings.get(bed)
    if not treated:
        return _own(bed, calendar, day0, filled)
    # A mock application that nobody logged does not keep the pull before open for ever.
    first = min((one.day0 for one in treated if one.day0 is not None), default=None)
    made = [
        _before(bed, plan, day0 or first, filled)
        for plan in calendar
        if plan.day is None and _in_force(plan, day0 or first)
    ]
    for plan in calendar:
        if plan.day is not None:
            some = [
                one for one in treated if one.planned == plan.name and _in_force(plan, one.target)
            ]
            made += _following_plan(bed, plan, plan.day, some)
    return _with_limits(_same_day_once(made))


def _following_plan(
    bed: str, plan: PlannedPull, day: int, treated: Sequence[Obligation]
) -> list[Obligation]:
    """A control's obligations for one planned pull: one for each day of its treated beds."""
    by_target: dict[tuple[date | None, date | None], list[Obligation]] = {}
    for one in treated:
        by_target.setdefault((one.target, one.day0), []).append(one)
    made: dict[date | None, Obligation] = {}
    for (target, day0), some in sorted(by_target.items(), key=lambda item: item[0][0] or date.max):
        for actual in _actual_days(target, some):
            owed = replace(_dated(bed, plan, day, day0, actual), moved=actual != target)
            if actual not in made or made[actual].moved:
                made[actual] = owed
    return list(made.values())


def _actual_days(target: date | None, treated: Sequence[Obligation]) -> Sequence[date | None]:
    """When the treated beds of one target are pulled: as planned, or as it turned out."""
    days = {one.pulled for one in treated if one.pulled is not None and not _in_window(one)}
    inside = [one.pulled for one in treated if one.pulled is not None and _in_window(one)]
    if inside:
        return sorted({*days, min(inside)})
    if all(one.pulled is not None for one in treated):
        return sorted(days)
    return [*sorted(days), target]


def _in_window(one: Obligation) -> bool:
    if one.pulled is None or one.opens is None or one.closes is None:
        return False
    return one.opens <= one.pulled <= one.closes


def _same_day_once(made: Iterable[Obligation]) -> list[Obligation]:
    """One bag of soil serves treated beds of different age that are pulled on the same day."""
    kept: dict[tuple[date | None, str], Obligation] = {}
    for one in sorted(made, key=lambda one: (one.moved, one.day0 or date.max, _bed_order(one))):
        key = (one.target, "" if one.target is not None and one.day is not None else one.planned)
        first = kept.setdefault(key, one)
        if one.planned not in first.names:
            kept[key] = replace(first, also=(*first.also, one.planned))
    return list(kept.values())


# --- matching pulls -----------------------------------------------------------------------------


def _serve(owed: Sequence[Obligation], pulls: Sequence[Taken]) -> list[Obligation]:
    """One bed's obligations with the pulls (in order) that serve and repeat them."""
    serving: dict[int, list[Taken]] = {}
    # What a person said comes before what follows from dates, and a repeat after what it repeats.
    for pull in sorted(pulls, key=lambda pull: (pull.again, pull.planned is None)):
        found = _obligation_of(pull, owed, serving)
        if found is not None:
            serving.setdefault(found, []).append(pull)
    return [_served(one, serving.get(at, [])) for at, one in enumerate(owed)]


def _obligation_of(
    pull: Taken, owed: Sequence[Obligation], serving: Mapping[int, Sequence[Taken]]
) -> int | None:
    """The place in `owed` of the obligation that this pull serves or repeats; None for an extra.

    By window, else by name, else the nearest one still unserved (a repeat: the nearest).
    """
    named = [at for at, one in enumerate(owed) if pull.planned in (None, *one.names)]
    choice = [at for at in named if _holds(owed[at], pull.day)]
    if not choice and pull.planned is not None:
        choice = named
    elif not choice:
        free = [at for at in named if pull.again or at not in serving]
        choice = [at for at in free if _reaches(owed[at], owed, pull.day)]
    return min(choice, key=lambda at: _nearness(owed[at], pull, at in serving), default=None)


def _served(one: Obligation, pulls: Sequence[Taken]) -> Obligation:
    if not pulls:
        return one
    first, *rest = sorted(pulls, key=lambda pull: (pull.again, pull.day, pull.order, pull.code))
    repeats = tuple(pull.code for pull in rest)
    return replace(one, pull=first.code, pulled=first.day, repeats=repeats)


def _nearness(one: Obligation, pull: Taken, taken: bool) -> tuple[bool, bool, int]:
    """For choosing among several: unserved ones first (a repeat: served ones), then the nearest."""
    away = 10**6 if one.target is None else abs((pull.day - one.target).days)
    return (taken != pull.again, one.day is None, away)


def _holds(one: Obligation, day: date) -> bool:
    if one.day is None:
        return one.day0 is None or day < one.day0
    return one.opens is not None and one.closes is not None and one.opens <= day <= one.closes


def _reaches(one: Obligation, owed: Sequence[Obligation], day: date) -> bool:
    """Whether a day outside the window is nearer to this target than to its neighbours'.

    The first and the last pull reach as far outwards as inwards; a single one reaches as far as
    it would be overdue. Nothing reaches across the application.
    """
    if one.target is None or one.day is None or one.day0 is None:
        return False
    if (day >= one.day0) != (one.day >= 0):
        return False
    targets = [other.target for other in owed if other.day is not None and other.target]
    left = [(one.target - other).days for other in targets if other < one.target]
    right = [(other - one.target).days for other in targets if other > one.target]
    alone = 2 * (one.tolerance + max(1, one.tolerance))
    ahead = min(left or right, default=alone)
    after = min(right or left, default=alone)
    away = (day - one.target).days
    return -ahead <= 2 * away <= after


# --- the words ----------------------------------------------------------------------------------


def _open(one: Obligation, today: date) -> bool:
    if one.opens is not None:
        return one.opens <= today
    return one.day is None and one.day0 is not None


def _done(one: Obligation, pulled: date) -> Status:
    if one.target is None:
        return Status("done", None, f"pulled on {spoken_day(pulled)}")
    away = (pulled - one.target).days
    if one.opens is not None and one.day is not None and pulled < one.opens:
        return Status("done early", -away, f"pulled before its window, {-away} d before its day")
    if one.closes is not None and pulled > one.closes:
        return Status("done late", away, f"pulled after its window, {away} d after its day")
    return Status("done", away, f"pulled on {spoken_day(pulled)}")


def _why_coming(one: Obligation) -> str:
    if one.opens is not None:
        return f"opens on {spoken_day(one.opens)}"
    return f"starts at {'filling' if one.day is None else 'application'}"


def _why_missed(one: Obligation) -> str:
    if one.day is None and one.day0 is not None:
        return f"applied on {spoken_day(one.day0)} without it"
    return (
        "" if one.closes is None else f"not pulled; its window closed on {spoken_day(one.closes)}"
    )
