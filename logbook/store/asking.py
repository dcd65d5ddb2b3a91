"""What boards, lists and completion ask of the store: plain SQL on a connection of `views`."""

from __future__ import annotations

import json
from collections.abc import Collection
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.journal.kinds import SPACES
from logbook.store.views import OF_TRIAL
from logbook.trial.machines import ENROLLED, RETIRED
from logbook.trial.records import LOST

if TYPE_CHECKING:
    import sqlite3


def free_bags(connection: sqlite3.Connection, trial: str) -> list[str]:
    """Codes reserved for bags of a trial that no pull has used yet, in order."""
    rows = connection.execute(
        "SELECT id FROM bag WHERE trial = ? "
        "AND NOT EXISTS (SELECT 1 FROM pull WHERE pull.id = bag.id) "
        "AND NOT EXISTS (SELECT 1 FROM part WHERE part.id = bag.id) ORDER BY id",
        (trial,),
    )
    return [code for (code,) in rows]


def open_tins(
    connection: sqlite3.Connection, trial: str
) -> list[tuple[str, date, tuple[str, ...], str]]:
    """Moisture tins without all their weights: code, day of the pull, its beds, what is missing.

    In order of day and bench.
    """
    rows = connection.execute(
        'SELECT part.code, substr(pull."when", 1, 10), b.id, pull.also, w.wet_g FROM part '
        "JOIN pull ON pull.id = part.pull JOIN bed b ON b.id = pull.bed "
        "LEFT JOIN weigh w ON w.id = part.code "
        "WHERE part.kind = 'tin' AND b.trial = ? AND (w.dry_g IS NULL OR w.wet_g IS NULL) "
        "ORDER BY 2, b.place, part.code",
        (trial,),
    )
    return [
        (
            code,
            date.fromisoformat(day),
            (bed, *json.loads(also)),
            "dry weight" if wet is not None else "moist weight, then dry",
        )
        for code, day, bed, also, wet in rows
    ]


def received(connection: sqlite3.Connection) -> dict[tuple[str, str], date]:
    """The day on which each report came in, by laboratory and number."""
    rows = connection.execute("SELECT lab, number, substr(received, 1, 10) FROM report").fetchall()
    return {(lab, number): date.fromisoformat(day) for lab, number, day in rows}


def last_measured(connection: sqlite3.Connection, trial: str, what: str) -> date | None:
    """The newest day on which this was read, of the house or of any of its beds."""
    row = connection.execute(
        'SELECT max(substr("when", 1, 10)) FROM measure WHERE what = ? '
        "AND (about = ? OR about IN (SELECT id FROM bed WHERE trial = ?))",
        (what, trial, trial),
    ).fetchone()
    return date.fromisoformat(row[0]) if row[0] else None


def watering_days(connection: sqlite3.Connection, trial: str) -> dict[str, list[date]]:
    """The days on which each bed was watered."""
    days: dict[str, list[date]] = {}
    rows = connection.execute(
        f'SELECT DISTINCT bed, substr("when", 1, 10) FROM water WHERE {OF_TRIAL} ORDER BY 2',
        (trial,),
    )
    for bed, day in rows:
        days.setdefault(bed, []).append(date.fromisoformat(day))
    return days


def bed_areas(connection: sqlite3.Connection, trial: str) -> dict[str, Decimal]:
    """The area of each bed of a trial, m2."""
    rows = connection.execute("SELECT id, area_m2 FROM bed WHERE trial = ?", (trial,))
    return {bed: Decimal(area) for bed, area in rows}


def samples_without_results(connection: sqlite3.Connection, trial: str) -> list[tuple[str, date]]:
    """Codes and days of the bags of a trial that no result names yet, without those lost.

    A bag is a whole pull, or a part of one that was meant for an analysis.
    """
    rows = connection.execute(
        "SELECT code, day FROM ("
        f'SELECT code, substr("when", 1, 10) AS day FROM pull WHERE {OF_TRIAL} '
        "AND NOT EXISTS (SELECT 1 FROM result WHERE result.sample = pull.code) "
        "AND NOT EXISTS (SELECT 1 FROM part WHERE part.pull = pull.code) "
        'UNION SELECT part.code, substr(p."when", 1, 10) FROM part JOIN pull p ON p.id = part.pull '
        f"WHERE p.{OF_TRIAL} AND part.analyses <> '[]' "
        "AND NOT EXISTS (SELECT 1 FROM result WHERE result.sample = part.code)) "
        "WHERE code NOT IN (SELECT sample FROM handling WHERE state = ? AND analysis = '') "
        "ORDER BY 2, 1",
        (trial, trial, LOST),
    )
    return [(code, date.fromisoformat(day)) for code, day in rows]


