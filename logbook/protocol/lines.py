"""Where in a TOML file each key and value stands: the standard parser does not say.

The scanner runs over text that the standard parser has already accepted, so it only has to find
its way, not to judge: it follows headers, arrays of tables, dotted and quoted keys, inline tables,
arrays and strings over several lines.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass

Path = tuple[str | int, ...]
"""Where a value is: ("layout", "beds", 3, "label"); numbers count entries from 0."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\]|\\.)*"'),
    re.compile(r"'[^']*'"),
)
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)\Z")


def error_line(error: tomllib.TOMLDecodeError, text: str) -> tuple[int, str]:
    """The line a syntax error stands on (the last one for "end of document"), and its words."""
    message = str(error)
    place = _PLACE.search(message)
    line = int(place[1]) if place and place[1] else text.rstrip().count("\n") + 1
    return line, _PLACE.sub("", message)


def line_of(lines: dict[Path, int], path: Path) -> int:
    """The line of a path, or of the nearest thing around it (a missing key has no line)."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def find_lines(text: str) -> dict[Path, int]:
    """The line (from 1) of every key, header and array entry of a valid TOML text."""
    return _Scanner(text).document()


@dataclass(frozen=True)
class Spans:
    """Offsets (start, end) in the text: of every value, and of every header of one bracket."""

    values: dict[Path, tuple[int, int]]
    headers: dict[Path, tuple[int, int]]


def find_spans(text: str) -> Spans:
    """Where the values and headers of a valid TOML text stand; line ends may be CR LF."""
    scanner = _Scanner(text)
    scanner.document()
    return Spans(scanner.values, scanner.headers)


class _Scanner:
    """A cursor over the text; every method starts at `at` and leaves it behind what it read."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self.entries: dict[Path, int] = {}  # arrays of tables: index of the latest entry
        self.values: dict[Path, tuple[int, int]] = {}
        self.headers: dict[Path, tuple[int, int]] = {}
        self._counted, self._line = 0, 1

    def document(self) -> dict[Path, int]:
        table: Path = ()
        self.skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip(_BLANK)
        return self.lines

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        found = match[0] if match else ""
        self.at += len(found)
        return found

    def mark(self, path: Path) -> None:
        """Note the current line for `path`, unless it was seen before."""
        self._line += self.text.count("\n", self._counted, self.at)
        self._counted = self.at
        self.lines.setdefault(path, self._line)

    def header(self) -> Path:
        brackets = 2 if self.text.startswith("[[", self.at) else 1
        start, self.at = self.at, self.at + brackets
        parts = self.key()
        end, self.at = self.at + brackets, start
        path = self.latest(parts[:-1]) + parts[-1:]
        for length in range(1, len(path) + 1):
            self.mark(path[:length])
        if brackets == 2:
            self.entries[path] = self.entries.get(path, -1) + 1
        else:
            self.headers[path] = (start, end)
        path = self.latest(parts)
        self.mark(path)
        self.at = end
        return path

    def latest(self, parts: Path) -> Path:
        """`parts` with the index of the latest entry after each array of tables."""
        path: Path = ()
        for part in parts:
            path += (part,)
            if path in self.entries:
                path += (self.entries[path],)
        return path

    def key(self) -> Path:
        """A dotted key, with the white space around it."""
        parts: list[str] = []
        while True:
            self.skip(_SPACE)
            parts.append(self.simple_key())
            self.skip(_SPACE)
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def simple_key(self) -> str:
        if self.text[self.at] not in "\"'":
            return self.skip(_BARE_KEY)
        quoted = self.string()
        value: str = tomllib.loads(f"k = {quoted}")["k"]
        return value

    def string(self) -> str:
        return next(found for pattern in _STRINGS if (found := self.skip(pattern)))

    def pair(self, table: Path) -> None:
        start = self.at
        parts = self.key()
        equals, self.at = self.at, start
        for length in range(1, len(parts) + 1):
            self.mark(table + parts[:length])
        self.at = equals + 1
        self.skip(_SPACE)
        self.value(table + parts)

    def value(self, path: Path) -> None:
        start, opening = self.at, self.text[self.at]
        if opening in "\"'":
            self.string()
        elif opening == "[":
            self.sequence(path, "]")
        elif opening == "{":
            self.sequence(path, "}")
        else:
            self.skip(_BARE_VALUE)
        self.values[path] = (start, start + len(self.text[start : self.at].rstrip()))

    def sequence(self, path: Path, closing: str) -> None:
        """An array or an inline table, entry by entry."""
        self.at += 1
        self.skip(_BLANK)
        index = 0
        while self.text[self.at] != closing:
            if closing == "}":
                self.pair(path)
            else:
                self.mark((*path, index))
                self.value((*path, index))
            index += 1
            self.skip(_BLANK)
            if self.text[self.at] == ",":
                self.at += 1
                self.skip(_BLANK)
        self.at += 1
