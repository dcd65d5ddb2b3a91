"""The command `labels`: labels of bags once more, or of codes reserved for them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli import completing
from logbook.cli.app import command
from logbook.cli.labelling import (
    OpenOption,
    SheetOption,
    StartOption,
    Wanted,
    print_labels,
    wanted,
)
from logbook.cli.naming import planned_name
from logbook.cli.session import Chosen, Session, chosen, say
from logbook.errors import UserMistake
from logbook.store import asking, views
from logbook.study import parts
from logbook.trial import codes as sample_codes

if TYPE_CHECKING:
    import sqlite3


def labels(
    context: typer.Context,
    which: Annotated[
        str | None,
        typer.Argument(
            metavar="CODES",
            help="Codes of bags, or of acts with all bags they made: CODE,CODE.",
            show_default=False,
            autocompletion=completing.codes,
        ),
    ] = None,
    pull: Annotated[
        str | None,
        typer.Option(
            help="All bags of a pull of the calendar: 'day 14'.",
            metavar="NAME",
            autocompletion=completing.pulls,
        ),
    ] = None,
    shipment: Annotated[
        str | None,
        typer.Option(
            help="All bags of a shipment, its blinds too: codes alone, in packing order.",
            metavar="CODE",
        ),
    ] = None,
    reserved: Annotated[
        bool, typer.Option("--reserved", help="Codes that are reserved and not used yet.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="A .pdf or .svg file.", metavar="FILE")
    ] = None,
    sheet: SheetOption = None,
    start: StartOption = None,
    shown: OpenOption = False,
    sheets: Annotated[
        bool, typer.Option("--sheets", help="Show the sheets of labels there are.")
    ] = False,
    copy: Annotated[
        bool, typer.Option("--copy", help="Write the list of sheets to be edited, and say where.")
    ] = False,
) -> None:
    """Print labels for bags: code and QR code, bed, date; no treatment unless --open.

    The same label prints the same bytes. Print at 100 %, not fitted to the page.

    Examples: logbook labels --reserved --out bags.pdf --sheet letter-66x25
              logbook labels --pull 'day 14' --out labels.pdf --start 5
              logbook labels --shipment QW3HRALK --out again.pdf
              logbook labels --sheets
    """
    session: Session = context.obj
    ways = [which is not None, pull is not None, shipment is not None, reserved, sheets, copy]
    if sum(ways) != 1:
        raise UserMistake(
            "name the bags in one way",
            "give CODES, --pull NAME, --shipment CODE or --reserved; or --sheets",
        )
    if sheets or copy:
        _copy() if copy else _show_sheets()
        return
    if out is None:
        raise UserMistake("labels need a file", "name it with --out FILE.pdf")
    asked = wanted(out, sheet, start, shown)
    if shipment is not None:
        _print_shipment(session, asked, shipment)
        return
    print_labels(session, asked, session.read(lambda store: _codes(store, session, which, pull)))


def _print_shipment(session: Session, asked: Wanted | None, typed: str) -> None:
    """Labels of a shipment that was packed, all alike: what it hides must not show."""
    if asked and asked.openly:
        raise UserMistake("labels of a shipment have codes alone", "leave --open out")
    code = _valid(typed)
    rows = session.read(lambda store: views.fetch(store, "sent", "shipment = ?", (code,)))
    if not rows:
        raise UserMistake(f"there is no shipment {code}", "logbook lab log names them")
    order = [one.record.sample for one in sorted(rows, key=lambda one: one.record.place)]
    print_labels(session, asked and replace(asked, bare=True), order)


def _valid(word: str) -> str:
    """A code as it is written; raises UserMistake for what is none."""
    code = sample_codes.tidy(word)
    if not sample_codes.is_valid(code):
        raise UserMistake(f"{word.strip()!r} is not a code: {sample_codes.flaw(code)}")
    return code


def _codes(
    store: sqlite3.Connection, session: Session, which: str | None, pull: str | None
) -> list[str]:
    """The codes of the bags that are meant, in the order in which bags are laid out."""
    if which is not None:
        return [code for word in which.split(",") if word.strip() for code in _named(store, word)]
    trial = chosen(store, session)
    if pull is not None:
        return _of_calendar(store, trial, pull)
    found = asking.free_bags(store, trial.id)
    if not found:
        raise UserMistake(
            f"no code of {trial.trial.name} is reserved and free", "logbook week --reserve"
        )
    return found


def _named(store: sqlite3.Connection, word: str) -> list[str]:
    """The bags of a code: that bag, or all those that an act made."""
    code = _valid(word)
    if views.fetch(store, "shipment", "code = ?", (code,)):
        raise UserMistake(f"{code} is a shipment", f"logbook labels --shipment {code}")
    made = [key.partition("/") for key in views.keys_of_act(store, code)]
    bags = [name for space, _, name in made if space in ("pull", "part", "bag")]
    there = [one for one in dict.fromkeys(bags) if _stands(store, one)]
    return there or [code]


def _stands(store: sqlite3.Connection, code: str) -> bool:
    """Whether a bag was not struck since."""
    return any(views.fetch(store, space, "id = ?", (code,)) for space in ("pull", "part", "bag"))


def _of_calendar(store: sqlite3.Connection, trial: Chosen, pull: str) -> list[str]:
    """The bags of every sample that was taken for a pull of the calendar, by bed, then by part."""
    name = planned_name(pull, views.calendar(store, trial.id).planned)
    owed = [one for one in views.obligations(store, trial.id) if name in one.names]
    taken = dict.fromkeys(code for one in owed for code in (one.pull, *one.repeats) if code)
    if not taken:
        raise UserMistake(f"no bed of {trial.trial.name} has a pull {name!r} yet", "logbook today")
    divided = parts.of_trial(store, trial.id)
    return [
        bag for code in taken for bag in [part.code for part in divided.get(code, [])] or [code]
    ]


def _copy() -> None:
    from logbook.report import labels as printing

    say(f"Written: {printing.copy(config.handbook_folder())}")
    say("It is read in place of the program's own from now on; move it away to undo that.")


def _show_sheets() -> None:
    from logbook.report import labels as printing

    grids = printing.load(config.handbook_folder())
    wide = max(len(name) for name in grids.sheets)
    for name, one in grids.sheets.items():
        size = f"{one.width:.4g} x {one.height:.4g} mm"
        page = f"{one.columns} x {one.rows} on {one.paper}"
        meant = "  (if none is named)" if name == grids.default else ""
        say(f"{name:<{wide}}  {size:<16}  {page}{meant}")


COMMANDS = {"labels": command(labels)}
