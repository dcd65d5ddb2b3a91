"""The picture of a series in characters, by plotext: marks, ranges, the fitted curve, a zero line.

Each kind of mark is a character of its own, so that nothing depends on colour.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from logbook.report import marks

if TYPE_CHECKING:
    from logbook.study.series import Series

_ROWS = 18
_BOXES = str.maketrans("─│┌┐└┘├┤┬┴┼", "-|+++++++++")
_LEVEL, _RANGE, _CURVE, _POINT, _POSSIBLE = "-", "|", ".", "o", ":"
_FINE_CURVE = "\N{BRAILLE PATTERN DOTS-25}"
_UP, _DOWN = "^", "v"


def chart(series: Series, width: int, *, ascii_only: bool) -> list[str]:
    """Lines of the picture with its key, none wider than `width` (at least 30)."""
    shown = marks.marks(series)
    if not shown:
        return ["(no picture: no pull has a difference that can be drawn)"]
    text = _drawn(series, shown, width, _CURVE if ascii_only else "braille")
    what = (
        "value" if series.plain else marks.difference_name([series]).removesuffix(" from control")
    )
    lines = [line.rstrip() for line in text.translate(_BOXES if ascii_only else {}).splitlines()]
    while lines and not lines[-1]:
        lines.pop()
    return [f"{what}, {series.unit}", *lines, *_key(series, shown, width, ascii_only)]


def _drawn(series: Series, shown: list[marks.Mark], width: int, curve_sign: str) -> str:
    """The figure as text without colour."""
    import plotext

    # Without this, output that goes to a file would be cut at 80 columns.
    plotext.terminal.limit(False, False)
    figure = plotext.figure
    figure.clear()
    figure.plot_size(width, _ROWS)
    curve = marks.curve_points(series, 2 * width)
    days = _scales(figure, shown, curve)
    figure.draw(figure.segment(days, (0.0, 0.0), marker=_LEVEL))
    for mark in shown:
        _ends(figure, mark)
    if curve:
        figure.draw(figure.signal(*_columns(curve), marker=curve_sign))
    points = [(mark.day, mark.value) for mark in shown if mark.value is not None]
    if points:
        figure.draw(figure.signal(*_columns(points), marker=_POINT))
    figure.label("days since application", axis="x")
    return str(figure.build().string(True))


def _columns(points: Iterable[tuple[float, float]]) -> tuple[list[float], list[float]]:
    days, values = zip(*points, strict=True)
    return list(days), list(values)


def _scales(
    figure: Any, shown: list[marks.Mark], curve: list[tuple[float, float]]
) -> tuple[float, float]:
    """Set limits and ticks of both axes; the ends of the axis of days."""
    days = [mark.day for mark in shown]
    first, last = min(0.0, *days), max(1.0, *days)
    room = 0.03 * (last - first)
    low, high = marks.span_of(_heights(shown, curve))
    ticks, levels = marks.day_ticks(first, last, 8), marks.value_ticks(low, high)
    figure.ruler("x").lim(first - room, last + room)
    figure.ruler("x").ticks(ticks, [str(tick) for tick in ticks])
    figure.ruler("y").lim(low, high)
    figure.ruler("y").ticks(levels, marks.level_texts(levels))
    figure.axes(False, axis="x", side="upper")
    figure.axes(False, axis="y", side="right")
    return first - room, last + room


def _heights(shown: list[marks.Mark], curve: list[tuple[float, float]]) -> list[float]:
    ends = [end for mark in shown for end in (mark.value, mark.low, mark.high) if end is not None]
    return [*ends, *(value for _, value in curve)]


def _ends(figure: Any, mark: marks.Mark) -> None:
    """An interval as a bar; possible values as dots, an open end as an arrow at the known one."""
    if mark.low is not None and mark.high is not None:
        sign = _POSSIBLE if mark.value is None else _RANGE
        figure.draw(figure.segment((mark.day, mark.day), (mark.low, mark.high), marker=sign))
    elif mark.low is not None:
        figure.draw(figure.signal([mark.day], [mark.low], marker=_UP))
    elif mark.high is not None:
        figure.draw(figure.signal([mark.day], [mark.high], marker=_DOWN))


def _key(series: Series, shown: list[marks.Mark], width: int, ascii_only: bool) -> list[str]:
    """What each character means, as far as it occurs."""
    fit = marks.drawn_fit(series)
    closed = [mark for mark in shown if mark.low is not None and mark.high is not None]
    opened = [mark for mark in shown if mark.value is None and mark not in closed]
    which = marks.drawn_name(series)
    curve = _CURVE if ascii_only else _FINE_CURVE
    parts = [
        (any(mark.value is not None for mark in shown), f"{_POINT} {which}"),
        (any(mark.value is not None for mark in closed), f"{_RANGE} 95 % range"),
        (any(mark.value is None for mark in closed), f"{_POSSIBLE} possible values"),
        (any(mark.high is None for mark in opened), f"{_UP} this or more"),
        (any(mark.low is None for mark in opened), f"{_DOWN} this or less"),
        (fit is not None, f"{curve} fitted curve{'' if fit is None else f' ({fit.shape})'}"),
        (True, f"{_LEVEL} level with control"),
    ]
    return _filled([text for present, text in parts if present], width)


def _filled(parts: list[str], width: int) -> list[str]:
    """Parts with blanks between, as many to a line as fit; no part is broken."""
    lines = [""]
    for part in parts:
        joined = f"{lines[-1]}   {part}" if lines[-1] else part
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(part)
    return lines
