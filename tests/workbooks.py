"""Spreadsheets written part by part, sound or not, as no program would write them."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape, quoteattr

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
LINKS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"
BOOK, SHEET, STYLES, STRINGS = (
    "xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/styles.xml", "xl/sharedStrings.xml",
)  # fmt: skip


def letters(column: int) -> str:
    """The letters of a column counted from 0."""
    text = ""
    column += 1
    while column:
        column, letter = divmod(column - 1, 26)
        text = chr(65 + letter) + text
    return text


def cell(row: int, column: int, value: str | float) -> str:
    """A text in the cell itself, or a number; rows and columns from 0."""
    at = f"{letters(column)}{row + 1}"
    if isinstance(value, str):
        return f'<c r="{at}" t="inlineStr"><is><t xml:space="preserve">{escape(value)}</t></is></c>'
    return f'<c r="{at}"><v>{value!r}</v></c>'


def rows_xml(rows: Sequence[Sequence[str | float]]) -> str:
    """The data of a sheet."""
    lines = (
        f'<row r="{at + 1}">{"".join(cell(at, n, value) for n, value in enumerate(row))}</row>'
        for at, row in enumerate(rows)
    )
    return "".join(lines)


def sheet_xml(data: str, before: str = "", after: str = "") -> str:
    """A sheet's part."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><worksheet xmlns="{MAIN}">{before}'
        f"<sheetData>{data}</sheetData>{after}</worksheet>"
    )


def styles_xml(*codes: str) -> str:
    """The styles part: style 0 shows numbers as they are, 1 and on by these format codes."""
    formats = "".join(
        f'<numFmt numFmtId="{200 + at}" formatCode={quoteattr(code)}/>'
        for at, code in enumerate(codes)
    )
    used = "".join(f'<xf numFmtId="{200 + at}"/>' for at in range(len(codes)))
    return (
        f'<styleSheet xmlns="{MAIN}"><numFmts>{formats}</numFmts><cellStyleXfs><xf numFmtId="14"/>'
        f'</cellStyleXfs><cellXfs><xf numFmtId="0"/>{used}</cellXfs></styleSheet>'
    )


def links_xml(links: Sequence[tuple[str, str, str]]) -> str:
    """Relationships: (name, last word of the type, target)."""
    lines = "".join(
        f'<Relationship Id="{name}" Type="{LINKS}/{kind}" Target={quoteattr(target)}/>'
        for name, kind, target in links
    )
    return f'<Relationships xmlns="{PACKAGE}">{lines}</Relationships>'


def parts(
    *sheets: str,
    names: Sequence[str] = (),
    states: Sequence[str] = (),
    properties: str = "",
    styles: str | None = None,
    strings: str | None = None,
) -> dict[str, str]:
    """The parts of a sound book with these sheets."""
    names = names or [f"Sheet{n}" for n in range(1, len(sheets) + 1)]
    states = states or ["visible"] * len(sheets)
    listed = "".join(
        f'<sheet name={quoteattr(name)} sheetId="{n}" state="{state}" r:id="s{n}"/>'
        for n, (name, state) in enumerate(zip(names, states, strict=True), start=1)
    )
    links = [(f"s{n}", "worksheet", f"worksheets/sheet{n}.xml") for n in range(1, len(sheets) + 1)]
    made = {
        "_rels/.rels": links_xml([("b", "officeDocument", BOOK)]),
        BOOK: f'<workbook xmlns="{MAIN}" xmlns:r="{LINKS}">{properties}<sheets>{listed}</sheets>'
        "</workbook>",
        **{f"xl/worksheets/sheet{n}.xml": xml for n, xml in enumerate(sheets, start=1)},
    }
    if styles is not None:
        links.append(("y", "styles", "styles.xml"))
        made[STYLES] = styles
    if strings is not None:
        links.append(("t", "sharedStrings", "sharedStrings.xml"))
        made[STRINGS] = strings
    made["xl/_rels/workbook.xml.rels"] = links_xml(links)
    return made


def zipped(members: Mapping[str, str | bytes], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    """An archive of these members."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def book(rows: Sequence[Sequence[str | float]]) -> bytes:
    """A sound book of one sheet with these cells."""
    return zipped(parts(sheet_xml(rows_xml(rows))))
