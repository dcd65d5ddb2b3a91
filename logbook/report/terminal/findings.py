"""Findings on a terminal: one page for each amendment, ASCII, no colour."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logbook.report import findings as page
from logbook.report.terminal.tables import console, say, wrapped

if TYPE_CHECKING:
    from logbook.study.findings import Findings


def show_findings(found: Sequence[Findings], width: int | None) -> None:
    """Print the findings of some amendments on standard output.

    width: columns to use; None: those of the window, 80 where there is none.
    """
    wide = console(width).width
    for place, one in enumerate(found):
        if place:
            say(["", "-" * min(wide, 40), ""])
        say([*wrapped(page.title(one), wide), *wrapped(one.trial, wide)])
        for part in page.sections(one):
            say(["", *wrapped(part.heading, wide)])
            say(piece for text in part.lines for piece in wrapped(f"- {text}", wide))
