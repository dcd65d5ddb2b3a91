"""What the pulls of a series say as a curve: the shape chosen, and what is known how surely.

The shape is judged with the error of each pull; the constants and their intervals come from the
beds. Pulls before application and after sowing take no part, nor pulls with a censored side.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logbook.store import views
from logbook.study.samples import MINERAL_N, PARTS
from logbook.trial.ranges import compact
from logbook.trial.times import age_text

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.below import Below, MakeUp
    from logbook.analysis.choice import Choice
    from logbook.analysis.errors import Errors
    from logbook.analysis.fits import Fit, Refusal
    from logbook.analysis.intervals import Interval
    from logbook.analysis.netted import Values
    from logbook.analysis.scores import Beds
    from logbook.analysis.series import Points
    from logbook.study.series import Row, Series


@dataclass(frozen=True)
class Declared:
    """What is known beforehand of a nutrient: CV as a fraction, s0 and margin in its unit.

    source: "declared" in the protocol, or "measured" by duplicates and repeats, which take its
    place once there are enough of them.
    """

    cv: float | None = None
    floor: float = 0.0
    margin: float | None = None
    source: str = "declared"

    @property
    def known(self) -> bool:
        """Whether an error is known: a CV, a smallest SD, or both."""
        return self.cv is not None or self.floor > 0.0

    def sd(self, level: float) -> float:
        """The standard deviation of a result of that level: SD^2 = s0^2 + (CV x)^2."""
        return math.hypot(self.floor, (self.cv or 0.0) * level)


@dataclass(frozen=True)
class Fitted:
    """The fits of one series, the choice between them, and the beds that intervals come from.

    choice: every candidate with why it was or was not chosen. beds: results by bed and day (None
    for a series of net values); errors: how far chance takes a pull's difference (None: unknown).
    constants: intervals by symbol (k, t1/2, A, a), only of what the choice lets be printed; below:
    what a mineral-N series shows of being below its control, None for other nutrients. given: the
    net values of a series without beds.
    """

    choice: Choice
    beds: Beds | None
    errors: Errors | None
    constants: Mapping[str, Interval]
    area: Interval | None
    below: Below | None
    declared: Declared
    given: Values | None = None

    def at_day(self, day: float) -> Interval | None:
        """D on a day between two pulls; None with neither beds nor net values."""
        from logbook.analysis import intervals, netted

        if self.given is not None:
            return netted.at_day(self.given, day)
        if self.beds is None:
            return None
        return intervals.at_day(self.beds, day, cv=self.declared.cv, floor=self.declared.floor)

    def last_slope(self, day: float) -> Interval | None:
        """The slope over the last pulls up to a day by themselves; None without beds."""
        from logbook.analysis import intervals

        if self.beds is None:
            return None
        return intervals.last_slope(self.beds, day, cv=self.declared.cv, floor=self.declared.floor)

    def released_by(self, day: float) -> Interval | None:
        """D(day) - D(0); None with neither beds nor net values."""
        from logbook.analysis import intervals, netted

        if self.given is not None:
            return netted.released_by(self.given, day)
        if self.beds is None:
            return None
        return intervals.released_by(self.beds, day, cv=self.declared.cv, floor=self.declared.floor)

    def ranges_of(self, fit: Fit) -> dict[str, Interval]:
        """Intervals of a fitted line or first-order curve by symbol, whether chosen or not."""
        symbols = {"zero order": ("a",), "first order": ("A", "k", "t1/2")}.get(fit.shape, ())
        found = {
            symbol: _constant(symbol, self.beds, self.given, fit.free_start, self.declared)
            for symbol in symbols
        }
        told = {symbol: one for symbol, one in found.items() if one is not None}
        if self.choice.chosen is None or fit.shape != self.choice.chosen.shape:
            return told
        return {symbol: self.as_told(symbol, one) for symbol, one in told.items()}

    def as_told(self, symbol: str, found: Interval) -> Interval:
        """An interval of the chosen shape; of a rise over before the first pull, k at least."""
        from logbook.analysis.choice import Printed

        if symbol != "k" or self.choice.printed is not Printed.PLATEAU:
            return found
        why = found.reason_high or self.choice.sentence
        return replace(found, value=None, high=None, reason_high=why)

    @property
    def make_up(self) -> MakeUp | None:
        """Nitrogen that was missing at the trough, or why there is no figure; None if no N."""
        from logbook.analysis import below

        return None if self.below is None else below.make_up(self.below)


def declared_of(store: sqlite3.Connection, trial: str) -> dict[str, Declared]:
    """What the protocol declares, by nutrient; mineral-N takes the larger CV of its parts.

    Their floors add as variances: the errors of two determinations are independent. Where the
    laboratory's repeatability was measured with 8 degrees of freedom or more it takes the place of
    what was declared.
    """
    records = {
        one.record.analyte: one.record
        for one in views.fetch(store, "followed", "trial = ?", (trial,))
    }
    found = {
        name: Declared(
            None if one.cv is None else float(one.cv) / 100.0,
            float(one.sd or 0),
            None if one.margin is None else float(one.margin),
        )
        for name, one in records.items()
    }
    for name, one in _measured(store, trial, records).items():
        found[name] = replace(one, margin=found[name].margin)
    parts = [found[name] for name in PARTS if name in found]
    if len(parts) == len(PARTS):
        cvs = [one.cv for one in parts if one.cv is not None]
        margin = found[MINERAL_N].margin if MINERAL_N in found else None
        cv = max(cvs) if len(cvs) == len(parts) else None
        source = "measured" if any(one.source == "measured" for one in parts) else "declared"
        floor = math.hypot(*(one.floor for one in parts))
        found[MINERAL_N] = Declared(cv, floor, margin, source)
    return found


def _measured(
    store: sqlite3.Connection, trial: str, followed: Mapping[str, Any]
) -> dict[str, Declared]:
    """The measured repeatability of the trial's own methods in its laboratory, where it counts."""
    from logbook.study import quality

    (own,) = views.fetch(store, "trial", "id = ?", (trial,))
    return {
        analyte: Declared(one.cv, one.sd or 0.0, source="measured")
        for (lab, analyte, method, _), (_, one) in quality.measured(store).items()
        if one.enough
        and one.at(one.level) > 0  # repeats that agree but for rounding measure nothing
        and lab == own.record.lab
        and analyte in followed
        and followed[analyte].method == method
    }


