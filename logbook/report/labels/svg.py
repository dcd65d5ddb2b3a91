"""A sheet of labels as SVG in true size, with title and description, its text kept as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape, quoteattr

from logbook.report.labels.arranging import Drawn, Square, Stroke, Text
from logbook.report.labels.faces import MM
from logbook.report.labels.grids import Sheet
from logbook.report.labels.squares import runs


def svg(page: Sequence[tuple[int, Drawn]], sheet: Sheet, title: str, description: str) -> bytes:
    """One page; each label comes with its place on it. Units are mm."""
    wide, high = (f"{side:g}" for side in sheet.page)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}mm" height="{high}mm" '
        f'viewBox="0 0 {wide} {high}" role="img" xml:lang="en">',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(description)}</desc>",
    ]
    for place, drawn in page:
        lines += _label(drawn, *sheet.origin(place))
    return ("\n".join([*lines, "</svg>"]) + "\n").encode()


def _label(drawn: Drawn, left: float, top: float) -> Iterator[str]:
    yield f'<g transform="translate({_mm(left)} {_mm(top)})">'
    yield _square(drawn.square)
    yield from (_text(one) for one in drawn.texts)
    yield from (_stroke(one) for one in drawn.strokes)
    yield "</g>"


def _square(square: Square) -> str:
    """The modules as one path in units of a module, so that none of them is rounded."""
    path = "".join(f"M{x} {y}h{long}v1h-{long}z" for x, y, long in runs(square.dark))
    where = f"translate({_mm(square.x)} {_mm(square.y)}) scale({square.module:.6f})"
    return f'<path transform="{where}" shape-rendering="crispEdges" d="{path}"/>'


def _text(text: Text) -> str:
    # textLength: a machine without the face uses another, and the words keep their room.
    return (
        f'<text x="{_mm(text.x)}" y="{_mm(text.y)}" font-family={quoteattr(text.face.family)} '
        f'font-weight="{text.face.weight}" font-size="{_mm(text.size * MM)}" '
        f'textLength="{_mm(text.width)}" lengthAdjust="spacingAndGlyphs">{escape(text.text)}</text>'
    )


def _stroke(line: Stroke) -> str:
    ends = " ".join(
        f'{name}="{_mm(value)}"'
        for name, value in zip(
            ("x1", "y1", "x2", "y2"), (line.x1, line.y1, line.x2, line.y2), strict=True
        )
    )
    return f'<line {ends} stroke="black" stroke-width="{_mm(line.thick)}" stroke-linecap="round"/>'


def _mm(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")