def waiting_results(connection: sqlite3.Connection) -> list[str]:
    """Codes that results name and whose pull was never written here: it was not synced yet."""
    # Nearly all are bags whose pull is here: of these the first line asks, by the shortest keys.
    rows = connection.execute(
        "SELECT r.sample FROM (SELECT DISTINCT sample FROM result) r "
        "LEFT JOIN part ON part.id = r.sample "
        "WHERE NOT EXISTS (SELECT 1 FROM pull p WHERE p.id = coalesce(part.pull, r.sample)) "
        "AND NOT EXISTS (SELECT 1 FROM write w "
        "WHERE w.key = 'pull/' || coalesce(part.pull, r.sample)) "
        "AND (part.id IS NOT NULL OR NOT EXISTS "
        "(SELECT 1 FROM write w WHERE w.key IN ('part/' || r.sample, 'blind/' || r.sample))) "
        "ORDER BY 1"
    )
    return [code for (code,) in rows]


def about_entries(
    connection: sqlite3.Connection, names: Collection[str]
) -> dict[str, tuple[str, date]]:
    """Who wrote each of these entries, and the day on which it was written."""
    found = {}
    wanted = sorted(names)
    for start in range(0, len(wanted), 500):
        some = wanted[start : start + 500]
        marks = ", ".join("?" * len(some))
        rows = connection.execute(
            "SELECT id, json_extract(CAST(body AS TEXT), '$.by'), "
            "json_extract(CAST(body AS TEXT), '$.written') "
            f"FROM entry WHERE id IN ({marks})",
            some,
        ).fetchall()
        found.update({name: (by, date.fromisoformat(at[:10])) for name, by, at in rows})
    return found


# What completion offers: kind -> the query of its words.
_WORDS = {
    "beds": "SELECT label FROM bed ORDER BY place",
    "treatments": "SELECT code FROM treatment ORDER BY code",
    "treated": "SELECT code FROM treatment WHERE NOT control ORDER BY code",
    "amendments": "SELECT code FROM amendment ORDER BY code",
    "nutrients": "SELECT DISTINCT analyte FROM result ORDER BY analyte",
    "pulls": "SELECT name FROM planned_pull ORDER BY day",
    "samples": 'SELECT code FROM pull ORDER BY "when" DESC LIMIT 1000',
    "tins": "SELECT code FROM part WHERE kind = 'tin' ORDER BY \"when\" DESC LIMIT 1000",
    "acts": "SELECT DISTINCT act FROM entry WHERE act IS NOT NULL ORDER BY act",
    "trials": "SELECT name FROM trial ORDER BY name",
    "machines": "SELECT machine FROM writer UNION SELECT "
    "json_extract(CAST(body AS TEXT), '$.writes[0][1].machine') FROM held WHERE seq = 1 ORDER BY 1",
}


def words(connection: sqlite3.Connection, kind: str) -> list[str]:
    """Every word of a kind that a person may type: see _WORDS."""
    return [str(word) for (word,) in connection.execute(_WORDS[kind]) if word]


def possible_duplicates(connection: sqlite3.Connection, trial: str) -> list[tuple[str, str, str]]:
    """Pairs of sample codes that look like one pull, with the bed's label."""
    rows = connection.execute(
        "SELECT d.first, d.second, b.label FROM possible_duplicate d "
        "JOIN pull p ON p.id = d.first JOIN bed b ON b.id = p.bed WHERE d.trial = ? ORDER BY 1, 2",
        (trial,),
    )
    return rows.fetchall()


def machine_names(connection: sqlite3.Connection) -> dict[str, str]:
    """What each writer's machine is called, where several machines write in the book.

    Two of one name go by the beginning of the writer's id as well.
    """
    rows = connection.execute("SELECT id, machine FROM writer").fetchall()
    names = [name for _, name in rows]
    if len(rows) < 2:
        return {}
    return {
        writer: name if names.count(name) == 1 else f"{name} ({writer[:8]})"
        for writer, name in rows
    }


def machines_waiting(connection: sqlite3.Connection) -> list[tuple[str, str, int]]:
    """Machines that wait to be enrolled: writer, what it calls itself, how many lines wait.

    Those of which nothing was let in yet, and that no member enrolled or retired.
    """
    return connection.execute(
        "SELECT writer, max(CASE WHEN seq = 1 THEN "
        "json_extract(CAST(body AS TEXT), '$.writes[0][1].machine') END), "
        "sum(json_array_length(CAST(body AS TEXT), '$.writes')) FROM held "
        "WHERE writer IN (SELECT writer FROM held WHERE seq = 1) "
        "AND NOT EXISTS (SELECT 1 FROM entry e WHERE e.writer = held.writer) "
        "AND NOT EXISTS (SELECT 1 FROM member m WHERE m.id = held.writer) "
        "GROUP BY writer ORDER BY 2, 1"
    ).fetchall()


