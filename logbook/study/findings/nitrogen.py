"""What is found of mineral N: below the control or not, and the curve."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.study.deeper import maybe_deeper
from logbook.study.findings.content import Finding, listed, made, number, signed, size, span
from logbook.study.findings.pulls import called, numbers, words
from logbook.study.losses import TIED_UP
from logbook.study.series import Row, Series
from logbook.study.supply import seen
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from logbook.analysis.below import Below
    from logbook.analysis.fits import Fit
    from logbook.analysis.intervals import Interval
    from logbook.study.fitted import Fitted


def design_of(rows: Sequence[Row], method: str = "") -> str:
    """ "4+8 beds, within blocks": treated and control beds behind some rows, how it was made."""
    treated = sorted({row.difference.treated_beds for row in rows})
    control = sorted({row.difference.control_beds for row in rows})
    plus = "+" if len(treated) < 2 and len(control) < 2 else " + "
    beds = f"{_from_to(treated)}{plus}{_from_to(control)} beds"
    how = made(method)
    return f"{beds}, {how}" if how else beds


def _from_to(counts: Sequence[int]) -> str:
    if not counts:
        return "0"
    return f"{counts[0]}" if len(counts) == 1 else f"{counts[0]} to {counts[-1]}"


SOME_DAYS = 3.0  # from application on, before a fall can be said to have followed it
AT_START = (
    "below the control already on day 0: beds differed from the start, or it happened within "
    "hours: cause not shown"
)
BEFORE = "below the control already before application: beds differed from the start"
TOO_SOON = f"seen before day {SOME_DAYS:g} only: cause not shown"
NO_BEFORE = "no pull before application was compared: that the beds were alike then is not shown"


def not_caused(series: Series, below: Below) -> str:
    """Why a deficit may not have followed application at all, "" where it did."""
    before = [row.difference for row in series.rows if row.difference.day < 0.0]
    if any(one.against_control.high is not None and one.against_control.high < 0 for one in before):
        return BEFORE
    if 0.0 in below.days_below:
        return AT_START if before else f"{AT_START}; no pull before application was compared"
    return "" if max(below.days_below, default=0.0) >= SOME_DAYS else TOO_SOON


def tied(word: str, why: Sequence[str]) -> str:
    """What made mineral N stand below the control, as far as losses and ammonium tell."""
    reasons = f" ({'; '.join(map(counted, why))})" if why else ""
    if word != TIED_UP:
        return f"{word}{reasons}"
    return f"tied up, as far as this trial can tell: ammonium counted, no loss seen{reasons}"


_MANY = 3  # beds that are named one by one; more are counted
_BEDS = re.compile(r"(?<=^how wet ).+?(?= stood )")


def counted(sentence: str) -> str:
    """Many beds of which wetness cannot be judged as a number of beds."""

    def count(found: re.Match[str]) -> str:
        beds = sum(map(_in_range, found[0].split(", ")))
        return found[0] if beds <= _MANY else f"{beds} beds"

    return _BEDS.sub(count, sentence)


def _in_range(labels: str) -> int:
    """How many labels `B17-B20` stands for."""
    ends = re.fullmatch(r"\D*(\d+)-\D*(\d+)", labels)
    return 1 if ends is None else int(ends[2]) - int(ends[1]) + 1


def below_findings(series: Series, tied: str) -> Iterator[Finding]:
    """Mineral N below the control, and the day level with it again; tied: what made it so."""
    fitted = series.fitted
    if fitted is None or fitted.below is None:
        return
    below = fitted.below
    design = design_of([row for row in series.rows if row.difference.day in below.days])
    start = Finding("nitrogen", series.analyte, "", "", unit=series.unit, design=design)
    blind = unseen(series, below)
    if blind:
        said = f"whether mineral N was below the control: cannot say: on {blind} {SPREAD_UNSEEN}"
        yield replace(start, kind="cannot say", sentence=said)
        return
    if not below.shown:
        if not below.days:
            yield from _alone(start, series)
        elif below.bounds:
            yield _not_below(start, series, below)
        return
    yield _depth(start, series, below, tied)
    if below.level is not None:
        yield _level(start, series, below, below.level)


def _depth(start: Finding, series: Series, below: Below, tied: str) -> Finding:
    depth = below.depth
    found = f"mineral N was below the control {_days(series, below)}"
    deeper = maybe_deeper(series)
    if depth is None or depth.value is None:
        return replace(start, kind="below control", sentence=f"{found}; {tied}")
    alone = below.days_below == (below.trough_day,) and not deeper
    of_used = " of the pulls that can be used" * bool(deeper)
    lowest = called(series, below.trough_day)
    most = "" if alone else f", most{of_used} on {lowest}:"
    found += f"{most} by {number(depth.value)} {series.unit}"
    ends = f" ({span(depth.low, depth.high)}, {AT_ONCE})"
    found += ends if depth.low is not None else f" ({depth.reason_low})" * bool(depth.reason_low)
    found += diluted(series)
    if below.trough_day not in below.days_below:
        found += ", not shown of that day alone"
    found += _share(series, below)
    found += f"; {words(series, deeper, number)}" * bool(deeper)
    return replace(
        start,
        kind="below control",
        sentence=f"{found}; {tied}",
        value=depth.value,
        low=depth.low,
        high=depth.high,
        pull=lowest,
    )


#: What the brackets of a deficit hold, wider than a range of one date.
AT_ONCE = "a bound for all pulls at once"
SPREAD_UNSEEN = "the beds agree to the last digit reported, so that their spread is not known"


def unseen(series: Series, below: Below) -> str:
    """The days on which beds agree to the last digit, "" without any that matters: no bound."""
    blind = [
        day
        for day, bound in zip(below.days, below.bounds, strict=True)
        if seen(bound).low is None and (not below.shown or day in below.days_below)
    ]
    return listed([called(series, day) for day in blind])


def _not_below(start: Finding, series: Series, below: Below) -> Finding:
    """Not shown below at any pull, and how far below it may have been all the same."""
    least = min(one.low for one in below.bounds if one.low is not None)
    count = len(below.days)
    when = f"at any of {count} pulls" if count > 1 else f"on {called(series, below.days[0])}"
    said = f"mineral N was not shown to be below the control {when}"
    if least >= 0.0:
        said += f": it was above, by {AT_ONCE}{diluted(series)}"
        return replace(start, kind="no difference shown", sentence=said)
    said += f": at most {number(-least)} {series.unit} below fits, by {AT_ONCE}{diluted(series)}"
    deeper = maybe_deeper(series)
    said += f"; {words(series, deeper, number)}" * bool(deeper)
    return replace(start, kind="no difference shown", sentence=said, high=-least)


def _alone(start: Finding, series: Series) -> Iterator[Finding]:
    """One bed a side: whether mineral N was below the control is not for them to say."""
    seen = [
        (row.difference.against_control.value, row.difference.day)
        for row in series.rows
        if row.difference.day >= 0.0 and row.difference.against_control.value is not None
    ]
    if not seen:
        return
    said = "whether mineral N was below the control: cannot say: one bed on a side"
    value, day = min(seen)
    if value < 0.0:
        lowest = f"{signed(value)} {series.unit} on {called(series, day)}"
        said += f"; the lowest, {lowest}, is between single beds"
    design = design_of([row for row in series.rows if row.difference.day >= 0.0])
    yield replace(start, kind="cannot say", sentence=said, design=design)


#: Share of the dry mass from which on a bed's own and the amendment's difference are both said.
DILUTES = 0.01


def diluted(series: Series) -> str:
    """Whether the dilution by the amendment itself was taken off, where that matters."""
    if not series.points.corrected:
        return ", the amendment's dilution not known and not taken off"
    if series.dilution is None or series.dilution < DILUTES:
        return ""
    return ", with the amendment's dilution taken off"


def _days(series: Series, below: Below) -> str:
    """ "from day 3 to day 21", or each day where a pull between them was not shown below."""
    pulls = {row.difference.day for row in series.rows}
    under = below.days_below
    first, last = under[0], under[-1]
    if first == last:
        return f"on {called(series, first)}"
    if {day for day in pulls if first <= day <= last} == {*under}:
        return f"from {called(series, first)} to {called(series, last)}"
    return f"on days {listed(numbers(series, under))}"


def _share(series: Series, below: Below) -> str:
    """What the treated beds then held, as a share of the control's mineral N."""
    from logbook.analysis.ratios import ratio_of

    rows = [row for row in series.rows if row.difference.day == below.trough_day]
    if not rows:
        return ""
    ratio = ratio_of(rows[0].observations, None)
    if ratio.value is None:
        return ""
    held = f"; the beds then held {100.0 * ratio.value:.0f} % of the control's mineral N"
    if ratio.low is not None and ratio.high is not None:
        held += f" ({100.0 * ratio.low:.0f} to {100.0 * ratio.high:.0f} %)"
    return held


