"""Many series a part at a time, so that what a step works on stays in the processor's cache.

The numbers do not depend on the size of a part: every series is searched by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from logbook.analysis.fits import Batch
from logbook.analysis.given import Given

#: Numbers in one array of a part: 112 kB, which stays in the cache; and where the search has
#: blocks of its own and only memory is of concern.
PART, LARGE_PART = 14_000, 400_000


def in_parts(given: Given, fitted: Callable[[Given], Batch], numbers: int = PART) -> Batch:
    """The batch of all series, fitted a part of so many numbers at a time."""
    series, pulls = given.values.shape
    size = max(1, numbers // pulls)
    if series <= size:
        return fitted(given)
    starts = range(0, series, size)
    return joined([fitted(given.rows(slice(start, start + size))) for start in starts])


def joined(batches: Sequence[Batch]) -> Batch:
    """Batches of one shape on the same days, one after the other."""
    each = [one.name for one in fields(Batch) if one.name not in _SHARED]
    found: dict[str, Any] = {
        name: np.concatenate([getattr(one, name) for one in batches]) for name in each
    }
    return replace(batches[0], **found)


#: What a batch says once for all its series.
_SHARED = frozenset({"shape", "free_start", "days", "symbols", "df", "n"})
