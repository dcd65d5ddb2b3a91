"""Several dates with beds missing on some: a random bed, its variance by REML.

With one random bed the restricted likelihood has one unknown, the correlation of two dates of a
bed: it is scanned from 0 up and the best place refined, so that a bed variance of zero is an answer
and no failure (the mixed-model library that the tests hold this against stops there with a singular
matrix, and elsewhere short of convergence). Degrees of freedom are those between beds, for every
difference: fewer than Satterthwaite's for one date, never more.

Sources: Patterson & Thompson 1971, Biometrika 58:545-554; Searle, Casella & McCulloch 1992,
Variance Components, chapter 6.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import dunnett
from logbook.analysis.anova import ERROR, sequential
from logbook.analysis.repeated import Dated, Interaction, OnDate, Season
from logbook.analysis.series import ROUNDING, SPREAD_UNSEEN
from logbook.analysis.several import ALPHA, Family, Line, chance_alone
from logbook.analysis.tails import f_tail, t_quantile
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

_MOST_ALIKE, _SCANNED = 0.9999, 21  # the correlation of two dates of a bed, and its scan
_TINY = 1e-300


def with_gaps(given: Sequence[Dated], dates: Sequence[str], control: str, means: Family) -> Season:
    """The season of beds with gaps; values on the scale that they are compared on.

    Args:
        given, control: as in `repeated.season`, treatments with a test only. dates: all of them.
        means: the comparison of bed means over whatever dates they have, of which the choice of
            treatments and blocks is kept, and no number.
    """
    codes = sorted({one.treatment for one in given} - {control})
    design = _design(given, (control, *codes), dates, blocks=means.blocks)
    bed, error = variances(
        np.array([one.value for one in given]), design, [one.bed for one in given]
    )
    estimate, covariance = _least_squares(given, design, bed, error)
    df_bed, df_error = _freedom(given, blocks=means.blocks)
    cells = len(dates) * (len(codes) + 1)
    family = _family(estimate, covariance, codes, len(dates), df_bed, means, given)
    return Season(
        method="reml",
        why="",
        dates=tuple(dates),
        means=family,
        ms_bed=error + len(dates) * bed,
        df_bed=df_bed,
        ms_error=error,
        df_error=df_error,
        interaction=_interaction(estimate, covariance, len(codes), len(dates), df_error),
        on_dates=tuple(_on_dates(estimate[:cells], covariance, codes, dates, df_bed)),
    )


@dataclass(frozen=True)
class _Beds:
    """Which rows are of one bed: (beds, n) weights that average them, and how many there are."""

    of: NDArray[np.intp]
    averaging: Floats
    counts: Floats

    def whitened(self, columns: Floats, share: float) -> Floats:
        """Columns times the inverse root of the correlations, `share` between dates of a bed."""
        own = (1.0 - share) / (1.0 - share + share * self.counts)
        pulled = (1.0 - np.sqrt(own))[self.of]
        means = (self.averaging @ columns)[self.of]
        less = pulled[:, None] * means if columns.ndim == 2 else pulled * means
        return np.asarray((columns - less) / math.sqrt(1.0 - share))

    def log_size(self, share: float) -> float:
        """The logarithm of the determinant of the correlations."""
        free = float((self.counts - 1.0).sum()) * math.log1p(-share)
        return free + float(np.log(1.0 - share + share * self.counts).sum())


def _beds_of(names: Sequence[str]) -> _Beds:
    _, of = np.unique(np.array(names), return_inverse=True)
    counts = np.bincount(of).astype(float)
    averaging = (of[None, :] == np.arange(len(counts))[:, None]) / counts[:, None]
    return _Beds(of, averaging, counts)


def variances(values: Floats, design: Floats, beds: Sequence[str]) -> tuple[float, float]:
    """The variances between and within beds, by REML.

    Args:
        values: (n,). design: (n, p) of full rank, p < n. beds: (n,) labels.

    Raises:
        UserMistake: the values leave no spread to estimate.
    """
    from scipy.optimize import minimize_scalar

    names, centred = _beds_of(beds), values - values.mean()

    def lack(share: float) -> float:
        return _restricted(centred, design, names, share)[0]

    grid = np.linspace(0.0, _MOST_ALIKE, _SCANNED)
    best = int(np.argmin([lack(float(share)) for share in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = minimize_scalar(lack, bounds=(low, high), method="bounded", options={"xatol": 1e-8})
    share = float(found.x) if found.fun < lack(float(grid[best])) else float(grid[best])
    total = _restricted(centred, design, names, share)[1]
    if not total > (ROUNDING * float(np.abs(values).max())) ** 2:
        raise UserMistake(SPREAD_UNSEEN)
    return share * total, (1.0 - share) * total


def _restricted(values: Floats, design: Floats, beds: _Beds, share: float) -> tuple[float, float]:
    """-2 log of the restricted likelihood, up to a constant, and the total variance with it."""
    columns, whitened = beds.whitened(design, share), beds.whitened(values, share)
    basis, triangle = np.linalg.qr(columns)
    rest = whitened - basis @ (basis.T @ whitened)
    free = len(values) - design.shape[1]
    total = float(rest @ rest) / free
    size = beds.log_size(share) + 2.0 * float(np.log(np.abs(np.diag(triangle))).sum())
    return free * math.log(max(total, _TINY)) + size, total


def _design(
    given: Sequence[Dated], codes: Sequence[str], dates: Sequence[str], *, blocks: bool
) -> Floats:
    """A column for each treatment and date, the control's first, then blocks less one."""
    cells = {(code, date): (n, m) for n, code in enumerate(codes) for m, date in enumerate(dates)}
    found = np.zeros((len(given), len(cells)))
    for row, one in enumerate(given):
        first, second = cells[one.treatment, one.date]
        found[row, first * len(dates) + second] = 1.0
    if not blocks:
        return found
    labels = sorted({str(one.block) for one in given})[1:]
    more = np.array([[float(str(one.block) == label) for label in labels] for one in given])
    return np.hstack([found, more])


