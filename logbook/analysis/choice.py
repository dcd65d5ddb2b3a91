"""Which shape describes a series, and whether its constants may be printed: two decisions.

The shape is judged by chi2 + 2p where the errors of the values are known. Where they are not, AICc
and the F test of the extra sum of squares must agree: AICc alone prefers a straight line to an
obvious draw-down at 4 to 8 pulls. A shape can be plain while its constants are not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from logbook.analysis import kinetics
from logbook.analysis.fits import Fit, Limit, Refusal
from logbook.analysis.tails import chi2_tail, f_tail
from logbook.analysis.verdicts import CEILING_SEEN, NO_CEILING, RISE_MISSED

#: A further phase must win by more than this over every simpler shape.
MARGIN = 2.0
#: The chance of so large a statistic below which it is not chance.
LEAST_CHANCE = 0.05
#: Shapes that add a phase to the first order.
FURTHER = ("first order with a lag", "Gompertz", "two phases")
ONLY_SHAPE = "the only shape"
NOT_APART = "rates not separately identifiable"


class Printed(Enum):
    """What may be printed of the chosen curve besides the curve itself."""

    CONSTANTS = "constants"
    CEILING_BY_INTERVAL = "constants, the ceiling only with its interval"
    ZERO_ORDER_RATE = "the zero-order rate"
    PLATEAU = "the plateau, and a lower limit of the rate"
    CURVE = "the curve only"
    NOTHING = "nothing"


@dataclass(frozen=True)
class Candidate:
    """One shape and why it was or was not chosen.

    criterion: chi2 + 2p or AICc, None where there is none; constants: p.
    """

    shape: str
    criterion: float | None
    constants: int | None
    chosen: bool
    why: str


@dataclass(frozen=True)
class Choice:
    """The decision on one series.

    criterion: how the shapes were judged, in words. chosen: None when there is no fit, or when the
    two judges disagree, as `sentence` says. printed: what may be printed of it, and sentence why
    not all. straight: the zero-order fit whose rate stands for the constants, where it does.
    """

    candidates: tuple[Candidate, ...]
    criterion: str
    chosen: Fit | None
    printed: Printed
    sentence: str
    straight: Fit | None

    @property
    def constants_printed(self) -> bool:
        """Whether the chosen fit's constants may be printed."""
        return self.printed in (Printed.CONSTANTS, Printed.CEILING_BY_INTERVAL)


def choose(
    fits: Sequence[Fit | Refusal],
    *,
    errors_known: bool = False,
    pulls: int | None = None,
    shown: Sequence[Fit | Refusal] | None = None,
) -> Choice:
    """Choose among the fits of one series.

    Args:
        fits: from `fitting.fit_series`, with `errors.checked` applied where an error is known.
        errors_known: the fits' rss are chi2, that is, fitted with `sd`.
        pulls: number of different days that tell; the number of values where not given.
        shown: the same shapes fitted with the weights that their intervals use, where those are
            others: the chosen shape's constants are of these.
    """
    made = [one for one in fits if isinstance(one, Fit) and one.limit is not Limit.FLAT]
    if not made:
        sentence = "no shape could be fitted"
        return Choice(_refused(fits), "", None, Printed.NOTHING, sentence, None)
    made.sort(key=_size)
    judged = _by_chi2(made) if errors_known else _by_two_judges(made)
    chosen = judged.chosen
    candidates = tuple(_candidate(one, judged, errors_known) for one in fits)
    if chosen is None:
        return Choice(candidates, judged.name, None, Printed.NOTHING, judged.undecided, None)
    told = {one.shape: one for one in shown or made if isinstance(one, Fit)}
    chosen = told.get(chosen.shape, chosen)
    has = chosen.n if pulls is None else pulls
    printed, sentence = _printed(chosen, errors_known, has)
    only = f"{ONLY_SHAPE} that {has} pulls allow" if _alone(fits, made) else ""
    if only:
        candidates = _said_alone(candidates, only)
        sentence = f"{sentence}, {only}" if printed is Printed.NOTHING else sentence
    line = told.get("zero order")
    if printed is Printed.ZERO_ORDER_RATE and line is not None and _bent(line):
        printed = Printed.CURVE
    straight = line if printed is Printed.ZERO_ORDER_RATE else None
    return Choice(candidates, judged.name, chosen, printed, sentence, straight)


def _alone(fits: Sequence[Fit | Refusal], made: Sequence[Fit]) -> bool:
    """Whether all shapes but one need more pulls."""
    refused = [one.name for one in fits if isinstance(one, Refusal)]
    return len(made) == 1 and len(refused) == len(fits) - 1 and "too few pulls" in refused


