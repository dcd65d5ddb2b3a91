"""Which samples are compared with each other: by planned pull, then within their blocks.

The first pull counts: a repeat is kept in the book and used in no curve until the first is struck.
The schedule asks for a control's pull because of its block's treated beds; whatever day it was
made on, it is compared with those, and days that lie far apart are said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING, TypeVar

from logbook.trial.ranges import compact
from logbook.trial.schedule import follows

if TYPE_CHECKING:
    from logbook.study.samples import Reading, Sample
    from logbook.trial.schedule import Obligation

Pair = tuple["Sample", "Reading"]
Of = TypeVar("Of")  # what stands beside each sample: its reading


def by_pull(
    pairs: Sequence[tuple[Sample, Of]],
) -> Iterator[tuple[str, list[tuple[Sample, Of]]]]:
    """Readings pull by pull: those of treated beds, and of the controls of their blocks."""
    groups: dict[str, list[tuple[Sample, Of]]] = {}
    # The places of controls, by the pulls that they belong to by name, and by their days.
    by_name: dict[str, set[int]] = {}
    by_day: dict[date, set[int]] = {}
    for place, (sample, one) in enumerate(pairs):
        if sample.control:
            by_day.setdefault(sample.day, set()).add(place)
            for name in sample.pulls:
                by_name.setdefault(name, set()).add(place)
        else:
            groups.setdefault(name_of(sample), []).append((sample, one))
    for name, group in groups.items():
        treated = [sample for sample, _ in group]
        near = by_name.get(name, set()).union(*(by_day.get(one.day, ()) for one in treated))
        controls = (pairs[place] for place in sorted(near))
        yield name, [*group, *_controls(name, treated, controls)]


def concerned(found: Iterable[Sample]) -> frozenset[str]:
    """The codes of some samples that a comparison pairs: all treated ones, and their controls.

    A control of another block, or of a day on which no treated bed was pulled, has no part in it.
    """
    pairs = [(one, one) for one in found]
    return frozenset(one.code for _, group in by_pull(pairs) for one, _ in group)


def name_of(sample: Sample) -> str:
    """The calendar's name of a pull; one outside the calendar goes by its own day."""
    return sample.names[0] if sample.names else f"extra, day {sample.age}"


FEWEST_ON_DAY_0 = 2  # treated beds that a day 0 of its own is made of: fewer show no spread


def on_day_0(name: str, group: Sequence[Pair]) -> tuple[list[Pair], list[str]]:
    """The readings of a pull named day 0 without beds pulled on a later day of their own; notes.

    What came with the amendment is seen on a bed's own day 0 only. All stay where too few beds
    would remain, and other pulls as they are.
    """
    late = {s.label: s for s, _ in group if not s.control and s.age}
    kept = [(s, one) for s, one in group if not s.control and s.label not in late]
    if name != "day 0" or not late or len({s.label for s, _ in kept}) < FEWEST_ON_DAY_0:
        return list(group), []
    treated = [s for s, _ in kept]
    kept += [(s, one) for s, one in group if s.control and _beside(s, treated)]
    days: dict[int | None, list[str]] = {}
    for label, one in late.items():
        days.setdefault(one.age, []).append(label)
    return kept, [
        f"day 0 is without {compact(labels)}, pulled on day {age} of {_its(labels)} own"
        for age, labels in days.items()
    ]


def _its(labels: Sequence[str]) -> str:
    return "their" if len(labels) > 1 else "its"


def _controls(
    name: str, treated: Sequence[Sample], pairs: Iterable[tuple[Sample, Of]]
) -> Iterator[tuple[Sample, Of]]:
    """Those of these controls that belong to the treated ones: of their block, of the nearest day.

    A composite belongs to every block that it was mixed from.
    """
    beside: dict[str, list[Sample]] = {}
    for one in treated:
        for block in one.blocks:
            beside.setdefault(block, []).append(one)
    controls: dict[str, list[tuple[int, Sample, Of]]] = {}
    for sample, reading in pairs:
        apart = [
            abs((sample.day - one.day).days)
            for block in sample.blocks
            for one in beside.get(block, ())
            if sample.day == one.day or _same_pull(name, sample, one)
        ]
        if apart:
            controls.setdefault(sample.label, []).append((min(apart), sample, reading))
    for found in controls.values():
        nearest = min(apart for apart, *_ in found)
        yield from ((sample, one) for apart, sample, one in found if apart == nearest)


