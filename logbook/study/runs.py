"""A re-run is a second measurement, not a correction: what counts when a sample has several runs.

Within the critical range of the method the mean of all counts. Two runs beyond it are not averaged
and neither is taken silently: both are left out until a third is here or one is struck with the
laboratory's cause. Of three or more beyond it the median counts. Source: ISO 5725-6. A run beyond
a limit ("<0.5") is compared as well: it differs where even its limit does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf, isinf
from statistics import fmean
from typing import TYPE_CHECKING

from logbook.analysis import repeatability
from logbook.study import quality, queries
from logbook.trial import plausible

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.repeatability import Bounds, Runs
    from logbook.study.samples import Reading
    from logbook.trial.records import Result


@dataclass(frozen=True)
class Run:
    """One reading with the bag it is of and the run it belongs to; `method` as it was reported."""

    bag: str
    run: int
    method: str
    reading: Reading

    @property
    def analysis(self) -> tuple[str, str, str, str, str]:
        """What is measured again in another run."""
        one = self.reading
        return (self.bag, one.analyte, self.method, one.basis, one.lab)


def settled(store: sqlite3.Connection, trial: str, found: Sequence[Run]) -> list[Reading]:
    """The readings that count; of runs that lie too far apart each says why it does not."""
    several: dict[tuple[str, str, str, str, str], set[int]] = {}
    for one in found:
        if not one.reading.queried:
            several.setdefault(one.analysis, set()).add(one.run)
    again = {of for of, runs in several.items() if len(runs) > 1}
    kept = [one.reading for one in found if one.analysis not in again]
    for of in sorted(again):
        kept += _of_analysis(store, trial, [one for one in found if one.analysis == of])
    return kept


def _of_analysis(store: sqlite3.Connection, trial: str, found: Sequence[Run]) -> list[Reading]:
    doubted = [one.reading for one in found if one.reading.queried]
    counted = [one for one in found if not one.reading.queried]
    readings = [one.reading for one in counted]
    means = means_of((one.run, _bounds(one.reading)) for one in counted)
    first = readings[0]
    kind = (first.lab, first.analyte, counted[0].method, first.basis)
    judged, source = judge(store, kind, list(means.values()), trial)
    if judged.value is not None and judged.how == "mean":
        return [*doubted, *readings]
    words = told(means, judged, source, first.unit)
    if judged.value is None:
        return [*doubted, *(one._replace(queried=words) for one in readings)]
    low, high = judged.value
    exact = low == high
    return [
        *doubted,
        first._replace(
            value=low if exact else None,
            low=None if exact else low,
            high=None if exact or isinf(high) else high,
            remark=f"{words}; the median counts",
        ),
    ]


def _bounds(one: Reading) -> Bounds:
    if one.value is not None:
        return (one.value, one.value)
    return (one.low or 0.0, inf if one.high is None else one.high)


def means_of(found: Iterable[tuple[int, Bounds]]) -> dict[int, Bounds]:
    """The mean of each run; of results beyond a limit the bounds that it lies between."""
    runs: dict[int, list[Bounds]] = {}
    for run, one in found:
        runs.setdefault(run, []).append(one)
    return {
        run: (fmean(low for low, _ in runs[run]), fmean(high for _, high in runs[run]))
        for run in sorted(runs)
    }


def judge(
    store: sqlite3.Connection, kind: quality.Kind, runs: Sequence[Bounds], trial: str | None
) -> tuple[Runs, str]:
    """Runs held against the repeatability of their method, and where that is known from.

    What lies beyond a limit is taken at the limit, which is as near as it can come to the others.
    """
    level = fmean(low if isinf(high) else high for low, high in runs)
    sr, source = quality.sr_at(store, kind, level, trial)
    return repeatability.judge_runs(runs, sr), source


def told(means: dict[int, Bounds], judged: Runs, source: str, unit: str) -> str:
    """`run 1 gave 12.4, run 2 gave 14.1 mg/kg: 1.7 apart, more than r = 0.9 (s_r declared)`."""
    gave = ", ".join(f"run {run} gave {shown(one)}" for run, one in means.items())
    limit = "r" if len(means) == 2 else f"CR({len(means)})"
    least = "" if all(map(repeatability.is_number, means.values())) else "at least "
    of = "" if unit == "pH" else f" {unit}"
    return (
        f"{gave}{of}: {least}{judged.range:.3g} apart, more than {limit} = {judged.critical:.3g} "
        f"(s_r {source})"
    )


def besides(store: sqlite3.Connection, newest: Result, means: Mapping[int, Bounds]) -> str:
    """What else tells which of some runs that differ is right, each after a "; ".

    The other half of the bag, and an earlier question of which the newest run is the answer.
    """
    told = [*_halves(store, newest), *_borne_out(store, newest, means)]
    return "".join(f"; {one}" for one in told)


def _halves(store: sqlite3.Connection, of: Result) -> Iterator[str]:
    """`the other half 4RDHXAGK gave 19.8`."""
    rows = store.execute(
        "SELECT r.sample, r.value_num, r.limit_num, r.qualifier FROM blind n JOIN result r "
        "ON r.sample IN (n.code, n.of) AND r.sample <> ? WHERE n.kind = 'duplicate' "
        "AND ? IN (n.code, n.of) AND r.analyte = ? AND r.method = ? AND r.basis = ? AND r.lab = ? "
        "ORDER BY r.sample, r.run, r.n",
        (of.sample, of.sample, of.analyte, of.method, of.basis, of.lab),
    ).fetchall()
    gave: dict[str, list[str]] = {}
    for code, *said in rows:
        if (known := repeatability.bounds(*said)) is not None:
            gave.setdefault(code, []).append(shown(known))
    for code, some in gave.items():
        yield f"the other half {code} gave {' and '.join(some)}"


def _borne_out(
    store: sqlite3.Connection, newest: Result, means: Mapping[int, Bounds]
) -> Iterator[str]:
    """That an earlier run is off by just the slip that was asked of it."""
    number = means[newest.run]
    for run, kind in queries.asked_before(store, newest):
        before = means.get(run, number)
        if run == newest.run or not (_exact(before) and _exact(number)):
            continue
        ratio = before[0] / number[0]
        slips = [of(newest.analyte, ratio) for of in (plausible.slip, plausible.slip_of_report)]
        words = [slip.words.rstrip("?") for slip in slips if slip and slip.kind == kind]
        if words:
            yield f"run {newest.run} bears out what was asked of run {run}: {words[0]}"


def _exact(one: Bounds) -> bool:
    """Whether a number is known, and something can be told by how many times it is another."""
    return one[0] == one[1] > 0


def shown(one: Bounds) -> str:
    """`12.4`, `<0.5`, `>200`, and `6.2 to 6.45` for the mean of a number and a limit."""
    low, high = one
    if low == high:
        return f"{low:.4g}"
    if isinf(high):
        return f">{low:.4g}"
    return f"<{high:.4g}" if low == 0 else f"{low:.4g} to {high:.4g}"
