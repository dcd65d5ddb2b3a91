"""One bit of the store flips: whatever that does to the journal, `verify` reports it.

A flip that `verify` does not report must have changed nothing: neither an entry as the program
reads it nor a row of any table (it fell into a page's unused space).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logbook.book.checking import check_store, look
from logbook.errors import LogbookError
from logbook.journal import entry as journal
from tests.faults.counting import Counting
from tests.faults.killing import must_be_sound
from tests.program import Program

MOVE_AWAY = "Try: move it away: the next line will be written as a new writer"
ON = "2026-03-05T09:00+01:00"


@pytest.fixture
def filled(started: Program) -> Program:
    """A store of every usual act."""
    for day in range(1, 5):
        on = f"2026-03-0{day}T12:00+01:00"
        started.must("water", "all", on=on)
        started.must("note", f"day {day}: slugs", "--on", "B1-B3", on=on)
        started.must("event", "B2", "spilled", "--text", "a can", on=on)
    started.must("pull", "all", "--for", "before", on="2026-03-01T13:00+01:00")
    started.must("undo", on=ON)
    return started


def content(path: Path) -> dict[str, list[Any]] | str:
    """Every row of every table in the order of its values, or what SQLite says instead."""
    try:
        with closing(sqlite3.connect(path)) as store:
            store.text_factory = bytes
            names = [
                name.decode()
                for (name,) in store.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            ]
            return {
                name: sorted(store.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr)
                for name in names
            }
    except (sqlite3.DatabaseError, UnicodeDecodeError) as problem:
        return str(problem)


def reported(path: Path) -> bool:
    """Whether `verify` would end with 1 or 2: findings, or a store that cannot be checked."""
    try:
        return bool(check_store(path))
    except LogbookError:
        return True


def places(path: Path, wanted: bytes) -> range:
    """Where these bytes stand in a file."""
    at = path.read_bytes().index(wanted)
    return range(at, at + len(wanted))


def test_a_name_in_the_schema_that_is_no_text(filled: Program) -> None:
    """SQLite quotes such a name in its message, which then is no text either."""
    named = b" ON measure (about)"
    sound = filled.store.read_bytes()
    assert sound.count(named) == 1
    # The N of ON, its highest bit flipped.
    filled.store.write_bytes(sound.replace(named, b" O\xce measure (about)"))
    with closing(sqlite3.connect(filled.store)) as store, pytest.raises(UnicodeDecodeError):
        store.execute("SELECT 1 FROM entry")
    for words in [("today",), ("history", "B2"), ("note", "x")]:
        said = filled(*words, on=ON)
        assert said.code == 2
        assert said.err.endswith("logbook.db: the store is damaged\nTry: run: logbook verify\n")
    said = filled("verify", on=ON)
    assert said.code == 1
    assert "the store is damaged" in said.out


@pytest.mark.long
@pytest.mark.parametrize("where", ["anywhere", "in an entry"])
def test_a_bit_flips(filled: Program, counting: Counting, where: str) -> None:
    sound = filled.store.read_bytes()
    before = content(filled.store)
    bodies = filled.journal()
    with counting.fault("6", "flipped bit in the database", f"one bit, {where}", 600) as count:
        for _ in range(count.asked):
            if where == "anywhere":
                at = count.rng.randrange(len(sound))
            else:
                at = count.rng.choice(places(filled.store, count.rng.choice(bodies)))
            bent = bytearray(sound)
            bent[at] ^= 1 << count.rng.randrange(8)
            filled.store.write_bytes(bent)
            if reported(filled.store):
                count.saw["reported by verify"] += 1
            else:
                assert where == "anywhere", f"byte {at} of an entry"
                assert content(filled.store) == before, f"byte {at} changed data unreported"
                count.saw["in unused space, no data changed"] += 1
            filled.store.write_bytes(sound)
            count.passed += 1
    must_be_sound(filled.store)


@pytest.mark.long
def test_the_program_meets_a_bent_store(filled: Program, counting: Counting) -> None:
    """Neither reading nor writing ends in a trace; what is written after it does not lie on it."""
    sound = filled.store.read_bytes()
    how = "one bit anywhere, then today, history, note and verify"
    with counting.fault("6", "a bent store in use", how, 200) as count:
        for _ in range(count.asked):
            bent = bytearray(sound)
            bent[count.rng.randrange(len(sound))] ^= 1 << count.rng.randrange(8)
            filled.store.write_bytes(bent)
            for words in [("today",), ("history", "B2"), ("note", "x"), ("verify",)]:
                said = filled(*words, on=ON)
                assert "the program made a mistake" not in said.err, (words, said)
                count.saw["refused in a sentence"] += said.code == 2
            for one in filled.folder.glob("logbook*"):
                one.unlink()
            filled.store.write_bytes(sound)
            count.passed += 1


def record_header(path: Path, body: bytes) -> range:
    """Where the header of an entry's row stands: the types and lengths of its columns."""
    entry = journal.decode(body)
    # The row is its header, its id, its writer, ..; the header begins with its own length.
    end = path.read_bytes().index(f"{journal.entry_id(body)}{entry.writer}".encode())
    types = [2, 1, 1, 1, 2]
    return range(end - 1 - sum(types), end)