def _level(start: Finding, series: Series, below: Below, level: Interval) -> Finding:
    """Level with the control again, on about which day."""
    last = called(series, below.days[-1])
    if level.value is None:
        said = f"it was not shown to be level with the control again by {last}"
    else:
        said = f"level with the control again about day {level.value:.0f}"
        if level.low is not None and level.high is not None:
            said += f" ({level.low:.0f} to {level.high:.0f})"
        elif level.high is None:
            said += f" by the means, but not shown to be level by {last}"
        else:
            said += f" ({level.high:.0f} at the latest; {level.reason_low})"
    if below.bracket is not None and below.bracket[1] is not None:
        under, again = (called(series, day) for day in below.bracket)
        said += f"; by the means below on {under}, not on {again}"
    return replace(
        start,
        kind="level with control again",
        sentence=said,
        value=level.value,
        low=level.low,
        high=level.high,
        unit="days",
    )


def curve_finding(series: Series) -> Finding | None:
    """What the whole curve says: levels off, still rising, or no shape to speak of."""
    fitted = series.fitted
    if fitted is None or not series.points.days:
        return None
    said, interval = _curve(series, fitted)
    if not said:
        return None
    kept = [row for row in series.rows if row.difference.day in series.points.days]
    slope = "a" in fitted.constants
    return Finding(
        topic="nitrogen",
        about=series.analyte,
        kind="curve",
        sentence=said,
        value=None if interval is None else interval.value,
        low=None if interval is None else interval.low,
        high=None if interval is None else interval.high,
        unit=f"{series.unit} a day" if slope else series.unit,
        design=design_of(kept, "" if interval is None else interval.method),
    )


