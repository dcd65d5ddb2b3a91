"""The bytes of a segment: frozen by an example, strict; what is no segment is told apart."""

from __future__ import annotations

import base64
import random
import re
import struct
import zlib
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook import signing
from logbook.journal.entry import Entry, Write, encode, entry_id
from logbook.sync.place import Head, Run
from logbook.sync.segment import BadSegment, Fault, pack, unpack
from tests.sync import hostile
from tests.sync.chains import chain, head, ids, longer, public_key, run, writer_id

BENCH = chain("bench", 3)
# A file of format 1: what any later program must still read.
GOLDEN = base64.b64decode(
    """
YW1lbmRtZW50LXRyaWFsLWxvZ2Jvb2sgc2VnbWVudAoAAAABAAAAAAAAAnpBHyzChgvWKKUvrF4aB5lh70PJyYTdY8
7pcqxUSd4Zt3icrZHNaxNBGMa3qNSrKOhFKSMKxZTM987GS1lqD1awhxaUkpaZ2RkTkmzaJG2NpQfrPyBI9OCxxavo
odDSq+BVqBZPChYEKaL4AV7E2XyghdQqurC7M88+787z/l7P8w54Xs/oAlB1kAHKxDoHUqCQjyO3na/ka6aS7OdABq
XAdMW4RTxbLKZA1cw0tdaXtjMDAmI0UZgopGTAIs4NixjEENGA84hK0PZWQWZiol2W3r/I5SuXC0nC5JUCJalz+dj8
Etlli4w21Wq50ok4PauKeT1VMElrmmKhkETSEs2Epgr7yEjrY42ptRZHgiAOrSWCMSyohIEwSitiBKOKaAoWUxPZbL
YVv2Zi90sMMR+AZACiMQgzEGUgPNd8gkXHtL4ApK4521BIYDgMmQvZFbLswhj4REcCK0khYsJiyUVEmJSQasEDTTDx
DY4ocshQEDAqmVtqXxsrXSoqDWhPCP/rhJJ06U4L6UgJwRQX2A90cyomaWG3CgpxeT7hUzKu1hlSoFafbhpdtr7SJS
fMlYuzJTNVKrbE5MxcN6a4A3Q/+HgP+KEIwyE2HPwVfCOsppZDqXwcMI19YpFmzEfMD7gvrDAUScI11QG2xkRuHogY
JLAQNtBcd+CT/wK/00LaUBgF1h1EOfoJf7f6W/ikG3yyJ3zyp/DJLvhej7uv39k5f/rReuNFnB3tO3a3dNFrXQc+HA
mfnxqeubIxuTQ4uHW8sbLauJA7e+b225t921+efP44iZe37z948+r9yMGhzW/1a4fx6tbD+VuvextTaxsrJ088vVp9
OT56Y7P/cu/SzvrIu7Hl/sdf1559Co8e+n5vfLn3B6B3aYg=
"""
)
GOLDEN_IDS = (
    "73cd82ba40158f2a68d35aa04c869c3237e2d413b119954a513bc7cefa2024ae",
    "e8fc4f60ab7295c273f1c5571579678f8e41a36c4c92feedc3213e18288f9c6c",
    "f01142d51e467158bc5e824040d71795a4b6954568262590e78120e4f5c5f4f1",
)


def test_a_segment_written_once_is_read_for_ever() -> None:
    found = unpack(GOLDEN)
    assert found.writer == writer_id("bench")
    assert (found.first, found.before, found.last) == (1, None, 3)
    assert found.ids == GOLDEN_IDS
    assert tuple(ids(found.bodies)) == GOLDEN_IDS
    (signed,) = found.heads
    assert (signed.writer, signed.seq, signed.id) == (found.writer, 3, GOLDEN_IDS[-1])
    message = signing.head_message(signed.writer, signed.seq, signed.id)
    assert signing.holds(public_key("bench"), message, signed.signature)


