"""The texts that the cells of a spreadsheet share: each stands once in a part of its own."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from logbook.labs import grid
from logbook.labs.package import Package, feed

MOST_STRINGS = 2_000_000
MOST_STRING_TEXT = 64 * 1024 * 1024
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")


def unescaped(text: str) -> str:
    """A text of the file without the `_x001B_` in which characters beyond XML are written."""
    if "_x" not in text:
        return text
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)


@dataclass
class Strings:
    """The texts that cells share by number, and which of them must be looked at."""

    texts: list[str] = field(default_factory=list)
    odd: set[int] = field(default_factory=set)


@dataclass
class _StringsHandler:
    package: Package
    strings: Strings = field(default_factory=Strings)
    pieces: list[str] | None = None
    size: int = 0
    total: int = 0
    reading: bool = False
    aside: int = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "si":
            self.pieces, self.size = [], 0
        elif tag == "rPh":
            self.aside += 1
        elif tag == "t":
            self.reading = not self.aside

    def end(self, tag: str) -> None:
        if tag == "t":
            self.reading = False
        elif tag == "rPh":
            self.aside -= 1
        elif tag == "si" and self.pieces is not None:
            self._keep("".join(self.pieces))
            self.pieces = None

    def text(self, text: str) -> None:
        if self.reading and self.pieces is not None and self.size <= grid.MOST_CHARACTERS:
            self.pieces.append(text)
            self.size += len(text)

    def _keep(self, text: str) -> None:
        text = grid.composed(unescaped(text[: grid.MOST_CHARACTERS + 1]))
        kept = self.strings
        self.total += len(text)
        if len(kept.texts) >= MOST_STRINGS or self.total > MOST_STRING_TEXT:
            what = "the spreadsheet holds more text than is read"
            raise grid.refused(self.package.file, what, "save the sheet as CSV, or split it")
        if len(text) > grid.MOST_CHARACTERS or grid.FORBIDDEN.search(text):
            kept.odd.add(len(kept.texts))
        kept.texts.append(text)


def read_strings(package: Package, part: str) -> Strings:
    """The shared texts of a book."""
    handler = _StringsHandler(package)
    feed(package, part, handler)
    return handler.strings
