"""One difference with its 95 % interval: paired within blocks, or by Welch."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from logbook.analysis.beds import Bed, mean
from logbook.analysis.tails import t_quantile

_NOT_ESTIMATED = "so that the spread between them cannot be estimated: no interval"
SPREAD_UNSEEN = f"the beds agree to the last digit reported, {_NOT_ESTIMATED}"
#: A standard error this small beside the values is rounding, not a spread between beds.
ROUNDING = 1e-12


@dataclass(frozen=True)
class Contrast:
    """One difference. value None: only bounds, or nothing, can be given.

    low, high: the 95 % interval, or the possible values where the method is "bounds"; None is an
    open or missing end, with `reason` saying why. df: degrees of freedom of the interval, None
    where several intervals are united ("bounds + ...").
    """

    value: float | None
    low: float | None
    high: float | None
    df: float | None
    reason: str = ""


def same_in_blocks(count: int) -> str:
    """Why so many blocks give no interval: the beds may differ, their differences do not."""
    who = "both blocks give" if count == 2 else f"all {count} blocks give"
    return f"{who} the same difference, {_NOT_ESTIMATED}"


def within_block(treated: Sequence[Bed], control: Sequence[Bed], share: float) -> Contrast:
    """Paired t on the differences of blocks, controls of a block averaged: b - 1 df.

    Where T - C is the same in every block, T - share C has no interval either: its spread would be
    only that of the controls, taken times 1 - share.

    Source: Student 1908, Biometrika 6:1-25 (the paired comparison).
    """
    plus, minus = block_means(treated), block_means(control)
    gaps = [plus[block] - share * minus[block] for block in plus]
    bare = _variance([plus[block] - minus[block] for block in plus])
    size = max(map(abs, (*plus.values(), *minus.values())))
    if math.sqrt(bare / len(gaps)) <= ROUNDING * size:
        agree = all(_agree([bed.low for bed in side], size) for side in (treated, control))
        why = SPREAD_UNSEEN if agree else same_in_blocks(len(gaps))
        return Contrast(mean(gaps), None, None, None, why)
    found = _interval(mean(gaps), _variance(gaps) / len(gaps), len(gaps) - 1.0, size)
    return replace(found, reason=same_in_blocks(len(gaps))) if found.reason else found


def _agree(values: Sequence[float], size: float) -> bool:
    """Whether the values of a side are one, but for rounding."""
    return max(values) - min(values) <= ROUNDING * size


def welch(treated: Sequence[float], control: Sequence[float], share: float) -> Contrast:
    """Welch's interval with Satterthwaite's degrees of freedom.

    Source: Welch 1947, Biometrika 34:28-35; Satterthwaite 1946, Biometrics Bulletin 2:110-114.
    """
    part_t = _variance(treated) / len(treated)
    part_c = share**2 * _variance(control) / len(control)
    variance = part_t + part_c
    value = mean(treated) - share * mean(control)
    weight = part_t**2 / (len(treated) - 1) + part_c**2 / (len(control) - 1)
    df = variance**2 / weight if weight > 0.0 else math.nan
    return _interval(value, variance, df, max(map(abs, (*treated, *control))))


def _interval(value: float, variance: float, df: float, size: float) -> Contrast:
    """value +- t se; without a spread beyond rounding (beside values of that size) none."""
    error = math.sqrt(variance)
    if error <= ROUNDING * size or not df > 0.0:
        return Contrast(value, None, None, None, SPREAD_UNSEEN)
    reach = t_quantile(0.975, df) * error
    return Contrast(value, value - reach, value + reach, df)


def block_means(beds: Sequence[Bed]) -> dict[str | None, float]:
    """Mean over the beds of each block, in order of block."""
    by_block: dict[str | None, list[float]] = defaultdict(list)
    for bed in beds:
        by_block[bed.block].append(bed.low)
    return {block: mean(by_block[block]) for block in sorted(by_block, key=str)}


def _variance(numbers: Sequence[float]) -> float:
    """Sample variance on n - 1 df."""
    centre = mean(numbers)
    return math.fsum((number - centre) ** 2 for number in numbers) / (len(numbers) - 1)
