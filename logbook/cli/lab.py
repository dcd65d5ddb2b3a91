"""The laboratory: `lab import`, beside `lab add`, `lab results` and `lab profile`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import laboratory, profiled, quality, queries, sources
from logbook.cli.app import group
from logbook.cli.custody import log, mark
from logbook.cli.forms import form
from logbook.cli.laboratory import Setting, listed, tell, value_shown
from logbook.cli.profile import PROFILE
from logbook.cli.references import reference
from logbook.cli.results import results
from logbook.cli.sending import send
from logbook.cli.session import Session, as_json, ask, say
from logbook.cli.sources import Said, Source
from logbook.cli.typed import add
from logbook.errors import NeedsAnswer, UserMistake
from logbook.report.lines import result_value, with_unit
from logbook.report.terminal.progress import bar
from logbook.store import views
from logbook.study import report_lines, reports
from logbook.study.doubles import several
from logbook.study.planned import Answers
from logbook.trial.times import parse_when, zone

if TYPE_CHECKING:
    from logbook.labs.cells import Beside
    from logbook.labs.importer import Parsed
    from logbook.study.planned import Change, Plan
    from logbook.study.queries import Line
    from logbook.trial.records import Result
    from logbook.trial.times import When

_MOST_SHOWN = 20
_AFTER_CODE = 10


def import_report(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="The report, CSV or XLSX.", show_default=False)],
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
    profile: Annotated[
        str | None, typer.Option(help="How the laboratory lays it out: see lab profile.")
    ] = None,
    limit: Annotated[
        list[str] | None,
        typer.Option(help="Limit of what was not detected: 'P=0.5'."),
    ] = None,
    sheet: Annotated[str | None, typer.Option(help="The sheet of a spreadsheet.")] = None,
    encoding: Annotated[
        str | None, typer.Option(help="How the text is encoded [from the file].")
    ] = None,
    received: Annotated[str | None, typer.Option(help="When it came in [now].")] = None,
    reissued: Annotated[
        bool, typer.Option("--reissued", help="It replaces the report, or what was typed.")
    ] = False,
    replaces: Annotated[
        list[str] | None,
        typer.Option(
            help="It is re-issued under a new number and replaces this report. As often as needed."
        ),
    ] = None,
    repeat: Annotated[
        bool, typer.Option("--repeat", help="The same samples, measured a second time.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check and show; write nothing.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Import a laboratory report: a row per result, or a row per sample. All of it or nothing.

    Columns: sample, nutrient, value, unit, method; or sample and a column per nutrient, such as
    'Nitrate-N (mg/kg)'. Any other layout needs a profile.

    Examples: logbook lab import report.csv --report 26-114
              logbook lab import wide.csv --method 'P=Mehlich-3' --skip Comment
              logbook lab import sheet.xlsx --profile fen
    """
    session: Session = context.obj
    answers = _answers(reissued, repeat, replaces or ())
    said = Said(lab, report, method or (), skip or (), answers)
    opened = sources.File(file, sheet, encoding)
    about, job = _read(session, opened, profile, limit or (), received, said)
    _import(session, about, job, dry_run, json)


def _read(
    session: Session,
    file: sources.File,
    profile: str | None,
    limits: Sequence[str],
    received: str | None,
    said: Said,
) -> tuple[Setting, _Job]:
    """The file's results, and what the book says of their samples; its cells are let go."""
    source = sources.source(file, profile, limits, said)
    table = source.table
    about = session.read(lambda store: laboratory.setting(store, session, source.codes))
    parsed = _parsed(session, source, about, said)
    samples = {result.sample for result in parsed.results}
    at = laboratory.came_in(session, received or source.received, about, samples, table.file)
    return about, _Job(table.file, table.sha256, table.remarks, parsed, at, said.answers)


def _answers(reissued: bool, repeat: bool, replaces: Sequence[str]) -> Answers:
    """What the options say of results that stand here already; only one of them can be so."""
    from logbook.labs.typed import option_text

    if bool(replaces) + reissued + repeat > 1:
        raise UserMistake(
            "--reissued, --replaces and --repeat exclude each other",
            "a re-issue corrects, a repeat is a second measurement",
        )
    numbers = (option_text("--replaces", one) for one in replaces)
    return Answers(reissued, repeat, tuple(dict.fromkeys(one for one in numbers if one)))


