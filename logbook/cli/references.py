"""Assigned values of reference materials: `lab reference`."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.session import Session, as_json, chosen, say
from logbook.cli.wording import own_words
from logbook.errors import BadData, Problem, UserMistake
from logbook.journal.entry import key
from logbook.store import views
from logbook.trial import chemistry, records, units

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samplelog import LogLine

_EXAMPLE = "'P = 35 mg/kg +- 2 mg/kg by Mehlich-3'"
#: What stands in a key for every trial.
_EVERY = "-"


def reference(
    context: typer.Context,
    name: Annotated[
        str | None, typer.Argument(help="The material's name.", show_default=False)
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Argument(
            help="Values: 'P = 35 mg/kg +- 2 mg/kg by Mehlich-3'; +- is the SD, 0 a blank.",
            show_default=False,
        ),
    ] = None,
    method: Annotated[str | None, typer.Option(help="The method of values that name none.")] = None,
    every: Annotated[
        bool, typer.Option("--all-trials", help="The material is used in every trial.")
    ] = False,
    reason: Annotated[
        str | None, typer.Option(help="Why a value that was known already changes.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="List them for programs.")] = False,
) -> None:
    """Write down the assigned values of a reference material, or list them.

    The SD is that of single results on one sample, not the half width of an interval: a
    certificate's expanded uncertainty with k = 2 is divided by 2.

    Examples: logbook lab reference 'house soil' 'P = 35 mg/kg +- 2 by Mehlich-3'
              logbook lab reference blank 'nitrate-N = 0 mg/kg' --method '1 M KCl'
              logbook lab reference --json
    """
    session: Session = context.obj
    if name is None or not values:
        if method or every or reason:
            raise UserMistake("no value was given", f"write it like {_EXAMPLE}")
        _list(session, name, json)
        return
    if json:
        raise UserMistake("--json lists values", "leave it out to write one down")
    why = own_words(reason or "", "the reason")
    material = session.read(lambda store: known_name(store, name))
    trial = "" if every else session.read(lambda store: chosen(store, session)).id
    lines = _lines(material, values, method, trial)
    with session.write() as book:
        before = book.values(list(lines))
        known = {one for one, value in before.items() if value}
        if known and not why:
            called = ", ".join(sorted(lines[one].analyte for one in known))
            raise UserMistake(
                f"known already: {called} of {material}",
                "add --reason TEXT to correct it; the old value stays readable",
            )
        written = list(lines.items())
        act = book.record("correct" if known else "set", written, reason=why or None)
    say(f"{act.code}  {material}")
    for line in lines.values():
        say(f"  {_words(line)}")


def known_name(store: sqlite3.Connection, said: str) -> str:
    """A material's name as it was written before, whatever its capitals; else as it is said.

    Raises UserMistake for a name that is none.
    """
    name = " ".join(own_words(said, "the material's name").split())
    if not name:
        raise UserMistake("the material has no name", "name it as lab send --reference does")
    blinds = views.fetch(store, "blind", "kind = ?", ("reference",))
    before = [one.record.name for one in views.fetch(store, "reference")]
    before += [one.record.of for one in blinds]
    alike = [one for one in before if one.casefold() == name.casefold()]
    return name if name in alike or not alike else alike[0]


def _lines(
    name: str, values: Sequence[str], method: str | None, trial: str
) -> dict[str, records.Reference]:
    """The records of what was typed, by key. Raises BadData with every value that is none."""
    found: dict[str, records.Reference] = {}
    problems: list[Problem] = []
    for text in values:
        try:
            line = _line(name, text, method, trial)
            at = key("reference", name, line.analyte, line.method, trial or _EVERY)
            if at in found:
                raise UserMistake(f"{line.analyte} by {line.method} is given twice", "once is it")
            found[at] = line
        except UserMistake as mistake:
            problems.append(Problem(text, mistake.message, mistake.hint))
    if len(problems) == 1:
        raise UserMistake(problems[0].what, problems[0].remedy)
    if problems:
        raise BadData("these values cannot be written down", problems)
    return found


def _line(name: str, text: str, method: str | None, trial: str) -> records.Reference:
    """One value as typed: `P2O5 = 80 mg/kg +- 4 mg/kg by Mehlich-3`."""
    said, by, own = text.partition(" by ")
    how = own_words(own if by else method or "", "the method")
    nutrient, equals, amount = said.partition("=")
    if not equals:
        raise UserMistake(f"{text!r} is not a value", f"write it like {_EXAMPLE}")
    analyte, share = chemistry.find_analyte(nutrient)
    if not how:
        raise UserMistake(
            f"{analyte.name} needs its method",
            f"'{said.strip()} by METHOD', or --method METHOD for all",
        )
    value, sd = assigned(amount, analyte, share)
    by_name = chemistry.method_name(how)
    return records.Reference(name, analyte.name, value, analyte.unit, by_name, sd, trial)


def assigned(text: str, analyte: chemistry.Analyte, share: Any) -> tuple[Decimal, Decimal | None]:
    """`35 mg/kg +- 2 mg/kg`, or with the unit once, as a canonical value and its SD.

    Raises UserMistake, also for an SD in % of the value: of a content % is a unit.
    """
    first, plus, second = text.replace("\u00b1", "+-").partition("+-")
    number, unit = _split(first)
    if not plus:
        return _canonical(number, unit, analyte, share), None
    spread, other = _split(second)
    if other == "%" and (unit or analyte.unit) != "%":
        raise UserMistake(
            f"{second.strip()!r} may be a share of the value or of the soil",
            f"give the SD in {unit or analyte.unit}",
        )
    value = _canonical(number, unit or other, analyte, share)
    sd = _canonical(spread, other or unit, analyte, share)
    if sd <= 0:
        raise UserMistake("an SD is more than nothing", "leave it out if it is not known")
    if value and sd > value:
        raise UserMistake(
            f"the SD {second.strip()!r} is larger than the value", "check the number and the unit"
        )
    return value, sd


def _split(text: str) -> tuple[str, str]:
    """Number and unit of a text: "35 mg/kg", "35mg/kg", "6.5"."""
    tidy = text.strip()
    end = next((at for at, mark in enumerate(tidy) if mark.isalpha() or mark == "%"), len(tidy))
    return tidy[:end].strip(), tidy[end:].strip()


def _canonical(number: str, unit: str, analyte: chemistry.Analyte, share: Any) -> Decimal:
    if not number:
        raise UserMistake(f"{analyte.name} has no value", f"write it like {_EXAMPLE}")
    if not unit and analyte.dimension != "acidity":
        raise UserMistake(
            f"{number} of {analyte.name} has no unit", f"add it, such as {analyte.unit}"
        )
    named = chemistry.read_unit(unit, analyte) if unit else analyte.unit
    value = chemistry.to_canonical(units.number(number, None), named, analyte, share)
    chemistry.check_range(value, analyte)
    return value


def _list(session: Session, name: str | None, json: bool) -> None:
    found, trials = session.read(_standing)
    if name is not None:
        found = [one for one in found if one.name.casefold() == name.strip().casefold()]
    if json:
        as_json({"references": [_document(one, trials) for one in found]})
        return
    material = None
    for one in found:
        if one.name != material:
            say(one.name)
        material = one.name
        where = trials.get(one.trial, one.trial) if one.trial else "every trial"
        say(f"  {_words(one)}, {where}")
    if not found:
        of = f" of {name}" if name is not None else ""
        say(f"No assigned value{of} is written down yet: logbook lab reference NAME VALUE")


def _standing(store: sqlite3.Connection) -> tuple[list[records.Reference], dict[str, str]]:
    """The values by material, nutrient and method, and the names of the trials."""
    order = list(chemistry.ANALYTES)
    found = [one.record for one in views.fetch(store, "reference")]
    found.sort(key=lambda one: (one.name, order.index(one.analyte), one.method, one.trial))
    return found, {one.id: one.record.name for one in views.fetch(store, "trial")}


def _words(one: records.Reference) -> str:
    unit = "" if one.unit == one.analyte else f" {one.unit}"
    spread = "" if one.sd is None else f" +- {units.short(one.sd)}"
    return f"{one.analyte} {units.short(one.value)}{spread}{unit} by {one.method}"


def _document(one: records.Reference, trials: dict[str, str]) -> dict[str, Any]:
    return {
        "name": one.name,
        "nutrient": one.analyte,
        "value": one.value,
        "sd": one.sd,
        "unit": one.unit,
        "method": one.method,
        "trial": trials.get(one.trial, one.trial) if one.trial else None,
    }


def about_slipped_in(
    name: str,
    lines: Sequence[LogLine],
    asked: Collection[tuple[str, str]],
    trial: str,
    store: sqlite3.Connection,
) -> list[str]:
    """What should be known of soil of a material among these bags.

    asked: the nutrients that it is sent for, each with its method.
    """
    known = {
        (one.record.analyte, one.record.method)
        for one in views.fetch(store, "reference", "name = ? AND trial IN ('', ?)", (name, trial))
    }
    missing = [
        f"{what} by {how}" if how else what for what, how in asked if (what, how) not in known
    ]
    notes = []
    if not known:
        notes.append(f"no assigned values of the reference material {name} are written down yet")
    elif missing:
        notes.append(f"no value of {', '.join(missing)} is assigned to {name} yet")
    if any(one.stages[-1].state != records.DRIED for one in lines):
        notes.append(
            f"dry soil of {name} among moist bags can be seen: moisten it, or send it among dried"
        )
    return notes
