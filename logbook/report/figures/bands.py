"""What a figure of curves shows beside marks and curves: bands, and mineral N below the control.

Signs only, explained below the axes: no word stands among the data.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from matplotlib.transforms import offset_copy

from logbook.report import marks, ranges
from logbook.report.figures.page import COLOURS, beside
from logbook.study.deeper import words
from logbook.trial.times import age_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from logbook.analysis.bands import Band
    from logbook.analysis.below import Below
    from logbook.study.series import Series

_DAYS = 80
#: Bands of more curves than this would cover each other.
MOST = 3


def draw(axes: Axes, series_list: Sequence[Series]) -> None:
    """The bands of the drawn curves, behind everything else."""
    signs = marks.places_of(series_list)
    for place, band in _bands(series_list):
        if band.low is not None and band.high is not None:
            colour = COLOURS[signs[place] % len(COLOURS)]
            axes.fill_between(
                band.days, band.low, band.high, color=colour, alpha=0.15, linewidth=0, zorder=1.2
            )
            for edge in (band.low, band.high):
                axes.plot(band.days, edge, color=colour, linewidth=0.4, alpha=0.6, zorder=1.3)


def _bands(series_list: Sequence[Series]) -> list[tuple[int, Band]]:
    """The bands by the place of their series; none where there are too many curves."""
    drawn = [place for place, one in enumerate(series_list) if marks.drawn_fit(one)]
    if len(drawn) > MOST:
        return []
    found = [(place, _band(series_list[place])) for place in drawn]
    return [(place, band) for place, band in found if band is not None]


def _band(series: Series) -> Band | None:
    """On even days, and at the pulls, where a band made of their ranges has its corners."""
    days = {*marks.curve_days(series, _DAYS), *series.points.days}
    return marks.band(series, sorted(days))


def heights(series_list: Sequence[Series]) -> list[float]:
    """Every value that the axis must hold for the bands."""
    found: list[float] = []
    for _, band in _bands(series_list):
        found += [*(band.low or ()), *(band.high or ())]
    return found


def sentences(series_list: Sequence[Series]) -> list[str]:
    """What the bands are, or why there is none."""
    drawn = [one for one in series_list if marks.drawn_fit(one)]
    if len(drawn) > MOST:
        return [f"no bands about more than {MOST} curves: name a treatment to see its own"]
    named = [(series_list[place].treatment, _said(band)) for place, band in _bands(series_list)]
    return ranges.grouped(named)


def _said(band: Band) -> str:
    from logbook.analysis.intervals import THESE_BEDS

    if band.low is None:
        return f"no band: {band.reason}"
    name, *how = band.method.split("; ")
    if THESE_BEDS in band.method:
        name = name.replace(" between beds", "")
    made = ranges.how("; ".join(how)).removeprefix("between beds, ")
    return f"band: {name}; {made}; each day by itself"


def _below(series: Series) -> Below | None:
    """What is shown of being below the control; None where nothing is."""
    found = None if series.fitted is None else series.fitted.below
    return found if found is not None and found.shown else None


def draw_below(axes: Axes, series_list: Sequence[Series], shifts: Sequence[float]) -> None:
    """A ring about each deepest pull, and the range of each day level again at the zero line.

    shifts: days by which the marks of each series stand beside their day.
    """
    bars = 0
    for place, series in enumerate(series_list):
        found = _below(series)
        if found is None or found.trough_day is None or found.depth is None:
            continue
        colour = COLOURS[marks.places_of(series_list)[place] % len(COLOURS)]
        there = beside(found.trough_day, shifts[place]), -(found.depth.value or 0.0)
        axes.plot(*there, **_RING, color=colour, zorder=3.5)
        _draw_level(axes, series, found, colour, bars)
        bars += 1


_RING: dict[str, Any] = {
    "marker": "o",
    "markersize": 13,
    "fillstyle": "none",
    "markeredgewidth": 1.1,
}


def _draw_level(axes: Axes, series: Series, found: Below, colour: str, bars: int) -> None:
    """A bar from the first day that fits to the last; thin to an arrow where no day ends it.

    Nothing where it is not level by the means either: a bar on the line would read as level.
    """
    level = found.level
    if level is None or level.value is None or found.trough_day is None:
        return
    last = max(series.points.days)
    low = found.trough_day if level.low is None else level.low
    high = last if level.high is None else level.high
    # Bars of several treatments lie beside each other, not on each other.
    lower = offset_copy(
        axes.transData, fig=axes.get_figure(root=True), y=-5.0 * bars, units="points"
    )
    look: dict[str, Any] = {"color": colour, "transform": lower}
    width = 3.0 if level.closed else 1.0
    axes.plot([low, high], [0, 0], linewidth=width, alpha=0.7, zorder=2.8, **look)
    ends = [end for end in (level.low, level.high) if end is not None]
    axes.plot(ends, [0] * len(ends), "|", markersize=9, zorder=2.9, **look)
    if level.high is None:
        axes.plot([high], [0], ">", markersize=6, zorder=2.9, **look)
    diamond: dict[str, Any] = {"markersize": 8, "markerfacecolor": "white", "zorder": 3.6}
    axes.plot([level.value], [0], "d", **diamond, **look)


def below_sentences(series_list: Iterable[Series]) -> list[str]:
    """The ring and the bar in words, for each treatment that has them."""
    lines = []
    for series in series_list:
        found = _below(series)
        if found is None or found.depth is None or found.trough_day is None:
            continue
        told = ranges.worded(found.depth, f"{series.unit} below control", signed=False)
        deeper = words(series, marks.digits)
        told += f"; {deeper}" * bool(deeper)
        lines.append(
            f"{series.treatment}: ring: deepest, day {age_text(found.trough_day)}, {told}; "
            f"{_level_sign(found)}: {ranges.level_words(found)}"
        )
    return lines


def _level_sign(found: Below) -> str:
    """What stands on the zero line for the day level again."""
    level = found.level
    if level is None or level.value is None:
        return "no bar on the line"
    if level.closed:
        return "bar on the line"
    return "diamond on the line, its range open (thin)"
