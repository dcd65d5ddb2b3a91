"""The QR code of a sample's code, and how large its modules are on a label.

ISO/IEC 18004: eight capitals and figures are version 1, 21 x 21 modules, at error level Q (a
quarter of it may be spoilt); four modules around it stay blank.
"""

from __future__ import annotations

from functools import cache

MODULES = 21
QUIET = 4
LEVEL = "Q"
LEAST_MM = 0.4
DOT_MM = 25.4 / 203  # of the common label printers; whole dots print with sharp edges
_MOST_DOTS = (6, 8)  # of a module on a small label, on one of _HIGH mm or more
_HIGH = 45.0
_SHARE = 0.42  # of a label's width, at most

Matrix = tuple[tuple[bool, ...], ...]


@cache
def matrix(code: str) -> Matrix:
    """The dark modules of a code, row by row, without the quiet zone."""
    import segno

    made = segno.make_qr(code, error=LEVEL, mode="alphanumeric", boost_error=False)
    return tuple(tuple(bool(one) for one in row) for row in made.matrix)


def module_mm(width: float, height: float) -> float:
    """The side of a module on a label of this size, mm: LEAST_MM, or whole printer dots."""
    whole = MODULES + 2 * QUIET
    for dots in range(_MOST_DOTS[height >= _HIGH], 3, -1):
        side = dots * DOT_MM
        if whole * side <= min(height, _SHARE * width):
            return side
    return LEAST_MM


def runs(dark: Matrix) -> list[tuple[int, int, int]]:
    """Dark modules that touch in a row as one: column, row, how many."""
    found = []
    for y, row in enumerate(dark):
        x = 0
        while x < len(row):
            end = x
            while end < len(row) and row[end]:
                end += 1
            if end > x:
                found.append((x, y, end - x))
            x = end + 1
    return found
