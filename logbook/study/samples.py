"""What was pulled and what the laboratory found: samples in their trial, and their readings."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from logbook.store import views
from logbook.trial import qualifiers
from logbook.trial.parts import WHOLE
from logbook.trial.ranges import BedRef
from logbook.trial.records import PARTS as KINDS
from logbook.trial.records import Pull
from logbook.trial.schedule import Obligation

if TYPE_CHECKING:
    import sqlite3

MINERAL_N = "mineral-N"
PARTS = ("nitrate-N", "ammonium-N")
# A sum with a part below its limit lies between two bounds. Where their middle is known to within
# this share (less than a laboratory's usual repeatability for nitrate), the sum is used, and it is
# said. Common practice, no source.
SMALL_PART = 0.05
Comparable = tuple[str, str, str, str]
"""Method (with how its soil was kept), basis, laboratory, unit."""


@dataclass(frozen=True)
class Sample:
    """A pull in its trial: `names` are the calendar's, `age` days since its bed's application.

    A composite is one replicate: `label` is "B1+B2", `bed` its first bed, `beds` and `blocks` all
    of them; `block` is the one that they share, else "", so that it is never paired within blocks.
    `repeat`: an earlier pull counts instead; `owed` what this one serves of the calendar.
    """

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
    beds: tuple[str, ...]
    blocks: tuple[str, ...]
    owed: tuple[Obligation, ...] = ()

    @cached_property
    def pulls(self) -> frozenset[str]:
        """All that the calendar calls what it serves."""
        return frozenset(name for one in self.owed for name in one.names)


class Reading(NamedTuple):
    """One value of one sample: a number, or the bounds of a censored one (`low`, `high`).

    `conflict`: machines disagree about it, so that it is kept out of every curve. `within`: a sum
    with a part below its limit is known only to within this half-width (see SMALL_PART). `flags`
    are the laboratory's words beside it, those that leave it usable. `queried`: what is asked of
    it, so that it is kept out of every curve until that is answered; `remark`: what counts of
    several runs; `reports`: the laboratory's reports it is from. A tuple, as there are many.
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
    flags: str = ""
    queried: str = ""
    remark: str = ""
    reports: tuple[str, ...] = ()

    @property
    def comparable(self) -> Comparable:
        """Only readings with the same of this may be compared."""
        return (self.method, self.basis, self.lab, self.unit)


class _Row(NamedTuple):
    """A result as the store has it, with its bag and the pull of which that is; `kind` as kept."""

    id: str
    run: int
    bag: str
    conflict: int
    kind: str | None
    value: float | None
    limit: float | None
    qualifier: str
    flags: str
    pull: str
    analyte: str
    method: str
    basis: str
    lab: str
    unit: str
    report: str


_ROW = (
    "r.id, r.run, r.sample, r.conflict, bag.kind, r.value_num, r.limit_num, r.qualifier, "
    "coalesce(r.flags, ''), bag.pull, r.analyte, r.method, r.basis, r.lab, r.unit, r.report"
)
_ID, _RUN, _FLAGS = map(_Row._fields.index, ("id", "run", "flags"))


@dataclass(frozen=True)
class _Served:
    """What a pull is for by the calendar: names, if it only repeats, what it serves."""

    names: tuple[str, ...] = ()
    repeat: bool = False
    owed: tuple[Obligation, ...] = ()


def samples(
    store: sqlite3.Connection, trial: str, lines: Sequence[views.Found] | None = None
) -> list[Sample]:
    """The pulls of a trial in order of day and bed; what the calendar calls each.

    lines: the trial's pulls, if they were fetched already.
    """
    beds = {bed.id: bed for bed in views.bed_refs(store, trial)}
    day0 = views.first_days(store, "apply", trial)
    served = _served(views.obligations(store, trial))
    if lines is None:
        lines = views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    found = [
        _sample(
            line.record,
            [beds[bed] for bed in (line.record.bed, *line.record.also) if bed in beds],
            day0,
            served.get(line.record.code, _Served()),
        )
        for line in lines
    ]
    found = _extras_once(found, {one.record.code for one in lines if one.record.again is not None})
    places = {bed.id: bed.place for bed in beds.values()}
    return sorted(found, key=lambda one: (one.day, places[one.bed], one.code))


