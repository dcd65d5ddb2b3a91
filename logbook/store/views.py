"""All reads: plain SQL over the standard library's sqlite3, on a connection that cannot write.

Everything is fetched and the connection closed before anything is computed or drawn: an open
cursor would lock out the writers. `fetch` gives any record table as records; below it stand the
calendar and the journal. What lists and boards ask besides is in `asking`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from logbook.errors import StoreError
from logbook.journal import entry as journal
from logbook.journal.entry import Entry
from logbook.journal.kinds import SPACES, field_names, from_cells
from logbook.store.causes import BUSY_MS, explained
from logbook.store.schemas import SCHEMA, SCHEMAS, OtherSchema, newer
from logbook.trial.ranges import BedRef
from logbook.trial.records import NEW_FILL, PlannedPull, Record, record
from logbook.trial.schedule import Obligation, Taken

if TYPE_CHECKING:
    from logbook.journal.chain import Filed

OF_TRIAL = "bed IN (SELECT id FROM bed WHERE trial = ?)"
# What went in a shipment has ids below its own: read otherwise, it would be all that ever went.
OF_SHIPMENT = "x.id >= s.id || '/' AND x.id < s.id || '0'"
SENT_OF_TRIAL = (
    f"id IN (SELECT x.id FROM shipment s CROSS JOIN sent x ON {OF_SHIPMENT} WHERE s.trial = ?)"
)


# Of a trial, each bag that a laboratory may name: the code on it, its pull, and how that part was
# kept, NULL for a pull in one bag. The first part has its pull's code. Asked first (CROSS JOIN is
# SQLite's word for that), a question about one trial reads the results of that trial alone.
BAGS = (
    "pulled (id) AS (SELECT p.id FROM bed b JOIN pull p ON p.bed = b.id WHERE b.trial = ?), "
    "bag (code, pull, kind) AS (SELECT id, id, NULL FROM pulled "
    "WHERE NOT EXISTS (SELECT 1 FROM part WHERE part.id = pulled.id) UNION ALL "
    "SELECT part.id, part.pull, part.kind FROM pulled JOIN part ON part.pull = pulled.id)"
)

# At most 112 MiB. With less than a large report changes, its pages reach the disk several times,
# and are read again for each trial that it is about.
CACHE = "cache_size = -114688"
# What the standard library raises for a store that it cannot read: also, where SQLite quotes
# damaged bytes of the schema in its message, that the message is no text.
UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)


FIRST = "logbook trial start FILE begins one; logbook join PLACE fetches one that is there already"


class NoStore(StoreError):
    """There is no store yet: the reader is told how a first trial starts."""


class Found(NamedTuple):
    """A record as it stands: its id, the entry that shows it, and if live writes disagree."""

    id: str
    entry: str
    conflict: bool
    record: Any


def refuse_missing(path: Path) -> None:
    """Raise NoStore if there is no store at `path`."""
    if not path.exists():
        raise NoStore(f"{path}: there is no logbook here yet", FIRST)


@contextmanager
def reading(path: Path, known: Sequence[str] = (SCHEMA,)) -> Iterator[sqlite3.Connection]:
    """A connection that reads only, to a store of one of the schemas `known`.

    Raises NoStore, OtherSchema (an older store), NewerStore or StoreError.
    """
    refuse_missing(path)
    try:
        connection = _open(path)
        try:
            found = schema_of(connection, path)
            if found not in known:
                raise OtherSchema(path, found)
            yield connection
        finally:
            connection.close()
    except UNREADABLE as problem:
        raise explained(path, problem) from problem


def _open(path: Path) -> sqlite3.Connection:
    # SQLite itself falls back to reading where the file may not be written. mode=ro from the
    # start would fail on the hot journal that a killed writer leaves.
    connection = sqlite3.connect(f"file:{_quoted(path)}?mode=rw", uri=True, timeout=BUSY_MS / 1000)
    for setting in (f"busy_timeout = {BUSY_MS}", "recursive_triggers = 1", "query_only = 1", CACHE):
        connection.execute(f"PRAGMA {setting}")
    return connection


def _quoted(path: Path) -> str:
    from urllib.parse import quote

    return quote(str(path.resolve()))


def schema_at(path: Path) -> str:
    """The schema of the store at `path`, of any that this program knows; see `reading`."""
    with reading(path, SCHEMAS) as connection:
        return schema_of(connection, path)


def schema_of(connection: sqlite3.Connection, path: Path) -> str:
    """The schema of the store at `path`; raises NewerStore if this program does not know it."""
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        entries = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'entry'").fetchone()
    except sqlite3.OperationalError as problem:
        if "no such table" not in str(problem):
            raise
        row = entries = None
    if row is None or entries is None:
        raise explained(path, "not a database")
    if row[0] not in SCHEMAS:
        wrote = connection.execute("SELECT value FROM local WHERE name = 'program'").fetchone()
        raise newer(path, str(row[0]), str(wrote[0]) if wrote else None)
    return str(row[0])


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
        Found(ident, entry, bool(conflict), from_cells(space, cells))
        for ident, entry, conflict, *cells in connection.execute(query, given)
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


@record
class Calendar(Record):
    """What the schedule of a trial follows from; see `owing.obligations`."""

    beds: list[BedRef]
    planned: list[PlannedPull]
    applications: dict[str, date]
    fillings: dict[str, date]
    pulls: list[Taken]
    out: dict[str, date]
    skipped: dict[tuple[str, str], str]
    joined: dict[str, date]

    def owed(self, also: Iterable[Taken] = ()) -> list[Obligation]:
        """What every bed owes the calendar, with further pulls that were not written yet."""
        # Loaded here: the daily board reads what was worked out when an act was written.
        from logbook.trial.owing import obligations as obligations_of

        return obligations_of(
            self.beds,
            self.planned,
            self.applications,
            self.fillings,
            [*self.pulls, *also],
            out=self.out,
            skipped=self.skipped,
            joined=self.joined,
        )


def calendar(connection: sqlite3.Connection, trial: str) -> Calendar:
    """The plan and the history that a trial's schedule follows from."""
    return Calendar(
        bed_refs(connection, trial),
        [found.record for found in fetch(connection, "planned-pull", "trial = ?", (trial,))],
        first_days(connection, "apply", trial),
        fillings(connection, trial),
        [
            Taken(p.code, bed, p.when.day, p.planned, p.again is not None, found.entry)
            for found in fetch(connection, "pull", OF_TRIAL, (trial,))
            for p in (found.record,)
            for bed in (p.bed, *p.also)
        ],
        left(connection, trial),
        {
            (found.record.bed, found.record.planned): found.record.reason
            for found in fetch(connection, "skip", OF_TRIAL, (trial,))
        },
        joined(connection, trial),
    )


