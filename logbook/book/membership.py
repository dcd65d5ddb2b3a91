"""Who writes in this book: which writers are let in, which wait, which are retired.

Members are the root (the founder that this copy trusts), every writer with a `member` record that
says so, and a writer whose key its predecessor signed, that one being a member and not retired.
This follows from the accepted entries and from first entries alone, in whatever order they came.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

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

    `after` is the writer that it goes on after, where that one's key signed it. `rank` counts from
    the founder, 0: who was let in by whom. `pins` are the newest entries accepted of a retired
    writer: one for each member that retired it.
    """

    writer: str
    introduced: Writer
    member: bool
    retired: bool
    why: str
    after: str | None = None
    rank: int = 0
    pins: tuple[Tip, ...] = ()


def standings(store: sqlite3.Connection) -> dict[str, Standing]:
    """Every writer whose first entry is here, accepted or held back."""
    known = _variants(store)
    after = _after(known)
    said = _said(store)
    retired = {writer for writer, words in said.items() if _any(words, RETIRED)}
    why = {writer: "enrolled" for writer, words in said.items() if _any(words, ENROLLED)}
    founder = root(store)
    if founder:
        why.setdefault(founder, "founder")
    members = {writer for writer in why if writer not in retired}
    while found := {w for w, of in after.items() if of in members and w not in members | retired}:
        members |= found
        why |= dict.fromkeys(found, "goes on after a member")
    ranks = _ranks(founder, said, after)
    return {
        writer: Standing(
            writer,
            _shown(variants, after.get(writer)),
            writer in members,
            writer in retired,
            "retired" if writer in retired else why.get(writer, "not enrolled"),
            after.get(writer),
            ranks.get(writer, len(known)),
            _pins(said.get(writer, ())),
        )
        for writer, variants in known.items()
    }


def signed(head: Vouched, introduced: Writer) -> bool:
    """True if the writer so introduced signed the head."""
    message = signing.head_message(head.writer, head.seq, head.id)
    return signing.holds(introduced.public_key, message, head.signature)


Variants = Mapping[str, tuple[Writer, ...]]


def introductions(store: sqlite3.Connection) -> dict[str, Writer]:
    """What each writer's first entry says of it; each was checked to hold its public key."""
    known = _variants(store)
    after = _after(known)
    return {writer: _shown(some, after.get(writer)) for writer, some in known.items()}


def _variants(store: sqlite3.Connection) -> dict[str, tuple[Writer, ...]]:
    """Every first entry of each writer, the accepted ones first: its key is public, so that
    anybody can write another one.
    """
    found: dict[str, tuple[Writer, ...]] = {}
    for writer, body, _ in held.first_entries(store):
        introduced = introduction(body)
        if introduced is not None:
            found[writer] = (*found.get(writer, ()), introduced)
    return found


def _shown(variants: tuple[Writer, ...], after: str | None) -> Writer:
    """The first entry that counts: of a successor, one that says so."""
    return next((said for said in variants if after and said.predecessor == after), variants[0])


def _after(known: Variants) -> dict[str, str]:
    """Whom each writer goes on after, where that one's key signed its own in any first entry."""
    found: dict[str, str] = {}
    for writer, variants in known.items():
        for said in variants:
            before = known.get(said.predecessor or "")
            if before and said.signed and said.predecessor:
                message = signing.successor_message(said.public_key.lower())
                if signing.holds(before[0].public_key, message, said.signed):
                    found.setdefault(writer, said.predecessor)
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


class Word(NamedTuple):
    """What a member said of a writer, and which writer that member is."""

    value: Value
    by: str


Said = Mapping[str, tuple[Word, ...]]


def _said(store: sqlite3.Connection) -> Said:
    """The live values of every `member` record: several where members disagree."""
    rows = store.execute(
        "SELECT w.key, e.body, w.pos, e.writer FROM write w JOIN entry e ON e.id = w.entry "
        "WHERE w.key >= 'member/' AND w.key < 'member0' AND w.live = 1 ORDER BY w.key, w.entry"
    ).fetchall()
    found: dict[str, tuple[Word, ...]] = {}
    for key, body, place, by in rows:
        value = journal.decode(body).writes[place].value
        if value is not None and readable("member", value):
            writer = journal.ident(key)
            found[writer] = (*found.get(writer, ()), Word(value, by))
    return found


def _any(words: tuple[Word, ...], standing: str) -> bool:
    return any(word.value["standing"] == standing for word in words)


def _pins(words: tuple[Word, ...]) -> tuple[Tip, ...]:
    values = [word.value for word in words if word.value["standing"] == RETIRED]
    pinned: list[Any] = [(value.get("last_seq"), value.get("last_id")) for value in values]
    return tuple(sorted(pin for pin in pinned if pin[1] is not None))


def _ranks(founder: str | None, said: Said, after: Mapping[str, str]) -> dict[str, int]:
    """How many words each writer is from the founder: by whom it was let in, or goes on after."""
    let_in = {(word.by, writer) for writer, words in said.items() for word in words}
    let_in |= {(before, writer) for writer, before in after.items()}
    ranks = {founder: 0} if founder else {}
    reached = set(ranks)
    while reached:
        rank = max(ranks.values()) + 1
        reached = {writer for by, writer in let_in if by in reached and writer not in ranks}
        ranks |= dict.fromkeys(reached, rank)
    return ranks
