"""What machines say of each other's chains: signatures, what others have seen, what waits, forks.

A chain shows by itself that nothing in its middle was changed; that its end is there, only the
word of another machine shows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logbook.book import membership
from logbook.book.membership import Standing
from logbook.errors import Problem
from logbook.journal import chain
from logbook.journal.chain import Fork, Seen
from logbook.journal.entry import entry_id
from logbook.store import held, views
from logbook.store.held import Tip, Vouched
from logbook.trial.wording import printable

if TYPE_CHECKING:
    import sqlite3

_SHORT = 8
_FETCH = "Fetch it: logbook sync, with a place that this machine uses; else restore a backup."


@dataclass
class Told:
    """What is wrong and what is worth knowing.

    `written` are the entries that this machine wrote; another one has seen `witnessed` of them.
    """

    problems: list[Problem] = field(default_factory=list)
    notes: list[Problem] = field(default_factory=list)
    writers: int = 0
    written: int = 0
    witnessed: int = 0


@dataclass(frozen=True)
class Waiting:
    """What is held back of a writer: how many entries and lines, since when, and why."""

    writer: str
    entries: int
    lines: int
    since: str
    why: str


def look(store: sqlite3.Connection, seen: Seen) -> Told:
    """Every check of what machines say of each other; `seen` as `chain.check` tells it."""
    known = membership.standings(store)
    told = Told()
    told.problems += _facts(store, known)
    signed, by_others, holding = _heads(store, known, told.problems)
    told.problems += _lacking(store, known, by_others | signed | seen)
    told.problems += [
        _by_nobody(called(known, writer), first, last, name)
        for writer, first, last, name in _without_word(store, known, holding | seen)
    ]
    witnessed = _witnessed(store, known, by_others | seen)
    here = disk_of(known, own_writer(store) or "")
    for writer in held.writers(store):
        told.writers += 1
        if disk_of(known, writer) == here:
            told.written += held.last(store, writer)
            told.witnessed += witnessed.get(writer, 0)
        for fork in forks(store, writer):
            said = _forked(known, writer, fork)
            (told.notes if _is_left(known, writer) else told.problems).append(said)
    told.notes += [_held_back(known, one) for one in waiting(store, known)]
    return told


def damaged(store: sqlite3.Connection) -> list[Problem]:
    """Entries held back whose bytes are no longer those that came."""
    rows = store.execute("SELECT writer, seq, id, body FROM held ORDER BY 1, 2, 3").fetchall()
    return [
        Problem(
            f"writer {writer[:_SHORT]}, entry {seq} ({name[:12]})",
            "it waits to be let in, and its bytes do not match its id: it was damaged here",
            "Restore a backup; it comes again with logbook sync.",
        )
        for writer, seq, name, body in rows
        if entry_id(body) != name
    ]


def forks(store: sqlite3.Connection, writer: str) -> list[Fork]:
    """Where the accepted chain of a writer forks."""
    first = held.fork_at(store, writer)
    return chain.forks(held.chain_from(store, writer, first)) if first else []


def waiting(store: sqlite3.Connection, known: Mapping[str, Standing]) -> list[Waiting]:
    """What is held back here, by writer, and why."""
    rows = store.execute(
        "SELECT writer, count(*), sum(json_array_length(CAST(body AS TEXT), '$.writes')), "
        "min(since) FROM held GROUP BY writer ORDER BY writer"
    ).fetchall()
    return [
        Waiting(writer, entries, lines, since, _why(store, writer, known.get(writer)))
        for writer, entries, lines, since in rows
    ]


def called(known: Mapping[str, Standing], writer: str) -> str:
    """A writer as people call it: the machine's name and the beginning of its id."""
    one = known.get(writer)
    short = writer[:_SHORT]
    return f"{one.introduced.machine} ({short})" if one is not None else f"writer {short}"


def _why(store: sqlite3.Connection, writer: str, one: Standing | None) -> str:
    if one is None:
        return "its first entry is not here"
    if one.retired:
        return "written after it was retired"
    if not one.member:
        return "it is not enrolled"
    links = held.links(store, writer)
    for link in links.values():
        if link.prev not in links and link.prev and not held.is_accepted(store, link.prev):
            return f"entry {link.seq - 1} is not here yet"
    return "no signature of that machine covers them yet"


