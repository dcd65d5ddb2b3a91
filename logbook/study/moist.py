"""The moisture of samples by their tins, for contents that a laboratory gives on moist soil."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.study.parts import tins
from logbook.trial.units import tidied

if TYPE_CHECKING:
    import sqlite3


def moistures(store: sqlite3.Connection, trials: Iterable[str]) -> dict[str, Decimal]:
    """Water per dry mass by sample code, of the pulls of these trials that have a weighed tin.

    Every part of a pull has its pull's moisture; of several tins it is the mean.
    """
    by_pull: dict[str, list[Decimal]] = {}
    for trial in trials:
        for tin in tins(store, trial):
            if tin.moisture is not None:
                by_pull.setdefault(tin.part.pull, []).append(tin.moisture)
    found = {
        pull: tidied(sum(several, Decimal(0)) / len(several)) for pull, several in by_pull.items()
    }
    parts = store.execute("SELECT id, pull FROM part").fetchall()
    return found | {code: found[pull] for code, pull in parts if pull in found}