def points_of(rows: Sequence[Row]) -> Points:
    """What a curve is fitted to: days from application on, before anything was sown."""
    from logbook.analysis import series as analysis

    after = [row for row in rows if row.difference.day >= 0]
    found = analysis.points_for_fit(row.difference for row in after if not row.planted)
    sown = [
        f"day {age_text(row.difference.day)}: planted ({compact(row.planted)} sown before it)"
        for row in after
        if row.planted
    ]
    return replace(found, left_out=(*found.left_out, *sown))


@dataclass(frozen=True)
class Wanted:
    """A series to be fitted: its nutrient, rows, points (one or more), and what is declared of it.

    share: f, the amendment's share of the dry mass, None where it is not known or not used.
    """

    analyte: str
    rows: Sequence[Row]
    points: Points
    share: float | None
    declared: Declared


def with_fits(store: sqlite3.Connection, trial: str, found: Iterable[Series]) -> list[Series]:
    """Series of a trial that were read without fits, with their curves and the choice."""
    declared, found = declared_of(store, trial), list(found)
    places = [place for place, one in enumerate(found) if one.fittable]
    wanted = [
        Wanted(
            one.analyte,
            one.rows,
            one.points,
            one.dilution if one.points.corrected else None,
            declared.get(one.analyte, Declared()),
        )
        for one in (found[place] for place in places)
    ]
    for place, (fits, decided) in zip(places, fit_all(wanted), strict=True):
        found[place] = replace(found[place], fits=fits, fitted=decided)
    return found


def fit(
    analyte: str, rows: Sequence[Row], points: Points, share: float | None, declared: Declared
) -> tuple[tuple[Fit | Refusal, ...], Fitted]:
    """Every shape fitted or refused, and the choice with its intervals; arguments as of Wanted."""
    return fit_all([Wanted(analyte, rows, points, share, declared)])[0]


