"""From entries to rows: the fold in SQL, the same for one act, a batch from afar and a rebuild.

For each batch: file its writes, mark what they replace, then settle each key touched. A key with
a single live write takes its row straight from it; a contested one is merged from all its live
writes (`journal.fold.merge`). Last, the rows derived for each trial touched are computed anew.
Writes of an unknown kind, and values that are not what their record says, replace but do not show.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table

from logbook.journal import entry as journal
from logbook.journal import fold
from logbook.journal.entry import Entry, Value, Write
from logbook.journal.kinds import SPACES, Field, readable, record_fields, understood
from logbook.store import derived
from logbook.store.tables import FOLDED, RECORD_TABLES

_BATCH_WRITES = 20_000
Batch = Sequence[tuple[str, Entry]]
Rows = dict[str, list[tuple[Any, ...]]]
Contested = set[str] | None


def apply(connection: Connection, batch: Batch) -> None:
    """Fold entries that were just filed: record tables, then derived rows."""
    derived.refresh(connection, fold_batch(connection, batch))


def fold_batch(connection: Connection, batch: Batch) -> set[str]:
    """Fold entries that were just filed into the record tables.

    Returns the ids of the trials whose derived rows must be computed anew (`derived.refresh`).
    """
    if not any(entry.writes for _, entry in batch):
        return set()
    _touch(connection, batch)
    return _folded(connection, batch)


def fold_own(connection: Connection, name: str, entry: Entry) -> set[str]:
    """As `fold_batch`, of an entry of this machine's act that was just made.

    Its keys were the last that `live` was asked about, it replaces all that was live under them,
    and its values were found `readable`: all that is a good part of the work.
    """
    (touched,) = connection.exec_driver_sql("SELECT count(*) FROM touched").one()
    if touched != len(entry.writes):
        raise AssertionError("other keys were asked about before the entry was folded")
    return _folded(connection, [(name, entry)], {one.key for one in entry.writes if one.replaces})


def _folded(connection: Connection, batch: Batch, own: Contested = None) -> set[str]:
    _file(connection, batch)
    trials = _trials_touched(connection)
    _settle(connection, batch, own)
    return trials | _trials_touched(connection)


def _touch(connection: Connection, batch: Batch) -> None:
    """Name the keys of a batch in `touched`."""
    name_keys(connection, "touched", [one.key for _, entry in batch for one in entry.writes])


def rebuild(connection: Connection) -> None:
    """Drop every folded row and fold the whole journal again, in bounded memory."""
    for table in FOLDED:
        connection.exec_driver_sql(f'DELETE FROM "{table.name}"')
    for batch in _batches(connection):
        _touch(connection, batch)
        _file(connection, batch)
        _settle(connection, batch)
    derived.refresh(connection, None)


def differing_tables(connection: Connection, other: str) -> list[str]:
    """Names of the folded tables whose rows differ from those of the attached database `other`.

    A table that is missing there, or has other columns, differs.
    """
    return [table.name for table in FOLDED if _differs(connection, table, other)]


def _differs(connection: Connection, table: Table, other: str) -> bool:
    there = connection.exec_driver_sql(f'PRAGMA {other}.table_info("{table.name}")').all()
    if {row[1] for row in there} != {column.name for column in table.columns}:
        return True
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    query = f'SELECT {names} FROM {{}}."{table.name}"'
    for left, right in (("main", other), (other, "main")):
        # EXCEPT takes 1 and 1.0 for the same; the fold writes neither for the other.
        difference = f"{query.format(left)} EXCEPT {query.format(right)} LIMIT 1"
        if connection.exec_driver_sql(difference).first():
            return True
    return False


def _batches(connection: Connection) -> Iterator[Batch]:
    """The journal in chunks, in an order that keeps no more than a chunk in memory."""
    last, batch, count = "", [], 0
    while True:
        rows = connection.exec_driver_sql(
            "SELECT id, body FROM entry WHERE id > ? ORDER BY id LIMIT 64", (last,)
        ).all()
        for name, body in rows:
            entry = journal.decode(body)
            batch.append((name, entry))
            count += len(entry.writes)
            if count >= _BATCH_WRITES:
                yield batch
                batch, count = [], 0
        if not rows:
            break
        last = rows[-1][0]
    if batch:
        yield batch


def _file(connection: Connection, batch: Batch) -> None:
    """File the batch's writes and what they replace; its keys are in the table `touched`."""
    writes = [
        (write.key, name, place, write.value is None, _about(write.value))
        for name, entry in batch
        for place, write in enumerate(entry.writes)
    ]
    # In the order of their tables' keys, each page of which is then met once.
    writes.sort()
    replaced = [
        (write.key, old) for _, entry in batch for write in entry.writes for old in write.replaces
    ]
    connection.exec_driver_sql(
        "INSERT INTO write (key, entry, pos, struck, about, live) VALUES (?, ?, ?, ?, ?, 1) "
        "ON CONFLICT DO NOTHING",
        writes,
    )
    if replaced:
        replaced.sort()
        connection.exec_driver_sql(
            "INSERT INTO replaced (key, entry) VALUES (?, ?) ON CONFLICT DO NOTHING", replaced
        )
    connection.exec_driver_sql(
        "UPDATE write SET live = 0 WHERE live = 1 AND (key, entry) IN "
        "(SELECT key, entry FROM touched CROSS JOIN replaced USING (key))"
    )


