"""How often the 95 % intervals hold the truth, and how often nothing is called below the control.

    python tests/benchmarks/coverage.py [--runs N] [--others N] [--cells]

Simulated trials with known constants are put through the shipped code, all runs of a cell at
once, on one core, from a fixed seed. Prints tables; exit 1 where a shipped interval covers less
than 0.93, where one of the plain form covers more than 0.97, or where more than 5 % of inert
amendments are called below, beyond chance of two standard errors of the simulation itself.
docs/coverage.md holds a run of 10,000 (4,000 for all but the plain form).
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np  # noqa: E402

from logbook.analysis import bands, intervals, inversion  # noqa: E402
from logbook.analysis.rising import best_rate  # noqa: E402
from logbook.analysis.scores import critical  # noqa: E402
from tests.benchmarks import coverage_below, coverage_one_bed  # noqa: E402
from tests.benchmarks.coverage_below import CHANCE, LEAST, chance  # noqa: E402
from tests.benchmarks.simulated_trials import (  # noqa: E402
    CEILING,
    FORMS,
    SLOPE,
    STRESSES,
    Cell,
    Part,
    cells,
    simulated,
    stressed,
)

SEED = 20_260_401
MOST = 0.97
FEWEST_PULLS = 4
#: Runs a cell of what is worked trial by trial with a fit each.
FEW = 500
BAND_DAYS = (2.0, 10.0, 28.0, 84.0)


@dataclass(frozen=True)
class Tally:
    """One quantity in one cell: coverage where given, shares of open ends, share not given."""

    quantity: str
    cell: Cell
    coverage: float
    open_low: float
    open_high: float
    missing: float


#: Low ends, high ends and true values of some trials; NaN is an open end.
Found = tuple[Any, Any, Any]


def found_of(cell: Cell, one: Part) -> dict[str, Found]:
    """Every shipped interval of some trials of a cell."""
    units, rise = one.units, one.rise
    scatter = units.scatter
    found: dict[str, Found] = {}

    def linear(weights: Any, true: float) -> Found:
        known = scatter.contrast(np.broadcast_to(weights, scatter.difference.shape))
        half = critical(known.df) * known.error
        return known.estimate - half, known.estimate + half, true

    truth = cell.release(rise.days)
    if cell.form == "straight line":
        found["a"] = linear(rise.days / (rise.days @ rise.days), SLOPE)
    elif len(rise.days) >= FEWEST_PULLS:
        for name, inverted, true in (
            ("k", inversion.rates, cell.rate),
            ("A", inversion.ceilings, CEILING),
        ):
            ends = inverted(units, rise)
            # Without an interval nothing covers: an end beyond the truth.
            found[name] = np.where(ends.misfit, np.inf, ends.low), ends.high, true
    day_28 = intervals.day_weights(rise.days, 28.0)
    if day_28 is not None:
        found["D, day 28"] = linear(day_28, float(day_28 @ truth))
    area = intervals.area_weights(rise.days)
    found["AUC"] = linear(area, float(area @ truth))
    if not cell.stress:
        found |= _bands(cell, one)
    return found


def _bands(cell: Cell, one: Part) -> dict[str, Found]:
    """The bands of the fitted curve on some days."""
    scatter, rise = one.units.scatter, one.rise
    found = {}
    rate, _ = best_rate(rise, rise.seen(scatter.difference))
    for day in BAND_DAYS:
        if cell.form == "straight line":
            weights = day * rise.days / (rise.days @ rise.days)
            known = scatter.contrast(np.broadcast_to(weights, scatter.difference.shape))
            middle, half = known.estimate, scatter.half_width(known)
        else:
            middle, half = bands.half_widths(rise, scatter, rate, day)
        found[f"curve, day {day:g}"] = middle - half, middle + half, float(cell.release(day))
    return found


def tallies(cell: Cell, runs: int, rng: np.random.Generator) -> list[Tally]:
    """Coverage of everything that is shipped for a cell."""
    of_parts = [found_of(cell, one) for one in simulated(cell, runs, rng)]
    tallied = []
    for name in dict.fromkeys(name for found in of_parts for name in found):
        some = [found[name] for found in of_parts if name in found]
        low, high = (np.concatenate([each[end] for each in some]) for end in (0, 1))
        true = np.concatenate([np.full(len(each[0]), each[2]) for each in some])
        inside = ~(low > true) & ~(high < true)
        held, below, above = (float(x.mean()) for x in (inside, np.isnan(low), np.isnan(high)))
        tallied.append(Tally(name, cell, held, below, above, 1.0 - len(true) / runs))
    return tallied


def print_summary(form: str, of_form: Sequence[Tally], missing: bool = False) -> None:
    """One line a quantity: lowest, mean and highest coverage over the cells, and open ends."""
    for quantity in dict.fromkeys(tally.quantity for tally in of_form):
        some = [tally for tally in of_form if tally.quantity == quantity]
        covered = [tally.coverage for tally in some]
        worst = min(some, key=lambda tally: tally.coverage)
        ends = ("open_low", "open_high") + (("missing",) if missing else ())
        shares = [f"{np.mean([getattr(t, end) for t in some]):.2f}" for end in ends]
        print(
            f"| {form} | {quantity} | {len(some)} | {min(covered):.3f} | {np.mean(covered):.3f} "
            f"| {max(covered):.3f} | {' | '.join(shares)} | {worst.cell} |",
            flush=True,
        )


def head(first: str, missing: bool = False) -> None:
    """Print the head of a table."""
    names = [first, "quantity", "cells", "lowest", "mean", "highest", "low open", "high open"]
    names += [*(["not given"] if missing else []), "worst"]
    print("\n| " + " | ".join(names) + " |\n" + "|---" * len(names) + "|")


def coverage_table(plain: int, others: int, each: bool) -> list[str]:
    """Print the table of the shipped forms; what covers too little, or too much in plain form."""
    head("form")
    failures = []
    for number, form in enumerate(FORMS):
        rng = np.random.default_rng([SEED, number])
        runs = plain if form == "plain" else others
        of_form = [tally for cell in cells(form) for tally in tallies(cell, runs, rng)]
        print_summary(form, of_form)
        if each:
            for tally in of_form:
                print(f"  {tally.quantity}: {tally.cell}: {tally.coverage:.4f}")
        failures += [
            f"{form}, {tally.quantity}, {tally.cell}: {tally.coverage:.4f}"
            for tally in of_form
            if tally.coverage < LEAST - chance(LEAST, runs) or _too_wide(tally, runs)
        ]
    return failures


def _too_wide(tally: Tally, runs: int) -> bool:
    """Whether an interval of the plain form covers too much; a band may, on days like day 2."""
    plain = tally.cell.form == "plain" and not tally.quantity.startswith("curve")
    return plain and tally.coverage > MOST + chance(MOST, runs)


def stress_table(runs: int) -> None:
    """Print coverage where the results are not as supposed: for information."""
    head("stress", missing=True)
    for number, stress in enumerate(STRESSES):
        rng = np.random.default_rng([SEED, 100 + number])
        under = [tally for cell in stressed(stress) for tally in tallies(cell, runs, rng)]
        print_summary(stress, under, missing=True)


def main() -> int:
    """Run the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=1000, help="runs a cell (1000)")
    parser.add_argument("--others", type=int, help="runs a cell of all but the plain form (as it)")
    parser.add_argument("--cells", action="store_true", help="every cell, not only the worst")
    asked = parser.parse_args()
    others = asked.others or asked.runs
    print(f"{asked.runs} runs a cell ({others} if not plain), seed {SEED}, chance of {CHANCE:g} SE")
    began = time.process_time()
    failures = coverage_table(asked.runs, others, asked.cells)
    stress_table(others)
    failures += coverage_below.alarm_table(2 * asked.runs, np.random.default_rng([SEED, 200]))
    slow = max(200, others // 4)
    print(f"\nDay level again and one bed: {slow} runs a cell")
    failures += coverage_below.level_table(slow, np.random.default_rng([SEED, 300]))
    failures += coverage_one_bed.table(slow, np.random.default_rng([SEED, 400]))
    print(f"\nBands of one bed a side: {FEW} runs a cell")
    failures += coverage_one_bed.band_table(FEW, np.random.default_rng([SEED, 500]))
    print(f"\n{(time.process_time() - began) / 60.0:.0f} minutes of one core")
    print("\n".join(["too low, too high or too often:", *failures] if failures else ["as claimed"]))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
