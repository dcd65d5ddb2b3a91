"""The week on paper: 80 columns of plain ASCII with a box to tick before each thing to do."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from logbook.report.board import Again, Awaited, at_laboratory
from logbook.report.lines import counted
from logbook.report.week import Day, Week, spoken
from logbook.study.samplelog import Late
from logbook.trial.ranges import compact
from logbook.trial.times import ago, spoken_day
from logbook.trial.wording import printable

WIDTH = 80  # of paper, whatever the window's
_CODES_A_LINE = 7
_BOX = "  [ ] "


def show_week(week: Week) -> None:
    """Print the week on standard output."""
    for line in _lines(week):
        print(line)


def _lines(week: Week) -> Iterator[str]:
    yield from _wrapped("", f"{week.trial}, week from {spoken_day(week.first)}")
    busy = [day for day in week.days if day.pulls or day.water]
    for day in busy:
        yield from _day(day)
    if not busy:
        yield from ("", "Nothing to pull or water this week.")
    if week.measure:
        yield from ("", "Read and weigh")
        for text in week.measure:
            yield from _wrapped(_BOX, text)
    if week.to_send:
        yield from ("", "To send")
        yield from (f"{_BOX}{_bags_of(some)}" for some in week.to_send)
    gone = at_laboratory(week.awaited, week.to_send)
    if gone or week.reruns:
        yield from ("", "Results to expect")
        yield from (f"  {_bags_of(some)}" for some in gone)
        yield from (f"  {_again(some)}" for some in week.reruns)
    for one in week.late:
        yield from _wrapped(_BOX, _late(one))
    if week.bags:
        yield from _bags(week)


def _bags_of(some: Awaited) -> str:
    return f"{counted(len(some.codes), 'bag')} of {spoken_day(some.pulled)}, {ago(some.days)}"


def _again(some: Again) -> str:
    many = counted(len(some.results), "result")
    return f"re-run of {many}, asked for {spoken_day(some.asked)}, {ago(some.days)}"


def _late(one: Late) -> str:
    return f"ask {one.lab}: {one.spoken} (usually {one.usual_days:g} d, {one.known_from})"


def _day(day: Day) -> Iterator[str]:
    yield from ("", spoken_day(day.day))
    for pull in day.pulls:
        yield from _wrapped(_BOX, f"pull {spoken(pull)}")
    for task in day.water:
        yield from _wrapped(_BOX, f"water {compact(task.beds)}: {task.amount} each")


def _bags(week: Week) -> Iterator[str]:
    yield ""
    yield f"Bags to prepare: {week.bags}; codes reserved: {len(week.reserved)}"
    for place in range(0, len(week.reserved), _CODES_A_LINE):
        yield "  " + "  ".join(week.reserved[place : place + _CODES_A_LINE])
    if len(week.reserved) < week.bags:
        yield "  logbook week --reserve gives codes to write on the others"


def _wrapped(start: str, text: str) -> list[str]:
    """Lines of the paper's width, the later ones under the text; no control characters."""
    safe = printable(text)
    return textwrap.wrap(
        safe,
        WIDTH,
        initial_indent=start,
        subsequent_indent=" " * len(start),
        break_on_hyphens=False,
    )
