"""Short codes that survive mud, handwriting and a telephone: samples and acts.

A code is seven symbols and a check symbol, eight in all (field IDs on common laboratory boxes
hold eight). The 23 symbols leave out the pairs that people misread: 0 O, 1 I, 2 Z, 5 S, 6 G (G
stays), 8 B, U V. Because 23 is prime, the weighted check finds every single wrong symbol and
every swap of two neighbours (the argument behind ISBN-10's modulus 11).
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterable

ALPHABET = "3479ACDEFGHJKLMNPQRTWXY"
LENGTH = 8
_VALUE = {symbol: number for number, symbol in enumerate(ALPHABET)}


def check_symbol(body: str) -> str:
    """The check symbol of `body`: sum of (position + 2) * value, modulo 23."""
    total = sum((place + 2) * _VALUE[symbol] for place, symbol in enumerate(body))
    return ALPHABET[-total % len(ALPHABET)]


def new_code(choose: Callable[[str], str] = secrets.choice) -> str:
    """A fresh code; `choose` picks one symbol (tests and the demo pass a seeded one).

    Codes that a spreadsheet would turn into a number or a date (3479E347, 9MAR3449) are left out.
    """
    while True:
        body = "".join(choose(ALPHABET) for _ in range(LENGTH - 1))
        code = body + check_symbol(body)
        if _SPREADSHEET_BAIT.fullmatch(code) is None:
            return code


_SPREADSHEET_BAIT = re.compile(r"\d+E\d+|\d*(JAN|MAR|APR|MAY|DEC)\d*")
_FILLERS = re.compile(r"[\s\-‐‑–_.]+")


def tidy(text: str) -> str:
    """The code as written, in capitals, without the blanks, hyphens and dots people add."""
    return _FILLERS.sub("", text.upper())


def is_valid(text: str) -> bool:
    """True if `text` (tidied) has the length, the symbols and the right check symbol."""
    code = tidy(text)
    return (
        len(code) == LENGTH
        and all(symbol in _VALUE for symbol in code)
        and check_symbol(code[:-1]) == code[-1]
    )


def flaw(text: str) -> str:
    """Why `text` is no valid code, in words; empty for a valid one."""
    code = tidy(text)
    strange = "".join(sorted(set(code) - set(ALPHABET)))
    if len(code) != LENGTH:
        return f"a code has {LENGTH} symbols, this one {len(code)}"
    if strange:
        return f"no code has the symbol {strange[0]!r}"
    return "" if is_valid(code) else "its check symbol does not fit: a symbol is wrong or swapped"


def candidates(text: str, known: Iterable[str], most: int = 3) -> list[str]:
    """Known codes at most two symbols away from a mistyped one, nearest first."""
    code = tidy(text)
    scored = [(_distance(code, other), other) for other in known]
    return [other for distance, other in sorted(scored) if distance <= 2][:most]


def _distance(left: str, right: str) -> int:
    """Edit distance counting a swap of neighbours as one (Damerau's restricted distance)."""
    if abs(len(left) - len(right)) > 2:
        return 9
    before: list[int] = []
    previous = list(range(len(right) + 1))
    for i, a in enumerate(left, start=1):
        current = [i]
        for j, b in enumerate(right, start=1):
            best = min(previous[j] + 1, current[-1] + 1, previous[j - 1] + (a != b))
            if i > 1 and j > 1 and a == right[j - 2] and left[i - 2] == b:
                best = min(best, before[j - 2] + 1)
            current.append(best)
        before, previous = previous, current
    return previous[-1]
