"""A hub as a place: what it holds, what this machine lacks of it, and sending.

Nothing is asked by a serial number: such numbers are given before they are committed, and what is
committed late would never be asked for. Entries are asked for by writer and number.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from typing import TYPE_CHECKING, Any

from logbook.journal.entry import decode
from logbook.sync.hub import schema
from logbook.sync.hub.address import Address, parsed
from logbook.sync.hub.connecting import engine, raw, transaction, translated
from logbook.sync.place import MOST_BYTES, MOST_ENTRIES, Head, Inventory, Known, Place, Run, Tip

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

# Older heads of a chain say nothing more; some are read in case the newest is no true signature.
# Of each role apart: no role's false heads stand in the way of another's.
_HEADS_OF_EACH = 8

# Each writer by a step through the index, so that the time goes with writers, not with entries.
_WRITERS = """
    WITH RECURSIVE step (writer) AS (
        (SELECT writer FROM entry ORDER BY writer LIMIT 1)
        UNION ALL
        SELECT (SELECT writer FROM entry AS e WHERE e.writer > step.writer
                ORDER BY writer LIMIT 1)
        FROM step WHERE step.writer IS NOT NULL
    ), forked AS (SELECT writer, min(seq) AS seq FROM fork GROUP BY writer)
"""
# Without a fork the last entry is the tip; with one, whatever none follows, from the fork on. Its
# note may outlast the fork, where the keeper of the database took that away. OFFSET has each entry
# looked up by the index: a join would read every chain whole.
_TIPS = f"""{_WRITERS}
    SELECT step.writer, ends.seq, ends.id FROM step LEFT JOIN forked USING (writer)
    CROSS JOIN LATERAL (
        SELECT seq FROM entry AS e WHERE e.writer = step.writer ORDER BY seq DESC LIMIT 1
    ) AS last
    CROSS JOIN LATERAL (
        SELECT seq, id FROM entry AS e
        WHERE e.writer = step.writer AND e.seq >= LEAST(forked.seq, last.seq) AND NOT EXISTS (
            SELECT FROM entry AS n
            WHERE n.writer = e.writer AND n.seq = e.seq + 1 AND n.prev = e.id OFFSET 0
        )
    ) AS ends
"""
_HEADS = f"""
    WITH RECURSIVE step (writer, role) AS (
        (SELECT writer, role FROM head ORDER BY writer, role LIMIT 1)
        UNION ALL
        SELECT next.* FROM step CROSS JOIN LATERAL (
            SELECT writer, role FROM head AS h WHERE (h.writer, h.role) > (step.writer, step.role)
            ORDER BY writer, role LIMIT 1
        ) AS next
    )
    SELECT DISTINCT step.writer, h.seq, h.id, h.signature FROM step
    CROSS JOIN LATERAL (
        SELECT seq, id, signature FROM head
        WHERE head.writer = step.writer AND head.role = step.role
        ORDER BY seq DESC
        LIMIT CASE WHEN EXISTS (SELECT FROM fork WHERE fork.writer = step.writer)
              THEN NULL ELSE {_HEADS_OF_EACH} END
    ) AS h
"""
_WHICH_ARE_THERE = """
    SELECT e.writer, e.seq, e.id
    FROM unnest(%s::bytea[], %s::bigint[], %s::bytea[]) AS asked (writer, seq, id)
    JOIN entry AS e USING (writer, seq, id)
"""
_FORKS = "SELECT writer, min(seq) FROM fork GROUP BY writer"
_LINKS = "SELECT seq, id, prev FROM entry WHERE writer = %s AND seq > %s ORDER BY seq, id"
_READ = (
    "COPY (SELECT seq, id, prev, body FROM entry WHERE writer = {} AND seq > {} ORDER BY seq, id) "
    "TO STDOUT (FORMAT binary)"
)
_ARRIVE = """
    CREATE TEMPORARY TABLE arriving (writer bytea, seq bigint, prev bytea, body bytea)
    ON COMMIT DROP
"""
# In one order whoever sends, so that no two wait for each other.
_TAKE = """
    INSERT INTO entry (writer, seq, prev, body)
    SELECT writer, seq, prev, body FROM arriving {} ON CONFLICT DO NOTHING
