"""First order on shared days, for many series at once: its basis, its best rate and ceiling.

With a free start the constant is projected off everything (Frisch & Waugh 1933, Econometrica
1:387-401), and what remains is the problem without a start; weights are square roots multiplied
in. Rates are iterated as u = log k.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

#: Between these, as k times the last and the first day, a curve is told from a line and a step.
LINE, STEP = 0.02, 20.0
NODES = 48
MOST_STEPS, SMALLEST_STEP = 40, 1e-12
#: An estimate this close to a bound lies at it.
NEAR_BOUND = 1e-9

Number = TypeVar("Number", np.float64, np.intp)
#: (u, rows) -> slope and curvature of half the RSS of each of these series there.
Pull = Callable[[Floats, Rows], tuple[Floats, Floats]]


@dataclass(frozen=True)
class Rise:
    """The days a curve is fitted to: days (n,), roots of weights (n,), and whether D0 is free."""

    days: Floats
    roots: Floats
    free_start: bool = False

    @property
    def line(self) -> float:
        """u below which a line fits as well."""
        return float(np.log(LINE / self.days.max()))

    @property
    def step(self) -> float:
        """u above which a step before the first pull fits as well."""
        return float(np.log(STEP / self.days[self.days > 0.0].min()))

    def seen(self, difference: Floats) -> Floats:
        """Net release as the basis sees it: weighted, the start projected off: (..., n)."""
        return self._without_start(difference * self.roots)

    def basis(self, rate: Floats) -> tuple[Floats, Floats]:
        """phi = 1 - e^(-kt) and its derivative by u, k t e^(-kt), for u of shape (r,): (r, n)."""
        exponent = np.exp(rate)[:, None] * np.maximum(self.days, 0.0)
        risen = -np.expm1(-exponent)
        return self.seen(risen), self.seen(exponent * (1.0 - risen))

    def bent(self, rate: Floats) -> tuple[Floats, Floats, Floats]:
        """phi, its derivative by u, and its second derivative k t (1 - k t) e^(-kt): (r, n)."""
        exponent = np.exp(rate)[:, None] * np.maximum(self.days, 0.0)
        risen = -np.expm1(-exponent)
        steep = exponent * (1.0 - risen)
        return self.seen(risen), self.seen(steep), self.seen(steep * (1.0 - exponent))

    def _without_start(self, values: Floats) -> Floats:
        """Values with the weighted constant projected off, when the start is free."""
        if not self.free_start:
            return values
        one = self.roots / np.sqrt((self.roots**2).sum())
        return np.asarray(values - (values @ one)[..., None] * one)


def dot(left: Floats, right: Floats) -> Floats:
    """Row by row products: (..., n) with (..., n) gives (...)."""
    return np.asarray(np.einsum("...n,...n->...", left, right))


def off(values: Floats, along: Floats) -> Floats:
    """Values with their part along another row taken out, row by row."""
    return np.asarray(values - along * (dot(values, along) / dot(along, along))[..., None])


def best_rate(rise: Rise, seen: Floats) -> tuple[Floats, Floats]:
    """Least-squares u and A of every series: each (series,); u is a bound where it lies there.

    seen: (series, n) as `Rise.seen` gives it.
    """
    nodes = np.linspace(rise.line, rise.step, NODES)
    phi, _ = rise.basis(nodes)
    loss = -((seen @ phi.T) ** 2) / dot(phi, phi)

    def pull(rate: Floats, rows: Rows) -> tuple[Floats, Floats]:
        return _pull(rise, some(seen, rows), rate)

    rate = polished(lowest(nodes, loss), pull, SMALLEST_STEP)
    phi, _ = rise.basis(rate)
    return rate, dot(phi, seen) / dot(phi, phi)


def _pull(rise: Rise, seen: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """Slope and curvature of half the RSS along u, the ceiling following (at its best)."""
    phi, steep, bend = rise.bent(rate)
    norm = dot(phi, phi)
    ceiling = dot(phi, seen) / norm
    left = seen - ceiling[:, None] * phi
    across = dot(steep, left)
    slope = -ceiling * across
    change = (across - ceiling * dot(phi, steep)) / norm
    curvature = (
        -change * across
        - ceiling * dot(bend, left)
        + ceiling * (change * dot(steep, phi) + ceiling * dot(steep, steep))
    )
    return slope, curvature


@dataclass(frozen=True)
class Start:
    """Where a search of u begins, and the places it stays between: each (series,)."""

    rate: Floats
    low: Floats
    high: Floats


def lowest(nodes: Floats, loss: Floats) -> Start:
    """The lowest point of a parabola through the best node of each series and its neighbours.

    Args:
        nodes: (m,), rising; loss: (series, m).
    """
    best = loss.argmin(1)
    rows, last = np.arange(len(best)), len(nodes) - 1
    before, after = np.maximum(best - 1, 0), np.minimum(best + 1, last)
    left, right = nodes[best] - nodes[before], nodes[after] - nodes[best]
    down = loss[rows, before] - loss[rows, best]
    up = loss[rows, after] - loss[rows, best]
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = (right**2 * down - left**2 * up) / (right * down + left * up) / 2.0
    inside = (shift > -left) & (shift < right)
    return Start(nodes[best] + np.where(inside, shift, 0.0), nodes[before], nodes[after])


def polished(start: Start, pull: Pull, small: float) -> Floats:
    """Newton steps from the start, kept between its neighbours by halving.

    small: a step of u after which no other is taken.
    """
    found, low, high = start.rate.copy(), start.low, start.high
    rows, rate = np.arange(len(found)), start.rate
    for _ in range(MOST_STEPS):
        slope, curvature = pull(rate, rows)
        low, high = np.where(slope <= 0.0, rate, low), np.where(slope >= 0.0, rate, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            wanted = rate - slope / curvature
        inside = (wanted >= low) & (wanted <= high) & (curvature > 0.0)
        moved = np.where(inside, wanted, (low + high) / 2.0)
        found[rows] = moved
        going = np.flatnonzero(np.abs(moved - rate) >= small)
        if not going.size:
            break
        rows, rate, low, high = rows[going], moved[going], low[going], high[going]
    return found


def some(values: NDArray[Number], rows: Rows) -> NDArray[Number]:
    """Rows of an array, without a copy where they are all of them."""
    return values if len(rows) == len(values) else values[rows]
