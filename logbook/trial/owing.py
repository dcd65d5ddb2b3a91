"""What every bed owes the calendar, and which pull served it: from plan and history alone; pure.

The rules stand at the head of `schedule`, which says how an obligation stands on a day. A change of
the calendar parts time into spells. Each spell's calendar is worked out whole, as if there had
never been another; of it only what falls into the spell is kept, and a pull that served something
in one spell serves nothing in a later one. So a change moves nothing from before its date: not a
target, not the day from which a pull is missed, not the pull that a sample served.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from logbook.trial.ranges import BedRef
from logbook.trial.records import PlannedPull
from logbook.trial.schedule import Obligation, Taken, age_order

Spell = tuple[date | None, date | None]  # from a day to the day before another; None: no end


@dataclass(frozen=True)
class _History:
    """What happened: days by bed id, pulls by bed id in order, reasons of skipped pulls."""

    applications: Mapping[str, date]
    fillings: Mapping[str, date]
    leaving: Mapping[str, date]
    reasons: Mapping[tuple[str, str], str]
    joined: Collection[str]
    pulls: Mapping[str, Sequence[Taken]]


def obligations(
    beds: Iterable[BedRef],
    planned: Iterable[PlannedPull],
    applications: Mapping[str, date],
    fillings: Mapping[str, date],
    pulls: Iterable[Taken],
    *,
    out: Mapping[str, date] | None = None,
    skipped: Mapping[tuple[str, str], str] | None = None,
    joined: Collection[str] = (),
) -> list[Obligation]:
    """What every bed owes the calendar, and the pull that served it; in order of bed and target.

    `applications` and `fillings` map a bed's id to the day of its (mock) application and of its
    filling; `out` to the day from which it is out of the trial; `skipped` maps (bed id, planned
    pull) to the reason; `joined` holds the beds that were not there from the start. Neither the
    order of the inputs nor the day on which this runs matters; a bed's obligations hang on its own
    block only.
    """
    plans = sorted(planned, key=_calendar_order)
    by_bed: dict[str, list[Taken]] = {}
    for pull in sorted(pulls, key=lambda pull: (pull.day, pull.again, pull.order, pull.code)):
        by_bed.setdefault(pull.bed, []).append(pull)
    every = sorted(beds, key=lambda bed: (bed.place, bed.label, bed.id))
    history = _History(applications, fillings, out or {}, skipped or {}, joined, by_bed)
    spells = _spells(plans)
    kept: list[Obligation] = []
    for spell in spells:
        free = replace(history, pulls=_unused(by_bed, kept)) if kept else history
        made = _of_spell(every, list(_standing(plans, spell)), free, kept)
        kept += [one for one in made if _falls(one.home, spell)]
    places = {bed.id: place for place, bed in enumerate(every)}
    # A spell's obligations are in order; only several spells must be put together.
    if len(spells) > 1:
        kept.sort(key=lambda one: (places[one.bed], *_bed_order(one)))
    return [one if one.home is None else one._replace(home=None) for one in kept]


def _spells(plans: Iterable[PlannedPull]) -> list[Spell]:
    changes = sorted({day for plan in plans for day in (plan.since, plan.until) if day is not None})
    return list(zip([None, *changes], [*changes, None], strict=True))


def _standing(plans: Iterable[PlannedPull], spell: Spell) -> Iterator[PlannedPull]:
    """The calendar of a spell. Of two pulls of one name (two machines changed it), the later
    change counts, and of changes from the same day the wider tolerance.
    """
    begins, _ = spell
    named: dict[str, PlannedPull] = {}
    for plan in plans:
        started = plan.since is None or (begins is not None and plan.since <= begins)
        ended = plan.until is not None and begins is not None and plan.until <= begins
        other = named.get(plan.name)
        if started and not ended and (other is None or _newer(plan) > _newer(other)):
            named[plan.name] = plan
    return iter(named.values())


def _newer(plan: PlannedPull) -> tuple[date, int]:
    return (plan.since or date.min, plan.tolerance)


def _falls(home: date | None, spell: Spell) -> bool:
    """Whether a day lies in a spell; what has no day yet belongs to the last one."""
    begins, ends = spell
    if home is None:
        return ends is None
    return (begins is None or begins <= home) and (ends is None or home < ends)


def _unused(
    pulls: Mapping[str, Sequence[Taken]], kept: Iterable[Obligation]
) -> dict[str, list[Taken]]:
    """The pulls that served nothing in an earlier spell; a composite may serve one bed only."""
    used = {(one.bed, code) for one in kept for code in (one.pull, *one.repeats)}
    return {
        bed: [pull for pull in some if (bed, pull.code) not in used] for bed, some in pulls.items()
    }


def _of_spell(
    every: Sequence[BedRef],
    calendar: Sequence[PlannedPull],
    history: _History,
    kept: Iterable[Obligation],
) -> list[Obligation]:
    """What every bed owes by one calendar, whatever the day, without what was settled before.

    A pull taken early, before the change, settled an obligation whose day lies after it.
    """
    done = {(one.bed, one.planned, one.target) for one in kept if one.pulled is not None}
    made: dict[str, list[Obligation]] = {}
    for bed in every:
        if not bed.control:
            own = _own(bed.id, calendar, history)
            made[bed.id] = _settled(bed.id, own, history, done)
    for bed in every:
        if bed.control:
            others = _followed(bed, every, history)
            treated = [
                owed
                for other in others
                for owed in made[other.id]
                if owed.skipped is None or owed.pulled is not None
            ]
            days = _known(history.applications.get(other.id) for other in others)
            first = min(days, default=None)
            own = (
                _control(bed.id, calendar, history, treated, first)
                if others
                else _own(bed.id, calendar, history)
            )
            before = [one for one in kept if one.bed == bed.id]
            made[bed.id] = _without_shared(_settled(bed.id, own, history, done), before)
    return [owed for bed in every for owed in made[bed.id]]


def _followed(control: BedRef, every: Iterable[BedRef], history: _History) -> list[BedRef]:
    """The treated beds of a control's block that it is pulled for.

    One that joined later has another history: only controls that joined too, or were applied on
    its day, are pulled for it.
    """
    treated = [one for one in every if one.block == control.block and not one.control]
    days = history.applications
    early = _known(days.get(one.id) for one in treated if one.id not in history.joined)
    day0 = days.get(control.id) or min(early, default=None)
    if control.id in history.joined:
        return treated
    return [one for one in treated if one.id not in history.joined or days.get(one.id) == day0]


def _settled(
    bed: str,
    owed: Iterable[Obligation],
    history: _History,
    done: Collection[tuple[str, str, date | None]],
) -> list[Obligation]:
    """A bed's obligations with their pulls and their home, as long as it was in the trial.

    From the day that it left on it owes nothing; a pull of that day may have been made before.
    """
    owed = [one for one in owed if (one.bed, one.planned, one.target) not in done]
    leaves = history.leaving.get(bed)
    pulls = [p for p in history.pulls.get(bed, ()) if leaves is None or p.day <= leaves]
    found = []
    for one in _serve(owed, pulls):
        left = _left(one, leaves) if leaves is not None else one
        if left is not None:
            reason = _reason(left, history.reasons) if history.reasons else None
            found.append(left._replace(skipped=reason, home=_home(one)))
    return found


def _home(one: Obligation) -> date | None:
    """The day that decides to which spell it belongs: its own, or that on which it was pulled."""
    own = one.home or one.target
    return own if own is None or one.pulled is None else min(own, one.pulled)


def _left(one: Obligation, leaves: date) -> Obligation | None:
    """An obligation of a bed that left: as it was if served, lost if open, gone if still ahead."""
    if one.pulled is not None:
        return one
    if one.target is None or one.target >= leaves:
        return None
    if one.missed_from is None or one.missed_from <= leaves or one.closes is None:
        return one
    return one._replace(closes=min(one.closes, leaves - timedelta(days=1)), missed_from=leaves)


def _reason(one: Obligation, reasons: Mapping[tuple[str, str], str]) -> str | None:
    """Why it is skipped; one that serves treated beds of several ages, only if all of it is."""
    found = [reasons.get((one.bed, name)) for name in one.names]
    return found[0] if all(reason is not None for reason in found) else None


def _calendar_order(plan: PlannedPull) -> tuple[int, str]:
    return (age_order(plan.day), plan.name)


def _shift(day: date | None, days: int) -> date | None:
    return None if day is None else day + timedelta(days=days)


def _own(bed: str, calendar: Sequence[PlannedPull], history: _History) -> list[Obligation]:
    """The obligations of a bed that follows its own application."""
    day0, filled = history.applications.get(bed), history.fillings.get(bed)
    made = [
        _before(bed, plan, day0, filled)
        if plan.day is None
        else _dated(bed, plan, plan.day, day0, _shift(day0, plan.day))
        for plan in calendar
    ]
    return _with_limits(made)


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
        limited[at] = one._replace(missed_from=max(limit, one.closes + timedelta(days=1)))
        following = one
    return limited


def _bed_order(one: Obligation) -> tuple[bool, bool, date, int, str]:
    """The pulls before first, then by target, then those that have none yet."""
    known = one.target is not None
    return (one.day is not None, not known, one.target or date.min, age_order(one.day), one.planned)


def _control(
    bed: str,
    calendar: Sequence[PlannedPull],
    history: _History,
    treated: Sequence[Obligation],
    first: date | None,
) -> list[Obligation]:
    """The obligations of a control bed: those of its block's treated beds.

    `first` is their first application: a mock application that nobody logged does not keep the
    pull before open for ever.
    """
    day0 = history.applications.get(bed) or first
    made = [
        _before(bed, plan, day0, history.fillings.get(bed)) for plan in calendar if plan.day is None
    ]
    for plan in calendar:
        if plan.day is not None:
            some = [one for one in treated if one.planned == plan.name]
            made += _following_plan(bed, plan, plan.day, some)
    return _with_limits(_same_day_once(made))


def _following_plan(
    bed: str, plan: PlannedPull, day: int, treated: Sequence[Obligation]
) -> list[Obligation]:
    """A control's obligations for one planned pull: one for each day of its treated beds.

    Beds whose window holds the day that is asked for already share it.
    """
    by_target: dict[tuple[date | None, date | None], list[Obligation]] = {}
    for one in treated:
        by_target.setdefault((one.target, one.day0), []).append(one)
    made: dict[date | None, Obligation] = {}
    shared: date | None = None
    for (target, day0), some in sorted(by_target.items(), key=lambda item: item[0][0] or date.max):
        home = min(_known(one.home for one in some), default=None)
        asked: list[date | None] = [*_days_outside(some)]
        if shared is not None and _holds(some[0], shared):
            asked.append(shared)
        elif any(one.pulled is None or _in_window(one) for one in some):
            shared = _day_inside(target, some)
            asked.append(shared)
        for actual in asked:
            other = made.get(actual)
            owed = _dated(bed, plan, day, day0, actual)._replace(moved=actual != target, home=home)
            made[actual] = owed if other is None else _one_of_both(other, owed)
    return list(made.values())


def _days_outside(treated: Iterable[Obligation]) -> list[date]:
    """The days on which treated beds of one target were pulled outside its window."""
    return sorted({one.pulled for one in treated if one.pulled is not None and not _in_window(one)})


def _day_inside(target: date | None, treated: Iterable[Obligation]) -> date | None:
    """The first day inside the window on which treated beds of one target were pulled, or it."""
    return min(_known(one.pulled for one in treated if _in_window(one)), default=target)


def _one_of_both(first: Obligation, second: Obligation) -> Obligation:
    """One obligation for one day: the one that the calendar set there goes before one moved."""
    home = min(_known([first.home, second.home]), default=None)
    return (second if first.moved else first)._replace(home=home)


def _without_shared(made: Sequence[Obligation], before: Sequence[Obligation]) -> list[Obligation]:
    """A control's obligations without those that the pull for another one serves, too.

    It does where it was made inside both windows; `before` are those that were settled earlier.
    """
    pulled = [one for one in (*before, *made) if one.pulled is not None and _in_window(one)]
    return [
        one
        for one in made
        if one.pulled is not None
        or one.day is None
        or not any(_shares(other, one) for other in pulled)
    ]


def _shares(done: Obligation, still: Obligation) -> bool:
    """Whether the pull for one obligation lies in the window of another of the same names."""
    same = set(still.names) <= set(done.names)
    return same and done.pulled is not None and _holds(still, done.pulled)


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
            home = min(_known([first.home, one.home]), default=None)
            kept[key] = first._replace(also=(*first.also, one.planned), home=home)
    return list(kept.values())


def _known(days: Iterable[date | None]) -> list[date]:
    return [day for day in days if day is not None]


def _serve(owed: Sequence[Obligation], pulls: Sequence[Taken]) -> list[Obligation]:
    """One bed's obligations with the pulls (in order) that serve and repeat them."""
    serving: dict[int, list[Taken]] = {}
    firsts: dict[date, set[int | None]] = {}
    # What a person said comes before what follows from dates, and a repeat after what it repeats.
    for pull in sorted(pulls, key=lambda pull: (pull.again, pull.planned is None)):
        found = _obligation_of(pull, owed, serving)
        if pull.again and pull.planned is None and firsts.get(pull.day) == {None}:
            found = None  # it follows the pull of its day that it repeats, outside the calendar
        if not pull.again:
            firsts.setdefault(pull.day, set()).add(found)
        if found is not None:
            serving.setdefault(found, []).append(pull)
    return [_served(one, serving.get(at, [])) for at, one in enumerate(owed)]


