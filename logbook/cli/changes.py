"""What `correct` may change on each kind of line: from what was said to journal values."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from logbook.cli.session import Chosen, Session
from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial import chemistry, records, units
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
}


def changed(
    store: sqlite3.Connection, session: Session, record: Any, given: dict[str, Any]
) -> Changes:
    """The journal values that the corrections `given` (option name -> text) mean for a line."""
    allowed = ALLOWED.get(type(record), ())
    refused = [name for name in given if name not in allowed]
    if refused:
        what = type(record).__name__.lower()
        raise UserMistake(
            f"a {what} has no {refused[0]} to correct",
            f"it has: {', '.join(allowed)}" if allowed else "strike it and write it anew",
        )
    trial = _trial_of(store, record)
    changes: Changes = {}
    for name, said in given.items():
        changes |= _READ[name](said, record, session, trial)
    return changes


def _trial_of(store: sqlite3.Connection, record: Any) -> Chosen | None:
    """The trial that a line belongs to (None: a result, whose times are the laboratory's)."""
    ident = getattr(record, "bed", None) or getattr(record, "about", None)
    if ident is None:
        return None
    bed = views.fetch(store, "bed", "id = ?", (ident,))
    trial = bed[0].record.trial if bed else ident
    found = views.fetch(store, "trial", "id = ?", (trial,))
    if not found:
        raise UserMistake("the line's trial is not in this store")
    return Chosen(trial, found[0].record, tuple(views.bed_refs(store, trial)))


def _when(said: str, _record: Any, session: Session, trial: Chosen | None) -> Changes:
    if trial is None:
        raise UserMistake("this line has no time to correct")
    return {"when": session.when(said, trial.trial).text}


def _bed(said: str, _record: Any, _session: Session, trial: Chosen | None) -> Changes:
    beds: list[BedRef] = resolve(said, trial.beds) if trial else []
    if len(beds) != 1:
        raise UserMistake(f"{said!r} names {len(beds)} beds: a line is about one")
    return {"bed": beds[0].id}


def _amount(said: str, record: Any, _session: Session, _trial: Chosen | None) -> Changes:
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


def _known(said: str, _record: Any, _session: Session, _trial: Chosen | None) -> Changes:
    word = " ".join(said.lower().split())
    if word not in records.KNOWN:
        raise UserMistake(
            f"{said!r} is not a way to know an amount", f"use one of: {', '.join(records.KNOWN)}"
        )
    return {"known": word}


def _mass(said: str, _record: Any, _session: Session, _trial: Chosen | None) -> Changes:
    return {"mass_kg": units.plain(units.positive(said, "mass").to("kg", "mass")), "typed": said}


def _moisture(said: str, _record: Any, _session: Session, _trial: Chosen | None) -> Changes:
    return {"moisture": units.plain(units.parse(said, "fraction").value)}


def _depth(said: str, _record: Any, _session: Session, _trial: Chosen | None) -> Changes:
    return {"depth_cm": units.plain(units.positive(said, "length").to("cm", "length"))}


def _value(said: str, record: Any, _session: Session, _trial: Chosen | None) -> Changes:
    """A result typed anew, in the unit and form in which it was reported."""
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


_READ: dict[str, Callable[[Any, Any, Session, Chosen | None], Changes]] = {
    "amount": _amount,
    "mass": _mass,
    "moisture": _moisture,
    "known": _known,
    "when": _when,
    "bed": _bed,
    "for": lambda said, *_: {"planned": said},
    "cores": lambda said, *_: {"cores": said},
    "depth": _depth,
    "value": _value,
    "text": lambda said, *_: {"text": said.strip()},
}
