"""The largest part of some beds and pulls that has no gap: a score needs all pulls of a bed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.scores import Beds
from logbook.analysis.series import FEWEST_WHOLE
from logbook.trial.times import age_text

Flags = NDArray[np.bool_]

#: Pulls with gaps of which every choice is tried: 2 ** 10 of them.
_MOST_TRIED = 10


@dataclass(frozen=True)
class Whole:
    """The largest part of some beds without a gap, and what was left out for it."""

    beds: Beds
    days_left_out: tuple[float, ...]
    beds_left_out: int

    @property
    def note(self) -> str:
        """What was left out, in words; "" when nothing was."""
        parts = []
        if self.days_left_out:
            days = ", ".join(map(age_text, self.days_left_out))
            parts.append(f"day{'s' * (len(self.days_left_out) > 1)} {days}")
        if self.beds_left_out:
            parts.append(counted(self.beds_left_out))
        return f"gaps: without {' and '.join(parts)}" if parts else ""


def counted(beds: int) -> str:
    """ "1 bed", "2 beds"."""
    return f"{beds} bed{'' if beds == 1 else 's'}"


def whole(beds: Beds, *, with_start: bool = False) -> Whole:
    """Beds and pulls without a gap, as many units times pulls as can be had.

    A unit is a block with both its sides, or, without blocks, what the two sides together are worth
    in a difference, 1 / (1/b_T + 1/b_C). Of all choices of pulls to give up, the one that keeps
    most counts; on a tie that with more results, then with more pulls. Both sides keep two beds
    wherever they had them. A block that never has a result of one side is left out while three
    others have. with_start: the pulls up to day 0 are not given up while the others can be had
    with them, since a curve with a start of its own needs one.
    """
    if with_start:
        kept = _largest(beds, may_go=beds.days > 0.0)
        if kept is not None:
            return kept
    found = _largest(beds, may_go=np.ones(len(beds.days), bool))
    assert found is not None
    return found


def _largest(beds: Beds, may_go: Flags) -> Whole | None:
    """The largest whole part, giving up some of the pulls that may go; None where it is worth
    nothing although another might be."""
    seen = beds.seen
    rows = in_whole_blocks(beds, np.asarray(seen.any(1)))
    gapped = np.flatnonzero((~seen[rows]).any(0) & may_go)
    best: tuple[tuple[float, int, int], Flags, Flags] | None = None
    for dropped in _choices(gapped, seen, rows):
        columns = np.ones(seen.shape[1], bool)
        columns[list(dropped)] = False
        kept = np.asarray(rows & seen[:, columns].all(1))
        kept = in_whole_blocks(beds, kept)
        worth = _worth(beds, kept) * int(columns.sum())
        score = (worth, int(kept.sum() * columns.sum()), int(columns.sum()))
        if best is None or score > best[0]:
            best = score, kept, columns
    assert best is not None
    if best[0][0] <= 0.0 and not may_go.all():
        return None
    return _kept(beds, best[1], best[2])


def _choices(gapped: NDArray[np.intp], seen: Flags, rows: Flags) -> Iterator[Sequence[int]]:
    """Pulls to give up: every choice of those with gaps, or the worst one after the other."""
    if len(gapped) <= _MOST_TRIED:
        for count in range(len(gapped) + 1):
            yield from combinations(gapped.tolist(), count)
        return
    worst = gapped[np.argsort(-(~seen[rows][:, gapped]).sum(0), kind="stable")].tolist()
    for count in range(len(worst) + 1):
        yield worst[:count]


def _sides(beds: Beds) -> tuple[Flags, Flags]:
    """Which rows are treated, and which control."""
    treated = np.arange(len(beds.treated) + len(beds.control)) < len(beds.treated)
    return treated, ~treated


def _labels(beds: Beds) -> NDArray[np.str_] | None:
    """The block of every row, None without blocks."""
    if beds.treated_blocks is None or beds.control_blocks is None:
        return None
    return np.asarray(beds.treated_blocks + beds.control_blocks, dtype=str)


def in_whole_blocks(beds: Beds, rows: Flags) -> Flags:
    """Of these rows (treated, then control) those in blocks that keep both sides.

    All of them where fewer than FEWEST_WHOLE blocks do, or where there are no blocks.
    """
    labels = _labels(beds)
    if labels is None:
        return rows
    treated, control = _sides(beds)
    both = set(labels[rows & treated]) & set(labels[rows & control])
    if len(both) < FEWEST_WHOLE:
        return rows
    return rows & np.isin(labels, sorted(both))


def _worth(beds: Beds, rows: Flags) -> float:
    """How many units these rows are; 0 where a side loses the two beds that a spread needs."""
    treated, control = (int((rows & side).sum()) for side in _sides(beds))
    if treated < min(2, len(beds.treated)) or control < min(2, len(beds.control)):
        return 0.0
    labels = _labels(beds)
    sides = _sides(beds)
    if labels is not None and set(labels[rows & sides[0]]) == set(labels[rows & sides[1]]):
        return float(len(set(labels[rows])))
    return 1.0 / (1.0 / treated + 1.0 / control) if treated and control else 0.0


def _kept(beds: Beds, rows: Flags, columns: Flags) -> Whole:
    """The chosen beds and pulls."""
    left_out = tuple(float(day) for day in beds.days[~columns])
    return Whole(beds.only(rows).on(columns), left_out, int((~rows).sum()))
