"""Whether a result can be right: looked at when it comes in, and asked about where it may not be.

Nothing here changes a value or stops an import. A doubt becomes a query, in the act that wrote the
results, and the same doubt about the same number is asked once. Looked at are the number alone,
the bed's other pulls, the other beds of the same pull, runs, duplicates and blanks.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from json import dumps
from typing import TYPE_CHECKING, NamedTuple

from logbook.analysis import repeatability
from logbook.journal.entry import ident as ident_of
from logbook.store import asking, views
from logbook.study import (
    flags,
    oddities,
    origins,
    out_of_range,
    quality,
    queries,
    references,
    rejected,
    runs,
)
from logbook.study.samples import (
    Comparable,
    Reading,
    Sample,
    kept,
    measured,
    samples,
)
from logbook.trial import plausible, qualifiers
from logbook.trial.chemistry import ANALYTES
from logbook.trial.records import Query, Result
from logbook.trial.times import When
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

#: So many results that equal their reporting limit were rather below it. Common practice.
_AT_LIMIT = 3
# Readings that are judged together: more do not make it faster, and they are in memory meanwhile.
_AT_ONCE = 20_000


@dataclass(frozen=True)
class Settings:
    """What a laboratory's user may set: days that it keeps samples, largest RPD by nutrient."""

    keeps: Mapping[str, int]
    most_rpd: Mapping[str, float]


USUAL = Settings({}, {})


Progress = Callable[[float], None]


@dataclass(frozen=True)
class Doubt:
    """A question about one result; `kind` is one of `queries.KINDS`; `far`: it is out of range.

    `others`: results that it is about as well, by their ids.
    """

    ident: str
    result: Result
    kind: str
    what: str
    far: bool = False
    others: tuple[str, ...] = ()


def queries_on(
    store: sqlite3.Connection,
    written: Mapping[str, Result],
    at: When,
    settings: Settings = USUAL,
    progress: Progress = lambda _: None,
) -> list[tuple[str, Query]]:
    """The queries that these results, which stand in the store now, give rise to, by key.

    written: by key. What was asked before of the same number is not asked again, and nothing is
    asked of a number that a person accepted, unless its laboratory rejected it since. `progress` is
    told which share of the trials was looked at.
    """
    mine = {ident_of(name): one for name, one in written.items()}
    doubts = doubted(store, mine, settings, progress)
    return _asked_by(store, doubts, at, settings)


def unasked(
    store: sqlite3.Connection, analyte: str, named: str, at: When, settings: Settings = USUAL
) -> list[tuple[str, Query]]:
    """Queries on rejected results of a sample or report (`named`) that were never opened.

    Such results came in before an import asked about them.
    """
    found = {
        one.id: one.record
        for one in rejected.all_rejected(store)
        if one.record.analyte == analyte and named in (one.record.sample, one.record.report)
    }
    return _asked_by(store, _of_flags(found), at, settings)


def _asked_by(
    store: sqlite3.Connection, doubts: Iterable[Doubt], at: When, settings: Settings
) -> list[tuple[str, Query]]:
    """The queries of doubts, but for those asked before and those about what was accepted."""
    several, accepted, received = list(doubts), queries.accepted(store), asking.received(store)
    found: dict[str, Query] = {}
    for one in several:
        result, number = one.result, queries.number_of(one.result)
        # Accepted as a number is not yet accepted against the laboratory's word.
        if queries.looked_at(one.ident, number) in accepted and one.kind != queries.FLAG:
            continue
        day = received.get((result.lab, result.report), at.day)
        deadline = plausible.retest_until(day, result.lab, settings.keeps)
        key, query = queries.query_on(one.ident, result, one.kind, one.what, at, deadline)
        found[key] = query
    there = _asked(store, found)
    return [(name, one) for name, one in found.items() if name not in there]


