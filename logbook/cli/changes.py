"""What `correct` may change on each kind of line: from what was said to journal values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logbook.cli.measures import read_value
from logbook.cli.naming import planned_name
from logbook.cli.session import Chosen, Session
from logbook.cli.weighing import check_weights, grams
from logbook.errors import UserMistake
from logbook.store import views
from logbook.study.parts import of_pull
from logbook.trial import chemistry, parts, records, units
from logbook.trial.ranges import BedRef, resolve

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
    records.Result: ("value",),
    records.Part: ("part", "when"),
    records.Weighing: ("tare", "wet", "dry", "when"),
    records.Measurement: ("value", "when", "depth"),
    records.Skip: ("text", "when"),
}
_WHAT: dict[type[Any], str] = {records.Weighing: "tin's weighing", records.Bag: "reserved code"}


@dataclass(frozen=True)
class Line:
    """A line under correction: its record, and the trial it belongs to (None: a result)."""

    store: sqlite3.Connection
    session: Session
    record: Any
    trial: Chosen | None


def changed(
    store: sqlite3.Connection, session: Session, record: Any, given: dict[str, Any]
) -> Changes:
    """The journal values that the corrections `given` (option name -> text) mean for a line."""
    allowed = ALLOWED.get(type(record), ())
    refused = [name for name in given if name not in allowed]
    if refused:
        what = _WHAT.get(type(record), type(record).__name__.lower())
        raise UserMistake(
            f"a {what} has no {refused[0]} to correct",
            f"it has: {', '.join(allowed)}" if allowed else "strike it and write it anew",
        )
    line = Line(store, session, record, _trial_of(store, record))
    changes: Changes = {}
    for name, said in given.items():
        changes |= _READ[name](said, line)
    if isinstance(record, records.Weighing):
        new: dict[str, Any] = {n: Decimal(said) for n, said in changes.items() if n != "when"}
        check_weights(replace(record, **new))
    return changes


def _trial_of(store: sqlite3.Connection, record: Any) -> Chosen | None:
    """The trial that a line belongs to (None: a result, whose times are the laboratory's)."""
    if isinstance(record, records.Result | records.Report):
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
    if isinstance(record, records.Part):
        found = views.fetch(store, "pull", "id = ?", (record.pull,))
        return str(found[0].record.bed) if found else ""
    names = ("bed", "about", "trial")
    return str(next((getattr(record, name) for name in names if hasattr(record, name)), ""))


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
        return {"bed": beds[0].id}
    if len(beds) < 2 or len({bed.treatment_code for bed in beds}) > 1:
        raise UserMistake(
            f"{said!r} is no composite: two beds or more of one treatment",
            "strike the pull and write it anew",
        )
    first, *others = sorted(beds, key=lambda bed: (bed.place, bed.label))
    return {"bed": first.id, "also": [bed.id for bed in others]}


def _planned(said: str, line: Line) -> Changes:
    trial = line.trial.id if line.trial else ""
    found = views.fetch(line.store, "planned-pull", "trial = ?", (trial,))
    return {"planned": planned_name(said, [one.record for one in found])}


def _cores(said: int, _line: Line) -> Changes:
    if said < 1:
        raise UserMistake("a sample has at least one core", "strike the pull if there was none")
    return {"cores": said}


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
    if isinstance(record, records.Watering):
        volume = units.positive(said, "volume").to("mL", "volume")
        return {"volume_ml": units.plain(volume), "typed": typed}
    if record.mock:
        raise UserMistake("a mock application has no amount")
    try:
        grams = units.plain(units.positive(said, "mass").to("g", "mass"))
        return {"mass_g": grams, "volume_l": None, "typed": typed}
    except UserMistake:
        litres = units.plain(units.positive(said, "volume").to("L", "volume"))
        return {"mass_g": None, "volume_l": litres, "typed": typed}


def _known(said: str, _line: Line) -> Changes:
    word = " ".join(said.lower().split())
    if word not in records.KNOWN:
        raise UserMistake(
            f"{said!r} is not a way to know an amount", f"use one of: {', '.join(records.KNOWN)}"
        )
    return {"known": word}


def _mass(said: str, _line: Line) -> Changes:
    return {"mass_kg": units.plain(units.positive(said, "mass").to("kg", "mass")), "typed": said}


def _moisture(said: str, _line: Line) -> Changes:
    return {"moisture": units.plain(units.parse(said, "fraction").value)}


def _depth(said: str, _line: Line) -> Changes:
    return {"depth_cm": units.plain(units.positive(said, "length").to("cm", "length"))}


def _value(said: str, line: Line) -> Changes:
    """A result typed anew, in the unit and form in which it was reported; or a reading."""
    record = line.record
    if isinstance(record, records.Measurement):
        number, unit = read_value(record.what, said)
        return {"value": units.plain(number), "unit": unit, "typed": said.strip()}
    cell = chemistry.parse_cell(said)
    analyte, share = chemistry.find_analyte(record.form or record.analyte)

    def canonical(number: Any) -> str | None:
        if number is None:
            return None
        unit = record.reported_unit or analyte.unit
        return units.plain(chemistry.to_canonical(number, unit, analyte, share))

    return {
        "value": canonical(cell.value),
        "limit": canonical(cell.limit),
        "qualifier": cell.qualifier,
        "reported": said.strip(),
    }


def _text(said: str, line: Line) -> Changes:
    if not said.strip():
        raise UserMistake("the words are missing")
    return {"reason" if isinstance(line.record, records.Skip) else "text": said.strip()}


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
    "part": _part,
    "tare": _weight("tare_g"),
    "wet": _weight("wet_g"),
    "dry": _weight("dry_g"),
}
