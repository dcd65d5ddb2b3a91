"""Made-up series for the tests of screens and figures: every name and number is invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from logbook.analysis.fits import Fit, Refusal
from logbook.analysis.series import Difference, Observation, differences
from logbook.study.fitted import Declared, fit, points_of
from logbook.study.series import Row, Series

START = date(2026, 3, 2)
UNDECLARED = Declared()
BEDS = ("1", "2", "3", "4")


def observation(
    day: float, bed: str, treated: bool, value: float | None, high: float | None = None
) -> Observation:
    """A result of a bed in the block of its number; a censored one lies between 0 and `high`."""
    name = f"{'T' if treated else 'C'}{bed}"
    return Observation(day, name, bed, treated, value, 0.0 if value is None else None, high)


def spread(mean: float, bed: str, day: float) -> float:
    """The value of one bed: the mean and a fixed few per cent, different for each bed and day."""
    return mean * (1.0 + 0.03 * ((int(bed) * 7 + int(day) * 3) % 5 - 2))


def series(
    observations: Sequence[Observation],
    *,
    dilution: float | None = 0.08,
    treatment: str = "T1",
    name: str = "made-up compost",
    analyte: str = "mineral-N",
    notes: tuple[str, ...] = (),
    declared: Declared = UNDECLARED,
) -> Series:
    """A series from results, fitted as the program fits it."""
    rows = tuple(
        _row(difference, [one for one in observations if one.day == difference.day])
        for difference in differences(observations, dilution)
    )
    points = points_of(rows)
    fits: tuple[Fit | Refusal, ...] = ()
    fitted = None
    if points.days:
        share = dilution if points.corrected else None
        fits, fitted = fit(analyte, rows, points, share, declared)
    return Series(
        trial="made-up trial",
        analyte=analyte,
        unit="mg/kg",
        method="2 M KCl",
        basis="dry",
        lab="made-up laboratory",
        treatment=treatment,
        treatment_name=name,
        dilution=dilution,
        rows=rows,
        points=points,
        fits=fits,
        notes=notes,
        fitted=fitted,
    )


def _row(difference: Difference, observations: Sequence[Observation]) -> Row:
    day = difference.day
    when = START + timedelta(days=round(day))
    name = "before" if day < 0 else f"day {day:g}"
    return Row(name, when, when, difference, tuple(observations))


def both(
    treated: dict[float, float], control: dict[float, float], beds: Sequence[str] = BEDS
) -> list[Observation]:
    """Results of all beds, from the mean of each day and side."""
    return [
        observation(day, bed, side, spread(mean, bed, day + side))
        for side, means in ((True, treated), (False, control))
        for day, mean in means.items()
        for bed in beds
    ]


DAYS = (0.0, 3.0, 7.0, 14.0, 21.0, 28.0, 42.0, 56.0, 70.0)
CONTROL = {-0.5: 18.0} | {day: 20.0 + 0.1 * day for day in DAYS}


def release(**kept: object) -> Series:
    """Eight weeks and more of a first-order release that levels off (k = 0.05 per day)."""
    treated = {day: 22.0 + 0.1 * day + 45.0 * (1.0 - 2.718281828 ** (-0.05 * day)) for day in DAYS}
    return series(both({-0.5: 18.3} | treated, CONTROL), **kept)  # type: ignore[arg-type]


def below_control(*, still: bool = False, **kept: object) -> Series:
    """Below the control for a month, above it at the end; still: pulled no longer than that."""
    gap = (-1.0, -7.0, -13.0, -15.0, -10.0, -4.0, 5.0, 12.0, 16.0)
    treated = {day: CONTROL[day] + step for day, step in zip(DAYS, gap, strict=True)}
    if still:
        treated = {day: mean for day, mean in treated.items() if day <= 28.0}
    return series(both(treated, CONTROL), **kept)  # type: ignore[arg-type]


def rising(rate: float, ceiling: float, **kept: object) -> Series:
    """Six weeks of a slow first-order rise, which has not come far."""
    days = (0.0, 3.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0)
    control = dict.fromkeys(days, 20.0)
    treated = {day: 21.0 + ceiling * (1.0 - 2.718281828 ** (-rate * day)) for day in days}
    return series(both(treated, control), **kept)  # type: ignore[arg-type]


def at_once(**kept: object) -> Series:
    """All there on the first pull after application, and the same from then on."""
    days = (0.0, 7.0, 14.0, 21.0, 28.0, 42.0, 56.0)
    control = dict.fromkeys(days, 20.0)
    treated = {day: 22.0 + 24.0 * (day > 0.0) for day in days}
    return series(both(treated, control), **kept)  # type: ignore[arg-type]


def one_bed(**kept: object) -> Series:
    """One treated and one control bed."""
    treated = {day: 22.0 + 0.5 * day for day in DAYS}
    return series(both(treated, CONTROL, ("1",)), **kept)  # type: ignore[arg-type]


def censored(**kept: object) -> Series:
    """Results below a reporting limit of 2 on one side, then on both, then above it."""
    found = both({21.0: 9.0, 28.0: 14.0}, {21.0: 4.0, 28.0: 4.5})
    for bed in BEDS:
        found += [
            observation(7.0, bed, True, 5.0 + int(bed)),
            observation(7.0, bed, False, None, 2.0),
        ]
        found += [observation(3.0, bed, side, None, 2.0) for side in (True, False)]
    found.append(Observation(14.0, "T1", "1", True, None, 30.0, None))
    found.append(observation(14.0, "1", False, 6.0))
    found.append(observation(10.0, "1", True, 6.0))
    found.append(Observation(10.0, "C1", "1", False, None, 20.0, None))
    return series(found, **kept)  # type: ignore[arg-type]


def empty(**kept: object) -> Series:
    """No result at all."""
    return series([], **kept)  # type: ignore[arg-type]


def one_point(**kept: object) -> Series:
    """A single pull."""
    return series(both({14.0: 31.0}, {14.0: 22.0}), **kept)  # type: ignore[arg-type]


def huge(**kept: object) -> Series:
    """Values over nine orders of magnitude."""
    treated = {0.0: 0.002, 7.0: 3.0, 14.0: 5e4, 28.0: 4e6, 300.0: 8e6}
    return series(both(treated, dict.fromkeys(treated, 0.001)), **kept)  # type: ignore[arg-type]


def all_censored(**kept: object) -> Series:
    """Every result below the limit: nothing can be drawn."""
    found = [
        observation(day, bed, side, None, 2.0)
        for day in (0.0, 7.0)
        for bed in BEDS
        for side in (True, False)
    ]
    return series(found, **kept)  # type: ignore[arg-type]


def renamed(given: Series, treatment: str, name: str) -> Series:
    """The same series under another treatment's name."""
    return replace(given, treatment=treatment, treatment_name=name)
