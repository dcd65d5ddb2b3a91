"""The folder of a season: tables, figures, a description, and a manifest with hashes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from logbook.report.corrections import corrections_sheet, notes_sheet
from logbook.report.findings_files import TEXT, findings_sheet, findings_text
from logbook.report.moisture import moisture_sheet
from logbook.report.readme import readme_text
from logbook.report.release import curves_sheet, fits_sheet, release_sheet
from logbook.report.season import Season, not_pulled_sheet, pulls_sheet, results_sheet
from logbook.report.sheets import Sheet, sheet_bytes, write_folder
from logbook.study.series import Series

README = "README.txt"
_KINDS = (".png", ".svg")


@dataclass(frozen=True)
class Written:
    """What an export wrote: how many tables and figures, and every file's name."""

    tables: int
    figures: int
    names: tuple[str, ...]


def write_season(
    season: Season,
    folder: Path,
    *,
    replace: bool = False,
    authors: bool = False,
    notes: bool = False,
) -> Written:
    """Write a season into a folder: all of it or nothing; the same book makes the same bytes.

    Raises:
        UserMistake: the folder must not be written to, see `sheets.check_folder`.
        LogbookError: the disk refuses.
    """
    sheets = sheets_of(season, authors=authors, notes=notes)
    drawn = list(figures_of(season.series))

    def fill(place: Path) -> None:
        for sheet in sheets:
            (place / sheet.file).write_bytes(sheet_bytes(sheet))
        for name, together in drawn:
            _draw(place, name, together)
        if season.findings:
            (place / TEXT).write_bytes(findings_text(season.findings).encode())
        text = readme_text(season, sheets, drawn, authors=authors, notes=notes)
        (place / README).write_bytes(text.encode())

    names = write_folder(folder, fill, replace=replace)
    return Written(len(sheets), len(_KINDS) * len(drawn), tuple(names))


def sheets_of(season: Season, *, authors: bool = False, notes: bool = False) -> list[Sheet]:
    """The tables of an export, in the order in which a reader wants them."""
    found = [
        pulls_sheet(season),
        not_pulled_sheet(season),
        results_sheet(season),
        *([moisture_sheet(season)] if season.tins else []),
        release_sheet(season.series),
        fits_sheet(season.series),
        curves_sheet(season.series),
        *([findings_sheet(season.findings)] if season.findings else []),
        corrections_sheet(season, authors=authors, notes=notes),
    ]
    return [*found, notes_sheet(season)] if notes else found


def _draw(place: Path, name: str, together: Sequence[Series]) -> None:
    from logbook.report.figures import curve_figure

    for kind in _KINDS:
        curve_figure(together, place / f"{name}{kind}")


def figures_of(found: Iterable[Series]) -> Iterator[tuple[str, list[Series]]]:
    """The series that stand in one figure, all treatments of one comparable set, and its name.

    A nutrient with one set is `curve_P`; several sets are `curve_P_mehlich-3`, ... and a number
    where that is not enough to tell them apart.
    """
    sets: dict[tuple[str, ...], list[Series]] = {}
    for one in found:
        key = (one.analyte, one.method, one.basis, one.lab, one.unit)
        sets.setdefault(key, []).append(one)
    nutrients = [analyte for analyte, *_ in sets]
    taken: set[str] = set()
    for (analyte, method, *_), together in sets.items():
        alone = nutrients.count(analyte) == 1
        name = _free(f"curve_{_slug(analyte)}" + ("" if alone else f"_{_slug(method)}"), taken)
        taken.add(name.casefold())
        yield name, together


def _free(name: str, taken: set[str]) -> str:
    """The name, with a number behind it if that name is taken; capitals do not tell files apart."""
    count, free = 1, name
    while free.casefold() in taken:
        count += 1
        free = f"{name}_{count}"
    return free


def _slug(text: str) -> str:
    """Text as a part of a file's name: letters, digits and hyphens of ASCII, at most 40."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-")
    return plain[:40].strip("-") or "other"
