"""First order on shared days, for many series at once: its basis, its best rate, its best ceiling.

With a free start the constant is projected off everything (Frisch & Waugh 1933, Econometrica
1:387-401), and what remains is the problem without a start; weights are square roots multiplied
in. Rates are iterated as u = log k.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Between these, as k times the last and the first day, a curve is told from a line and a step.
LINE, STEP = 0.02, 20.0
#: Rates this slow are tried under a given ceiling, which may be far above the results.
SLOWEST = 1e-5
NODES = 96
MOST_STEPS, SMALLEST_STEP = 40, 1e-12
#: An estimate this close to a bound lies at it.
NEAR_BOUND = 1e-9

#: u -> slope and curvature of half the RSS, series by series.
Pull = Callable[[Floats], tuple[Floats, Floats]]


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
        decay = np.exp(-exponent)
        return self.seen(-np.expm1(-exponent)), self.seen(exponent * decay)

    def bend(self, rate: Floats) -> Floats:
        """Second derivative of phi by u, k t (1 - k t) e^(-kt): (r, n)."""
        exponent = np.exp(rate)[:, None] * np.maximum(self.days, 0.0)
        return self.seen(exponent * (1.0 - exponent) * np.exp(-exponent))

    def nodes(self, lowest: float) -> Floats:
        """A grid of u from the lowest to the step."""
        return np.linspace(lowest, self.step, NODES)

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
    nodes = rise.nodes(rise.line)
    phi, _ = rise.basis(nodes)
    gain = (seen @ phi.T) ** 2 / dot(phi, phi)
    rate = _polished(nodes, gain.argmax(1), lambda u: _pull(rise, seen, u))
    phi, _ = rise.basis(rate)
    return rate, dot(phi, seen) / dot(phi, phi)


def _pull(rise: Rise, seen: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """Slope and curvature of half the RSS along u, the ceiling following (at its best)."""
    phi, steep = rise.basis(rate)
    bend = rise.bend(rate)
    norm = dot(phi, phi)
    ceiling = dot(phi, seen) / norm
    left = seen - ceiling[:, None] * phi
    slope = -ceiling * dot(steep, left)
    change = (dot(steep, left) - ceiling * dot(phi, steep)) / norm
    curvature = (
        -change * dot(steep, left)
        - ceiling * dot(bend, left)
        + ceiling * (change * dot(steep, phi) + ceiling * dot(steep, steep))
    )
    return slope, curvature


def rate_under(rise: Rise, seen: Floats, ceiling: Floats) -> Floats:
    """Least-squares u of every series whose ceiling A is given: (series,)."""
    nodes = rise.nodes(float(np.log(SLOWEST / rise.days.max())))
    phi, _ = rise.basis(nodes)
    loss = ceiling[:, None] ** 2 * dot(phi, phi) - 2.0 * ceiling[:, None] * (seen @ phi.T)
    return _polished(nodes, loss.argmin(1), lambda u: _pull_under(rise, seen, ceiling, u))


def _pull_under(rise: Rise, seen: Floats, ceiling: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """Slope and curvature of half the RSS along u under a given ceiling."""
    phi, steep = rise.basis(rate)
    left = seen - ceiling[:, None] * phi
    slope = -ceiling * dot(steep, left)
    curvature = ceiling**2 * dot(steep, steep) - ceiling * dot(rise.bend(rate), left)
    return slope, curvature


def _polished(nodes: Floats, best: NDArray[np.intp], pull: Pull) -> Floats:
    """Newton steps from the best node, kept between its neighbours by halving."""
    low, high = nodes[np.maximum(best - 1, 0)], nodes[np.minimum(best + 1, len(nodes) - 1)]
    rate = nodes[best]
    for _ in range(MOST_STEPS):
        slope, curvature = pull(rate)
        low, high = np.where(slope <= 0.0, rate, low), np.where(slope >= 0.0, rate, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            wanted = rate - slope / curvature
        inside = (wanted >= low) & (wanted <= high) & (curvature > 0.0)
        moved = np.where(inside, wanted, (low + high) / 2.0)
        change = np.abs(moved - rate).max(initial=0.0)
        rate = moved
        if change < SMALLEST_STEP:
            break
    return np.asarray(rate)
