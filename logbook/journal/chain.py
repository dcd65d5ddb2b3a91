"""The chain of each writer: gap-free numbers, each entry naming the one before it.

Rules; `check` says where one is broken:
1. an entry's id is the SHA-256 of its stored bytes;
2. its bytes are an entry, and say the writer, number and act it is filed under;
3. a writer's numbers start at 1 and have no gap;
4. `prev` is the id of an entry of the same writer with the number before (None for number 1);
5. two entries may have one number, each with others that follow it: a fork, see `forks`;
6. number 1 introduces the writer: kind `writer`, with the public key that its id follows from.
A fork breaks no rule: it comes of one store in use twice, and both branches count.
A chain shows that what another machine has seen was not changed since; it cannot show that an
owner did not rewrite what nobody else had seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from logbook.errors import Problem
from logbook.journal.entry import BadEntry, Entry, decode, entry_id, is_bytes
from logbook.trial.wording import printable


@dataclass(frozen=True)
class Filed:
    """An entry as the store files it."""

    id: str
    writer: str
    seq: int
    body: bytes
    act: str | None


@dataclass(frozen=True)
class Branch:
    """One way in which a chain that forks goes on: its first and its newest entry, how many."""

    first: str
    last: str
    last_seq: int
    entries: int


@dataclass(frozen=True)
class Fork:
    """The number of a chain that was used more than once, and what follows each time."""

    seq: int
    branches: tuple[Branch, ...]


_RESTORE = "Restore a backup, or copy the book anew from another machine: logbook join."
_FETCH = "Fetch it: logbook sync --thorough, with a place that has it; else restore a backup."
_OTHER_TYPE = "its id, writer, number or bytes are stored as something else: it was damaged"

Seen = dict[tuple[str, int, str], set[str]]


def check(filed: Iterable[Filed], seen: Seen | None = None) -> list[Problem]:
    """Every break of the rules above; `filed` comes ordered by writer, then number.

    `seen` is told what entries say they saw of other writers: (writer, number, id) -> by whom.
    """
    problems: list[Problem] = []
    writer, number = "", 0
    before: set[str | None] = {None}
    level: set[str | None] = set()
    for item in filed:
        if not _is_typed(item):
            problems.append(_at(item, _OTHER_TYPE))
            continue
        if item.writer != writer:
            writer, number, before, level = item.writer, 0, {None}, set()
        if item.seq != number:
            before = level if number else {None}
            if item.seq != number + 1:
                problems.append(_gap(item, number))
                before = set()
            number, level = item.seq, set()
        level.add(item.id)
        problems += _one(item, before, seen)
    return problems


def _is_typed(item: Filed) -> bool:
    """True if it can be placed in a chain: a damaged row holds anything in any column."""
    wanted = ((item.id, str), (item.writer, str), (item.seq, int))
    return all(isinstance(value, of) for value, of in wanted)


def _one(item: Filed, before: set[str | None], seen: Seen | None) -> list[Problem]:
    if not is_bytes(item.body):
        return [_at(item, _OTHER_TYPE)]
    if entry_id(item.body) != item.id:
        return [_at(item, "its bytes do not match its id: it was changed or damaged")]
    try:
        entry = decode(item.body)
    except BadEntry as problem:
        return [_at(item, f"its bytes cannot be read ({problem})")]
    if seen is not None:
        for writer, (seq, name) in (entry.saw or {}).items():
            seen.setdefault((writer, seq, name), set()).add(entry.writer)
    found = []
    if (entry.writer, entry.seq, entry.act) != (item.writer, item.seq, item.act):
        found.append(_at(item, "it is filed under another writer, number or act than it says"))
    if entry.seq == 1 and not introduces(entry):
        found.append(_at(item, "it does not introduce its writer, as a first entry must"))
    if before and entry.prev not in before:
        found.append(_at(item, "it does not follow the entry before it"))
    return found


def forks(chain: Mapping[str, tuple[int, str | None]]) -> list[Fork]:
    """Where a writer's chain forks; `chain` has the number and the predecessor of each entry."""
    after: dict[str | None, list[str]] = {}
    for name, (_, prev) in chain.items():
        after.setdefault(prev, []).append(name)
    found = [
        Fork(chain[names[0]][0], tuple(_branch(chain, after, name) for name in sorted(names)))
        for names in after.values()
        if len(names) > 1
    ]
    return sorted(found, key=lambda fork: (fork.seq, fork.branches[0].first))


def _branch(
    chain: Mapping[str, tuple[int, str | None]], after: Mapping[str | None, list[str]], first: str
) -> Branch:
    names = list(_from(after, first))
    last = max(names, key=lambda name: (chain[name][0], name))
    return Branch(first, last, chain[last][0], len(names))


def _from(after: Mapping[str | None, list[str]], first: str) -> Iterator[str]:
    """An entry and all that follow it."""
    names = [first]
    while names:
        name = names.pop()
        yield name
        names += after.get(name, ())


def introduces(entry: Entry) -> bool:
    """True if the entry holds the public key whose hash is its writer's id."""
    values = [write.value for write in entry.writes if write.key == f"writer/{entry.writer}"]
    public = values[0].get("public_key") if values and values[0] else None
    try:
        return entry.kind == "writer" and entry_id(bytes.fromhex(public or ""))[:32] == entry.writer
    except (TypeError, ValueError):
        return False


def _gap(item: Filed, number: int) -> Problem:
    if item.seq == number + 2:
        return _at(item, f"entry {number + 1} of this writer is missing before it", _FETCH)
    lost = f"{number + 1} to {item.seq - 1}"
    return _at(item, f"entries {lost} of this writer are missing before it", _FETCH)


def _at(item: Filed, what: str, remedy: str = _RESTORE) -> Problem:
    where = f"writer {_text(item.writer)[:8]}, entry {_text(item.seq)} ({_text(item.id)[:12]})"
    return Problem(where, what, remedy)


def _text(value: object) -> str:
    """A column as it can be shown, whatever damage made of it."""
    shown = value.decode(errors="replace") if isinstance(value, bytes) else str(value)
    return printable(shown)