def _extras_once(found: Iterable[Sample], again: Collection[str]) -> list[Sample]:
    """The samples; of several that the calendar lacks, of one bed and day, the later are repeats.

    again: the codes that were recorded as repeats.
    """
    kept: list[Sample] = []
    seen: set[tuple[tuple[str, ...], date]] = set()
    for one in sorted(found, key=lambda one: (one.code in again, one.code)):
        place = (one.beds, one.day)
        kept.append(replace(one, repeat=True) if not one.names and place in seen else one)
        if not one.names:
            seen.add(place)
    return kept


def _sample(
    pull: Pull,
    beds: Sequence[BedRef],
    day0: Mapping[str, date],
    served: _Served,
) -> Sample:
    """A pull of one bed, or mixed from several."""
    blocks = tuple(dict.fromkeys(bed.block for bed in beds))
    treatments = {bed.treatment_code for bed in beds}
    return Sample(
        code=pull.code,
        bed=pull.bed,
        label="+".join(bed.label for bed in beds),
        block=blocks[0] if len(blocks) == 1 else "",
        # Beds that were corrected to differ since: a sample of no one treatment.
        treatment=beds[0].treatment_code if len(treatments) == 1 else "",
        control=all(bed.control for bed in beds),
        names=served.names,
        day=pull.when.day,
        age=_age(pull.when.day, [day0.get(bed.id) for bed in beds]),
        repeat=served.repeat,
        beds=tuple(bed.id for bed in beds),
        blocks=blocks,
        owed=served.owed,
    )


def _age(day: date, applied: Sequence[date | None]) -> int | None:
    """Days since application, the mean of several beds; None if one was not applied yet."""
    ages = [(day - first).days for first in applied if first is not None]
    return round(sum(ages) / len(ages)) if ages and len(ages) == len(applied) else None


def _served(owed: Iterable[Obligation]) -> dict[str, _Served]:
    """What each pull is for, and whether it is a repeat; a composite serves several beds."""
    found: dict[str, _Served] = {}
    for one in owed:
        for code in (one.pull, *one.repeats):
            if code is not None:
                repeat = code != one.pull
                before = found.get(code, _Served())
                found[code] = _Served(
                    tuple(dict.fromkeys((*before.names, *one.names))),
                    before.repeat or repeat,
                    before.owed if repeat else (*before.owed, one),
                )
    return found


def readings(store: sqlite3.Connection, trial: str, analyte: str | None = None) -> list[Reading]:
    """The results of a trial's samples that stand, of one analyte or of all (mineral-N included).

    Mineral-N is the sum of nitrate-N and ammonium-N of one sample, by one method each, from one
    laboratory and on one basis; a censored part makes it an interval. Results that the laboratory
    flagged so that they cannot be used are not among them (see `struck`), unless a person counts
    them all the same.
    """
    from logbook.study import queries

    found = measured(store, trial, queries.in_question(store), analyte)
    if analyte == MINERAL_N:
        return _sums(found)
    return found + (_sums(found) if analyte is None else [])


def measured(
    store: sqlite3.Connection, trial: str, asked: Mapping[str, str], analyte: str | None = None
) -> list[Reading]:
    """As `readings`, without sums; asked: what is in question, by result."""
    wanted = PARTS if analyte == MINERAL_N else (analyte,)
    condition = "" if analyte is None else f"AND r.analyte IN ({', '.join('?' * len(wanted))})"
    # Plain tuples, as there are many: a row is made where its names are needed.
    rows = store.execute(
        f"WITH {views.BAGS} SELECT {_ROW} FROM bag CROSS JOIN result r "
        f"ON r.sample = bag.code {condition}",
        (trial, *(wanted if analyte is not None else ())),
    ).fetchall()
    rows.sort(key=itemgetter(_ID))
    from logbook.study import rejected

    lifted = rejected.lifted(store) if any(map(itemgetter(_FLAGS), rows)) else {}
    rows = [row for row in rows if not row[_FLAGS] or _counts(_Row(*row)) or row[_ID] in lifted]
    found = list(_read(rows, asked))
    if lifted:
        found = [
            one._replace(remark=rejected.although(one.flags, lifted[row[_ID]].reason))
            if row[_ID] in lifted
            else one
            for one, row in zip(found, rows, strict=True)
        ]
    if any(row[_RUN] > 1 for row in rows):
        found = _of_runs(store, trial, [_Row(*row) for row in rows], found)
    return found


