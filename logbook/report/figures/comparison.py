"""All nutrients on one date: a row for each nutrient, a mark for each treatment.

Concentrations are drawn as per cent of the control's mean, so that a nutrient of 3 mg/kg and one
of 1,200 stand side by side; pH and EC in their own units, in panels of their own. The per-cent
scale is even up to +-100 % and logarithmic beyond: a gain of 2,000 % stays on the page without
squeezing a loss of 10 %, and, unlike a logarithm of the ratio, the scale can hold a range that
reaches below nothing. The numbers stand beside each mark, so that nothing has to be read off it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from logbook.errors import UserMistake
from logbook.report import compared, marks
from logbook.report.compared import Entry, Group, Panel
from logbook.report.figures import page
from logbook.report.figures.page import ARROW, COLOURS, WIDTH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from logbook.study.comparison import Comparison

_LEFT, _AXES, _EDGE = 2.15, 2.95, 0.25
_ROW = 0.17  # inches; a group is at least as high as its label
_GAP = 0.08
_BELOW_PANEL = 0.62
_LABEL, _METHOD, _CODE, _NUMBERS, _TICKS = 16, 22, 11, 33, 38  # characters that fit
_MOST_NOTES = 12


def comparison_figure(comparison: Comparison, path: Path) -> None:
    """Draw a comparison into a PNG or SVG file, by the suffix of `path`.

    Raises:
        UserMistake: another suffix, nothing to draw, or a file that cannot be written.
    """
    page.kind_of(path)
    if not comparison.lines:
        raise UserMistake("there is nothing to draw", "no result has come in for it yet")
    told = _description(comparison)
    page.write_figure(path, lambda: _figure(comparison), _title(comparison), told)


def _title(comparison: Comparison) -> str:
    return f"{comparison.trial}, {compared.title(comparison)}"


def _figure(comparison: Comparison) -> Figure:
    """The whole page: title, panels, legend and small print, as tall as they need."""
    title = page.wrapped(_title(comparison), 72)
    panels = compared.panels(comparison)
    names = [page.wrapped(_name(comparison, code), 95) for code in comparison.treatments]
    small = [line for text in _small_print(comparison) for line in page.wrapped(text, 122)]
    legend = page.legend_height(names)
    below = legend + 0.2 + page.small_height(small) + 0.1
    tall = [_height(panel) for panel in panels]
    height = page.above(title) + sum(tall) + _BELOW_PANEL * len(tall) + below
    figure = Figure(figsize=(WIDTH, height))
    page.heading(figure, title)
    top = height - page.above(title)
    for panel, own in zip(panels, tall, strict=True):
        place = (_LEFT / WIDTH, (top - own) / height, _AXES / WIDTH, own / height)
        _draw(figure.add_axes(place), panel, own)
        top -= own + _BELOW_PANEL
    handles = [_handle(place) for place in range(len(names))]
    page.legend(figure, handles, names, top)
    page.small_print(figure, small, top - legend - 0.1)
    return figure


def _handle(place: int) -> Line2D:
    line = Line2D([], [], **page.style(place), **page.marker(place))
    line.set_linestyle("none")
    return line


def _texts(group: Group) -> tuple[list[str], list[str]]:
    return page.wrapped(group.label, _LABEL), page.wrapped(group.method, _METHOD)


def _rows(group: Group) -> int:
    label, method = _texts(group)
    return max(len(group.entries), len(label) + len(method))


def _height(panel: Panel) -> float:
    return sum(_ROW * _rows(group) + 2 * _GAP for group in panel.groups)


def _draw(axes: Axes, panel: Panel, height: float) -> None:
    """One panel: y runs down in inches; the scale, then the groups."""
    axes.set_ylim(height, 0.0)
    axes.set_yticks([])
    axes.spines[["top", "right", "left"]].set_visible(False)
    _scale(axes, panel)
    axes.axvline(0.0, color="#444444", linewidth=0.9, zorder=1.5)
    axes.set_xlabel(panel.axis, fontsize=8.5)
    at = 0.0
    for place, group in enumerate(panel.groups):
        tall = _ROW * _rows(group) + 2 * _GAP
        if place % 2 == 0:
            _shade(axes, at, tall)
        _group(axes, group, panel, at + _GAP + _ROW / 2.0)
        at += tall


def _shade(axes: Axes, top: float, height: float) -> None:
    """A band across labels, marks and numbers, that guides the eye."""
    left = (_EDGE - 0.08 - _LEFT) / _AXES
    right = (WIDTH - 0.1 - _LEFT) / _AXES
    band = Rectangle((left, top), right - left, height, color="#F3F3F3", linewidth=0, zorder=0.1)
    band.set_transform(axes.get_yaxis_transform())
    band.set_clip_on(False)
    axes.add_patch(band)


def _scale(axes: Axes, panel: Panel) -> None:
    """Ends, ticks and grid; every end of every range has room, and an arrow beyond it."""
    numbers = panel.numbers()
    if panel.squeezed:
        low, high = min((-10.0, *numbers)), max((10.0, *numbers))
        ticks = compared.share_ticks(low, high, _TICKS)
        texts = [compared.percent(tick) for tick in ticks]
        low, high = compared.squeezed(low), compared.squeezed(high)
        places = [compared.squeezed(tick) for tick in ticks]
    else:
        low, high = marks.span_of(numbers, 0.0)
        places = marks.value_ticks(low, high, 5)
        texts = marks.level_texts(places)
    room = 0.09 * (high - low)
    axes.set_xlim(low - room, high + room)
    axes.set_xticks(places, texts, fontsize=7.5)
    axes.grid(axis="x", color="#D8D8D8", linewidth=0.6)
    axes.set_axisbelow(True)
    _turns(axes, panel.squeezed, low, high)


def _turns(axes: Axes, squeezed: bool, low: float, high: float) -> None:
    """Dotted lines where the scale turns logarithmic."""
    for turn in (-1.0, 1.0):
        if squeezed and (low < turn < high):
            axes.axvline(turn, color="#888888", linewidth=0.9, linestyle=":", zorder=1.2)


def _group(axes: Axes, group: Group, panel: Panel, top: float) -> None:
    """A nutrient's label and method at the left, its marks, its numbers at the right."""
    label, method = _texts(group)
    look: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "va": "center"}
    left = (_EDGE - _LEFT) / _AXES
    for place, text in enumerate(label):
        axes.text(left, top + place * _ROW, text, fontsize=8.5, weight="bold", **look)
    for place, text in enumerate(method, len(label)):
        axes.text(left, top + place * _ROW, text, fontsize=6.5, color="#555555", **look)
    for place, entry in enumerate(group.entries):
        at = top + place * _ROW
        axes.text(-0.08 / _AXES, at, _short(entry.code), fontsize=7.5, ha="right", **look)
        told = page.clean(entry.text)
        size = 7.5 * min(1.0, _NUMBERS / max(len(told), 1))
        axes.text(1.0 + 0.08 / _AXES, at, told, fontsize=size, ha="left", **look)
        _mark(axes, entry, at, panel.squeezed)


