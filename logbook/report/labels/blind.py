"""What would tell the laboratory a bag's treatment: names that people chose for beds and trials."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.trial.ranges import CONTROL_WORDS, BedRef

if TYPE_CHECKING:
    from datetime import date

    from logbook.study.samples import Sample

_SHORT = 3  # letters of a code that may stand in any word by chance


@dataclass(frozen=True)
class Told:
    """How a trial and its beds are called on a label: `trial` may be empty, beds are `places`."""

    blind: bool
    trial: str
    places: dict[str, str]
    trial_hidden: bool

    def bed(self, ref: BedRef) -> str:
        """A bed's label, or its place where labels would tell."""
        return self.places.get(ref.id, ref.label)

    def remarks(self) -> list[str]:
        """What is printed otherwise than people call it, in sentences."""
        found = []
        if self.places:
            found.append(
                "bed labels of this trial name treatments: labels say the beds' places on the "
                "bench, --open prints what they are called"
            )
        if self.trial_hidden:
            found.append("the trial's name names a treatment: it is left off, --open prints it")
        return found


def told_by(name: str, beds: Sequence[BedRef], words: Iterable[str], *, blind: bool) -> Told:
    """How to call a trial and its beds; `words` are codes and names of treatments and amendments.

    All beds of a trial are called by place as soon as one label tells: a single one would tell too.
    """
    if not blind:
        return Told(False, name, {}, False)
    telling = {word.casefold() for word in (*words, *CONTROL_WORDS) if word.strip()}
    hidden = tells(name, telling)
    places: dict[str, str] = {}
    if any(tells(bed.label, telling) or _own_letters(bed) for bed in beds):
        places = {bed.id: f"place {number}" for number, bed in enumerate(beds, start=1)}
    return Told(True, "" if hidden else name, places, hidden)


def pull_names(pulled: Iterable[Sample], *, blind: bool) -> dict[str, str]:
    """What the calendar calls each pull, by code.

    Where treatments were applied on different days, one day's bags go by several names: if the bags
    of one of them are all of one treatment, blind labels of that day name no pull at all.
    """
    days: dict[date, dict[str, list[Sample]]] = {}
    for one in pulled:
        days.setdefault(one.day, {}).setdefault(" and ".join(one.names), []).append(one)
    return {
        one.code: name
        for of_day in days.values()
        if not blind or len(of_day) == 1 or all(_mixed(some) for some in of_day.values())
        for name, some in of_day.items()
        for one in some
    }


def _mixed(pulled: Iterable[Sample]) -> bool:
    return len({one.treatment for one in pulled}) > 1


def tells(text: str, words: Collection[str]) -> bool:
    """Whether a text holds one of these words (casefolded); short ones as a word of their own."""
    low = text.casefold()
    return any(
        re.search(rf"(?<![^\W_]){re.escape(word)}(?![^\W_])", low)
        if len(word) <= _SHORT
        else word in low
        for word in words
    )


def _own_letters(bed: BedRef) -> bool:
    """Whether a label is its treatment's code and a number: A1 with treatment A."""
    code, label = bed.treatment_code.casefold(), bed.label.casefold()
    rest = label.removeprefix(code)
    return bool(code) and rest != label and not rest[:1].isalpha() and not code[-1:].isdigit()
