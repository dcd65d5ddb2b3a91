"""The daily board on a terminal: one screen of 80 columns, plain ASCII, readable without colour."""

from __future__ import annotations

from collections.abc import Iterable

from rich.table import Table
from rich.text import Text

from logbook.report.board import Board, Task, spoken, when_spoken
from logbook.report.terminal.tables import console, printable, show
from logbook.trial.times import spoken_day

_STYLES = {
    "Overdue": "bold yellow",
    "Missed": "red",
    "Look at": "bold red",
    "Pull": "bold",
    "Water": "bold",
}
_SHOWN_MISSED = 3


def show_board(board: Board) -> None:
    """The daily board on one screen."""
    out = console()
    day = "not applied yet" if board.day is None else f"day {board.day}"
    out.print(Text(printable(f"{board.trial}, {day}, {spoken_day(board.today)}"), style="bold"))
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True, min_width=9)
    grid.add_column()
    rows = list(_rows(board))
    for heading, text in rows:
        grid.add_row(Text(heading, style=_STYLES.get(heading, "")), Text(printable(text)))
    show(out, grid)
    if not any(heading in ("Water", "Pull", "Overdue") for heading, _ in rows):
        out.print("Nothing to do today.")


def _rows(board: Board) -> Iterable[tuple[str, str]]:
    for task in board.water:
        late = "" if not task.days else f", {task.days} d late"
        yield "Water", f"{spoken(task.beds)}: {task.what}{late}"
    for task in board.of("overdue"):
        yield "Overdue", f"{_pull(task)}; {task.why}"
    for task in board.of("due"):
        yield "Pull", f"{_pull(task)}; {task.why}"
    for task in board.of("coming"):
        yield "Coming", _pull(task)
    missed = board.of("missed")
    for task in missed[-_SHOWN_MISSED:]:
        yield "Missed", _pull(task)
    if len(missed) > _SHOWN_MISSED:
        yield "Missed", f"and {len(missed) - _SHOWN_MISSED} more, earlier (--json lists them)"
    for awaited in board.awaited[-_SHOWN_MISSED:]:
        count = len(awaited.codes)
        samples = f"{count} sample{'s' * (count != 1)}"
        yield "Awaited", f"results of {samples} of {spoken_day(awaited.pulled)}, {awaited.days} d"
    for sentence in board.wrong:
        yield "Look at", sentence


def _pull(task: Task) -> str:
    when = when_spoken(task)
    return f"{task.what}: {spoken(task.beds)}" + (f" ({when})" if when else "")
