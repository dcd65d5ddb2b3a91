"""The acts of a day: fill, apply, water, note, event. Each echoes one line, with its code."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing, unusual
from logbook.cli import given as typed_amounts
from logbook.cli.app import command
from logbook.cli.given import far_from_plan, few, known_as
from logbook.cli.remarks import out_of_order
from logbook.cli.session import Chosen, Session, addressed, chosen, remark, say, still_in
from logbook.cli.wording import own_words
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.journal.entry import parts as journal_parts
from logbook.report.board import volume_spoken
from logbook.report.lines import how_known
from logbook.store import asking, views
from logbook.study import amounts
from logbook.trial import records, units
from logbook.trial.ranges import BedRef, compact
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3

_MOST_DAYS = 3

Beds = Annotated[
    str,
    typer.Argument(
        help="Beds: B1-B6,B9, all, control, a block, a treatment's code.",
        show_default=False,
        autocompletion=completing.beds,
    ),
]
WhenOption = Annotated[
    str | None,
    typer.Option("--when", help="When it happened: yesterday, 08:30, 2026-03-14 [now]."),
]
Known = Annotated[
    str | None,
    typer.Option(help="How the amount was known: weighed, metered, by eye [not said]."),
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
    trial, at, chosen_beds = _where(session, beds, when)
    _refuse_continued(session, chosen_beds)
    once = _Once("fill", "filled", chosen_beds, "if soil was added: logbook event {beds} refilled")
    session.read(once.check)
    kilos = units.positive(mass, "mass").to("kg", "mass") if mass else None
    water = typed_amounts.soil_moisture(moisture) if moisture else None
    typed = ", ".join(text.strip() for text in (mass, moisture) if text)
    how = known_as(known, given=mass is not None)
    filled = {bed.id: records.Filling(bed.id, at, kilos, water, how, typed) for bed in chosen_beds}
    what = f"filled {_names(chosen_beds)}" + (
        f" with {mass.strip()}{_each(chosen_beds)} ({how_known(how)})" if mass else ""
    )
    _record(session, "fill", filled, what, at, once.check)
    _note_order(session, trial, "fill", chosen_beds, at)
    soil = [(bed, kilos, water) for bed in chosen_beds]
    _note(session.read(lambda store: unusual.fillings(store, trial.id, soil)))


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
    once = _Once("apply", "applied", chosen_beds)
    session.read(once.check)
    mass, volume = typed_amounts.amendment(amount) if amount else (None, None)
    if amount and all(bed.control for bed in chosen_beds):
        raise UserMistake("control beds get no amendment: leave out --amount")
    plans = session.read(lambda store: planned_amounts(store, trial))
    planned = {} if amount else plans
    unknown = [bed.label for bed in chosen_beds if planned.get(bed.id) == (None, None)]
    if unknown:
        raise UserMistake(
            f"the planned amount of {compact(unknown)} cannot be given yet (density not known?)",
            "weigh it and say so: --amount '2.4 kg'; logbook trial show lists what is not known",
        )
    how = known_as(known, given=amount is not None)
    applied = {}
    for bed in chosen_beds:
        grams, litres = (None, None) if bed.control else planned.get(bed.id, (mass, volume))
        applied[bed.id] = records.Application(
            bed.id, at, grams, litres, bed.control, how, (amount or "").strip()
        )
    mock = [bed for bed in chosen_beds if bed.control]
    treated = [bed for bed in chosen_beds if not bed.control]
    given = " as planned"
    if amount:
        given = f" with {amount.strip()}{_each(treated)} ({how_known(how)})"
    what = "; ".join(
        part
        for part, some in (
            (f"amendment mixed into {_names(treated)}{given}", treated),
            (f"mock application on {_names(mock)}", mock),
        )
        if some
    )
    _record(session, "apply", applied, what, at, once.check)
    _note_order(session, trial, "apply", chosen_beds, at)
    _note(applied_far_from_plan([(bed, mass, volume) for bed in treated], plans))


def water(
    context: typer.Context,
    beds: Beds,
    amount: Annotated[
        str | None, typer.Option(help="Water per bed: '250 mL', '2 mm', '2 L/m2' [as planned].")
    ] = None,
    known: Known = None,
    when: WhenOption = None,
) -> None:
    """Write down that beds were watered.

    Examples: logbook water all
              logbook water B1-B12 --amount '2.5 L' --known metered --when 08:30
              logbook water all --amount '3 mm'
    """
    session: Session = context.obj
    trial, at, chosen_beds = _where(session, beds, when)
    plan = session.read(lambda store: amounts.watering_volumes(store, trial.id, chosen_beds))
    if amount is None and not plan:
        raise UserMistake("the protocol plans no watering", "say how much: --amount '250 mL'")
    areas = session.read(lambda store: asking.bed_areas(store, trial.id))
    given = {bed.id: typed_amounts.water(amount, areas[bed.id]) for bed in chosen_beds if amount}
    how = known_as(known, given=amount is not None)
    watered = {
        bed.id: records.Watering(bed.id, at, (given or plan)[bed.id], how, (amount or "").strip())
        for bed in chosen_beds
    }
    volumes = sorted({line.volume_ml for line in watered.values()})
    said = " or ".join(volume_spoken(volume) for volume in volumes)
    what = f"watered {_names(chosen_beds)}, {said}{_each(chosen_beds)} ({how_known(how)})"
    _record(session, "water", watered, what, at)
    _note_order(session, trial, "water", chosen_beds, at)
    far = [(bed.label, given.get(bed.id), plan.get(bed.id)) for bed in chosen_beds]
    _note(far_from_plan("of water", far, "mL"))


def note(
    context: typer.Context,
    text: Annotated[str, typer.Argument(help="What is worth keeping.", show_default=False)],
    on: Annotated[
        str | None,
        typer.Option(help="The beds it is about [the trial].", autocompletion=completing.beds),
    ] = None,
    when: WhenOption = None,
) -> None:
    """Write down a remark, about beds or about the whole trial.

    Examples: logbook note 'fan moved to the north door'
              logbook note 'seedlings came up by themselves' --on B7
    """
    session: Session = context.obj
    words = own_words(text, "the note")
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
        str,
        typer.Argument(
            help=f"One of: {', '.join(records.EVENTS)}.",
            show_default=False,
            autocompletion=completing.events,
        ),
    ],
    text: Annotated[str, typer.Option(help="What happened, in your words.")] = "",
    when: WhenOption = None,
) -> None:
    """Write down a mishap: earlier pulls of the bed stand, later ones are flagged.

    Ammonia that was smelt is no mishap: it flags no pull, and says that nitrogen was lost.

    Examples: logbook event B7 spilled --text 'knocked off the bench, a third lost'
              logbook event 'block 2' flooded --when yesterday
              logbook event B5 'ammonia smelt'
    """
    session: Session = context.obj
    trial, chosen_beds = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    word = " ".join(what.lower().split())
    if word not in records.EVENTS:
        raise UserMistake(f"{what!r} is not an event", f"use one of: {', '.join(records.EVENTS)}")
    words = own_words(text, "the text")
    events = {bed.id: records.Event(bed.id, at, word, words) for bed in chosen_beds}
    _record(session, "event", events, f"{_names(chosen_beds)}: {word}", at)


def _where(session: Session, beds: str, when: str | None) -> tuple[Chosen, When, list[BedRef]]:
    """The trial, the time, and the beds named that were in the trial then."""
    trial, named = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    return trial, at, session.read(lambda store: still_in(store, trial, named, at.day))


def planned_amounts(store: sqlite3.Connection, trial: Chosen) -> Planned:
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


def _record(
    session: Session,
    kind: str,
    lines: dict[str, Any],
    what: str,
    at: When,
    check: Callable[[sqlite3.Connection], None] | None = None,
) -> None:
    """Write one line per bed as one act, and echo it with its code.

    `check` looks again once the store is held: another program may have written in between.
    """
    from logbook.book.corrections import inside

    with session.write() as book:
        if check is not None:
            check(inside(book))
        code = book.new_code()
        book.record(
            kind, [(key(kind, code, ident), line) for ident, line in lines.items()], code=code
        )
    say(f"{code}  {what}, {at.spoken}")


def _note(remarks: Sequence[str]) -> None:
    for sentence in remarks:
        remark(sentence)


def _note_order(
    session: Session, trial: Chosen, space: str, beds: Sequence[BedRef], at: When
) -> None:
    _note(session.read(lambda store: out_of_order(store, trial.id, space, beds, at.day)))


Planned = dict[str, tuple[Decimal | None, Decimal | None]]


def applied_far_from_plan(
    given: Sequence[tuple[BedRef, Decimal | None, Decimal | None]], plans: Planned
) -> list[str]:
    """Remarks on amendment (bed, g, L) far off the plan; mass and volume each with their own."""
    nothing = (None, None)
    masses = [(bed.label, grams, plans.get(bed.id, nothing)[0]) for bed, grams, _ in given]
    volumes = [(bed.label, litres, plans.get(bed.id, nothing)[1]) for bed, _, litres in given]
    return [
        *far_from_plan("of amendment", masses, "g"),
        *far_from_plan("of amendment", volumes, "L"),
    ]


def _names(beds: Sequence[BedRef]) -> str:
    return compact(bed.label for bed in beds)


def _each(beds: Sequence[BedRef]) -> str:
    """What follows an amount that several beds got."""
    return " each" if len(beds) > 1 else ""


@dataclass(frozen=True)
class _Once:
    """A bed is filled once and applied once: its day 0 hangs on it."""

    space: str
    done: str
    beds: Sequence[BedRef]
    otherwise: str = ""

    def check(self, store: sqlite3.Connection) -> None:
        """Refuse beds of which such a line stands, in bench order."""
        marks = ", ".join("?" * len(self.beds))
        found = views.fetch(store, self.space, f"bed IN ({marks})", [bed.id for bed in self.beds])
        times = {line.record.bed: line.record.when.spoken for line in found}
        days: dict[str, list[str]] = {}
        for bed in self.beds:
            if bed.id in times:
                days.setdefault(times[bed.id], []).append(bed.label)
        if days:
            said = [f"{few(labels)} on {day}" for day, labels in days.items()]
            more = f" and {len(said) - _MOST_DAYS} other days" if len(said) > _MOST_DAYS else ""
            told = ", ".join(said[:_MOST_DAYS]) + more
            hint = self._remedy({line.record.bed: journal_parts(line.id)[0] for line in found})
            raise UserMistake(f"{self.done} already: {told}; nothing was written", hint)

    def _remedy(self, acts: dict[str, str]) -> str:
        """What to type if the line that stands is wrong; `acts` has the code of each bed's."""
        by_act: dict[str, list[str]] = {}
        for bed in self.beds:
            if bed.id in acts:
                by_act.setdefault(acts[bed.id], []).append(bed.label)
        code, labels = next(iter(by_act.items()))
        hint = f"if that line is wrong: logbook correct {code}:{_word(labels)}"
        if self.otherwise:
            every = [label for some in by_act.values() for label in some]
            hint += f"; {self.otherwise.format(beds=_word(every))}"
        return hint


def _word(labels: Sequence[str]) -> str:
    """Labels as ranges in one word, to be typed."""
    return compact(labels).replace(", ", ",")


def _refuse_continued(session: Session, beds: Sequence[BedRef]) -> None:
    """A bed that goes on with the soil of another is not filled anew."""
    marks = ", ".join("?" * len(beds))
    found = session.read(
        lambda store: views.fetch(
            store, "bed", f"was IS NOT NULL AND id IN ({marks})", [bed.id for bed in beds]
        )
    )
    if found:
        labels = few([one.record.label for one in found])
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
