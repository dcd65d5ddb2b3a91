"""Results that stand out from bed plus pull effects, in many tables of the same beds and pulls.

The result that fits worst is set aside and the rest is fitted again, up to a few times; those up to
the last one that stands out by its own t test, corrected for the number of results, stand apart.
Two wild results can therefore not hide each other.

Source: Rosner 1983, Technometrics 25:165; for linear fits Paul & Fung 1991, Technometrics 33:339.
A result is taken out of a fit as Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2, do.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from logbook.analysis.additive import Flags, Floats, deleted, design
from logbook.analysis.tails import t_quantile

#: Fewest results of a pull, and of a bed, among which one can be called wrong.
FEWEST = 3
#: Chance that a clean table gets any flag.
LEVEL = 0.02
#: One in so many results may be set aside, but always two: an exchange makes two.
_ONE_IN = 8


def enough(seen: Flags) -> Flags:
    """Results (beds, days) with FEWEST or more of them at their pull and in their bed."""
    pulls, beds = seen.sum(axis=0) >= FEWEST, seen.sum(axis=1) >= FEWEST
    return np.asarray(seen & pulls[None, :] & beds[:, None])


def stand_apart(y: Floats, judged: Flags, smallest: Floats) -> tuple[Flags, Flags]:
    """Which results of each table stand apart, and which tables can be judged at all.

    Args:
        y: (tables, beds, days), finite where they are judged.
        judged: (beds, days), the results that are looked at, the same ones of every table.
        smallest: (tables), how far from what is expected a result may lie for any t.

    Returns:
        (tables, beds, days) and (tables).
    """
    apart, can = np.zeros(y.shape, dtype=np.bool_), np.zeros(len(y), dtype=np.bool_)
    if not judged.any():
        return apart, can
    rest, every, total = _Rest(y[:, judged], judged), np.arange(len(y)), int(judged.sum())
    order = np.full((len(y), max(2, total // _ONE_IN)), -1)
    last = np.zeros(len(y), dtype=np.intp)
    for turn in range(order.shape[1]):
        t, off = rest.deleted()
        worst = t.argmax(axis=1)
        found = (t[every, worst] >= 0.0) & (order[:, turn - 1] >= 0 if turn else True)
        if not found.any():
            break
        order[found, turn] = worst[found]
        wild = found & (np.abs(off[every, worst]) > smallest)
        share = LEVEL / (2.0 * (total - turn))
        last[_exceeds(np.where(wild, t[every, worst], -1.0), share, rest.df - 1)] = turn + 1
        rest.take_out(worst, found)
    flags = np.zeros(rest.kept.shape, dtype=np.bool_)
    for turn in range(order.shape[1]):
        some = every[last > turn]
        flags[some, order[some, turn]] = True
    apart[:, judged] = flags
    return apart, order[:, 0] >= 0


def _exceeds(t: Floats, share: float, df: int) -> Flags:
    """Which t lie above their quantile, of which this share of clean results does.

    Bounds of a normal deviate as unlikely as t decide nearly always: what works the quantile out
    takes long to load. Source: Wallace 1959, Annals of Mathematical Statistics 30:1121 (from
    memory; the tests hold the bounds against scipy).
    """
    normal = NormalDist().inv_cdf(1.0 - share)
    above = np.asarray(t > normal)
    if above.any():
        spread = np.log1p(t**2 / df)
        above &= np.sqrt(df * spread) > normal
        doubtful = above & ~(np.sqrt((df - 0.5) * spread) > normal)
        if doubtful.any():
            above &= ~doubtful | (t > t_quantile(1.0 - share, df))
    return above


class _Rest:
    """Fits of tables of one design, from each of which results were taken out.

    kept, residual, weight: (tables, n) of the n results that are judged: if a result is still in
    the fit, its residual and its weight on its own fitted value (0 of those taken out).
    """

    def __init__(self, y: Floats, judged: Flags) -> None:
        of = design(judged)
        rows, columns = np.nonzero(judged)
        self._beds, self._pulls = np.eye(judged.shape[0])[rows], np.eye(judged.shape[1])[columns]
        self._reach = of.reach
        self._taken: list[tuple[Floats, Floats]] = []
        self.df = of.df
        self.kept = np.ones(y.shape, dtype=np.bool_)
        self.residual = y - y @ of.reach
        self.weight = np.tile(np.diag(of.reach), (len(y), 1))

    def deleted(self) -> tuple[Floats, Floats]:
        """Absolute t of each result, and how far it is off; t is -1 where nobody can say."""
        t, off = deleted(self.residual, self.weight, self.df)
        several = (self.kept @ self._beds @ self._beds.T >= FEWEST) & (
            self.kept @ self._pulls @ self._pulls.T >= FEWEST
        )
        return np.where(several & self.kept & np.isfinite(t), np.abs(t), -1.0), off

    def take_out(self, worst: Floats, found: Flags) -> None:
        """Make each fit the one without its worst result, where one was found."""
        every = np.arange(len(worst))
        # The hat matrix's column of that result, as it is without those taken out before.
        column = self._reach[worst]
        for before, shift in self._taken:
            column = column + shift * before[every, worst][:, None]
        column = np.where(self.kept & found[:, None], column, 0.0)
        shift = column / (1.0 - column[every, worst])[:, None]
        self._taken.append((column, shift))
        self.kept[every[found], worst[found]] = False
        off = self.residual[every, worst][:, None]
        self.residual = np.where(self.kept, self.residual + shift * off, 0.0)
        self.weight = np.where(self.kept, self.weight + shift * column, 0.0)
        self.df -= 1
