"""A weighted sum of pulls' differences where some bed has no result on some pull.

Every pull counts with its own difference, by all the beds that it has, so that no day is given up
for a missing result. A bed's part in the sum's error is the sum of its deviations from the means of
its pulls, each weighted as its result is: the bed stays the unit, whatever the correlation of its
pulls. Without gaps this is Welch's error, or that of the paired t, to the last digit.
Source: the cluster-robust variance, Liang & Zeger 1986, Biometrika 73:13-22, with deviations set
right for their own means as by Bell & McCaffrey 2002, Survey Methodology 28:169-181.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.complete import in_whole_blocks
from logbook.analysis.scores import Beds, units_of

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Sum:
    """A weighted sum of differences, its standard error and degrees of freedom.

    error, df: None where some pull has fewer than two beds on a side (or two blocks); level: the
    size of what was added, which rounding goes by.
    """

    value: float
    error: float | None
    df: float
    kind: Literal["welch", "within-block"]
    level: float


def pull_of(beds: Beds, place: int) -> Beds:
    """One pull's beds that have a result, in whole blocks where three are left."""
    there = beds.on([place])
    return there.only(in_whole_blocks(there, there.seen[:, 0]))


def difference_of(pull: Beds) -> float:
    """The difference of one pull without gaps, as it stands in the table of pulls."""
    return float(units_of(pull).difference[0, 0])


def weighted(beds: Beds, weights: Floats) -> Sum | None:
    """The sum of w D over the pulls; weights: (n,), none of them 0.

    None where some pull has no bed of a side.
    """
    pulls = [pull_of(beds, place) for place in range(len(beds.days))]
    if any(pull.fewest == 0 for pull in pulls):
        return None
    value = float(sum(w * difference_of(one) for w, one in zip(weights, pulls, strict=True)))
    paired = all(pull.paired for pull in pulls)
    sides = [_of_blocks(beds)] if paired else [beds.treated, (1.0 - beds.share) * beds.control]
    if not paired:
        sides = _seen_only(beds, sides)
    parts = [_part(side, weights) for side in sides]
    level = float(np.abs(weights) @ _largest(beds))
    kind: Literal["welch", "within-block"] = "within-block" if paired else "welch"
    if any(freedom < 0.5 for _, freedom in parts):
        return Sum(value, None, 0.0, kind, level)
    total = sum(variance for variance, _ in parts)
    spread = sum(variance**2 / freedom for variance, freedom in parts)
    df = total**2 / spread if spread > 0.0 else min(freedom for _, freedom in parts)
    return Sum(value, float(np.sqrt(total)), df, kind, level)


def _part(side: Floats, weights: Floats) -> tuple[float, float]:
    """Variance of one side's part of the sum, and its degrees of freedom: the mean of its pulls'.

    side: (units, n), NaN where a unit has no result.
    """
    counts = (~np.isnan(side)).sum(0)
    if counts.min() < 2:
        return 0.0, 0.0
    away = np.nan_to_num(side - np.nanmean(side, axis=0))
    scores = away @ (weights / np.sqrt(counts * (counts - 1.0)))
    share = np.abs(weights) / np.abs(weights).sum()
    return float(scores @ scores), float(share @ (counts - 1.0))


def _of_blocks(beds: Beds) -> Floats:
    """Differences within blocks, (blocks, n); NaN where a block has no result of a side."""
    treated, control = beds.treated, (1.0 - beds.share) * beds.control
    blocks = sorted({*(beds.treated_blocks or ()), *(beds.control_blocks or ())})
    return np.array(
        [
            _mean(treated, beds.treated_blocks, block) - _mean(control, beds.control_blocks, block)
            for block in blocks
        ]
    )


def _mean(side: Floats, labels: Sequence[str] | None, block: str) -> Floats:
    """Mean by pull of the beds of a block that have a result; NaN where none has."""
    own = side[[label == block for label in labels or ()]]
    counts = (~np.isnan(own)).sum(0)
    return np.asarray(np.where(counts > 0, np.nansum(own, axis=0) / np.maximum(counts, 1), np.nan))


def _seen_only(beds: Beds, sides: Sequence[Floats]) -> list[Floats]:
    """The sides without the results that a pull leaves out with their broken block."""
    first = len(beds.treated)
    found = [side.copy() for side in sides]
    for place in range(len(beds.days)):
        there = beds.on([place])
        gone = ~in_whole_blocks(there, there.seen[:, 0])
        found[0][gone[:first], place] = np.nan
        found[1][gone[first:], place] = np.nan
    return found


def _largest(beds: Beds) -> Floats:
    """The largest size of a result on each pull."""
    return np.asarray(np.nanmax(np.abs(np.vstack([beds.treated, beds.control])), axis=0))
