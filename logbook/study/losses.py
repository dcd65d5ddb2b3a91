"""What left the beds by another way than the extractant sees: drained, denitrified, into the air.

A net difference is what losses leave of a release: with a loss on a treated bed it says "at least"
and not "so much". Nitrate goes with water that drains; where water fills more than four fifths of
the pores, nitrate may go into the air (denitrification); ammonia that is smelt is nitrogen too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from logbook.errors import UserMistake
from logbook.store import views
from logbook.study import amounts, parts
from logbook.study.samples import MINERAL_N
from logbook.trial import water
from logbook.trial.ranges import compact
from logbook.trial.records import AMMONIA, Bed
from logbook.trial.times import spoken_day
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.series import Series

Kind = Literal["drained", "wet", "ammonia"]

#: Share of the pores from which on denitrification must be reckoned with. From memory, no source
#: confirmed; Linn & Doran 1984, Soil Sci. Soc. Am. J. 48:1267-1272, put the peak of aerobic
#: activity at 60 %.
WET = Decimal("0.8")
_DRAINED = ("drained", "flooded")
TIED_UP = "tied up"
CANNOT_TELL = "tied up, lost or not yet nitrified: this trial cannot tell"
AT_LEAST = "at least"
EITHER_WAY = "may be too high or too low"


@dataclass(frozen=True)
class Loss:
    """One way in which a bed lost nitrogen: on `day` after its application, seen until `last`."""

    kind: Kind
    bed: str
    control: bool
    day: int
    last: int
    sentence: str


@dataclass(frozen=True)
class Losses:
    """What a treatment's beds and the controls lost, and what cannot be judged, in sentences."""

    drained: tuple[Loss, ...] = ()
    wet: tuple[Loss, ...] = ()
    ammonia: tuple[Loss, ...] = ()
    cannot_judge: tuple[str, ...] = ()

    @property
    def every(self) -> tuple[Loss, ...]:
        """All losses, in order of day and bed."""
        return tuple(
            sorted((*self.drained, *self.wet, *self.ammonia), key=lambda one: (one.day, one.bed))
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Each loss in words, then what cannot be judged."""
        return (*(one.sentence for one in self.every), *self.cannot_judge)

    def by(self, day: float) -> Losses:
        """Only what had begun by a day after application."""
        kinds = (self.drained, self.wet, self.ammonia)
        kept = [tuple(one for one in some if one.day <= day) for some in kinds]
        return replace(self, drained=kept[0], wet=kept[1], ammonia=kept[2])

    def touching(self, nutrient: str) -> Losses:
        """Only what takes this nutrient: wetness and ammonia take nitrogen alone."""
        if nutrient in (MINERAL_N, "nitrate-N"):
            return self
        if nutrient == "ammonium-N":
            return replace(self, drained=(), wet=())
        return replace(self, wet=(), ammonia=(), cannot_judge=())


def bound(found: Losses, nutrient: str, day: float) -> tuple[str, tuple[str, ...]]:
    """What a net difference of that day is worth: the prefix, and the sentences it rests on.

    "at least" where treated beds alone lost some; EITHER_WAY where a control did, since a control
    that lost nitrate makes the treated beds look richer; "" where nothing was seen.
    """
    mine = found.touching(nutrient).by(day).every
    if not mine:
        return "", ()
    word = EITHER_WAY if any(one.control for one in mine) else AT_LEAST
    return word, tuple(one.sentence for one in mine)


def met_by(found: Losses, series: Series) -> Losses:
    """The losses that a series holds: with flagged pulls left out, none of beds that drained."""
    return replace(found, drained=()) if series.flagged_left_out else found


def why_below(found: Losses, nutrient: str, day: float) -> tuple[str, tuple[str, ...]]:
    """How to say that mineral N was below the control by a day, and why not plainer.

    "tied up" needs ammonium measured (the sum mineral-N) and no loss seen on a treated bed.
    """
    if nutrient != MINERAL_N:
        return CANNOT_TELL, ("ammonium was not measured with it",)
    mine = [one for one in found.by(day).every if not one.control]
    if mine:
        return CANNOT_TELL, tuple(one.sentence for one in mine)
    return TIED_UP, found.cannot_judge


def losses(store: sqlite3.Connection, trial: str, treatment: str) -> Losses:
    """What the beds of a treatment (its code) and the controls were seen to lose."""
    controls, beds = _beds(store, trial, treatment)
    day0 = views.first_days(store, "apply", trial)
    applied = {bed: day0[bed] for bed in beds if bed in day0}
    events = _events(store, trial, beds, controls, applied)
    wet, dark = _wetness(store, trial, beds, controls, applied)
    return Losses(
        drained=tuple(one for one in events if one.kind == "drained"),
        wet=wet,
        ammonia=tuple(one for one in events if one.kind == "ammonia"),
        cannot_judge=dark,
    )


def _beds(
    store: sqlite3.Connection, trial: str, treatment: str
) -> tuple[frozenset[str], dict[str, Bed]]:
    """The treatment's beds and the controls of its blocks, in bench order; the controls' ids."""
    found = views.fetch(store, "bed", "trial = ?", (trial,))
    refs = {bed.id: bed for bed in views.bed_refs(store, trial)}
    records = {one.id: one.record for one in found if one.id in refs}
    mine = {one for one in records if refs[one].treatment_code == treatment}
    blocks = {records[one].block for one in mine}
    controls = {one for one in records if refs[one].control and records[one].block in blocks}
    ordered = sorted(mine | controls, key=lambda one: records[one].place)
    return frozenset(controls), {one: records[one] for one in ordered}


def _events(
    store: sqlite3.Connection,
    trial: str,
    beds: Mapping[str, Bed],
    controls: frozenset[str],
    applied: Mapping[str, date],
) -> list[Loss]:
    """Losses that somebody wrote down, from application on."""
    found = []
    for one in views.fetch(store, "event", views.OF_TRIAL, (trial,)):
        event = one.record
        if event.bed not in applied or event.what not in (*_DRAINED, AMMONIA):
            continue
        day = (event.when.day - applied[event.bed]).days
        if day < 0:
            continue
        label = beds[event.bed].label
        on = f"on {spoken_day(event.when.day)} (day {day})"
        kind: Kind = "ammonia" if event.what == AMMONIA else "drained"
        words = {
            "ammonia": f"ammonia was smelt on {label} {on}",
            "drained": f"{label} {event.what} {on}: nitrate goes with the water",
        }
        found.append(Loss(kind, label, event.bed in controls, day, day, words[kind]))
    return sorted(found, key=lambda one: (one.day, one.bed))


def _wetness(
    store: sqlite3.Connection,
    trial: str,
    beds: Mapping[str, Bed],
    controls: frozenset[str],
    applied: Mapping[str, date],
) -> tuple[tuple[Loss, ...], tuple[str, ...]]:
    """Beds that stood wet, and the sentences on what cannot be judged."""
    densities = _densities(store, trial, beds)
    moistures = _moistures(store, trial, applied)
    found = []
    dry, undense = [], []
    for bed in applied:
        label = beds[bed].label
        if not moistures.get(bed):
            dry.append(label)
        elif bed not in densities:
            undense.append(label)
        else:
            wet = _filled(moistures[bed], densities[bed][0])
            if wet:
                sentence = _wet_sentence(label, wet, *densities[bed])
                days = [day for day, _ in wet]
                found.append(Loss("wet", label, bed in controls, days[0], days[-1], sentence))
    return tuple(found), tuple(_dark(dry, undense))


def _filled(
    moistures: Iterable[tuple[int, Decimal]], density: Decimal
) -> list[tuple[int, Decimal]]:
    """The days on which water filled more than WET of the pores, with the share."""
    found = []
    for day, theta in sorted(moistures):
        try:
            share = water.pore_space_filled(theta, density)
        except UserMistake:
            continue
        if share > WET:
            found.append((day, share))
    return found


def _wet_sentence(
    label: str, wet: Sequence[tuple[int, Decimal]], density: Decimal, whose: str
) -> str:
    shares = ", ".join(f"{round(share * 100)} % on day {day}" for day, share in wet)
    return (
        f"{label} stood wet: water filled {shares} of the pores (bulk density "
        f"{short(round(density, 2))} kg/L, {whose}; grains {water.QUARTZ} kg/L)"
    )


def _dark(dry: Sequence[str], undense: Sequence[str]) -> Iterator[str]:
    if dry:
        yield f"how wet {compact(dry)} stood cannot be judged: no moisture was measured"
    if undense:
        yield f"how wet {compact(undense)} stood cannot be judged: the bulk density is not known"


def _densities(
    store: sqlite3.Connection, trial: str, beds: Mapping[str, Bed]
) -> dict[str, tuple[Decimal, str]]:
    """The bulk density of each bed and whose it is: its own, its treatment's, the soil's."""
    known, measured = amounts.facts(store, trial), amounts.measured_densities(store, trial)
    found = {}
    for bed, record in beds.items():
        its = amounts.bulk_density(known, measured, record.treatment)
        if bed in measured:
            found[bed] = (measured[bed], "measured there")
        elif its is not None:
            found[bed] = its
    return found


def _moistures(
    store: sqlite3.Connection, trial: str, applied: Mapping[str, date]
) -> dict[str, list[tuple[int, Decimal]]]:
    """Water per dry mass by bed, from application on: tins, and readings on the spot."""
    pulls = {one.id: one.record for one in views.fetch(store, "pull", views.OF_TRIAL, (trial,))}
    read: list[tuple[str, date, Decimal]] = []
    for tin in parts.tins(store, trial):
        pull, theta = pulls.get(tin.part.pull), tin.moisture
        if pull is not None and theta is not None:
            read += [(bed, pull.when.day, theta) for bed in (pull.bed, *pull.also)]
    for one in views.fetch(store, "measure", "what = ?", ("moisture",)):
        if not one.conflict:
            read.append((one.record.about, one.record.when.day, one.record.value / 100))
    found: dict[str, list[tuple[int, Decimal]]] = {}
    for bed, day, theta in read:
        if bed in applied and day >= applied[bed]:
            found.setdefault(bed, []).append(((day - applied[bed]).days, theta))
    return found
