"""Several treatments against one control on one date: which test, and why.

The usual test is Dunnett's on the error mean square that all treatments share, blocks taken out.
Where the spread between beds clearly differs from treatment to treatment, a shared mean square
would claim too much for the one that spreads, and each treatment is compared by itself (Welch, or
within complete blocks) with Holm's correction. Which of the two was taken, and why, is part of the
result.

Whether spreads differ is asked by Cochran's test of the widest spread against that of all the
others, at 10 %: an F ratio, its chance times the number of groups. One amendment that spreads is
what misleads a shared mean square, and with three or four beds this test sees one that spreads four
times as much in 53 to 82 % of simulated dates, clearly more often than Bartlett's at 5 %, while it
gives up the more powerful comparison for nothing in 4 to 11 % of dates only. Levene's and Brown &
Forsythe's, which bear long tails, have little to go by with three beds. The choice helps and does
not cure: such a family is wrong in 8 to 14 % of dates, by Dunnett's test alone in 12 to 21 %.
tests/benchmarks/families.py simulates it, docs/comparisons.md holds the table.

Sources: Cochran 1941, Annals of Eugenics 11:47-52, for unequal numbers 't Lam 2010, Anal. Chim.
Acta 659:68-84; Holm 1979, Scand. J. Stat. 6:65-70; Welch 1947, Biometrika 34:28-35; Dunnett as in
`logbook.analysis.dunnett`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from logbook.analysis import dunnett
from logbook.analysis.anova import Effects, effects
from logbook.analysis.beds import LARGEST, Bed
from logbook.analysis.series import ONE_BED, ROUNDING, SPREAD_UNSEEN, between_beds
from logbook.analysis.tails import f_tail, t_quantile
from logbook.errors import BadData, Problem, UserMistake

Method = Literal["dunnett", "welch + holm", "none"]
Scale = Literal["ratio", "difference"]

ALPHA = 0.05
UNEQUAL = 0.10  # the level of the test for a spread that differs
NO_CONTROL = "no control bed has a result that counts on this date: no test"
ONE_CONTROL = (
    "only one control bed: nothing shows how much such beds differ, so no amendment can be "
    "separated from a difference between beds; no test is reported"
)
ONE_TREATED = (
    "one bed: it cannot separate the amendment from a difference between beds; no test is reported"
)
SAME_IN_BLOCKS = (
    "every block gives the same differences to the last digit reported, so that the spread "
    "between them cannot be estimated: no interval"
)
NO_FREEDOM = "too few beds to tell their spread from treatments and blocks: no test"
APART = "blocks not used: a treatment shares no block with the control"


@dataclass(frozen=True)
class Measured:
    """One number of one bed, its repeats averaged; block None where there are none."""

    bed: str
    block: str | None
    treatment: str
    value: float


@dataclass(frozen=True)
class Line:
    """One treatment against the control.

    estimate: ratio or difference, by the family's scale; t, df: of its test; p_alone: two-sided,
    of this test by itself; p: adjusted for all treatments of the family; low, high: 95 % range
    that holds for all of them together. None where there is no test, with `reason`.
    """

    treatment: str
    beds: int
    estimate: float | None
    t: float | None
    df: float | None
    p_alone: float | None
    p: float | None
    low: float | None
    high: float | None
    reason: str = ""


@dataclass(frozen=True)
class Family:
    """All treatments against one control.

    method: "none" where nothing can be tested; why: why this one; scale: whether lines are ratios
    (tested on logarithms) or differences; ms, df: the shared error mean square, on that scale, and
    its degrees of freedom, None where none is shared; critical: what |t| is held against, None
    where lines differ; blocks: whether blocks were taken out; unequal_p: of the test for a spread
    that differs, None where it could not be made.
    """

    method: Method
    why: str
    scale: Scale
    ms: float | None
    df: float | None
    critical: float | None
    blocks: bool
    control_beds: int
    unequal_p: float | None
    lines: tuple[Line, ...]


def compared(
    beds: Sequence[Measured], control: str, *, logs: bool, adjusted: bool = True
) -> Family:
    """Compare every treatment with the control.

    Args:
        beds: one number a bed, all of one nutrient, method, basis, unit and laboratory.
        control: the treatment code of the control.
        logs: whether to test on logarithms, which gives ratios.
        adjusted: False leaves p, low and high out, for tests of which only p_alone is wanted.

    Raises:
        BadData: a bed given twice, or a value that is no number or, with `logs`, not above zero.
        UserMistake: no treatment beside the control.
    """
    _check(beds, logs)
    codes = sorted({one.treatment for one in beds} - {control})
    if not codes:
        raise UserMistake("there is no treatment to compare with the control")
    counts = {code: sum(one.treatment == code for one in beds) for code in (control, *codes)}
    scaled = [replace(one, value=math.log(one.value)) for one in beds] if logs else list(beds)
    usable = [code for code in codes if counts[code] > 1]
    refusal = _refusal(counts[control], usable, counts)
    if refusal:
        return _untested(scaled, codes, control, refusal, logs)
    inside = [one for one in scaled if one.treatment in (control, *usable)]
    found, note = _fitted(inside, control)
    if found.ms is None or found.ms <= (ROUNDING * max(abs(one.value) for one in inside)) ** 2:
        same = SAME_IN_BLOCKS if note == "blocks taken out" else SPREAD_UNSEEN
        why = NO_FREEDOM if found.ms is None else same
        return _untested(scaled, codes, control, why, logs)
    chance = unequal(inside, found)
    family = (
        _welch(inside, control, chance, adjusted)
        if chance is not None and chance < UNEQUAL
        else _dunnett(found, counts, note, chance, adjusted)
    )
    alone = [_line(scaled, code, control, ONE_TREATED) for code in codes if code not in usable]
    lines = sorted((*family.lines, *alone), key=lambda line: line.treatment)
    family = replace(family, lines=tuple(lines), control_beds=counts[control])
    return _raised(family) if logs else family


def holm(chances: Sequence[float]) -> list[float]:
    """Holm's step-down correction of some p values, in their order."""
    order = sorted(range(len(chances)), key=lambda place: chances[place])
    found, least = [0.0] * len(chances), 0.0
    for rank, place in enumerate(order):
        least = max(least, min(1.0, (len(chances) - rank) * chances[place]))
        found[place] = least
    return found


