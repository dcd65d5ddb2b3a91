"""Where everything stands on one label: the code and its QR code first, then whatever has room.

Lengths in mm from the label's upper left corner, sizes of type in points.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from logbook.report.labels import faces, squares
from logbook.report.labels.content import Label
from logbook.report.labels.faces import BOLD, CODE, MM, PLAIN, Face
from logbook.report.labels.wording import Item, grouped, items_of, spread

# What is left off a label without room for it: the first of these first.
LEFT_OFF = (
    "nitrate", "sampler", "pull", "depth and cores", "trial", "treatment", "date", "part",
    "keep cold", "bed",
)  # fmt: skip
_SIZES = tuple(half / 2 for half in range(28, 10, -1))
_NORMAL, _LARGE = 10.0, 14.0  # the largest type, and that of a label of _HIGH or more
_HIGH = 45.0
_LOW = 15.0  # on a lower label the code is small, and the bed may be larger
_WHOLE = 6.5  # names are not cut off before the type is as small as this
_SMALLEST_CODE = 8.0
_LARGEST_CODE = 26.0
_RULE_MM = (12.0, 5.0)  # room to write: the shortest rule, the lowest line


@dataclass(frozen=True)
class Text:
    """One line of type: left end of its baseline, its width."""

    x: float
    y: float
    text: str
    face: Face
    size: float
    width: float

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of all that its letters may reach."""
        top = self.y - faces.above(self.face, self.size)
        return self.x, top, self.x + self.width, self.y + faces.below(self.face, self.size)


@dataclass(frozen=True)
class Stroke:
    """A straight line and its thickness."""

    x1: float
    y1: float
    x2: float
    y2: float
    thick: float


@dataclass(frozen=True)
class Square:
    """The QR code: upper left corner of its first module, the side of one."""

    x: float
    y: float
    module: float
    dark: squares.Matrix

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom, the quiet zone included."""
        quiet, side = squares.QUIET * self.module, squares.MODULES * self.module
        return self.x - quiet, self.y - quiet, self.x + side + quiet, self.y + side + quiet


@dataclass(frozen=True)
class Drawn:
    """A label as it is printed, and the names of what had no room."""

    square: Square
    texts: tuple[Text, ...]
    strokes: tuple[Stroke, ...]
    left_off: tuple[str, ...]


@dataclass(frozen=True)
class _Column:
    """The part of a label beside its QR code."""

    x: float
    top: float
    width: float
    bottom: float


def takes(width: float, height: float) -> bool:
    """Whether a label of this size has room for the QR code and the code."""
    whole = (squares.MODULES + 2 * squares.QUIET) * squares.LEAST_MM
    if height < whole or width < whole:
        return False
    column, _ = _divided(width, height)
    return _code_size(column, height) >= _SMALLEST_CODE


def arrange(label: Label, width: float, height: float) -> Drawn:
    """The label on so much room; `takes` must hold."""
    column, (x, y, module) = _divided(width, height)
    square = Square(x, y, module, squares.matrix(label.code))
    size = _code_size(column, height)
    spoken = _in_groups(label.code)
    base = column.top + faces.above(CODE, size)
    code = Text(column.x, base, spoken, CODE, size, faces.width(spoken, CODE, size))
    rest = _Column(
        column.x, base + faces.below(CODE, size) + 0.02 * height, column.width, column.bottom
    )
    items = [_fitting(one, rest) for one in items_of(label)]
    for count in range(len(LEFT_OFF) + 1):
        kept = [one for one in items if one.name not in LEFT_OFF[:count]]
        found = _set(kept, rest, _largest(kept, height, size))
        if found is not None:
            names = {one.name for one in items} - {one.name for one in kept}
            texts, strokes = found
            left_off = tuple(name for name in LEFT_OFF if name in names)
            return Drawn(square, (code, *texts), tuple(strokes), left_off)
    raise AssertionError("nothing at all always fits")


def _fitting(item: Item, room: _Column) -> Item:
    """A list of beds too long for a label that says nothing else may be cut off."""
    if item.name != "bed" or _Setting(room, _SIZES[-1]).row([item]):
        return item
    return replace(item, shorten=True)


def _largest(items: Sequence[Item], height: float, code: float) -> float:
    """The largest type of a label's words: nothing is larger than the code, where that has room."""
    usual = _LARGE if height >= _HIGH else _NORMAL
    if height < _LOW:
        return usual
    return min(usual, code / max((one.scale for one in items), default=1.0))


def _in_groups(code: str) -> str:
    return f"{code[:4]} {code[4:]}"


def _padding(height: float) -> float:
    return 1.0 if height < _LOW else 1.5 if height < 30 else 2.0


def _divided(width: float, height: float) -> tuple[_Column, tuple[float, float, float]]:
    """The column of text, and the QR code: its first module's corner, the side of a module."""
    pad, module = _padding(height), squares.module_mm(width, height)
    quiet, side = squares.QUIET * module, squares.MODULES * module
    x = max(pad, quiet)
    column = x + side + quiet
    y = max(pad, quiet) if height >= 30 else (height - side) / 2
    return _Column(column, pad, width - pad - column, height - pad), (x, y, module)


def _code_size(column: _Column, height: float) -> float:
    """As large as the column is wide, but no more than a quarter of the label's height."""
    one = faces.width(_in_groups("W" * 8), CODE, 1.0)
    size = min(column.width / one, 0.28 * height / MM, _LARGEST_CODE)
    return int(size * 4) / 4


