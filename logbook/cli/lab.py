"""The laboratory: `lab import`, beside `lab add` and `lab results`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.app import group
from logbook.cli.bags import not_meant
from logbook.cli.results import results
from logbook.cli.session import Session, as_json, ask, chosen, say
from logbook.cli.typed import add
from logbook.errors import BadData, LogbookError, NeedsAnswer, UserMistake
from logbook.report.lines import result_value
from logbook.store import views
from logbook.study import reports
from logbook.trial.times import parse_when, zone

if TYPE_CHECKING:
    from logbook.labs.importer import Parsed
    from logbook.labs.reader import Table
    from logbook.study.reports import Change, Plan
    from logbook.trial.records import Result

_NAMED_WAITING = 5
_MOST_SHOWN = 20


def import_report(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="The report, a CSV file.", show_default=False)],
    lab: Annotated[
        str | None, typer.Option(help="The laboratory, if the file does not name it [the trial's].")
    ] = None,
    report: Annotated[
        str | None, typer.Option(help="The report's number [from the file's content].")
    ] = None,
    method: Annotated[
        list[str] | None,
        typer.Option(help="How a column was measured: 'P=Mehlich-3'. As often as needed."),
    ] = None,
    skip: Annotated[
        list[str] | None, typer.Option(help="A column to leave out. As often as needed.")
    ] = None,
    received: Annotated[str | None, typer.Option(help="When it came in [now].")] = None,
    reissued: Annotated[
        bool, typer.Option("--reissued", help="Take a re-issued report's other values.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check and show; write nothing.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Import a laboratory report: a row per result, or a row per sample. All of it or nothing.

    Columns: sample, nutrient, value, unit, method; or sample and a column per nutrient, such as
    'Nitrate-N (mg/kg)'.

    Examples: logbook lab import report.csv --report 26-114
              logbook lab import wide.csv --method 'P=Mehlich-3' --skip Comment
    """
    from logbook.labs.reader import read_table

    session: Session = context.obj
    table = read_table(file)
    found = session.read(lambda store: _context(store, session))
    parsed = _parsed(table, found, lab, report, method or (), skip or ())
    at = parse_when(received or "now", zone(found.zone), session.clock.now())
    plan = session.read(
        lambda store: reports.plan(store, parsed.results, table.file, table.sha256, at)
    )
    notes = [*parsed.notes, *_waiting(parsed), *session.read(lambda s: _remarks(s, parsed, plan))]
    if not json:
        _show_differences(table.file, plan)
    code = None
    if plan.records and not dry_run:
        _confirm(table.file, plan, reissued, json)
        code = _write(session, table.file, plan)
    if json:
        as_json(_document(table.file, parsed, plan, notes, dry_run))
        return
    _say_what_happened(table.file, plan, code)
    for note in notes:
        say(f"Note: {note}")


def _parsed(
    table: Table,
    found: _Context,
    lab: str | None,
    report: str | None,
    methods: Sequence[str],
    skip: Sequence[str],
) -> Parsed:
    """The file's results; raises BadData with every problem of the file."""
    from logbook.labs.importer import parse_report

    parsed = parse_report(
        table,
        found.known,
        lab=lab or found.lab,
        report=report,
        methods=methods,
        skip=skip,
        followed=found.followed,
    )
    if parsed.problems:
        raise BadData(
            f"{table.file}: {_many(len(parsed.problems), 'problem')}; nothing was written",
            parsed.problems,
        )
    return parsed


@dataclass(frozen=True)
class _Context:
    """What the book says about a file: sample codes; the trial's methods, laboratory, zone."""

    known: set[str]
    followed: dict[str, str]
    lab: str | None
    zone: str


def _context(store: Any, session: Session) -> _Context:
    """What the book says; UTC and no laboratory where it is not clear which trial is meant."""
    known = views.sample_codes(store)
    try:
        trial = chosen(store, session)
    except LogbookError:
        if session.trial_given:
            raise
        return _Context(known, {}, None, "UTC")
    return _Context(known, _followed(store, trial.id), trial.trial.lab, trial.trial.zone)


def _followed(store: Any, trial: str | None) -> dict[str, str]:
    """The method by nutrient that a trial follows, or any trial."""
    where, given = ("trial = ?", (trial,)) if trial else ("1", ())
    found = views.fetch(store, "followed", where, given)
    return {one.record.analyte: one.record.method for one in found}


def _waiting(parsed: Parsed) -> list[str]:
    if not parsed.waiting:
        return []
    named = ", ".join(parsed.waiting[:_NAMED_WAITING])
    more = "" if len(parsed.waiting) <= _NAMED_WAITING else ", ..."
    return [
        f"no pull here has these codes yet, so their results wait for it: {named}{more} "
        "(another machine's samples?)"
    ]


