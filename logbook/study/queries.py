"""Questions about results: which are open, which results they keep out of curves, their answers.

A query is about one number of one result: its key names both. Once the result has another value,
or was struck, the question is moot; of bags that look exchanged also once the bed was corrected. A
result in question counts in no curve until it is answered; after a re-run was asked for, until the
re-run is here. What a laboratory rejected is in question from the start, and counts only if a
person accepts it: the answer is kept beside the flag.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.store import views
from logbook.study import counting, moot
from logbook.study.moot import DUPLICATE, of_repeats
from logbook.trial import qualifiers
from logbook.trial.records import ACCEPTED, RERUN, Answer, Query, Result
from logbook.trial.units import rounded, short

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samples import Reading
    from logbook.trial.times import When

OPEN, MOOT = "open", "moot"
#: How a note on results in question begins, in curves and comparisons.
QUERIED = "queried and left out until answered: "
#: What stands on a bag that is measured again beside those in question.
DRAWN, HALF = "drawn by chance beside a query", "the other half of a bag in question"
FLAG, BLANK, REFERENCE, EXCHANGE = "flag", "blank", "reference", "exchange"
#: Asked by no check: a person wants a result measured again.
HAND = "hand"
# Kinds of question, and what they are called.
KINDS = {
    "range": "outside the usual range",
    "decimal": "decimal point",
    "unit": "unit",
    "form": "chemical form",
    "zero": "0 below the limit",
    "limit": "equal to the limit",
    EXCHANGE: "bags exchanged",
    "jump": "jump of pH",
    DUPLICATE: "duplicates differ",
    "runs": "runs differ",
    BLANK: "blank above its limit",
    REFERENCE: "control chart",
    FLAG: "flagged by the laboratory",
    HAND: "by hand",
}


@dataclass(frozen=True)
class Line:
    """A query with its answer and the result it is about (None: it was struck or is not here).

    About repeats it is as long as one of them stands: `result` is then the one of its key, or else
    the first that stands. `bed` and `trial` (a name) are "" for a blind and for a sample that still
    waits for its pull. `cause`: why it is moot.
    """

    id: str
    query: Query
    answer: Answer | None
    result_id: str
    result: Result | None
    state: str
    bed: str = ""
    trial: str = ""
    cause: str = ""

    @property
    def open(self) -> bool:
        """Whether a person has to answer it."""
        return self.state == OPEN

    @property
    def moot(self) -> bool:
        """Whether it needs no answer, for its `cause`."""
        return self.state == MOOT

    @property
    def of_batch(self) -> bool:
        """Whether it is about a whole batch of the laboratory: no bed's result is out for it."""
        return self.query.kind in (BLANK, REFERENCE)

    @property
    def waits(self) -> bool:
        """Whether its result is out of curves: unanswered, or its re-run is not here yet."""
        return self.state in (OPEN, RERUN)

    @property
    def of_repeats(self) -> bool:
        """Whether it is about all repeats of a run, not only about the one that its key names."""
        return of_repeats(self.query)

    def overdue(self, today: date) -> bool:
        """Whether the laboratory can no longer be asked, most likely."""
        return self.open and self.query.deadline is not None and self.query.deadline < today


def query_key(ident: str, result: Result, kind: str) -> str:
    """The key of a query: what it asks of which number of which result, so that none comes twice.

    ident: the result's id.
    """
    lab, report, sample, analyte, method, basis, run, n = journal.parts(f"result/{ident}")[1:]
    return journal.key(
        "query", sample, analyte, method, lab, report, basis, run, n, kind, number_of(result)
    )


def query_on(
    ident: str, result: Result, kind: str, what: str, opened: When, deadline: date | None
) -> tuple[str, Query]:
    """A query and its key; ident: the result's id."""
    query = Query(
        sample=result.sample,
        analyte=result.analyte,
        method=result.method,
        report=result.report,
        what=what,
        kind=kind,
        opened=opened,
        deadline=deadline,
    )
    return query_key(ident, result, kind), query


