"""Series: one nutrient of one treatment against its control, paired, compared and fitted.

Only results of the same method, basis, unit and laboratory are ever compared; a change of any
starts a series of its own. Treated and control beds are paired by block and by the planned pull
that each served. The soil's bed is the unit of replication.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import asking, views
from logbook.study import (
    amounts,
    disputes,
    flags,
    pairing,
    placing,
    queries,
    references,
    standing_out,
    struck,
)
from logbook.study.fitted import Fitted, points_of, with_fits
from logbook.study.samples import (
    MINERAL_N,
    PARTS,
    Comparable,
    Reading,
    Sample,
    parted,
    readings,
    samples,
)
from logbook.study.shipped import Split, split_pulls
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.fits import Fit, Refusal
    from logbook.analysis.series import Difference, Observation, Points

# Released, in the strict sense, is only what the extractant takes whole: see `Series.title`.
RELEASED = frozenset({"nitrate-N", "ammonium-N", MINERAL_N, "sulfate-S"})
NOT_RELEASED = frozenset({"pH", "EC", "CEC"})
NET_RELEASE = "net release against control"
# What is never called net: the soil that the amendment displaced is still in it.
UNCORRECTED = "difference from control (T - C)"
APART = "those results stand in a series of their own and are not compared with these"
BEFORE_DAY = -0.5  # a pull "before" on the day of application still lies before it


@dataclass(frozen=True)
class Row:
    """One planned pull of a series: its name, the days it fell on, and the difference.

    The days are None in a plain series, which has no calendar; `observations` are the results
    that the difference was made of, paired as they were; `planted` the beds among them that were
    sown before, so that it stands outside release fits; `notes` what a reader must know of its
    samples: days outside the window, controls pulled on another day, repeats that are not used.
    `limits`: what the notes of the series say of this pull's results, and of no other pull's.
    """

    name: str
    first: date | None
    last: date | None
    difference: Difference
    observations: tuple[Observation, ...] = ()
    planted: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()


@dataclass(frozen=True)
class Series:
    """One nutrient of one treatment against the control; `notes` say what limits it, `of_pulls`
    are those of them that are about the results of some pulls.

    `dilution` is f, the amendment's share of the dry mass (None: `notes` say what is missing);
    `fits` hold every curve and refusal, `fitted` the choice between them with its intervals;
    empty and None where nothing was or may be fitted.
    `uncounted`: the pulls of which no result counts, and what is said of those that it has.
    `flagged_left_out`: pulls made after a mishap on their bed were asked to be left out. `place`:
    the treatment's among all of its trial's, which a figure's signs go by.
    """

    trial: str
    analyte: str
    unit: str
    method: str
    basis: str
    lab: str
    treatment: str
    treatment_name: str
    dilution: float | None
    rows: tuple[Row, ...]
    points: Points
    fits: tuple[Fit | Refusal, ...]
    notes: tuple[str, ...]
    flagged_left_out: bool = False
    fitted: Fitted | None = None
    place: int | None = None
    of_pulls: tuple[str, ...] = ()
    uncounted: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def plain(self) -> bool:
        """True for net values from a plain file: no nutrient, no beds, no control."""
        return not self.analyte and not any(row.observations for row in self.rows)

    @property
    def fittable(self) -> bool:
        """True where there are points, of something that an amendment may release."""
        return bool(self.points.days) and self.analyte not in NOT_RELEASED

    @property
    def descriptive(self) -> bool:
        """True where a fitted shape describes an extractant's answer, not a release."""
        return bool(self.analyte) and self.analyte not in RELEASED

    @property
    def corrected(self) -> bool:
        """Whether its differences are corrected for dilution: only such a difference is net."""
        if not self.rows:
            return self.dilution is not None
        return any(row.difference.from_amendment is not None for row in self.rows)

    @property
    def net(self) -> bool:
        """True where its differences are net: corrected for dilution, or given as net values."""
        return self.corrected or self.plain

    @property
    def title(self) -> str:
        """What the curve is: release only where the extractant takes all that is released."""
        if not self.analyte:
            return f"{'net release' if self.net else UNCORRECTED}, from {self.trial}"
        what = ANALYTES[self.analyte].title
        if self.analyte in RELEASED:
            return f"{self.analyte} ({what}), {NET_RELEASE if self.net else UNCORRECTED}"
        if self.analyte in NOT_RELEASED:
            return f"{self.analyte}, difference from control"
        return f"change in extractable {self.analyte} ({self.method}) against control"