def _curve(series: Series, fitted: Fitted) -> tuple[str, Interval | None]:
    from logbook.analysis.choice import Printed

    choice, found = fitted.choice, fitted.constants
    days, values, unit = series.points.days, series.points.values, series.unit
    one = choice.chosen
    over = f"over {age_text(max(days))} days"
    if one is None or choice.printed is Printed.NOTHING:
        return _no_curve(fitted, values, over), None
    if "a" in found:
        return _straight(series, fitted, found["a"]), found["a"]
    if choice.printed is Printed.CURVE:
        return _shape_only(one, choice.sentence, over), None
    if "A" not in found:
        return f"the pulls follow {_shape(one)} {over}", None
    ceiling, rate = found["A"], found.get("t1/2")
    said, way = _rise(ceiling, unit, _from(one))
    if rate is not None and rate.value is not None:
        ends = span(rate.low, rate.high)
        said += f", half of the {way} within {number(rate.value)} days ({ends})"
    return f"{said} (first order, {over})", ceiling


def _no_curve(fitted: Fitted, values: Sequence[float], over: str) -> str:
    """Why the pulls have no curve: all alike, too few, or none that fits."""
    if values and max(values) == min(values):
        return f"every pull shows an equal difference: no curve is given {over}"
    choice = fitted.choice
    if choice.chosen is None and all("too few pulls" in c.why for c in choice.candidates):
        said = "cannot say how it goes between the pulls, nor after them"
        return f"{said}: too few pulls for a curve"
    return f"no curve is given of the pulls: {choice.sentence}"


def _from(one: Fit) -> str:
    """The start that a rise counts from: "its start (+2.5 on day 0)"."""
    start = one.parameter("D0").value if one.free_start else None
    if start is None:
        return "from no difference on day 0"
    return f"its start ({signed(start)} on day 0)"


