"""What was pulled and what the laboratory found: samples in their trial, and their readings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.trial.schedule import Obligation

if TYPE_CHECKING:
    import sqlite3

MINERAL_N = "mineral-N"
PARTS = ("nitrate-N", "ammonium-N")
# A sum with a part below its limit lies between two bounds. Where their middle is known to within
# this share (less than a laboratory's usual repeatability for nitrate), the sum is used, and it is
# said. Common practice, no source.
SMALL_PART = 0.05


@dataclass(frozen=True)
class Sample:
    """A pull in its trial: `names` are the calendar's, `age` days since its bed's application."""

    code: str
    bed: str
    label: str
    block: str
    treatment: str
    control: bool
    names: tuple[str, ...]
    day: date
    age: int | None
    repeat: bool


@dataclass(frozen=True)
class Reading:
    """One value of one sample: a number, or the bounds of a censored one (`low`, `high`).

    `conflict`: machines disagree about it, so that it is kept out of every curve. `within`: a sum
    with a part below its limit is known only to within this half-width (see SMALL_PART).
    """

    sample: str
    analyte: str
    method: str
    basis: str
    lab: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    conflict: bool = False
    within: float = 0.0

    @property
    def comparable(self) -> tuple[str, str, str, str]:
        """Only readings with the same of this may be compared."""
        return (self.method, self.basis, self.lab, self.unit)


def samples(store: sqlite3.Connection, trial: str) -> list[Sample]:
    """The pulls of a trial in order of day and bed; what the calendar calls each."""
    beds = {bed.id: bed for bed in views.bed_refs(store, trial)}
    day0 = views.first_days(store, "apply", trial)
    served = dict(_served(views.obligations(store, trial)))
    found = []
    for line in views.fetch(store, "pull", views.OF_TRIAL, (trial,)):
        pull, bed = line.record, beds[line.record.bed]
        names, repeat = served.get(pull.code, ((), False))
        applied = day0.get(bed.id)
        found.append(
            Sample(
                code=pull.code,
                bed=bed.id,
                label=bed.label,
                block=bed.block,
                treatment=bed.treatment_code,
                control=bed.control,
                names=names,
                day=pull.when.day,
                age=None if applied is None else (pull.when.day - applied).days,
                repeat=repeat,
            )
        )
    places = {bed.id: bed.place for bed in beds.values()}
    return sorted(found, key=lambda one: (one.day, places[one.bed], one.code))


def _served(owed: Iterable[Obligation]) -> Iterator[tuple[str, tuple[tuple[str, ...], bool]]]:
    for one in owed:
        if one.pull is not None:
            yield one.pull, (one.names, False)
        for code in one.repeats:
            yield code, (one.names, True)


def readings(store: sqlite3.Connection, trial: str, analyte: str | None = None) -> list[Reading]:
    """The results of a trial's samples that stand, of one analyte or of all (mineral-N included).

    Mineral-N is the sum of nitrate-N and ammonium-N of one sample, from one report's laboratory
    and basis; a censored part makes it an interval.
    """
    wanted = PARTS if analyte == MINERAL_N else (analyte,)
    condition = "" if analyte is None else f"AND r.analyte IN ({', '.join('?' * len(wanted))})"
    rows = store.execute(
        "SELECT coalesce(part.pull, r.sample), r.analyte, r.method, r.basis, r.lab, r.unit, "
        "r.value_num, r.limit_num, r.qualifier, r.conflict, part.kind "
        "FROM result r LEFT JOIN part ON part.id = r.sample "
        "JOIN pull p ON p.id = coalesce(part.pull, r.sample) "
        "JOIN bed b ON b.id = p.bed WHERE b.trial = ? "
        f"{condition} ORDER BY r.id",
        (trial, *(wanted if analyte is not None else ())),
    ).fetchall()
    found = [_reading(*row) for row in rows]
    if analyte == MINERAL_N:
        return _sums(found)
    return found + (_sums(found) if analyte is None else [])


def _reading(
    sample: str,
    analyte: str,
    method: str,
    basis: str,
    lab: str,
    unit: str,
    value: float | None,
    limit: float | None,
    qualifier: str,
    conflict: int,
    kind: str | None,
) -> Reading:
    low = high = None
    if value is None and limit is not None:
        low, high = (0.0, limit) if qualifier == "<" else (limit, None)
    # Drying alone changes nitrate and ammonium (Nelson & Bremner 1972: +4.2 mg/kg NH4-N on air
    # drying), so how a part was kept belongs to the method of these two.
    if kind is not None and analyte in PARTS:
        method = f"{method}, {kind}"
    return Reading(sample, analyte, method, basis, lab, unit, value, low, high, bool(conflict))


def _sums(found: Iterable[Reading]) -> list[Reading]:
    """Nitrate-N + ammonium-N of each sample that has both from one laboratory on one basis."""
    parts: dict[tuple[str, str, str, str], dict[str, list[Reading]]] = {}
    for one in found:
        if one.analyte in PARTS:
            place = (one.sample, one.lab, one.basis, one.unit)
            parts.setdefault(place, {}).setdefault(one.analyte, []).append(one)
    sums = []
    for both in parts.values():
        if len(both) == len(PARTS):
            nitrate, ammonium = (_mean(both[name]) for name in PARTS)
            sums.append(_sum(nitrate, ammonium))
    return sums


def _mean(repeats: list[Reading]) -> Reading:
    """The mean of repeats of one analysis of one sample."""
    if len(repeats) == 1:
        return repeats[0]
    count = len(repeats)
    lows = [one.low if one.value is None else one.value for one in repeats]
    highs = [one.high if one.value is None else one.value for one in repeats]
    exact = all(one.value is not None for one in repeats)
    low = sum(value or 0.0 for value in lows) / count
    high = None if None in highs else sum(value or 0.0 for value in highs) / count
    return replace(
        repeats[0],
        value=low if exact else None,
        low=None if exact else low,
        high=None if exact else high,
        conflict=any(one.conflict for one in repeats),
    )


def _sum(nitrate: Reading, ammonium: Reading) -> Reading:
    both = (nitrate, ammonium)
    exact = all(one.value is not None for one in both)
    lows = [one.low if one.value is None else one.value for one in both]
    highs = [one.high if one.value is None else one.value for one in both]
    low = sum(value or 0.0 for value in lows)
    high = None if None in highs else sum(value or 0.0 for value in highs)
    within = 0.0
    if not exact and high is not None and high - low <= SMALL_PART * (high + low):
        within, exact = (high - low) / 2, True
        low += within
    methods = (nitrate.method, ammonium.method)
    return replace(
        nitrate,
        analyte=MINERAL_N,
        method=methods[0] if methods[0] == methods[1] else " + ".join(methods),
        value=low if exact else None,
        low=None if exact else low,
        high=None if exact else high,
        conflict=any(one.conflict for one in both),
        within=within,
    )
