"""Corrections: a new line that replaces an old one, which stays readable. Nothing is erased."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import islice
from typing import Any

from logbook.book.writing import Act, Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Value
from logbook.journal.kinds import understood
from logbook.store import asking, database, projections
from logbook.store.tables import RECORD_TABLES
from logbook.trial import codes

# What speaks of a sample by the code on its bag.
_SAMPLE = (
    *((s, "sample") for s in ("result", "sent", "handling", "query", "answer")),
    ("blind", "of"),
)
# A key, and lines that are written with it.
Moved = tuple[str, Sequence[tuple[str, Value]]]
# Which columns of which record tables refer to a record of a space, by its id.
REFERENCES: dict[str, tuple[tuple[str, str], ...]] = {
    "trial": (
        *((s, "trial") for s in ("bed", "treatment", "lot", "amendment", "soil", "soil-value")),
        *((s, "trial") for s in ("planned-pull", "planned-part", "followed", "watering-plan")),
        *((s, "trial") for s in ("bag", "shipment", "blind", "reference")),
        *((s, "about") for s in ("note", "measure")),
    ),
    "treatment": (("bed", "treatment"),),
    "lot": tuple((s, "lot") for s in ("treatment", "lot-density", "lot-moisture", "lot-content")),
    "amendment": (("lot", "amendment"),),
    "bed": (
        *((s, "bed") for s in ("fill", "apply", "water", "pull", "event", "skip")),
        *((s, "about") for s in ("note", "measure")),
        ("bed", "was"),
        ("pull", "also"),
    ),
    "pull": (("part", "pull"), *_SAMPLE),
    "part": (("weigh", "part"), *_SAMPLE),
    "blind": _SAMPLE,
    "shipment": (("sent", "shipment"),),
    "query": (("answer", "query"),),
    # A code used for a bag: the pull, or the part of one, that bound it.
    "bag": (("pull", "code"), ("part", "code")),
}


# What a trial is planned with; a change of it is undone or made anew, never struck.
PLANS = frozenset({"planned-pull", "lot-density", "lot-moisture", "lot-content", "soil", "trial"})

# Acts that an undo would only seem to take back, and what to do instead.
_FINAL = {
    "settle": ("the last act settled a conflict: it cannot be undone", ""),
    "enrol": (
        "the last act let a machine in, and what it wrote is in the book: it cannot be undone",
        "logbook machines retire NAME --reason TEXT",
    ),
    "retire": (
        "the last act retired a machine: it cannot be undone",
        "logbook machines enrol NAME takes it back",
    ),
}


def correct(
    book: Book,
    key: str,
    changes: Mapping[str, Any],
    reason: str,
    code: str | None = None,
    moved: Moved | None = None,
) -> Act:
    """Write a corrected value under a key, replacing every live write of it seen here.

    `changes` are journal values by field. What is corrected may be part of the key: then the line
    is struck, and stands where `moved` says, beside what belongs to it there. Raises UserMistake
    if there is nothing to correct, nothing would change, or a newer version of the program wrote
    the line.
    """
    refuse_newer(book, [key])
    shown = book.shown([key]).get(key)
    if shown is None or shown.value is None:
        raise UserMistake(
            f"{reference(book, key)} was struck or never written", "write it anew instead"
        )
    corrected = {**shown.value, **changes}
    if corrected == shown.value and not shown.conflict:
        raise UserMistake(f"nothing would change: {reference(book, key)} says so already")
    writes: list[tuple[str, Value | None]] = [(key, corrected)]
    if moved is not None:
        refuse_newer(book, [moved[0]])
        writes = [(key, None), (moved[0], corrected), *moved[1]]
    return book.write("correct", writes, reason=needed_reason(reason), code=code)


def strike(book: Book, keys: Sequence[str], reason: str, kind: str = "strike") -> Act:
    """Strike lines: they stay readable, and count no longer.

    Refused if a line that stays speaks of one of them, as a pull does of its bed.
    """
    refuse_newer(book, keys)
    values = book.values(keys)
    for key in keys:
        if values.get(key) is None:
            raise UserMistake(f"{reference(book, key)} is struck already, or was never written")
    _refuse_plans(book, keys)
    if any(journal.space(key) in ("member", "writer") for key in keys):
        raise UserMistake(
            "who writes in the book is no line to strike",
            "logbook machines retire NAME --reason TEXT, or: logbook machines enrol NAME",
        )
    refuse_if_referred(book, holding(keys), keys, "struck while that stands")
    return book.write(kind, [(key, None) for key in keys], reason=needed_reason(reason))


def holding(keys: Sequence[str]) -> list[str]:
    """The lines among these that may not be struck while another one speaks of them.

    A pull may go from under its results: they count no longer, and who strikes it is told so.
    """
    return [key for key in keys if journal.space(key) not in ("pull", "part", "bag", "blind")]


def refuse_newer(book: Book, keys: Sequence[str]) -> None:
    """Refuse to replace a line that a newer version of the program wrote, unread."""
    for key, names in book.live(keys).items():
        if not all(understood(book.entry(name)) for name in names):
            raise UserMistake(
                f"{reference(book, key)} was written by a newer version of the program, "
                "which this one cannot read: it would be replaced unseen",
                "install that version here, or do it on the machine that has it",
            )


def _refuse_plans(book: Book, keys: Sequence[str]) -> None:
    """A value of the plan that took the place of another leaves nothing behind when struck."""
    for key in keys:
        if journal.space(key) not in PLANS:
            continue
        (lines,) = book.connection.exec_driver_sql(
            "SELECT count(*) FROM write WHERE key = ?", (key,)
        ).one()
        if lines > 1:
            raise UserMistake(
                f"{reference(book, key)} changed what stood before: struck, neither would count",
                "logbook undo takes the last act back; or set the value anew",
            )


def reference(book: Book, key: str) -> str:
    """What people call the line under a key; see `asking.reference`."""
    return asking.reference(inside(book), key)


def inside(book: Book) -> Any:
    """The open transaction as `views` reads it: nobody else writes until it ends.

    What is checked here and then written holds for both; a check before it may be out of date.
    """
    return database.inside(book.connection)


def undo(book: Book) -> tuple[Act, Act]:
    """Take back this writer's last act by this author; returns what was undone, and the undo.

    A key the act created is struck; one that replaced a single write gets that write's value
    again. Refused if a key was written since, if a later act refers to its record, or if the act
    settled a conflict, let a machine in or retired one. Undos, and what they undid, are stepped
    over.
    """
    entries = _last_act(book)
    first = entries[0][1]
    if first.kind in _FINAL:
        raise UserMistake(*_FINAL[first.kind])
    values = _values_before(book, entries)
    going = [key for key, value in values if value is None]
    refuse_if_referred(book, going, going, "undone any more", first)
    undone = Act(first.act or "", first.kind, tuple(key for key, _ in values))
    return undone, book.write("undo", values, reason=f"undo of {undone.code}")


def needed_reason(reason: str) -> str:
    """The reason of a correction without blanks around it; raises UserMistake if it is empty."""
    if not reason.strip():
        raise UserMistake("a correction needs its reason", "add --reason TEXT")
    return reason.strip()


def _last_act(book: Book) -> list[tuple[str, Entry]]:
    """The entries of the newest act of this writer and author that was not undone yet."""
    settled: set[str | None] = set()
    for _, entry in _newest_first(book):
        if entry.by != book.by or entry.act is None or entry.act in settled:
            continue
        if entry.kind == "undo":
            settled.add(_undone(book, entry))
            continue
        return _of_act(book, entry.act)
    nothing = f"there is nothing of {book.by}'s on this machine to undo"
    before = _acts_before(book)
    if before:
        acts = f"{before} act{'s' * (before != 1)} of {book.by}'s {'is' if before == 1 else 'are'}"
        raise UserMistake(
            f"{nothing}: it goes on as a new writer, and {acts} by the writer before",
            "strike or correct them by their codes; logbook history shows those",
        )
    raise UserMistake(nothing)


def _acts_before(book: Book) -> int:
    """How many acts this author wrote as the writers that this one goes on after."""
    (count,) = book.connection.exec_driver_sql(
        "WITH RECURSIVE before(id) AS (SELECT predecessor FROM writer WHERE id = ? "
        "UNION SELECT predecessor FROM writer JOIN before USING (id)) "
        "SELECT count(DISTINCT act) FROM entry JOIN before ON entry.writer = before.id "
        "WHERE json_extract(CAST(body AS TEXT), '$.by') = ?",
        (book.replica.writer, book.by),
    ).one()
    return int(count)


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


def _undone(book: Book, undo_entry: Entry) -> str | None:
    """The code of the act that an undo took back."""
    write = undo_entry.writes[0]
    origin = _origin(book, write.replaces, write.key, {})
    return None if origin is None else book.entry(origin).act


def _values_before(
    book: Book, entries: Sequence[tuple[str, Entry]]
) -> list[tuple[str, Value | None]]:
    """What stood under each key before the act; refuses where that is not one thing."""
    writes = [(name, write) for name, entry in entries for write in entry.writes]
    living = book.live([write.key for _, write in writes])
    seen: Seen = {}
    for name, write in writes:
        if _origin(book, living.get(write.key, ()), write.key, seen) != name:
            raise UserMistake(
                f"{reference(book, write.key)} was written again since: "
                "undoing would lose the later line",
                "correct or strike it instead",
            )
        if len(write.replaces) > 1:
            raise UserMistake(
                f"{reference(book, write.key)} replaced {len(write.replaces)} lines at once: "
                "there is no one value to return to",
                "correct it instead",
            )
    before = book.written((old, write.key) for _, write in writes for old in write.replaces)
    return [
        (write.key, before[write.replaces[0], write.key] if write.replaces else None)
        for _, write in writes
    ]


# Entries read: id -> (kind, what each of its keys replaces).
Seen = dict[str, tuple[str, dict[str, tuple[str, ...]]]]


def _origin(book: Book, living: tuple[str, ...], key: str, seen: Seen) -> str | None:
    """The entry whose write is what stands under the key, be it given back by undos."""
    taken_back = 0
    while len(living) == 1:
        name = living[0]
        kind, replaced = _replaced(book, name, seen)
        if kind == "undo":
            taken_back += 1
        elif taken_back:
            taken_back -= 1
        else:
            return name
        living = replaced[key]
    return None


def _replaced(book: Book, name: str, seen: Seen) -> tuple[str, dict[str, tuple[str, ...]]]:
    if name not in seen:
        entry = book.entry(name)
        seen[name] = entry.kind, {write.key: write.replaces for write in entry.writes}
    return seen[name]


def refuse_if_referred(
    book: Book, keys: Sequence[str], going: Sequence[str], what: str, first: Entry | None = None
) -> None:
    """Refuse to take away a record that a line speaks of which stays; the first one is named.

    After an act that began with the entry `first`, only later lines count.
    """
    by_space: dict[str, list[str]] = {}
    for key in keys:
        by_space.setdefault(journal.space(key), []).append(key)
    projections.name_keys(book.connection, "going", dict.fromkeys(going))
    found = []
    for space, of_space in by_space.items():
        for other, column in REFERENCES.get(space, ()):
            projections.name_keys(book.connection, "wanted", map(journal.ident, of_space))
            for moment, key, about, act in islice(_later(book, other, column, first), 1):
                found.append((moment, key, f"{space}/{about}", act))
    if found:
        _, key, about, act = min(found)
        later = reference(book, key)
        # What has no code in its name, such as an answer, goes by that of its act.
        name = later if codes.is_valid(later.partition(":")[0]) else act
        raise UserMistake(
            f"{later} speaks of {reference(book, about)}, which cannot be {what}",
            f"strike the later line first: logbook strike {name} --reason TEXT",
        )


# When a line was written: by its writer's clock, then by its number there.
Moment = tuple[datetime, str, int]


def _later(
    book: Book, space: str, column: str, first: Entry | None
) -> Iterator[tuple[Moment, str, str, str]]:
    """Lines of `space` that refer to one of `wanted` and stay, in the order of writing.

    When, key, which of `wanted`, and the act that wrote it.

    Left out is what was written before the entry `first`. What this writer wrote is in order;
    what another machine wrote may have come after.
    """
    # The further beds of a composite are a list.
    refers = "instr(r.also, json_quote(wanted.key))" if column == "also" else ""
    refers = refers or f'r."{column}" = wanted.key'
    rows = book.connection.exec_driver_sql(
        f"SELECT ? || r.id, wanted.key, r.entry FROM wanted CROSS JOIN "
        f'"{RECORD_TABLES[space].name}" r ON {refers} '
        "JOIN entry e ON e.id = r.entry "
        "WHERE ? || r.id NOT IN (SELECT key FROM going) "
        "ORDER BY datetime(json_extract(CAST(e.body AS TEXT), '$.written')), e.writer, e.seq, r.id",
        (f"{space}/", f"{space}/"),
    ).all()
    for key, about, name in rows:
        origin = book.entry(_origin(book, (name,), key, {}) or name)
        if first is None or origin.writer != first.writer or origin.seq > first.seq:
            moment = (datetime.fromisoformat(origin.written), origin.writer, origin.seq)
            yield moment, key, about, origin.act or "CODE"
