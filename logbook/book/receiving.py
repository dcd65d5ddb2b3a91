"""What comes from other machines is looked at and held back; nothing of it counts yet.

Bytes that are an entry of their writer are filed in `held`, whoever sent them; signed heads beside
them. What can be no entry is named once and remembered. `admitting` lets in what may count.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from json import dumps, loads
from typing import TYPE_CHECKING, Any

from logbook.book import membership
from logbook.errors import Problem
from logbook.journal import entry as journal
from logbook.journal.chain import introduces
from logbook.journal.entry import BadEntry, Entry
from logbook.store import database, held, local
from logbook.store.held import Vouched

if TYPE_CHECKING:
    import sqlite3

    from sqlalchemy import Connection

CONTINUED = "lines of this machine's writer came from elsewhere (a copied or restored disk?)"
# No clock of a machine that this program runs on says another year, however wrong it is.
_YEARS = range(1900, 3000)
# Of machines that are not let in: a book to be merged fits, a flood does not.
MOST_WAITING = 250_000


@dataclass
class Received:
    """What one delivery brought: entries that are new here, by writer, and what was refused."""

    new: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def receive(
    connection: Connection,
    writer: str,
    bodies: Sequence[bytes],
    heads: Iterable[tuple[int, str, str]],
    *,
    now: datetime,
    source: str,
) -> Received:
    """File entries of one writer, and heads `(seq, id, signature)` of it, as held back.

    The first entry that cannot be one ends the delivery: what follows hangs on it. Nothing is
    believed yet but that the bytes are entries of that writer.
    """
    store = database.inside(connection)
    received = Received()
    if writer in local.noted(connection, "ignored"):
        return received
    rows: list[tuple[Any, ...]] = []
    for body in bodies:
        try:
            entry = _checked(journal.decode(body), writer)
        except BadEntry as problem:
            received.problems += _refused(store, writer, body, str(problem), source)
            break
        rows.append((journal.entry_id(body), writer, entry.seq, entry.prev, body, now.isoformat()))
    if rows and _is_full(store, writer, len(rows)):
        received.problems.append(_too_much(writer, source))
        return received
    count = held.hold(store, rows)
    if count:
        received.new[writer] = count
        held.touch(store, writer, now.isoformat(timespec="seconds"), source)
    received.problems += _file_heads(store, writer, heads, source)
    if writer == local.get(connection, "writer") and held.signed_ahead(store, writer):
        # Now, not when they are let in: an act in between would use their numbers again.
        local.put(connection, "ended", CONTINUED)
    return received


def turn_away(connection: Connection, writer: str) -> int:
    """Drop what waits of a writer, and take in nothing more of it; how many entries that were.

    On this machine alone: no line says so.
    """
    ignored = set(local.noted(connection, "ignored"))
    local.put(connection, "ignored", dumps(sorted(ignored | {writer})))
    return held.turn_away(database.inside(connection), writer)


def hear_again(connection: Connection, writer: str) -> None:
    """Take in again what comes of a writer that was turned away."""
    ignored = set(local.noted(connection, "ignored"))
    local.put(connection, "ignored", dumps(sorted(ignored - {writer})))


def _refused(
    store: sqlite3.Connection, writer: str, body: bytes, why: str, source: str
) -> list[Problem]:
    """Say once that bytes are no entry; they are remembered, so that nobody asks for them again."""
    name = journal.entry_id(body)
    if held.refused(store, name) is not None:
        return []
    held.refuse(store, name, _said_prev(body))
    return [Problem(f"{source}, writer {writer[:8]}", why, "It was not taken in.")]


def _said_prev(body: bytes) -> str | None:
    """What bytes that are no entry say they follow, where that can be read."""
    try:
        found = loads(body)["prev"]
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    return found if isinstance(found, str) and len(found) == len("0" * 64) else None


def _is_full(store: sqlite3.Connection, writer: str, more: int) -> bool:
    """True if so many entries wait already that no stranger's are taken in beside them."""
    waiting: int = store.execute("SELECT count(*) FROM held").fetchone()[0]
    if waiting + more <= MOST_WAITING:
        return False
    one = membership.standings(store).get(writer)
    return one is None or not one.member


def _too_much(writer: str, source: str) -> Problem:
    return Problem(
        f"{source}, writer {writer[:8]}",
        f"more than {MOST_WAITING:,} entries of machines that are not let in wait here already",
        "It was not taken in. Turn strangers away (logbook machines ignore), or let that machine "
        "in, and then: logbook sync --thorough",
    )


def _checked(entry: Entry, writer: str) -> Entry:
    """The entry, if it can stand in that writer's chain."""
    if entry.writer != writer:
        raise BadEntry(f"an entry of writer {entry.writer[:8]} among those of {writer[:8]}")
    if (entry.seq == 1) != (entry.prev is None):
        raise BadEntry(f"entry {entry.seq} of {writer[:8]} does not say what it follows")
    if entry.seq == 1 and not introduces(entry):
        raise BadEntry(f"entry 1 of {writer[:8]} does not hold the key that its id follows from")
    if datetime.fromisoformat(entry.written).year not in _YEARS:
        raise BadEntry(f"entry {entry.seq} of {writer[:8]} was written in no year of ours")
    return entry


def _file_heads(
    store: sqlite3.Connection, writer: str, heads: Iterable[tuple[int, str, str]], source: str
) -> list[Problem]:
    """Keep heads whose signature holds, or cannot be looked at yet: `admit` looks again."""
    first = held.first_entry(store, writer)
    introduced = membership.introduction(first) if first is not None else None
    problems, good = [], []
    for seq, name, signature in heads:
        head = Vouched(writer, seq, name, writer, signature)
        if introduced is None or membership.signed(head, introduced):
            good.append(head)
        else:
            problems.append(forged(head, source))
    held.vouch(store, good)
    return problems


def forged(head: Vouched, source: str) -> Problem:
    """What is said of a head that its writer did not sign."""
    return Problem(
        f"{source}, writer {head.writer[:8]}, entry {head.seq} ({head.id[:12]})",
        "the signature is not by that writer's key",
        "Someone other than that machine put it there, or it was damaged: it was not taken in.",
    )
