"""A re-run is a second measurement, not a correction: what counts when a sample has several runs.

Within the critical range of the method the mean of all counts. Two runs beyond it are not averaged
and neither is taken silently: both are left out until a third is here or one is struck with the
laboratory's cause. Of three or more beyond it the median counts. Source: ISO 5725-6.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import TYPE_CHECKING

from logbook.analysis import repeatability
from logbook.study import quality

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.repeatability import Runs
    from logbook.study.samples import Reading


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
    means = means_of((one.run, one.reading.value) for one in counted)
    if means is None:
        return [*doubted, *readings]
    first = readings[0]
    kind = (first.lab, first.analyte, counted[0].method, first.basis)
    judged, source = judge(store, kind, list(means.values()), trial)
    if judged.how == "mean":
        return [*doubted, *readings]
    words = told(means, judged, source, first.unit)
    if judged.how == "apart":
        return [*doubted, *(replace(one, queried=words) for one in readings)]
    return [*doubted, replace(first, value=judged.value, remark=f"{words}; the median counts")]


def means_of(found: Iterable[tuple[int, float | None]]) -> dict[int, float] | None:
    """The mean of each run; None where one lies beyond a limit, so that nothing can be compared."""
    runs: dict[int, list[float]] = {}
    for run, value in found:
        if value is None:
            return None
        runs.setdefault(run, []).append(value)
    return {run: fmean(runs[run]) for run in sorted(runs)}


def judge(
    store: sqlite3.Connection, kind: quality.Kind, values: Sequence[float], trial: str | None
) -> tuple[Runs, str]:
    """Runs held against the repeatability of their method, and where that is known from."""
    sr, source = quality.sr_at(store, kind, fmean(values), trial)
    return repeatability.judge_runs(values, sr), source


def told(means: dict[int, float], judged: Runs, source: str, unit: str) -> str:
    """`run 1 gave 12.4, run 2 14.1 mg/kg: 1.7 apart, more than r = 0.9 (s_r declared)`."""
    gave = ", ".join(f"run {run} gave {value:.4g}" for run, value in means.items())
    limit = "r" if len(means) == 2 else f"CR({len(means)})"
    shown = "" if unit == "pH" else f" {unit}"
    return (
        f"{gave}{shown}: {judged.range:.3g} apart, more than {limit} = {judged.critical:.3g} "
        f"(s_r {source})"
    )