EVERYTHING = [
    ("verify",), ("verify", "--chain"), ("backup", "copy.db"), ("export", "journal", "j.jsonl"),
    ("sync", "stick"), ("today",), ("history", "B2"), ("machines",), ("note", "x"), ("undo",),
]  # fmt: skip


@pytest.mark.long
def test_every_bit_of_the_header_of_a_row(filled: Program, counting: Counting) -> None:
    """There, one bit makes text of bytes, or nothing of a number."""
    (filled.folder / "stick").mkdir()
    filled.must("sync", "add", "stick", "stick", on=ON)
    sound = filled.store.read_bytes()
    before = content(filled.store)
    body = next(one for one in filled.journal() if b"day 2: slugs" in one)
    header = record_header(filled.store, body)
    assert sound[header.start] == len(header)
    how = "every bit of the header of an entry's row, then every command that reads or writes"
    bits = [(at, bit) for at in header for bit in range(8)]
    with counting.fault("6", "flipped bit in the database", how, len(bits), always=True) as count:
        for at, bit in bits:
            bent = bytearray(sound)
            bent[at] ^= 1 << bit
            filled.store.write_bytes(bent)
            if reported(filled.store):
                count.saw["reported by verify"] += 1
            else:
                assert content(filled.store) == before, f"byte {at} changed data unreported"
            for words in EVERYTHING:
                filled.store.write_bytes(bent)
                said = filled(*words, on=ON)
                assert "the program made a mistake" not in said.err, (at, bit, words, said)
            for one in filled.folder.glob("logbook*"):
                one.unlink()
            for name in ("copy.db", "j.jsonl"):
                (filled.folder / name).unlink(missing_ok=True)
            filled.store.write_bytes(sound)
            count.passed += 1


@pytest.mark.long
def test_a_bit_of_the_key_file(filled: Program, counting: Counting) -> None:
    """It is refused before anything is written or signed with it, or said by verify, or harmless:
    a file that seems to be of another store or another line makes a new writer.
    """
    (filled.folder / "stick").mkdir()
    filled.must("sync", "add", "stick", "stick", on=ON)
    (key_file,) = (filled.folder / "state").glob("writer-*.json")
    store, sound = filled.store.read_bytes(), key_file.read_bytes()
    how = "one bit of the key file, then note, verify and sync"
    with counting.fault("6", "flipped bit in a key file", how, 300) as count:
        for _ in range(count.asked):
            bent = bytearray(sound)
            bent[count.rng.randrange(len(sound))] ^= 1 << count.rng.randrange(8)
            key_file.write_bytes(bent)
            noted, verified = filled("note", "x", on=ON), filled("verify", on=ON)
            synced = filled("sync", "stick", on=ON)
            if noted.code == 2:
                assert MOVE_AWAY in noted.err and filled.store.read_bytes() == store
                assert (verified.code, synced.code) == (1, 2)
                count.saw["refused in a sentence"] += 1
            elif verified.code == 1:
                assert "key file is damaged" in verified.out
                assert synced.code == 2 and MOVE_AWAY in synced.err
                count.saw["reported by verify, refused to sign"] += 1
            else:
                assert (verified.code, synced.code) == (0, 0)
                assert look(filled.store, state=(filled.folder / "state")).problems == []
                kind = "a new writer went on" if "new writer" in noted.err else "no key changed"
                count.saw[kind] += 1
            for one in (filled.folder / "state").glob("writer-*.json"):
                one.unlink()
            for segment in (filled.folder / "stick").rglob("*.seg"):
                segment.unlink()
            key_file.write_bytes(sound)
            filled.store.write_bytes(store)
            count.passed += 1
