"""CSV files and their folder: safe cells, the same bytes, all or nothing.

The expected cells for formulas follow common practice against formula injection (a leading = + - @
tab or carriage return is made harmless), from memory; SHA-256 of "abc" is that of FIPS 180-2.
"""

from __future__ import annotations

import csv
import hashlib
from datetime import date
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest

from logbook.errors import LogbookError, UserMistake
from logbook.report.sheets import (
    MANIFEST,
    Column,
    Sheet,
    cell_text,
    check_folder,
    columns,
    safe_text,
    sheet_bytes,
    write_folder,
)


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("=1+1", "'=1+1"),
        ("+49 30 1", "'+49 30 1"),
        ("-cmd|' /C calc'!A0", "'-cmd|' /C calc'!A0"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1+1", "' =1+1"),
        ("\r=1+1", "' =1+1"),
        ("  =1+1", "'  =1+1"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("-3.2", "-3.2"),
        ("+0,5", "+0,5"),
        ("-1.2e-3", "-1.2e-3"),
        ("-", "'-"),
        ("<0.5", "<0.5"),
        ("B1", "B1"),
        ("one\ntwo", "one two"),
        ("red\x1b[31m", "red\N{REPLACEMENT CHARACTER}[31m"),
        ("left\u202eright", "left\N{REPLACEMENT CHARACTER}right"),
        ("half \ud800", "half \N{REPLACEMENT CHARACTER}"),
        ("5\u00a0mg", "5 mg"),
        ("", ""),
    ],
)
def test_text_cells_are_safe(text: str, safe: str) -> None:
    assert safe_text(text) == safe


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (None, ""),
        (True, "yes"),
        (False, "no"),
        (-3, "-3"),
        (Decimal("-3.20"), "-3.20"),
        (Decimal("1E+3"), "1000"),
        (-3.2, "-3.2"),
        (1 / 3, "0.333333333"),
        (-1e-320 * 0.0, "0"),
        (date(2026, 3, 14), "2026-03-14"),
    ],
)
def test_cells_as_they_stand_in_a_file(cell: object, text: str) -> None:
    assert cell_text(cell) == text  # type: ignore[arg-type]


def test_a_sheet_reads_back_in_pandas(tmp_path: Path) -> None:
    named = columns("""
        name | | a text | with a bar
        value | mg/kg | a number
    """)
    assert named == (
        Column("name", "", "a text | with a bar"),
        Column("value", "mg/kg", "a number"),
    )
    rows = (('=A1, "x"', Decimal("-3.2")), ("grün", None))
    (tmp_path / "t.csv").write_bytes(sheet_bytes(Sheet("t.csv", "Rows.", named, rows)))
    assert b"\r" not in (tmp_path / "t.csv").read_bytes()
    frame = pd.read_csv(tmp_path / "t.csv")
    assert list(frame["name"]) == ['\'=A1, "x"', "grün"]
    assert frame["value"].iloc[0] == -3.2
    assert frame["value"].isna().tolist() == [False, True]


def test_a_row_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="different lengths"):
        sheet_bytes(Sheet("t.csv", "", columns("a | | b"), (("x", "y"),)))


def _fill(**files: str):  # type: ignore[no-untyped-def]
    def fill(folder: Path) -> None:
        for name, text in files.items():
            (folder / name.replace("_", ".")).write_text(text)

    return fill


def test_the_manifest_lists_every_other_file(tmp_path: Path) -> None:
    names = write_folder(tmp_path / "out", _fill(a_txt="abc", b_csv=""))
    assert names == ["a.txt", "b.csv", MANIFEST]
    with (tmp_path / "out" / MANIFEST).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["file"], row["bytes"]) for row in rows] == [("a.txt", "3"), ("b.csv", "0")]
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert rows[0]["sha256"] == known
    assert rows[1]["sha256"] == hashlib.sha256(b"").hexdigest()
    assert [entry.name for entry in tmp_path.iterdir()] == ["out"]


def test_an_export_is_replaced_only_when_asked(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, _fill(a_txt="old", gone_txt="old"))
    with pytest.raises(UserMistake, match="an earlier export is there") as refused:
        write_folder(out, _fill(a_txt="new"))
    assert refused.value.hint == "add --replace"
    assert (out / "a.txt").read_text() == "old"
    write_folder(out, _fill(a_txt="new"), replace=True)
    assert sorted(entry.name for entry in out.iterdir()) == ["a.txt", MANIFEST]
    assert [entry.name for entry in tmp_path.iterdir()] == ["out"]


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write_folder(tmp_path / "out", _fill(a_txt="abc"))
    assert (tmp_path / "out" / "a.txt").read_text() == "abc"


def test_folders_that_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "diary.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    write_folder(tmp_path / "out", _fill(a_txt="abc"))
    (tmp_path / "out" / "mine.txt").write_text("mine")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    for folder, message in {
        "full": "is not empty and holds no earlier export",
        "file": "this is a file, not a folder",
        "no/out": "there is no folder to put it in",
        "out": "would lose what no export wrote: mine.txt",
        "here": "this is the folder you are in",
    }.items():
        with pytest.raises(UserMistake, match=message):
            check_folder(tmp_path / folder, replace=True)
    assert (tmp_path / "out" / "mine.txt").read_text() == "mine"


def test_a_manifest_of_something_else_is_no_earlier_export(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / MANIFEST).write_text("item,count\nshovel,2\n")
    (tmp_path / "out" / "shovel").write_text("mine")
    with pytest.raises(UserMistake, match="would lose what no export wrote: shovel"):
        check_folder(tmp_path / "out", replace=True)


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failed_export_leaves_what_was_there(tmp_path: Path, error: BaseException) -> None:
    out = tmp_path / "out"
    write_folder(out, _fill(a_txt="old"))

    def fail(folder: Path) -> None:
        (folder / "a.txt").write_text("half")
        raise error

    with pytest.raises((LogbookError, KeyboardInterrupt)):
        write_folder(out, fail, replace=True)
    with pytest.raises((LogbookError, KeyboardInterrupt)):
        write_folder(tmp_path / "new", fail)
    assert (out / "a.txt").read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["out"]