def _asked(store: sqlite3.Connection, names: Collection[str]) -> set[str]:
    """Which of these keys stand; one whose import was undone is asked again."""
    wanted, found = sorted(names), set()
    for start in range(0, len(wanted), 400):
        some = wanted[start : start + 400]
        marks = ", ".join("?" * len(some))
        rows = store.execute(
            f"SELECT key FROM write WHERE live = 1 AND struck = 0 AND key IN ({marks})", some
        )
        found |= {name for (name,) in rows.fetchall()}
    return found


def doubted(
    store: sqlite3.Connection,
    written: Mapping[str, Result],
    settings: Settings = USUAL,
    progress: Progress = lambda _: None,
) -> Iterator[Doubt]:
    """Every doubt about results that stand in the store, by id, and about those beside them.

    One question explains a number; that it was rejected, or that runs differ, may be asked besides.
    """
    yield from _of_flags(written)
    materials = _materials(store, written)
    soils = {ident: one for ident, one in written.items() if one.sample not in materials}
    yield from _of_runs(store, soils)
    found: dict[str, Doubt] = {}
    for one in (*_of_values(store, soils), *_of_materials(store, materials)):
        found.setdefault(one.ident, one)
    far = {ident for ident, one in found.items() if one.far}
    reports = sorted({(one.lab, one.report) for one in written.values()})
    pairs = [pair for of in reports for pair in quality.pairs(store, settings.most_rpd, of)]
    twins = [pair for pair in pairs if pair.how == quality.TWIN]
    repeats = [pair for pair in pairs if pair.how != quality.TWIN]
    for one in _of_duplicates(store, repeats, written, found.keys()):
        found.setdefault(one.ident, one)
    # What is in question says nothing of its neighbours, nor is it asked about with them.
    before = queries.in_question(store)
    asked = before | {
        ident: one.what for one in found.values() for ident in (one.ident, *one.others)
    }
    for one in _of_beds(store, soils, asked, far, progress):
        # What is usual there says more of a number than the range.
        if one.far or one.ident not in found:
            found[one.ident] = one
    # A slip says more of a bag than that its blind half differs.
    for one in _of_duplicates(store, twins, written, found.keys() | before.keys()):
        found.setdefault(one.ident, one)
    yield from found.values()


def _of_flags(written: Mapping[str, Result]) -> Iterator[Doubt]:
    """Numbers that their laboratory rejected: in no curve, unless a person counts them."""
    for ident, one in written.items():
        if one.flags and rejected.rejected(one):
            yield Doubt(ident, one, queries.FLAG, rejected.asked_of_flag(one))


def _of_values(store: sqlite3.Connection, written: Mapping[str, Result]) -> Iterator[Doubt]:
    """Doubts about numbers by themselves: 0 below a limit, out of range, equal to the limit."""
    limits = origins.lowest_limits(store, written.values())
    at_limit: dict[origins.Kind, list[tuple[str, Result]]] = {}
    for ident, one in written.items():
        if one.value is None or (one.flags and not qualifiers.counts(one.flags)):
            continue
        limit = limits.get(origins.kind(one)) if limits else None
        if limit is not None and one.value == 0:
            what = f"0 is below the limit of {short(limit)} {one.unit} that the laboratory gives"
            yield Doubt(ident, one, "zero", f"{what}: not detected?")
            continue
        if plausible.outside(one.analyte, float(one.value)):
            found = plausible.about_range(one.analyte, one.value)
            if found is not None:
                yield Doubt(ident, one, *found, far=True)
        if one.value == limit:
            at_limit.setdefault(origins.kind(one), []).append((ident, one))
    for several in at_limit.values():
        if len(several) >= _AT_LIMIT:
            yield from _equal(several)


def _equal(several: Sequence[tuple[str, Result]]) -> Iterator[Doubt]:
    for ident, one in several:
        what = (
            f"{queries.number_of(one)} {one.unit} is exactly the limit, in {len(several)} results"
        )
        yield Doubt(ident, one, "limit", f"{what}: below it?")


