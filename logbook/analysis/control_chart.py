"""Control charts of single values: a reference material, report after report.

Shewhart's chart of individuals: centre +- 3 s with warning lines at 2 s, and run rules. The spread
of the laboratory is estimated from moving ranges, so that a slow drift does not hide in it.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2 (run rules of Western
Electric, 1956) and 6.3.2.2 (individuals, d2 = 1.128).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

#: The mean range of two results, in standard deviations, and the upper limit of such ranges.
D2, D4 = 1.128, 3.267
#: Fewest values from which centre and spread are estimated; before, the assigned ones are used.
FEWEST = 8

RULES = {
    "1": "one beyond 3 s",
    "2": "two of three in a row beyond 2 s on one side",
    "3": "four of five in a row beyond 1 s on one side",
    "4": "eight in a row on one side of the centre",
}
# rule -> how many of how many, beyond how many s
_RUNS = {"1": (1, 1, 3.0), "2": (2, 3, 2.0), "3": (4, 5, 1.0), "4": (8, 8, 0.0)}


@dataclass(frozen=True)
class Limits:
    """Centre and s of a chart, and where they come from."""

    centre: float
    sd: float
    source: str

    def line(self, times: float) -> float:
        """The line so many s from the centre."""
        return self.centre + times * self.sd


@dataclass(frozen=True)
class Point:
    """One value on the chart. z: in s from the centre, None where nothing is known to judge by.

    rules: numbers of the RULES that it breaks; warning: beyond 2 s and nothing worse.
    """

    value: float
    limits: Limits | None
    z: float | None
    rules: tuple[str, ...]

    @property
    def out(self) -> bool:
        """Whether the batch is out of control."""
        return bool(self.rules)

    @property
    def warning(self) -> bool:
        """Beyond 2 s, within 3 s, and no rule is broken."""
        return self.z is not None and abs(self.z) > 2.0 and not self.rules


def individuals(values: Sequence[float]) -> Limits:
    """Centre and s of single values from their moving ranges: mean, mean range / 1.128.

    Raises ValueError for fewer than two values.
    """
    if len(values) < 2:
        raise ValueError("a moving range needs two values")
    ranges = [abs(after - before) for before, after in pairwise(values)]
    return Limits(fmean(values), fmean(ranges) / D2, f"{len(values)} results before it")


def judged(
    values: Sequence[float], *, assigned: float | None = None, sd: float | None = None
) -> list[Point]:
    """Every value beside the limits that were known when it came in.

    From 8 values on that were in control, s comes from those before it; until then it is the
    assigned one, and without one nothing is judged. The centre is the assigned value, else the
    mean of those before it.
    """
    points: list[Point] = []
    good: list[float] = []
    for value in values:
        limits = _limits(good, assigned, sd)
        z = None if limits is None else (value - limits.centre) / limits.sd
        tail = [one.z for one in points[-7:]] + [z]
        rules = tuple(name for name in RULES if z is not None and _broken(name, tail))
        points.append(Point(value, limits, z, rules))
        if not rules:
            good.append(value)
    return points


def _limits(good: Sequence[float], assigned: float | None, sd: float | None) -> Limits | None:
    if len(good) >= FEWEST:
        found = individuals(good)
        if found.sd > 0:
            centre = found.centre if assigned is None else assigned
            return Limits(centre, found.sd, found.source)
    if assigned is None or not sd:
        return None
    return Limits(assigned, sd, "as assigned")


def _broken(rule: str, tail: Sequence[float | None]) -> bool:
    """Whether the newest of these z breaks a rule; it must itself lie beyond."""
    many, window, beyond = _RUNS[rule]
    newest = tail[-1]
    last = tail[-window:]
    if newest is None or len(last) < window or None in last:
        return many == window == 1 and newest is not None and abs(newest) > beyond
    side = 1.0 if newest > 0 else -1.0
    out = [side * (one or 0.0) > beyond for one in last]
    return out[-1] and sum(out) >= many
