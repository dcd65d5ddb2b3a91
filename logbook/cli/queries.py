"""Questions about results: `lab queries` lists them, `lab answer` settles them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing, quality
from logbook.cli.acts import WhenOption
from logbook.cli.laboratory import tell, tell_notes
from logbook.cli.session import Session, as_json, chosen, say
from logbook.cli.wording import needed
from logbook.errors import LogbookError, NeedsAnswer, UserMistake
from logbook.journal.entry import ident, key
from logbook.report.terminal.progress import bar
from logbook.store import views
from logbook.study.shipped import few
from logbook.trial import chemistry, codes, plausible, records, units
from logbook.trial.times import When, parse_when, zone

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.writing import Book
    from logbook.study.asked_again import Request
    from logbook.study.plausibility import Settings
    from logbook.study.queries import Line

# So many open queries on one nutrient of one report are rather answered at once.
_ALIKE = 3
# Kinds of question after which the number may be right once its unit, form, point or digits are.
_SLIPS = ("unit", "form", "decimal", "jump", "range")
# What people say -> the answer.
_ANSWERS = {
    **dict.fromkeys(("accept", "accepted"), records.ACCEPTED),
    **dict.fromkeys(("strike", "struck"), "struck"),
    **dict.fromkeys(("re-run", "rerun", "run again"), records.RERUN),
}


def ask_about(
    book: Book, written: Mapping[str, records.Result], code: str, opened: When, usual: Settings
) -> list[str]:
    """Open the queries that results just written give rise to, in their act; their keys."""
    from logbook.book import corrections
    from logbook.study import plausibility

    with bar(f"Looking at {len(written):,} results beside others") as step:
        found = plausibility.queries_on(
            corrections.inside(book), written, opened, usual, progress=step
        )
    if found:
        book.record("query", found, code=code)
    return [name for name, _ in found]


def about(store: sqlite3.Connection, keys: Collection[str]) -> list[Line]:
    """The queries under these keys, as they stand: by deadline, then sample."""
    from logbook.study import queries as asked

    wanted = set(map(ident, keys))
    return [one for one in asked.lines(store) if one.id in wanted] if wanted else []


def would_ask(
    session: Session,
    lines: Sequence[tuple[str, Any]],
    written: Mapping[str, records.Result],
    opened: When,
    usual: Settings,
) -> list[Line]:
    """The queries that writing these lines would open, found on a copy of the store.

    lines: all that would be written; written: the results among it, by key.
    """
    from logbook.book import corrections, rehearsing

    with rehearsing.on_copy(session.store, now=session.clock.now()) as book:
        act = book.record("lab", lines)
        return about(corrections.inside(book), ask_about(book, written, act.code, opened, usual))


def show_would_ask(lines: Sequence[Line], today: date) -> None:
    """The queries of a dry run, each as `lab queries` lists it once it is open."""
    from logbook.report.terminal.quality import show_queries

    say(f"It would open {_many(len(lines))}:")
    show_queries(lines, today)


def _many(count: int) -> str:
    return "1 query" if count == 1 else f"{count:,} queries"


def told(lines: Sequence[Line], written: Collection[str]) -> Iterator[str]:
    """That there are queries, and which batches are in doubt, for the notes of an import.

    written: the keys of the results that it wrote, beside which others may look odd as well.
    """
    if not lines:
        return
    out = "" if all(one.of_batch for one in lines) else ", out of curves until answered"
    yield (f"{_about(lines, written)}{out}: logbook lab queries ({plausible.KEEPS_WORDS})")
    for one in lines:
        if one.of_batch:
            yield (
                f"{one.query.analyte}, report {one.query.report}: {one.query.what}; its whole "
                "batch is in doubt, and its curves say so: logbook lab chart"
            )


def _about(lines: Sequence[Line], written: Collection[str]) -> str:
    """`2 queries about these results, 1 query about report D-153`."""
    others = [one.query.report for one in lines if f"result/{one.result_id}" not in written]
    told = []
    if len(others) < len(lines):
        told.append(f"{_many(len(lines) - len(others))} about these results")
    if others:
        named = sorted(set(others))
        told.append(f"{_many(len(others))} about report{'s' * (len(named) > 1)} {few(named)}")
    return ", ".join(told)


def queries(
    context: typer.Context,
    every: Annotated[bool, typer.Option("--all", help="Also those that were answered.")] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """List what is asked about results, by the day until which they can be measured again.

    A result in question is in no curve until the query is answered.

    Examples: logbook lab queries
              logbook lab queries --all --json
    """
    from logbook.study import queries as asked

    session: Session = context.obj
    lines = [one for one in session.read(asked.lines) if every or one.waits]
    today = _today(session)
    if json:
        as_json({"queries": [document(one, today) for one in lines]})
        return
    if not lines:
        say("No open queries.")
        return
    from logbook.report.terminal.quality import show_queries

    show_queries(lines, today)
    if any(one.open and one.query.kind == "duplicate" for one in lines):
        tell(quality.about_duplicates())
    if any(one.open and one.of_repeats for one in lines):
        tell(
            "Is one of a laboratory's repeats wrong? logbook strike CODE:NUTRIENT names them, and "
            "strikes one; to answer strike strikes all of them"
        )
    if any(one.open and one.query.kind == asked.EXCHANGE for one in lines):
        tell(
            "Were two bags exchanged? logbook correct CODE --bed BED --reason TEXT for each ends "
            "its questions"
        )
    if any(one.open and one.query.kind in _SLIPS for one in lines):
        tell(
            "Is it the unit, the form, the decimal point or a slip of the pen? logbook correct "
            "CODE:NUTRIENT --value 'X UNIT' --reason TEXT puts the number right, X in the form "
            "that the report names, and ends the question"
        )
    if any(one.open and one.query.kind == "runs" for one in lines):
        tell(
            "Which of two runs is wrong? logbook lab answer CODE:NUTRIENT strike --run N "
            "--reason TEXT strikes it; re-run asks for a third"
        )
    if any(one.open for one in lines):
        say("logbook lab answer CODE:NUTRIENT accept, strike or re-run --reason TEXT")
    alike = Counter((one.query.report, one.query.analyte) for one in lines if one.open)
    report, nutrient = max(alike, key=lambda of: alike[of], default=("", ""))
    if alike[report, nutrient] >= _ALIKE:
        tell(f"logbook lab answer {report}:{nutrient} ... answers all on {nutrient} of that report")


def _today(session: Session) -> date:
    def question(store: sqlite3.Connection) -> str:
        try:
            return chosen(store, session).trial.zone
        except LogbookError:
            return "UTC"

    return session.clock.now().astimezone(zone(session.read(question))).date()


def document(one: Line, today: date) -> dict[str, Any]:
    asked = one.query
    return {
        "sample": asked.sample,
        "bed": one.bed or None,
        "trial": one.trial or None,
        "nutrient": asked.analyte,
        "method": asked.method,
        "report": asked.report,
        "run": one.result.run if one.result else None,
        "value": None if one.result is None or one.result.value is None else str(one.result.value),
        "kind": asked.kind,
        "what": asked.what,
        "opened": asked.opened.text,
        "deadline": asked.deadline,
        "overdue": one.overdue(today),
        "state": one.state,
        "answered": one.answer.when.text if one.answer else None,
        "reason": one.answer.text if one.answer else None,
    }


def answer(
    context: typer.Context,
    what: Annotated[
        str,
        typer.Argument(
            help="CODE:NUTRIENT, several with commas, or REPORT:NUTRIENT for all of a report.",
            show_default=False,
            autocompletion=completing.codes,
        ),
    ],
    answer: Annotated[str, typer.Argument(help="accept, strike or re-run.", show_default=False)],
    reason: Annotated[str | None, typer.Option(help="Why, in a few words.")] = None,
    run: Annotated[int | None, typer.Option(help="Which run to strike, where two differ.")] = None,
    alone: Annotated[
        bool, typer.Option("--alone", help="Ask for no other bed to be measured again.")
    ] = False,
    when: WhenOption = None,
) -> None:
    """Answer a query: accept the number, strike it, or ask for a re-run.

    Asked for where no query is, a re-run puts the result in question. Accepting a result that its
    laboratory rejected counts it all the same; the flag stays.
    With a re-run an unsuspected bed of the same pull, drawn by chance, is measured again too:
    were only surprises measured again, only they could change. Asked for a second time, what to
    write to the laboratory is printed again and nothing is written.

    Examples: logbook lab answer XW3KRT9D:pH strike --reason 'point lost, the lab says'
              logbook lab answer XW3KRT9D:K re-run --reason 'cmol?'
              logbook lab answer 26-114:K accept --reason 'sandy mix, checked'
    """
    session: Session = context.obj
    name = _answer_of(answer)
    why = needed(reason, "an answer needs its reason")
    at = _at(session, when)
    said = _Answered(name, why, at, run, alone)
    named = session.read(lambda store: _meant(store, what, said))
    before = _asked_before(session, named) if name == records.RERUN else []
    if sum(len(one.lines) for one in before) == len(named):
        _say_again(before)
        return
    with session.write() as book:
        from logbook.book import corrections

        store = corrections.inside(book)
        found = _meant(store, what, said)
        found = [one for one in found if one.state != name]
        if not found:
            raise UserMistake("it was answered just now; nothing was written", "run it again")
        code, drawn, halves = _written(book, store, found, said)
    tell(f"{code}  {_done(found, name)}, {name}: {why}", 10)
    if name == records.RERUN:
        lonely = [] if alone else _unaccompanied(found, drawn)
        _request(found, list(drawn.values()), halves, lonely)
        tell_notes([f"{_codes_of(one.lines)}: a re-run was {one.spoken}" for one in before])


def _done(found: Sequence[Line], name: str) -> str:
    """What an act did to these queries."""
    from logbook.study import queries as asked

    if name == records.RERUN and all(one.query.kind == asked.HAND for one in found):
        return f"{_codes_of(found)} put in question"
    return f"{_many(len(found))} answered"


def _asked_before(session: Session, found: Sequence[Line]) -> list[Request]:
    """The requests in which re-runs of some of these were asked for already."""
    known = [one for one in found if one.state == records.RERUN]
    if not known:
        return []
    from logbook.study import asked_again

    return session.read(lambda store: asked_again.requests(store, known))


def _say_again(before: Sequence[Request]) -> None:
    """When and by whom re-runs were asked for, and once more what to write to the laboratory."""
    for one in before:
        tell(f"{_codes_of(one.lines)}: a re-run was {one.spoken}; nothing was written", 2)
    lines = [line for one in before for line in one.lines]
    drawn = [other for one in before for other in one.drawn]
    _request(lines, drawn, [other for one in before for other in one.halves], [])


def _codes_of(lines: Sequence[Line]) -> str:
    return few(list(dict.fromkeys(f"{one.query.sample} {one.query.analyte}" for one in lines)))


@dataclass(frozen=True)
class _Answered:
    """What somebody makes of queries."""

    what: str
    reason: str
    at: When
    run: int | None
    alone: bool


def _answer_of(said: str) -> str:
    word = " ".join(said.lower().split())
    if word not in _ANSWERS:
        raise UserMistake(f"{said!r} is no answer to a query", "say accept, strike or re-run")
    return _ANSWERS[word]


def _at(session: Session, when: str | None) -> When:
    def question(store: sqlite3.Connection) -> str:
        trials = views.fetch(store, "trial")
        return trials[0].record.zone if trials else "UTC"

    place, now = zone(session.read(question)), session.clock.now()
    at = parse_when(when or "now", place, now)
    if at.day > now.astimezone(place).date():
        raise UserMistake(f"{at.spoken} is in the future", "an answer is written once it is given")
    return at


def _meant(store: sqlite3.Connection, what: str, said: _Answered) -> list[Line]:
    """The open queries named; raises UserMistake for one that cannot be answered so."""
    from logbook.study import queries as asked

    waiting = [one for one in asked.lines(store) if one.waits]
    words = [word.strip() for word in what.split(",")]
    found = [line for word in words for line in _named(store, waiting, word, said)]
    for one in found:
        _refuse(one, said.what, said.run)
    return list(dict.fromkeys(found))


def _named(
    store: sqlite3.Connection, waiting: Sequence[Line], word: str, said: _Answered
) -> Iterator[Line]:
    first, _, nutrient = word.rpartition(":")
    if not first.strip():
        raise UserMistake(f"{word!r}: of which nutrient?", "write CODE:NUTRIENT")
    analyte = chemistry.find_analyte(nutrient)[0].name
    code = codes.tidy(first)
    mine = [
        one
        for one in waiting
        if one.query.analyte == analyte and (one.query.sample == code or one.query.report == first)
    ]
    mine = mine or _never_asked(store, analyte, (code, first), said.at)
    if not mine and said.what == records.RERUN:
        from logbook.study import asked_again

        keeps = quality.settings().keeps
        mine = asked_again.by_hand(store, code, analyte, said.reason, said.at, keeps)
    if not mine:
        raise UserMistake(
            f"there is no open query on {word}",
            "logbook lab queries lists them; logbook strike strikes any result, and the answer "
            "re-run to SAMPLE:NUTRIENT puts one in question",
        )
    yield from mine


def _never_asked(
    store: sqlite3.Connection, analyte: str, named: Iterable[str], at: When
) -> list[Line]:
    """Queries on results that their laboratory rejected before imports asked; not written yet."""
    from logbook.study import plausibility
    from logbook.study import queries as asked

    usual = quality.settings()
    found = dict(
        pair for word in named for pair in plausibility.unasked(store, analyte, word, at, usual)
    )
    about = {ident(name): asked.result_of(ident(name))[0] for name in found}
    return [
        asked.Line(ident(name), one, None, about[ident(name)],
                   views.fetch(store, "result", "id = ?", (about[ident(name)],))[0].record,
                   asked.OPEN)
        for name, one in found.items()
    ]  # fmt: skip


def _refuse(one: Line, answer: str, run: int | None) -> None:
    named = f"{one.query.sample}:{one.query.analyte}"
    apart = one.query.kind == "runs"
    if answer == records.ACCEPTED and apart:
        raise UserMistake(
            f"{named}: two runs that differ by more than r are not both right",
            "strike one with --run and the laboratory's cause, or ask for a re-run",
        )
    value = one.result.value if one.result else None
    if (
        answer == records.ACCEPTED
        and value is not None
        and plausible.impossible(one.query.analyte, float(value))
    ):
        raise UserMistake(f"{named}: {units.short(value)} cannot be", "strike it, or ask: re-run")
    if answer == "struck" and apart and run is None:
        raise NeedsAnswer(f"{named}: which run is wrong?", "say it with --run 1 or --run 2")
    if run is not None and answer != "struck":
        raise UserMistake("--run goes with strike", "leave it out")


def _written(
    book: Book, store: Any, found: Sequence[Line], said: _Answered
) -> tuple[str, _Drawn, list[records.Result]]:
    """Write the answers with what follows from them, as one act.

    Its code, the beds drawn, and the other halves of the bags that are measured again.
    """
    from logbook.book import corrections

    drawn: _Drawn = {}
    halves: list[records.Result] = []
    if said.what == "struck":
        keys = list(dict.fromkeys(key for one in found for key in _to_strike(store, one, said.run)))
        code = corrections.strike(book, keys, said.reason).code
    else:
        code = book.new_code()
    never = [(f"query/{one.id}", one.query) for one in found]
    there = book.values([name for name, _ in never])
    # One that was undone with its answer is written again.
    if new := [(name, one) for name, one in never if there.get(name) is None]:
        book.record("query", new, code=code)
    answers = [
        (f"answer/{one.id}", records.Answer(one.id, one.query.sample, said.what, said.at,
                                            said.reason))
        for one in found
    ]  # fmt: skip
    book.record("query", answers, code=code)
    if said.what == records.RERUN:
        from logbook.study import asked_again
        from logbook.study.queries import DRAWN, HALF

        drawn = {} if said.alone else _drawn(store, found)
        halves = asked_again.halves(store, found)
        asked = {(one.query.sample, one.query.analyte): said.reason for one in found}
        for half in halves:
            asked.setdefault((half.sample, half.analyte), HALF)
        for other in drawn.values():
            asked.setdefault((other.sample, other.analyte), DRAWN)
        lines = [
            (key("handling", code, sample, analyte),
             records.Handling(sample, analyte, records.RERUN, said.at, text))
            for (sample, analyte), text in asked.items()
        ]  # fmt: skip
        book.record("handle", lines, code=code)
    return code, drawn, halves


def _to_strike(store: sqlite3.Connection, one: Line, run: int | None) -> list[str]:
    """Keys of the results that a query's answer strikes: its own, or those of the run named."""
    if run is None or one.result is None:
        from logbook.study import queries as asked

        repeats = asked.others(store, one.result_id) if one.of_repeats else []
        return [f"result/{name}" for name in (one.result_id, *repeats)]
    own = one.result
    rows = views.fetch(
        store,
        "result",
        "lab = ? AND sample = ? AND analyte = ? AND method = ? AND basis = ? AND run = ?",
        (own.lab, own.sample, own.analyte, own.method, own.basis, run),
    )
    if not rows:
        raise UserMistake(f"{own.sample}:{own.analyte} has no run {run}", "logbook lab results")
    return [f"result/{row.id}" for row in rows]