def _rise(ceiling: Interval, unit: str, start: str) -> tuple[str, str]:
    """How far it rises (or falls) from its start: what a ceiling is, and never a plateau's level.

    Open where an end is; "rise" or "fall" beside the sentence.
    """
    falls = ceiling.value is not None and ceiling.value < 0.0
    way, beyond = ("fall", "below") if falls else ("rise", "above")
    if start.startswith("from"):
        beyond = ""
    if ceiling.value is None or ceiling.high is None or ceiling.low is None:
        why = ceiling.reason_high or ceiling.reason_low
        value = "" if ceiling.value is None else f"{signed(ceiling.value)} "
        ends = span(ceiling.low, ceiling.high)
        said = f"how far it {way}s is open: {value}({ends}) {unit} {beyond} {start}; {why}"
        return " ".join(said.split()), way
    low, high = (-ceiling.high, -ceiling.low) if falls else (ceiling.low, ceiling.high)
    said = f"{way}s by {number(abs(ceiling.value))} ({span(low, high)}) {unit} {beyond} {start}"
    return " ".join(said.split()), way


_WITHOUT = re.compile(r"without days? ([\d., ]+\d)")


def _when(series: Series, slope: Interval) -> tuple[float, str]:
    """The last day that a rate is of, and how to say it: days may be left out for gaps."""
    days = series.points.days
    found = _WITHOUT.search(slope.method)
    gone = {float(day) for day in found[1].split(", ")} if found else set()
    used = max((day for day in days if float(age_text(day)) not in gone), default=max(days))
    if used == max(days):
        return used, f"at the last pull ({called(series, used)})"
    return used, f"up to {called(series, used)}, the last pull that is read here"


def _straight(series: Series, fitted: Fitted, slope: Interval) -> str:
    """A straight line: still rising, still falling, or no change with time shown.

    "Still" needs the last pulls to show it by themselves: a line may slope through a dip.
    """
    (last, when), unit = _when(series, slope), series.unit
    if slope.value is None or slope.low is None or slope.high is None:
        why = slope.reason_low or slope.reason_high
        return f"cannot say whether it still changes {when}: {why}"
    ends = f"{number(slope.low)} to {number(slope.high)} {unit} a day"
    if slope.low > 0.0 or slope.high < 0.0:
        way = "rising" if slope.low > 0.0 else "falling"
        value = number(abs(slope.value))
        late = fitted.last_slope(last)
        if late is not None and not same_way(late, slope):
            return f"{_by_all(slope, unit, last)}; {_of_the_last(late, way, unit)}"
        return (
            f"still {way} {when}: by {value} {unit} a day "
            f"({size(slope.low, slope.high)}); where it levels off was not reached"
        )
    return f"no change with time shown after application: {ends} fits, over {age_text(last)} days"


def same_way(late: Interval, whole: Interval) -> bool:
    """Whether the last pulls alone are shown to go the way of them all."""
    if late.low is None or late.high is None or whole.value is None:
        return False
    return late.low > 0.0 if whole.value > 0.0 else late.high < 0.0


def _by_all(slope: Interval, unit: str, last: float) -> str:
    """ "rises by 0.036 mg/kg a day (0.01 to 0.062) on a straight line through all pulls"."""
    assert slope.value is not None and slope.low is not None and slope.high is not None
    verb, value = "rises" if slope.value > 0.0 else "falls", number(abs(slope.value))
    ends = size(slope.low, slope.high)
    return f"{verb} by {value} {unit} a day ({ends}) on a straight line over {age_text(last)} days"


def _of_the_last(late: Interval, way: str, unit: str) -> str:
    """What the last pulls do not show by themselves."""
    from logbook.analysis.intervals import LAST_PULLS

    why = late.reason_low or late.reason_high
    if late.low is not None and late.high is not None:
        why = f"{span(late.low, late.high)} {unit} a day fits"
    return f"by the last {LAST_PULLS} pulls alone it is not shown to be {way} still: {why}"


def _shape_only(one: Fit, why: str, over: str) -> str:
    return f"the course {over}: {_shape(one)}; no rates are given: {why}"


#: Labels of fits in the words of screens.
_SHAPES = {
    "fall, then recovery": "below the control, then recovery",
    "fall in two phases": "below the control in two phases",
}


def _shape(one: Fit) -> str:
    return _SHAPES.get(one.label, one.label or one.shape)
