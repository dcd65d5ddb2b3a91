"""What may be said of a fit: its named checks, and its numbers or why one is missing."""

from __future__ import annotations

import math

import numpy as np

from logbook.analysis import kinetics
from logbook.analysis.fits import ASYMPTOTIC, Batch, Check, Curve, Fit, Limit, Parameter

PASSED = "no check failed"
#: k times the last day: below the first, no ceiling; below the second, a ceiling by extrapolation.
NO_CEILING, CEILING_SEEN = 0.5, 1.5
#: k times the first pull after day 0: above this the rise was over before anybody looked.
RISE_MISSED = 2.0
#: Condition of the scaled Jacobian at which constants stop being separately identifiable.
WORST_CONDITION = 100.0


def fit_of(batch: Batch, index: int) -> Fit:
    """Series `index` of a batch as a `Fit`."""
    limit = Limit(int(batch.limit[index]))
    checks = _checks(batch, index, limit)
    parameters = _parameters(batch, index, limit)
    return Fit(
        shape=batch.shape,
        free_start=batch.free_start,
        parameters=parameters,
        derived=_derived(parameters),
        rss=float(batch.rss[index]),
        residual_sd=_given(batch.residual_sd[index]),
        df=batch.df,
        n=batch.n,
        limit=limit,
        condition=_given(batch.condition[index]),
        checks=checks,
        verdict=next((check.text for check in checks if not check.passed), PASSED),
        curve=_curve(batch, index, limit),
    )


def limit_sentence(limit: Limit, free_start: bool) -> str:
    """What a limit means, in words; "" for an ordinary optimum."""
    first = "the first pull after day 0" if free_start else "the first pull"
    return {
        Limit.INSIDE: "",
        Limit.LINE: "rate at its lower bound: a straight line fits as well",
        Limit.STEP: f"plateau reached before {first} (rate at infinity)",
        Limit.FLAT: "all values equal: no change to fit",
    }[limit]


def _checks(batch: Batch, index: int, limit: Limit) -> tuple[Check, ...]:
    """The checks of one fit, most telling first; those on the rate only where there is one."""
    text = limit_sentence(limit, batch.free_start)
    found = Check("rate inside its bounds", None, None, limit is Limit.INSIDE, text)
    if batch.shape != "first order":
        return (Check("values differ", None, None, limit is Limit.INSIDE, text),)
    if limit is not Limit.INSIDE:
        return (found,)
    rate = float(batch.constants[index, 1])
    return (found, *_rate_checks(batch.days, rate), _apart(float(batch.condition[index])))


def _rate_checks(days: kinetics.Floats, rate: float) -> tuple[Check, ...]:
    """Was the trial long enough, and the first pull early enough, for this rate (per day)?"""
    last, first = float(days.max()), float(days[days > 0.0].min())
    seen = 100.0 * float(kinetics.released_fraction(last, rate))
    levelling = f"the last pull is at {seen:.0f} % of the fitted ceiling"
    return (
        _at_least(
            "ceiling reached",
            rate * last,
            NO_CEILING,
            f"ceiling not reached: the curve has not levelled off ({levelling})",
        ),
        _at_least(
            "ceiling seen",
            rate * last,
            CEILING_SEEN,
            f"ceiling found by extrapolation: {levelling}",
        ),
        _check(
            "rise seen",
            rate * first,
            RISE_MISSED,
            rate * first <= RISE_MISSED,
            f"the rise was nearly over at the first pull (day {first:g}): rate is a lower limit",
        ),
    )


def _at_least(name: str, statistic: float, threshold: float, text: str) -> Check:
    """A check that passes when the statistic reaches the threshold."""
    return _check(name, statistic, threshold, statistic >= threshold, text)


def _check(name: str, statistic: float, threshold: float, passed: bool, text: str) -> Check:
    """A check that keeps its sentence only when it failed."""
    return Check(name, statistic, threshold, passed, "" if passed else text)


def _apart(condition: float) -> Check:
    """Whether the constants can be told apart: condition of the scaled Jacobian."""
    text = "ceiling and rate not separately identifiable"
    apart = condition < WORST_CONDITION
    return _check("constants apart", condition, WORST_CONDITION, apart, text)


def _parameters(batch: Batch, index: int, limit: Limit) -> tuple[Parameter, ...]:
    """The fit's numbers, each with why it or its standard error is missing."""
    constants = kinetics.SHAPES[batch.shape].constants
    named = ((kinetics.START,) if batch.free_start else ()) + constants
    missing = limit_sentence(limit, batch.free_start) or _no_error(batch)
    answers = []
    for column, constant in enumerate(named):
        value, se = _given(batch.values[index, column]), _given(batch.se[index, column])
        reason = ASYMPTOTIC if se is not None else missing
        answers.append(Parameter(constant.symbol, constant.word, value, se, constant.unit, reason))
    return tuple(answers)


def _no_error(batch: Batch) -> str:
    """Why an ordinary optimum has no standard error."""
    if batch.df <= 0:
        return "no standard error: as many constants as values"
    return "no standard error: the values lie on the curve, without scatter to judge by"


def _derived(parameters: tuple[Parameter, ...]) -> tuple[Parameter, ...]:
    """The half-life of a first-order fit, ln 2 / k, with se = ln 2 se(k) / k^2."""
    rates = [p for p in parameters if p.symbol == "k"]
    if not rates:
        return ()
    rate = rates[0]
    if rate.value is None:
        return (Parameter("t1/2", "half-life", None, None, "days", rate.reason),)
    value = kinetics.half_life(rate.value)
    se = None if rate.se is None else math.log(2.0) * rate.se / rate.value**2
    return (Parameter("t1/2", "half-life", value, se, "days", rate.reason),)


def _curve(batch: Batch, index: int, limit: Limit) -> Curve:
    """What to draw for one series."""
    form = {Limit.INSIDE: batch.shape, Limit.LINE: "zero order"}.get(limit, "step")
    if batch.shape == "zero order":
        form = "zero order"
    given = batch.constants[index]
    constants = tuple(float(constant) for constant in given[~np.isnan(given)])
    return Curve(float(batch.start[index]), form, constants)


def _given(number: float) -> float | None:
    """The number, or None where it is NaN or infinite (not determined)."""
    return float(number) if math.isfinite(number) else None
