"""Chains of made-up writers for tests of transports: entries, forks, heads signed with real keys.

Everything follows from a writer's name, so that two tests that say the same get the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from functools import cache

from logbook import signing
from logbook.journal.entry import BadEntry, Entry, Write, decode, encode, entry_id
from logbook.journal.kinds import to_value
from logbook.sync.place import Head, Inventory, Known, Place, Run, Tip
from logbook.trial import records

Bodies = tuple[bytes, ...]


def private_key(name: str) -> str:
    """The Ed25519 key of a writer of that name, 32 bytes in hex."""
    return hashlib.sha256(f"key of {name}".encode()).hexdigest()


@cache
def public_key(name: str) -> str:
    """The public key that belongs to `private_key`, in hex."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(private_key(name)))
    return private.public_key().public_bytes_raw().hex()


@cache
def writer_id(name: str) -> str:
    """The writer's id, which follows from its public key."""
    return hashlib.sha256(bytes.fromhex(public_key(name))).hexdigest()[:32]


def chain(name: str, count: int) -> Bodies:
    """The first `count` entries of a writer: its introduction, then a watering each."""
    return longer(name, (), count)


def longer(name: str, below: Sequence[bytes], count: int, text: str = "") -> Bodies:
    """The `count` entries that follow `below`; another `text` makes another branch."""
    last = decode(below[-1]) if below else None
    seq = last.seq if last else 0
    prev = entry_id(below[-1]) if below else None
    made = []
    for number in range(seq + 1, seq + count + 1):
        body = encode(_entry(name, number, prev, text))
        made.append(body)
        prev = entry_id(body)
    return tuple(made)


def _entry(name: str, seq: int, prev: str | None, text: str) -> Entry:
    minute = seq % 1440
    written = f"2026-03-{1 + seq // 1440 % 28:02}T{minute // 60:02}:{minute % 60:02}:00+01:00"
    if seq == 1:
        value = to_value(records.Writer("book", name, public_key(name), None))
        return Entry(
            writer=writer_id(name),
            seq=seq,
            prev=prev,
            kind="writer",
            written=written,
            by=text or name,
            writes=(Write(f"writer/{writer_id(name)}", value),),
        )
    act = hashlib.sha256(f"{name} {seq} {text}".encode()).hexdigest()[:8].upper()
    bed = hashlib.sha256(f"bed {seq % 12}".encode()).hexdigest()[:12]
    value = {
        "bed": bed,
        "known": "metered",
        "typed": text or f"{200 + seq % 90} mL",
        "volume_ml": str(200 + seq % 90),
        "when": written[:16] + "+01:00",
    }
    return Entry(
        writer=writer_id(name),
        seq=seq,
        prev=prev,
        kind="water",
        written=written,
        by=name,
        act=act,
        writes=(Write(f"water/{act}/{bed}", value),),
    )


def noted(name: str, below: Sequence[bytes], text: str, kind: str = "note", kv: int = 1) -> bytes:
    """An entry after `below` whose value is this text, of any kind and version."""
    last = decode(below[-1])
    return encode(
        Entry(
            writer=last.writer,
            seq=last.seq + 1,
            prev=entry_id(below[-1]),
            kind=kind,
            kv=kv,
            written="2026-04-01T09:00:00+02:00",
            by=name,
            writes=(Write("note/K7M3QX4R/1", {"text": text}),),
        )
    )


def head(name: str, bodies: Sequence[bytes]) -> Head:
    """The writer's signed word for the last of these entries of its chain."""
    seq, top = tip(bodies)
    message = signing.head_message(writer_id(name), seq, top)
    return Head(writer_id(name), seq, top, signing.sign(private_key(name), message))


def run(name: str, bodies: Sequence[bytes], signed: bool = False) -> Run:
    """These consecutive entries as they travel; `signed`: with a head for the last."""
    return Run(writer_id(name), tuple(bodies), (head(name, bodies),) if signed else ())


def tip(bodies: Sequence[bytes]) -> Tip:
    """Number and id of the last of these entries."""
    return decode(bodies[-1]).seq, entry_id(bodies[-1])


def ids(bodies: Iterable[bytes]) -> list[str]:
    """The ids of entries."""
    return [entry_id(body) for body in bodies]


class Having(Known):
    """A machine that has these entries and heads, and refuses what is no entry."""

    def __init__(self, bodies: Iterable[bytes] = (), heads: Iterable[Head] = ()) -> None:
        self.entries: dict[str, tuple[str, int, str | None]] = {}
        self.heads = set(heads)
        self.refused: set[str] = set()
        self.take(bodies)

    def take(self, bodies: Iterable[bytes]) -> None:
        """Have these entries too."""
        for body in bodies:
            try:
                entry = decode(body)
            except BadEntry:
                self.refused.add(entry_id(body))
                continue
            self.entries[entry_id(body)] = (entry.writer, entry.seq, entry.prev)

    def fetch_all(self, place: Place) -> list[Run]:
        """Fetch what the place has and this machine lacks, keeping each run before the next."""
        runs = []
        for run in place.fetch(self):
            self.take(run.bodies)
            self.heads |= set(run.heads)
            runs.append(run)
        return runs

    def tips(self, writer: str) -> frozenset[Tip]:
        reached: dict[str, tuple[int, str | None]] = {}
        for name, (of, seq, prev) in sorted(self.entries.items(), key=lambda item: item[1][1]):
            if of == writer and (prev is None or prev in reached):
                reached[name] = seq, prev
        followed = {prev for _, prev in reached.values()}
        return frozenset((seq, name) for name, (seq, _) in reached.items() if name not in followed)

    def has(self, entry: str) -> bool:
        return entry in self.entries

    def has_head(self, head: Head) -> bool:
        return head in self.heads

    def refuses(self, entry: str) -> bool:
        return entry in self.refused


def inventory(*chains: Sequence[bytes], heads: Iterable[Head] = ()) -> Inventory:
    """What a place holds that has exactly these chains, each from its entry 1."""
    having = Having(body for bodies in chains for body in bodies)
    writers = {writer for writer, _, _ in having.entries.values()}
    return Inventory({writer: having.tips(writer) for writer in writers}, frozenset(heads))
