"""All nutrients on one date: a strip for each, on its own scale, a row for each treatment.

The range that the nutrient's own table holds for enough is a band, always in the same place.
Beyond it the scale is logarithmic and says so, so that a value of fifty times the range stays on
the page without squashing the others; a nutrient without a table has a plain scale. Treated and
control differ by their marks' shapes, and the numbers stand beside them: nothing has to be read
off a scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from logbook.errors import UserMistake
from logbook.report import compared, marks, scales
from logbook.report.figures import page
from logbook.report.figures.page import ARROW, COLOURS, WIDTH
from logbook.report.strips import Entry, Spot, Strip, place_of, strips
from logbook.study.levels import NO_CLASS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from logbook.handbook import Handbook
    from logbook.study.comparison import Comparison
    from logbook.study.standing import Ground

_LEFT, _AXES, _EDGE = 2.15, 2.45, 0.25
_CONTROL, _TREATED, _DIFFERENCE = 5.15, 5.82, 5.9  # right ends of two columns, left of the third
_ROW = 0.17  # inches; a strip is at least as high as its label
_GAP = 0.07
_TICKS = 0.17
_HEADS = 0.2
_LABEL, _METHOD, _CODE, _COLUMN, _NUMBERS = 15, 22, 10, 9, 23  # characters that fit
_MOST_NOTES = 12
_BAND, _EDGES = "#CDE7D8", "#3C8A63"
_SQUEEZED: dict[str, Any] = {
    "facecolor": "none", "edgecolor": "#BBBBBB", "hatch": "////", "linewidth": 0,
}  # fmt: skip
_SIDE = 0.1  # of the axes' width, left free for what lies below nothing


def comparison_figure(
    comparison: Comparison,
    path: Path,
    handbook: Handbook | None = None,
    ground: Ground | None = None,
) -> None:
    """Draw a comparison into a PNG or SVG file, by the suffix of `path`.

    handbook, ground: the tables of sufficient ranges and the trial's soil; without a handbook
    every nutrient has a plain scale.

    Raises:
        UserMistake: another suffix, nothing to draw, or a file that cannot be written.
    """
    page.kind_of(path)
    if not comparison.lines:
        raise UserMistake("there is nothing to draw", "no result has come in for it yet")
    found = strips(comparison, handbook, ground)
    told = _description(comparison, found)
    page.write_figure(path, lambda: _figure(comparison, found), _title(comparison), told)


def _title(comparison: Comparison) -> str:
    return f"{comparison.trial}, {compared.title(comparison)}"


def _figure(comparison: Comparison, found: Sequence[Strip]) -> Figure:
    """The whole page: title, strips, legend and small print, as tall as they need."""
    title = page.wrapped(_title(comparison), 72)
    handles, names = _legend(comparison, found)
    small = [line for text in _small_print(comparison, found) for line in page.wrapped(text, 122)]
    legend = page.legend_height(names)
    below = 0.15 + legend + 0.2 + page.small_height(small) + 0.1
    tall = sum(map(_height, found))
    height = page.above(title) + _HEADS + tall + below
    figure = Figure(figsize=(WIDTH, height))
    page.heading(figure, title)
    top = height - page.above(title) - _HEADS
    axes = figure.add_axes((_LEFT / WIDTH, (top - tall) / height, _AXES / WIDTH, tall / height))
    _draw(axes, found, tall)
    top -= tall + 0.15
    page.legend(figure, handles, names, top)
    page.small_print(figure, small, top - legend - 0.1)
    return figure


def _texts(strip: Strip) -> tuple[list[str], list[str]]:
    method = [*page.wrapped(strip.method, _METHOD), *page.wrapped(strip.table, _METHOD)]
    return page.wrapped(strip.label, _LABEL), method


def _height(strip: Strip) -> float:
    label, method = _texts(strip)
    beside = _ROW * len(label) + 0.13 * len(method) + _GAP
    return max(beside, _ROW * len(strip.entries) + _TICKS) + 2 * _GAP


def _draw(axes: Axes, found: Sequence[Strip], height: float) -> None:
    """All strips; y runs down in inches, x is the share of a strip's own scale."""
    axes.set_ylim(height, 0.0)
    axes.set_xlim(-_SIDE, 1.0 + _SIDE / 2.0)
    axes.set_yticks([])
    axes.set_xticks([])
    axes.spines[:].set_visible(False)
    _heads(axes)
    at = 0.0
    for place, strip in enumerate(found):
        tall = _height(strip)
        if place % 2 == 0:
            _shade(axes, at, tall)
        _strip(axes, strip, at + _GAP)
        at += tall


def _inches(inches: float) -> float:
    """A place on the page, from its left edge, as a share of the axes' width."""
    return (inches - _LEFT) / _AXES


def _look(axes: Axes) -> dict[str, Any]:
    return {"transform": axes.get_yaxis_transform(), "va": "center"}


