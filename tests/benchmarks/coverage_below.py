"""How often an inert amendment is called below the control, and what follows when one is called."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from logbook.analysis import below, intervals
from logbook.analysis.scores import beds_of
from tests.benchmarks.simulated_trials import CALENDARS

LEAST, MOST_ALARMS, CHANCE = 0.93, 0.05, 2.0


def chance(rate: float, runs: int) -> float:
    """What the simulation itself may be off by."""
    return CHANCE * float(np.sqrt(rate * (1.0 - rate) / runs))


@dataclass(frozen=True)
class Inert:
    """An amendment that does nothing, or takes nitrate down: beds a side, pulls, CVs, floor SD."""

    treated: int
    control: int
    pulls: int
    lab: float
    bed: float
    uneven: float = 1.0
    block: float = 0.0
    floor: float = 0.0


INERT = (
    *(
        Inert(beds, beds, pulls, lab, bed)
        for beds, pulls, lab, bed in product((2, 3, 4), (8, 12), (0.05, 0.15), (0.0, 0.10))
    ),
    *(Inert(beds, beds, pulls, 0.10, 0.10, block=0.2) for beds, pulls in product((3, 4), (8, 12))),
    *(Inert(beds, beds, 8, 0.10, 0.10, floor=5.0) for beds in (3, 4)),
    *(Inert(beds, beds, 8, 0.05, 0.10, uneven=3.0) for beds in (3, 4)),
    *(Inert(beds, 2 * beds, 8, 0.10, 0.10, uneven=uneven) for beds in (3, 4) for uneven in (1, 3)),
)
DEPTHS = np.array([1.0, 0.6, 0.33, 0.5, 0.75, 0.9, 1.05, 1.2])


def pulled(kind: Inert, share: Any, runs: int, rng: np.random.Generator) -> tuple[Any, Any]:
    """Results (runs, pulls, beds) of treated beds at a share of the control's level of 25."""
    blocks = 1.0 + kind.block * rng.standard_normal((runs, 1, max(kind.treated, kind.control)))

    def side(beds: int, level: Any, bed: float) -> Any:
        means = level[:, None] * blocks[..., :beds]
        means = means * (1.0 + bed * rng.standard_normal((runs, 1, beds)))
        noise = np.sqrt((kind.lab * means) ** 2 + kind.floor**2)
        return means + noise * rng.standard_normal(means.shape)

    level = 25.0 * np.ones(kind.pulls)
    return side(kind.treated, share * level, kind.uneven * kind.bed), side(
        kind.control, level, kind.bed
    )


def alarm_table(runs: int, rng: np.random.Generator) -> list[str]:
    """Print false alarms, power, and coverage of the depth; what alarms too often."""
    print("\n| beds | pulls | lab | bed | also | false alarms | shown | depth covered |")
    print("|---|---|---|---|---|---|---|---|")
    failures = []
    for kind in INERT:
        alarms, _ = called(kind, np.ones(kind.pulls), runs, rng)
        share = np.ones(kind.pulls)
        share[: len(DEPTHS)] = DEPTHS
        shown, covered = called(kind, share, runs, rng)
        also = ", ".join(
            text
            for text, given in (
                (f"blocks {kind.block:.0%}", kind.block),
                (f"floor SD {kind.floor:g}", kind.floor),
                (f"treated beds {kind.uneven:g} times as uneven", kind.uneven > 1.0),
            )
            if given
        )
        line = f"{kind.treated} : {kind.control} | {kind.pulls} | {kind.lab:.0%} | {kind.bed:.0%}"
        print(f"| {line} | {also} | {alarms:.3f} | {shown:.3f} | {covered:.3f} |", flush=True)
        if min(kind.treated, kind.control) >= below.FEWEST_BEDS and covered < LEAST - chance(
            LEAST, max(1, round(runs * shown))
        ):
            failures.append(f"depth, {line}, {also}: {covered:.3f}")
        if alarms > MOST_ALARMS + chance(MOST_ALARMS, runs):
            failures.append(f"false alarms, {line}, {also}: {alarms:.3f}")
    return failures


def called(kind: Inert, share: Any, runs: int, rng: np.random.Generator) -> tuple[float, float]:
    """Share of runs called below, and of those the share whose trough's interval holds true D."""
    found = below.relative(*pulled(kind, share, runs, rng))
    half = below.simultaneous(found, kind.pulls)
    under = found.estimate + half < 0.0
    shown = under.any(1)
    trough = np.where(under, found.estimate, np.inf).argmin(1)
    rows = np.arange(runs)
    true = 25.0 * (share[trough] - 1.0)
    inside = np.abs(found.estimate[rows, trough] - true) <= half[rows, trough]
    return float(shown.mean()), float(inside[shown].mean()) if shown.any() else float("nan")


def level_table(runs: int, rng: np.random.Generator) -> list[str]:
    """Print coverage of the day level again, one trial after the other; what covers too little."""
    days = np.array(CALENDARS[8], dtype=float)
    true = 56.0 + 14.0 * (1.0 - 0.9) / (1.05 - 0.9)
    print("\n| beds | lab | bed | design | shown | day covered | open above | make-up N given |")
    print("|---|---|---|---|---|---|---|---|")
    failures = []
    for beds, lab, bed, block in product((3, 4), (0.05, 0.15), (0.05, 0.10), (0.0, 0.1)):
        kind = Inert(beds, beds, 8, lab, bed, block=block)
        treated, control = pulled(kind, DEPTHS, runs, rng)
        names = [f"block {n}" for n in range(beds)] if block else None
        answers = [
            below.below_control(beds_of(days, t.T, c.T, treated_blocks=names, control_blocks=names))
            for t, c in zip(treated, control, strict=True)
        ]
        levels = [answer.level for answer in answers if answer.level is not None]
        covered = np.mean([holds(level, true) for level in levels])
        given = np.mean([below.make_up(answer).trough is not None for answer in answers])
        unknown = np.mean([level.high is None for level in levels])
        line = f"{beds} | {lab:.0%} | {bed:.0%} | {'blocks' if block else 'free'}"
        print(
            f"| {line} | {len(levels) / runs:.3f} | {covered:.3f} | {unknown:.2f} | {given:.2f} |",
            flush=True,
        )
        if covered < LEAST - chance(LEAST, len(levels)):
            failures.append(f"day level again, {line}: {covered:.3f}")
    return failures


def holds(found: intervals.Interval, true: float) -> bool:
    """Whether an interval, open ends and all, holds the truth."""
    still = found.value is None and found.low is None and found.reason_low.startswith("still")
    low = 84.0 if still else found.low if found.low is not None else -np.inf
    return low <= true <= (np.inf if found.high is None else found.high)
