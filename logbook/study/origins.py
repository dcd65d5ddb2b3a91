"""What the book knows of the samples and laboratories that a report names."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, tzinfo
from decimal import Decimal
from json import dumps
from typing import TYPE_CHECKING, NamedTuple

from logbook.journal.entry import Entry, decode
from logbook.store import views
from logbook.trial.records import Result
from logbook.trial.times import read_stored, spoken_day

if TYPE_CHECKING:
    import sqlite3


class Origin(NamedTuple):
    """Where a sample comes from: its trial's id and the day of its pull, as stored."""

    trial: str
    pulled: str


def origins(store: sqlite3.Connection, codes: Iterable[str]) -> dict[str, Origin]:
    """The origins of those of these codes that a pull which stands, or a part of one, has.

    A blind belongs to its trial from the day on which it was sent.
    """
    rows = store.execute(
        'SELECT n.value, b.trial, substr(p."when", 1, 10) '
        "FROM json_each(?1) n LEFT JOIN part ON part.id = n.value "
        "JOIN pull p ON p.id = coalesce(part.pull, n.value) JOIN bed b ON b.id = p.bed "
        'UNION ALL SELECT blind.id, blind.trial, substr(s."when", 1, 10) '
        "FROM json_each(?1) n CROSS JOIN blind ON blind.id = n.value "
        "JOIN sent x ON x.sample = blind.id JOIN shipment s ON s.id = x.shipment",
        (dumps(list(dict.fromkeys(codes))),),
    ).fetchall()
    return {code: Origin(trial, day) for code, trial, day in rows}


def known_codes(store: sqlite3.Connection) -> frozenset[str]:
    """Every code of which `origins` knows the origin."""
    rows = store.execute(
        "SELECT p.id FROM pull p JOIN bed b ON b.id = p.bed "
        "UNION ALL SELECT part.id FROM part JOIN pull p ON p.id = part.pull "
        "JOIN bed b ON b.id = p.bed UNION ALL SELECT n.id FROM blind n "
        "JOIN sent x ON x.sample = n.id JOIN shipment s ON s.id = x.shipment"
    ).fetchall()
    return frozenset(code for (code,) in rows)


def laboratories(store: sqlite3.Connection) -> list[str]:
    """The laboratories of the reports and results that stand, in order."""
    rows = store.execute("SELECT lab FROM report UNION SELECT lab FROM result ORDER BY 1")
    return [lab for (lab,) in rows.fetchall()]


def sent_to(store: sqlite3.Connection, trial: str) -> list[str]:
    """The laboratories to which a trial's samples were sent, in order."""
    rows = store.execute("SELECT DISTINCT lab FROM shipment WHERE trial = ? ORDER BY 1", (trial,))
    return [lab for (lab,) in rows.fetchall()]


def where_sent(store: sqlite3.Connection, samples: Iterable[str]) -> dict[str, set[str]]:
    """The laboratories to which samples were sent, by code; without those never sent."""
    rows = store.execute(
        "SELECT x.sample, s.lab FROM json_each(?) named "
        "CROSS JOIN sent x ON x.sample = named.value JOIN shipment s ON s.id = x.shipment",
        (dumps(list(dict.fromkeys(samples))),),
    ).fetchall()
    found: dict[str, set[str]] = {}
    for sample, lab in rows:
        found.setdefault(sample, set()).add(lab)
    return found


def refused(store: sqlite3.Connection, codes: Iterable[str], zone: tzinfo) -> dict[str, str]:
    """Of codes that no standing pull has, those that never will have one, and why."""
    found = {}
    for code in codes:
        reason = _struck(store, code, zone) or _shipment(store, code) or _act(store, code, zone)
        if reason:
            found[code] = reason
    return found


def _struck(store: sqlite3.Connection, code: str, zone: tzinfo) -> str:
    part = store.execute("SELECT pull FROM part WHERE code = ?", (code,)).fetchone()
    keys = [f"pull/{part[0]}"] if part else [f"pull/{code}", f"part/{code}"]
    for key in keys:
        living = [one for one in views.writes_of_key(store, key) if one[3]]
        values = [entry.writes[place].value for _, entry, place, _ in living]
        if living and not any(values):
            what = "pull" if key.startswith("pull") else "bag"
            return f"its {what} was {_gone(max(living)[1], zone)}"
    return ""


def _gone(entry: Entry, zone: tzinfo) -> str:
    day = _day(entry, zone)
    if entry.kind == "undo":
        return f"taken back on {day}"
    return f"struck on {day}" + (f" because {entry.reason}" if entry.reason else "")


def _shipment(store: sqlite3.Connection, code: str) -> str:
    written = views.writes_of_key(store, f"shipment/{code}")
    values = [entry.writes[place].value for _, entry, place, _ in written]
    value = next(filter(None, values), None)
    if value is None:
        return ""
    day = spoken_day(read_stored(str(value["when"])).day)
    return f"this is the code of a shipment (to {value['lab']}, {day}), not of a sample"


def _act(store: sqlite3.Connection, code: str, zone: tzinfo) -> str:
    row = store.execute(
        "SELECT body FROM entry WHERE act = ? ORDER BY writer, seq LIMIT 1", (code,)
    ).fetchone()
    if row is None:
        return ""
    entry = decode(row[0])
    return f"this is the code of an act ({entry.kind}, {_day(entry, zone)}), not of a sample"


def _day(entry: Entry, zone: tzinfo) -> str:
    return spoken_day(datetime.fromisoformat(entry.written).astimezone(zone).date())


Kind = tuple[str, str, str, str]


def kind(result: Result) -> Kind:
    """What one reporting limit is given for."""
    return (result.lab, result.analyte, result.method, result.basis)


def lowest_limits(store: sqlite3.Connection, results: Iterable[Result]) -> dict[Kind, Decimal]:
    """The lowest reporting limit of each kind, in the book and in these results."""
    rows = store.execute(
        'SELECT DISTINCT lab, analyte, method, basis, "limit" FROM result '
        "WHERE qualifier = '<' AND \"limit\" IS NOT NULL"
    ).fetchall()
    limits = [
        ((lab, name, method, basis), Decimal(text)) for lab, name, method, basis, text in rows
    ]
    limits += [(kind(one), one.limit) for one in results if one.qualifier == "<" and one.limit]
    found: dict[Kind, Decimal] = {}
    for of, limit in limits:
        found[of] = min(limit, found.get(of, limit))
    return found
