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
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from logbook.sync.place import Head, Tip
from logbook.sync.segment import Segment

# A row of `place_file`: the file's size, its time of change (ns), what it holds as JSON.
Row = tuple[int, int, str]


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
    # Whatever a file follows has a smaller number than its own first: it comes before.
    for span, name in sorted(spans, key=lambda item: (item[0].writer, item[0].first, item[1])):
        at = (span.writer, span.start)
        if span.first == 1 or at in ends or _within(span.writer, span.start, found, id_at):
            found[name] = span
            ends.add((span.writer, span.end))
    return found


def tips(files: Mapping[str, Span], id_at: IdAt) -> dict[str, frozenset[Tip]]:
    """Per writer, the entries of anchored files that no other entry follows."""
    followed = {(span.writer, span.start) for span in files.values()}
    found: dict[str, set[Tip]] = {}
    for span in files.values():
        if (span.writer, span.end) in followed or span.end in found.get(span.writer, ()):
            continue
        if not _within(span.writer, span.end, files, id_at):
            found.setdefault(span.writer, set()).add(span.end)
    return {writer: frozenset(of) for writer, of in found.items()}


def _within(writer: str, tip: Tip, files: Mapping[str, Span], id_at: IdAt) -> bool:
    """True if the entry is within one of the files, and not its last."""
    return any(
        span.writer == writer and span.covers(tip[0]) and id_at(name, tip[0]) == tip[1]
        for name, span in files.items()
    )


def heads_of(seen: Seen) -> Iterable[Head]:
    """Every signed head that lies there."""
    return (head for one in seen.values() for head in one.heads)
