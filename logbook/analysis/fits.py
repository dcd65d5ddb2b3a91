"""What fitting gives back: a fit with its checks, a refusal with its reason, a batch of fits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logbook.analysis import kinetics
from logbook.errors import UserMistake

Floats = NDArray[np.float64]

ASYMPTOTIC = "asymptotic standard error, not an interval"


class Limit(IntEnum):
    """Where the best curve of a series was found."""

    INSIDE = 0
    LINE = 1
    STEP = 2
    FLAT = 3
    MERGED = 4
    NO_LAG = 5
    TOO_FEW_LATE = 6


@dataclass(frozen=True)
class Parameter:
    """One number of a fit. value or se None: it cannot be given, and `reason` says why.

    unit: "value" stands for the unit of the series; se: see ASYMPTOTIC.
    """

    symbol: str
    word: str
    value: float | None
    se: float | None
    unit: str
    reason: str = ""


@dataclass(frozen=True)
class Check:
    """One named check of a fit: what was measured, against what; text: "" if passed."""

    name: str
    statistic: float | None
    threshold: float | None
    passed: bool
    text: str


@dataclass(frozen=True)
class Curve:
    """A drawable curve: start plus a form of `kinetics` with its constants."""

    start: float
    form: str
    constants: tuple[float, ...]

    def at(self, days: ArrayLike) -> Floats:
        """Values of the curve on the given days (any shape)."""
        if self.form == "step":
            return self.start + kinetics.step(days, *self.constants)
        return self.start + kinetics.SHAPES[self.form].curve(days, *self.constants)


@dataclass(frozen=True)
class Fit:
    """One shape fitted to one series.

    parameters: D0 first when it was fitted; derived: the half-life (days); rss: weighted when
    weights were given; residual_sd: sqrt(rss/df), None without degrees of freedom; limit: INSIDE
    for an ordinary optimum; curve: what to draw, also when the constants cannot be given;
    verdict: the first failed check in words, else "no check failed"; label: what two phases of
    these signs are called, "" for other shapes.
    """

    shape: str
    free_start: bool
    parameters: tuple[Parameter, ...]
    derived: tuple[Parameter, ...]
    rss: float
    residual_sd: float | None
    df: int
    n: int
    limit: Limit
    condition: float | None
    checks: tuple[Check, ...]
    verdict: str
    curve: Curve
    label: str = ""

    @property
    def sound(self) -> bool:
        """Whether every check passed, so that the constants may be printed as they are."""
        return all(check.passed for check in self.checks)

    def parameter(self, symbol: str) -> Parameter:
        """The parameter or derived number of that symbol.

        Raises:
            UserMistake: the fit has no such symbol.
        """
        for candidate in self.parameters + self.derived:
            if candidate.symbol == symbol:
                return candidate
        raise UserMistake(f"{self.shape} has no parameter {symbol}")

    def at(self, days: ArrayLike) -> Floats:
        """Values of the fitted curve on the given days."""
        return self.curve.at(days)


@dataclass(frozen=True)
class Refusal:
    """A shape that was not fitted: its name, a short name of the reason, and the whole sentence."""

    shape: str
    name: str
    reason: str


@dataclass(frozen=True)
class Batch:
    """One shape fitted to many series that share their days.

    symbols: (p,) names of the columns of `values` and `se` (series, p); NaN where not determined.
    rss, condition, limit (codes of `Limit`), start: (series,); constants: (series, 2 or more), what
    the curve of a series draws, NaN where it takes fewer; df = n - p.
    """

    shape: str
    free_start: bool
    days: Floats
    symbols: tuple[str, ...]
    values: Floats
    se: Floats
    rss: Floats
    df: int
    n: int
    limit: NDArray[np.int8]
    condition: Floats
    start: Floats
    constants: Floats

    def __len__(self) -> int:
        """Number of series."""
        return len(self.rss)

    @property
    def residual_sd(self) -> Floats:
        """sqrt(rss/df) of every series, NaN without degrees of freedom: (series,)."""
        if self.df <= 0:
            return np.full(len(self), np.nan)
        return np.asarray(np.sqrt(self.rss / self.df))
