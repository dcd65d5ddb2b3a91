"""Several dates on the same beds: the bed is random, and dates are no replicates.

A bed that is rich on one date is rich on the next, so that its dates tell little more than one of
them does. The mean over the dates is therefore compared bed by bed (one number a bed), and a
difference on one date is given the spread between beds, estimated with the help of all dates:

    v = (MS_bed + (T - 1) MS_e) / T,
    df = v^2 / ((MS_bed / T)^2 / df_bed + ((T - 1) MS_e / T)^2 / df_e),

with MS_bed between the beds of a treatment (and block), MS_e within beds, T dates. This holds where
every bed has every date; where some are missing the two variances are estimated by REML. Two dates
of a bed are taken to be alike to the same degree whichever they are.

Sources: Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, section 6.2 (measured
over time); Satterthwaite 1946, Biometrics Bulletin 2:110-114; Patterson & Thompson 1971,
Biometrika 58:545-554 (REML).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from logbook.analysis import several
from logbook.analysis.anova import ERROR, Source, effects, sequential
from logbook.analysis.several import Family, Measured
from logbook.analysis.tails import t_quantile
from logbook.errors import BadData, Problem, UserMistake

Method = Literal["closed form", "reml", "bed means", "none"]

WHOLE = "every bed has every date"
GAPS = "{} of {} bed-dates are missing: variances by REML, with a random bed"
NOT_POOLED = "one spread stands out, so none is shared: compare that date by itself"
GAPS_ALONE = (
    "{} of {} bed-dates are missing, and one spread between beds stands out: each bed's mean over "
    "the dates it has, what a date does to its treatment taken out"
)
TWO_DATES = "a season needs two dates that the control and the treatments share"


@dataclass(frozen=True)
class Dated:
    """One number of one bed on one date, its repeats averaged."""

    bed: str
    block: str | None
    treatment: str
    date: str
    value: float


@dataclass(frozen=True)
class OnDate:
    """One treatment against the control on one date; its 95 % range stands for itself alone."""

    treatment: str
    date: str
    estimate: float
    low: float | None
    high: float | None
    df: float | None
    reason: str = ""


@dataclass(frozen=True)
class Interaction:
    """Whether differences from the control change from date to date: an F test."""

    f: float
    df: int
    error_df: int
    p: float


@dataclass(frozen=True)
class Season:
    """All dates of one nutrient.

    means: the comparison of means over the dates, lines as of one date; ms_bed, ms_error: mean
    squares between and within beds (bed variance times T plus the error's, and the error's), on
    the scale of the family, with df_bed and df_error; interaction: None where nothing is left to
    test it with; on_dates: treatment by treatment, date by date.
    """

    method: Method
    why: str
    dates: tuple[str, ...]
    means: Family
    ms_bed: float | None
    df_bed: float | None
    ms_error: float | None
    df_error: float | None
    interaction: Interaction | None
    on_dates: tuple[OnDate, ...]


def season(given: Sequence[Dated], control: str, *, logs: bool) -> Season:
    """Compare every treatment with the control over the dates.

    Args:
        given: one number a bed and date, all of one nutrient, method, basis, unit and laboratory;
            every treatment and the control on every date, though not every bed.
        control, logs: as in `several.compared`.

    Raises:
        BadData: a bed given twice on a date, a value that is no number or has no logarithm.
        UserMistake: fewer than two dates, no treatment, a treatment that lacks a date.
    """
    _check(given, logs, control)
    dates = tuple(dict.fromkeys(one.date for one in given))
    scaled = [replace(one, value=math.log(one.value)) for one in given] if logs else list(given)
    beds = list(dict.fromkeys(one.bed for one in given))
    means = several.compared(_means(given, beds, logs), control, logs=logs)
    tested = {line.treatment for line in means.lines if line.p is not None} | {control}
    inside = [one for one in scaled if one.treatment in tested]
    missing = len({one.bed for one in inside}) * len(dates) - len(inside)
    if means.method == "none":
        return Season("none", means.why, dates, means, *(None,) * 5, ())
    if missing and means.method == "welch + holm":
        why = GAPS_ALONE.format(missing, missing + len(inside))
        return Season("bed means", why, dates, means, *(None,) * 5, ())
    if missing:
        from logbook.analysis.gaps import with_gaps

        found = with_gaps(inside, dates, control, means)
        why = GAPS.format(missing, missing + len(inside))
    else:
        found, why = _closed(inside, dates, control, means), WHOLE
    found = replace(found, why=why)
    return _raised(found) if logs else found


def _check(given: Sequence[Dated], logs: bool, control: str) -> None:
    """Refuse what has no meaning, and what is no season."""
    seen: set[tuple[str, str]] = set()
    found = []
    for one in given:
        where = f"bed {one.bed}, {one.date}"
        if (one.bed, one.date) in seen:
            found.append(Problem(where, "is given twice"))
        if not math.isfinite(one.value):
            found.append(Problem(where, f"value is {one.value}, not a number"))
        elif logs and one.value <= 0.0:
            found.append(Problem(where, f"value is {one.value:g}: it has no logarithm"))
        seen.add((one.bed, one.date))
    if found:
        raise BadData(f"{len(found)} values cannot be compared: {found[0]}", found)
    dates = {one.date for one in given}
    if len(dates) < 2:
        raise UserMistake(TWO_DATES)
    for code in sorted({one.treatment for one in given} | {control}):
        if lacking := dates - {one.date for one in given if one.treatment == code}:
            raise UserMistake(f"{code} has no result on {', '.join(sorted(lacking))}: {TWO_DATES}")


def _means(given: Sequence[Dated], beds: Sequence[str], logs: bool) -> list[Measured]:
    """One number a bed: its mean over the dates, geometric where ratios are formed.

    A bed that lacks a date is taken to lie as far from its treatment's mean on that date as it
    does on its others; else the level of the missing date would look like its own.
    """
    values = {(one.bed, one.date): math.log(one.value) if logs else one.value for one in given}
    cells: dict[tuple[str, str], list[float]] = {}
    for one in given:
        cells.setdefault((one.treatment, one.date), []).append(values[one.bed, one.date])
    middles = {cell: math.fsum(some) / len(some) for cell, some in cells.items()}
    found = []
    for bed in beds:
        mine = [one for one in given if one.bed == bed]
        code = mine[0].treatment
        apart = [values[bed, one.date] - middles[code, one.date] for one in mine]
        level = [middle for (treatment, _), middle in middles.items() if treatment == code]
        mean = math.fsum(level) / len(level) + math.fsum(apart) / len(apart)
        found.append(Measured(bed, mine[0].block, code, math.exp(mean) if logs else mean))
    return found


def _closed(given: Sequence[Dated], dates: Sequence[str], control: str, means: Family) -> Season:
    """The balanced case, from one analysis of variance."""
    table = _table(given, blocks=means.blocks)
    bed, error, both = table["bed"], table[ERROR], table["treatment x date"]
    interaction = None
    if both.f is not None and both.p is not None:
        interaction = Interaction(both.f, both.df, error.df, both.p)
    found = Season(
        method="closed form",
        why="",
        dates=tuple(dates),
        means=means,
        ms_bed=bed.ms,
        df_bed=bed.df,
        ms_error=error.ms,
        df_error=error.df,
        interaction=interaction,
        on_dates=(),
    )
    return replace(found, on_dates=tuple(_on_dates(given, control, found)))


def _table(given: Sequence[Dated], *, blocks: bool) -> dict[str, Source]:
    """The analysis of variance, beds within treatments (and blocks)."""
    treatment = [one.treatment for one in given]
    date = [one.date for one in given]
    terms: list[tuple[str, Sequence[Hashable]]] = [
        ("treatment", treatment),
        ("bed", [one.bed for one in given]),
        ("date", date),
        ("treatment x date", list(zip(treatment, date, strict=True))),
    ]
    if blocks:
        terms.insert(0, ("block", [one.block for one in given]))
    return {one.name: one for one in sequential([one.value for one in given], terms)}


def spread_on_a_date(found: Season) -> tuple[float, float] | None:
    """v and its degrees of freedom by the formula above; None where a part is missing."""
    if not found.ms_bed or found.ms_error is None or not found.df_bed or not found.df_error:
        return None
    count = len(found.dates)
    between, within = found.ms_bed / count, (count - 1) * found.ms_error / count
    v = between + within
    return v, v**2 / (between**2 / found.df_bed + within**2 / found.df_error)


def _on_dates(given: Sequence[Dated], control: str, found: Season) -> list[OnDate]:
    """Differences date by date, with the spread that all dates give."""
    spread = spread_on_a_date(found) if found.means.method == "dunnett" else None
    lines = []
    for date in found.dates:
        mine = [one for one in given if one.date == date]
        blocks = [one.block for one in mine] if found.means.blocks else None
        values, codes = [one.value for one in mine], [one.treatment for one in mine]
        fitted = effects(values, codes, blocks, control)
        if fitted is None:
            continue
        for place, code in enumerate(fitted.treatments):
            value = float(fitted.differences[place])
            if spread is None:
                lines.append(OnDate(code, date, value, None, None, None, NOT_POOLED))
                continue
            v, df = spread
            reach = t_quantile(0.975, df) * math.sqrt(v * float(fitted.unscaled[place, place]))
            lines.append(OnDate(code, date, value, value - reach, value + reach, df))
    return sorted(lines, key=lambda one: (one.treatment, found.dates.index(one.date)))


def _raised(found: Season) -> Season:
    """Differences of logarithms on a date as ratios (the means are ratios already)."""
    lines = tuple(
        replace(
            one,
            estimate=math.exp(one.estimate),
            low=None if one.low is None else math.exp(one.low),
            high=None if one.high is None else math.exp(one.high),
        )
        for one in found.on_dates
    )
    return replace(found, on_dates=lines)