def _short(code: str) -> str:
    """A code that fits beside the axes; the legend has the whole."""
    told = page.clean(code)
    return told if len(told) <= _CODE else f"{told[: _CODE - 3]}..."


def _mark(axes: Axes, entry: Entry, at: float, squeezed: bool) -> None:
    """A value with its range, filled; possible values hollow, an open end as an arrow."""
    colour = COLOURS[entry.place % len(COLOURS)]
    look: dict[str, Any] = {"color": colour, "linestyle": "none", "zorder": 3}
    look |= page.marker(entry.place) | {"clip_on": False}
    value, low, high = (
        compared.squeezed(end) if squeezed and end is not None else end
        for end in (entry.value, entry.low, entry.high)
    )
    ends = [end for end in (low, high) if end is not None]
    if value is not None:
        for one, other in pairwise(ends):
            axes.plot([one, other], [at, at], color=colour, linewidth=1.1, zorder=2.5)
            axes.plot(ends, [at, at], color=colour, marker="|", linestyle="none", markersize=5)
        axes.plot([value], [at], **look)
        return
    if not ends:
        return
    axes.plot(ends, [at] * len(ends), **look, markerfacecolor="white")
    if len(ends) == 2:
        axes.plot(ends, [at, at], color=colour, linewidth=2.6, alpha=0.6, zorder=2.5)
    else:
        way = ARROW if high is None else -ARROW
        drawn = {"arrowstyle": "<-", "color": colour, "shrinkA": 0, "shrinkB": 3}
        axes.annotate(
            "", (ends[0], at), xytext=(way, 0), textcoords="offset points", arrowprops=drawn
        )


def _name(comparison: Comparison, code: str) -> str:
    """Legend: treatment, what it is, its beds."""
    lines = comparison.of(code)
    given = lines[0].series.treatment_name
    name = code if given in ("", code) else f"{code}, {given}"
    treated = marks.beds_text(line.row.difference.treated_beds for line in lines)
    control = marks.beds_text(line.row.difference.control_beds for line in lines)
    return f"{name} ({treated}; control: {control}; {compared.dates(lines)})"


def _small_print(comparison: Comparison) -> list[str]:
    """What a reader must know beside the picture."""
    lines = comparison.lines
    found = [*compared.head(comparison)]
    panels = compared.panels(comparison)
    if panels[0].squeezed:
        found.append(
            "per cent: T - C and its range, divided by the control's mean; no per cent where the "
            "control lies below a limit or within 5 times it: then in the nutrient's own unit"
        )
        if max(map(abs, (*panels[0].numbers(), 0.0))) > 100.0:
            found.append("the scale is even to +-100 % (dotted) and logarithmic beyond")
    methods = [line.row.difference.method for line in lines]
    made = marks.made(methods)
    if made:
        found.append(f"bars: 95 % range, {made}")
        found.append(compared.SAID_OF_NONE)
    if "bounds" in methods:
        found.append(
            "hollow, [ ]: possible values, from the reporting limits, not a 95 % range; "
            "an arrow points to an open end"
        )
    found += compared.reasons(lines, ratios=False)
    found += [*comparison.salt, *comparison.missing, *compared.sources(lines)]
    return found + _notes(comparison.notes)


def _notes(notes: Sequence[str]) -> list[str]:
    more = len(notes) - _MOST_NOTES
    told = [f"note: {note}" for note in notes[:_MOST_NOTES]]
    return told if more <= 0 else [*told, f"and {more} more notes, in the table"]


def _description(comparison: Comparison) -> str:
    """The picture in words, for those who cannot see it: every number that stands in it."""
    rows = [
        f"{group.label}: " + ", ".join(f"{entry.code} {entry.text}" for entry in group.entries)
        for panel in compared.panels(comparison)
        for group in panel.groups
    ]
    small = "; ".join(_small_print(comparison))
    return f"{_title(comparison)}. {'. '.join(rows)}. {small}."
