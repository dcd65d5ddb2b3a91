"""Random noisy series of every shape against the best of twenty scipy starts: run by hand.

    python tests/benchmarks/best_of_twenty.py [--series 5000] [--seed 1]

For every series: the rss of our fit is at most (1 + 1e-6) times the best of twenty runs of
scipy.optimize.leastsq (MINPACK's Levenberg-Marquardt on the rates, amplitudes by least squares)
from random starts, their ends outside the shape's own range left out; or the fit is named as lying
at a limit and the better end of scipy lies at or beyond that limit.
"""

from __future__ import annotations

import argparse
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import leastsq

from logbook.analysis import fitting, kinetics
from logbook.analysis.fits import Batch, Limit

Floats = NDArray[np.float64]
STARTS, AS_GOOD, A_DESIGN = 20, 1.0 + 1e-6, 50


@dataclass(frozen=True)
class Contest:
    """A shape: our fitter, and what makes a random set of its rates and times.

    degenerate: whether rates and times found lie at or beyond a limit of the shape.
    outside: whether they are none of the shape's own.
    """

    fitter: Callable[..., Batch]
    drawn: Callable[[np.random.Generator, Floats], Floats]
    basis: Callable[[Floats, Floats], list[Floats]]
    degenerate: Callable[[Floats, Floats], bool]
    outside: Callable[[Floats, Floats], bool]


def _log_rates(rng: np.random.Generator, days: Floats, count: int) -> Floats:
    """Rates between slow over the whole trial and over by the first pulls, as logs."""
    ends = np.log([0.2 / days.max(), 5.0 / days[days > 0.0].min()])
    return rng.uniform(ends[0], ends[1], count)


def _k(log_rate: float) -> float:
    return float(np.exp(np.clip(log_rate, -14.0, 8.0)))


def _at_ends(log_rate: float, days: Floats) -> bool:
    """Straight over the trial, or over before the first pull."""
    first = float(days[days > 0.0].min())
    return _k(log_rate) <= 0.0201 / float(days.max()) or _k(log_rate) >= 19.0 / first


def _phases(found: Floats, days: Floats) -> list[Floats]:
    return [-np.expm1(-_k(one) * days) for one in found]


def _late(found: Floats, days: Floats) -> list[Floats]:
    return [-np.expm1(-_k(found[0]) * np.maximum(days - found[1], 0.0))]


def _sigmoid(found: Floats, days: Floats) -> list[Floats]:
    middle = np.clip(found[1], -1e3, 1e3)
    lift = np.exp(np.clip(-_k(found[0]) * (days - middle), -700.0, 30.0))
    zero = np.exp(np.clip(_k(found[0]) * middle, -700.0, 30.0))
    return [np.exp(-lift) - np.exp(-zero)]


def _few_on_the_rise(found: Floats, days: Floats) -> bool:
    share = kinetics.gompertz(days, 1.0, _k(found[0]), found[1])
    return int(((share > 0.02) & (share < 0.98)).sum()) < 2


def _late_limit(found: Floats, days: Floats) -> bool:
    late = np.unique(days[days > found[1]])
    if len(late) < 3:
        return True
    bounds = 0.0201 / (late[-1] - late[0]), 19.0 / (late[1] - late[0])
    return not bounds[0] < _k(found[0]) < bounds[1] or found[1] < 1e-6


CONTESTS = {
    "zero order": Contest(
        fitting.fit_zero_order,
        lambda rng, days: np.empty(0),
        lambda found, days: [days],
        lambda found, days: False,
        lambda found, days: False,
    ),
    "first order": Contest(
        fitting.fit_first_order,
        lambda rng, days: _log_rates(rng, days, 1),
        _phases,
        lambda found, days: _at_ends(found[0], days),
        lambda found, days: False,
    ),
    "two phases": Contest(
        fitting.fit_two_phases,
        lambda rng, days: _log_rates(rng, days, 2),
        _phases,
        lambda found, days: (
            any(_at_ends(one, days) for one in found) or abs(found[0] - found[1]) < 0.0101
        ),
        lambda found, days: False,
    ),
    "Gompertz": Contest(
        fitting.fit_gompertz,
        lambda rng, days: np.append(_log_rates(rng, days, 1), rng.uniform(0.0, days.max())),
        _sigmoid,
        lambda found, days: _few_on_the_rise(found, days) or _at_ends(found[0], days),
        lambda found, days: not 0.0 <= found[1] <= days.max(),
    ),
    "first order with a lag": Contest(
        fitting.fit_lagged,
        lambda rng, days: np.append(_log_rates(rng, days, 1), rng.uniform(0.0, days.max() / 2)),
        _late,
        _late_limit,
        lambda found, days: found[1] < 0.0,
    ),
}