def test_its_layout_is_as_documented() -> None:
    signed = head("bench", BENCH)
    inflated = hostile.records(*BENCH) + hostile.records(
        bytes.fromhex(signed.writer)
        + struct.pack(">Q", 3)
        + bytes.fromhex(signed.id)
        + bytes.fromhex(signed.signature)
    )
    data = pack(run("bench", BENCH, signed=True)).data
    assert data[:32] == b"amendment-trial-logbook segment\n"
    assert data[32:44] == b"\0\0\0\1" + struct.pack(">Q", len(data) - 76)
    assert data[44:76] == sha256(data[76:]).digest()
    assert zlib.decompress(data[76:]) == inflated


def test_the_reader_that_the_page_shows_reads_it(tmp_path: Path) -> None:
    page = Path(__file__).parents[2] / "docs" / "segments.md"
    (code,) = re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    shown: dict[str, Any] = {}
    exec(code, shown)
    (tmp_path / "a.seg").write_bytes(GOLDEN)
    read = list(shown["entries"](tmp_path / "a.seg"))
    assert [entry["seq"] for entry in read] == [1, 2, 3]
    assert {entry["writer"] for entry in read} == {writer_id("bench")}


def test_its_name_says_whose_entries_it_holds() -> None:
    packed = pack(run("bench", BENCH[1:]))
    start = sha256(packed.data[76:]).hexdigest()
    assert packed.names[0] == f"{writer_id('bench')}-2-3-{start[:8]}.seg"
    assert packed.names[1] == f"{writer_id('bench')}-2-3-{start[8:16]}.seg"
    alone = pack(Run(writer_id("bench"), (), (head("bench", BENCH),)))
    assert alone.names[0].startswith(f"{writer_id('bench')}-0-3-")


def test_names_fit_any_file_system() -> None:
    last = 2**53 - 1
    bodies: list[bytes] = []
    for seq in (last - 1, last):
        prev = entry_id(bodies[-1]) if bodies else "0" * 64
        bodies.append(_note(seq, prev))
    for name in pack(Run("ab" * 16, tuple(bodies))).names:
        assert len(name) == 79
        assert set(name) <= set("0123456789abcdefsg-.")


def _note(seq: int, prev: str) -> bytes:
    writes = (Write("note/K7M3QX4R/1", {"text": "."}),)
    return encode(Entry("ab" * 16, seq, prev, "note", "2026-03-14T08:30:00Z", "mira", writes))


@given(
    first=st.integers(0, 8),
    count=st.integers(0, 5),
    signed=st.booleans(),
)
def test_what_is_packed_is_unpacked(first: int, count: int, signed: bool) -> None:
    below = chain("bench", first)
    bodies = longer("bench", below, count)
    heads = (head("bench", bodies),) if signed and bodies else ()
    if not bodies:
        heads = (head("bench", BENCH),)
    found = unpack(pack(Run(writer_id("bench"), bodies, heads)).data)
    assert (found.writer, found.bodies, found.heads) == (writer_id("bench"), bodies, heads)
    assert found.ids == tuple(ids(bodies))
    assert found.before == (entry_id(below[-1]) if below and bodies else None)


def test_a_thousand_typical_entries_take_at_most_85_bytes_each() -> None:
    """A season's mix of single acts by hand: waterings, readings, remarks in words, heads seen."""
    rng = random.Random(7)
    bodies = [chain("bench", 1)[0]]
    for seq in range(2, 1_002):
        bodies.append(_typical(rng, seq, entry_id(bodies[-1])))
    packed = pack(run("bench", bodies[1:], signed=True))
    assert sum(map(len, bodies[1:])) / 1_000 > 300
    assert len(packed.data) / 1_000 <= 85


WORDS = ("the", "fan", "door", "crust", "roots", "moved", "dry", "north", "corner", "again", "two")


def _typical(rng: random.Random, seq: int, prev: str) -> bytes:
    act = "".join(rng.choices("0123456789ABCDEFGHJKMNPQRSTVWXYZ", k=8))
    bed = sha256(f"bed {rng.randrange(12)}".encode()).hexdigest()[:12]
    when = (
        f"2026-{3 + seq // 200:02}-{1 + seq // 8 % 28:02}T{8 + seq % 9:02}:{seq % 60:02}:00+02:00"
    )
    kind, key, value = rng.choice(
        (
            ("water", f"water/{act}/{bed}", {"known": "metered", "volume_ml": "250"}),
            ("measure", f"measure/{act}/{bed}", {"what": "temperature", "value": "18.5"}),
            ("note", f"note/{act}/1", {"text": " ".join(rng.choices(WORDS, k=5))}),
        )
    )
    return encode(
        Entry(
            writer=writer_id("bench"),
            seq=seq,
            prev=prev,
            kind=kind,
            written=when,
            by="mira",
            act=act,
            writes=(Write(key, {"bed": bed, "when": when, "typed": "250 mL", **value}),),
            saw={writer_id("office"): [seq, rng.randbytes(32).hex()]} if seq % 25 == 0 else None,
        )
    )


