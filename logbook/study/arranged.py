"""Where the samples of a series stand among beds and pulls, apart from what was measured in them.

A report has most of its nutrients in the same samples, so this is worked out once for all of those
(`Arrangements`); what is looked for in the numbers themselves is in `oddities`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from logbook.study import pairing
from logbook.study.samples import Sample

if TYPE_CHECKING:
    from logbook.analysis.cells import Grid, Groups

_BEFORE = -0.5  # a pull before application, on whatever day
_FEWEST_BEDS = 3  # that move together from their last pulls, or nobody can say that a pull did


class Spot(NamedTuple):
    """One bed on one pull; `of`: which samples of the series are of it, repeats included."""

    label: str
    treatment: str
    control: bool
    name: str
    age: float
    of: tuple[int, ...]

    @property
    def kin(self) -> str:
        """The treatment of the beds that are like it; before application all are."""
        return self.treatment if self.age >= 0 else ""


@dataclass(frozen=True)
class Spots:
    """The beds and pulls of a series in order of age, and which of them are held side by side.

    samples: those of each spot. beside: spots of one pull that are alike (of one treatment; before
    application all), and the two newest of a bed that nothing is like. lone: spots that no other of
    their pull is like. now, last: control spots by pull, and their beds' last ones, of pulls enough
    of whose beds have a last.
    """

    spots: tuple[Spot, ...]
    samples: Groups
    beside: Groups
    lone: frozenset[int]
    now: Groups
    last: Groups


@dataclass(frozen=True)
class Side:
    """One side of a treatment and its controls: beds by days, and the samples in each cell.

    A control is in every pull that it belongs to.
    """

    name: str
    beds: tuple[str, ...]
    days: tuple[float, ...]
    samples: Grid

    def placed(self, places: Sequence[int]) -> Side:
        """The same side in a longer series, in which its samples stand at these places."""
        return Side(self.name, self.beds, self.days, self.samples.placed(places))

    def sample(self, bed: str, day: float) -> int:
        """Which sample of the series stands in a cell; the last of several."""
        return self.samples.last(self.beds.index(bed), self.days.index(day))


class Arrangements:
    """The arrangements of series, each worked out once."""

    def __init__(self) -> None:
        self._spots: dict[tuple[str, ...], Spots] = {}
        self._reviews: dict[tuple[str, ...], list[tuple[Side, Side]]] = {}
        self._sides: dict[tuple[str, ...], tuple[Side, Side] | None] = {}

    def spots(self, samples: Sequence[Sample]) -> Spots:
        """Beds and pulls; without samples of no one treatment."""
        codes = _codes(samples)
        if codes not in self._spots:
            self._spots[codes] = _spots(samples)
        return self._spots[codes]

    def reviews(self, samples: Sequence[Sample]) -> list[tuple[Side, Side]]:
        """For each treatment its own beds and the controls that they are compared with.

        Without treatments that nobody can judge: of too few pulls, without controls, or with a bed
        whose label a control has as well, so that nobody can say which of the two is meant.
        """
        codes = _codes(samples)
        if codes not in self._reviews:
            self._reviews[codes] = list(self._reviewed(samples))
        return self._reviews[codes]

    def _reviewed(self, samples: Sequence[Sample]) -> Iterator[tuple[Side, Side]]:
        for code in sorted({one.treatment for one in samples if not one.control and one.treatment}):
            own = [n for n, one in enumerate(samples) if one.control or one.treatment == code]
            # Most treatments have the same samples in series that differ elsewhere.
            codes = tuple(samples[n].code for n in own)
            if codes not in self._sides:
                self._sides[codes] = _sides([(samples[n], place) for place, n in enumerate(own)])
            if sides := self._sides[codes]:
                yield sides[0].placed(own), sides[1].placed(own)


def _codes(samples: Iterable[Sample]) -> tuple[str, ...]:
    return tuple([one.code for one in samples])


def _spots(samples: Sequence[Sample]) -> Spots:
    from logbook.analysis.cells import grouped

    groups: dict[tuple[str, str], list[int]] = {}
    for place, one in enumerate(samples):
        if one.treatment:
            groups.setdefault((one.label, pairing.name_of(one)), []).append(place)
    found = []
    for (label, name), several in groups.items():
        one = samples[several[0]]
        age = _age(name, [one.age] if one.age is not None else [])
        found.append(Spot(label, one.treatment, one.control, name, age, tuple(several)))
    found.sort(key=lambda one: (one.age, one.label))
    moved = list(_moved(found))
    now, last = (grouped([pair[n] for pair in pull] for pull in moved) for n in (0, 1))
    of = grouped(one.of for one in found)
    lone = _lone(found)
    beside = grouped([*_alike(found), *_newest(found, lone)])
    return Spots(tuple(found), of, beside, lone, now, last)


def _alike(spots: Sequence[Spot]) -> list[list[int]]:
    """Spots by pull and treatment; before application all beds are alike. Of two or more."""
    groups: dict[tuple[str, str], list[int]] = {}
    for place, one in enumerate(spots):
        groups.setdefault((one.name, one.kin), []).append(place)
    return [group for group in groups.values() if len(group) > 1]


def _lone(spots: Sequence[Spot]) -> frozenset[int]:
    """Spots with none on their pull that is like them."""
    there = Counter((one.name, one.kin) for one in spots)
    return frozenset(place for place, one in enumerate(spots) if there[one.name, one.kin] == 1)


def _newest(spots: Sequence[Spot], lone: frozenset[int]) -> Iterator[list[int]]:
    """The last but one and the newest spot of each bed whose newest is a lone one."""
    beds: dict[str, list[int]] = {}
    for place, one in enumerate(spots):
        beds.setdefault(one.label, []).append(place)
    for *several, newest in beds.values():
        earlier = [place for place in several if spots[place].age < spots[newest].age]
        if earlier and newest in lone:
            yield [earlier[-1], newest]


def _moved(spots: Sequence[Spot]) -> Iterator[list[tuple[int, int]]]:
    """Control spots by pull, each with its bed's last."""
    pulls: dict[str, list[int]] = {}
    for place, one in enumerate(spots):
        pulls.setdefault(one.name, []).append(place)
    last: dict[str, int] = {}
    for beds in pulls.values():
        before = [(place, last.get(spots[place].label)) for place in beds]
        moved = [
            (place, old)
            for place, old in before
            if old is not None and spots[old].age < spots[place].age
        ]
        if enough_moved(len(moved), len(beds)):
            yield [(place, old) for place, old in moved if spots[place].control]
        last |= {spots[place].label: place for place in beds}