def designs(
    name: str, count: int, seed: int
) -> Iterator[tuple[Floats, Floats, bool, np.random.Generator]]:
    """Days, series (A_DESIGN, n), whether a start is fitted, and the choices to go on with."""
    contest, rng = CONTESTS[name], np.random.default_rng(seed)
    for number in range(-(-count // A_DESIGN)):
        free = bool(number % 2)
        pulls = int(rng.integers(7, 13))
        days = np.sort(rng.choice(np.arange(1, 120), pulls, replace=False)).astype(float)
        days[0] = 0.0 if free else days[0]
        values = []
        for _ in range(A_DESIGN):
            basis = contest.basis(contest.drawn(rng, days), days)
            sizes = rng.uniform(5, 80, len(basis)) * rng.choice([-1, 1], len(basis))
            curve = sum(
                size * one / max(np.abs(one).max(), 1e-9)
                for size, one in zip(sizes, basis, strict=True)
            )
            scatter = rng.choice([0.3, 1.5, 6.0])
            values.append(curve + rng.uniform(-20, 20) * free + scatter * rng.normal(size=pulls))
        yield days, np.array(values), free, rng


def ends_of_scipy(
    contest: Contest, days: Floats, value: Floats, free: bool, rng: np.random.Generator
) -> list[tuple[float, Floats]]:
    """(rss, rates and times) of every start."""

    ones = [np.ones_like(days)] if free else []

    def residual(given: Floats) -> Floats:
        q = np.linalg.qr(np.column_stack(contest.basis(given, days) + ones))[0]
        return np.asarray(value - q @ (q.T @ value))

    def rss(given: Floats) -> float:
        # Columns that have become alike span less than their number: counted with care.
        design = np.column_stack(contest.basis(given, days) + ones)
        amplitude = np.linalg.lstsq(design, value, rcond=1e-12)[0]
        return float(((design @ amplitude - value) ** 2).sum())

    ends = []
    for _ in range(STARTS):
        start = contest.drawn(rng, days)
        if len(start):
            start = leastsq(residual, start, xtol=1e-8, ftol=1e-11, maxfev=240)[0]
        ends.append((rss(start), start))
    return ends


def judged(contest: Contest, batch: Batch, row: int, ends: list[tuple[float, Floats]]) -> str:
    """How one series went."""
    own = [(rss, x) for rss, x in ends if not contest.outside(x, batch.days)]
    named = batch.limit[row] != Limit.INSIDE
    ours = float(batch.rss[row])
    better = [x for rss, x in own if ours > rss * AS_GOOD + 1e-18]
    if not better:
        return "named, as good" if named else "as good"
    if named and all(contest.degenerate(x, batch.days) for x in better):
        return "named, scipy beyond the same limit"
    return "MISSED, named" if named else "MISSED"


def told(contest: Contest, batch: Batch, row: int, ends: list[tuple[float, Floats]]) -> str:
    """What there is to see of a series that went wrong."""
    days = batch.days
    rss, best = min((e for e in ends if not contest.outside(e[1], days)), key=lambda e: e[0])
    limit, more = Limit(int(batch.limit[row])).name, batch.rss[row] / rss - 1.0
    ours = batch.constants[row].tolist()
    return f"{limit} {more:.1e} ours {ours} scipy {best.tolist()} days {days.tolist()}"


def contest(name: str, count: int, seed: int) -> tuple[Counter[str], list[str]]:
    """How many series went how, and those that went wrong."""
    tally: Counter[str] = Counter()
    wrong: list[str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for days, values, free, rng in designs(name, count, seed):
            batch = CONTESTS[name].fitter(days, values, free_start=free)
            for row, value in enumerate(values):
                ends = ends_of_scipy(CONTESTS[name], days, value, free, rng)
                word = judged(CONTESTS[name], batch, row, ends)
                tally[word] += 1
                if word.startswith("MISSED"):
                    wrong.append(f"{word} {told(CONTESTS[name], batch, row, ends)} free {free}")
    return tally, wrong


def main() -> None:
    """Run all contests and print how they went."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shape", choices=list(CONTESTS))
    chosen = parser.parse_args()
    for name in [chosen.shape] if chosen.shape else CONTESTS:
        tally, wrong = contest(name, chosen.series, chosen.seed)
        print(name, dict(tally), *wrong, sep="\n  ", flush=True)


if __name__ == "__main__":
    main()
