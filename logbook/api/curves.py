"""The curve of one nutrient of one treatment, as a notebook shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from numpy.typing import ArrayLike

from logbook.analysis.below import NOT_SHOWN, Below
from logbook.analysis.choice import Choice, Printed
from logbook.analysis.intervals import Interval
from logbook.api import shown
from logbook.api.fits import Fits, Floats, floats, ranges_of, reach, sentences, span, told
from logbook.api.frames import NET_RELEASE, ON_DAYS, frame
from logbook.study.deeper import words
from logbook.study.series import Row, Series
from logbook.trial.times import age_text, days_text

_NO_PULLS = "no pull has a difference that a curve could be fitted to"
_NO_BEDS = "no curve, or no beds that are known by day"
_DESCRIPTIVE = "The shape is descriptive: it follows an extractant's answer, not a release."
_NO_RELEASE = "no release is claimed of it: differences only"


@dataclass(frozen=True, repr=False, eq=False)
class Curve:
    """One nutrient of one treatment against the control: differences by pull, fits, intervals.

    `series` holds all there is; the properties are what a notebook wants of it. `print(curve)`
    says what was found, in sentences.
    """

    series: Series

    @property
    def title(self) -> str:
        """What the curve is: net release, change in extractable ..., or only a difference."""
        return self.series.title

    @property
    def nutrient(self) -> str:
        """What was measured."""
        return self.series.analyte

    @property
    def treatment(self) -> str:
        """The treatment's code."""
        return self.series.treatment

    @property
    def unit(self) -> str:
        """The unit of every value and difference."""
        return self.series.unit

    @property
    def notes(self) -> tuple[str, ...]:
        """What limits the curve, a sentence each: to be read before its numbers."""
        return self.series.notes

    @property
    def net_release(self) -> pd.DataFrame:
        """A row for each pull: `columns("net_release")`."""
        return release_frame([self.series])

    @cached_property
    def fits(self) -> Fits:
        """Every shape fitted or refused, the choice, and the intervals of its constants.

        Where nothing may be fitted (pH, no pull yet) there is no shape, and the choice says why.
        """
        one, fitted = self.series, self.series.fitted
        if fitted is None:
            why = _NO_RELEASE if one.points.days else _NO_PULLS
            none = Choice((), "", None, Printed.NOTHING, why, None)
            return Fits((), none, one.points.days, one.points.values, unit=one.unit)
        return Fits(
            one.fits,
            fitted.choice,
            one.points.days,
            one.points.values,
            fitted.constants,
            one.unit,
            ranges_of(fitted, one.fits),
        )

    @property
    def area(self) -> Interval | None:
        """Area under the difference from the first pull to the last, unit times days."""
        return None if self.series.fitted is None else self.series.fitted.area

    @property
    def below(self) -> Below | None:
        """What the pulls show of mineral N below the control; None for other nutrients."""
        return None if self.series.fitted is None else self.series.fitted.below

    def at(self, days: ArrayLike) -> Floats:
        """Values of the chosen curve on days up to the last pull; see `Fits.at`."""
        return self.fits.at(days)

    def on(self, days: ArrayLike) -> pd.DataFrame:
        """The difference on days between the pulls, with its range between beds.

        A row for each day: `columns("on_days")`. Between two pulls it is that of the straight line
        which joins them. What cannot be given is NaN, with its reason.
        """
        fitted = self.series.fitted
        return self._on(days, None if fitted is None else fitted.at_day)

    def released_by(self, days: ArrayLike) -> pd.DataFrame:
        """What came from day 0 to each of these days, with its range: rows as from `on`."""
        fitted = self.series.fitted
        return self._on(days, None if fitted is None else fitted.released_by)

    def _on(
        self, days: ArrayLike, interval: Callable[[float], Interval | None] | None
    ) -> pd.DataFrame:
        rows = []
        for day in floats("day", days).tolist():
            one = None if interval is None else interval(day)
            if one is None:
                rows.append((day, *[None] * 4, self.unit, "none", _NO_BEDS, _NO_BEDS))
                continue
            numbers = (one.value, one.low, one.high, one.df)
            rows.append((day, *numbers, self.unit, one.method, one.reason_low, one.reason_high))
        return frame(ON_DAYS, rows)

    def __repr__(self) -> str:
        pulls = len(self.series.rows)
        chosen = self.fits.chosen
        shape = "no curve" if chosen is None else chosen.label or chosen.shape
        return shown.lines(
            f"<Curve {self.nutrient} of {self.treatment}: {pulls} pulls, {self.unit}, {shape}>"
        )

    def __str__(self) -> str:
        return shown.lines(self._heading(), *self._said(), *self._noted())

    def _repr_html_(self) -> str:
        notes = [*self._said(), *self._noted()]
        return shown.page(self._heading(), notes, self.net_release[_SHOWN], self.fits.table)

    def _heading(self) -> str:
        one = self.series
        made = ", ".join(part for part in (one.method, one.lab, one.unit, one.basis) if part)
        return f"{one.title}: {one.treatment} ({one.treatment_name}); {made}"

    def _said(self) -> list[str]:
        said = sentences(self.fits)
        if self.fits.chosen is None:
            said += told(self.fits)
        if self.series.descriptive and self.fits.chosen is not None:
            said.append(_DESCRIPTIVE)
        if self.area is not None and self.area.value is not None:
            number = shown.number(self.area.value)
            said.append(f"Area under it: {number} {self.unit} days, 95 % range {span(self.area)}.")
            said += [limit for limit in reach([self.area]) if limit not in said]
        if self.below is not None:
            said += _below_control(self.below, self.unit)
            deeper = words(self.series, shown.number)
            said += [f"{deeper[:1].upper()}{deeper[1:]}."] * bool(deeper)
        return said

    def _noted(self) -> Iterator[str]:
        yield from (f"Note: {note}." for note in self.notes)


