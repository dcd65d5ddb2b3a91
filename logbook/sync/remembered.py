"""What a machine remembers of the files of a folder, so that none is read twice, and how the files
of a writer make up its chain.

The caller keeps it between two looks, in the table `place_file` (`store/place_files.py`):

    seen = recalled(place_files.load(connection, name))
    ... Folder(path, own, seen) ...
    place_files.save(connection, name, noted(seen))

It is to be saved only after what was fetched is kept: `taken` says that it was.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from logbook.store.place_files import Row
from logbook.sync.place import Head, Tip
from logbook.sync.segment import Segment


class Span(NamedTuple):
    """Where the entries of a file lie in the chain of their writer; `before` precedes the first."""

    writer: str
    first: int
    before: str | None
    last: int
    last_id: str

    @property
    def start(self) -> Tip:
        """The entry that it follows."""
        return self.first - 1, self.before or ""

    @property
    def end(self) -> Tip:
        """Its last entry."""
        return self.last, self.last_id

    def covers(self, seq: int) -> bool:
        """True if an entry of that number is in it, its last one left out."""
        return self.first <= seq < self.last


@dataclass
class Remembered:
    """A file that was read whole: no segment of ours where it has neither span nor heads.

    `taken`: its entries are kept here. `inner`: ids of entries within it that were looked up.
    """

    size: int
    mtime: int
    span: Span | None = None
    heads: tuple[Head, ...] = ()
    taken: bool = False
    inner: dict[int, str] = field(default_factory=dict)


Seen = dict[str, Remembered]


def of_segment(segment: Segment, size: int, mtime: int, taken: bool = False) -> Remembered:
    """What is to be remembered of a segment's file."""
    span = None
    if segment.ids:
        first, last = segment.first, segment.last
        span = Span(segment.writer, first, segment.before, last, segment.ids[-1])
    return Remembered(size, mtime, span, segment.heads, taken)


def noted(seen: Seen) -> dict[str, Row]:
    """As rows to be stored, by file; a name that is no text is read anew each time."""
    return {
        name: (one.size, one.mtime, _to_json(one)) for name, one in seen.items() if _is_text(name)
    }


def recalled(rows: Mapping[str, Row]) -> Seen:
    """What was stored; a row that cannot be read is forgotten, and its file read again."""
    seen = {}
    for name, (size, mtime, said) in rows.items():
        try:
            seen[name] = _from_json(size, mtime, said)
        except (ValueError, TypeError, KeyError):
            continue
    return seen


def _to_json(one: Remembered) -> str:
    held = {"span": one.span, "heads": [_listed(head) for head in one.heads]}
    said = {**held, "taken": one.taken, "inner": sorted(one.inner.items())}
    return json.dumps({name: value for name, value in said.items() if value})


def _listed(head: Head) -> list[str | int]:
    return [head.writer, head.seq, head.id, head.signature]


def _from_json(size: int, mtime: int, said: str) -> Remembered:
    held = json.loads(said)
    span = Span(*held["span"]) if "span" in held else None
    heads = tuple(Head(*head) for head in held.get("heads", ()))
    return Remembered(
        size, mtime, span, heads, held.get("taken", False), dict(held.get("inner", ()))
    )


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


IdAt = Callable[[str, int], str]


def anchored(seen: Seen, id_at: IdAt) -> dict[str, Span]:
    """The files whose entries can be followed from entry 1 of their writer through the others.

    `id_at(file, number)` is the id of an entry within a file: asked only where a file begins or
    ends within another one.
    """
    spans = [(one.span, name) for name, one in seen.items() if one.span is not None]
    found: dict[str, Span] = {}
    ends: set[tuple[str, Tip]] = set()
    inner = _Inner(id_at)
    # Whatever a file follows has a smaller number than its own first: it comes before.
    for span, name in sorted(spans, key=_by_first):
        at = (span.writer, span.start)
        if span.first == 1 or at in ends or inner.has(*at):
            found[name] = span
            ends.add((span.writer, span.end))
            inner.add(name, span)
    return found


def tips(files: Mapping[str, Span], id_at: IdAt) -> dict[str, frozenset[Tip]]:
    """Per writer, the entries of anchored files that no other entry follows."""
    followed = {(span.writer, span.start) for span in files.values()}
    inner = _Inner(id_at)
    for span, name in sorted(((span, name) for name, span in files.items()), key=_by_first):
        inner.add(name, span)
    ends = {(span.writer, span.end) for span in files.values()} - followed
    found: dict[str, set[Tip]] = {}
    for writer, tip in sorted(ends):
        if not inner.has(writer, tip):
            found.setdefault(writer, set()).add(tip)
    return {writer: frozenset(of) for writer, of in found.items()}


def _by_first(item: tuple[Span, str]) -> tuple[str, int, str]:
    return item[0].writer, item[0].first, item[1]


class _Inner:
    """The entries within files, their last ones left out; files are added by their first number."""

    def __init__(self, id_at: IdAt) -> None:
        self._id_at = id_at
        self._firsts: dict[str, list[int]] = {}
        # Each file with the greatest number that it or one before it ends with.
        self._files: dict[str, list[tuple[str, Span, int]]] = {}

    def add(self, name: str, span: Span) -> None:
        """Take in a file that begins nowhere before those that are in."""
        files = self._files.setdefault(span.writer, [])
        reach = max(span.last, files[-1][2] if files else 0)
        files.append((name, span, reach))
        self._firsts.setdefault(span.writer, []).append(span.first)

    def has(self, writer: str, tip: Tip) -> bool:
        """True if the entry is within one of the files, and not its last."""
        seq, wanted = tip
        files = self._files.get(writer, [])
        for at in range(bisect_right(self._firsts.get(writer, []), seq) - 1, -1, -1):
            name, span, reach = files[at]
            if reach <= seq:
                break
            if span.covers(seq) and self._id_at(name, seq) == wanted:
                return True
        return False


def heads_of(seen: Seen) -> Iterable[Head]:
    """Every signed head that lies there."""
    return (head for one in seen.values() for head in one.heads)
