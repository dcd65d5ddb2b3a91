"""Results that stand under another report of the laboratory already: never doubled unseen.

A corrected report under a number of its own would give every sample two values, and curves their
mean. So it is asked what the second one is: the report that takes the place of the first, or a
second measurement of the same samples, which is kept as the next run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from json import dumps
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial.records import Report, Result
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    import sqlite3
    from datetime import date

TYPED = "typed"
_MOST_NAMED = 3
Analysis = tuple[str, str, str, str]
_Value = tuple[Decimal | None, Decimal | None, str]


@dataclass(frozen=True)
class Standing:
    """A result that stands in the book, as far as it matters here; `id` is its key's."""

    id: str
    report: str
    run: int
    value: _Value


@dataclass(frozen=True)
class Doubled:
    """Results whose analysis stands under other reports: how many are equal, how many differ.

    `same`: the reports under which the very same runs stand, in order.
    """

    lab: str
    equal: int
    different: int
    standing: tuple[Standing, ...]
    same: tuple[str, ...] = ()

    @property
    def reports(self) -> list[str]:
        """The other reports, in order."""
        return sorted({one.report for one in self.standing})

    @property
    def named(self) -> str:
        """`report 26-1 of Invented Soil Lab`."""
        return f"{several(self.reports)} of {self.lab}"


def several(reports: Sequence[str]) -> str:
    """`report 26-1`, `reports 26-1, 26-2, 26-3 and 4 more`."""
    more = len(reports) - _MOST_NAMED
    others = f" and {more} more" if more > 0 else ""
    return f"report{'s' * (len(reports) > 1)} {', '.join(reports[:_MOST_NAMED])}{others}"


def analysis(result: Result) -> Analysis:
    """What two results have in common that measure the same thing in one laboratory."""
    return (result.sample, result.analyte, result.method, result.basis)


def standing(
    store: sqlite3.Connection, lab: str, results: Collection[Result], without: str | None = None
) -> dict[Analysis, list[Standing]]:
    """What stands of these results' analyses in a laboratory's reports, but for one of them."""
    samples = dumps(list({result.sample for result in results}))
    rows = store.execute(
        'SELECT sample, analyte, method, basis, id, report, run, value, "limit", qualifier '
        "FROM result WHERE sample IN (SELECT value FROM json_each(?)) AND lab = ? ORDER BY id",
        (samples, lab),
    ).fetchall()
    wanted = {analysis(result) for result in results} if rows else ()
    found: dict[Analysis, list[Standing]] = {}
    for sample, analyte, method, basis, ident, report, run, value, limit, qualifier in rows:
        of = (sample, analyte, method, basis)
        if of in wanted and report != without:
            read = (_decimal(value), _decimal(limit), qualifier)
            found.setdefault(of, []).append(Standing(ident, report, run, read))
    return found


