"""How often a comparison of several amendments with one control calls a difference that is none.

    python tests/benchmarks/families.py [--runs N] [--levels]

Simulated dates of known truth are put through the shipped code, on one core, from a fixed seed:
four amendments, one of which doubles the level (as most that hold mineral nitrogen do), three or
four beds of each and eight control beds. A false alarm is any of the other three called. Prints a
row for each design; --levels tries other levels of the test for a spread that differs, from 0
(always Dunnett) to above 1 (always each amendment by itself).
Exit 1 where the shipped choice calls more than 5 % beyond chance of two standard errors, in the
designs whose spreads are equal; where they are not, the rows say how far the choice helps.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from logbook.analysis import several  # noqa: E402
from logbook.analysis.several import Measured, compared  # noqa: E402

SEED = 20_260_402
AMENDMENTS = "ABCD"
LEVEL, CV, BLOCK, GAIN = 30.0, 0.15, 0.15, 0.5
LEVELS = (0.0, 0.05, 0.1, 0.25, 1.1)


@dataclass(frozen=True)
class Design:
    """Beds of an amendment and of the control; `wide`: times the spread of amendment B."""

    beds: int
    controls: int
    blocks: bool
    wide: float
    logs: bool

    def __str__(self) -> str:
        scale = "logs" if self.logs else "raw"
        form = "in blocks" if self.blocks else "no blocks"
        spread = f", B spreads {self.wide:g} x" if self.wide != 1.0 else ""
        return f"{self.beds} beds, {self.controls} controls, {form}, {scale}{spread}"


def designs() -> Iterator[Design]:
    """Every design that is simulated."""
    for wide in (1.0, 4.0):
        for beds in (3, 4):
            yield Design(beds, 8, False, wide, True)
            yield Design(beds, 2 * beds, True, wide, True)
        yield Design(4, 8, False, wide, False)


def simulated(design: Design, rng: np.random.Generator) -> list[Measured]:
    """One date: A doubles the level, B and C do nothing, D adds half (to see what is found)."""
    lift = rng.normal(0.0, BLOCK, design.beds) if design.blocks else np.zeros(design.beds)
    factor = {"0": 1.0, "A": 2.0, "B": 1.0, "C": 1.0, "D": 1.0 + GAIN}
    found = []
    for code, level in factor.items():
        count = design.controls if code == "0" else design.beds
        spread = math.sqrt(math.log1p((CV * (design.wide if code == "B" else 1.0)) ** 2))
        for place in range(count):
            block = place % design.beds
            log = math.log(LEVEL * level) + spread * rng.normal()
            log += float(lift[block]) if design.blocks else 0.0
            name = str(block) if design.blocks else None
            found.append(Measured(f"{code}{place}", name, code, math.exp(log)))
    return found


def rates(design: Design, runs: int, level: float) -> tuple[float, float, float]:
    """False alarms, how often D was found, and how often Welch's test was chosen."""
    rng = np.random.default_rng(SEED)
    several.UNEQUAL = level
    wrong = found = apart = 0
    for _ in range(runs):
        family = compared(simulated(design, rng), "0", logs=design.logs)
        called = {line.treatment for line in family.lines if line.p is not None and line.p <= 0.05}
        wrong += bool(called & {"B", "C"})
        found += "D" in called
        apart += family.method == "welch + holm"
    return wrong / runs, found / runs, apart / runs


def main() -> int:
    """Print the table; 1 where the shipped choice calls too much."""
    reader = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    reader.add_argument("--runs", type=int, default=4000)
    reader.add_argument("--levels", action="store_true")
    asked = reader.parse_args()
    shipped, bad = several.UNEQUAL, False
    print("design | level | false alarms | D found | each by itself")
    for design in designs():
        for level in LEVELS if asked.levels else (shipped,):
            wrong, found, apart = rates(design, asked.runs, level)
            print(f"{design} | {level:g} | {wrong:.3f} | {found:.3f} | {apart:.3f}", flush=True)
            beyond = 0.05 + 2.0 * math.sqrt(0.05 * 0.95 / asked.runs)
            bad = bad or (level == shipped and design.wide == 1.0 and wrong > beyond)
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
