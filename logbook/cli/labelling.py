"""What every command that prints labels shares: its options, and the file that comes of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli.session import Session, remark
from logbook.errors import LogbookError, UserMistake

if TYPE_CHECKING:
    from logbook.report.labels import Printed, Sheet

LabelsOption = Annotated[
    Path | None,
    typer.Option("--labels", help="Print labels: a .pdf or .svg file.", metavar="FILE"),
]
SheetOption = Annotated[
    str | None,
    typer.Option("--sheet", help="The sheet of labels [see: labels --sheets].", metavar="NAME"),
]
StartOption = Annotated[
    int | None,
    typer.Option("--start", help="The first free label of a used sheet [1].", metavar="N"),
]
OpenOption = Annotated[
    bool, typer.Option("--open", help="Labels with treatments; a laboratory sees them.")
]


@dataclass(frozen=True)
class Wanted:
    """A file of labels, checked: which sheet, from which label on, with treatments or blind.

    `bare` labels have codes and the trial alone.
    """

    path: Path
    sheet: Sheet
    start: int
    openly: bool
    bare: bool = False


def wanted(path: Path | None, sheet: str | None, start: int | None, openly: bool) -> Wanted | None:
    """The labels that are asked for, if any, before anything is written down.

    Raises UserMistake for a file, a sheet or a start that cannot be, or options without a file.
    """
    if path is None:
        for option, given in (
            ("--sheet", sheet is not None),
            ("--start", start is not None),
            ("--open", openly),
        ):
            if given:
                raise UserMistake(f"{option} is for labels", "name their file: --labels FILE.pdf")
        return None
    from logbook.report import labels

    found = labels.load(config.handbook_folder()).named(sheet)
    first = 1 if start is None else start
    labels.check_file(path, found, first)
    return Wanted(path, found, first, openly)


def print_labels(session: Session, asked: Wanted | None, codes: Iterable[str]) -> None:
    """Write the labels of these bags, if they are asked for, and say where they are."""
    if asked is None:
        return
    from logbook.report import labels

    some, remarks = session.read(
        lambda store: labels.labels_of(store, codes, openly=asked.openly, bare=asked.bare)
    )
    done = labels.write_labels(asked.path, some, asked.sheet, asked.start)
    _say(done, len(some), asked)
    left = [f"no room on some labels: {', '.join(done.left_off)}"] if done.left_off else []
    if done.replaced:
        left.append(
            "the font lacks some characters of these names: they are printed as question marks"
        )
    for sentence in (*remarks, *left):
        remark(sentence)


def print_after(
    session: Session, asked: Wanted | None, codes: Iterable[str], stands: str, again: str
) -> None:
    """`print_labels` after an act; a file that fails then says what `stands`, and what to type.

    `again` are the words that make `logbook labels` print the same.
    """
    try:
        print_labels(session, asked, codes)
    except LogbookError as problem:
        raise UserMistake(
            f"{stands}, but there are no labels: {problem.message}",
            f"logbook labels {again} --out FILE.pdf",
        ) from problem


def _say(done: Printed, count: int, asked: Wanted) -> None:
    several = f"{count} label{'s' * (count != 1)}"
    pages = f"{done.pages} page{'s' * (done.pages != 1)} of {asked.sheet.name}"
    names = ", ".join(str(path) for path in done.files)
    from logbook.cli.laboratory import tell

    tell(f"Written: {names}: {several}, {pages}. Print at 100 %, not fitted to the page.", 2)