@dataclass(frozen=True)
class _Ground:
    """What every series of a trial shares, read once."""

    name: str
    assigned: str
    known: amounts.Facts
    pulled: tuple[Sample, ...]
    readings: tuple[Reading, ...]
    history: flags.History
    disputed: Mapping[str, tuple[str, ...]]
    struck: tuple[struck.Struck, ...]
    alike: tuple[frozenset[str], ...]
    split: tuple[Split, ...]
    batches: Mapping[tuple[str, str, str, str], list[str]]
    without_flagged: bool


def series_of(
    store: sqlite3.Connection,
    trial: str,
    analyte: str | None = None,
    treatment: str | None = None,
    *,
    fitted: bool = True,
    without_flagged: bool = False,
) -> list[Series]:
    """The series of a trial, of one analyte and treatment code or of all, by both names.

    fitted: whether curves are fitted, which takes most of the time. without_flagged: leave out
    what was pulled after a mishap on its bed.

    Raises UserMistake for a treatment that is the control or does not exist.
    """
    ground = _ground(store, trial, analyte, without_flagged)
    codes = _treatments(ground.known, treatment)
    names = sorted({one.analyte for one in ground.readings}, key=_analyte_order)
    found = [one for name in names for ident in codes for one in _of_treatment(ground, name, ident)]
    return with_fits(store, trial, found) if fitted else found


def of_treatment(
    store: sqlite3.Connection, trial: str, found: Iterable[Series], treatment: str | None
) -> list[Series]:
    """Of a trial's series those of one treatment, by its code; None: all.

    Raises UserMistake for a treatment that is the control or does not exist.
    """
    if treatment is None:
        return list(found)
    known = amounts.facts(store, trial)
    codes = {known.treatments[ident].code for ident in _treatments(known, treatment)}
    return [one for one in found if one.treatment in codes]


def _analyte_order(name: str) -> tuple[bool, int]:
    """Mineral-N first, then the order of the analyte table."""
    return (name != MINERAL_N, list(ANALYTES).index(name))


def _ground(
    store: sqlite3.Connection, trial: str, analyte: str | None, without_flagged: bool
) -> _Ground:
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    known, pulled = amounts.facts(store, trial), tuple(samples(store, trial))
    return _Ground(
        name=record.name,
        assigned=record.assigned,
        known=known,
        pulled=pulled,
        readings=tuple(readings(store, trial, analyte)),
        history=flags.history(store, trial),
        disputed=disputes.disputed(store, trial, known, pulled),
        struck=tuple(struck.struck(store, trial)),
        alike=tuple(
            frozenset((first, second))
            for first, second, _ in asking.possible_duplicates(store, trial)
        ),
        split=tuple(split_pulls(store, trial, pulled)),
        batches=references.batches_out(store),
        without_flagged=without_flagged,
    )


def _treatments(known: amounts.Facts, code: str | None) -> list[str]:
    """Ids of the treatments asked for, by code; the control is what they are compared with."""
    treated = {one.code: ident for ident, one in known.treatments.items() if not one.control}
    if code is None:
        return [treated[one] for one in sorted(treated)]
    fitting = [ident for one, ident in treated.items() if one.casefold() == code.casefold()]
    if not fitting:
        raise UserMistake(
            f"there is no treatment {code!r} to compare with the control",
            f"use one of: {', '.join(sorted(treated))}",
        )
    return fitting


def _of_treatment(ground: _Ground, analyte: str, treatment: str) -> Iterator[Series]:
    """The series of one analyte and treatment: one for each comparable set of readings."""
    code = ground.known.treatments[treatment].code
    pulled = {one.code: one for one in ground.pulled}
    mine = [
        one
        for one in ground.readings
        if one.analyte == analyte
        and (pulled[one.sample].control or pulled[one.sample].treatment == code)
    ]
    sets = sorted({one.comparable for one in mine if not pulled[one.sample].control})
    for comparable in sets:
        of_set = [one for one in mine if one.comparable == comparable]
        others = {one.comparable for one in mine} - {comparable}
        yield _series(ground, analyte, treatment, of_set, others)


