"""How well a laboratory repeats itself: duplicates and s_r.

Duplicates are blind halves that came back in one report, two bags of one reference material in one
report, and a laboratory's own repeats of one run. Results in question and what a laboratory
rejected take no part, unless the question is the difference itself. Runs take no part either: they
were measured again because something was odd. What a material's results in several reports tell is
in `references`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.analysis import repeatability
from logbook.analysis.repeatability import Bounds, Compared, Group, Repeatability
from logbook.journal import entry as journal
from logbook.store import views
from logbook.study import moot, queries, rejected
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    import sqlite3

#: The largest relative difference of two halves in one laboratory, %. Published limits disagree
#: (10 to 50 %): a setting by nutrient, this one where nothing else is said. Common practice.
MOST_RPD = 20.0
#: A pH is a logarithm: pairs are held against a difference. Soil pH 1:2 is reproducible within 0.2.
MOST_PH = 0.2
_RAW = frozenset({"pH"})
# Ways to have two results of one sample in one report.
REPEAT, TWIN, MATERIAL = moot.REPEAT, "blind duplicate", "reference material"

Kind = tuple[str, str, str, str]  # lab, analyte, method, basis


@dataclass(frozen=True)
class Pair:
    """Two or more results of one sample in one report: values, codes of their bags, verdict.

    `how` is one of REPEAT, TWIN and MATERIAL; `ids` are the results; `said` what each is known to
    be, its number or the bounds that a limit leaves.
    """

    kind: Kind
    report: str
    how: str
    samples: tuple[str, ...]
    said: tuple[Bounds, ...]
    limit: float | None
    ids: tuple[str, ...]
    compared: Compared

    @property
    def values(self) -> tuple[float | None, ...]:
        """The numbers, None where a result lies beyond a limit."""
        return tuple(low if low == high else None for low, high in self.said)

    @property
    def group(self) -> Group | None:
        """What it says of s_r; None where a value is beyond a limit."""
        numbers = tuple(one for one in self.values if one is not None)
        return Group(numbers, self.limit) if len(numbers) == len(self.said) else None


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


def lowest_limits(store: sqlite3.Connection) -> dict[Kind, float]:
    """The lowest reporting limit of each kind of analysis."""
    rows = store.execute(
        "SELECT lab, analyte, method, basis, min(limit_num) FROM result "
        "WHERE qualifier = '<' AND limit_num IS NOT NULL GROUP BY 1, 2, 3, 4"
    ).fetchall()
    return {tuple(row[:4]): row[4] for row in rows}


def pairs(
    store: sqlite3.Connection,
    most: Mapping[str, float] | None = None,
    report: tuple[str, str] | None = None,
) -> list[Pair]:
    """Every duplicate and repeat of the book, in order of report and sample.

    most: the largest RPD by nutrient, %, where it is not MOST_RPD; report: only of this one, by
    laboratory and number.
    """
    out, ids = rejected.flagged_out(store), _ids(report)
    found = [one for way in (_repeats, _duplicates, _materials) for one in way(store, ids, out)]
    if not found:
        return []
    limits = lowest_limits(store)
    return [
        Pair(of.kind, of.report, of.how, of.samples, of.said, limits.get(of.kind), of.ids,
             _compared(of.kind, of.said, limits.get(of.kind), most or {}))
        for of in found
    ]  # fmt: skip


@dataclass(frozen=True)
class _Found:
    """Results of one sample in one report."""

    kind: Kind
    report: str
    how: str
    samples: tuple[str, ...]
    said: tuple[Bounds, ...]
    ids: tuple[str, ...]


_Ids = tuple[str, str]


def _ids(report: tuple[str, str] | None) -> _Ids:
    """The first id of a report's results (of all: None), and what comes after the last."""
    if report is None:
        return "", "\x7f"  # ids are printable ASCII
    return journal.below(journal.ident(journal.key("result", *report)))