def live(connection: Connection, keys: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """The live entries of each key that has any; the keys stay in the table `touched`."""
    name_keys(connection, "touched", keys)
    rows = connection.exec_driver_sql(
        "SELECT key, entry FROM touched CROSS JOIN write USING (key) "
        "WHERE live = 1 ORDER BY key, entry"
    )
    found: dict[str, tuple[str, ...]] = {}
    for key, entry in rows:
        found[key] = (*found.get(key, ()), entry)
    return found


def name_keys(connection: Connection, table: str, keys: Iterable[str]) -> None:
    """Fill a temporary table with these keys, and with nothing else."""
    connection.exec_driver_sql(
        f"CREATE TEMP TABLE IF NOT EXISTS {table} (key TEXT PRIMARY KEY) WITHOUT ROWID"
    )
    connection.exec_driver_sql(f"DELETE FROM {table}")
    rows = [(key,) for key in sorted(set(keys))]
    if rows:
        connection.exec_driver_sql(f"INSERT INTO {table} VALUES (?)", rows)


def _settle(connection: Connection, batch: Batch, own: Contested = None) -> None:
    """Give each touched key the row that its live writes say.

    own: the contested keys where that is known, as of this machine's own act.
    """
    contested = _contested(connection) if own is None else own
    readable_all = own is not None
    rows: Rows = {}
    for name, entry in batch:
        if understood(entry):
            for write in entry.writes:
                if write.value is not None and write.key not in contested:
                    _add_row(rows, write.key, name, write.value, False, readable_all)
    if contested:
        name_keys(connection, "contested", sorted(contested))
        for key, found in _merged(connection):
            if found.value is not None:
                _add_row(rows, key, found.entry, found.value, found.conflict, False)
        _forget(connection, contested)
    for space, of_space in rows.items():
        of_space.sort(key=_first)
        connection.exec_driver_sql(_insert(space), of_space)


def _first(row: tuple[Any, ...]) -> Any:
    return row[0]


def _about(value: Value | None) -> str | None:
    """What a history lists the value under: its bed, its sample or pull, what a note is about."""
    if value is not None:
        for name in ("bed", "sample", "about", "pull", "part"):
            found = value.get(name)
            if found.__class__ is str:
                return str(found)
    return None


def _contested(connection: Connection) -> set[str]:
    """Touched keys with more than one write: one that is replaced has its replacer's beside it."""
    rows = connection.exec_driver_sql(
        "SELECT key FROM touched CROSS JOIN write USING (key) GROUP BY key HAVING count(*) > 1"
    )
    return {key for (key,) in rows}


def _merged(connection: Connection) -> Iterator[tuple[str, fold.Merged]]:
    """The merged value of each key in `contested` that has one."""
    living: dict[str, list[tuple[str, Value | None]]] = {}
    for key, name, value in _live_values(connection):
        living.setdefault(key, []).append((name, value))
    for key, values in living.items():
        merged = fold.merge(values)
        if merged is not None:
            yield key, merged


def _live_values(connection: Connection) -> Iterator[tuple[str, str, Value | None]]:
    """The live writes of the keys in `contested` that can be shown, entry by entry."""
    rows = connection.exec_driver_sql(
        "SELECT key, entry, pos FROM contested CROSS JOIN write USING (key) WHERE live = 1 "
        "ORDER BY entry"
    ).all()
    loaded, entry = "", None
    for key, name, place in rows:
        if name != loaded or entry is None:
            loaded, entry = name, _load(connection, name)
        write = entry.writes[place]
        if understood(entry) and _shows(write):
            yield key, name, write.value


def _shows(write: Write) -> bool:
    return write.value is None or readable(journal.space(write.key), write.value)


def _load(connection: Connection, name: str) -> Entry:
    row = connection.exec_driver_sql("SELECT body FROM entry WHERE id = ?", (name,)).one()
    return journal.decode(row[0])


def _forget(connection: Connection, keys: Iterable[str]) -> None:
    """Take the rows of contested keys out of their tables."""
    by_space: dict[str, list[tuple[str]]] = {}
    for key in keys:
        by_space.setdefault(journal.space(key), []).append((journal.ident(key),))
    for space, idents in by_space.items():
        if space in RECORD_TABLES:
            name = RECORD_TABLES[space].name
            connection.exec_driver_sql(f'DELETE FROM "{name}" WHERE id = ?', idents)


def _add_row(rows: Rows, key: str, entry: str, value: Value, conflict: bool, checked: bool) -> None:
    """Add the row of a value; none of one that is not readable (`checked`: it is known to be)."""
    space, _, ident = key.partition("/")
    # "bed" and "bed/" would share a row: a record has an id.
    if ident and (checked or readable(space, value)):
        cells = _cells(space)(value)
        rows.setdefault(space, []).append((ident, entry, int(conflict), *cells))


@cache
def _insert(space: str) -> str:
    table = RECORD_TABLES[space]
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    marks = ", ".join("?" * len(table.columns))
    return f'INSERT OR REPLACE INTO "{table.name}" ({names}) VALUES ({marks})'


@cache
def _cells(space: str) -> Callable[[Value], list[Any]]:
    """How a readable value becomes its row's cells, in the table's column order."""
    columns = [one for one in record_fields(SPACES[space]) for _ in range(_width(one))]
    names = [one.name for one in columns]
    defaults = [(n, one.default) for n, one in enumerate(columns) if one.default is not None]
    # The second of a decimal's two columns is its REAL.
    reals = [n for n in range(1, len(names)) if names[n] == names[n - 1]]
    lists = [n for n, one in enumerate(columns) if one.type is tuple]

    def cells(value: Value) -> list[Any]:
        row: list[Any] = list(map(value.get, names))
        for place, default in defaults:
            if row[place] is None:
                row[place] = default
        for place in reals:
            if row[place] is not None:
                row[place] = float(row[place])
        for place in lists:
            row[place] = journal.to_json(list(row[place] or ())).decode()
        return row

    return cells


def _width(of: Field) -> int:
    return 2 if of.type is Decimal else 1


def _trials_touched(connection: Connection) -> set[str]:
    """Ids of trials that the touched keys belong to, through their tables as they stand now."""
    spaces = {
        space
        for (space,) in connection.exec_driver_sql(
            "SELECT DISTINCT substr(key, 1, instr(key, '/') - 1) FROM touched"
        )
    }
    trials: set[str] = set()
    for space in spaces & derived.FEEDS.keys():
        rows = connection.exec_driver_sql(derived.FEEDS[space])
        trials |= {trial for (trial,) in rows if trial is not None}
    return trials