def _said_alone(candidates: tuple[Candidate, ...], only: str) -> tuple[Candidate, ...]:
    """The candidates, the one chosen for want of others saying so."""
    return tuple(replace(one, why=f"chosen: {only}") if one.chosen else one for one in candidates)


def _bent(line: Fit) -> bool:
    """Whether a straight line failed its check for a bend."""
    return any(check.name == "straight" and not check.passed for check in line.checks)


@dataclass(frozen=True)
class _Judged:
    """What the judges said: the criterion of each shape, reasons by shape, and the decision."""

    name: str
    scores: dict[str, float]
    reasons: dict[str, str]
    chosen: Fit | None
    undecided: str = ""


def _size(fit: Fit) -> int:
    """Number of fitted constants."""
    return fit.n - fit.df


def _refused(fits: Sequence[Fit | Refusal]) -> tuple[Candidate, ...]:
    """Candidates where nothing could be fitted."""
    return tuple(Candidate(one.shape, None, None, False, _why_out(one)) for one in fits)


def _why_out(one: Fit | Refusal) -> str:
    """Why a shape takes no part."""
    return one.reason if isinstance(one, Refusal) else one.verdict


def _candidate(one: Fit | Refusal, judged: _Judged, errors_known: bool) -> Candidate:
    """The row of one shape."""
    if isinstance(one, Refusal) or one.limit is Limit.FLAT:
        return Candidate(one.shape, None, None, False, _why_out(one))
    why = judged.reasons[one.shape]
    judged_already = [check for check in one.checks if check.name == "fits its pulls"]
    lack = lack_of_fit(one) if errors_known and not judged_already else None
    missed = any(not check.passed for check in judged_already)
    if missed or (lack is not None and lack < LEAST_CHANCE):
        chance = "" if lack is None else f" (chance {lack:.2g})"
        why += f"; it misses its pulls by more than their errors allow{chance}"
    if one.limit is not Limit.INSIDE:
        why += f"; {one.verdict}"
    score = judged.scores.get(one.shape)
    return Candidate(one.shape, score, _size(one), one is judged.chosen, why)


def lack_of_fit(fit: Fit) -> float | None:
    """The chance of so large a chi2 on n - p degrees of freedom, for a fit with known errors."""
    return chi2_tail(fit.rss, fit.df) if fit.df > 0 else None


def _by_chi2(made: list[Fit]) -> _Judged:
    """chi2 + 2p; a further phase must win by more than 2 over every simpler shape."""
    scores = {one.shape: one.rss + 2.0 * _size(one) for one in made}
    reasons: dict[str, str] = {}
    able: list[Fit] = []
    for one in made:
        rivals = [r for r in made if _size(r) < _size(one)]
        best = min(rivals, key=lambda r: scores[r.shape], default=None)
        margin = MARGIN if one.shape in FURTHER else 0.0
        if best is not None and not scores[best.shape] - scores[one.shape] > margin:
            gain = scores[best.shape] - scores[one.shape]
            reasons[one.shape] = (
                f"not chosen: {_gain(gain, best.shape)}; more than {margin:g} needed"
            )
        else:
            able.append(one)
    chosen = min(able, key=lambda one: scores[one.shape])
    for one in able:
        behind = scores[one.shape] - scores[chosen.shape]
        reasons[one.shape] = f"not chosen: chi2 + 2p is {behind:.1f} above that of {chosen.shape}"
    reasons[chosen.shape] = "chosen: the least chi2 + 2p that beats every simpler shape"
    return _Judged("chi2 + 2p", scores, reasons, chosen)


def _gain(gain: float, rival: str) -> str:
    """ "wins by 1.3 over first order", "loses by 0.4 to first order"."""
    return f"wins by {gain:.1f} over {rival}" if gain >= 0.0 else f"loses by {-gain:.1f} to {rival}"


def aicc(fit: Fit) -> float | None:
    """n ln(rss/n) + 2K + 2K(K + 1)/(n - K - 1), K = p + 1; None where that is not finite.

    Source: Hurvich & Tsai 1989, Biometrika 76:297-307. Without the constant n (1 + ln 2 pi).
    """
    k = _size(fit) + 1
    if fit.n - k - 1 <= 0 or fit.rss <= 0.0:
        return None
    return fit.n * math.log(fit.rss / fit.n) + 2.0 * k + 2.0 * k * (k + 1) / (fit.n - k - 1)


