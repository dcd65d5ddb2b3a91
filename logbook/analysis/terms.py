"""The columns of a curve that is linear in its amplitudes, and how they move with its rates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Terms:
    """Columns of a family at given rates, and how each moves with them.

    columns: m arrays (n, s). first[j]: column number -> its derivative in rate j; second[j, k],
    j <= k: column number -> second derivative. A column that is absent does not move.
    """

    columns: list[Floats]
    first: list[dict[int, Floats]]
    second: dict[tuple[int, int], dict[int, Floats]]

    def times(self, roots: Floats) -> Terms:
        """Every array multiplied by the roots of the weights."""
        return Terms(
            [roots * one for one in self.columns],
            [{i: roots * one for i, one in each.items()} for each in self.first],
            {j: {i: roots * one for i, one in each.items()} for j, each in self.second.items()},
        )
