"""The form of a shipment as a PDF page, A4 or US Letter: black on white, room to write by hand."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

from logbook.report.sheets import clean

if TYPE_CHECKING:
    from logbook.report.submission import Form

PAPERS = ("a4", "letter")
_MARGIN = 42.0  # points
_PADDING = 6.0  # what the library leaves inside the margins
_NORMAL, _SMALL = 9.0, 7.5
# Shares of the width, wide enough for a code of eight W: place, sample, pulled, depth, kept,
# analyses, condition and remarks.
_SHARES = (0.05, 0.15, 0.18, 0.07, 0.09, 0.28, 0.18)
_HEADS = (
    "no.",
    "sample",
    "pulled",
    "depth",
    "kept",
    "analyses (method)",
    "laboratory: no., condition, remarks",
)
_NOTE = (
    "One line for each bag, in packing order: please measure in this order. Holding times count "
    "from the time pulled. Please report under the sample's code, with method, basis and unit."
)


def form_pdf(form: Form, paper: str = "a4") -> bytes:
    """The form as a PDF file, of as many pages as it takes; `paper` is one of PAPERS."""
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.platypus import SimpleDocTemplate, Spacer

    size = LETTER if paper == "letter" else A4
    width = size[0] - 2 * _MARGIN - 2 * _PADDING
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=size,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title=f"Shipment {form.shipment}",
        author="",
        invariant=1,
    )
    story = [
        _text(f"Samples for analysis: shipment {form.shipment}", 14, bold=True),
        Spacer(1, 6),
        _head(form, width),
        Spacer(1, 6),
        _custody(width),
        Spacer(1, 8),
        _text(_NOTE, _SMALL),
        Spacer(1, 6),
        _samples(form, width),
    ]
    number = _page_number(form.shipment)
    document.build(story, onFirstPage=number, onLaterPages=number)
    return out.getvalue()


def _text(words: str, size: float = _NORMAL, *, bold: bool = False) -> Any:
    from xml.sax.saxutils import escape

    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        "words",
        fontName="Helvetica-Bold" if bold else "Helvetica",
        fontSize=size,
        leading=size * 1.2,
        splitLongWords=1,
    )
    # An analysis and its method stay on one line: "1 M KCl" broken in two is read as another one.
    kept = re.sub(r"\S+ \([^()]*\)", lambda one: one[0].replace(" ", "\xa0"), _latin(words))
    return Paragraph(escape(kept), style)


def _latin(words: str) -> str:
    """Text that the fonts of every PDF reader have: another character becomes "?"."""
    return clean(words).encode("cp1252", "replace").decode("cp1252")


def _head(form: Form, width: float) -> Any:
    from reportlab.platypus import Table

    how = f" {form.by_what}" if form.by_what else ""
    pairs = [
        ("Trial", form.trial),
        ("Laboratory", form.lab),
        ("Sent", f"{form.sent}{how}"),
        ("Samples", str(len(form.lines))),
    ]
    if form.text:
        pairs.append(("Remarks", form.text))
    rows = [[_text(name, bold=True), _text(said)] for name, said in pairs]
    return Table(rows, colWidths=[width * 0.15, width * 0.85], style=_tight())


def _tight() -> list[tuple[Any, ...]]:
    return [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]


def _samples(form: Form, width: float) -> Any:
    """The table of samples; its heading comes again on every page."""
    from reportlab.lib.colors import black
    from reportlab.platypus import Table

    rows = [[_text(name, _SMALL, bold=True) for name in _HEADS]]
    for line in form.lines:
        analyses = ", ".join(line.analyses)
        cells = (line.pulled, f"{line.depth_cm} cm", line.kept, analyses, "")
        rows.append(
            [
                _text(str(line.place), _SMALL),
                _text(line.code, _NORMAL, bold=True),
                *(_text(words, _SMALL) for words in cells),
            ]
        )
    lines = [*_tight(), ("GRID", (0, 0), (-1, -1), 0.5, black)]
    return Table(rows, colWidths=[width * share for share in _SHARES], repeatRows=1, style=lines)


def _custody(width: float) -> Any:
    """Who handed over and who received, and when; two rows, for a carrier between."""
    from reportlab.lib.colors import black
    from reportlab.platypus import KeepTogether, Table

    heads = ("relinquished by", "date, time", "received by", "date, time", "condition, temperature")
    rows: list[list[Any]] = [[_text(name, _SMALL, bold=True) for name in heads]]
    rows += [["", "", "", "", ""] for _ in range(2)]
    widths = [width * share for share in (0.22, 0.16, 0.22, 0.16, 0.24)]
    lines = [*_tight(), ("GRID", (0, 0), (-1, -1), 0.5, black)]
    return KeepTogether([Table(rows, colWidths=widths, rowHeights=[14, 24, 24], style=lines)])


def _page_number(shipment: str) -> Any:
    def draw(canvas: Any, document: Any) -> None:
        canvas.setFont("Helvetica", _SMALL)
        canvas.drawString(_MARGIN, _MARGIN / 2, f"shipment {shipment}, page {document.page}")

    return draw
