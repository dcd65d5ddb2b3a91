"""What the words of a heading say, in any order and on any number of header rows.

"NO3-N (mg/kg)", "P ppm M3", "K, mg/kg, Mehlich-3", "pH 1:1": each run of words that names a
nutrient, a unit, a method, a ratio, a detection or a basis is taken; all others are kept as
`others`, so that nothing is understood by leaving words out.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, field

from logbook.errors import UserMistake
from logbook.labs.cells import BASES
from logbook.labs.headings import read_heading
from logbook.trial import chemistry, contents, methods, units

_LONGEST = 4
_LONGEST_TEXT = 200  # a cell that says more is no heading
_CHARGE = "\x01"  # in place of the bracket of cmol(+)/kg, which breaks nothing
_BREAKS = re.compile(r"[\[\](){},;\n]+|\s-\s|\s{2,}")
_RATIO = re.compile(r"[0-9.]+\s*(?:g)?\s*:\s*[0-9.]+\s*(?:ml)?\Z", re.IGNORECASE)
_IN_EXTRACT = re.compile(r"(?:mg|ug|µg|g|meq|me|mmol\(\+\)|mmolc)\s*/\s*(?:l|ml|dm3|m3)\Z", re.I)
# Methods of which there is one for phosphorus only.
_OF_PHOSPHORUS = {"Bray P1", "Bray P2", "Olsen"}
_WATER = ("water", "h2o", "wasser")
# Words that say nothing by themselves.
_FILL = frozenset(("soil", "extractable", "available", "exchangeable", "extract", "by", "in", "the",
                   "of", "as", "plant", "method", "unit", "units", "basis", "result",
                   "concentration", "avail", "exch", "extr"))  # fmt: skip


@dataclass
class Said:
    """What a heading says, each thing as often as it is said."""

    nutrients: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    methods: list[str] = field(default_factory=list)
    ratios: list[str] = field(default_factory=list)
    detections: list[str] = field(default_factory=list)
    bases: list[str] = field(default_factory=list)
    others: list[str] = field(default_factory=list)

    @property
    def one_nutrient(self) -> str:
        """The nutrient: its form where one is said beside its name ("Nitrate NO3-N")."""
        sure = [name for name in self.nutrients if not chemistry.is_ambiguous(name)]
        found = dict.fromkeys(_canonical(name) for name in sure)
        if sure:
            return sure[-1] if len(found) == 1 else ""
        return self.nutrients[0] if self.nutrients else ""


def understood(parts: list[str]) -> Said:
    """What the cells of a heading say, from the uppermost row down."""
    said = Said()
    parts = [part for part in parts if len(part) <= _LONGEST_TEXT]
    for part in parts:
        for chunk in _BREAKS.split(part.replace("(+)", _CHARGE)):
            text = chunk.replace(_CHARGE, "(+)").strip(" .:-")
            if text:
                _take(said, text)
    if not said.nutrients:
        heading = read_heading(" ".join(parts))
        if heading is not None and heading.method:  # "Olsen P" is a method and names a nutrient
            said.nutrients.append(heading.nutrient)
        elif _OF_PHOSPHORUS & {chemistry.method_name(method) for method in said.methods}:
            said.nutrients.append("P")
    _doubted(said)
    return said


def _doubted(said: Said) -> None:
    """Keep as other words what may be no such method, so that it is asked about.

    CAL without a nutrient may be calcium, as "Cal" may; CaCl2 beside a number has a strength.
    """
    numbered = any(any(map(str.isdigit, word)) for word in said.others)
    for text in list(said.methods):
        name = chemistry.method_name(text)
        calcium = text.casefold() == "cal" and not (said.nutrients and text.isupper())
        if calcium or (name == "CaCl2" and numbered):
            said.methods.remove(text)
            said.others.append(text)


def _take(said: Said, text: str) -> None:
    """The longest runs of words that mean something, from the left."""
    words = text.split()
    start = 0
    while start < len(words):
        for count in range(min(_LONGEST, len(words) - start), 0, -1):
            if _sort(said, " ".join(words[start : start + count])):
                start += count
                break
        else:
            said.others.append(words[start])
            start += 1


def _sort(said: Said, text: str) -> bool:
    """Put a run of words where it belongs; False if it means nothing."""
    lowered = text.lower()
    unit, basis = units.of_basis(text)
    if is_unit(unit):
        said.units.append(unit)
        said.bases += [basis] if basis else []
    elif chemistry.is_method(text) or lowered in _WATER:
        said.methods.append("water" if lowered in _WATER else text)
    elif _RATIO.match(text) and _is_ratio(text):
        said.ratios.append(text)
    elif methods.is_detection(text):
        said.detections.append(text)
    elif lowered in BASES and lowered:
        said.bases.append(BASES[lowered])
    elif is_nutrient(text):
        said.nutrients.append(text)
    elif lowered.rstrip(".") not in _FILL:
        return False
    return True


def is_unit(text: str) -> bool:
    """True for a unit that a result may have, also one of an extract or an area."""
    known = units.canonical_unit(text)
    if known is None:
        return _IN_EXTRACT.match(text) is not None or contents.is_per_volume(text)
    kinds = {"content", "charge", "conductivity", "acidity", "mass per area"}
    return bool(kinds & set(units.dimension_of(known))) and not (
        text == "pH" or chemistry.is_method(text)
    )


def is_nutrient(text: str) -> bool:
    """True for a name of a nutrient, also one that may mean two."""
    with suppress(UserMistake):
        return bool(chemistry.find_analyte(text))
    return chemistry.is_ambiguous(text)


def _is_ratio(text: str) -> bool:
    with suppress(UserMistake):
        return contents.read_ratio(text) > 0
    return False


def _canonical(name: str) -> str:
    return chemistry.find_analyte(name)[0].name + str(chemistry.find_analyte(name)[1])
