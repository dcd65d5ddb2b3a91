"""The search's step written out: for two columns with a rate each, and one column with two rates.

The same numbers as `separable.point_at` gives for any family, in a third of the passes. A fitted
start is projected off the columns (Frisch & Waugh 1933, Econometrica 1:387-401), and the caller has
projected it off the values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.orthogonal import dot
from logbook.analysis.separable import Point
from logbook.analysis.varpro import common, off, rise

Floats = NDArray[np.float64]

#: Columns that agree to the last digit are kept from dividing by 0.
TINY = 1e-300


@dataclass(frozen=True)
class _Plane:
    """Two columns as q r, and the values less what lies along them.

    q: two (n, s); r: r11, r12, r22, each (s,); amplitudes: two (s,); rest: (n, s).
    """

    q: tuple[Floats, Floats]
    r: tuple[Floats, Floats, Floats]
    amplitudes: tuple[Floats, Floats]
    rest: Floats


def point_of_two(
    elapsed: Floats, values: Floats, roots: Floats, start: Floats | None, rates: Floats
) -> Point:
    """Half the rss and its derivatives in log k1 and log k2 at rates (2, s).

    Args:
        elapsed: (n,). values: (n, s), weighted. roots: of the weights, (n, 1 or s).
        start: the roots as a unit column, (n, 1 or s), or None with a fixed start.

    With v_j the curve's move in rate j, e_j = q' v_j, and h_j = R'^-1 s_j where s_j holds what the
    column's own move has in common with the residual r: F_j = -v_j r; Kaufman's matrix
    v_j v_k - e_j e_k; the exact one has h_j e_k + h_k e_j - h_j h_k - r v_jk more.
    """
    fast, slow = (tuple(roots * one for one in rise(elapsed, rate)) for rate in rates)
    plane = _plane(off(fast[0], start), off(slow[0], start), values)
    return _derived(plane, (fast[1], slow[1]), (fast[2], slow[2]), start)


def _plane(fast: Floats, slow: Floats, values: Floats) -> _Plane:
    """Gram-Schmidt, twice, and the values projected, twice."""
    r11 = np.sqrt(dot(fast, fast))
    q1 = fast / r11
    r12 = dot(q1, slow)
    slow = slow - r12 * q1
    more = dot(q1, slow)
    slow -= more * q1
    r22 = np.maximum(np.sqrt(dot(slow, slow)), TINY)
    slow /= r22
    first, second = dot(q1, values), dot(slow, values)
    rest = values - first * q1
    rest -= second * slow
    again, too = dot(q1, rest), dot(slow, rest)
    rest -= again * q1
    rest -= too * slow
    r12 = r12 + more
    slow_size = (second + too) / r22
    sizes = ((first + again - r12 * slow_size) / r11, slow_size)
    return _Plane((q1, slow), (r11, r12, r22), sizes, rest)


def _derived(
    plane: _Plane,
    slopes: tuple[Floats, Floats],
    bends: tuple[Floats, Floats],
    start: Floats | None,
) -> Point:
    """The point of two columns that move by `slopes` and `bends`."""
    r11, r12, r22 = plane.r
    shared = [dot(slope, plane.rest) for slope in slopes]
    gradient = [-size * one for size, one in zip(plane.amplitudes, shared, strict=True)]
    along = [
        [size * dot(q, slope) for q in plane.q]
        for size, slope in zip(plane.amplitudes, slopes, strict=True)
    ]
    pull = shared[0] / r11
    pulls = [(pull, -r12 * pull / r22), (np.zeros_like(pull), shared[1] / r22)]
    at_start = [0.0, 0.0] if start is None else [common(start, slope) for slope in slopes]
    exact, kaufman = (np.empty((2, 2, len(r11))) for _ in range(2))
    for j, k in ((0, 0), (0, 1), (1, 1)):
        (h1, h2), (g1, g2), (e1, e2), (d1, d2) = pulls[j], pulls[k], along[j], along[k]
        both = plane.amplitudes[j] * plane.amplitudes[k]
        flat = both * (dot(slopes[j], slopes[k]) - at_start[j] * at_start[k]) - e1 * d1 - e2 * d2
        kaufman[j, k] = kaufman[k, j] = flat
        exact[j, k] = flat + h1 * d1 + h2 * d2 + g1 * e1 + g2 * e2 - h1 * g1 - h2 * g2
        if j == k:
            exact[j, j] -= plane.amplitudes[j] * dot(bends[j], plane.rest)
        exact[k, j] = exact[j, k]
    return Point(dot(plane.rest, plane.rest) / 2.0, np.stack(gradient), exact, kaufman)


def point_of_one(
    values: Floats,
    roots: Floats,
    start: Floats | None,
    column: Floats,
    moves: tuple[Floats, Floats],
    bends: tuple[Floats, Floats, Floats],
) -> Point:
    """The same for one column that moves with both rates, such as a sigmoid.

    Args:
        values, roots, start: as for `point_of_two`.
        column, moves, bends: the column, its derivatives in the rates, and its second derivatives
            in the first twice, in both, and in the second twice; (n, s) each, not weighted.
    """
    own = off(roots * column, start)
    slopes = [roots * move for move in moves]
    length = np.maximum(np.sqrt(dot(own, own)), TINY)
    own /= length
    size = dot(own, values)
    rest = values - size * own
    more = dot(own, rest)
    rest -= more * own
    size = (size + more) / length
    shared = [dot(slope, rest) for slope in slopes]
    along = [size * dot(own, slope) for slope in slopes]
    pulls = [one / length for one in shared]
    at_start = [0.0, 0.0] if start is None else [common(start, slope) for slope in slopes]
    exact, kaufman = (np.empty((2, 2, values.shape[1])) for _ in range(2))
    for (j, k), bend in zip(((0, 0), (0, 1), (1, 1)), bends, strict=True):
        flat = size**2 * (dot(slopes[j], slopes[k]) - at_start[j] * at_start[k])
        flat -= along[j] * along[k]
        kaufman[j, k] = kaufman[k, j] = flat
        mixed = pulls[j] * along[k] + pulls[k] * along[j] - pulls[j] * pulls[k]
        exact[j, k] = exact[k, j] = flat + mixed - size * dot(roots * bend, rest)
    gradient = np.stack([-size * one for one in shared])
    return Point(dot(rest, rest) / 2.0, gradient, exact, kaufman)
