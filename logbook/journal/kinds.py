"""What the journal's keys hold: each key space's record, to and from journal values.

Values hold text, whole numbers, booleans, null and lists of them; a decimal is plain text, a time
its stored form. The `kv` of an entry is the version of its kind; older ones are brought up to date
when read (a field that they lack takes its default), never rewritten. A value that is not what its
record says (`readable`) is kept and forwarded like one of a newer program, and not shown: whatever
another machine wrote, the fold does not fail and no reader meets it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache
from operator import attrgetter
from typing import Any, get_origin, get_type_hints

from logbook.journal.entry import Entry, Value
from logbook.trial import records
from logbook.trial.times import YEARS, When, read_stored
from logbook.trial.units import short


class _Spaces(Mapping[str, type]):
    """Key spaces with their records; those that are named only are loaded when asked for."""

    def __init__(self, named: dict[str, type | str]) -> None:
        self._named = named

    def __getitem__(self, space: str) -> type:
        found = self._named[space]
        if isinstance(found, str):
            found = self._named[space] = getattr(records, found)
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(self._named)

    def __len__(self) -> int:
        return len(self._named)


# A name is of a module beside `records`, which the board of the day does not need.
_RECORDS: dict[str, type | str] = {
    "writer": records.Writer,
    "member": "Member",
    "trial": records.Trial,
    "soil": records.Soil,
    "soil-value": "SoilValue",
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
    "report": "Report",
    "result": "Result",
    "planned-part": records.PlannedPart,
    "part": records.Part,
    "bag": records.Bag,
    "weigh": "Weighing",
    "measure": "Measurement",
    "skip": records.Skip,
    "shipment": "Shipment",
    "sent": "Sent",
    "handling": "Handling",
    "blind": "Blind",
    "reference": "Reference",
    "query": "Query",
    "answer": "Answer",
}
# key space -> record: the one list of what is kept. A new record is one line above and a table.
SPACES: Mapping[str, type] = _Spaces(_RECORDS)
# kind -> the newest version of it that this program writes and reads
KINDS = {
    "writer": 1,
    "enrol": 1,
    "retire": 1,
    "trial": 1,
    "set": 2,  # 2: beds that join late, pulls in force from or until a date
    "fill": 1,
    "apply": 1,
    "water": 1,
    "pull": 2,  # 2: composites, parts
    "weigh": 1,
    "measure": 1,
    "skip": 1,
    "note": 1,
    "event": 1,
    "lab": 1,
    "send": 1,
    "handle": 1,
    "query": 1,
    "correct": 1,
    "strike": 1,
    "undo": 1,
    "settle": 1,
}


# Fields left out where they say nothing: then the value is, and agrees with, what programs wrote
# that did not know them.
_SINCE = ("flags", "usual_days", "cv", "sd", "margin", "signed", "laboratory_number")


def understood(entry: Entry) -> bool:
    """False for an entry of a newer program: it is kept and forwarded, but not shown."""
    return entry.kv <= KINDS.get(entry.kind, 0)


def to_value(record: Any) -> Value:
    """The journal value of a record."""
    kind: Any = type(record)
    get, names, since, converted = _writer(kind)
    value: Value = dict(zip(names, get(record), strict=True))
    for name in since:
        if not value[name]:
            del value[name]
    for name, convert in converted:
        if value.get(name) is not None:
            value[name] = convert(value[name])
    return value


def from_value(space: str, value: Value) -> Any:
    """The record of a readable value; a field that an older program did not write is its default.

    Raises ValueError for a value that is not `readable`.
    """
    kind = _record(space)
    if kind is None:
        raise ValueError(f"no {space}")
    return from_cells(space, map(value.get, field_names(kind)))


def from_cells(space: str, cells: Iterable[Any]) -> Any:
    """The record of a readable value's cells, in the order of its fields; see `from_value`."""
    kind: Any = _record(space)
    try:
        return kind(
            *[
                default if cell is None else cell if convert is None else convert(cell)
                for (convert, default), cell in zip(_readers(kind), cells, strict=True)
            ]
        )
    except (ArithmeticError, TypeError) as problem:
        raise ValueError(f"no {space}: {problem}") from problem


def readable(space: str, value: Value) -> bool:
    """True if a value is what the record of this key space says, field by field."""
    kind: Any = _record(space)
    if kind is None:
        return False
    known, every, exact = _checks(kind)
    # Nearly all values of a kind have fields of the same types: those were looked at before.
    shape = tuple(map(type, map(value.get, field_names(kind))))
    if shape not in known:
        if not all(check(value.get(name)) for name, check in every):
            return False
        known.add(shape)
    # A loop, as there are many values: `all` would make a generator for each.
    for name, check in exact:
        if not check(value.get(name)):
            return False
    return _sense()(space, value)


