"""Who writes in this book: which writers are let in, which wait, which are retired.

Members are the root (the founder that this copy trusts), every writer with a `member` record that
says so, and a writer whose key its predecessor signed, that one being a member and not retired.
This follows from the accepted entries and from first entries alone, in whatever order they came.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logbook import signing
from logbook.journal import entry as journal
from logbook.journal.chain import introduces
from logbook.journal.entry import Value
from logbook.journal.kinds import from_value, readable
from logbook.store import held
from logbook.store.held import Tip, Vouched
from logbook.trial.machines import ENROLLED, RETIRED
from logbook.trial.records import Writer

if TYPE_CHECKING:
    import sqlite3


@dataclass(frozen=True)
class Standing:
    """A writer as this copy knows it: its first entry, and whether it is let in, and why.

    `pins` are the newest entries accepted of a retired writer: one for each member that retired it.
    """

    writer: str
    introduced: Writer
    member: bool
    retired: bool
    why: str
    pins: tuple[Tip, ...] = ()


def standings(store: sqlite3.Connection) -> dict[str, Standing]:
    """Every writer whose first entry is here, accepted or held back."""
    known = introductions(store)
    said = _said(store)
    retired = {writer for writer, values in said.items() if _any(values, RETIRED)}
    why = {writer: "enrolled" for writer, values in said.items() if _any(values, ENROLLED)}
    founder = root(store)
    if founder:
        why.setdefault(founder, "founder")
    members = {writer for writer in why if writer not in retired}
    while found := _successors(known, members, retired):
        members |= found
        why |= dict.fromkeys(found, "goes on after a member")
    return {
        writer: Standing(
            writer,
            introduced,
            writer in members,
            writer in retired,
            "retired" if writer in retired else why.get(writer, "not enrolled"),
            _pins(said.get(writer, ())),
        )
        for writer, introduced in known.items()
    }


def signed(head: Vouched, introduced: Writer) -> bool:
    """True if the writer so introduced signed the head."""
    message = signing.head_message(head.writer, head.seq, head.id)
    return signing.holds(introduced.public_key, message, head.signature)


def introductions(store: sqlite3.Connection) -> dict[str, Writer]:
    """What each writer's first entry says of it; each was checked to hold its public key."""
    found: dict[str, Writer] = {}
    for writer, body, _ in held.first_entries(store):
        introduced = introduction(body)
        if introduced is not None:
            found.setdefault(writer, introduced)
    return found


def introduction(body: bytes) -> Writer | None:
    """The writer that an entry introduces, or None if it is no such entry."""
    try:
        entry = journal.decode(body)
    except journal.BadEntry:
        return None
    if not introduces(entry):
        return None
    for write in entry.writes:
        value = write.value
        if write.key == f"writer/{entry.writer}" and value and readable("writer", value):
            writer: Writer = from_value("writer", value)
            return writer
    return None


def root(store: sqlite3.Connection) -> str | None:
    """The founder that this copy trusts; of an older store, its first writer."""
    row = store.execute("SELECT value FROM local WHERE name = 'root'").fetchone()
    if row is not None:
        return str(row[0])
    first = [
        writer
        for writer, body, accepted in held.first_entries(store)
        if accepted and (said := introduction(body)) is not None and said.predecessor is None
    ]
    return min(first, default=None)


def book(store: sqlite3.Connection) -> str | None:
    """The id of the book that this copy is of: what its founder called it."""
    founder = introductions(store).get(root(store) or "")
    return founder.book if founder else None


Said = Mapping[str, tuple[Value, ...]]


def _said(store: sqlite3.Connection) -> Said:
    """The live values of every `member` record: several where members disagree."""
    rows = store.execute(
        "SELECT w.key, e.body, w.pos FROM write w JOIN entry e ON e.id = w.entry "
        "WHERE w.key >= 'member/' AND w.key < 'member0' AND w.live = 1 ORDER BY w.key, w.entry"
    ).fetchall()
    found: dict[str, tuple[Value, ...]] = {}
    for key, body, place in rows:
        value = journal.decode(body).writes[place].value
        if value is not None and readable("member", value):
            writer = journal.ident(key)
            found[writer] = (*found.get(writer, ()), value)
    return found


def _any(values: tuple[Value, ...], standing: str) -> bool:
    return any(value["standing"] == standing for value in values)


def _pins(values: tuple[Value, ...]) -> tuple[Tip, ...]:
    pinned: list[Any] = [(v.get("last_seq"), v.get("last_id")) for v in values if _is_pin(v)]
    return tuple(sorted(pinned))


def _is_pin(value: Value) -> bool:
    return value["standing"] == RETIRED and value.get("last_id") is not None


def _successors(known: Mapping[str, Writer], members: set[str], retired: set[str]) -> set[str]:
    """Writers not let in yet whose key a member signed as its successor's."""
    return {
        writer
        for writer, said in known.items()
        if writer not in members | retired
        and said.predecessor in members
        and said.predecessor in known
        and signing.holds(
            known[said.predecessor].public_key,
            signing.successor_message(said.public_key),
            said.signed or "",
        )
    }
