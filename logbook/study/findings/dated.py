"""What is shown on one date: by the beds of a line, and beside all that was compared with it.

A difference is said in the nutrient's unit, with the range of its own beds. Several amendments
beside one control, and several dates, raise the chance that something differs: where the tests of
`study.tested` leave that chance, the line says "perhaps", and why.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from logbook.study.findings.content import number, size, span
from logbook.study.tested import ALPHA, direction, p_text

if TYPE_CHECKING:
    from logbook.study.comparison import Line
    from logbook.study.tested import Tested

NOT_SHOWN = "no difference shown"


def kind_of(line: Line) -> str:
    """The kind of finding that a line is, see `content.KINDS`."""
    return said_of(line)[0]


def said_of(line: Line) -> tuple[str, str]:
    """The kind of a line and its sentence, without the nutrient's name."""
    if line.row.difference.method == "bounds":
        return "cannot say", _bounded(line)
    if line.finding.startswith("cannot say"):
        return "cannot say", f"cannot say: {line.sentence}"
    one, test = line.row.difference.against_control, line.test
    if one.low is None or one.high is None:
        return "cannot say", f"cannot say: {line.sentence}"
    if line.shown:
        return _shown(line, one.low, one.high, test)
    if test is not None and test.finding and test.finding != NOT_SHOWN:
        # Ratios may show what the differences of few beds do not: then they are what is said.
        more = test.line.estimate is not None and test.line.estimate > _nothing(test)
        kind = "more" if more else "less"
        perhaps = test.finding.startswith("perhaps")
        own = f"by differences of its own beds {ends_of(line)} {line.series.unit} fits"
        return (f"perhaps {kind}" if perhaps else kind), f"{test.sentence}; {own}"
    ends = f"{number(one.low)} to {number(one.high)} {line.series.unit}"
    return NOT_SHOWN, f"{NOT_SHOWN}: anything from {ends} fits"


def _bounded(line: Line) -> str:
    """Results beyond the laboratory's limits: what the difference may be, without any chance."""
    one = line.row.difference.against_control
    if one.low is None and one.high is None:
        return f"cannot say: {line.sentence}"
    ends = f"{span(one.low, one.high)} {line.series.unit}"
    return f"cannot say: results beyond the reporting limits leave open {ends}; no 95 % range"


def _nothing(test: Tested) -> float:
    """What no difference is on the scale of a test."""
    return 1.0 if test.family.scale == "ratio" else 0.0


def _shown(line: Line, low: float, high: float, test: Tested | None) -> tuple[str, str]:
    """A difference that its own beds show; "perhaps" where the tests leave it to chance."""
    kind, unit = "more" if line.shown > 0 else "less", line.series.unit
    said = f"{direction(line.series.analyte, line.shown > 0)} than the control by "
    value = line.row.difference.against_control.value
    if value is None:
        said += f"{size(low, high)} {unit}: {line.row.difference.against_control.reason}"
    else:
        said += f"{number(abs(value))} {unit} ({size(low, high)})"
    chance = "" if test is None else _chance(test, line.series.analyte)
    if chance:
        return f"perhaps {kind}", f"perhaps {said}: {chance}"
    return kind, said


def _chance(test: Tested, analyte: str) -> str:
    """Why a difference may be chance all the same, "" where the tests show it."""
    if test.p is None or test.finding in ("more", "less", "higher", "lower"):
        return ""
    if test.p > ALPHA:
        others = sum(one.p is not None for one in test.family.lines)
        beside = f"the {others} amendments of the date" if others > 1 else "ratios"
        return f"not beyond chance among {beside} (p {p_text(test.p)})"
    if test.p_exploratory is not None and test.p_exploratory > ALPHA:
        more = f"not beyond chance among {test.tests} tests of {analyte}"
        return f"{more} (p {p_text(test.p_exploratory)})"
    return ""


def ends_of(line: Line) -> str:
    """The range of a line's own beds, "-2.6 to 10.1"."""
    one = line.row.difference.against_control
    return span(one.low, one.high)


def spread(line: Line) -> float | None:
    """The standard deviation between beds that a line's own interval comes from; None without."""
    from logbook.analysis.tails import t_quantile

    found = line.row.difference
    one = found.against_control
    if one.low is None or one.high is None or one.df is None or not one.high > one.low:
        return None
    error = (one.high - one.low) / 2.0 / t_quantile(0.975, one.df)
    return error / math.sqrt(1.0 / found.treated_beds + 1.0 / found.control_beds)
