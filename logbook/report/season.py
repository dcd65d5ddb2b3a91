"""A season read whole, and its tables of pulls and results.

`season_of` reads a trial once; nothing here depends on the day on which it is run.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from logbook.report.findings_files import findings_of
from logbook.report.sheets import Cell, Sheet, columns
from logbook.store import views
from logbook.store.views import Found
from logbook.study import amounts
from logbook.study.changed import Change, changes_of
from logbook.study.parts import Tin, of_trial, tins
from logbook.study.samples import Sample, samples
from logbook.study.series import Series, series_of
from logbook.trial.chemistry import ANALYTES
from logbook.trial.ranges import BedRef
from logbook.trial.records import Event, Part, Trial
from logbook.trial.schedule import Obligation, status
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3

    from logbook.handbook import Handbook
    from logbook.study.findings import Findings

_PULLS_OF_TRIAL = f"(SELECT id FROM pull WHERE {views.OF_TRIAL})"
# A result is its part's pull's; the pull's own code has a part of its own where there are parts.
_OF_PULLS = (
    "coalesce((SELECT part.pull FROM part WHERE part.id = result.sample), sample) "
    f"IN {_PULLS_OF_TRIAL}"
)
_ACTS = ("fill", "apply", "water", "pull", "event")


@dataclass(frozen=True)
class Season:
    """Everything that an export says of one trial.

    `last_day`: the newest day with an act on a bed, from which "missed" is judged; `pulls` and
    `results` are in the order of `samples`; `parts` are those of each pull, by its code; `state`
    is the SHA-256 of the ids of all entries.
    """

    trial: Trial
    beds: tuple[BedRef, ...]
    known: amounts.Facts
    samples: tuple[Sample, ...]
    pulls: dict[str, Found]
    parts: dict[str, list[Part]]
    tins: tuple[Tin, ...]
    owed: tuple[Obligation, ...]
    events: tuple[Event, ...]
    results: tuple[Found, ...]
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    notes: tuple[Found, ...]
    records: dict[str, tuple[Found, ...]]
    day0: dict[str, date]
    last_day: date | None
    missing: tuple[str, ...]
    state: str
    findings: tuple[Findings, ...] = ()

    def pull_of(self, code: str) -> str:
        """The code of the pull that a bag's code belongs to: its own, if it is no part."""
        return self.bags.get(code, code)

    @cached_property
    def bags(self) -> dict[str, str]:
        """The pull of every part of this trial, by the part's code."""
        return {part.code: pull for pull, some in self.parts.items() for part in some}

    def bed(self, ident: str) -> BedRef | None:
        """The bed of that id; None for a struck one."""
        return next((bed for bed in self.beds if bed.id == ident), None)


def season_of(store: sqlite3.Connection, trial: str, handbook: Handbook | None = None) -> Season:
    """Read a trial whole; raises UserMistake as `series_of` does.

    handbook: the tables that findings are read beside; None: the program's own.
    """
    pulled, series = samples(store, trial), tuple(series_of(store, trial))
    order = {one.code: place for place, one in enumerate(pulled)}
    results = views.fetch(store, "result", _OF_PULLS, (trial,))
    divided = of_trial(store, trial)
    pull_of = {part.code: code for code, some in divided.items() for part in some}
    notes = views.fetch(store, "note", f"about = ? OR about {_beds_of()}", (trial, trial))
    return Season(
        trial=views.fetch(store, "trial", "id = ?", (trial,))[0].record,
        beds=tuple(views.bed_refs(store, trial)),
        known=amounts.facts(store, trial),
        samples=tuple(pulled),
        pulls={f.record.code: f for f in views.fetch(store, "pull", views.OF_TRIAL, (trial,))},
        parts=divided,
        tins=tuple(tins(store, trial)),
        owed=tuple(views.obligations(store, trial)),
        events=tuple(f.record for f in views.fetch(store, "event", views.OF_TRIAL, (trial,))),
        results=tuple(sorted(results, key=lambda one: _result_order(one, order, pull_of))),
        series=series,
        changes=tuple(changes_of(store, trial)),
        notes=tuple(sorted(notes, key=lambda one: (one.record.when.day, one.id))),
        records=_records(store, trial),
        day0=views.first_days(store, "apply", trial),
        last_day=_last_day(store, trial),
        missing=tuple(amounts.not_known(store, trial)),
        state=_state(store),
        findings=findings_of(store, trial, handbook, series) if results else (),
    )


def _beds_of() -> str:
    return views.OF_TRIAL.removeprefix("bed ")


