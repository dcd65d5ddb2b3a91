"""The parts of an XLSX file, opened so that no file can make the program hold too much.

An XLSX file is a zip archive of XML parts that name each other (ECMA-376, Part 2). Nothing of it
is unpacked to disk, and a part is read in pieces of 64 kB. Refused before anything is inflated:
more than 2,000 parts, two parts of one name, encrypted parts, packings other than deflate, a part
or all parts together above 256 MB, a part above 16 MB that was packed 100 times smaller. What the
archive says of itself may be false, so the bytes are counted again as they come. Of the XML,
document types are refused, without which there are no entities to expand; so are tags nested 64
deep and tags of more than 4 MB.
"""

from __future__ import annotations

import io
import posixpath
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from typing import Protocol
from xml.parsers import expat

from logbook.errors import BadData
from logbook.labs.grid import Progress, refused, shown

MOST_PARTS = 2_000
MOST_INFLATED = 256 * 1024 * 1024
MOST_RATIO = 100
RATIO_FROM = 16 * 1024 * 1024
MOST_DEPTH = 64
MOST_TAG = 4 * 1024 * 1024
_PIECE = 1 << 16
_ENTRY = b"PK\x01\x02"
_AGAIN = "get the file anew, or save it again"
_ENCRYPTED = 0x1
_FAILURES = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, ValueError, LookupError,
    RuntimeError, OverflowError,
)  # fmt: skip


class Handler(Protocol):
    """What is told of a part's XML: its tags without prefix, and the text between them."""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """A tag opens."""

    def end(self, tag: str) -> None:
        """A tag closes."""

    def text(self, text: str) -> None:
        """Text, in pieces."""


@dataclass
class Package:
    """An open archive: its parts by name, in lower case since names ignore case."""

    file: str
    archive: zipfile.ZipFile
    parts: dict[str, zipfile.ZipInfo]
    inflated: int = field(default=0)

    def damaged(self, what: str) -> BadData:
        """The file refused because a part of it is not what it must be."""
        return refused(self.file, f"the spreadsheet is damaged: {what}", _AGAIN)


def open_package(data: bytes, file: str) -> Package:
    """The archive in `data`; `file` is its name in messages. Raises BadData if it is unsound."""
    if data.count(_ENTRY) > MOST_PARTS:
        raise refused(file, f"the archive has more than {MOST_PARTS:,} parts", _AGAIN)
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        entries = archive.infolist()
    except _FAILURES:
        what = "the spreadsheet is damaged or cut short"
        raise refused(file, what, _AGAIN) from None
    package = Package(file, archive, {})
    for entry in entries:
        name = entry.filename.lower().lstrip("/")
        if name in package.parts:
            raise package.damaged(f"it has two parts named {shown(entry.filename)}")
        package.parts[name] = entry
    total = sum(entry.file_size for entry in entries)
    if total > MOST_INFLATED:
        raise _too_large(file)
    for entry in entries:
        _check(package, entry)
    return package


def _too_large(file: str) -> BadData:
    what = f"unpacked, it is larger than {MOST_INFLATED // 1024 // 1024} MB"
    return refused(file, what, "save the sheet as CSV, or split it")


def _check(package: Package, entry: zipfile.ZipInfo) -> None:
    """Refuse an entry that must not be inflated."""
    if entry.flag_bits & _ENCRYPTED:
        what = "the archive is locked with a password"
        raise refused(package.file, what, "take the password away and save it again")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise package.damaged(f"part {shown(entry.filename)} is packed in an unusual way")
    if entry.file_size > max(RATIO_FROM, MOST_RATIO * entry.compress_size):
        what = f"part {shown(entry.filename)} was packed more than {MOST_RATIO} times smaller"
        raise refused(package.file, what, "save the sheet as CSV")


def feed(package: Package, part: str, handler: Handler, progress: Progress | None = None) -> None:
    """Read a part's XML from beginning to end; raises BadData for anything unsound in it."""
    entry = package.parts.get(part.lower())
    if entry is None:
        raise package.damaged(f"part {shown(part)} is missing")
    parser = _parser(package, part, handler)
    fed = 0
    try:
        with package.archive.open(entry) as stream:
            while piece := stream.read(_PIECE):
                package.inflated += len(piece)
                if package.inflated > 2 * MOST_INFLATED:
                    raise _too_large(package.file)
                fed += len(piece)
                parser.Parse(piece, False)
                if progress is not None:
                    progress(fed / max(entry.file_size, 1))
                if fed - parser.CurrentByteIndex > MOST_TAG:
                    raise package.damaged(f"part {shown(part)} has a tag of several megabytes")
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        where = f"part {shown(part)}, line {error.lineno}"
        raise package.damaged(f"{where} is not sound XML") from None
    except _FAILURES:
        raise package.damaged(f"part {shown(part)} cannot be read") from None


def _parser(package: Package, part: str, handler: Handler) -> expat.XMLParserType:
    depth = 0
    start, end = handler.start, handler.end

    def opened(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > MOST_DEPTH:
            raise package.damaged(f"part {shown(part)} is nested too deep")
        start(tag.rpartition(":")[2] if ":" in tag else tag, attributes)

    def closed(tag: str) -> None:
        nonlocal depth
        depth -= 1
        end(tag.rpartition(":")[2] if ":" in tag else tag)

    def doctype(*_: object) -> None:
        raise package.damaged(f"part {shown(part)} has a document type, which no spreadsheet has")

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.buffer_size = _PIECE
    parser.StartElementHandler = opened
    parser.EndElementHandler = closed
    parser.CharacterDataHandler = handler.text
    parser.StartDoctypeDeclHandler = doctype
    return parser


# --- how parts name each other ------------------------------------------------------------------


@dataclass(frozen=True)
class Link:
    """A relationship: the last word of its type, and the part it leads to."""

    kind: str
    part: str
    outside: bool


@dataclass
class _Links:
    base: str
    found: dict[str, Link] = field(default_factory=dict)

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag != "Relationship":
            return
        target = attributes.get("Target", "")
        path = posixpath.normpath(posixpath.join("/", self.base, target)).lstrip("/")
        kind = attributes.get("Type", "").rpartition("/")[2]
        outside = attributes.get("TargetMode") == "External"
        self.found[attributes.get("Id", "")] = Link(kind, path, outside)

    def end(self, tag: str) -> None:
        """Nothing is open."""

    def text(self, text: str) -> None:
        """Relationships have no text."""


def links(package: Package, part: str = "") -> dict[str, Link]:
    """What a part (the whole archive without one) leads to, by the names it uses itself."""
    folder, _, name = part.rpartition("/")
    own = posixpath.join(folder, "_rels", f"{name}.rels")
    handler = _Links(folder)
    if own.lower() in package.parts:
        feed(package, own, handler)
    return handler.found
