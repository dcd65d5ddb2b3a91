"""What any picture of a series shows, free of format: the marks, the curve, scales and numbers.

The difference drawn is the one corrected for dilution, T - (1 - f) C, where f is known, else T - C.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.trial.chemistry import ANALYTES
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.bands import Band
    from logbook.analysis.fits import Fit
    from logbook.analysis.series import Contrast, Difference
    from logbook.study.series import Row, Series

#: Days between ticks: a few days, then whole weeks, then about a quarter or a year.
_DAY_STEPS = (1, 2, 7, 14, 28, 56, 91, 182, 364, 728)
_BIG = 1e6
_OF_A_DAY = re.compile(r"day (-?[0-9.]+): (.*)", re.DOTALL)


@dataclass(frozen=True)
class Mark:
    """One pull in a picture. value None: a censored range, where an end that is None is open.

    low, high: the 95 % interval of `value`, both None when there is none.
    """

    day: float
    value: float | None
    low: float | None
    high: float | None


def net(difference: Difference) -> Contrast:
    """The difference that is drawn: corrected for dilution where that is known."""
    return difference.from_amendment or difference.against_control


_MADE = {"within-block": "within blocks", "welch": "between beds (Welch)"}
WIDENED = "widened by the reporting limits"


def made(methods: Iterable[str]) -> str:
    """How 95 % ranges were made, of those that differences by these methods have; "" for none."""
    used = list(methods)
    words = [
        word
        for method, word in _MADE.items()
        if any(one.removeprefix("bounds + ") == method for one in used)
    ]
    wide = [one for one in used if one.startswith("bounds + ")]
    return " or ".join(words) + (f"; [ ] {WIDENED}" if wide else "")


def possible_only(difference: Difference) -> bool:
    """Whether its ends are possible values only, not a 95 % range."""
    return difference.method == "bounds"


def drawn_name(series: Series) -> str:
    """The difference drawn, in symbols."""
    if series.plain:
        return "value"
    return "T - (1 - f) C" if series.corrected else "T - C"


def marks(series: Series) -> list[Mark]:
    """Everything of a series that can be drawn; pulls of which nothing is known are left out."""
    found = []
    for row in series.rows:
        one = net(row.difference)
        if (one.value, one.low, one.high) != (None, None, None):
            found.append(Mark(row.difference.day, one.value, one.low, one.high))
    return found


def not_drawn(series: Series) -> list[str]:
    """Names of the pulls that no picture can show."""
    gone = (None, None, None)
    found = ((row.name, net(row.difference)) for row in series.rows)
    return [name for name, one in found if (one.value, one.low, one.high) == gone]


def drawn_fit(series: Series) -> Fit | None:
    """The curve to draw: the shape chosen, unless nothing of it may be shown."""
    from logbook.analysis.choice import Printed

    choice = None if series.fitted is None else series.fitted.choice
    return None if choice is None or choice.printed is Printed.NOTHING else choice.chosen


def curve_days(series: Series, count: int) -> list[float]:
    """Days to draw the curve on: from application to the last pull it was fitted to."""
    if drawn_fit(series) is None or not series.points.days:
        return []
    last = max(series.points.days)
    return [last * step / (count - 1) for step in range(count)]


def curve_points(series: Series, count: int) -> list[tuple[float, float]]:
    """The drawn curve from application to the last pull it was fitted to, never beyond.

    A list of (day, value), empty where no shape was chosen.
    """
    fit, days = drawn_fit(series), curve_days(series, count)
    if fit is None or not days:
        return []
    return list(zip(days, (float(value) for value in fit.at(days)), strict=True))


def band(series: Series, days: Sequence[float]) -> Band | None:
    """The range between beds about the drawn curve; None where there is no curve or no bed.

    A band without ends says why in its reason.
    """
    from logbook.analysis.bands import band as found

    fit, fitted = drawn_fit(series), series.fitted
    if fit is None or fitted is None or fitted.beds is None:
        return None
    first = float(fitted.beds.days[0]) if fit.free_start else 0.0
    within = [day for day in days if day >= first]
    return found(fitted.beds, fit, within, cv=fitted.declared.cv, floor=fitted.declared.floor)


def reasons(series: Series) -> list[tuple[str, str]]:
    """Why an interval or a difference is missing: (pulls, reason), "" where it holds for all."""
    groups: dict[str, list[int]] = {}
    for place, row in enumerate(series.rows):
        for text in dict.fromkeys((net(row.difference).reason, row.difference.note)):
            groups.setdefault(text, []).append(place)
    return [(_pulls(series, found), reason) for reason, found in groups.items() if reason]


def _pulls(series: Series, found: Sequence[int]) -> str:
    """Names of the pulls at these places; a run of three or more as "first to last"."""
    if len(found) == len(series.rows):
        return ""
    names = [series.rows[place].name for place in found]
    if len(found) > 2 and found[-1] - found[0] == len(found) - 1:
        return f"{names[0]} to {names[-1]}"
    return ", ".join(names)


def places_of(series_list: Sequence[Series]) -> list[int]:
    """Whose signs each series has: by its treatment's place in the trial, else by its own."""
    return [
        place if series.place is None else series.place for place, series in enumerate(series_list)
    ]


