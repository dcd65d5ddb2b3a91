"""What may be said of a series' curve, free of format: the shape, its constants, sums and days.

The shape and its constants are two decisions of `analysis.choice`; what that does not let be
printed is not among the numbers here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.report import marks
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.choice import Printed
    from logbook.analysis.fits import Fit, Parameter
    from logbook.analysis.intervals import Interval
    from logbook.study.fitted import Fitted
    from logbook.study.losses import Losses
    from logbook.study.series import Series

NOT_CHOSEN = "not the shape chosen"
NO_RANGE = "no range is made of this constant"
FITTED_START = "D on day 0 has a range; the fitted start has none"
NO_SHAPE = "no shape can be fitted"
LAST_PULL = "the last pull"
#: Beyond this share, the constant of its range and that of the drawn curve are both told.
_APART = 0.02


@dataclass(frozen=True)
class Stated:
    """One constant of the chosen shape that may be printed.

    unit: that of the series already put in; value: that of its range, where there is one, else the
    fit's; interval: None where no range is made of it; through_all: the constant of the drawn
    curve, through all pulls, where it is another.
    """

    symbol: str
    word: str
    unit: str
    difference: bool
    value: float | None
    interval: Interval | None
    through_all: float | None = None


@dataclass(frozen=True)
class Asked:
    """What goes with a series on a screen: further days, the day named beforehand and what it is
    called, and what its beds were seen to lose (None: a plain file, which tells nothing of it).
    """

    days: tuple[float, ...] = ()
    named: tuple[float, str] | None = None
    losses: Losses | None = None

    def why_below(self, series: Series) -> tuple[str, tuple[str, ...]]:
        """What a series shown below its control may be said to be, and what that rests on."""
        from logbook.study.losses import met_by, why_below

        found = None if series.fitted is None else series.fitted.below
        if found is None or not found.shown or self.losses is None:
            return "", ()
        return why_below(met_by(self.losses, series), series.analyte, max(found.days_below))

    def bound(self, series: Series) -> tuple[str, tuple[str, ...]]:
        """What the net release is worth after losses: "at least" or a sentence, and the losses."""
        from logbook.study.losses import bound, met_by

        if self.losses is None or series.descriptive:
            return "", ()
        return bound(met_by(self.losses, series), series.analyte, length(series))


NOTHING_ASKED = Asked()


@dataclass(frozen=True)
class OnDay:
    """What is known of one day: why it is told, the net difference, and the release by then."""

    day: float
    why: str
    net: Interval
    released: Interval


def length(series: Series) -> float:
    """The last day that a curve was fitted to; a ceiling is never told without it."""
    return max(series.points.days, default=0.0)


def shape_over(series: Series, shape: str) -> str:
    """ "first order over 56 days"."""
    return f"{shape} over {age_text(length(series))} days"


def label(series: Series, fit: Fit) -> str:
    """What two phases of these signs are called on screens; "" for other shapes."""
    if fit.shape != "two phases" or not fit.label:
        return ""
    if fit.label == "two pools":
        return "rises in two phases" if series.descriptive else "two pools"
    if fit.label == "flush, then loss":
        return "rises, then falls" if series.descriptive else fit.label
    last = length(series)
    under = min(float(value) for value in fit.at([last * n / 100 for n in range(101)])) < 0.0
    recovers = fit.label == "fall, then recovery"
    if under and not series.descriptive:
        return "below control, then recovery" if recovers else "below control in two phases"
    return "falls, then rises" if recovers else "falls in two phases"


def withheld(series: Series, fit: Fit, symbol: str) -> str:
    """Why a constant of a fit is not printed; "" where it is."""
    choice = None if series.fitted is None else series.fitted.choice
    if choice is None or choice.chosen is None:
        return NOT_CHOSEN if choice is None else choice.sentence
    if choice.straight is not None and fit.shape == choice.straight.shape:
        return "" if symbol == "a" else NOT_CHOSEN
    if fit.shape != choice.chosen.shape:
        return NOT_CHOSEN
    return "" if _allowed(series, choice.printed, symbol) else choice.sentence


def _allowed(series: Series, printed: Printed, symbol: str) -> bool:
    """Whether a constant of the chosen shape may be printed."""
    from logbook.analysis.choice import Printed

    if printed is Printed.PLATEAU:
        return symbol in ("D0", "A", "k")
    if printed is Printed.CEILING_BY_INTERVAL:
        return not symbol.startswith("A") or symbol in _ranges(series)
    return printed is Printed.CONSTANTS


def _ranges(series: Series) -> dict[str, Interval]:
    return {} if series.fitted is None else dict(series.fitted.constants)


def printed_fit(series: Series) -> Fit | None:
    """The fit whose constants are told: the chosen one, or the straight line that stands for it."""
    if series.fitted is None:
        return None
    return series.fitted.choice.straight or series.fitted.choice.chosen


def stated(series: Series) -> list[Stated]:
    """The constants that may be printed, each with its range where there is one."""
    fit = printed_fit(series)
    if fit is None or series.fitted is None:
        return []
    found = []
    for one in fit.parameters + fit.derived:
        if not withheld(series, fit, one.symbol):
            found.append(_stated(series, series.fitted, one))
    return [one for one in found if one.value is not None or one.interval is not None]


def _stated(series: Series, fitted: Fitted, one: Parameter) -> Stated:
    interval = range_of(fitted, one.symbol)
    value, other = value_of(one, interval), None
    if interval is not None and interval.value is not None and one.value is not None:
        apart = abs(one.value - interval.value) > _APART * abs(interval.value)
        other = one.value if apart else None
    if interval is not None and interval.value is None and value is not None:
        interval = replace(interval, value=value)
    unit = one.unit.replace("value", series.unit, 1)
    difference = one.unit.startswith("value")
    return Stated(one.symbol, one.word, unit, difference, value, interval, other)


def value_of(one: Parameter, interval: Interval | None) -> float | None:
    """The one value of a constant, everywhere: that of the beds and pulls its range belongs to."""
    from logbook.analysis.intervals import told

    return told(one.value, interval)


def range_of(fitted: Fitted, symbol: str) -> Interval | None:
    """The range of a printed constant; of a rate over before the first pull the lower end only."""
    found = fitted.constants.get(symbol)
    return None if found is None else fitted.as_told(symbol, found)


def on_days(series: Series, asked: Asked) -> list[OnDay]:
    """The named day, the last pull and the days asked for; none where nothing was fitted."""
    fitted = series.fitted
    if fitted is None:
        return []
    wanted: dict[float, list[str]] = {}
    for day, why in _wanted(series, asked):
        wanted.setdefault(day, []).append(why)
    found = []
    for day, reasons in sorted(wanted.items()):
        net, released = fitted.at_day(day), fitted.released_by(day)
        if net is not None and released is not None:
            found.append(OnDay(day, ", ".join(one for one in reasons if one), net, released))
    return found


def _wanted(series: Series, asked: Asked) -> Iterable[tuple[float, str]]:
    last = length(series)
    if asked.named is not None and asked.named[0] <= last:
        yield asked.named
    yield last, LAST_PULL
    for day in asked.days:
        yield day, ""


def area_days(series: Series) -> tuple[float, float]:
    """First and last day of the area."""
    days = series.points.days or (0.0,)
    return min(days), max(days)


def area_over(series: Series) -> str:
    """ "day 0 to 56"; "days 0, 14, 42 only" where pulls between them have no difference."""
    first, last = area_days(series)
    days = sorted(set(series.points.days))
    pulled = {row.difference.day for row in series.rows if first <= row.difference.day <= last}
    if pulled <= set(days):
        return f"day {age_text(first)} to {age_text(last)}"
    return f"days {', '.join(f'{age_text(day)}' for day in days)} only"


def only_shape(series: Series) -> str:
    """ "the only shape that 5 pulls allow", or "" where there was a choice."""
    from logbook.analysis.choice import ONLY_SHAPE

    candidates = () if series.fitted is None else series.fitted.choice.candidates
    told = (one.why.removeprefix("chosen: ") for one in candidates if one.chosen)
    return next((why for why in told if why.startswith(ONLY_SHAPE)), "")


def between_pulls(series: Series, day: float) -> bool:
    """Whether a day lies between two pulls, so that a straight line between them tells of it."""
    days = series.points.days
    return min(days, default=day) < day < max(days, default=day) and day not in days


def unit_of(series: Series) -> str:
    """The unit behind a difference; a plain file does not say any."""
    return "" if series.unit == "value" else series.unit


def area_unit(series: Series) -> str:
    """ "mg/kg x days"."""
    return f"{series.unit} x days"


def number(value: float, difference: bool) -> str:
    """A constant without a range, to three digits."""
    text = marks.digits(value)
    return f"+{text}" if difference and value > 0.0 else text


def bare(shape: str, why: str) -> str:
    """A reason without the name of its shape before it and what follows from it behind it."""
    return why.removeprefix(f"{shape}: ").removesuffix(": no curve")


def no_curve(series: Series) -> str:
    """Why there is no curve; "" where there is one, or where none is wanted."""
    from logbook.analysis.choice import Printed

    fitted = series.fitted
    if fitted is None:
        wanted = series.rows and not series.points.days
        return "no pull from application on has a difference to fit" if wanted else ""
    choice = fitted.choice
    if choice.chosen is None and not choice.criterion:
        first = next(iter(choice.candidates), None)
        why = "" if first is None else bare(first.shape, first.why)
        return f"{NO_SHAPE}: {why}" if why else choice.sentence
    if choice.chosen is None or choice.printed is Printed.NOTHING:
        return choice.sentence
    return ""
