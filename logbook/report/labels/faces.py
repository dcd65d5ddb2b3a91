"""The three faces of a label and how wide their words are; the fonts travel with matplotlib.

DejaVu: an open family in which symbols that are mistaken for each other differ, with Latin, Greek
and Cyrillic letters. They are embedded, so that a page looks the same on every machine.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from logbook.errors import UserMistake

MM = 25.4 / 72  # mm of a point
UNKNOWN = "?"


@dataclass(frozen=True)
class Face:
    """A font by the name of its file, the family that SVG asks for, and its weight there."""

    name: str
    family: str
    weight: str


PLAIN = Face("DejaVuSans", "'DejaVu Sans', 'Bitstream Vera Sans', Verdana, sans-serif", "normal")
BOLD = Face("DejaVuSans-Bold", PLAIN.family, "bold")
CODE = Face("DejaVuSansMono-Bold", "'DejaVu Sans Mono', 'Bitstream Vera Sans Mono', monospace",
            "bold")  # fmt: skip
FACES = (PLAIN, BOLD, CODE)


@cache
def font(face: Face) -> Any:
    """The font as reportlab reads it, registered under the face's name.

    Raises UserMistake if it is not where matplotlib keeps its fonts.
    """
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    # Found, and not imported: matplotlib takes long to load and is not needed here.
    found = find_spec("matplotlib")
    folder = Path(found.origin).parent if found and found.origin else Path()
    path = folder / "mpl-data" / "fonts" / "ttf" / f"{face.name}.ttf"
    try:
        loaded = TTFont(face.name, str(path))
    except (OSError, TTFError):
        raise UserMistake(
            f"{path}: the font of the labels is not there", "install matplotlib anew"
        ) from None
    pdfmetrics.registerFont(loaded)
    return loaded


def width(text: str, face: Face, size: float) -> float:
    """How wide a text is, mm, at a size in points."""
    return _of_em(text, face) * size * MM


@lru_cache(maxsize=20_000)
def _of_em(text: str, face: Face) -> float:
    """How wide a text is in a type of 1 point: asked again for every size that is tried."""
    return float(font(face).stringWidth(text, 1.0))


def above(face: Face, size: float) -> float:
    """How far the face reaches above the baseline, mm."""
    return _reach(face)[0] * size * MM


def below(face: Face, size: float) -> float:
    """How far the face reaches below the baseline, mm."""
    return _reach(face)[1] * size * MM


def _reach(face: Face) -> tuple[float, float]:
    """Of an em, above and below: of the code's capitals, else of every letter with its marks.

    From the outlines: capitals and figures reach 0.742 up, Q 0.137 down; Å 0.928, g 0.236.
    """
    return (0.75, 0.17) if face is CODE else (0.93, 0.24)


def shown(text: str) -> str:
    """Text on one line as the faces can show it, UNKNOWN for each other character.

    Also for scripts that are written from right to left, whose letters would stand in the wrong
    order.
    """
    known = _known()
    line = " ".join(unicodedata.normalize("NFC", text).split())
    return "".join(one if _can(one, known) else UNKNOWN for one in line)


@cache
def _known() -> frozenset[int]:
    return frozenset(font(PLAIN).face.charToGlyph) & frozenset(font(BOLD).face.charToGlyph)


def _can(character: str, known: frozenset[int]) -> bool:
    return (
        character.isprintable()
        and ord(character) in known
        and unicodedata.bidirectional(character) not in ("R", "AL")
    )


def wrapped(text: str, face: Face, size: float, room: float, most: int) -> list[str] | None:
    """Words in at most so many lines of a width in mm; None if they need more."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width(longer, face, size) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    fits = len(lines) <= most and all(width(line, face, size) <= room for line in lines)
    return lines if fits else None


def shortened(text: str, face: Face, size: float, room: float, most: int) -> list[str] | None:
    """The longest beginning that fits, with an ellipsis; None if that says nothing any more."""
    whole = wrapped(text, face, size, room, most)
    if whole is not None:
        return whole
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if wrapped(text[:middle].rstrip() + "\N{HORIZONTAL ELLIPSIS}", face, size, room, most):
            low = middle
        else:
            high = middle - 1
    if low < min(len(text), 6):
        return None
    return wrapped(text[:low].rstrip() + "\N{HORIZONTAL ELLIPSIS}", face, size, room, most)
