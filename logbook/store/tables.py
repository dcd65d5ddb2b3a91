"""The store's tables: the one schema source, read by Alembic.

Three kinds of table:
- the journal (`entry`), append-only: triggers refuse every UPDATE and DELETE;
- the fold's own (`write`, `replaced`) and one table per record, named after its key space, with
  the record's fields as columns: all of them a cache, rebuilt from the journal at any time;
- facts of this copy of the store alone, never compared: `local` (which writer it is), `held` (what
  other machines wrote and is not accepted yet), `head` (what vouches for entries), and the places
  that it exchanges entries through.

A decimal field is two columns: the exact text under its name, and a REAL `<name>_num` to compute
with. No column of a record table is unique or required beside its id: the fold must not fail,
whatever another machine wrote. In a table without rowid the key's columns come first: elsewhere the
integrity check of SQLite 3.40 finds NULLs that are not there.

Schema history: 0001 first version. 0002 late beds, composites, parts, bags, weighings,
measurements, skipped pulls, a calendar that changes. 0003 declared errors and margins of nutrients,
the error of a lot's analysis, what a laboratory said about a result beside its number;
shipments, what is done with samples, blinds, reference materials, queries and their answers;
other machines: members, entries held back, heads, places.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from sqlalchemy import REAL, Column, Index, Integer, LargeBinary, MetaData, Table, Text, text

from logbook.journal.kinds import SPACES, record_fields

METADATA = MetaData()

ENTRY = Table(
    "entry",
    METADATA,
    Column("id", Text, primary_key=True, comment="SHA-256 of body, hex"),
    Column("writer", Text, nullable=False, comment="who wrote it: the writer's id"),
    Column("seq", Integer, nullable=False, comment="its number in the writer's chain, from 1"),
    Column("act", Text, comment="the act it belongs to"),
    Column("body", LargeBinary, nullable=False, comment="the entry's bytes, exactly as hashed"),
    Index("entry_by_writer", "writer", "seq", "id", unique=True),
    Index("entry_by_act", "act"),
)
WRITE = Table(
    "write",
    METADATA,
    Column("key", Text, primary_key=True, comment="the key written"),
    Column("entry", Text, primary_key=True, comment="the entry that wrote it"),
    Column("pos", Integer, nullable=False, comment="which of the entry's writes, from 0"),
    Column("struck", Integer, nullable=False, comment="1 if the write strikes the key"),
    Column("live", Integer, nullable=False, comment="1 while no other write replaces it"),
    Column("about", Text, comment="id of the bed, sample or trial that the value is about"),
    Index("write_by_about", "about"),
    sqlite_with_rowid=False,
)
REPLACED = Table(
    "replaced",
    METADATA,
    Column("key", Text, primary_key=True, comment="the key whose write is replaced"),
    Column("entry", Text, primary_key=True, comment="the entry replaced; it may not be here yet"),
    sqlite_with_rowid=False,
)
LOCAL = Table(
    "local",
    METADATA,
    Column("name", Text, primary_key=True, comment="see store/local.py"),
    Column("value", Text, nullable=False),
)
HELD = Table(
    "held",
    METADATA,
    Column("id", Text, primary_key=True, comment="SHA-256 of body, hex"),
    Column("writer", Text, nullable=False, comment="who wrote it, as it says"),
    Column("seq", Integer, nullable=False, comment="its number, as it says"),
    Column("prev", Text, comment="the id of the entry before it, as it says"),
    Column("body", LargeBinary, nullable=False, comment="the entry's bytes, exactly as hashed"),
    Column("since", Text, nullable=False, comment="when it came here"),
    Index("held_by_writer", "writer", "seq"),
)
REFUSED = Table(
    "refused",
    METADATA,
    Column("id", Text, primary_key=True, comment="of bytes that can be no entry of its writer"),
    Column("prev", Text, comment="the id of the entry before it, as they say"),
    sqlite_with_rowid=False,
)
HEAD = Table(
    "head",
    METADATA,
    Column("writer", Text, primary_key=True, comment="whose entries it vouches for"),
    Column("id", Text, primary_key=True, comment="the newest of them"),
    Column("by", Text, primary_key=True, comment="who vouches: that writer, or one that saw it"),
    Column("seq", Integer, nullable=False, comment="the number of that entry"),
    Column("signature", Text, nullable=False, comment="Ed25519, hex; empty where it was seen"),
    sqlite_with_rowid=False,
)
PLACE = Table(
    "place",
    METADATA,
    Column("name", Text, primary_key=True, comment="what people call it"),
    Column("address", Text, nullable=False, comment="a folder, or a URL without its password"),
    Column("book", Text, comment="which book of a hub, where it keeps several"),
    Column("last", Text, comment="when entries were last exchanged there"),
    Column("seen", Text, nullable=False, comment="the tips it had then, JSON"),
)
PLACE_FILE = Table(
    "place_file",
    METADATA,
    Column("place", Text, primary_key=True, comment="the folder"),
    Column("file", Text, primary_key=True, comment="a file in it that was read whole"),
    Column("size", Integer, nullable=False, comment="its size then, bytes"),
    Column("mtime", Integer, nullable=False, comment="its time of change then, ns"),
    Column("runs", Text, nullable=False, comment="what it holds, JSON"),
    sqlite_with_rowid=False,
)
CONTACT = Table(
    "contact",
    METADATA,
    Column("writer", Text, primary_key=True, comment="the writer"),
    Column("at", Text, nullable=False, comment="when something new of it last came here"),
    Column("place", Text, nullable=False, comment="where from"),
)
DUE = Table(
    "due",
    METADATA,
    Column("bed", Text, primary_key=True, comment="the bed to sample"),
    Column("n", Integer, primary_key=True, comment="its place among the bed's pulls, from 0"),
    Column("trial", Text, nullable=False, comment="the trial"),
    Column("planned", Text, nullable=False, comment="the calendar's name of the pull"),
    Column("day", Integer, comment="days after application; NULL: before it"),
    Column("day0", Text, comment="the day it counts from"),
    Column("opens", Text, comment="first date that counts as on time"),
    Column("target", Text, comment="the date aimed at"),
    Column("closes", Text, comment="last date that counts as on time"),
    Column("missed_from", Text, comment="first date on which it is missed"),
    Column("tolerance", Integer, nullable=False, comment="days either side of the target"),
    Column("also", Text, nullable=False, comment="further names it serves, a JSON list"),
    Column("moved", Integer, nullable=False, comment="1 if it follows a treated bed's pull"),
    Column("pull", Text, comment="the sample code that served it"),
    Column("pulled", Text, comment="the date of that pull"),
    Column("repeats", Text, nullable=False, comment="codes of repeated pulls, a JSON list"),
    Column("skipped", Text, comment="why it will not be pulled"),
    Index("due_by_trial", "trial"),
    sqlite_with_rowid=False,
)
DUPLICATE = Table(
    "possible_duplicate",
    METADATA,
    Column("first", Text, primary_key=True, comment="the id of a pull"),
    Column("second", Text, primary_key=True, comment="another that looks like the same pull"),
    Column("trial", Text, nullable=False, comment="the trial"),
    sqlite_with_rowid=False,
)

# key space -> the columns of its index; that of `water` answers by itself when a bed was watered
_INDEXED = {
    "bed": ("trial",),
    "fill": ("bed",),
    "apply": ("bed",),
    "water": ("bed", "when"),
    "pull": ("bed",),
    "event": ("bed",),
    "note": ("about",),
    "result": ("sample",),
    "part": ("pull",),
    "measure": ("about",),
    "skip": ("bed",),
    "sent": ("sample",),
    "handling": ("sample",),
    "query": ("sample",),
}


def _record_table(space: str, record: type) -> Table:
    columns: list[Any] = [
        Column("id", Text, primary_key=True, comment="the key without its space"),
        Column("entry", Text, nullable=False, comment="the entry whose value is shown"),
        Column("conflict", Integer, nullable=False, comment="1 if live writes disagree"),
    ]
    for one in record_fields(record):
        columns.append(Column(one.name, Integer if one.type in (int, bool) else Text))
        if one.type is Decimal:
            columns.append(Column(f"{one.name}_num", REAL))
    table = space.replace("-", "_")
    # The daily board asks every table for its conflicts: an index of the few rows that have one.
    indexes = [Index(f"{table}_in_conflict", "id", sqlite_where=text("conflict = 1"))]
    if space in _INDEXED:
        first, *more = _INDEXED[space]
        indexes.append(Index(f"{table}_by_{first}", first, *more))
    if space == "result":
        # Every curve lists the few results that their laboratory flagged.
        indexes.append(Index("result_flagged", "id", sqlite_where=text("flags <> ''")))
    return Table(table, METADATA, *columns, *indexes, sqlite_with_rowid=False)


RECORD_TABLES = {space: _record_table(space, record) for space, record in SPACES.items()}
# What a rebuild drops, fills again and compares; the journal and `local` are not among them.
FOLDED = (WRITE, REPLACED, *RECORD_TABLES.values(), DUE, DUPLICATE)
# The journal is append-only: SQLite itself refuses anything else.
TRIGGERS = {
    f"entry_no_{verb.lower()}": f"CREATE TRIGGER entry_no_{verb.lower()} BEFORE {verb} ON entry\n"
    "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
    for verb in ("UPDATE", "DELETE")
}
