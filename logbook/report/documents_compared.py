"""A comparison as a plain document for JSON: stable names, numbers as numbers, ISO dates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.report.compared import head
from logbook.report.documents import row_document

if TYPE_CHECKING:
    from logbook.analysis.several import Family
    from logbook.analysis.several import Line as FamilyLine
    from logbook.study.comparison import Comparison, Line
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
