"""Re-runs that people ask for: by hand, where no check asked; and what was written, said again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.store import asking, views
from logbook.study import moot, quality, queries
from logbook.study.queries import DRAWN, HALF, Line
from logbook.trial import plausible
from logbook.trial.records import RERUN, Answer, Result

if TYPE_CHECKING:
    import sqlite3
    from datetime import date

    from logbook.store.views import Found
    from logbook.trial.times import When


@dataclass(frozen=True)
class Request:
    """One time that re-runs were asked for: the answer, who gave it, and to which queries.

    `drawn` are the unsuspected results that are measured again beside them, `halves` the other
    halves of bags whose halves differ.
    """

    answer: Answer
    by: str
    lines: tuple[Line, ...]
    drawn: tuple[Result, ...]
    halves: tuple[Result, ...]

    @property
    def spoken(self) -> str:
        """When and by whom it was asked for, and why."""
        return f"asked for on {self.answer.when.spoken} by {self.by}: {self.answer.text}"


def by_hand(
    store: sqlite3.Connection,
    sample: str,
    analyte: str,
    reason: str,
    at: When,
    keeps: Mapping[str, int],
) -> list[Line]:
    """Queries that no check asks but a person, of numbers that stand; not written yet.

    One for each analysis of the nutrient, of its newest run. keeps: days by laboratory.
    """
    found = views.fetch(store, "result", "sample = ? AND analyte = ?", (sample, analyte))
    newest = {
        queries.analysis(one.record): one
        for one in sorted(found, key=lambda one: (one.record.run, -one.record.n))
        if one.record.value is not None or one.record.limit is not None
    }
    received = asking.received(store)
    return [
        _put_in_question(one, reason, at, plausible.retest_until(day, one.record.lab, keeps))
        for one in newest.values()
        for day in (received.get((one.record.lab, one.record.report), at.day),)
    ]


def _put_in_question(of: Found, reason: str, at: When, deadline: date) -> Line:
    result: Result = of.record
    unit = "" if result.unit == "pH" else f" {result.unit}"
    # Without who says so: it stands on curves, which are exported.
    what = f"{queries.shown(result)}{unit} is put in question: {reason}"
    key, query = queries.query_on(of.id, result, queries.HAND, what, at, deadline)
    return Line(journal.ident(key), query, None, of.id, result, queries.OPEN)


def requests(store: sqlite3.Connection, several: Sequence[Line]) -> list[Request]:
    """The requests in which the re-runs of these queries were asked for."""
    answers = {one.id: one for one in views.fetch(store, "answer", "what = ?", (RERUN,))}
    acts: dict[str, list[Line]] = {}
    for one in several:
        acts.setdefault(answers[one.id].entry, []).append(one)
    who = asking.about_entries(store, acts)
    marks = views.fetch(store, "handling", "state = ?", (RERUN,))
    return [
        Request(
            answers[some[0].id].record,
            who[entry][0],
            tuple(some),
            tuple(_marked(store, some, marks, DRAWN)),
            tuple(_marked(store, some, marks, HALF)),
        )
        for entry, some in acts.items()
    ]


def halves(store: sqlite3.Connection, several: Iterable[Line]) -> list[Result]:
    """The other halves of the bags among these that are in question since their halves differ."""
    found: dict[str, Result] = {}
    for one in several:
        # Which of the two is wrong, only both can tell.
        if one.query.kind == moot.DUPLICATE and one.query.what.startswith(quality.TWIN):
            of = one.query
            rows = views.fetch(
                store,
                "result",
                "sample IN (SELECT code FROM blind WHERE kind = 'duplicate' AND of = ?) "
                "AND analyte = ? AND method = ? AND report = ? AND run = 1 AND n = 1",
                (of.sample, of.analyte, of.method, of.report),
            )
            found |= {row.id: row.record for row in rows}
    return list(found.values())


def _marked(
    store: sqlite3.Connection, asked: Sequence[Line], marks: Sequence[Found], why: str
) -> list[Result]:
    """What was asked for beside these queries and is awaited: marked so in the same act."""
    own = {(one.query.sample, one.query.analyte): one.query.method for one in asked}
    answers = {(one.answer.when, one.answer.text) for one in asked if one.answer is not None}
    acts = {
        journal.parts(f"handling/{one.id}")[1]
        for one in marks
        if (one.record.sample, one.record.analysis) in own
        and (one.record.when, one.record.text) in answers
    }
    methods = {analyte: method for (_, analyte), method in own.items()}
    found = []
    for one in marks:
        place = (one.record.sample, one.record.analysis)
        mine = one.record.text == why and journal.parts(f"handling/{one.id}")[1] in acts
        if mine and place not in own and place[1] in methods:
            # It was measured once when it was asked for.
            results = views.fetch(
                store,
                "result",
                "sample = ? AND analyte = ? AND method = ? AND NOT EXISTS (SELECT 1 FROM result n "
                "WHERE n.sample = result.sample AND n.analyte = result.analyte "
                "AND n.method = result.method AND n.lab = result.lab AND n.run > 1)",
                (*place, methods[place[1]]),
            )
            found += [result.record for result in results[:1]]
    return found
