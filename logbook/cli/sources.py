"""A report's file as `lab import` takes it: plainly, or by the profile of its laboratory."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from logbook.cli import profiled
from logbook.cli.laboratory import Setting, refused
from logbook.errors import BadData, LogbookError, Problem, UserMistake
from logbook.report.terminal.progress import bar
from logbook.study.planned import Answers

if TYPE_CHECKING:
    from logbook.labs.cells import Beside
    from logbook.labs.importer import Parsed
    from logbook.labs.profiles.applying import Applied
    from logbook.labs.reader import Table


@dataclass(frozen=True)
class Said:
    """What the command line says about a file."""

    lab: str | None
    report: str | None
    methods: Sequence[str]
    skip: Sequence[str]
    answers: Answers


@dataclass(frozen=True)
class File:
    """A file, and how it is opened where the person says so."""

    path: Path
    sheet: str | None
    encoding: str | None


@dataclass(frozen=True)
class Source:
    """A file's table, and how it is read: plainly, or by a profile of laboratory `lab`.

    `torn` is what is wrong with rows that are not in the table; `limits` by nutrient and `skip`,
    names of columns, are what the person says beside a plain file.
    """

    table: Table
    torn: Sequence[Problem] = ()
    applied: Applied | None = None
    lab: str | None = None
    limits: Mapping[str, str] = field(default_factory=dict)
    skip: Sequence[str] = ()

    @cached_property
    def codes(self) -> set[str]:
        """The valid sample codes in it."""
        if self.applied is not None:
            return self.applied.codes
        from logbook.labs.importer import codes_in

        return codes_in(self.table, self.skip)

    @property
    def received(self) -> str | None:
        """The day on which it came in, where the file says it."""
        found = self.applied.received if self.applied is not None else None
        return None if found is None else found.isoformat()

    def number(self, named: str | None, known: str | None) -> str | None:
        """The report's number."""
        if self.applied is None:
            return named or known
        return profiled.number(self.applied, named, known)

    def parse(self, beside: Beside, said: Said, about: Setting) -> Parsed:
        """The results, by the rules of its kind."""
        if self.applied is not None:
            return self.applied.parse(beside)
        from logbook.labs.importer import parse_report

        beside = replace(beside, limits=self.limits, followed=about.methods)
        return parse_report(self.table, beside, methods=said.methods, skip=self.skip)


def source(file: File, profile: str | None, limits: Sequence[str], said: Said) -> Source:
    """The file's table as it is to be read; raises BadData with all that is wrong with it."""
    if profile is None:
        try:
            found = Source(*_table(file), limits=profiled.limits_said(limits), skip=said.skip)
        except BadData:
            refuse_layout(file)
            raise
        if found.torn or not found.codes:
            refuse_layout(file)
        return found
    if said.methods or said.skip:
        option = "--method" if said.methods else "--skip"
        raise UserMistake(f"{option} does not go with --profile", "the profile says it")
    opened = (file.path, file.sheet, file.encoding)
    known, applied, table = profiled.read(*opened, profile, limits)
    return Source(table, (), applied, known.lab)


def refuse_layout(file: File) -> None:
    """Refuse in one sentence a file whose table has no plain header in its first row; UserMistake.

    Its cells under a title would each be a problem, and none of them is what is wrong.
    """
    from logbook.labs.profiles.header import find_block
    from logbook.labs.reader import read_grid, shown

    try:
        grid = read_grid(file.path, sheet=file.sheet, encoding=file.encoding)
    except LogbookError:
        return
    block = find_block(grid)
    first = next((at for at, row in enumerate(grid.rows) if any(map(str.strip, row))), 0)
    if block is None or block.header == (first,):
        return
    name, path = shown(file.path.name)[1:-1], str(file.path)
    named = shlex.quote(path) if path.isprintable() else "FILE"
    if file.sheet is not None:
        named += f" --sheet {shlex.quote(file.sheet)}"
    raise UserMistake(f"{name}: this layout needs a profile: logbook lab profile new {named}")


def _table(file: File) -> tuple[Table, list[Problem]]:
    """The sound rows of a file, and what is wrong with the others."""
    from logbook.labs.reader import read_sound_rows, shown

    try:
        with bar(f"Reading {shown(file.path.name)}") as step:
            return read_sound_rows(
                file.path, sheet=file.sheet, encoding=file.encoding, progress=step
            )
    except BadData as error:
        raise refused(shown(file.path.name)[1:-1], error.problems) from None
