"""What importing a laboratory's report would do to the book: planned first, written afterwards.

A report is known by laboratory and number, its files by their bytes. Rules:

1. The file that stands is imported already, whatever was corrected or struck since.
2. A file that a later one replaced is never taken again: it would turn the values back.
3. Any other file of a known report adds what was not there. Other values make it a re-issue: they
   are shown and confirmed, and only those keys are written; the old lines stay in history.
   What it leaves out is named and stands: nothing is struck by itself.
4. What the laboratory did not change is left as a person corrected or struck it.
5. An import that was struck or undone may be made again, and so may one of which another report
   took the place whose import was struck.
6. What stands under another report of the laboratory is not written a second time, unless somebody
   says that it is a second measurement, or that it takes the place of what was typed (`doubles`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.journal.entry import parts
from logbook.journal.fold import agree
from logbook.journal.kinds import from_value, to_value
from logbook.store import views
from logbook.study import doubles, replacing, report_lines
from logbook.study.planned import NOTHING_SAID, Answers, Change, Plan
from logbook.study.report_lines import Written, report_key, result_key
from logbook.study.touched import curves_of
from logbook.trial.qualifiers import words
from logbook.trial.records import Report, Result
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3
    from datetime import date


def plan(
    store: sqlite3.Connection,
    results: Sequence[Result],
    file: str,
    sha256: str,
    at: When,
    answers: Answers = NOTHING_SAID,
) -> Plan:
    """What importing these results would write; raises UserMistake where it must not be done."""
    firsts = replacing.imported_elsewhere(store, results, file, sha256, answers.replaces)
    replacing.refuse_itself(results, file, answers.replaces)
    made = Plan()
    of_report: dict[tuple[str, str], list[Result]] = {}
    for result in results:
        of_report.setdefault((result.lab, result.report), []).append(result)
    for (lab, number), several in of_report.items():
        report = Report(lab, number, file, sha256, at, len(several))
        kept = _not_doubled(store, made, report, several, answers)
        lines = {result_key(result): result for result in kept}
        if len(lines) < len(kept):
            raise UserMistake(
                f"{file}: two rows are one result; nothing was written", "number the repeats"
            )
        if lines:
            _plan_report(store, made, report, lines, answers.reissued)
        if answers.replaces:
            replacing.supersede(store, made, report, lines, answers.replaces)
    if answers.replaces and (made.new or made.superseded_reports):
        replacing.refuse_other_reports(
            store, made, file, [lab for lab, _ in of_report], answers.replaces
        )
    for first in firsts if made.replaced else ():
        replacing.renumber(store, made, first)
    if made.changed or made.superseded_reports:
        written = made.written | {result_key(one.new): one.new for one in made.superseded}
        touched = [one for name, one in written.items() if name not in made.alike]
        made.curves = curves_of(store, touched)
    return made


def _not_doubled(
    store: sqlite3.Connection,
    made: Plan,
    report: Report,
    results: list[Result],
    answers: Answers,
) -> list[Result]:
    """The results that may be planned for, in the runs in which they are kept; see `doubles`."""
    living = report_lines.living(store, report)
    runs = _runs(living)
    results = doubles.as_written_before(results, runs)
    state = report_lines.state(report_lines.written(store, report), report.sha256)
    gone = living.keys() - report_lines.standing_keys(store, report)
    if state != "struck":
        # What a person struck is still of this report; what another one took over is not.
        gone = _taken_over(store, report, gone)
    runs = _runs(living.keys() - gone)
    if state == "current" and gone and not answers.replaces:
        over = [one for one in results if doubles.analysis(one) not in runs]
        there = doubles.standing(store, report.lab, over, report.number).keys() & _runs(gone)
        left = [one for one in results if doubles.analysis(one) not in there]
        made.same += len(results) - len(left)
        results = left
    fresh = [one for one in results if doubles.analysis(one) not in runs] if runs else results
    found = doubles.standing(store, report.lab, fresh, report.number)
    doubled = doubles.compared(report.lab, fresh, found)
    if doubled is None:
        return results
    if answers.repeat:
        made.again = sorted({*made.again, *doubled.reports})
        return doubles.next_runs(results, found)
    if answers.replaces:
        return doubles.as_written_before(results, replacing.runs_of(found, answers.replaces))
    if answers.reissued and doubled.reports == [doubles.TYPED]:
        made.replaced += [f"result/{one.id}" for one in doubled.standing]
        return results
    awaited = _awaited_since(store, fresh, report) if len(fresh) == len(results) else None
    if doubled.equal < len(fresh) or awaited is not None:
        raise doubles.refusal(doubled, report.file, report.number, len(results), awaited)
    made.here = sorted({*made.here, *doubled.reports})
    made.same += len(fresh)
    return [result for result in results if doubles.analysis(result) in runs]


def _taken_over(store: sqlite3.Connection, report: Report, gone: Collection[str]) -> set[str]:
    """Which of a report's results that stand no longer the laboratory gives in another report."""
    histories = report_lines.histories(store, report, gone)
    return {name for name in gone if not report_lines.said_by_laboratory(histories[name])}


def _runs(names: Iterable[str]) -> dict[doubles.Analysis, set[int]]:
    """In which runs analyses are, by the keys of their results."""
    runs: dict[doubles.Analysis, set[int]] = {}
    for name in names:
        sample, analyte, method, basis, run, _ = parts(name)[3:]
        runs.setdefault((sample, analyte, method, basis), set()).add(int(run))
    return runs


