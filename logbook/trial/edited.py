"""Files of tables that people edit: the line of every key, and all problems at once, in order."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from logbook.errors import BadData, Problem

_NAME = r"(\"[^\"]*\"|'[^']*'|[A-Za-z0-9_-]+)"
_HEADER = re.compile(rf"\s*\[\[?\s*{_NAME}\s*\]\]?")
_KEY = re.compile(rf"\s*{_NAME}\s*=")

#: Name of a section, which of that name (from 0), key ("": the section itself) -> line from 1.
Lines = dict[tuple[str, int, str], int]


@dataclass
class Findings:
    """The problems of one file so far, and the lines that its sections and keys stand on.

    hint: what to do about them all.
    """

    file: str
    hint: str = ""
    lines: Lines = field(default_factory=dict)
    problems: list[tuple[int, Problem]] = field(default_factory=list)

    def line_of(self, name: str, place: int, key: str) -> int:
        """The line of a key, else of its section, else the first."""
        return self.lines.get((name, place, key)) or self.lines.get((name, place, "")) or 1

    def refuse(self) -> None:
        """Raise BadData with all problems, in the order of the file, if there is one."""
        if self.problems:
            count = len(self.problems)
            said = "1 problem" if count == 1 else f"{count} problems"
            ordered = [problem for _, problem in sorted(self.problems, key=lambda one: one[0])]
            raise BadData(f"{self.file} cannot be used: {said}", ordered, self.hint)


def lines_of(text: str) -> Lines:
    """Where each section begins and where each of its keys stands, as people write such files."""
    return dict(_lines(text))


def _lines(text: str) -> Iterator[tuple[tuple[str, int, str], int]]:
    counts: dict[str, int] = {}
    name, place = "", 0
    for number, line in enumerate(text.split("\n"), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            name = header[1].strip("\"'")
            place = counts.get(name, 0)
            counts[name] = place + 1
            yield (name, place, ""), number
        elif key:
            yield (name, place, key[1].strip("\"'")), number
