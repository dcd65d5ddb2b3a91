"""Plain tables and sentences on a terminal, and the console that prints them.

Data is shown as it is, without colour, markup or control characters.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from logbook.trial.wording import printable


def console(width: int | None = None) -> Console:
    """A console that shows data as it is: no markup, no emoji, no highlighting.

    width: columns to use; None: those of the window, 80 where there is none.
    """
    return Console(markup=False, emoji=False, highlight=False, file=sys.stdout, width=width)


def encodable(text: str) -> str:
    """Printable text that the output can take: what it cannot encode becomes "?"."""
    encoding = sys.stdout.encoding or "ascii"
    return printable(text).encode(encoding, "replace").decode(encoding)


def wrapped(text: str, width: int, hang: str = "  ") -> list[str]:
    """A sentence in lines of so many columns, all but the first set in by `hang`."""
    return textwrap.wrap(
        encodable(text), width, subsequent_indent=hang, break_on_hyphens=False
    ) or [""]


def say(lines: Iterable[str]) -> None:
    """Print lines that the output can take."""
    for line in lines:
        print(encodable(line))


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    right: str = "",
    width: int | None = None,
    gap: int = 2,
) -> None:
    """A plain table; the columns whose number stands in `right` ("013") are set to the right.

    width: as in `console`; gap: blanks between columns.
    """
    out = console(width)
    grid = Table(box=None, pad_edge=False, show_edge=False, padding=(0, gap, 0, 0))
    for place, heading in enumerate(headings):
        side: Literal["left", "right"] = "right" if str(place) in right else "left"
        # Folded, not cut: an ellipsis would hide data and is not ASCII.
        grid.add_column(heading, justify=side, overflow="fold")
    for row in rows:
        grid.add_row(*(Text(printable(cell)) for cell in row))
    show(out, grid)


def show(out: Console, grid: Table) -> None:
    """Print a table; without the blanks at the ends of lines where nobody sees a screen."""
    if out.is_terminal:
        out.print(grid)
        return
    with out.capture() as captured:
        out.print(grid)
    for line in captured.get().splitlines():
        print(line.rstrip())
