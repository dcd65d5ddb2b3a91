"""A comparison as a plain document for JSON: stable names, numbers as numbers, ISO dates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.report import every_date
from logbook.report.compared import head
from logbook.report.documents import row_document

if TYPE_CHECKING:
    from logbook.analysis.repeated import OnDate, Season
    from logbook.analysis.several import Family
    from logbook.analysis.several import Line as FamilyLine
    from logbook.study.comparison import Comparison, Line
    from logbook.study.every_date import EveryDate, Nutrient
    from logbook.study.every_date import Line as SeasonLine
    from logbook.study.tested import Tested


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """One date of all series; a missing number is null, with its reason."""
    return {
        "trial": comparison.trial,
        "pull": comparison.pull,
        "first_date": comparison.first.isoformat(),
        "last_date": comparison.last.isoformat(),
        "randomised": comparison.randomised,
        "declared_endpoint": {"nutrient": comparison.endpoint, "day": comparison.endpoint_day},
        "about": head(comparison),
        "differences": [_line(line) for line in comparison.lines],
        "possibly_salt": list(comparison.salt),
        "missing": list(comparison.missing),
        "flagged_left_out": comparison.flagged_left_out,
        "notes": list(comparison.notes),
    }


def _line(line: Line) -> dict[str, Any]:
    series, ratio = line.series, line.ratio
    return {
        "nutrient": series.analyte,
        "unit": series.unit,
        "method": series.method,
        "basis": series.basis,
        "laboratory": series.lab,
        "treatment": series.treatment,
        "treatment_name": series.treatment_name,
        "declared": line.declared,
        "finding": line.finding,
        "sentence": line.sentence,
        **row_document(line.row),
        "ratio": {
            "value": ratio.value,
            "low": ratio.low,
            "high": ratio.high,
            "df": ratio.df,
            "interval_method": ratio.method,
            "reason": ratio.reason,
        },
        "test": None if line.test is None else _test(line.test),
    }


def _test(test: Tested) -> dict[str, Any]:
    """A line's place among all treatments of the date; null, with the reason, without a test."""
    line = test.line
    return {
        **family_document(test.family),
        **family_line(line),
        "exploratory_p": test.p_exploratory,
        "exploratory_tests": test.tests,
        "finding": test.finding,
        "sentence": test.sentence,
        "note": test.note,
    }


def family_document(family: Family) -> dict[str, Any]:
    """What a family of tests shares."""
    return {
        "family_method": family.method,
        "why": family.why,
        "scale": family.scale,
        "error_mean_square": family.ms,
        "error_df": family.df,
        "critical_value": family.critical,
        "blocks_taken_out": family.blocks,
        "family_control_beds": family.control_beds,
        "family_treatments": [line.treatment for line in family.lines],
        "spread_stands_out_p": family.unequal_p,
    }


def family_line(line: FamilyLine) -> dict[str, Any]:
    """One treatment of a family: its estimate, statistic, p values and simultaneous range."""
    return {
        "treatment": line.treatment,
        "beds": line.beds,
        "estimate": line.estimate,
        "simultaneous_low": line.low,
        "simultaneous_high": line.high,
        "t": line.t,
        "df": line.df,
        "unadjusted_p": line.p_alone,
        "adjusted_p": line.p,
        "reason": line.reason,
    }


def every_date_document(found: EveryDate) -> dict[str, Any]:
    """Means over the dates of all nutrients; a missing number is null, with its reason."""
    return {
        "trial": found.trial,
        "randomised": found.randomised,
        "declared_endpoint": {"nutrient": found.endpoint, "day": found.endpoint_day},
        "about": every_date.head(found),
        "nutrients": [_nutrient(one) for one in found.nutrients],
        "flagged_left_out": found.flagged_left_out,
    }


def _nutrient(one: Nutrient) -> dict[str, Any]:
    analyte, method, basis, lab, unit = one.kind
    season = one.season
    return {
        "nutrient": analyte,
        "unit": unit,
        "method": method,
        "basis": basis,
        "laboratory": lab,
        "dates": list(one.dates),
        "left_out": list(one.outside),
        "variance_method": None if season is None else season.method,
        "variance_why": one.reason if season is None else season.why,
        "mean_square_between_beds": None if season is None else season.ms_bed,
        "df_between_beds": None if season is None else season.df_bed,
        "mean_square_within_beds": None if season is None else season.ms_error,
        "df_within_beds": None if season is None else season.df_error,
        "family": None if season is None else family_document(season.means),
        "treatment_by_date": _interaction(season),
        "treatments": [_season_line(one, line) for line in one.lines],
        "reason": one.reason,
    }


def _interaction(season: Season | None) -> dict[str, Any] | None:
    if season is None or season.interaction is None:
        return None
    one = season.interaction
    return {"f": one.f, "df": one.df, "error_df": one.error_df, "p": one.p}


def _season_line(nutrient: Nutrient, line: SeasonLine) -> dict[str, Any]:
    season, code = nutrient.season, line.series.treatment
    means = [] if season is None else [o for o in season.means.lines if o.treatment == code]
    dates = [] if season is None else [o for o in season.on_dates if o.treatment == code]
    return {
        "treatment": code,
        "treatment_name": line.series.treatment_name,
        "finding": line.finding,
        "sentence": line.sentence,
        "mean_over_dates": family_line(means[0]) if means else None,
        "on_dates": [_on_date(one, line) for one in dates],
        "area": _area(line),
    }


def _on_date(one: OnDate, line: SeasonLine) -> dict[str, Any]:
    """One date by the spread of all dates, and what its own test says among all of them."""
    test = dict(line.on_dates).get(one.date)
    return {
        "pull": one.date,
        "estimate": one.estimate,
        "low": one.low,
        "high": one.high,
        "df": one.df,
        "reason": one.reason,
        "finding": "" if test is None else test.finding,
        "adjusted_p": None if test is None else test.p,
        "exploratory_p": None if test is None else test.p_exploratory,
        "exploratory_tests": 0 if test is None else test.tests,
    }


def _area(line: SeasonLine) -> dict[str, Any] | None:
    """The area under T - C, in the unit times days; None for what was not declared."""
    one = line.area
    if one is None:
        return None
    return {
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "unit": f"{line.series.unit} x d",
        "df": one.df,
        "interval_method": one.method,
        "reason_low": one.reason_low,
        "reason_high": one.reason_high,
    }