def _result_order(found: Found, order: dict[str, int], pull_of: dict[str, str]) -> tuple[Any, ...]:
    one = found.record
    names = list(ANALYTES)
    nutrient = names.index(one.analyte) if one.analyte in ANALYTES else len(names)
    place = order[pull_of.get(one.sample, one.sample)]
    return (place, nutrient, one.method, one.basis, one.run, one.n, found.id)


def _records(store: sqlite3.Connection, trial: str) -> dict[str, tuple[Found, ...]]:
    """What a description of the trial needs beside `amounts.Facts`, by key space."""
    direct = (
        "soil",
        "soil-value",
        "amendment",
        "lot",
        "treatment",
        "planned-pull",
        "planned-part",
        "followed",
    )
    found = {
        space: _in_order(views.fetch(store, space, "trial = ?", (trial,)))
        for space in (*direct, "watering-plan", "bed")
    }
    of_lot = "lot IN (SELECT id FROM lot WHERE trial = ?)"
    found["lot-content"] = _in_order(views.fetch(store, "lot-content", of_lot, (trial,)))
    return found


def _in_order(found: Iterable[Found]) -> tuple[Found, ...]:
    """By nutrient, else by code or name: ids say nothing to a reader."""
    names = list(ANALYTES)

    def place(one: Found) -> tuple[int, str, str]:
        analyte = getattr(one.record, "analyte", "")
        nutrient = names.index(analyte) if analyte in names else len(names)
        called = getattr(one.record, "code", "") or getattr(one.record, "name", "")
        return (nutrient, str(called), one.id)

    return tuple(sorted(found, key=place))


def _last_day(store: sqlite3.Connection, trial: str) -> date | None:
    days = [
        max(f.record.when.day for f in found)
        for space in _ACTS
        if (found := views.fetch(store, space, views.OF_TRIAL, (trial,)))
    ]
    return max(days, default=None)


def _state(store: sqlite3.Connection) -> str:
    """A digest of which entries the book holds."""
    digest = hashlib.sha256()
    for (name,) in store.execute("SELECT id FROM entry ORDER BY id"):
        digest.update(name.encode())
    return digest.hexdigest()


# --- pulls --------------------------------------------------------------------------------------

_PLACE = """
bed | | the bed's label; B1+B2 for a composite
block | | the bed's block; empty for a composite of several blocks
treatment | | the treatment's code
control | | yes for a bed of the untreated control
"""
_PULLS = f"""
sample | | the sample's code, its name everywhere
parts | | what it was divided into, by kind, with the code on each bag; empty: one bag
{_PLACE.strip()}
pull | | the calendar's names of the pull; empty: outside the calendar
date | | the field day in the trial's time zone
time | | the time as written down: a date, or an instant with its offset from UTC
day | days | days since the bed's own application; negative before it; empty: not applied yet
timing | | on time, early, late, repeat, extra (outside the calendar)
from_target | days | days after (negative: before) the planned day; empty where none is planned
cores | | cores mixed into the sample
depth | cm | depth of the cores
repeat | | yes: the same pull was taken before
repeat_reason | | why it was taken again
events_before | | mishaps of the bed on or before that day
results | | how many results the sample has
conflict | | yes: machines disagree about this line
"""


def pulls_sheet(season: Season) -> Sheet:
    """Every sample taken, with what its bed went through before it."""
    counts = Counter(season.pull_of(found.record.sample) for found in season.results)
    serving = _serving(season.owed)
    rows = tuple(
        _pull_row(season, one, serving.get(one.code), counts[one.code]) for one in season.samples
    )
    return Sheet("pulls.csv", "One row for each soil sample taken.", columns(_PULLS), rows)


def _serving(owed: Iterable[Obligation]) -> dict[str, Obligation]:
    """The obligation that each pull serves or repeats, by code."""
    return {code: one for one in owed for code in (one.pull, *one.repeats) if code is not None}


def _pull_row(
    season: Season, sample: Sample, owed: Obligation | None, results: int
) -> tuple[Cell, ...]:
    found = season.pulls[sample.code]
    line = found.record
    away = None
    if owed is not None and owed.day is not None and owed.target is not None:
        away = (sample.day - owed.target).days
    return (
        sample.code,
        "; ".join(f"{part.kind} {part.code}" for part in season.parts.get(sample.code, ())),
        *sampled_place(sample),
        " and ".join(sample.names),
        sample.day,
        line.when.text,
        sample.age,
        _timing(sample, owed),
        away,
        line.cores,
        line.depth_cm,
        sample.repeat,
        line.again or "",
        "; ".join(_events_before(season, sample.beds, line.when)),
        results,
        found.conflict,
    )


def _place(bed: BedRef | None) -> tuple[Cell, ...]:
    return (
        ("", "", "", None)
        if bed is None
        else (bed.label, bed.block, bed.treatment_code, bed.control)
    )


