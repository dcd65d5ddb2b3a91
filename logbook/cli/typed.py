"""A result typed by hand: `lab add`, checked by the rules that a file is checked by."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing, laboratory, quality, queries
from logbook.cli.laboratory import Setting, value_shown
from logbook.cli.relabelled import AMOUNT
from logbook.cli.session import Session, ask
from logbook.errors import BadData, NeedsAnswer, Problem, UserMistake
from logbook.journal import entry as journal
from logbook.journal.fold import agree
from logbook.journal.kinds import to_value
from logbook.report.lines import with_unit
from logbook.store import views
from logbook.study import doubles, reports
from logbook.study import queries as asked_of
from logbook.study.reports import Answers
from logbook.trial import chemistry, codes
from logbook.trial.records import Report, Result
from logbook.trial.times import When

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.labs.cells import Beside
    from logbook.labs.importer import Parsed
    from logbook.labs.typed import TypedTable
    from logbook.study.queries import Line


def add(
    context: typer.Context,
    sample: Annotated[
        str,
        typer.Argument(
            help="The sample's code.", show_default=False, autocompletion=completing.samples
        ),
    ],
    nutrient: Annotated[
        str,
        typer.Argument(
            help="Such as nitrate-N, P, pH.",
            show_default=False,
            autocompletion=completing.nutrients,
        ),
    ],
    value: Annotated[
        str, typer.Argument(help="With its unit: '12.5 mg/kg', '<0.5 mg/kg'.", show_default=False)
    ],
    method: Annotated[str | None, typer.Option(help="How it was measured.")] = None,
    lab: Annotated[str | None, typer.Option(help="Who measured it [the trial's].")] = None,
    report: Annotated[
        str | None, typer.Option(help="The report that it is copied from ['typed'].")
    ] = None,
    basis: Annotated[str, typer.Option(help="dry or moist.")] = "dry",
    received: Annotated[str | None, typer.Option(help="When it came in [now].")] = None,
    reissued: Annotated[
        bool, typer.Option("--reissued", help="The laboratory sent another value.")
    ] = False,
    repeat: Annotated[
        bool, typer.Option("--repeat", help="The same sample, measured a second time.")
    ] = False,
) -> None:
    """Write down one result by hand.

    Examples: logbook lab add XW3KRT9D nitrate-N '12.5 mg/kg' --method '1 M KCl'
              logbook lab add XW3KRT9D P '<0.5 mg/kg' --method Olsen --report 26-114
    """
    from logbook.labs.typed import option_text

    session: Session = context.obj
    about = session.read(lambda store: laboratory.setting(store, session, {codes.tidy(sample)}))
    how = option_text("--method", method) or _asked_method(nutrient, about.methods)
    named = option_text("--lab", lab), option_text("--report", report) or doubles.TYPED
    parsed = _checked(session, about, (sample, nutrient, value, how, basis), *named)
    (result,) = parsed.results
    at = laboratory.came_in(session, received, about, [result.sample], "the result")
    answers = Answers(reissued, repeat)
    decided = session.read(lambda store: _decided(store, result, answers))
    code: str | None = None
    asked: Sequence[Line] = ()
    if decided.result is not None:
        code, decided, asked = _write(session, result, at, answers)
    _say_what_happened(result, code, decided)
    if code is not None and decided.result is not None:
        written = [reports.result_key(decided.result)]
        notes = session.read(lambda store: laboratory.notes_on(store, about, [result]))
        laboratory.tell_notes(
            [*queries.told(asked, written), *parsed.notes, *_waiting(parsed, result), *notes]
        )


@dataclass(frozen=True)
class _Decided:
    """What becomes of a typed result: it is written, or it is here already as report `here`.

    `old` is the result it changes, `replaced` are keys of typed ones that it takes the place of.
    """

    result: Result | None
    here: str = ""
    old: Result | None = None
    replaced: tuple[str, ...] = ()


def _asked_method(nutrient: str, methods: dict[str, str]) -> str:
    """The method, asked with the trial's as a reminder; it is never taken without being said."""
    analyte, _ = chemistry.find_analyte(nutrient)
    own = methods.get(analyte.name)
    reminder = f" (the trial follows {own!r})" if own else ""
    return ask(
        f"by which method was {analyte.name} measured?{reminder}", f"--method '{own or '...'}'"
    )


def _checked(
    session: Session,
    about: Setting,
    typed: tuple[str, str, str, str, str],
    lab: str | None,
    report: str,
) -> Parsed:
    """The result of what was typed; raises BadData with everything that is wrong with it."""
    from logbook.labs.cells import Beside
    from logbook.labs.importer import parse_report
    from logbook.labs.typed import option_text, typed_table

    names = ("the sample", "the nutrient", "the value", "the method", "the basis")
    sample, nutrient, value, method, basis = (
        option_text(name, text) or "" for name, text in zip(names, typed, strict=True)
    )
    found = AMOUNT.match(value.replace("\N{MINUS SIGN}", "-"))
    number, unit = (found[1], found[2]) if found else (value, "")
    table = typed_table((sample, nutrient, number, unit, method, basis))

    def parse(beside: Beside) -> Parsed:
        return parse_report(table, beside)

    beside = Beside(frozenset(about.origins), lab or about.lab, report, labs=about.labs)
    parsed = laboratory.checked_twice(session, parse, beside, about.zone, imported=False)
    problems = parsed.problems or [
        problem for one in parsed.results for problem in _impossible(table, one)
    ]
    if problems:
        raise BadData("the result cannot be written down", problems)
    return parsed


