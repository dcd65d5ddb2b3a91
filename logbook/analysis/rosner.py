"""Results that stand out from bed plus pull effects, in many tables of the same beds and pulls.

The result that fits worst is set aside and the rest is fitted again, up to a few times; those up to
the last one that stands out by its own t test, corrected for the number of results, stand apart.
Two wild results can therefore not hide each other.

Source: Rosner 1983, Technometrics 25:165; for linear fits Paul & Fung 1991, Technometrics 33:339.
A result is taken out of a fit as Belsley, Kuh & Welsch 1980, Regression Diagnostics, ch. 2, do.
"""

from __future__ import annotations

import numpy as np

from logbook.analysis.additive import Design, Flags, Floats, deleted, design
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
        judged: (beds, days), the results that are looked at, of every table.
        smallest: (tables), how far from what is expected a result may lie for any t.

    Returns:
        (tables, beds, days) and (tables).
    """
    apart = np.zeros(y.shape, dtype=np.bool_)
    can = np.zeros(len(y), dtype=np.bool_)
    if judged.any():
        apart[:, judged], can = _of_results(y[:, judged], design(judged), smallest)
    return apart, can


def _of_results(y: Floats, of: Design, smallest: Floats) -> tuple[Flags, Flags]:
    """As `stand_apart`, of the judged results (tables, n) only."""
    tables, total = y.shape
    every = np.arange(tables)
    rows, columns = np.nonzero(of.kept)
    beds, pulls = np.eye(of.kept.shape[0])[rows], np.eye(of.kept.shape[1])[columns]
    residual, weight = y - y @ of.reach, np.tile(np.diag(of.reach), (tables, 1))
    kept = np.ones(y.shape, dtype=np.bool_)
    order = np.full((tables, max(2, total // _ONE_IN)), -1)
    last = np.zeros(tables, dtype=np.intp)
    taken: list[tuple[Floats, Floats]] = []
    for turn in range(order.shape[1]):
        t, off = deleted(residual, weight, of.df - turn)
        several = (kept @ beds @ beds.T >= FEWEST) & (kept @ pulls @ pulls.T >= FEWEST)
        t = np.where(several & kept & np.isfinite(t), np.abs(t), -1.0)
        worst = t.argmax(axis=1)
        found = (t[every, worst] >= 0.0) & (order[:, turn - 1] >= 0 if turn else True)
        if not found.any():
            break
        order[found, turn] = worst[found]
        bar = t_quantile(1.0 - LEVEL / (2.0 * (total - turn)), of.df - turn - 1.0)
        far = np.abs(off[every, worst]) > smallest
        last[found & far & (t[every, worst] > bar)] = turn + 1
        # The hat matrix's column of each worst result, as it is without those taken out before.
        column = of.reach[worst]
        for before, share in taken:
            column = column + share * before[every, worst][:, None]
        column = np.where(kept & found[:, None], column, 0.0)
        share = column / (1.0 - column[every, worst])[:, None]
        taken.append((column, share))
        kept[every[found], worst[found]] = False
        residual = np.where(kept, residual + share * residual[every, worst][:, None], 0.0)
        weight = np.where(kept, weight + share * column, 0.0)
    apart = np.zeros(y.shape, dtype=np.bool_)
    for turn in range(order.shape[1]):
        some = every[last > turn]
        apart[some, order[some, turn]] = True
    return apart, order[:, 0] >= 0
