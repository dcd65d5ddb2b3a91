"""Which curves results are part of: what a person must know when a laboratory changes a value."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study.parts import by_code as parts_by_code
from logbook.study.samples import MINERAL_N, PARTS, samples
from logbook.trial.records import Result

if TYPE_CHECKING:
    import sqlite3


def curves_of(store: sqlite3.Connection, results: Iterable[Result]) -> list[str]:
    """The curves that these results are part of: "nitrate-N of M", trial by trial.

    A control's result is part of the curve of every treatment in its block.
    """
    return curves_by(store, {"": results})[""]


def curves_by(
    store: sqlite3.Connection, groups: Mapping[str, Iterable[Result]]
) -> dict[str, list[str]]:
    """`curves_of` for several groups of results, by the groups' names."""
    trials = {one.id: one.record.name for one in views.fetch(store, "trial")}
    of_sample: dict[str, tuple[str, set[str]]] = {}
    for trial in trials:
        of_sample |= _treatments_of(store, trial)
    pulls = {code: part.pull for code, part in parts_by_code(store).items()}
    measured = _measured(store)

    def curves(results: Iterable[Result]) -> list[str]:
        found: set[tuple[str, str, str]] = set()
        for result in results:
            sample = pulls.get(result.sample, result.sample)
            trial, codes = of_sample.get(sample, ("", set()))
            names = [result.analyte, *([MINERAL_N] if result.analyte in PARTS else [])]
            found.update((trial, name, code) for name in names for code in codes)
        several = len({trial for trial, _, _ in found}) > 1
        return [
            f"{name} of {code}" + (f" ({trials[trial]})" if several else "")
            for trial, name, code in sorted(found)
            if (trial, name, code) in measured
        ]

    return {name: curves(results) for name, results in groups.items()}


def _treatments_of(store: sqlite3.Connection, trial: str) -> dict[str, tuple[str, set[str]]]:
    """The trial of each sample, and the treatments whose curves it is part of."""
    treated: dict[str, set[str]] = {}
    for bed in views.bed_refs(store, trial):
        if not bed.control:
            treated.setdefault(bed.block, set()).add(bed.treatment_code)
    found = {}
    for one in samples(store, trial):
        near = {code for block in one.blocks for code in treated.get(block, ())}
        found[one.code] = (trial, near if one.control else {one.treatment})
    return found


def _measured(store: sqlite3.Connection) -> set[tuple[str, str, str]]:
    """Which nutrients of which treatments have results, mineral-N where both its parts have."""
    rows = store.execute(
        "SELECT DISTINCT b.trial, r.analyte, t.code FROM result r "
        "LEFT JOIN part ON part.id = r.sample JOIN pull p ON p.id = coalesce(part.pull, r.sample) "
        "JOIN bed b ON b.id = p.bed JOIN treatment t ON t.id = b.treatment"
    )
    found: set[tuple[str, str, str]] = set(rows.fetchall())
    return found | {
        (trial, MINERAL_N, code)
        for trial, _, code in found
        if all((trial, part, code) in found for part in PARTS)
    }
