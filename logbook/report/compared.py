"""What a comparison of one date says, free of format: sentences, labels, numbers and scales."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from logbook.report import marks
from logbook.study.comparison import NO_CONCENTRATION, Comparison, Line
from logbook.study.placing import BY_HAND
from logbook.trial.chemistry import ANALYTES
from logbook.trial.times import spoken_day

SAID_OF_NONE = '"no difference shown": anything within the range fits; it is not "the same"'


def title(comparison: Comparison) -> str:
    """What is compared, and when."""
    return f"{comparison.pull}: difference of every treatment from the control"


def dates(lines: Iterable[Line]) -> str:
    """The field days of some lines, "Wed 11 Nov 2026" or "... to ..."."""
    found = [day for line in lines for day in (line.row.first, line.row.last) if day is not None]
    first, last = spoken_day(min(found)), spoken_day(max(found))
    return first if first == last else f"{first} to {last}"


def head(comparison: Comparison) -> list[str]:
    """What a table of many ranges is, and is not."""
    count = sum(_closed(line) for line in comparison.lines)
    sentences = [] if comparison.randomised else [BY_HAND]
    if count:
        treatments = len({line.series.treatment for line in comparison.lines if _closed(line)})
        widened = f", not widened for there being {treatments} treatments" * (treatments > 1)
        sentences.append(
            f"{count} range{'s' * (count != 1)}, each at 95 % on its own{widened}: about one in "
            "twenty such ranges misses the truth by chance"
        )
    endpoint = f"{comparison.endpoint} on day {comparison.endpoint_day}"
    if any(line.declared for line in comparison.lines):
        sentences.append(f"declared beforehand: {endpoint} (marked *); all else is exploratory")
    else:
        sentences.append(f"all of it is exploratory: declared beforehand was {endpoint}")
    return sentences


def _closed(line: Line) -> bool:
    """Whether a line has a 95 % range (and not one of possible values)."""
    one = line.row.difference.against_control
    possible = line.row.difference.method == "bounds"
    return not possible and one.low is not None and one.high is not None


def label(line: Line) -> str:
    """The nutrient, with its unit where that is not the usual mg/kg; "*" if declared."""
    name = line.series.analyte
    unit = "" if line.series.unit in ("mg/kg", name) else f" {line.series.unit}"
    return f"{name}{unit}{' *' if line.declared else ''}"


def sources(lines: Iterable[Line]) -> list[str]:
    """What was measured by which method, a sentence for each basis and laboratory."""
    owners: dict[str, dict[str, list[str]]] = {}
    for line in lines:
        one = line.series
        whose = ", ".join(part for part in (one.basis and f"{one.basis} basis", one.lab) if part)
        owners.setdefault(whose, {}).setdefault(one.method, []).append(one.analyte)
    found = []
    for whose, methods in owners.items():
        told = "; ".join(
            f"{', '.join(dict.fromkeys(names))}{f' by {method}' if method else ''}"
            for method, names in methods.items()
        )
        found.append(f"{whose}: {told}" if whose else told)
    return found


def decimals(line: Line) -> int:
    """Decimal places of a line: three digits of its largest difference, four of its means.

    Two for a pH; of single beds those that their results have; as many as show that an end of a
    range that leaves zero out is not zero.
    """
    found = line.row.difference
    if ANALYTES[line.series.analyte].dimension == "acidity":
        return 2
    if found.method == "one bed":
        return marks.places_of_single([line.row])
    one = found.against_control
    ends = [abs(end) for end in (one.value, one.low, one.high) if end is not None]
    means = [abs(m) for m in (found.treated_mean, found.control_mean) if m is not None]
    usual = marks.places_for(ends)
    usual = min(usual, marks.places_for(means) + 1) if means else usual
    if not line.shown:
        return usual
    return min(max(usual, -math.floor(math.log10(min(ends)))), 6)


def ratio_text(line: Line) -> str:
    """ "2.13 (1.81 to 2.52)", the ratio alone where it has no range, "" where it is not meant."""
    one = line.ratio
    if one.value is None:
        return ""
    if one.low is None or one.high is None:
        return marks.digits(one.value)
    return f"{marks.digits(one.value)} ({marks.digits(one.low)} to {marks.digits(one.high)})"


def reasons(lines: Sequence[Line], *, ratios: bool) -> list[str]:
    """Why a range or a difference is missing, and with `ratios` a ratio; whose reason it is."""
    from logbook.analysis.series import POSSIBLE

    owners: dict[str, list[str]] = {}
    for line in lines:
        found = line.row.difference
        why = [found.against_control.reason]
        if ratios and found.method != "none" and not found.method.startswith("bounds"):
            why.append(line.ratio.reason)
        for reason in dict.fromkeys(why):
            if reason and reason not in (POSSIBLE, NO_CONCENTRATION):
                owners.setdefault(reason, []).append(line.series.analyte)
    return [
        reason if len(about) == len(lines) else f"{', '.join(dict.fromkeys(about))}: {reason}"
        for reason, about in owners.items()
    ]


def difference(line: Line) -> str:
    """T - C and its range in figures, possible values in brackets, or why neither."""
    one, places = line.row.difference.against_control, decimals(line)
    value, low, high = (
        None if end is None else marks.signed(end, places) for end in (one.value, one.low, one.high)
    )
    if value is not None:
        if low is None or high is None:
            return f"{value} ({line.finding.removeprefix('cannot say: ')})"
        return f"{value} ({low} to {high})"
    if low is not None and high is not None:
        return f"[{low} to {high}]"
    if low is not None:
        return f"[{low} or more]"
    return line.finding if high is None else f"[{high} or less]"
