"""Results that do not fit the other results of their bed and their pull. Nothing is dropped.

A flag asks a person to look: at the bag, the report, the unit. One side at a time (the treated
beds, then the control beds) a result is set against a bed effect plus a pull effect, on logarithms
for concentrations, so that neither the curve of release nor a bed that is always higher is flagged.
Those that stand out of the rest (`rosner`) are flagged.

Simulated, treated and control beds of a trial together, 8 pulls, bed effects of 10 %: of clean
lognormal results one in 480 to 6,857 was flagged (3 or 4 beds a side, CV 5, 10 or 15 %, 1,000
trials a cell; the most with 3 beds at 15 %; one in 1,098 over all); one in 218 where the beds'
own curves differ (rate by 30 %, ceiling by 15 %) and the laboratory hardly errs (CV 5 %). A result
wrong by a factor of 2
was found in 100 % of 200 trials at CV 5 %, 79 (3 beds) and 94 % (4 beds) at 10 %, 33 and 40 % at
15 %; by a factor of 3 in 85 % or more, by 10 always. A treated and a control bed that differ by a
factor of 3 or more and were exchanged are named as such in 95 to 98 %; two beds of one treatment,
which differ little, in 20 to 70 %.

With fewer than three results of a side at a pull nobody can say which of them is wrong. They are
only looked at for a lost decimal point, against the pulls of the same bed before and after.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import Literal

import numpy as np

from logbook.analysis import rosner
from logbook.analysis.additive import Additive, Flags, Floats, Place, additive
from logbook.analysis.beds import Observation, beds_of, problems
from logbook.errors import BadData
from logbook.trial import plausible
from logbook.trial.times import age_text

Scale = Literal["log", "raw"]
Cell = tuple[int, ...]
"""Which table, its row and its column."""

#: Fewest results of a side at a pull, and of a bed, among which one can be called wrong.
FEWEST = rosner.FEWEST
#: Never flagged: within a quarter (on logs), within 0.2 pH units. Common practice, no source.
SMALLEST: dict[str, float] = {"log": math.log(1.25), "raw": 0.2}
#: A factor within 10 ** +-SLACK of 10 or of 100 is taken for a decimal point.
SLACK = plausible.DECIMAL_SLACK
#: Pulls before and after that differ by more than this factor say nothing about the one between.
CALM = 3.0
#: An exchanged result fits the other bed within so many standard errors.
_FITS = 3.0


@dataclass(frozen=True)
class Flag:
    """A result to look at. value, expected: in the unit of the series; why: one sentence.

    partner: the bed with which it looks exchanged, "" where it does not.
    """

    bed: str
    day: float
    value: float
    expected: float
    why: str
    partner: str = ""


@dataclass(frozen=True)
class Review:
    """Flags in order of day and bed; not_judged: a sentence for each part nobody can judge."""

    flags: tuple[Flag, ...]
    not_judged: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """One side: y (beds, days) on the scale of the fit, NaN where there is no result to judge."""

    name: str
    beds: tuple[str, ...]
    days: tuple[float, ...]
    y: Floats
    scale: Scale

    def shown(self, number: float) -> float:
        """A number of the fit's scale in the unit of the series."""
        return math.exp(number) if self.scale == "log" else number


@dataclass(frozen=True)
class _Judged:
    """judged, apart: (beds, days) results that can be judged, and that stand out.

    wild: some do; alone: some results cannot be judged by the others. Mostly neither is so.
    """

    side: Table
    judged: Flags
    apart: Flags
    wild: bool
    alone: bool

    @cached_property
    def fit(self) -> Additive:
        """Fitted without those that stand out."""
        return additive(self.side.y, self.judged & ~self.apart)


@dataclass(frozen=True)
class _Pair:
    """Two results of a day that look exchanged, what is expected of each, how badly they fit."""

    seen: _Judged
    here: Place
    expected: float
    other: _Judged
    there: Place
    other_expected: float
    misfit: float


