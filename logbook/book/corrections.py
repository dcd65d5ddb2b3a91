"""Corrections: a new line that replaces an old one, which stays readable. Nothing is erased."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from logbook.book.writing import Act, Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Value, Write
from logbook.journal.fold import Merged, merge
from logbook.store.tables import RECORD_TABLES

# Which columns of which record tables refer to a record of a space, by its id.
REFERENCES: dict[str, tuple[tuple[str, str], ...]] = {
    "trial": (("bed", "trial"), ("note", "about")),
    "treatment": (("bed", "treatment"),),
    "lot": (("treatment", "lot"), ("lot-density", "lot"), ("lot-content", "lot")),
    "amendment": (("lot", "amendment"),),
    "bed": tuple((s, "bed") for s in ("fill", "apply", "water", "pull", "event"))
    + (("note", "about"),),
    "pull": (("result", "sample"),),
}


def correct(book: Book, key: str, changes: Mapping[str, Any], reason: str) -> Act:
    """Write a corrected value under a key, replacing every live write of it seen here.

    `changes` are journal values by field. Raises UserMistake if there is nothing to correct or
    nothing would change.
    """
    shown = _shown(book, key)
    if shown is None or shown.value is None:
        raise UserMistake("the line was struck or never written", "write it anew")
    corrected = {**shown.value, **changes}
    if corrected == shown.value and not shown.conflict:
        raise UserMistake("nothing would change: the line says so already")
    return book.write("correct", [(key, corrected)], reason=_said(reason))


def strike(book: Book, keys: Sequence[str], reason: str) -> Act:
    """Strike lines: they stay readable, and count no longer."""
    for key in keys:
        shown = _shown(book, key)
        if shown is None or shown.value is None:
            raise UserMistake("the line is struck already, or was never written")
    return book.write("strike", [(key, None) for key in keys], reason=_said(reason))


def undo(book: Book) -> tuple[Act, Act]:
    """Take back this writer's last act by this author; returns what was undone, and the undo.

    A key the act created is struck; one that replaced a single write gets that write's value
    again. Refused if a key was written since, if a later act refers to its record, or if the act
    settled a conflict. Undos, and what they undid, are stepped over.
    """
    entries = _last_act(book)
    first = entries[0][1]
    if first.kind == "settle":
        raise UserMistake("the last act settled a conflict: it cannot be undone")
    values = [
        (write.key, _value_before(book, name, write))
        for name, entry in entries
        for write in entry.writes
    ]
    _refuse_if_referred(book, [key for key, value in values if value is None], entries)
    undone = Act(first.act or "", first.kind, tuple(key for key, _ in values))
    return undone, book.write("undo", values, reason=f"undo of {undone.code}")


def _said(reason: str) -> str:
    if not reason.strip():
        raise UserMistake("a correction needs its reason", "add --reason TEXT")
    return reason.strip()


def _shown(book: Book, key: str) -> Merged | None:
    return merge((entry, book.value(entry, key)) for entry in book.live([key]).get(key, ()))


def _last_act(book: Book) -> list[tuple[str, Entry]]:
    """The entries of the newest act of this writer and author that was not undone yet."""
    settled: set[str] = set()
    for _, entry in _newest_first(book):
        if entry.by != book.by or entry.act is None or entry.act in settled:
            continue
        if entry.kind == "undo":
            settled.update(_undone(book, entry))
            continue
        return _of_act(book, entry.act)
    raise UserMistake(f"there is nothing of {book.by}'s on this machine to undo")


def _newest_first(book: Book) -> Iterator[tuple[str, Entry]]:
    below = book.replica.seq + 1
    while below > 1:
        rows = book.connection.exec_driver_sql(
            "SELECT id, seq, body FROM entry WHERE writer = ? AND seq < ? "
            "ORDER BY seq DESC LIMIT 20",
            (book.replica.writer, below),
        ).all()
        for name, _, body in rows:
            yield name, journal.decode(body)
        below = rows[-1][1] if rows else 0


def _of_act(book: Book, act: str) -> list[tuple[str, Entry]]:
    rows = book.connection.exec_driver_sql(
        "SELECT id, body FROM entry WHERE act = ? AND writer = ? ORDER BY seq",
        (act, book.replica.writer),
    ).all()
    return [(name, journal.decode(body)) for name, body in rows]


def _undone(book: Book, undo_entry: Entry) -> set[str]:
    """The acts whose writes an undo replaced."""
    replaced = {old for write in undo_entry.writes for old in write.replaces}
    acts: set[str] = set()
    for name in replaced:
        row = book.connection.exec_driver_sql("SELECT act FROM entry WHERE id = ?", (name,)).first()
        if row and row[0]:
            acts.add(row[0])
    return acts


def _value_before(book: Book, entry: str, write: Write) -> Value | None:
    """What stood under the key before `entry` wrote it; refuses where that is not one thing."""
    living = book.live([write.key]).get(write.key, ())
    if living != (entry,):
        raise UserMistake(
            f"{write.key} was written again since: undoing would lose the later line",
            "correct or strike it instead",
        )
    if len(write.replaces) > 1:
        raise UserMistake(
            f"{write.key} replaced {len(write.replaces)} lines at once: there is no one value to "
            "return to",
            "correct it instead",
        )
    return book.value(write.replaces[0], write.key) if write.replaces else None


def _refuse_if_referred(
    book: Book, keys: Sequence[str], entries: Sequence[tuple[str, Entry]]
) -> None:
    """Refuse to take away a record that a later act speaks of."""
    own = [name for name, _ in entries]
    marks = ", ".join("?" * len(own))
    for key in keys:
        for space, column in REFERENCES.get(journal.space(key), ()):
            row = book.connection.exec_driver_sql(
                f'SELECT id FROM "{RECORD_TABLES[space].name}" '
                f'WHERE "{column}" = ? AND entry NOT IN ({marks}) LIMIT 1',
                (journal.ident(key), *own),
            ).first()
            if row:
                raise UserMistake(
                    f"{space}/{row[0]} speaks of {key}: it cannot be undone",
                    "strike the later line first",
                )
