"""A bar for what takes more than a second: on the error stream, and only where somebody looks."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress

AFTER_SECONDS = 1.0


@contextmanager
def bar(
    what: str, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic
) -> Iterator[Callable[[float], None]]:
    """Give a function that is told which share (0 to 1) of `what` is done.

    Nothing is shown in the first second, nor ever if `stream` (the error stream) is no terminal;
    the bar is gone when the work is.
    """
    out = sys.stderr if stream is None else stream
    began = clock()
    shown: list[tuple[Progress, Any]] = []

    def step(share: float) -> None:
        if not shown:
            if not out.isatty() or clock() - began < AFTER_SECONDS:
                return
            shown.append(_started(what, out))
        progress, task = shown[0]
        progress.update(task, completed=min(max(share, 0.0), 1.0))

    try:
        yield step
    finally:
        if shown:
            shown[0][0].stop()


@contextmanager
def counter(
    what: str, stream: TextIO | None = None, clock: Callable[[], float] = time.monotonic
) -> Iterator[Callable[[str, int], None]]:
    """As `bar`, for work whose end nobody knows: give a function that is told what was counted."""
    out = sys.stderr if stream is None else stream
    began = clock()
    shown: list[tuple[Progress, Any]] = []

    def step(doing: str, count: int) -> None:
        if not shown:
            if not out.isatty() or clock() - began < AFTER_SECONDS:
                return
            shown.append(_counting(out))
        progress, task = shown[0]
        progress.update(task, description=f"{what}: {doing} {count:,} entries")

    try:
        yield step
    finally:
        if shown:
            shown[0][0].stop()


def _counting(out: TextIO) -> tuple[Progress, Any]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    progress = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        console=Console(file=out),
        transient=True,
    )
    progress.start()
    return progress, progress.add_task("", total=None)


def _started(what: str, out: TextIO) -> tuple[Progress, Any]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    progress = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        console=Console(file=out),
        transient=True,
    )
    progress.start()
    return progress, progress.add_task(what, total=1.0)
