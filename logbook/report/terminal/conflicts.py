"""What is open between machines, on a terminal of 80 columns."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

from logbook.report.conflicts import (
    DisagreementTold,
    DuplicateTold,
    Page,
    PullTold,
    VersionTold,
    hanging,
    summary,
)
from logbook.report.lines import counted
from logbook.report.terminal.tables import say, wrapped

_WIDTH = 78


def show_conflicts(found: Page) -> None:
    """Each line with its versions, each pair of pulls, and what to type to end it."""
    trials = {one.trial for one in found.conflicts} | {
        one.trial for one in found.possible_duplicates
    }
    say(summary(found))
    for one in found.conflicts:
        say(["", *_disagreement(one, several=len(trials) > 1)])
    for pair in found.possible_duplicates:
        say(["", *_duplicate(pair, several=len(trials) > 1)])
    if found.newer_lines:
        lines = counted(found.newer_lines, "line")
        was = "were" if found.newer_lines != 1 else "was"
        told = f"{lines} {was} written by a newer version of the program: kept and passed on"
        say(["", *wrapped(f"{told}, not shown here.", _WIDTH)])


def _disagreement(one: DisagreementTold, several: bool) -> Iterator[str]:
    trial = f" ({one.trial})" if several and one.trial else ""
    when = f", {one.when_shown}" if one.when_shown else ""
    differ = f"; differs in {', '.join(one.differ_shown)}" if one.differ_shown else ""
    yield from wrapped(f"{one.reference}: {one.line}{trial}{when}{differ}", _WIDTH)
    for version in one.versions:
        yield from _version(version)
    if one.left_out_of:
        yield from _within(f"left out of {', '.join(one.left_out_of)} until settled", "  ")
    yield f"  logbook settle {shlex.quote(one.reference)} --keep NUMBER --reason TEXT"


def _version(one: VersionTold) -> Iterator[str]:
    yield from _within(
        f"{one.number}  {one.short}  {one.by} on {one.machine}, {one.written_shown}", "  ", hang=5
    )
    words = one.words
    if one.same_as is not None:
        words = f"as {one.same_as}: {words}"
    yield from _within("; ".join((words, *one.besides_shown)), "     ")
    if one.reason:
        yield from _within(f"because: {one.reason}", "     ")


def _duplicate(one: DuplicateTold, several: bool) -> Iterator[str]:
    trial = f" ({one.trial})" if several and one.trial else ""
    first, second = one.first, one.second
    told = f"{first.code} and {second.code} may be one pull of {one.bed} written down twice{trial}"
    yield from wrapped(told, _WIDTH)
    for pull in (first, second):
        yield from _pull(pull)
    codes = f"logbook settle {first.code} {second.code}"
    yield f"  {codes} --same --reason TEXT"
    yield f"  {codes} --different --reason TEXT"


def _pull(one: PullTold) -> Iterator[str]:
    yield from _within(
        f"{one.code}  {one.by} on {one.machine}, {one.written_shown}; {hanging(one)}", "  ", hang=5
    )
    yield from _within(f"{one.words}, {one.when_shown}", "     ")
    if one.parts:
        yield from _within(f"parts: {', '.join(one.parts)}", "     ")


def _within(text: str, before: str, hang: int = 2) -> list[str]:
    """Lines set in by `before`, further ones by `hang` more columns."""
    return [before + line for line in wrapped(text, _WIDTH - len(before), " " * hang)]