def _beside(sample: Sample, others: Iterable[Sample]) -> list[Sample]:
    """Those of a block of the sample."""
    blocks = frozenset(sample.blocks)
    return [one for one in others if not blocks.isdisjoint(one.blocks)]


def _same_pull(name: str, control: Sample, treated: Sample) -> bool:
    """Whether the schedule asked for the control's pull because of the treated bed's."""
    return any(
        follows(one, other)
        for one in control.owed
        for other in treated.owed
        if name in one.names and name in other.names
    )


def day_notes(name: str, group: Sequence[Sample]) -> Iterator[str]:
    """What a reader must know of the days of one pull: beds outside its window, controls apart."""
    yield from _outside(name, group)
    treated = [one for one in group if not one.control]
    told: dict[tuple[int, str, str], list[str]] = {}
    for control in (one for one in group if one.control):
        near = min(
            _beside(control, treated),
            key=lambda one: (abs((control.day - one.day).days), one.label),
            default=None,
        )
        owed = _owed(name, near) if near is not None else None
        if near is None or owed is None:
            continue
        days = (control.day - near.day).days
        if owed.day is not None and abs(days) > owed.tolerance:
            way = "after" if days > 0 else "before"
            told.setdefault((abs(days), way, near.label), []).append(control.label)
    for (days, way, bed), controls in told.items():
        many = len(controls) > 1
        yield (
            f"control{'s' * many} {_listed(controls)} {'were' if many else 'was'} pulled "
            f"{days} d {way} {bed} on {name}"
        )


def _owed(name: str, sample: Sample) -> Obligation | None:
    return next((one for one in sample.owed if name in one.names), None)


def _outside(name: str, group: Iterable[Sample]) -> Iterator[str]:
    """The beds that served a planned pull before its window opened, or after it closed."""
    told: dict[str, list[str]] = {}
    for sample in group:
        owed = _owed(name, sample)
        if owed is None or owed.day is None or owed.opens is None or owed.closes is None:
            continue
        if sample.day < owed.opens:
            told.setdefault(f"{(owed.opens - sample.day).days} d before its window", []).append(
                sample.label
            )
        elif sample.day > owed.closes:
            told.setdefault(f"{(sample.day - owed.closes).days} d after its window", []).append(
                sample.label
            )
    for what, labels in told.items():
        yield f"{name} of {_listed(labels)} was pulled {what}"


def repeats(found: Iterable[Sample], alike: Iterable[frozenset[str]]) -> dict[str, list[str]]:
    """A note for each repeat, under the name of its pull; `alike`: pairs that may be one pull."""
    pairs = list(alike)
    told: dict[str, list[str]] = {}
    for one in found:
        name = name_of(one)
        twin = next((pair - {one.code} for pair in pairs if one.code in pair), frozenset())
        what = f"repeats {name} of {one.label}"
        if twin:
            what += f", and may be {', '.join(sorted(twin))} written down twice"
        told.setdefault(name, []).append(f"{one.code} {what}: not used; strike the first to use it")
    return told


def _listed(labels: Sequence[str]) -> str:
    """Labels as a range; those of composites one by one."""
    names = list(dict.fromkeys(labels))
    return ", ".join(names) if any("+" in one for one in names) else compact(names)


def halved(found: Iterable[Reading], pulled: Iterable[Sample]) -> Iterator[str]:
    """Which sums are known to within a half-width only, and on which days: one sentence."""
    some = {one.sample: one for one in found if one.within}
    if some:
        days = sorted({one.age for one in pulled if one.code in some and one.age is not None})
        when = f" (day{'s' * (len(days) > 1)} {', '.join(map(str, days))})" if days else ""
        which = (
            "sums is below its limit: they are"
            if len(some) > 1
            else "sum is below its limit: it is"
        )
        widest = max(some.values(), key=lambda one: one.within)
        yield (
            f"a part of {len(some)} {which} known to within "
            f"+-{widest.within:.2g} {widest.unit} and taken at the middle{when}"
        )