def _heads(axes: Axes) -> None:
    """What the columns of numbers are."""
    look = _look(axes) | {"fontsize": 7, "color": "#333333"}
    axes.text(_inches(_CONTROL), -0.09, "control", ha="right", **look)
    axes.text(_inches(_TREATED), -0.09, "treated", ha="right", **look)
    axes.text(_inches(_DIFFERENCE), -0.09, "T - C (range)", ha="left", **look)


def _shade(axes: Axes, top: float, height: float) -> None:
    """A band across labels, marks and numbers, that guides the eye."""
    left, right = _inches(_EDGE - 0.08), _inches(WIDTH - 0.1)
    band = Rectangle((left, top), right - left, height, color="#F5F5F5", linewidth=0, zorder=0.1)
    band.set_transform(axes.get_yaxis_transform())
    band.set_clip_on(False)
    axes.add_patch(band)


def _strip(axes: Axes, strip: Strip, top: float) -> None:
    """A nutrient's label, range, scale, marks and numbers."""
    label, method = _texts(strip)
    look = _look(axes)
    at = top + _ROW / 2.0
    for text in label:
        axes.text(_inches(_EDGE), at, text, fontsize=8.5, weight="bold", **look)
        at += _ROW
    for text in method:
        axes.text(_inches(_EDGE), at - 0.02, text, fontsize=6.5, color="#555555", **look)
        at += 0.13
    tall = _ROW * len(strip.entries)
    _zones(axes, strip, top, tall)
    _axis(axes, strip, top + tall)
    for place, entry in enumerate(strip.entries):
        row = top + (place + 0.5) * _ROW
        axes.text(_inches(_LEFT - 0.06), row, _short(entry.code), fontsize=7.5, ha="right", **look)
        _numbers(axes, entry, row)
        _row(axes, strip, entry, row)


def _zones(axes: Axes, strip: Strip, top: float, height: float) -> None:
    """The band of the range, and the part of the scale that is logarithmic."""
    turn = strip.scale.turn
    if turn is not None:
        axes.add_patch(Rectangle((turn, top), 1.0 - turn, height, **_SQUEEZED, zorder=0.55))
    if strip.band is None:
        return
    low, high = strip.band
    left = 0.0 if low is None else strip.scale.place(low)
    right = 1.0 if high is None else strip.scale.place(high)
    axes.add_patch(
        Rectangle((left, top), right - left, height, color=_BAND, linewidth=0, zorder=0.5)
    )
    for end, place in ((low, left), (high, right)):
        if end is not None:
            axes.plot([place] * 2, [top, top + height], color=_EDGES, linewidth=1.0, zorder=0.6)


def _axis(axes: Axes, strip: Strip, at: float) -> None:
    """A strip's own axis with its labels."""
    axes.plot([0.0, 1.0], [at, at], color="#555555", linewidth=0.7, zorder=1.0)
    for tick in strip.scale.ticks():
        place = strip.scale.place(tick)
        axes.plot([place] * 2, [at, at + 0.03], color="#555555", linewidth=0.7, zorder=1.0)
        axes.text(
            place, at + 0.1, scales.tick_text(tick), fontsize=6.5, ha="center", va="center",
            color="#333333",
        )  # fmt: skip


def _short(code: str) -> str:
    """A code that fits beside the axes; the legend has the whole."""
    told = page.clean(code)
    return told if len(told) <= _CODE else f"{told[: _CODE - 3]}..."


def _numbers(axes: Axes, entry: Entry, at: float) -> None:
    """Control, treated and difference in figures, beside their marks."""
    look = _look(axes)
    for place, text in ((_CONTROL, entry.control.text), (_TREATED, entry.treated.text)):
        size = 7.0 * min(1.0, _COLUMN / max(len(text), 1))
        axes.text(_inches(place), at, text, fontsize=size, ha="right", **look)
    told = page.clean(entry.difference)
    size = 7.0 * min(1.0, _NUMBERS / max(len(told), 1))
    axes.text(_inches(_DIFFERENCE), at, told, fontsize=size, ha="left", **look)


def _row(axes: Axes, strip: Strip, entry: Entry, at: float) -> None:
    """The control's upright bar, the treated mark, and the 95 % range of what lies between."""
    colour = COLOURS[entry.place % len(COLOURS)]
    place = strip.scale.place
    if entry.bar is not None:
        ends = [place(end) for end in entry.bar]
        axes.plot(ends, [at, at], color=colour, linewidth=1.1, zorder=2.5)
        axes.plot(ends, [at, at], color=colour, marker="|", linestyle="none", markersize=4)
    _spot(axes, strip, entry.control, at, _control_look() | {"zorder": 2.8})
    look = {"color": colour, "linestyle": "none", "zorder": 3} | page.marker(entry.place)
    _spot(axes, strip, entry.treated, at, look)


def _control_look() -> dict[str, Any]:
    return {
        "color": "black", "linestyle": "none", "marker": "|", "markersize": 10,
        "markeredgewidth": 2.0,
    }  # fmt: skip