def review(observations: Iterable[Observation], *, scale: Scale = "log") -> Review:
    """Results that do not fit their bed and their pull, each with what was expected.

    Two beds of which each has on one day what was expected of the other are flagged as exchanged.

    Args:
        observations: results of one nutrient, method and unit, of one treatment and its control,
            beds by pulls; the day is that of the pull, one for all its beds. Results beyond a
            limit are not judged.
        scale: "log" for concentrations, "raw" for pH.

    Raises:
        BadData: every problem found in the observations.
    """
    given = list(observations)
    found = problems(given)
    if found:
        raise BadData(f"{len(found)} results cannot be used: {found[0]}", found)
    tables: list[Table] = []
    lost: list[list[str]] = []
    for name, treated in (("treated", True), ("control", False)):
        side, some = _side(name, [one for one in given if one.treated == treated], scale)
        tables.append(side)
        lost.append(_lost(side, some))
    sides = _judged(tables)
    notes = [
        note for some, seen in zip(lost, sides, strict=True) for note in (*some, *_unjudged(seen))
    ]
    return Review(tuple(flag for _, flag in _of_series(sides)), tuple(notes))


def flags(series: Sequence[Sequence[tuple[Table, Table]]]) -> list[list[tuple[int, Flag]]]:
    """The flags of several series, each the tables of some treatments and of their controls.

    With each flag the number of its table: 0, 2, 4 .. of a treatment, 1, 3, 5 .. of its controls.
    Beds of two treatments may be exchanged as well.
    """
    seen = iter(_judged([table for one in series for pair in one for table in pair]))
    return [_of_series(list(islice(seen, 2 * len(one)))) for one in series]


