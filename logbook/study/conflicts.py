"""What machines disagree about: lines with several live versions, and pulls that may be one.

A key is in conflict while live writes of it say different things (`journal.fold`). A version is one
of those writes; versions are numbered in the order of their machines' clocks, then by entry id:
the order says nothing of which is right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any

from logbook.journal import entry as journal
from logbook.journal.entry import Value
from logbook.journal.fold import TYPED_FIELDS, agree
from logbook.journal.kinds import KINDS, from_value, readable, understood
from logbook.store import asking, views
from logbook.study.changed import trial_of
from logbook.study.touched import curves_by
from logbook.trial import times
from logbook.trial.records import Part, Pull, Result

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True)
class Line:
    """Who wrote a line down: handle, machine, when by that machine's clock; `entry` is its id."""

    entry: str
    by: str
    machine: str
    written: datetime


@dataclass(frozen=True)
class Version:
    """One of the lines that disagree; `value` as it stands in the journal, None: struck.

    `beds` are the labels of those that it is about; `same_as` is the number of an earlier version
    that says the same, apart from how it was typed.
    """

    number: int
    line: Line
    reason: str
    value: Value | None
    record: Any
    beds: tuple[str, ...]
    same_as: int | None


@dataclass(frozen=True)
class Disagreement:
    """A key whose live versions differ, and the curves that leave it out meanwhile.

    `name` is what people call it, and means no other open one; `beds` are labels, `fields` the
    parts of the value that differ (none where it is a value against a strike).
    """

    key: str
    name: str
    trial: str
    zone: tzinfo
    beds: tuple[str, ...]
    fields: tuple[str, ...]
    versions: tuple[Version, ...]
    curves: tuple[str, ...]

    @property
    def entries(self) -> tuple[str, ...]:
        """The ids of the versions' entries, in the order of their numbers."""
        return tuple(version.line.entry for version in self.versions)


@dataclass(frozen=True)
class Twin:
    """One of two pulls that may be one: what hangs on it shows which bag is in use."""

    pull: Pull
    line: Line
    parts: tuple[Part, ...]
    results: int
    sent: int


@dataclass(frozen=True)
class Duplicate:
    """Two pulls of one bed on one day, neither called a repeat of the other."""

    trial: str
    zone: tzinfo
    bed: str
    first: Twin
    second: Twin


@dataclass(frozen=True)
class Open:
    """All that waits for a decision; `newer` counts lines that this program cannot read."""

    disagreements: tuple[Disagreement, ...]
    duplicates: tuple[Duplicate, ...]
    newer: int


def everything(store: sqlite3.Connection) -> Open:
    """Every open disagreement and possible duplicate of the book, whatever its trial."""
    return Open(tuple(disagreements(store)), tuple(duplicates(store)), newer_lines(store))


def disagreements(store: sqlite3.Connection) -> list[Disagreement]:
    """The keys in conflict, space by space, in order of their ids."""
    found = {
        f"{space}/{one.id}": one
        for space in asking.conflicts(store)
        for one in views.fetch(store, space, "conflict = 1")
    }
    if not found:
        return []
    book = _Book(store)
    curves = curves_by(store, {key: _left_out(store, key, one) for key, one in found.items()})
    names = _names(store, found)
    seen: dict[str, str] = {}
    return [
        _disagreement(book, key, names[key], trial_of(store, key, seen), tuple(curves[key]))
        for key in found
    ]


def versions(store: sqlite3.Connection, key: str) -> list[Version]:
    """The live versions of a key that this program can read, numbered from 1."""
    return _versions(_Book(store), key)


class _Book:
    """What lines are told with: machines, labels of beds, zones and names of trials."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self.store = store
        self.machines = dict(store.execute("SELECT id, machine FROM writer").fetchall())
        self.beds = dict(store.execute("SELECT id, label FROM bed").fetchall())
        trials = [(one.id, one.record) for one in views.fetch(store, "trial")]
        self.trials = {ident: record.name for ident, record in trials}
        self.zones = {ident: times.zone(record.zone) for ident, record in trials}

    def line(self, name: str, entry: journal.Entry) -> Line:
        """Who wrote an entry; a machine that never introduced itself goes by its writer's id."""
        machine = self.machines.get(entry.writer, entry.writer[:8])
        return Line(name, entry.by, machine, datetime.fromisoformat(entry.written))

    def zone(self, trial: str) -> tzinfo:
        """The zone of a trial; of any, for what belongs to none."""
        return self.zones.get(trial) or next(iter(self.zones.values()), UTC)


def _disagreement(
    book: _Book, key: str, name: str, trial: str, curves: tuple[str, ...]
) -> Disagreement:
    found = _versions(book, key)
    return Disagreement(
        key=key,
        name=name,
        trial=book.trials.get(trial, ""),
        zone=book.zone(trial),
        beds=tuple(dict.fromkeys(bed for one in found for bed in one.beds)),
        fields=_fields([one.value for one in found if one.value is not None]),
        versions=tuple(found),
        curves=curves,
    )


def _versions(book: _Book, key: str) -> list[Version]:
    space = journal.space(key)
    living = [
        (book.line(name, entry), entry.reason or "", entry.writes[place].value)
        for name, entry, place, live in views.writes_of_key(book.store, key)
        if live and understood(entry)
    ]
    shown = [one for one in living if one[2] is None or readable(space, one[2])]
    found: list[Version] = []
    for line, reason, value in sorted(shown, key=lambda one: (one[0].written, one[0].entry)):
        same = next((one.number for one in found if agree(one.value, value)), None)
        record = None if value is None else from_value(space, value)
        beds = tuple(_beds(book, value))
        found.append(Version(len(found) + 1, line, reason, value, record, beds, same))
    return found


