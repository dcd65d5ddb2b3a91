"""What machines disagree about: lines with several live versions, and pulls that may be one.

A key is in conflict while live writes of it say different things (`journal.fold`). A version is one
of those writes; versions are numbered in the order of their machines' clocks, then by entry id:
the order says nothing of which is right.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Value
from logbook.journal.fold import TYPED_FIELDS, agree
from logbook.journal.kinds import KINDS, from_value, readable, to_value, understood
from logbook.store import asking, views
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
    return [_disagreement(book, key, names[key], one, curves[key]) for key, one in found.items()]


def versions(store: sqlite3.Connection, key: str) -> list[Version]:
    """The live versions of a key that this program can read, numbered from 1."""
    return _versions(_Book(store), key)


class _Book:
    """What lines are told with: machines, beds, zones, which bag is whose; entries read once."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self.store = store
        self.machines = dict(store.execute("SELECT id, machine FROM writer").fetchall())
        self.trials = {one.id: one.record for one in views.fetch(store, "trial")}
        self.beds = {
            bed: (label, trial)
            for bed, label, trial in store.execute("SELECT id, label, trial FROM bed")
        }
        self.lots = dict(store.execute("SELECT id, trial FROM lot").fetchall())
        self.parts = dict(store.execute("SELECT id, pull FROM part").fetchall())
        self._entry = lru_cache(maxsize=64)(self._read)

    def line(self, name: str) -> Line:
        """Who wrote an entry; a machine that never introduced itself goes by its writer's id."""
        entry = self.entry(name)
        machine = self.machines.get(entry.writer, entry.writer[:8])
        return Line(name, entry.by, machine, datetime.fromisoformat(entry.written))

    def entry(self, name: str) -> Entry:
        """The entry of that id; the lines of a report share one."""
        return self._entry(name)

    def _read(self, name: str) -> Entry:
        row = self.store.execute("SELECT body FROM entry WHERE id = ?", (name,)).fetchone()
        return journal.decode(row[0])

    def zone(self, trial: str) -> tzinfo:
        """The zone of a trial; of any, for what belongs to none."""
        named = self.trials.get(trial) or next(iter(self.trials.values()), None)
        return UTC if named is None else times.zone(named.zone)

    def name(self, trial: str) -> str:
        """The name of a trial, "" for none."""
        return self.trials[trial].name if trial in self.trials else ""

    def beds_of(self, value: Value) -> list[str]:
        """The ids of the beds that a value is about, be it through its sample."""
        about = [value.get("bed"), value.get("about"), *(value.get("also") or ())]
        code = value.get("sample") or value.get("part") or value.get("pull")
        if code:
            of_code = "SELECT bed, also FROM pull WHERE id = ?"
            row = self.store.execute(of_code, (self.parts.get(code, code),)).fetchone()
            about += [] if row is None else [row[0], *json.loads(row[1] or "[]")]
        return [str(one) for one in about if one in self.beds]

    def trial_of(self, key: str, value: Value) -> str:
        """The id of the trial that a value belongs to, "" for none."""
        if journal.space(key) == "trial":
            return journal.ident(key)
        beds = self.beds_of(value)
        named = value.get("trial") or self.lots.get(value.get("lot")) or value.get("about")
        return self.beds[beds[0]][1] if beds else str(named or "")


def _disagreement(
    book: _Book, key: str, name: str, shown: views.Found, curves: Iterable[str]
) -> Disagreement:
    found = _versions(book, key)
    trial = book.trial_of(key, to_value(shown.record))
    return Disagreement(
        key=key,
        name=name,
        trial=book.name(trial),
        zone=book.zone(trial),
        beds=tuple(dict.fromkeys(bed for one in found for bed in one.beds)),
        fields=_fields([one.value for one in found if one.value is not None]),
        versions=tuple(found),
        curves=tuple(curves),
    )


def _versions(book: _Book, key: str) -> list[Version]:
    space = journal.space(key)
    rows = book.store.execute("SELECT entry, pos FROM write WHERE key = ? AND live", (key,))
    shown = []
    for name, place in rows.fetchall():
        value = book.entry(name).writes[place].value
        if understood(book.entry(name)) and (value is None or readable(space, value)):
            shown.append((book.line(name), value))
    found: list[Version] = []
    for line, value in sorted(shown, key=lambda one: (one[0].written, one[0].entry)):
        same = next((one.number for one in found if agree(one.value, value)), None)
        record = None if value is None else from_value(space, value)
        beds = tuple(book.beds[bed][0] for bed in book.beds_of(value or {}))
        reason = book.entry(line.entry).reason or ""
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


_TWINS = "IN (SELECT first FROM possible_duplicate UNION SELECT second FROM possible_duplicate)"


def duplicates(store: sqlite3.Connection) -> list[Duplicate]:
    """Every pair of pulls that look like one, trial by trial."""
    rows = store.execute(
        "SELECT trial, first, second FROM possible_duplicate ORDER BY trial, first, second"
    ).fetchall()
    if not rows:
        return []
    book = _Book(store)
    twins = _twins(book)
    return [
        Duplicate(
            book.name(trial),
            book.zone(trial),
            "+".join(book.beds[bed][0] for bed in book.beds_of(to_value(twins[first].pull))),
            twins[first],
            twins[second],
        )
        for trial, first, second in rows
    ]


def _twins(book: _Book) -> dict[str, Twin]:
    """The pulls of all pairs, by their codes."""
    parts: dict[str, list[Part]] = {}
    for one in views.fetch(book.store, "part", f"pull {_TWINS}"):
        parts.setdefault(one.record.pull, []).append(one.record)
    results, sent = _counts(book.store, "result"), _counts(book.store, "sent")
    # Whatever its value says, a pull is called by its key's own code here.
    return {
        one.id: Twin(
            replace(one.record, code=one.id),
            book.line(one.entry),
            tuple(parts.get(one.id, ())),
            results.get(one.id, 0),
            sent.get(one.id, 0),
        )
        for one in views.fetch(book.store, "pull", f"id {_TWINS}")
    }


def _counts(store: sqlite3.Connection, table: str) -> dict[str, int]:
    """How many lines of a table name the bags of each pull of a pair."""
    rows = store.execute(
        f"SELECT coalesce(part.pull, r.sample) AS pull, count(*) FROM {table} r "
        f"LEFT JOIN part ON part.id = r.sample WHERE coalesce(part.pull, r.sample) {_TWINS} "
        "GROUP BY 1"
    )
    return dict(rows.fetchall())


def newer_lines(store: sqlite3.Connection) -> int:
    """How many lines a newer version of the program wrote: kept and passed on, not shown."""
    rows = store.execute(
        "SELECT json_extract(said, '$.kind'), json_extract(said, '$.kv'), "
        "sum(json_array_length(said, '$.writes')) "
        "FROM (SELECT CAST(body AS TEXT) AS said FROM entry) GROUP BY 1, 2"
    )
    return sum(lines for kind, version, lines in rows if version > KINDS.get(kind, 0))
