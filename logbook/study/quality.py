"""How well a laboratory measures: duplicates, repeatability, reference materials on charts.

Duplicates are blind halves that came back in one report, and a laboratory's own repeats of one
run. Results in question and what a laboratory rejected take no part, unless the question is the
difference itself. Runs take no part either: they were measured again because something was odd.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.analysis import control_chart, repeatability
from logbook.analysis.control_chart import Point
from logbook.analysis.repeatability import Compared, Group, Repeatability
from logbook.store import views
from logbook.study import queries
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    import sqlite3

#: The largest relative difference of two halves in one laboratory, %. Published limits disagree
#: (10 to 50 %): a setting by nutrient, this one where nothing else is said. Common practice.
MOST_RPD = 20.0
#: A pH is a logarithm: pairs are held against a difference. Soil pH 1:2 is reproducible within 0.2.
MOST_PH = 0.2
_RAW = frozenset({"pH"})

Kind = tuple[str, str, str, str]  # lab, analyte, method, basis


@dataclass(frozen=True)
class Pair:
    """Two or more results of one sample in one report: values, codes of their bags, verdict.

    `how` is "blind duplicate" or "laboratory repeat"; `ids` are the results.
    """

    kind: Kind
    report: str
    how: str
    samples: tuple[str, ...]
    values: tuple[float | None, ...]
    limit: float | None
    ids: tuple[str, ...]
    compared: Compared

    @property
    def by_setting(self) -> bool:
        """Whether the largest RPD decides, which is a setting, not the rule of low levels."""
        numbers = [one for one in self.values if one is not None]
        if self.kind[1] in _RAW or self.limit is None or not numbers:
            return True
        return min(numbers) >= repeatability.LOW_LEVEL * self.limit

    @property
    def group(self) -> Group | None:
        """What it says of s_r; None where a value is beyond a limit."""
        numbers = tuple(one for one in self.values if one is not None)
        return Group(numbers, self.limit) if len(numbers) == len(self.values) else None


@dataclass(frozen=True)
class Precision:
    """The repeatability of one analysis in one laboratory, and what the trial declares of it.

    cv, sd: the declared ones (a fraction, the canonical unit), None where nothing is declared.
    """

    kind: Kind
    unit: str
    pairs: int
    measured: Repeatability
    cv: float | None = None
    sd: float | None = None

    @property
    def counts(self) -> bool:
        """Whether the measured one is used."""
        return self.measured.enough


def _bounds(store: sqlite3.Connection) -> dict[Kind, float]:
    """The lowest reporting limit of each kind of analysis."""
    rows = store.execute(
        "SELECT lab, analyte, method, basis, min(limit_num) FROM result "
        "WHERE qualifier = '<' AND limit_num IS NOT NULL GROUP BY 1, 2, 3, 4"
    ).fetchall()
    return {tuple(row[:4]): row[4] for row in rows}


def pairs(
    store: sqlite3.Connection, most: Mapping[str, float] | None = None, report: str | None = None
) -> list[Pair]:
    """Every duplicate and repeat of the book, in order of report and sample.

    most: the largest RPD by nutrient, %, where it is not MOST_RPD; report: only of this one.
    """
    out = queries.flagged_out(store)
    found = [*_repeats(store, report, out), *_duplicates(store, report, out)]
    if not found:
        return []
    bounds = _bounds(store)
    return [
        Pair(kind, number, how, samples, values, bounds.get(kind), ids,
             _compared(kind, values, bounds.get(kind), most or {}))
        for kind, number, how, samples, values, ids in found
    ]  # fmt: skip


_Found = tuple[Kind, str, str, tuple[str, ...], tuple[float | None, ...], tuple[str, ...]]
_OF_REPORT = "(? IS NULL OR r.report = ?)"


def _repeats(
    store: sqlite3.Connection, report: str | None, out: Collection[str]
) -> Iterator[_Found]:
    rows = store.execute(
        "SELECT r.lab, r.analyte, r.method, r.basis, r.report, r.sample, r.run, r.value_num, r.id "
        "FROM result r JOIN (SELECT DISTINCT sample, analyte, method, basis, lab, report, run "
        "FROM result WHERE n > 1) m USING (sample, analyte, method, basis, lab, report, run) "
        f"WHERE {_OF_REPORT} ORDER BY r.report, r.sample, r.analyte, r.id",
        (report, report),
    ).fetchall()
    groups: dict[tuple[str, ...], list[tuple[float | None, str]]] = {}
    for *of, value, ident in rows:
        if ident not in out:
            groups.setdefault(tuple(of), []).append((value, ident))
    for (lab, analyte, method, basis, number, sample, _), several in groups.items():
        if len(several) > 1:
            values, ids = zip(*several, strict=True)
            kind = (lab, analyte, method, basis)
            yield kind, number, "laboratory repeat", (sample,), values, ids


def _duplicates(
    store: sqlite3.Connection, report: str | None, out: Collection[str]
) -> Iterator[_Found]:
    rows = store.execute(
        "SELECT r.lab, r.analyte, r.method, r.basis, r.report, n.of, n.code, o.value_num, "
        "r.value_num, o.id, r.id FROM blind n JOIN result r ON r.sample = n.code "
        "JOIN result o ON o.sample = n.of AND o.analyte = r.analyte AND o.method = r.method "
        "AND o.basis = r.basis AND o.lab = r.lab AND o.report = r.report "
        f"WHERE n.kind = 'duplicate' AND r.run = 1 AND o.run = 1 AND r.n = 1 AND o.n = 1 "
        f"AND {_OF_REPORT} ORDER BY r.report, n.of, r.analyte, r.id",
        (report, report),
    ).fetchall()
    for lab, analyte, method, basis, number, own, code, one, other, first, second in rows:
        kind = (lab, analyte, method, basis)
        if first not in out and second not in out:
            yield kind, number, "blind duplicate", (own, code), (one, other), (first, second)


def _compared(
    kind: Kind,
    values: tuple[float | None, ...],
    limit: float | None,
    most: Mapping[str, float],
) -> Compared:
    """The two that differ most, held against the limits of their nutrient."""
    analyte, unit = kind[1], ANALYTES[kind[1]].unit
    numbers = [one for one in values if one is not None]
    exact = len(numbers) == len(values)
    low, high = (min(numbers), max(numbers)) if exact else (None, None)
    if analyte in _RAW and low is not None and high is not None:
        apart, limit_ph = high - low, most.get(analyte, MOST_PH)
        side = "within" if apart <= limit_ph + 1e-9 else "more than"
        words = f"{apart:.2g} apart, {side} {limit_ph:g}"
        return Compared(None, apart, side == "within", words)
    return repeatability.compare(
        low, high, limit=limit, most_rpd=most.get(analyte, MOST_RPD), unit=unit
    )


def measured(store: sqlite3.Connection) -> dict[Kind, tuple[int, Repeatability]]:
    """s_r of each kind of analysis, pooled; how many pairs it is from."""
    found = pairs(store)
    if not found:
        return {}
    doubted = {
        one.result_id
        for one in queries.lines(store)
        if one.waits and one.query.kind not in ("duplicate", "runs")
    }
    groups: dict[Kind, list[Group]] = {}
    for one in found:
        group = one.group
        if group is not None and not doubted.intersection(one.ids):
            groups.setdefault(one.kind, []).append(group)
    return {
        kind: (len(some), pooled)
        for kind, some in groups.items()
        if (pooled := repeatability.pooled(some, scale="raw" if kind[1] in _RAW else "log"))
    }


def precision(store: sqlite3.Connection, trial: str | None = None) -> list[Precision]:
    """The measured repeatability, in order of the nutrients, beside what a trial declares."""
    declared = {}
    if trial is not None:
        declared = {
            (one.record.analyte, one.record.method): one.record
            for one in views.fetch(store, "followed", "trial = ?", (trial,))
        }
    order = list(ANALYTES)
    found = []
    for kind, (count, one) in measured(store).items():
        own = declared.get((kind[1], kind[2]))
        cv = None if own is None or own.cv is None else float(own.cv) / 100.0
        sd = None if own is None or own.sd is None else float(own.sd)
        found.append(Precision(kind, ANALYTES[kind[1]].unit, count, one, cv, sd))
    return sorted(found, key=lambda one: (order.index(one.kind[1]), one.kind))


def sr_at(
    store: sqlite3.Connection, kind: Kind, level: float, trial: str | None = None
) -> tuple[float, str]:
    """s_r of an analysis at a level, and where it is from: measured, declared, or by practice.

    A measured one counts from 8 degrees of freedom on. Where nothing is known, s_r is what makes r
    the largest difference of duplicates that passes: MOST_RPD / 2.8.
    """
    found = measured(store).get(kind)
    if found is not None and found[1].enough:
        return found[1].at(level), f"measured, {found[1].df} df"
    where, given = "analyte = ? AND method = ?", [kind[1], kind[2]]
    if trial is not None:
        where, given = f"{where} AND trial = ?", [*given, trial]
    for one in views.fetch(store, "followed", where, given):
        if one.record.cv is not None or one.record.sd is not None:
            known = Repeatability(
                float(one.record.sd or 0), 0, float(one.record.cv or 0) / 100.0, 0, level
            )
            return known.at(level), "declared"
    if kind[1] in _RAW:
        return MOST_PH / repeatability.FACTORS[2], "common practice, until the data say more"
    share = MOST_RPD / 100.0 / repeatability.FACTORS[2]
    return share * level, "common practice, until the data say more"


@dataclass(frozen=True)
class Measured:
    """One result of a reference material: the code it hid behind, its report and day."""

    code: str
    report: str
    day: date
    value: float | None
    shown: str
    point: Point | None


@dataclass(frozen=True)
class Chart:
    """A reference material by one nutrient and method in one laboratory, in order of report.

    assigned, sd: what is written down of the material, None where nothing is. trial: the name of
    the only trial for which it is written down so; "" where it holds for all.
    """

    name: str
    kind: Kind
    unit: str
    assigned: float | None
    sd: float | None
    results: tuple[Measured, ...]
    limit: float | None
    trial: str = ""

    @property
    def blank(self) -> bool:
        """Whether there should be nothing of it in the material."""
        return self.assigned == 0

    def out(self) -> Iterator[tuple[Measured, str]]:
        """The results that put their batch in doubt, each with a sentence."""
        for one in self.results:
            if self.blank and one.value is not None and one.value > (self.limit or 0.0):
                most = "0" if self.limit is None else f"the limit of {self.limit:g}"
                yield one, f"blank {self.name} gave {one.shown} {self.unit}, above {most}"
            elif not self.blank and one.point is not None and one.point.out:
                why = "; ".join(control_chart.RULES[rule] for rule in one.point.rules)
                z = f", {one.point.z:+.1f} s" if one.point.z is not None else ""
                gave = f"reference {self.name} gave {one.shown} {self.unit}{z}"
                yield one, f"{gave}: out of control ({why})"


def charts(
    store: sqlite3.Connection, name: str | None = None, analyte: str | None = None
) -> list[Chart]:
    """The control charts of reference materials, of one or all, by name and nutrient.

    What a trial wrote down of a material comes before what holds for every trial, and its results
    stand on a chart of their own: one line at the centre cannot be right for both.
    """
    rows = store.execute(
        "SELECT n.of, r.lab, r.analyte, r.method, r.basis, n.trial, n.code, r.report, r.value_num, "
        "r.value, r.\"limit\", r.qualifier, coalesce(substr(p.received, 1, 10), '0001-01-01'), "
        "r.id FROM blind n JOIN result r ON r.sample = n.code "
        "LEFT JOIN report p ON p.lab = r.lab AND p.number = r.report "
        "WHERE n.kind = 'reference' AND (? IS NULL OR n.of = ?) AND (? IS NULL OR r.analyte = ?) "
        "ORDER BY 13, r.report, n.code, r.run, r.n",
        (name, name, analyte, analyte),
    ).fetchall()
    out = queries.flagged_out(store) if rows else set()
    rows = [row for row in rows if row[-1] not in out]
    if not rows:
        return []
    assigned = {
        (one.record.name, one.record.analyte, one.record.method, one.record.trial): one.record
        for one in views.fetch(store, "reference")
    }
    trials = {one.id: one.record.name for one in views.fetch(store, "trial")}
    bounds = _bounds(store)
    groups: dict[tuple[str, Kind, str], list[_Reported]] = {}
    for (
        of,
        lab,
        what,
        method,
        basis,
        trial,
        code,
        report,
        value,
        text,
        limit,
        side,
        day,
        ident,
    ) in rows:
        if ident in out:
            continue
        shown = text if text is not None else f"{side}{limit or ''}"
        own = trial if (of, what, method, trial) in assigned else ""
        line = (code, report, date.fromisoformat(day), value, shown)
        groups.setdefault((of, (lab, what, method, basis), own), []).append(line)
    order = list(ANALYTES)
    found = [
        _chart(of, kind, some, assigned.get((of, kind[1], kind[2], own)), bounds.get(kind),
               trials.get(own, own))
        for (of, kind, own), some in groups.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.name, order.index(one.kind[1]), one.kind, one.trial))


_Reported = tuple[str, str, date, float | None, str]  # code, report, day, number, as it is shown


def _chart(
    name: str,
    kind: Kind,
    lines: list[_Reported],
    known: object,
    limit: float | None,
    trial: str,
) -> Chart:
    value, sd = (getattr(known, field, None) for field in ("value", "sd"))
    assigned, spread = (None if one is None else float(one) for one in (value, sd))
    numbers = [one[3] for one in lines if one[3] is not None]
    judged = iter(control_chart.judged(numbers, assigned=assigned, sd=spread))
    results = tuple(
        Measured(code, report, day, number, shown, None if number is None else next(judged))
        for code, report, day, number, shown in lines
    )
    return Chart(name, kind, ANALYTES[kind[1]].unit, assigned, spread, results, limit, trial)


def batches_out(store: sqlite3.Connection) -> dict[tuple[str, str, str, str], list[str]]:
    """Sentences on batches out of control, by laboratory, report, nutrient and method."""
    if not store.execute("SELECT 1 FROM blind WHERE kind = 'reference' LIMIT 1").fetchone():
        return {}
    found: dict[tuple[str, str, str, str], list[str]] = {}
    for chart in charts(store):
        lab, analyte, method, _ = chart.kind
        for one, why in chart.out():
            found.setdefault((lab, one.report, analyte, method), []).append(why)
    return found
