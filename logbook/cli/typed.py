"""A result typed by hand: `lab add`, checked by the rules that a file is checked by."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.bags import not_meant
from logbook.cli.session import Session, ask, chosen, say
from logbook.errors import BadData, LogbookError, NeedsAnswer, UserMistake
from logbook.journal import entry as journal
from logbook.journal.fold import agree
from logbook.journal.kinds import to_value
from logbook.report.lines import result_value
from logbook.store import views
from logbook.study import reports
from logbook.trial import chemistry
from logbook.trial.records import Report, Result
from logbook.trial.times import When, parse_when, zone

if TYPE_CHECKING:
    from logbook.labs.importer import Parsed

_VALUE = re.compile(r"\s*([<>≤≥]?\s*=?\s*[+-]?[0-9.,]*[0-9][0-9.,]*)\s*(.*?)\s*\Z", re.DOTALL)


def add(
    context: typer.Context,
    sample: Annotated[str, typer.Argument(help="The sample's code.", show_default=False)],
    nutrient: Annotated[str, typer.Argument(help="Such as nitrate-N, P, pH.", show_default=False)],
    value: Annotated[
        str, typer.Argument(help="With its unit: '12.5 mg/kg', '<0.5 mg/kg'.", show_default=False)
    ],
    method: Annotated[str | None, typer.Option(help="How it was measured.")] = None,
    lab: Annotated[str | None, typer.Option(help="Who measured it [the trial's].")] = None,
    report: Annotated[
        str | None, typer.Option(help="The report that it is copied from ['typed'].")
    ] = None,
    basis: Annotated[str, typer.Option(help="dry or moist.")] = "dry",
    received: Annotated[str | None, typer.Option("--date", help="When it came in [now].")] = None,
    reissued: Annotated[
        bool, typer.Option("--reissued", help="The laboratory sent another value.")
    ] = False,
) -> None:
    """Write down one result by hand.

    Examples: logbook lab add XW3KRT9D nitrate-N '12.5 mg/kg' --method '1 M KCl'
              logbook lab add XW3KRT9D P '<0.5 mg/kg' --method Olsen --report 26-114
    """
    session: Session = context.obj
    trial = session.read(lambda store: _trial(store, session))
    how = method or _asked_method(nutrient, trial.methods)
    parsed = session.read(
        lambda store: _checked(
            store, (sample, nutrient, value, how, basis), lab or trial.lab, report or reports.TYPED
        )
    )
    (result,) = parsed.results
    if report is None:
        session.read(lambda store: _refuse_twice(store, result))
    at = parse_when(received or "now", zone(trial.zone), session.clock.now())
    code = _write(session, result, at, reissued)
    words = f"{result.sample} {result.analyte} {result_value(result)} {result.unit}"
    if code is None:
        say(f"{words}: written down already (report {result.report}); nothing was written")
        return
    say(f"{code}  {words} ({result.method}, {result.basis}; report {result.report})")
    notes = _notes(parsed, trial.methods, result)
    for note in [*notes, *session.read(lambda store: not_meant(store, parsed.results))]:
        say(f"Note: {note}")


@dataclass(frozen=True)
class _Trial:
    """What the trial says about its results: laboratory, zone, method by nutrient."""

    lab: str | None
    zone: str
    methods: dict[str, str]


def _trial(store: Any, session: Session) -> _Trial:
    try:
        trial = chosen(store, session)
    except LogbookError:
        if session.trial_given:
            raise
        return _Trial(None, "UTC", {})
    found = views.fetch(store, "followed", "trial = ?", (trial.id,))
    methods = {one.record.analyte: one.record.method for one in found}
    return _Trial(trial.trial.lab, trial.trial.zone, methods)


def _asked_method(nutrient: str, methods: dict[str, str]) -> str:
    """The method, asked with the trial's as a reminder; it is never taken without being said."""
    analyte, _ = chemistry.find_analyte(nutrient)
    own = methods.get(analyte.name)
    reminder = f" (the trial follows {own!r})" if own else ""
    return ask(
        f"by which method was {analyte.name} measured?{reminder}", f"--method '{own or '...'}'"
    )


def _checked(
    store: Any, typed: tuple[str, str, str, str, str], lab: str | None, report: str
) -> Parsed:
    """The result of what was typed; raises BadData with everything that is wrong with it."""
    from logbook.labs.importer import Parsed, parse_long
    from logbook.labs.typed import typed_table

    sample, nutrient, value, method, basis = typed
    found = _VALUE.match(value)
    number, unit = (found[1], found[2]) if found else (value, "")
    table = typed_table((sample, nutrient, number, unit, method, basis))
    parsed = parse_long(table, views.sample_codes(store), lab=lab, report=report)
    if parsed.problems:
        raise BadData("the result cannot be written down", parsed.problems)
    return Parsed(parsed.results, [], parsed.waiting, [])


def _refuse_twice(store: Any, result: Result) -> None:
    """The same analysis in a report: typed once more, it would count as a second measurement."""
    others = reports.measured_elsewhere(store, result)
    if others:
        raise UserMistake(
            f"{result.sample} has {result.analyte} by {result.method!r} already: "
            f"{result_value(others[0])} {others[0].unit}, report {others[0].report}; "
            "nothing was written",
            "name the report of a second measurement with --report NUMBER",
        )


def _write(session: Session, result: Result, at: When, reissued: bool) -> str | None:
    """Write the result, and its report if it is new here; None if it is there already."""
    name = reports.result_key(result)
    own = reports.report_key(result.lab, result.report)
    old = session.read(lambda store: _standing(store, name))
    if old is not None and agree(to_value(old), to_value(result)):
        return None
    if old is not None and not reissued:
        raise NeedsAnswer(
            f"{result.sample} has {result.analyte} {result_value(old)} {old.unit} in report "
            f"{result.report} already; nothing was written",
            f"logbook correct {result.sample}:{result.analyte} --value VALUE --reason TEXT, "
            "or --reissued if the laboratory sent another value",
        )
    with session.write() as book:
        lines: list[tuple[str, Any]] = [(name, result)]
        if book.values([own]).get(own) is None:
            lines.insert(0, (own, Report(result.lab, result.report, "", "", at, 1)))
        reason = f"re-issued report {result.report}" if old is not None else None
        return book.record("lab", lines, reason=reason).code


def _standing(store: Any, name: str) -> Result | None:
    """The result that stands under a key."""
    found = views.fetch(store, "result", "id = ?", (journal.ident(name),))
    return found[0].record if found else None


def _notes(parsed: Parsed, methods: dict[str, str], result: Result) -> list[str]:
    notes = []
    if parsed.waiting:
        notes.append(f"no pull here has the code {result.sample} yet: the result waits for it")
    own = methods.get(result.analyte, result.method)
    if own != result.method:
        notes.append(
            f"{result.analyte} by {result.method!r} is not the trial's method ({own!r}): it stands "
            "in a series of its own"
        )
    return notes
