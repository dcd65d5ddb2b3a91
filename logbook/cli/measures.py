"""The command `measure`: read on the spot - temperature, moisture, weight, density, EC, pH."""

from __future__ import annotations

from typing import Annotated

import typer

from logbook.cli import completing, unusual
from logbook.cli.acts import WhenOption
from logbook.cli.app import command
from logbook.cli.given import read_value
from logbook.cli.session import Session, addressed, chosen, remark, say
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.report.lines import with_unit
from logbook.trial import records, units
from logbook.trial.ranges import compact


def measure(
    context: typer.Context,
    what: Annotated[
        str,
        typer.Argument(
            help=f"One of: {', '.join(records.MEASURED)}.",
            show_default=False,
            autocompletion=completing.measured,
        ),
    ],
    value: Annotated[
        str, typer.Argument(help="Such as '27.5 C', '31 %', '1.1 kg/L', 6.5.", show_default=False)
    ],
    on: Annotated[
        str | None,
        typer.Option(help="The beds [the house as a whole].", autocompletion=completing.beds),
    ] = None,
    depth: Annotated[str | None, typer.Option(help="How deep, such as '10 cm'.")] = None,
    when: WhenOption = None,
) -> None:
    """Write down what was read on the spot.

    Moisture is % of the dry mass; bulk density is a bed's, dry, after settling: dry mass
    over volume of a ring pushed in. EC and pH strips are field readings and are never
    compared with a laboratory's.

    Examples: logbook measure 'soil temperature' '27.5 C' --on B1-B4 --depth '10 cm'
              logbook measure 'air temperature' '31 C' --when 14:00
              logbook measure 'bulk density' '1.12 kg/L' --on B3
    """
    session: Session = context.obj
    kind = " ".join(what.split())
    known = {name.casefold(): name for name in records.MEASURED}
    if kind.casefold() not in known:
        raise UserMistake(
            f"{what!r} is not measured here", f"use one of: {', '.join(records.MEASURED)}"
        )
    name = known[kind.casefold()]
    number, unit = read_value(name, value)
    depth_cm = units.positive(depth, "length").to("cm", "length") if depth else None
    if name == records.BULK_DENSITY and not on:
        raise UserMistake("a bulk density is a bed's", "say whose: --on B1-B3")
    if on:
        trial, beds = session.read(lambda store: addressed(store, session, on))
        about, where = [bed.id for bed in beds], f" of {compact(bed.label for bed in beds)}"
    else:
        trial = session.read(lambda store: chosen(store, session))
        about, where = [trial.id], ""
    at = session.when(when, trial.trial)
    with session.write() as book:
        code = book.new_code()
        lines = [
            (
                key("measure", code, ident),
                records.Measurement(ident, at, name, number, unit, depth_cm, value.strip()),
            )
            for ident in about
        ]
        book.record("measure", lines, code=code)
    deep = f" at {depth.strip()}" if depth else ""
    say(f"{code}  {name}{where}{deep}: {with_unit(number, unit)}, {at.spoken}")
    soil = session.read(lambda store: unusual.declared(store, trial.id))
    for sentence in unusual.reading(name, number, soil):
        remark(sentence)


_COMMAND = command(measure)
# '-2.5 C' on a frosty morning is a value and no option.
_COMMAND.context_settings["ignore_unknown_options"] = True
COMMANDS = {"measure": _COMMAND}
