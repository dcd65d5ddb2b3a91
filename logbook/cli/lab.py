"""The laboratory: `lab import`."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.app import group
from logbook.cli.session import Session, as_json, chosen, say
from logbook.errors import BadData, LogbookError, UserMistake
from logbook.journal.entry import key
from logbook.journal.fold import agree
from logbook.journal.kinds import to_value
from logbook.store import views
from logbook.trial.records import Report, Result
from logbook.trial.times import When, parse_when, zone

if TYPE_CHECKING:
    from logbook.labs.importer import Parsed
    from logbook.labs.reader import Table

_NAMED_WAITING = 5


def import_report(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="The report, a CSV file.", show_default=False)],
    lab: Annotated[
        str | None, typer.Option(help="The laboratory, if the file does not name it [the trial's].")
    ] = None,
    report: Annotated[
        str | None, typer.Option(help="The report's number [from the file's content].")
    ] = None,
    received: Annotated[str | None, typer.Option(help="When it came in [now].")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check and show; write nothing.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Import a laboratory report: one row per sample and nutrient, all of it or nothing.

    The file has columns sample, nutrient, value, unit, method.

    Examples: logbook lab import report.csv --report 26-114
              logbook lab import report.csv --dry-run
    """
    from logbook.labs.importer import parse_long
    from logbook.labs.reader import read_table

    session: Session = context.obj
    table = read_table(file)
    known, lab_of_trial, tz = session.read(lambda store: _context(store, session))
    parsed = parse_long(table, known, lab=lab or lab_of_trial, report=report)
    if parsed.problems:
        raise BadData(
            f"{table.file}: {len(parsed.problems)} problems; nothing was written", parsed.problems
        )
    at = parse_when(received or "now", zone(tz), session.clock.now())
    notes = [*parsed.notes, *_waiting(parsed), *session.read(lambda s: _unlike(s, parsed))]
    session.read(lambda store: _refuse_renumbered(store, table, parsed))
    written, same = (0, 0) if dry_run else _write(session, table, parsed, at)
    if json:
        as_json(
            {
                "file": table.file, "rows": len(parsed.results), "written": written,
                "already_there": same, "dry_run": dry_run, "waiting": list(parsed.waiting),
                "notes": notes,
            }
        )  # fmt: skip
        return
    for note in notes:
        say(f"Note: {note}")
    if dry_run:
        say(f"{table.file}: {len(parsed.results)} results can be imported; nothing was written")
    elif not written:
        say(f"{table.file}: imported already ({same} results); nothing was written")


def _context(store: Any, session: Session) -> tuple[set[str], str | None, str]:
    """Known sample codes, the trial's laboratory and zone (UTC where no trial is meant)."""
    known = views.sample_codes(store)
    try:
        trial = chosen(store, session).trial
    except LogbookError:
        if session.trial_given:
            raise
        return known, None, "UTC"
    return known, trial.lab, trial.zone


def _waiting(parsed: Parsed) -> list[str]:
    if not parsed.waiting:
        return []
    named = ", ".join(parsed.waiting[:_NAMED_WAITING])
    more = "" if len(parsed.waiting) <= _NAMED_WAITING else ", ..."
    return [
        f"no pull here has these codes yet, so their results wait for it: {named}{more} "
        "(another machine's samples?)"
    ]


def _unlike(store: Any, parsed: Parsed) -> list[str]:
    """Results by another method than the one the trial follows: a series of their own."""
    followed = {
        found.record.analyte: found.record.method for found in views.fetch(store, "followed")
    }
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


def _write(session: Session, table: Table, parsed: Parsed, at: When) -> tuple[int, int]:
    """Write the reports and their results as one act; returns (written, there already)."""
    lines = {result_key(result): result for result in parsed.results}
    with session.write() as book:
        known = book.values(list(lines))
        changed = [
            lines[name]
            for name, value in known.items()
            if value is not None and not agree(value, to_value(lines[name]))
        ]
        if changed:
            raise _differs(table, changed)
        new = {name: result for name, result in lines.items() if name not in known}
        if not new:
            return 0, len(lines)
        reports = _reports(table, parsed.results, at)
        missing = reports.keys() - book.values(list(reports)).keys()
        act = book.record(
            "lab", [*((name, reports[name]) for name in sorted(missing)), *new.items()]
        )
    samples = len({result.sample for result in new.values()})
    named = ", ".join(sorted({f"{one.number} of {one.lab}" for one in reports.values()}))
    say(f"{act.code}  imported {len(new)} results of {samples} samples, report {named}")
    return len(new), len(lines) - len(new)


def _reports(table: Table, results: list[Result], at: When) -> dict[str, Report]:
    """The reports that a file holds, by key."""
    counts = Counter((result.lab, result.report) for result in results)
    return {
        key("report", lab, number): Report(lab, number, table.file, table.sha256, at, rows)
        for (lab, number), rows in counts.items()
    }


def _refuse_renumbered(store: Any, table: Table, parsed: Parsed) -> None:
    """The very same file under another report number would double every value."""
    numbers = {result.report for result in parsed.results}
    for found in views.fetch(store, "report", "sha256 = ?", (table.sha256,)):
        if found.record.number not in numbers:
            raise UserMistake(
                f"{table.file}: this very file was imported on {found.record.received.spoken} as "
                f"report {found.record.number}; nothing was written",
                "leave --report out, or strike the first import",
            )


def result_key(result: Result) -> str:
    """The key of a result: it follows from its content, so two machines make the same one."""
    return key(
        "result", result.lab, result.report, result.sample, result.analyte, result.method,
        result.basis, str(result.run), str(result.n),
    )  # fmt: skip


def _differs(table: Table, changed: list[Result]) -> UserMistake:
    first = changed[0]
    named = ", ".join(f"{one.sample} {one.analyte} {one.reported}" for one in changed[:3])
    more = ", ..." if len(changed) > 3 else ""
    return UserMistake(
        f"{table.file}: report {first.report} of {first.lab} is here with other values for "
        f"{len(changed)} results ({named}{more}); nothing was written",
        "logbook correct SAMPLE:NUTRIENT --value VALUE --reason TEXT corrects one",
    )


COMMANDS = {"lab": group("What the laboratory sends.", **{"import": import_report})}
