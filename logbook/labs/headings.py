"""What the heading of a column says: a nutrient, its unit and its method, in any usual order.

"Nitrate-N (mg/kg)", "P, mg/kg", "NO3-N [ppm]", "K mg/kg", "P Mehlich-3 (mg/kg)", "OM %". Words that
are neither of the three are kept as `extra`: a heading is never understood by leaving words out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

from logbook.errors import UserMistake
from logbook.trial import chemistry, units

# A bracket with what is in it; the charge of cmol(+)/kg is the only bracket inside a bracket.
_BRACKET = re.compile(r"[(\[]((?:[^()\[\]]|\(\+\))*)[)\]]")
_PERCENT = re.compile(r"(?:%\s*(?P<after>.+)|(?P<before>.+?)\s*%)\Z")
# What looks like a unit although it is none that is known here: mg/L, lb/A; but not 1:2.
_UNIT_LIKE = re.compile(r"[^/:]+/[^/:]+\Z")


@dataclass(frozen=True)
class Heading:
    """A column's heading as words: `nutrient` and `unit` as written, `method` if it names one."""

    title: str
    nutrient: str
    unit: str = ""
    method: str = ""
    extra: str = ""


def read_heading(title: str) -> Heading | None:
    """What a heading says; None if no nutrient is in it."""
    if _is_nutrient(title):
        return Heading(title, title)
    for unit, rest in _without_unit(title):
        found = _named(title, unit, rest)
        if found is not None:
            return found
    return _named(title, "", title)


def _is_nutrient(text: str) -> bool:
    with suppress(UserMistake):
        return bool(chemistry.find_analyte(text))
    return chemistry.is_ambiguous(text)


def _without_unit(title: str) -> Iterator[tuple[str, str]]:
    """Each way to take a unit out of a heading, the surest first: `(unit, the rest)`."""
    parts = list(_parts(title))
    for unit, rest in parts:
        if units.canonical_unit(units.of_basis(unit)[0]) is not None and not _is_nutrient(unit):
            yield unit, rest
    for unit, rest in parts:
        if _UNIT_LIKE.match(unit) and not chemistry.is_method(unit):
            yield unit, rest


def _parts(title: str) -> Iterator[tuple[str, str]]:
    """What may be a unit: in brackets, after a comma, a per-cent sign, the last words."""
    for found in _BRACKET.finditer(title):
        yield found[1].strip(), _tidy(title[: found.start()] + " " + title[found.end() :])
    before, comma, after = title.rpartition(",")
    if comma:
        yield after.strip(), _tidy(before)
    percent = _PERCENT.match(title)
    if percent:
        yield "%", _tidy(percent["after"] or percent["before"])
    words = title.split()
    for count in (3, 2, 1):
        if len(words) > count:
            yield " ".join(words[-count:]), _tidy(" ".join(words[:-count]))


def _tidy(text: str) -> str:
    return " ".join(text.split()).strip(" ,;:-")


def _named(title: str, unit: str, rest: str) -> Heading | None:
    """The nutrient in what is left, with a known method before or after it, else other words."""
    if _is_nutrient(rest):
        return Heading(title, rest, unit)
    words = re.sub(r"[()\[\],]", " ", rest).split()
    found = None
    for nutrient, other in _splits(words):
        if not _is_nutrient(nutrient):
            continue
        if chemistry.is_method(other):
            return Heading(title, nutrient, unit, method=other)
        found = found or Heading(title, nutrient, unit, extra=other)
    return found


def _splits(words: list[str]) -> Iterator[tuple[str, str]]:
    """The words in two parts: those that start them and the others, then those that end them."""
    for count in range(len(words) - 1, 0, -1):
        yield " ".join(words[:count]), " ".join(words[count:])
    for count in range(1, len(words)):
        yield " ".join(words[count:]), " ".join(words[:count])