def number_of(result: Result) -> str:
    """The number of a result as it stands in keys: `12.5`, `<0.5`."""
    if result.value is not None:
        return short(result.value)
    return f"{result.qualifier}{'' if result.limit is None else short(result.limit)}"


def shown(result: Result) -> str:
    """The number of a result for a screen, four significant digits at most."""
    number = result.limit if result.value is None else result.value
    side = result.qualifier if result.value is None else ""
    return side if number is None else f"{side}{rounded(number)}"


def result_of(ident: str) -> tuple[str, str, str]:
    """The id of the result that a query is about, its number and the query's kind."""
    found = journal.parts(f"query/{ident}")[1:]
    sample, analyte, method, lab, report, basis, run, n, kind, number = found
    name = journal.key("result", lab, report, sample, analyte, method, basis, run, n)
    return journal.ident(name), number, kind


def asked_before(store: sqlite3.Connection, of: Result) -> list[tuple[int, str]]:
    """Which run of a result's analysis was ever asked about, and the kind of question."""
    found = []
    for one in views.fetch(store, "query", "sample = ? AND analyte = ?", (of.sample, of.analyte)):
        if understood(one.id):
            sample, analyte, method, lab, _, basis, run = journal.parts(f"query/{one.id}")[1:8]
            if (sample, analyte, method, basis, lab) == analysis(of):
                found.append((int(run), one.record.kind))
    return found


def understood(ident: str) -> bool:
    """False for the query of a newer program, whose key says something else."""
    return len(journal.parts(f"query/{ident}")) == 11


def lines(store: sqlite3.Connection, *, unanswered: bool = False) -> list[Line]:
    """Every query of the book, or those without an answer: by deadline, then sample."""
    wanted = "id NOT IN (SELECT id FROM answer)" if unanswered else "1"
    asked = [one for one in views.fetch(store, "query", wanted) if understood(one.id)]
    if not asked:
        return []
    answers = {one.id: one.record for one in views.fetch(store, "answer")}
    about = {one.id: result_of(one.id)[0] for one in asked}
    results = results_of(store, about.values())
    about |= (instead := _instead(store, asked, answers, about, results))
    results |= results_of(store, instead.values())
    again = _newest_runs(store, {one.record.sample for one in asked})
    where = _places(store, {one.record.sample for one in asked})
    pending = [one for one in asked if one.id not in answers]
    twos = [one.record for one in pending if one.record.kind == DUPLICATE]
    paired, told = moot.pairs(store, twos, results), [one.what for one in twos]
    repeats = moot.about_repeats(store, twos)
    bags = [
        one
        for one in asked
        if one.record.kind == EXCHANGE and (one.id not in answers or answers[one.id].what == RERUN)
    ]
    beds = moot.beds_said(store, [one.record.sample for one in bags])
    written = moot.written_at(store, {one.entry for one in bags})
    found = [
        Line(
            one.id,
            one.record,
            answer := answers.get(one.id),
            about[one.id],
            result := results.get(about[one.id]),
            _state(
                answer,
                cause := _moot(result, one, answer, again)
                or moot.moved(written.get(one.entry), beds.get(one.record.sample, ()))
                or moot.parted(one.record, about[one.id], paired, told)
                or moot.asked_anew(one.record, about[one.id], paired, repeats),
                _is_here_again(result, again),
            ),
            *where.get(one.record.sample, ("", "")),
            cause,
        )
        for one in asked
    ]
    return sorted(found, key=lambda one: (one.query.deadline or date.max, one.id))


def _instead(
    store: sqlite3.Connection,
    asked: Iterable[views.Found],
    answers: Mapping[str, Answer],
    about: Mapping[str, str],
    results: Mapping[str, Result],
) -> dict[str, str]:
    """What queries are about whose result stands no longer, where another has its place.

    About repeats it is the first that stands. What a person put in question stays so under the
    number of a re-issue, or with a corrected method: no check asks about it anew.
    """
    found = {}
    for one in asked:
        by_hand = one.record.kind == HAND
        waits = one.id not in answers or answers[one.id].what == RERUN
        if about[one.id] in results or not waits or not (by_hand or of_repeats(one.record)):
            continue
        left = others(store, about[one.id])
        if by_hand:
            left = _moved_to(store, *result_of(one.id)[:2])
        if left:
            found[one.id] = left[0]
    return found


