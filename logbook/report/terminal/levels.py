"""Levels on a terminal: the starting soil, the control, its drift, the amended beds. ASCII."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from logbook.report import levels as content
from logbook.report.terminal.tables import console, encodable, say, table, wrapped
from logbook.study.levels import NO_CLASS

if TYPE_CHECKING:
    from logbook.handbook import Handbook
    from logbook.study.standing import Levels, Standing

_HEADINGS = ("nutrient", "method", "value", "class", "its bounds", "enough", "stands")


def show_levels(found: Levels, handbook: Handbook, width: int | None) -> None:
    """Print levels on standard output.

    width: columns to use; None: those of the window, 80 where there is none.
    """
    wide = console(width).width
    _sentences([content.title(found)], wide)
    if found.ground.no_class:
        _sentences([found.ground.no_class], wide)
    print()
    if found.start:
        _section("Starting soil", found.start, wide)
    else:
        _sentences(["Starting soil: no value is known; [soil.start] of a protocol has them"], wide)
    print()
    if found.control:
        _section(f"Control today: {content.of_when(found.control)}", found.control, wide)
        _sentences(found.crops, wide)
    else:
        _sentences(["Control: no result yet; logbook lab import FILE brings results in"], wide)
    _drift(found, wide)
    _amended(found, wide)
    print()
    _sentences([*content.closing(found, handbook), *(f"note: {one}" for one in found.notes)], wide)


def _sentences(texts: Iterable[str], width: int) -> None:
    say(piece for text in texts for piece in wrapped(text, width))


def _section(heading: str, found: Sequence[Standing], width: int) -> None:
    """A heading, the table of all that have a class, and why others have none."""
    _sentences([heading], width)
    rows = [content.cells(one) for one in found if not one.level.reason]
    if rows:
        _print(_HEADINGS, rows, "2", width)
    _sentences(content.reasons(found), width)


def _print(headings: Sequence[str], rows: Sequence[Sequence[str]], right: str, width: int) -> None:
    """A table, its columns closer together where the window is narrow."""
    cells = [[encodable(cell) for cell in row] for row in rows]
    columns = list(zip(headings, *cells, strict=True))
    natural = sum(max(map(len, column)) for column in columns) + 2 * (len(headings) - 1)
    table(headings, cells, right, width, 2 if natural <= width else 1)


def _drift(found: Levels, width: int) -> None:
    if not found.drift:
        return
    first = content.days(
        min(one.first for one in found.drift), max(one.first_until for one in found.drift)
    )
    last = content.days(
        min(one.newest_from for one in found.drift), max(one.newest for one in found.drift)
    )
    print()
    _sentences([f"Control's change, paired by bed: from {first}, until {last}"], width)
    headings = ("nutrient", "method", "change", "95 % range between beds", "beds")
    _print(headings, [content.drift_cells(one) for one in found.drift], "24", width)
    _sentences(content.drift_reasons(found.drift), width)


def _amended(found: Levels, width: int) -> None:
    """The amended beds: no class; or, asked for, the bare comparison with its sentence."""
    codes = list(dict.fromkeys(one.treatment for one in found.amended))
    if not codes:
        return
    if not found.with_amended:
        print()
        _sentences(
            [f"Amended beds ({', '.join(codes)}): {NO_CLASS['amended']}: no class; {content.ASK}"],
            width,
        )
        return
    for code in codes:
        mine = [one for one in found.amended if one.treatment == code]
        print()
        _section(f"{code}, {NO_CLASS['amended']}: {content.of_when(mine)}", mine, width)
