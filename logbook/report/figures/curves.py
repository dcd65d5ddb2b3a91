"""The difference from the control over days: one nutrient, one or more treatments."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from logbook.report import constants, marks
from logbook.report.figures import bands, page
from logbook.report.figures.page import ARROW, COLOURS, WIDTH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from logbook.study.series import Series

_AXES_HEIGHT = 3.9
_LEFT, _RIGHT = 0.85, 1.0
_MOST_NOTES = 12
#: The widest shift of a mark, as a share of the axis of days.
MOST_SHIFT = 0.005


def curve_figure(series_list: Sequence[Series], path: Path) -> None:
    """Draw series of one nutrient into a PNG or SVG file, by the suffix of `path`.

    Raises:
        UserMistake: another suffix, nothing to draw, series that must not be compared, or a file
            that cannot be written.
    """
    page.kind_of(path)
    marks.same_kind(series_list)
    told = _description(series_list)
    page.write_figure(path, lambda: _figure(series_list), _title(series_list), told)


def _title(series_list: Sequence[Series]) -> str:
    """The difference and the trial; of one treatment alone also its name."""
    first = series_list[0]
    if len(series_list) > 1:
        trials = dict.fromkeys(one.trial for one in series_list if one.analyte)
        return ", ".join((marks.title_of(series_list), *trials))
    name = _called(first)
    return f"{first.title}: {name}, {first.trial}" if first.analyte else f"{first.title}: {name}"


def _called(series: Series) -> str:
    """A treatment's code, and its name where that says more."""
    given = series.treatment_name
    return series.treatment if given in ("", series.treatment) else f"{series.treatment}, {given}"


def _figure(series_list: Sequence[Series]) -> Figure:
    """The whole page: title, axes, legend and small print, as tall as they need."""
    title = page.wrapped(_title(series_list), 72)
    names = [page.wrapped(_name(series), 95) for series in series_list]
    small = [line for text in _small_print(series_list) for line in page.wrapped(text, 122)]
    legend = page.legend_height(names)
    below = 0.62 + legend + 0.1 + page.small_height(small)
    height = page.above(title) + _AXES_HEIGHT + below + 0.1
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes(
        (
            _LEFT / WIDTH,
            (below + 0.1) / height,
            (WIDTH - _LEFT - _RIGHT) / WIDTH,
            _AXES_HEIGHT / height,
        )
    )
    page.heading(figure, title)
    _draw(axes, series_list)
    signs = zip(marks.places_of(series_list), series_list, strict=True)
    handles = [_handle(place, marks.drawn_fit(one)) for place, one in signs]
    page.legend(figure, handles, names, below - 0.4)
    page.small_print(figure, small, below - 0.52 - legend)
    return figure


def _handle(place: int, fit: object) -> Line2D:
    """The sample of a series in the legend; a line only where a curve is drawn."""
    line = Line2D([], [], **page.style(place), **page.marker(place))
    if fit is None:
        line.set_linestyle("none")
    return line


def _draw(axes: Axes, series_list: Sequence[Series]) -> None:
    """Axes, zero line, curves and marks."""
    shown = [marks.marks(series) for series in series_list]
    days = [mark.day for found in shown for mark in found]
    first, last = min(0.0, *days, 0.0), max(1.0, *days, 1.0)
    _frame(axes, series_list, shown, (first, last))
    bands.draw(axes, series_list)
    shifts = _shifts(len(series_list), last - first)
    signs = marks.places_of(series_list)
    for place, shift, series, found in zip(signs, shifts, series_list, shown, strict=True):
        curve = marks.curve_points(series, 200)
        if curve:
            axes.plot(*zip(*curve, strict=True), **page.style(place), zorder=2)
        for mark in found:
            _draw_mark(axes, mark, page.beside(mark.day, shift), place)
    bands.draw_below(axes, series_list, shifts)
    if not days:
        axes.text(
            0.5,
            0.7,
            "no pull has a difference that can be drawn",
            transform=axes.transAxes,
            ha="center",
        )


def _shifts(count: int, span: float) -> list[float]:
    """Days by which the marks of each series stand off their day: seen apart, still on the day."""
    if count == 1:
        return [0.0]
    return [MOST_SHIFT * span * (2.0 * place / (count - 1) - 1.0) for place in range(count)]


