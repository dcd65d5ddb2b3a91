"""Where a trial's soil stands: its starting values, its control's newest results, and their drift.

Amended beds get no class unless it is asked for: the tables were calibrated on settled mineral
soil, and what an extractant dissolves of a fresh amendment is no supply to a crop.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study import amounts, disputes, flags
from logbook.study.levels import NO_CLASS, Level, level_between, level_of
from logbook.study.samples import MINERAL_N, Reading, Sample, readings, samples
from logbook.trial.chemistry import ANALYTES, method_name

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.beds import Bed
    from logbook.analysis.series import Contrast
    from logbook.handbook import Handbook
    from logbook.trial.records import Soil

# Words of a texture that no mineral soil has; whole words, any case. Common practice, no source.
_SOILLESS = (
    "soilless", "soil-less", "peat", "coir", "bark", "perlite", "vermiculite", "substrate",
    "potting", "growing medium", "growing media", "compost", "mix", "organic soil",
    "organic-rich", "muck", "mulch",
)  # fmt: skip
# Organic soil material begins at 12 to 18 % organic C by its clay (Soil Survey Staff, Keys to Soil
# Taxonomy, from memory): 12 % x 1.724 is about 20 % organic matter.
_ORGANIC = 20.0
ONE_ROUND = 14  # days between the newest pulls of beds that are one round: blocks start apart


@dataclass(frozen=True)
class Ground:
    """What the tables need to know of a trial's soil.

    bulk_density in kg/L or None; no_class: why no table of mineral soil applies, "" where one does.
    """

    bulk_density: float | None
    no_class: str = ""


@dataclass(frozen=True)
class Standing:
    """One nutrient of the starting soil, the control or a treatment, and its level.

    first, last: the days of the pulls it is of, None for the starting soil; value: mean of beds,
    None where a result lies beyond a limit: then low and high are what the mean may be (None:
    open); beds: how many. amended: the bare comparison of an amended soil with the table.
    """

    analyte: str
    method: str
    basis: str
    lab: str
    unit: str
    first: date | None
    last: date | None
    value: float | None
    low: float | None
    high: float | None
    beds: int
    level: Level
    treatment: str = ""
    amended: bool = False


@dataclass(frozen=True)
class Drift:
    """How the control changed from each bed's first result to its newest, paired by bed.

    first, first_until: the days of the first ones; newest_from, newest: of the newest.
    """

    analyte: str
    method: str
    unit: str
    first: date
    first_until: date
    newest_from: date
    newest: date
    beds: int
    change: Contrast


@dataclass(frozen=True)
class Levels:
    """All that `levels` shows; crops: those whose salt threshold the control's EC is above."""

    trial: str
    texture: str
    ground: Ground
    start: tuple[Standing, ...]
    control: tuple[Standing, ...]
    drift: tuple[Drift, ...]
    amended: tuple[Standing, ...]
    crops: tuple[str, ...]
    notes: tuple[str, ...]
    with_amended: bool = False


_Pair = tuple[Sample, Reading]


@dataclass(frozen=True)
class _Asked:
    """What every part of the answer needs."""

    handbook: Handbook
    ground: Ground
    pairs: Sequence[_Pair]


def ground_of(store: sqlite3.Connection, trial: str) -> Ground:
    """The soil of a trial as the tables see it."""
    soil = _soil(store, trial)
    density = amounts.facts(store, trial).bulk_density
    start = [one.record for one in views.fetch(store, "soil-value", "trial = ?", (trial,))]
    organic = next((float(one.value) for one in start if one.analyte == "OM"), None)
    known = None if density is None else float(density)
    return Ground(known, soilless(soil.texture if soil else "", organic))


def soilless(texture: str, organic_matter: float | None) -> str:
    """Why a soil gets no class of a table of mineral soil, "" where it may.

    By the words of its texture and its starting organic matter in %: the protocol says no more.
    """
    words = " ".join(texture.casefold().split())
    if any(re.search(rf"(?<!no )(?<!without )\b{word}\b(?!-free)", words) for word in _SOILLESS):
        return f"{NO_CLASS['soil']}, and this one's texture is said to be {texture!r}"
    if organic_matter is not None and organic_matter > _ORGANIC:
        return (
            f"{NO_CLASS['soil']}, and this one has {organic_matter:g} % organic matter "
            f"(above {_ORGANIC:g} %)"
        )
    return ""


