"""Content as plain documents for JSON: stable names, numbers as numbers, ISO dates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.report import documents_fitted
from logbook.report.constants import NOTHING_ASKED, Asked
from logbook.study.series import Row, Series

if TYPE_CHECKING:
    from logbook.analysis.series import Contrast


def series_document(series: Series, asked: Asked = NOTHING_ASKED) -> dict[str, Any]:
    """A series with its differences and fits; a missing number is null, with its reason.

    The schema is docs/schema/curve.json.
    """
    return {
        "trial": series.trial,
        "nutrient": series.analyte,
        "unit": series.unit,
        "method": series.method,
        "basis": series.basis,
        "laboratory": series.lab,
        "treatment": series.treatment,
        "treatment_name": series.treatment_name,
        "dilution": series.dilution,
        "pulls": [row_document(row) for row in series.rows],
        "fitted_to": {
            "days": list(series.points.days),
            "values": list(series.points.values),
            "dilution_corrected": series.points.corrected,
        },
        **documents_fitted.fitted_document(series, asked),
        "flagged_left_out": series.flagged_left_out,
        "notes": list(series.notes),
    }


def row_document(row: Row) -> dict[str, Any]:
    """One pull of a series: means, differences and how their intervals were made."""
    found = row.difference
    corrected = found.from_amendment
    return {
        "pull": row.name,
        "day": found.day,
        "first_date": row.first and row.first.isoformat(),
        "last_date": row.last and row.last.isoformat(),
        "treated": found.treated_mean,
        "control": found.control_mean,
        "treated_beds": found.treated_beds,
        "control_beds": found.control_beds,
        "censored": found.censored,
        "interval_method": found.method,
        "difference": _contrast(found.against_control),
        "dilution_corrected_difference": None if corrected is None else _contrast(corrected),
        "planted": list(row.planted),
        "note": found.note,
    }


def _contrast(one: Contrast) -> dict[str, Any]:
    return {
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "df": one.df,
        "reason": one.reason,
    }
