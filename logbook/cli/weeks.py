"""The command `week`: the coming seven days, to prepare and to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli.app import command
from logbook.cli.labelling import (
    LabelsOption,
    SheetOption,
    StartOption,
    Wanted,
    print_after,
    wanted,
)
from logbook.cli.session import Chosen, Session, as_json, running_trials, say
from logbook.cli.session import chosen as trial_meant
from logbook.cli.today import day_of, say_first_step
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.report.lines import counted
from logbook.report.week import Week, week
from logbook.store import asking, views
from logbook.trial import records

if TYPE_CHECKING:
    import sqlite3


def show(
    context: typer.Context,
    on: Annotated[str | None, typer.Option(help="The first day: 2026-03-14 [today].")] = None,
    reserve: Annotated[
        bool, typer.Option("--reserve", help="Reserve codes to write on the week's bags.")
    ] = False,
    labels: LabelsOption = None,
    sheet: SheetOption = None,
    start: StartOption = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show the coming seven days: pulls and their bags, water, readings, results.

    Examples: logbook week > week.txt
              logbook week --reserve --labels bags.pdf
    """
    session: Session = context.obj
    printed = _labels(labels, sheet, start, reserve, json)
    try:
        found = session.read(lambda store: _weeks(store, session, on))
    except views.NoStore:
        found = []
    fresh: list[str] = []
    if reserve:
        _refuse_needless([one for one, _ in found])
        found = [_reserved(session, one, trial, fresh) for one, trial in found]
    _show(session, [one for one, _ in found], json)
    print_after(session, printed, fresh, "the codes are reserved", ",".join(fresh))


def _labels(
    path: Path | None, sheet: str | None, start: int | None, reserve: bool, json: bool
) -> Wanted | None:
    """The labels of the reserved codes, if they are asked for: on paper, not for programs."""
    if path is not None and not reserve:
        raise UserMistake(
            "--labels prints the codes that --reserve reserves",
            "logbook labels --reserved prints those that are there already",
        )
    if path is not None and json:
        raise UserMistake("--labels and --json do not go together", "leave one of them out")
    return wanted(path, sheet, start, openly=False)


def _show(session: Session, weeks: list[Week], json: bool) -> None:
    if json:
        as_json({"weeks": [one.document() for one in weeks]})
    elif not weeks:
        say_first_step(session)
    else:
        from logbook.report.terminal.week import show_week

        for place, one in enumerate(weeks):
            if place:
                say("")
            show_week(one)


def _weeks(
    store: sqlite3.Connection, session: Session, on: str | None
) -> list[tuple[Week, Chosen]]:
    trials = (
        [trial_meant(store, session)] if session.trial_given else running_trials(store, session)
    )
    return [
        (week(store, one.id, one.trial, day_of(session, on, one.trial.zone)), one) for one in trials
    ]


def _refuse_needless(weeks: list[Week]) -> None:
    """Codes are reserved for bags that have none yet; nothing is written for none."""
    if any(one.bags > len(one.reserved) for one in weeks):
        return
    bags, codes = (sum(one.bags for one in weeks), sum(len(one.reserved) for one in weeks))
    are = "are" if codes != 1 else "is"
    reserved = f"{counted(codes, 'code')} {are} reserved for {counted(bags, 'bag')}"
    what = reserved if bags else "no pull needs a bag"
    raise UserMistake(f"{what}: nothing was reserved", "logbook week shows them")


def _reserved(
    session: Session, found: Week, trial: Chosen, fresh: list[str]
) -> tuple[Week, Chosen]:
    """The week after reserving as many codes as its bags still need; they are added to `fresh`."""
    from logbook.book.corrections import inside

    if found.bags <= len(found.reserved):
        return found, trial
    at = session.when(None, trial.trial)
    with session.write() as book:
        missing = found.bags - len(asking.free_bags(inside(book), trial.id))
        if missing <= 0:
            raise UserMistake("another program reserved the codes meanwhile", "logbook week")
        codes = [book.new_code() for _ in range(missing)]
        act = book.record(
            "set", [(key("bag", code), records.Bag(trial.id, code, at)) for code in codes]
        )
    fresh += sorted(codes)
    say(f"{act.code}  reserved {missing} code{'s' * (missing != 1)} for bags")
    return (
        session.read(lambda store: week(store, trial.id, trial.trial, found.first)),
        trial,
    )


COMMANDS = {"week": command(show)}
