"""Contrasts between treated and control beds, each bed reduced to one number first.

A contrast is a row of weights h over the pulls; the score of a bed is z = h . y. Every test is
then a comparison of two handfuls of bed scores (Welch) or of one handful of block differences
(paired), exact whatever the correlation of a bed's pulls: the bed is the unit.
Many series with the same days and numbers of beds are worked together, one a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.errors import UserMistake

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Beds:
    """Results of one treatment and of its control on shared days.

    days: (n,) days since application, rising. treated, control: (beds, n), NaN where a bed has no
    result on a day. share: f, the amendment's share of the dry mass; the control counts for
    1 - f. treated_blocks, control_blocks: one label a bed, or None without blocks.
    """

    days: Floats
    treated: Floats
    control: Floats
    share: float = 0.0
    treated_blocks: tuple[str, ...] | None = None
    control_blocks: tuple[str, ...] | None = None

    @property
    def paired(self) -> bool:
        """Whether every block has a treated bed and a control bed, and there are two or more."""
        if self.treated_blocks is None or self.control_blocks is None:
            return False
        blocks = set(self.treated_blocks)
        return len(blocks) > 1 and blocks == set(self.control_blocks)

    @property
    def fewest(self) -> int:
        """The smaller number of beds of the two sides."""
        return min(len(self.treated), len(self.control))

    def on(self, pulls: Sequence[int] | Flags) -> Beds:
        """The same beds with only these pulls."""
        chosen = np.asarray(pulls)
        return replace(
            self,
            days=self.days[chosen],
            treated=self.treated[:, chosen],
            control=self.control[:, chosen],
        )


def beds_of(
    days: ArrayLike,
    treated: ArrayLike,
    control: ArrayLike,
    *,
    share: float = 0.0,
    treated_blocks: Sequence[str] | None = None,
    control_blocks: Sequence[str] | None = None,
) -> Beds:
    """Results as `Beds`, once they are known to be usable.

    Args:
        days: (n,); treated, control: (beds, n) in one unit, NaN for a missing bed-day.
        share: f, 0 up to but not including 1.
        treated_blocks, control_blocks: a label for each bed.

    Raises:
        UserMistake: shapes that do not fit, days that do not rise, an infinite value, no bed.
    """
    on = np.asarray(days, dtype=float)
    sides = [np.atleast_2d(np.asarray(side, dtype=float)) for side in (treated, control)]
    labels = [None if b is None else tuple(b) for b in (treated_blocks, control_blocks)]
    _check_days(on)
    for name, side, blocks in zip(("treated", "control"), sides, labels, strict=True):
        _check_side(name, side, blocks, len(on))
    if not 0.0 <= share < 1.0:
        raise UserMistake(f"the amendment's share of the dry mass is {share:g}, not 0 up to 1")
    return Beds(on, sides[0], sides[1], share, labels[0], labels[1])


def _check_days(days: Floats) -> None:
    """Refuse days that are not a rising row of numbers."""
    if days.ndim != 1 or not len(days) or not np.isfinite(days).all():
        raise UserMistake("days must be a row of numbers, one for each pull")
    if (np.diff(days) <= 0.0).any():
        raise UserMistake("days must rise from pull to pull, each day once")


def _check_side(name: str, side: Floats, blocks: tuple[str, ...] | None, pulls: int) -> None:
    """Refuse a side whose results are not beds by pulls, or whose labels do not fit."""
    if side.ndim != 2 or side.shape[1] != pulls or not side.shape[0]:
        raise UserMistake(f"{name} results have shape {side.shape}, not (beds, {pulls} pulls)")
    if np.isinf(side).any():
        raise UserMistake(f"{name} results hold an infinite value")
    if blocks is not None and len(blocks) != side.shape[0]:
        raise UserMistake(f"{side.shape[0]} {name} beds, but {len(blocks)} block labels")


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
            parts.append("days " + ", ".join(f"{day:g}" for day in self.days_left_out))
        if self.beds_left_out:
            parts.append(f"{self.beds_left_out} beds")
        return f"gaps: without {' and '.join(parts)}" if parts else ""


def whole(beds: Beds) -> Whole:
    """Beds and pulls without a gap: a score needs every pull of every bed that takes part.

    Beds without any result go first. Then the bed or pull with the largest share of gaps goes,
    again and again; a bed only while its side keeps two and, in blocks, each side of its block
    keeps one.
    """
    results = np.vstack([beds.treated, beds.control])
    labels = (beds.treated_blocks or ()) + (beds.control_blocks or ())
    side = np.repeat([0, 1], [len(beds.treated), len(beds.control)])
    rows: Flags = np.asarray(~np.isnan(results).all(1))
    columns = np.ones(results.shape[1], bool)
    while np.isnan(results[np.ix_(rows, columns)]).any():
        gaps = np.isnan(results) & rows[:, None] & columns
        by_bed = gaps.sum(1) / columns.sum()
        by_bed[[not _spare(bed, rows, side, labels, beds.paired) for bed in range(len(rows))]] = 0.0
        by_pull = gaps.sum(0) / rows.sum()
        if by_bed.max() > by_pull.max():
            rows[by_bed.argmax()] = False
        else:
            columns[by_pull.argmax()] = False
    return _kept(beds, rows, columns)


def _spare(bed: int, rows: Flags, side: Rows, labels: tuple[str, ...], paired: bool) -> bool:
    """Whether a bed can be left out without breaking the design."""
    like = rows & (side == side[bed])
    if not paired:
        return bool(like.sum() > 2)
    return sum(labels[other] == labels[bed] for other in np.flatnonzero(like)) > 1


def _kept(beds: Beds, rows: Flags, columns: Flags) -> Whole:
    """The chosen beds and pulls."""
    first, second = rows[: len(beds.treated)], rows[len(beds.treated) :]
    kept = replace(
        beds.on(columns),
        treated=beds.treated[np.ix_(first, columns)],
        control=beds.control[np.ix_(second, columns)],
        treated_blocks=_chosen(beds.treated_blocks, first),
        control_blocks=_chosen(beds.control_blocks, second),
    )
    left_out = tuple(float(day) for day in beds.days[~columns])
    return Whole(kept, left_out, int((~rows).sum()))


def _chosen(labels: tuple[str, ...] | None, rows: Flags) -> tuple[str, ...] | None:
    """The labels of the chosen beds."""
    return None if labels is None else tuple(np.asarray(labels)[rows].tolist())


@dataclass(frozen=True)
class Units:
    """What is replicated, of many series at once: beds of two sides, or block differences.

    treated: (series, units, n); control: (series, units, n), already times 1 - f, or None when
    `treated` holds differences within blocks.
    """

    treated: Floats
    control: Floats | None

    @property
    def kind(self) -> Literal["welch", "within-block"]:
        """How the units are compared."""
        return "within-block" if self.control is None else "welch"

    @property
    def difference(self) -> Floats:
        """Net release D of every series: (series, n)."""
        mean = self.treated.mean(1)
        return np.asarray(mean if self.control is None else mean - self.control.mean(1))

    def rows(self, chosen: Rows) -> Units:
        """Only these series."""
        control = None if self.control is None else self.control[chosen]
        return Units(self.treated[chosen], control)


def units_of(beds: Beds) -> Units:
    """The units of one series without gaps: differences within blocks where there are any."""
    control = (1.0 - beds.share) * beds.control
    if not beds.paired:
        return Units(beds.treated[None], control[None])
    differences = [
        _of_block(beds.treated, beds.treated_blocks, block)
        - _of_block(control, beds.control_blocks, block)
        for block in sorted(set(beds.treated_blocks or ()))
    ]
    return Units(np.asarray(differences)[None], None)


def _of_block(results: Floats, blocks: tuple[str, ...] | None, block: str) -> Floats:
    """Mean of the beds of one block."""
    rows = [own == block for own in blocks or ()]
    return np.asarray(results[rows].mean(0))


@dataclass(frozen=True)
class Contrast:
    """Estimate, standard error and degrees of freedom of a contrast: each (series,)."""

    estimate: Floats
    error: Floats
    df: Floats


def contrast(units: Units, weights: Floats) -> Contrast:
    """A contrast of every series; weights: (n,) or (series, n).

    Source: Welch 1947, Biometrika 34:28-35; Satterthwaite 1946, Biometrics Bulletin 2:110-114;
    within blocks the paired t of Student 1908, Biometrika 6:1-25.
    """
    mean, variance, freedom = _side(units.treated, weights)
    if units.control is None:
        return Contrast(mean, np.sqrt(variance), np.full(len(mean), float(freedom)))
    other, second, others = _side(units.control, weights)
    total = variance + second
    with np.errstate(invalid="ignore", divide="ignore"):
        first = np.where(total > 0.0, variance / total, 0.5)
        df = 1.0 / (first**2 / freedom + (1.0 - first) ** 2 / others)
    return Contrast(mean - other, np.sqrt(total), df)


def _side(results: Floats, weights: Floats) -> tuple[Floats, Floats, int]:
    """Mean score of a side, the variance of that mean, and its degrees of freedom."""
    scores = np.matmul(results, np.asarray(weights)[..., None])[..., 0]
    count = scores.shape[1]
    mean = scores.mean(1)
    variance = ((scores - mean[:, None]) ** 2).sum(1) / (count - 1) / count
    return mean, variance, count - 1


def critical(df: ArrayLike, confidence: float = CONFIDENCE) -> Floats:
    """Two-sided critical value of Student's t for each number of degrees of freedom."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.asarray(df, dtype=float), 0.5 + confidence / 2.0))