def _repeats(store: sqlite3.Connection, ids: _Ids, out: AbstractSet[str]) -> Iterator[_Found]:
    """A laboratory's own repeats of one run."""
    rows = store.execute(
        "SELECT r.lab, r.analyte, r.method, r.basis, r.report, r.sample, r.run, r.value_num, "
        "r.limit_num, r.qualifier, r.id "
        "FROM result r JOIN (SELECT DISTINCT sample, analyte, method, basis, lab, report, run "
        "FROM result WHERE n > 1 AND id >= ? AND id < ?) m "
        "USING (sample, analyte, method, basis, lab, report, run) "
        "ORDER BY r.report, r.sample, r.analyte, r.id",
        ids,
    ).fetchall()
    groups: dict[tuple[str, ...], list[tuple[Bounds, str]]] = {}
    for *of, value, limit, side, ident in rows:
        said = repeatability.bounds(value, limit, side)
        if ident not in out and said is not None:
            groups.setdefault(tuple(of), []).append((said, ident))
    for (lab, analyte, method, basis, number, sample, _), several in groups.items():
        if len(several) > 1:
            said_of, ids = zip(*several, strict=True)
            kind = (lab, analyte, method, basis)
            yield _Found(kind, number, REPEAT, (sample,), said_of, ids)


def _duplicates(store: sqlite3.Connection, ids: _Ids, out: AbstractSet[str]) -> Iterator[_Found]:
    """Blind halves that came back in the report of their bag."""
    rows = store.execute(
        "SELECT r.lab, r.analyte, r.method, r.basis, r.report, n.of, n.code, o.value_num, "
        "o.limit_num, o.qualifier, r.value_num, r.limit_num, r.qualifier, o.id, r.id "
        "FROM blind n JOIN result r ON r.sample = n.code "
        "JOIN result o ON o.sample = n.of AND o.analyte = r.analyte AND o.method = r.method "
        "AND o.basis = r.basis AND o.lab = r.lab AND o.report = r.report "
        "WHERE n.kind = 'duplicate' AND r.run = 1 AND o.run = 1 AND r.n = 1 AND o.n = 1 "
        "AND r.id >= ? AND r.id < ? ORDER BY r.report, n.of, r.analyte, r.id",
        ids,
    ).fetchall()
    for row in rows:
        one, other = repeatability.bounds(*row[7:10]), repeatability.bounds(*row[10:13])
        ids = (row[13], row[14])
        if one is not None and other is not None and not out & set(ids):
            yield _Found(row[:4], row[4], TWIN, (row[5], row[6]), (one, other), ids)


def _materials(store: sqlite3.Connection, ids: _Ids, out: AbstractSet[str]) -> Iterator[_Found]:
    """Bags of one reference material, of one trial, in one report."""
    rows = store.execute(
        "SELECT r.lab, r.analyte, r.method, r.basis, r.report, n.of, n.trial, n.code, "
        "r.value_num, r.limit_num, r.qualifier, r.id "
        "FROM blind n JOIN result r ON r.sample = n.code WHERE n.kind = 'reference' "
        "AND r.run = 1 AND r.n = 1 AND r.id >= ? AND r.id < ? "
        "ORDER BY r.report, n.code, r.analyte, r.id",
        ids,
    ).fetchall()
    groups: dict[tuple[str, ...], list[tuple[str, Bounds, str]]] = {}
    for *of, code, value, limit, side, ident in rows:
        said = repeatability.bounds(value, limit, side)
        if ident not in out and said is not None:
            groups.setdefault(tuple(of), []).append((code, said, ident))
    for of, several in groups.items():
        if len(several) > 1:
            codes, said_of, ids = zip(*several, strict=True)
            lab, analyte, method, basis, number = of[:5]
            yield _Found((lab, analyte, method, basis), number, MATERIAL, codes, said_of, ids)


def _compared(
    kind: Kind, said: tuple[Bounds, ...], limit: float | None, most: Mapping[str, float]
) -> Compared:
    """The two that differ most, held against the limits of their nutrient."""
    analyte = kind[1]
    if analyte in _RAW:
        return repeatability.compare_raw(said, most.get(analyte, MOST_PH))
    return repeatability.compare(
        said,
        limit=limit,
        most_rpd=most.get(analyte, MOST_RPD),
        unit=ANALYTES[analyte].unit,
    )


def measured(store: sqlite3.Connection) -> dict[Kind, tuple[int, Repeatability]]:
    """s_r of each kind of analysis, pooled; how many pairs it is from."""
    found = pairs(store)
    if not found:
        return {}
    doubted = doubted_otherwise(store)
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


def doubted_otherwise(store: sqlite3.Connection) -> set[str]:
    """Ids of results that something is asked of, other than how much they differ."""
    return {
        one.result_id
        for one in queries.lines(store)
        if one.waits and one.query.kind not in ("duplicate", "runs")
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
