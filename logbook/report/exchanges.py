"""What an exchange with a place did, in sentences and as a document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from logbook.book.membership import Standing

if TYPE_CHECKING:
    from logbook.sync.exchange import Summary

Known = Mapping[str, Standing]
_MOST_NAMED = 3


def headline(name: str, summary: Summary, known: Known) -> str:
    """One exchange in a line: what went, what came, what stands open."""
    sent = "would send" if summary.dry else "sent"
    fetched = "would fetch" if summary.dry else "fetched"
    counting = _counting(summary, known)
    came = sum(counting.values())
    parts = []
    if summary.sent:
        parts.append(f"{sent} {lines(summary.sent)}")
    if came:
        of = f" from {len(counting)} machines" if len(counting) > 1 else ""
        parts.append(f"{fetched} {came if parts else lines(came)}{of}")
    told = ", ".join(parts) or _nothing(summary)
    return "; ".join([f"{name}: {told}", *_open(summary)])


def _nothing(summary: Summary) -> str:
    if summary.refused:
        return "nothing was fetched"
    return "nothing new that counts" if summary.fetched else "nothing new"


def _counting(summary: Summary, known: Known) -> dict[str, int]:
    """The lines fetched by writer; of a dry run, those of members: others would wait."""
    return {
        writer: count
        for writer, count in summary.fetched.items()
        if not summary.dry or _is_member(writer, known)
    }


def _to_wait(summary: Summary, known: Known) -> dict[str, int]:
    """The lines that a dry run found of writers that are not let in, as far as is known here."""
    counting = _counting(summary, known)
    return {w: count for w, count in summary.fetched.items() if w not in counting}


def _is_member(writer: str, known: Known) -> bool:
    return writer in known and known[writer].member


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
        *(_would_wait(w, count, known) for w, count in sorted(_to_wait(summary, known).items())),
        *(_waits(writer, count, known) for writer, count in sorted(summary.waiting.items())),
        *_forked(summary, known),
        *_clocks(summary, known),
        *_newer(summary),
    ]


def _backwards(summary: Summary, known: Known) -> Iterator[str]:
    if summary.backwards:
        again = "what it lacks would be" if summary.dry else "what it lacked was"
        named = [machine(writer, known) for writer in summary.backwards[:_MOST_NAMED]]
        more = len(summary.backwards) - len(named)
        of = ", ".join([*named, f"{more} more"] if more else named)
        yield (
            f"the place has less of {of} than the last time "
            f"(an old backup put back, or files taken away?); {again} sent again"
        )


def _joined(summary: Summary, known: Known) -> Iterator[str]:
    for writer in summary.admitted.joined:
        one = known.get(writer)
        if one is None:
            continue
        after = one.introduced.predecessor
        goes_on = f", which goes on after {machine(after, known)}" if after else ""
        yield f"first lines of {machine(writer, known)}{goes_on}"


def _would_wait(writer: str, count: int, known: Known) -> str:
    held = f"would fetch, to wait: {lines(count)} of {machine(writer, known)}"
    one = known.get(writer)
    if one is None:
        return f"{held}, unless a member has let it in by then"
    if one.retired:
        return f"{held}, as far as they were written after that machine was retired"
    return f"{held}, until it is let in: logbook machines enrol {writer[:8]}"


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


def _forked(summary: Summary, known: Known) -> Iterator[str]:
    for writer in summary.forked:
        yield (
            f"the chain of {machine(writer, known)} forks, as its store is in use in two places: "
            "logbook verify"
        )


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


def _by_machine(counts: Mapping[str, int], known: Known) -> dict[str, int]:
    return {machine(writer, known): count for writer, count in sorted(counts.items())}


def uncounted(own: str | None, known: Known) -> str | None:
    """What a machine whose lines nobody counts is told when it exchanges them, if it is one."""
    one = known.get(own or "")
    if one is None or one.member:
        return None
    is_out = "was retired" if one.retired else "is not let in yet"
    since = " since" if one.retired else ""
    short = one.writer[:8]
    lost = "" if one.retired else f" (if no member is left, here: logbook machines trust {short})"
    return (
        f"This machine, {machine(one.writer, known)}, {is_out}: what it writes{since} counts on no "
        f"other one. A member types there: logbook machines enrol {short}{lost}"
    )


def document(name: str, summary: Summary, known: Known) -> dict[str, Any]:
    """An exchange for programs."""
    return {
        "place": name,
        "dry_run": summary.dry,
        "sent_lines": summary.sent,
        "sent_entries": summary.sent_entries,
        "fetched_lines": _by_machine(_counting(summary, known), known),
        "lines_to_wait": _by_machine(_to_wait(summary, known), known),
        "waiting_entries": _by_machine(summary.waiting, known),
        "conflicts": summary.conflicts,
        "possible_duplicate_pulls": summary.duplicates,
        "remarks": remarks(summary, known),
        "problems": [
            {"where": one.where, "what": one.what, "remedy": one.remedy} for one in summary.problems
        ],
        "not_sent": summary.refused.message if summary.refused else None,
    }
