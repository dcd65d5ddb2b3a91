"""Text tables of every common encoding and delimiter, and files that are none."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from logbook.errors import BadData, UserMistake
from logbook.labs import grid, reader
from logbook.labs.reader import Table, read_table


def table_of(folder: Path, content: bytes | str, name: str = "soil.csv") -> Table:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_table(path)


def test_a_plain_table(tmp_path: Path) -> None:
    content = "day,value\n0,1.5\n\n7,2.5\n"
    table = table_of(tmp_path, content)
    assert table.header == ("day", "value")
    assert table.rows == [["0", "1.5"], ["7", "2.5"]]
    assert table.lines == [2, 4]
    assert table.file == "soil.csv"
    assert table.sha256 == hashlib.sha256(content.encode()).hexdigest()
    assert table.decimal_comma is False
    assert (table.column("VALUE"), table.column("nothing")) == (1, None)
    assert table.where(1, 1) == "soil.csv, row 4, column value (value '2.5')"


TEXT = "tag;größe;µ\n1;2,5;ok\n2;3,5;ok\n"


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (TEXT.encode(), "utf-8-sig"),
        (b"\xef\xbb\xbf" + TEXT.encode(), "utf-8-sig"),
        (TEXT.encode("utf-16"), "utf-16"),
        (b"\xfe\xff" + TEXT.encode("utf-16-be"), "utf-16"),
        (TEXT.encode("utf-16-le"), "utf-16-le"),
        (TEXT.encode("utf-16-be"), "utf-16-be"),
        (TEXT.encode("latin-1"), "cp1252"),
        (TEXT.replace("\n", "\r\n").encode(), "utf-8-sig"),
        (TEXT.replace("\n", "\r").encode(), "utf-8-sig"),
        (TEXT.replace("ö", "o\u0308").encode(), "utf-8-sig"),
        (("sep=;\n" + TEXT).encode(), "utf-8-sig"),
    ],
)
def test_encodings_and_line_ends(tmp_path: Path, data: bytes, encoding: str) -> None:
    table = table_of(tmp_path, data)
    assert table.header == ("tag", "größe", "µ")
    assert table.rows == [["1", "2,5", "ok"], ["2", "3,5", "ok"]]
    assert (table.decimal_comma, table.encoding) == (True, encoding)


@pytest.mark.parametrize(
    ("content", "comma"),
    [
        ("d;v\n1;0,5\n2;1,234\n", True),
        ("d;v\n1;1,234\n", False),  # 1234 or 1.234: nothing says which
        ("d;v\n1;1.5\n2;2.5\n3;2,5\n", False),  # one slip of the pen among points
        ("d;v;lab no\n1;0,5;26.10\n2;2,5;26.11\n", True),  # points of another column
        ('d,v\n1,"0,5"\n2,"12,5"\n', True),
        ('d,v\n1,"1,234"\n', False),
        ("d\tv\n1\t<0,05\n", True),
        ('d,v\n1,"a, b"\n', False),
        ("d;v\n1;0,5 M KCl\n", False),
    ],
)
def test_the_decimal_mark_is_found_from_the_numbers(
    tmp_path: Path, content: str, comma: bool
) -> None:
    assert table_of(tmp_path, content).decimal_comma is comma


def test_what_spreadsheets_leave_behind_is_dropped(tmp_path: Path) -> None:
    table = table_of(tmp_path, "a;b;;\n1;2;;\n ; ;;\n;;;\n3;4\n")
    assert table.header == ("a", "b")
    assert (table.rows, table.lines) == ([["1", "2"], ["3", "4"]], [2, 5])


def test_quoted_cells_may_span_lines(tmp_path: Path) -> None:
    table = table_of(tmp_path, 'a,"b\nc"\n1,"2 ""x""\ny"\n3,4\n')
    assert table.header == ("a", "b c")
    assert (table.rows[0][1], table.lines) == ('2 "x"\ny', [3, 5])


ZIP, OLD = b"PK\x03\x04rest", b"\xd0\xcf\x11\xe0rest"
WRONG = [
    (b"", "soil.csv: the file is empty", "export it again"),
    (b" \n\n", "soil.csv: the file is empty", "export it again"),
    (b",,\n;\n", "soil.csv: the file is empty", "export it again"),
    (b"\xef\xbb\xbf", "soil.csv: the file is empty", "export it again"),
    (b"a,b\n", "soil.csv: there is a header but no row below it", "export the file again"),
    (ZIP, "soil.csv: the spreadsheet is damaged or cut short",
     "get the file anew, or save it again"),
    (OLD, "soil.csv: this is an old spreadsheet (xls) or document, not a table",
     "save it as XLSX or CSV"),
    (b"%PDF-1.7", "soil.csv: this is a PDF, not a table",
     "ask the laboratory for a CSV or XLSX file"),
    (b"\x1f\x8b\x08", "soil.csv: this is a compressed file, not a table", "unpack it first"),
    (b" <html><table><tr><td>1", "soil.csv: this is a page of tags (HTML or XML), whatever its "
     "name says, not a table", "open it in a spreadsheet program and save it as XLSX or CSV"),
    (b"a,b\n\x001,2\n", "soil.csv: this is a binary file, not a text table",
     "save it as CSV in UTF-8"),
    (b"a,b\n\x81\x02\xff,2\n", "soil.csv: this is neither UTF-8, UTF-16 nor Windows-1252 text",
     "save it as CSV in UTF-8"),
    (b"\xff\xfea\x00,\x00\x00\xd8\x00\xd8", "soil.csv: this is neither UTF-8, UTF-16 nor "
     "Windows-1252 text", "save it as CSV in UTF-8"),
    (b"value\n1\n",
     "soil.csv, row 1: the header has one column only: no comma, semicolon, tab or bar",
     "export the table as CSV, with one column each for sample, nutrient, value, unit"),
    (b"a,b,A\n1,2,3\n", "soil.csv, row 1: columns 1 and 3 are both named 'A'",
     "give each column its own name"),
    (b"a,,b\n1,2,3\n", "soil.csv, row 1: column 2 has no name", "name it"),
    (b"a,b\n1,2\n3\n", "soil.csv, row 3, column b: the row has 1 cell, the header 2",
     "fill the row up"),
    (b"a,b\n1,2,5\n", "soil.csv, row 2, column 3 (value '5'): the row has 3 cells, the header 2",
     "quote cells that hold the delimiter, such as a decimal comma, or put ; between columns"),
    (b"a,b\n1,\x1b[2J\n",
     "soil.csv, row 2, column b (value '\\x1b[2J'): the cell has a control character (U+001B)",
     "type the cell again without it"),
    ("a,b\n1,x\u202ey\n".encode(),
     "soil.csv, row 2, column b (value 'x\\u202ey'): the cell has a control character (U+202E)",
     "type the cell again without it"),
    (b'a,b\n1,"2\n3,4\n',
     "soil.csv, row 2: a cell is longer than 10,000 characters, or its quote is never closed",
     'check the quotes (") of that row'),
    (b'a,b\n1,"2"x\n', "soil.csv, row 2: a quoted cell goes on after its closing quote",
     'check the quotes (") of that row'),
    (b"a,b\n1," + b"x" * 10_001 + b"\n",
     "soil.csv, row 2, column b: the cell has 10,001 characters, more than 10,000",
     "check the quotes of that row"),
    (b"a,b\n1," + b"x" * 200_000 + b"\n",
     "soil.csv, row 2: a cell is longer than 10,000 characters, or its quote is never closed",
     'check the quotes (") of that row'),
    (b",".join(b"c%d" % i for i in range(1001)) + b"\n1\n",
     "soil.csv, row 1: there are 1,001 columns, more than 1,000", "export one row per result"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "message", "hint"), WRONG)
def test_files_that_are_no_table(tmp_path: Path, data: bytes, message: str, hint: str) -> None:
    with pytest.raises(BadData) as caught:
        table_of(tmp_path, data)
    assert (caught.value.message, caught.value.hint) == (message, hint)
    problem = caught.value.problems[0]
    assert (f"{problem.where}: {problem.what}", problem.remedy) == (message, hint)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    with pytest.raises(BadData) as caught:
        table_of(tmp_path, "a,b\n1\n1,2\n1,2,3\n\x07,2\n")
    places = [problem.where.split(" (")[0] for problem in caught.value.problems]
    assert places == [
        "soil.csv, row 2, column b", "soil.csv, row 4, column 3", "soil.csv, row 5, column a",
    ]  # fmt: skip


def test_the_list_of_problems_is_bounded(tmp_path: Path) -> None:
    with pytest.raises(BadData) as caught:
        table_of(tmp_path, "a,b\n" + "1\n" * (reader.MOST_PROBLEMS + 10))
    assert len(caught.value.problems) == reader.MOST_PROBLEMS + 1
    assert caught.value.problems[-1].what == "the rows after these were not looked at"


def test_limits_of_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(grid, "MOST_ROWS", 2)
    with pytest.raises(BadData, match="there are more than 2 rows"):
        table_of(tmp_path, "a,b\n1,2\n1,2\n1,2\n")
    monkeypatch.setattr(grid, "MOST_BYTES", 8)
    with pytest.raises(BadData, match="the file is larger than 64 MB"):
        table_of(tmp_path, "a,b\n1,2\n1")


def test_names_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match="there is no file"):
        read_table(tmp_path / "nothing.csv")
    with pytest.raises(UserMistake, match="is a folder"):
        read_table(tmp_path)
    with pytest.raises(UserMistake, match="cannot be read"):
        read_table(tmp_path / "nul\0.csv")


def test_a_hostile_file_name_never_reaches_the_terminal_raw(tmp_path: Path) -> None:
    assert table_of(tmp_path, "a,b\n1,2\n", "x\x1b[2J.csv").file == "x\\x1b[2J.csv"
