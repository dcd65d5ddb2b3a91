"""Reports that take the place of others: under a number of their own, or under the right one.

Each report that has the same measurements must be named; what the new one leaves out stands.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.journal.fold import agree
from logbook.journal.kinds import to_value
from logbook.store import views
from logbook.study import doubles, report_lines
from logbook.study.planned import Change, Plan
from logbook.study.report_lines import report_key, result_key
from logbook.trial.records import Report, Result

if TYPE_CHECKING:
    import sqlite3


def refuse_itself(results: Sequence[Result], file: str, replaces: Collection[str]) -> None:
    """A report under its own number is no other one: it would strike what it has just written."""
    for number in sorted({result.report for result in results}.intersection(replaces)):
        raise UserMistake(
            f"{file}: --replaces {doubles.quoted(number)} names the report itself; "
            "nothing was written",
            "leave it out; --reissued says that the report came again under its own number",
        )


def imported_elsewhere(
    store: sqlite3.Connection,
    results: Sequence[Result],
    file: str,
    sha256: str,
    replaces: Collection[str],
) -> list[Report]:
    """The reports as which the very same file stands already, where this one takes their place.

    Raises UserMistake for any other: as another report, or of another laboratory, the file would
    double every value.
    """
    numbers = {report_key(*of): of for of in {(result.lab, result.report) for result in results}}
    others = [
        found
        for found in views.fetch(store, "report")
        if f"report/{found.id}" not in numbers
        and (found.record.sha256 == sha256 or report_lines.was_before(store, found.id, sha256))
    ]
    labs = {lab for lab, _ in numbers.values()}
    own = [
        report
        for report in (found.record for found in others)
        if report.sha256 == sha256 and report.lab in labs and report_lines.standing(store, report)
    ]
    for found in others:
        report: Report = found.record
        if report in own and report.number in replaces:
            continue
        hint = (
            f"leave --report and --lab out, or strike the first import: {_striking(store, found)}"
        )
        if report in own:
            hint = _right_number(sorted({one.number for one in own}), numbers.values(), sha256)
        raise UserMistake(
            f"{file}: this very file was imported as report {report.number} of {report.lab}; "
            "nothing was written",
            hint,
        )
    return own


def _right_number(known: Sequence[str], asked: Collection[tuple[str, str]], sha256: str) -> str:
    """How a file that is known by some numbers gets the one asked for, or made from its content."""
    number = ", ".join(sorted({number for _, number in asked}))
    if number == sha256[:12] and len(known) > 1:
        first = doubles.quoted(known[0])
        return f"say which number is right: --report {first} {doubles.as_options(known[1:])}"
    return (
        f"leave --report out; or {doubles.as_options(known)} gives it the number {number} instead"
    )


def _striking(store: sqlite3.Connection, found: views.Found) -> str:
    """The command that strikes the import by which a report stands."""
    acts = [
        entry.act for _, entry, _, live in views.writes_of_key(store, f"report/{found.id}") if live
    ]
    return f"logbook strike {acts[0] if acts else 'CODE'} --reason TEXT"


def runs_of(
    found: dict[doubles.Analysis, list[doubles.Standing]], numbers: Collection[str]
) -> dict[doubles.Analysis, set[int]]:
    """In which runs the analyses stand in the reports of these numbers."""
    runs = {
        of: {one.run for one in several if one.report in numbers} for of, several in found.items()
    }
    return {of: those for of, those in runs.items() if those}


def supersede(
    store: sqlite3.Connection,
    made: Plan,
    report: Report,
    lines: Mapping[str, Result],
    numbers: Sequence[str],
) -> None:
    """Plan to strike what other reports say of the same analyses; their other results stay.

    Each is replaced by what is written of the report now, or stands of it: another machine may
    have imported the other one. What was struck here takes the place of nothing.
    """
    own = report_lines.standing(store, report) | made.written
    results = [own[name] for name in lines if name in own]
    found = doubles.standing(store, report.lab, results, report.number)
    made.beside |= doubles.same_runs(results, found)
    before = len(made.replaced)
    for old in numbers:
        _take_place_of(store, made, report, results, old)
    made.alike -= {result_key(one.new) for one in made.superseded if one.old is not None}
    # What one report of a file leaves out another one may have.
    replaced = set(made.replaced)
    left = {result_key(one): one for one in made.missing}
    made.missing = [one for name, one in left.items() if name not in replaced]
    if len(made.replaced) > before and report_key(report.lab, report.number) not in made.reports:
        made.stand_already.append(report)


def _take_place_of(
    store: sqlite3.Connection, made: Plan, report: Report, results: list[Result], old: str
) -> None:
    """Plan to strike what one other report says of the same analyses.

    What a person struck or corrected there stands as the new report gives it: `by_hand`.
    """
    found = doubles.taken_over(store, report, results, old)
    standing = {f"result/{ident}": before for ident, before, _ in found.pairs}
    there = [(result_key(replace(one, report=old)), one) for one in results]
    histories = report_lines.histories(
        store, replace(report, number=old), {name for name, _ in there}
    )
    written = made.written
    for name, result in there:
        if name not in standing and result_key(result) not in written:
            continue  # it is here since long, and takes the place of nothing now
        before, said = standing.get(name), report_lines.said_by_laboratory(histories[name])
        by_hand = bool(said) and not (before and any(agree(one, to_value(before)) for one in said))
        if by_hand and result not in made.by_hand:
            made.by_hand.append(result)
        if before is not None:
            made.replaced.append(name)
            if agree(to_value(replace(before, report=report.number)), to_value(result)):
                made.alike.add(result_key(result))
            else:
                made.superseded.append(Change(before, result, None, by_hand, old))
        elif said:
            made.superseded.append(Change(None, result, report_lines.shown(said), report=old))
    if standing and old not in made.superseded_reports:
        made.superseded_reports.append(old)
    made.missing += found.left


def refuse_other_reports(
    store: sqlite3.Connection, made: Plan, file: str, labs: Sequence[str], numbers: Sequence[str]
) -> None:
    """Of the reports that are to be replaced each must have something of it, and no other one."""
    stand = sorted(made.beside)
    idle = [old for old in numbers if old not in made.superseded_reports]
    if idle:
        what = f"nothing of it stands under report {idle[0]}"
        if not any(report_lines.ever_written(store, lab, idle[0]) for lab in labs):
            what = f"there is no report {idle[0]} of {labs[0]}"
        if stand:
            what += f", and these samples stand under {doubles.several(stand)}"
        hint = doubles.replacing(stand) if stand else "check the number, or leave --replaces out"
        raise UserMistake(f"{file}: {what}; nothing was written", hint)
    if more := [one for one in stand if one not in numbers]:
        raise UserMistake(
            f"{file}: these samples stand under {doubles.several(more)} too; nothing was written",
            doubles.replacing([*numbers, *more]),
        )


def renumber(store: sqlite3.Connection, made: Plan, first: Report) -> None:
    """Plan that a file is known by its new number only; raises UserMistake if it says less now."""
    own = report_key(first.lab, first.number)
    left = [one for one in made.missing if one.report == first.number]
    if left:
        one = left[0]
        (found,) = views.fetch(store, "report", "id = ?", (own.partition("/")[2],))
        acts = {entry.act for _, entry, _, _ in report_lines.written(store, first)}
        lines = views.writes_of_key(store, result_key(one))
        if not any(entry.act in acts for _, entry, _, _ in lines):
            raise UserMistake(
                f"{first.file}: report {first.number} of {first.lab} has {one.sample} "
                f"{one.analyte} by {one.method!r} as well, which is not in this file; "
                "nothing was written",
                "strike it first, and write or correct it anew afterwards: logbook strike "
                f"{one.sample}:{one.analyte} --reason TEXT",
            )
        raise UserMistake(
            f"{first.file}: this very file was imported as report {first.number} of {first.lab}, "
            f"with {one.sample} {one.analyte} by {one.method!r}; nothing was written",
            f"read it as it was read then, or strike the first import: {_striking(store, found)}",
        )
    made.renumbered.append(own)
