"""Invented entries and records for tests of the journal, the fold and the store."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy import Connection

from logbook.journal.entry import Entry, Write, encode, entry_id
from logbook.journal.kinds import to_value
from logbook.store import entries, projections
from logbook.store.tables import FOLDED
from logbook.trial import records
from logbook.trial.times import When

Filing = tuple[str, Entry, bytes]
TRIAL = records.Trial(
    "House (invented)", "q", "Europe/Berlin", "drawn", 7, None, "N", "ab", Decimal(15), 8, None
)


def public_key(name: str) -> str:
    """A made-up public key: 32 bytes that follow from a name."""
    return hashlib.sha256(name.encode()).hexdigest()


def writer_id(name: str) -> str:
    """The writer's id that follows from `public_key`."""
    return hashlib.sha256(bytes.fromhex(public_key(name))).hexdigest()[:32]


def filed(entry: Entry) -> Filing:
    """An entry as the store takes it."""
    body = encode(entry)
    return entry_id(body), entry, body


def chain_of(name: str, acts: Iterable[Sequence[Write]]) -> list[Filing]:
    """A writer's chain: its introduction, then an entry for each group of writes."""
    value = to_value(records.Writer("book", name, public_key(name), None))
    made: list[Filing] = []
    for seq, writes in enumerate([[Write(f"writer/{writer_id(name)}", value)], *acts], start=1):
        made.append(
            filed(
                Entry(
                    writer=writer_id(name),
                    seq=seq,
                    prev=made[-1][0] if made else None,
                    kind="set" if made else "writer",
                    written="2026-03-14T08:30:00+01:00",
                    by=name,
                    act=f"{name}{seq}" if made else None,
                    writes=tuple(writes),
                )
            )
        )
    return made


def absorb(connection: Connection, batch: Sequence[Filing]) -> None:
    """File entries and fold them, as one batch."""
    entries.append(connection, batch)
    projections.apply(connection, [(name, entry) for name, entry, _ in batch])


def dump(connection: Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every folded table, in order."""
    dumped = {}
    for table in FOLDED:
        order = ", ".join(f'"{column.name}"' for column in table.primary_key.columns)
        rows = connection.exec_driver_sql(f'SELECT * FROM "{table.name}" ORDER BY {order}')
        dumped[table.name] = [tuple(row) for row in rows]
    return dumped


def bed(label: str = "B1", trial: str = "t", treatment: str = "x", place: int = 1) -> records.Bed:
    """A bed of half a square metre."""
    return records.Bed(trial, label, "1", treatment, place, Decimal("0.50"), Decimal(20))


def watering(of: str, day: date, volume: str = "250") -> records.Watering:
    """A metered watering."""
    return records.Watering(of, When(day), Decimal(volume), "metered", f"{volume} mL")


def result(sample: str, analyte: str, value: str) -> tuple[str, records.Result]:
    """A laboratory's value with its key."""
    found = records.Result(
        "lab", "R1", sample, analyte, "m", "dry", 1, 1, Decimal(value), None, "", "mg/kg",
        value, "mg/kg", "",
    )  # fmt: skip
    return f"result/lab/R1/{sample}/{analyte}/m/dry/1/1", found
