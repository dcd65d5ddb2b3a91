"""What an exchange with a place did, in sentences and as a document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from logbook.book.membership import Standing

if TYPE_CHECKING:
    from logbook.sync.exchange import Summary

Known = Mapping[str, Standing]


def headline(name: str, summary: Summary) -> str:
    """One exchange in a line: what went, what came, what stands open."""
    sent = "would send" if summary.dry else "sent"
    fetched = "would fetch" if summary.dry else "fetched"
    came = sum(summary.fetched.values())
    parts = []
    if summary.sent:
        parts.append(f"{sent} {lines(summary.sent)}")
    if came:
        count = len(summary.fetched)
        of = f" from {count} machines" if count > 1 else ""
        parts.append(f"{fetched} {came if parts else lines(came)}{of}")
    told = ", ".join(parts) or ("nothing was fetched" if summary.refused else "nothing new")
    return "; ".join([f"{name}: {told}", *_open(summary)])


def _open(summary: Summary) -> Iterator[str]:
    if summary.conflicts:
        yield f"{summary.conflicts} conflict{'s' * (summary.conflicts != 1)}"
    if summary.duplicates:
        yield f"{summary.duplicates} possible duplicate pull{'s' * (summary.duplicates != 1)}"


def lines(count: int) -> str:
    """A number of lines with its word."""
    return f"{count} line{'s' * (count != 1)}"


def machine(writer: str, known: Known) -> str:
    """A writer as people call it: its machine's name and the beginning of its id."""
    name = known[writer].introduced.machine if writer in known else "an unknown machine"
    return f"{name} ({writer[:8]})"


def remarks(summary: Summary, known: Known) -> list[str]:
    """What else is to be said of an exchange, a sentence each."""
    return [
        *_backwards(summary, known),
        *_joined(summary, known),
        *(_waits(writer, count, known) for writer, count in sorted(summary.waiting.items())),
        *_clocks(summary, known),
        *_newer(summary),
    ]


def _backwards(summary: Summary, known: Known) -> Iterator[str]:
    for writer in summary.backwards:
        yield (
            f"the place has less of {machine(writer, known)} than the last time "
            "(an old backup put back, or files taken away?); what it lacked was sent again"
        )


def _joined(summary: Summary, known: Known) -> Iterator[str]:
    for writer in summary.admitted.joined:
        one = known.get(writer)
        if one is None:
            continue
        after = one.introduced.predecessor
        goes_on = f", which goes on after {machine(after, known)}" if after else ""
        yield f"first lines of {machine(writer, known)}{goes_on}"


def _waits(writer: str, count: int, known: Known) -> str:
    held = f"{count} entr{'ies' if count != 1 else 'y'} of {machine(writer, known)}"
    wait = "wait" if count != 1 else "waits"
    one = known.get(writer)
    if one is None:
        return f"{held} {wait}: its first entry is not here yet"
    if one.retired:
        return f"{held} {wait}: written after that machine was retired"
    if one.member:
        return f"{held} {wait}: an entry before, or that machine's signature, is not here yet"
    return f"{held} {wait} until it is let in: logbook machines enrol {writer[:8]}"


def _clocks(summary: Summary, known: Known) -> Iterator[str]:
    for writer, count in sorted(summary.admitted.ahead.items()):
        were = "were" if count != 1 else "was"
        yield (
            f"{count} entr{'ies' if count != 1 else 'y'} of {machine(writer, known)} "
            f"{were} written more than a day ahead of this machine's clock: which one is wrong?"
        )


def _newer(summary: Summary) -> Iterator[str]:
    count = summary.admitted.newer
    if count:
        yield (
            f"{count} entr{'ies' if count != 1 else 'y'} by a newer version of the program: "
            "kept and passed on, not shown here"
        )


def document(name: str, summary: Summary, known: Known) -> dict[str, Any]:
    """An exchange for programs."""
    return {
        "place": name,
        "dry_run": summary.dry,
        "sent_lines": summary.sent,
        "sent_entries": summary.sent_entries,
        "fetched_lines": {machine(w, known): n for w, n in sorted(summary.fetched.items())},
        "waiting_entries": {machine(w, known): n for w, n in sorted(summary.waiting.items())},
        "conflicts": summary.conflicts,
        "possible_duplicate_pulls": summary.duplicates,
        "remarks": remarks(summary, known),
        "problems": [
            {"where": one.where, "what": one.what, "remedy": one.remedy} for one in summary.problems
        ],
        "not_sent": summary.refused.message if summary.refused else None,
    }
