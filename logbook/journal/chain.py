"""The chain of each writer: gap-free numbers, each entry naming the one before it.

Rules, each checked by `check`:
1. an entry's id is the SHA-256 of its stored bytes;
2. its bytes are an entry, and say the writer, number and act it is filed under;
3. a writer's numbers start at 1 and have no gap;
4. `prev` is the id of an entry of the same writer with the number before (None for number 1);
5. two entries with one number are a fork: both are kept, and it is said;
6. number 1 introduces the writer: kind `writer`, with the public key that its id follows from.
A chain shows that what another machine has seen was not changed since; it cannot show that an
owner did not rewrite what nobody else had seen.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from logbook.errors import Problem
from logbook.journal.entry import BadEntry, Entry, decode, entry_id


@dataclass(frozen=True)
class Filed:
    """An entry as the store files it."""

    id: str
    writer: str
    seq: int
    body: bytes
    act: str | None


def check(filed: Iterable[Filed]) -> list[Problem]:
    """Every break of the rules above; `filed` comes ordered by writer, then number."""
    problems: list[Problem] = []
    writer, number = "", 0
    before: set[str | None] = {None}
    level: set[str | None] = set()
    for item in filed:
        if item.writer != writer:
            writer, number, before, level = item.writer, 0, {None}, set()
        if item.seq != number:
            before = level if number else {None}
            if item.seq != number + 1:
                problems.append(_gap(item, number))
                before = set()
            number, level = item.seq, set()
        elif level:
            problems.append(_at(item, "this number was used twice: the chain forks"))
        level.add(item.id)
        problems += _one(item, before)
    return problems


def _one(item: Filed, before: set[str | None]) -> list[Problem]:
    if entry_id(item.body) != item.id:
        return [_at(item, "its bytes do not match its id: it was changed or damaged")]
    try:
        entry = decode(item.body)
    except BadEntry as problem:
        return [_at(item, f"its bytes cannot be read ({problem})")]
    found = []
    if (entry.writer, entry.seq, entry.act) != (item.writer, item.seq, item.act):
        found.append(_at(item, "it is filed under another writer, number or act than it says"))
    if entry.seq == 1 and not introduces(entry):
        found.append(_at(item, "it does not introduce its writer, as a first entry must"))
    if before and entry.prev not in before:
        found.append(_at(item, "it does not follow the entry before it"))
    return found


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
        return _at(item, f"entry {number + 1} of this writer is missing before it")
    lost = f"{number + 1} to {item.seq - 1}"
    return _at(item, f"entries {lost} of this writer are missing before it")


def _at(item: Filed, what: str) -> Problem:
    where = f"writer {item.writer[:8]}, entry {item.seq} ({item.id[:12]})"
    return Problem(where, what, "Restore a backup, or fetch it from another machine.")