def extra_sum_of_squares(simple: Fit, other: Fit) -> float | None:
    """The chance of so large a drop in rss by the other's further constants: an F test.

    None where the other has no degrees of freedom or no more constants. Source: the extra sum of
    squares test, Bates & Watts 1988, Nonlinear Regression Analysis, section 3.10.
    """
    more = _size(other) - _size(simple)
    if other.df < 1 or more < 1:
        return None
    if other.rss <= 0.0:
        return 0.0
    statistic = max(simple.rss - other.rss, 0.0) / more / (other.rss / other.df)
    return f_tail(statistic, more, other.df)


def _by_two_judges(made: list[Fit]) -> _Judged:
    """AICc and the F test; from simple to complex, a shape takes over where both want it."""
    finite = {one.shape: aicc(one) for one in made}
    scores = {shape: score for shape, score in finite.items() if score is not None}
    if len(scores) < len(made):
        scores = {}
    name = "AICc and F test" if scores else "F test (AICc is not finite for every shape)"
    best, reasons = made[0], {made[0].shape: ""}
    undecided: list[str] = []
    for one in made[1:]:
        wanted, told = _wanted(best, one, scores)
        reasons[one.shape] = f"not chosen: {told}"
        if wanted is None:
            undecided.append(f"cannot choose between {best.shape} and {one.shape}: {told}")
        elif wanted:
            reasons[best.shape] = f"not chosen: {one.shape} fits better; {told}"
            best, undecided = one, []
    if undecided:
        reasons[best.shape] = f"not chosen: {undecided[0]}"
        return _Judged(name, scores, reasons, None, undecided[0])
    reasons[best.shape] = "chosen: no other shape is better by every judge"
    return _Judged(name, scores, reasons, best)


def _wanted(best: Fit, one: Fit, scores: dict[str, float]) -> tuple[bool | None, str]:
    """Does the shape beat the best so far? None: the judges disagree. And what they said."""
    chance = extra_sum_of_squares(best, one)
    margin = MARGIN if one.shape in FURTHER else 0.0
    gain = scores[best.shape] - scores[one.shape] if scores else None
    by_score = None if gain is None else gain > margin
    told = [] if gain is None else [f"by AICc it {_gain(gain, best.shape)}"]
    if chance is None:
        told.append("no F test: as many constants, or no degrees of freedom")
        better = by_score if by_score is not None else one.rss < best.rss
        return (better and _size(one) <= _size(best)), "; ".join(told)
    told.append(f"chance of the F test {chance:.2g}")
    by_test = chance < LEAST_CHANCE
    if by_score is not None and by_score != by_test:
        return None, "; ".join(told)
    return by_test, "; ".join(told)


def _printed(fit: Fit, errors_known: bool, pulls: int) -> tuple[Printed, str]:
    """What may be printed of the chosen fit, and why not all: the first rule that holds."""
    asked = ("fits its pulls", "straight")
    misfit = next((c.text for c in fit.checks if c.name in asked and not c.passed), "")
    if misfit:
        return Printed.NOTHING, misfit
    if fit.shape == "zero order":
        return Printed.CONSTANTS, ""
    one_rate = fit.shape == "first order"
    statistic = {check.name: check.statistic or 0.0 for check in fit.checks}
    failed = {check.name for check in fit.checks if not check.passed}
    short = _too_few(fit, errors_known, pulls)
    reached, missed = (statistic.get(name, 0.0) for name in ("ceiling reached", "rise seen"))
    at_limit = fit.limit is not Limit.INSIDE
    over = "the rise was over before the first pull: the rate is a lower limit"
    by_interval = "ceiling found by extrapolation: only with its interval"
    rules = (
        (at_limit and one_rate and fit.limit is Limit.STEP, Printed.PLATEAU, fit.verdict),
        (at_limit, Printed.CURVE, fit.verdict),
        (one_rate and reached < NO_CEILING, Printed.ZERO_ORDER_RATE, "ceiling not reached"),
        (one_rate and missed > RISE_MISSED, Printed.PLATEAU, over),
        (bool(short), Printed.CURVE, short),
        (bool(failed & {"rates apart", "constants apart", "rise seen"}), Printed.CURVE, NOT_APART),
        (reached < NO_CEILING, Printed.CURVE, "ceiling not reached"),
        (reached < CEILING_SEEN, Printed.CEILING_BY_INTERVAL, by_interval),
        (True, Printed.CONSTANTS, ""),
    )
    return next((printed, sentence) for holds, printed, sentence in rules if holds)


def _too_few(fit: Fit, errors_known: bool, pulls: int) -> str:
    """ "two phases: constants need 8 pulls, has 6", or ""."""
    shape = kinetics.SHAPES[fit.shape]
    needs = shape.constants_known if errors_known else shape.constants_unknown
    if needs is None or pulls >= needs + int(fit.free_start):
        return ""
    return f"{fit.shape}: constants need {needs + int(fit.free_start)} pulls, has {pulls}"
