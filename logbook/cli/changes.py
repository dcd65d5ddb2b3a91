"""What `correct` may change on each kind of line: from what was said to journal values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logbook.cli import given as entered
from logbook.cli import relabelled
from logbook.cli.naming import planned_name
from logbook.cli.references import assigned
from logbook.cli.remarks import refuse_across_application
from logbook.cli.session import Chosen, Session
from logbook.cli.weighing import check_weights, grams
from logbook.cli.wording import own_words
from logbook.errors import UserMistake
from logbook.store import asking, views
from logbook.study.parts import of_pull
from logbook.trial import chemistry, parts, records, units
from logbook.trial.ranges import BedRef, resolve
from logbook.trial.times import read_stored

if TYPE_CHECKING:
    import sqlite3

Changes = dict[str, Any]

# record -> what may be corrected on it
ALLOWED: dict[type[Any], tuple[str, ...]] = {
    records.Filling: ("mass", "moisture", "known", "when", "bed"),
    records.Application: ("amount", "known", "when", "bed"),
    records.Watering: ("amount", "known", "when", "bed"),
    records.Pull: ("when", "bed", "for", "cores", "depth"),
    records.Note: ("when", "text"),
    records.Event: ("when", "bed", "text"),
    records.Result: ("value", *relabelled.IDENTITY),
    records.Part: ("part", "when"),
    records.Weighing: ("tare", "wet", "dry", "when"),
    records.Measurement: ("value", "when", "depth"),
    records.Skip: ("text", "when"),
    records.Shipment: ("when", "text"),
    records.Handling: ("when", "text"),
    records.Reference: ("value",),
}
_WHAT: dict[type[Any], str] = {records.Weighing: "tin's weighing", records.Bag: "reserved code"}


@dataclass(frozen=True)
class Line:
    """A line under correction: its record, and the trial it belongs to (None: a result)."""

    store: sqlite3.Connection
    session: Session
    record: Any
    trial: Chosen | None
    amount_given: bool = False


def changed(
    store: sqlite3.Connection, session: Session, record: Any, given: dict[str, Any]
) -> Changes:
    """The journal values that the corrections `given` (option name -> text) mean for a line."""
    allowed = ALLOWED.get(type(record), ())
    refused = [name for name in given if name not in allowed]
    if refused:
        what = _WHAT.get(type(record), type(record).__name__.lower())
        if isinstance(record, records.Part) and refused == ["bed"]:
            raise UserMistake(
                f"{record.code} is a part: its bed is its pull's",
                f"logbook correct {record.pull} --bed BED --reason TEXT, for all parts of the pull",
            )
        raise UserMistake(
            f"a {what} has no {refused[0]} to correct",
            f"it has: {', '.join(allowed)}" if allowed else "strike it and write it anew",
        )
    amount_given = bool(given.keys() & {"amount", "mass"})
    line = Line(store, session, record, _trial_of(store, record), amount_given)
    changes: Changes = {}
    for name, said in given.items():
        changes |= _READ[name](said, line)
    if isinstance(record, records.Weighing):
        new: dict[str, Any] = {n: Decimal(said) for n, said in changes.items() if n != "when"}
        check_weights(replace(record, **new))
    if isinstance(record, records.Filling):
        changes |= _filling_typed(record, given)
    if isinstance(record, records.Pull):
        _check_pull(line, changes)
    return changes


def _trial_of(store: sqlite3.Connection, record: Any) -> Chosen | None:
    """The trial that a line belongs to (None: a result, whose times are the laboratory's)."""
    if isinstance(record, records.Result | records.Report | records.Reference):
        return None
    ident = _about(store, record)
    bed = views.fetch(store, "bed", "id = ?", (ident,))
    trial = bed[0].record.trial if bed else ident
    found = views.fetch(store, "trial", "id = ?", (trial,))
    if not found:
        raise UserMistake("the line's trial is not in this store")
    return Chosen(trial, found[0].record, tuple(views.bed_refs(store, trial)))


def _about(store: sqlite3.Connection, record: Any) -> str:
    """The bed or the trial that a line is about; "" where its pull is not here."""
    if isinstance(record, records.Weighing):
        found = views.fetch(store, "part", "id = ?", (record.part,))
        return _about(store, found[0].record) if found else ""
    if isinstance(record, records.Handling | records.Sent):
        return _of_bag(store, record.sample)
    if isinstance(record, records.Part):
        found = views.fetch(store, "pull", "id = ?", (record.pull,))
        return str(found[0].record.bed) if found else ""
    names = ("bed", "about", "trial")
    return str(next((getattr(record, name) for name in names if hasattr(record, name)), ""))


def _of_bag(store: sqlite3.Connection, code: str) -> str:
    """The bed or the trial that a bag or a blind is about."""
    for space in ("part", "pull", "blind"):
        for found in views.fetch(store, space, "id = ?", (code,)):
            return _about(store, found.record)
    return ""


def _when(said: str, line: Line) -> Changes:
    if line.trial is None:
        raise UserMistake("this line has no time to correct")
    return {"when": line.session.when(said, line.trial.trial).text}


def _bed(said: str, line: Line) -> Changes:
    beds: list[BedRef] = resolve(said, line.trial.beds) if line.trial else []
    also = getattr(line.record, "also", ())
    if not also:
        if len(beds) != 1:
            raise UserMistake(f"{said!r} names {len(beds)} beds: a line is about one")
        _refuse_taken(line, beds[0])
        return {"bed": beds[0].id}
    if len(beds) < 2 or len({bed.treatment_code for bed in beds}) > 1:
        raise UserMistake(
            f"{said!r} is no composite: two beds or more of one treatment",
            "strike the pull and write it anew",
        )
    first, *others = sorted(beds, key=lambda bed: (bed.place, bed.label))
    return {"bed": first.id, "also": [bed.id for bed in others]}


# What a bed has once: the table, and what it is called.
_ONCE = {
    records.Filling: ("fill", "was filled"),
    records.Application: ("apply", "was applied"),
}


def _refuse_taken(line: Line, bed: BedRef) -> None:
    """A line that a bed has once cannot move onto a bed that has one already."""
    space, done = _ONCE.get(type(line.record), ("", ""))
    if not space or line.record.bed == bed.id:
        return
    for found in views.fetch(line.store, space, "bed = ?", (bed.id,)):
        raise UserMistake(
            f"{bed.label} {done} already, on {found.record.when.spoken}",
            f"strike {asking.reference(line.store, f'{space}/{found.id}')} first if it is wrong",
        )
    if isinstance(line.record, records.Application) and line.record.mock != bed.control:
        kind = "a control bed" if bed.control else "no control bed"
        raise UserMistake(
            f"{bed.label} is {kind}: this line does not fit it", "strike it and write it anew"
        )


def _check_pull(line: Line, changes: Changes) -> None:
    """What `pull` refuses, for the pull as it would be."""
    record = line.record
    trial = line.trial.id if line.trial else ""
    refs = {bed.id: bed for bed in line.trial.beds} if line.trial else {}
    idents = [changes.get("bed", record.bed), *changes.get("also", record.also)]
    beds = [refs[ident] for ident in idents if ident in refs]
    if "depth_cm" in changes:
        said = f"{changes['depth_cm']} cm"
        entered.depth(said, entered.bottoms(line.store, beds))
    if changes.keys() & {"planned", "when", "bed"}:
        day = read_stored(changes["when"]).day if "when" in changes else record.when.day
        planned = changes.get("planned", record.planned)
        refuse_across_application(line.store, trial, planned, beds, day)


def _filling_typed(record: records.Filling, given: dict[str, Any]) -> Changes:
    """The typed words of a filling, of which mass or moisture may be new."""
    if not given.keys() & {"mass", "moisture"}:
        return {}
    old = [text.strip() for text in record.typed.split(", ") if text.strip()]
    mass = None if record.mass_kg is None else f"{units.short(record.mass_kg)} kg"
    water = None if record.moisture is None else f"{units.short(record.moisture)} %"
    if mass and water and len(old) == 2:
        mass, water = old
    elif len(old) == 1:
        mass, water = (old[0] if mass else None), (old[0] if water and not mass else water)
    words = (given.get("mass", mass), given.get("moisture", water))
    return {"typed": ", ".join(text.strip() for text in words if text)}


def _planned(said: str, line: Line) -> Changes:
    trial = line.trial.id if line.trial else ""
    found = views.fetch(line.store, "planned-pull", "trial = ?", (trial,))
    return {"planned": planned_name(said, [one.record for one in found])}


def _cores(said: int, _line: Line) -> Changes:
    return {"cores": entered.cores(said, "strike the pull if there was none")}


def _part(said: str, line: Line) -> Changes:
    kind, analyses = parts.parse(said)
    others = [one for one in of_pull(line.store, line.record.pull) if one.code != line.record.code]
    for one in others:
        if one.kind == kind:
            raise UserMistake(f"sample {one.pull} has a {kind} part already: {one.code}")
        both = sorted(set(analyses) & set(one.analyses))
        if both:
            raise UserMistake(f"{both[0]} is meant for the {one.kind} part {one.code} already")
    return {"kind": kind, "analyses": list(analyses)}


def _weight(name: str) -> Callable[[Any, Line], Changes]:
    return lambda said, _line: {name: units.plain(grams(said, name))}


def _amount(said: str, line: Line) -> Changes:
    record = line.record
    typed = said.strip()
    # A new amount is known in a way of its own: as --known says, else nobody said.
    anew = {"typed": typed, "known": entered.NOT_SAID}
    if isinstance(record, records.Watering):
        area = views.fetch(line.store, "bed", "id = ?", (record.bed,))[0].record.area_m2
        return {"volume_ml": units.plain(entered.water(said, area)), **anew}
    if record.mock:
        raise UserMistake("a mock application has no amount")
    grams, litres = entered.amendment(said)
    return {"mass_g": _plain(grams), "volume_l": _plain(litres), **anew}


def _plain(value: Decimal | None) -> str | None:
    return None if value is None else units.plain(value)


def _known(said: str, line: Line) -> Changes:
    # Words that were typed are an amount, were it given now or when the line was written.
    given = line.amount_given or bool(line.record.typed)
    return {"known": entered.known_as(said, given=given)}


def _mass(said: str, _line: Line) -> Changes:
    kilos = units.positive(said, "mass").to("kg", "mass")
    return {"mass_kg": units.plain(kilos), "known": entered.NOT_SAID}


def _moisture(said: str, _line: Line) -> Changes:
    return {"moisture": units.plain(entered.soil_moisture(said))}


def _depth(said: str, _line: Line) -> Changes:
    return {"depth_cm": units.plain(units.positive(said, "length").to("cm", "length"))}


def _value(said: str, line: Line) -> Changes:
    """A result typed anew, in the unit and form in which it was reported; or a reading."""
    record = line.record
    if isinstance(record, records.Measurement):
        number, unit = entered.read_value(record.what, said)
        return {"value": units.plain(number), "unit": unit, "typed": said.strip()}
    if isinstance(record, records.Reference):
        return _assigned(said, record)
    return relabelled.value(said, record)


def _assigned(said: str, record: records.Reference) -> Changes:
    """A value of a reference material typed anew; its SD stays where none is given."""
    value, sd = assigned(said, *chemistry.find_analyte(record.analyte))
    return {"value": units.short(value), **({} if sd is None else {"sd": units.short(sd)})}


def _text(said: str, line: Line) -> Changes:
    words = own_words(said, "the text")
    if not words:
        raise UserMistake("the words are missing")
    return {"reason" if isinstance(line.record, records.Skip) else "text": words}


_READ: dict[str, Callable[[Any, Line], Changes]] = {
    "amount": _amount,
    "mass": _mass,
    "moisture": _moisture,
    "known": _known,
    "when": _when,
    "bed": _bed,
    "for": _planned,
    "cores": _cores,
    "depth": _depth,
    "value": _value,
    "text": _text,
    "method": lambda said, line: relabelled.method(said, line.record),
    "basis": lambda said, line: relabelled.basis(said, line.record),
    "lab": lambda said, line: relabelled.lab(said, line.store),
    "part": _part,
    "tare": _weight("tare_g"),
    "wet": _weight("wet_g"),
    "dry": _weight("dry_g"),
}