def _import(session: Session, about: Setting, job: _Job, dry_run: bool, json: bool) -> None:
    """Show what a file would change, ask, write it, and say what happened."""
    file, parsed = job.file, job.parsed
    before, plan = session.read(lambda store: (views.count_entries(store), job.plan(store)))
    if not json:
        samples = {one.sample for one in parsed.results} if plan.missing else set()
        _show_differences(file, plan, samples)
    code: str | None = None
    asked: list[Line] = []
    opened = _now(session, about)
    if plan.writes and dry_run:
        asked = queries.would_ask(session, plan.records, plan.written, opened, quality.settings())
    elif plan.writes:
        _confirm(file, plan, job.answers, json)
        code, plan, asked = _write(session, job, before, plan, opened)
    notes = [
        *queries.told(asked, plan.written if asked else ()),
        *job.remarks,
        *_made_numbers(plan, dry_run),
        *session.read(lambda store: _notes(store, about, parsed, plan, opened)),
    ]
    if json:
        told = _document(file, parsed, plan, notes, dry_run)
        listed = [queries.document(one, opened.day) for one in asked]
        as_json({**told, "queries": len(asked), "asked": listed})
        return
    _say_what_happened(file, plan, code)
    if dry_run and asked:
        queries.show_would_ask(asked, opened.day)
    laboratory.tell_notes(notes if plan.writes else _left_out(plan))


@dataclass(frozen=True)
class _Job:
    """A file's results, and all that is needed to plan what becomes of them.

    file, sha256: its name and that of its bytes; remarks: how it was read.
    """

    file: str
    sha256: str
    remarks: tuple[str, ...]
    parsed: Parsed
    at: When
    answers: Answers

    def plan(self, store: Any) -> Plan:
        """What importing would write, as the book is now."""
        results = self.parsed.results
        return reports.plan(store, results, self.file, self.sha256, self.at, self.answers)


def _parsed(session: Session, source: Source, about: Setting, said: Said) -> Parsed:
    """The file's results; raises BadData with every problem of the file."""
    from logbook.labs.cells import Beside
    from logbook.labs.typed import option_text

    def parse(beside: Beside) -> Parsed:
        return source.parse(beside, said, about)

    table = source.table
    lab, number = session.read(lambda store: report_lines.known_as(store, table.sha256))
    named = option_text("--report", said.report)
    beside = Beside(
        frozenset(about.origins),
        lab=option_text("--lab", said.lab) or source.lab or lab or about.lab,
        report=source.number(named, number),
        renumbered=said.answers.reissued if named else number is not None,
        labs=about.labs,
    )
    imported = number is not None and not named
    parsed = laboratory.checked_twice(session, parse, beside, about.zone, imported=imported)
    if source.applied is not None:
        parsed = profiled.with_moisture(session, about, source.applied, parsed)
    problems = [*source.torn, *parsed.problems]
    if problems:
        raise laboratory.refused(table.file, problems)
    return parsed


def _notes(store: Any, about: Setting, parsed: Parsed, plan: Plan, opened: When) -> list[str]:
    """All that a person should know although nothing is wrong."""
    notes = [*parsed.notes, *laboratory.waiting(parsed.waiting)]
    notes += laboratory.notes_on(store, about, parsed.results)
    if plan.again:
        notes.append(
            f"these samples were measured before (report {', '.join(plan.again)}): the results are "
            f"kept as run {_runs(plan)}"
        )
    if plan.replaced and plan.superseded_reports:
        many = _many(len(plan.replaced), "result")
        old = several(plan.superseded_reports)
        notes.append(f"it takes the place of {many} of {old}, now struck")
    elif plan.replaced:
        typed = _many(len(plan.replaced), "result")
        notes.append(f"the report takes the place of {typed} typed by hand, now struck")
    if plan.by_hand:
        notes.append(
            f"struck or corrected under {several(plan.superseded_reports)}, and now as the report "
            f"gives it: {listed(plan.by_hand)}; strike or correct it again where that still holds"
        )
    if plan.kept:
        notes.append(
            f"corrected or struck here and not changed by the laboratory, left so: "
            f"{listed(plan.kept)}"
        )
    notes += _left_out(plan)
    changes = [*plan.changed.values(), *plan.superseded]
    return [*notes, *(_still_awaited(store, about, changes, opened) if changes else ())]


def _made_numbers(plan: Plan, dry_run: bool) -> list[str]:
    """That a report got a number which its laboratory does not know, and how it gets its own."""
    made = [one.number for one in plan.reports.values() if one.number == one.sha256[:12]]
    if not made:
        return []
    again = "" if dry_run else f" --replaces {made[0]}, with the same file,"
    return [
        f"the file gives no report number: {made[0]} is made from its content; --report "
        f"NUMBER{again} gives it the laboratory's"
    ]


