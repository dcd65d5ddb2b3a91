"""95 % intervals of one treatment against its control: k, half-life, A, D at a day, AUC, a.

With two or more beds a side the beds are the replicates (bed-score inversion; Welch, or paired
within complete blocks). With one bed a side an interval speaks of these two beds only, and says
so. An end that the data leave open is None with its reason, never a number.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logbook.analysis import available, inversion, kinetics
from logbook.analysis.complete import whole
from logbook.analysis.given import START_WITHIN
from logbook.analysis.inversion import Ends
from logbook.analysis.rising import Rise, best_rate
from logbook.analysis.scores import Beds, Units, critical, units_of
from logbook.analysis.series import ROUNDING, SPREAD_UNSEEN, same_in_blocks
from logbook.trial.times import age_text, days_text

Floats = NDArray[np.float64]

THESE_BEDS = "these two beds only: laboratory and within-bed error, not the amendment"
ONE_BED = (
    "one bed on a side: no interval, since the amendment cannot be told from a difference between "
    "beds"
)
LINE_FITS = "a straight line fits as well"
STEP_FITS = "a step before the first pull fits as well"
NEVER_LEVELS = "ceiling not reached: a curve that never levels off fits as well"
ZERO_FITS = "a ceiling of zero fits as well"
MISFIT = "no first-order curve fits these beds"
BY_WHAT_THERE_IS = "gaps: each pull by the beds that it has"
#: Pulls that show by themselves whether a line goes on as it went: the fewest with a slope and
#: more than two ends. Common practice, no source.
LAST_PULLS = 3
#: Times the weights of a single bed are taken from the curve fitted with the weights before.
REWEIGHTED = 5


@dataclass(frozen=True)
class Interval:
    """An estimate and its 95 % interval in the unit of the series (k per day, half-life days).

    value, low, high: None where there is none; reason_low and reason_high then say why an end is
    open. method: how it was found and what was left out; df: degrees of freedom, None when none.
    """

    value: float | None
    low: float | None
    high: float | None
    method: str
    reason_low: str
    reason_high: str
    df: float | None

    @property
    def closed(self) -> bool:
        """Whether both ends are known."""
        return self.low is not None and self.high is not None


def told(fitted: float | None, found: Interval | None) -> float | None:
    """The one value of a constant: that of the beds and pulls which its interval belongs to.

    The fit's where none was made or could be; None where the interval speaks against it.
    """
    return fitted if found is None or found.method == "none" else found.value


@dataclass(frozen=True)
class Lab:
    """The declared error of a result x: SD^2 = floor^2 + (cv x)^2; cv None: not declared."""

    cv: float | None
    floor: float = 0.0

    @property
    def known(self) -> bool:
        """Whether an error was declared at all: a CV, a smallest SD, or both."""
        return self.cv is not None or self.floor > 0.0

    @property
    def words(self) -> str:
        """What was declared, for a reader."""
        if not self.floor:
            return "declared CV"
        return "declared smallest SD" if self.cv is None else "declared CV and smallest SD"

    def variance(self, beds: Beds, treated: Floats) -> Floats:
        """Variance of D at each pull, the treated beds being on the given level: (n,).

        CV^2 (T^2 / b_T + (1-f)^2 C^2 / b_C) + s0^2 (1 / b_T + (1-f)^2 / b_C); without any
        declaration that of a CV of 1, for weights.
        """
        cv = 1.0 if not self.known else (self.cv or 0.0)
        once = self.floor**2 * (
            1.0 / len(beds.treated) + (1.0 - beds.share) ** 2 / len(beds.control)
        )
        return np.asarray(cv**2 * _spread(beds, treated) + once)


def rate(
    beds: Beds, *, free_start: bool = False, cv: float | None = None, floor: float = 0.0
) -> Interval:
    """First-order k per day.

    Args:
        free_start: D0 is fitted too (needs a pull at or before day 0); else the curve starts at 0.
        cv: the laboratory's declared CV as a fraction, used with one bed a side only.
        floor: s0 of the declared error, SD^2 = s0^2 + (CV x)^2, in the unit of the series.
    """
    return _constant(
        beds, free_start, Lab(cv, floor), inversion.rates, inversion.profiled_rates, of_rate
    )


def half_life(
    beds: Beds, *, free_start: bool = False, cv: float | None = None, floor: float = 0.0
) -> Interval:
    """First-order half-life ln 2 / k in days, its ends from those of k; arguments as for `rate`."""
    return halved(rate(beds, free_start=free_start, cv=cv, floor=floor))


def halved(of_k: Interval) -> Interval:
    """The half-life of a rate, its ends from those of k."""
    return replace(
        of_k,
        value=_half_life(of_k.value),
        low=_half_life(of_k.high),
        high=_half_life(of_k.low),
        reason_low=of_k.reason_high,
        reason_high=of_k.reason_low,
    )


def ceiling(
    beds: Beds, *, free_start: bool = False, cv: float | None = None, floor: float = 0.0
) -> Interval:
    """First-order ceiling A, above D0 when that is fitted; arguments as for `rate`."""
    return _constant(
        beds,
        free_start,
        Lab(cv, floor),
        inversion.ceilings,
        inversion.profiled_ceilings,
        of_ceiling,
    )


def at_day(beds: Beds, day: float, *, cv: float | None = None, floor: float = 0.0) -> Interval:
    """Net release D on a day, between two pulls along the straight line that joins them."""
    weights = day_weights(beds.days, day)
    if weights is None:
        return nothing(_outside(beds.days, day))
    return linear(beds, weights, cv=cv, floor=floor)


def released_by(beds: Beds, day: float, *, cv: float | None = None, floor: float = 0.0) -> Interval:
    """Release by a day, D(day) - D(0): needs a pull on day 0."""
    start, end = day_weights(beds.days, 0.0), day_weights(beds.days, day)
    if start is None or not (beds.days == 0.0).any():
        return nothing(f"{_no_start(beds.days)}: what came with the amendment is not known")
    if end is None:
        return nothing(_outside(beds.days, day))
    return linear(beds, end - start, cv=cv, floor=floor)


def area(beds: Beds, *, cv: float | None = None, floor: float = 0.0) -> Interval:
    """Area under D from the first pull to the last (trapezoids), in the unit times days."""
    if len(beds.days) < 2:
        return nothing("an area needs two pulls")
    return linear(beds, area_weights(beds.days), cv=cv, floor=floor)


def slope(
    beds: Beds, *, free_start: bool = False, cv: float | None = None, floor: float = 0.0
) -> Interval:
    """Zero-order rate a per day: least-squares slope of each bed, through 0 unless free_start."""
    days = beds.days - (beds.days.mean() if free_start else 0.0)
    needs = kinetics.SHAPES["zero order"].fewest_known + int(free_start)
    if len(days) < needs:
        return nothing(f"zero order: needs {needs} pulls, has {len(days)}")
    return linear(beds, days / (days @ days), cv=cv, floor=floor)


def last_slope(beds: Beds, last: float, *, cv: float | None = None, floor: float = 0.0) -> Interval:
    """Slope per day over the last LAST_PULLS pulls up to a day: what they show by themselves."""
    used = np.flatnonzero(beds.days <= last)[-LAST_PULLS:]
    if len(used) < 2:
        return nothing("fewer than two pulls")
    days = beds.days[used] - beds.days[used].mean()
    weights = np.zeros(len(beds.days))
    weights[used] = days / (days @ days)
    return linear(beds, weights, cv=cv, floor=floor)


def linear(beds: Beds, weights: Floats, *, cv: float | None = None, floor: float = 0.0) -> Interval:
    """Any weighted sum of D over the pulls: exact Welch, or paired within complete blocks.

    Every pull counts with its own difference; see `analysis.available` for gaps.

    Args:
        weights: (n,); pulls of weight 0 take no part.
        cv, floor: with one bed a side only: the declared error, see `Lab`.
    """
    used = weights != 0.0
    if not used.any():
        return Interval(0.0, 0.0, 0.0, "nothing to add up", "", "", None)
    kept = beds.on(used)
    found = available.weighted(kept, weights[used])
    if found is None:
        return nothing("no bed of one side has a result on a pull that is needed")
    gaps = bool(np.isnan(kept.treated).any() or np.isnan(kept.control).any())
    if found.error is None:
        return _of_one_bed(kept, weights[used], found.value, Lab(cv, floor))
    name = _named(found.kind, BY_WHAT_THERE_IS if gaps else "")
    why = _unspread(kept, weights[used], found)
    if why:
        return Interval(found.value, None, None, name, why, why, None)
    half = float(critical(found.df)) * found.error
    return Interval(found.value, found.value - half, found.value + half, name, "", "", found.df)


def _unspread(beds: Beds, weights: Floats, found: available.Sum) -> str:
    """Why a sum has no spread to make an interval of; "" with one.

    As in the table of pulls: where T - C has none within blocks, the corrected difference has none.
    """
    bare = available.weighted(replace(beds, share=0.0), weights) if beds.share else found
    if not any(one and (one.error or 0.0) <= ROUNDING * one.level for one in (found, bare)):
        return ""
    sides = (beds.treated, beds.control)
    widest = max(float((np.nanmax(one, axis=0) - np.nanmin(one, axis=0)).max()) for one in sides)
    if found.kind == "welch" or widest <= ROUNDING * found.level:
        return SPREAD_UNSEEN
    return same_in_blocks(len(set(beds.treated_blocks or ())))


def day_weights(days: Floats, day: float) -> Floats | None:
    """Weights of the pulls in D on a day; None outside the pulls, where nothing is known."""
    if not days[0] <= day <= days[-1]:
        return None
    weights = np.zeros(len(days))
    after = int(np.searchsorted(days, day))
    weights[after] = 1.0
    if days[after] > day:
        weights[after] = (day - days[after - 1]) / (days[after] - days[after - 1])
        weights[after - 1] = 1.0 - weights[after]
    return weights


def area_weights(days: Floats) -> Floats:
    """Weights of the pulls in the area under D: the trapezoid rule."""
    gaps = np.diff(days)
    return np.asarray((np.append(gaps, 0.0) + np.append(0.0, gaps)) / 2.0)


def _of_one_bed(beds: Beds, weights: Floats, value: float, lab: Lab) -> Interval:
    """A weighted sum with one bed on a side: from the declared error, or without an interval."""
    pulls = [available.pull_of(beds, place) for place in range(len(beds.days))]
    alone = [pull.fewest < 2 for pull in pulls]
    if not all(alone):
        single = [pull for pull, one in zip(pulls, alone, strict=True) if one]
        days = days_text(float(pull.days[0]) for pull in single)
        reason = f"one bed on a side on {days}: no interval of a sum that needs it"
        return Interval(value, None, None, "one bed", reason, reason, None)
    if not lab.known:
        return Interval(value, None, None, "one bed", ONE_BED, ONE_BED, None)
    spread = np.array([float(lab.variance(one, one.treated.mean(0))[0]) for one in pulls])
    half = float(critical(np.inf)) * math.sqrt(float(weights**2 @ spread))
    method = f"{lab.words}; {THESE_BEDS}"
    return Interval(value, value - half, value + half, method, "", "", None)


def error_of(beds: Beds, *, cv: float | None, floor: float) -> Callable[[Floats], Floats]:
    """The standard error of any weighted sums of the pulls, (sums, n) -> (sums,).

    From the beds where there are two or more a side, else from the declared error.
    """
    if beds.fewest > 1:
        scatter = units_of(beds).scatter
        return lambda weights: scatter.contrast(weights).error
    variance = Lab(cv, floor).variance(beds, _means(beds)[0])
    return lambda weights: np.asarray(np.sqrt(weights**2 @ variance))


def _means(beds: Beds) -> tuple[Floats, Floats]:
    """Mean treated and (1 - f) times mean control, by pull."""
    return beds.treated.mean(0), (1.0 - beds.share) * beds.control.mean(0)


def _spread(beds: Beds, treated: Floats) -> Floats:
    """Variance of D for a CV of 1: T^2 and C^2, each over its number of beds."""
    _, control = _means(beds)
    return np.asarray(treated**2 / len(beds.treated) + control**2 / len(beds.control))


def _constant(
    beds: Beds,
    free_start: bool,
    lab: Lab,
    from_beds: Callable[[Units, Rise], Ends],
    from_one: Callable[[Rise, Floats, float | None], Ends],
    worded: Callable[[Ends, str], Interval],
) -> Interval:
    """A first-order constant, by the beds where there are two or more a side."""
    kept = whole(beds, with_start=free_start)
    refusal = _refusal(kept.beds.days, free_start, known=beds.fewest > 1 or lab.known)
    if refusal:
        return nothing(f"{refusal} that every bed has" if kept.days_left_out else refusal)
    if kept.beds.fewest > 1:
        units = units_of(kept.beds)
        rise = Rise(kept.beds.days, np.ones(len(kept.beds.days)), free_start)
        name = f"bed scores, {units.kind}"
        found = worded(from_beds(units, rise), _named(name, kept.note))
        bare = units_of(replace(kept.beds, share=0.0))
        return found if _differ(units) and _differ(bare) else _unseen(found, units, kept.beds)
    treated, control = _means(kept.beds)
    rise = Rise(kept.beds.days, _roots(kept.beds, free_start, lab), free_start)
    name = "profile, residual error" if not lab.known else f"profile, {lab.words}"
    ends = from_one(rise, (treated - control)[None], 1.0 if lab.known else None)
    return worded(ends, _named(f"{name}; {THESE_BEDS}", kept.note))


def _differ(units: Units) -> bool:
    """Whether the units differ by more than rounding on some pull."""
    sides = (units.treated,) if units.control is None else (units.treated, units.control)
    levels = sides if units.levels is None else (*sides, units.levels)
    size = max(float(np.abs(one).max()) for one in levels)
    return any(float(np.ptp(side, axis=1).max()) > ROUNDING * size for side in sides)


def _unseen(found: Interval, units: Units, beds: Beds) -> Interval:
    """The estimate of beds or blocks that all agree, which tell nothing of its error."""
    if found.value is None:
        return found
    sides = (beds.treated, beds.control)
    size = max(float(np.abs(side).max()) for side in sides)
    alike = all(float(np.ptp(side, axis=0).max()) <= ROUNDING * size for side in sides)
    why = (
        SPREAD_UNSEEN
        if alike or units.control is not None
        else same_in_blocks(units.treated.shape[1])
    )
    return replace(found, low=None, high=None, reason_low=why, reason_high=why, df=None)


def _no_start(days: Floats) -> str:
    """That there is no pull on day 0, or none of which all beds were on their own day 0."""
    first = float(days[days >= 0.0].min(initial=math.inf))
    if 0.0 < first < START_WITHIN:
        return (
            f"the first pull is of day {first:.2g} on average, not all of its beds on their day 0"
        )
    return "no pull on day 0"


def _refusal(days: Floats, free_start: bool, known: bool) -> str:
    """Why no first-order constant can be given; "" when it can."""
    if free_start and not (days <= 0.0).any():
        return f"the start of the curve is not known: {_no_start(days)}"
    shape = kinetics.SHAPES["first order"]
    needs = shape.fewest_known if known else shape.fewest_unknown
    if free_start:
        needs += 1
    pulls = len(days) if free_start else int((days > 0.0).sum())
    return "" if pulls >= needs else f"first order: needs {needs} pulls, has {pulls}"


def one_bed_weights(
    beds: Beds, *, free_start: bool, cv: float | None = None, floor: float = 0.0
) -> Floats | None:
    """Weights of the pulls, as the intervals of one bed use: (n,).

    None, for equal weights, where some bed has a gap or there are too few pulls to fit a curve.
    """
    if np.isnan(beds.treated).any() or np.isnan(beds.control).any() or len(beds.days) < 4:
        return None
    return np.asarray(_roots(beds, free_start, Lab(cv, floor)) ** 2)


def _roots(beds: Beds, free_start: bool, lab: Lab) -> Floats:
    """Roots of the weights, the curve fitted again with each new ones: 1 / variance of D.

    Without a declared error 1 / (T_fit^2 + C^2), their common factor being unknown.
    """
    treated, control = _means(beds)
    roots = np.ones(len(beds.days))
    for _ in range(REWEIGHTED):
        rise = Rise(beds.days, roots, free_start)
        fitted = _fitted(rise, treated - control)
        spread = lab.variance(beds, control + fitted)
        roots = 1.0 / np.sqrt(np.maximum(spread, spread.max() * 1e-12))
    return np.asarray(roots)


def _fitted(rise: Rise, difference: Floats) -> Floats:
    """Values of the least-squares curve through one series."""
    log_rate, height = best_rate(rise, rise.seen(difference)[None])
    shape = -np.expm1(-np.exp(log_rate[0]) * np.maximum(rise.days, 0.0)) * height[0]
    if not rise.free_start:
        return np.asarray(shape)
    weights = rise.roots**2
    return np.asarray(shape + weights @ (difference - shape) / weights.sum())


def of_rate(ends: Ends, method: str) -> Interval:
    """k in words: below a line, above a step."""
    return _worded(ends, method, LINE_FITS, STEP_FITS)


def of_ceiling(ends: Ends, method: str) -> Interval:
    """A in words: towards zero, and away from it."""
    reasons = (NEVER_LEVELS, ZERO_FITS) if ends.falls[0] else (ZERO_FITS, NEVER_LEVELS)
    return _worded(ends, method, *reasons)


def _worded(ends: Ends, method: str, below: str, above: str) -> Interval:
    """The first series of some ends as an interval, with its reasons."""
    if ends.misfit[0]:
        return nothing(MISFIT, method)
    value, low, high, df = (_given(a[0]) for a in (ends.value, ends.low, ends.high, ends.df))
    reasons = ("" if low is not None else below, "" if high is not None else above)
    return Interval(value, low, high, method, *reasons, df)


def nothing(reason: str, method: str = "none") -> Interval:
    """No estimate and no ends, for one reason."""
    return Interval(None, None, None, method, reason, reason, None)


def _outside(days: Floats, day: float) -> str:
    """Why there is no difference on a day."""
    first, last = age_text(days[0]), age_text(days[-1])
    return f"day {age_text(day)} is outside the pulls (day {first} to day {last})"


def _named(*parts: str) -> str:
    """The parts that are not empty, as one line."""
    return "; ".join(part for part in parts if part)


def _given(number: float) -> float | None:
    """The number, or None where it is NaN or infinite."""
    return float(number) if math.isfinite(number) else None


def _half_life(log_two_over: float | None) -> float | None:
    """ln 2 over a rate, None for None."""
    return None if log_two_over is None else kinetics.half_life(log_two_over)
