"""What may be said of a fit: its named checks, and its numbers or why one is missing."""

from __future__ import annotations

import math

import numpy as np

from logbook.analysis import kinetics
from logbook.analysis.fits import ASYMPTOTIC, Batch, Check, Curve, Fit, Limit, Parameter
from logbook.trial.times import age_text

PASSED = "no check failed"
#: k times the last day: below the first, no ceiling; below the second, a ceiling by extrapolation.
NO_CEILING, CEILING_SEEN = 0.5, 1.5
#: k times the first pull after day 0: above this the rise was over before anybody looked.
RISE_MISSED = 2.0
#: Condition of the scaled Jacobian at which constants stop being separately identifiable.
WORST_CONDITION = 100.0
#: Fast rate over slow rate below which two phases are not told apart.
RATES_APART = 3.0


def fit_of(batch: Batch, index: int) -> Fit:
    """Series `index` of a batch as a `Fit`."""
    limit = Limit(int(batch.limit[index]))
    checks = _checks(batch, index, limit)
    parameters = _parameters(batch, index, limit)
    return Fit(
        shape=batch.shape,
        free_start=batch.free_start,
        parameters=parameters,
        derived=_derived(batch.shape, parameters),
        rss=float(batch.rss[index]),
        residual_sd=_given(batch.residual_sd[index]),
        df=batch.df,
        n=batch.n,
        limit=limit,
        condition=_given(batch.condition[index]),
        checks=checks,
        verdict=next((check.text for check in checks if not check.passed), PASSED),
        curve=_curve(batch, index, limit),
        label=_label(batch, index, limit),
    )


def _label(batch: Batch, index: int, limit: Limit) -> str:
    """What two phases are called by their signs."""
    if batch.shape != "two phases" or limit is Limit.FLAT:
        return ""
    return kinetics.phases_label(float(batch.constants[index, 0]), float(batch.constants[index, 2]))


_LIMITS: dict[str, dict[Limit, str]] = {
    "first order with a lag": {
        Limit.NO_LAG: "no lag: a first order fits as well",
        Limit.LINE: "rate at its lower bound: a straight line after the lag fits as well",
        Limit.STEP: "plateau reached between two pulls (rate at infinity)",
        Limit.TOO_FEW_LATE: "fewer than three pulls after the lag: other rates fit as well",
    },
    "Gompertz": {
        Limit.NO_LAG: "no slow beginning: fastest on day 0, which is no sigmoid",
        Limit.LINE: "still speeding up at the last pull: no ceiling in sight",
        Limit.STEP: "fewer than two pulls on the rise: any faster rate fits as well",
    },
    "two phases": {
        Limit.LINE: "slow phase at its lower bound: a straight line fits it as well",
        Limit.STEP: "fast phase over before the first pull (rate at infinity)",
        Limit.MERGED: "the two rates run into each other: one phase with a bend fits as well",
    },
}


def limit_sentence(limit: Limit, free_start: bool, shape: str = "first order") -> str:
    """What a limit means, in words; "" for an ordinary optimum."""
    first = "the first pull after day 0" if free_start else "the first pull"
    plain = {
        Limit.INSIDE: "",
        Limit.LINE: "rate at its lower bound: a straight line fits as well",
        Limit.STEP: f"plateau reached before {first} (rate at infinity)",
        Limit.FLAT: "all values equal: no change to fit",
    }
    return (plain | _LIMITS.get(shape, {}))[limit]


def _checks(batch: Batch, index: int, limit: Limit) -> tuple[Check, ...]:
    """The checks of one fit, most telling first; those on the rate only where there is one."""
    text = limit_sentence(limit, batch.free_start, batch.shape)
    found = Check("rate inside its bounds", None, None, limit is Limit.INSIDE, text)
    if batch.shape == "zero order":
        return (Check("values differ", None, None, limit is Limit.INSIDE, text),)
    if limit is not Limit.INSIDE:
        return (found,)
    constants = [float(one) for one in batch.constants[index]]
    checks = (found, *_rate_checks(batch.shape, batch.days, constants))
    return (*checks, *_apart(batch.shape, float(batch.condition[index]), constants))