def levels_of(
    store: sqlite3.Connection, trial: str, handbook: Handbook, *, with_amended: bool = False
) -> Levels:
    """Where the starting soil, the control and, if asked, the amended beds stand.

    with_amended: compare the amended beds with the tables too, bare of any recommendation.
    """
    name = views.fetch(store, "trial", "id = ?", (trial,))[0].record.name
    soil = _soil(store, trial)
    asked = _Asked(handbook, ground_of(store, trial), _pairs(store, trial))
    control = [pair for pair in asked.pairs if pair[0].control]
    newest = tuple(_newest(asked, control, ""))
    after = [pair for pair in asked.pairs if not pair[0].control and _amended(pair[0])]
    treated = {sample.treatment for sample, _ in after}
    amended = [
        one
        for code in sorted(treated)
        for one in _newest(asked, [pair for pair in after if pair[0].treatment == code], code)
    ]
    return Levels(
        trial=name,
        texture=soil.texture if soil else "",
        ground=asked.ground,
        start=tuple(_start(store, trial, asked)),
        control=newest,
        drift=tuple(_drift(control)),
        amended=tuple(one if with_amended else _bare(one) for one in amended),
        crops=tuple(_crops(handbook, newest)),
        notes=tuple(flags.notes([one for _, one in control], flags.history(store, trial), False)),
        with_amended=with_amended,
    )


def _soil(store: sqlite3.Connection, trial: str) -> Soil | None:
    found = views.fetch(store, "soil", "trial = ?", (trial,))
    return found[0].record if found else None


def _pairs(store: sqlite3.Connection, trial: str) -> list[_Pair]:
    """The readings that count, with their samples: no repeats, nothing in dispute or left out."""
    pulled = samples(store, trial)
    by_code = {one.code: one for one in pulled}
    disputed = disputes.disputed(store, trial, amounts.facts(store, trial), pulled)
    found = flags.usable(readings(store, trial), flags.history(store, trial), False)
    return [
        (by_code[one.sample], one)
        for one in found
        if one.analyte != MINERAL_N
        and not by_code[one.sample].repeat
        and one.sample not in disputed
    ]


def _amended(sample: Sample) -> bool:
    """Whether anything was in the bed when it was pulled."""
    return sample.age is not None and sample.age >= 0 and "before" not in sample.names


def _kinds(pairs: Iterable[_Pair]) -> list[tuple[str, list[_Pair]]]:
    """The pairs by nutrient, method, basis, laboratory and unit, in the order of the nutrients."""
    kinds: dict[tuple[str, ...], list[_Pair]] = {}
    for sample, one in pairs:
        kinds.setdefault((one.analyte, *one.comparable), []).append((sample, one))
    order = {name: place for place, name in enumerate(ANALYTES)}
    return [(kind[0], kinds[kind]) for kind in sorted(kinds, key=lambda k: (order[k[0]], k))]


def _of_each(pairs: Sequence[_Pair], *, newest: bool) -> list[_Pair]:
    """The readings of every bed's newest (or first) sample."""
    pick = max if newest else min
    chosen: dict[str, Sample] = {}
    for sample, _ in pairs:
        chosen[sample.label] = pick(
            sample, chosen.get(sample.label, sample), key=lambda one: (one.day, one.code)
        )
    return [(sample, one) for sample, one in pairs if chosen[sample.label].code == sample.code]


def _lately(pairs: Sequence[_Pair]) -> list[_Pair]:
    """Every bed's newest readings, without beds that were last pulled long before the others."""
    found = _of_each(pairs, newest=True)
    last = max(sample.day for sample, _ in found)
    return [pair for pair in found if (last - pair[0].day).days <= ONE_ROUND]


def _beds(pairs: Iterable[_Pair], treated: bool = False) -> list[Bed]:
    from logbook.analysis.beds import Observation, beds_of

    return beds_of(
        [Observation(0.0, s.label, None, treated, r.value, r.low, r.high) for s, r in pairs]
    )


def _mean(beds: Sequence[Bed]) -> tuple[float | None, float | None, float | None]:
    """The mean over beds, or None with what it may be at least and at most."""
    from logbook.analysis.beds import mean

    low, high = mean([bed.low for bed in beds]), mean([bed.high for bed in beds])
    if not any(bed.censored for bed in beds):
        return low, None, None
    return None, None if low == float("-inf") else low, None if high == float("inf") else high


def _newest(asked: _Asked, pairs: Sequence[_Pair], treatment: str) -> Iterator[Standing]:
    """Every nutrient of the control ("") or a treatment, by each bed's newest result."""
    for analyte, of_kind in _kinds(pairs):
        group = _lately(of_kind)
        beds, one = _beds(group), group[0][1]
        days = [sample.day for sample, _ in group]
        found = Standing(
            analyte, one.method, one.basis, one.lab, one.unit, min(days), max(days),
            *_mean(beds), len(beds), Level(analyte, one.method, 0.0, one.unit),
            treatment, bool(treatment),
        )  # fmt: skip
        yield _levelled(asked, found, _ph(pairs, {sample.code for sample, _ in group}))


def _ph(pairs: Iterable[_Pair], codes: Collection[str]) -> float | None:
    """The mean pH in water of some samples, None where none has one."""
    group = [
        (sample, one)
        for sample, one in pairs
        if one.analyte == "pH" and in_water(one.method) and sample.code in codes
    ]
    return _mean(_beds(group))[0] if group else None


