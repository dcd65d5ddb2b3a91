"""How long a sample may wait for its analysis, by how it is kept; the clock starts at sampling.

A limit holds for the state that a bag is in; drying and freezing stop the clock of the state
before. A pull of which only the day was written down may have been taken at any hour of it: such a
wait is over for certain, or it may be over. No hour is invented.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from logbook.trial.records import CHILLED, DRIED, FROZEN
from logbook.trial.times import When

MOIST = "moist"  # as it was pulled: neither cooled nor dried
# What a part is kept as -> the state that it is in from its pull on.
KEPT = {"chilled": CHILLED, "frozen": FROZEN, "dried": DRIED}
QUICK = ("nitrate-N", "ammonium-N")  # what microbes and drying change within hours
_DAY = timedelta(days=1)
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Limit:
    """The longest wait of an analysis in a state, and who says so."""

    longest: timedelta
    source: str


# Nitrate and ammonium by state. Others saw nitrate rise within 24 h in a refrigerator (Bailey et
# al. 2022, Soil Res. 60:22-32), or fresh and chilled soil alike for 2 to 3 days.
_QUICK = {
    MOIST: Limit(timedelta(hours=12), "a conservation district's rule: dry within 12 h or cool"),
    CHILLED: Limit(
        timedelta(hours=48), "US EPA's advice on nitrate in soil: 48 h from collection to analysis"
    ),
    FROZEN: Limit(60 * _DAY, "a comparison that found -20 C equal to fresh for 2 months"),
    DRIED: Limit(
        90 * _DAY,
        f"{PRACTICE}; in 9 months, air-dry soil in paper bags gained 6 mg/kg of NH4-N more than "
        "drying had added (Nelson & Bremner 1972)",
    ),
}
_METALS = {
    state: Limit(180 * _DAY, "US EPA SW-846: metals in soils and waters, 180 days")
    for state in (MOIST, CHILLED, FROZEN, DRIED)
}
# Everything else: moist soil goes on living.
_SLOW = {
    MOIST: Limit(7 * _DAY, PRACTICE),
    CHILLED: Limit(14 * _DAY, PRACTICE),
    FROZEN: Limit(180 * _DAY, PRACTICE),
    DRIED: Limit(365 * _DAY, PRACTICE),
}
METALS = ("K", "Ca", "Mg", "Na", "Al", "Fe", "Mn", "Zn", "Cu")


def limit(analyte: str, state: str) -> Limit:
    """The longest wait of an analysis of soil in a state (MOIST, CHILLED, FROZEN, DRIED)."""
    table = _QUICK if analyte in QUICK else _METALS if analyte in METALS else _SLOW
    return table[state]


@dataclass(frozen=True)
class Stage:
    """The state of a bag from a time on."""

    state: str
    since: When


@dataclass(frozen=True)
class Wait:
    """An analysis that waited too long: in which state, how long at least and at most, the limit.

    `certain`: even the shortest wait that the days allow is over the limit.
    """

    analyte: str
    state: str
    least: timedelta
    most: timedelta
    limit: Limit

    @property
    def certain(self) -> bool:
        """Whether it is over for certain."""
        return self.least > self.limit.longest


def waits(
    pulled: When, stages: Sequence[Stage], analytes: Iterable[str], until: When, zone: tzinfo
) -> list[Wait]:
    """The analyses whose limit is over, or may be, at `until`: one for each, its first state.

    `stages` begin with the state at the pull. In each state the wait is counted from the pull to
    the end of that state, as holding times are.
    """
    found = []
    for analyte in analytes:
        for place, stage in enumerate(stages):
            end = stages[place + 1].since if place + 1 < len(stages) else until
            least, most = between(pulled, end, zone)
            one = Wait(analyte, stage.state, least, most, limit(analyte, stage.state))
            if most > one.limit.longest:
                found.append(one)
                break
    return found


def last_moment(pulled: When, state: str, analyte: str, zone: tzinfo) -> datetime:
    """Until when an analysis may be made, counted from the earliest moment of the pull."""
    return _moments(pulled, zone)[0] + limit(analyte, state).longest


def between(start: When, end: When, zone: tzinfo) -> tuple[timedelta, timedelta]:
    """The least and the most time from one act to another; never less than nothing."""
    first, last = _moments(start, zone), _moments(end, zone)
    nothing = timedelta()
    return max(last[0] - first[1], nothing), max(last[1] - first[0], nothing)


def _moments(when: When, zone: tzinfo) -> tuple[datetime, datetime]:
    """The earliest and the latest moment at which it was."""
    if when.instant is not None:
        return when.instant, when.instant
    start = datetime.combine(when.day, time(), zone).astimezone(UTC)
    after = datetime.combine(when.day + _DAY, time(), zone).astimezone(UTC)
    return start, after


def spoken(span: timedelta) -> str:
    """`36 h`, `5 d`."""
    hours = span.total_seconds() / 3600
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} d"