def _rate_checks(shape: str, days: kinetics.Floats, constants: list[float]) -> tuple[Check, ...]:
    """Was the trial long enough, and the first pull early enough, for these constants?"""
    reached, missed, first = _progress(shape, days, constants)
    seen = 100.0 * -math.expm1(-reached)
    levelling = f"the last pull is at {seen:.0f} % of the fitted ceiling"
    return (
        _at_least(
            "ceiling reached",
            reached,
            NO_CEILING,
            f"ceiling not reached: the curve has not levelled off ({levelling})",
        ),
        _at_least(
            "ceiling seen",
            reached,
            CEILING_SEEN,
            f"ceiling found by extrapolation: {levelling}",
        ),
        _check(
            "rise seen",
            missed,
            RISE_MISSED,
            missed <= RISE_MISSED,
            f"the rise was nearly over at the first pull (day {age_text(first)}): rate is a lower "
            "limit",
        ),
    )


def _progress(
    shape: str, days: kinetics.Floats, constants: list[float]
) -> tuple[float, float, float]:
    """-ln of what is left of the (slow) rise at the last pull, and of what is left of the (fast)
    rise at the first pull that can see it; and that pull's day. For first order: k t."""
    last, first = float(days.max()), float(days[days > 0.0].min())
    if shape == "two phases":
        return constants[3] * last, constants[1] * first, first
    if shape == "first order":
        return constants[1] * last, constants[1] * first, first
    if shape == "first order with a lag":
        _, rate, lag = constants
        first = float(days[days > lag].min())
        return rate * (last - lag), rate * (first - lag), first
    share = kinetics.gompertz(days, 1.0, *constants[1:])
    first = float(days[share > 0.02].min())
    left = 1.0 - float(share[days == last][0]), 1.0 - float(share[days == first][0])
    return -math.log(max(left[0], 1e-300)), -math.log(max(left[1], 1e-300)), first


def _at_least(name: str, statistic: float, threshold: float, text: str) -> Check:
    """A check that passes when the statistic reaches the threshold."""
    return _check(name, statistic, threshold, statistic >= threshold, text)


def _check(name: str, statistic: float, threshold: float, passed: bool, text: str) -> Check:
    """A check that keeps its sentence only when it failed."""
    return Check(name, statistic, threshold, passed, "" if passed else text)


def _apart(shape: str, condition: float, constants: list[float]) -> tuple[Check, ...]:
    """Whether the constants can be told apart: condition of the scaled Jacobian, and two rates."""
    text = "ceiling and rate not separately identifiable"
    if shape == "two phases":
        text = "rates not separately identifiable"
    apart = _check("constants apart", condition, WORST_CONDITION, condition < WORST_CONDITION, text)
    if shape != "two phases":
        return (apart,)
    return (_at_least("rates apart", constants[1] / constants[3], RATES_APART, text), apart)


def _parameters(batch: Batch, index: int, limit: Limit) -> tuple[Parameter, ...]:
    """The fit's numbers, each with why it or its standard error is missing."""
    constants = kinetics.SHAPES[batch.shape].constants
    named = ((kinetics.START,) if batch.free_start else ()) + constants
    missing = limit_sentence(limit, batch.free_start, batch.shape) or _no_error(batch)
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


def _derived(shape: str, parameters: tuple[Parameter, ...]) -> tuple[Parameter, ...]:
    """The half-life of a first-order fit, from its lag on: ln 2 / k, se = ln 2 se(k) / k^2."""
    rates = [p for p in parameters if p.symbol == "k"]
    if not rates or shape == "Gompertz":
        return ()
    rate = rates[0]
    if rate.value is None:
        return (Parameter("t1/2", "half-life", None, None, "days", rate.reason),)
    value = kinetics.half_life(rate.value)
    se = None if rate.se is None else math.log(2.0) * rate.se / rate.value**2
    return (Parameter("t1/2", "half-life", value, se, "days", rate.reason),)


def _curve(batch: Batch, index: int, limit: Limit) -> Curve:
    """What to draw for one series."""
    form = batch.shape
    if batch.shape == "first order":
        form = {Limit.INSIDE: form, Limit.LINE: "zero order"}.get(limit, "step")
    elif limit is Limit.FLAT and batch.shape != "zero order":
        form = "step"
    given = batch.constants[index]
    constants = tuple(float(constant) for constant in given[~np.isnan(given)])
    return Curve(float(batch.start[index]), form, constants)


def _given(number: float) -> float | None:
    """The number, or None where it is NaN or infinite (not determined)."""
    return float(number) if math.isfinite(number) else None