def _moved_to(store: sqlite3.Connection, ident: str, number: str) -> list[str]:
    """The ids under which the number of a result that was re-issued or corrected stands now."""
    lines = views.writes_of_key(store, f"result/{ident}")
    found: list[str] = []
    for entry in (entry for _, entry, _, live in lines if live):
        if entry.kind == "lab":
            lab, _, sample, analyte, method, basis, run, n = journal.parts(f"result/{ident}")[1:]
            given = views.fetch(
                store,
                "result",
                "sample = ? AND analyte = ? AND method = ? AND basis = ? AND lab = ? "
                "AND run = ? AND n = ?",
                (sample, analyte, method, basis, lab, run, n),
            )
            found += [one.id for one in given if number_of(one.record) == number]
        elif entry.kind == "correct":
            moved = (journal.ident(one.key) for one in entry.writes
                     if journal.space(one.key) == "result" and one.value is not None)  # fmt: skip
            for name in moved:
                there = results_of(store, [name]).get(name)
                if there is None:
                    found += _moved_to(store, name, number)
                elif number_of(there) == number:
                    found.append(name)
    return found


def _state(answer: Answer | None, cause: str, here: bool) -> str:
    """Open, answered, or moot for this cause: one without another answer than to ask again.

    here: what was asked for again is, and where it is no cause it did not answer the question.
    """
    if answer is not None and answer.what != RERUN:
        return answer.what
    if cause:
        return MOOT
    return OPEN if answer is None or here else RERUN


def _is_here_again(result: Result | None, again: Mapping[tuple[str, ...], int]) -> bool:
    return result is not None and again.get(analysis(result), 0) > result.run


def _moot(
    result: Result | None,
    asked: views.Found,
    answer: Answer | None,
    again: dict[tuple[str, ...], int],
) -> str:
    """Why a query asks nothing any more; "" while it does.

    The number is another, or a newer run speaks for itself; `moot` has the other causes. One about
    repeats may still be about the others.
    """
    _, number, kind = result_of(asked.id)
    if result is None:
        return "the result stands no longer"
    if number_of(result) != number and not of_repeats(asked.record):
        unit = "" if result.unit == "pH" else f" {result.unit}"
        return f"it is {shown(result)}{unit} now"
    # Whose soil is in a bag, no second look into the same bag can tell.
    settled = kind != EXCHANGE and (answer is not None or kind in ("runs", FLAG))
    if settled and _is_here_again(result, again):
        return f"run {again[analysis(result)]} is here"
    if kind == FLAG and qualifiers.counts(result.flags):
        return "re-issued without the flag"
    return ""


def analysis(result: Result) -> tuple[str, ...]:
    """What the runs of a result have in common."""
    return (result.sample, result.analyte, result.method, result.basis, result.lab)


def results_of(store: sqlite3.Connection, wanted: Iterable[str]) -> dict[str, Result]:
    """The results with these ids that stand."""
    found: dict[str, Result] = {}
    for some in views.portions(sorted(wanted)):
        where = f"id IN ({', '.join('?' * len(some))})"
        found |= {one.id: one.record for one in views.fetch(store, "result", where, some)}
    return found


def _newest_runs(store: sqlite3.Connection, samples: Iterable[str]) -> dict[tuple[str, ...], int]:
    found: dict[tuple[str, ...], int] = {}
    for some in views.portions(sorted(samples)):
        rows = store.execute(
            "SELECT sample, analyte, method, basis, lab, max(run) FROM result "
            f"WHERE sample IN ({', '.join('?' * len(some))}) GROUP BY 1, 2, 3, 4, 5",
            some,
        )
        found |= {tuple(row[:5]): int(row[5]) for row in rows.fetchall()}
    return found