def _left_out(plan: Plan) -> list[str]:
    """What a re-issue leaves out, and what may be done about it."""
    if not plan.missing:
        return []
    return [
        f"not in the re-issue and left standing: {_many(len(plan.missing), 'result')}; "
        "logbook strike SAMPLE:NUTRIENT --reason TEXT strikes one"
    ]


def _still_awaited(
    store: Any, about: Setting, changes: Sequence[Change], opened: When
) -> list[str]:
    """Re-runs asked for of what is re-issued: a corrected number is no second measurement."""
    from logbook.study import samplelog

    here = {f"{change.new.sample}:{change.new.analyte}" for change in changes}
    asked = [of for trial in about.trials for _, of in samplelog.reruns(store, trial, opened.day)]
    waits = [of for of in asked if of in here]
    if not waits:
        return []
    return [
        f"still awaited is the re-run of {', '.join(waits)}: a re-issue corrects the first "
        "measurement; logbook lab mark accepted CODE:NUTRIENT ends the waiting"
    ]


def _runs(plan: Plan) -> str:
    return ", ".join(map(str, sorted({one.run for one in plan.new.values() if one.run > 1})))


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _numbers(plan: Plan) -> str:
    several = (*plan.reports.values(), *plan.stand_already)
    return ", ".join(sorted({f"{one.number} of {one.lab}" for one in several}))


def _numbers_of(results: Sequence[Result]) -> str:
    return ", ".join(sorted({f"{one.report} of {one.lab}" for one in results}))


def _show_differences(file: str, plan: Plan, samples: Collection[str]) -> None:
    """What a re-issue changes and what it lacks, report by report, before anybody is asked.

    samples: those of the file, of which it lacks single results and not all.
    """
    own = [*plan.changed.values()]
    if own or (plan.missing and not plan.superseded_reports):
        of = _numbers(plan) if own else _numbers_of(plan.missing)
        other = "with other values" if own else "with results that this file leaves out"
        missing = [one for one in plan.missing if one.report not in plan.superseded_reports]
        _show_some(f"{file}: report {of} is here {other}:", own, missing, samples)
    for old in plan.superseded_reports:
        changes = [one for one in plan.superseded if one.report == old]
        missing = [one for one in plan.missing if one.report == old]
        other = f"has other values than report {old}"
        if not changes:
            other = f"lacks results of the report that it replaces, {old}"
        if changes or missing:
            _show_some(f"{file}: report {_numbers(plan)} {other}:", changes, missing, samples)


def _show_some(
    title: str, changes: Sequence[Change], missing: Sequence[Result], samples: Collection[str]
) -> None:
    tell(title, 2)
    for change in changes[:_MOST_SHOWN]:
        new = change.new
        value = with_unit(value_shown(new), new.unit)
        say(f"  {new.sample}  {new.analyte:<11} {_old(change)} -> {value}")
    if len(changes) > _MOST_SHOWN:
        say(f"  and {len(changes) - _MOST_SHOWN} more")
    bags = Counter(one.sample for one in missing if one.sample not in samples)
    whole = {code: count for code, count in bags.items() if count > 1}
    lacks = [f"{code}  {f'all {count} results':<11}" for code, count in whole.items()]
    lacks += [
        f"{one.sample}  {one.analyte:<11} {with_unit(value_shown(one), one.unit)}"
        for one in missing
        if one.sample not in whole
    ]
    for one in lacks[:_MOST_SHOWN]:
        say(f"  {one} -> not in it, left standing")
    if len(lacks) > _MOST_SHOWN:
        say(f"  and {len(lacks) - _MOST_SHOWN} more that are not in it")


def _old(change: Change) -> str:
    if change.struck is not None:
        return f"{value_shown(change.struck)} (struck)"
    if change.old is None:
        return "struck"
    return f"{value_shown(change.old)}{' (corrected here)' * change.corrected}"


def _confirm(file: str, plan: Plan, answers: Answers, json: bool) -> None:
    """A re-issue is taken only if somebody says so; raises NeedsAnswer if nobody can be asked."""
    if not plan.changed or answers.reissued or answers.replaces:
        return
    what = f"{_many(len(plan.changed), 'value')} changed"
    if plan.missing:
        what += f" and {_many(len(plan.missing), 'result')} left out"
    question = f"{file}: has report {_numbers(plan)} been re-issued, with {what}?"
    if json:
        raise NeedsAnswer(question, "answer with --reissued")
    if ask(f"{question} (yes/no)", "--reissued").strip().lower() not in ("y", "yes"):
        raise UserMistake("not taken for a re-issue; nothing was written")


