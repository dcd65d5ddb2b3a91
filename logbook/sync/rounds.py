"""A round of exchanges: a place that was visited before another brought lines is visited again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from logbook.book.admitting import Admitted
from logbook.sync.exchange import Summary


def lacking(done: Sequence[Summary]) -> int:
    """How many of the first places lack what a later one brought into the journal."""
    brought = [at for at, one in enumerate(done) if one.admitted.entries and not one.dry]
    return max(brought, default=0)


def merged(first: Summary, again: Summary) -> Summary:
    """Two exchanges with one place as one: what went and came in both, and how things stand now."""
    return replace(
        again,
        sent=first.sent + again.sent,
        sent_entries=first.sent_entries + again.sent_entries,
        fetched=_sum(first.fetched, again.fetched),
        admitted=_both(first.admitted, again.admitted),
        backwards=sorted({*first.backwards, *again.backwards}),
        # What is bad there is found each time that it is looked at.
        problems=list(dict.fromkeys([*first.problems, *again.problems])),
    )


def _both(first: Admitted, again: Admitted) -> Admitted:
    return replace(
        again,
        entries=_sum(first.entries, again.entries),
        lines=_sum(first.lines, again.lines),
        ahead=_sum(first.ahead, again.ahead),
        newer=first.newer + again.newer,
        joined=[*first.joined, *again.joined],
        forged=[*first.forged, *again.forged],
    )


def _sum(first: Mapping[str, int], again: Mapping[str, int]) -> dict[str, int]:
    return dict(Counter(first) + Counter(again))
