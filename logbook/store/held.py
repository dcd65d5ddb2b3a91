"""Entries of other machines as SQL sees them: held back, vouched for, accepted.

Every function takes a connection of the standard library's sqlite3: one that reads, or the one
inside an open transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import sqlite3

Tip = tuple[int, str]


class Link(NamedTuple):
    """Where an entry stands in its chain: its number, and the id of the one before it."""

    seq: int
    prev: str | None


class Vouched(NamedTuple):
    """A head: the entry it vouches for, by whom, and its signature ("" where it was seen)."""

    writer: str
    seq: int
    id: str
    by: str
    signature: str


def hold(store: sqlite3.Connection, rows: Iterable[tuple[Any, ...]]) -> int:
    """Keep entries `(id, writer, seq, prev, body, since)` that are not here yet; how many."""
    before = store.total_changes
    store.executemany(
        "INSERT INTO held (id, writer, seq, prev, body, since) SELECT ?1, ?2, ?3, ?4, ?5, ?6 "
        "WHERE NOT EXISTS (SELECT 1 FROM entry WHERE id = ?1) ON CONFLICT (id) DO NOTHING",
        rows,
    )
    return store.total_changes - before


def writers_held(store: sqlite3.Connection) -> list[str]:
    """The writers with entries held back."""
    rows = store.execute("SELECT DISTINCT writer FROM held ORDER BY writer").fetchall()
    return [writer for (writer,) in rows]


def count(store: sqlite3.Connection, writer: str) -> int:
    """How many entries of a writer are held back."""
    row = store.execute("SELECT count(*) FROM held WHERE writer = ?", (writer,)).fetchone()
    return int(row[0])


def drop(store: sqlite3.Connection, names: Iterable[str]) -> None:
    """Take entries out of what is held back: they count nowhere, and may be fetched again."""
    store.executemany("DELETE FROM held WHERE id = ?", [(name,) for name in names])


def turn_away(store: sqlite3.Connection, writer: str) -> int:
    """Drop everything held back of a writer; how many entries.

    Its word for what is accepted stays: that was let in by it.
    """
    store.execute(
        'DELETE FROM head WHERE writer = ?1 AND "by" = ?1 AND id NOT IN (SELECT id FROM entry)',
        (writer,),
    )
    return store.execute("DELETE FROM held WHERE writer = ?", (writer,)).rowcount


def refuse(store: sqlite3.Connection, name: str, prev: str | None) -> None:
    """Remember bytes that can be no entry, by their SHA-256, and what they say they follow."""
    store.execute("INSERT OR IGNORE INTO refused (id, prev) VALUES (?, ?)", (name, prev))


def refused(store: sqlite3.Connection, name: str) -> tuple[str | None] | None:
    """What refused bytes of that SHA-256 say they follow, in a tuple; None if they were not."""
    row = store.execute("SELECT prev FROM refused WHERE id = ?", (name,)).fetchone()
    return None if row is None else (row[0],)


def links(store: sqlite3.Connection, writer: str) -> dict[str, Link]:
    """The entries held back of a writer, by id."""
    rows = store.execute("SELECT id, seq, prev FROM held WHERE writer = ?", (writer,)).fetchall()
    return {name: Link(seq, prev) for name, seq, prev in rows}


def accept(store: sqlite3.Connection, writer: str, names: Sequence[str]) -> Iterator[Any]:
    """Move entries of a writer from `held` to `entry`; yields each `(id, body)` by number.

    What is yielded must be filed by the caller, which knows the act of an entry.
    """
    store.execute("CREATE TEMP TABLE IF NOT EXISTS admitted (id TEXT PRIMARY KEY) WITHOUT ROWID")
    store.execute("DELETE FROM admitted")
    store.executemany("INSERT INTO admitted VALUES (?)", [(name,) for name in names])
    last = 0
    while True:
        rows = store.execute(
            "SELECT seq, id, body FROM held WHERE writer = ? AND seq BETWEEN ? AND ? "
            "AND id IN (SELECT id FROM admitted) ORDER BY seq, id",
            (writer, last + 1, last + 500),
        ).fetchall()
        yield from ((name, body) for _, name, body in rows)
        last += 500
        more = store.execute(
            "SELECT min(seq) FROM held WHERE writer = ? AND seq > ?", (writer, last)
        ).fetchone()[0]
        if more is None:
            break
        last = max(last, more - 1)
    store.execute("DELETE FROM held WHERE id IN (SELECT id FROM admitted)")


def first_entries(store: sqlite3.Connection) -> list[tuple[str, bytes, bool]]:
    """Entry 1 of every writer: `(writer, body, accepted)`."""
    rows = store.execute(
        "SELECT writer, body, 1 FROM entry WHERE seq = 1 "
        "UNION ALL SELECT writer, body, 0 FROM held WHERE seq = 1 ORDER BY 1, 3 DESC, 2"
    ).fetchall()
    return [(writer, body, bool(accepted)) for writer, body, accepted in rows]


def letting_themselves_in(store: sqlite3.Connection) -> set[str]:
    """Writers with an entry held back that lets in that very writer: who founded a book again."""
    rows = store.execute(
        "SELECT DISTINCT writer FROM held "
        "WHERE instr(body, CAST('[\"member/' || writer || '\"' AS BLOB)) > 0"
    ).fetchall()
    return {writer for (writer,) in rows}


def first_entry(store: sqlite3.Connection, writer: str) -> bytes | None:
    """Entry 1 of a writer, accepted or held back."""
    for table in ("entry", "held"):
        row = store.execute(
            f"SELECT body FROM {table} WHERE writer = ? AND seq = 1 ORDER BY id", (writer,)
        ).fetchone()
        if row is not None:
            first: bytes = row[0]
            return first
    return None


def is_accepted(store: sqlite3.Connection, name: str) -> bool:
    """True if the entry of that id is in the journal."""
    return store.execute("SELECT 1 FROM entry WHERE id = ?", (name,)).fetchone() is not None


def is_here(store: sqlite3.Connection, name: str) -> bool:
    """True if the entry of that id is in the journal or held back."""
    query = "SELECT 1 FROM entry WHERE id = ?1 UNION ALL SELECT 1 FROM held WHERE id = ?1"
    return store.execute(query, (name,)).fetchone() is not None


def follows(store: sqlite3.Connection, writer: str, seq: int, prev: str) -> bool:
    """True if `prev` is the accepted entry of that writer before number `seq`."""
    row = store.execute(
        "SELECT 1 FROM entry WHERE writer = ? AND seq = ? AND id = ?", (writer, seq - 1, prev)
    ).fetchone()
    return row is not None


def is_followed(store: sqlite3.Connection, writer: str, seq: int, name: str) -> bool:
    """True if an accepted entry of that writer names this one as the entry before it."""
    from logbook.journal.entry import decode, entry_id

    rows = store.execute(
        "SELECT id, body FROM entry WHERE writer = ? AND seq = ?", (writer, seq + 1)
    ).fetchall()
    return any(entry_id(body) == after and decode(body).prev == name for after, body in rows)


def writers(store: sqlite3.Connection) -> list[str]:
    """Every writer with accepted entries, found by the index alone."""
    rows = store.execute(
        "WITH RECURSIVE found(writer) AS (SELECT min(writer) FROM entry UNION ALL "
        "SELECT (SELECT min(writer) FROM entry WHERE writer > found.writer) FROM found "
        "WHERE found.writer IS NOT NULL) SELECT writer FROM found WHERE writer IS NOT NULL"
    ).fetchall()
    return [writer for (writer,) in rows]


def last(store: sqlite3.Connection, writer: str) -> int:
    """The greatest number of a writer's accepted entries; 0 if there is none."""
    row = store.execute("SELECT max(seq) FROM entry WHERE writer = ?", (writer,)).fetchone()
    return int(row[0] or 0)


