"""Results named one by one while they are few; many as a number: the history has them all."""

from __future__ import annotations

from collections.abc import Sequence

MOST_NAMED = 6  # results that a sentence names; of more a reader makes nothing


def named(found: Sequence[tuple[str, str]]) -> str:
    """ "9AANA4EJ of B7, ANFQHRRD of B3", or "45 results of 15 samples"; of (sample, name)."""
    names = list(dict.fromkeys(name for _, name in found))
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    samples = len({sample for sample, _ in found})
    return f"{len(names)} results of {samples} sample{'s' * (samples != 1)}"