def left(connection: sqlite3.Connection, trial: str) -> dict[str, date]:
    """The day from which each bed that left is out of the trial."""
    rows = connection.execute(
        'SELECT bed, min(substr("when", 1, 10)) FROM event '
        f"WHERE what = 'out of the trial' AND {OF_TRIAL} GROUP BY bed",
        (trial,),
    )
    return {bed: date.fromisoformat(day) for bed, day in rows}


def joined(connection: sqlite3.Connection, trial: str) -> dict[str, date]:
    """The day on which each bed joined that was not there from the start."""
    rows = connection.execute(
        "SELECT id, since FROM bed WHERE trial = ? AND since IS NOT NULL", (trial,)
    )
    return {bed: date.fromisoformat(day) for bed, day in rows}


def first_days(connection: sqlite3.Connection, space: str, trial: str) -> dict[str, date]:
    """The earliest day of each bed among its fillings or applications."""
    rows = connection.execute(
        f'SELECT bed, min(substr("when", 1, 10)) FROM "{space}" WHERE {OF_TRIAL} GROUP BY bed',
        (trial,),
    )
    return {bed: date.fromisoformat(day) for bed, day in rows}


def fillings(connection: sqlite3.Connection, trial: str) -> dict[str, date]:
    """The day of each bed's filling; one that goes on with soil that is there: of its joining."""
    rows = connection.execute(
        'SELECT b.id, coalesce((SELECT min(substr(f."when", 1, 10)) FROM fill f '
        "WHERE f.bed = b.id), CASE WHEN b.origin <> ? THEN b.since END) AS day "
        "FROM bed b WHERE b.trial = ? AND day IS NOT NULL",
        (NEW_FILL, trial),
    )
    return {bed: date.fromisoformat(day) for bed, day in rows}


LINGERS = 60  # days that a trial stays on the board after its last pull, for results to come in


def trials_over(connection: sqlite3.Connection, today: date) -> set[str]:
    """Ids of the trials whose last planned pull is done or missed, and long past."""
    rows = connection.execute(
        "SELECT trial FROM due GROUP BY trial "
        "HAVING count(coalesce(pulled, missed_from, skipped)) = count(*) "
        "AND max(coalesce(pulled, missed_from)) < ?",
        ((today - timedelta(days=LINGERS)).isoformat(),),
    )
    return {trial for (trial,) in rows}


