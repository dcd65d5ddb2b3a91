"""What is not known yet of a trial, in words: the same before it starts and while it runs."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from logbook.trial import rates


@dataclass(frozen=True)
class Waiting:
    """Something that is not known yet, and what waits on it."""

    what: str
    waits: str

    def __str__(self) -> str:
        return f"{self.what} is not known yet: {self.waits}"


LABORATORY = Waiting(
    "the laboratory",
    "lab send and lab import want --lab NAME, the same one each time, since only one "
    "laboratory's results can be compared",
)


def soil_density(by_soil: Collection[str]) -> Waiting:
    """The soil's density; `by_soil` are the treatments whose rate is per kg of soil."""
    grams = f"grams per bed of {', '.join(by_soil)} and " if by_soil else ""
    waits = f"{grams}dilution of every amendment {'wait' if grams else 'waits'} on it"
    return Waiting("the soil's bulk density", waits)


def of_lot(
    code: str, units: Collection[str], *, density: bool, moisture: bool, contents: Collection[str]
) -> Iterator[Waiting]:
    """What is not known of a lot whose treatments have rates in `units`.

    `contents` are the nutrients of its analysis that are not known, "analysis" if none is.
    """
    if density:
        by_volume = bool({rates.OF_MIX, rates.ON_TOP} & set(units))
        waits = "grams per bed and dilution" if by_volume else "litres per bed"
        yield Waiting(f"the density of {code}", f"{waits} of {code} wait on it")
    if moisture:
        yield Waiting(f"the moisture of {code}", f"dry grams and dilution of {code} wait on it")
    if contents:
        waits = f"the share released of what {code} brings waits on it"
        yield Waiting(f"the {', '.join(contents)} of {code}", waits)
