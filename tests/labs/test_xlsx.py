"""Spreadsheets as a person sees them: numbers, dates, formats, merged and hidden cells, formulas.

The peer is openpyxl, a general library for spreadsheets: it writes the files of some tests, and
reads the same cells. Formats and dates are those of ECMA-376 (ISO/IEC 29500), Part 1, sections
18.8.30, 18.8.31 and 18.17.4.1.
"""

from __future__ import annotations

import random
from datetime import date, datetime, time
from pathlib import Path

import openpyxl
import pytest

from logbook.errors import BadData, LogbookError, UserMistake
from logbook.labs import grid
from logbook.labs.grid import Grid, Merged
from logbook.labs.reader import read_grid, read_table
from tests.workbooks import (
    MAIN,
    book,
    letters,
    parts,
    rows_xml,
    sheet_xml,
    styles_xml,
    zipped,
)


def grid_of(folder: Path, content: bytes, sheet: str | None = None, name: str = "s.xlsx") -> Grid:
    path = folder / name
    path.write_bytes(content)
    return read_grid(path, sheet=sheet)


def one_sheet(folder: Path, data: str, before: str = "", after: str = "", **more: str) -> Grid:
    return grid_of(folder, zipped(parts(sheet_xml(data, before, after), **more)))


def test_cells_as_a_person_sees_them(tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = "Soil"
    sheet.append(["Invented Soil Lab"])
    sheet.append([])
    sheet.append(["sample", "pulled", "NO3-N", "pH"])
    sheet.append(["B1", date(2026, 3, 14), 12.300000000000001, 7])
    sheet.append(["B2", datetime(2026, 3, 14, 10, 30), 0.1 + 0.2, 6.55])
    sheet.append(["B3", time(10, 30), -0.25, 1e-05])
    sheet["D4"].number_format = "0.00"
    made.save(tmp_path / "soil.xlsx")
    read = read_grid(tmp_path / "soil.xlsx")
    assert read.rows == [
        ["Invented Soil Lab", "", "", ""],
        ["", "", "", ""],
        ["sample", "pulled", "NO3-N", "pH"],
        ["B1", "2026-03-14", "12.3", "7.00"],
        ["B2", "2026-03-14 10:30", "0.3", "6.55"],
        ["B3", "10:30", "-0.25", "0.00001"],
    ]
    assert read.lines == [1, 2, 3, 4, 5, 6]
    assert (read.kind, read.sheet, read.sheets) == ("xlsx", "Soil", ("Soil",))
    assert (read.decimal_comma, read.point_doubtful, read.dates) == (False, False, {1})
    assert (read.encoding, read.delimiter, read.flaws, read.notes) == (None, None, (), ())
    assert read.where(3, 2, "NO3-N") == (
        "soil.xlsx, sheet 'Soil', row 4, column C 'NO3-N' (value '12.3')"
    )


def test_the_same_numbers_as_the_peer(tmp_path: Path) -> None:
    """Any double, as its shortest text of at most 15 digits."""
    rng = random.Random(4)
    values = [rng.uniform(0, 500) for _ in range(300)]
    values += [round(rng.uniform(0, 500), rng.randrange(5)) for _ in range(300)]
    values += [rng.uniform(1, 9) * 10.0 ** rng.randrange(-12, 12) for _ in range(300)]
    made = openpyxl.Workbook()
    for value in values:
        made.active.append([value, "x"])
    made.save(tmp_path / "numbers.xlsx")
    peer = openpyxl.load_workbook(tmp_path / "numbers.xlsx").active
    read = read_grid(tmp_path / "numbers.xlsx")
    theirs = [row[0] for row in peer.iter_rows(values_only=True)]
    ours = [float(row[0]) for row in read.rows]
    assert ours == pytest.approx(theirs, rel=1e-14)
    rounded = [(str(value), row[0]) for value, row in zip(values, read.rows, strict=True)]
    for given, text in rounded[300:600]:
        assert text == given.removesuffix(".0")


def test_a_book_of_the_1904_system(tmp_path: Path) -> None:
    data = '<row r="1"><c r="A1" s="1"><v>44633</v></c><c r="B1"><v>1</v></c></row>'
    made = parts(
        sheet_xml(data), properties='<workbookPr date1904="1"/>', styles=styles_xml("d/m/yy")
    )
    assert grid_of(tmp_path, zipped(made)).rows == [["2026-03-14", "1"]]


def test_all_digits_are_kept_and_a_note_says_so(tmp_path: Path) -> None:
    data = '<row r="1"><c r="A1" s="1"><v>7.1234</v></c><c r="B1" s="1"><v>7.1</v></c></row>'
    read = one_sheet(tmp_path, data, styles=styles_xml("0.00"))
    assert read.rows == [["7.1234", "7.10"]]
    assert read.notes == ("1 cell holds more digits than shown: all of them were read",)


def test_formulas_are_never_calculated(tmp_path: Path) -> None:
    data = (
        '<row r="1"><c r="A1"><f>1+1</f><v>2</v></c><c r="B1"><f>1+1</f></c>'
        '<c r="C1"><f>1+1</f><v></v></c><c r="D1" t="str"><f>A1</f><v></v></c>'
        '<c r="E1" t="str"><f>A1&amp;"x"</f><v>2x</v></c></row>'
    )
    read = one_sheet(tmp_path, data)
    assert read.rows == [["2", "=1+1", "=1+1", "", "2x"]]
    assert read.notes == ("3 cells hold a formula: the result stored in the file was read",)
    problems = read.refusals({0, 1, 2, 3, 4})
    assert [problem.what for problem in problems] == ["the formula has no stored result"] * 2
    assert problems[0].where == "s.xlsx, sheet 'Sheet1', row 1, column B (value '=1+1')"
    assert read.refusals({0, 4}) == []


def test_errors_and_yes_or_no_are_refused_where_they_are_used(tmp_path: Path) -> None:
    data = (
        '<row r="1"><c r="A1" t="e"><v>#DIV/0!</v></c><c r="B1" t="b"><v>1</v></c>'
        '<c r="C1"><v>oops</v></c><c r="D1"><v>1</v></c></row>'
    )
    read = one_sheet(tmp_path, data)
    assert read.rows == [["#DIV/0!", "TRUE", "oops", "1"]]
    assert [problem.what for problem in read.refusals(range(4))] == [
        "the cell holds an error, no value",
        "the cell holds yes or no, neither text nor a number",
        "the cell is said to hold a number, and does not",
    ]
    assert read.refusals(range(4), first=1) == []


def test_a_table_refuses_every_flaw(tmp_path: Path) -> None:
    data = (
        rows_xml([["sample", "value"]])
        + '<row r="2"><c r="A2"><v>1</v></c><c r="B2" t="e"><v>#N/A</v></c></row>'
        + '<row r="3"><c r="A3"><v>2</v></c><c r="B3"><v>2.5</v></c></row>'
    )
    path = tmp_path / "s.xlsx"
    path.write_bytes(zipped(parts(sheet_xml(data))))
    with pytest.raises(BadData) as caught:
        read_table(path)
    (problem,) = caught.value.problems
    assert problem.where == "s.xlsx, sheet 'Sheet1', row 2, column value (value '#N/A')"


def test_a_table_from_a_sheet(tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    path.write_bytes(book([[], ["day", "value", "note"], [0, 1.5], ["", "", " "], [7, 2.25, "x"]]))
    table = read_table(path)
    assert table.header == ("day", "value", "note")
    assert (table.rows, table.lines) == ([["0", "1.5", ""], ["7", "2.25", "x"]], [3, 5])
    assert table.where(0, 1) == "s.xlsx, sheet 'Sheet1', row 3, column value (value '1.5')"


def test_a_cell_beyond_the_header(tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    path.write_bytes(book([["day", "value"], [0, 1.5, "x"]]))
    with pytest.raises(BadData) as caught:
        read_table(path)
    assert str(caught.value.problems[0]) == (
        "s.xlsx, sheet 'Sheet1', row 2, column C (value 'x'): the row has 3 cells, the header 2; "
        "name its column in the header, or empty the cell"
    )


def test_merged_cells(tmp_path: Path) -> None:
    rows = [["Nitrate-N", "", "pH"], ["0-15", "15-30"], ["bed", 12.5, 7], ["", "", 8]]
    after = '<mergeCells><mergeCell ref="A1:B1"/><mergeCell ref="A3:A4"/><mergeCell ref="B3:B4"/>'
    after += '<mergeCell ref="A9:C20"/><mergeCell ref="C1:XFD1"/></mergeCells>'
    read = one_sheet(tmp_path, rows_xml(rows), after=after)
    assert read.rows == [
        ["Nitrate-N", "Nitrate-N", "pH"],
        ["0-15", "15-30", ""],
        ["bed", "12.5", "7"],
        ["bed", "", "8"],  # a number stands once: twice would be two results
    ]
    assert read.merged == (
        Merged(0, 0, 0, 1), Merged(2, 0, 3, 0), Merged(2, 1, 3, 1), Merged(0, 2, 0, 2),
    )  # fmt: skip


def test_hidden_rows_and_columns_are_read_and_named(tmp_path: Path) -> None:
    data = rows_xml([["a", "b", "c"], [1, 2, 3]]).replace('<row r="2"', '<row r="2" hidden="1"')
    before = '<cols><col min="2" max="16384" hidden="1"/></cols>'
    read = one_sheet(tmp_path, data, before)
    assert read.rows[1] == ["1", "2", "3"]
    assert read.notes == (
        "hidden rows were read as well: 2", "hidden columns were read as well: B, C",
    )  # fmt: skip


def test_texts_of_every_kind(tmp_path: Path) -> None:
    strings = (
        f'<sst xmlns="{MAIN}"><si><t>plain</t></si><si><r><t>ri</t></r><r><t>ch</t></r>'
        "<rPh><t>aside</t></rPh></si><si><t>gro\u0308\u00dfe</t></si><si><t>a_x0041_</t></si></sst>"
    )
    cells = "".join(f'<c r="{letters(n)}1" t="s"><v>{n}</v></c>' for n in range(4))
    more = '<c r="E1" t="inlineStr"><is><t>in</t><t>line</t></is></c><c t="d"><v>2026-03-14</v></c>'
    read = one_sheet(tmp_path, f'<row r="1">{cells}{more}</row>', strings=strings)
    assert read.rows == [["plain", "rich", "größe", "aA", "inline", "2026-03-14"]]


def test_a_decimal_comma_in_texts_is_that_of_the_numbers(tmp_path: Path) -> None:
    read = grid_of(tmp_path, book([["day", "value"], [0, "12,5"], [7, 1.25]]))
    assert (read.rows[2], read.decimal_comma) == (["7", "1,25"], True)
    read = grid_of(tmp_path, book([["day", "value"], [0, "1.250"], [7, "3"]]))
    assert (read.decimal_comma, read.point_doubtful) == (None, True)
    read = grid_of(tmp_path, book([["day", "value"], [0, "1.250"], [7, "3.5"]]))
    assert (read.decimal_comma, read.point_doubtful) == (False, False)


def sheets(folder: Path, **more: list[str]) -> bytes:
    made = parts(
        sheet_xml(rows_xml([["first", "x"]])), sheet_xml(""), sheet_xml(rows_xml([["third", "x"]])),
        **more,
    )  # fmt: skip
    return zipped(made)


def test_the_sheet_is_asked_for_when_several_hold_data(tmp_path: Path) -> None:
    content = sheets(tmp_path)
    with pytest.raises(UserMistake) as caught:
        grid_of(tmp_path, content)
    assert str(caught.value) == "s.xlsx: several sheets hold data: 'Sheet1', 'Sheet3'"
    assert caught.value.hint == "say which: --sheet NAME"
    assert grid_of(tmp_path, content, "sheet3").rows == [["third", "x"]]
    with pytest.raises(UserMistake, match="there is no sheet 'Sheet9'"):
        grid_of(tmp_path, content, "Sheet9")
    with pytest.raises(UserMistake, match="a text file has no sheets"):
        grid_of(tmp_path, b"a,b\n1,2\n", "Sheet1", "s.csv")


def test_hidden_sheets_are_named_not_read(tmp_path: Path) -> None:
    read = grid_of(tmp_path, sheets(tmp_path, states=["visible", "visible", "veryHidden"]))
    assert (read.rows, read.notes) == (
        [["first", "x"]], ("hidden sheets were not read: 'Sheet3'",),
    )  # fmt: skip
    hidden = sheets(tmp_path, states=["hidden", "visible", "hidden"])
    with pytest.raises(UserMistake, match="only hidden sheets hold data: 'Sheet1', 'Sheet3'"):
        grid_of(tmp_path, hidden)


def test_names_that_are_no_names(tmp_path: Path) -> None:
    names = ["../../etc/passwd", "\u202ex", "C:\\x"]
    with pytest.raises(UserMistake) as caught:
        grid_of(tmp_path, sheets(tmp_path, names=names))
    assert str(caught.value).isprintable()
    assert grid_of(tmp_path, sheets(tmp_path, names=names), names[0]).rows == [["first", "x"]]


def test_prefixed_tags_and_cells_without_a_place(tmp_path: Path) -> None:
    xml = (
        f'<x:worksheet xmlns:x="{MAIN}"><x:sheetData><x:row><x:c><x:v>1</x:v></x:c>'
        "<x:c><x:v>2</x:v></x:c></x:row><x:row><x:c/><x:c><x:v>3</x:v></x:c></x:row>"
        "</x:sheetData></x:worksheet>"
    )
    read = grid_of(tmp_path, zipped(parts(xml)))
    assert read.rows == [["1", "2"], ["", "3"]]


def test_macros_and_links_are_left_alone(tmp_path: Path) -> None:
    made = parts(sheet_xml(rows_xml([["a", "b"]])))
    rels = "xl/_rels/workbook.xml.rels"
    made[rels] = made[rels].replace(
        "</Relationships>",
        '<Relationship Id="m" Type="x/vbaProject" Target="vbaProject.bin"/><Relationship Id="e" '
        'Type="x/externalLink" Target="file:///etc/passwd" TargetMode="External"/></Relationships>',
    )
    assert grid_of(tmp_path, zipped(made), name="s.xlsm").notes == (
        "the spreadsheet holds macros: they were not run",
        "the spreadsheet leads to other files: they were not opened",
    )


def test_blank_styled_cells_beyond_the_last_column_are_no_columns(tmp_path: Path) -> None:
    styled = "".join(f'<c r="{letters(n)}2" s="0"/>' for n in range(2, 16_384))
    data = rows_xml([["a", "b"]]) + f'<row r="2"><c r="A2"><v>1</v></c>{styled}</row>'
    assert one_sheet(tmp_path, data).rows == [["a", "b"], ["1", ""]]


def test_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    content = book([["a", "b"], [1, 2], [3, 4], [5, 6]])
    for name, most, message in [
        ("MOST_ROWS", 3, "there are more than 3 rows"),
        ("MOST_COLUMNS", 1, "there are more than 1 columns"),
        ("MOST_CELLS", 7, "there are more than 7 cells"),
    ]:
        with monkeypatch.context() as patched:
            patched.setattr(grid, name, most)
            with pytest.raises(BadData, match=message):
                grid_of(tmp_path, content)
    narrow = book([["a", "b"], [1], [3], [5]])
    with monkeypatch.context() as patched:
        patched.setattr(grid, "MOST_CELLS", 7)
        (tmp_path / "narrow.xlsx").write_bytes(narrow)
        with pytest.raises(BadData, match="there are more than 7 cells"):
            read_table(tmp_path / "narrow.xlsx")
    far = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="A1048576"><v>1</v></c>'
    with pytest.raises(BadData, match="there are more than 500,000 rows"):
        one_sheet(tmp_path, far + "</row>")
    wide = '<row r="1"><c r="XFD1"><v>1</v></c></row>'
    with pytest.raises(BadData, match="there are more than 1,000 columns"):
        one_sheet(tmp_path, wide)


def test_cells_that_must_not_be_kept(tmp_path: Path) -> None:
    rows = [["a", "_x001B_[2J", "x" * 10_001, "\u202e1", "y" * 200_000]]
    with pytest.raises(LogbookError) as caught:
        grid_of(tmp_path, book(rows))
    assert isinstance(caught.value, BadData)
    assert [problem.what for problem in caught.value.problems] == [
        "the cell has a control character (U+001B)",
        "the cell has 10,001 characters, more than 10,000",
        "the cell has a control character (U+202E)",
        "the cell has 10,001 characters, more than 10,000",
    ]
    assert all(str(problem).isprintable() for problem in caught.value.problems)
