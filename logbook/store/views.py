"""All reads: plain SQL over the standard library's sqlite3, on a connection that cannot write.

Everything is fetched and the connection closed before anything is computed or drawn: an open
cursor would lock out the writers. `fetch` gives any record table as records; the functions below
it are the questions the screens ask.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from logbook.errors import StoreError
from logbook.journal import entry as journal
from logbook.journal.chain import Filed
from logbook.journal.entry import Entry
from logbook.journal.kinds import SPACES, field_names, from_value
from logbook.trial.ranges import BedRef
from logbook.trial.schedule import Obligation

SCHEMA = "0001"


class NoStore(StoreError):
    """There is no store yet: the reader is told how a first trial starts."""


class OtherSchema(StoreError):
    """The store has another schema version than this program: `found` names it."""

    def __init__(self, path: Path, found: str) -> None:
        super().__init__(f"{path}: schema {found}, this program reads {SCHEMA}")
        self.found = found


@dataclass(frozen=True)
class Found:
    """A record as it stands: its id, the entry that shows it, and if live writes disagree."""

    id: str
    entry: str
    conflict: bool
    record: Any


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that reads only; raises NoStore, OtherSchema or StoreError."""
    if not path.exists():
        raise NoStore(f"{path}: there is no logbook here yet")
    connection = sqlite3.connect(f"file:{_quoted(path)}?mode=rw", uri=True, timeout=5.0)
    try:
        connection.execute("PRAGMA query_only = 1")
        _check_schema(connection, path)
        yield connection
    except sqlite3.DatabaseError as problem:
        raise StoreError(f"{path}: {problem}", "run: logbook verify") from problem
    finally:
        connection.close()


def _quoted(path: Path) -> str:
    from urllib.parse import quote

    return quote(str(path.resolve()))


def _check_schema(connection: sqlite3.Connection, path: Path) -> None:
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError as problem:
        if "no such table" not in str(problem):
            raise
        raise StoreError(
            f"{path}: this file is not a logbook store", "name another with --store FILE"
        ) from None
    if row is None or row[0] != SCHEMA:
        raise OtherSchema(path, row[0] if row else "none")


def fetch(
    connection: sqlite3.Connection, space: str, where: str = "1", given: Sequence[Any] = ()
) -> list[Found]:
    """Records of a key space whose row meets the SQL condition `where`, in order of id."""
    names = field_names(SPACES[space])
    columns = ", ".join(f'"{name}"' for name in names)
    query = (
        f'SELECT id, entry, conflict, {columns} FROM "{space.replace("-", "_")}" '
        f"WHERE {where} ORDER BY id"
    )
    return [
        Found(
            row[0], row[1], bool(row[2]), from_value(space, dict(zip(names, row[3:], strict=True)))
        )
        for row in connection.execute(query, given)
    ]


def bed_refs(connection: sqlite3.Connection, trial: str) -> list[BedRef]:
    """The beds of a trial as addressing needs them, in bench order."""
    rows = connection.execute(
        "SELECT b.id, b.label, b.block, t.code, t.control, b.place FROM bed b "
        "LEFT JOIN treatment t ON t.id = b.treatment WHERE b.trial = ? ORDER BY b.place, b.id",
        (trial,),
    )
    return [
        BedRef(ident, label, block, code or "", bool(control), place)
        for ident, label, block, code, control, place in rows
    ]


OF_TRIAL = "bed IN (SELECT id FROM bed WHERE trial = ?)"


LINGERS = 60  # days that a trial stays on the board after its last pull, for results to come in


def trials_over(connection: sqlite3.Connection, today: date) -> set[str]:
    """Ids of the trials whose last planned pull is done or missed, and long past."""
    rows = connection.execute(
        "SELECT trial FROM due GROUP BY trial "
        "HAVING count(coalesce(pulled, missed_from)) = count(*) "
        "AND max(coalesce(pulled, missed_from)) < ?",
        ((today - timedelta(days=LINGERS)).isoformat(),),
    )
    return {trial for (trial,) in rows}


def obligations(connection: sqlite3.Connection, trial: str) -> list[Obligation]:
    """What every bed of a trial owes the calendar, in order of bed and target."""
    rows = connection.execute(
        "SELECT d.bed, d.planned, d.day, d.day0, d.opens, d.target, d.closes, d.missed_from, "
        "d.tolerance, d.also, d.moved, d.pull, d.pulled, d.repeats "
        "FROM due d JOIN bed b ON b.id = d.bed WHERE d.trial = ? ORDER BY b.place, b.id, d.n",
        (trial,),
    )
    return [_obligation(*row) for row in rows]


def _obligation(bed: str, planned: str, day: int | None, *cells: Any) -> Obligation:
    day0, opens, target, closes, missed, tolerance, also, moved, pull, pulled, repeats = cells
    days = [text and date.fromisoformat(text) for text in (day0, opens, target, closes, missed)]
    return Obligation(
        bed,
        planned,
        day,
        *days,
        tolerance,
        tuple(json.loads(also)),
        bool(moved),
        pull,
        pulled and date.fromisoformat(pulled),
        tuple(json.loads(repeats)),
    )


def sample_codes(connection: sqlite3.Connection) -> set[str]:
    """Every sample code that a pull of this book has."""
    return {code for (code,) in connection.execute("SELECT code FROM pull")}


def last_watering(connection: sqlite3.Connection, trial: str) -> dict[str, str]:
    """The day of each bed's newest watering."""
    rows = connection.execute(
        f'SELECT bed, max(substr("when", 1, 10)) FROM water WHERE {OF_TRIAL} GROUP BY bed',
        (trial,),
    )
    return dict(rows.fetchall())


def entries_of_act(connection: sqlite3.Connection, act: str) -> list[tuple[str, Entry]]:
    """The entries of an act, in order."""
    rows = connection.execute(
        "SELECT id, body FROM entry WHERE act = ? ORDER BY writer, seq", (act,)
    ).fetchall()
    return [(name, journal.decode(body)) for name, body in rows]


def writes_of_key(connection: sqlite3.Connection, key: str) -> list[tuple[str, Entry, int, bool]]:
    """Every line ever written under a key: entry id, entry, which write, and if it is live."""
    rows = connection.execute(
        "SELECT e.id, e.body, w.pos, w.live FROM write w JOIN entry e ON e.id = w.entry "
        "WHERE w.key = ?",
        (key,),
    ).fetchall()
    return [(name, journal.decode(body), place, bool(live)) for name, body, place, live in rows]


def keys_starting(connection: sqlite3.Connection, prefix: str) -> list[str]:
    """Every key ever written that starts with `prefix` (which ends in a slash)."""
    rows = connection.execute(
        "SELECT DISTINCT key FROM write WHERE key >= ? AND key < ? ORDER BY key",
        (prefix, prefix[:-1] + "0"),
    )
    return [key for (key,) in rows]


def filed_entries(connection: sqlite3.Connection) -> Iterator[Filed]:
    """Every entry by writer, then number."""
    for row in connection.execute(
        "SELECT id, writer, seq, body FROM entry ORDER BY writer, seq, id"
    ):
        yield Filed(*row)
