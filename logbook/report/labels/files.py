"""Labels into a file: checked before anything is written down, whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from logbook.errors import UserMistake
from logbook.report.labels import faces
from logbook.report.labels.arranging import LEFT_OFF, Drawn, arrange
from logbook.report.labels.content import Label
from logbook.report.labels.grids import Sheet

ENDINGS = (".pdf", ".svg")


@dataclass(frozen=True)
class Printed:
    """The files that were written, how many pages they hold, and what had no room on a label.

    `replaced`: a name had characters that are printed as question marks.
    """

    files: tuple[Path, ...]
    pages: int
    left_off: tuple[str, ...]
    replaced: bool


def check_file(path: Path, sheet: Sheet, start: int) -> None:
    """Refuse, before anything is written, what cannot become a file of labels.

    Raises UserMistake: another ending, no such folder, a first label beyond the sheet.
    """
    if path.suffix.lower() not in ENDINGS:
        raise UserMistake(
            f"{path}: labels are a .pdf or an .svg file", "end its name in .pdf or .svg"
        )
    if not 1 <= start <= sheet.count:
        raise UserMistake(
            f"--start {start} is not on the sheet {sheet.name}",
            f"it has {sheet.count} label{'s' * (sheet.count != 1)}: use 1 to {sheet.count}",
        )
    problem = _unwritable(path)
    if problem:
        raise UserMistake(f"{path}: {problem}", "name a file in a folder that is there")


def _unwritable(path: Path) -> str:
    """Why a file cannot be written there, as far as that can be seen beforehand; else nothing."""
    try:
        if path.is_dir():
            return "is a folder"
        if not path.parent.is_dir():
            return "there is no such folder"
        path.with_name(f".{path.name}.part").exists()  # its name is longer
    except OSError as problem:
        return f"cannot be written: {problem.strerror}"
    return "" if os.access(path.parent, os.W_OK) else "nothing may be written in that folder"


def write_labels(path: Path, labels: Sequence[Label], sheet: Sheet, start: int = 1) -> Printed:
    """Write labels, from the place `start` of the first sheet on; an earlier file is replaced.

    A PDF holds every page. An SVG file holds one: further ones stand beside it as NAME-2.svg ...

    Raises UserMistake as `check_file`, or if a file cannot be written; then none is.
    """
    check_file(path, sheet, start)
    drawn = [arrange(one, *sheet.room) for one in labels]
    pages = _pages(drawn, sheet.count, start)
    several = f"{len(labels)} label{'s' * (len(labels) != 1)}"
    title = f"Sample labels, sheet {sheet.name}"
    description = f"{several} of {sheet.width:g} x {sheet.height:g} mm; print at 100 %"
    _write(_contents(path, pages, sheet, title, description))
    names = {name for one in drawn for name in one.left_off}
    return Printed(
        tuple(_names(path, len(pages))),
        len(pages),
        tuple(name for name in LEFT_OFF if name in names),
        any(_replaced(one) for one in labels),
    )


def _replaced(label: Label) -> bool:
    """Whether a name of a label has characters that the faces lack."""
    names = " ".join(filter(None, (label.trial, label.bed, label.by, label.treatment)))
    return faces.shown(names).count(faces.UNKNOWN) > names.count(faces.UNKNOWN)


def _pages(drawn: Sequence[Drawn], each: int, start: int) -> list[list[tuple[int, Drawn]]]:
    """Labels with their places, page by page; the first page begins at `start`."""
    pages: list[list[tuple[int, Drawn]]] = []
    for number, one in enumerate(drawn, start=start - 1):
        page, place = divmod(number, each)
        if page == len(pages):
            pages.append([])
        pages[page].append((place, one))
    return pages


def _names(path: Path, pages: int) -> list[Path]:
    if path.suffix.lower() == ".pdf":
        return [path]
    more = [path.with_name(f"{path.stem}-{page}{path.suffix}") for page in range(2, pages + 1)]
    return [path, *more]


def _contents(
    path: Path,
    pages: Sequence[Sequence[tuple[int, Drawn]]],
    sheet: Sheet,
    title: str,
    description: str,
) -> list[tuple[Path, bytes]]:
    if path.suffix.lower() == ".pdf":
        from logbook.report.labels.pdf import pdf

        return [(path, pdf(pages, sheet, title, description))]
    from logbook.report.labels.svg import svg

    names = _names(path, len(pages))
    titles = [
        f"{title}, page {number} of {len(pages)}" if len(pages) > 1 else title
        for number in range(1, len(pages) + 1)
    ]
    return [
        (name, svg(page, sheet, told, description))
        for name, page, told in zip(names, pages, titles, strict=True)
    ]


def _write(contents: Sequence[tuple[Path, bytes]]) -> None:
    """All files beside their places first, then each into its place."""
    beside = [(path.with_name(f".{path.name}.part"), path) for path, _ in contents]
    try:
        for (part, _), (_, content) in zip(beside, contents, strict=True):
            part.write_bytes(content)
        for part, path in beside:
            os.replace(part, path)  # noqa: PTH105 - said plainly: an atomic rename
    except OSError as problem:
        for part, _ in beside:
            with suppress(OSError):
                part.unlink()
        reason = problem.strerror or type(problem).__name__
        raise UserMistake(f"{beside[0][1]}: cannot be written: {reason}") from problem