def forked(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    """Writers whose accepted chain forks, with what each calls its machine, while none goes on.

    Once a machine with that key writes as another one, as `book.vouching` has it, it is dealt with.
    """
    return connection.execute(
        "SELECT found.writer, w.machine FROM "
        "(SELECT writer FROM entry GROUP BY writer HAVING count(*) > max(seq)) found "
        "JOIN writer w ON w.id = found.writer WHERE NOT EXISTS "
        "(SELECT 1 FROM writer after WHERE after.predecessor = found.writer "
        "AND after.signed IS NOT NULL) ORDER BY 2, 1"
    ).fetchall()


def not_let_in(connection: sqlite3.Connection) -> str | None:
    """The writer of this machine, where it wrote something and is no member of the book.

    As `book.membership` has it, but for the signature under a succession: its own was made here.
    """
    kept: dict[str, str] = dict(
        connection.execute(
            "SELECT name, value FROM local WHERE name IN ('writer', 'root')"
        ).fetchall()
    )
    own, root = kept.get("writer"), kept.get("root")
    before: dict[str, str | None] = dict(
        connection.execute(
            "SELECT id, CASE WHEN signed IS NOT NULL THEN predecessor END FROM writer"
        ).fetchall()
    )
    if own not in before or root is None:
        return None
    said = _said_of_machines(connection)
    one: str | None = own
    passed: set[str] = set()
    while one and one not in passed and RETIRED not in said.get(one, ()):
        if one == root or ENROLLED in said.get(one, ()):
            return None
        passed.add(one)
        one = before.get(one)
    return own


def _said_of_machines(connection: sqlite3.Connection) -> dict[str, set[str]]:
    """Every standing that members gave each writer and that still holds, several if they differ."""
    found: dict[str, set[str]] = {}
    rows = connection.execute(
        "SELECT w.key, json_extract(CAST(e.body AS TEXT), '$.writes[' || w.pos || '][1].standing') "
        "FROM write w JOIN entry e ON e.id = w.entry "
        "WHERE w.key >= 'member/' AND w.key < 'member0' AND w.live = 1"
    )
    for key, standing in rows:
        found.setdefault(journal.ident(key), set()).add(standing)
    return found


def conflicts(connection: sqlite3.Connection) -> dict[str, int]:
    """How many records of each key space have live writes that disagree."""
    counts = {}
    for space in SPACES:
        table = space.replace("-", "_")
        (count,) = connection.execute(
            f'SELECT count(*) FROM "{table}" WHERE conflict = 1'
        ).fetchone()
        if count:
            counts[space] = count
    return counts


# How lines are called whose key says all: by report, by shipment or act, by sample or
# reference material and nutrient.
_OF_LABORATORY = {
    "result": "{2}:{3}",
    "report": "report {1} of {0}",
    "sent": "{0}:{1}",
    "handling": "{0}:{1}",
    "reference": "{1} of {0} by {2}",
    "query": "query {0}:{1}",
    "answer": "answer {0}:{1}",
}
# What names a record that is no act: the column that people know it by.
_NAMED_BY = {
    "trial": "name",
    "amendment": "code",
    "lot": "name",
    "treatment": "code",
    "bed": "label",
    "planned-pull": "name",
    "soil-value": "analyte",
    "followed": "analyte",
    "lot-content": "analyte",
}


def reference(connection: sqlite3.Connection, key: str) -> str:
    """What people call the line under a key.

    `CODE:BED` for what was done to a bed, a sample's code for its pull or a part's, `CODE:KIND`
    for the part that has the pull's own code, `CODE:weights` for a tin's, `SAMPLE:NUTRIENT` for a
    result, "treatment T2" and the like for what a trial is made of; a machine by its writer's id,
    since two may have one name.
    """
    space, *rest = journal.parts(key)
    if space == "member":
        return f"member {journal.ident(key)[:8]}"
    if space in ("part", "weigh"):
        return _part(connection, space, journal.ident(key))
    if space in _OF_LABORATORY and len(rest) > 1:
        return _OF_LABORATORY[space].format(*rest, *[""] * 4)
    if space in _NAMED_BY or space not in SPACES:
        name = _name(connection, space, journal.ident(key)) or (rest or [key])[-1]
        return f"{space.replace('-', ' ')} {name}"
    if len(rest) != 2:
        return ":".join(rest) if space == "pull" else f"{space.replace('-', ' ')} {':'.join(rest)}"
    code, about = rest
    label = _name(connection, "bed", _bed_now(connection, key) or about)
    return f"{code}:{label}" if label else code


def _bed_now(connection: sqlite3.Connection, key: str) -> str | None:
    """The bed of a standing line that may have been corrected onto another one than its key's."""
    space = journal.space(key)
    if space not in ("fill", "apply", "water", "event"):
        return None
    row = connection.execute(
        f'SELECT bed FROM "{space}" WHERE id = ?', (journal.ident(key),)
    ).fetchone()
    return str(row[0]) if row else None


def _part(connection: sqlite3.Connection, space: str, code: str) -> str:
    if space == "weigh":
        return f"{code}:weights"
    row = connection.execute("SELECT kind, pull FROM part WHERE id = ?", (code,)).fetchone()
    return f"{code}:{row[0]}" if row and row[1] == code else code


def _name(connection: sqlite3.Connection, space: str, ident: str) -> str | None:
    if space not in _NAMED_BY:
        return None
    row = connection.execute(
        f'SELECT "{_NAMED_BY[space]}" FROM "{space.replace("-", "_")}" WHERE id = ?', (ident,)
    ).fetchone()
    return row[0] if row else None
