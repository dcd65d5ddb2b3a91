"""Sheets of labels: how many of what size stand where on a page; the user's own copy wins."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from logbook.errors import UserMistake
from logbook.handbook import entries
from logbook.handbook.files import contents, write_new
from logbook.report.labels.arranging import takes

FILE = "sheets.toml"
OWN = "label-sheets.toml"
PAGES = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
_MOST = 2000.0  # mm of a page
_MOST_LABELS = 1000
# Common practice, no source: office printers leave about 4 mm of a page's edges blank, of which a
# label's own border takes 2; a page that is one label comes from a printer of labels.
_EDGE = 4.3 - 2.0
_SLACK = 0.05  # mm that rounded inches may reach over the page's edge


@dataclass(frozen=True)
class Sheet:
    """One page of labels: `columns` x `rows` of `width` x `height`; lengths in mm."""

    name: str
    page: tuple[float, float]
    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    gap_x: float
    gap_y: float

    @property
    def paper(self) -> str:
        """The page in words: `A4`, `57 x 32 mm`."""
        known = next((name for name, size in PAGES.items() if size == self.page), "")
        return known or f"{self.page[0]:g} x {self.page[1]:g} mm"

    @property
    def count(self) -> int:
        """Labels on a page."""
        return self.columns * self.rows

    def corner(self, place: int) -> tuple[float, float]:
        """Upper left corner of a label, places counted from 0 along the rows."""
        row, column = divmod(place, self.columns)
        x = self.left + column * (self.width + self.gap_x)
        return x, self.top + row * (self.height + self.gap_y)

    @property
    def inset(self) -> tuple[float, float]:
        """What every label leaves blank at its sides, and above and below, for the printer."""
        if self.count == 1:
            return 0.0, 0.0
        x, y = self.corner(self.count - 1)
        beside = min(self.left, self.page[0] - x - self.width)
        above = min(self.top, self.page[1] - y - self.height)
        return max(0.0, _EDGE - beside), max(0.0, _EDGE - above)

    @property
    def room(self) -> tuple[float, float]:
        """Width and height of what is printed on a label."""
        x, y = self.inset
        return self.width - 2 * x, self.height - 2 * y

    def origin(self, place: int) -> tuple[float, float]:
        """Upper left corner of what is printed on a label."""
        (x, y), (right, down) = self.corner(place), self.inset
        return x + right, y + down


@dataclass(frozen=True)
class Grids:
    """Every sheet by its name, and the one that is meant if none is named."""

    sheets: dict[str, Sheet]
    default: str

    def named(self, name: str | None) -> Sheet:
        """The sheet of that name. Raises UserMistake for one that is not there."""
        wanted = self.default if name is None else name.strip()
        for known, sheet in self.sheets.items():
            if known.casefold() == wanted.casefold():
                return sheet
        raise UserMistake(f"there is no sheet {wanted!r}", f"use: {', '.join(self.sheets)}")


def load(folder: Path | None = None) -> Grids:
    """The sheets; OWN in `folder` is read in place of the program's own file.

    Raises BadData with every problem of an edited file, UserMistake for one that cannot be read.
    """
    data, own = contents(folder, OWN, _shipped())
    table, findings = entries.parsed(data, own or FILE)
    top = entries.Entry(findings, table)
    if top.raw("format", "write format = 1") not in (None, entries.FORMAT):
        top.problem("format", "this program reads format 1", "write format = 1")
    default = top.text("default", "name the sheet that is meant if none is named")
    found: dict[str, Sheet] = {}
    for row in entries.rows(top, "sheet"):
        sheet = _sheet(row)
        if sheet is not None and sheet.name.casefold() in (one.casefold() for one in found):
            row.problem("name", f"{sheet.name!r} is there twice", "give it a name of its own")
        elif sheet is not None:
            found[sheet.name] = sheet
    top.close()
    if default and default not in found and not findings.problems:
        top.problem("default", f"there is no sheet {default!r}", f"use: {', '.join(found)}")
    findings.refuse()
    return Grids(found, default)


def _shipped() -> Traversable:
    return resources.files("logbook.report.labels").joinpath(FILE)


def _sheet(row: entries.Entry) -> Sheet | None:
    """One row; None, with its problems noted, if it cannot be printed on."""
    before = len(row.findings.problems)
    name = row.text("name", "such as a4-70x37")
    page = row.parsed("page", _page, "A4, Letter or width x height in mm")
    columns, rows = (_whole(row, key) for key in ("columns", "rows"))
    lengths = {
        key: _length(row, key, "" if key.startswith("gap") else "in mm")
        for key in ("width", "height", "left", "top", "gap_x", "gap_y")
    }
    row.close()
    if page is None or len(row.findings.problems) > before:
        return None
    sheet = Sheet(name, page, columns, rows, **lengths)
    _check(row, sheet)
    return sheet if len(row.findings.problems) == before else None


def _page(text: str) -> tuple[float, float]:
    for name, size in PAGES.items():
        if name.casefold() == text.casefold():
            return size
    given = re.fullmatch(r"(\d+(?:\.\d+)?) ?x ?(\d+(?:\.\d+)?)", text)
    if given is None or not all(0 < float(one) <= _MOST for one in given.groups()):
        raise UserMistake(f"{text!r} is not a page", 'write "A4", "Letter" or "57 x 32" in mm')
    return float(given[1]), float(given[2])


def _whole(row: entries.Entry, key: str) -> int:
    value = row.number(key, "how many", least=1, most=_MOST_LABELS)
    if value is not None and value != int(value):
        row.problem(key, f"{value} is not a whole number", "count them")
    return int(value or 0)


def _length(row: entries.Entry, key: str, needed: str) -> float:
    return float(row.number(key, needed, least=0, most=int(_MOST)) or 0)


def _check(row: entries.Entry, sheet: Sheet) -> None:
    if sheet.count > _MOST_LABELS:
        row.problem("rows", f"{sheet.count} labels are more than {_MOST_LABELS}", "check both")
        return
    x, y = sheet.corner(sheet.count - 1)
    for key, end, edge in (
        ("width", x + sheet.width, sheet.page[0]),
        ("height", y + sheet.height, sheet.page[1]),
    ):
        if end > edge + _SLACK:
            row.problem(
                key,
                f"the last label ends at {end:g} mm, the page at {edge:g} mm",
                "check sizes, margins and gaps",
            )
    if not takes(*sheet.room):
        row.problem(
            "width" if takes(sheet.room[0] + _MOST, sheet.room[1]) else "height",
            f"a label of {sheet.width:g} x {sheet.height:g} mm has no room for the QR code and "
            "the code",
            "use larger labels: 30 x 12 mm at least, more at the page's edge",
        )


def copy(folder: Path) -> Path:
    """Write the program's own sheets as OWN into `folder`, to be edited there.

    Raises UserMistake, with nothing written, where it is there already or cannot be.
    """
    return write_new(folder, {OWN: _shipped().read_bytes()})[0]
