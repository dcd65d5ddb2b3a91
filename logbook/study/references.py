"""Reference materials: their results on control charts, and how they scatter over time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.analysis import control_chart, repeatability
from logbook.analysis.control_chart import Point
from logbook.analysis.repeatability import Intermediate
from logbook.store import views
from logbook.study import rejected
from logbook.study.quality import Kind, doubted_otherwise, lowest_limits
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True)
class Measured:
    """One result of a reference material: the code it hid behind, its report and day, its id."""

    code: str
    report: str
    day: date
    value: float | None
    shown: str
    ident: str
    run: int
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
        unit = "" if self.unit == "pH" else f" {self.unit}"
        for one in self.results:
            if self.blank and one.value is not None and one.value > (self.limit or 0.0):
                most = "0" if self.limit is None else f"the limit of {self.limit:g}"
                yield one, f"blank {self.name} gave {one.shown}{unit}, above {most}"
            elif not self.blank and one.point is not None and one.point.out:
                why = "; ".join(control_chart.RULES[rule] for rule in one.point.rules)
                z = f", {one.point.z:+.1f} s" if one.point.z is not None else ""
                gave = f"reference {self.name} gave {one.shown}{unit}{z}"
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
        "r.id, r.run FROM blind n JOIN result r ON r.sample = n.code "
        "LEFT JOIN report p ON p.lab = r.lab AND p.number = r.report "
        "WHERE n.kind = 'reference' AND (? IS NULL OR n.of = ?) AND (? IS NULL OR r.analyte = ?) "
        "ORDER BY 13, r.report, n.code, r.run, r.n",
        (name, name, analyte, analyte),
    ).fetchall()
    out = rejected.flagged_out(store) if rows else set()
    rows = [row for row in rows if row[13] not in out]
    if not rows:
        return []
    assigned = {
        (one.record.name, one.record.analyte, one.record.method, one.record.trial): one.record
        for one in views.fetch(store, "reference")
    }
    trials = {one.id: one.record.name for one in views.fetch(store, "trial")}
    limits = lowest_limits(store)
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
        run,
    ) in rows:
        shown = text if text is not None else f"{side}{limit or ''}"
        own = trial if (of, what, method, trial) in assigned else ""
        line = (code, report, date.fromisoformat(day), value, shown, ident, run)
        groups.setdefault((of, (lab, what, method, basis), own), []).append(line)
    order = list(ANALYTES)
    found = [
        _chart(of, kind, some, assigned.get((of, kind[1], kind[2], own)), limits.get(kind),
               trials.get(own, own))
        for (of, kind, own), some in groups.items()
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.name, order.index(one.kind[1]), one.kind, one.trial))


# code, report, day, number, as it is shown, id, run
_Reported = tuple[str, str, date, float | None, str, str, int]


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
    results = tuple(Measured(*line, None if line[3] is None else next(judged)) for line in lines)
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


@dataclass(frozen=True)
class OverTime:
    """A reference material's results in one laboratory, report by report, and how they scatter.

    trial: the name of the only trial for which its value is written down, "" where it holds for
    all.
    """

    name: str
    kind: Kind
    unit: str
    trial: str
    measured: Intermediate


def over_time(store: sqlite3.Connection) -> list[OverTime]:
    """The intermediate precision of each reference material: over days, batches, calibrations.

    Nothing of a blank scatters as soil does; results in question and re-runs take no part.
    """
    several = [one for one in charts(store) if not one.blank]
    doubted = doubted_otherwise(store) if several else set()
    found = []
    for chart in several:
        reports: dict[str, list[float]] = {}
        for one in chart.results:
            if one.value is not None and one.run == 1 and one.ident not in doubted:
                reports.setdefault(one.report, []).append(one.value)
        known = repeatability.intermediate(list(reports.values()))
        if known is not None:
            found.append(OverTime(chart.name, chart.kind, chart.unit, chart.trial, known))
    return found
