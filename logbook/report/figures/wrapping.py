"""Lines of text that end before the page does: by the widths of their letters, not their number.

Codes of samples are capitals, half as wide again as the letters of a sentence.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags

#: Width of a line for each character that it may hold, in ems: of a sentence it is 0.50.
_EMS = 0.52
_SIZE = 100


def wrapped(text: str, most: int) -> list[str]:
    """Text in lines of so many characters, fewer where they are wide; long words are cut."""
    lines, line = [], ""
    for word in text.split():
        for piece in _pieces(word, most):
            longer = f"{line} {piece}" if line else piece
            if line and not _fits(longer, most):
                lines.append(line)
                longer = piece
            line = longer
    return [*lines, line] if line else lines


def _fits(text: str, most: int) -> bool:
    return len(text) <= most and sum(map(_width, text)) <= _EMS * most


def _pieces(word: str, most: int) -> Iterator[str]:
    """A word, cut where it alone is too long for a line."""
    while not _fits(word, most):
        end = next(
            end for end in range(len(word) - 1, 0, -1) if end == 1 or _fits(word[:end], most)
        )
        yield word[:end]
        word = word[end:]
    yield word


@cache
def _width(letter: str) -> float:
    """The advance of a letter in the font of figures, in ems."""
    font = get_font(findfont(FontProperties()))
    font.set_size(_SIZE, 72)
    # A letter that the font lacks is drawn as its box, the first glyph.
    glyph = font.load_glyph(font.get_char_index(ord(letter)), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / _SIZE
