"""Sheets of labels as one PDF, its faces embedded; the same labels make the same bytes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from logbook.report.labels import faces
from logbook.report.labels.arranging import Drawn, Square, Stroke, Text
from logbook.report.labels.faces import MM
from logbook.report.labels.grids import Sheet
from logbook.report.labels.squares import runs

Placed = Sequence[tuple[int, Drawn]]


def pdf(pages: Sequence[Placed], sheet: Sheet, title: str, description: str) -> bytes:
    """A document of pages; each label comes with its place on its page."""
    from reportlab.pdfgen.canvas import Canvas

    for face in faces.FACES:
        faces.font(face)
    out = io.BytesIO()
    wide, high = (side / MM for side in sheet.page)
    # Without a date and an id of its own: the same content is the same file.
    canvas = Canvas(out, pagesize=(wide, high), invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(title)
    canvas.setSubject(description)
    canvas.setAuthor("")
    for page in pages:
        for place, drawn in page:
            _label(canvas, drawn, *sheet.origin(place), sheet.page[1])
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _label(canvas: Any, drawn: Drawn, left: float, top: float, page: float) -> None:
    """One label; `left` and `top` of its corner from the page's upper left one, mm."""
    canvas.saveState()
    canvas.translate(left / MM, (page - top) / MM)
    _square(canvas, drawn.square)
    for text in drawn.texts:
        _text(canvas, text)
    canvas.setLineCap(1)
    for stroke in drawn.strokes:
        _stroke(canvas, stroke)
    canvas.restoreState()


def _square(canvas: Any, square: Square) -> None:
    path = canvas.beginPath()
    side = square.module / MM
    for column, row, long in runs(square.dark):
        x, y = square.x / MM + column * side, -square.y / MM - (row + 1) * side
        path.rect(x, y, long * side, side)
    canvas.drawPath(path, stroke=0, fill=1)


def _text(canvas: Any, text: Text) -> None:
    canvas.setFont(text.face.name, text.size)
    canvas.drawString(text.x / MM, -text.y / MM, text.text)


def _stroke(canvas: Any, stroke: Stroke) -> None:
    canvas.setLineWidth(stroke.thick / MM)
    canvas.line(stroke.x1 / MM, -stroke.y1 / MM, stroke.x2 / MM, -stroke.y2 / MM)