def _series(
    ground: _Ground,
    analyte: str,
    treatment: str,
    found: Sequence[Reading],
    others: Collection[Comparable],
) -> Series:
    record = ground.known.treatments[treatment]
    concerned = _concerned(ground, treatment, found)
    about = [one for one in found if one.sample in concerned]
    repeats = _repeats(ground, about)
    pairs = _usable(ground, found)
    fraction = _dilution(ground, treatment)
    thinned = analyte not in NOT_RELEASED
    saying = _Saying(ground, treatment, analyte, concerned)
    limits = dict(saying.by_pull(about))
    rows = [
        replace(row, limits=limits.get(name, ()))
        for name, group in pairing.by_pull(pairs)
        for row in _rows(ground, name, group, fraction, thinned, repeats.get(name, ()))
    ]
    rows.sort(key=lambda row: (row.difference.day, row.name))
    rows = standing_out.noted(rows, analyte, found[0].unit)
    points = points_of(rows)
    of_pulls = tuple(dict.fromkeys(saying.of(about)))
    one = found[0]
    return Series(
        trial=ground.name,
        analyte=analyte,
        unit=one.unit,
        method=one.method,
        basis=one.basis,
        lab=one.lab,
        treatment=record.code,
        treatment_name=record.name,
        place=_treatments(ground.known, None).index(treatment),
        dilution=fraction,
        rows=tuple(rows),
        points=points,
        fits=(),
        notes=tuple(
            dict.fromkeys(
                (
                    *_notes(ground, treatment, about, fraction, thinned, others),
                    *of_pulls,
                    *(note for row in rows for note in row.notes),
                    *(note for some in repeats.values() for note in some),
                    *points.left_out,
                )
            )
        ),
        flagged_left_out=ground.without_flagged,
        of_pulls=of_pulls,
        uncounted={name: limits[name] for name in limits.keys() - {row.name for row in rows}},
    )


def _concerned(ground: _Ground, treatment: str, found: Iterable[Reading]) -> frozenset[str]:
    """The samples that notes on a comparison may be about: those it pairs, or would pair.

    By what was pulled, and by what has results: where a control's nearest pull has none, another
    takes its place.
    """
    code = ground.known.treatments[treatment].code
    mine = [one for one in ground.pulled if one.control or one.treatment == code]
    measured = {one.sample for one in found}
    return pairing.concerned(mine) | pairing.concerned(one for one in mine if one.code in measured)


def _usable(ground: _Ground, found: Iterable[Reading]) -> list[pairing.Pair]:
    """The readings that count, with their samples: no repeats, nothing in dispute or after leaving.

    That a second pull was made says nothing of which is right: the first counts.
    """
    pulled = {one.code: one for one in ground.pulled}
    return [
        (pulled[one.sample], one)
        for one in flags.usable(found, ground.history, ground.without_flagged)
        if not pulled[one.sample].repeat and one.sample not in ground.disputed
    ]


def _repeats(ground: _Ground, found: Iterable[Reading]) -> dict[str, list[str]]:
    """Notes on the repeats among these readings, by the name of their pull."""
    codes = {one.sample for one in found}
    again = [one for one in ground.pulled if one.repeat and one.code in codes]
    return pairing.repeats(again, ground.alike)


def _rows(
    ground: _Ground,
    name: str,
    group: Sequence[tuple[Sample, Reading]],
    fraction: float | None,
    thinned: bool,
    repeats: Sequence[str],
) -> list[Row]:
    """The difference on one planned pull (one for each age that its beds are compared at)."""
    from logbook.analysis import series as analysis
    from logbook.analysis.series import Observation

    group, late = pairing.on_day_0(name, group)
    # Over beds: one that has more results than another weighs no more.
    ages = {s.label: s.age for s, _ in group if not s.control and s.age is not None}
    age = sum(ages.values()) / len(ages) if ages else BEFORE_DAY
    if name == "before":
        age = min(age, BEFORE_DAY)
    observations = tuple(
        Observation(age, s.label, s.block or None, not s.control, r.value, r.low, r.high)
        for s, r in group
    )
    # Before application there is no amendment in the bed yet that could thin the soil.
    share = 0.0 if age < 0 and fraction is not None else fraction
    days = [sample.day for sample, _ in group]
    planted = flags.planted((sample.code for sample, _ in group), ground.history)
    notes = (*late, *pairing.day_notes(name, list(dict.fromkeys(s for s, _ in group))), *repeats)
    return [
        Row(name, min(days), max(days), one, observations, planted, notes)
        for one in analysis.differences(observations, share if thinned else None)
    ]


def _dilution(ground: _Ground, treatment: str) -> float | None:
    """f of a treatment: the mean over its beds, None while something is not known."""
    shares = [
        amounts.dry_fraction(ground.known, bed)
        for bed, record in ground.known.beds.items()
        if record.treatment == treatment
    ]
    known = [float(share) for share in shares if share is not None]
    return sum(known) / len(known) if known and len(known) == len(shares) else None


def _notes(
    ground: _Ground,
    treatment: str,
    found: Sequence[Reading],
    fraction: float | None,
    thinned: bool,
    others: Collection[Comparable],
) -> Iterator[str]:
    """What limits a whole series, a sentence each; found: its results of the samples concerned."""
    placed = placing.by_hand(ground.known, ground.assigned, treatment)
    if placed:
        yield placed
    if fraction is None and thinned:
        missing = amounts.missing_for_dilution(ground.known, treatment)
        unknown = missing or ["the amount in every bed"]
        said = f"{' and '.join(unknown)} {'is' if len(unknown) == 1 else 'are'} not known yet"
        how = " and ".join(amounts.given_by(ground.known, treatment))
        yield (
            f"the dilution-corrected difference cannot be given: {said}{f' ({how})' if how else ''}"
        )
    if others:
        what = _otherwise(found[0].comparable, others)
        yield f"{' and '.join(what)} {'was' if len(what) == 1 else 'were'} used too: {APART}"
    controls = {ident for ident, one in ground.known.treatments.items() if one.control}
    yield from flags.flush(treatment, ground.known.beds, controls, ground.history)