def obligations(connection: sqlite3.Connection, trial: str) -> list[Obligation]:
    """What every bed of a trial owes the calendar, in order of bed and target."""
    rows = connection.execute(
        "SELECT d.bed, d.planned, d.day, d.day0, d.opens, d.target, d.closes, d.missed_from, "
        "d.tolerance, d.also, d.moved, d.pull, d.pulled, d.repeats, d.skipped "
        "FROM due d JOIN bed b ON b.id = d.bed WHERE d.trial = ? ORDER BY b.place, b.id, d.n",
        (trial,),
    )
    return [_obligation(*row) for row in rows]


def _obligation(bed: str, planned: str, day: int | None, *cells: Any) -> Obligation:
    day0, opens, target, closes, missed, tolerance, *rest = cells
    also, moved, pull, pulled, repeats, skipped = rest
    return Obligation(
        bed,
        planned,
        day,
        _date(day0),
        _date(opens),
        _date(target),
        _date(closes),
        _date(missed),
        tolerance,
        _texts(also),
        bool(moved),
        pull,
        _date(pulled),
        _texts(repeats),
        skipped,
    )


def _texts(listed: str) -> tuple[str, ...]:
    return () if listed == "[]" else tuple(json.loads(listed))


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def sample_codes(connection: sqlite3.Connection) -> set[str]:
    """Every code that a pull of this book, or a part of one, has."""
    return {
        code for (code,) in connection.execute("SELECT code FROM pull UNION SELECT code FROM part")
    }


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


def act_codes(connection: sqlite3.Connection) -> set[str]:
    """The code of every act of this book."""
    rows = connection.execute("SELECT DISTINCT act FROM entry WHERE act IS NOT NULL")
    return {act for (act,) in rows}


def keys_about(connection: sqlite3.Connection, ident: str) -> list[str]:
    """Every key with a line, struck or not, about this bed, sample or trial."""
    rows = connection.execute(
        "SELECT DISTINCT key FROM write WHERE about = ? ORDER BY key", (ident,)
    )
    return [key for (key,) in rows]


def keys_of_act(connection: sqlite3.Connection, act: str) -> list[str]:
    """Every key that an act wrote, in the order of its lines."""
    return [write.key for _, entry in entries_of_act(connection, act) for write in entry.writes]


def filed_entries(connection: sqlite3.Connection) -> Iterator[Filed]:
    """Every entry by writer, then number."""
    from logbook.journal.chain import Filed

    for row in connection.execute(
        "SELECT id, writer, seq, body, act FROM entry ORDER BY writer, seq, id"
    ):
        yield Filed(*row)


def count_entries(connection: sqlite3.Connection) -> int:
    """How many entries the journal has."""
    (count,) = connection.execute("SELECT count(*) FROM entry").fetchone()
    return int(count)


def local(connection: sqlite3.Connection, name: str) -> str | None:
    """A fact of this copy of the store alone; see `store/local.py`."""
    row = connection.execute("SELECT value FROM local WHERE name = ?", (name,)).fetchone()
    return None if row is None else str(row[0])


def heads(connection: sqlite3.Connection) -> list[tuple[str, int, str]]:
    """Each writer with the number and the id of its newest entry."""
    rows = connection.execute(
        "SELECT writer, seq, max(id) FROM entry JOIN "
        "(SELECT writer, max(seq) AS seq FROM entry GROUP BY writer) USING (writer, seq) "
        "GROUP BY writer, seq ORDER BY writer"
    )
    return rows.fetchall()


def copy_whole(path: Path, to: Path) -> int:
    """Copy a store of any known schema to a new file, and look at the copy; how many entries.

    Raises NoStore, NewerStore or StoreError: `path` is no store, or is damaged.
    """
    with reading(path, SCHEMAS) as source:
        copy(source, to)
        with closing(_open(to)) as made:
            if made.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok":
                raise explained(path, "malformed")
            return count_entries(made)


def copy(connection: sqlite3.Connection, to: Path) -> None:
    """Copy the whole store to a new file, as it is at one moment, by SQLite's backup."""
    target = sqlite3.connect(to)
    try:
        connection.backup(target)
    finally:
        target.close()


def portions(wanted: Sequence[str]) -> Iterator[Sequence[str]]:
    """Some at once, as many as a statement may name."""
    # SQLite takes a limited number of values in one statement.
    for start in range(0, len(wanted), 400):
        yield wanted[start : start + 400]
