"""Segments as somebody with ill intent makes them: right hashes, wrong contents."""

from __future__ import annotations

import json
import random
import struct
import zlib
from collections.abc import Callable
from hashlib import sha256

from logbook.journal.entry import decode, entry_id
from logbook.sync.segment import FORMAT, MAGIC
from tests.sync.chains import chain, head, noted

MIB = 1024 * 1024
BENCH = chain("bench", 6)


def framed(stream: bytes, length: int | None = None, version: int = FORMAT) -> bytes:
    """A file around a stream, with its right hash."""
    count = len(stream) if length is None else length
    return struct.pack(">32sIQ32s", MAGIC, version, count, sha256(stream).digest()) + stream


def records(*bodies: bytes) -> bytes:
    """Counted, length-prefixed records."""
    parts = [struct.pack(">I", len(bodies))]
    for body in bodies:
        parts += [struct.pack(">I", len(body)), body]
    return b"".join(parts)


def holding(*bodies: bytes, heads: tuple[bytes, ...] = ()) -> bytes:
    """A file that holds any bytes as entries and heads."""
    return framed(zlib.compress(records(*bodies) + records(*heads), 1))


def changed(**fields: object) -> bytes:
    """A file whose second entry has these fields otherwise; the values are JSON."""
    document = json.loads(BENCH[1])
    text = json.dumps({**document, **fields}, sort_keys=True, separators=(",", ":"))
    return holding(BENCH[0], text.encode())


def raw(field: str, text: str) -> bytes:
    """A file whose second entry has this text, any at all, where a field's value stands."""
    document = json.loads(BENCH[1])
    said = json.dumps({**document, field: "@"}, sort_keys=True, separators=(",", ":"))
    return holding(BENCH[0], said.replace('"@"', text).encode())


def bomb(size: int) -> bytes:
    """So many zero bytes, packed to a thousandth."""
    packing = zlib.compressobj(9)
    start = packing.compress(b"") + packing.flush(zlib.Z_FULL_FLUSH)
    # After a full flush the packed bytes do not depend on those before: one piece does for all.
    piece = packing.compress(bytes(MIB)) + packing.flush(zlib.Z_FULL_FLUSH)
    return framed(start + piece * (size // MIB))


def _forged(rng: random.Random) -> bytes:
    """Entries of two writers in one file."""
    office = chain("office", 3)
    return holding(BENCH[0], office[rng.randrange(1, 3)])


def _rechained(rng: random.Random) -> bytes:
    """An entry left out, doubled, or out of order."""
    bodies = list(BENCH)
    at = rng.randrange(1, 5)
    bodies[at : at + 2] = rng.choice(
        ([bodies[at + 1]], [bodies[at]] * 2, bodies[at + 1 : at - 1 : -1])
    )
    return holding(*bodies)


def _head(rng: random.Random) -> bytes:
    """A head of another writer, a short one, one beyond all numbers."""
    signed = head("office", chain("office", 2))
    whole = bytes.fromhex(signed.writer) + struct.pack(">Q", 2**63)
    whole += bytes.fromhex(signed.id + signed.signature)
    return holding(*BENCH, heads=(rng.choice((whole, whole[:-1], whole + b"\0", b"")),))


def _declared(rng: random.Random) -> bytes:
    """Sizes that are not there."""
    count = struct.pack(">I", rng.choice((2**32 - 1, 2**31, 20_000, 3)))
    stream = zlib.compress(rng.choice((count, struct.pack(">I", 1) + count + b"{}", b"", b"\0\0")))
    return rng.choice((framed(stream), framed(stream, length=2**63), framed(stream, length=2**32)))


def _behind(rng: random.Random) -> bytes:
    """Something behind the last record, behind the stream, behind the file; a stream cut short."""
    whole = records(*BENCH) + records()
    return rng.choice(
        (
            framed(zlib.compress(whole + b"\0")),
            framed(zlib.compress(whole) + b"more"),
            framed(zlib.compress(whole)) + b"more",
            framed(zlib.compress(whole)[:-3]),
            framed(b"\0" * 40),
            holding(),
        )
    )


def _odd(rng: random.Random) -> bytes:
    """Text that is no entry at all."""
    return holding(
        rng.choice(
            (
                b"'); DROP TABLE entry; --",
                b"\x1b]52;c;aGk=\x07\x1b[2J",
                b'{"\\u001b[2J\x1b": 1}',
                b"../../../etc/passwd",
                b"\xff\xfe{}",
                b"[]",
                b"",
            )
        )
    )


KINDS: dict[str, Callable[[random.Random], bytes]] = {
    "a 1 GiB bomb": lambda rng: bomb(1024 * MIB),
    "an entry of 10 MB": lambda rng: holding(noted_large(10 * MIB)),
    "sizes declared that are not there": _declared,
    "10,000 levels of nesting": lambda rng: raw("writes", "[" * 10_000 + "]" * 10_000),
    "objects nested 10,000 deep": lambda rng: raw("saw", '{"a":' * 10_000 + "1" + "}" * 10_000),
    "a number of a million digits": lambda rng: raw("seq", "7" * rng.randint(900_000, 1_000_000)),
    "NaN": lambda rng: raw("kv", rng.choice(("NaN", "Infinity", "-Infinity", "1.5", "1e400"))),
    "a name twice": lambda rng: raw("act", '"K7M3QX4R","act":"K7M3QX4Z"'),
    "number 2^63": lambda rng: changed(
        seq=rng.choice((2**63, 2**63, 2**53, 0, -1, True, "2", None))
    ),
    "a forged writer": _forged,
    "entries chained anew": _rechained,
    "a wrong prev": lambda rng: changed(prev=rng.choice(("0" * 64, None, "x", entry_id(b"")))),
    "a head that is none": _head,
    "something behind": _behind,
    "text that is no entry": _odd,
}


def noted_large(size: int) -> bytes:
    """A note far longer than an entry may be."""
    small = noted("bench", BENCH[:1], "@")
    assert decode(small).seq == 2
    return small.replace(b'"@"', b'"' + b"a" * size + b'"')