def _remarks(store: Any, parsed: Parsed, plan: Plan) -> list[str]:
    """What the book knows about these results that a person should, too."""
    remarks = [*_unlike(store, parsed), *not_meant(store, parsed.results)]
    if plan.kept:
        remarks.append(
            f"corrected or struck here and not changed by the laboratory, left so: "
            f"{_listed(plan.kept)}"
        )
    if plan.missing:
        remarks.append(
            f"not in the re-issue and left standing: {_listed(plan.missing)}; "
            "logbook strike SAMPLE:NUTRIENT --reason TEXT strikes one"
        )
    twice = reports.typed_by_hand(store, parsed.results) if plan.records else []
    if twice:
        remarks.append(
            f"typed by hand before, so that they now stand twice: {_listed(twice)}; "
            "logbook strike CODE --reason TEXT strikes what was typed"
        )
    return remarks


def _unlike(store: Any, parsed: Parsed) -> list[str]:
    """Results by another method than the one the trial follows: a series of their own."""
    followed = _followed(store, None)
    found = {
        (result.analyte, result.method)
        for result in parsed.results
        if followed.get(result.analyte, result.method) != result.method
    }
    return [
        f"{analyte} by {method!r} is not the trial's method ({followed[analyte]!r}): it stands in "
        "a series of its own"
        for analyte, method in sorted(found)
    ]


def _listed(results: list[Result]) -> str:
    named = ", ".join(f"{one.sample} {one.analyte}" for one in results[:_MOST_SHOWN])
    more = len(results) - _MOST_SHOWN
    return f"{named} and {more} more" if more > 0 else named


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _numbers(plan: Plan) -> str:
    return ", ".join(sorted({f"{one.number} of {one.lab}" for one in plan.reports.values()}))


def _show_differences(file: str, plan: Plan) -> None:
    """The values that a re-issue changes, before anybody is asked."""
    if not plan.changed:
        return
    say(f"{file}: report {_numbers(plan)} is here with other values:")
    for change in list(plan.changed.values())[:_MOST_SHOWN]:
        new = change.new
        say(f"  {new.sample}  {new.analyte:<11} {_old(change)} -> {result_value(new)} {new.unit}")
    if len(plan.changed) > _MOST_SHOWN:
        say(f"  and {len(plan.changed) - _MOST_SHOWN} more")


def _old(change: Change) -> str:
    return "struck" if change.old is None else result_value(change.old)


def _confirm(file: str, plan: Plan, reissued: bool, json: bool) -> None:
    """A re-issue is taken only if somebody says so; raises NeedsAnswer if nobody can be asked."""
    if not plan.changed or reissued:
        return
    many = _many(len(plan.changed), "value")
    question = f"{file}: has report {_numbers(plan)} been re-issued, with {many} changed?"
    if json:
        raise NeedsAnswer(question, "answer with --reissued")
    if ask(f"{question} (yes/no)", "--reissued").strip().lower() not in ("y", "yes"):
        raise UserMistake("not taken for a re-issue; nothing was written")


def _write(session: Session, file: str, plan: Plan) -> str:
    """Write the plan as one act, if the book is still as it was planned on; returns its code."""
    with session.write() as book:
        if dict(book.live(list(plan.live))) != {k: v for k, v in plan.live.items() if v}:
            raise UserMistake(
                f"{file}: the book changed meanwhile; nothing was written", "run it again"
            )
        reason = f"re-issued report {_numbers(plan)}" if plan.changed else None
        return book.record("lab", plan.records, reason=reason).code


def _say_what_happened(file: str, plan: Plan, code: str | None) -> None:
    count = len(plan.new) + len(plan.changed)
    if not plan.records:
        already = plan.same + len(plan.kept)
        say(f"{file}: imported already ({_many(already, 'result')}); nothing was written")
    elif code is None:
        say(f"{file}: {_many(count, 'result')} can be imported; nothing was written")
    else:
        written = [*plan.new.values(), *(change.new for change in plan.changed.values())]
        samples = len({result.sample for result in written})
        changed = f" ({len(plan.changed)} of them re-issued)" if plan.changed else ""
        say(
            f"{code}  imported {_many(count, 'result')}{changed} of {_many(samples, 'sample')}, "
            f"report {_numbers(plan)}"
        )
    if plan.curves:
        say(f"Curves that change: {', '.join(plan.curves)}")


def _document(
    file: str, parsed: Parsed, plan: Plan, notes: list[str], dry_run: bool
) -> dict[str, Any]:
    count = len(plan.new) + len(plan.changed)
    return {
        "file": file,
        "rows": len(parsed.results),
        "written": 0 if dry_run else count,
        "already_there": plan.same + len(plan.kept),
        "dry_run": dry_run,
        "waiting": list(parsed.waiting),
        "changed": [
            {
                "sample": change.new.sample,
                "nutrient": change.new.analyte,
                "old": _old(change),
                "new": result_value(change.new),
                "unit": change.new.unit,
            }
            for change in plan.changed.values()
        ],
        "missing": [
            {"sample": one.sample, "nutrient": one.analyte, "value": result_value(one)}
            for one in plan.missing
        ],
        "curves": plan.curves,
        "notes": notes,
    }


COMMANDS = {
    "lab": group(
        "What the laboratory sends.", **{"import": import_report, "add": add, "results": results}
    )
}
