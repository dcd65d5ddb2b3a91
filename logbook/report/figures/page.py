"""What every figure shares: looks, the page's heading, legend and small print, and the file.

Drawn with matplotlib's `Figure` alone. The same content gives the same bytes. Treatments differ by
marker, dash and colour at once; the legend and the small print stand below the axes, so that they
never cover data.
"""

from __future__ import annotations

import io
import os
import re
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from logbook.errors import UserMistake
from logbook.report.figures import wrapping

# Colours that people with any common colour blindness tell apart: Okabe & Ito 2008, "Color
# Universal Design"; their yellow is left out, being too pale on white, grey stands in.
COLOURS = (
    "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9", "#666666",
)  # fmt: skip
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
_DASHES: tuple[tuple[float, ...], ...] = (
    (), (5, 2), (1, 1.5), (6, 2, 1, 2), (9, 3), (3, 1), (6, 2, 1, 2, 1, 2), (2, 4),
)  # fmt: skip
WIDTH = 7.5  # inches, as all lengths here
LINE = 0.165
SMALL, NORMAL = 7.5, 9.0
ARROW = 20.0  # points, from the known end of a range towards its open one
_SIDE = 0.25


def kind_of(path: Path) -> str:
    """ "png" or "svg", by the suffix of a path; raises UserMistake for another."""
    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise UserMistake(
            f"{path.name}: a figure is a .png or an .svg file", "end its name in .png or .svg"
        )
    return kind


def write_figure(path: Path, draw: Callable[[], Figure], title: str, description: str) -> None:
    """Draw a figure into a PNG or SVG file; the SVG carries title and description.

    Raises:
        UserMistake: another suffix, or a file that cannot be written.
    """
    kind = kind_of(path)
    with matplotlib.rc_context(), warnings.catch_warnings():
        # A name in a script that the font lacks is drawn as boxes; that is no reason to complain.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(
            {"svg.hashsalt": "logbook", "text.parse_math": False, "font.size": NORMAL}
        )
        content = _content(draw(), kind, clean(title), clean(description))
    _write(path, content)


def _content(figure: Figure, kind: str, title: str, description: str) -> bytes:
    """The file's bytes, without dates and program names."""
    out = io.BytesIO()
    if kind == "png":
        figure.savefig(out, format="png", dpi=150, metadata={"Software": None})
        return out.getvalue()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(out, format="svg", metadata={"Title": title, **nothing})
    drawn = out.getvalue().decode()
    return drawn.replace("</title>", f"</title>\n <desc>{escape(description)}</desc>", 1).encode()


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all: beside the file first, then in its place."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(content)
        os.replace(part, path)  # noqa: PTH105 - said plainly: an atomic rename
    except OSError as problem:
        part.unlink(missing_ok=True)
        reason = problem.strerror or type(problem).__name__
        raise UserMistake(f"{path}: cannot be written: {reason}") from problem


def clean(text: str) -> str:
    """Text on one line, without control characters, which neither XML nor a page can hold."""
    return re.sub(r"\s+", " ", "".join(c if c.isprintable() or c.isspace() else "?" for c in text))


def wrapped(text: str, width: int) -> list[str]:
    """Clean text in lines of so many characters, or fewer where they are wide."""
    return wrapping.wrapped(clean(text), width) or [""]


def style(place: int) -> dict[str, Any]:
    """Colour and dash of the treatment at a place, 0 for the first."""
    dash = _DASHES[place % len(_DASHES)]
    return {
        "color": COLOURS[place % len(COLOURS)],
        "linestyle": (0, dash) if dash else "-",
        "linewidth": 1.4,
    }


def marker(place: int) -> dict[str, Any]:
    """Marker of the treatment at a place."""
    # After a full round the markers move on by one, so that no two treatments look the same.
    turn = place + place // len(_MARKERS)
    return {"marker": _MARKERS[turn % len(_MARKERS)], "markersize": 5}


def beside(day: float, shift: float) -> float:
    """Where a mark stands that is shifted off others of its day; never before application."""
    return day + shift if day < 0.0 else max(day + shift, 0.0)


def heading(figure: Figure, lines: Sequence[str]) -> None:
    """The title at the top of the page; it takes `above(lines)` of its height."""
    height = figure.get_figheight()
    place = (_SIDE / WIDTH, 1 - 0.15 / height)
    figure.text(*place, "\n".join(lines), va="top", fontsize=12, weight="bold")


def above(lines: Sequence[str]) -> float:
    """The height of a heading."""
    return 0.25 + 0.22 * len(lines)


def legend(
    figure: Figure, handles: Sequence[Artist], names: Sequence[Sequence[str]], top: float
) -> None:
    """Samples with their names in lines, `top` above the page's lower edge."""
    figure.legend(
        handles,
        ["\n".join(name) for name in names],
        loc="upper left",
        bbox_to_anchor=(0.2 / WIDTH, top / figure.get_figheight()),
        borderaxespad=0.0,
        frameon=False,
        fontsize=8,
        handlelength=4.5,
        labelspacing=0.35,
    )


def legend_height(names: Sequence[Sequence[str]]) -> float:
    """The height of a legend of such names."""
    return 0.05 + 0.95 * LINE * sum(len(name) for name in names)


def small_print(figure: Figure, lines: Sequence[str], top: float) -> None:
    """What a reader must know beside the picture, `top` above the page's lower edge."""
    figure.text(
        _SIDE / WIDTH,
        top / figure.get_figheight(),
        "\n".join(lines),
        va="top",
        fontsize=SMALL,
        color="#333333",
    )


def small_height(lines: Sequence[str]) -> float:
    """The height of so much small print."""
    return 0.82 * LINE * len(lines)
