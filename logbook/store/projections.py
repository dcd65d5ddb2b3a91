"""From entries to rows: the fold in SQL, the same for one act, a batch from afar and a rebuild.

For each batch: file its writes, mark what they replace, then settle each key touched. A key with
a single live write takes its row straight from it; a contested one is merged from all its live
writes (`journal.fold.merge`). Last, the rows derived for each trial touched are computed anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal, InvalidOperation
from functools import cache
from typing import Any, get_type_hints

from sqlalchemy import Connection, Table

from logbook.journal import entry as journal
from logbook.journal import fold
from logbook.journal.entry import Entry, Value
from logbook.journal.kinds import SPACES, field_names, understood
from logbook.store import derived
from logbook.store.tables import FOLDED, RECORD_TABLES

_BATCH_WRITES = 20_000
_SETTLED = "SELECT key FROM touched"
Batch = Sequence[tuple[str, Entry]]


def apply(connection: Connection, batch: Batch) -> None:
    """Fold entries that were just filed: record tables, then derived rows."""
    trials = _fold(connection, batch)
    derived.refresh(connection, trials)


def rebuild(connection: Connection) -> None:
    """Drop every folded row and fold the whole journal again, in bounded memory."""
    for table in FOLDED:
        connection.exec_driver_sql(f'DELETE FROM "{table.name}"')
    for batch in _batches(connection):
        _fold(connection, batch)
    derived.refresh(connection, None)


def differing_tables(connection: Connection, other: str) -> list[str]:
    """Names of the folded tables whose rows differ from those of the attached database `other`."""
    found = []
    for table in FOLDED:
        for left, right in (("main", other), (other, "main")):
            query = (
                f'SELECT * FROM {left}."{table.name}" EXCEPT SELECT * FROM {right}."{table.name}"'
            )
            if connection.exec_driver_sql(f"{query} LIMIT 1").first():
                found.append(table.name)
                break
    return found


def _batches(connection: Connection) -> Iterator[Batch]:
    """The journal in chunks, in an order that keeps no more than a chunk in memory."""
    last, batch, count = "", [], 0
    while True:
        rows = connection.exec_driver_sql(
            "SELECT id, body FROM entry WHERE id > ? ORDER BY id LIMIT 500", (last,)
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


def _fold(connection: Connection, batch: Batch) -> set[str]:
    """Stage 1; returns the ids of the trials whose derived rows may have changed."""
    if not any(entry.writes for _, entry in batch):
        return set()
    _file(connection, batch)
    contested = _contested(connection)
    simple: dict[str, list[tuple[Any, ...]]] = {}
    for name, entry in batch:
        if not understood(entry):
            continue
        for write in entry.writes:
            if write.value is not None and write.key not in contested:
                _add_row(simple, write.key, fold.Merged(name, write.value, False))
    for key, merged in _merged(connection, contested):
        _add_row(simple, key, merged)
    touched = _trials_touched(connection)
    _forget(connection, contested)
    for space, rows in simple.items():
        connection.exec_driver_sql(_insert(space), rows)
    touched |= _trials_touched(connection)
    connection.exec_driver_sql("DELETE FROM touched")
    return touched


def _file(connection: Connection, batch: Batch) -> None:
    """File the batch's writes and what they replace; leaves its keys in the table `touched`."""
    writes = [
        (write.key, name, place, write.value is None)
        for name, entry in batch
        for place, write in enumerate(entry.writes)
    ]
    replaced = [
        (write.key, old) for _, entry in batch for write in entry.writes for old in write.replaces
    ]
    connection.exec_driver_sql(
        "CREATE TEMP TABLE IF NOT EXISTS touched (key TEXT PRIMARY KEY) WITHOUT ROWID"
    )
    connection.exec_driver_sql(
        "INSERT OR IGNORE INTO touched VALUES (?)", [(key,) for key, *_ in writes]
    )
    connection.exec_driver_sql(
        "INSERT INTO write (key, entry, pos, struck, live) VALUES (?, ?, ?, ?, 1) "
        "ON CONFLICT DO NOTHING",
        writes,
    )
    if replaced:
        connection.exec_driver_sql(
            "INSERT INTO replaced (key, entry) VALUES (?, ?) ON CONFLICT DO NOTHING", replaced
        )
    connection.exec_driver_sql(
        "UPDATE write SET live = 0 WHERE live = 1 AND (key, entry) IN "
        f"(SELECT key, entry FROM replaced WHERE key IN ({_SETTLED}))"
    )


def _contested(connection: Connection) -> set[str]:
    """Touched keys with more than one write, or a write replaced before it came."""
    rows = connection.exec_driver_sql(
        "SELECT key FROM touched CROSS JOIN write USING (key) GROUP BY key "
        "HAVING count(*) > 1 OR min(live) = 0"
    )
    return {key for (key,) in rows}


def _merged(connection: Connection, keys: set[str]) -> Iterator[tuple[str, fold.Merged]]:
    """The merged value of each contested key that has one."""
    entries: dict[str, Entry] = {}
    for key in sorted(keys):
        living: list[tuple[str, Value | None]] = []
        rows = connection.exec_driver_sql(
            "SELECT entry, pos FROM write WHERE key = ? AND live = 1", (key,)
        ).all()
        for name, place in rows:
            entry = entries.get(name) or _load(connection, name)
            entries[name] = entry
            if understood(entry):
                living.append((name, entry.writes[place].value))
        merged = fold.merge(living)
        if merged is not None and merged.value is not None:
            yield key, merged


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


def _add_row(rows: dict[str, list[tuple[Any, ...]]], key: str, merged: fold.Merged) -> None:
    space = journal.space(key)
    if space in SPACES and merged.value is not None:
        cells = _cells(space)(merged.value)
        rows.setdefault(space, []).append(
            (journal.ident(key), merged.entry, int(merged.conflict), *cells)
        )


@cache
def _insert(space: str) -> str:
    table: Table = RECORD_TABLES[space]
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    marks = ", ".join("?" * len(table.columns))
    return f'INSERT OR REPLACE INTO "{table.name}" ({names}) VALUES ({marks})'


@cache
def _cells(space: str) -> Callable[[Value], list[Any]]:
    """How a value becomes its row's cells, in the table's column order."""
    record = SPACES[space]
    hints = get_type_hints(record)
    decimals = {
        name: Decimal in getattr(hints[name], "__args__", (hints[name],))
        for name in field_names(record)
    }

    def cells(value: Value) -> list[Any]:
        row: list[Any] = []
        for name, is_decimal in decimals.items():
            cell = value.get(name)
            if cell.__class__ in _WRITABLE:
                row.append(cell)
            else:
                row.append(journal.to_json(cell))
            if is_decimal:
                row.append(_number(cell))
        return row

    return cells


_WRITABLE = frozenset({str, int, bool, type(None)})


def _number(text: object) -> float | None:
    """The REAL beside a decimal's text; None for what is not a number (the fold never fails)."""
    if not isinstance(text, str):
        return None
    try:
        return float(Decimal(text))
    except (InvalidOperation, OverflowError):
        return None


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
        trials |= {trial for (trial,) in rows if trial}
    return trials
