"""The rows of pulls and results: what stands in the store, each with its place in the trial."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from logbook.store import views
from logbook.study import flags
from logbook.study.parts import of_trial
from logbook.study.samples import Sample, samples
from logbook.trial.chemistry import ANALYTES
from logbook.trial.records import MISHAPS, SOWN, Result
from logbook.trial.units import plain

if TYPE_CHECKING:
    import sqlite3

Cells = tuple[Any, ...]

# A result is its part's pull's; where a pull was not divided, its sample is the pull itself.
_OF_TRIAL = (
    "coalesce((SELECT part.pull FROM part WHERE part.id = result.sample), sample) "
    f"IN (SELECT id FROM pull WHERE {views.OF_TRIAL})"
)


def pull_rows(store: sqlite3.Connection, trial: str) -> list[Cells]:
    """A row for each soil sample taken, in order of day and bed."""
    pulls = {
        found.record.code: found for found in views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    }
    pull_of = _pull_of(store, trial)
    counts = Counter(
        pull_of.get(found.record.sample, found.record.sample)
        for found in views.fetch(store, "result", _OF_TRIAL, (trial,))
    )
    history = flags.history(store, trial)
    planted = history.codes([SOWN])
    return [
        (
            one.code,
            *_place(one),
            pulls[one.code].record.cores,
            float(pulls[one.code].record.depth_cm),
            one.repeat,
            "; ".join(_mishaps(history, one.code)),
            one.code in planted,
            counts[one.code],
            pulls[one.code].conflict,
        )
        for one in samples(store, trial)
    ]


def result_rows(store: sqlite3.Connection, trial: str) -> list[Cells]:
    """A row for each result that stands, in order of pull, then of nutrient."""
    pulled = samples(store, trial)
    place_of = {one.code: (place, one) for place, one in enumerate(pulled)}
    kinds = {part.code: part.kind for some in of_trial(store, trial).values() for part in some}
    pull_of = _pull_of(store, trial)
    names = list(ANALYTES)
    found = []
    for line in views.fetch(store, "result", _OF_TRIAL, (trial,)):
        one = line.record
        place, sample = place_of[pull_of.get(one.sample, one.sample)]
        order = (place, names.index(one.analyte), one.method, one.basis, one.run, one.n, line.id)
        part = (one.sample, kinds[one.sample]) if one.sample in kinds else ("", "")
        cells = (sample.code, *part, *_place(sample), *_result(one), line.conflict)
        found.append((order, cells))
    return [cells for _, cells in sorted(found, key=lambda pair: pair[0])]


def counts(store: sqlite3.Connection, trial: str) -> tuple[int, int, int]:
    """How many beds, pulls and results a trial has."""
    (pulls,) = store.execute(
        f"SELECT count(*) FROM pull WHERE {views.OF_TRIAL}", (trial,)
    ).fetchone()
    (results,) = store.execute(
        f"SELECT count(*) FROM result WHERE {_OF_TRIAL}", (trial,)
    ).fetchone()
    return len(views.bed_refs(store, trial)), pulls, results


def nutrients(store: sqlite3.Connection, trial: str) -> list[str]:
    """What has results, in the order of the table of nutrients."""
    rows = store.execute(f"SELECT DISTINCT analyte FROM result WHERE {_OF_TRIAL}", (trial,))
    return sorted((name for (name,) in rows), key=list(ANALYTES).index)


def _pull_of(store: sqlite3.Connection, trial: str) -> dict[str, str]:
    """The pull of every part of a trial, by the part's code."""
    return {part.code: pull for pull, some in of_trial(store, trial).items() for part in some}


def _place(one: Sample) -> Cells:
    """Where and when a sample was taken."""
    names = " and ".join(one.names)
    return (one.label, one.block, one.treatment, one.control, names, one.day, one.age)


def _mishaps(history: flags.History, code: str) -> Iterator[str]:
    """What happened to the sample's bed before it was taken, with the day."""
    for happened in history.events:
        if code in happened.later and happened.event.what in MISHAPS:
            yield f"{happened.event.what} {happened.event.when.day.isoformat()}"


def _result(one: Result) -> Cells:
    """What was measured and how; a Decimal as a float, and beside it to the last digit."""
    amount = one.value if one.limit is None else one.limit
    return (
        one.analyte,
        None if one.value is None else float(one.value),
        "" if amount is None else f"{one.qualifier}{plain(amount)}",
        one.qualifier,
        None if one.limit is None else float(one.limit),
        one.unit,
        one.method,
        one.basis,
        one.lab,
        one.report,
        one.run,
        one.n,
        one.flags,
        one.laboratory_number,
    )