def _decimal(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def compared(
    lab: str, results: Sequence[Result], found: dict[Analysis, list[Standing]]
) -> Doubled | None:
    """These results beside what was `found` of them; None if there is nothing."""
    if not found:
        return None
    left = Counter((of, one.value) for of, several in found.items() for one in several)
    equal = different = 0
    for result in results:
        of = analysis(result)
        if of not in found:
            continue
        value = (of, (result.value, result.limit, result.qualifier))
        equal += left[value] > 0
        different += left[value] == 0
        left[value] -= 1
    stand = tuple(one for of in found for one in found[of])
    return Doubled(lab, equal, different, stand, tuple(sorted(same_runs(results, found))))


def same_runs(results: Iterable[Result], found: Mapping[Analysis, Sequence[Standing]]) -> set[str]:
    """The reports under which the very runs stand that these results are of.

    A re-run under a number of its own is another measurement: a re-issue of the first one leaves
    it as it is.
    """
    runs = {(analysis(result), result.run) for result in results}
    return {one.report for of, stand in found.items() for one in stand if (of, one.run) in runs}


@dataclass(frozen=True)
class TakenOver:
    """Results of an older report beside those that replace them: id, old, new; and the others."""

    pairs: tuple[tuple[str, Result, Result], ...]
    left: tuple[Result, ...]


def taken_over(
    store: sqlite3.Connection, report: Report, results: Sequence[Result], old: str
) -> TakenOver:
    """What a report under a number of its own takes over from the report `old`."""
    others = {
        (analysis(one.record), one.record.run, one.record.n): one
        for one in views.fetch(store, "result", "lab = ? AND report = ?", (report.lab, old))
    }
    pairs = []
    for result in results:
        found = others.pop((analysis(result), result.run, result.n), None)
        if found is not None:
            pairs.append((found.id, found.record, result))
    return TakenOver(tuple(pairs), tuple(one.record for one in others.values()))


def refusal(
    doubled: Doubled, file: str, number: str, count: int, awaited: date | None = None
) -> UserMistake:
    """Why results are not written a second time, and the two ways on.

    awaited: since when re-runs of just these are.
    """
    many = doubled.equal + doubled.different
    of = f"{many} of the {count} results" if many < count else f"the {_many(count, 'result')}"
    asked = ""
    if awaited is not None:
        which = "this one" if count == 1 else "just these"
        asked = f"a re-run of {which} was asked for on {spoken_day(awaited)}; "
    return UserMistake(
        f"{file}: {asked}{of} of report {number} stand{'s' * (many == 1)} here already under "
        f"{doubled.named} ({doubled.equal} equal, {doubled.different} different); "
        "nothing was written",
        ways_on(doubled, of_file=True, awaited=awaited is not None),
    )


def ways_on(doubled: Doubled, of_file: bool = False, awaited: bool = False) -> str:
    """What may be said of a second report: it replaces the first, or is a second measurement.

    of_file: the report may keep a number of its own; awaited: re-runs of just these results are.
    """
    if doubled.reports == [TYPED]:
        way = "--reissued if the report takes the place of what was typed"
    elif of_file:
        way = replacing(doubled.same or doubled.reports)
    else:
        other = next(one for one in doubled.reports if one != TYPED)
        way = f"--report {quoted(other)} --reissued if it replaces that report"
    if awaited:
        return f"--repeat if this is that re-run, or {way}"
    return f"{way}, or --repeat if the samples were measured a second time"


def replacing(reports: Sequence[str]) -> str:
    """`--replaces 26-1 --replaces 26-2 if it replaces these reports`."""
    if len(reports) > _MOST_NAMED:
        return "--replaces NUMBER, once for each report that it replaces"
    which = "these reports" if len(reports) > 1 else "that report"
    return f"{as_options(reports)} if it replaces {which}"


def as_options(reports: Sequence[str]) -> str:
    """`--replaces 26-1 --replaces 26-2`."""
    return " ".join(f"--replaces {quoted(one)}" for one in reports)


def quoted(text: str) -> str:
    """A word as a shell takes it, in quotes where it needs them."""
    return text if text.replace("-", "").replace(".", "").isalnum() else f"'{text}'"


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def next_runs(results: Iterable[Result], found: dict[Analysis, list[Standing]]) -> list[Result]:
    """The results as the runs that follow those that stand."""
    results = list(results)
    lowest = _lowest(results)
    return [
        replace(result, run=result.run - lowest[of] + 1 + max(one.run for one in found[of]))
        if (of := analysis(result)) in found
        else result
        for result in results
    ]


def as_written_before(results: Iterable[Result], runs: dict[Analysis, set[int]]) -> list[Result]:
    """The results in the runs in which this report's were kept before, `runs` by analysis.

    A report of a second measurement was kept as run 2 although its file says run 1.
    """
    results = list(results)
    if not runs:
        return results
    lowest = _lowest(results)
    mine: dict[Analysis, set[int]] = {}
    for result in results:
        mine.setdefault(analysis(result), set()).add(result.run)
    shift = {
        of: min(before) - lowest[of]
        for of, before in runs.items()
        if of in mine and not mine[of] & before
    }
    return [
        replace(result, run=result.run + shift[of]) if (of := analysis(result)) in shift else result
        for result in results
    ]


def _lowest(results: Sequence[Result]) -> dict[Analysis, int]:
    lowest: dict[Analysis, int] = {}
    for result in results:
        of = analysis(result)
        lowest[of] = min(result.run, lowest.get(of, result.run))
    return lowest
