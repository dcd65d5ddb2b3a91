"""What people say in their own words: notes, event texts, reasons. One line, of readable length."""

from __future__ import annotations

import unicodedata

from logbook.errors import UserMistake

_LONGEST = 2000
# Control characters, line and paragraph separators, halves of characters from a broken encoding.
_REFUSED = frozenset(("Cc", "Zl", "Zp", "Cs"))
# Marks that turn the direction of what follows: a line would show other words than were written.
_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def own_words(text: str, what: str) -> str:
    """The text without blanks around it; `what` names it in a refusal ("the note").

    Raises UserMistake for newlines, control characters, and more than 2,000 characters.
    """
    tidy = text.strip()
    for place, mark in enumerate(tidy, 1):
        if mark in _TURNING or unicodedata.category(mark) in _REFUSED:
            name = "a line break" if mark in "\n\r\u2028\u2029" else "a control character"
            raise UserMistake(
                f"{what} has {name} (character {place})", "write it as one line of plain text"
            )
    if len(tidy) > _LONGEST:
        raise UserMistake(
            f"{what} has {len(tidy):,} characters: at most {_LONGEST:,} are kept",
            "keep the long text in a file and name the file",
        )
    return tidy


def needed(text: str | None, missing: str, what: str = "the reason") -> str:
    """`own_words` of a text that must be there; else UserMistake with the sentence `missing`."""
    if text is None or not text.strip():
        raise UserMistake(missing, "add --reason TEXT")
    return own_words(text, what)