def _of_series(sides: Sequence[_Judged]) -> list[tuple[int, Flag]]:
    """As `flags`, of one series whose tables were judged."""
    if not any(one.wild or one.alone for one in sides):
        return []
    found: dict[Cell, Flag] = {}
    for n in range(0, len(sides), 2):
        of_pair = _flags(sides[n : n + 2])
        found |= {(n + side, *at): flag for (side, *at), flag in of_pair.items()}
    exchanged = {(n // 2, *at) for (n, *at), flag in found.items() if flag.partner and not n % 2}
    across = _exchanges(sides[::2], without=exchanged)
    found |= {(2 * n, *at): flag for (n, *at), flag in across.items()}
    order = sorted(found, key=lambda cell: (found[cell].day, found[cell].bed, cell))
    return [(cell[0], found[cell]) for cell in order]


def _flags(sides: Sequence[_Judged]) -> dict[Cell, Flag]:
    found: dict[Cell, Flag] = {}
    for n, seen in enumerate(sides):
        if seen.wild:
            found |= {(n, *at): _apart(seen, *at) for at in _places(seen.apart)}
        found |= {(n, *at): flag for at, flag in _slips(seen)}
    return found | _exchanges(sides)


def _side(name: str, results: Sequence[Observation], scale: Scale) -> tuple[Table, list[str]]:
    """The results of one side as a table, repeats averaged, and those that cannot enter it."""
    by_day: dict[float, list[Observation]] = defaultdict(list)
    for one in results:
        by_day[one.day].append(one)
    days, beds = sorted(by_day), sorted({one.bed for one in results})
    row = {name: place for place, name in enumerate(beds)}
    y = np.full((len(beds), len(days)), np.nan)
    lost = []
    for column, day in enumerate(days):
        for bed in beds_of(by_day[day]):
            if bed.censored or (scale == "log" and bed.low <= 0.0):
                lost.append(f"{bed.name} on day {age_text(day)}")
                continue
            y[row[bed.name], column] = math.log(bed.low) if scale == "log" else bed.low
    return Table(name, tuple(beds), tuple(days), y, scale), lost


def _judged(tables: Sequence[Table]) -> list[_Judged]:
    """What stands out in each table among the results that can be judged; alike tables at once."""
    # Every treatment is reviewed beside the same controls, mostly.
    same: dict[tuple[object, ...], list[int]] = {}
    for place, side in enumerate(tables):
        alike = (side.name, side.beds, side.days, side.scale, side.y.tobytes())
        same.setdefault(alike, []).append(place)
    groups: dict[tuple[tuple[int, ...], bytes], list[list[int]]] = {}
    for places in same.values():
        enough = rosner.enough(np.isfinite(tables[places[0]].y))
        groups.setdefault((enough.shape, enough.tobytes()), []).append(places)
    found: dict[int, _Judged] = {}
    for (shape, mask), several in groups.items():
        judged = np.frombuffer(mask, dtype=np.bool_).reshape(shape)
        sides = [tables[places[0]] for places in several]
        smallest = np.array([SMALLEST[side.scale] for side in sides])
        y = np.array([side.y for side in sides])
        apart, can = rosner.stand_apart(y, judged, smallest)
        looked = judged & can[:, None, None]
        wild = np.asarray(apart.any(axis=(1, 2)))
        alone = np.asarray((np.isfinite(y) & ~looked).any(axis=(1, 2)))
        for n, (side, places) in enumerate(zip(sides, several, strict=True)):
            seen = _Judged(side, looked[n], apart[n], bool(wild[n]), bool(alone[n]))
            found |= dict.fromkeys(places, seen)
    return [found[place] for place in range(len(tables))]


def _places(where: Flags) -> list[tuple[int, int]]:
    """Row and column of every True."""
    return [(int(row), int(column)) for row, column in np.argwhere(where)]


def _flag(side: Table, row: int, column: int, expected: float, why: str) -> Flag:
    """A flag; expected on the scale of the fit."""
    value = side.shown(float(side.y[row, column]))
    return Flag(side.beds[row], side.days[column], value, side.shown(expected), why)


def _apart(seen: _Judged, row: int, column: int) -> Flag:
    """The flag of a result that stands out; the expected one is fitted without all of these."""
    side, expected = seen.side, float(seen.fit.expected[row, column])
    value, usual = side.shown(float(side.y[row, column])), side.shown(expected)
    why = f"{_beside(value, usual, side.scale)} what its bed and its pull lead to expect"
    words = _slip_words(_slip(value, usual))
    return _flag(side, row, column, expected, f"{why}, {usual:.3g}{words}")


def _beside(value: float, usual: float, scale: Scale) -> str:
    """How a value lies beside the usual one, in words."""
    if scale == "raw":
        return f"{abs(value - usual):.2g} {'above' if value > usual else 'below'}"
    return f"{value / usual:.2g} times"


def _slip(value: float, usual: float) -> plausible.Slip | None:
    """The decimal point that may have slipped where a value is about 10 or 100 times off."""
    return plausible.point(value / usual) if value > 0.0 and usual > 0.0 else None


def _slip_words(slip: plausible.Slip | None) -> str:
    return f": {slip.words}" if slip else ""


def _slips(seen: _Judged) -> list[tuple[tuple[int, int], Flag]]:
    """Lost decimal points among results that have too few others beside them."""
    if not seen.alone:
        return []
    side = seen.side
    alone = np.isfinite(side.y) & ~seen.judged & _wide(side)[:, None]
    if not alone.any():
        return []
    between = np.array(
        [[_between(side, row, at) for at in range(len(side.days))] for row in range(len(side.beds))]
    ).reshape(side.y.shape)
    found = []
    for row, column in _places(alone & np.isfinite(between)):
        value, usual = side.shown(side.y[row, column]), side.shown(between[row, column])
        slip = _slip(value, usual)
        if slip is None or _shared(side, between, row, column):
            continue
        why = (
            f"{value / usual:.2g} times what the same bed's pulls before and after lead to expect, "
            f"{usual:.3g}{_slip_words(slip)}"
        )
        flag = _flag(side, row, column, float(between[row, column]), why)
        found.append(((row, column), flag))
    return found


def _wide(side: Table) -> Flags:
    """Beds whose results differ enough for one of them to have lost its decimal point.

    What is expected of one lies between two others.
    """
    low, high = (_extreme(side, end) for end in (np.fmin, np.fmax))
    if side.scale == "log":
        return np.asarray(high - low > (1.0 - SLACK) * math.log(10.0) - 1e-9)
    return np.asarray((low > 0.0) & (high > low * 10.0 ** (1.0 - SLACK) * (1.0 - 1e-9)))


def _extreme(side: Table, end: np.ufunc) -> Floats:
    """The lowest or the highest of each bed; NaN for a bed without results, or without days."""
    return np.asarray(end.reduce(side.y, axis=1, initial=np.nan))


def _between(side: Table, row: int, column: int) -> float:
    """What the bed's pulls before and after give at this one; NaN at the ends or where they differ.

    A straight line in time on the scale of the fit.
    """
    there = np.flatnonzero(np.isfinite(side.y[row]))
    before, after = there[there < column], there[there > column]
    if not len(before) or not len(after):
        return math.nan
    left, right = int(before[-1]), int(after[0])
    ends = [side.shown(float(side.y[row, at])) for at in (left, right)]
    if min(ends) <= 0.0 or max(ends) > CALM * min(ends):
        return math.nan
    days, y = side.days, side.y[row]
    part = (days[column] - days[left]) / (days[right] - days[left])
    return float(y[left] + part * (y[right] - y[left]))


def _shared(side: Table, between: Floats, row: int, column: int) -> bool:
    """Whether another bed of the side jumps the same way at that pull: then it is the pull."""
    for other in range(len(side.beds)):
        pair = (side.y[other, column], between[other, column])
        if other == row or not np.isfinite(pair).all():
            continue
        value, usual = (side.shown(float(number)) for number in pair)
        up = side.y[row, column] > between[row, column]
        if (value > CALM * usual) if up else (value < usual / CALM):
            return True
    return False


def _exchanges(sides: Sequence[_Judged], without: Collection[Cell] = ()) -> dict[Cell, Flag]:
    """Flags of beds whose results look exchanged on a day, the best pair for each result.

    without: results that were found exchanged already.
    """
    found: dict[Cell, Flag] = {}
    for n, seen in enumerate(sides):
        for row, column in _places(seen.apart) if seen.wild else ():
            if (n, row, column) in found or (n, row, column) in without:
                continue
            pairs = [
                (pair, (m, *pair.there))
                for m, other in enumerate(sides)
                for pair in _partners(seen, (row, column), other)
                if (m, *pair.there) not in found and (m, *pair.there) not in without
            ]
            if pairs:
                pair, there = min(pairs, key=lambda one: one[0].misfit)
                found[n, row, column], found[there] = _pair_flags(pair)
    return found


def _partners(seen: _Judged, here: Place, other: _Judged) -> list[_Pair]:
    """Results of the same day with which one that stands out may have been exchanged."""
    day = seen.side.days[here[1]]
    if day not in other.side.days:
        return []
    column = other.side.days.index(day)
    rows = [row for row in range(len(other.side.beds)) if other.judged[row, column]]
    same = other is seen
    tried = [
        _pair(seen, here, other, (row, column)) for row in rows if not (same and row == here[0])
    ]
    return [pair for pair in tried if pair is not None]


def _pair(seen: _Judged, here: Place, other: _Judged, there: Place) -> _Pair | None:
    """The pair, if each result fits the other bed and the second does not fit its own.

    What is expected of both comes from fits without either.
    """
    theirs, error = other.fit.without(there, there)
    if other is seen:
        mine, own_error = other.fit.without(there, here)
    else:
        mine, own_error = float(seen.fit.expected[here]), float(seen.fit.error[here])
    if not (error > 0.0 and own_error > 0.0):
        return None  # the rest fits exactly, or says nothing: there is no measure
    own, their = float(seen.side.y[here]), float(other.side.y[there])
    swapped = ((own - theirs) / error, (their - mine) / own_error)
    if not all(abs(one) <= _FITS for one in swapped) or not abs(their - theirs) > _FITS * error:
        return None
    misfit = swapped[0] ** 2 + swapped[1] ** 2
    return _Pair(seen, here, mine, other, there, theirs, misfit)


def _pair_flags(pair: _Pair) -> tuple[Flag, Flag]:
    """Both flags of an exchange."""
    one, two = pair.seen.side, pair.other.side
    first, second = one.beds[pair.here[0]], two.beds[pair.there[0]]
    day = age_text(one.days[pair.here[1]])
    why = f"looks exchanged with bed {{}}: on day {day} each has what is expected of the other"
    here = _flag(one, *pair.here, pair.expected, why.format(second))
    there = _flag(two, *pair.there, pair.other_expected, why.format(first))
    return replace(here, partner=second), replace(there, partner=first)


def _lost(side: Table, lost: Sequence[str]) -> list[str]:
    """What is said of results that have no number, or none on a logarithm."""
    if not lost:
        return []
    why = "beyond a limit or not above zero" if side.scale == "log" else "beyond a limit"
    return [f"{side.name} beds not judged, {why}: {', '.join(lost)}"]


def _unjudged(seen: _Judged) -> list[str]:
    """What is said of results that have too few others beside them."""
    side = seen.side
    unjudged = sorted({column for _, column in _places(np.isfinite(side.y) & ~seen.judged)})
    if not unjudged:
        return []
    days = [f"{side.days[column]:g}" for column in unjudged]
    where = "" if not seen.judged.any() else f", day {', '.join(days)}"
    return [
        f"{side.name} beds{where}: fewer than {FEWEST} beds with {FEWEST} pulls each, so that "
        "nobody can say which result is wrong; only a lost decimal point between two pulls of the "
        "same bed would be flagged"
    ]
