"""A comparison as a plain document for JSON: stable names, numbers as numbers, ISO dates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.report.compared import head
from logbook.report.documents import row_document

if TYPE_CHECKING:
    from logbook.study.comparison import Comparison, Line


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
    }
