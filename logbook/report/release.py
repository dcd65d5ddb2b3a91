"""The computed tables of an export: differences date by date, fits, and fitted curves by day."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from logbook.report import constants, marks
from logbook.report.sheets import Cell, Sheet, columns
from logbook.study.series import Row, Series

if TYPE_CHECKING:
    from logbook.analysis.bands import Band
    from logbook.analysis.fits import Fit, Parameter, Refusal
    from logbook.analysis.intervals import Interval

_SERIES = """
nutrient | | what was measured; mineral-N is nitrate-N + ammonium-N of one sample
method | | extraction or test method
basis | | dry: per kg of dry soil; moist: per kg as received
lab | | the laboratory
unit | | unit of the values
treatment | | the treatment's code
"""

_RELEASE = f"""
{_SERIES.strip()}
title | | what the difference is: net release, change in extractable, or only a difference
pull | | the calendar's name of the pull
first_date | | first field day of the beds compared
last_date | | last field day of the beds compared
day | days | mean days since application of the treated beds; -0.5 or less: before application
treated | as in unit | mean of the treated beds (T); empty: beyond a limit, or none
control | as in unit | mean of the control beds (C); empty: beyond a limit, or none
difference | as in unit | T - C: what the grower's bed has more (negative: less) than the control
low | as in unit | lower end of its interval, or of its possible values; empty: open or none
high | as in unit | upper end of its interval, or of its possible values; empty: open or none
df | | degrees of freedom of the interval
reason | | why there is no difference, or no interval
f | | share of the dry mass that is amendment; 0 before application; empty: unknown or unused
corrected | as in unit | T - (1 - f) C: what the amendment gave
corrected_low | as in unit | lower end, as low
corrected_high | as in unit | upper end, as high
corrected_df | | degrees of freedom of its interval
corrected_reason | | why there is none, or no interval
treated_beds | | how many treated beds
control_beds | | how many control beds
censored | | how many of them with a result beyond a limit
interval_method | | within-block, welch, bounds + either (widened), one bed, bounds, none: see above
note | | why blocks were not used, where they were not
series_notes | | what limits the whole series
"""


def release_sheet(found: Iterable[Series]) -> Sheet:
    """Differences against the control: a row for each series and pull."""
    rows = tuple(_release_row(series, row) for series in found for row in series.rows)
    about = "One row for each nutrient, treatment and pull: treated beds against control beds."
    return Sheet("net_release.csv", about, columns(_RELEASE), rows)


def _head(series: Series) -> tuple[Cell, ...]:
    one = series
    return (one.analyte, one.method, one.basis, one.lab, one.unit, one.treatment)


def _release_row(series: Series, row: Row) -> tuple[Cell, ...]:
    found = row.difference
    plain, net = found.against_control, found.from_amendment
    corrected: tuple[Cell, ...] = (None, None, None, None, None, "")
    if net is not None:
        # Before application there is no amendment in the bed that could thin the soil.
        share = 0.0 if found.day < 0 else series.dilution
        corrected = (share, net.value, net.low, net.high, net.df, net.reason)
    return (
        *_head(series),
        series.title,
        row.name,
        row.first,
        row.last,
        float(found.day),
        found.treated_mean,
        found.control_mean,
        plain.value,
        plain.low,
        plain.high,
        plain.df,
        plain.reason,
        *corrected,
        found.treated_beds,
        found.control_beds,
        found.censored,
        found.method,
        found.note,
        "; ".join(series.notes),
    )


_FITS = f"""
{_SERIES.strip()}
shape | | the curve, which starts at D0: see "How to read the curves"
fitted | | yes, or no: then refused and reason say why
refused | | short name of the refusal
chosen | | yes: the shape that describes the series
why | | why it was or was not chosen
printed | | what of the chosen shape may be quoted, and why not more; empty for other shapes
criterion | | how the shapes were judged; empty: nothing to judge
criterion_value | | chi2 + 2p or AICc, the least being best; empty: none
checked | | the first check that failed, or that none did: read it before the numbers
sound | | no: a check failed, and the numbers are not to be quoted as constants
failed_checks | | every check that failed, in words
dilution_corrected | | yes: fitted to T - (1 - f) C; no: to T - C
pulls | | how many pulls it was fitted to
last_day | days | the last of them: no constant holds without the length of its trial
df | | degrees of freedom left
residual_sd | as in unit | standard deviation of the residuals
rss | as in unit, squared | residual sum of squares
symbol | | D0, a, A, k, t0, m, A1, k1, A2, k2, t1/2
parameter | | the same in a word
value | see parameter_unit | the estimate, of the beds and pulls of its range; empty: none
through_all_pulls | see parameter_unit | the constant of the drawn curve; empty: none
se | see parameter_unit | its asymptotic standard error, not an interval; empty: none
parameter_unit | | unit of the two values, se and the range
reason | | why it was refused, why a number cannot be given, or what kind of error se is
withheld | | why this constant is not to be quoted; empty: it may be
low | see parameter_unit | lower end of the 95 % range; empty: open or none, see reason_low
high | see parameter_unit | upper end of the 95 % range; empty: open or none, see reason_high
reason_low | | why there is no lower end
reason_high | | why there is no upper end
interval | | how the range was found, and what was left out for it
descriptive | | yes: an extractant's change, so that the shape describes and explains nothing
"""


def fits_sheet(found: Iterable[Series]) -> Sheet:
    """Every candidate curve with its parameters, and every refusal by name."""
    rows = tuple(row for series in found for one in series.fits for row in _fit_rows(series, one))
    about = "One row for each parameter of each fitted curve, or for each curve refused."
    return Sheet("fits.csv", about, columns(_FITS), rows)


def _fit_rows(series: Series, one: Fit | Refusal) -> Iterator[tuple[Cell, ...]]:
    from logbook.analysis.fits import Refusal

    corrected, last = series.points.corrected, constants.length(series)
    descriptive = series.descriptive
    head = (*_head(series), one.shape)
    judged = _judged(series, one.shape)
    if isinstance(one, Refusal):
        size = (corrected, len(series.points.days), last, None, None, None)
        blank = ("", "", None, None, None, "", one.reason, "", None, None, "", "", "")
        gone = (False, one.name, *judged, "", None, "", *size, *blank)
        yield (*head, *gone, descriptive)
        return
    failed = "; ".join(check.text for check in one.checks if not check.passed)
    checked = (True, "", *judged, one.verdict, one.sound, failed)
    made = (corrected, one.n, last, one.df, one.residual_sd, one.rss)
    ranges = {} if series.fitted is None else series.fitted.ranges_of(one)
    for parameter in one.parameters + one.derived:
        between = ranges.get(parameter.symbol)
        told = _parameter(parameter, series.unit, between)
        hidden = constants.withheld(series, one, parameter.symbol)
        yield (*head, *checked, *made, *told, hidden, *_range(parameter, between), descriptive)


def _judged(series: Series, shape: str) -> tuple[Cell, ...]:
    """chosen, why, printed, criterion, criterion_value."""
    choice = None if series.fitted is None else series.fitted.choice
    one = None if choice is None else next(c for c in choice.candidates if c.shape == shape)
    if choice is None or one is None:
        return (False, "", "", "", None)
    told = (choice.printed.value, choice.sentence) if one.chosen else ()
    printed = "; ".join(part for part in told if part)
    return (one.chosen, one.why, printed, choice.criterion, one.criterion)


def _parameter(one: Parameter, unit: str, found: Interval | None) -> tuple[Cell, ...]:
    named = one.unit.replace("value", unit, 1)
    value = constants.value_of(one, found)
    return (one.symbol, one.word, value, one.value, one.se, named, one.reason)


def _range(one: Parameter, found: Interval | None) -> tuple[Cell, ...]:
    """low, high, reason_low, reason_high, interval."""
    if found is None:
        missing = constants.FITTED_START if one.symbol == "D0" else constants.NO_RANGE
        return (None, None, missing, missing, "")
    return (found.low, found.high, found.reason_low, found.reason_high, found.method)


_CURVES = f"""
{_SERIES.strip()}
shape | | the curve's name
sound | | no: a check of the fit failed
drawn | | yes: the curve that the figure shows, the shape chosen
dilution_corrected | | yes: the curve follows T - (1 - f) C; no: T - C
day | days | days since application, to the last pull fitted and never beyond
value | as in unit | the fitted curve on that day, D0 included
low | as in unit | lower edge of the 95 % band of the curve drawn, each day by itself; empty: none
high | as in unit | upper edge, as low
band | | how the band was made, or why there is none
"""


def curves_sheet(found: Iterable[Series]) -> Sheet:
    """Fitted curves on a daily grid from day 0 to the last pull that they were fitted to."""
    rows = tuple(row for series in found for row in _curve_rows(series))
    about = "One row for each fitted curve and day."
    return Sheet("curves.csv", about, columns(_CURVES), rows)


def _curve_rows(series: Series) -> Iterator[tuple[Cell, ...]]:
    from logbook.analysis.fits import Fit

    if not series.points.days:
        return
    days = _grid(max(series.points.days))
    drawn = marks.drawn_fit(series)
    band = marks.band(series, days)
    for one in series.fits:
        if isinstance(one, Fit):
            mine = drawn is not None and one.shape == drawn.shape
            head = (*_head(series), one.shape, one.sound, mine, series.points.corrected)
            edges = _edges(band if mine else None)
            for day, value in zip(days, one.at(days), strict=True):
                yield (*head, day, float(value), *edges.get(day, (None, None, _no_band(mine))))


def _no_band(drawn: bool) -> str:
    return "no beds" if drawn else "not the curve drawn"


def _edges(band: Band | None) -> dict[float, tuple[Cell, ...]]:
    """low, high and how they were made, by day."""
    if band is None:
        return {}
    if band.low is None or band.high is None:
        return dict.fromkeys(band.days, (None, None, band.reason))
    edges = zip(band.days, band.low, band.high, strict=True)
    return {day: (low, high, band.method) for day, low, high in edges}


def _grid(last: float) -> list[float]:
    """Whole days from 0, and the last pull's own day."""
    whole = [float(day) for day in range(math.floor(last) + 1)]
    return whole if whole and whole[-1] == last else [*whole, last]
