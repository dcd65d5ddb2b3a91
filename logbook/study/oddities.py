"""Results that do not go with the other pulls of their bed, or the other beds of their pull.

What merely stands out is said on its curve and kept (`standing_out`): asked about is only what a
slip explains - a decimal point, a unit, a chemical form, two bags exchanged - and a pH that soils
do not reach from one pull to the next.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

from logbook.study import pairing
from logbook.study.samples import Reading, Sample
from logbook.trial import plausible
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    from logbook.analysis.series import Observation

_RAW = frozenset({"pH"})
_BEFORE = -0.5  # a pull before application, on whatever day
_FEWEST_BEDS = 3  # that shift together, before a whole report is asked about
# How near to a slip, on its logarithm to base 10, each control of a shifted report lies; a treated
# bed may lie higher. Common practice, no source.
_BED_SLACK = 0.2
# Beds alike differ by no more than this factor, or they say nothing of a third. As in `outliers`.
_AGREE = 3.0
Odd = tuple[Reading, str, str]


def odd(analyte: str, pairs: Sequence[tuple[Sample, Reading]]) -> Iterator[Odd]:
    """Readings of one comparable set to ask about: each with its kind of question and a sentence.

    pairs: readings that count, of one nutrient, with their samples.
    """
    places = _places(pairs)
    last = _before(places)
    reviewed = list(_reviewed(analyte, pairs))
    # An exchange explains both numbers: no slip has to.
    exchanged = {one.sample for one, kind, _ in reviewed if kind == "exchange"}
    slips = [*_by_neighbours(analyte, places, last), *_shifted(analyte, places), *reviewed]
    for one, kind, what in slips:
        if kind == "exchange" or one.sample not in exchanged:
            yield one, kind, what


@dataclass(frozen=True)
class _Place:
    """One result of a bed on one pull, as it is judged: the mean of its repeats."""

    label: str
    treatment: str
    control: bool
    name: str
    age: float
    value: float
    reading: Reading


def _places(pairs: Iterable[tuple[Sample, Reading]]) -> list[_Place]:
    """The numbers by bed and pull, in order of age; repeats of one analysis as their mean."""
    groups: dict[tuple[str, str], list[tuple[Sample, Reading]]] = {}
    for sample, one in pairs:
        if one.value is not None and sample.treatment:
            groups.setdefault((sample.label, pairing.name_of(sample)), []).append((sample, one))
    found = []
    for (label, name), several in groups.items():
        sample, first = several[0]
        age = float(sample.age) if sample.age is not None else _BEFORE
        age = min(age, _BEFORE) if name == "before" else age
        value = sum(one.value or 0.0 for _, one in several) / len(several)
        found.append(_Place(label, sample.treatment, sample.control, name, age, value, first))
    return sorted(found, key=lambda one: (one.age, one.label))


def _before(places: Iterable[_Place]) -> dict[tuple[str, str], _Place]:
    """The pull before each pull of a bed, by label and name."""
    newest: dict[str, _Place] = {}
    found = {}
    for one in places:
        earlier = newest.get(one.label)
        if earlier is not None and earlier.age < one.age:
            found[one.label, one.name] = earlier
        newest[one.label] = one
    return found


def _by_neighbours(
    analyte: str, places: Iterable[_Place], before: Mapping[tuple[str, str], _Place]
) -> Iterator[Odd]:
    """Results that are a slip away from both the bed's last pull and the beds like it.

    Without a last pull, two beds like it must be there: before application all beds are alike.
    """
    groups: dict[tuple[str, str], list[_Place]] = {}
    for one in places:
        groups.setdefault((one.name, one.treatment if one.age >= 0 else ""), []).append(one)
    for group in groups.values():
        values = sorted(one.value for one in group)
        for one in group:
            last = before.get((one.label, one.name))
            usual = _usual(analyte, values, one.value) if len(group) >= (2 if last else 3) else None
            if usual is None:
                continue
            slip = _slip(analyte, one.value, usual)
            if slip is None or (last and slip != _slip(analyte, one.value, last.value)):
                continue
            beside = f"{_beside(analyte, one.value, usual)} the beds like it ({usual:.4g})"
            if last:
                beside += f" and {_beside(analyte, one.value, last.value)} its last"
                beside += f" ({last.value:.4g})"
            what = f"{_shown(analyte, one.value)} is {beside}: {slip.words}"
            yield one.reading, slip.kind, what


def _beside(analyte: str, value: float, other: float) -> str:
    if analyte in _RAW:
        return f"{abs(value - other):.3g} {'above' if value > other else 'below'}"
    return f"{value / other:.3g} times"


def _usual(analyte: str, ordered: Sequence[float], value: float) -> float | None:
    """What the others of these sorted values say, by their median; None where they disagree.

    One that is far off itself must not say what is usual: of the two in the middle nobody knows
    which is right.
    """
    low, high = _middle_without(ordered, value)
    if high - low > plausible.PH_JUMP if analyte in _RAW else high > _AGREE * low:
        return None
    return (low + high) / 2


def _middle_without(ordered: Sequence[float], value: float) -> tuple[float, float]:
    """The two in the middle of sorted values (or the one, twice) without this one of them."""
    at, count = bisect_left(ordered, value), len(ordered) - 1
    low, high = (ordered[place + (place >= at)] for place in ((count - 1) // 2, count // 2))
    return low, high


def _slip(analyte: str, value: float, usual: float) -> plausible.Slip | None:
    if analyte in _RAW:
        return plausible.jump(value - usual)
    return plausible.slip(analyte, value / usual) if usual > 0 else None


def _shown(analyte: str, value: float) -> str:
    unit = ANALYTES[analyte].unit
    return f"{analyte} {value:.4g}" + ("" if unit == analyte else f" {unit}")


def _shifted(analyte: str, places: Iterable[_Place]) -> Iterator[Odd]:
    """Pulls whose control beds, and treated ones too, are a unit or a form away from the last.

    A pull that is back where its beds were before such a pull is not asked about again.
    """
    pulls: dict[str, list[_Place]] = {}
    for one in places:
        pulls.setdefault(one.name, []).append(one)
    last: dict[str, _Place] = {}
    sound: dict[str, _Place] = {}
    for name, beds in pulls.items():
        shift = _shift(analyte, _jumps(beds, last))
        if shift and _shift(analyte, _jumps(beds, sound)):
            slip, middle = shift
            for one, jump in _jumps(beds, last):
                what = (
                    f"{_shown(analyte, one.value)} is {jump:.3g} times the bed's last; the control "
                    f"beds of {name} moved alike, by {middle:.3g}: {slip.words}"
                )
                yield one.reading, slip.kind, what
        now = {one.label: one for one in beds}
        last |= now
        sound |= {} if shift else now


def _jumps(beds: Sequence[_Place], before: Mapping[str, _Place]) -> list[tuple[_Place, float]]:
    """By what each bed of a pull moved; none where too few have an earlier pull."""
    jumps = [
        (one, one.value / last.value)
        for one in beds
        if (last := before.get(one.label)) and last.age < one.age and last.value > 0
    ]
    return jumps if len(jumps) >= max(_FEWEST_BEDS, len(beds) - 1) else []


def _shift(
    analyte: str, jumps: Sequence[tuple[_Place, float]]
) -> tuple[plausible.Slip, float] | None:
    """The slip by which the controls moved, and by how much: a treated bed rises of its own."""
    controls = [jump for one, jump in jumps if one.control]
    middle = median(controls) if controls else 0.0
    slip = plausible.slip_of_report(analyte, middle)
    if slip is None:
        return None
    low, high = (slip.factor * 10 ** (side * _BED_SLACK) for side in (-1, 1))
    there = all(low <= jump and (jump <= high or not one.control) for one, jump in jumps)
    return (slip, middle) if there else None


def _reviewed(analyte: str, pairs: Sequence[tuple[Sample, Reading]]) -> Iterator[Odd]:
    """Slips and exchanges among the results of each treatment and its controls; see `outliers`.

    What merely stands out is said on its curve and kept.
    """
    from logbook.analysis import outliers

    treated = sorted({one.treatment for one, _ in pairs if not one.control and one.treatment})
    for code in treated:
        own = [pair for pair in pairs if pair[0].control or pair[0].treatment == code]
        observed = list(_observed(own))
        sides = {one.treated for one, _ in observed}
        if len({one.day for one, _ in observed}) < outliers.FEWEST or len(sides) < 2:
            continue
        readings_at = {(one.day, one.bed): reading for one, reading in observed}
        review = outliers.review(
            [one for one, _ in observed], scale="raw" if analyte in _RAW else "log"
        )
        for flag in review.flags:
            slip = _slip(analyte, flag.value, flag.expected)
            if slip is None and not flag.partner:
                continue
            kind = "exchange" if flag.partner or slip is None else slip.kind
            asked = slip is not None and not flag.partner and "point" not in flag.why
            words = f": {slip.words}" if asked and slip is not None else ""
            what = f"{_shown(analyte, flag.value)}: {flag.why}{words}"
            yield readings_at[flag.day, flag.bed], kind, what


def _observed(
    pairs: Sequence[tuple[Sample, Reading]],
) -> Iterator[tuple[Observation, Reading]]:
    """Results as they are reviewed, pull by pull: one day for all the beds of a pull."""
    from logbook.analysis.series import Observation

    for name, group in pairing.by_pull(pairs):
        ages = [one.age for one, _ in group if not one.control and one.age is not None]
        age = sum(ages) / len(ages) if ages else _BEFORE
        age = min(age, _BEFORE) if name == "before" else age
        for one, reading in group:
            block = one.block or None
            yield (
                Observation(
                    age, one.label, block, not one.control, reading.value, reading.low, reading.high
                ),
                reading,
            )
