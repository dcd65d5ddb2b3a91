"""The acts of a day: fill, apply, water, note, event. Each echoes one line, with its code."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.app import command
from logbook.cli.session import Chosen, Session, addressed, chosen, say, still_in
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.report.board import volume_spoken
from logbook.store import views
from logbook.study import amounts
from logbook.trial import records, units
from logbook.trial.ranges import BedRef, compact
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3

Beds = Annotated[
    str,
    typer.Argument(
        help="Beds: B1-B6,B9, all, control, a block, a treatment's code.", show_default=False
    ),
]
WhenOption = Annotated[
    str | None,
    typer.Option("--when", help="When it happened: yesterday, 08:30, 2026-03-14 [now]."),
]
Known = Annotated[
    str | None,
    typer.Option(help="How the amount was known: weighed, metered, by eye, as planned."),
]


def fill(
    context: typer.Context,
    beds: Beds,
    mass: Annotated[
        str | None, typer.Option(help="Soil put into each bed, moist, such as '58 kg'.")
    ] = None,
    moisture: Annotated[
        str | None, typer.Option(help="Its moisture, % of the dry mass, such as '18 %'.")
    ] = None,
    known: Known = None,
    when: WhenOption = None,
) -> None:
    """Write down that beds were filled with soil.

    Examples: logbook fill all --mass '58 kg' --moisture '18 %'
              logbook fill B1-B4 --when yesterday
    """
    session: Session = context.obj
    _, at, chosen_beds = _where(session, beds, when)
    _refuse_continued(session, chosen_beds)
    _refuse_twice(session, "fill", "filled", chosen_beds, "logbook event BEDS refilled")
    kilos = units.positive(mass, "mass").to("kg", "mass") if mass else None
    water = units.parse(moisture, "fraction").value if moisture else None
    typed = ", ".join(text.strip() for text in (mass, moisture) if text)
    how = _how(known, given=mass is not None, measured="weighed")
    filled = {bed.id: records.Filling(bed.id, at, kilos, water, how, typed) for bed in chosen_beds}
    what = f"filled {_names(chosen_beds)}" + (f" with {mass.strip()} each ({how})" if mass else "")
    _record(session, "fill", filled, what, at)


def apply(
    context: typer.Context,
    beds: Beds,
    amount: Annotated[
        str | None,
        typer.Option(help="Amendment per bed, such as '2.4 kg' or '4.3 L' [as planned]."),
    ] = None,
    known: Known = None,
    when: WhenOption = None,
) -> None:
    """Write down that the amendment was mixed in: day 0 of each bed.

    Control beds get a mock application: forked and watered in like the others.

    Examples: logbook apply all
              logbook apply B2,B6 --amount '2.41 kg' --when 'tue 10:30'
    """
    session: Session = context.obj
    trial, at, chosen_beds = _where(session, beds, when)
    _refuse_twice(session, "apply", "applied", chosen_beds, "logbook correct CODE:BED")
    mass, volume = _amount(amount)
    if amount and all(bed.control for bed in chosen_beds):
        raise UserMistake("control beds get no amendment: leave out --amount")
    planned = {} if amount else session.read(lambda store: _planned_amounts(store, trial))
    unknown = [bed.label for bed in chosen_beds if planned.get(bed.id) == (None, None)]
    if unknown and not amount:
        raise UserMistake(
            f"the planned amount of {compact(unknown)} cannot be given yet (density not known?)",
            "weigh it and say so: --amount '2.4 kg'; logbook trial show lists what is not known",
        )
    how = _how(known, given=amount is not None, measured="weighed")
    applied = {}
    for bed in chosen_beds:
        grams, litres = (None, None) if bed.control else planned.get(bed.id, (mass, volume))
        applied[bed.id] = records.Application(
            bed.id, at, grams, litres, bed.control, how, (amount or "").strip()
        )
    given = f" with {amount.strip()} each ({how})" if amount else " as planned"
    mock = [bed for bed in chosen_beds if bed.control]
    treated = [bed for bed in chosen_beds if not bed.control]
    what = "; ".join(
        part
        for part, some in (
            (f"amendment mixed into {_names(treated)}{given}", treated),
            (f"mock application on {_names(mock)}", mock),
        )
        if some
    )
    _record(session, "apply", applied, what, at)


def water(
    context: typer.Context,
    beds: Beds,
    amount: Annotated[
        str | None, typer.Option(help="Water per bed, such as '250 mL' [as planned].")
    ] = None,
    known: Known = None,
    when: WhenOption = None,
) -> None:
    """Write down that beds were watered.

    Examples: logbook water all
              logbook water B1-B12 --amount '2.5 L' --known metered --when 08:30
    """
    session: Session = context.obj
    trial, at, chosen_beds = _where(session, beds, when)
    planned: dict[str, Decimal] = {}
    if amount is None:
        planned = session.read(lambda store: amounts.watering_volumes(store, trial.id, chosen_beds))
        if not planned:
            raise UserMistake("the protocol plans no watering", "say how much: --amount '250 mL'")
    given = units.positive(amount, "volume").to("mL", "volume") if amount else Decimal(0)
    how = _how(known, given=amount is not None, measured="metered")
    watered = {
        bed.id: records.Watering(
            bed.id, at, planned.get(bed.id, given), how, (amount or "").strip()
        )
        for bed in chosen_beds
    }
    volumes = sorted({line.volume_ml for line in watered.values()})
    each = " or ".join(volume_spoken(volume) for volume in volumes)
    _record(session, "water", watered, f"watered {_names(chosen_beds)}, {each} each ({how})", at)


def note(
    context: typer.Context,
    text: Annotated[str, typer.Argument(help="What is worth keeping.", show_default=False)],
    on: Annotated[str | None, typer.Option(help="The beds it is about [the trial].")] = None,
    when: WhenOption = None,
) -> None:
    """Write down a remark, about beds or about the whole trial.

    Examples: logbook note 'fan moved to the north door'
              logbook note 'seedlings came up by themselves' --on B7
    """
    session: Session = context.obj
    words = text.strip()
    if not words:
        raise UserMistake("the note is empty")
    if on:
        trial, beds = session.read(lambda store: addressed(store, session, on))
        about = {bed.id: bed.id for bed in beds}
        where = f" on {_names(beds)}"
    else:
        trial = session.read(lambda store: chosen(store, session))
        about, where = {trial.id: trial.id}, ""
    at = session.when(when, trial.trial)
    notes = {ident: records.Note(ident, at, words) for ident in about}
    _record(session, "note", notes, f"noted{where}: {words}", at)


def event(
    context: typer.Context,
    beds: Beds,
    what: Annotated[
        str, typer.Argument(help=f"One of: {', '.join(records.EVENTS)}.", show_default=False)
    ],
    text: Annotated[str, typer.Option(help="What happened, in your words.")] = "",
    when: WhenOption = None,
) -> None:
    """Write down a mishap: earlier pulls of the bed stand, later ones are flagged.

    Examples: logbook event B7 spilled --text 'knocked off the bench, a third lost'
              logbook event 'block 2' flooded --when yesterday
    """
    session: Session = context.obj
    trial, chosen_beds = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    word = " ".join(what.lower().split())
    if word not in records.EVENTS:
        raise UserMistake(f"{what!r} is not an event", f"use one of: {', '.join(records.EVENTS)}")
    events = {bed.id: records.Event(bed.id, at, word, text.strip()) for bed in chosen_beds}
    _record(session, "event", events, f"{_names(chosen_beds)}: {word}", at)


def _where(session: Session, beds: str, when: str | None) -> tuple[Chosen, When, list[BedRef]]:
    """The trial, the time, and the beds named that were in the trial then."""
    trial, named = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    return trial, at, session.read(lambda store: still_in(store, trial, named, at.day))


def _planned_amounts(
    store: sqlite3.Connection, trial: Chosen
) -> dict[str, tuple[Decimal | None, Decimal | None]]:
    """The planned (g, L) of each treated bed."""
    known = amounts.facts(store, trial.id)
    plans = {bed.id: amounts.planned(known, bed.id) for bed in trial.beds}
    return {
        bed: (_rounded(plan.mass_g), _rounded(plan.volume_l))
        for bed, plan in plans.items()
        if plan is not None
    }


def _rounded(value: Decimal | None) -> Decimal | None:
    """A computed amount to a thousandth: more digits would pretend a measurement."""
    return None if value is None else round(value, 3)


def _record(session: Session, kind: str, lines: dict[str, Any], what: str, at: When) -> None:
    """Write one line per bed as one act, and echo it with its code."""
    with session.write() as book:
        code = book.new_code()
        book.record(
            kind, [(key(kind, code, ident), line) for ident, line in lines.items()], code=code
        )
    say(f"{code}  {what}, {at.spoken}")


def _how(known: str | None, *, given: bool, measured: str) -> str:
    """How the amount was known; a default that was taken is "as planned", never measured."""
    if known is None:
        return measured if given else "as planned"
    word = " ".join(known.lower().split())
    if word not in records.KNOWN:
        raise UserMistake(
            f"{known!r} is not a way to know an amount", f"use one of: {', '.join(records.KNOWN)}"
        )
    if not given and word in ("weighed", "metered"):
        raise UserMistake(f"what was {word}? the planned amount is not a measurement", "give it")
    return word


def _amount(text: str | None) -> tuple[Decimal | None, Decimal | None]:
    """An amendment amount as (g, L): one of the two, as it was measured."""
    if text is None:
        return None, None
    try:
        return units.positive(text, "mass").to("g", "mass"), None
    except UserMistake as no_mass:
        try:
            return None, units.positive(text, "volume").to("L", "volume")
        except UserMistake:
            raise UserMistake(no_mass.message, "give a mass or a volume: 2.4 kg, 4.3 L") from None


def _names(beds: Sequence[BedRef]) -> str:
    return compact(bed.label for bed in beds)


def _refuse_twice(
    session: Session, space: str, done: str, beds: Sequence[BedRef], remedy: str
) -> None:
    """A bed is filled once and applied once: its day 0 hangs on it."""
    marks = ", ".join("?" * len(beds))
    already = session.read(
        lambda store: views.fetch(store, space, f"bed IN ({marks})", [bed.id for bed in beds])
    )
    if already:
        labels = {bed.id: bed.label for bed in beds}
        said = ", ".join(
            f"{labels[line.record.bed]} on {line.record.when.spoken}" for line in already[:5]
        )
        raise UserMistake(f"{done} already: {said}; nothing was written", remedy)


def _refuse_continued(session: Session, beds: Sequence[BedRef]) -> None:
    """A bed that goes on with the soil of another is not filled anew."""
    marks = ", ".join("?" * len(beds))
    found = session.read(
        lambda store: views.fetch(
            store, "bed", f"was IS NOT NULL AND id IN ({marks})", [bed.id for bed in beds]
        )
    )
    if found:
        labels = compact(one.record.label for one in found)
        raise UserMistake(
            f"{labels} goes on with soil that is there: it needs no filling; nothing was written",
            "logbook event BEDS refilled, if it was filled up",
        )


COMMANDS = {
    "fill": command(fill),
    "apply": command(apply),
    "water": command(water),
    "note": command(note),
    "event": command(event),
}