def _heads(
    store: sqlite3.Connection, known: Mapping[str, Standing], problems: list[Problem]
) -> tuple[Seen, Seen, Seen]:
    """Heads signed by members themselves, heads that other writers have seen, and every head whose
    signature holds: also one of a writer that is no member any more.

    A signature that does not hold is told as a problem.
    """
    signed: Seen = {}
    seen: Seen = {}
    holding: Seen = {}
    rows = store.execute('SELECT writer, seq, id, "by", signature FROM head ORDER BY 1, 2, 3, 4')
    for head in map(Vouched._make, rows.fetchall()):
        named = (head.writer, head.seq, head.id)
        one = known.get(head.writer)
        if head.by != head.writer:
            seen.setdefault(named, set()).add(head.by)
        elif one is not None and not membership.signed(head, one.introduced):
            problems.append(_forged(known, head))
        elif one is not None:
            holding[named] = {head.by}
            if one.member:
                signed.setdefault(named, set()).add(head.by)
    return signed, seen, holding


def _forged(known: Mapping[str, Standing], head: Vouched) -> Problem:
    return Problem(
        f"{called(known, head.writer)}, entry {head.seq} ({head.id[:12]})",
        "the signature kept for it is not by that writer's key",
        "The entries stand by their chain. If it comes again with a sync, someone poses as that "
        "machine: look at where it comes from.",
    )


def _facts(store: sqlite3.Connection, known: Mapping[str, Standing]) -> Iterator[Problem]:
    """Whom this copy trusts and who goes on in it, where no entry introduces them."""
    rows = store.execute("SELECT name, value FROM local WHERE name IN ('root', 'writer')")
    words = {"root": "the founder that this copy trusts", "writer": "the writer that goes on here"}
    for name, writer in sorted(rows.fetchall()):
        if writer not in known:
            yield Problem(
                "table local",
                f"{words[name]} is {printable(writer[:_SHORT])}, whom no entry introduces",
                "Restore a backup, or copy the book anew from another machine: logbook join.",
            )


def vouched(store: sqlite3.Connection) -> dict[str, Tip]:
    """Of each writer, the newest accepted entry that a word covers, or that needs none.

    A new writer here may say that it saw those: its word lets them in elsewhere.
    """
    seen: Seen = {}
    chain.check(views.filed_entries(store), seen)
    known = membership.standings(store)
    _, _, holding = _heads(store, known, [])
    tips = {writer: held.tips(store, writer) for writer in held.writers(store)}
    for writer, first, _, _ in _without_word(store, known, holding | seen):
        tips[writer] = held.at(store, writer, first - 1)
    return {writer: max(of) for writer, of in tips.items() if of}


def _without_word(
    store: sqlite3.Connection, known: Mapping[str, Standing], words: Seen
) -> Iterator[tuple[str, int, int, str]]:
    """Accepted entries that no word covers: no signature of their writer, no pin, and no accepted
    entry that saw them or one after them: `(writer, first, last, id of the last)`.

    By such a word they were let in, and it is kept: somebody put them there past the program, or
    took the word away. A ring of entries that see each other there cannot be, as each names the
    others by their hashes: one is on top, and is told.
    """
    by_writer: dict[str, set[str]] = {}
    for writer, _, name in words:
        by_writer.setdefault(writer, set()).add(name)
    ours = _went_before(store, known)
    for writer in held.writers(store):
        named = by_writer.get(writer, set())
        # Of a word for what is not here, `_lacking` tells; it may cover all the rest.
        if writer not in ours and all(held.is_here(store, name) for name in named):
            pins = known[writer].pins if writer in known else ()
            for found in _above(store, writer, named | {name for _, name in pins}):
                yield (writer, *found)


def _went_before(store: sqlite3.Connection, known: Mapping[str, Standing]) -> set[str]:
    """The writer that goes on in this store, and those that it says it goes on after.

    Their lines were written here, or came with the store: no machine had to sign them.
    """
    found: set[str] = set()
    writer = own_writer(store)
    while writer and writer not in found:
        found.add(writer)
        one = known.get(writer)
        writer = one.introduced.predecessor if one is not None else None
    return found


