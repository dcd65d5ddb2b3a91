"""Results of beds: what is wrong with them, and the mean of each bed.

The bed is the unit of replication: cores, composites and laboratory duplicates of one bed and day
are averaged within the bed before anything else is done.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from logbook.errors import Problem

#: Fourth powers of anything larger overflow; no result of a laboratory comes near.
LARGEST = 1e70


@dataclass(frozen=True)
class Observation:
    """One result of one bed.

    day: days since application to that bed, negative before it; block: None when there are none;
    value: in the unit of the series, None when censored; low, high: what is known of a censored
    value ("<0.5": 0 and 0.5; ">200": 200 and None).
    """

    day: float
    bed: str
    block: str | None
    treated: bool
    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Bed:
    """One bed on one day, its results averaged; low = high unless some result was censored.

    below, above: every result was under a reporting limit, or beyond the method's range.
    """

    name: str
    block: str | None
    treated: bool
    low: float
    high: float
    censored: bool
    below: bool
    above: bool


def problems(observations: Sequence[Observation]) -> list[Problem]:
    """Everything that makes observations unusable; empty when nothing does."""
    found = []
    for place, observation in enumerate(observations, start=1):
        where = f"result {place}, bed {observation.bed}, day {observation.day:g}"
        found += [Problem(where, what) for what in _faults(observation)]
    return found + _changed_sides(observations)


def _faults(observation: Observation) -> list[str]:
    """What is wrong with one observation by itself."""
    value, low, high = observation.value, observation.low, observation.high
    sound = value is not None and abs(value) < LARGEST and abs(observation.day) < LARGEST
    if sound and low is None and high is None:
        return []
    numbers = {
        "day": observation.day,
        "value": value,
        "lower bound": low,
        "upper bound": high,
    }
    wrong = [
        f"{name} is {number}, {'too large' if math.isfinite(number) else 'not a number'}"
        for name, number in numbers.items()
        if number is not None and not abs(number) < LARGEST
    ]
    if value is None and low is None and high is None:
        wrong.append("no value and no bounds")
    if low is not None and high is not None and low > high:
        wrong.append(f"lower bound {low:g} is above upper bound {high:g}")
    return wrong


def _changed_sides(observations: Sequence[Observation]) -> list[Problem]:
    """Beds that are both treated and control, or in two blocks."""
    sides: dict[str, set[bool]] = defaultdict(set)
    blocks: dict[str, set[str | None]] = defaultdict(set)
    for observation in observations:
        sides[observation.bed].add(observation.treated)
        blocks[observation.bed].add(observation.block)
    both = [
        Problem(f"bed {bed}", "is both treated and control") for bed in sides if len(sides[bed]) > 1
    ]
    return both + [
        Problem(f"bed {bed}", "is in two blocks") for bed in blocks if len(blocks[bed]) > 1
    ]


def beds_of(observations: Sequence[Observation]) -> list[Bed]:
    """The beds of one day, in order of name, each with its results averaged."""
    by_bed: dict[str, list[Observation]] = defaultdict(list)
    for observation in observations:
        by_bed[observation.bed].append(observation)
    return [_bed(name, by_bed[name]) for name in sorted(by_bed)]


def _bed(name: str, results: Sequence[Observation]) -> Bed:
    """One bed's mean; of censored results, the mean of the lowest and highest they can be."""
    first = results[0]
    if len(results) == 1 and first.value is not None:
        return Bed(name, first.block, first.treated, first.value, first.value, False, False, False)
    low = mean([_bound(r.value, r.low, -math.inf) for r in results])
    high = mean([_bound(r.value, r.high, math.inf) for r in results])
    return Bed(
        name=name,
        block=first.block,
        treated=first.treated,
        low=low,
        high=high,
        censored=any(r.value is None for r in results),
        below=all(r.value is None and r.high is not None and not (r.low or 0.0) for r in results),
        above=all(r.value is None and r.high is None for r in results),
    )


def _bound(value: float | None, bound: float | None, open_end: float) -> float:
    """The value itself, else its bound, else the open end."""
    if value is not None:
        return value
    return open_end if bound is None else bound


def mean(numbers: Sequence[float]) -> float:
    """Mean, summed exactly, so that the order of the beds changes no digit."""
    if any(math.isinf(number) for number in numbers):
        return sum(numbers)
    return math.fsum(numbers) / len(numbers)
