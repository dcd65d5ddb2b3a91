"""What importing a laboratory's report would do to the book: planned first, written afterwards.

A report is known by laboratory and number, its files by their bytes. Rules:

1. The file that stands is imported already, whatever was corrected or struck since.
2. A file that a later one replaced is never taken again: it would turn the values back.
3. Any other file of a known report adds what was not there. Other values make it a re-issue: they
   are shown and confirmed, and only those keys are written; the old lines stay in history.
   What it leaves out is named and stands: nothing is struck by itself.
4. What the laboratory did not change is left as a person corrected or struck it.
5. An import that was struck or undone may be made again.
6. What stands under another report of the laboratory is not written a second time, unless somebody
   says that it is a second measurement, or that it takes the place of what was typed (`doubles`).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.journal.entry import Entry, Value, below, decode, key, parts
from logbook.journal.fold import agree
from logbook.journal.kinds import from_value, readable, to_value
from logbook.store import views
from logbook.study import doubles
from logbook.study.touched import curves_of
from logbook.trial.qualifiers import words
from logbook.trial.records import Report, Result
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3
    from datetime import date

_Written = list[tuple[str, Entry, int, bool]]


@dataclass(frozen=True)
class Change:
    """A result that a re-issue gives another value.

    `old` is None where a person struck it: `struck` is then what the laboratory had said.
    `corrected`: `old` is what a person made of it. `report`: the other report that had it.
    """

    old: Result | None
    new: Result
    struck: Result | None = None
    corrected: bool = False
    report: str = ""


@dataclass
class Plan:
    """What would be written, by key, and what a person should know before it is.

    `kept` are results that a person corrected or struck and the laboratory did not change;
    `missing` stand here but not in the re-issue. `here` are other reports under which the very same
    results stand; `replaced` are keys of typed results that these take the place of; `again` are
    the reports of an earlier measurement, which these follow as the next run; `superseded` are
    results of other reports (`superseded_reports`) that a re-issue under a new number takes the
    place of, of which `by_hand` were struck or corrected by a person; `alike` are the keys of new
    results that say what stood under the older number. `beside` are all the reports under which
    the same runs stand: each must be named. `renumbered` are keys of reports whose very file this
    is, under its right number.
    """

    new: dict[str, Result] = field(default_factory=dict)
    changed: dict[str, Change] = field(default_factory=dict)
    same: int = 0
    kept: list[Result] = field(default_factory=list)
    missing: list[Result] = field(default_factory=list)
    reports: dict[str, Report] = field(default_factory=dict)
    here: list[str] = field(default_factory=list)
    replaced: list[str] = field(default_factory=list)
    again: list[str] = field(default_factory=list)
    curves: list[str] = field(default_factory=list)
    superseded: list[Change] = field(default_factory=list)
    by_hand: list[Result] = field(default_factory=list)
    alike: set[str] = field(default_factory=set)
    superseded_reports: list[str] = field(default_factory=list)
    beside: set[str] = field(default_factory=set)
    renumbered: list[str] = field(default_factory=list)

    @property
    def writes(self) -> bool:
        """Whether anything is to be written, without making the list of it."""
        return bool(self.reports or self.new or self.changed or self.replaced)

    @property
    def records(self) -> list[tuple[str, Report | Result | None]]:
        """What is to be written: the reports first; None strikes what is replaced.

        In order of key, as their tables are, whose pages are then met one after the other.
        """
        changes = [(name, change.new) for name, change in self.changed.items()]
        gone = [(name, None) for name in (*self.replaced, *self.renumbered)]
        return [
            *sorted(self.reports.items()),
            *sorted([*self.new.items(), *changes, *gone], key=itemgetter(0)),
        ]

    @property
    def written(self) -> dict[str, Result]:
        """The results that are written, by key."""
        return self.new | {name: change.new for name, change in self.changed.items()}


@dataclass(frozen=True)
class Answers:
    """What somebody says about results that stand here already; see `doubles`.

    replaces: the numbers of the reports that this one, under a number of its own, takes the place
    of.
    """

    reissued: bool = False
    repeat: bool = False
    replaces: tuple[str, ...] = ()


def result_key(result: Result) -> str:
    """The key of a result: it follows from its content, so two machines make the same one."""
    of_report = _joined("result", result.lab, result.report)
    of_kind = _joined(result.analyte, result.method, result.basis)
    return f"{of_report}/{key(result.sample)}/{of_kind}/{result.run}/{result.n}"


_joined = lru_cache(maxsize=1024)(key)  # a report has few of each


def report_key(lab: str, number: str) -> str:
    """The key of a report."""
    return key("report", lab, number)


def plan(
    store: sqlite3.Connection,
    results: Sequence[Result],
    file: str,
    sha256: str,
    at: When,
    answers: Answers = Answers(),
) -> Plan:
    """What importing these results would write; raises UserMistake where it must not be done."""
    first = _imported_elsewhere(store, results, file, sha256, answers.replaces)
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
    if answers.replaces and made.new:
        _refuse_other_reports(store, made, file, [lab for lab, _ in of_report], answers.replaces)
    if first is not None and made.replaced:
        _renumber(store, made, first)
    if made.changed or made.superseded_reports:
        touched = [one for name, one in made.written.items() if name not in made.alike]
        made.curves = curves_of(store, touched)
    return made


def known_as(store: sqlite3.Connection, sha256: str) -> tuple[str | None, str | None]:
    """Laboratory and number under which this very file was imported; None where it was several.

    A file that a later one of its report replaced is known, too.
    """
    found = [
        one.record
        for one in views.fetch(store, "report")
        if sha256 and (one.record.sha256 == sha256 or _was_before(store, one.id, sha256))
    ]
    labs, numbers = {one.lab for one in found}, {one.number for one in found}
    return (
        labs.pop() if len(labs) == 1 else None,
        numbers.pop() if len(numbers) == 1 else None,
    )


def _was_before(store: sqlite3.Connection, ident: str, sha256: str) -> bool:
    key = f"report/{ident}"
    # Most reports came once: their entries, as large as they are, need not be read.
    (count,) = store.execute("SELECT count(*) FROM write WHERE key = ?", (key,)).fetchone()
    return count > 1 and _state(views.writes_of_key(store, key), sha256) == "older"


def _not_doubled(
    store: sqlite3.Connection,
    made: Plan,
    report: Report,
    results: list[Result],
    answers: Answers,
) -> list[Result]:
    """The results that may be planned for, in the runs in which they are kept; see `doubles`."""
    runs: dict[doubles.Analysis, set[int]] = {}
    for name in _living(store, report):
        sample, analyte, method, basis, run, _ = parts(name)[3:]
        runs.setdefault((sample, analyte, method, basis), set()).add(int(run))
    results = doubles.as_written_before(results, runs)
    if _state(_written(store, report), report.sha256) == "struck":
        runs = {doubles.analysis(one): {one.run} for one in _standing(store, report).values()}
    fresh = [one for one in results if doubles.analysis(one) not in runs] if runs else results
    found = doubles.standing(store, report.lab, fresh, report.number)
    doubled = doubles.compared(report.lab, fresh, found)
    if doubled is None:
        return results
    if answers.repeat:
        made.again = sorted({*made.again, *doubled.reports})
        return doubles.next_runs(results, found)
    if answers.replaces:
        results = doubles.as_written_before(results, _runs_of(found, answers.replaces))
        _supersede(store, made, report, results, answers.replaces)
        return results
    if answers.reissued and doubled.reports == [doubles.TYPED]:
        made.replaced += [f"result/{one.id}" for one in doubled.standing]
        return results
    awaited = _awaited_since(store, fresh, report) if len(fresh) == len(results) else None
    if doubled.equal < len(fresh) or awaited is not None:
        raise doubles.refusal(doubled, report.file, report.number, len(results), awaited)
    made.here = sorted({*made.here, *doubled.reports})
    made.same += len(fresh)
    return [result for result in results if doubles.analysis(result) in runs]


def _runs_of(
    found: dict[doubles.Analysis, list[doubles.Standing]], numbers: Collection[str]
) -> dict[doubles.Analysis, set[int]]:
    """In which runs the analyses stand in the reports of these numbers."""
    runs = {
        of: {one.run for one in several if one.report in numbers} for of, several in found.items()
    }
    return {of: those for of, those in runs.items() if those}


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


def _supersede(
    store: sqlite3.Connection,
    made: Plan,
    report: Report,
    results: list[Result],
    numbers: Sequence[str],
) -> None:
    """Plan to strike what other reports say of the same analyses; their other results stay."""
    found = doubles.standing(store, report.lab, results, report.number)
    made.beside |= doubles.same_runs(results, found)
    for old in numbers:
        _take_place_of(store, made, report, results, old)
    made.alike -= {result_key(one.new) for one in made.superseded if one.old is not None}


def _take_place_of(
    store: sqlite3.Connection, made: Plan, report: Report, results: list[Result], old: str
) -> None:
    """Plan to strike what one other report says of the same analyses.

    What a person struck or corrected there stands as the new report gives it: `by_hand`.
    """
    found = doubles.taken_over(store, report, results, old)
    standing = {f"result/{ident}": before for ident, before, _ in found.pairs}
    there = [(result_key(replace(one, report=old)), one) for one in results]
    histories = _histories(store, replace(report, number=old), {name for name, _ in there})
    for name, result in there:
        before, said = standing.get(name), _said_by_laboratory(histories[name])
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
            made.superseded.append(Change(None, result, _shown(said), report=old))
    if standing and old not in made.superseded_reports:
        made.superseded_reports.append(old)
    made.missing += found.left


def _refuse_other_reports(
    store: sqlite3.Connection, made: Plan, file: str, labs: Sequence[str], numbers: Sequence[str]
) -> None:
    """Of the reports that are to be replaced each must have something of it, and no other one."""
    stand = sorted(made.beside)
    idle = [old for old in numbers if old not in made.superseded_reports]
    if idle:
        what = f"nothing of it stands under report {idle[0]}"
        if not any(_ever_written(store, lab, idle[0]) for lab in labs):
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


def _shown(said: list[Value]) -> Result | None:
    """What a laboratory said, as a record; None where only a newer program can read it."""
    shown = [from_value("result", value) for value in said if readable("result", value)]
    return shown[0] if shown else None


def _imported_elsewhere(
    store: sqlite3.Connection,
    results: Sequence[Result],
    file: str,
    sha256: str,
    replaces: Collection[str],
) -> Report | None:
    """The report as which the very same file stands already, where this one takes its place.

    Raises UserMistake for any other: as another report, or of another laboratory, the file would
    double every value.
    """
    numbers = {report_key(*of): of for of in {(result.lab, result.report) for result in results}}
    others = [
        found for found in views.fetch(store, "report") if f"report/{found.id}" not in numbers
    ]
    renumbered = None
    for found in others:
        if found.record.sha256 != sha256 and not _was_before(store, found.id, sha256):
            continue
        report: Report = found.record
        hint = (
            f"leave --report and --lab out, or strike the first import: {_striking(store, found)}"
        )
        is_own = report.sha256 == sha256 and report.lab in {lab for lab, _ in numbers.values()}
        if is_own and _standing(store, report):
            if report.number in replaces:
                renumbered = report
                continue
            number = ", ".join(sorted({number for _, number in numbers.values()}))
            way = f"--replaces {doubles.quoted(report.number)} gives it the number {number} instead"
            hint = f"leave --report out; or {way}"
        raise UserMistake(
            f"{file}: this very file was imported as report {report.number} of {report.lab}; "
            "nothing was written",
            hint,
        )
    return renumbered


def _striking(store: sqlite3.Connection, found: views.Found) -> str:
    """The command that strikes the import by which a report stands."""
    acts = [
        entry.act for _, entry, _, live in views.writes_of_key(store, f"report/{found.id}") if live
    ]
    return f"logbook strike {acts[0] if acts else 'CODE'} --reason TEXT"


def _renumber(store: sqlite3.Connection, made: Plan, first: Report) -> None:
    """Plan that a file is known by its new number only; raises UserMistake if it says less now."""
    own = report_key(first.lab, first.number)
    left = [one for one in made.missing if one.report == first.number]
    if left:
        one = left[0]
        (found,) = views.fetch(store, "report", "id = ?", (own.partition("/")[2],))
        raise UserMistake(
            f"{first.file}: this very file was imported as report {first.number} of {first.lab}, "
            f"with {one.sample} {one.analyte} by {one.method!r}; nothing was written",
            f"read it as it was read then, or strike the first import: {_striking(store, found)}",
        )
    made.renumbered.append(own)


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
    written = _written(store, report)
    state = _state(written, report.sha256)
    standing = _standing(store, report)
    living = _living(store, report)
    if state == "current":
        _refuse_read_otherwise(report, lines, living)
        _refuse_late_limits(report, lines, standing)
        added = {name: result for name, result in lines.items() if name not in living}
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
    changed = _sorted_out(made, doubtful, _histories(store, report, doubtful), new)
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
    histories: dict[str, _Written],
    new: dict[str, Result],
) -> dict[str, Change]:
    """Of results that are not what stands here, those that the laboratory itself changed."""
    changed = {}
    for name, change in doubtful.items():
        said = _said_by_laboratory(histories[name])
        if any(agree(value, to_value(change.new)) for value in said):
            made.kept.append(change.new)
        elif change.old is None and not said:
            new[name] = change.new
        elif change.old is None:
            changed[name] = replace(change, struck=_shown(said))
        else:
            by_hand = bool(said) and not any(agree(one, to_value(change.old)) for one in said)
            changed[name] = replace(change, corrected=by_hand)
    return changed


def _state(written: _Written, sha256: str) -> str:
    """ "new", "struck", "current" or "older": how a file stands to its report here."""
    values = [(name, entry.writes[place].value, live) for name, entry, place, live in written]
    living = [value for _, value, live in values if live]
    if any(value and value["sha256"] == sha256 for value in living):
        return "current"
    if living and not any(living):
        return "struck"
    mine = {name for name, value, _ in values if value and value["sha256"] == sha256}
    replaced = {
        old
        for _, entry, place, _ in written
        if entry.kind == "lab"
        for old in entry.writes[place].replaces
    }
    return "older" if mine & replaced else "new"


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


def _older(report: Report, written: _Written) -> UserMistake:
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


def _standing(store: sqlite3.Connection, report: Report) -> dict[str, Result]:
    """The results of a report that stand, by key."""
    given = (report.lab, report.number)
    found = views.fetch(store, "result", "lab = ? AND report = ?", given)
    return {f"result/{one.id}": one.record for one in found}


def _ever_written(store: sqlite3.Connection, lab: str, number: str) -> bool:
    """Whether a report or a result of this number was ever here: what is typed has no report."""
    keys = (report_key(lab, number), *below(key("result", lab, number)))
    asked = "SELECT 1 FROM write WHERE key = ? OR (key >= ? AND key < ?) LIMIT 1"
    return store.execute(asked, keys).fetchone() is not None


def _written(store: sqlite3.Connection, report: Report) -> _Written:
    return views.writes_of_key(store, report_key(report.lab, report.number))


def _living(store: sqlite3.Connection, report: Report) -> dict[str, tuple[str, ...]]:
    """The live lines of every key of a report's results, struck ones included."""
    found: dict[str, tuple[str, ...]] = {}
    for name, entry, _, live in _lines(store, report):
        if live:
            found[name] = (*found.get(name, ()), entry)
    return found