def _now(session: Session, about: Setting) -> When:
    return parse_when("now", zone(about.zone), session.clock.now())


def _write(
    session: Session, job: _Job, before: int, plan: Plan, opened: When
) -> tuple[str | None, Plan, list[Line]]:
    """Write the plan and its queries as one act: code, plan, what is asked.

    There is no code if it is all there meanwhile.

    The journal only grows: with `before` entries in it the book is as it was planned on. If not,
    it is planned again inside the transaction.
    """
    from logbook.book.corrections import inside

    file, usual = job.file, quality.settings()
    with session.write() as book:
        store = inside(book)
        if views.count_entries(store) != before:
            now = job.plan(store)
            if now.writes and now.records != plan.records:
                raise UserMistake(
                    f"{file}: the book changed meanwhile; nothing was written", "run it again"
                )
            plan = now
        if not plan.writes:
            return None, plan, []
        reason = f"re-issued report {_numbers(plan)}" if plan.changed else None
        if plan.superseded_reports:
            reason = f"{several(plan.superseded_reports)} re-issued as {_numbers(plan)}"
        records = plan.records
        with bar(f"Writing {_many(len(records), 'line')}") as step:
            act = book.record(
                "lab", records, reason=reason, progress=lambda done: step(done / len(records))
            )
        keys = queries.ask_about(book, plan.written, act.code, opened, usual)
        return act.code, plan, queries.about(store, keys)


def _say_what_happened(file: str, plan: Plan, code: str | None) -> None:
    count = len(plan.new) + len(plan.changed)
    if not plan.writes and plan.here:
        named = " and ".join(plan.here)
        tell(f"{file}: these results are here already as report {named}; nothing was written", 2)
    elif not plan.writes:
        already = plan.same + len(plan.kept)
        tell(f"{file}: imported already ({_many(already, 'result')}); nothing was written", 2)
    elif code is None:
        tell(f"{file}: {_many(count, 'result')} can be imported; nothing was written", 2)
    elif not count:
        tell(f"{code}  all of report {_numbers(plan)} is here already", _AFTER_CODE)
    else:
        written = [*plan.new.values(), *(change.new for change in plan.changed.values())]
        samples = len({result.sample for result in written})
        changed = f" ({len(plan.changed)} of them re-issued)" if plan.changed else ""
        tell(
            f"{code}  imported {_many(count, 'result')}{changed} of {_many(samples, 'sample')}, "
            f"report {_numbers_of(written)}",
            _AFTER_CODE,
        )
    if plan.curves:
        tell(f"Curves that change: {', '.join(plan.curves)}", 2)


def _document(
    file: str, parsed: Parsed, plan: Plan, notes: list[str], dry_run: bool
) -> dict[str, Any]:
    count = len(plan.new) + len(plan.changed)
    return {
        "file": file,
        "rows": len(parsed.results),
        "written": 0 if dry_run else count,
        "already_there": plan.same + len(plan.kept),
        "here_as": plan.here,
        "measured_before": plan.again,
        "typed_replaced": 0 if plan.superseded_reports else len(plan.replaced),
        "replaced_reports": plan.superseded_reports,
        "dry_run": dry_run,
        "waiting": list(parsed.waiting),
        "changed": [
            {
                "sample": change.new.sample,
                "nutrient": change.new.analyte,
                "old": "struck" if change.old is None else result_value(change.old),
                "struck": None if change.struck is None else result_value(change.struck),
                "new": result_value(change.new),
                "unit": change.new.unit,
            }
            for change in (*plan.changed.values(), *plan.superseded)
        ],
        "missing": [
            {
                "sample": one.sample,
                "nutrient": one.analyte,
                "value": result_value(one),
                "unit": one.unit,
            }
            for one in plan.missing
        ],
        "curves": plan.curves,
        "notes": notes,
    }


COMMANDS = {
    "lab": group(
        "What goes to the laboratory and what it sends.",
        send=send,
        form=form,
        mark=mark,
        log=log,
        queries=queries.queries,
        answer=queries.answer,
        chart=quality.chart,
        precision=quality.precision,
        reference=reference,
        **{"import": import_report, "add": add, "results": results},
    )
}
COMMANDS["lab"].add_command(PROFILE, "profile")