def unbroken(store: sqlite3.Connection, writer: str) -> int:
    """Up to which number no accepted entry of the writer is missing."""
    newest = last(store, writer)
    count = store.execute("SELECT count(*) FROM entry WHERE writer = ?", (writer,)).fetchone()[0]
    if count == newest:
        return newest
    numbers = store.execute(
        "SELECT DISTINCT seq FROM entry WHERE writer = ? ORDER BY seq", (writer,)
    ).fetchall()
    return next((at for at, (seq,) in enumerate(numbers) if seq != at + 1), newest)


def is_forked(store: sqlite3.Connection, writer: str) -> bool:
    """True if a number of the writer's accepted entries was used twice."""
    count = store.execute("SELECT count(*) FROM entry WHERE writer = ?", (writer,)).fetchone()[0]
    return int(count) > last(store, writer)


def fork_at(store: sqlite3.Connection, writer: str) -> int:
    """The first number that a writer's accepted entries use twice; 0 if none is."""
    if not is_forked(store, writer):
        return 0
    row = store.execute(
        "SELECT seq FROM entry WHERE writer = ? GROUP BY seq HAVING count(*) > 1 ORDER BY seq",
        (writer,),
    ).fetchone()
    return int(row[0])


def chain_from(store: sqlite3.Connection, writer: str, first: int) -> dict[str, Link]:
    """The accepted entries of a writer from a number on, by id: each is decoded."""
    from logbook.journal.entry import decode

    rows = store.execute(
        "SELECT id, body FROM entry WHERE writer = ? AND seq >= ?", (writer, first)
    ).fetchall()
    entries = ((name, decode(body)) for name, body in rows)
    return {name: Link(entry.seq, entry.prev) for name, entry in entries}