def refused(data: bytes) -> BadSegment:
    """The error for bytes that are no good segment."""
    with pytest.raises(BadSegment) as raised:
        unpack(data)
    return raised.value


@pytest.mark.parametrize(
    ("data", "fault", "what"),
    [
        (b"", Fault.EMPTY, "it is empty"),
        (GOLDEN[:20], Fault.TORN, "it is cut off: 20 of 76 bytes are there"),
        (GOLDEN[:-1], Fault.TORN, f"it is cut off: {len(GOLDEN) - 1} of {len(GOLDEN)} bytes are"),
        (GOLDEN + b"\n", Fault.DAMAGED, "it is longer than it says"),
        (GOLDEN[:-1] + b"?", Fault.DAMAGED, "its bytes are not those that were written"),
        (b"PK\3\4", Fault.FOREIGN, "it is no segment of a logbook"),
        (b"#" + GOLDEN[1:], Fault.FOREIGN, "it is no segment of a logbook"),
        (
            hostile.framed(b"?", version=2),
            Fault.NEWER,
            "it is of format 2; this program reads 1",
        ),
        (hostile.framed(b"?", version=0), Fault.DAMAGED, "it says that it is of format 0, which"),
    ],
)
def test_what_is_no_good_segment_is_told_apart(data: bytes, fault: Fault, what: str) -> None:
    found = refused(data)
    assert found.fault is fault
    assert found.message.startswith(what)
    problem = found.problem("a name")
    assert (problem.where, problem.what) == ("a name", found.message)
    assert problem.remedy


@pytest.mark.parametrize("kind", hostile.KINDS)
def test_a_right_hash_does_not_make_a_segment(kind: str) -> None:
    for seed in range(3):
        found = refused(hostile.KINDS[kind](random.Random(seed)))
        assert found.fault in (Fault.REFUSED, Fault.DAMAGED)
        assert found.message.isprintable()
        assert len(found.message) < 300


def test_what_is_refused_says_why() -> None:
    assert refused(hostile.bomb(64 * hostile.MIB)).message == (
        "it is refused: it inflates to more than 16777216 bytes"
    )
    assert refused(hostile.raw("writes", "[" * 10_000)).message.startswith(
        "it is refused: entry 2 in it cannot be read (not an entry: "
    )
    assert refused(hostile.holding(BENCH[0], BENCH[2])).message == (
        "it is refused: entry 2 in it does not follow the one before"
    )
    assert refused(hostile.holding()).message == "it is refused: it holds nothing"


def test_what_would_be_refused_is_not_packed() -> None:
    for bodies in ((BENCH[0], BENCH[2]), (b"{}",), ()):
        with pytest.raises(BadSegment):
            pack(Run(writer_id("bench"), bodies))
    with pytest.raises(BadSegment):
        pack(Run(writer_id("bench"), BENCH, (Head("ab" * 16, 1, "0" * 64, "0" * 128),)))


def test_any_bytes_are_a_segment_or_refused() -> None:
    rng = random.Random(11)
    for _ in range(300):
        stream = rng.randbytes(rng.randrange(60))
        data = rng.choice((stream, GOLDEN[: rng.randrange(90)] + stream, hostile.framed(stream)))
        assert refused(data).message
    inflated = zlib.decompress(GOLDEN[76:])
    for _ in range(300):
        changed = bytearray(inflated)
        changed[rng.randrange(len(changed))] = rng.randrange(256)
        try:
            found = unpack(hostile.framed(zlib.compress(bytes(changed), 1)))
        except BadSegment:
            continue
        # A changed value or head is another entry or head: ids, chain and signature show it.
        assert found != unpack(GOLDEN) or changed == inflated
