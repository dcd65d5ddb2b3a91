"""Reading one table of the file: typed values out, problems collected, nothing ignored.

Every getter remembers the key it was asked for, so that `close` can name the keys nobody asked
for. A value that is wrong or missing becomes a problem and a stand-in, and reading goes on: all
problems of a file come at once.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, TypeVar

from logbook.errors import Problem, UserMistake
from logbook.protocol.content import NOT_KNOWN
from logbook.protocol.lines import Path, line_of
from logbook.trial import times, units

T = TypeVar("T")
_MOST = 2**63 - 1


def spoken_path(path: Path) -> str:
    """`layout.beds[4].label`: entries are counted from 1, as people do."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if part and part.isprintable() else f".{part!r}"
    return text.lstrip(".")


@dataclass
class Findings:
    """Problems met so far, and the lines of the file they are pinned to."""

    file: str
    lines: dict[Path, int]
    problems: list[tuple[int, Path, Problem]] = field(default_factory=list)

    def add(self, path: Path, what: str, remedy: str = "") -> None:
        """Note a problem at a path of the file."""
        line = line_of(self.lines, path)
        name = spoken_path(path)
        where = f"{self.file}, line {line}" + (f", {name}" if name else "")
        self.problems.append((line, path, Problem(where, what, remedy)))

    def any_under(self, section: str) -> bool:
        """True if that section has a problem: what follows from it would only be noise."""
        return any(path[:1] == (section,) for _, path, _ in self.problems)

    def in_order(self) -> list[Problem]:
        """All problems in the order of the file."""
        return [problem for _, _, problem in sorted(self.problems, key=lambda one: one[0])]


class Section:
    """One table of the file at `path`."""

    def __init__(
        self,
        findings: Findings,
        table: Mapping[str, Any],
        path: Path = (),
        present: bool = True,
    ) -> None:
        self.findings = findings
        self.present = present  # a missing section is one problem, not one for each of its keys
        self.table = table
        self.path = path
        self.asked: set[str] = set()

    def problem(self, key: str | None, what: str, remedy: str = "") -> None:
        """Note a problem at one of this table's keys, or at the table (None)."""
        self.findings.add(self.path if key is None else (*self.path, key), what, remedy)

    def has(self, key: str) -> bool:
        """True if the key is written; asking makes it a known key."""
        self.asked.add(key)
        return key in self.table

    def close(self) -> None:
        """Name every key that nobody asked for, with the nearest known one."""
        for key in self.table:
            if key not in self.asked:
                near = difflib.get_close_matches(key, sorted(self.asked), 1)
                remedy = f'did you mean "{near[0]}"?' if near else _known(self.asked)
                self.problem(key, f'"{key}" is not a key of this section', remedy)

    def raw(self, key: str, needed: str = "") -> Any:
        """The value as it stands, None if it is missing (a problem if `needed` says what for)."""
        if not self.has(key) and needed and self.present:
            self.problem(None, f'"{key}" is missing', needed)
        return self.table.get(key)

    def text(self, key: str, needed: str = "") -> str | None:
        """A text on one or several lines, never empty; a whole number counts as a name."""
        value = self.raw(key, needed)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool):
            value = str(value)
        if not isinstance(value, str):
            self.problem(key, f"{_shown(value)} is not a text", "write it between quotes")
            return None
        if not value.strip():
            self.problem(key, f'"{key}" is empty', needed or "fill it in, or leave the key out")
            return None
        tidy = unicodedata.normalize("NFC", " ".join(value.split()))
        if not tidy.isprintable():
            self.problem(key, f"{_shown(tidy)} has a character that cannot be printed", "retype it")
            return None
        return tidy

    def whole(self, key: str, least: int, needed: str = "") -> int | None:
        """A whole number, `least` or more."""
        value = self.raw(key, needed)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            self.problem(key, f"{_shown(value)} is not a whole number", "write it like 28")
            return None
        if value < least or value > _MOST:
            size = "too small" if value < least else "too large"
            self.problem(key, f"{_shown(value)} is {size}", f"give {least} or more, up to {_MOST}")
            return None
        return value

    def flag(self, key: str) -> bool:
        """true or false; false if it is left out."""
        value = self.raw(key)
        if value is None or isinstance(value, bool):
            return bool(value)
        self.problem(key, f"{_shown(value)} is neither true nor false", "write true or false")
        return False

    def parsed(self, key: str, parse: Callable[[str], T], needed: str = "") -> T | None:
        """A text read by `parse`; its UserMistake becomes a problem here."""
        text = self.text(key, needed)
        if text is None:
            return None
        try:
            return parse(text)
        except UserMistake as mistake:
            self.problem(key, mistake.message, mistake.hint)
            return None

    def later(self, key: str, parse: Callable[[str], T], needed: str = "") -> T | None:
        """`parsed`, where "not known yet" is as good as leaving the key out."""
        if self.has(key) and self.table[key] == NOT_KNOWN:
            return None
        return self.parsed(key, parse, needed)

    def length(self, key: str, needed: str = "") -> Decimal | None:
        """A length in cm, more than nothing."""
        return self.parsed(key, lambda text: units.positive(text, "length").to("cm", "length"),
                           needed)  # fmt: skip

    def day(self, key: str) -> date | None:
        """A calendar date, as TOML writes it or between quotes."""
        value = self.raw(key)
        if value is None:
            return None
        try:
            found = date.fromisoformat(str(value))
        except ValueError:
            self.problem(key, f"{_shown(value)} is not a date", "write it like 2026-03-14")
            return None
        if found.year in times.YEARS:
            return found
        self.problem(key, f"{found} is not in a year in which a trial is kept", "check the year")
        return None

    def section(self, key: str, needed: str = "") -> Section:
        """The table under `key`; an empty one if it is missing or not a table."""
        value = self.raw(key, needed)
        if value is not None and not isinstance(value, dict):
            self.problem(
                key, f'"{key}" is not a section', f"write it as [{spoken_path((*self.path, key))}]"
            )
        present = isinstance(value, dict)
        return Section(self.findings, value if present else {}, (*self.path, key), present)

    def sections(self) -> Iterator[tuple[str, Section]]:
        """Every table in this one, by its name, in the order of the file."""
        for key in self.table:
            if not key.strip() or not key.isprintable():
                self.problem(key, f"{key!r} is not a name", "give it a name that can be printed")
            yield key, self.section(key)

    def entries(self, key: str, needed: str = "") -> list[Section]:
        """The list of tables under `key`."""
        value = self.raw(key, needed)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            self.problem(
                key, f'"{key}" is not a list of entries', f"write it as {key} = [ {{ ... }}, ]"
            )
            return []
        path = (*self.path, key)
        return [Section(self.findings, entry, (*path, n)) for n, entry in enumerate(value)]


def _known(keys: set[str]) -> str:
    return f"known here: {', '.join(sorted(keys))}" if keys else "nothing is expected here"


def _shown(value: object) -> str:
    """A value as a message quotes it, cut to a length that fits a line."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    if isinstance(value, Decimal | date):
        text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."
