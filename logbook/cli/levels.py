"""The command `levels`: where the starting soil and the control stand in published tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli.app import command
from logbook.cli.session import Session, as_json, chosen, say
from logbook.errors import UserMistake

if TYPE_CHECKING:
    from logbook.study.standing import Levels


def levels(
    context: typer.Context,
    with_amended: Annotated[
        bool,
        typer.Option("--with-amended", help="Also compare amended beds, bare, with the tables."),
    ] = False,
    copy: Annotated[
        bool, typer.Option("--copy", help="Write the tables to be edited, and say where.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show where the soil stands: classes of published tables, by nutrient and method.

    Of the starting soil and of the control, and how the control changed. A level is no
    fertiliser recommendation.

    Examples: logbook levels
              logbook levels --with-amended
              logbook levels --copy
    """
    if copy:
        if with_amended or json:
            raise UserMistake("--copy stands alone", "logbook levels --copy")
        _copy()
        return
    from logbook import handbook

    session: Session = context.obj
    book = handbook.load(config.handbook_folder())

    def question(store: Any) -> Levels:
        from logbook.study.standing import levels_of

        return levels_of(store, chosen(store, session).id, book, with_amended=with_amended)

    found = session.read(question)
    if json:
        from logbook.report.levels import levels_document

        as_json({"levels": levels_document(found, book)})
        return
    from logbook.report.terminal.levels import show_levels

    show_levels(found, book, None)


def _copy() -> None:
    from logbook import handbook

    for path in handbook.copy(config.handbook_folder()):
        say(f"Written: {path}")
    say("These are read in place of the program's own from now on; move one away to undo that.")


COMMANDS = {"levels": command(levels)}