"""
_ORDER = "ORDER BY writer, seq, body"
_VOUCH = """
    INSERT INTO head (writer, seq, id, signature)
    SELECT * FROM unnest(%s::bytea[], %s::bigint[], %s::bytea[], %s::bytea[])
    ORDER BY 1, 2, 3, 4 ON CONFLICT DO NOTHING
"""


def open_hub(url: str, book: str | None = None) -> Hub:
    """The hub's place for a book, or for the only one that it keeps.

    Raises Unreachable, NewerHub for one that a newer program made, UserMistake if the book has no
    place there.
    """
    address = parsed(url)
    store = engine(address)
    try:
        with translated(address), store.connect() as connection:
            name = schema.meant(connection, book, address.shown)
            schema.check(connection, name)
    except BaseException:
        store.dispose()
        raise
    return Hub(address, store, name)


class Hub(Place):
    """The place of one book in a PostgreSQL database; see `open_hub`."""

    def __init__(self, address: Address, store: Engine, name: str) -> None:
        super().__init__(address.shown)
        self._address, self._store, self._schema = address, store, name

    def inventory(self) -> Inventory:
        """What is there now: tips, and of a chain without a fork its newest heads."""
        with self._asking() as connection:
            return Inventory(_tips(connection), frozenset(_heads(connection)))

    def fetch(self, known: Known) -> Iterator[Run]:
        """Everything there that is not known, writer by writer; heads follow their entries."""
        with self._asking() as connection:
            heads: dict[str, list[Head]] = {}
            for head in _heads(connection):
                heads.setdefault(head.writer, []).append(head)
            for writer, after in _lacking(connection, known).items():
                yield from _runs(connection, writer, after, known)
        for writer, some in sorted(heads.items()):
            lacking = tuple(sorted(head for head in some if not known.has_head(head)))
            if lacking:
                yield Run(writer, (), lacking)

    def send(self, runs: Iterable[Run]) -> None:
        """Keep these runs: all of them or, whatever happens, none; safe when it returns."""
        heads: set[Head] = set()
        last, ordered = ("", 0), True
        with self._asking() as connection:
            connection.exec_driver_sql(_ARRIVE)
            cursor = raw(connection).cursor()
            with cursor.copy("COPY arriving FROM STDIN (FORMAT binary)") as copy:
                copy.set_types(["bytea", "int8", "bytea", "bytea"])
                for run in runs:
                    heads.update(run.heads)
                    if run.bodies:
                        first, end = _write(copy, run)
                        ordered = ordered and last < (run.writer, first)
                        last = (run.writer, end)
            connection.exec_driver_sql(_TAKE.format("" if ordered else _ORDER))
            if heads:
                connection.exec_driver_sql(_VOUCH, _columns(sorted(heads)))

    def close(self) -> None:
        """Let go of the connections."""
        self._store.dispose()

    def _asking(self) -> Any:
        return transaction(self._store, self._address, self._schema)


def _tips(connection: Connection) -> dict[str, frozenset[Tip]]:
    found: dict[str, set[Tip]] = {}
    for writer, seq, name in connection.exec_driver_sql(_TIPS):
        found.setdefault(writer.hex(), set()).add((seq, name.hex()))
    return {writer: frozenset(tips) for writer, tips in found.items()}


def _heads(connection: Connection) -> list[Head]:
    return [
        Head(writer.hex(), seq, name.hex(), signature.hex())
        for writer, seq, name, signature in connection.exec_driver_sql(_HEADS)
    ]


def _lacking(connection: Connection, known: Known) -> dict[str, int]:
    """After which number entries of a writer are lacking here, for those of whom there are any."""
    there, forks = _tips(connection), _forks(connection)
    mine = {writer: known.tips(writer) for writer in there}
    lacking = [
        writer for writer in sorted(there)
        if any(_may_lack(tip, mine[writer], writer in forks, known)
               for tip in there[writer] - mine[writer])
    ]  # fmt: skip
    common = _common(connection, {writer: mine[writer] for writer in lacking})
    after: dict[str, int] = {}
    for writer in lacking:
        # All below an end of what is here is here too. Below a fork the hub has one path.
        below = max((seq for seq, _ in common.get(writer, ())), default=0)
        trunk = min(below, forks.get(writer, below + 1) - 1)
        first: int | None = trunk + 1
        if mine[writer] and (writer in forks or not trunk):
            first = _first_lacking(connection, writer, trunk, known)
        if first is not None:
            after[writer] = first - 1
    return after


def _may_lack(tip: Tip, mine: frozenset[Tip], forked: bool, known: Known) -> bool:
    """True if what ends at a tip of the hub may not be all here; the tip is none of this machine.

    An entry that is here may have gaps below it, filled by nothing but the hub: that it is here
    counts only below a tip of this machine, where the hub has one path.
    """
    seq, name = tip
    below = not forked and any(end > seq for end, _ in mine)
    return not known.refuses(name) and not (below and known.has(name))


def _forks(connection: Connection) -> dict[str, int]:
    """The first number from which on a writer's chain has branches, for those that fork."""
    return {writer.hex(): int(seq) for writer, seq in connection.exec_driver_sql(_FORKS)}


