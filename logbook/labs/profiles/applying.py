"""A laboratory's grid read by its profile: into the long table that the usual rules read.

Every rule of `importer` holds for the rows made here; what a profile adds is where cells stand,
what they mean, and how marks and numbers are written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import PurePath

from logbook.errors import Problem, UserMistake
from logbook.labs.cells import MOST_TEXT, Beside, Kind
from logbook.labs.dates import read_date
from logbook.labs.grid import Grid, control_character, letters, shown
from logbook.labs.importer import Parsed, parse_understood
from logbook.labs.marks import Marks
from logbook.labs.profiles.content import ASKED, FILE_NAME, NUMBERED, Profile
from logbook.labs.profiles.finding import Found, find
from logbook.labs.profiles.mapping import Making, Mapped
from logbook.trial import codes, contents, qualifiers, units
from logbook.trial.records import Result

_LABEL = re.compile(r"\A[^\d:]*:\s*")


@dataclass
class Applied:
    """A report as its profile reads it, before codes and origins are looked at.

    `number` is the report's, "" if the profile leaves it to be asked; `received` its date, if the
    file says it. With any problem nothing of it may be recorded.
    """

    table: Mapped | None
    kinds: dict[object, Kind]
    marks: Marks
    number: str
    received: date | None
    to_dry: frozenset[tuple[str, str]]
    problems: list[Problem]
    notes: list[str]

    @property
    def codes(self) -> set[str]:
        """The valid sample codes of the report."""
        rows = self.table.rows if self.table is not None else []
        tidied = {codes.tidy(cell) for cell in {row[0] for row in rows}}
        return {code for code in tidied if codes.is_valid(code)}

    def parse(self, beside: Beside) -> Parsed:
        """The results, by the usual rules."""
        if self.table is None or self.problems:
            return Parsed([], list(self.problems), [], [])
        table = self.table
        parsed = parse_understood(table, table.columns, beside, self.kinds, self.marks)
        return replace(parsed, notes=[*parsed.notes, *self.notes])


def apply(
    profile: Profile, grid: Grid, limits: Mapping[str, str] | None = None, path: str = ""
) -> Applied:
    """Read a grid by a profile; `limits` by nutrient are what the person says beside the file.

    `path` is the file's, of which the profile may take the report's number. Nothing is raised for
    bad data, see `Applied.problems`.
    """
    found = find(profile, grid)
    marks = profile.reads(grid)
    number, received = "", None
    if not found.problems:
        number = _number(profile, grid, path, found)
        received = _received(profile, grid, found)
    made = Making(profile, grid, found, marks, limits or {})
    table = None if found.problems else made.table()
    dried = frozenset(made.dried)
    notes = [*grid.notes, *found.notes]
    return Applied(table, made.kinds, marks, number, received, dried, found.problems, notes)


def _number(profile: Profile, grid: Grid, path: str, found: Found) -> str:
    """The report's number; "" if a column has it, or somebody must be asked."""
    if "report" in found.roles or profile.number == ASKED:
        return ""
    if profile.number == FILE_NAME:
        text = PurePath(path or grid.file).stem
    else:
        # "Report no.: 26-114" is 26-114; "26:114" stays what it is.
        text = _LABEL.sub("", _cell(profile.number, grid, found, "the report's number"))
        label = NUMBERED.match(text)
        if label and any(map(str.isdigit, text[label.end() :])):
            text = text[label.end() :]
    number = " ".join(text.split())
    if control_character(number) or len(number) > MOST_TEXT:
        what = f"{shown(number)} cannot be the number of a report"
        found.problems.append(Problem(grid.place(), what, "give it with --report NUMBER"))
    return number


def _cell(name: str, grid: Grid, found: Found, what: str) -> str:
    """The text of a cell such as "B2"; a problem if there is none."""
    column = name.rstrip("0123456789")
    line = int(name[len(column) :])
    place = grid.lines.index(line) if line in grid.lines else -1
    columns = [one for one in range(grid.width) if letters(one) == column.upper()]
    text = grid.rows[place][columns[0]].strip() if place >= 0 and columns else ""
    if not text:
        remedy = "check [report] of the profile, or the file"
        found.problems.append(Problem(f"{grid.place()}, cell {name}", f"{what} is missing", remedy))
    return text


def _received(profile: Profile, grid: Grid, found: Found) -> date | None:
    """When the report came in, by its cell or the latest of its column's dates."""
    texts: list[tuple[str, str]] = []
    if profile.received:
        text = _cell(profile.received, grid, found, "the date").rpartition(": ")[2]
        texts.append((text, f"{grid.place()}, cell {profile.received}"))
    elif "received" in found.roles:
        column = found.roles["received"]
        places = {grid.rows[row][column]: row for row in reversed(found.rows)}
        texts = [
            (text, grid.where(row, column, found.titles[column]))
            for text, row in sorted(places.items(), key=lambda place: place[1])
            if text.strip()
        ]
    days = []
    for text, where in texts:
        try:
            if text:
                days.append(read_date(text, profile.dates))
        except UserMistake as mistake:
            found.problems.append(Problem(where, mistake.message, mistake.hint))
    return max(days, default=None)


def dried(
    results: Sequence[Result],
    wanted: frozenset[tuple[str, str]],
    moistures: Mapping[str, Decimal],
    file: str,
) -> tuple[list[Result], list[Problem]]:
    """Moist contents as dry ones, by each sample's own moisture (water per dry mass).

    A sample without one is a problem: an average moisture would be somebody else's.
    """
    made: list[Result] = []
    missing: dict[str, None] = {}
    for one in results:
        if (one.analyte, one.method) not in wanted or one.basis != "moist":
            made.append(one)
        elif one.sample not in moistures:
            missing[one.sample] = None
        else:
            made.append(_dry(one, contents.dry_factor(moistures[one.sample])))
    problems = [
        Problem(
            f"{file}, sample {code}",
            "its moisture is not known, so that its moist contents cannot be made dry ones",
            "weigh its tin (logbook weigh), or leave to_dry out of the profile",
        )
        for code in missing
    ]
    return made, problems


def _dry(one: Result, factor: Fraction) -> Result:
    return replace(
        one,
        basis="dry",
        value=None if one.value is None else units.scale(one.value, factor),
        limit=None if one.limit is None else units.scale(one.limit, factor),
        flags=qualifiers.joined([*qualifiers.words(one.flags), "dried-by-tin"]),
    )
