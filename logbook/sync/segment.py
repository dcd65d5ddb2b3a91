"""The bytes of a segment: consecutive entries of one writer, and its signed heads, as one file.

    magic (32 bytes) | format | length | SHA-256 of what follows | zlib stream

Inflated, the stream holds counted, length-prefixed records (docs/segments.md). It holds no names of
files, so that nothing in it can name a place to write to. Rules of reading, each with its fault:
a file shorter than it says is torn, one whose hash differs is damaged; nothing is inflated before
the hash is right, no more than MOST_INFLATED bytes are, and what a right hash covers must still be
a run: every entry decodes, names the one before it and is of the one writer.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from hashlib import sha256
from typing import NoReturn

from logbook.errors import LogbookError, Problem
from logbook.journal.entry import MOST_BYTES, BadEntry, Entry, decode, entry_id
from logbook.sync.place import Head, Run
from logbook.trial.wording import printable

MAGIC = b"amendment-trial-logbook segment\n"
FORMAT = 1
_HEADER = struct.Struct(">32sIQ32s")
_COUNT = struct.Struct(">I")
_HEAD = struct.Struct(">16sQ32s64s")
HEADER_BYTES = _HEADER.size
# Four times what this program writes into one (see `folder`): later ones may write more.
MOST_INFLATED = 16 * 1024 * 1024
MOST_STORED = MOST_INFLATED
MOST_ENTRIES = 10_000
MOST_HEADS = 1_000
_MOST_SEQ = 2**53
_MOST_QUOTED = 200
# 6 packs entries to 73 bytes each, 9 to 71 at less than half the speed.
_LEVEL = 6


class Fault(StrEnum):
    """What a file that is no good segment is instead."""

    EMPTY = "empty"
    TORN = "torn"
    DAMAGED = "damaged"
    FOREIGN = "foreign"
    NEWER = "newer"
    REFUSED = "refused"


_REMEDIES = {
    Fault.EMPTY: "wait until it is copied whole, then sync again; if it stays so, delete it",
    Fault.TORN: "wait until it is copied whole, then sync again; if it stays so, delete it",
    Fault.DAMAGED: "delete it, then sync the machine that wrote it: it sends what is missing",
    Fault.FOREIGN: "it is left alone; it may be moved elsewhere",
    Fault.NEWER: "install the newer program here, then sync again",
    Fault.REFUSED: "delete it, and ask who else can write to this folder",
}


class BadSegment(LogbookError):
    """Bytes that are no segment this program reads; `fault` says what kind of wrong."""

    def __init__(self, fault: Fault, what: str) -> None:
        super().__init__(what, _REMEDIES[fault])
        self.fault = fault

    def problem(self, where: str) -> Problem:
        """The finding about the file of that name."""
        return Problem(where, self.message, self.hint)


@dataclass(frozen=True)
class Segment:
    """What a good segment holds: entries `first` to `last`, or heads alone (both 0).

    `before` is the id of the entry before the first, None where that is entry 1.
    """

    writer: str
    first: int
    before: str | None
    ids: tuple[str, ...]
    bodies: tuple[bytes, ...]
    heads: tuple[Head, ...]

    @property
    def last(self) -> int:
        """The number of the last entry."""
        return self.first + len(self.ids) - 1 if self.ids else 0


@dataclass(frozen=True)
class Packed:
    """A segment as a file: its bytes, and names for it, the first of which is the usual one.

    Names are lower-case, so that no two differ by case, and at most 80 characters long.
    """

    segment: Segment
    data: bytes
    names: tuple[str, ...]


def pack(run: Run) -> Packed:
    """The file of a run; raises BadSegment for one that `unpack` would refuse."""
    segment = _segment(run.bodies, run.heads)
    if len(run.bodies) > MOST_ENTRIES or len(run.heads) > MOST_HEADS:
        _refuse("it holds too many entries or heads")
    inflated = b"".join(_records(run))
    if len(inflated) > MOST_INFLATED:
        _refuse("its entries are too large for one file")
    stream = zlib.compress(inflated, _LEVEL)
    hashed = sha256(stream)
    data = _HEADER.pack(MAGIC, FORMAT, len(stream), hashed.digest()) + stream
    last = segment.last or max(head.seq for head in segment.heads)
    stem = f"{segment.writer}-{segment.first}-{last}"
    names = tuple(f"{stem}-{hashed.hexdigest()[at : at + 8]}.seg" for at in range(0, 64, 8))
    return Packed(segment, data, names)


def _records(run: Run) -> Iterator[bytes]:
    yield _COUNT.pack(len(run.bodies))
    for body in run.bodies:
        yield _COUNT.pack(len(body))
        yield body
    yield _COUNT.pack(len(run.heads))
    for head in run.heads:
        yield _COUNT.pack(_HEAD.size)
        texts = (head.writer, head.id, head.signature)
        writer, name, signature = map(bytes.fromhex, texts)
        yield _HEAD.pack(writer, head.seq, name, signature)


def stored_length(start: bytes, size: int) -> int:
    """How many bytes follow the header, by the first bytes of a file and its size.

    Raises BadSegment where they show already that the file is no good segment.
    """
    if not size:
        raise BadSegment(Fault.EMPTY, "it is empty")
    if start[: len(MAGIC)] != MAGIC[: len(start)]:
        raise BadSegment(Fault.FOREIGN, "it is no segment of a logbook")
    if len(start) < HEADER_BYTES:
        _torn(size, HEADER_BYTES)
    _, found, length, _ = _HEADER.unpack(start[:HEADER_BYTES])
    if found > FORMAT:
        raise BadSegment(Fault.NEWER, f"it is of format {found}; this program reads {FORMAT}")
    if found < FORMAT:
        raise BadSegment(Fault.DAMAGED, f"it says that it is of format {found}, which there is not")
    if length > MOST_STORED:
        _refuse(f"it says that it holds {length} bytes, more than {MOST_STORED}")
    if size < HEADER_BYTES + length:
        _torn(size, HEADER_BYTES + length)
    if size > HEADER_BYTES + length:
        raise BadSegment(Fault.DAMAGED, "it is longer than it says")
    return int(length)


def unpack(data: bytes) -> Segment:
    """The segment of a file's bytes; raises BadSegment, and no other error, for any bytes."""
    stored_length(data[:HEADER_BYTES], len(data))
    _, _, _, digest = _HEADER.unpack_from(data)
    stream = memoryview(data)[HEADER_BYTES:]
    # Hashed before it is inflated: what chance did to a file ends here.
    if sha256(stream).digest() != digest:
        raise BadSegment(Fault.DAMAGED, "its bytes are not those that were written")
    inflated = _inflated(stream)
    at, bodies = _counted(inflated, 0, MOST_ENTRIES, MOST_BYTES)
    at, heads = _counted(inflated, at, MOST_HEADS, _HEAD.size)
    if at != len(inflated):
        _refuse("there is more behind its last record")
    return _segment(bodies, [_head(record) for record in heads])


