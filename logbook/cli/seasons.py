"""The command `season`: a whole trial as a folder of tables, figures and their description."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logbook.cli.app import command
from logbook.cli.session import Session, chosen, say


def season(
    context: typer.Context,
    out_dir: Annotated[
        Path,
        typer.Argument(metavar="OUT_DIR", help="A new or empty folder.", show_default=False),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of an earlier export.")
    ] = False,
    with_authors: Annotated[
        bool, typer.Option("--with-authors", help="Also say who wrote each correction and note.")
    ] = False,
    with_notes: Annotated[
        bool, typer.Option("--with-notes", help="Also export notes and the words of events.")
    ] = False,
) -> None:
    """Export a trial: findings, tidy tables, a figure per nutrient, a README of every column.

    The same book makes the same bytes; manifest.csv holds each file's SHA-256.

    Examples: logbook season spring-trial
              logbook --trial 'A compost' season out --replace --with-notes
    """
    from logbook import config, handbook
    from logbook.report.export import write_season
    from logbook.report.lines import counted
    from logbook.report.season import season_of
    from logbook.report.sheets import check_folder

    session: Session = context.obj
    check_folder(out_dir, replace)
    tables = handbook.load(config.handbook_folder())
    found = session.read(lambda store: season_of(store, chosen(store, session).id, tables))
    done = write_season(found, out_dir, replace=replace, authors=with_authors, notes=with_notes)
    missing = "" if found.results else "; no results yet, so no differences, curves and figures"
    say(
        f"Written to {out_dir}: {counted(len(found.samples), 'sample')} and "
        f"{counted(len(found.results), 'result')} in "
        f"{done.tables} tables, {done.figures} figures, README.txt, manifest.csv{missing}"
    )


COMMANDS = {"season": command(season)}