def unequal(beds: Sequence[Measured], found: Effects) -> float | None:
    """The chance that the widest spread stands out so far, if all were equal: Cochran's test.

    A group's degrees of freedom are what blocks and means leave of it, the sum of 1 - leverage; a
    group without any spread is left out, since rounding makes such ones. None with fewer than two.
    """
    groups: list[tuple[float, float]] = []
    for code in dict.fromkeys(one.treatment for one in beds):
        mine = [place for place, one in enumerate(beds) if one.treatment == code]
        df = math.fsum(1.0 - float(found.leverages[place]) for place in mine)
        squares = math.fsum(float(found.residuals[place]) ** 2 for place in mine)
        if df > 0.5 and squares > (ROUNDING * abs(beds[mine[0]].value)) ** 2:
            groups.append((squares, df))
    if len(groups) < 2:
        return None
    all_squares, all_df = math.fsum(s for s, _ in groups), math.fsum(df for _, df in groups)
    tails = [
        f_tail((squares / df) / ((all_squares - squares) / (all_df - df)), df, all_df - df)
        for squares, df in groups
    ]
    return min(1.0, len(groups) * min(tails))


def _check(beds: Sequence[Measured], logs: bool) -> None:
    """Refuse beds given twice and values that mean nothing, all at once."""
    names = [one.bed for one in beds]
    found = [Problem(f"bed {one}", "is given twice") for one in set(names) if names.count(one) > 1]
    for one in beds:
        if not abs(one.value) < LARGEST:
            found.append(Problem(f"bed {one.bed}", f"value is {one.value}, not a number"))
        elif logs and one.value <= 0.0:
            found.append(Problem(f"bed {one.bed}", f"value is {one.value:g}: it has no logarithm"))
    if found:
        raise BadData(f"{len(found)} beds cannot be compared: {found[0]}", found)


def _refusal(controls: int, usable: Sequence[str], counts: dict[str, int]) -> str:
    """Why nothing can be tested, "" where something can."""
    if controls == 0:
        return NO_CONTROL
    if controls == 1:
        return ONE_BED if set(counts.values()) == {1} else ONE_CONTROL
    return "" if usable else ONE_TREATED


def _fitted(beds: Sequence[Measured], control: str) -> tuple[Effects, str]:
    """The differences by least squares, and why blocks are not used although there are some."""
    values = [one.value for one in beds]
    treatments = [one.treatment for one in beds]
    blocks = [one.block for one in beds]
    note = ""
    if None in blocks or len(set(blocks)) == 1:
        if set(blocks) != {None}:
            note = "blocks not used: all beds are in one block"
            if None in blocks:
                note = "blocks not used: some beds have no block"
    else:
        within = effects(values, treatments, blocks, control)
        if within is not None:
            return within, "blocks taken out"
        note = APART
    between = effects(values, treatments, None, control)
    if between is None:
        raise UserMistake("treatments cannot be told from the control")
    return between, note


