"""The computed tables of an export: differences date by date, fits, and fitted curves by day."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from logbook.report import marks
from logbook.report.sheets import Cell, Sheet, columns
from logbook.study import RATE_INTERVAL, Row, Series

if TYPE_CHECKING:
    from logbook.analysis.fits import Fit, Parameter, Refusal

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
shape | | the curve: zero order a t, first order A (1 - e^(-k t)), each above its start D0
fitted | | yes, or no: then refused and reason say why
refused | | short name of the refusal
verdict | | the first check that failed, or that none did: read it before the numbers
sound | | no: a check failed, and the numbers are not to be quoted as constants
failed_checks | | every check that failed, in words
dilution_corrected | | yes: fitted to T - (1 - f) C; no: to T - C
pulls | | how many pulls it was fitted to
df | | degrees of freedom left
residual_sd | as in unit | standard deviation of the residuals
rss | as in unit, squared | residual sum of squares
symbol | | D0, a, A, k, t1/2
parameter | | the same in a word
value | see parameter_unit | the estimate; empty: it cannot be given
se | see parameter_unit | asymptotic standard error, not an interval; empty: it cannot be given
parameter_unit | | unit of value and se
reason | | why it was refused, why a number cannot be given, or what kind of error se is
interval | | of the rate
descriptive | | yes: an extractant's change, so that the shape describes and explains nothing
"""


def fits_sheet(found: Iterable[Series]) -> Sheet:
    """Every candidate curve with its parameters, and every refusal by name."""
    rows = tuple(row for series in found for one in series.fits for row in _fit_rows(series, one))
    about = "One row for each parameter of each fitted curve, or for each curve refused."
    return Sheet("fits.csv", about, columns(_FITS), rows)


def _fit_rows(series: Series, one: Fit | Refusal) -> Iterator[tuple[Cell, ...]]:
    from logbook.analysis.fits import Refusal

    head = _head(series)
    corrected = series.points.corrected
    if isinstance(one, Refusal):
        gone: tuple[Cell, ...] = ("", None, "", corrected, len(series.points.days), *[None] * 3)
        blank = ("", "", None, None, "", one.reason, "", series.descriptive)
        yield (*head, one.shape, False, one.name, *gone, *blank)
        return
    failed = "; ".join(check.text for check in one.checks if not check.passed)
    checked = (True, "", one.verdict, one.sound, failed)
    size = (corrected, one.n, one.df, one.residual_sd, one.rss)
    for parameter in one.parameters + one.derived:
        tail = (*_parameter(parameter, series.unit), RATE_INTERVAL, series.descriptive)
        yield (*head, one.shape, *checked, *size, *tail)


def _parameter(one: Parameter, unit: str) -> tuple[Cell, ...]:
    named = one.unit.replace("value", unit, 1)
    return (one.symbol, one.word, one.value, one.se, named, one.reason)


_CURVES = f"""
{_SERIES.strip()}
shape | | the curve's name
sound | | no: a check of the fit failed
drawn | | yes: the curve that the figure shows
dilution_corrected | | yes: the curve follows T - (1 - f) C; no: T - C
day | days | days since application, to the last pull fitted and never beyond
value | as in unit | the fitted curve on that day, D0 included
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
    for one in series.fits:
        if isinstance(one, Fit):
            head = (*_head(series), one.shape, one.sound, one is drawn, series.points.corrected)
            for day, value in zip(days, one.at(days), strict=True):
                yield (*head, day, float(value))


def _grid(last: float) -> list[float]:
    """Whole days from 0, and the last pull's own day."""
    whole = [float(day) for day in range(math.floor(last) + 1)]
    return whole if whole and whole[-1] == last else [*whole, last]
