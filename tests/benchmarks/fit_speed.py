"""How many times as fast as scipy.optimize.curve_fit in a loop: run by hand, on a quiet machine.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/fit_speed.py [--series 10000]

Both fit the same noisy series with shared pull days, ours all of them, curve_fit a share of them
(--looped), from a rough guess by eye: the range of the values, and rates from the last day. Printed
are seconds for 10,000 series, the ratio and the goal. Standard errors are part of both.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from logbook.analysis import fitting
from logbook.analysis.fits import Batch

Floats = NDArray[np.float64]
DAYS = np.array([0.0, 2, 4, 7, 10, 14, 21, 28, 35, 42, 56, 70])


def first_order(t: Floats, a: float, k: float) -> Floats:
    """A (1 - e^(-k t))."""
    return a * (1 - np.exp(-k * t))


def two_phases(t: Floats, a: float, k: float, b: float, m: float) -> Floats:
    """A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t))."""
    return a * (1 - np.exp(-k * t)) + b * (1 - np.exp(-m * t))


def rising(rng: np.random.Generator, count: int) -> Floats:
    """First-order series (count, n), scatter 5 % of the ceiling."""
    ceiling, rate = rng.uniform(10, 80, (count, 1)), 10 ** rng.uniform(-1.7, -0.7, (count, 1))
    curve = ceiling * (1 - np.exp(-rate * DAYS))
    return np.asarray(curve + 0.05 * ceiling * rng.normal(size=curve.shape))


def recovering(rng: np.random.Generator, count: int) -> Floats:
    """Draw-down and recovery (count, n), scatter 1.5 % of the range."""
    fast, slow = 10 ** rng.uniform(-0.7, 0, (count, 1)), 10 ** rng.uniform(-1.8, -1.4, (count, 1))
    down, up = rng.uniform(10, 30, (count, 1)), rng.uniform(30, 80, (count, 1))
    curve = up * (1 - np.exp(-slow * DAYS)) - down * (1 - np.exp(-fast * DAYS))
    return np.asarray(curve + 0.5 * rng.normal(size=curve.shape))


def looped(
    curve: Callable[..., Floats], values: Floats, guess: Callable[[Floats], list[float]]
) -> tuple[float, Floats]:
    """Seconds a series by curve_fit, and the rss of each, infinite where it gave up."""
    ends = []
    begun = time.perf_counter()
    for value in values:
        try:
            ends.append(curve_fit(curve, DAYS, value, p0=guess(value))[0])
        except RuntimeError:
            ends.append(None)
    taken = time.perf_counter() - begun
    rss = [
        np.inf if end is None else ((curve(DAYS, *end) - value) ** 2).sum()
        for end, value in zip(ends, values, strict=True)
    ]
    return taken / len(values), np.array(rss)


def ours(fitter: Callable[..., Batch], values: Floats) -> float:
    """Least seconds a series of five runs."""
    taken = []
    for _ in range(5):
        begun = time.perf_counter()
        fitter(DAYS, values, free_start=False)
        taken.append(time.perf_counter() - begun)
    return min(taken) / len(values)


def main() -> None:
    """Time both and print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=10_000)
    parser.add_argument("--looped", type=int, default=500)
    chosen = parser.parse_args()
    rng, last = np.random.default_rng(1), float(DAYS.max())
    contests = (
        ("first order", 100, rising, fitting.fit_first_order, first_order,
         lambda v: [float(np.ptp(v)), 3.0 / last]),
        ("two phases", 20, recovering, fitting.fit_two_phases, two_phases,
         lambda v: [-float(np.ptp(v)) / 2, 20.0 / last, float(np.ptp(v)), 2.0 / last]),
    )  # fmt: skip
    warnings.simplefilter("ignore")
    for name, goal, made, fitter, curve, guess in contests:
        values = made(rng, chosen.series)
        some = values[: chosen.looped]
        mine, (other, ends) = ours(fitter, values), looped(curve, some, guess)
        worse = int((fitter(DAYS, some, free_start=False).rss > ends * (1.0 + 1e-9)).sum())
        verdict = "met" if other >= goal * mine else "MISSED"
        print(f"{name}: {mine * 1e4:.3f} s, curve_fit {other * 1e4:.2f} s per 10,000:"
              f" {other / mine:.0f} times as fast (goal {goal}: {verdict});"
              f" {worse} of {chosen.looped} with more rss than curve_fit", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
