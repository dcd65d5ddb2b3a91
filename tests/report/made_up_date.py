"""Made-up comparisons of one date for the tests of screens and figures: all of it invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from logbook.analysis.ratios import ratio_of, why_no_share
from logbook.analysis.series import Observation, differences, points_for_fit
from logbook.study.comparison import NO_CONCENTRATION, Comparison, Line, words_of
from logbook.study.series import Row, Series
from logbook.trial.chemistry import ANALYTES

WHEN = date(2026, 3, 30)
Beds = tuple[float | None, ...]


def line(
    analyte: str,
    treated: Beds,
    control: Beds,
    *,
    treatment: str = "T1",
    name: str = "made-up compost",
    method: str = "Mehlich-3",
    limit: float | None = None,
    declared: bool = False,
) -> Line:
    """One nutrient on day 28 from its beds, block by block; None is a result below `limit`."""
    observations = [
        Observation(28.0, f"{side}{block}", str(block), side == "T", value, *_bounds(value, limit))
        for side, values in (("T", treated), ("C", control))
        for block, value in enumerate(values, 1)
    ]
    found = differences(observations, None)
    row = Row("day 28", WHEN, WHEN, found[0], tuple(observations))
    series = Series(
        trial="made-up trial",
        analyte=analyte,
        unit=ANALYTES[analyte].unit,
        method=method,
        basis="dry",
        lab="made-up laboratory",
        treatment=treatment,
        treatment_name=name,
        dilution=None,
        rows=(row,),
        points=points_for_fit(found),
        fits=(),
        notes=(),
    )
    known = limit if limit is not None and limit > 0.0 else None
    ratio = ratio_of(observations, known)
    no_level = why_no_share(observations, known)
    if analyte in ("pH", "EC"):
        ratio, no_level = replace(ratio, value=None, reason=NO_CONCENTRATION), NO_CONCENTRATION
    level = None if no_level else found[0].control_mean
    return Line(series, row, ratio, level, no_level, declared, *words_of(series, row))


def _bounds(value: float | None, limit: float | None) -> tuple[float | None, float | None]:
    """ "< limit", or with a negative limit "> limit"."""
    if value is not None or limit is None:
        return (None, None)
    return (0.0, limit) if limit >= 0 else (-limit, None)


def comparison(*lines: Line, randomised: bool = True, salt: tuple[str, ...] = ()) -> Comparison:
    """Lines as a comparison whose endpoint is mineral-N on day 28."""
    return Comparison(
        trial="made-up trial",
        pull="day 28",
        first=WHEN,
        last=WHEN,
        randomised=randomised,
        endpoint="mineral-N",
        endpoint_day=28,
        lines=lines,
        salt=salt,
        missing=(),
        notes=(),
    )


def with_outliers() -> Comparison:
    """A gain of 2,000 %, a loss of 90 %, and gains of a few per cent between them."""
    control = (10.0, 11.0, 9.0, 10.0)
    return comparison(
        line("mineral-N", (210.0, 230.0, 200.0, 200.0), control, declared=True, method="1 M KCl"),
        line("P", (1.0, 1.1, 0.9, 1.0), control),
        line("K", (10.5, 11.2, 9.4, 10.3), control),
        line("Zn", (None, None, None, None), control, limit=0.5),
        line("Cu", (3.0, 2.0, 2.5, 4.0), (None, 0.6, 0.7, 0.5), limit=0.5),
        line("pH", (6.1, 6.2, 6.0, 6.1), (6.5, 6.5, 6.3, 6.6), method="water 1:1"),
        line("EC", (0.9, 1.1, 1.0, 1.2), (0.2, 0.3, 0.2, 0.3), method="water 1:5"),
        line("mineral-N", (12.0, 13.5, 9.5, 11.0), control, treatment="T2", method="1 M KCl"),
    )


def one_bed() -> Comparison:
    """One treated and one control bed."""
    return comparison(line("P", (14.0,), (10.0,)), line("pH", (6.4,), (6.1,)))


def huge() -> Comparison:
    """A control of almost nothing beside a treated bed of a lot."""
    return comparison(line("P", (4e6, 5e6, 6e6), (0.001, 0.002, 0.001)), line("K", (9, 8), (9, 9)))


def open_ended() -> Comparison:
    """A result beyond the method's range, and both sides below their limit."""
    above = line("K", (60.0, 70.0), (20.0, 21.0))
    one = replace(above.row.difference.against_control, value=None, high=None, reason="beyond")
    difference = replace(above.row.difference, against_control=one, method="bounds")
    above = replace(above, row=replace(above.row, difference=difference))
    return comparison(above, line("B", (None, None), (None, None), limit=0.2))


def alone(analyte: str = "EC") -> Comparison:
    """A single nutrient, and no concentration among it."""
    return comparison(line(analyte, (0.9, 1.1), (0.2, 0.3)))


def beyond() -> Comparison:
    """A treated bed above the method's range of 80."""
    return comparison(line("K", (70.0, None), (20.0, 21.0), limit=-80.0))


def extremes() -> Comparison:
    """Thirteen nutrients, three treatments, long names; values of fifty times their range."""
    control = (10.0, 11.0, 9.0, 10.0)
    long = "a compost of a long name, from a heap far away, screened twice and stored under cover"
    found = []
    for code, name in (("T1", "made-up"), ("VERYLONGCODE1234", long), ("T3", "made-up too")):
        kinds = (
            ("mineral-N", _times(21, control), control, "1 M KCl + 2 M KCl, chilled", None),
            ("P", _times(340, control), _times(3, control), "Mehlich-3", None),
            ("K", _times(3, control), control, "Mehlich-3", None),
            ("Ca", _times(0.1, control), _times(100, control), "Mehlich-3", None),
            ("Mg", (5.0, 50.0, 120.0, 1.0), _times(12.5, control), "Mehlich-3", None),
            ("Fe", _times(50, control), control, "DTPA", None),
            ("Zn", (None,) * 4, _times(0.08, control), "Mehlich-3", 0.5),
            ("B", (None,) * 4, (None,) * 4, "Mehlich-3", 0.2),
            ("Cu", (60.0, 61.0, 63.0, 66.0), (None, 0.6, 0.7, 0.5), "Mehlich-3", 0.5),
            ("Mn", _times(2.6, control), control, "Mehlich-3", None),
            ("sulfate-S", _times(2000, control), control, "monocalcium phosphate, filtered", None),
            ("pH", (6.1, 6.2, 6.0, 6.1), (6.5, 6.5, 6.3, 6.6), "water 1:1", None),
            ("EC", (9.0, 11.0, 10.0, 12.0), (0.2, 0.3, 0.2, 0.3), "saturated paste", None),
        )
        found += [
            line(what, treated, untreated, treatment=code, name=name, method=method, limit=limit,
                 declared=what == "mineral-N")
            for what, treated, untreated, method, limit in kinds
        ]  # fmt: skip
    return comparison(*found)


def _times(factor: float, values: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(factor * value for value in values)