def _common(connection: Connection, asked: dict[str, frozenset[Tip]]) -> dict[str, set[Tip]]:
    """Those of the entries asked for that the hub has."""
    rows = [
        (bytes.fromhex(w), seq, bytes.fromhex(i)) for w, ends in asked.items() for seq, i in ends
    ]
    found: dict[str, set[Tip]] = {}
    if rows:
        columns = tuple(map(list, zip(*rows, strict=True)))
        for writer, seq, name in connection.exec_driver_sql(_WHICH_ARE_THERE, columns):
            found.setdefault(writer.hex(), set()).add((seq, name.hex()))
    return found


def _first_lacking(connection: Connection, writer: str, after: int, known: Known) -> int | None:
    """The first number after this one of an entry of the writer that is lacking; None: none is."""
    refused = _Refused(known)
    for seq, name, prev in connection.exec_driver_sql(_LINKS, (bytes.fromhex(writer), after)):
        if not refused(name, prev) and not known.has(name.hex()):
            return int(seq)
    return None


class _Refused:
    """What need not come again: refused here, or following what is. Asked in a chain's order."""

    def __init__(self, known: Known) -> None:
        self._known = known
        self._names: set[bytes] = set()

    def __call__(self, name: bytes, prev: bytes | None) -> bool:
        if prev not in self._names and not self._known.refuses(name.hex()):
            return False
        self._names.add(name)
        return True


def _runs(connection: Connection, writer: str, after: int, known: Known) -> Iterator[Run]:
    """The entries of a writer after a number; where its chain forks, each branch is a run."""
    from psycopg import sql

    query = sql.SQL(_READ).format(sql.Literal(bytes.fromhex(writer)), sql.Literal(after))
    refused = _Refused(known)
    branches: dict[bytes | None, list[bytes]] = {}
    count = size = 0
    with closing(raw(connection).cursor()) as cursor, cursor.copy(query) as copy:
        copy.set_types(["int8", "bytea", "bytea", "bytea"])
        for _, name, prev, body in copy.rows():
            if refused(name, prev):
                continue
            if count >= MOST_ENTRIES or (count and size + len(body) > MOST_BYTES):
                yield from _as_runs(writer, branches.values())
                branches, count, size = {}, 0, 0
            run = branches.pop(prev, None) if prev else None
            branches[name] = run = [] if run is None else run
            run.append(body)
            count, size = count + 1, size + len(body)
    yield from _as_runs(writer, branches.values())


def _as_runs(writer: str, branches: Iterable[Sequence[bytes]]) -> Iterator[Run]:
    for bodies in branches:
        yield Run(writer, tuple(bodies))


def _write(copy: Any, run: Run) -> tuple[int, int]:
    """Put a run's entries on their way; each but the first follows the one before it.

    Returns the numbers of the first and the last.
    """
    from hashlib import sha256

    writer = bytes.fromhex(run.writer)
    first = decode(run.bodies[0])
    prev = bytes.fromhex(first.prev) if first.prev else None
    for seq, body in enumerate(run.bodies, first.seq):
        copy.write_row((writer, seq, prev, body))
        prev = sha256(body).digest()
    return first.seq, first.seq + len(run.bodies) - 1


def _columns(heads: Sequence[Head]) -> tuple[list[Any], ...]:
    return (
        [bytes.fromhex(head.writer) for head in heads],
        [head.seq for head in heads],
        [bytes.fromhex(head.id) for head in heads],
        [bytes.fromhex(head.signature) for head in heads],
    )
