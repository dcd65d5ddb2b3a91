"""The command `compare`: one date, all nutrients, every treatment against the control."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli import completing
from logbook.cli.app import command
from logbook.cli.run import aside
from logbook.cli.session import Session, as_json, chosen
from logbook.errors import UserMistake

if TYPE_CHECKING:
    from logbook.study.comparison import Comparison
    from logbook.study.every_date import EveryDate


def compare(
    context: typer.Context,
    pull: Annotated[
        str | None,
        typer.Argument(
            help="A planned pull, such as 'day 28' or before [the newest].",
            autocompletion=completing.pulls,
        ),
    ] = None,
    treatment: Annotated[
        str | None,
        typer.Option(
            help="Only this treatment.", metavar="CODE", autocompletion=completing.treatments
        ),
    ] = None,
    without_flagged: Annotated[
        bool,
        typer.Option("--without-flagged", help="Leave out pulls made after a mishap on their bed."),
    ] = False,
    all_dates: Annotated[
        bool,
        typer.Option("--all-dates", help="Means over all dates, and whether differences change."),
    ] = False,
    svg: Annotated[Path | None, typer.Option(help="Also draw the figure to this file.")] = None,
    png: Annotated[Path | None, typer.Option(help="Also draw the figure to this file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Compare every treatment with the control on one date: all nutrients, with ranges.

    Examples: logbook compare
              logbook compare 'day 28' --treatment A10 --svg day28.svg
              logbook compare --all-dates
    """
    session: Session = context.obj
    figures = [(path, end) for path, end in ((svg, ".svg"), (png, ".png")) if path is not None]
    for path, ending in figures:
        if path.suffix.lower() != ending:
            raise UserMistake(f"{path}: a --{ending[1:]} file ends in {ending}")
    if all_dates:
        if pull is not None or figures:
            what = "--svg and --png draw one date" if figures else f"{pull!r} is one date"
            raise UserMistake(f"{what}: leave it out with --all-dates")
        _every_date(session, treatment, without_flagged=without_flagged, json=json)
        return

    found = _one_date(session, pull, treatment, without_flagged=without_flagged)
    if figures:
        _draw(session, found, [path for path, _ in figures])
    if json:
        from logbook.report.documents_compared import comparison_document

        as_json({"comparison": comparison_document(found)})
        return
    from logbook.report.terminal.compared import show_comparison

    show_comparison(found, None)


def _one_date(
    session: Session, pull: str | None, treatment: str | None, *, without_flagged: bool
) -> Comparison:
    def question(store: Any) -> Comparison:
        from logbook.study.comparison import compare

        return compare(
            store, chosen(store, session).id, pull, treatment, without_flagged=without_flagged
        )

    return session.read(question)


def _every_date(
    session: Session, treatment: str | None, *, without_flagged: bool, json: bool
) -> None:
    """Means over the dates, printed."""

    def question(store: Any) -> EveryDate:
        from logbook.study.every_date import every_date

        return every_date(
            store, chosen(store, session).id, treatment, without_flagged=without_flagged
        )

    found = session.read(question)
    if json:
        from logbook.report.documents_compared import every_date_document

        as_json({"every_date": every_date_document(found)})
        return
    from logbook.report.terminal.every_date import show_every_date

    show_every_date(found, None)


def _draw(session: Session, found: Comparison, paths: list[Path]) -> None:
    """The figure, each nutrient beside the range of its own table."""
    from logbook import handbook
    from logbook.report.figures import comparison_figure
    from logbook.study.standing import ground_of

    book = handbook.load(config.handbook_folder())
    ground = session.read(lambda store: ground_of(store, chosen(store, session).id))
    for path in paths:
        comparison_figure(found, path, book, ground)
        aside(f"Drawn: {path}")


COMMANDS = {"compare": command(compare)}
