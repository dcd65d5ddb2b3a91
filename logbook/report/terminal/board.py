"""The daily board on a terminal: one screen of 80 columns, plain ASCII, readable without colour.

Printed without rich: loading it is a fifth of the time of the command that people type most.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence

from logbook.report.board import Awaited, Board, Task, at_laboratory, spoken, when_spoken
from logbook.trial.times import span, spoken_day
from logbook.trial.wording import printable

# Select Graphic Rendition of ECMA-48: 1 bold, 31 red, 33 yellow
_STYLES = {"Overdue": "1;33", "Missed": "31", "Look at": "1;31", "Pull": "1", "Water": "1"}
_TO_DO = ("Fill", "Water", "Apply", "Pull", "Overdue", "To send")
_SHOWN = 3
_TEXT_FROM = 11


def show_board(board: Board) -> None:
    """The daily board on one screen."""
    width = shutil.get_terminal_size((80, 24)).columns
    day = "not applied yet" if board.day is None else f"day {board.day}"
    title = f"{board.trial}, {day}, {spoken_day(board.today)}"
    for line in _wrapped(title, width):
        print(_styled(line, "1"))
    rows = list(_rows(board))
    for heading, text in rows:
        first, *rest = _wrapped(text, width - _TEXT_FROM)
        shown = _styled(heading, _STYLES.get(heading, ""))
        print(shown + " " * (_TEXT_FROM - len(heading)) + first)
        for line in rest:
            print(" " * _TEXT_FROM + line)
    if not any(heading in _TO_DO for heading, _ in rows):
        print("Nothing to do today.")


def _wrapped(text: str, width: int) -> list[str]:
    """Lines of at most `width`; control characters, which data may hold, are shown as replaced."""
    safe = printable(text)
    return textwrap.wrap(safe, max(width, 20), break_on_hyphens=False) or [""]


def _styled(text: str, style: str) -> str:
    """Text in a style, where somebody sees a terminal that shows one."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") in (None, "dumb")
    if not style or plain or not sys.stdout.isatty():
        return text
    return f"\x1b[{style}m{text}\x1b[0m"


def _rows(board: Board) -> Iterable[tuple[str, str]]:
    for task in board.fill:
        yield "Fill", f"{spoken(task.beds)}: {task.why}"
    for task in board.water:
        late = "" if not task.days else f", {task.days} d late"
        yield "Water", f"{spoken(task.beds)}: {task.what}{late}"
    for task in board.apply:
        yield "Apply", f"{spoken(task.beds)}: {task.why}"
    for task in board.of("overdue"):
        yield "Overdue", f"{_pull(task)}; {task.why}"
    for task in board.of("due"):
        yield "Pull", f"{_pull(task)}; {task.why}"
    for task in board.of("coming"):
        yield "Coming", _pull(task)
    missed = board.of("missed")
    for task in missed[-_SHOWN:]:
        yield "Missed", _pull(task)
    if len(missed) > _SHOWN:
        yield "Missed", f"and {len(missed) - _SHOWN} more, earlier (--json lists them)"
    yield from _waiting("To send", "", board.to_send)
    # The oldest first: they are the ones to ask the laboratory about.
    gone = at_laboratory(board.awaited, board.to_send)
    yield from _waiting("Awaited", "results of ", gone)
    for again in board.reruns:
        many = f"{len(again.results)} result{'s' * (len(again.results) != 1)}"
        asked = f"asked for {spoken_day(again.asked)}, {span(again.days)}"
        yield "Awaited", f"re-run of {many}, {asked}"
    for sentence in board.wrong:
        yield "Look at", sentence


def _waiting(heading: str, what: str, found: Sequence[Awaited]) -> Iterable[tuple[str, str]]:
    """Bags that wait for something, the first days of them."""
    for one in found[:_SHOWN]:
        bags = f"{len(one.codes)} bag{'s' * (len(one.codes) != 1)}"
        yield heading, f"{what}{bags} of {spoken_day(one.pulled)}, {span(one.days)}"
    later = sum(len(one.codes) for one in found[_SHOWN:])
    if later:
        yield heading, f"and {later} more, later (--json lists them)"


def _pull(task: Task) -> str:
    when = when_spoken(task)
    return f"{task.what}: {spoken(task.beds)}" + (f" ({when})" if when else "")
