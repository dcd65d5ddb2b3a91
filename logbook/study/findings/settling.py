"""What would settle what is open: beds, pulls, and what has not been measured."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from logbook.study.findings import dated
from logbook.study.findings.content import Finding, number
from logbook.study.findings.nitrogen import same_way
from logbook.study.findings.pulls import called

if TYPE_CHECKING:
    from logbook.study.comparison import Line
    from logbook.study.fitted import Declared
    from logbook.study.series import Series

#: Without a declared or seen spread: what a plan may reckon with for nitrate between beds.
USUAL_CV = 0.15
_WIDE = 10.0  # days between two pulls that leave a bracket worth narrowing


def settling(
    series: Series | None, endpoint: Line | None, declared: Declared, missing: Sequence[str]
) -> Iterator[str]:
    """A sentence for each thing that would settle something; missing: what is not known yet.

    series: mineral-N of the treatment; endpoint: its comparison declared beforehand, if there.
    """
    if endpoint is not None:
        yield from _beds(endpoint, declared)
    if series is not None and series.fitted is not None and series.points.days:
        yield from _pulls(series)
    for one in missing:
        yield f"write down {one}"


def _beds(line: Line, declared: Declared) -> Iterator[str]:
    """More beds: where one a side allows no test, or where nothing was shown."""
    found = line.row.difference
    fewest = min(found.treated_beds, found.control_beds)
    unit = line.series.unit
    if fewest < 2:
        cv = declared.cv or USUAL_CV
        whose = "declared" if declared.cv else "a usual one, no source"
        yield (
            "three beds or more a treatment, in blocks with a control each: with 4 a side and a "
            f"CV of {100.0 * cv:.0f} % ({whose}), a difference of {_share(4, cv):.0f} % of the "
            "level is shown four times in five"
        )
        return
    # Without a margin declared nobody said which difference matters: then no number is named.
    wanted, sd = declared.margin, dated.spread(line)
    if dated.kind_of(line) != dated.NOT_SHOWN or wanted is None or sd is None:
        return
    one = found.against_control
    if one.low is not None and one.high is not None and -wanted < one.low < one.high < wanted:
        return
    present = (found.treated_beds, found.control_beds)
    needed = _needed(wanted, sd, present, found.method == "within-block")
    if needed:
        yield f"to show a difference of {number(wanted)} {unit} (the margin): {needed}"


def _share(beds: int, cv: float) -> float:
    from logbook.analysis import design

    able = design.detectable(beds, beds, 100.0 * cv).value
    return math.nan if able is None else able


def _needed(difference: float, sd: float, present: tuple[int, int], in_blocks: bool) -> str:
    """How many beds show a difference four times in five, "" where those present are enough."""
    from logbook.analysis import design
    from logbook.errors import UserMistake

    try:
        beds = design.beds_needed(difference, sd, in_blocks=in_blocks)
    except UserMistake:
        return "more beds than any trial has"
    if beds.treated <= present[0] and beds.control <= present[1]:
        return ""
    if in_blocks:
        return f"{beds.treated} blocks, each with a treated and a control bed"
    return f"{beds.treated} treated and {beds.control} control beds"


def _pulls(series: Series) -> Iterator[str]:
    """Further pulls: after the last, in a wide bracket, or more of them for a shape."""
    fitted, days = series.fitted, series.points.days
    assert fitted is not None
    last = max(days)
    below = fitted.below
    if below is not None and below.shown and below.bracket is not None:
        start, end = below.bracket
        if end is None:
            not_level = "level with the control again was not shown by then"
            yield f"pulls after {called(series, last)}: {not_level}"
        elif end - start > _WIDE:
            between = f"{called(series, start)} and {called(series, end)}"
            yield f"a pull between {between}, where it came level again"
    slope = fitted.constants.get("a")
    if slope is not None and slope.low is not None and slope.low > 0.0:
        late = fitted.last_slope(last)
        goes_on = late is None or same_way(late, slope)
        what = "where it levels off was not reached" if goes_on else "whether it still rises"
        yield f"pulls after {called(series, last)}: {what}"
    ceiling = fitted.constants.get("A")
    if ceiling is not None and (ceiling.high is None or ceiling.low is None):
        yield f"pulls after {called(series, last)}: where it levels off is open"
    few = all("too few" in c.why for c in fitted.choice.candidates)
    if fitted.choice.chosen is None and few and len({*series.points.values}) > 1:
        need = fitted.choice.candidates[0].why if fitted.choice.candidates else ""
        yield f"more pulls: {need.removeprefix('too few pulls: ')}" if need else "more pulls"


def exploratory(findings: Sequence[Finding]) -> str:
    """How many comparisons were made that nobody had declared, and what chance alone does."""
    tested = [one for one in findings if not one.declared and one.low is not None and one.method]
    if not tested:
        return ""
    count = len(tested)
    return (
        f"{count} comparison{'s' * (count != 1)} of single dates here not declared beforehand: "
        'exploratory; "perhaps" marks what chance among all tests of a nutrient may explain; among '
        "many nutrients one may still differ by chance"
    )
