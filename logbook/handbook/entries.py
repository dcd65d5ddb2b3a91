"""Reading an edited file of tables: values out, every problem with its row, key and line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable
from decimal import Decimal
from typing import Any, TypeVar

from logbook.errors import Problem, UserMistake
from logbook.trial import edited

T = TypeVar("T")
FORMAT = 1
_MOST_BYTES = 1_048_576
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)\Z")


_MEND = "mend it, or move it away: then the program's own table is read"


class Findings(edited.Findings):
    """The problems of one file of tables, by row."""

    def add(self, kind: str, place: int, key: str, what: str, remedy: str = "") -> None:
        """Note a problem of the row at a place (from 0) of its kind; key "" for the whole row."""
        line = self.line_of(kind, place, key)
        row = f", {kind} {place + 1}" if kind else ""
        where = f"{self.file}, line {line}{row}" + (f", {key}" if key else "")
        self.problems.append((line, Problem(where, what, remedy)))


def parsed(data: bytes, file: str) -> tuple[dict[str, Any], Findings]:
    """A file as TOML, not judged yet, with the lines of its rows. Raises BadData."""
    findings = Findings(file, _MEND)
    try:
        if len(data) > _MOST_BYTES:
            raise ValueError(f"{len(data)} bytes are too many for a table")
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
        table = tomllib.loads(text, parse_float=Decimal)
    except ValueError as problem:  # also of the decoder and of TOML
        place = _PLACE.search(str(problem))
        line = int(place[1]) if place and place[1] else 1
        findings.lines["", 0, ""] = line
        said = "the file is not UTF-8 text" if isinstance(problem, UnicodeDecodeError) else problem
        findings.add("", 0, "", _PLACE.sub("", str(said)), "look at this line")
        findings.refuse()
        raise
    findings.lines |= edited.lines_of(text)
    return table, findings


class Entry:
    """One row of a file; every getter remembers its key, so that `close` names the others."""

    def __init__(
        self, findings: Findings, row: dict[str, Any], kind: str = "", place: int = 0
    ) -> None:
        self.findings, self.row, self.kind, self.place = findings, row, kind, place
        self.asked: set[str] = set()

    def problem(self, key: str, what: str, remedy: str = "") -> None:
        """Note a problem at a key of this row, or at the row ("")."""
        self.findings.add(self.kind, self.place, key, what, remedy)

    def raw(self, key: str, needed: str = "") -> Any:
        """The value as it stands; None if it is missing, a problem where `needed` says what for."""
        self.asked.add(key)
        if needed and key not in self.row:
            self.problem("", f'"{key}" is missing', needed)
        return self.row.get(key)

    def text(self, key: str, needed: str = "") -> str:
        """One line of text; "" if there is none."""
        value = self.raw(key, needed)
        if value is None:
            return ""
        tidy = " ".join(value.split()) if isinstance(value, str) else ""
        if not tidy or not tidy.isprintable():
            self.problem(key, f"{shown(value)} is not a text", "write a few words between quotes")
            return ""
        return tidy

    def texts(self, key: str, needed: str = "") -> tuple[str, ...]:
        """A list of texts."""
        value = self.raw(key, needed)
        if value is None:
            return ()
        good = isinstance(value, list) and all(
            isinstance(one, str) and one.strip() and one.isprintable() for one in value
        )
        if not good or (needed and not value):
            self.problem(key, f"{shown(value)} is not a list of texts", 'write it like ["a", "b"]')
            return ()
        return tuple(" ".join(one.split()) for one in value)

    def number(
        self, key: str, needed: str = "", least: int | None = None, most: int | None = None
    ) -> Decimal | None:
        """A number; None if it is missing or wrong."""
        value = self.raw(key, needed)
        if value is None:
            return None
        found = as_number(value)
        if found is None:
            self.problem(key, f"{shown(value)} is not a number", "write it like 4.5, no quotes")
        elif (least is not None and found < least) or (most is not None and found > most):
            ends = f"{least} to {most}" if most is not None else f"{least} or more"
            self.problem(key, f"{shown(value)} cannot be", f"give {ends}")
            return None
        return found

    def parsed(self, key: str, parse: Callable[[str], T], needed: str) -> T | None:
        """A text read by `parse`, whose UserMistake becomes a problem here."""
        text = self.text(key, needed)
        if not text:
            return None
        try:
            return parse(text)
        except UserMistake as mistake:
            self.problem(key, mistake.message, mistake.hint)
            return None

    def close(self) -> None:
        """Name every key that nobody asked for."""
        for key in self.row:
            if key not in self.asked:
                near = difflib.get_close_matches(key, sorted(self.asked), 1)
                remedy = f'did you mean "{near[0]}"?' if near else f"known: {_listed(self.asked)}"
                self.problem(key, f'"{key}" is not a key of this row', remedy)


def rows(top: Entry, kind: str) -> list[Entry]:
    """The rows [[kind]] of a file; a problem if they are written otherwise."""
    value = top.raw(kind)
    if value is None:
        return []
    if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
        top.problem(kind, f'"{kind}" is no list of rows', f"begin each with [[{kind}]]")
        return []
    return [Entry(top.findings, one, kind, place) for place, one in enumerate(value)]


def as_number(value: object) -> Decimal | None:
    """A TOML number as a decimal; None for anything else, also nan and inf."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    found = Decimal(value)
    return found if found.is_finite() else None


def shown(value: object) -> str:
    """A value as a message quotes it."""
    text = str(value) if isinstance(value, Decimal) else repr(value)
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else text
    return text if len(text) <= 40 else text[:37] + "..."


def _listed(keys: set[str]) -> str:
    return ", ".join(sorted(keys))