def _above(
    store: sqlite3.Connection, writer: str, words: set[str]
) -> Iterator[tuple[int, int, str]]:
    """What of a chain lies above the entries of these ids: `(first, last, id of the last)`."""
    fork = held.fork_at(store, writer)
    branches = held.chain_from(store, writer, fork) if fork else {}
    covered = max((held.accepted_number(store, writer, name) for name in words), default=0)
    trunk = min(covered, fork - 1) if fork else covered
    for last, tip in sorted(held.tips(store, writer)):
        first, name = last + 1, tip
        while name in branches and name not in words:
            first, name = branches[name].seq, branches[name].prev or ""
        if name not in branches:
            first = trunk + 1
        if first <= last:
            yield first, last, tip


def _by_nobody(who: str, first: int, last: int, name: str) -> Problem:
    one = first == last
    where = f"{who}, {f'entry {last}' if one else f'entries {first} to {last}'} ({name[:12]})"
    return Problem(
        where,
        f"vouched for by nobody: that machine did not sign {'it' if one else 'them'}, and no other "
        f"has seen {'it' if one else 'them'}",
        "logbook sync, with a place that it uses, brings its signature if they are its own; else "
        "compare with that machine and with a backup before anything is trusted.",
    )


def _lacking(
    store: sqlite3.Connection, known: Mapping[str, Standing], named: Seen
) -> Iterator[Problem]:
    """The newest entry of each writer that another machine has seen and that is not here."""
    newest: dict[str, tuple[int, str]] = {}
    for writer, seq, name in named:
        if not held.is_here(store, name):
            newest[writer] = max(newest.get(writer, (0, "")), (seq, name))
    for writer, (seq, name) in sorted(newest.items()):
        by = sorted(named[writer, seq, name] - {writer})
        who = called(known, by[0]) if by else "that machine itself"
        where = f"{called(known, writer)}, entry {seq} ({name[:12]})"
        if seq <= held.last(store, writer):
            yield Problem(
                where,
                f"{who} has seen another entry {seq} than the one here: one of the two was "
                "written anew, or one store is in use on two machines",
                "Compare with a backup and with the other machine before anything is trusted.",
            )
        else:
            yield Problem(
                where,
                f"{who} has seen it, and it is not here: a truncated tail, or not fetched yet",
                _FETCH,
            )


def _witnessed(
    store: sqlite3.Connection, known: Mapping[str, Standing], seen: Seen
) -> dict[str, int]:
    """How many entries of each chain another machine has said that it saw."""
    newest: dict[str, int] = {}
    for (writer, seq, name), by in seen.items():
        own = disk_of(known, writer)
        others = any(disk_of(known, one) != own for one in by)
        if others and seq > newest.get(writer, 0) and held.is_accepted(store, name):
            newest[writer] = seq
    return newest


def own_writer(store: sqlite3.Connection) -> str | None:
    """The writer that goes on in this store."""
    row = store.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
    return None if row is None else str(row[0])


def disk_of(known: Mapping[str, Standing], writer: str) -> str:
    """The first of the writers that followed one another on one machine, each with its key."""
    seen: set[str] = set()
    while writer not in seen:
        seen.add(writer)
        one = known.get(writer)
        if one is not None and one.after:
            writer = one.after
    return writer


def _is_left(known: Mapping[str, Standing], writer: str) -> bool:
    """True if a machine with that writer's key writes as another one since."""
    return any(one.after == writer for one in known.values())


def _forked(known: Mapping[str, Standing], writer: str, fork: Fork) -> Problem:
    told = " and ".join(
        f"{branch.first[:12]} ({branch.entries} {'entry' if branch.entries == 1 else 'entries'}, "
        f"to number {branch.last_seq})"
        for branch in fork.branches
    )
    return Problem(
        f"{called(known, writer)}, entry {fork.seq}",
        f"the chain forks: this number was used {len(fork.branches)} times, and goes on as {told}",
        "Both branches are kept and count: one store was in use in two places. Each becomes a "
        "writer of its own at its next line; logbook conflicts shows where they disagree.",
    )


def _held_back(known: Mapping[str, Standing], one: Waiting) -> Problem:
    lines = f"{one.lines} line{'s' * (one.lines != 1)}"
    entries = f"{one.entries} {'entry' if one.entries == 1 else 'entries'}"
    remedy = {
        "it is not enrolled": f"To let it in: logbook machines enrol {one.writer[:_SHORT]}.",
        "written after it was retired": "They do not count; enrol takes the machine back.",
    }
    return Problem(
        called(known, one.writer),
        f"{lines} in {entries} {'waits' if one.lines == 1 else 'wait'}: {one.why}",
        remedy.get(one.why, "The next logbook sync may bring what is missing."),
    )