def sampled_place(sample: Sample) -> tuple[Cell, ...]:
    """The cells of _PLACE for a sample."""
    return (sample.label, sample.block, sample.treatment, sample.control)


def _timing(sample: Sample, owed: Obligation | None) -> str:
    if owed is None:
        return "extra"
    if sample.repeat:
        return "repeat"
    state = status(owed, sample.day).state
    return {"done early": "early", "done late": "late"}.get(state, "on time")


def _events_before(season: Season, beds: Sequence[str], when: When) -> Iterator[str]:
    """Mishaps of beds up to the day of a pull; on the very day, unless known to come later."""
    for event in sorted(season.events, key=lambda one: (one.when.day, one.what)):
        if event.bed in beds and not _later(event.when, when):
            yield f"{event.what} {event.when.day.isoformat()}"


def _later(one: When, other: When) -> bool:
    if one.day == other.day and one.instant and other.instant:
        return one.instant > other.instant
    return one.day > other.day


_NOT_PULLED = f"""
{_PLACE.strip()}
pull | | the calendar's names of the pull
planned_day | days | days since the bed's application; empty: before it
opens | | first date that counts as on time
target | | the date aimed at
closes | | last date that counts as on time
missed_from | | first date from which it is missed
state | | missed, overdue, due or coming on the last day with an act on a bed (see above)
why | | why it is so
"""


def not_pulled_sheet(season: Season) -> Sheet:
    """Every pull of the calendar without a sample, judged on the last day with an act."""
    rows = tuple(
        _not_pulled_row(season, one, season.last_day)
        for one in season.owed
        if one.pull is None and season.last_day is not None
    )
    about = "One row for each pull of the calendar that has no sample."
    return Sheet("not_pulled.csv", about, columns(_NOT_PULLED), rows)


def _not_pulled_row(season: Season, one: Obligation, day: date | None) -> tuple[Cell, ...]:
    stands = status(one, day) if day is not None else None
    return (
        *_place(season.bed(one.bed)),
        " and ".join(one.names),
        one.day,
        one.opens,
        one.target,
        one.closes,
        one.missed_from,
        stands.state if stands else "",
        stands.why if stands else "",
    )


# --- results ------------------------------------------------------------------------------------

_RESULTS = f"""
sample | | the sample's code
part | | the code on the bag that was analysed, where the sample was divided; empty: one bag
kind | | how that part was kept: chilled, frozen, dried, retained; empty: one bag
{_PLACE.strip()}
pull | | the calendar's names of the pull
date | | the field day of the pull
day | days | days since the bed's own application
nutrient | | what was measured
value | as in unit | the value; empty where it lies beyond a limit
limit | as in unit | the limit of a value beyond it
qualifier | | < below the limit, > above it
flags | | words of the laboratory beside it; rejected, cancelled: counted only if accepted
unit | | unit of value and limit
reported | as in reported_unit | the cell as the laboratory wrote it
reported_unit | | its unit as written
form | | the chemical form that it was written as
method | | extraction or test method; different methods are not comparable
basis | | dry: per kg of dry soil; moist: per kg as received
lab | | the laboratory
report | | the report's number
run | | 1, or the number of a re-run
repeat | | number of the repeat within a run
conflict | | yes: machines disagree about this value; it stays out of differences and fits
laboratory_number | | what the laboratory calls the sample, where its report prints it
"""


def results_sheet(season: Season) -> Sheet:
    """Every result in force, with its sample's place and day."""
    pulled = {one.code: one for one in season.samples}
    kinds = {part.code: part.kind for some in season.parts.values() for part in some}
    rows = tuple(
        _result_row(found, pulled[season.pull_of(found.record.sample)], kinds)
        for found in season.results
    )
    about = (
        "One row for each result in force, as reported and in one unit. Mineral N is computed from "
        "nitrate-N and ammonium-N and stands in net_release.csv only."
    )
    return Sheet("results.csv", about, columns(_RESULTS), rows)


def _result_row(found: Found, sample: Sample, kinds: dict[str, str]) -> tuple[Cell, ...]:
    one = found.record
    return (
        sample.code,
        one.sample if one.sample in kinds else "",
        kinds.get(one.sample, ""),
        *sampled_place(sample),
        " and ".join(sample.names),
        sample.day,
        sample.age,
        one.analyte,
        one.value,
        one.limit,
        one.qualifier,
        one.flags,
        one.unit,
        one.reported,
        one.reported_unit,
        one.form,
        one.method,
        one.basis,
        one.lab,
        one.report,
        one.run,
        one.n,
        found.conflict,
        one.laboratory_number,
    )
