"""What happened to beds, and what it does to their curves: mishaps, sowing, leaving, joining late.

A pull made on or after a mishap on its bed is flagged: kept, unless it is asked to be left out.
From sowing on a bed is planted: its pulls are shown and stand outside release fits. What was
pulled after a bed left the trial counts no longer. A bed that joined late is compared with a
control of its own history, or its curve cannot be told from the flush that rewetting brings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.trial.ranges import compact
from logbook.trial.records import (
    AMMONIA,
    MISHAPS,
    NEW_FILL,
    OUT,
    SOWN,
    UNKNOWN_ORIGIN,
    UNTREATED,
    Bed,
    Event,
)
from logbook.trial.times import When, spoken_day

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samples import Reading

_SAME_DAY = 1  # days that a bed and its control may lie apart and still have one history
FLUSH = "cannot be told from the rewetting flush"


@dataclass(frozen=True)
class Happened:
    """An event on a bed, and the sample codes that were pulled of it on or after that time."""

    label: str
    event: Event
    later: frozenset[str]


@dataclass(frozen=True)
class History:
    """Events in order, and what the histories of beds and controls follow from, by bed id."""

    events: tuple[Happened, ...]
    labels: Mapping[str, str]
    applied: Mapping[str, date]
    filled: Mapping[str, date]

    def codes(self, kinds: Iterable[str]) -> frozenset[str]:
        """The samples pulled on or after an event of one of these kinds on their bed."""
        wanted = frozenset(kinds)
        found = (one.later for one in self.events if one.event.what in wanted)
        return frozenset().union(*found)


def history(
    store: sqlite3.Connection, trial: str, lines: Sequence[views.Found] | None = None
) -> History:
    """Read what happened to the beds of a trial; lines: its pulls, if they were fetched already."""
    labels = {bed.id: bed.label for bed in views.bed_refs(store, trial)}
    pulls: dict[str, list[tuple[str, When]]] = {}
    if lines is None:
        lines = views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    for found in lines:
        for bed in (found.record.bed, *found.record.also):
            pulls.setdefault(bed, []).append((found.record.code, found.record.when))
    events = [
        Happened(
            labels[event.bed],
            event,
            frozenset(code for code, when in pulls.get(event.bed, ()) if _not_before(when, event)),
        )
        for event in (one.record for one in views.fetch(store, "event", views.OF_TRIAL, (trial,)))
    ]
    events.sort(key=lambda one: (one.event.when.day, one.label, one.event.what))
    return History(
        tuple(events),
        labels,
        views.first_days(store, "apply", trial),
        views.fillings(store, trial),
    )


def _not_before(when: When, event: Event) -> bool:
    """Whether a pull counts as made after an event: by instants where both are known, else days."""
    if when.instant is not None and event.when.instant is not None:
        return when.instant >= event.when.instant
    return when.day >= event.when.day


def usable(found: Iterable[Reading], known: History, without_flagged: bool) -> list[Reading]:
    """The readings that a curve counts: none in dispute, in question, or of a bed that left before.

    without_flagged: none that was pulled after a mishap either.
    """
    gone = known.codes((OUT, *MISHAPS)) if without_flagged else known.codes((OUT,))
    sound = (one for one in found if not one.conflict and not one.queried)
    return [one for one in sound if one.sample not in gone]


def planted(codes: Iterable[str], known: History) -> tuple[str, ...]:
    """The labels of the beds that were sown before these samples were pulled of them."""
    wanted = frozenset(codes)
    return tuple(
        dict.fromkeys(
            one.label for one in known.events if one.event.what == SOWN and one.later & wanted
        )
    )


def notes(found: Sequence[Reading], known: History, without_flagged: bool) -> Iterator[str]:
    """What events do to a series, a sentence for each that has later pulls in it."""
    codes = {one.sample for one in found}
    flagged = False
    for one in known.events:
        later = len(one.later & codes)
        if not later:
            continue
        what, day = one.event.what, spoken_day(one.event.when.day)
        pulls = f"{later} pull{'s' * (later != 1)} of it since then"
        verb = "are" if later != 1 else "is"
        if what == OUT:
            yield f"{one.label} is out of the trial since {day}: {pulls} {verb} left out"
        elif what == SOWN:
            yield f"{one.label} was sown on {day}: {pulls} {verb} planted, outside release fits"
        elif what == AMMONIA:
            yield f"{one.label}: ammonia was smelt on {day}: nitrogen went into the air"
        else:
            flagged = True
            end = "left out, as asked" if without_flagged else "flagged, and kept here"
            yield f"{one.label} {what} on {day}: {pulls} {verb} {end}"
    if without_flagged and not flagged:
        yield "no pull of this series is flagged: nothing was left out"


def flush(treatment: str, beds: Mapping[str, Bed], controls: set[str], known: History) -> list[str]:
    """Why the curve of a treatment's late beds cannot be told from the rewetting flush.

    treatment: its id; beds: every bed by id; controls: ids of the control treatments.
    """
    reasons: dict[str, list[str]] = {}
    for ident, bed in beds.items():
        if bed.treatment == treatment and bed.origin is not None and ident in known.applied:
            beside = [
                other
                for other, record in beds.items()
                if record.block == bed.block and record.treatment in controls
            ]
            why = _no_match(ident, bed, [(other, beds[other]) for other in beside], known)
            if why:
                reasons.setdefault(why, []).append(bed.label)
    return [f"{compact(labels)} {FLUSH}: {why}" for why, labels in reasons.items()]


def _no_match(
    ident: str, bed: Bed, controls: Sequence[tuple[str, Bed]], known: History
) -> str | None:
    """Why no control has the history of a late bed; None if one has."""
    if bed.origin == UNKNOWN_ORIGIN:
        return "where the soil came from is not known"
    alike = [
        other
        for other, record in controls
        if (record.origin or UNTREATED) == bed.origin and _filled_alike(ident, other, bed, known)
    ]
    if not alike:
        kind = "newly filled with it" if bed.origin == NEW_FILL else "that ran untreated as long"
        return f"block {bed.block} has no control bed {kind}"
    if any(_apart(known.applied, ident, other) <= _SAME_DAY for other in alike):
        return None
    return f"no control bed of block {bed.block} was forked the same day (a mock application)"


def _filled_alike(ident: str, other: str, bed: Bed, known: History) -> bool:
    """Newly filled soil has the history of soil filled with it; other soil is as old as it is."""
    if bed.origin != NEW_FILL or ident not in known.filled or other not in known.filled:
        return True
    return _apart(known.filled, ident, other) <= _SAME_DAY


def _apart(days: Mapping[str, date], one: str, other: str) -> int:
    """Days between two beds; as good as for ever where a day is not known."""
    if one not in days or other not in days:
        return 10**6
    return abs((days[one] - days[other]).days)
