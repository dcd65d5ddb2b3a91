"""Results that stand out from bed plus pull effects, in many tables of the same beds and pulls.

The result that fits worst is set aside and the rest is fitted again, up to a few times; those up to
the last one that stands out by its own t test, corrected for the number of results, stand apart.
Two wild results can therefore not hide each other.

Source: Rosner 1983, Technometrics 25:165; for linear fits Paul & Fung 1991, Technometrics 33:339.
A result is taken out of a fit as Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2, do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.additive import Design, Flags, Floats, deleted, design
from logbook.analysis.tails import t_quantiles

Places = NDArray[np.intp]
#: Fewest results of a pull, and of a bed, among which one can be called wrong.
FEWEST = 3
#: Chance that a clean table gets any flag.
LEVEL = 0.02
#: One in so many results may be set aside, but always two: an exchange makes two.
_ONE_IN = 8


def enough(seen: Flags) -> Flags:
    """Results (.., beds, days) with FEWEST or more of them at their pull and in their bed."""
    pulls, beds = (seen.sum(axis=axis, keepdims=True) >= FEWEST for axis in (-2, -1))
    return np.asarray(seen & pulls & beds)


@dataclass(frozen=True)
class _Tables:
    """Tables of one trial, in the corner of a grid (beds, days) that holds each.

    y: (tables, cells), 0 where nothing is judged; judged: (tables, beds, days). reach: (designs,
    cells, cells), the hat matrix of each design; design: which one is each table's; df: (tables).
    """

    y: Floats
    judged: Flags
    reach: Floats
    design: Places
    df: Floats


def stand_apart(
    tables: Sequence[Floats], judged: Sequence[Flags], smallest: Sequence[float]
) -> list[Flags | None]:
    """Which results of each table stand apart; None for a table that nobody can judge.

    Args:
        tables: (beds, days) each, finite where they are judged.
        judged: the results of each table that are looked at.
        smallest: how far from what is expected a result of each table may lie for any t.
    """
    some = [place for place, mask in enumerate(judged) if mask.any()]
    found: list[Flags | None] = [None] * len(tables)
    if some:
        laid = _laid([tables[n] for n in some], [judged[n] for n in some])
        apart = _apart(laid, np.array([smallest[n] for n in some]))
        for place, flags in zip(some, apart, strict=True):
            if flags is not None:
                beds, days = tables[place].shape
                found[place] = flags[:beds, :days]
    return found


def _laid(tables: Sequence[Floats], judged: Sequence[Flags]) -> _Tables:
    beds, days = (max(one.shape[axis] for one in tables) for axis in (0, 1))
    y, mask = np.zeros((len(tables), beds, days)), np.zeros((len(tables), beds, days), np.bool_)
    known: dict[tuple[tuple[int, ...], bytes], int] = {}
    which = np.zeros(len(tables), np.intp)
    designs: list[Design] = []
    for n, (one, kept) in enumerate(zip(tables, judged, strict=True)):
        rows, columns = one.shape
        y[n, :rows, :columns] = np.where(kept, one, 0.0)
        mask[n, :rows, :columns] = kept
        which[n] = known.setdefault((kept.shape, kept.tobytes()), len(known))
        if which[n] == len(designs):
            designs.append(design(kept))
    reach = np.zeros((len(designs), beds * days, beds * days))
    for n, of in enumerate(designs):
        at = np.flatnonzero(mask[np.argmax(which == n)])
        reach[n, at[:, None], at] = of.reach
    df = np.array([of.df for of in designs], dtype=np.float64)[which]
    return _Tables(y.reshape(len(tables), -1), mask, reach, which, df)


def _apart(laid: _Tables, smallest: Floats) -> list[Flags | None]:
    """As `stand_apart`, of tables each of which has results that are judged."""
    every, kept = np.arange(len(laid.y)), laid.judged.copy()
    total = laid.judged.sum(axis=(1, 2))
    turns = np.maximum(2, total // _ONE_IN)
    residual = laid.y.copy()
    for n, reach in enumerate(laid.reach):
        residual[laid.design == n] -= laid.y[laid.design == n] @ reach
    weight = np.einsum("kii->ki", laid.reach)[laid.design]
    order = np.full((len(laid.y), int(turns.max())), -1)
    last = np.zeros(len(laid.y), dtype=np.intp)
    taken: list[tuple[Floats, Floats]] = []
    for turn in range(order.shape[1]):
        df = laid.df - turn
        t, off = deleted(residual, weight, df)
        t = np.where(enough(kept).reshape(t.shape) & np.isfinite(t), np.abs(t), -1.0)
        worst = t.argmax(axis=1)
        found = (t[every, worst] >= 0.0) & (turn < turns)
        if turn:
            found &= order[:, turn - 1] >= 0
        if not found.any():
            break
        order[found, turn] = worst[found]
        share = LEVEL / (2.0 * np.maximum(total - turn, 1))
        # A quantile of t lies above the normal one: most need not be worked out, and what works
        # them out takes long to load.
        least = NormalDist().inv_cdf(1.0 - float(share[found].max()))
        wild = found & (np.abs(off[every, worst]) > smallest) & (t[every, worst] > least)
        if wild.any():
            bar = t_quantiles(1.0 - share[wild], df[wild] - 1.0)
            last[every[wild][t[every, worst][wild] > bar]] = turn + 1
        # The hat matrix's column of each worst result, as it is without those taken out before.
        column = laid.reach[laid.design, worst]
        for before, shift in taken:
            column = column + shift * before[every, worst][:, None]
        here = kept.reshape(column.shape)
        column = np.where(here & found[:, None], column, 0.0)
        shift = column / (1.0 - column[every, worst])[:, None]
        taken.append((column, shift))
        here[every[found], worst[found]] = False
        residual = np.where(here, residual + shift * residual[every, worst][:, None], 0.0)
        weight = np.where(here, weight + shift * column, 0.0)
    apart = np.zeros(laid.y.shape, dtype=np.bool_)
    for turn in range(order.shape[1]):
        some = every[last > turn]
        apart[some, order[some, turn]] = True
    apart = apart.reshape(kept.shape)
    return [apart[n] if order[n, 0] >= 0 else None for n in every]
