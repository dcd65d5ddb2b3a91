"""What a comparison of one date says, free of format: sentences, labels, numbers and scales."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from logbook.report import marks
from logbook.study.comparison import BY_HAND, NO_CONCENTRATION, Comparison, Line
from logbook.trial.chemistry import ANALYTES
from logbook.trial.times import spoken_day

_EVEN = 100.0  # per cent: up to here either way the scale is even, beyond it logarithmic
SAID_OF_NONE = '"no difference shown": anything within the range fits; it is not "the same"'


@dataclass(frozen=True)
class Entry:
    """One treatment in a row of a figure: mark (as `marks.Mark`), and the same as text."""

    place: int
    code: str
    value: float | None
    low: float | None
    high: float | None
    text: str


@dataclass(frozen=True)
class Group:
    """One nutrient and method: its label and an entry for each treatment."""

    label: str
    method: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Panel:
    """Rows that share a scale. squeezed: per cent, evenly spaced to +-100, then logarithmic."""

    axis: str
    squeezed: bool
    groups: tuple[Group, ...]

    def numbers(self) -> list[float]:
        """Everything that the scale must hold."""
        ends = [e for g in self.groups for one in g.entries for e in (one.value, one.low, one.high)]
        return [end for end in ends if end is not None]


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
        sentences.append(
            f"{count} range{'s' * (count != 1)}, each at 95 % on its own: about one in twenty "
            "such ranges misses the truth by chance"
        )
    endpoint = f"{comparison.endpoint} on day {comparison.endpoint_day}"
    declared = {line.series.treatment for line in comparison.lines if line.declared}
    if declared:
        sentences.append(f"declared beforehand: {endpoint} (marked *); all else is exploratory")
    if len(declared) > 1:
        sentences.append(f"no range is widened for there being {len(declared)} treatments")
    if not declared:
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
    """Methods, bases and laboratories with the nutrients that they are of."""
    owners: dict[str, list[str]] = {}
    for line in lines:
        one = line.series
        what = ", ".join(
            part for part in (one.method, one.basis and f"{one.basis} basis", one.lab) if part
        )
        owners.setdefault(what, []).append(one.analyte)
    return [f"{', '.join(dict.fromkeys(names))}: {what}" for what, names in owners.items()]


def decimals(line: Line) -> int:
    """Decimal places of a line: three digits of its largest difference, four of its means.

    Two for a pH; as many as show that an end of a range that leaves zero out is not zero.
    """
    found = line.row.difference
    if ANALYTES[line.series.analyte].dimension == "acidity":
        return 2
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


def panels(comparison: Comparison) -> list[Panel]:
    """The comparison as rows of a figure: per cent of the control, then pH and EC by themselves."""
    found = []
    for analyte, axis in (
        ("", "difference from the control, % of the control's mean"),
        ("pH", "difference from the control, pH units"),
        ("EC", "difference from the control, dS/m"),
    ):
        mine = [line for line in comparison.lines if _own(line) == analyte]
        if mine:
            groups = _groups(mine, comparison.treatments, not analyte)
            found.append(Panel(axis, not analyte, groups))
    return found


def _own(line: Line) -> str:
    """The analyte whose panel a line stands in, "" for the one that all concentrations share."""
    return line.series.analyte if line.series.analyte in ("pH", "EC") else ""


def _groups(lines: Sequence[Line], codes: Sequence[str], shares: bool) -> tuple[Group, ...]:
    kinds: dict[tuple[str, ...], list[Line]] = {}
    for line in lines:
        one = line.series
        kinds.setdefault((one.analyte, one.method, one.basis, one.lab, one.unit), []).append(line)
    order = {name: place for place, name in enumerate(ANALYTES)}
    ordered = sorted(kinds, key=lambda kind: (kind[0] != "mineral-N", order[kind[0]], kind))
    return tuple(
        Group(
            label(kinds[kind][0]),
            kind[1],
            tuple(_entry(line, codes.index(line.series.treatment), shares) for line in kinds[kind]),
        )
        for kind in ordered
    )


def _entry(line: Line, place: int, shares: bool) -> Entry:
    """A line on its panel's scale; not drawn, but told in its own unit, where per cent mislead."""
    one = line.row.difference.against_control
    code = line.series.treatment
    if not shares:
        return Entry(place, code, one.value, one.low, one.high, _own_text(line))
    if line.level is None:
        told = _own_text(line)
        unit = "" if told.startswith("cannot") else f" {line.series.unit}; no %"
        return Entry(place, code, None, None, None, f"{told}{unit}")
    value, low, high = (
        None if end is None else 100.0 * end / line.level for end in (one.value, one.low, one.high)
    )
    return Entry(place, code, value, low, high, _told(value, low, high, percent, " %", line))


def _own_text(line: Line) -> str:
    one, places = line.row.difference.against_control, decimals(line)
    return _told(one.value, one.low, one.high, lambda x: marks.signed(x, places), "", line)


def _told(
    value: float | None,
    low: float | None,
    high: float | None,
    number: Callable[[float], str],
    unit: str,
    line: Line,
) -> str:
    """A mark in figures: the value and its range, possible values in brackets, or why neither."""
    if value is not None:
        if low is None or high is None:
            return f"{number(value)}{unit} ({line.finding.removeprefix('cannot say: ')})"
        return f"{number(value)}{unit} ({number(low)} to {number(high)})"
    if low is not None and high is not None:
        return f"[{number(low)} to {number(high)}{unit}]"
    if low is not None:
        return f"[{number(low)}{unit} or more]"
    return line.finding if high is None else f"[{number(high)}{unit} or less]"


def percent(share: float) -> str:
    """A signed percentage: one decimal below ten, thousands set apart."""
    if abs(share) >= 1e6:
        return f"{share:+.3g}"
    text = f"{share:+,.1f}" if abs(share) < 9.95 else f"{share:+,.0f}"
    return "0" if float(text.replace(",", "")) == 0.0 else text


def squeezed(share: float) -> float:
    """A percentage's place on the scale: even to +-100 %, beyond it a unit for each tenfold."""
    part = share / _EVEN
    return part if abs(part) <= 1.0 else math.copysign(1.0 + math.log10(abs(part)), part)


def share_ticks(low: float, high: float, columns: int) -> list[float]:
    """Ticks between two percentages, as many as have room on an axis of so many characters.

    Round numbers inside +-100 %; where the scale goes on, zero and +-100 first, then the tens,
    then what lies between them.
    """
    far = max(abs(low), abs(high))
    if far <= _EVEN:
        return marks.value_ticks(low, high, 4)
    powers = [10.0**power for power in range(math.floor(math.log10(far)), 2, -1)]
    between = [factor * power for power in (100.0, *powers) for factor in (2, 5)]
    wanted = [0.0] + [s * one for one in (100.0, *powers, 50.0, *between) for s in (1, -1)]
    a_column = (squeezed(high) - squeezed(low)) / columns
    kept: list[float] = []
    for tick in wanted:
        if low <= tick <= high and all(_apart(tick, other, a_column) for other in kept):
            kept.append(tick)
    return sorted(kept)


def _apart(one: float, other: float, a_column: float) -> bool:
    """Whether the labels of two ticks stand clear of each other."""
    needed = (len(percent(one)) + len(percent(other))) / 2 + 1
    return abs(squeezed(one) - squeezed(other)) >= needed * a_column
