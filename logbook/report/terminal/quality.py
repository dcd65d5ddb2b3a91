"""Queries, control charts and repeatability on a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from logbook.analysis.repeatability import limit_r
from logbook.report.terminal.tables import say, table, wrapped
from logbook.study.queries import KINDS, MOOT
from logbook.trial.times import span, spoken_day
from logbook.trial.units import rounded

if TYPE_CHECKING:
    from logbook.study.quality import Pair, Precision
    from logbook.study.queries import Line
    from logbook.study.references import Chart, Measured, OverTime

_WIDTH = 78
_HALF = 15  # columns from the centre of a chart to 3 s


def show_queries(lines: Sequence[Line], today: date) -> None:
    """Each query with its deadline, in the order given."""
    for one in lines:
        asked = one.query
        where = f"  {one.bed}" if one.bed else ""
        say(wrapped(f"{asked.sample}:{asked.analyte}{where}  {_until(one, today)}", _WIDTH))
        told = f"{KINDS.get(asked.kind, asked.kind)} (report {asked.report}): {asked.what}"
        say(f"  {line}" for line in wrapped(told, _WIDTH - 2, ""))
        for ended in _ended(one):
            say(f"  {line}" for line in wrapped(ended, _WIDTH - 2, ""))


def _ended(one: Line) -> Iterator[str]:
    """What was answered and why, and why a question is moot."""
    said = one.answer.text if one.answer is not None else ""
    # The reason of what was put in question by hand stands in the question.
    if one.answer is not None and said and not one.query.what.endswith(f": {said}"):
        yield f"{one.answer.what}: {said}"
    if one.state == MOOT:
        yield f"{MOOT}: {one.cause}"


def _until(one: Line, today: date) -> str:
    if one.state == MOOT:
        return MOOT
    if not one.open:
        return one.state if one.answer is None else f"{one.state}, {one.answer.when.spoken}"
    if one.query.deadline is None:
        return "open"
    if one.overdue(today):
        return f"overdue: the soil was kept until {spoken_day(one.query.deadline)}, most likely"
    left = span((one.query.deadline - today).days)
    return f"ask until {spoken_day(one.query.deadline)} ({left})"


def show_chart(chart: Chart) -> None:
    """One control chart: a line for each result, its place between -3 s and +3 s."""
    lab, analyte, method, basis = chart.kind
    unit = "" if chart.unit == analyte else f", {chart.unit}"
    say(wrapped(f"{chart.name}: {analyte} by {method}, {basis}, {lab}{unit}", _WIDTH))
    say(wrapped(_assigned(chart), _WIDTH))
    table(
        ("report", "day", "value", "s", _scale()),
        [
            (one.report, spoken_day(one.day), _four(one.shown), _z(one), _bar(one))
            for one in chart.results
        ],
        right="23",
    )
    told = [
        f"report {one.report}: {why.replace(f'gave {one.shown} ', f'gave {_four(one.shown)} ')}"
        for one, why in chart.out()
    ]
    for why in told or [_nothing(chart)]:
        say(wrapped(why, _WIDTH))


def _four(text: str) -> str:
    """A number with its sign, four significant digits at most: the charted values are stored."""
    sign = text[: len(text) - len(text.lstrip("<>"))]
    try:
        return sign + rounded(Decimal(text.lstrip("<>")))
    except InvalidOperation:
        return text


def _assigned(chart: Chart) -> str:
    if chart.assigned is None:
        value = "no assigned value is written down"
    else:
        spread = "no sd" if chart.sd is None else f"sd {chart.sd:.4g}"
        of = f" in {chart.trial}" if chart.trial else ""
        value = f"assigned {chart.assigned:.4g} ({spread}){of}"
    newest = next((one.point for one in reversed(chart.results) if one.point is not None), None)
    if chart.blank or newest is None or newest.limits is None:
        return value
    limits = newest.limits
    return (
        f"{value}; the newest result is held against {limits.centre:.4g}, s {limits.sd:.3g} "
        f"({limits.source})"
    )


def _nothing(chart: Chart) -> str:
    if chart.blank:
        return "no blank above its limit"
    if not any(one.point is not None and one.point.limits is not None for one in chart.results):
        return (
            "nothing can be judged yet: write down the assigned value with its sd (lab reference), "
            "or wait for 8 results"
        )
    warned = [one.report for one in chart.results if one.point is not None and one.point.warning]
    return f"beyond 2 s: report {', '.join(warned)}" if warned else "in control"


def _scale() -> str:
    """`-3 s      0      +3 s` above the bars."""
    return f"{'-3':<{_HALF}}0{'+3':>{_HALF}}"


def _z(one: Measured) -> str:
    return "" if one.point is None or one.point.z is None else f"{one.point.z:+.1f}"


def _bar(one: Measured) -> str:
    """The result as a mark between the lines at 2 and 3 s."""
    cells = [" "] * (2 * _HALF + 1)
    for times, line in ((3, "|"), (2, ":"), (0, ".")):
        for side in (-1, 1):
            cells[_HALF + side * times * _HALF // 3] = line
    if one.point is None or one.point.z is None:
        return "not judged"
    place = round(one.point.z * _HALF / 3)
    if abs(place) > _HALF:
        cells[0 if place < 0 else -1] = "<" if place < 0 else ">"
    else:
        cells[_HALF + place] = "#" if one.point.out else "o"
    return "".join(cells).rstrip()


def show_precision(found: Sequence[Precision], beyond: Sequence[Pair]) -> None:
    """Repeatability by nutrient and method, then the pairs that differ too much."""
    table(
        ("nutrient", "method", "pairs", "df", "s_r", "r", "declared", "used"),
        [
            (
                one.kind[1],
                one.kind[2],
                str(one.pairs),
                str(one.measured.df),
                _sr(one),
                _r(one),
                _declared(one),
                _used(one),
            )
            for one in found
        ],
        right="23",
    )
    say(_explained())
    for pair in beyond:
        lab, analyte, _, _ = pair.kind
        codes = " and ".join(pair.samples)
        say(wrapped(f"{codes} {analyte}, report {pair.report} of {lab}, {pair.how}: "
                    f"{pair.compared.words}", _WIDTH))  # fmt: skip


def show_over_time(found: Sequence[OverTime]) -> None:
    """The intermediate precision of each reference material, which is not the repeatability."""
    lines = Counter((one.name, one.kind) for one in found)
    table(
        ("material", "nutrient", "method", "reports", "df", "mean", "s_I", "%"),
        [
            (
                # Of a material with two assigned values, the trial that one of them is for.
                f"{one.name}, {one.trial}"
                if one.trial and lines[one.name, one.kind] > 1
                else one.name,
                one.kind[1],
                one.kind[2],
                str(one.measured.reports),
                str(one.measured.df),
                f"{one.measured.level:.4g}" + ("" if one.unit == "pH" else f" {one.unit}"),
                f"{one.measured.sd:.2g}",
                _share(one),
            )
            for one in found
        ],
        right="34567",
    )
    say(
        wrapped(
            "s_I: intermediate precision (ISO 5725-3), the SD of one material's results over days, "
            "batches and calibrations. It holds more than s_r, and takes its place nowhere.",
            _WIDTH,
        )
    )


def _share(one: OverTime) -> str:
    """The SD as a share of the level; a pH has none."""
    if one.unit == "pH" or one.measured.level <= 0:
        return ""
    return f"{100 * one.measured.sd / one.measured.level:.2g}"


def _explained() -> Iterator[str]:
    yield from wrapped(
        "s_r: the SD of results of one sample in one report; a CV (%) where levels are well above "
        "the limit. r = 2.8 s_r: two results of one sample differ by more once in twenty "
        "(ISO 5725-6). Measured counts from 8 df on; until then the declared.",
        _WIDTH,
    )


def _sr(one: Precision) -> str:
    parts = []
    if one.measured.sd is not None:
        parts.append(f"{one.measured.sd:.2g}" + ("" if one.unit == "pH" else f" {one.unit}"))
    if one.measured.cv is not None:
        parts.append(f"{100 * one.measured.cv:.2g} %")
    return " and ".join(parts)


def _r(one: Precision) -> str:
    if one.measured.cv is not None:
        return f"{100 * limit_r(one.measured.cv):.2g} %"
    return f"{limit_r(one.measured.sd or 0.0):.2g}" + ("" if one.unit == "pH" else f" {one.unit}")


def _declared(one: Precision) -> str:
    parts = []
    if one.sd is not None:
        parts.append(f"{one.sd:.2g}" + ("" if one.unit == "pH" else f" {one.unit}"))
    if one.cv is not None:
        parts.append(f"{100 * one.cv:.2g} %")
    return " and ".join(parts) or "-"


def _used(one: Precision) -> str:
    if one.counts:
        return "measured"
    return "declared" if one.cv is not None or one.sd is not None else "neither yet"
