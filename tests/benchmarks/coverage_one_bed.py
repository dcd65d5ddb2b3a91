"""What an interval of one bed a side holds: the truth of these beds, not that of the amendment."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np

from logbook.analysis import bands, fitting, intervals
from logbook.analysis.fits import Fit
from logbook.analysis.intervals import Interval
from logbook.analysis.scores import Beds, beds_of
from tests.benchmarks.coverage_below import LEAST, chance, holds
from tests.benchmarks.simulated_trials import CEILING, Cell, results

RATE, DAY, FLOOR = 0.05, 28.0, 2.0
#: How the error is known: CV declared or not, and the SD of the floor.
KNOWN = {"from the residuals": (False, 0.0), "declared": (True, 0.0), "with a floor": (True, FLOOR)}


def table(runs: int, rng: np.random.Generator) -> list[str]:
    """Print coverage for these beds and as a claim on the amendment; what covers too little."""
    names = [
        f"{what}, {which}" for which in ("these beds", "beds differ") for what in ["k", "A", "D"]
    ]
    print("\n| error | lab | " + " | ".join(names) + " |\n|---|---" + "|---" * len(names) + "|")
    failures = []
    for (name, (declared, floor)), lab in product(KNOWN.items(), (0.05, 0.15)):
        cv = lab if declared else None
        shares = [
            share
            for bed in (0.0, 0.10)
            for share in coverages(Cell("plain", 1, 8, lab, bed, RATE, floor=floor), cv, runs, rng)
        ]
        shown = ["none" if np.isnan(share) else f"{share:.3f}" for share in shares]
        print(f"| {name} | {lab:.0%} | " + " | ".join(shown) + " |", flush=True)
        failures += [
            f"one bed, {name}, lab {lab:.0%}, {what}: {share:.3f}"
            for what, share in zip(names[:3], shares[:3], strict=True)
            if share < LEAST - chance(LEAST, runs)
        ]
    return failures


def coverages(
    cell: Cell, cv: float | None, runs: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Coverage of k, A and D on a day; NaN where there is no interval."""
    days, treated, control = results(cell, runs, rng)
    trials = [beds_of(days, *sides) for sides in zip(treated, control, strict=True)]

    def covered(make: Callable[[Beds], Interval], true: float) -> float:
        found = [make(beds) for beds in trials]
        if all(each.value is not None and not each.method.count(";") for each in found):
            return float("nan")
        return float(np.mean([holds(each, true) for each in found]))

    return (
        covered(lambda beds: intervals.rate(beds, cv=cv, floor=cell.floor), RATE),
        covered(lambda beds: intervals.ceiling(beds, cv=cv, floor=cell.floor), CEILING),
        covered(
            lambda beds: intervals.at_day(beds, DAY, cv=cv, floor=cell.floor),
            float(cell.release(DAY)),
        ),
    )


BAND_DAYS = (2.0, 10.0, 28.0, 84.0)


def band_table(runs: int, rng: np.random.Generator) -> list[str]:
    """Print how often the band of a first-order fit holds the curve; what covers too little."""
    days = [f"day {day:g}" for day in BAND_DAYS]
    print("\n| lab | k | " + " | ".join(days) + " |\n|---|---" + "|---" * len(days) + "|")
    failures = []
    for lab, rate in ((0.05, 0.05), (0.15, 0.05), (0.10, 0.02)):
        cell = Cell("plain", 1, 8, lab, 0.0, rate)
        on, treated, control = results(cell, runs, rng)
        held = np.mean(
            [_held(cell, beds_of(on, *s)) for s in zip(treated, control, strict=True)], 0
        )
        print(f"| {lab:.0%} | {rate:g} | " + " | ".join(f"{share:.3f}" for share in held) + " |")
        if min(held) < LEAST - chance(LEAST, runs):
            failures.append(f"one bed, band, lab {lab:.0%}, k {rate:g}: {min(held):.3f}")
    return failures


def _held(cell: Cell, beds: Beds) -> list[bool]:
    """Whether the band of a fit holds the curve, day by day."""
    weights = intervals.one_bed_weights(beds, free_start=False, cv=cell.lab)
    net = (beds.treated[0] - beds.control[0]).tolist()
    fit = fitting.fit_series(
        beds.days.tolist(), net, False, weights=weights, shapes=["first order"]
    )[0]
    assert isinstance(fit, Fit)
    found = bands.band(beds, fit, BAND_DAYS, cv=cell.lab)
    if found.low is None or found.high is None:
        return [False] * len(BAND_DAYS)
    true = cell.release(BAND_DAYS)
    return [a <= x <= b for a, x, b in zip(found.low, true, found.high, strict=True)]