def _places(store: sqlite3.Connection, samples: Iterable[str]) -> dict[str, tuple[str, str]]:
    """The bed's label and the trial's name of each bag."""
    found: dict[str, tuple[str, str]] = {}
    for some in views.portions(sorted(samples)):
        marks = ", ".join("?" * len(some))
        rows = store.execute(
            f"SELECT c.code, b.label, t.name FROM (SELECT code, code AS pull FROM pull "
            f"WHERE code IN ({marks}) UNION SELECT code, pull FROM part WHERE code IN ({marks})) c "
            "JOIN pull p ON p.code = c.pull JOIN bed b ON b.id = p.bed "
            "JOIN trial t ON t.id = b.trial",
            (*some, *some),
        )
        found |= {code: (label, trial) for code, label, trial in rows.fetchall()}
    return found


def in_question(store: sqlite3.Connection) -> dict[str, str]:
    """Results that are out of curves, by id: what is asked of each.

    Not of runs that differ: those keep each other out, see `runs`.
    """
    if not _any(store):
        return {}
    waiting = [one for one in lines(store) if one.waits and one.query.kind != "runs"]
    return _about(store, waiting)


def _about(store: sqlite3.Connection, several: Iterable[Line]) -> dict[str, str]:
    """What is asked of each result that queries are about, by its id."""
    found: dict[str, str] = {}
    bags: dict[str, str] = {}
    for one in several:
        ids = [one.result_id, *(others(store, one.result_id) if one.of_repeats else ())]
        if one.query.kind == HAND and one.result is not None:
            ids += _of_analysis(store, one.result)
        elif one.query.kind == EXCHANGE:
            bags.setdefault(one.query.sample, one.query.what)
        found |= dict.fromkeys(ids, one.query.what)
    for sample, what in bags.items():
        for ident in _of_bag(store, sample):
            found.setdefault(ident, f"its bag is in question: {what}")
    return found


def _of_analysis(store: sqlite3.Connection, result: Result) -> list[str]:
    """The ids of all runs and repeats of a result's analysis: put in question together by hand."""
    where = "sample = ? AND analyte = ? AND method = ? AND basis = ? AND lab = ?"
    return [one.id for one in views.fetch(store, "result", where, analysis(result))]


def _of_bag(store: sqlite3.Connection, sample: str) -> list[str]:
    """The ids of all results of a bag and of the other parts of its pull: whose soil is in it?"""
    rows = store.execute(
        "SELECT r.id FROM result r WHERE r.sample = ?1 OR r.sample IN (SELECT p.id FROM part p "
        "WHERE p.pull = coalesce((SELECT pull FROM part WHERE id = ?1), ?1))",
        (sample,),
    )
    return [name for (name,) in rows.fetchall()]


def others(store: sqlite3.Connection, ident: str) -> list[str]:
    """The ids of a result's repeats: of its sample, analysis and run in one report."""
    run = journal.ident(journal.key("result", *journal.parts(f"result/{ident}")[1:-1]))
    rows = store.execute("SELECT id FROM result WHERE id >= ? AND id < ?", journal.below(run))
    return [name for (name,) in rows if name != ident]


def asked_of(store: sqlite3.Connection) -> dict[str, str]:
    """Every result that counts in no curve for a question, by id, with what is asked.

    Beside `in_question` these are the runs of one analysis that differ: none of them counts.
    """
    waiting = [one for one in lines(store) if one.waits] if _any(store) else []
    found = _about(store, waiting)
    apart = {
        analysis(one.result): one.query.what
        for one in waiting
        if one.query.kind == "runs" and one.result is not None
    }
    for some in views.portions(sorted({sample for sample, *_ in apart})):
        where = f"sample IN ({', '.join('?' * len(some))})"
        for one in views.fetch(store, "result", where, some):
            if analysis(one.record) in apart:
                found.setdefault(one.id, apart[analysis(one.record)])
    return found