def _least_squares(
    given: Sequence[Dated], design: Floats, bed: float, error: float
) -> tuple[Floats, Floats]:
    """Estimates and their covariance with the variances known."""
    total = bed + error
    beds = _beds_of([one.bed for one in given])
    basis, triangle = np.linalg.qr(beds.whitened(design, bed / total))
    inverse = np.linalg.inv(triangle)
    values = beds.whitened(np.array([one.value for one in given]), bed / total)
    return np.asarray(inverse @ (basis.T @ values)), np.asarray(total * inverse @ inverse.T)


def _freedom(given: Sequence[Dated], *, blocks: bool) -> tuple[int, int]:
    """Degrees of freedom between beds and within them."""
    treatment, date = [one.treatment for one in given], [one.date for one in given]
    terms: list[tuple[str, Sequence[Hashable]]] = [
        ("block", [one.block if blocks else "" for one in given]),
        ("treatment", treatment),
        ("bed", [one.bed for one in given]),
        ("cells", list(zip(treatment, date, strict=True))),
    ]
    table = {one.name: one for one in sequential([one.value for one in given], terms)}
    return table["bed"].df, table[ERROR].df


def _family(
    estimate: Floats,
    covariance: Floats,
    codes: Sequence[str],
    many: int,
    df: int,
    means: Family,
    given: Sequence[Dated],
) -> Family:
    """Means over the dates against the control's, simultaneous."""
    contrasts = np.zeros((len(codes), len(estimate)))
    contrasts[:, :many] = -1.0 / many
    for place in range(len(codes)):
        contrasts[place, (place + 1) * many : (place + 2) * many] = 1.0 / many
    values, spread = contrasts @ estimate, contrasts @ covariance @ contrasts.T
    shares = dunnett.one_factor(spread)
    limit = dunnett.critical(shares, df, 1.0 - ALPHA)
    raised = math.exp if means.scale == "ratio" else float
    lines = {line.treatment: line for line in means.lines}
    for place, code in enumerate(codes):
        value, error = float(values[place]), math.sqrt(float(spread[place, place]))
        t = value / error
        lines[code] = Line(
            treatment=code,
            beds=len({one.bed for one in given if one.treatment == code}),
            estimate=raised(value),
            t=t,
            df=df,
            p_alone=chance_alone(t, df),
            p=dunnett.adjusted_p(t, shares, df),
            low=raised(value - limit * error),
            high=raised(value + limit * error),
        )
    why = "a random bed, the spread shared by all treatments; df are those between beds"
    found = replace(means, method="dunnett", why=why, ms=None, df=df, critical=limit)
    return replace(found, unequal_p=None, lines=tuple(lines[code] for code in sorted(lines)))


def _interaction(
    estimate: Floats, covariance: Floats, treatments: int, dates: int, df: int
) -> Interaction | None:
    """Whether differences from the control change with the date: Wald's F."""
    if df < 1:
        return None
    rows = []
    for treatment in range(1, treatments + 1):
        for date in range(1, dates):
            row = np.zeros(len(estimate))
            row[[treatment * dates + date, 0]] = 1.0
            row[[treatment * dates, date]] = -1.0
            rows.append(row)
    contrasts = np.array(rows)
    values, spread = contrasts @ estimate, contrasts @ covariance @ contrasts.T
    f = float(values @ np.linalg.solve(spread, values)) / len(rows)
    return Interaction(f, len(rows), df, f_tail(f, len(rows), df))


def _on_dates(
    estimate: Floats, covariance: Floats, codes: Sequence[str], dates: Sequence[str], df: int
) -> list[OnDate]:
    """Differences date by date."""
    found = []
    for place, code in enumerate(codes, 1):
        for number, date in enumerate(dates):
            mine, other = place * len(dates) + number, number
            value = float(estimate[mine] - estimate[other])
            variance = covariance[mine, mine] + covariance[other, other]
            reach = t_quantile(0.975, df) * math.sqrt(variance - 2.0 * covariance[mine, other])
            found.append(OnDate(code, date, value, value - reach, value + reach, float(df)))
    return found
