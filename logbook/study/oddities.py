"""Results that do not go with the other pulls of their bed, or the other beds of their pull.

What merely stands out is said on its curve and kept (`standing_out`): asked about is only what a
slip explains - a decimal point, a unit, a chemical form, two bags exchanged - and a pH that soils
do not reach from one pull to the next.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations
from math import log10
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

from logbook.study import exchanged
from logbook.study.arranged import Arrangements, Side, Spot, Spots, enough_moved
from logbook.study.samples import Reading, Sample
from logbook.trial import plausible
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    from logbook.analysis import outliers
    from logbook.analysis.additive import Floats

_RAW = frozenset({"pH"})
# How near to a slip, on its logarithm to base 10, each control of a shifted report lies; a treated
# bed may lie higher. Common practice, no source.
_BED_SLACK = 0.2
# Beds alike differ by no more than this factor, or they say nothing of a third. As in `outliers`.
_AGREE = 3.0
# How near to what is usual for other beds, on its logarithm to base 10, a result of an exchanged
# bag lies: within a quarter. Common practice, no source.
_LIKE = 0.1
# By so much it moved from its bed's last, the same way. Common practice, no source.
_MOVED = 2.0
# Earlier pulls of a treated bed that a newest one is held beside, where no bed is like it.
_FEWEST_EARLIER = 2
_ROUNDING = 1e-9  # what must not decide
Odd = tuple[Reading, str, str]
Series = tuple[str, Sequence[tuple[Sample, Reading]]]
"""A nutrient and one comparable set of its readings that count, with their samples."""


def odd(series: Sequence[Series]) -> Iterator[Odd]:
    """Readings of some trials to ask about: each with its kind of question and a sentence."""
    arranged = Arrangements()
    exact = [
        (name, [pair for pair in pairs if pair[1].value is not None]) for name, pairs in series
    ]
    stands = [arranged.spots([sample for sample, _ in pairs]) for _, pairs in exact]
    lone = list(exchanged.exchanged(exact, stands))
    yield from (_lone_exchange(one) for one in lone)
    bags = {one.reading.sample for one in lone}
    reviews = _reviewed(series, arranged)
    for (analyte, pairs), stand, reviewed in zip(exact, stands, reviews, strict=True):
        # An exchange explains both numbers: no slip has to.
        explained = bags | {one.sample for one, kind, _ in reviewed if kind == "exchange"}
        for one, kind, what in (*_slipped(analyte, pairs, stand), *reviewed):
            if one.sample not in bags and (kind == "exchange" or one.sample not in explained):
                yield one, kind, what


def _lone_exchange(one: exchanged.Exchange) -> Odd:
    analyte = one.reading.analyte
    what = (
        f"{_shown(analyte, one.value)}: looks exchanged with bed {one.label}: on {one.pull} each "
        f"has what is expected of the other ({one.own:.4g} and {one.other:.4g}), in "
        f"{', '.join(one.nutrients)}"
    )
    return one.reading, "exchange", what


def _slipped(analyte: str, exact: Sequence[tuple[Sample, Reading]], stand: Spots) -> Iterator[Odd]:
    """Results, and pulls as a whole, that are a slip away from what is beside them."""
    from logbook.analysis.cells import numbers

    means = stand.samples.means(numbers(one.value for _, one in exact))
    if _calm(analyte, stand, means):
        return
    places = [
        _Place(spot, value, exact[spot.of[0]][1])
        for spot, value in zip(stand.spots, means.tolist(), strict=True)
    ]
    yield from _by_neighbours(analyte, places, _before(places))
    yield from _shifted(analyte, places)
    yield from _alone(analyte, places)


def _calm(analyte: str, stand: Spots, means: Floats) -> bool:
    """Whether all that is held side by side, and all pulls, are too near each other for any slip.

    True of nearly all series, in which nothing need be looked at one by one.
    """
    from logbook.analysis.cells import any_near

    lowest, highest = stand.beside.ends(means)
    if analyte in _RAW:
        # No whole report of pH is in another unit.
        return bool((highest - lowest <= plausible.PH_JUMP).all())
    if not (means > 0).all():
        return False  # a ratio to nothing says nothing: to be looked at one by one
    nearest = min(abs(log10(one.factor)) - one.slack for one in plausible.slips(analyte))
    apart = min(10**nearest, _AGREE) * (1 - _ROUNDING)
    if (highest >= apart * lowest).any():
        return False
    moves = stand.now.median_ratios(means, stand.last)
    shifts = plausible.slips_of_reports(analyte)
    return not any(any_near(moves, one.factor, one.slack + _ROUNDING) for one in shifts)


@dataclass(frozen=True)
class _Place:
    """One result of a bed on one pull, as it is judged: the mean of its repeats."""

    spot: Spot
    value: float
    reading: Reading


def _before(places: Iterable[_Place]) -> dict[tuple[str, str], _Place]:
    """The pull before each pull of a bed, by label and name."""
    newest: dict[str, _Place] = {}
    found = {}
    for one in places:
        earlier = newest.get(one.spot.label)
        if earlier is not None and earlier.spot.age < one.spot.age:
            found[one.spot.label, one.spot.name] = earlier
        newest[one.spot.label] = one
    return found


def _by_neighbours(
    analyte: str, places: Iterable[_Place], before: Mapping[tuple[str, str], _Place]
) -> Iterator[Odd]:
    """Results that are a slip away from both the bed's last pull and the beds like it.

    Without a last pull, two beds like it must be there: before application all beds are alike. Two
    of one pull that each have what is usual for the beds like the other were rather exchanged.
    """
    groups: dict[tuple[str, str], list[_Place]] = {}
    for one in places:
        groups.setdefault((one.spot.name, one.spot.kin), []).append(one)
    far: dict[str, list[tuple[_Place, float]]] = {}
    slips: list[tuple[_Place, plausible.Slip, str]] = []
    for group in groups.values():
        values = sorted(one.value for one in group)
        for one in group:
            last = before.get((one.spot.label, one.spot.name))
            usual = _usual(analyte, values, one.value) if len(group) >= (2 if last else 3) else None
            if usual is None:
                continue
            if _is_far(analyte, one.value, usual, last.value if last else None):
                far.setdefault(one.spot.name, []).append((one, usual))
            slip = _slip(analyte, one.value, usual)
            if slip is None or (last and slip != _slip(analyte, one.value, last.value)):
                continue
            beside = f"{_beside(analyte, one.value, usual)} the beds like it ({usual:.4g})"
            if last:
                beside += f" and {_beside(analyte, one.value, last.value)} its last"
                beside += f" ({last.value:.4g})"
            what = f"{_shown(analyte, one.value)} is {beside}: {slip.words}"
            slips.append((one, slip, what))
    exchanged = {id(one.reading): (one, what) for one, what in _swapped(analyte, far)}
    yield from ((one.reading, "exchange", what) for one, what in exchanged.values())
    for one, slip, what in slips:
        if id(one.reading) not in exchanged:
            yield one.reading, slip.kind, what


def _is_far(analyte: str, value: float, usual: float, last: float | None) -> bool:
    """Whether a result is not that of a bed like the others, nor goes on from its bed's last.

    Of two beds alike the last pull says which is the other one. Of pH nobody says so.
    """
    if analyte in _RAW or not (value > 0 and usual > 0 and (last is None or last > 0)):
        return False
    beside = value / usual
    moved = beside if last is None else value / last
    return (beside >= _AGREE and moved >= _MOVED) or (beside <= 1 / _AGREE and moved <= 1 / _MOVED)


def _swapped(
    analyte: str, far: Mapping[str, Sequence[tuple[_Place, float]]]
) -> Iterator[tuple[_Place, str]]:
    """Results of one pull that each have what is usual for the beds like the other.

    far: by pull, results with what is usual for the beds like them.
    """
    for name, several in far.items():
        for (one, usual), (other, others) in permutations(several, 2):
            kin = one.spot.treatment == other.spot.treatment
            if not kin and _like(one.value, others) and _like(other.value, usual):
                what = (
                    f"looks exchanged with bed {other.spot.label}: on {name} each has what is "
                    f"usual for the beds like the other ({usual:.4g} and {others:.4g})"
                )
                yield one, f"{_shown(analyte, one.value)}: {what}"


def _like(value: float, usual: float) -> bool:
    return abs(log10(value / usual)) <= _LIKE


def _beside(analyte: str, value: float, other: float) -> str:
    if analyte in _RAW:
        return f"{abs(value - other):.3g} {'above' if value > other else 'below'}"
    return f"{value / other:.3g} times"


def _usual(analyte: str, ordered: Sequence[float], value: float) -> float | None:
    """What the others of these sorted values say, by their median; None where they disagree.

    One that is far off itself must not say what is usual: of the two in the middle nobody knows
    which is right.
    """
    low, high = _middle_without(ordered, value)
    if high - low > plausible.PH_JUMP if analyte in _RAW else high > _AGREE * low:
        return None
    return (low + high) / 2


def _middle_without(ordered: Sequence[float], value: float) -> tuple[float, float]:
    """The two in the middle of sorted values (or the one, twice) without this one of them."""
    at, count = bisect_left(ordered, value), len(ordered) - 1
    low, high = (ordered[place + (place >= at)] for place in ((count - 1) // 2, count // 2))
    return low, high


def _slip(analyte: str, value: float, usual: float) -> plausible.Slip | None:
    if analyte in _RAW:
        return plausible.jump(value - usual)
    return plausible.slip(analyte, value / usual) if usual > 0 else None


def _shown(analyte: str, value: float) -> str:
    unit = ANALYTES[analyte].unit
    return f"{analyte} {value:.4g}" + ("" if unit == analyte else f" {unit}")


def _shifted(analyte: str, places: Iterable[_Place]) -> Iterator[Odd]:
    """Pulls whose control beds, and treated ones too, are a unit or a form away from the last.

    A pull that is back where its beds were before such a pull is not asked about again.
    """
    pulls: dict[str, list[_Place]] = {}
    for one in places:
        pulls.setdefault(one.spot.name, []).append(one)
    last: dict[str, _Place] = {}
    sound: dict[str, _Place] = {}
    for name, beds in pulls.items():
        jumps = _jumps(beds, last)
        shift = _shift(analyte, jumps)
        if shift and _shift(analyte, _jumps(beds, sound)):
            slip, middle = shift
            for one, jump in jumps:
                what = (
                    f"{_shown(analyte, one.value)} is {jump:.3g} times the bed's last; the control "
                    f"beds of {name} moved alike, by {middle:.3g}: {slip.words}"
                )
                yield one.reading, slip.kind, what
        now = {one.spot.label: one for one in beds}
        last |= now
        sound |= {} if shift else now


def _jumps(beds: Sequence[_Place], before: Mapping[str, _Place]) -> list[tuple[_Place, float]]:
    """By what each bed of a pull moved; none where too few have an earlier pull."""
    jumps = [
        (one, one.value / last.value)
        for one in beds
        if (last := before.get(one.spot.label)) and last.spot.age < one.spot.age and last.value > 0
    ]
    return jumps if enough_moved(len(jumps), len(beds)) else []


def _shift(
    analyte: str, jumps: Sequence[tuple[_Place, float]]
) -> tuple[plausible.Slip, float] | None:
    """The slip by which the controls moved, and by how much: a treated bed rises of its own."""
    controls = [jump for one, jump in jumps if one.spot.control]
    middle = median(controls) if controls else 0.0
    slip = plausible.slip_of_report(analyte, middle)
    if slip is None:
        return None
    low, high = (slip.factor * 10 ** (side * _BED_SLACK) for side in (-1, 1))
    there = all(low <= jump and (jump <= high or not one.spot.control) for one, jump in jumps)
    return (slip, middle) if there and not _by_itself(jumps, slip) else None


def _by_itself(jumps: Sequence[tuple[_Place, float]], slip: plausible.Slip) -> bool:
    """Whether a lone control fell by a slip, and no treated bed did: each is nearer to its last.

    Two controls that fall alike are a pull's; one alone may be the slip itself.
    """
    treated = [jump for one, jump in jumps if not one.spot.control]
    lone = len(jumps) - len(treated) == 1
    return lone and slip.factor < 1 and all(jump * jump > slip.factor for jump in treated)


def _alone(analyte: str, places: Sequence[_Place]) -> Iterator[Odd]:
    """Newest results of beds without a bed like them that are a slip away from their last ones.

    One that is not the newest of its bed lies between two others: `outliers` judges it.
    """
    before = _before(places)
    of_bed: dict[str, list[_Place]] = {}
    pulls: dict[str, list[_Place]] = {}
    for one in places:
        of_bed.setdefault(one.spot.label, []).append(one)
        pulls.setdefault(one.spot.name, []).append(one)
    for *earlier, one in of_bed.values():
        name, control = one.spot.name, one.spot.control
        others = [other for other in pulls[name] if other is not one]
        # A treated bed is meant to change: it begins with its application.
        own = [old for old in earlier if old.spot.age < one.spot.age]
        own = [old for old in own if control or old.spot.age >= 0]
        few = len(own) < (1 if control else _FEWEST_EARLIER)
        if few or any(other.spot.kin == one.spot.kin for other in others):
            continue
        last = own[-1]
        moves = [
            _Move(other.value, old.value)
            for other in others
            if (old := before.get((other.spot.label, name)))
        ]
        slip = _slip(analyte, one.value, last.value)
        rose = one.value > last.value
        # What was drawn down comes back: a rise is odd only above all that the bed had.
        held = [_Move(one.value, old.value) for old in (own if rose else own[-_FEWEST_EARLIER:])]
        if (
            slip is None
            or not moves
            or not all(_slipped_by(slip, analyte, move) for move in held)
            or any(_slipped_by(slip, analyte, move) for move in moves)
            or _honest(analyte, slip, control, held[-1], moves)
        ):
            continue
        what = (
            f"{_shown(analyte, one.value)} is {_beside(analyte, one.value, last.value)} the bed's "
            f"last ({last.value:.4g}), and no other bed of {name} {'rose' if rose else 'fell'} "
            f"with it: {slip.words}"
        )
        yield one.reading, slip.kind, what


class _Move(NamedTuple):
    """A result and an earlier one of its bed."""

    value: float
    last: float

    @property
    def amount(self) -> float:
        return self.value - self.last


def _slipped_by(slip: plausible.Slip, analyte: str, move: _Move) -> bool:
    """Whether a move is nearer to a slip than to none."""
    if analyte in _RAW:
        return move.amount * slip.factor > plausible.PH_JUMP / 2
    if not move.last > 0:
        return False
    ratio = move.value / move.last
    return ratio * ratio >= slip.factor if slip.factor > 1 else ratio * ratio <= slip.factor


def _honest(
    analyte: str, slip: plausible.Slip, control: bool, own: _Move, moves: Sequence[_Move]
) -> bool:
    """Whether a nutrient that honestly moves several-fold may have moved so.

    own: the bed's; moves: the others'. What wets, washes or roots in all beds gives or takes about
    as much nitrate in each, whatever it had; ammonium goes in each bed by itself.
    """
    if analyte not in plausible.RESTLESS:
        return False
    beds = len(moves) + 1
    if not enough_moved(beds, beds) or (slip.kind == "form" and not control):
        return True
    return analyte != "ammonium-N" and any(
        2 * move.amount >= own.amount > 0 or 2 * move.amount <= own.amount < 0 for move in moves
    )


def _reviewed(series: Sequence[Series], arranged: Arrangements) -> list[list[Odd]]:
    """Slips and exchanges among the results of each treatment and its controls; see `outliers`.

    What merely stands out is said on its curve and kept.
    """
    from logbook.analysis import outliers
    from logbook.analysis.cells import numbers

    sides: list[list[Side]] = []
    tables: list[list[tuple[outliers.Table, outliers.Table]]] = []
    for analyte, pairs in series:
        scale: outliers.Scale = "raw" if analyte in _RAW else "log"
        values = numbers(one.value for _, one in pairs)
        reviews = arranged.reviews([sample for sample, _ in pairs])
        sides.append([side for review in reviews for side in review])
        tables.append(
            [
                (_table(own, values, scale), _table(control, values, scale))
                for own, control in reviews
            ]
        )
    return [
        list(_odd_flags(*one, stood, flags))
        for one, stood, flags in zip(series, sides, outliers.flags(tables), strict=True)
    ]


def _odd_flags(
    analyte: str,
    pairs: Sequence[tuple[Sample, Reading]],
    sides: Sequence[Side],
    flags: Iterable[tuple[int, outliers.Flag]],
) -> Iterator[Odd]:
    for place, flag in flags:
        slip = _slip(analyte, flag.value, flag.expected)
        if slip is None and not flag.partner:
            continue
        kind = "exchange" if flag.partner or slip is None else slip.kind
        asked = slip is not None and not flag.partner and "point" not in flag.why
        words = f": {slip.words}" if asked and slip is not None else ""
        what = f"{_shown(analyte, flag.value)}: {flag.why}{words}"
        yield pairs[sides[place].sample(flag.bed, flag.day)][1], kind, what


def _table(side: Side, values: Floats, scale: outliers.Scale) -> outliers.Table:
    from logbook.analysis import cells, outliers

    found = side.samples.means(values)
    y = cells.logs(found) if scale == "log" else found
    return outliers.Table(side.name, side.beds, side.days, y, scale)