def _frame(
    axes: Axes,
    series_list: Sequence[Series],
    shown: Sequence[Sequence[marks.Mark]],
    days: tuple[float, float],
) -> None:
    """Limits, ticks, labels and the zero line, its label outside the axes."""
    first, last = days
    room = 0.04 * (last - first)
    axes.set_xlim(first - room, last + room)
    ticks = marks.day_ticks(first, last, 11)
    axes.set_xticks(ticks, [str(tick) for tick in ticks])
    _value_scale(axes, series_list, shown)
    axes.set_xlabel("days since application")
    axes.set_ylabel(page.clean(marks.axis_name(series_list)))
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color="#DDDDDD", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.axhline(0.0, color="#444444", linewidth=0.9, zorder=1.5)
    axes.annotate(
        "level with\ncontrol",
        (1.0, 0.0),
        xycoords=("axes fraction", "data"),
        xytext=(5, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
        color="#444444",
        annotation_clip=False,
    )


def _value_scale(
    axes: Axes, series_list: Sequence[Series], shown: Sequence[Sequence[marks.Mark]]
) -> None:
    """Limits and ticks of the values; room for the arrows of open ends; no ticks without data."""
    opened = any(mark.low is None or mark.high is None for found in shown for mark in found)
    low, high = marks.span_of(_heights(series_list, shown), 0.16 if opened else 0.08)
    levels = marks.value_ticks(low, high, 7) if any(shown) else [0.0]
    axes.set_ylim(low, high)
    axes.set_yticks(levels, marks.level_texts(levels))


def _heights(series_list: Sequence[Series], shown: Iterable[Iterable[marks.Mark]]) -> list[float]:
    """Every value that the axis must hold."""
    ends = [end for found in shown for one in found for end in (one.value, one.low, one.high)]
    curves = (marks.curve_points(series, 200) for series in series_list)
    drawn = [value for curve in curves for _, value in curve]
    return [end for end in ends if end is not None] + drawn + bands.heights(series_list)


def _draw_mark(axes: Axes, mark: marks.Mark, day: float, place: int) -> None:
    """A value with its interval, filled; a range of possible values hollow, open ends as arrows."""
    colour = COLOURS[place % len(COLOURS)]
    look: dict[str, Any] = {"color": colour, "linestyle": "none", "zorder": 3, **page.marker(place)}
    ends = [end for end in (mark.low, mark.high) if end is not None]
    if mark.value is not None:
        if ends:
            reach = [[mark.value - ends[0]], [ends[-1] - mark.value]]
            bar: dict[str, Any] = {"ecolor": colour, "elinewidth": 1.0, "capsize": 2, "zorder": 2.5}
            axes.errorbar([day], [mark.value], yerr=reach, fmt="none", **bar)
        axes.plot([day], [mark.value], **look)
        return
    axes.plot([day] * len(ends), ends, **look, markerfacecolor="white")
    if len(ends) == 2:
        axes.plot([day, day], ends, color=colour, linewidth=2.6, alpha=0.6, zorder=2.5)
        return
    way = ARROW if mark.high is None else -ARROW
    axes.annotate(
        "",
        (day, ends[0]),
        xytext=(0, way),
        textcoords="offset points",
        arrowprops={"arrowstyle": "<-", "color": colour, "shrinkA": 0, "shrinkB": 3},
    )


def _name(series: Series) -> str:
    """Legend: treatment, what it is, its beds, the shape of its curve."""
    counts = [row.difference.treated_beds for row in series.rows if row.difference.treated_beds]
    fit = marks.drawn_fit(series)
    descriptive = ", descriptive" if series.descriptive else ""
    called = "" if fit is None else constants.label(series, fit)
    called = f", {called}" if called else ""
    curve = "no curve" if fit is None else f"curve: {fit.shape}{called}{descriptive}"
    beds = "" if series.plain else f"{marks.beds_text(counts)}; "
    return f"{_called(series)} ({beds}{curve})"


def _small_print(series_list: Sequence[Series]) -> list[str]:
    """What a reader must know beside the picture."""
    first = series_list[0]
    rows = [row for series in series_list for row in series.rows]
    counts = [row.difference.control_beds for row in rows if row.difference.control_beds]
    made = (("method", first.method), ("laboratory", first.lab), ("basis", first.basis))
    told = [f"{name}: {what}" for name, what in made if what]
    told += [f"control: {marks.beds_text(counts)}"] if counts else []
    lines = [] if first.plain else [*filter(None, ["; ".join(told)]), _correction(series_list)]
    lines += _interval_lines(series_list)
    if len(series_list) > 1:
        lines.append("marks of one pull stand side by side")
    lines += [*bands.sentences(series_list), *bands.below_sentences(series_list)]
    gone = [(series.treatment, ", ".join(marks.not_drawn(series))) for series in series_list]
    missing = "; ".join(f"{treatment} {pulls}" for treatment, pulls in gone if pulls)
    if missing:
        lines.append(f"not drawn, since no value can be given: {missing}")
    return lines + _notes(series_list)


def _correction(series_list: Sequence[Series]) -> str:
    """Which difference is drawn, by treatment where they differ."""
    given = "T - (1 - f) C, corrected for the amendment's share f of the dry mass"
    raw = "T - C, not corrected for the soil that the amendment displaced"
    yes = [series.treatment for series in series_list if series.corrected]
    no = [series.treatment for series in series_list if not series.corrected]
    if not (yes and no):
        return f"drawn: {given if yes else raw}"
    return f"drawn: {given} ({', '.join(yes)}); {raw} ({', '.join(no)})"


def _interval_lines(series_list: Iterable[Series]) -> list[str]:
    """How the intervals were made, or why there are none."""
    differences = [row.difference for series in series_list for row in series.rows]
    made = marks.made(one.method for one in differences if _bounded(marks.net(one)))
    lines = [f"intervals: 95 % range, {made.replace('[ ]', 'hollow marks:')}"] if made else []
    alone = (marks.net(one).reason for one in differences if one.method == "one bed")
    lines += dict.fromkeys(alone)
    if any(marks.possible_only(one) and _bounded(marks.net(one)) for one in differences):
        lines.append(
            "hollow marks: possible values, from the reporting limits, not a 95 % range; "
            "an arrow points to an open end"
        )
    return lines


def _bounded(contrast: Any) -> bool:
    return contrast.low is not None or contrast.high is not None


def _notes(series_list: Sequence[Series]) -> list[str]:
    """Notes of the series; one that all share is said once, the others name their treatment."""
    owners: dict[str, list[str]] = {}
    for series in series_list:
        for note in marks.merged(series.notes):
            owners.setdefault(note, []).append(series.treatment)
    everywhere = len(series_list)
    lines = [
        f"note: {note}" if len(whose) == everywhere else f"note, {', '.join(whose)}: {note}"
        for note, whose in owners.items()
    ]
    more = len(lines) - _MOST_NOTES
    return lines if more <= 0 else [*lines[:_MOST_NOTES], f"and {more} more notes, in the table"]


def _description(series_list: Sequence[Series]) -> str:
    """The picture in words, for those who cannot see it."""
    unit, what = series_list[0].unit, marks.difference_name(series_list)
    told = [_told(series, unit) for series in series_list]
    return page.clean(
        f"{what[:1].upper()}{what[1:]} in {unit} over days since application. {' '.join(told)} "
        f"{'; '.join(_small_print(series_list))}."
    )


def _told(series: Series, unit: str) -> str:
    """One series in a sentence: every value that is drawn."""
    decimals = marks.places(series)
    values = [
        f"day {marks.day_text(mark.day)} {_said(mark, decimals)}" for mark in marks.marks(series)
    ]
    return f"{_name(series)}: {', '.join(values) or 'nothing to draw'}."


def _said(mark: marks.Mark, decimals: int) -> str:
    low, high = (
        None if end is None else marks.signed(end, decimals) for end in (mark.low, mark.high)
    )
    if mark.value is not None:
        value = marks.signed(mark.value, decimals)
        return value if low is None else f"{value} ({low} to {high})"
    if low is None:
        return f"{high} or less"
    return f"{low} or more" if high is None else f"between {low} and {high}"