def _set(
    items: Sequence[Item], room: _Column, largest: float
) -> tuple[list[Text], list[Stroke]] | None:
    """The items in the largest type that has room for all of them, or None.

    Each kind on a line of its own, else one after the other; whole, else with names cut off.
    """
    if not _Setting(room, _SIZES[-1]).row(items):
        return None  # so even in the smallest type, one after the other
    whole = [replace(one, shorten=one.shorten and one.name == "bed") for one in items]
    for least, some in ((_WHOLE, whole), (_SIZES[-1], items)):
        for rows in (grouped(some), spread(some)):
            for size in _SIZES:
                if least <= size <= largest:
                    placed = _Setting(room, size)
                    if all(placed.row(row) for row in rows):
                        return placed.loosened()
    return None


class _Setting:
    """Rows of one size of type, set from the top of a column downwards."""

    def __init__(self, room: _Column, size: float) -> None:
        self.room, self.size = room, size
        self.y = room.top
        self.high = 0.0  # size of type that the line begun last was made for
        self.lines: list[tuple[list[Text], list[Stroke]]] = []

    def row(self, items: Sequence[Item]) -> bool:
        """Set items one after the other, on as many lines as they need; False without room."""
        x = 0.0
        for item in items:
            size = self.size * item.scale
            face = BOLD if item.bold else PLAIN
            indent = _indent(item, size)
            room = self.room.width - indent
            rule = _RULE_MM[0] if item.rule else 0.0
            wide = indent + faces.width(item.text, face, size) + rule
            gap = faces.width("n n", face, size) - faces.width("nn", face, size)
            beside = x and item.rows == 1 and not item.rule and size <= self.high
            if beside and x + 2.5 * gap + wide <= self.room.width:
                x = self._one(item, x + 2.5 * gap, size, face, item.text, self.lines[-1])
                continue
            fit = faces.shortened if item.shorten else faces.wrapped
            broken = fit(item.text, face, size, room - rule, item.rows)
            if broken is None:
                return False
            for text in broken:
                if not self._down(size, item.rule):
                    return False
                x = self._one(item, 0.0, size, face, text, self.lines[-1])
        return True

    def _down(self, size: float, rule: bool) -> bool:
        """Begin a line below the last one, if there is room."""
        high = faces.above(PLAIN, size) + faces.below(PLAIN, size)
        self.y += max(high, _RULE_MM[1]) if rule else high
        self.high = size
        self.lines.append(([], []))
        return self.y <= self.room.bottom + 1e-9

    def _one(
        self,
        item: Item,
        x: float,
        size: float,
        face: Face,
        text: str,
        line: tuple[list[Text], list[Stroke]],
    ) -> float:
        """Put one text on the line that was begun last; where it ends."""
        base = self.y - faces.below(PLAIN, size)
        left = self.room.x + x
        line[1].extend(_sign(item.sign, left, base, size))
        left += _indent(item, size)
        wide = faces.width(text, face, size)
        line[0].append(Text(left, base, text, face, size, wide))
        end = left + wide
        if item.rule:
            right = self.room.x + self.room.width
            line[1].append(Stroke(end + 0.8, base + 0.3, right, base + 0.3, 0.2))
            end = right
        return end - self.room.x

    def loosened(self) -> tuple[list[Text], list[Stroke]]:
        """All lines, with what room is left shared out between them, within reason."""
        spare = self.room.bottom - self.y
        each = min(spare / max(len(self.lines), 1), 0.35 * self.size * MM)
        texts, strokes = [], []
        for place, (words, signs) in enumerate(self.lines):
            down = each * (place + 1)
            texts += [Text(t.x, t.y + down, t.text, t.face, t.size, t.width) for t in words]
            strokes += [Stroke(s.x1, s.y1 + down, s.x2, s.y2 + down, s.thick) for s in signs]
        return texts, strokes


def _indent(item: Item, size: float) -> float:
    return {"": 0.0, "snow": 1.25, "box": 1.1}[item.sign] * size * MM


def _sign(sign: str, x: float, base: float, size: float) -> Iterator[Stroke]:
    """A snow crystal or a box to tick, as high as a capital."""
    high = 0.73 * size * MM
    if sign == "box":
        side = 0.85 * high
        corners = [(0, 0), (side, 0), (side, -side), (0, -side), (0, 0)]
        for (x1, y1), (x2, y2) in pairwise(corners):
            yield Stroke(x + x1, base + y1, x + x2, base + y2, 0.15)
    if sign == "snow":
        yield from _crystal(x + 0.55 * size * MM, base - high / 2, 0.62 * high)


def _crystal(x: float, y: float, radius: float) -> Iterator[Stroke]:
    """Six arms with two twigs each, about a centre."""
    from math import cos, pi, sin

    thick = radius / 6
    for arm in range(6):
        turn = pi / 6 + arm * pi / 3
        yield Stroke(x, y, x + radius * cos(turn), y + radius * sin(turn), thick)
        fork = (x + 0.55 * radius * cos(turn), y + 0.55 * radius * sin(turn))
        for side in (-pi / 3.5, pi / 3.5):
            tip = (fork[0] + 0.4 * radius * cos(turn + side),
                   fork[1] + 0.4 * radius * sin(turn + side))  # fmt: skip
            yield Stroke(*fork, *tip, thick)
