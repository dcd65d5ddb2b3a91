"""Small least-squares algebra for many series at once: columns set at right angles.

A column is an array (n, series): pulls down, series across, so that every step is one pass over all
series. Everything here works on lists of a few such columns. Method: modified Gram-Schmidt, done
twice ("twice is enough", Giraud, Langou & Rozloznik 2005, Comput. Math. Appl. 50:1069-1075).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: A column of which less than this share is its own says nothing that the others do not.
NOTHING_OWN = 1e-13


@dataclass(frozen=True)
class Frame:
    """Columns as q r: q, orthonormal columns (n, series); r[i][j], i <= j, (series,) each."""

    q: list[Floats]
    r: list[list[Floats]]

    def along(self, column: Floats) -> list[Floats]:
        """Parts of a column along each q: (series,) each."""
        return [dot(one, column) for one in self.q]

    def off(self, column: Floats, along: Sequence[Floats]) -> Floats:
        """The column less its parts along the q."""
        rest = column.copy()
        for one, part in zip(self.q, along, strict=True):
            rest -= one * part
        return rest

    def solve(self, right: Sequence[Floats]) -> list[Floats]:
        """x with r x = right."""
        answer = list(right)
        for i in reversed(range(len(answer))):
            for j in range(i + 1, len(answer)):
                answer[i] = answer[i] - self.r[i][j] * answer[j]
            answer[i] = _ratio(answer[i], self.r[i][i])
        return answer

    def solve_across(self, right: Sequence[Floats]) -> list[Floats]:
        """x with r' x = right."""
        answer = list(right)
        for i in range(len(answer)):
            for j in range(i):
                answer[i] = answer[i] - self.r[j][i] * answer[j]
            answer[i] = _ratio(answer[i], self.r[i][i])
        return answer


def dot(one: Floats, other: Floats) -> Floats:
    """Sum of products down each series: (series,)."""
    return np.asarray(np.einsum("ij,ij->j", one, other))


def _ratio(above: Floats, below: Floats) -> Floats:
    """above / below, 0 where below is 0."""
    return np.asarray(np.divide(above, below, out=np.zeros_like(above), where=below != 0.0))


def frame(columns: Sequence[Floats]) -> Frame:
    """The columns at right angles. A column that adds nothing to those before it gets q = 0."""
    q: list[Floats] = []
    r = [[np.zeros(columns[0].shape[1]) for _ in columns] for _ in columns]
    for j, column in enumerate(columns):
        rest, size = column, np.sqrt(dot(column, column))
        for _ in range(2 if j else 1):
            for i, one in enumerate(q):
                part = dot(one, rest)
                rest = rest - one * part
                r[i][j] = r[i][j] + part
        own = np.sqrt(dot(rest, rest))
        r[j][j] = np.where(own > NOTHING_OWN * size, own, 0.0)
        q.append(rest * _ratio(np.ones_like(own), r[j][j]))
    return Frame(q, r)


def definite_solve(
    matrix: Sequence[Sequence[Floats]], right: Sequence[Floats]
) -> tuple[list[Floats], NDArray[np.bool_]]:
    """x with matrix x = right by elimination, (series,) each, and where the matrix is positive
    definite; elsewhere x means nothing."""
    size = len(right)
    left = [list(row) for row in matrix]
    answer = list(right)
    definite = np.ones(len(answer[0]), dtype=bool)
    for i in range(size):
        definite &= left[i][i] > 0.0
        for j in range(i + 1, size):
            factor = _ratio(left[j][i], left[i][i])
            answer[j] = answer[j] - factor * answer[i]
            for k in range(i, size):
                left[j][k] = left[j][k] - factor * left[i][k]
    for i in reversed(range(size)):
        for j in range(i + 1, size):
            answer[i] = answer[i] - left[i][j] * answer[j]
        answer[i] = _ratio(answer[i], left[i][i])
    return answer, definite


def apart(columns: Sequence[Floats]) -> tuple[Floats, Floats]:
    """How far the columns of a Jacobian can be told apart.

    Args:
        columns: p columns (n, series), none of them 0.

    Returns:
        Squared length (series, p) of each column after the others are projected off it, 0 for all
        where some column says nothing of its own: s^2 over it
        is the variance of the parameter, the diagonal of (J'J)^-1 without forming J'J; and the
        condition number (series,) of the Jacobian with its columns scaled to unit length, infinite
        from 1e7 on.
    """
    sizes = [np.sqrt(dot(column, column)) for column in columns]
    one = np.ones_like(sizes[0])
    unit = [column * _ratio(one, size) for column, size in zip(columns, sizes, strict=True)]
    if len(unit) == 2:
        return _two_apart(unit, sizes), _condition(unit)
    found = frame(unit)
    nothing = np.zeros_like(one)
    inverse = [
        found.solve([one if i == j else nothing for i in range(len(unit))])
        for j in range(len(unit))
    ]
    alone = np.logical_and.reduce([found.r[i][i] > 0.0 for i in range(len(unit))])
    squares = [
        size**2
        * _ratio(one, np.where(alone, sum(inverse[j][i] ** 2 for j in range(i, len(unit))), 0.0))
        for i, size in enumerate(sizes)
    ]
    return np.stack(squares, axis=1), _condition(unit)


def _two_apart(unit: Sequence[Floats], sizes: Sequence[Floats]) -> Floats:
    """Squared lengths (series, 2) of two columns of unit length, each without the other, times
    their sizes: of the unit columns both have the same share of their own."""
    rest = unit[1] - unit[0] * dot(unit[0], unit[1])
    rest -= unit[0] * dot(unit[0], rest)
    own = dot(rest, rest)
    own = np.where(own > NOTHING_OWN**2, own, 0.0)
    return np.stack([size**2 * own for size in sizes], axis=1)


def _condition(unit: Sequence[Floats]) -> Floats:
    """Condition number of columns of unit length, from the eigenvalues of their products."""
    if len(unit) == 1:
        return np.ones(unit[0].shape[1])
    if len(unit) == 2:
        # Half the sum and half the difference of two unit columns: no digits lost when they agree.
        both, differ = (dot(v, v) for v in (unit[0] + unit[1], unit[0] - unit[1]))
        least, most = np.minimum(both, differ), np.maximum(both, differ)
    else:
        least, most = _extreme_eigenvalues(unit)
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(np.where(least > 1e-14 * most, most / least, np.inf)))


def _extreme_eigenvalues(unit: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Least and greatest eigenvalue of the products of three or more unit columns."""
    if len(unit) > 3:
        products = np.stack([np.stack([dot(a, b) for b in unit], axis=1) for a in unit], axis=2)
        eigen = np.linalg.eigvalsh(products)
        return np.asarray(eigen[:, 0]), np.asarray(eigen[:, -1])
    x, y, z = dot(unit[0], unit[1]), dot(unit[0], unit[2]), dot(unit[1], unit[2])
    # Roots of a cubic by Viete's cosines; the diagonal is 1.
    third = np.sqrt(np.maximum((x * x + y * y + z * z) / 3.0, 1e-300))
    angle = np.arccos(np.clip(x * y * z / third**3, -1.0, 1.0)) / 3.0
    most = 1.0 + 2.0 * third * np.cos(angle)
    least = 1.0 + 2.0 * third * np.cos(angle + 2.0 * np.pi / 3.0)
    return np.asarray(least), np.asarray(most)
