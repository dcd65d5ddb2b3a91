"""Numbers outside the usual range of their nutrient: which slip goes with what is usual there.

What is usual there is what the bed had on its nearest pull, and what the beds like it have.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from statistics import median
from typing import NamedTuple

from logbook.study import pairing
from logbook.study.oddities import Series
from logbook.study.samples import Reading, Sample, parted
from logbook.trial import plausible
from logbook.trial.records import Result


class Far(NamedTuple):
    """A result out of range, its id and the pull that it is of."""

    ident: str
    result: Result
    pull: str


def explained(
    several: Iterable[Far], pulled: Mapping[str, Sample], series: Sequence[Series]
) -> Iterator[tuple[Far, str, str]]:
    """Kind of question and sentence of each of which it is known what is usual there.

    pulled: a trial's samples by code; series: its readings that count, without these.
    """
    for far in several:
        one, sample = far.result, pulled.get(far.pull)
        pairs = next(
            (some for name, some in series if name == one.analyte and _same(one, some)), ()
        )
        there = _usual_there(sample, pairs) if sample is not None else {}
        if there and one.value is not None:
            found = plausible.about_range(one.analyte, one.value, there)
            if found is not None:
                yield far, *found


def _same(one: Result, pairs: Sequence[tuple[Sample, Reading]]) -> bool:
    """Whether a result was measured as those of a series were."""
    of = pairs[0][1]
    return (parted(of.method)[0], of.basis, of.lab) == (one.method, one.basis, one.lab)


def _usual_there(sample: Sample, pairs: Sequence[tuple[Sample, Reading]]) -> dict[str, float]:
    """What its bed had on the nearest pull, and the median of the beds like it; what there is."""
    known = [(one, reading.value) for one, reading in pairs if reading.value]
    own = [
        (abs((one.day - sample.day).days), value)
        for one, value in known
        if one.beds == sample.beds and one.code != sample.code
    ]
    like = [
        value for one, value in known if one.beds != sample.beds and _place(one) == _place(sample)
    ]
    found = {"its bed's nearest pull": min(own)[1]} if own else {}
    return found | ({"the beds like it": median(like)} if like else {})


def _place(one: Sample) -> tuple[str, str]:
    """The same of beds that are alike on one pull; before application all are."""
    return pairing.name_of(one), "" if one.age is None or one.age < 0 else one.treatment