@lru_cache(maxsize=256)
def _record(space: str) -> type | None:
    return SPACES.get(space)


@cache
def _sense() -> Callable[[str, Value], bool]:
    # Reading the tables needs none of it: loaded by what folds.
    from logbook.journal.sense import makes_sense

    return makes_sense


@dataclass(frozen=True)
class Field:
    """What a record says of one of its fields: its type, if it may be missing, its default."""

    name: str
    type: type[Any]
    optional: bool
    default: Any


@cache
def record_fields(kind: Any) -> tuple[Field, ...]:
    """The fields of a record, in order."""
    hints = get_type_hints(kind)
    found = []
    for one in fields(kind):
        hint = hints[one.name]
        listed = get_origin(hint) is tuple
        options = (tuple,) if listed else getattr(hint, "__args__", (hint,))
        default = None if one.default is MISSING else one.default
        optional = type(None) in options or one.default is not MISSING
        found.append(Field(one.name, options[0], optional, default))
    return tuple(found)


@cache
def field_names(kind: Any) -> tuple[str, ...]:
    """The names of a record's fields, in order."""
    return tuple(one.name for one in record_fields(kind))


@cache
def _writer(
    kind: Any,
) -> tuple[
    Callable[[Any], Any], tuple[str, ...], list[str], list[tuple[str, Callable[[Any], Any]]]
]:
    """Of the fields: how they are fetched, names, those of `_SINCE`, and how some become JSON."""
    # In order, as they are encoded.
    names = tuple(sorted(field_names(kind)))
    converted = [
        (one.name, _AS_JSON[one.type]) for one in record_fields(kind) if one.type in _AS_JSON
    ]
    # Every record has two fields or more, so attrgetter gives a tuple.
    return attrgetter(*names), names, [name for name in names if name in _SINCE], converted


_AS_JSON: dict[Any, Callable[[Any], Any]] = {
    # One writing for one value: 18 and 18.0 typed on two machines must not disagree.
    Decimal: short,
    When: lambda when: when.text,
    date: date.isoformat,
    tuple: list,
}


@cache
def _readers(kind: Any) -> list[tuple[Callable[[Any], Any] | None, Any]]:
    """How each field of a record, in order, is made of its value (None: as it is); its default."""
    return [(_FROM_JSON.get(one.type), one.default) for one in record_fields(kind)]


def _texts(value: Any) -> tuple[str, ...]:
    """A list of texts, from a journal value or from a table's cell, which holds it as JSON."""
    return _listed(value) if value.__class__ is str else tuple(value)


# Most lists of a kind are the same few.
@lru_cache(maxsize=1024)
def _listed(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


_FROM_JSON: dict[Any, Callable[[Any], Any]] = {
    Decimal: Decimal,
    When: read_stored,
    bool: bool,
    date: date.fromisoformat,
    tuple: _texts,
}
Check = Callable[[Any], bool]
Checks = tuple[tuple[str, Check], ...]


@cache
def _checks(kind: Any) -> tuple[set[tuple[type[Any], ...]], Checks, Checks]:
    """The field types met so far that are right; all checks; those that types cannot stand for."""
    every = tuple((one.name, _check(one)) for one in record_fields(kind))
    exact = {one.name for one in record_fields(kind) if one.type in _TESTS}
    return set(), every, tuple((name, check) for name, check in every if name in exact)


def _check(of: Field) -> Check:
    test = _TESTS.get(of.type)
    if test is None:
        allowed = {of.type, type(None)} if of.optional else {of.type}
        return lambda value: value.__class__ in allowed
    if of.optional:
        return lambda value: value is None or test(value)
    return test


# Few enough digits for every REAL, and no NaN, infinity or foreign digits.
_DECIMAL = re.compile(r"-?[0-9]{1,40}(\.[0-9]{1,100})?\Z")
_TIME = re.compile(
    r"\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d(\.\d{1,6})?)?[+-]\d\d:\d\d(:\d\d)?)?\Z", re.ASCII
)


def _is_decimal(value: Any) -> bool:
    return value.__class__ is str and _DECIMAL.match(value) is not None


def _is_time(value: Any) -> bool:
    if value.__class__ is not str or _TIME.match(value) is None:
        return False
    try:
        return read_stored(value).day.year in YEARS
    except ValueError:
        return False


def _is_date(value: Any) -> bool:
    return value.__class__ is str and len(value) == len("2026-03-14") and _is_time(value)


def _is_texts(value: Any) -> bool:
    return value.__class__ is list and all(part.__class__ is str for part in value)


_TESTS: dict[Any, Check] = {
    Decimal: _is_decimal,
    When: _is_time,
    date: _is_date,
    tuple: _is_texts,
}