def _read(rows: Iterable[tuple[Any, ...]], asked: Mapping[str, str]) -> Iterator[Reading]:
    """The reading of each row."""
    for (
        ident, _, _, conflict, kind, value, limit, side, flags,
        pull, analyte, method, basis, lab, unit, report,
    ) in rows:  # fmt: skip
        low = high = None
        if value is None and limit is not None:
            low, high = (0.0, limit) if side == "<" else (limit, None)
        by = method if kind is None else kept(method, analyte, kind)
        yield Reading(
            pull, analyte, by, basis, lab, unit, value, low, high, bool(conflict), 0.0, flags,
            asked.get(ident, ""), "", (report,),
        )  # fmt: skip


def _of_runs(
    store: sqlite3.Connection, trial: str, rows: Sequence[_Row], found: Sequence[Reading]
) -> list[Reading]:
    """What counts where samples were measured again."""
    from logbook.study import runs

    return runs.settled(
        store,
        trial,
        [runs.Run(row.bag, row.run, row.method, one) for row, one in zip(rows, found, strict=True)],
    )


def _counts(row: _Row) -> bool:
    """False for a result that its laboratory rejected or cancelled, or that waits for its limit."""
    return qualifiers.counts(row.flags, row.value is not None or row.limit is not None)


def kept(method: str, analyte: str, kind: str | None) -> str:
    """The method with how the part was kept (`kind`; None: a whole sample), where that matters.

    Drying alone changes nitrate and ammonium (Nelson & Bremner 1972, Agron. J. 64:196: +4.2 mg/kg
    NH4-N on air drying), so how a part was kept belongs to the method of these two.
    """
    return f"{method}, {kind}" if kind is not None and analyte in PARTS else method


def parted(method: str) -> tuple[str, str]:
    """A method as `kept` names it, apart: by which method, and from which part (WHOLE: none)."""
    methods: dict[str, None] = {}
    kinds: dict[str, None] = {}
    for piece in method.split(" + "):
        name, _, kind = piece.rpartition(", ")
        methods[name if kind in KINDS else piece] = None
        kinds[kind if kind in KINDS else WHOLE] = None
    return " + ".join(methods), " + ".join(kinds)


def _sums(found: Iterable[Reading]) -> list[Reading]:
    """Nitrate-N + ammonium-N of each sample that has both from one laboratory on one basis.

    Repeats by one method are averaged, methods never: where a part was measured by several, there
    is one sum for each pair of methods, whose name keeps it in a series of its own.
    """
    places: dict[tuple[str, str, str, str], dict[str, dict[str, list[Reading]]]] = {}
    for one in found:
        if one.analyte in PARTS:
            place = (one.sample, one.lab, one.basis, one.unit)
            methods = places.setdefault(place, {}).setdefault(one.analyte, {})
            methods.setdefault(one.method, []).append(one)
    return [
        _sum(_mean(_sound(nitrate)), _mean(_sound(ammonium)))
        for both in places.values()
        if len(both) == len(PARTS)
        for nitrate in both[PARTS[0]].values()
        for ammonium in both[PARTS[1]].values()
    ]


def _sound(repeats: list[Reading]) -> list[Reading]:
    """Those of which nothing is asked; all of them where something is asked of each."""
    return [one for one in repeats if not one.queried] or repeats


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
    return repeats[0]._replace(
        value=low if exact else None,
        low=None if exact else low,
        high=None if exact else high,
        conflict=any(one.conflict for one in repeats),
        flags=_flags(repeats),
        **_about(repeats),
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
    return nitrate._replace(
        analyte=MINERAL_N,
        method=methods[0] if methods[0] == methods[1] else " + ".join(methods),
        value=low if exact else None,
        low=None if exact else low,
        high=None if exact else high,
        conflict=any(one.conflict for one in both),
        within=within,
        flags=_flags(both),
        **_about(both),
    )


def _about(several: Iterable[Reading]) -> dict[str, Any]:
    """What is asked and said of some of these, and the reports of all."""
    found = list(several)
    return {
        "queried": "; ".join(dict.fromkeys(one.queried for one in found if one.queried)),
        "remark": "; ".join(dict.fromkeys(one.remark for one in found if one.remark)),
        "reports": tuple(dict.fromkeys(name for one in found for name in one.reports)),
    }


def _flags(several: Iterable[Reading]) -> str:
    return qualifiers.joined(word for one in several for word in qualifiers.words(one.flags))
