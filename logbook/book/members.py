"""Letting a machine into the book, and retiring one: acts of a member, like any other line."""

from __future__ import annotations

import re
from collections.abc import Mapping
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook import config
from logbook.book import admitting, membership, receiving
from logbook.book.admitting import Admitted
from logbook.book.membership import Standing
from logbook.book.writing import Act, Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.store import database, held, local
from logbook.trial.machines import ENROLLED, RETIRED
from logbook.trial.records import Member

if TYPE_CHECKING:
    import sqlite3


_ID = re.compile(r"[0-9a-f]{8,32}\Z")


def called(known: Mapping[str, Standing], name: str) -> Standing:
    """The writer of that machine name or beginning of an id; raises UserMistake.

    What looks like an id is one where there is such an id: a stranger may call its machine so.
    """
    wanted = name.strip().casefold()
    by_id = [one for one in known.values() if wanted and one.writer.startswith(wanted)]
    if not (by_id and _ID.match(wanted)):
        by_name = [one for one in known.values() if one.introduced.machine.casefold() == wanted]
        by_id = [*by_name, *(one for one in by_id if one not in by_name)] if by_name else by_id
    if not by_id:
        raise UserMistake(f"there is no machine called {name!r} in this book", "logbook machines")
    if len(by_id) > 1:
        ids = ", ".join(sorted(one.writer[:12] for one in by_id))
        raise UserMistake(f"{len(by_id)} writers are called {name!r}", f"name one by its id: {ids}")
    return by_id[0]


def enrol(book: Book, wanted: Standing) -> tuple[Act, Admitted]:
    """Let a writer in: what it wrote and was held back is folded in the same transaction.

    Raises UserMistake if it is a member, or this machine is none.
    """
    store = _raw(book)
    _refuse_strangers(store, book)
    refuse_enrolled(wanted)
    receiving.hear_again(book.connection, wanted.writer)
    act = book.record("enrol", [_member(wanted)])
    return act, admitting.admit(book.connection, book.now)


def _member(one: Standing) -> tuple[str, Member]:
    """The record that lets a writer in, under its key."""
    said = one.introduced
    key = journal.key("member", one.writer)
    return key, Member(one.writer, said.machine, said.public_key, ENROLLED)


def trust(book: Book, wanted: Standing) -> Admitted:
    """Take this writer for the founder, where every machine that was a member is lost.

    On this machine alone. If it is this machine's own writer, it lets in all whose lines are here
    and who were not retired, itself among them: so a machine that joins finds a founder. Raises
    UserMistake if this machine is a member: then it can enrol whom it wants.
    """
    store = _raw(book)
    known = membership.standings(store)
    if known[book.replica.writer].member:
        raise UserMistake(
            "this machine is a member of the book: nothing is lost",
            "let the other machine in: logbook machines enrol NAME",
        )
    local.put(book.connection, "root", wanted.writer)
    if wanted.writer == book.replica.writer:
        here = set(held.writers(store))
        book.record(
            "enrol",
            [_member(one) for writer, one in known.items() if writer in here and not one.retired],
        )
    return admitting.admit(book.connection, book.now)


def retire(book: Book, wanted: Standing, reason: str) -> Act:
    """Accept nothing more of a writer after the newest entry of it that is here.

    Raises UserMistake if it is no member, this machine itself or what it goes on after, or if this
    machine is no member.
    """
    store = _raw(book)
    _refuse_strangers(store, book)
    if wanted.writer == book.replica.writer:
        raise UserMistake("a machine cannot retire itself", "retire it from another one")
    if not wanted.member:
        raise UserMistake(f"{shown(wanted)} is no member: {wanted.why}", "logbook machines")
    if book.replica.writer in going_on_after(membership.standings(store), wanted.writer):
        raise UserMistake(
            f"this machine goes on after {shown(wanted)}: without it, its own lines would wait",
            f"logbook machines enrol {book.replica.writer[:8]}, then retire it",
        )
    if not reason.strip():
        raise UserMistake("a retirement needs its reason", "add --reason TEXT")
    introduced = wanted.introduced
    key = journal.key("member", wanted.writer)
    code = book.new_code()
    # Of a chain that forks every branch counts: an entry for each says that it was seen, since its
    # own signature lets nobody in any more. The newest is pinned.
    pins: list[tuple[int | None, str | None]] = sorted(held.tips(store, wanted.writer))
    for seq, name in pins or [(None, None)]:
        if seq is not None:
            learnt = local.noted(book.connection, "learnt")
            local.put(book.connection, "learnt", dumps({**learnt, wanted.writer: [seq, name]}))
        member = Member(
            wanted.writer, introduced.machine, introduced.public_key, RETIRED, seq, name
        )
        act = book.record("retire", [(key, member)], reason=reason.strip(), code=code)
    return act


def is_of(store: sqlite3.Connection, state: Path) -> bool:
    """True if a key of a member is on this machine: it may write in the book, or be continued."""
    members = [writer for writer, one in membership.standings(store).items() if one.member]
    return any(config.has_key(state, writer) for writer in members)


def refuse_enrolled(wanted: Standing) -> None:
    """Refuse to enrol a member; one that only goes on after another may become one of its own."""
    if wanted.member and wanted.why in ("founder", "enrolled"):
        raise UserMistake(f"{shown(wanted)} is a member already: {wanted.why}", "logbook machines")


def going_on_after(known: Mapping[str, Standing], writer: str) -> set[str]:
    """The writers that are members only because that one is: they go on after it."""
    found: set[str] = set()
    more = {writer}
    while more:
        more = {
            one.writer
            for one in known.values()
            if one.member and one.why not in ("founder", "enrolled") and one.after in more
        } - found
        found |= more
    return found


def shown(one: Standing) -> str:
    """A writer as people call it: the machine's name and the beginning of its id."""
    return f"{one.introduced.machine} ({one.writer[:8]})"


def _refuse_strangers(store: sqlite3.Connection, book: Book) -> None:
    own = membership.standings(store).get(book.replica.writer)
    if own is None or not own.member:
        why = own.why if own is not None else "not enrolled"
        raise UserMistake(
            f"this machine is no member of the book itself: {why}",
            "a member enrols it: logbook machines enrol NAME, there",
        )


def _raw(book: Book) -> Any:
    return database.inside(book.connection)