def title_of(series_list: Sequence[Series]) -> str:
    """What the curves of one nutrient are; a net release only where every one is."""
    from logbook.study.series import UNCORRECTED

    titles = {one.net: one.title for one in series_list}
    if len(titles) == 1:
        return series_list[0].title
    return titles[False].replace(UNCORRECTED, _EITHER)


_EITHER = "difference from control (net or T - C)"


def difference_name(series_list: Sequence[Series]) -> str:
    """What is drawn: net only where corrected for dilution, a pH never."""
    from logbook.study.series import NOT_RELEASED, UNCORRECTED

    if series_list[0].analyte in NOT_RELEASED:
        return "difference from control"
    kinds = {one.net for one in series_list}
    if len(kinds) > 1:
        return _EITHER
    return "net difference from control" if kinds == {True} else UNCORRECTED


def axis_name(series_list: Sequence[Series]) -> str:
    """ "net difference from control (mg/kg, dry basis)"; of a pH neither net nor any basis."""
    from logbook.study.series import NOT_RELEASED

    first = series_list[0]
    basis = first.unit if first.analyte in NOT_RELEASED else basis_of(first)
    return f"{difference_name(series_list)} ({basis})".replace(") (", "; ")


def merged(notes: Iterable[str]) -> list[str]:
    """Notes in their order; those that say the same of several days named once, with the days."""
    days: dict[str, list[str]] = {}
    for note in notes:
        found = _OF_A_DAY.fullmatch(note)
        said, day = (found[2], found[1]) if found else (note, "")
        days.setdefault(said, []).append(day)
    return [_of_days(said, on) for said, on in days.items()]


def _of_days(said: str, days: Sequence[str]) -> str:
    on = [day for day in dict.fromkeys(days) if day]
    return f"day{'s' * (len(on) > 1)} {', '.join(on)}: {said}" if on else said


def same_kind(series_list: Sequence[Series]) -> Series:
    """The first of the series, once all may stand in one picture.

    Raises:
        UserMistake: no series, or results of different nutrients, methods, bases, units or
            laboratories, which are never compared.
    """
    if not series_list:
        raise UserMistake("there is nothing to draw", "no result has come in for it yet")
    for word in ("analyte", "method", "basis", "unit", "lab"):
        values = list(dict.fromkeys(str(getattr(series, word)) for series in series_list))
        if len(values) > 1:
            raise UserMistake(
                f"series of different {_PLURAL[word]} cannot be compared: {', '.join(values)}",
                "draw each in a figure of its own",
            )
    return series_list[0]


_PLURAL = {
    "analyte": "nutrients",
    "method": "methods",
    "basis": "bases",
    "unit": "units",
    "lab": "laboratories",
}


def basis_of(series: Series) -> str:
    """The axis label's unit with its basis, "mg/kg, dry basis" or only the unit."""
    return f"{series.unit}, {series.basis} basis" if series.basis else series.unit


def beds_text(counts: Iterable[int]) -> str:
    """Numbers of beds as "4 beds", "3 to 4 beds", "1 bed", "no beds yet"."""
    found = sorted(set(counts))
    if not found:
        return "no beds yet"
    span = f"{found[0]}" if len(found) == 1 else f"{found[0]} to {found[-1]}"
    return f"{span} bed{'s' * (found[-1] != 1)}"


def dates_text(names: Sequence[str]) -> str:
    """Names of pulls in a row: "day 3", "days 3, 7, 14", "before, day 0"."""
    days = [name.removeprefix("day ") for name in names]
    if len(names) > 1 and all(name.startswith("day ") for name in names):
        return f"days {', '.join(days)}"
    return ", ".join(names)


