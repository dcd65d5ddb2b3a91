"""The chosen shape on a terminal: its checks before its numbers, each number with its range."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from logbook.report import constants, marks, ranges
from logbook.report.terminal.tables import table, wrapped
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.choice import Candidate, Choice
    from logbook.analysis.fits import Fit
    from logbook.report.constants import Asked, OnDay, Stated
    from logbook.study.series import Series

_NARROWEST_TABLE = 60


def lines(series: Series, asked: Asked) -> Iterator[str]:
    """The curve in sentences: shape, checks, constants, days, area, and how ranges were made."""
    reason, days = constants.no_curve(series), constants.on_days(series, asked)
    if reason:
        yield f"no curve: {reason}"
    fitted = series.fitted
    if fitted is None:
        if series.rows and not reason:
            yield f"no curve is fitted to {series.analyte}: differences only"
        return
    fit = fitted.choice.chosen
    if fit is not None and not reason:
        yield from _shape(series, fit, fitted.choice)
    yield from (f"  {_constant(series, one)}" for one in constants.stated(series) if not reason)
    yield from _days(series, days)
    yield from _lost(series, asked)
    if fitted.area is not None and fitted.area.value is not None:
        told = ranges.worded(fitted.area, constants.area_unit(series), signed=True)
        between = "under the values" if series.plain else "above control"
        yield f"area {between} (AUC), {constants.area_over(series)}: {told}"
    yield from _made(series, days, [] if reason else constants.stated(series))
    judged = f"shapes judged by {fitted.choice.criterion}" if fitted.choice.criterion else ""
    known = "" if fitted.errors is None else fitted.errors.words
    if known or judged:
        yield f"errors: {'; '.join(part for part in (known or _unknown(series), judged) if part)}"


def _unknown(series: Series) -> str:
    """Where the error of a pull comes from without beds that tell it and a declaration."""
    given = None if series.fitted is None else series.fitted.given
    if given is not None and given.sd is not None:
        return "the standard errors given"
    return "not known beforehand"


def _shape(series: Series, fit: Fit, choice: Choice) -> Iterator[str]:
    """The shape with its length, then what its checks say."""
    meant = ", descriptive only" if series.descriptive else ""
    called = constants.label(series, fit)
    called = f" ({called})" if called else ""
    over = constants.shape_over(series, fit.shape)
    pulls = "values" if series.plain else "pulls"
    only = constants.only_shape(series)
    yield f"curve: {over}{called}{meant}, {fit.n} {pulls}{f', {only}' if only else ''}"
    failed = list(dict.fromkeys(check.text for check in fit.checks if not check.passed))
    yield f"  checks: {'; '.join(failed) or fit.verdict}"
    if choice.sentence and choice.sentence not in failed:
        yield f"  {choice.sentence}"
    if not constants.stated(series):
        yield "  its constants are not given"


def _constant(series: Series, one: Stated) -> str:
    """ "rate k 0.120 per day (0.09 to 0.16)", a ceiling always with its shape and length."""
    name = one.word if one.word == "half-life" else f"{one.word} {one.symbol}"
    if one.symbol == "a" and one.word == "rate":
        name = "zero-order rate a"
    fit = constants.printed_fit(series)
    if "ceiling" in one.word:
        name += f" of {constants.shape_over(series, '' if fit is None else fit.shape)}"
        name += ":"
    if one.interval is None:
        said = f"{constants.number(one.value or 0.0, one.difference)} {one.unit}"
        return f"{name} {said}, fitted"
    told = f"{name} {ranges.worded(one.interval, one.unit, signed=one.difference)}"
    if "ceiling" in one.word and fit is not None and fit.free_start:
        told += " above the start"
    if one.through_all is None:
        return told
    other = constants.number(one.through_all, one.difference)
    return f"{told}; the drawn curve, through all pulls: {other}"


def _days(series: Series, days: Sequence[OnDay]) -> Iterator[str]:
    """The difference and the release of the days told, net where corrected for dilution."""
    by = "released" if series.net and not series.descriptive else "change"
    what = "value" if series.plain else "net" if series.corrected else "T - C"
    unit, decimals = constants.unit_of(series), marks.places(series)
    for one in days:
        why = f", {one.why}" if one.why else ""
        if constants.between_pulls(series, one.day):
            why += f", on the straight line between {'values' if series.plain else 'pulls'}"
        if one.net.value is None:
            yield f"{what} on day {age_text(one.day)}{why}: {one.net.reason_low}"
            continue
        told = ranges.worded(one.net, unit, signed=True, decimals=decimals)
        yield f"{what} on day {age_text(one.day)}{why}: {told}"
        if one.released.value is not None and one.day > 0.0 and not _from_zero(series):
            told = ranges.worded(one.released, unit, signed=True, decimals=decimals)
            yield f"{by} by day {age_text(one.day)}, since day 0: {told}"
    reasons = {one.released.reason_low for one in days if one.released.value is None}
    missing = [one for one in reasons if one.startswith(("no ", "the first pull"))]
    yield from (f"{by} by a day is not given: {one}" for one in missing)


def _from_zero(series: Series) -> bool:
    """Whether the start is fixed at 0, so that the value of a day is what was released by it."""
    given = None if series.fitted is None else series.fitted.given
    return given is not None and not given.free_start


def _lost(series: Series, asked: Asked) -> Iterator[str]:
    """That a release is only what losses left of it."""
    word, losses = asked.bound(series)
    if word:
        said = f"the release shown {word}" if word.startswith("may") else f"{word} so much"
        yield f"losses: {said}: {'; '.join(losses)}"


def _made(series: Series, days: Sequence[OnDay], given: Sequence[Stated]) -> Iterator[str]:
    """How the ranges were made, and why others are missing, each said once."""
    named = [(one.symbol, one.interval) for one in given if one.interval is not None]
    for one in days:
        named.append((f"day {age_text(one.day)}", one.net))
        if one.day > 0.0:
            named.append((f"day {age_text(one.day)}", one.released))
    if series.fitted is not None and series.fitted.area is not None:
        named.append(("AUC", series.fitted.area))
    told = [(name, one) for name, one in named if one.value is not None or one.low is not None]
    made = [(name, ranges.how(one.method)) for name, one in told if not ranges.without_range(one)]
    missing = [(name, ranges.without_range(one)) for name, one in told]
    yield from (f"( ) 95 % range {text}" for text in ranges.grouped(made))
    yield from (f"no range: {text}" for text in ranges.grouped(missing))


def table_of_all(series: Series, width: int) -> None:
    """Every candidate with its criterion and why it was or was not chosen."""
    if series.fitted is None:
        return
    choice = series.fitted.choice
    head = "chi2 + 2p" if choice.criterion.startswith("chi2") else "AICc"
    judged = f", judged by {choice.criterion}; p: its constants, the start among them"
    about = "every shape" + (judged if choice.criterion else "")
    print("\n".join(wrapped(about, width)))
    if width < _NARROWEST_TABLE:
        for one in choice.candidates:
            score = f", {head} {_score(one)}" if choice.criterion else ""
            print("\n".join(wrapped(f"{one.shape}{score}: {_why(one)}", width)))
    elif choice.criterion:
        rows = [(one.shape, _count(one), _score(one), _why(one)) for one in choice.candidates]
        table(["shape", "p", head, "chosen, or why not"], rows, "12", width)
    else:
        table(
            ["shape", "why not"], [(one.shape, _why(one)) for one in choice.candidates], "", width
        )


def _count(one: Candidate) -> str:
    return "-" if one.constants is None else f"{one.constants}"


def _score(one: Candidate) -> str:
    return "-" if one.criterion is None else f"{one.criterion:.1f}"


def _why(one: Candidate) -> str:
    return constants.bare(one.shape, one.why.removeprefix("not chosen: "))
