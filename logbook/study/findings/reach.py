"""How far findings go: this lot, rate and soil, so watered, so warm, so many beds and days."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study import placing
from logbook.study.amounts import Facts
from logbook.study.findings.content import number
from logbook.study.flags import History
from logbook.trial.ranges import compact
from logbook.trial.records import OUT, SOWN
from logbook.trial.times import spoken_day
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial.records import Bed, Measurement, Treatment, Trial

NO_CROP = "no crop was grown: what plants would take up is not shown"
CROP = (
    "a crop was sown: what it took up is no longer in the soil, and is not counted; pulls before "
    "sowing are not touched by that"
)
COOLER = (
    "in cooler ground it goes slower: about half as fast for each 10 C less (Q10 about 2 between "
    "15 and 35 C, after Stanford, Frye & Schwaninger 1973, not checked against the paper)"
)


def reach(
    store: sqlite3.Connection,
    ident: str,
    trial: Trial,
    known: Facts,
    treatment: str,
    history: History,
    last: tuple[date, float] | None,
    had: tuple[int, int],
) -> tuple[str, ...]:
    """The sentences of reach of a treatment, by id; last: date and age of the newest comparison.

    had: the most treated and control beds that any one pull compares.
    """
    return (
        _material(store, known, known.treatments[treatment]),
        _soil(store, ident),
        _beds(trial, known, treatment, history, had),
        _conditions(store, ident, known, treatment, history),
        _length(store, ident, last),
    )


def _material(store: sqlite3.Connection, known: Facts, treatment: Treatment) -> str:
    """This lot, at this rate."""
    lots = views.fetch(store, "lot", "id = ?", (treatment.lot or "",))
    depth = f"worked in {short(treatment.depth_cm)} cm deep"
    rate = "a rate not written down"
    if treatment.rate is not None:
        rate = f"{short(treatment.rate)} {treatment.rate_unit}"
    if not lots:
        return f"{treatment.name}: lot not written down, at {rate}, {depth}"
    lot = lots[0].record
    materials = views.fetch(store, "amendment", "id = ?", (lot.amendment,))
    name = materials[0].record.name if materials else known.lot_names.get(treatment.lot or "", "")
    return f"{name}, lot {lot.name}, at {rate}, {depth}"


def _soil(store: sqlite3.Connection, trial: str) -> str:
    soils = views.fetch(store, "soil", "trial = ?", (trial,))
    if not soils:
        return "soil not written down"
    one = soils[0].record
    return ", ".join(part for part in (one.source, one.texture) if part)


def _beds(
    trial: Trial, known: Facts, treatment: str, history: History, had: tuple[int, int]
) -> str:
    """How many beds, in how many blocks, drawn or not."""
    beds = placing.compared(known, treatment)
    mine = [bed for bed, record in beds.items() if record.treatment == treatment]
    control = [bed for bed in beds if bed not in mine]
    blocks = {bed.block for bed in beds.values()}
    told = f"{_count(mine)} against {_count(control)} of the untreated control"
    told += f", in {len(blocks)} blocks" if len(blocks) > 1 else ", in one block"
    told += _placed(trial, beds)
    if had != (0, 0) and had != (len(mine), len(control)):
        told += f"; results to compare of at most {had[0]} against {had[1]} on one day"
    gone = [one for one in history.events if one.event.what == OUT]
    left = compact(one.label for one in gone if one.event.bed in (*mine, *control))
    return f"{told}; {left} left the trial" if left else told


def _placed(trial: Trial, beds: Mapping[str, Bed]) -> str:
    """Drawn or not; late beds are placed by hand in a trial that was drawn too."""
    if trial.assigned != "drawn":
        return f", places given {placing.NOT_RANDOMISED}"
    late = placing.late_by_hand(beds.values())
    if all(bed.origin is not None for bed in beds.values()):
        return f"; {late}"
    return f", places drawn by lot{f', but {late}' * bool(late)}"


def _count(beds: Sequence[str]) -> str:
    return f"{len(beds)} bed{'s' * (len(beds) != 1)}"


def _conditions(
    store: sqlite3.Connection, trial: str, known: Facts, treatment: str, history: History
) -> str:
    """Planted or not, how watered, how warm."""
    mine = {bed for bed, record in known.beds.items() if record.treatment == treatment}
    control = {
        bed for bed, record in known.beds.items() if known.treatments[record.treatment].control
    }
    sown = [one for one in history.events if one.event.what == SOWN and one.event.bed in mine]
    planted = "unplanted"
    if sown:
        first = min(one.event.when.day for one in sown)
        planted = f"unplanted until {spoken_day(first)}"
    day0 = views.first_days(store, "apply", trial)
    applied = {bed: day0[bed] for bed in mine if bed in day0}
    read = _warmth(store, trial, mine | control, min(applied.values(), default=None))
    return "; ".join((planted, _watered(store, trial, applied), read))


def _watered(store: sqlite3.Connection, trial: str, applied: Mapping[str, date]) -> str:
    """As planned, and on how many days the treated beds were watered from application on."""
    given = [one.record for one in views.fetch(store, "water", views.OF_TRIAL, (trial,))]
    times = len(
        {one.when.day for one in given if one.bed in applied and one.when.day >= applied[one.bed]}
    )
    done = f"watered on {times} day{'s' * (times != 1)}" if times else "no watering written down"
    plans = views.fetch(store, "watering-plan", "trial = ?", (trial,))
    if not plans:
        return done
    one = plans[0].record
    return f"{done} (plan: {short(one.amount)} {one.unit} every {one.interval} days)"


def _warmth(store: sqlite3.Connection, trial: str, beds: Iterable[str], start: date | None) -> str:
    """About how warm from application on: soil where it was read, else air."""
    where = "about = ? OR about IN (SELECT id FROM bed WHERE trial = ?)"
    found = [one.record for one in views.fetch(store, "measure", where, (trial, trial))]
    read = [one for one in found if start is None or one.when.day >= start]
    wanted = {trial, *beds}
    for what in ("soil temperature", "air temperature"):
        values = [float(one.value) for one in _of(read, what) if one.about in wanted]
        if values:
            mean = number(round(sum(values) / len(values), 1))
            ends = f"{number(min(values))} to {number(max(values))}"
            times = f"{len(values)} reading{'s' * (len(values) != 1)}"
            return f"{what} about {mean} C ({ends}, {times})"
    return "temperature not written down"


def _of(read: Iterable[Measurement], what: str) -> Iterator[Measurement]:
    return (one for one in read if one.what == what)


def _length(store: sqlite3.Connection, trial: str, last: tuple[date, float] | None) -> str:
    """Until when, and how long the calendar goes on."""
    if last is None:
        return "no pull has been compared yet"
    day, age = last
    days = [one.day for one in views.calendar(store, trial).planned if one.day is not None]
    end = max(days, default=0)
    more = f", of {end} planned" if end > round(age) else ""
    return f"{number(round(age))} days to the newest compared pull ({spoken_day(day)}){more}"
