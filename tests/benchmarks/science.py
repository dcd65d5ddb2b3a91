"""Five shapes and the ranges of rate and ceiling for 6,000 series of a million results.

python science.py FILE make     an SQLite file of 1,008,000 results, made up
python science.py FILE read     seconds that sqlite3 takes to read them
python science.py FILE          seconds from those rows in memory to fits and ranges
python science.py FILE parts    the same, a line for each part

100 trials of 12 nutrients, each a control and five amendments of five beds, two results for every
bed and pull: means of duplicates, net release, every shape, and k and A with their 95 % ends from
the beds.
"""

from __future__ import annotations

import sqlite3
import sys
from time import perf_counter

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import inversion
from logbook.analysis.fitting import fit_many
from logbook.analysis.rising import Rise
from logbook.analysis.scores import Units

Floats = NDArray[np.float64]
DAYS = np.array([0.0, 2, 4, 7, 10, 14, 21, 28, 35, 42, 49, 56, 70, 84])
TRIALS, NUTRIENTS, TREATMENTS, BEDS, TWICE = 100, 12, 6, 5, 2
DESIGN = (TRIALS, NUTRIENTS, TREATMENTS, BEDS, len(DAYS), TWICE)


def make(path: str) -> None:
    """Write the results: a control that drifts, and release with a start and two rates above it."""
    rng = np.random.default_rng(8)
    shape = (*DESIGN[:3], 1, 1, 1)
    fast, slow = 10 ** rng.uniform(-0.8, -0.2, shape), 10 ** rng.uniform(-1.8, -1.2, shape)
    first, second = rng.uniform(-20, 20, shape), rng.uniform(5, 60, shape)
    days = DAYS[:, None]
    release = rng.uniform(0, 10, shape) + first * -np.expm1(-fast * days)
    release = release + second * -np.expm1(-slow * days)
    release[:, :, 0] = 0.0
    beds = 1.0 + 0.08 * rng.normal(size=(*DESIGN[:4], 1, 1))
    values = (30.0 + 0.1 * days + release) * beds * (1.0 + 0.05 * rng.normal(size=DESIGN))
    places = [column.ravel().tolist() for column in np.indices(DESIGN)[:5]]
    with sqlite3.connect(path) as connection:
        names = "trial, nutrient, treatment, bed, pull"
        connection.execute(f"CREATE TABLE result ({names}, value REAL)")
        rows = zip(*places, values.ravel().tolist(), strict=True)
        connection.executemany("INSERT INTO result VALUES (?, ?, ?, ?, ?, ?)", rows)
    connection.close()


def read(path: str) -> tuple[list[tuple[float, ...]], float]:
    """The rows, and the seconds that took."""
    begun = perf_counter()
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT * FROM result").fetchall()
    connection.close()
    return rows, perf_counter() - begun


def bed_means(columns: list[tuple[float, ...]]) -> Floats:
    """The mean of the duplicates: trials, nutrients, treatments, beds, pulls."""
    *places, values = (np.array(column) for column in columns)
    cell = np.ravel_multi_index(places, DESIGN[:5])
    size = int(np.prod(DESIGN[:5]))
    sums, counts = np.bincount(cell, values, size), np.bincount(cell, minlength=size)
    return np.asarray((sums / counts).reshape(DESIGN[:5]))


def units_of(means: Floats) -> Units:
    """The beds of every amendment and of its control: (series, beds, pulls) each."""
    treated = means[:, :, 1:]
    control = np.broadcast_to(means[:, :, :1], treated.shape)
    flat = (-1, BEDS, len(DAYS))
    return Units(treated.reshape(flat), control.reshape(flat))


def worked(columns: list[tuple[float, ...]]) -> dict[str, float]:
    """Seconds of every part."""
    taken, begun = {}, perf_counter()

    def done(part: str) -> None:
        nonlocal begun
        taken[part], begun = perf_counter() - begun, perf_counter()

    units = units_of(bed_means(columns))
    done("means")
    for shape in ("zero order", "first order", "first order with a lag", "Gompertz", "two phases"):
        batch = fit_many(DAYS, units.difference, free_start=True, shapes=[shape])[shape]
        assert len(batch) == TRIALS * NUTRIENTS * (TREATMENTS - 1)
        done(shape)
    rise = Rise(DAYS, np.ones(len(DAYS)), free_start=True)
    inversion.rates(units, rise)
    done("range of k")
    inversion.ceilings(units, rise)
    done("range of A")
    return taken


def main() -> None:
    """One of the four, as asked."""
    path, what = sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else ""
    if what == "make":
        return make(path)
    rows, seconds = read(path)
    if what == "read":
        return print(seconds)
    columns = list(zip(*rows, strict=True))
    taken = worked(columns)
    if what == "parts":
        for part, part_seconds in taken.items():
            print(f"{part:<24}{part_seconds:7.3f} s")
    return print(sum(taken.values()))


if __name__ == "__main__":
    main()
