"""Result cells by a laboratory's own table of marks: numbers with decimal and thousands marks,
limits, letters behind a number, words in place of one.

Nothing is guessed: a mark that the table does not explain is refused, and so is a number that is
not grouped as the laboratory's thousands mark groups. A letter O among digits is no zero. What is
not detected and has no limit keeps neither a value nor a zero: it waits for its limit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from logbook.errors import UserMistake
from logbook.labs.grid import shown
from logbook.trial import chemistry, qualifiers, units
from logbook.trial.chemistry import Measured

_LONGEST = 80
NOTHING = "nothing"  # a mark that says that nothing was reported
# Marks that mean one thing everywhere. Single letters are none of them: J, U, R, H, B, L, * mean
# different things at different laboratories, and H, L, M are ratings as well. Common practice.
USUAL: dict[str, str] = {
    "ND": "not-detected", "N.D.": "not-detected", "N.D": "not-detected",
    "NOT DETECTED": "not-detected", "BDL": "not-detected", "BLQ": "not-detected",
    "BRL": "not-detected", "<LOD": "not-detected", "<LOQ": "not-detected", "<RL": "not-detected",
    "<MDL": "not-detected", "<DL": "not-detected", "<QL": "not-detected", "TRACE": "trace",
    "TR": "trace", "EHT": "holding-time", "CANCELLED": "cancelled", "CANCELED": "cancelled",
    "CAN": "cancelled", "INSUFFICIENT SAMPLE": "insufficient", "INSUFFICIENT": "insufficient",
    "QNS": "insufficient", "FBK": "blank", "REJECTED": "rejected", "-": NOTHING, "--": NOTHING,
    "N/A": NOTHING, "NA": NOTHING, "NULL": NOTHING, "NONE": NOTHING, "NOT ANALYSED": NOTHING,
    "NOT ANALYZED": NOTHING, "": NOTHING,
}  # fmt: skip
THOUSANDS = {"none": "", "comma": ",", "point": ".", "blank": " ", "apostrophe": "'"}
_BLANKS = str.maketrans(
    {"\u00a0": " ", "\u2009": " ", "\u202f": " ", "’": "'", "\N{MINUS SIGN}": "-"}
)
_EXPONENT = re.compile(r"[+-]?[\d.,]+[eE][+-]?\d+\Z")
_SIGN = re.compile(r"([<>≤≥])\s*=?\s*(.+)\Z", re.DOTALL)
_SIDES = {"<": "<", "≤": "<", ">": ">", "≥": ">"}
# A number with marks of any kind before or behind it; the number is the longest run of digits.
_PARTED = re.compile(r"(?P<before>[^\d,.+-]*?)\s*(?P<number>[+-]?[\d.,][\d.,' ]*)(?P<after>.*)\Z")
_LOOKALIKE = re.compile(r"[\dOoIl.,]*\d[\dOoIl.,]*\Z")


def read_meaning(text: str) -> str:
    """What a mark stands for: words of `qualifiers.WORDS`, or NOTHING. Raises UserMistake."""
    if text == NOTHING:
        return NOTHING
    strange = [word for word in text.split() if word not in qualifiers.WORDS]
    if strange:
        known = ", ".join((*qualifiers.WORDS, NOTHING))
        raise UserMistake(f"{shown(strange[0])} is not a meaning known here", f"use: {known}")
    return qualifiers.joined(text.split())


@dataclass(frozen=True)
class Marks:
    """How a laboratory writes: its marks (beside the usual ones), decimal and thousands marks.

    The table gives the words of `qualifiers.WORDS` that a mark stands for, with blanks between, or
    NOTHING. `decimal` is "," or "."; `thousands` one of the values of `THOUSANDS`. With `doubtful`
    nothing says whether a point is a decimal or a thousands mark.
    """

    table: Mapping[str, str] = field(default_factory=dict)
    decimal: str = "."
    thousands: str = ""
    doubtful: bool = False

    def words(self, mark: str) -> str | None:
        """What a mark stands for: exactly as the table has it, else as everybody has it."""
        tidy = " ".join(mark.split())
        found = self.table.get(tidy)
        if found is None:
            found = USUAL.get(tidy.upper()) or USUAL.get(tidy.upper().replace(" ", ""))
        return found

    def is_nothing(self, cell: str) -> bool:
        """True for a cell that says that nothing was reported."""
        return self.words(cell) == NOTHING

    def read(self, cell: str, limit: str = "") -> Measured:
        """A cell as a value or a limit, and its words; `limit` is the column's or the row's own.

        Raises UserMistake for what cannot be understood.
        """
        if len(cell) > _LONGEST:
            raise UserMistake(f"{shown(cell)} is too long for a result", "look at the cell")
        text = cell.strip().translate(_BLANKS)
        whole = self.words(text)
        if whole is not None:
            return self._without_number(cell, whole.split(), limit)
        sign = _SIGN.match(text)
        number, marks = self._parted(sign[2] if sign else text)
        words = [word for mark in marks for word in self._explained(mark, cell)]
        if number is None:
            return self._without_number(cell, words, limit)
        side = _SIDES[sign[1]] if sign else _side(words)
        said = qualifiers.joined(words)
        if side:
            return Measured(None, _limit(number, cell), side, said)
        return Measured(number, None, "", said)

    def strange(self, cell: str) -> list[str]:
        """The marks of a cell that nothing explains."""
        text = cell.strip().translate(_BLANKS)
        if len(text) > _LONGEST or not text or self.words(text) is not None:
            return []
        sign = _SIGN.match(text)
        text = sign[2] if sign else text
        found = _PARTED.match(text)
        if found is None or not any(map(str.isdigit, found["number"])):
            marks = self._split(text)
        else:
            marks = self._split(found["before"]) + self._split(found["after"])
        return [mark for mark in marks if self.words(mark) is None]

    def _without_number(self, cell: str, words: list[str], limit: str) -> Measured:
        if NOTHING in words:
            raise UserMistake("there is no value", "leave the row out if nothing was measured")
        said, side = qualifiers.joined(words), _side(words)
        if not side and not any(_needs_no_number(word) for word in words):
            what = f"{shown(cell)} says {qualifiers.spoken(said)!r}, but there is no number"
            raise UserMistake(what, "ask the laboratory for the value")
        if side and limit:
            return Measured(None, _limit(self.number(limit.lstrip("<> ")), limit), side, said)
        return Measured(None, None, "", said)

    def _parted(self, text: str) -> tuple[Decimal | None, list[str]]:
        """The number in a text, None without one, and the marks around it."""
        found = _PARTED.match(text)
        if found is None or not any(character.isdigit() for character in found["number"]):
            return None, self._split(text)
        if _EXPONENT.match(text) or (set("OoIl") & set(text) and _LOOKALIKE.match(text)):
            return self.number(text), []
        marks = self._split(found["before"]) + self._split(found["after"])
        return self.number(found["number"]), marks

    def _split(self, text: str) -> list[str]:
        """Marks that stand together: as one if the table has it, else at blanks and commas."""
        tidy = text.strip(" ,;()[]")
        if not tidy:
            return []
        if self.words(tidy) is not None:
            return [tidy]
        return [part for part in re.split(r"[\s,;/()\[\]]+", tidy) if part]

    def _explained(self, mark: str, cell: str) -> list[str]:
        found = self.words(mark)
        if found is not None and found != NOTHING:
            return found.split()
        if cell.strip().upper() in chemistry.RATINGS:
            what = f"{shown(cell.strip())} is a rating, not a measurement"
            raise UserMistake(what, "skip the column, or explain the mark in [qualifiers]")
        what = f"{shown(mark)} in {shown(cell)} is no mark that the profile explains"
        raise UserMistake(what, f'explain it in [qualifiers], such as "{mark}" = "estimated"')

    def number(self, text: str) -> Decimal:
        """A number as this laboratory writes them; raises UserMistake with why it is none."""
        tidy = text.strip().translate(_BLANKS)
        if self.thousands and self.thousands in tidy:
            if not self._grouped(tidy, self.thousands):
                what = f"{shown(tidy)} is not grouped in thousands as the profile says"
                raise UserMistake(what, "check [file] decimal and thousands of the profile")
            tidy = tidy.replace(self.thousands, "")
        if self.doubtful and re.fullmatch(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}", tidy):
            what = f"{shown(tidy)} can be read as a thousand or as a decimal number"
            raise UserMistake(what, 'say [file] decimal = "." or "," in the profile')
        try:
            return units.number(tidy, self.decimal == ",")
        except UserMistake as error:
            marks = () if self.thousands else THOUSANDS.items()
            for name, mark in marks:
                if mark and mark != self.decimal and self._grouped(tidy, mark):
                    hint = (
                        f'if it groups thousands, say thousands = "{name}" in [file] of the profile'
                    )
                    raise UserMistake(error.message, hint) from None
            raise

    def _grouped(self, text: str, mark: str) -> bool:
        """Whether a number is grouped in thousands by that mark."""
        group, point = re.escape(mark), re.escape(self.decimal)
        return bool(re.fullmatch(rf"[+-]?[0-9]{{1,3}}({group}[0-9]{{3}})+({point}[0-9]+)?", text))


def _side(words: list[str]) -> str:
    """The side of a limit that the words put a number on; "" for a value."""
    return next((side for word in words if (side := qualifiers.WORDS[word].side)), "")


def _needs_no_number(word: str) -> bool:
    return qualifiers.WORDS[word].effect == qualifiers.LEFT_OUT


def _limit(number: Decimal, cell: str) -> Decimal:
    if number <= 0:
        what = f"a limit of {units.short(number)} in {shown(cell)} says nothing"
        raise UserMistake(what, "write the laboratory's limit")
    return number
