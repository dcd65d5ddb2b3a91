"""The merge of one key: from all writes of it to what is shown. No clock takes part.

A write is live if no other write of the same key replaces it. One live write is the value. Live
writes that agree apart from how they were typed agree; others are a conflict: the greatest entry
id is shown, flagged, and kept out of every fit. This is a function of the *set* of writes, so the
order in which machines exchange them cannot matter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from logbook.journal.entry import Value

# How something was typed or printed, and when and from which file a report came in here, never
# makes two equal values differ: two machines may import the same report, and each opens its queries
# on the day of its import. What the laboratory calls a sample is printed, too: one machine may have
# read that column and the other not.
TYPED_FIELDS = frozenset(
    {"typed", "reported", "reported_unit", "form", "received", "file", "laboratory_number"}
    | {"opened", "deadline"}
)


@dataclass(frozen=True)
class Merged:
    """What stands under a key: the entry and value shown (None: struck), and if it is disputed."""

    entry: str
    value: Value | None
    conflict: bool


def live(writes: Iterable[str], replaced: Collection[str]) -> list[str]:
    """The entry ids of the writes that nobody replaces."""
    return [entry for entry in writes if entry not in replaced]


def merge(living: Iterable[tuple[str, Value | None]]) -> Merged | None:
    """Merge the live writes `(entry id, value)` of one key; None if there are none.

    A value wins over a strike when both are live (the strike is not lost: it is a conflict).
    """
    ordered = sorted(living, key=lambda write: (write[1] is not None, write[0]))
    if not ordered:
        return None
    entry, value = ordered[-1]
    disputed = any(not agree(other, value) for _, other in ordered[:-1])
    return Merged(entry, value, disputed)


def agree(one: Value | None, other: Value | None) -> bool:
    """True if two values say the same, however each was typed."""
    return _meaning(one) == _meaning(other)


def _meaning(value: Value | None) -> Value | None:
    if value is None:
        return None
    return {name: part for name, part in value.items() if name not in TYPED_FIELDS}
