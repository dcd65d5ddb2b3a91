"""The command `findings`: what the trial says of each amendment, in a grower's words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli import completing
from logbook.cli.app import command
from logbook.cli.session import Session, as_json, chosen

if TYPE_CHECKING:
    from logbook.study.findings import Findings


def findings(
    context: typer.Context,
    treatment: Annotated[
        str | None,
        typer.Argument(help="A treatment's code [all].", autocompletion=completing.treatments),
    ] = None,
    pull: Annotated[
        str | None,
        typer.Option(
            help="The date of the other nutrients [planting day, else the newest].",
            metavar="NAME",
            autocompletion=completing.pulls,
        ),
    ] = None,
    with_amended: Annotated[
        bool,
        typer.Option("--with-amended", help="Also hold amended soil against the tables, bare."),
    ] = False,
    without_flagged: Annotated[
        bool,
        typer.Option("--without-flagged", help="Leave out pulls made after a mishap on their bed."),
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say what the trial found of each amendment, how surely, and what it cannot say.

    Each sentence with its number, its 95 % range and the beds behind it. No recommendation.

    Examples: logbook findings
              logbook findings straw --pull 'day 56'
    """
    from logbook import handbook

    session: Session = context.obj
    book = handbook.load(config.handbook_folder())

    def question(store: Any) -> list[Findings]:
        from logbook.study.findings import findings as found_in

        return found_in(
            store,
            chosen(store, session).id,
            book,
            treatment,
            pull,
            with_amended=with_amended,
            without_flagged=without_flagged,
        )

    found = session.read(question)
    if json:
        from logbook.report.findings import document

        as_json(document(found))
        return
    from logbook.report.terminal.findings import show_findings

    show_findings(found, None)


COMMANDS = {"findings": command(findings)}
