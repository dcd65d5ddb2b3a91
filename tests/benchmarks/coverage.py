"""How often the 95 % intervals hold the truth, and how often nothing is called below the control.

    python tests/benchmarks/coverage.py [--runs N] [--cells]

Simulated trials with known constants are put through the shipped code, all runs of a cell at
once, on one core, from a fixed seed. Prints tables; exit 1 where a shipped interval covers less
than 0.93, or where more than 5 % of inert amendments are called below, beyond chance of two
standard errors of the simulation itself. docs/coverage.md holds a run of 10,000.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from logbook.analysis import below, intervals, inversion  # noqa: E402
from logbook.analysis.rising import Rise  # noqa: E402
from logbook.analysis.scores import Units, beds_of, contrast, critical  # noqa: E402

SEED = 20_260_401
LEAST, MOST_ALARMS, CHANCE = 0.93, 0.05, 2.0
CALENDARS = {
    4: (7, 21, 42, 84),
    8: (4, 7, 14, 28, 42, 56, 70, 84),
    12: (3, 7, 10, 14, 21, 28, 35, 42, 49, 56, 70, 84),
}
RATES = (0.005, 0.02, 0.05, 0.1)
CEILING, START, SHARE, BLOCK = 40.0, 10.0, 0.1, 0.15
FORMS = ("plain", "D0 free", "dilution", "blocks")
STRESSES = ("outliers", "lab batches", "floor")


@dataclass(frozen=True)
class Cell:
    """One kind of trial: form, beds a side, pulls, CVs, k per day; stress: what is done to it."""

    form: str
    beds: int
    pulls: int
    lab: float
    bed: float
    rate: float
    stress: str = ""

    def __str__(self) -> str:
        return (
            f"{self.beds} beds, {self.pulls} pulls, lab {self.lab:.0%}, bed {self.bed:.0%}, "
            f"k {self.rate:g}"
        )


def cells(form: str) -> Iterator[Cell]:
    """Every cell of a form."""
    for values in product((3, 4), CALENDARS, (0.05, 0.10, 0.15), (0.0, 0.10), RATES):
        yield Cell(form, *values)


@dataclass(frozen=True)
class Tally:
    """One quantity in one cell: coverage, and shares of open lower and upper ends."""

    quantity: str
    cell: Cell
    coverage: float
    open_low: float
    open_high: float


def simulated(cell: Cell, runs: int, rng: np.random.Generator) -> tuple[Units, Rise, Any]:
    """Units of many trials of a cell, the days to fit, and the true D on them."""
    free = cell.form == "D0 free"
    days = np.array(((0,) if free else ()) + CALENDARS[cell.pulls], dtype=float)
    truth = CEILING * -np.expm1(-cell.rate * days) + (START if free else 0.0)
    share = SHARE if cell.form == "dilution" else 0.0
    soil = 25.0 + 0.1 * days
    spread = BLOCK if cell.form == "blocks" else 0.0
    block = 1.0 + spread * rng.standard_normal((runs, cell.beds, 1))
    batch = 1.0 + (0.07 if cell.stress == "lab batches" else 0.0) * rng.standard_normal(
        (runs, 1, len(days))
    )
    treated = batch * measured(cell, block * ((1.0 - share) * soil + truth), rng)
    control = (1.0 - share) * batch * measured(cell, block * soil, rng)
    paired = cell.form == "blocks"
    levels = np.stack([treated.mean(1), control.mean(1)], 1)
    units = Units(treated - control, None, levels) if paired else Units(treated, control)
    return units, Rise(days, np.ones(len(days)), free), truth


def measured(cell: Cell, level: Any, rng: np.random.Generator) -> Any:
    """Results of beds whose mean level is given: bed differences, then the laboratory."""
    beds = level * (1.0 + cell.bed * rng.standard_normal((*level.shape[:2], 1)))
    results = beds * (1.0 + cell.lab * rng.standard_normal(beds.shape))
    if cell.stress == "outliers":
        results = np.where(rng.random(results.shape) < 0.02, 2.0 * results, results)
    if cell.stress == "floor":
        results = results + 5.0 * rng.standard_normal(results.shape)
    return results


def tallies(cell: Cell, runs: int, rng: np.random.Generator) -> list[Tally]:
    """Coverage of everything that is shipped for a cell."""
    units, rise, truth = simulated(cell, runs, rng)
    k = inversion.rates(units, rise)
    a = inversion.ceilings(units, rise)
    found = [
        _tally("k", cell, k.low, k.high, cell.rate, k.misfit),
        _tally("A", cell, a.low, a.high, CEILING, a.misfit),
    ]
    day_28 = intervals.day_weights(rise.days, 28.0)
    for name, weights in (("D, day 28", day_28), ("AUC", intervals.area_weights(rise.days))):
        known = contrast(units, weights)
        half = critical(known.df) * known.error
        low, high = known.estimate - half, known.estimate + half
        found.append(_tally(name, cell, low, high, weights @ truth, np.zeros(runs, bool)))
    return found


def _tally(name: str, cell: Cell, low: Any, high: Any, true: float, misfit: Any) -> Tally:
    """Coverage of some ends, NaN being open; a series without an interval does not cover."""
    inside = ~(low > true) & ~(high < true) & ~misfit
    return Tally(name, cell, inside.mean(), np.isnan(low).mean(), np.isnan(high).mean())


def chance(rate: float, runs: int) -> float:
    """What the simulation itself may be off by."""
    return CHANCE * float(np.sqrt(rate * (1.0 - rate) / runs))


def print_summary(form: str, of_form: Sequence[Tally]) -> None:
    """One line a quantity: lowest, mean and highest coverage over the cells, and open ends."""
    for quantity in dict.fromkeys(tally.quantity for tally in of_form):
        some = [tally for tally in of_form if tally.quantity == quantity]
        covered = [tally.coverage for tally in some]
        worst = min(some, key=lambda tally: tally.coverage)
        open_low, open_high = (
            np.mean([getattr(t, end) for t in some]) for end in ("open_low", "open_high")
        )
        print(
            f"| {form} | {quantity} | {len(some)} | {min(covered):.3f} | {np.mean(covered):.3f} "
            f"| {max(covered):.3f} | {open_low:.2f} | {open_high:.2f} | {worst.cell} |",
            flush=True,
        )


def coverage_table(runs: int, each: bool) -> list[str]:
    """Print the table of the shipped forms; what covers too little."""
    print("\n| form | quantity | cells | lowest | mean | highest | low open | high open | worst |")
    print("|---|---|---|---|---|---|---|---|---|")
    failures = []
    for number, form in enumerate(FORMS):
        rng = np.random.default_rng([SEED, number])
        of_form = [tally for cell in cells(form) for tally in tallies(cell, runs, rng)]
        print_summary(form, of_form)
        if each:
            for tally in of_form:
                print(f"  {tally.quantity}: {tally.cell}: {tally.coverage:.4f}")
        failures += [
            f"{form}, {tally.quantity}, {tally.cell}: {tally.coverage:.3f}"
            for tally in of_form
            if tally.coverage < LEAST - chance(LEAST, runs)
        ]
    return failures


def stress_table(runs: int) -> None:
    """Print coverage where the results are not as supposed: for information."""
    print(
        "\n| stress | quantity | cells | lowest | mean | highest | low open | high open | worst |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for number, stress in enumerate(STRESSES):
        rng = np.random.default_rng([SEED, 100 + number])
        some = [c for c in cells("plain") if c.pulls == 8 and c.bed and c.rate == 0.05]
        under = [replace(cell, stress=stress) for cell in some]
        print_summary(stress, [tally for cell in under for tally in tallies(cell, runs, rng)])


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
    *(Inert(beds, beds, 8, 0.10, 0.10, block=0.2) for beds in (3, 4)),
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


def alarm_table(runs: int) -> list[str]:
    """Print false alarms, power, and coverage of the depth; what alarms too often."""
    rng = np.random.default_rng([SEED, 200])
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


def level_table(runs: int) -> list[str]:
    """Print coverage of the day level again, one trial after the other; what covers too little."""
    rng = np.random.default_rng([SEED, 300])
    days = np.array(CALENDARS[8], dtype=float)
    true = 56.0 + 14.0 * (1.0 - 0.9) / (1.05 - 0.9)
    print("\n| beds | lab | design | shown | day covered | open above | make-up N given |")
    print("|---|---|---|---|---|---|---|")
    failures = []
    for beds, lab, block in product((3, 4), (0.05, 0.15), (0.0, 0.1)):
        kind = Inert(beds, beds, 8, lab, 0.05, block=block)
        treated, control = pulled(kind, DEPTHS, runs, rng)
        names = [f"block {n}" for n in range(beds)] if block else None
        answers = [
            below.below_control(beds_of(days, t.T, c.T, treated_blocks=names, control_blocks=names))
            for t, c in zip(treated, control, strict=True)
        ]
        levels = [answer.level for answer in answers if answer.level is not None]
        covered = np.mean([_holds(level, true) for level in levels])
        given = np.mean([below.make_up(answer).trough is not None for answer in answers])
        unknown = np.mean([level.high is None for level in levels])
        line = f"{beds} | {lab:.0%} | {'blocks' if block else 'free'}"
        print(
            f"| {line} | {len(levels) / runs:.3f} | {covered:.3f} | {unknown:.2f} | {given:.2f} |",
            flush=True,
        )
        if covered < LEAST - chance(LEAST, len(levels)):
            failures.append(f"day level again, {line}: {covered:.3f}")
    return failures


def _holds(found: intervals.Interval, true: float) -> bool:
    """Whether an interval, open ends and all, holds the truth."""
    still = found.value is None and found.low is None and found.reason_low.startswith("still")
    low = 84.0 if still else found.low if found.low is not None else -np.inf
    return low <= true <= (np.inf if found.high is None else found.high)


def one_bed_table(runs: int) -> list[str]:
    """Print coverage with one bed a side, for those beds and as a claim on the amendment."""
    rng = np.random.default_rng([SEED, 400])
    print("\n| error | lab | k, these beds | A, these beds | k, beds differ | A, beds differ |")
    print("|---|---|---|---|---|---|")
    failures = []
    for cv, lab in product((None, "declared"), (0.05, 0.15)):
        shares = [
            _one_bed(Cell("plain", 1, 8, lab, bed, 0.05), lab if cv else None, constant, runs, rng)
            for bed in (0.0, 0.10)
            for constant in (intervals.rate, intervals.ceiling)
        ]
        name = cv or "from the residuals"
        print(
            f"| {name} | {lab:.0%} | " + " | ".join(f"{s:.3f}" for s in shares) + " |", flush=True
        )
        if min(shares[:2]) < LEAST - chance(LEAST, runs):
            failures.append(f"one bed, {name}, lab {lab:.0%}: {min(shares[:2]):.3f}")
    return failures


def _one_bed(
    cell: Cell,
    cv: float | None,
    constant: Callable[..., intervals.Interval],
    runs: int,
    rng: np.random.Generator,
) -> float:
    """Coverage of one constant with one bed a side."""
    units, rise, _ = simulated(cell, runs, rng)
    true = cell.rate if constant is intervals.rate else CEILING
    results = zip(units.treated, units.control, strict=True)  # type: ignore[arg-type]
    return float(
        np.mean([_holds(constant(beds_of(rise.days, t, c), cv=cv), true) for t, c in results])
    )


def main() -> int:
    """Run the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=1000, help="runs a cell (1000)")
    parser.add_argument("--cells", action="store_true", help="every cell, not only the worst")
    asked = parser.parse_args()
    print(f"{asked.runs} runs a cell, seed {SEED}")
    slow = min(asked.runs, max(200, asked.runs // 10))
    failures = coverage_table(asked.runs, asked.cells)
    stress_table(asked.runs)
    failures += alarm_table(10 * asked.runs)
    print(f"\nDay level again and one bed: {slow} runs a cell")
    failures += level_table(slow) + one_bed_table(slow)
    print(
        "\n" + ("\n".join(["too low or too often:", *failures]) if failures else "all as claimed")
    )
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
