"""The rate that belongs to a given ceiling, for many series and many ceilings at once.

A ceiling A is tested with the rate that fits best under it. Left to plain least squares, a bed that
is high all through moves that rate and the score of the ceiling together, and where beds differ far
more than the laboratory errs the test rejects the true ceiling too often. So the rate is found by
generalised least squares, as if the beds of a side differed by as much as the laboratory errs:
covariance I + ALIKE (m_T m_T' + m_C m_C') / mean(m_T^2 + m_C^2) with the mean levels m of the two
sides. Nothing in it is estimated from the spread of the beds, which the test itself needs.
Source of the estimator: Aitken 1936, Proc. R. Soc. Edinburgh 55:42-48; a covariance that is
supposed and need not be true: Liang & Zeger 1986, Biometrika 73:13-22.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.rising import Rise, dot, lowest, polished, some

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

#: Variance between beds that is supposed, over that of the laboratory.
ALIKE = 1.0
#: Rates this slow are tried under a given ceiling, which may be far above the results.
SLOWEST = 1e-5
#: Nodes of the grid below the rate of a line, and above it.
SLOW_NODES, NODES = 16, 48
#: The test of a ceiling does not change to first order with its rate: this step is small enough.
SMALL_STEP = 1e-6


@dataclass(frozen=True)
class Under:
    """Series made ready for the search of u = log k under any ceiling.

    seen: (series, n) times the inverse covariance; along: (series, 2, n), rows q of the inverse
    covariance I - q'q, or None for plain least squares; nodes: (m,); gain, norm: phi.seen and
    phi.phi in that metric, (series, m).
    """

    rise: Rise
    seen: Floats
    along: Floats | None
    nodes: Floats
    gain: Floats
    norm: Floats

    def rate(self, ceiling: Floats, rows: Rows) -> Floats:
        """Best u of the chosen series under their ceilings: (rows,)."""
        norm = self.norm if len(self.norm) == 1 else some(self.norm, rows)
        size = ceiling[:, None]
        start = lowest(self.nodes, size * (size * norm - 2.0 * some(self.gain, rows)))

        def pull(rate: Floats, chosen: Rows) -> tuple[Floats, Floats]:
            height, these = some(ceiling, chosen), some(rows, chosen)
            along = None if self.along is None else some(self.along, these)
            phi, steep, bend = self.rise.bent(rate)
            left = some(self.seen, these) - height[:, None] * damped(phi, along)
            slope = -height * dot(steep, left)
            curvature = height**2 * _square(steep, along) - height * dot(bend, left)
            return slope, curvature

        return polished(start, pull, SMALL_STEP)


def under(rise: Rise, seen: Floats, offsets: Floats | None = None) -> Under:
    """Series made ready.

    Args:
        seen: (series, n) as `Rise.seen` gives it.
        offsets: (series, 2, n) as `Units.offsets` gives them; None: plain least squares.
    """
    along = None if offsets is None else _along(rise, offsets)
    slow = np.linspace(np.log(SLOWEST / rise.days.max()), rise.line, SLOW_NODES, endpoint=False)
    nodes = np.concatenate([slow, np.linspace(rise.line, rise.step, NODES)])
    phi, _ = rise.basis(nodes)
    flat = damped(seen, along)
    norm = dot(phi, phi)[None]
    if along is not None:
        norm = norm - ((along @ phi.T) ** 2).sum(1)
    return Under(rise, flat, along, nodes, flat @ phi.T, norm)


def damped(values: Floats, along: Floats | None) -> Floats:
    """(series, n) values times the inverse covariance I - q'q."""
    if along is None:
        return values
    return np.asarray(values - np.einsum("si,sin->sn", _parts(values, along), along))


def _square(values: Floats, along: Floats | None) -> Floats:
    """Squares of rows in the metric of the inverse covariance."""
    plain = dot(values, values)
    if along is None:
        return plain
    parts = _parts(values, along)
    return np.asarray(plain - dot(parts, parts))


def _parts(values: Floats, along: Floats) -> Floats:
    """q.v of every series: (series, 2)."""
    return np.asarray(np.einsum("sin,sn->si", along, values))


def _along(rise: Rise, offsets: Floats) -> Floats:
    """Rows q for which I - q'q is the inverse of I + sum of l l' (Sherman & Morrison 1950)."""
    mean = (offsets**2).sum(1).mean(-1)
    scale = np.sqrt(ALIKE / np.where(mean > 0.0, mean, 1.0))
    first, second = np.moveaxis(rise.seen(offsets * scale[:, None, None]), 1, 0)
    first = first / np.sqrt(1.0 + dot(first, first))[:, None]
    turned = second - first * dot(first, second)[:, None]
    turned = turned / np.sqrt(1.0 + dot(second, turned))[:, None]
    return np.stack([first, turned], axis=1)