def day_text(day: float) -> str:
    """A day since application; a pull "before" on the day of application is on day 0."""
    return age_text(0.0 if -1.0 < day < 0.0 else day)


_FAR = 3.0  # times the next largest: a number that looks like none of its series


def places(series: Series) -> int:
    """Decimal places for a series: three digits of its largest difference, two for a pH.

    One that stands far above all others takes no digit from them. Where all are differences of
    single beds, those that their results have.
    """
    if series.analyte and ANALYTES[series.analyte].dimension == "acidity":
        return 2
    sided = [row for row in series.rows if row.difference.method != "none"]
    if sided and all(row.difference.method == "one bed" for row in sided):
        return places_of_single(sided)
    sizes = sorted(map(abs, _numbers(series.rows)))
    alone = len(sizes) > 2 and sizes[-1] > _FAR * sizes[-2] > 0.0
    return places_for(sizes[:-1] if alone else sizes)


def places_of_single(rows: Iterable[Row]) -> int:
    """Decimal places of differences of single beds: what their results have, four digits at most.

    A result that was converted has more than anyone measured.
    """
    values = [abs(one.value) for row in rows for one in row.observations if one.value is not None]
    given = max((len(f"{one:.6f}".rstrip("0").partition(".")[2]) for one in values), default=0)
    return min(given, places_for(values) + 1)


def places_for(numbers: Iterable[float]) -> int:
    """Decimal places that show three digits of the largest number, 0 to 6."""
    largest = max((abs(number) for number in numbers), default=0.0)
    if largest == 0.0:
        return 1
    # 6.5 - 6.4 is a little less than a tenth.
    return min(max(2 - math.floor(math.log10(largest) + 1e-9), 0), 6)


def _numbers(rows: Iterable[Row]) -> list[float]:
    found = []
    for row in rows:
        one = net(row.difference)
        ends = (one.value,) if one.value is not None else (one.low, one.high)
        found += [number for number in ends if number is not None]
    return found


def plain(number: float, decimals: int) -> str:
    """A number with so many decimal places; very large ones with an exponent; never "-0"."""
    if abs(number) >= _BIG:
        return f"{number:.3g}"
    # Two ways to one mean differ in the last bits: 0.015 is to be the same text by both.
    text = f"{round(number, decimals + 6):.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def signed(number: float, decimals: int) -> str:
    """A difference: with "+" or "-", none on a zero."""
    text = plain(number, decimals)
    return text if text.startswith("-") or float(text) == 0.0 else f"+{text}"


def digits(number: float, count: int = 3) -> str:
    """A number to so many significant digits: 0.0214, 34.7, 1210."""
    if number == 0.0 or abs(number) >= _BIG or abs(number) < 1e-4:
        return f"{number:.{count}g}"
    decimals = count - 1 - math.floor(math.log10(abs(number)))
    return f"{round(number, decimals):.{max(decimals, 0)}f}"


def span_of(numbers: Iterable[float], share: float = 0.08) -> tuple[float, float]:
    """Ends of a value axis: all numbers and zero with room around; -1 to 1 without numbers."""
    low, high = min((0.0, *numbers)), max((0.0, *numbers))
    if low == high:
        return -1.0, 1.0
    room = share * (high - low)
    return low - room, high + room


def day_ticks(first: float, last: float, most: int = 9) -> list[int]:
    """Ticks for days, in whole weeks where there is room for no more than `most`."""
    # A mean day such as 55.5 lies within half a day of a tick, or has one beyond it.
    start, end = math.ceil(first), math.ceil(last)
    fits = (step for step in _DAY_STEPS if (end - start) / step <= most - 1)
    step = next(fits, _DAY_STEPS[-1] * math.ceil((end - start) / (_DAY_STEPS[-1] * most) + 1))
    return list(range(step * math.ceil(start / step), end + 1, step))


def value_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Round numbers between two ends, steps of 1, 2 or 5 times a power of ten, zero among them."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(step for step in (power, 2 * power, 5 * power, 10 * power) if step >= rough)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [count * step for count in range(first, last + 1)]


def level_texts(levels: Sequence[float]) -> list[str]:
    """Labels of evenly spaced ticks, with as many decimals as their step needs."""
    step = levels[1] - levels[0] if len(levels) > 1 else 1.0
    exact = (n for n in range(7) if abs(round(step, n) - step) < 1e-9 * step)
    decimals = next(exact, places_for([step]))
    return [signed(level, decimals) for level in levels]
