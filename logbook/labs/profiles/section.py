"""One table of a profile: typed values out, every problem with its line, key, value and remedy."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any, TypeVar

from logbook.errors import Problem, UserMistake
from logbook.labs.grid import control_character, shown
from logbook.trial.edited import Findings, lines_of

T = TypeVar("T")
_MOST_BYTES = 262_144
_MOST_TEXT = 200
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)\Z")


def parsed(data: bytes, file: str) -> Section:
    """A file as TOML, not judged yet. Raises BadData where it is none."""
    findings = Findings(file)
    line, said = 1, ""
    try:
        if len(data) > _MOST_BYTES:
            said = f"{len(data):,} bytes are too many for a profile"
            raise ValueError(said)
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
        table = tomllib.loads(text, parse_float=Decimal)
    except UnicodeDecodeError as problem:
        said = "this is no UTF-8 text"
        line = data.count(b"\n", 0, problem.start) + 1
    except (ValueError, RecursionError, ArithmeticError) as problem:
        place = _PLACE.search(str(problem))
        line = int(place[1]) if place and place[1] else 1
        said = said or f"this is no TOML: {_PLACE.sub('', str(problem))}"
    if said:
        where = f"{file}, line {line}"
        findings.problems.append((line, Problem(where, said, "look at this line")))
        findings.refuse()
    findings.lines |= lines_of(text)
    return Section(findings, table)


class Section:
    """One table; every getter remembers its key, so that `close` names the others."""

    def __init__(
        self, findings: Findings, table: dict[str, Any], name: str = "", place: int = 0
    ) -> None:
        self.findings, self.table, self.name, self.place = findings, table, name, place
        self.asked: set[str] = set()

    def problem(self, key: str, what: str, remedy: str = "") -> None:
        """Note a problem at a key of this table, or at the table ("")."""
        line = self.findings.line_of(self.name, self.place, key)
        key_shown = key if key.isprintable() else shown(key)
        named = f"[{self.name}] {key_shown}".strip() if self.name else key_shown
        count = f" {self.place + 1}" if self.name == "column" else ""
        where = f"{self.findings.file}, line {line}" + (f", {named}" if named else "") + count
        if key in self.table:
            where += f" (value {quoted(self.table[key])})"
        self.findings.problems.append((line, Problem(where, what, remedy)))

    def raw(self, key: str, needed: str = "") -> Any:
        """The value as it stands; None if it is missing, a problem where `needed` says what for."""
        self.asked.add(key)
        if needed and key not in self.table:
            self.problem("", f"{key!r} is missing", needed)
        return self.table.get(key)

    def text(self, key: str, needed: str = "", empty: bool = False) -> str:
        """One line of text; "" if there is none."""
        value = self.raw(key, needed)
        if value is None:
            return ""
        tidy = " ".join(value.split()) if isinstance(value, str) else None
        wrong = tidy is None or control_character(tidy) or len(tidy) > _MOST_TEXT
        if wrong or not (tidy or empty):
            self.problem(key, "this is not a text", needed or "write a few words between quotes")
            return ""
        return tidy or ""

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        value = self.raw(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(
            isinstance(one, str) and one.strip() and not control_character(one) for one in value
        ):
            self.problem(key, "this is not a list of texts", 'write it like ["a", "b"]')
            return ()
        return tuple(" ".join(one.split()) for one in value)

    def flag(self, key: str) -> bool:
        """true or false; false if it is left out."""
        value = self.raw(key)
        if value is None or isinstance(value, bool):
            return bool(value)
        self.problem(key, "this is neither true nor false", "write true or false, no quotes")
        return False

    def whole(self, key: str, usual: int | None = None) -> int | None:
        """A whole number from 1."""
        value = self.raw(key)
        if value is None:
            return usual
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 500_000:
            self.problem(key, "this is not the number of a row", "write it like 4, no quotes")
            return usual
        return value

    def one_of(self, key: str, allowed: Sequence[str], usual: str) -> str:
        """A word out of several."""
        said = self.text(key)
        if said and said not in allowed:
            self.problem(key, "this word is not known here", f"use: {', '.join(allowed)}")
            return usual
        return said or usual

    def parsed(self, key: str, parse: Callable[[str], T], needed: str = "") -> T | None:
        """A text read by `parse`, whose UserMistake becomes a problem here."""
        text = self.text(key, needed)
        if not text:
            return None
        try:
            return parse(text)
        except UserMistake as mistake:
            self.problem(key, mistake.message, mistake.hint)
            return None

    def section(self, key: str) -> Section:
        """The table under a key; an empty one if it is missing or none."""
        value = self.raw(key)
        if value is not None and not isinstance(value, dict):
            self.problem(key, "this is not a section", f"write it as [{key}]")
        return Section(self.findings, value if isinstance(value, dict) else {}, key)

    def rows(self, key: str) -> list[Section]:
        """The tables [[key]]."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.problem(key, "this is no list of sections", f"begin each with [[{key}]]")
            return []
        return [Section(self.findings, one, key, place) for place, one in enumerate(value)]

    def close(self) -> None:
        """Name every key that nobody asked for, with the nearest known one."""
        for key in self.table:
            if key not in self.asked:
                near = difflib.get_close_matches(key, sorted(self.asked), 1)
                known = f"known here: {', '.join(sorted(self.asked))}"
                remedy = f"did you mean {near[0]!r}?" if near else known
                self.problem(key, "there is no such key in this section", remedy)


def quoted(value: object) -> str:
    """A value as a message quotes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return shown(value) if isinstance(value, str) else shown(str(value))[1:-1]