_Drawn = dict[tuple[str, str], records.Result]
"""An unsuspected result for each nutrient and report in question."""


def _drawn(store: sqlite3.Connection, found: Sequence[Line]) -> _Drawn:
    """An unsuspected result for each pull and nutrient in question, drawn by chance."""
    from logbook.study import queries as asked

    drawn: _Drawn = {}
    for one in found:
        place = (one.query.analyte, one.query.report)
        other = None if place in drawn else asked.beside(store, one)
        if other is not None:
            drawn[place] = other
    return drawn


def _unaccompanied(found: Sequence[Line], drawn: _Drawn) -> list[str]:
    """`CODE NUTRIENT` of what is measured again with no unsuspected bed beside it."""
    return sorted(
        {
            f"{one.query.sample} {one.query.analyte}"
            for one in found
            if (one.query.analyte, one.query.report) not in drawn
        }
    )


def _request(
    found: Sequence[Line],
    drawn: Sequence[records.Result],
    halves: Sequence[records.Result],
    lonely: Sequence[str],
) -> None:
    """What to write to the laboratory: codes in order, not which of them surprised."""
    asked = {(one.query.sample, one.query.analyte, one.query.method) for one in found}
    asked |= {(one.sample, one.analyte, one.method) for one in (*drawn, *halves)}
    say("To the laboratory:")
    say("  Please measure these again, and report them beside the first results:")
    for sample, analyte, method in sorted(asked):
        say(f"    {sample}  {analyte} by {method}")
    notes = []
    if halves:
        named = ", ".join(f"{one.sample} {one.analyte}" for one in halves)
        notes.append(f"{named}: the other half of a bag in question, measured again as well")
    if drawn:
        named = ", ".join(f"{one.sample} {one.analyte}" for one in drawn)
        notes.append(f"{named}: not in question, drawn by chance to be measured again as well")
    if lonely:
        notes.append(
            f"{', '.join(lonely)}: no other bed of its pull has an unsuspected result in the "
            "report that was measured only once, so none is measured again beside it: only what "
            "surprised can change"
        )
    notes.append("import what comes back with --repeat: it is a measurement of its own")
    tell_notes(notes)