def fit_all(wanted: Sequence[Wanted]) -> list[tuple[tuple[Fit | Refusal, ...], Fitted]]:
    """`fit` of every series, in their order: those that share their days go in a batch."""
    from logbook.analysis import errors

    beds = [beds_of(one.rows, one.points, one.share) for one in wanted]
    known = [
        None if its is None else errors.errors_of(its, cv=one.declared.cv, floor=one.declared.floor)
        for one, its in zip(wanted, beds, strict=True)
    ]
    judged = _chosen_all([_judge(*one) for one in zip(wanted, beds, known, strict=True)])
    return [
        (shown, _fitted(one, its, error, choice))
        for one, its, error, (shown, choice) in zip(wanted, beds, known, judged, strict=True)
    ]


def _judge(one: Wanted, beds: Beds | None, known: Errors | None) -> _Judge:
    sd = None if known is None else known.sd.tolist()
    df = math.inf if known is None else known.df
    return _Judge(one.points.days, one.points.values, True, sd, df, _weights(beds, one.declared))


def _fitted(one: Wanted, beds: Beds | None, known: Errors | None, choice: Choice) -> Fitted:
    """The choice with what its intervals come from."""
    from logbook.analysis import below, intervals

    declared = one.declared
    mineral = beds is not None and one.analyte == MINERAL_N
    return Fitted(
        choice=choice,
        beds=beds,
        errors=known and replace(known, source=declared.source),
        constants={} if beds is None else _constants(choice, beds, declared),
        area=None if beds is None else intervals.area(beds, cv=declared.cv, floor=declared.floor),
        below=below.below_control(beds) if mineral and beds is not None else None,
        declared=declared,
    )


def beds_of(rows: Iterable[Row], points: Points, share: float | None) -> Beds | None:
    """Results by bed on the days of the points; None where two pulls fell on the same day."""
    from logbook.analysis.beds import beds_of as averaged
    from logbook.analysis.scores import beds_of as matrix

    days = list(points.days)
    kept = [row for row in rows if row.difference.day in days and not row.planted]
    if len(kept) != len(days) or len(set(days)) != len(days):
        return None
    results: dict[tuple[bool, str, str | None], dict[float, float]] = {}
    for row in kept:
        for bed in averaged(row.observations):
            found = results.setdefault((bed.treated, bed.name, bed.block), {})
            found[row.difference.day] = bed.low
    sides = [[one for one in results if one[0] is treated] for treated in (True, False)]
    if not all(sides):
        return None
    numbers = [
        [[results[bed].get(day, float("nan")) for day in days] for bed in side] for side in sides
    ]
    labels: list[list[str] | None] = [[bed[2] or "" for bed in side] for side in sides]
    if not all(bed[2] for side in sides for bed in side):
        labels = [None, None]
    return matrix(
        days,
        *numbers,
        share=share or 0.0,
        treated_blocks=labels[0],
        control_blocks=labels[1],
    )


def _weights(beds: Beds | None, declared: Declared) -> list[float] | None:
    """The weights of the fit whose intervals are given: equal between beds, else of one bed."""
    from logbook.analysis import intervals

    if beds is None or beds.fewest > 1:
        return None
    weights = intervals.one_bed_weights(beds, free_start=True, cv=declared.cv, floor=declared.floor)
    return None if weights is None else [float(weight) for weight in weights]


@dataclass(frozen=True)
class _Judge:
    """Values to fit and to judge: sd of each value, known by df degrees of freedom (None: not
    known); weights: those of the fits shown (None: all count the same)."""

    days: Sequence[float]
    values: Sequence[float]
    free_start: bool
    sd: Sequence[float] | None
    df: float = math.inf
    weights: Sequence[float] | None = None