def _obligation_of(
    pull: Taken, owed: Sequence[Obligation], serving: Mapping[int, Sequence[Taken]]
) -> int | None:
    """The place in `owed` of the obligation that this pull serves or repeats; None for an extra.

    By window, else by name, else the nearest one still unserved (a repeat: the nearest) that it is
    a little early or late for. One that names what another pull served on another day is meant for
    the next of that name.
    """
    named = [at for at, one in enumerate(owed) if pull.planned in (None, *one.names)]
    choice = [at for at in named if _holds(owed[at], pull.day)]
    if choice and pull.planned is not None and not pull.again:
        days = {other.day for at in choice for other in serving.get(at, ())}
        free = [at for at in named if at not in serving and _was_asked(owed[at], pull.day)]
        if free and all(at in serving for at in choice) and pull.day not in days:
            choice = free
    if not choice and pull.planned is not None:
        choice = named
    elif not choice:
        free = [at for at in named if pull.again or at not in serving]
        choice = [at for at in free if _reaches(owed[at], pull.day)]
    return min(choice, key=lambda at: _nearness(owed[at], pull, at in serving), default=None)


def _served(one: Obligation, pulls: Sequence[Taken]) -> Obligation:
    if not pulls:
        return one
    first, *rest = sorted(pulls, key=lambda pull: (pull.again, pull.day, pull.order, pull.code))
    repeats = tuple(pull.code for pull in rest)
    return one._replace(pull=first.code, pulled=first.day, repeats=repeats)


def _nearness(one: Obligation, pull: Taken, taken: bool) -> tuple[bool, bool, int]:
    """For choosing among several: unserved ones first (a repeat: served ones), then the nearest."""
    away = 10**6 if one.target is None else abs((pull.day - one.target).days)
    return (taken != pull.again, one.day is None, away)


def _holds(one: Obligation, day: date) -> bool:
    if one.day is None:
        return one.day0 is None or day < one.day0
    return one.opens is not None and one.closes is not None and one.opens <= day <= one.closes


def _was_asked(one: Obligation, day: date) -> bool:
    """Whether the day of an obligation has come, or nearly so: it may be lost already."""
    return _reaches(one, day) or (one.target is not None and one.target <= day)


def _reaches(one: Obligation, day: date) -> bool:
    """Whether a day outside the window is near enough that the pull can only be meant for this one.

    After the window: as long as it is overdue; before it opens: as many days as its tolerance, at
    least one. Nothing reaches across the application.
    """
    if one.opens is None or one.day is None or one.day0 is None or one.missed_from is None:
        return False
    if (day >= one.day0) != (one.day >= 0):
        return False
    return one.opens - timedelta(days=max(1, one.tolerance)) <= day < one.missed_from