def enough_moved(moved: int, beds: int) -> bool:
    """Whether so many of a pull's beds have an earlier pull that the pull can be said to move."""
    return moved >= max(_FEWEST_BEDS, beds - 1)


def _sides(own: Sequence[tuple[Sample, int]]) -> tuple[Side, Side] | None:
    """The treated and the control side, pull by pull: one day for all the beds of a pull.

    None where nobody can judge them.
    """
    from logbook.analysis.outliers import FEWEST

    cells: tuple[list[tuple[str, float, int]], ...] = ([], [])
    for name, group in pairing.by_pull(own):
        ages = [one.age for one, _ in group if not one.control and one.age is not None]
        age = _age(name, ages)
        for one, place in group:
            cells[one.control].append((one.label, age, place))
    treated, control = _side("treated", cells[0]), _side("control", cells[1])
    if not control.beds or {*treated.beds} & {*control.beds}:
        return None
    return (treated, control) if len({*treated.days, *control.days}) >= FEWEST else None


def _age(name: str, ages: Sequence[int]) -> float:
    """The mean age of a pull's beds; of one before application, a day before it."""
    age = sum(ages) / len(ages) if ages else _BEFORE
    return min(age, _BEFORE) if name == "before" else age


def _side(name: str, cells: Sequence[tuple[str, float, int]]) -> Side:
    from logbook.analysis.cells import grid

    beds = sorted({bed for bed, _, _ in cells})
    days = sorted({day for _, day, _ in cells})
    rows = {bed: place * len(days) for place, bed in enumerate(beds)}
    columns = {day: place for place, day in enumerate(days)}
    at = [(place, rows[bed] + columns[day]) for bed, day, place in cells]
    return Side(name, tuple(beds), tuple(days), grid((len(beds), len(days)), at))