def _chosen_all(judges: Sequence[_Judge]) -> list[tuple[tuple[Fit | Refusal, ...], Choice]]:
    """Every shape fitted as shown, and the choice, judged with the errors where they are known."""
    from logbook.analysis import fitting

    asked = [
        fitting.Asked(one.days, one.values, one.free_start, one.weights, one.sd is not None)
        for one in judges
    ]
    told = [one for one in judges if one.sd is not None]
    asked += [fitting.Asked(one.days, one.values, one.free_start, sd=one.sd) for one in told]
    found = fitting.fit_each(asked)
    by_error = iter(found[len(judges) :])
    return [
        _chosen(one, shown, None if one.sd is None else next(by_error))
        for one, shown in zip(judges, found[: len(judges)], strict=True)
    ]


def _chosen(
    one: _Judge, shown: list[Fit | Refusal], judged: list[Fit | Refusal] | None
) -> tuple[tuple[Fit | Refusal, ...], Choice]:
    """The fits shown and the choice; judged: fits with the known errors, None where not known."""
    from logbook.analysis import errors
    from logbook.analysis.choice import choose
    from logbook.analysis.fits import Fit

    # Where the start is fixed, day 0 tells nothing.
    pulls = len({day for day in one.days if one.free_start or day > 0.0})
    if judged is None:
        shown = errors.straight_checked(shown, one.days, one.values, one.weights)
        return tuple(shown), choose(shown, pulls=pulls)
    chances = {each.shape: errors.misfit(each, one.df) for each in judged if isinstance(each, Fit)}

    def marked(found: Iterable[Fit | Refusal]) -> list[Fit | Refusal]:
        return [errors.checked(a, chances.get) if isinstance(a, Fit) else a for a in found]

    shown, judged = marked(shown), marked(judged)
    return tuple(shown), choose(judged, errors_known=True, pulls=pulls, shown=shown)


def fit_values(
    days: Sequence[float], values: Sequence[float], sd: Sequence[float] | None, free_start: bool
) -> tuple[tuple[Fit | Refusal, ...], Fitted]:
    """Net values alone, without beds: every shape, the choice, and intervals of these values.

    sd: the standard error of each value, where it is known.
    """
    from logbook.analysis import netted

    given = netted.values_of(days, values, free_start=free_start, sd=sd)
    weights = None if sd is None else [1.0 / one**2 for one in sd]
    ((shown, choice),) = _chosen_all([_Judge(days, values, free_start, sd, weights=weights)])
    constants = {symbol: _of_values(symbol, given) for symbol in _printed(choice)}
    area = netted.area(given)
    return shown, Fitted(choice, None, None, constants, area, None, Declared(), given)


def _printed(choice: Choice) -> tuple[str, ...]:
    """Symbols of the constants that may be printed, where intervals of them are known."""
    from logbook.analysis.choice import Printed

    one = choice.chosen
    if one is None or choice.printed in (Printed.CURVE, Printed.NOTHING):
        return ()
    if one.shape == "zero order" or choice.printed is Printed.ZERO_ORDER_RATE:
        return ("a",)
    if one.shape != "first order":
        return ()
    return ("A", "k") if choice.printed is Printed.PLATEAU else ("A", "k", "t1/2")


def _constants(choice: Choice, beds: Beds, declared: Declared) -> dict[str, Interval]:
    """Intervals between beds of what may be printed of the chosen shape."""
    free = choice.chosen is not None and choice.chosen.free_start
    return {symbol: _of_beds(symbol, beds, free, declared) for symbol in _printed(choice)}


def _constant(
    symbol: str, beds: Beds | None, given: Values | None, free_start: bool, declared: Declared
) -> Interval | None:
    """The interval of one constant; None with neither beds nor net values."""
    if given is not None:
        return _of_values(symbol, given)
    return None if beds is None else _of_beds(symbol, beds, free_start, declared)


def _of_beds(symbol: str, beds: Beds, free_start: bool, declared: Declared) -> Interval:
    from logbook.analysis import intervals

    makers = {
        "a": intervals.slope,
        "A": intervals.ceiling,
        "k": intervals.rate,
        "t1/2": intervals.half_life,
    }
    return makers[symbol](beds, free_start=free_start, cv=declared.cv, floor=declared.floor)


def _of_values(symbol: str, given: Values) -> Interval:
    from logbook.analysis import netted

    makers = {"a": netted.slope, "A": netted.ceiling, "k": netted.rate, "t1/2": netted.half_life}
    return makers[symbol](given)
