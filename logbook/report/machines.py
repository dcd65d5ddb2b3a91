"""The machines that write in a book, in words: who they are, how much of them is here.

Content only; `terminal` prints it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from logbook.journal.chain import Fork
from logbook.report.board import left_out
from logbook.study.machines import HERE, MOST_STRANGERS, Contact, Machine, Said, strangers

SHORT = 8  # hex digits of a writer's id: one chance in 4 billion that two are alike
_MOST_NAME = 40


def named(one: Machine) -> str:
    """A writer as people call it, `bench (3f2a91c0)`; a name from outside may have any length."""
    name = one.name if len(one.name) <= _MOST_NAME else f"{one.name[:_MOST_NAME]}..."
    return f"{name or 'unknown'} ({one.writer[:SHORT]})"


def sentences(one: Machine, found: Sequence[Machine]) -> Iterator[str]:
    """What there is to say of a machine, a line each; the first is its name and place."""
    yield f"{named(one)}, {one.here}" if one.here else named(one)
    yield _standing(one, found)
    if one.standing != "waits":
        yield f"{counted(one.entries, 'entry', 'entries')} here"
    if one.waiting is not None and one.standing != "waits":
        yield f"{_waiting(one)}: {one.waiting.why}"
    if one.newest is not None:
        yield f"newest line {spoken(one.newest)}, by its own clock"
    if not one.here:
        yield _contact(one.contact)
    yield from _clock(one)
    yield from (_fork(fork) for fork in one.forks)
    if one.words:
        yield f"four words: {' '.join(one.words)}"
    if one.standing == "waits" and one.words:
        command = f"logbook machines enrol {one.writer[:SHORT]}"
        yield f"a member lets it in, on its own machine: {command}" if one.here else command


def shown(found: Sequence[Machine]) -> tuple[list[Machine], str]:
    """The machines to describe, and a sentence about the strangers that are too many for it."""
    more = strangers(found)[MOST_STRANGERS:]
    if not more:
        return list(found), ""
    told = [one for one in found if one not in more]
    lines = sum(one.waiting.lines for one in more if one.waiting is not None)
    waiting = "1 more waits" if len(more) == 1 else f"{len(more)} more wait"
    return told, (
        f"{waiting} to be let in, with {counted(lines, 'line', 'lines')}: "
        "logbook machines --json names all"
    )


def of_this_one(found: Sequence[Machine]) -> str:
    """What this machine must know of itself: that it is not listed yet, or is no member."""
    own = next((one for one in found if one.here == HERE), None)
    if own is None:
        return "This machine is not listed yet: its first line makes it a writer here."
    if own.standing in ("waits", "retired"):
        told = left_out(own.writer)
        return f"{told[0].upper()}{told[1:]}."
    return ""


def _standing(one: Machine, found: Sequence[Machine]) -> str:
    if one.standing == "waits":
        here = f", {counted(one.entries, 'entry', 'entries')} here" if one.entries else ""
        if one.waiting is None:
            return f"waits: it is not enrolled{here}"
        return f"waits: {one.waiting.why}{here}; {_waiting(one)}"
    said = one.standing
    if one.standing == "goes on":
        said = f"goes on after {_called(one.after, found)}"
    said += f" since {spoken(one.said.since)}" if one.said.since else ""
    return said + _by(one.said)


def _by(said: Said) -> str:
    by = f", by {said.by} on {said.on}" if said.by else ""
    return f"{by}: {said.reason}" if said.reason else by


def _called(writer: str | None, found: Sequence[Machine]) -> str:
    known = next((one for one in found if one.writer == writer), None)
    return named(known) if known is not None else f"writer {(writer or '?')[:SHORT]}"


def _contact(contact: Contact | None) -> str:
    if contact is None:
        return "no contact yet"
    return f"last contact {spoken(contact.at)} through {contact.place}"


def _waiting(one: Machine) -> str:
    assert one.waiting is not None
    entries = counted(one.waiting.entries, "entry", "entries")
    since = f"since {spoken(datetime.fromisoformat(one.waiting.since))}"
    return f"{counted(one.waiting.lines, 'line waits', 'lines wait')} in {entries} {since}"


def _clock(one: Machine) -> Iterator[str]:
    if one.ahead:
        yield "its clock is more than a day ahead of this machine's: which one is wrong?"
    if one.back_from is not None:
        yield f"its clock went back: an earlier line says {spoken(one.back_from)}"


def _fork(fork: Fork) -> str:
    ends = " and ".join(
        f"{branch.first[:SHORT]} ({counted(branch.entries, 'entry', 'entries')})"
        for branch in fork.branches
    )
    return f"its chain forks at entry {fork.seq}, into {ends}: logbook verify"


def spoken(at: datetime) -> str:
    """`2026-03-14 07:30 UTC`: one clock for machines in several zones.

    A time at the end of the calendar, which UTC may not have, is said as it was written.
    """
    try:
        utc = at.astimezone(UTC)
    except OverflowError:
        return at.isoformat(" ", "minutes")
    return f"{utc.replace(tzinfo=None).isoformat(' ', 'minutes')} UTC"


def counted(count: int, one: str, many: str) -> str:
    """A number with its word."""
    return f"{count} {one if count == 1 else many}"


def document(found: Sequence[Machine]) -> dict[str, Any]:
    """For programs: stable names, whole ids, instants as they were written."""
    return {"machines": [_document(one) for one in found]}


def _document(one: Machine) -> dict[str, Any]:
    waiting = one.waiting
    return {
        "machine": one.name,
        "writer": one.writer,
        "here": one.here,
        "standing": one.standing,
        "goes_on_after": one.after,
        "since": _iso(one.said.since),
        "by": one.said.by or None,
        "on": one.said.on or None,
        "reason": one.said.reason or None,
        "entries": one.entries,
        "last_entry": one.last,
        "waiting": None
        if waiting is None
        else {
            "entries": waiting.entries,
            "lines": waiting.lines,
            "since": waiting.since,
            "why": waiting.why,
        },
        "newest_line": _iso(one.newest),
        "clock_ahead": one.ahead,
        "clock_went_back_from": _iso(one.back_from),
        "last_contact": None
        if one.contact is None
        else {"at": one.contact.at.isoformat(), "place": one.contact.place},
        "forks": [
            {
                "entry": fork.seq,
                "branches": [
                    {
                        "first": branch.first,
                        "last": branch.last,
                        "last_entry": branch.last_seq,
                        "entries": branch.entries,
                    }
                    for branch in fork.branches
                ],
            }
            for fork in one.forks
        ],
        "words": list(one.words),
    }


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()