def _inflated(stream: memoryview) -> bytes:
    inflating = zlib.decompressobj()
    try:
        inflated = inflating.decompress(stream, MOST_INFLATED + 1)
    except zlib.error:
        _refuse("it cannot be inflated")
    if len(inflated) > MOST_INFLATED:
        _refuse(f"it inflates to more than {MOST_INFLATED} bytes")
    if not inflating.eof or inflating.unused_data:
        _refuse("it cannot be inflated to its end")
    return inflated


def _counted(data: bytes, at: int, most: int, most_bytes: int) -> tuple[int, list[bytes]]:
    """Counted, length-prefixed records from `at` on, and where they end."""
    at, count = _number(data, at)
    if count > most:
        _refuse(f"it says that it holds {count} records, more than {most}")
    records = []
    for _ in range(count):
        at, length = _number(data, at)
        if length > most_bytes:
            _refuse(f"it says that a record has {length} bytes, more than {most_bytes}")
        if at + length > len(data):
            _refuse("a record ends beyond its end")
        records.append(data[at : at + length])
        at += length
    return at, records


def _number(data: bytes, at: int) -> tuple[int, int]:
    if at + _COUNT.size > len(data):
        _refuse("a record ends beyond its end")
    return at + _COUNT.size, int(_COUNT.unpack_from(data, at)[0])


def _head(record: bytes) -> Head:
    if len(record) != _HEAD.size:
        _refuse(f"a head has {len(record)} bytes, not {_HEAD.size}")
    writer, seq, name, signature = _HEAD.unpack(record)
    return Head(writer.hex(), seq, name.hex(), signature.hex())


def _segment(bodies: Sequence[bytes], heads: Sequence[Head]) -> Segment:
    """These entries and heads as one segment, once they are found to be of one writer's chain."""
    if not bodies and not heads:
        _refuse("it holds nothing")
    writer = heads[0].writer if heads else ""
    first, before, last = 0, None, None
    names: list[str] = []
    for number, body in enumerate(bodies, start=1):
        entry = _decoded(body, number)
        if last is None:
            writer, first, before = entry.writer, entry.seq, entry.prev
            if (before is None) != (first == 1):
                _refuse("its first entry names an entry before it wrongly")
        elif (entry.writer, entry.seq, entry.prev) != (writer, last.seq + 1, names[-1]):
            _refuse(f"entry {number} in it does not follow the one before")
        last = entry
        names.append(entry_id(body))
    if any(head.writer != writer or not 1 <= head.seq < _MOST_SEQ for head in heads):
        _refuse("a head in it is of another writer, or its number is out of range")
    return Segment(writer, first, before, tuple(names), tuple(bodies), tuple(heads))


def _decoded(body: bytes, number: int) -> Entry:
    try:
        return decode(body)
    except BadEntry as problem:
        # Its words may quote the entry, which may be anybody's.
        said = printable(str(problem)[:_MOST_QUOTED])
        return _refuse(f"entry {number} in it cannot be read ({said})")


def _torn(size: int, wanted: int) -> NoReturn:
    raise BadSegment(Fault.TORN, f"it is cut off: {size} of {wanted} bytes are there")


def _refuse(why: str) -> NoReturn:
    raise BadSegment(Fault.REFUSED, f"it is refused: {why}") from None
