"""What a spreadsheet's cell shows of a stored number: formats, dates, percentages.

A stored number is kept whole, to the 15 digits that spreadsheets hold ("12.3", not
"12.300000000000001"), whatever a format rounds it to: a laboratory's digits are not thrown away
for the look of a column. Where the format shows more decimals than are stored they are added (5 as
"5.00"), because they tell how far it was read. Group marks are left out and the decimal mark is a
point. Texts of a format stay beside the number ("<0.5", "12 mg/kg"), a percentage is what it shows
(0.034 as "3.4%"), dates and times are ISO.

Formats, their built-in numbers and the two date systems: ECMA-376 (ISO/IEC 29500), Part 1,
18.8.30, 18.8.31 and 18.17.4.1. The day 29 February 1900, which the older system counts, never was.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cached_property

BUILT_IN = {
    1: "0", 2: "0.00", 3: "#,##0", 4: "#,##0.00", 9: "0%", 10: "0.00%", 11: "0.00E+00",
    12: "# ?/?", 13: "# ??/??", 14: "mm-dd-yy", 15: "d-mmm-yy", 16: "d-mmm", 17: "mmm-yy",
    18: "h:mm AM/PM", 19: "h:mm:ss AM/PM", 20: "h:mm", 21: "h:mm:ss", 22: "m/d/yy h:mm",
    37: "#,##0 ;(#,##0)", 38: "#,##0 ;(#,##0)", 39: "#,##0.00;(#,##0.00)",
    40: "#,##0.00;(#,##0.00)", 45: "mm:ss", 46: "[h]:mm:ss", 47: "mmss.0", 48: "##0.0E+0",
    **dict.fromkeys([*range(27, 37), *range(50, 59)], "yyyy-mm-dd"),
}  # fmt: skip
MOST_LENGTH = 1_000
_TOKEN = re.compile(
    r'"(?P<quoted>[^"]*)"?|\\(?P<escaped>.?)|_.?|\*.?|\[(?P<bracket>[^\]]*)\]?'
    r"|(?P<general>General)|(?P<exponent>E[+-][0#?]*)|(?P<half>AM/PM|A/P)|(?P<digits>[0#?]+)"
    r"|(?P<date>[ymdhsbg]+)|(?P<mark>[.,%/@;])|(?P<other>.)",
    re.IGNORECASE | re.DOTALL,
)
_CONDITION = re.compile(r"(<=|>=|<>|<|>|=)\s*(-?[0-9]{1,9}(?:\.[0-9]{1,9})?)")
_PLAIN = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_DIGITS = 15
_COMPARE: dict[str, Callable[[Decimal, Decimal], bool]] = {
    "<": lambda a, b: a < b,
    ">": lambda a, b: a > b,
    "=": lambda a, b: a == b,
    "<=": lambda a, b: a <= b,
    ">=": lambda a, b: a >= b,
    "<>": lambda a, b: a != b,
}


@dataclass
class Part:
    """One part of a format: for which numbers it is, and what it shows of them.

    `letters` are those of a date or time, `elapsed` if hours count beyond a day; `decimals` is
    None if the format does not fix them.
    """

    condition: tuple[str, Decimal] | None = None
    before: str = ""
    after: str = ""
    decimals: int | None = None
    percent: bool = False
    thousands: bool = False
    digits: bool = False
    letters: str = ""
    elapsed: bool = False


@dataclass(frozen=True)
class Look:
    """A cell format, as the text it makes of a number."""

    code: str

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """The parts of the code, one for all numbers or several by sign or condition."""
        return _parts(self.code)

    @property
    def is_date(self) -> bool:
        """True if it shows days or times."""
        return any(part.letters or part.elapsed for part in self.parts)

    def text(self, number: str, since_1904: bool = False) -> str:
        """What the cell shows of a plain decimal number; ValueError says why that is not kept."""
        value = Decimal(number)
        part = _part_for(self.parts, value)
        if part.letters or part.elapsed:
            return date_text(value, part.letters, part.elapsed, since_1904)
        if part.thousands:
            raise ValueError("its format shows it in thousands")
        if not part.digits:
            if not part.before.strip():
                raise ValueError("its format hides the number it holds")
            return part.before
        return part.before + _digits(value, number, part) + part.after

    def shortens(self, number: str) -> bool:
        """True if the format shows fewer decimals than the number has."""
        part = _part_for(self.parts, Decimal(number))
        held = len(number.partition(".")[2]) - 2 * part.percent
        return part.digits and part.decimals is not None and part.decimals < held


def numeral(text: str) -> str | None:
    """A stored number as plain decimal text with at most 15 digits; None if it is none."""
    if len(text) <= _DIGITS and _PLAIN.fullmatch(text):
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    if not _NUMBER.fullmatch(text):
        return None
    value = float(text)
    if value in (float("inf"), float("-inf")):
        return None
    short = Decimal(f"{value:.{_DIGITS}g}").normalize()
    if not -20 <= short.adjusted() <= 20:
        return str(short)
    plain = f"{short:f}"
    return "0" if plain == "-0" else plain


def date_text(value: Decimal, letters: str, elapsed: bool, since_1904: bool) -> str:
    """A serial number of days as ISO date, time or both; ValueError if no calendar has that day."""
    seconds = int((value * 86_400).to_integral_value())
    if elapsed:
        hours, rest = divmod(abs(seconds), 3600)
        return f"{'-' * (seconds < 0)}{hours}:{rest // 60:02}:{rest % 60:02}"
    timed = bool(set(letters) & set("hs"))
    dated = bool(set(letters) & set("ydbg")) or not timed
    clock = _clock(seconds % 86_400)
    if not dated and 0 <= seconds < 86_400:
        return clock
    day = seconds // 86_400
    if not since_1904 and day < 61:
        # Day 60 is 29 February 1900, which never was; the days before it are counted one less.
        day = day + 1 if 1 <= day < 60 else -1
    first = datetime(1904, 1, 1) if since_1904 else datetime(1899, 12, 30)
    try:
        date = (first + timedelta(days=day if day >= 0 else 10_000_000)).date().isoformat()
    except OverflowError:
        raise ValueError("it is formatted as a date, and no calendar has that day") from None
    return f"{date} {clock}" if timed else date


def _clock(seconds: int) -> str:
    text = f"{seconds // 3600:02}:{seconds // 60 % 60:02}"
    return f"{text}:{seconds % 60:02}" if seconds % 60 else text


def _digits(value: Decimal, number: str, part: Part) -> str:
    """The number with at least the decimals of its format, times 100 for a percentage."""
    if part.percent:
        value = value.scaleb(2)
        number = f"{value:f}" if -20 <= value.adjusted() <= 20 else str(value)
        if "." in number:
            number = number.rstrip("0").rstrip(".")
    if part.decimals is None or "E" in number:
        return number
    whole, _, decimals = number.partition(".")
    decimals = decimals.ljust(min(part.decimals, _DIGITS), "0")
    return f"{whole}.{decimals}" if decimals else whole


def _part_for(parts: tuple[Part, ...], value: Decimal) -> Part:
    for part in parts[:3]:
        if part.condition is not None and _COMPARE[part.condition[0]](value, part.condition[1]):
            return part
    if any(part.condition for part in parts[:3]):
        open_ones = [part for part in parts[:3] if part.condition is None]
        if not open_ones:
            raise ValueError("its format shows nothing of such a number")
        return open_ones[0]
    if value < 0 and len(parts) > 1:
        return parts[1]
    return parts[2] if value == 0 and len(parts) > 2 else parts[0]


def _parts(code: str) -> tuple[Part, ...]:
    """The parts of a format code, divided by semicolons outside quotes."""
    parts = [Part()]
    tokens: list[tuple[str, str]] = []
    for found in _TOKEN.finditer(code[:MOST_LENGTH]):
        kind, text = found.lastgroup or "", found[found.lastgroup] if found.lastgroup else ""
        if (kind, text) == ("mark", ";"):
            _fill(parts[-1], tokens)
            parts.append(Part())
            tokens = []
        else:
            tokens.append((kind, text))
    _fill(parts[-1], tokens)
    return tuple(parts)


def _fill(part: Part, tokens: list[tuple[str, str]]) -> None:
    """Understand one part's tokens."""
    dated = any(kind in ("date", "half") for kind, _ in tokens)
    scientific = any(kind == "exponent" or (kind, text) == ("mark", "/") for kind, text in tokens)
    decimals: int | None = 0
    point = False
    for kind, text in tokens:
        if kind == "bracket":
            _bracket(part, text)
        elif kind == "date":
            part.letters += text.lower()
        elif kind in ("general", "digits"):
            part.digits, part.thousands = True, False
            decimals = None if kind == "general" else (decimals or 0) + len(text) * point
        elif kind == "mark":
            part.percent = part.percent or text == "%"
            point = point or text == "."
            part.thousands = part.thousands or (text == "," and part.digits)
            part.digits = part.digits or text == "@"
            decimals = None if text == "@" else decimals
        elif kind in ("quoted", "escaped", "other") and not dated:
            _beside(part, text)
    part.decimals = None if scientific else decimals
    if part.percent:
        part.after = "%" + part.after
    if part.digits:
        part.before, part.after = _without_sign(part.before), _without_sign(part.after)


def _beside(part: Part, text: str) -> None:
    if part.digits:
        part.after += text
    else:
        part.before += text


def _without_sign(text: str) -> str:
    """Blanks, signs and brackets round a negative number say nothing beyond its own sign."""
    return "" if not text.strip(" -+()\u00a0") else text


def _bracket(part: Part, text: str) -> None:
    """`[<0.5]`, `[h]`, `[$EUR-407]`; colours and calendars change no number."""
    found = _CONDITION.fullmatch(text.strip())
    if found:
        part.condition = (found[1], Decimal(found[2]))
    elif re.fullmatch(r"h+|m+|s+", text, re.IGNORECASE):
        part.elapsed = True
    elif text.startswith("$"):
        _beside(part, text[1:].partition("-")[0])
