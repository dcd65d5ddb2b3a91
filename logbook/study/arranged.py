"""Where the samples of a series stand among beds and pulls, apart from what was measured in them.

A report has most of its nutrients in the same samples, so this is worked out once for all of those
(`Arrangements`); what is looked for in the numbers themselves is in `oddities`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from logbook.study import pairing
from logbook.study.samples import Sample

if TYPE_CHECKING:
    from logbook.analysis.additive import Floats

Places = NDArray[np.intp]
Of = TypeVar("Of")  # what is worked out once
_BEFORE = -0.5  # a pull before application, on whatever day
_FEWEST_BEDS = 3  # that move together from their last pulls, or nobody can say that a pull did


@dataclass(frozen=True)
class Spot:
    """One bed on one pull; `of`: which samples of the series are of it, repeats included."""

    label: str
    treatment: str
    control: bool
    name: str
    age: float
    of: tuple[int, ...]


@dataclass(frozen=True)
class Spots:
    """The beds and pulls of a series in order of age, and which of them are held side by side.

    alike: spots of one pull that are alike (of one treatment; before application all), group by
    group; alike_starts: where each group begins. moved: rows of control spot and its bed's last,
    pull by pull, of pulls enough of whose beds have a last; moved_starts, as above.
    """

    spots: tuple[Spot, ...]
    alike: Places
    alike_starts: Places
    moved: Places
    moved_starts: Places
    _of: Places
    _starts: Places

    def means(self, values: Floats) -> Floats:
        """The mean of each spot's samples, in the order of `spots`."""
        if len(self._of) == len(self._starts):
            return values[self._of]
        counts = np.diff(self._starts, append=len(self._of))
        return np.asarray(np.add.reduceat(values[self._of], self._starts) / counts)


@dataclass(frozen=True)
class Side:
    """One side of a treatment and its controls: beds by days.

    of: which samples of the series are in it; at: the cell of each, counted row by row. A control
    is in every pull that it belongs to.
    """

    beds: tuple[str, ...]
    days: tuple[float, ...]
    of: Places
    at: Places

    def table(self, values: Floats) -> Floats:
        """The mean of each cell (beds, days); NaN where there is none, or not all are numbers."""
        shape = len(self.beds), len(self.days)
        found = np.full(shape, np.nan)
        if len(self.of):
            sums = np.bincount(self.at, values[self.of], found.size)
            counts = np.bincount(self.at, minlength=found.size)
            np.divide(sums, counts, out=found.reshape(-1), where=counts > 0)
        return found

    def sample(self, bed: str, day: float) -> int:
        """Which sample of the series stands in a cell; the last of several."""
        cell = self.beds.index(bed) * len(self.days) + self.days.index(day)
        return int(self.of[np.flatnonzero(self.at == cell)[-1]])


class Arrangements:
    """The arrangements of one trial's series, each worked out once."""

    def __init__(self) -> None:
        self._spots: dict[tuple[str, ...], Spots] = {}
        self._reviews: dict[tuple[str, ...], list[tuple[Side, Side]]] = {}

    def spots(self, samples: Sequence[Sample]) -> Spots:
        """Beds and pulls; without samples of no one treatment."""
        return _once(self._spots, _spots, samples)

    def reviews(self, samples: Sequence[Sample]) -> list[tuple[Side, Side]]:
        """For each treatment its own beds and the controls that they are compared with."""
        return _once(self._reviews, _reviews, samples)


def _once(
    known: dict[tuple[str, ...], Of],
    worked_out: Callable[[Sequence[Sample]], Of],
    samples: Sequence[Sample],
) -> Of:
    codes = tuple(one.code for one in samples)
    if codes not in known:
        known[codes] = worked_out(samples)
    return known[codes]


def _spots(samples: Sequence[Sample]) -> Spots:
    groups: dict[tuple[str, str], list[int]] = {}
    for place, one in enumerate(samples):
        if one.treatment:
            groups.setdefault((one.label, pairing.name_of(one)), []).append(place)
    found = []
    for (label, name), several in groups.items():
        one = samples[several[0]]
        age = float(one.age) if one.age is not None else _BEFORE
        age = min(age, _BEFORE) if name == "before" else age
        found.append(Spot(label, one.treatment, one.control, name, age, tuple(several)))
    found.sort(key=lambda one: (one.age, one.label))
    of, starts = _joined([list(one.of) for one in found])
    return Spots(tuple(found), *_joined(_alike(found)), *_joined(_moved(found)), of, starts)


def _joined(groups: Iterable[Sequence[Any]]) -> tuple[Places, Places]:
    """Groups one after the other, and where each begins; none that is empty."""
    filled = [group for group in groups if group]
    starts = np.cumsum([0, *map(len, filled)])[:-1]
    return np.array([one for group in filled for one in group], dtype=np.intp), starts


def _alike(spots: Sequence[Spot]) -> list[list[int]]:
    """Spots by pull and treatment; before application all beds are alike. Of two or more."""
    groups: dict[tuple[str, str], list[int]] = {}
    for place, one in enumerate(spots):
        groups.setdefault((one.name, one.treatment if one.age >= 0 else ""), []).append(place)
    return [group for group in groups.values() if len(group) > 1]


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


def _reviews(samples: Sequence[Sample]) -> list[tuple[Side, Side]]:
    treated = sorted({one.treatment for one in samples if not one.control and one.treatment})
    return [
        _sides([(one, n) for n, one in enumerate(samples) if one.control or one.treatment == code])
        for code in treated
    ]


def _sides(own: Sequence[tuple[Sample, int]]) -> tuple[Side, Side]:
    """The treated and the control side, pull by pull: one day for all the beds of a pull."""
    cells: tuple[list[tuple[str, float, int]], ...] = ([], [])
    for name, group in pairing.by_pull(own):
        ages = [one.age for one, _ in group if not one.control and one.age is not None]
        age = sum(ages) / len(ages) if ages else _BEFORE
        age = min(age, _BEFORE) if name == "before" else age
        for one, place in group:
            cells[one.control].append((one.label, age, place))
    treated, control = map(_side, cells)
    return treated, control


def _side(cells: Sequence[tuple[str, float, int]]) -> Side:
    beds = sorted({bed for bed, _, _ in cells})
    days = sorted({day for _, day, _ in cells})
    rows = {bed: place * len(days) for place, bed in enumerate(beds)}
    columns = {day: place for place, day in enumerate(days)}
    at = np.array([rows[bed] + columns[day] for bed, day, _ in cells], dtype=np.intp)
    of = np.array([place for _, _, place in cells], dtype=np.intp)
    return Side(tuple(beds), tuple(days), of, at)
