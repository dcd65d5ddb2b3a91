"""A report that is read by its laboratory's profile: what `lab import --profile` adds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook import config
from logbook.cli.laboratory import Setting, refused
from logbook.cli.session import Session, ask
from logbook.errors import BadData, UserMistake
from logbook.report.terminal.progress import bar

if TYPE_CHECKING:
    from logbook.labs.importer import Parsed
    from logbook.labs.profiles.applying import Applied
    from logbook.labs.profiles.content import Profile
    from logbook.labs.profiles.mapping import Mapped


def read(
    file: Path, sheet: str | None, encoding: str | None, name: str, limits: Sequence[str]
) -> tuple[Profile, Applied, Mapped]:
    """The report as the profile reads it; raises BadData with everything that is wrong with it.

    `sheet` and `encoding` are what the person says, before the profile.
    """
    from logbook.labs.profiles import applying, keeping
    from logbook.labs.reader import read_grid, shown

    profile = keeping.load(config.profiles_folder(), name)
    said = limits_said(limits)
    try:
        with bar(f"Reading {shown(file.name)}") as step:
            grid = read_grid(
                file,
                sheet=sheet or profile.sheet,
                encoding=encoding or profile.encoding,
                delimiter=profile.delimiter,
                progress=step,
            )
    except BadData as error:
        raise refused(shown(file.name)[1:-1], error.problems) from None
    applied = applying.apply(profile, grid, said, file.name)
    if applied.problems or applied.table is None:
        raise refused(grid.file, applied.problems)
    return profile, applied, applied.table


def limits_said(options: Sequence[str]) -> dict[str, str]:
    """What `--limit 'NO3-N=0.5'` says, by nutrient; raises UserMistake."""
    from logbook.trial import chemistry

    found: dict[str, str] = {}
    for option in options:
        name, equals, limit = option.partition("=")
        if not equals or not name.strip() or not limit.strip():
            raise UserMistake(
                f"--limit {option!r} is not NUTRIENT=LIMIT", "write it as --limit 'NO3-N=0.5'"
            )
        found[chemistry.find_analyte(name)[0].name] = _above_zero(limit.strip(), option)
    return found


def _above_zero(limit: str, option: str) -> str:
    """A limit that is typed, with a point, whatever the laboratory writes; UserMistake."""
    from logbook.trial import units

    try:
        number = units.number(limit, False)
    except UserMistake as mistake:
        raise UserMistake(f"--limit {option!r}: {mistake.message}", mistake.hint) from None
    if number <= 0:
        raise UserMistake(f"--limit {option!r}: a limit is above 0", "write it like 'NO3-N=0.5'")
    return f"{number:f}"


def number(applied: Applied, named: str | None, known: str | None) -> str | None:
    """The report's number: as said, as it is known, as the file says it; else it is asked."""
    if named or known or applied.number:
        return named or known or applied.number
    if applied.table is not None and "report" in applied.table.columns:
        return None
    return ask(f"{applied.table.file if applied.table else ''}: which number has the report?",
               "--report NUMBER").strip()  # fmt: skip


def with_moisture(session: Session, about: Setting, applied: Applied, parsed: Parsed) -> Parsed:
    """The results, moist contents made dry ones where the profile says so."""
    if not applied.to_dry or applied.table is None:
        return parsed
    from dataclasses import replace

    from logbook.labs.profiles.applying import dried
    from logbook.study.moist import moistures

    def question(store: Any) -> Any:
        return moistures(store, about.trials)

    known = session.read(question)
    results, problems = dried(parsed.results, applied.to_dry, known, applied.table.file)
    return replace(parsed, results=results, problems=[*parsed.problems, *problems])
