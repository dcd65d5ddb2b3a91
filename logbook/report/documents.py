"""Content as plain documents for JSON: stable names, numbers as numbers, ISO dates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.study import RATE_INTERVAL, Row, Series

if TYPE_CHECKING:
    from logbook.analysis.fits import Fit, Parameter, Refusal
    from logbook.analysis.series import Contrast


def series_document(series: Series) -> dict[str, Any]:
    """A series with its differences and fits; a missing number is null, with its reason."""
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
        "fits": [_fit(one) for one in series.fits],
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


def _fit(one: Fit | Refusal) -> dict[str, Any]:
    from logbook.analysis.fits import Fit

    if not isinstance(one, Fit):
        return {"shape": one.shape, "refused": one.name, "reason": one.reason}
    return {
        "shape": one.shape,
        "free_start": one.free_start,
        "parameters": [_parameter(p) for p in one.parameters],
        "derived": [_parameter(p) for p in one.derived],
        "rate_interval": RATE_INTERVAL,
        "rss": one.rss,
        "residual_sd": one.residual_sd,
        "df": one.df,
        "n": one.n,
        "checks": [
            {
                "name": check.name,
                "statistic": check.statistic,
                "threshold": check.threshold,
                "passed": check.passed,
                "text": check.text,
            }
            for check in one.checks
        ],
        "verdict": one.verdict,
    }


def _parameter(one: Parameter) -> dict[str, Any]:
    return {
        "symbol": one.symbol,
        "name": one.word,
        "value": one.value,
        "standard_error": one.se,
        "unit": one.unit,
        "reason": one.reason,
    }