def _of_runs(store: sqlite3.Connection, written: Mapping[str, Result]) -> Iterator[Doubt]:
    """Runs that lie too far apart to be averaged: asked of the newest."""
    again = {ident: one for ident, one in written.items() if one.run > 1 and one.n == 1}
    out = rejected.flagged_out(store) if again else set()
    for ident, one in again.items():
        kind = (one.lab, one.analyte, one.method, one.basis)
        rows = store.execute(
            "SELECT id, run, value_num, limit_num, qualifier FROM result WHERE lab = ? AND "
            "analyte = ? AND method = ? AND basis = ? AND sample = ?",
            (*kind, one.sample),
        ).fetchall()
        means = runs.means_of(
            (run, bounds)
            for name, run, *said in rows
            if name not in out and (bounds := repeatability.bounds(*said)) is not None
        )
        if len(means) < 2 or one.run not in means:
            continue
        judged, source = runs.judge(store, kind, list(means.values()), None)
        if judged.how == "apart":
            what = runs.told(means, judged, source, one.unit) + runs.besides(store, one, means)
            yield Doubt(ident, one, "runs", f"{what}: ask for a third, or strike the wrong one")


def _of_duplicates(
    store: sqlite3.Connection,
    pairs: Iterable[quality.Pair],
    written: Mapping[str, Result],
    asked: AbstractSet[str],
) -> Iterator[Doubt]:
    """Duplicates and repeats that differ too much, unless one is asked about anyway."""
    for pair in pairs:
        if pair.compared.within is not False or not asked.isdisjoint(pair.ids):
            continue
        others: tuple[str, ...] = ()
        ids = pair.ids[:1] if pair.how == quality.TWIN else pair.ids
        if pair.how == quality.REPEAT:
            # One question for all of them: of a new one, whose number was not asked about before.
            ids = next(((one,) for one in pair.ids if one in written), pair.ids[:1])
            others = tuple(one for one in pair.ids if one not in ids)
        values = " and ".join(map(runs.shown, pair.said))
        beside = f" {pair.samples[-1]}" if pair.how == quality.TWIN else ""
        what = f"{pair.how}{beside}: {values}, {pair.compared.words}"
        what += "; most_rpd of laboratory.toml sets that" if pair.compared.by_share else ""
        for ident in ids:
            one = written.get(ident) or _result(store, ident)
            yield Doubt(ident, one, "duplicate", what, others=others)


def _result(store: sqlite3.Connection, ident: str) -> Result:
    (found,) = views.fetch(store, "result", "id = ?", (ident,))
    record: Result = found.record
    return record


def _materials(store: sqlite3.Connection, written: Mapping[str, Result]) -> dict[str, set[str]]:
    """The ids of these results by code, of those that are of a reference material or a blank.

    What is right for them is not what is usual in soil: their charts judge them.
    """
    rows = store.execute("SELECT code FROM blind WHERE kind = 'reference'").fetchall()
    codes = {code for (code,) in rows}
    found: dict[str, set[str]] = {}
    for ident, one in written.items() if codes else ():
        if one.sample in codes:
            found.setdefault(one.sample, set()).add(ident)
    return found


def _of_materials(store: sqlite3.Connection, mine: Mapping[str, set[str]]) -> Iterator[Doubt]:
    """Blanks in which something was found, and reference materials that are out of control."""
    for chart in references.charts(store) if mine else ():
        for one, what in chart.out():
            if one.ident in mine.get(one.code, ()):
                kind = queries.BLANK if chart.blank else queries.REFERENCE
                yield Doubt(one.ident, _result(store, one.ident), kind, what)


