"""Contrasts between treated and control beds, each bed reduced to one number first.

A contrast is a row of weights h over the pulls; the score of a bed is z = h . y. Every test is
then a comparison of two handfuls of bed scores (Welch) or of one handful of block differences
(paired), exact whatever the correlation of a bed's pulls: the bed is the unit.
Many series with the same days and numbers of beds are worked together, one a row.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.errors import UserMistake

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

CONFIDENCE = 0.95
#: Degree of the interpolant of critical values, and the fewest series it is worth it for.
DEGREE, FEW = 13, 50


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

    @property
    def seen(self) -> Flags:
        """Which beds have a result on which pulls: (treated, then control; n)."""
        return np.asarray(~np.isnan(np.vstack([self.treated, self.control])))

    def only(self, rows: Flags) -> Beds:
        """The same pulls of only these beds: rows are the treated, then the control."""
        first, second = rows[: len(self.treated)], rows[len(self.treated) :]
        return replace(
            self,
            treated=self.treated[first],
            control=self.control[second],
            treated_blocks=_chosen(self.treated_blocks, first),
            control_blocks=_chosen(self.control_blocks, second),
        )

    def on(self, pulls: Sequence[int] | Flags) -> Beds:
        """The same beds with only these pulls."""
        chosen = np.asarray(pulls)
        return replace(
            self,
            days=self.days[chosen],
            treated=self.treated[:, chosen],
            control=self.control[:, chosen],
        )


def _chosen(labels: tuple[str, ...] | None, rows: Flags) -> tuple[str, ...] | None:
    """The block labels of the chosen beds."""
    return None if labels is None else tuple(np.asarray(labels)[rows].tolist())


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
class Units:
    """What is replicated, of many series at once: beds of two sides, or block differences.

    treated: (series, units, n); control: (series, units, n), already times 1 - f, or None when
    `treated` holds differences within blocks; levels: (series, 2, n), mean treated and mean
    control, to be given with differences only.
    """

    treated: Floats
    control: Floats | None
    levels: Floats | None = None

    @property
    def kind(self) -> Literal["welch", "within-block"]:
        """How the units are compared."""
        return "within-block" if self.control is None else "welch"

    @property
    def difference(self) -> Floats:
        """Net release D of every series: (series, n)."""
        mean = self.treated.mean(1)
        return np.asarray(mean if self.control is None else mean - self.control.mean(1))

    @property
    def offsets(self) -> Floats:
        """What beds that differ by a constant share add to D, a direction a side: (series, 2, n).

        Differences without their levels: the direction of D itself, which blocks move.
        """
        if self.levels is not None:
            return self.levels
        sides = (self.treated, self.treated if self.control is None else self.control)
        return np.stack([side.mean(1) for side in sides], axis=1)

    @property
    def scatter(self) -> Scatter:
        """The units made ready for many contrasts."""
        sides = (self.treated,) if self.control is None else (self.treated, self.control)
        return Scatter(self.difference, tuple(_deviations(side) for side in sides))


def units_of(beds: Beds) -> Units:
    """The units of one series without gaps: differences within blocks where there are any."""
    control = (1.0 - beds.share) * beds.control
    if not beds.paired:
        return Units(beds.treated[None], control[None])
    blocks = sorted(set(beds.treated_blocks or ()))
    first = np.asarray([_of_block(beds.treated, beds.treated_blocks, block) for block in blocks])
    second = np.asarray([_of_block(control, beds.control_blocks, block) for block in blocks])
    levels = np.stack([first.mean(0), second.mean(0)])
    return Units((first - second)[None], None, levels[None])


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


@dataclass(frozen=True)
class Scatter:
    """D of every series and the deviations of the units of each side from their mean.

    difference: (series, n); sides: (series, units, n) each, divided by the root of
    units (units - 1), so that the squares of their scores add up to the variance of the mean.
    """

    difference: Floats
    sides: tuple[Floats, ...]

    @property
    def freedoms(self) -> tuple[float, ...]:
        """Degrees of freedom of each side."""
        return tuple(float(side.shape[1] - 1) for side in self.sides)

    def rows(self, chosen: Rows) -> Scatter:
        """Only these series."""
        if len(chosen) == len(self.difference):
            return self
        return Scatter(self.difference[chosen], tuple(side[chosen] for side in self.sides))

    def contrast(self, weights: Floats) -> Contrast:
        """A contrast of every series; weights: (series, n)."""
        estimate = np.einsum("sn,sn->s", self.difference, weights)
        parts = [_squares(side, weights) for side in self.sides]
        if len(parts) == 1:
            df = np.full(len(estimate), self.freedoms[0])
            return Contrast(estimate, np.sqrt(parts[0]), df)
        total = parts[0] + parts[1]
        with np.errstate(invalid="ignore", divide="ignore"):
            first = np.where(total > 0.0, parts[0] / total, 0.5)
        freedom, others = self.freedoms
        df = 1.0 / (first**2 / freedom + (1.0 - first) ** 2 / others)
        return Contrast(estimate, np.sqrt(total), df)

    def half_width(self, found: Contrast) -> Floats:
        """Half the 95 % interval of a contrast: (series,)."""
        return np.asarray(critical_between(found.df, self.freedoms) * found.error)


def contrast(units: Units, weights: Floats) -> Contrast:
    """A contrast of every series; weights: (n,) or (series, n).

    Source: Welch 1947, Biometrika 34:28-35; Satterthwaite 1946, Biometrics Bulletin 2:110-114;
    within blocks the paired t of Student 1908, Biometrika 6:1-25.
    """
    scatter = units.scatter
    return scatter.contrast(np.broadcast_to(weights, scatter.difference.shape))


def _deviations(side: Floats) -> Floats:
    """Deviations of a side's units from their mean, as `Scatter` holds them."""
    count = side.shape[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((side - side.mean(1, keepdims=True)) / np.sqrt(count * (count - 1.0)))


def _squares(side: Floats, weights: Floats) -> Floats:
    """Variance of a side's mean score."""
    scores = np.einsum("sun,sn->su", side, weights)
    return np.asarray(np.einsum("su,su->s", scores, scores))


def critical(df: ArrayLike, confidence: float = CONFIDENCE) -> Floats:
    """Two-sided critical value of Student's t for each number of degrees of freedom."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.asarray(df, dtype=float), 0.5 + confidence / 2.0))


def critical_between(df: Floats, freedoms: tuple[float, ...]) -> Floats:
    """`critical` of Satterthwaite's df of sides with these freedoms, quick for many series.

    Such a df lies between the smaller freedom and the sum; there the critical value is a smooth
    function of 1/df, and its Chebyshev interpolant agrees with it to 14 digits.
    """
    if df.size < FEW:
        return critical(df)
    if len(freedoms) == 1:
        return np.full_like(df, critical(freedoms[0]))
    slowest, fastest = 1.0 / min(freedoms), 1.0 / sum(freedoms)
    place = (2.0 / df - slowest - fastest) / (slowest - fastest)
    return np.asarray(np.polynomial.chebyshev.chebval(place, _coefficients(slowest, fastest)))


@cache
def _coefficients(slowest: float, fastest: float) -> Floats:
    """Chebyshev coefficients of the critical value over 1/df."""

    places = np.polynomial.chebyshev.chebpts1(DEGREE + 1)
    values = critical(2.0 / (slowest + fastest + places * (slowest - fastest)))
    return np.asarray(np.polynomial.chebyshev.chebfit(places, values, DEGREE))
