"""The cells of one sheet of a spreadsheet (XLSX) as the texts a person sees.

Read from the open standard (ECMA-376, ISO/IEC 29500) with the XML parser that Python has: a
general library would say neither which cells are merged or hidden, nor which result a formula
left, without loading the whole book, and would inflate it without a limit.

1. The first visible sheet that holds anything, if no other does; else one must be named.
2. Numbers, dates and percentages as `formats` says. A formula is never calculated: the result that
   the spreadsheet program stored is read, and a note counts such cells; without one the cell is
   refused. Errors (#N/A) and yes or no are refused where they are used.
3. Texts as they stand. Where texts need a decimal comma, numbers are written with one as well.
4. Hidden rows and columns are read, and a note names them. Cells of a merged range all have its
   text, but a number stands once. Macros, links to other files and pictures are left alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from logbook.errors import UserMistake
from logbook.labs import formats
from logbook.labs.formats import Look
from logbook.labs.grid import Cells, Progress, refused, shown
from logbook.labs.package import Link, Package, feed, links, open_package
from logbook.labs.sheet import SheetReader, holds_anything
from logbook.labs.strings import Strings, read_strings

MOST_SHEETS = 1_000
MOST_FORMATS = 70_000
_OTHERS = {
    "document.xml": "a text document",
    "presentation.xml": "a presentation",
    "workbook.bin": "a spreadsheet in binary form (xlsb)",
}


@dataclass(frozen=True)
class _Named:
    """A sheet of the book."""

    name: str
    part: str
    hidden: bool


@dataclass
class _Book:
    """What the workbook part says: its sheets by relationship, and where days are counted from."""

    sheets: list[tuple[str, str, bool]] = field(default_factory=list)
    since_1904: bool = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "sheet":
            link = next((v for k, v in attributes.items() if k.endswith(":id")), "")
            hidden = attributes.get("state", "visible") != "visible"
            self.sheets.append((attributes.get("name", ""), link, hidden))
        elif tag == "workbookPr":
            self.since_1904 = attributes.get("date1904", "0") in ("1", "true")

    def end(self, tag: str) -> None:
        """Nothing is open."""

    def text(self, text: str) -> None:
        """Names are attributes."""


@dataclass
class _Styles:
    """The formats of the cells, by the number that a cell names."""

    codes: dict[str, str] = field(default_factory=dict)
    used: list[str] = field(default_factory=list)
    inside: bool = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "numFmt":
            self.codes[attributes.get("numFmtId", "")] = attributes.get("formatCode", "")
        elif tag == "cellXfs":
            self.inside = True
        elif tag == "xf" and self.inside:
            self.used.append(attributes.get("numFmtId", "0"))

    def end(self, tag: str) -> None:
        if tag == "cellXfs":
            self.inside = False

    def text(self, text: str) -> None:
        """Formats are attributes."""


def sheet_cells(
    data: bytes, file: str, wanted: str | None, progress: Progress | None = None
) -> Cells:
    """The cells of the sheet that is wanted, or of the only one that holds any.

    `file` is the file's name in messages. Raises BadData if the file is unsound or too large,
    UserMistake if there is no such sheet, or several to choose from.
    """
    package = open_package(data, file)
    part = _workbook(package)
    book, found = _Book(), links(package, part)
    feed(package, part, book)
    sheets = _sheets(package, book, found)
    one, notes = _chosen(package, sheets, wanted)
    strings = _strings(package, found)
    reader = SheetReader(
        package, one.name, strings, _looks(package, found), since_1904=book.since_1904
    )
    feed(package, one.part, reader, progress)
    cells = reader.cells()
    if any(link.kind == "vbaProject" for link in found.values()):
        notes.append("the spreadsheet holds macros: they were not run")
    if any(link.kind == "externalLink" for link in found.values()):
        notes.append("the spreadsheet leads to other files: they were not opened")
    cells.sheets = tuple(sheet.name for sheet in sheets)
    cells.notes = (*cells.notes, *notes)
    return cells


def _workbook(package: Package) -> str:
    """The part that lists the sheets; BadData says what the archive is instead."""
    if "mimetype" in package.parts:
        what = "this is a spreadsheet or document in another format (ods, odt), not XLSX"
        raise refused(package.file, what, "save it as XLSX or CSV")
    found = [one for one in links(package).values() if one.kind == "officeDocument"]
    if not found:
        what = "this is a zip archive, not a spreadsheet"
        raise refused(package.file, what, "unpack it and name the file in it")
    part = found[0].part
    if other := _OTHERS.get(part.rpartition("/")[2].lower()):
        raise refused(package.file, f"this is {other}, not XLSX", "save it as XLSX or CSV")
    return part


def _sheets(package: Package, book: _Book, found: dict[str, Link]) -> list[_Named]:
    """The sheets with cells; charts and the like have none."""
    if len(book.sheets) > MOST_SHEETS:
        what = f"there are more than {MOST_SHEETS:,} sheets"
        raise refused(package.file, what, "save the one sheet as CSV")
    sheets = []
    for name, link, hidden in book.sheets:
        leads = found.get(link)
        if leads is None:
            raise package.damaged(f"sheet {shown(name)} is missing")
        if leads.kind == "worksheet" and not leads.outside:
            sheets.append(_Named(name, leads.part, hidden))
    if not sheets:
        raise refused(package.file, "the spreadsheet has no sheet with cells", "export it again")
    return sheets


def _chosen(package: Package, sheets: list[_Named], wanted: str | None) -> tuple[_Named, list[str]]:
    """The sheet to read, and notes about the others."""
    if wanted is not None:
        return _wanted(package.file, sheets, wanted), []
    full = [sheet for sheet in sheets if holds_anything(package, sheet.part)]
    visible = [sheet for sheet in full if not sheet.hidden]
    if not full:
        raise refused(package.file, "the file is empty", "export it again")
    if len(visible) != 1:
        many = "several sheets hold data" if visible else "only hidden sheets hold data"
        names = _listed([sheet.name for sheet in visible or full])
        raise UserMistake(f"{package.file}: {many}: {names}", "say which: --sheet NAME")
    hidden = [sheet.name for sheet in full if sheet.hidden]
    notes = [f"hidden sheets were not read: {_listed(hidden)}"] if hidden else []
    return visible[0], notes


def _wanted(file: str, sheets: list[_Named], wanted: str) -> _Named:
    exact = [sheet for sheet in sheets if sheet.name == wanted]
    alike = [sheet for sheet in sheets if sheet.name.strip().lower() == wanted.strip().lower()]
    if len(exact or alike) != 1:
        names = _listed([sheet.name for sheet in sheets])
        raise UserMistake(f"{file}: there is no sheet {shown(wanted)}", f"there is {names}")
    return (exact or alike)[0]


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - 20} more" if len(names) > 20 else ""
    return ", ".join(map(shown, names[:20])) + more


def _strings(package: Package, found: dict[str, Link]) -> Strings:
    parts = [one.part for one in found.values() if one.kind == "sharedStrings"]
    return read_strings(package, parts[0]) if parts else Strings()


def _looks(package: Package, found: dict[str, Link]) -> dict[str, Look | None]:
    """The format of each numbered style; None for those that show a number as it is."""
    parts = [one.part for one in found.values() if one.kind == "styles"]
    if not parts:
        return {"0": None}
    styles = _Styles()
    feed(package, parts[0], styles)
    if len(styles.used) > MOST_FORMATS or len(styles.codes) > MOST_FORMATS:
        raise package.damaged("it has too many cell formats")
    looks: dict[str, Look | None] = {}
    made: dict[str, Look | None] = {}
    for at, number in enumerate(styles.used or ["0"]):
        if number not in made:
            made[number] = _look(package, number, styles.codes)
        looks[str(at)] = made[number]
    return looks


def _look(package: Package, number: str, codes: dict[str, str]) -> Look | None:
    code = codes.get(number)
    if code is None:
        code = formats.BUILT_IN.get(int(number), "") if number.isdecimal() else ""
    if code in ("", "General", "@"):
        return None
    if len(code) > formats.MOST_LENGTH:
        raise package.damaged("a cell format is too long")
    return Look(code)