def _of_beds(
    store: sqlite3.Connection,
    written: Mapping[str, Result],
    asked: Mapping[str, str],
    far: AbstractSet[str],
    progress: Progress,
) -> Iterator[Doubt]:
    """Doubts from the other pulls of a bed and the other beds of a pull, trial by trial.

    asked: what is in question or about to be, by the id of the result; far: those out of range, of
    which what is usual there may tell why.
    """
    mine: dict[str, _New] = {}
    bags = _bags(store, (one.sample for one in written.values()))
    for ident, one in written.items():
        if one.value is not None and (bag := bags.get(one.sample)):
            trial, pull = bag
            new = mine.setdefault(trial, _New(set(), set(), []))
            new.pulls.add(pull)
            new.analytes.add(one.analyte)
            if ident in far:
                new.far.append(out_of_range.Far(ident, one, pull))
    waiting: list[oddities.Series] = []
    for done, (trial, new) in enumerate(sorted(mine.items()), start=1):
        pulled, series = _series(store, trial, new, asked)
        for of, kind, what in out_of_range.explained(new.far, pulled, series):
            yield Doubt(of.ident, of.result, kind, what, far=True)
        waiting += series
        # Trials of one layout are judged in the same arrays.
        if done == len(mine) or sum(len(pairs) for _, pairs in waiting) >= _AT_ONCE:
            for reading, kind, what in oddities.odd(waiting):
                yield from (
                    Doubt(of.id, of.record, kind, what) for of in _results_of(store, reading)
                )
            waiting = []
        progress(done / len(mine))


class _New(NamedTuple):
    """Of which pulls and nutrients of a trial there are new numbers; those out of range."""

    pulls: set[str]
    analytes: set[str]
    far: list[out_of_range.Far]


def _series(
    store: sqlite3.Connection, trial: str, new: _New, asked: Mapping[str, str]
) -> tuple[dict[str, Sample], list[oddities.Series]]:
    """A trial's pulls by code, and its series of the nutrients that are new.

    Neither where only repeats are new.
    """
    lines = views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    pulled = {one.code: one for one in samples(store, trial, lines) if not one.repeat}
    if new.pulls.isdisjoint(pulled):
        return {}, []
    known = flags.history(store, trial, lines)
    # One reading of the trial for all its nutrients: a report has most of them.
    series: dict[tuple[str, Comparable], list[tuple[Sample, Reading]]] = {}
    for reading in flags.usable(measured(store, trial, asked), known, False):
        if reading.analyte in new.analytes and (sample := pulled.get(reading.sample)):
            series.setdefault((reading.analyte, reading.comparable), []).append((sample, reading))
    order = list(ANALYTES)
    places = sorted(series, key=lambda one: (order.index(one[0]), one[1]))
    return pulled, [(place[0], series[place]) for place in places]


def _bags(store: sqlite3.Connection, codes: Iterable[str]) -> dict[str, tuple[str, str]]:
    """Trial and pull of the bags with these codes, whole ones or parts; without those that wait."""
    rows = store.execute(
        "SELECT n.value, b.trial, p.id FROM json_each(?) n LEFT JOIN part ON part.id = n.value "
        "JOIN pull p ON p.id = coalesce(part.pull, n.value) JOIN bed b ON b.id = p.bed",
        (dumps(list(dict.fromkeys(codes))),),
    ).fetchall()
    return {code: (trial, pull) for code, trial, pull in rows}


def _results_of(store: sqlite3.Connection, reading: Reading) -> list[views.Found]:
    """The results behind a reading that is doubted."""
    found = views.fetch(
        store,
        "result",
        "analyte = ? AND lab = ? AND basis = ? AND value_num IS NOT NULL AND "
        "(sample = ? OR sample IN (SELECT id FROM part WHERE pull = ?))",
        (reading.analyte, reading.lab, reading.basis, reading.sample, reading.sample),
    )
    kinds = dict(store.execute("SELECT id, kind FROM part WHERE pull = ?", (reading.sample,)))
    return [
        one
        for one in found
        if kept(one.record.method, reading.analyte, kinds.get(one.record.sample)) == reading.method
        and one.record.report in reading.reports
    ]