def _spot(axes: Axes, strip: Strip, spot: Spot, at: float, look: dict[str, Any]) -> None:
    """A mean, filled; what it may be hollow, joined by a thick line, an open end as an arrow."""
    if spot.value is not None:
        axes.plot([strip.scale.place(spot.value)], [at], **look)
        return
    ends = [strip.scale.place(end) for end in spot.ends]
    if not ends:
        return
    axes.plot(ends, [at] * len(ends), **look, markerfacecolor="white")
    if len(ends) == 2:
        axes.plot(ends, [at, at], color=look["color"], linewidth=2.6, alpha=0.6, zorder=2.5)
        return
    way = ARROW if spot.high is None else -ARROW
    drawn = {"arrowstyle": "<-", "color": look["color"], "shrinkA": 0, "shrinkB": 3}
    axes.annotate("", (ends[0], at), xytext=(way, 0), textcoords="offset points", arrowprops=drawn)


def _legend(comparison: Comparison, found: Sequence[Strip]) -> tuple[list[Artist], list[list[str]]]:
    """The treatments, the control, the band and the squeezed part of the scales."""
    handles: list[Artist] = []
    names = []
    codes = comparison.treatments
    for code in codes:
        place = place_of(comparison.of(code)[0].series, codes)
        line = Line2D([], [], **page.style(place), **page.marker(place))
        line.set_linestyle("none")
        handles.append(line)
        names.append(page.wrapped(_name(comparison, code), 95))
    handles.append(Line2D([], [], **_control_look()))
    names.append(["control"])
    if any(strip.band for strip in found):
        handles.append(Patch(facecolor=_BAND, edgecolor=_EDGES))
        names.append(["the range that the nutrient's own table holds for enough"])
    if any(strip.scale.turn is not None for strip in found):
        handles.append(Patch(**_SQUEEZED))
        names.append(["here the scale is logarithmic, up to the number at its end"])
    return handles, names


def _name(comparison: Comparison, code: str) -> str:
    """Legend: treatment, what it is, its beds."""
    lines = comparison.of(code)
    given = lines[0].series.treatment_name
    name = code if given in ("", code) else f"{code}, {given}"
    treated = marks.beds_text(line.row.difference.treated_beds for line in lines)
    control = marks.beds_text(line.row.difference.control_beds for line in lines)
    return f"{name} ({treated}; control: {control}; {compared.dates(lines)})"


def _small_print(comparison: Comparison, found: Sequence[Strip]) -> list[str]:
    """What a reader must know beside the picture."""
    lines = comparison.lines
    told = [*_of_tables(found), *compared.head(comparison)]
    methods = [line.row.difference.method for line in lines]
    made = marks.made(methods)
    if made:
        told.append(f"bars: 95 % range of T - C, {made}, set off from the control's mean")
        told.append(compared.SAID_OF_NONE)
    if any(spot.value is None and spot.ends for spot in _spots(found)):
        told.append(
            "hollow: what a mean may be, from the reporting limits, not a 95 % range; "
            "an arrow points to an open end"
        )
    if "bounds" in methods:
        told.append("[ ]: possible values, from the reporting limits; not a 95 % range")
    told += compared.reasons(lines, ratios=False)
    told += [*comparison.salt, *comparison.missing, *compared.sources(lines)]
    return told + _notes(comparison.notes)


def _of_tables(found: Sequence[Strip]) -> list[str]:
    """What the bands are, where they come from, and what they do not say."""
    bands: dict[str, list[str]] = {}
    none: dict[str, list[str]] = {}
    for strip in found:
        if strip.band:
            bands.setdefault(strip.source, []).append(strip.label.removesuffix(" *"))
        elif strip.reason:
            none.setdefault(strip.reason, []).append(strip.label.removesuffix(" *"))
    told = [f"no range of {', '.join(names)}: {reason}" for reason, names in none.items()]
    if not bands:
        return told
    return [
        f"treated beds beside a range: {NO_CLASS['amended']}; tables were calibrated on settled "
        "mineral soil",
        *(f"range of {', '.join(names)}: {source}" for source, names in bands.items()),
        *told,
    ]


def _spots(found: Sequence[Strip]) -> list[Spot]:
    return [spot for strip in found for one in strip.entries for spot in (one.control, one.treated)]


def _notes(notes: Sequence[str]) -> list[str]:
    more = len(notes) - _MOST_NOTES
    told = [f"note: {note}" for note in notes[:_MOST_NOTES]]
    return told if more <= 0 else [*told, f"and {more} more notes, in the table"]


def _description(comparison: Comparison, found: Sequence[Strip]) -> str:
    """The picture in words, for those who cannot see it: every number that stands in it."""
    rows = [
        f"{strip.label} ({strip.table}): "
        + ", ".join(
            f"{one.code} {one.treated.text} beside control {one.control.text}, {one.difference}"
            for one in strip.entries
        )
        for strip in found
    ]
    small = "; ".join(_small_print(comparison, found))
    return f"{_title(comparison)}. {'. '.join(rows)}. {small}."