def _dunnett(
    found: Effects, counts: dict[str, int], note: str, chance: float | None, adjusted: bool
) -> Family:
    """All differences on the shared mean square."""
    ms, df = float(found.ms or 0.0), float(found.df)
    within = note == "blocks taken out"
    control = next(code for code in counts if code not in found.treatments)
    shares = (
        dunnett.one_factor(found.unscaled)
        if within
        else dunnett.loadings([counts[code] for code in found.treatments], counts[control])
    )
    limit = dunnett.critical(shares, df, 1.0 - ALPHA) if adjusted else None
    lines = []
    for place, code in enumerate(found.treatments):
        value = float(found.differences[place])
        error = math.sqrt(ms * float(found.unscaled[place, place]))
        t = value / error
        lines.append(
            Line(
                treatment=code,
                beds=counts[code],
                estimate=value,
                t=t,
                df=df,
                p_alone=chance_alone(t, df),
                p=dunnett.adjusted_p(t, shares, df) if adjusted else None,
                low=None if limit is None else value - limit * error,
                high=None if limit is None else value + limit * error,
            )
        )
    why = "the beds of all treatments share one spread, as far as can be seen"
    if chance is not None:
        why += f" (Cochran's test: p {chance:.2g})"
    why = f"{why}; {note}" if note else why
    return Family("dunnett", why, "difference", ms, df, limit, within, 0, chance, tuple(lines))


def _welch(beds: Sequence[Measured], control: str, chance: float, adjusted: bool) -> Family:
    """Each treatment by itself, p by Holm, ranges by Bonferroni (Holm's has no simple ranges)."""
    codes = sorted({one.treatment for one in beds} - {control})
    lines = [_by_itself(beds, code, control, len(codes), adjusted) for code in codes]
    tested = [place for place, line in enumerate(lines) if line.p_alone is not None]
    chances = holm([lines[place].p_alone or 0.0 for place in tested])
    if adjusted:
        for place, p in zip(tested, chances, strict=True):
            lines[place] = replace(lines[place], p=p)
    why = (
        f"one spread between beds stands out (Cochran's test: p {chance:.2g}), so none is shared "
        "and each treatment is compared by itself; ranges by Bonferroni"
    )
    within = any(one.block is not None for one in beds) and all(
        _contrasted(beds, code, control)[1] for code in codes
    )
    return Family("welch + holm", why, "difference", None, None, None, within, 0, chance, (*lines,))


def _contrasted(beds: Sequence[Measured], code: str, control: str) -> tuple[list[Bed], bool]:
    """The beds of one treatment and of its control, and whether they are paired within blocks."""
    mine = [
        Bed(one.bed, one.block, one.treatment == code, one.value, one.value, False, False, False)
        for one in beds
        if one.treatment in (code, control)
    ]
    return mine, between_beds(0.0, mine, None).method == "within-block"


def _by_itself(
    beds: Sequence[Measured], code: str, control: str, many: int, adjusted: bool
) -> Line:
    """One treatment and the control, within complete blocks or by Welch's test."""
    mine, _ = _contrasted(beds, code, control)
    one = between_beds(0.0, mine, None).against_control
    count = sum(bed.treated for bed in mine)
    if one.value is None or one.high is None or one.df is None:
        return Line(code, count, one.value, None, None, None, None, None, None, one.reason)
    error = (one.high - one.value) / t_quantile(0.975, one.df)
    t = one.value / error
    reach = t_quantile(1.0 - ALPHA / many / 2.0, one.df) * error
    return Line(
        treatment=code,
        beds=count,
        estimate=one.value,
        t=t,
        df=one.df,
        p_alone=chance_alone(t, one.df),
        p=None,
        low=one.value - reach if adjusted else None,
        high=one.value + reach if adjusted else None,
    )


def _line(beds: Sequence[Measured], code: str, control: str, reason: str) -> Line:
    """A treatment without a test: its difference of means alone."""
    sides = [[one.value for one in beds if one.treatment == name] for name in (code, control)]
    value = None
    if all(sides):
        value = math.fsum(sides[0]) / len(sides[0]) - math.fsum(sides[1]) / len(sides[1])
    return Line(code, len(sides[0]), value, None, None, None, None, None, None, reason)


def _untested(
    beds: Sequence[Measured], codes: Sequence[str], control: str, reason: str, logs: bool
) -> Family:
    """Every treatment without a test, for one reason."""
    lines = tuple(_line(beds, code, control, reason) for code in codes)
    count = sum(one.treatment == control for one in beds)
    family = Family("none", reason, "difference", None, None, None, False, count, None, lines)
    return _raised(family) if logs else family


def _raised(family: Family) -> Family:
    """A family of logarithms as ratios."""
    lines = tuple(
        replace(line, estimate=_power(line.estimate), low=_power(line.low), high=_power(line.high))
        for line in family.lines
    )
    return replace(family, scale="ratio", lines=lines)


def _power(log: float | None) -> float | None:
    return None if log is None else math.exp(log)


def chance_alone(t: float, df: float) -> float:
    """The two-sided p of one t test by itself."""
    from scipy.special import stdtr

    return 2.0 * float(stdtr(df, -abs(t)))
