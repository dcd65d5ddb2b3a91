"""Grids of rates, and which of their nodes a search starts from, many series at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.varpro import local_best

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

#: What a node's gain is lowered by for each place before it in the lattice, as a share.
TILT = 1e-9


@dataclass(frozen=True)
class Grid:
    """Rates to try first: nodes (p, g), and where they lie in a lattice (rows, columns).

    place: (g,), of every node in the lattice read row by row; between parts of the grid that have
    nothing to do with each other a row of it stays empty. frozen: (p, g), rates that the first
    steps from a node leave alone: those at a bound.

    block: (g,), of every node the block of rates that it lies in, or -1.

    A node that takes more off the sum of squares than those around it is a start, and so is the
    best of every block: a narrow valley may run between the nodes beside a wide one.
    Without a place (one rate, rising), those before and after it are around it.
    """

    nodes: Floats
    lattice: tuple[int, int] = (0, 0)
    place: Ints | None = None
    block: Ints | None = None
    frozen: NDArray[np.bool_] | None = None


def best_nodes(gain: Floats, grid: Grid, most: int) -> tuple[Ints, Ints]:
    """(series, node) to start from, given what each node takes off the sums of squares (g, s).

    most: peaks of a series, where the grid is a lattice; the best of its blocks come on top.
    """
    if grid.place is None:
        node, series = local_best(gain)
        return series, node
    if most == 1:
        return np.arange(gain.shape[1]), gain.argmax(axis=0)
    return _peaks(gain, grid, grid.place, most)


def _peaks(gain: Floats, grid: Grid, place: Ints, most: int) -> tuple[Ints, Ints]:
    """(series, node) of the nodes with more gain than all around them, the best few of a series."""
    rows, columns = grid.lattice
    count = gain.shape[1]
    # A level stretch has one peak, its first node: the gain is tilted by less than matters.
    tilted = np.zeros((rows + 2, columns + 2, count))
    inner = tilted[1:-1, 1:-1]
    flat = np.zeros((rows * columns, count))
    flat[place] = gain * (1.0 - TILT * place)[:, None]
    inner[:] = flat.reshape(rows, columns, count)
    highest = np.maximum(tilted[:-2], tilted[2:])
    np.maximum(highest, tilted[1:-1], out=highest)
    around = np.maximum(highest[:, :-2], highest[:, 2:])
    np.maximum(around, highest[:, 1:-1], out=around)
    peak = (inner >= around).reshape(flat.shape)[place]
    node, series = np.nonzero(peak)
    order = np.lexsort((-gain[node, series], series))
    node, series = node[order], series[order]
    kept = np.arange(len(series)) - np.searchsorted(series, series) < most
    return _with_blocks(gain, grid, series[kept], node[kept])


def _with_blocks(gain: Floats, grid: Grid, series: Ints, node: Ints) -> tuple[Ints, Ints]:
    """The starts, and the best node of every block where it is none of them."""
    if grid.block is None:
        return series, node
    every = np.arange(gain.shape[1])
    zones = [np.flatnonzero(grid.block == number) for number in range(grid.block.max() + 1)]
    tops = np.stack([zone[gain[zone].argmax(axis=0)] for zone in zones])
    codes = np.append(series * len(gain) + node, (every * len(gain) + tops).ravel())
    series, node = np.divmod(np.unique(codes), len(gain))
    return series, node
