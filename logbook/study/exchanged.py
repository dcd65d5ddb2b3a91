"""Two bags of one pull that were exchanged, where no bed is like either of theirs.

With one bed of each treatment only what a bed had on its other pulls says what is expected of it.
One nutrient alone may cross over honestly: it takes several that say the same, and none against.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations, pairwise
from math import exp, log
from statistics import fmean
from typing import NamedTuple

from logbook.study.arranged import Spot, Spots
from logbook.study.samples import Reading, Sample

_RAW = frozenset({"pH"})
# Other pulls that a bed needs, or nobody can say by how much it changes from one to the next.
_FEWEST = 2
# Nutrients that must speak for an exchange.
_FEWEST_FOR = 2
# So many times (e ** 3 = 20) likelier exchanged than not, or the reverse: a nutrient speaks for it
# or against it. Common practice, no source; docs/quality.md measures what it finds.
_CLEAR = 3.0
# So many times the usual change off the other bed's number, and it is not that one's either.
_FITS = 3.0
# Beds change by no less from pull to pull, on natural logarithms; pH. Common practice, no source.
_LEAST, _LEAST_RAW = 0.07, 0.1


class Exchange(NamedTuple):
    """A result whose bag looks exchanged with a bed's, on a pull, and what is expected of both.

    nutrients: all that say so.
    """

    reading: Reading
    value: float
    label: str
    pull: str
    own: float
    other: float
    nutrients: tuple[str, ...]


class _Seen(NamedTuple):
    """A bed on one pull: its number and the one expected of it, on a logarithm (not pH).

    changes: the bed's from pull to pull without this one, squared.
    """

    spot: Spot
    sample: Sample
    reading: Reading
    y: float
    expected: float
    changes: tuple[float, ...]


class _Said(NamedTuple):
    """What a nutrient says of two bags: how much likelier they are exchanged than not, on a log."""

    likelier: float
    fits: bool
    one: _Seen
    two: _Seen


def exchanged(
    series: Iterable[tuple[str, Sequence[tuple[Sample, Reading]]]], stands: Iterable[Spots]
) -> Iterator[Exchange]:
    """Results of bags that look exchanged, of the nutrients that say so.

    Of each bed the surest pull: beside it, the next one may look exchanged as well.

    Args:
        series: the numbers of nutrients, of one trial or several.
        stands: where the samples of each stand.
    """
    found: dict[tuple[str, str], list[_Said]] = {}
    for (analyte, pairs), stand in zip(series, stands, strict=True):
        # One bed alone of its kind has none to be exchanged with.
        for said in _of_nutrient(analyte, pairs, stand) if len(stand.lone) > 1 else ():
            found.setdefault((said.one.sample.code, said.two.sample.code), []).append(said)
    sure = []
    for codes, several in found.items():
        clear = [said for said in several if said.fits and said.likelier >= _CLEAR]
        names = tuple(dict.fromkeys(said.one.reading.analyte for said in clear))
        if len(names) >= _FEWEST_FOR and all(said.likelier > -_CLEAR for said in several):
            sure.append((-sum(said.likelier for said in several), codes, names, clear))
    taken: set[str] = set()
    for _, _, names, clear in sorted(sure, key=lambda one: one[:2]):
        beds = {*clear[0].one.sample.beds, *clear[0].two.sample.beds}
        if taken.isdisjoint(beds):
            taken |= beds
            for said in clear:
                yield _exchange(said.one, said.two, names)
                yield _exchange(said.two, said.one, names)


def _exchange(one: _Seen, two: _Seen, names: tuple[str, ...]) -> Exchange:
    value, own, other = (
        _shown(one.reading.analyte, y) for y in (one.y, one.expected, two.expected)
    )
    return Exchange(one.reading, value, two.spot.label, one.spot.name, own, other, names)


def _of_nutrient(
    analyte: str, exact: Sequence[tuple[Sample, Reading]], stand: Spots
) -> Iterator[_Said]:
    """What one nutrient says of every two bags that nothing on their pull is like."""
    from logbook.analysis.cells import numbers

    values = stand.samples.means(numbers(one.value for _, one in exact)).tolist()
    beds: dict[str, dict[float, float]] = {}
    for spot, value in zip(stand.spots, values, strict=True):
        if spot.control or spot.age >= 0:
            beds.setdefault(spot.label, {})[spot.age] = value
    pulls: dict[str, list[_Seen]] = {}
    for place in sorted(stand.lone):
        spot = stand.spots[place]
        seen = _seen(analyte, spot, exact[spot.of[0]], beds.get(spot.label, {}))
        if seen is not None:
            pulls.setdefault(spot.name, []).append(seen)
    least = _LEAST_RAW if analyte in _RAW else _LEAST
    for beside in pulls.values():
        for one, two in combinations(beside, 2):
            yield _said(one, two, least)


def _seen(
    analyte: str, spot: Spot, pair: tuple[Sample, Reading], bed: Mapping[float, float]
) -> _Seen | None:
    """A bed on one pull, by all its pulls; None where too few are there to say what is expected."""
    if spot.age not in bed or not (analyte in _RAW or all(value > 0 for value in bed.values())):
        return None
    y = {age: value if analyte in _RAW else log(value) for age, value in bed.items()}
    own = y.pop(spot.age)
    before, after = ([age for age in y if (age < spot.age) == side] for side in (True, False))
    if not before or len(y) < _FEWEST:
        return None
    last = max(before)
    expected = y[last]
    if after:
        following = min(after)
        share = (spot.age - last) / (following - last)
        expected += share * (y[following] - y[last])
    ages = sorted(y)
    changes = tuple([(y[two] - y[one]) ** 2 for one, two in pairwise(ages)])
    return _Seen(spot, *pair, own, expected, changes)


def _said(one: _Seen, two: _Seen, least: float) -> _Said:
    spread = max(fmean((*one.changes, *two.changes)), least**2)
    own = (one.y - one.expected) ** 2 + (two.y - two.expected) ** 2
    swapped = [(one.y - two.expected) ** 2, (two.y - one.expected) ** 2]
    fits = max(swapped) <= _FITS**2 * spread
    return _Said((own - sum(swapped)) / (2 * spread), fits, one, two)


def _shown(analyte: str, y: float) -> float:
    return y if analyte in _RAW else exp(y)
