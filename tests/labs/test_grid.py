"""Text files as grids: nothing above, between or below the table is lost; what may be asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbook.errors import BadData, UserMistake
from logbook.labs.grid import Grid, letters
from logbook.labs.reader import read_grid

REPORT = """\
Invented Soil Lab
Report;26-114

Sample;Nitrate-N;pH
;mg/kg;
B1-7;12,5;6,8;see note
B2-7;0,25

Limits: NO3 0,5; see the methods


"""


def grid_of(folder: Path, content: bytes | str, **options: str) -> Grid:
    path = folder / "soil.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_grid(path, **options)  # type: ignore[arg-type]


def test_what_stands_round_the_table_is_kept(tmp_path: Path) -> None:
    read = grid_of(tmp_path, REPORT)
    assert read.rows == [
        ["Invented Soil Lab", "", "", ""],
        ["Report", "26-114", "", ""],
        ["", "", "", ""],
        ["Sample", "Nitrate-N", "pH", ""],
        ["", "mg/kg", "", ""],
        ["B1-7", "12,5", "6,8", "see note"],
        ["B2-7", "0,25", "", ""],
        ["", "", "", ""],
        ["Limits: NO3 0,5", " see the methods", "", ""],
    ]
    assert read.lines == list(range(1, 10))
    assert (read.kind, read.delimiter, read.decimal_comma, read.width) == ("csv", ";", True, 4)
    assert (read.sheet, read.sheets, read.flaws, read.merged) == (None, (), (), ())
    assert read.where(5, 1) == "soil.csv, row 6, column 2 (value '12,5')"
    assert read.where(5, 1, "Nitrate-N") == ("soil.csv, row 6, column 2 'Nitrate-N' (value '12,5')")


@pytest.mark.parametrize(
    ("text", "delimiter"),
    [
        ("a;b\n1,5;2,5\n3,5;4,5\n", ";"),
        ("1,5;2,5\n3,5;4,5\n", ";"),  # as regular as the commas: the semicolon
        ("a|b|c\n1,5|2|3\n", "|"),
        ("a\tb\n1;2,5\t3\n", "\t"),
        ('"a;b",c\n"d;e",f\n', ","),
        ("a,b,c\nsoil; wet,2,3\n4,5,6\n", ","),
        ("Report of the 3rd; 4th\na,b\n1,2\n3,4\n", ","),
        ("sep=|\na;b|c\n", "|"),
        ("one column\n1\n", None),
    ],
)
def test_the_delimiter_divides_most_lines_alike(
    tmp_path: Path, text: str, delimiter: str | None
) -> None:
    assert grid_of(tmp_path, text).delimiter == delimiter


def test_delimiter_and_encoding_may_be_said(tmp_path: Path) -> None:
    assert grid_of(tmp_path, "a;b,c\n", delimiter="comma").rows == [["a;b", "c"]]
    assert grid_of(tmp_path, "a;b,c\n", delimiter="semicolon").rows == [["a", "b,c"]]
    text = "größe,µg\n1,2\n"
    for encoding in ("cp1252", "latin-1", "cp850", "mac-roman", "utf-16-be", "UTF_8", "utf-8-sig"):
        read = grid_of(tmp_path, text.encode(encoding), encoding=encoding)
        assert read.rows[0] == ["größe", "µg"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"encoding": "nonsense"}, "there is no encoding 'nonsense'"),
        ({"encoding": "rot13"}, "there is no encoding 'rot13'"),  # a codec that is no encoding
        ({"encoding": "zlib_codec"}, "there is no encoding 'zlib_codec'"),
        ({"encoding": "\0"}, "there is no encoding"),
        ({"delimiter": ":"}, "there is no delimiter ':'"),
        ({"delimiter": ""}, "there is no delimiter ''"),
    ],
)
def test_what_cannot_be_said(tmp_path: Path, options: dict[str, str], message: str) -> None:
    with pytest.raises(UserMistake, match=message):
        grid_of(tmp_path, "a,b\n", **options)


def test_bytes_that_are_not_what_was_said(tmp_path: Path) -> None:
    with pytest.raises(BadData, match="this is not utf-8 text"):
        grid_of(tmp_path, b"gr\xf6\xdfe,1\n", encoding="utf-8")


def test_a_file_partly_in_utf_8_is_not_guessed_at(tmp_path: Path) -> None:
    """Read as Windows-1252 its µ would become two letters, unseen."""
    whole = "sample,unit\nB1,µg\nB2,µg\n".encode()
    with pytest.raises(BadData) as caught:
        grid_of(tmp_path, whole[:-3])  # cut within the second µ: no letter of UTF-8
    assert str(caught.value) == (
        "soil.csv, row 3: some of its letters are UTF-8 and some are not: is the file whole?"
    )
    assert grid_of(tmp_path, b"sample,unit\nB1,\xb5g\n").rows[1] == ["B1", "µg"]


def test_letters_of_columns() -> None:
    """A to XFD: the 16,384 columns of ECMA-376."""
    names = [letters(at) for at in (0, 25, 26, 51, 52, 701, 702, 999, 16_383)]
    assert names == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA", "ALL", "XFD"]