def _fields(values: list[Value]) -> tuple[str, ...]:
    names = dict.fromkeys(name for value in values for name in value)
    return tuple(
        name
        for name in names
        if name not in TYPED_FIELDS
        and any(value.get(name) != values[0].get(name) for value in values)
    )


def _beds(book: _Book, value: Value | None) -> Iterator[str]:
    """The labels of the beds that a value is about, be it through its sample."""
    if value is None:
        return
    about = [value.get("bed"), value.get("about"), *(value.get("also") or ())]
    code = value.get("sample") or value.get("part") or value.get("pull")
    if code:
        row = book.store.execute(
            "SELECT bed, also FROM pull WHERE id = coalesce("
            "(SELECT pull FROM part WHERE id = ?), ?)",
            (code, code),
        ).fetchone()
        about += [] if row is None else [row[0], *_listed(row[1])]
    yield from (book.beds[one] for one in about if one in book.beds)


def _listed(cell: Any) -> list[str]:
    import json

    return list(json.loads(cell or "[]"))


def _names(store: sqlite3.Connection, found: Mapping[str, views.Found]) -> dict[str, str]:
    """What to call each: as a history does, where that is one of them; else in more words."""
    names = {key: asking.reference(store, key) for key in found}
    for further in (_with_method, lambda key, _name, _record: key):
        counts = Counter(name.casefold() for name in names.values())
        names = {
            key: further(key, name, found[key].record) if counts[name.casefold()] > 1 else name
            for key, name in names.items()
        }
    return names


def _with_method(_key: str, name: str, record: Any) -> str:
    return f"{name}:{record.method}" if isinstance(record, Result) else name


def _left_out(store: sqlite3.Connection, key: str, shown: views.Found) -> list[Result]:
    """The results that no curve uses while a key is in conflict; the rule is `disputes`'."""
    if journal.space(key) == "result":
        return [shown.record]
    codes = [shown.id] if journal.space(key) == "pull" else _pulls_of(store, _touched(store, shown))
    of_pull = "sample = ? OR sample IN (SELECT id FROM part WHERE pull = ?)"
    return [
        one.record for code in codes for one in views.fetch(store, "result", of_pull, (code, code))
    ]


# The record of a line -> which beds its amounts or places are of.
_OF_BEDS = {
    "Bed": "id = :id",
    "Treatment": "treatment = :id",
    "Lot": "treatment IN (SELECT id FROM treatment WHERE lot = :id)",
    "LotDensity": "treatment IN (SELECT id FROM treatment WHERE lot = :lot)",
    "LotMoisture": "treatment IN (SELECT id FROM treatment WHERE lot = :lot)",
    "Filling": "id = :bed",
    "Application": "id = :bed",
}


def _touched(store: sqlite3.Connection, shown: views.Found) -> list[str]:
    """The ids of the beds whose amounts or whose place follow from a line."""
    where = _OF_BEDS.get(type(shown.record).__name__)
    if where is None:
        return []
    given = {name: getattr(shown.record, name, "") for name in ("lot", "bed")}
    rows = store.execute(f"SELECT id FROM bed WHERE {where}", {"id": shown.id, **given})
    return [bed for (bed,) in rows]


def _pulls_of(store: sqlite3.Connection, beds: Iterable[str]) -> list[str]:
    """The codes of the pulls of these beds, composites included."""
    of_bed = "SELECT id FROM pull WHERE bed = ? OR instr(also, json_quote(?))"
    codes: dict[str, None] = {}
    for bed in beds:
        codes.update((code, None) for (code,) in store.execute(of_bed, (bed, bed)))
    return list(codes)


def duplicates(store: sqlite3.Connection) -> list[Duplicate]:
    """Every pair of pulls that look like one, trial by trial."""
    rows = store.execute(
        "SELECT trial, first, second FROM possible_duplicate ORDER BY trial, first, second"
    ).fetchall()
    book = _Book(store) if rows else None
    return [_duplicate(book, *row) for row in rows] if book is not None else []


def _duplicate(book: _Book, trial: str, first: str, second: str) -> Duplicate:
    one = _twin(book, first)
    return Duplicate(
        book.trials.get(trial, ""),
        book.zone(trial),
        book.beds.get(one.pull.bed, one.pull.bed),
        one,
        _twin(book, second),
    )


def _twin(book: _Book, code: str) -> Twin:
    (shown,) = views.fetch(book.store, "pull", "id = ?", (code,))
    found = [one.record for one in views.fetch(book.store, "part", "pull = ?", (code,))]
    bags = list(dict.fromkeys([code, *(part.code for part in found)]))
    entries = {name: entry for name, entry, _, _ in views.writes_of_key(book.store, f"pull/{code}")}
    # Under whatever key, a pull is called by the key's own code here.
    return Twin(
        replace(shown.record, code=code),
        book.line(shown.entry, entries[shown.entry]),
        tuple(found),
        _count(book.store, "result", bags),
        _count(book.store, "sent", bags),
    )


def _count(store: sqlite3.Connection, table: str, bags: list[str]) -> int:
    marks = ", ".join("?" * len(bags))
    query = f"SELECT count(*) FROM {table} WHERE sample IN ({marks})"
    (count,) = store.execute(query, bags).fetchone()
    return int(count)


def newer_lines(store: sqlite3.Connection) -> int:
    """How many lines a newer version of the program wrote: kept and passed on, not shown."""
    rows = store.execute(
        "SELECT json_extract(said, '$.kind'), json_extract(said, '$.kv'), "
        "sum(json_array_length(said, '$.writes')) "
        "FROM (SELECT CAST(body AS TEXT) AS said FROM entry) GROUP BY 1, 2"
    )
    return sum(lines for kind, version, lines in rows if version > KINDS.get(kind, 0))