def _histories(
    store: sqlite3.Connection, report: Report, wanted: Collection[str]
) -> dict[str, _Written]:
    """Every line of the keys wanted. An entry of many results is decoded once, not for each."""
    entries: dict[str, Entry] = {}
    found: dict[str, _Written] = {name: [] for name in wanted}
    for name, entry, place, live in _lines(store, report) if wanted else ():
        if name in found:
            if entry not in entries:
                rows = store.execute("SELECT body FROM entry WHERE id = ?", (entry,)).fetchall()
                entries[entry] = decode(rows[0][0])
            found[name].append((entry, entries[entry], place, bool(live)))
    return found


def _lines(store: sqlite3.Connection, report: Report) -> list[tuple[str, str, int, int]]:
    """Key, entry, place and liveness of every line under a report's results, in order of key."""
    return store.execute(
        "SELECT key, entry, pos, live FROM write WHERE key >= ? AND key < ? ORDER BY key, entry",
        below(key("result", report.lab, report.number)),
    ).fetchall()


def _said_by_laboratory(written: _Written) -> list[Value]:
    """What the laboratory last said under a key: not what a person made of it, nor taken back."""
    writes = {name: (entry.kind, entry.writes[place]) for name, entry, place, _ in written}
    undone = {old for kind, write in writes.values() if kind == "undo" for old in write.replaces}
    said = {name for name, (kind, _) in writes.items() if kind == "lab"} - undone
    earlier: set[str] = set()
    for name in said:
        before = list(writes[name][1].replaces)
        while before:
            one = before.pop()
            if one in writes and one not in earlier:
                earlier.add(one)
                before += writes[one][1].replaces
    return [value for name in said - earlier if (value := writes[name][1].value) is not None]