class _Saying:
    """What is to be said of results of a series: of all that it has, or pull by pull.

    concerned: the samples that the series pairs, or would pair.
    """

    def __init__(
        self, ground: _Ground, treatment: str, analyte: str, concerned: frozenset[str]
    ) -> None:
        self.ground, self.analyte = ground, analyte
        self.code = ground.known.treatments[treatment].code
        self.labels = {one.code: one.label for one in ground.pulled}
        self.beds = [bed.label for bed in placing.compared(ground.known, treatment).values()]
        self.elsewhere = self.labels.keys() - concerned
        parts = PARTS if analyte == MINERAL_N else (analyte,)
        self.struck = [one for one in ground.struck if one.analyte in parts]
        self.split = [
            one
            for one in ground.split
            if self.code in one.treatments and not one.analytes.isdisjoint(parts)
        ]

    def of(self, found: Sequence[Reading]) -> Iterator[str]:
        """Of all results of the series."""
        yield from self._of(found, self.struck, self.split)
        yield from flags.notes(found, self.ground.history, self.ground.without_flagged)

    def by_pull(self, found: Sequence[Reading]) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Of the results of each pull, by its name; of an event before it as of all of them."""
        pulled = {one.code: one for one in self.ground.pulled}
        told = set(flags.notes(found, self.ground.history, self.ground.without_flagged))
        for name, group in pairing.by_pull([(pulled[one.sample], one) for one in found]):
            codes = {sample.code for sample, _ in group}
            # A struck result leaves a sample without a reading; it goes by what its pull served.
            struck_here = [
                one
                for one in self.struck
                if one.pull in codes or (one.pull in pulled and name in _names(pulled[one.pull]))
            ]
            split = [one for one in self.split if name in one.name.split(" and ")]
            events = tuple(one for one in self.ground.history.events if one.later & codes)
            history = replace(self.ground.history, events=events)
            happened = flags.notes(found, history, self.ground.without_flagged)
            said = self._of([one for _, one in group], struck_here, split)
            yield name, (*said, *(one for one in happened if one in told))

    def _of(
        self,
        found: Sequence[Reading],
        gone: Iterable[struck.Struck],
        split: Iterable[Split],
    ) -> Iterator[str]:
        ground = self.ground
        disputed = sorted({one.sample for one in found if one.conflict})
        if disputed:
            yield f"machines disagree on {', '.join(disputed)}: left out until settled"
        yield from disputes.sentences(ground.disputed, (one.sample for one in found))
        yield from struck.sentences(gone, self.analyte, self.beds, self.elsewhere)
        yield from struck.noted(found)
        yield from queries.sentences(found, self.labels)
        yield from _out_of_control(ground, found)
        yield from (one.sentence for one in split)
        yield from pairing.halved(found, ground.pulled)


def _names(sample: Sample) -> frozenset[str]:
    """All that a sample's pull goes by."""
    return sample.pulls or frozenset((pairing.name_of(sample),))


def _otherwise(mine: Comparable, others: Iterable[Comparable]) -> list[str]:
    """In what other results of the nutrient differ from these: `another laboratory`."""
    names = ("method", "part", "basis", "laboratory", "unit")
    own = (*parted(mine[0]), *mine[1:])
    differ: dict[str, set[str]] = {}
    for method, *rest in others:
        for name, its, other in zip(names, own, (*parted(method), *rest), strict=True):
            if its != other:
                differ.setdefault(name, set()).add(other)
    kept = f" ({', '.join(sorted(differ.get('part', ())))})"
    return [f"another {name}{kept * (name == 'part')}" for name in names if name in differ]


def _out_of_control(ground: _Ground, found: Sequence[Reading]) -> Iterator[str]:
    """What reference materials say of the batches that these results came in."""
    parts = PARTS if found[0].analyte == MINERAL_N else (found[0].analyte,)
    reports = {(one.lab, report) for one in found for report in one.reports}
    for (lab, report, analyte, method), several in ground.batches.items():
        # A sum's method is that of both its parts; how a part was kept stands behind the method.
        same = any(method in one.method for one in found)
        if analyte in parts and same and (lab, report) in reports:
            yield from (f"report {report}, {analyte}: {one}" for one in several)