def in_water(method: str) -> bool:
    """Whether a pH is of soil in water, and not in a salt solution."""
    return method_name(method).casefold().startswith("water")


def why_no_class(handbook: Handbook, ground: Ground, analyte: str, method: str, basis: str) -> str:
    """Why a result gets no class although its nutrient and method have a table; else ""."""
    if handbook.table(analyte, method_name(method)) is None:
        return ""  # that there is no table says it all
    dry = ANALYTES[analyte].dimension != "content" or basis in ("", "dry")
    return ground.no_class or ("" if dry else NO_CLASS["basis"])


def _levelled(asked: _Asked, found: Standing, ph: float | None) -> Standing:
    """The standing with its level, or why it has none."""
    least = found.low or 0.0 if found.value is None else found.value
    what = (found.analyte, found.method)
    why = why_no_class(asked.handbook, asked.ground, *what, found.basis)
    if why:
        return replace(found, level=Level(*what, least, found.unit, reason=why))
    density = asked.ground.bulk_density
    if found.value is not None:
        level = level_of(
            asked.handbook, *what, found.value, found.unit, bulk_density=density, ph=ph
        )
    else:
        level = level_between(
            asked.handbook, *what, least, found.high, found.unit, bulk_density=density, ph=ph
        )
    return replace(found, level=level)


def _bare(one: Standing) -> Standing:
    """An amended soil without a class: what it holds today is no recommendation."""
    plain = Level(one.analyte, one.method, one.level.value, one.unit, reason=NO_CLASS["amended"])
    return replace(one, level=plain)


def _start(store: sqlite3.Connection, trial: str, asked: _Asked) -> Iterator[Standing]:
    """The starting values of the soil, in the order of the nutrients."""
    found = [one.record for one in views.fetch(store, "soil-value", "trial = ?", (trial,))]
    order = {name: place for place, name in enumerate(ANALYTES)}
    ph = next(
        (float(one.value) for one in found if one.analyte == "pH" and in_water(one.method)), None
    )
    for one in sorted(found, key=lambda value: order[value.analyte]):
        value = float(one.value)
        plain = Level(one.analyte, one.method, value, one.unit)
        yield _levelled(
            asked,
            Standing(
                one.analyte, one.method, "", "", one.unit, None, None, value, None, None, 0,
                plain,
            ),
            ph,
        )  # fmt: skip


def _drift(control: Sequence[_Pair]) -> Iterator[Drift]:
    """The control's change from each bed's first result to its newest, by nutrient and method."""
    for analyte, of_kind in _kinds(control):
        late = _lately(of_kind)
        first = _begun(of_kind)
        late = [(s, one) for s, one in late if first.get(s.label, s.day) < s.day]
        labels = {sample.label for sample, _ in late}
        early = [pair for pair in _of_each(of_kind, newest=False) if pair[0].label in labels]
        if not late:
            continue
        days = [[sample.day for sample, _ in group] for group in (early, late)]
        one = late[0][1]
        yield Drift(
            analyte, one.method, one.unit, min(days[0]), max(days[0]), min(days[1]), max(days[1]),
            len(labels), _change(early, late),
        )  # fmt: skip


def _begun(pairs: Sequence[_Pair]) -> dict[str, date]:
    """The day of each bed's first result, without beds that joined long after the others."""
    found = {sample.label: sample.day for sample, _ in _of_each(pairs, newest=False)}
    start = min(found.values())
    return {label: day for label, day in found.items() if (day - start).days <= ONE_ROUND}


def _change(early: Sequence[_Pair], late: Sequence[_Pair]) -> Contrast:
    """Newest less first, paired by bed: the beds are the blocks of a paired comparison."""
    from logbook.analysis.series import between_beds

    sides = [
        replace(bed, name=f"{bed.name} {bed.treated}", block=bed.name)
        for bed in (*_beds(early), *_beds(late, treated=True))
    ]
    found = between_beds(0.0, sides, None)
    if found.method == "one bed":
        return replace(found.against_control, reason="one control bed: no range")
    return found.against_control


def _crops(handbook: Handbook, control: Iterable[Standing]) -> Iterator[str]:
    """What the control's salt does to single crops, a sentence each; paste only."""
    from decimal import Decimal

    for one in control:
        if one.analyte != "EC" or method_name(one.method) != "saturated paste" or not one.value:
            continue
        conductivity = Decimal(f"{one.value:.6g}")
        for crop in handbook.crops:
            if conductivity > crop.threshold:
                yield (
                    f"{crop.name}: threshold {crop.threshold} dS/m, about "
                    f"{crop.yield_at(conductivity):.0f} % of its yield ({crop.source})"
                )