def waiting(store: sqlite3.Connection) -> set[tuple[str, str]]:
    """Sample and nutrient of every result that a question, or its re-run, keeps out of curves."""
    return {(one.query.sample, one.query.analyte) for one in lines(store) if one.waits}


def _any(store: sqlite3.Connection) -> bool:
    return store.execute("SELECT 1 FROM query LIMIT 1").fetchone() is not None


def sentences(found: Iterable[Reading], labels: Mapping[str, str]) -> Iterator[str]:
    """What is in question, and what counts of several runs; labels: beds by sample code."""
    asked: dict[str, list[tuple[str, str]]] = {}
    remarks: dict[str, None] = {}
    for one in found:
        what = f"{one.sample} of {labels.get(one.sample, '?')}"
        if one.queried:
            asked.setdefault(one.queried, []).append((one.sample, what))
        if one.remark:
            remarks[f"{what}: {one.remark}"] = None
    for why, some in asked.items():
        yield f"{QUERIED}{counting.named(some)} ({why})"
    yield from remarks


def accepted(store: sqlite3.Connection) -> set[tuple[str, ...]]:
    """What a person looked at and accepted, each as `looked_at` names it."""
    rows = store.execute("SELECT id FROM answer WHERE what = ?", (ACCEPTED,)).fetchall()
    return {looked_at(*result_of(ident)[:2]) for (ident,) in rows if understood(ident)}


def looked_at(ident: str, number: str) -> tuple[str, ...]:
    """A measurement and its number, whatever its report is called: it may be re-issued.

    ident: the id of the result.
    """
    lab, _, *analysed = journal.parts(f"result/{ident}")[1:]
    return (lab, *analysed, number)


def beside(store: sqlite3.Connection, line: Line) -> Result | None:
    """An unsuspected result of the same pull to be measured again as well, drawn by chance.

    Were only surprises measured again, only they could come nearer to what was hoped for. It is
    of another bed of the same planned pull (the same day, where it is in no calendar), by the same
    method, not in question itself and measured only once: a third run of what has two that agree
    would tell nothing. The draw follows from the query: everyone draws the same.
    """
    rows = store.execute(
        "SELECT r.id FROM result r LEFT JOIN part x ON x.id = r.sample "
        "JOIN pull p ON p.id = coalesce(x.pull, r.sample) JOIN bed b ON b.id = p.bed "
        "JOIN (SELECT p2.bed, b2.trial, p2.id, substr(p2.\"when\", 1, 10) AS day FROM pull p2 "
        "JOIN bed b2 ON b2.id = p2.bed WHERE p2.id = coalesce((SELECT pull FROM part "
        "WHERE id = ?), ?)) own ON own.trial = b.trial AND own.bed <> p.bed "
        # A run later than the first is in a report of few beds, all of them measured again.
        "WHERE r.analyte = ? AND r.method = ? AND r.lab = ? AND r.report IN (SELECT f.report "
        "FROM result f WHERE f.sample = ? AND f.analyte = r.analyte AND f.method = r.method "
        "AND f.lab = r.lab) AND NOT EXISTS (SELECT 1 FROM result o WHERE o.sample = r.sample "
        "AND o.analyte = r.analyte AND o.method = r.method AND o.lab = r.lab AND o.run > 1) "
        "AND (substr(p.\"when\", 1, 10) = own.day OR EXISTS (SELECT 1 FROM due d JOIN due o "
        "ON o.planned = d.planned AND o.trial = d.trial WHERE d.pull = p.id AND o.pull = own.id)) "
        "ORDER BY r.id",
        (
            line.query.sample, line.query.sample, line.query.analyte, line.query.method,
            journal.parts(f"query/{line.id}")[4], line.query.sample,
        ),
    ).fetchall()  # fmt: skip
    doubted = in_question(store)
    free = [ident for (ident,) in rows if ident not in doubted]
    if not free:
        return None
    # Loaded here: the daily board asks for open queries and draws nothing.
    import random

    drawn = random.Random(line.id).choice(free)
    return results_of(store, [drawn])[drawn]
