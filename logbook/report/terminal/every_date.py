"""All dates at once on a terminal: a table for each treatment, then where differences change."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from logbook.report import every_date, marks
from logbook.report.terminal.tables import console, encodable, say, table, wrapped
from logbook.study.tested import p_text
from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    from logbook.analysis import several
    from logbook.study.every_date import EveryDate, Line, Nutrient

_NONE = "-"


def show_every_date(found: EveryDate, width: int | None) -> None:
    """Print a comparison over all dates on standard output; width as in `show_comparison`."""
    wide = console(width).width
    _sentences([every_date.title(found), *every_date.head(found)], wide)
    for code in found.treatments:
        lines = every_date.of(found, code)
        print()
        series = lines[0][1].series
        name = f" ({series.treatment_name})" if series.treatment_name not in ("", code) else ""
        _sentences([f"{code}{name}"], wide)
        if all(_mean(*one) is None for one in lines):
            _sentences(["no means over the dates: the reason stands below"], wide)
            continue
        cells = [[encodable(cell) for cell in _row(*one)] for one in lines]
        table(["nutrient", "dates", "T to C", "together", "p", "finding"], cells, "1234", wide)
    rows = every_date.changing(found)
    if rows:
        print()
        _sentences([every_date.CHANGE], wide)
        table(["nutrient", "dates", "F", "df", "p", "they change"], rows, "1234", wide)
    if any(line.on_dates for nutrient in found.nutrients for line in nutrient.lines):
        _sentences([*(list(every_date.turning(found)) or [every_date.NO_TURN])], wide)
        _sentences([every_date.ONE_DATE], wide)
    print()
    _sentences(every_date.areas(found), wide)
    _sentences([every_date.KEY], wide)
    _sentences(every_date.remarks(found), wide)


def _sentences(texts: Iterable[str], width: int) -> None:
    say(piece for text in texts for piece in wrapped(text, width))


def _row(nutrient: Nutrient, line: Line) -> list[str]:
    """The cells of one nutrient."""
    unit = "" if line.series.unit in ("mg/kg", nutrient.analyte) else f" {line.series.unit}"
    start = [f"{nutrient.name}{unit}", str(len(nutrient.dates))]
    mine = _mean(nutrient, line)
    if nutrient.season is None or mine is None or mine.estimate is None:
        return [*start, _NONE, _NONE, _NONE, line.finding]
    acid = ANALYTES[nutrient.analyte].dimension == "acidity"
    ratio = nutrient.season.means.scale == "ratio"
    return [*start, *_numbers(mine, ratio=ratio, places=2 if acid else None), line.finding]


def _mean(nutrient: Nutrient, line: Line) -> several.Line | None:
    """The treatment's mean over the dates, None where it stands outside."""
    if nutrient.season is None:
        return None
    lines = {one.treatment: one for one in nutrient.season.means.lines}
    return lines.get(line.series.treatment)


def _numbers(mine: several.Line, *, ratio: bool, places: int | None) -> list[str]:
    """Estimate, range and p; places: as many as show three digits where it is None."""
    ends = [end for end in (mine.estimate, mine.low, mine.high) if end is not None]
    places = marks.places_for([abs(end) for end in ends]) if places is None else places

    def text(number: float) -> str:
        return marks.digits(number) if ratio else marks.signed(number, places)

    value = f"x {text(ends[0])}" if ratio else text(ends[0])
    if mine.low is None or mine.high is None or mine.p is None:
        return [value, _NONE, _NONE]
    return [value, f"{text(mine.low)} to {text(mine.high)}", p_text(mine.p)]