def _impossible(table: TypedTable, result: Result) -> list[Problem]:
    """What cannot be and was typed by hand is a slip of the hand: of a report it is a query."""
    if result.value is None:
        return []
    try:
        chemistry.check_range(result.value, chemistry.ANALYTES[result.analyte])
    except UserMistake as error:
        return [Problem(table.where(0, 2), error.message, error.hint)]
    return []


def _decided(store: Any, result: Result, answers: Answers) -> _Decided:
    """What becomes of the result in the book as it is; raises UserMistake where that is asked."""
    found = doubles.standing(store, result.lab, [result])
    if answers.repeat:
        (again,) = doubles.next_runs([result], found)
        return _Decided(again)
    of = doubles.analysis(result)
    runs = {one.run for one in found.get(of, []) if one.report == result.report}
    if runs:
        (result,) = doubles.as_written_before([result], {of: runs})
        return _within_report(_standing(store, reports.result_key(result)), result, answers)
    doubled = doubles.compared(result.lab, [result], found)
    if doubled is None:
        return _Decided(result)
    if answers.reissued and doubled.reports == [doubles.TYPED]:
        return _Decided(result, replaced=tuple(f"result/{one.id}" for one in doubled.standing))
    if doubled.equal:
        return _Decided(None, " and ".join(doubled.reports))
    raise UserMistake(
        f"{result.sample} has another {result.analyte} by {result.method!r} already in "
        f"{doubled.named}; nothing was written",
        doubles.ways_on(doubled),
    )


def _within_report(old: Result | None, result: Result, answers: Answers) -> _Decided:
    if old is not None and agree(to_value(old), to_value(result)):
        return _Decided(None, result.report)
    if old is not None and not answers.reissued:
        here = with_unit(value_shown(old), old.unit)
        raise NeedsAnswer(
            f"{result.sample} has {result.analyte} {here} in report {result.report} "
            "already; nothing was written",
            f"logbook correct {result.sample}:{result.analyte} --value VALUE --reason TEXT, "
            "or --reissued if the laboratory sent another value, or --repeat if the sample was "
            "measured a second time",
        )
    return _Decided(result, old=old)


def _write(
    session: Session, result: Result, at: When, answers: Answers
) -> tuple[str | None, _Decided, list[Line]]:
    """Write the result, its report if it is new, its queries: code, decision, what is asked."""
    from logbook.book.corrections import inside

    usual = quality.settings()
    with session.write() as book:
        store = inside(book)
        decided = _decided(store, result, answers)
        one = decided.result
        if one is None:
            return None, decided, []
        own = reports.report_key(one.lab, one.report)
        lines: list[tuple[str, Any]] = [(reports.result_key(one), one)]
        lines += [(name, None) for name in decided.replaced]
        if book.values([own]).get(own) is None:
            lines.insert(0, (own, Report(one.lab, one.report, "", "", at, 1)))
        reason = f"re-issued report {one.report}" if decided.old is not None else None
        code = book.record("lab", lines, reason=reason).code
        written = {reports.result_key(one): one}
        keys = queries.ask_about(book, written, code, at, usual)
        return code, decided, queries.about(store, keys)


def _standing(store: Any, name: str) -> Result | None:
    """The result that stands under a key."""
    found = views.fetch(store, "result", "id = ?", (journal.ident(name),))
    return found[0].record if found else None


def _say_what_happened(result: Result, code: str | None, decided: _Decided) -> None:
    # What was typed in another unit or form has digits that nobody measured.
    number = value_shown(result) if _as_typed(result) else asked_of.shown(result)
    words = f"{result.sample} {result.analyte} {with_unit(number, result.unit)}"
    if code is None or decided.result is None:
        laboratory.tell(f"{words}: here already as report {decided.here}; nothing was written", 2)
        return
    run = f", run {decided.result.run}" if decided.result.run > 1 else ""
    laboratory.tell(
        f"{code}  {words} ({result.method}, {result.basis}; report {result.report}{run})", 10
    )
    if decided.replaced:
        laboratory.tell("Note: the report takes the place of what was typed, now struck", 6)


def _as_typed(result: Result) -> bool:
    """True where the number kept is the number typed."""
    try:
        typed = Decimal(result.reported.lstrip("<>\u2264\u2265= ").replace(",", "."))
    except InvalidOperation:
        return False
    return typed == (result.limit if result.value is None else result.value)


def _waiting(parsed: Parsed, result: Result) -> list[str]:
    if not parsed.waiting:
        return []
    return [f"no pull here has the code {result.sample} yet: the result waits for it"]