def tips(store: sqlite3.Connection, writer: str) -> frozenset[Tip]:
    """The accepted entries of a writer that none follows: one, or several where it forks."""
    fork = fork_at(store, writer)
    if fork:
        chain = chain_from(store, writer, fork)
        followed = {link.prev for link in chain.values()}
        return frozenset((link.seq, name) for name, link in chain.items() if name not in followed)
    row = store.execute(
        "SELECT seq, id FROM entry WHERE writer = ? ORDER BY seq DESC LIMIT 1", (writer,)
    ).fetchone()
    return frozenset([(int(row[0]), str(row[1]))] if row else [])


def at(store: sqlite3.Connection, writer: str, seq: int) -> frozenset[Tip]:
    """The accepted entries of a writer with that number."""
    rows = store.execute(
        "SELECT seq, id FROM entry WHERE writer = ? AND seq = ?", (writer, seq)
    ).fetchall()
    return frozenset(rows)


def numbered(
    store: sqlite3.Connection, writer: str, after: int, up_to: int, most: int
) -> list[tuple[int, str, bytes]]:
    """Accepted entries `(number, id, body)` numbered after `after`, at most `most` of them.

    Up to `up_to`, below which the chain does not fork.
    """
    return store.execute(
        "SELECT seq, id, body FROM entry WHERE writer = ? AND seq > ? AND seq <= ? "
        "ORDER BY seq LIMIT ?",
        (writer, after, up_to, most),
    ).fetchall()


def body(store: sqlite3.Connection, name: str) -> bytes:
    """The bytes of an accepted entry."""
    (found,) = store.execute("SELECT body FROM entry WHERE id = ?", (name,)).fetchone()
    body: bytes = found
    return body


def accepted_number(store: sqlite3.Connection, writer: str, name: str) -> int:
    """The number of an accepted entry of that writer; 0 if it is none."""
    row = store.execute(
        "SELECT seq FROM entry WHERE id = ? AND writer = ?", (name, writer)
    ).fetchone()
    return int(row[0]) if row else 0


def vouch(store: sqlite3.Connection, heads: Iterable[Vouched]) -> None:
    """Keep heads."""
    store.executemany(
        "INSERT INTO head (writer, seq, id, by, signature) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING",
        heads,
    )


def unvouch(store: sqlite3.Connection, head: Vouched) -> None:
    """Forget a head whose signature turned out false."""
    store.execute(
        "DELETE FROM head WHERE writer = ? AND id = ? AND by = ?", (head.writer, head.id, head.by)
    )


def heads(store: sqlite3.Connection, writer: str) -> list[Vouched]:
    """Every head that vouches for entries of a writer."""
    rows = store.execute(
        'SELECT writer, seq, id, "by", signature FROM head WHERE writer = ? ORDER BY seq, id, "by"',
        (writer,),
    ).fetchall()
    return [Vouched(*row) for row in rows]


def signed_at(store: sqlite3.Connection, writer: str, name: str) -> str | None:
    """The writer's own signature of that entry as its head, or None."""
    row = store.execute(
        'SELECT signature FROM head WHERE writer = ?1 AND id = ?2 AND "by" = ?1', (writer, name)
    ).fetchone()
    return None if row is None else str(row[0])


def signed_ahead(store: sqlite3.Connection, writer: str) -> bool:
    """True if the writer signed an entry of its own that is not accepted here."""
    row = store.execute(
        'SELECT 1 FROM head h WHERE writer = ?1 AND "by" = ?1 '
        "AND NOT EXISTS (SELECT 1 FROM entry e WHERE e.id = h.id)",
        (writer,),
    ).fetchone()
    return row is not None


def forget_older_heads(store: sqlite3.Connection, writer: str) -> None:
    """Of each voucher's heads for a chain that does not fork, keep the newest that is accepted."""
    if not is_forked(store, writer):
        store.execute(
            # Of an entry that is not accepted yet, the head is what lets it in.
            "DELETE FROM head WHERE writer = ?1 AND id IN (SELECT id FROM entry) "
            "AND seq < (SELECT max(h.seq) FROM head h "
            'JOIN entry e ON e.id = h.id WHERE h.writer = ?1 AND h."by" = head."by")',
            (writer,),
        )


def touch(store: sqlite3.Connection, writer: str, at: str, place: str) -> None:
    """Note that something new of a writer came here."""
    store.execute(
        "INSERT OR REPLACE INTO contact (writer, at, place) VALUES (?, ?, ?)", (writer, at, place)
    )
