"""Tables as CSV files, and a folder that is written whole or not at all.

Files are UTF-8 with LF line ends, the same bytes for the same content: decimals stand as they are
stored, computed numbers have nine significant digits. A text that a spreadsheet would run as a
formula gets a leading apostrophe; numbers stay numbers. `manifest.csv` lists every file with its
size and SHA-256.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path

from logbook.errors import LogbookError, UserMistake
from logbook.trial.units import plain

MANIFEST = "manifest.csv"
MANIFEST_COLUMNS = ("file", "bytes", "sha256")
DIGITS = 9
_FORMULA = tuple("=+-@\t\r\uff1d\uff0b\uff0d\uff20")  # the last four are the full-width forms
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?\Z")

Cell = str | int | float | bool | Decimal | date | None


@dataclass(frozen=True)
class Column:
    """A column: its name, the unit of its numbers ("" for text), what it says."""

    name: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Sheet:
    """One table: its file's name, one sentence about a row, columns, and rows of cells."""

    file: str
    about: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


def columns(text: str) -> tuple[Column, ...]:
    """Columns from lines of "name | unit | meaning"."""
    lines = [line.strip() for line in text.strip().splitlines()]
    return tuple(Column(*(part.strip() for part in line.split("|", 2))) for line in lines)


def sheet_bytes(sheet: Sheet) -> bytes:
    """A table as the bytes of its CSV file.

    Raises ValueError for a row of another length than the heading: a mistake of the program.
    """
    names = [column.name for column in sheet.columns]
    return _csv([names, *([cell_text(cell) for cell in row] for row in sheet.rows)])


def _csv(rows: Sequence[Sequence[str]]) -> bytes:
    if len({len(row) for row in rows}) > 1:
        raise ValueError("rows of different lengths in one table")
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue().encode()


def cell_text(cell: Cell) -> str:
    """A cell as it stands in the file: empty for None, yes or no, ISO dates, safe text."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, Decimal):
        return plain(cell)
    if isinstance(cell, float):
        return number_text(cell)
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell) if isinstance(cell, int) else safe_text(cell)


def number_text(number: float) -> str:
    """A computed number with nine significant digits, never "-0"."""
    text = f"{number:.{DIGITS}g}"
    return "0" if text == "-0" else text


def safe_text(text: str) -> str:
    """Text without control characters, which no spreadsheet takes for a formula.

    Source of the list of characters: common practice against formula injection in CSV files.
    """
    cleaned = clean(text)
    if _NUMBER.match(text):
        return text
    runs = text.startswith(_FORMULA) or cleaned.lstrip().startswith(_FORMULA)
    return f"'{cleaned}" if runs else cleaned


def clean(text: str) -> str:
    """Text on one line: blanks of any kind become a space, other control characters a mark."""
    return "".join(c if c.isprintable() else _replacement(c) for c in text)


def _replacement(character: str) -> str:
    blank = character in "\t\n\r\v\f" or unicodedata.category(character) in ("Zs", "Zl", "Zp")
    return " " if blank else "\N{REPLACEMENT CHARACTER}"


# --- the folder ---------------------------------------------------------------------------------


def check_folder(folder: Path, replace: bool) -> None:
    """Refuse a folder that must not be written to; nothing is touched.

    It may be new, empty, or (with `replace`) hold an earlier export and nothing else.
    """
    target = folder.resolve()
    if target == Path.cwd():
        raise UserMistake(f"{folder}: this is the folder you are in", "name a new one inside it")
    if not target.parent.is_dir():
        raise UserMistake(f"{folder}: there is no folder to put it in", "make that folder first")
    if target.exists() and not target.is_dir():
        raise UserMistake(f"{folder}: this is a file, not a folder", "name a new folder")
    present = {entry.name for entry in target.iterdir()} if target.exists() else set()
    if not present:
        return
    if MANIFEST not in present:
        raise UserMistake(
            f"{folder}: the folder is not empty and holds no earlier export", "name a new folder"
        )
    strange = sorted(present - _listed(target) - {MANIFEST})
    if strange:
        raise UserMistake(
            f"{folder}: replacing it would lose what no export wrote: {', '.join(strange)}",
            "move that away, or name a new folder",
        )
    if not replace:
        raise UserMistake(f"{folder}: an earlier export is there", "add --replace")


def _listed(folder: Path) -> set[str]:
    """The names in the manifest of an earlier export; none if it is not one of ours."""
    try:
        text = (folder / MANIFEST).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return set()
    rows = list(csv.reader(text.splitlines()))
    ours = bool(rows) and tuple(rows[0]) == MANIFEST_COLUMNS
    return {row[0] for row in rows[1:] if row} if ours else set()


def write_folder(folder: Path, fill: Callable[[Path], None], *, replace: bool = False) -> list[str]:
    """Fill a folder and add its manifest: all of it or nothing; returns the files' names.

    `fill` writes into the (temporary) folder that it is given. Raises UserMistake as `check_folder`
    does, and LogbookError if the disk refuses; whatever was there before then still is.
    """
    check_folder(folder, replace)
    target = folder.resolve()
    try:
        with _beside(target, "partial") as partial:
            partial.mkdir()
            fill(partial)
            names = _write_manifest(partial)
            _put(partial, target)
    except OSError as problem:
        raise LogbookError(
            f"{folder}: it could not be written ({problem.strerror or problem}); "
            "nothing was left behind",
            "is there room, and may you write there?",
        ) from problem
    return names


@contextmanager
def _beside(target: Path, word: str) -> Iterator[Path]:
    """A free name beside the target; whatever stands there in the end is removed."""
    path = target.with_name(f".{target.name}.{word}-{secrets.token_hex(4)}")
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


def _write_manifest(folder: Path) -> list[str]:
    names = sorted(entry.name for entry in folder.iterdir())
    rows: list[list[str]] = [list(MANIFEST_COLUMNS)]
    for name in names:
        body = (folder / name).read_bytes()
        rows.append([name, str(len(body)), hashlib.sha256(body).hexdigest()])
    (folder / MANIFEST).write_bytes(_csv(rows))
    return [*names, MANIFEST]


def _put(partial: Path, target: Path) -> None:
    """Move the filled folder to its place; what was there goes only once it has arrived."""
    if not target.exists():
        os.rename(partial, target)  # noqa: PTH104 - Path.replace would overwrite on some systems
        return
    with _beside(target, "former") as former:
        target.rename(former)
        try:
            partial.rename(target)
        except OSError:
            with suppress(OSError):
                former.rename(target)
            raise
