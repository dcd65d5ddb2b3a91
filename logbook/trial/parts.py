"""Parts of a pull: how a person names them, and the order in which bags and codes go.

A part is a bag or a tin of its own: chilled or frozen moist (for nitrate and ammonium, which
drying changes), dried, a moisture tin, a half retained. The order of bags of one bed is that of
`records.PARTS`, on lists, labels and in `--code`.
"""

from __future__ import annotations

from collections.abc import Iterable

from logbook.errors import UserMistake
from logbook.trial.chemistry import find_analyte
from logbook.trial.records import PARTS

Planned = tuple[str, tuple[str, ...]]
"""A kind of part and the analyses that it is for."""

WHOLE = "whole"  # a pull that has no parts
_SUM = "mineral-N"


def kind(text: str) -> str:
    """The kind of part that a word names, one of PARTS. Raises UserMistake."""
    word = " ".join(text.lower().split())
    if word not in PARTS:
        raise UserMistake(f"{text.strip()!r} is not a part of a pull", f"use: {', '.join(PARTS)}")
    return word


def analysis(text: str) -> str:
    """The nutrient that a part is for, under its own name. Raises UserMistake."""
    analyte, _ = find_analyte(text)
    if analyte.name == _SUM:
        raise UserMistake(f"{_SUM} is a sum and no analysis", "name nitrate-N and ammonium-N")
    return analyte.name


def parse(text: str) -> Planned:
    """A part as typed: `chilled: nitrate-N, ammonium-N`, or a kind alone. Raises UserMistake."""
    word, _, rest = text.partition(":")
    found = kind(word)
    names = tuple(analysis(name) for name in rest.split(",") if name.strip())
    if names and found == "tin":
        raise UserMistake("a tin is dried for its moisture: no nutrient comes of it")
    return found, names


def several(texts: Iterable[str]) -> list[Planned]:
    """Parts as typed, in the order of PARTS.

    Raises UserMistake for a kind that comes twice, or a nutrient that is in two parts.
    """
    found: dict[str, tuple[str, ...]] = {}
    of: dict[str, str] = {}
    for text in texts:
        word, names = parse(text)
        if word in found:
            raise UserMistake(f"the part {word!r} is named twice", "one bag of each kind")
        for name in names:
            if name in of:
                where = "twice" if of[name] == word else f"in {of[name]} and in {word}"
                raise UserMistake(f"{name} is named {where}", "measure it in one part")
            of[name] = word
        found[word] = names
    return in_order(found.items())


def in_order(parts: Iterable[Planned]) -> list[Planned]:
    """Parts in the order in which their bags and codes go."""
    return sorted(parts, key=lambda part: (place(part[0]), part))


def place(word: str) -> int:
    """Where a kind of part stands among the bags of one pull; a strange one comes last."""
    return PARTS.index(word) if word in PARTS else len(PARTS)


def spoken(part: Planned) -> str:
    """A part in words: `chilled for nitrate-N, ammonium-N`."""
    word, names = part
    return f"{word} for {', '.join(names)}" if names else word
