"""The parts of pulls: which bag belongs to which sample, what it is for, and moisture of tins."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from json import dumps, loads
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial import parts, records, water
from logbook.trial.holding import QUICK
from logbook.trial.parts import WHOLE, Planned

if TYPE_CHECKING:
    import sqlite3

    from logbook.store.views import Found

_OF_TRIAL = f"pull IN (SELECT id FROM pull WHERE {views.OF_TRIAL})"
TIN = "tin"


def planned(store: sqlite3.Connection, trial: str) -> list[Planned]:
    """What every pull of a trial is divided into, in the order of its bags; empty: one bag."""
    found = views.fetch(store, "planned-part", "trial = ?", (trial,))
    return parts.in_order((one.record.kind, one.record.analyses) for one in found)


def of_trial(store: sqlite3.Connection, trial: str) -> dict[str, list[records.Part]]:
    """The parts of each pull of a trial, by the pull's code, in the order of the bags."""
    return _by_pull(views.fetch(store, "part", _OF_TRIAL, (trial,)))


def every_pull(store: sqlite3.Connection, trial: str) -> dict[str, list[records.Part]]:
    """The parts of every pull of a trial, none of one that is a single bag."""
    divided = of_trial(store, trial)
    pulls = views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    return {one.id: divided.get(one.id, []) for one in pulls}


def for_nitrogen(kinds: Iterable[Planned]) -> dict[str, str]:
    """In which kind of part nitrate and ammonium are measured, WHOLE of a pull that has no parts.

    How these two are kept belongs to their method: see `samples.kept`.
    """
    divided = list(kinds)
    if not divided:
        return dict.fromkeys(QUICK, WHOLE)
    return {one: kind for kind, names in divided for one in names if one in QUICK}


def of_pull(store: sqlite3.Connection, code: str) -> list[records.Part]:
    """The parts of one pull, in the order of the bags; empty: it is one bag."""
    return _by_pull(views.fetch(store, "part", "pull = ?", (code,))).get(code, [])


def _by_pull(found: Iterable[Found]) -> dict[str, list[records.Part]]:
    grouped: dict[str, list[records.Part]] = {}
    for one in found:
        grouped.setdefault(one.record.pull, []).append(one.record)
    for some in grouped.values():
        some.sort(key=lambda part: (parts.place(part.kind), part.code))
    return grouped


def by_code(store: sqlite3.Connection) -> dict[str, records.Part]:
    """Every part of the book by the code on its bag."""
    return {found.id: found.record for found in views.fetch(store, "part")}


def of_code(store: sqlite3.Connection, code: str) -> records.Part | None:
    """The part with this code on its bag; None where there is none."""
    return next((one.record for one in views.fetch(store, "part", "id = ?", (code,))), None)


def not_meant(
    store: sqlite3.Connection, results: Iterable[records.Result]
) -> list[tuple[str, str, records.Part]]:
    """Results of an analysis that their part was not meant for: code, nutrient, the part."""
    several = list(results)
    codes = dumps(list({one.sample for one in several}))
    rows = store.execute(
        "SELECT id, analyses FROM part WHERE id IN (SELECT value FROM json_each(?))", (codes,)
    ).fetchall()
    meant = {code: _listed(analyses) for code, analyses in rows}
    found = dict.fromkeys(
        (one.sample, one.analyte)
        for one in several
        if one.sample in meant and one.analyte not in meant[one.sample]
    )
    parts_of = {code: of_code(store, code) for code, _ in found}
    return [(code, analyte, part) for code, analyte in found if (part := parts_of[code])]


# Most parts are meant for what the others of their kind are.
@lru_cache(maxsize=256)
def _listed(analyses: str) -> frozenset[str]:
    return frozenset(loads(analyses))


@dataclass(frozen=True)
class Tin:
    """A moisture tin of a pull, and its weights as far as they are known."""

    part: records.Part
    weighing: records.Weighing | None
    conflict: bool

    @property
    def moisture(self) -> Decimal | None:
        """Water per dry mass of its soil; None while a weight is missing or contradicts."""
        return None if self.weighing is None or self.conflict else moisture(self.weighing)


def tins(store: sqlite3.Connection, trial: str) -> list[Tin]:
    """The moisture tins of a trial, in order of code."""
    weighed = {found.id: found for found in views.fetch(store, "weigh")}
    found = []
    for one in views.fetch(store, "part", f"kind = '{TIN}' AND {_OF_TRIAL}", (trial,)):
        weighing = weighed.get(one.id)
        disputed = one.conflict or (weighing is not None and weighing.conflict)
        found.append(Tin(one.record, weighing.record if weighing else None, disputed))
    return found


def moisture(weighing: records.Weighing) -> Decimal | None:
    """Gravimetric moisture, (wet - dry) / (dry - tare); None until all three weights are there.

    Also None for weights that cannot be, as two machines may have written together.
    """
    tare, wet, dry = weighing.tare_g, weighing.wet_g, weighing.dry_g
    if tare is None or wet is None or dry is None:
        return None
    try:
        return water.gravimetric(wet - tare, dry - tare)
    except UserMistake:
        return None