def _awaited_since(
    store: sqlite3.Connection, results: Sequence[Result], report: Report
) -> date | None:
    """Since when re-runs of all these results are awaited; None where any of them is not."""
    from logbook.study import samplelog

    day = report.received.day
    asked = {
        of: since
        for one in views.fetch(store, "trial")
        for since, of in samplelog.reruns(store, one.id, day)
    }
    if not asked:
        return None
    days = [asked.get(f"{one.sample}:{one.analyte}") for one in results]
    return None if None in days else min(day for day in days if day is not None)


def _plan_report(
    store: sqlite3.Connection,
    made: Plan,
    report: Report,
    lines: dict[str, Result],
    reissued: bool,
) -> None:
    """Add what one report's lines would do to the plan.

    reissued: somebody says that these are all of it, so that what they leave out is named. Without
    that a file which only has fewer rows may be a part of the report.
    """
    own = report_key(report.lab, report.number)
    written = report_lines.written(store, report)
    state = report_lines.state(written, report.sha256)
    standing = report_lines.standing(store, report)
    living = report_lines.living(store, report)
    if state == "current":
        _refuse_read_otherwise(report, lines, living)
        _refuse_late_limits(report, lines, standing)
        back = _taken_over(store, report, living.keys() - standing.keys())
        absent = {*lines.keys() - living.keys(), *lines.keys() & back}
        added = {name: result for name, result in lines.items() if name in absent}
        made.new |= added
        made.same += len(lines) - len(added)
        made.missing += _left_out(standing, lines) if reissued else []
        return
    new: dict[str, Result] = {}
    doubtful: dict[str, Change] = {}
    for name, result in lines.items():
        old = standing.get(name)
        if name not in living or (old is None and state == "struck"):
            new[name] = result
        elif old is not None and agree(to_value(old), to_value(result)):
            made.same += 1
        else:
            doubtful[name] = Change(old, result)
    changed = _sorted_out(made, doubtful, report_lines.histories(store, report, doubtful), new)
    if state == "older" and (new or changed):
        raise _older(report, written)
    made.new |= new
    made.changed |= changed
    if new or changed:
        made.reports[own] = report
    if changed or (reissued and state != "older"):
        made.missing += _left_out(standing, lines)


def _left_out(standing: dict[str, Result], lines: dict[str, Result]) -> list[Result]:
    return [one for name, one in standing.items() if name not in lines]


def _sorted_out(
    made: Plan,
    doubtful: dict[str, Change],
    histories: dict[str, Written],
    new: dict[str, Result],
) -> dict[str, Change]:
    """Of results that are not what stands here, those that the laboratory itself changed."""
    changed = {}
    for name, change in doubtful.items():
        said = report_lines.said_by_laboratory(histories[name])
        if any(agree(value, to_value(change.new)) for value in said):
            made.kept.append(change.new)
        elif change.old is None and not said:
            new[name] = change.new
        elif change.old is None:
            changed[name] = replace(change, struck=report_lines.shown(said))
        else:
            by_hand = bool(said) and not any(agree(one, to_value(change.old)) for one in said)
            changed[name] = replace(change, corrected=by_hand)
    return changed


def _refuse_read_otherwise(
    report: Report, lines: dict[str, Result], living: dict[str, tuple[str, ...]]
) -> None:
    """The file that stands, read with another method, would give its values a second time."""
    read = {tuple(parts(name)[3:5]) for name in living}
    others = [
        result
        for name, result in lines.items()
        if name not in living and (result.sample, result.analyte) in read
    ]
    if others:
        first = others[0]
        raise UserMistake(
            f"{report.file}: this very file was imported as report {report.number} of "
            f"{report.lab}, but not with {first.sample} {first.analyte} by {first.method!r}; "
            "nothing was written",
            "strike the first import if it was read wrongly, then import the file again",
        )


def _refuse_late_limits(
    report: Report, lines: dict[str, Result], standing: dict[str, Result]
) -> None:
    """The file that stands, with limits said only now: they would be dropped without a word."""
    late = [
        result
        for name, result in lines.items()
        if result.limit is not None
        and (old := standing.get(name)) is not None
        and "not-detected" in words(old.flags)
        and old.value is None
        and old.limit is None
    ]
    if late:
        first = late[0]
        more = f" and {len(late) - 1} more" if len(late) > 1 else ""
        raise UserMistake(
            f"{report.file}: imported already, and {first.sample} {first.analyte}{more} waits for "
            "its limit, which the same file does not give by being imported again; nothing was "
            "written",
            f"logbook correct {first.sample}:{first.analyte} --value '<LIMIT' --reason TEXT",
        )


def _older(report: Report, written: Written) -> UserMistake:
    newest = [
        from_value("report", value)
        for _, entry, place, live in written
        if live and (value := entry.writes[place].value)
    ]
    by = f"{newest[0].file} on {newest[0].received.spoken}" if newest else "a later file"
    return UserMistake(
        f"{report.file}: report {report.number} of {report.lab} was replaced by {by}; the older "
        "file is not taken again, and nothing was written",
        "logbook correct SAMPLE:NUTRIENT --value VALUE --reason TEXT corrects one result",
    )
