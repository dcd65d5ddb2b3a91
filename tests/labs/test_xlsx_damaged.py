"""Spreadsheets that are damaged, made to harm, or no spreadsheets: each is told apart in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbook.errors import BadData
from tests.labs.test_xlsx import grid_of, one_sheet
from tests.workbooks import BOOK, book, parts, rows_xml, sheet_xml, zipped


def wrong(**changed: str | bytes) -> bytes:
    """A sound book with some parts exchanged, named by their last word."""
    made: dict[str, str | bytes] = dict(parts(sheet_xml(rows_xml([["a", "b"], [1, 2]]))))
    for word, content in changed.items():
        made[next(name for name in made if word in name)] = content
    return zipped(made)


V = '<row r="3"><c><v>1</v></c></row>'
SHEETS = [
    ('<row r="1"><c r="B1"><v>1</v></c><c r="A1"><v>1</v></c></row>',
     "cell 'A1' stands in the wrong place"),
    ('<row r="1"><c r="A1"><v>1</v></c><c r="A1"><v>1</v></c></row>',
     "cell 'A1' stands in the wrong place"),
    ('<row r="1"><c r="A2"><v>1</v></c></row>', "cell 'A2' stands in the wrong place"),
    ('<row r="2"/><row r="2"/>' + V, "row 2 comes after row 2"),
    ('<row r="1"><c r="a1"><v>1</v></c></row>', "there is no column 'a'"),
    ('<row r="1"><c r="ABCD1"><v>1</v></c></row>', "there is no column 'ABCD'"),
    ('<row r="1"><c r="A1" s="7"><v>1</v></c></row>', "a cell has format '7', which is missing"),
    ('<row r="1"><c r="A1" t="s"><v>0</v></c></row>', "text '0' of the cells is missing"),
    ('<row r="1"><c r="A1" t="s"><v>-1</v></c></row>', "text '-1' of the cells is missing"),
    ('<row r="1"><c r="A1" t="zz"><v>0</v></c></row>', "a cell is of kind 'zz'"),
    ('<row r="x"/>' + V, "part 'xl/worksheets/sheet1.xml' cannot be read"),
    ("<row>", "part 'xl/worksheets/sheet1.xml', line 1 is not sound XML"),
    ("&bad;", "part 'xl/worksheets/sheet1.xml', line 1 is not sound XML"),
    ("<a>" * 100 + "</a>" * 100, "part 'xl/worksheets/sheet1.xml' is nested too deep"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "message"), SHEETS)
def test_damaged_sheets(tmp_path: Path, data: str, message: str) -> None:
    with pytest.raises(BadData) as caught:
        one_sheet(tmp_path, data)
    assert str(caught.value) == f"s.xlsx: the spreadsheet is damaged: {message}"


BILLION = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9)
) + "]>"  # fmt: skip
OUTSIDE = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'


@pytest.mark.parametrize("part", ["sheet1.xml", "workbook.xml", "_rels/.rels"])
@pytest.mark.parametrize("kind", [BILLION, OUTSIDE])
def test_entities_are_never_expanded(tmp_path: Path, part: str, kind: str) -> None:
    content = wrong(**{part: f"{kind}<x>&j;&a;</x>"})
    with pytest.raises(BadData, match="has a document type, which no spreadsheet has"):
        grid_of(tmp_path, content)


OTHER = [
    ({"x.txt": "1"}, "this is a zip archive, not a spreadsheet"),
    ({"mimetype": "application/vnd.oasis.opendocument.spreadsheet", "content.xml": "<x/>"},
     "this is a spreadsheet or document in another format (ods, odt), not XLSX"),
    ({"_rels/.rels": '<x><Relationship Type="a/officeDocument" Target="word/document.xml"/></x>'},
     "this is a text document, not XLSX"),
    ({"_rels/.rels": '<x><Relationship Type="a/officeDocument" Target="xl/workbook.bin"/></x>'},
     "this is a spreadsheet in binary form (xlsb), not XLSX"),
    ({"_rels/.rels": '<x><Relationship Type="a/officeDocument" Target="../../x"/></x>'},
     "the spreadsheet is damaged: part 'x' is missing"),
    ({"_rels/.rels": "<x/>", "_RELS/.rels": "<x/>"},
     "the spreadsheet is damaged: it has two parts named '_RELS/.rels'"),
]  # fmt: skip


@pytest.mark.parametrize(("members", "message"), OTHER)
def test_archives_that_are_no_xlsx(tmp_path: Path, members: dict[str, str], message: str) -> None:
    with pytest.raises(BadData) as caught:
        grid_of(tmp_path, zipped(members))
    assert str(caught.value) == f"s.xlsx: {message}"


def test_other_files_say_what_they_are(tmp_path: Path) -> None:
    locked = b"\xd0\xcf\x11\xe0" + b"\0" * 600 + "EncryptedPackage".encode("utf-16-le")
    with pytest.raises(BadData, match="locked with a password") as caught:
        grid_of(tmp_path, locked)
    assert "take the password away" in caught.value.hint
    with pytest.raises(BadData, match="an old spreadsheet"):
        grid_of(tmp_path, b"\xd0\xcf\x11\xe0" + b"\0" * 600, name="s.xls")


def test_missing_parts_and_no_data(tmp_path: Path) -> None:
    made = parts(sheet_xml(rows_xml([["a"]])))
    for missing in (BOOK, "xl/worksheets/sheet1.xml", "xl/_rels/workbook.xml.rels", "_rels/.rels"):
        with pytest.raises(BadData):
            grid_of(tmp_path, zipped({k: v for k, v in made.items() if k != missing}))
    with pytest.raises(BadData, match="the file is empty"):
        grid_of(tmp_path, book([]))
    with pytest.raises(BadData, match="the spreadsheet has no sheet with cells"):
        grid_of(tmp_path, zipped(parts()))
