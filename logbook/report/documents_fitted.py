"""What was fitted as plain documents for JSON: the choice, every fit, ranges with reasons."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from logbook.report import constants
from logbook.study.deeper import maybe_deeper

if TYPE_CHECKING:
    from logbook.analysis.below import Below, MakeUp
    from logbook.analysis.errors import Errors
    from logbook.analysis.fits import Check, Fit, Parameter, Refusal
    from logbook.analysis.intervals import Interval
    from logbook.report.constants import Asked
    from logbook.study.fitted import Fitted
    from logbook.study.series import Series

_NO_ERRORS = "the errors of the values are not known"
_NOT_JUDGED = "the shape took no part in the choice"


def fitted_document(series: Series, asked: Asked) -> dict[str, Any]:
    """The part of a series' document that its curve fills; nulls where nothing was fitted."""
    fitted = series.fitted
    choice = None if fitted is None else fitted.choice
    chosen = None if choice is None else choice.chosen
    return {
        "descriptive": series.descriptive,
        "criterion": None if choice is None else choice.criterion,
        "candidates": [] if choice is None else [vars(one) for one in choice.candidates],
        "chosen": None if chosen is None else chosen.shape,
        "label": "" if chosen is None else constants.label(series, chosen),
        "printed": "nothing" if choice is None else choice.printed.value,
        "sentence": constants.no_curve(series) if choice is None else choice.sentence,
        "fits": [_fit(series, one) for one in series.fits],
        "errors": None if fitted is None else _errors(fitted.errors, series),
        "area": _area(series),
        "at_days": [
            {
                "day": one.day,
                "why": one.why or "asked for",
                "net": interval_document(one.net, series.unit),
                "released": interval_document(one.released, series.unit),
            }
            for one in constants.on_days(series, asked)
        ],
        "losses": _losses(*asked.bound(series)),
        "below_control": None if fitted is None else _below(series, fitted.below, asked),
        "make_up": None if fitted is None else _make_up(fitted.make_up, series.unit),
    }


def interval_document(one: Interval, unit: str) -> dict[str, Any]:
    """An estimate with its 95 % range; an open end is null, with its reason."""
    return {
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "reason_low": one.reason_low,
        "reason_high": one.reason_high,
        "unit": unit,
        "interval_method": one.method,
        "df": _finite(one.df),
    }


def _finite(number: float | None) -> float | None:
    """JSON has no infinity: null, as for a number that there is not."""
    return number if number is not None and math.isfinite(number) else None


def _errors(errors: Errors | None, series: Series) -> dict[str, Any] | None:
    if errors is None:
        return None
    return {
        "words": errors.words,
        "days": list(series.points.days),
        "sd": [float(one) for one in errors.sd],
        "unit": series.unit,
        "df": _finite(errors.df),
        "between_beds_cv": errors.beds,
        "declared_cv": errors.declared,
    }


def _area(series: Series) -> dict[str, Any] | None:
    if series.fitted is None or series.fitted.area is None:
        return None
    first, last = constants.area_days(series)
    found = interval_document(series.fitted.area, constants.area_unit(series))
    return {"first_day": first, "last_day": last, **found}


def _fit(series: Series, one: Fit | Refusal) -> dict[str, Any]:
    """A fit whole, or a refusal with its reason."""
    from logbook.analysis.choice import aicc
    from logbook.analysis.fits import Fit

    if not isinstance(one, Fit):
        return {"shape": one.shape, "refused": one.name, "reason": one.reason}
    found = {} if series.fitted is None else series.fitted.ranges_of(one)
    return {
        "shape": one.shape,
        "free_start": one.free_start,
        "days": constants.length(series),
        "parameters": [_parameter(series, one, p, found.get(p.symbol)) for p in one.parameters],
        "derived": [_parameter(series, one, p, found.get(p.symbol)) for p in one.derived],
        "rss": one.rss,
        **_chi2(series.fitted, one.shape),
        "aicc": aicc(one),
        "residual_sd": one.residual_sd,
        "df": one.df,
        "n": one.n,
        "sound": one.sound,
        "checks": [_check(check) for check in one.checks],
        "checked": one.verdict,
    }


def _check(check: Check) -> dict[str, Any]:
    return {
        "name": check.name,
        "statistic": check.statistic,
        "threshold": check.threshold,
        "passed": check.passed,
        "text": check.text,
    }


def _chi2(fitted: Fitted | None, shape: str) -> dict[str, Any]:
    """chi2 of the fit that was judged with the errors of its values, or why there is none."""
    chi2, reason = None, _NO_ERRORS
    if fitted is not None and fitted.choice.criterion.startswith("chi2"):
        reason = _NOT_JUDGED
        for one in fitted.choice.candidates:
            if one.shape == shape and one.criterion is not None and one.constants is not None:
                chi2, reason = one.criterion - 2.0 * one.constants, ""
    return {"chi2": chi2, "chi2_reason": reason}


def _parameter(series: Series, fit: Fit, one: Parameter, found: Interval | None) -> dict[str, Any]:
    """A constant of a fit with its range; withheld: why a screen does not print it."""
    missing = constants.FITTED_START if one.symbol == "D0" else constants.NO_RANGE
    return {
        "symbol": one.symbol,
        "name": one.word,
        "value": constants.value_of(one, found),
        "through_all_pulls": one.value,
        "se": one.se,
        "low": None if found is None else found.low,
        "high": None if found is None else found.high,
        "reason_low": missing if found is None else found.reason_low,
        "reason_high": missing if found is None else found.reason_high,
        "unit": one.unit.replace("value", series.unit, 1),
        "interval_method": "none" if found is None else found.method,
        "interval_df": None if found is None else _finite(found.df),
        "withheld": constants.withheld(series, fit, one.symbol),
        "reason": one.reason,
    }


def _losses(word: str, sentences: tuple[str, ...]) -> dict[str, Any]:
    return {"release_is": word, "sentences": list(sentences)}


def _below(series: Series, one: Below | None, asked: Asked) -> dict[str, Any] | None:
    if one is None:
        return None
    unit = series.unit
    word, grounds = asked.why_below(series)
    days = zip(one.days, one.bounds, strict=True)
    last, again = one.bracket or (None, None)
    return {
        "shown": one.shown,
        "reason": one.reason,
        "bounds": [{"day": day, **interval_document(bound, unit)} for day, bound in days],
        "days_below": list(one.days_below),
        "depth": None if one.depth is None else interval_document(one.depth, unit),
        "trough_day": one.trough_day,
        "may_be_deeper": [
            {"day": day, "deficit_up_to": most} for day, most in maybe_deeper(series)
        ],
        "last_day_below": last,
        "first_day_level": again,
        "level_with_control": None if one.level is None else interval_document(one.level, "days"),
        "fewest_beds": one.beds,
        "said_to_be": word,
        "grounds": list(grounds),
    }


def _make_up(one: MakeUp | None, unit: str) -> dict[str, Any] | None:
    if one is None:
        return None
    trough = None if one.trough is None else interval_document(one.trough, unit)
    return {"trough": trough, "reason": one.reason}
