"""What the journal's keys hold: each key space's record, to and from journal values.

Values hold text, whole numbers, booleans, null and lists of them; a decimal is plain text, a time
its stored form. The `kv` of an entry is the version of its kind; older ones are brought up to date
when read (`upcast`), never rewritten.
"""

from __future__ import annotations

from dataclasses import fields
from decimal import Decimal
from functools import cache
from typing import Any, get_type_hints

from logbook.journal.entry import Entry, Value
from logbook.trial import records
from logbook.trial.times import When, read_stored
from logbook.trial.units import plain

# key space -> record: the one list of what is kept. A new record is one line here and a table.
SPACES: dict[str, type[Any]] = {
    "writer": records.Writer,
    "trial": records.Trial,
    "soil": records.Soil,
    "soil-value": records.SoilValue,
    "amendment": records.Amendment,
    "lot": records.Lot,
    "lot-density": records.LotDensity,
    "lot-moisture": records.LotMoisture,
    "lot-content": records.LotContent,
    "treatment": records.Treatment,
    "bed": records.Bed,
    "planned-pull": records.PlannedPull,
    "followed": records.Followed,
    "watering-plan": records.WateringPlan,
    "fill": records.Filling,
    "apply": records.Application,
    "water": records.Watering,
    "pull": records.Pull,
    "note": records.Note,
    "event": records.Event,
    "report": records.Report,
    "result": records.Result,
}
# kind -> the newest version of it that this program writes and reads
KINDS = {
    "writer": 1,
    "trial": 1,
    "set": 1,
    "fill": 1,
    "apply": 1,
    "water": 1,
    "pull": 1,
    "note": 1,
    "event": 1,
    "lab": 1,
    "correct": 1,
    "strike": 1,
    "undo": 1,
    "settle": 1,
}


def understood(entry: Entry) -> bool:
    """False for an entry of a newer program: it is kept and forwarded, but not shown."""
    return entry.kv <= KINDS.get(entry.kind, 0)


def to_value(record: Any) -> Value:
    """The journal value of a record."""
    return {name: _plain(getattr(record, name)) for name in field_names(type(record))}


def from_value(space: str, value: Value) -> Any:
    """The record of a journal value; fields that an older program did not write are None."""
    kind = SPACES[space]
    return kind(**{name: read(value.get(name)) for name, read in _readers(kind).items()})


@cache
def field_names(kind: type[Any]) -> tuple[str, ...]:
    """The fields of a record, in order."""
    return tuple(field.name for field in fields(kind))


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return plain(value)
    return value.text if isinstance(value, When) else value


@cache
def _readers(kind: type[Any]) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {name: _reader(hints[name]) for name in field_names(kind)}


def _reader(hint: Any) -> Any:
    options = getattr(hint, "__args__", (hint,))
    if Decimal in options:
        return lambda text: None if text is None else Decimal(text)
    if When in options:
        return lambda text: None if text is None else read_stored(text)
    if bool in options:
        return lambda value: None if value is None else bool(value)
    return lambda value: value