_SHOWN = ["pull", "day", "treated", "control", "difference", "low", "high"]
_SHOWN += ["corrected", "corrected_low", "corrected_high", "interval_method"]


def _below_control(found: Below, unit: str) -> Iterator[str]:
    """Mineral N below control: how deep, when, and when it was level again."""
    if not found.shown or found.depth is None:
        why = "not shown" if found.reason == NOT_SHOWN else found.reason
        yield f"Below control: {why}."
        return
    depth = f"{shown.number(found.depth.value)} {unit}, 95 % range {span(found.depth)}"
    deepest = age_text(found.trough_day or 0.0)
    yield f"Below control on {days_text(found.days_below)}; deepest on day {deepest}: {depth}."
    level = found.level
    if level is not None and level.value is not None:
        yield f"Level with control again on day {level.value:.3g}, 95 % range {span(level)}."
    elif level is not None:
        yield f"Level with control again: {level.reason_high or level.reason_low}."


def release_frame(found: Iterable[Series]) -> pd.DataFrame:
    """Differences against the control: a row for each series and pull."""
    return frame(NET_RELEASE, (release_row(one, row) for one in found for row in one.rows))


def release_row(series: Series, row: Row) -> tuple[Any, ...]:
    """One pull of a series as a row of NET_RELEASE."""
    net = row.difference.from_amendment
    corrected: tuple[Any, ...] = (None, None, None, None, None, "")
    if net is not None:
        # Before application there is no amendment in the bed that could thin the soil.
        share = 0.0 if row.difference.day < 0 else series.dilution
        corrected = (share, net.value, net.low, net.high, net.df, net.reason)
    note = "; ".join(part for part in (row.difference.note, *row.notes) if part)
    return (
        *difference_cells(series, row),
        *corrected,
        *bed_cells(row),
        ", ".join(row.planted),
        *made_cells(series),
        series.title,
        note,
    )


def difference_cells(series: Series, row: Row) -> tuple[Any, ...]:
    """Which pull of which series, and T - C."""
    found = row.difference
    plain = found.against_control
    return (
        series.analyte,
        series.treatment,
        row.name,
        row.first,
        row.last,
        found.day,
        found.treated_mean,
        found.control_mean,
        plain.value,
        plain.low,
        plain.high,
        plain.df,
        plain.reason,
    )


def bed_cells(row: Row) -> tuple[Any, ...]:
    """How many beds stand behind a difference, and how its interval was made."""
    found = row.difference
    return (found.treated_beds, found.control_beds, found.censored, found.method)


def made_cells(series: Series) -> tuple[Any, ...]:
    """Unit, method, basis and laboratory."""
    return (series.unit, series.method, series.basis, series.lab)
