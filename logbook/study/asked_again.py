"""What was written to the laboratory when a re-run was asked for, so that it can be said again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.store import asking, views
from logbook.study.queries import DRAWN, Line
from logbook.trial.records import RERUN, Answer, Result

if TYPE_CHECKING:
    import sqlite3

    from logbook.store.views import Found


@dataclass(frozen=True)
class Request:
    """One time that re-runs were asked for: the answer, who gave it, and to which queries.

    `drawn` are the unsuspected results that are measured again beside them.
    """

    answer: Answer
    by: str
    lines: tuple[Line, ...]
    drawn: tuple[Result, ...]

    @property
    def spoken(self) -> str:
        """When and by whom it was asked for, and why."""
        return f"asked for on {self.answer.when.spoken} by {self.by}: {self.answer.text}"


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
            tuple(_drawn(store, some, marks)),
        )
        for entry, some in acts.items()
    ]


def _drawn(
    store: sqlite3.Connection, asked: Sequence[Line], marks: Sequence[Found]
) -> list[Result]:
    """What was drawn beside these queries and is awaited: marked so in the same act."""
    own = {(one.query.sample, one.query.analyte): one.query.report for one in asked}
    answers = {(one.answer.when, one.answer.text) for one in asked if one.answer is not None}
    acts = {
        journal.parts(f"handling/{one.id}")[1]
        for one in marks
        if (one.record.sample, one.record.analysis) in own
        and (one.record.when, one.record.text) in answers
    }
    reports = {analyte: report for (_, analyte), report in own.items()}
    found = []
    for one in marks:
        place = (one.record.sample, one.record.analysis)
        drawn = one.record.text == DRAWN and journal.parts(f"handling/{one.id}")[1] in acts
        if drawn and place not in own and place[1] in reports:
            results = views.fetch(
                store,
                "result",
                "sample = ? AND analyte = ? AND report = ? AND NOT EXISTS (SELECT 1 FROM result n "
                "WHERE n.sample = result.sample AND n.analyte = result.analyte "
                "AND n.method = result.method AND n.lab = result.lab AND n.run > result.run)",
                (*place, reports[place[1]]),
            )
            found += [result.record for result in results[:1]]
    return found
