"""Someone who may write to a place but has no key: nothing of theirs counts, nobody is stopped."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logbook import config, signing
from logbook.book import members, membership
from logbook.errors import UserMistake
from logbook.journal.entry import Entry, Write, decode, encode, entry_id
from logbook.journal.kinds import to_value
from logbook.store import held, views
from logbook.sync import exchange, joining
from logbook.sync.place import Head, Inventory, Run
from logbook.trial.records import Member, Writer
from tests.sync.chains import (
    chain,
    head,
    longer,
    private_key,
    public_key,
    writer_id,
)
from tests.sync.machine import Machine
from tests.sync.memory import Kept, MemoryPlace, Shelf

WRITTEN = "2026-03-20T08:30:00+01:00"


@pytest.fixture
def office(tmp_path: Path) -> Machine:
    machine = Machine("office", tmp_path)
    machine.note("founded")
    return machine


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


def put(shelf: Shelf, name: str, bodies: tuple[bytes, ...], signed: bool = True) -> None:
    """Leave entries of a made-up writer at the place."""
    heads = (head(name, bodies),) if signed else ()
    MemoryPlace(shelf).send([Run(writer_id(name), bodies, heads)])


def first(name: str, predecessor: str | None, signed: str | None, written: str = WRITTEN) -> bytes:
    """An entry 1 of a writer, such as anybody can write who knows its public key."""
    value = to_value(Writer("book", name, public_key(name), predecessor, signed))
    writes = (Write(f"writer/{writer_id(name)}", value),)
    return encode(Entry(writer_id(name), 1, None, "writer", written, name, writes))


def said_by(
    name: str, below: tuple[bytes, ...], of: str, standing: str, up_to: bytes | None
) -> bytes:
    """An entry of a writer that enrols or retires another one."""
    last = decode(below[-1])
    pin = decode(up_to) if up_to else None
    member = Member(
        writer_id(of),
        of,
        public_key(of),
        standing,
        pin.seq if pin else None,
        entry_id(up_to) if up_to else None,
    )
    kind = "enrol" if standing == "member" else "retire"
    writes = (Write(f"member/{writer_id(of)}", to_value(member)),)
    return encode(
        Entry(last.writer, last.seq + 1, entry_id(below[-1]), kind, WRITTEN, name, writes)
    )


def count(machine: Machine, name: str) -> int:
    """How many entries of a made-up writer are accepted there."""
    with views.reading(machine.store) as store:
        return held.last(store, writer_id(name))


def joined(name: str, shelf: Shelf, folder: Path) -> Machine:
    """A machine that joined by the place."""
    machine = Machine(name, folder)
    machine.store.parent.mkdir()
    with joining.offered(machine.store, MemoryPlace(shelf), now=machine.now) as offer:
        (founder,) = [one for one in offer.founders if one.introduced.machine == "office"]
        offer.accept(founder, machine.store, machine.now)
    return machine


def family(office: Machine, shelf: Shelf) -> tuple[tuple[bytes, ...], tuple[bytes, ...]]:
    """Bench and stand, enrolled by the office: their chains at the place."""
    bench, stand = chain("bench", 3), chain("stand", 3)
    put(shelf, "bench", bench)
    put(shelf, "stand", stand)
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    office.enrol("stand")
    office.sync(MemoryPlace(shelf))
    return bench, stand


def test_a_key_that_was_retired_lets_nobody_in_on_a_new_machine(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    """The thief of a retired machine's key enrols a stranger; a machine that joins has never
    heard of the retirement before."""
    bench, stand = family(office, shelf)
    bench = (*bench, said_by("bench", bench, "stand", "retired", stand[-1]))
    put(shelf, "bench", bench)
    office.sync(MemoryPlace(shelf))
    stand = (*stand, said_by("stand", stand, "mallory", "member", None))
    put(shelf, "stand", stand)
    put(shelf, "mallory", chain("mallory", 4))
    office.sync(MemoryPlace(shelf))
    assert (count(office, "stand"), count(office, "mallory")) == (3, 0)
    new = joined("new", shelf, tmp_path)
    assert (count(new, "bench"), count(new, "stand"), count(new, "mallory")) == (4, 3, 0)
    new.note("mine")
    new.sync(MemoryPlace(shelf))
    office.sync(MemoryPlace(shelf))
    office.enrol("new")
    office.sync(MemoryPlace(shelf))
    assert (count(office, "stand"), count(office, "mallory")) == (3, 0)


def test_where_two_retire_each_other_the_one_nearer_to_the_founder_counts(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    bench, _ = family(office, shelf)
    bench = (*bench, said_by("bench", bench, "kid", "member", None))
    put(shelf, "bench", bench)
    kid = chain("kid", 3)
    put(shelf, "kid", kid)
    office.sync(MemoryPlace(shelf))
    assert count(office, "kid") == 3
    put(shelf, "kid", (*kid, said_by("kid", kid, "bench", "retired", bench[-1])))
    put(shelf, "bench", (*bench, said_by("bench", bench, "kid", "retired", kid[-1])))
    new = joined("new", shelf, tmp_path)
    assert (count(new, "bench"), count(new, "kid")) == (5, 3)


def test_a_machine_that_calls_itself_by_anothers_id_is_not_meant(
    office: Machine, shelf: Shelf
) -> None:
    bench = chain("bench", 2)
    put(shelf, "bench", bench)
    posing = writer_id("bench")[:8]
    value = to_value(Writer("book", posing, public_key("mallory"), None))
    writes = (Write(f"writer/{writer_id('mallory')}", value),)
    body = encode(Entry(writer_id("mallory"), 1, None, "writer", WRITTEN, "m", writes))
    put(shelf, "mallory", (body,))
    office.sync(MemoryPlace(shelf))
    with views.reading(office.store) as store:
        known = membership.standings(store)
    assert members.called(known, posing).writer == writer_id("bench")
    assert members.called(known, posing[:4]).writer == writer_id("bench")
    with pytest.raises(UserMistake, match="there is no machine called 'nobody' in this book"):
        members.called(known, "nobody")


def test_a_word_for_a_successor_is_looked_at(office: Machine, shelf: Shelf) -> None:
    """A stranger that says it goes on after the office, with something in place of its word."""
    with views.reading(office.store) as store:
        own = views.local(store, "writer") or ""
    put(shelf, "mallory", (first("mallory", own, "00" * 64),))
    office.sync(MemoryPlace(shelf))
    with views.reading(office.store) as store:
        one = membership.standings(store)[writer_id("mallory")]
    assert (one.after, one.member, one.why) == (None, False, "not enrolled")


def test_another_first_entry_keeps_no_successor_out(office: Machine, shelf: Shelf) -> None:
    bench = chain("bench", 3)
    put(shelf, "bench", bench)
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    word = signing.sign(private_key("bench"), signing.successor_message(public_key("tablet")))
    true = first("tablet", writer_id("bench"), word)
    false = first("tablet", writer_id("bench"), None, "2026-03-20T08:31:00+01:00")
    for bodies in ((false,), longer("tablet", (true,), 2)):
        whole = bodies if bodies == (false,) else (true, *bodies)
        MemoryPlace(shelf).send([Run(writer_id("tablet"), whole, ())])
        office.sync(MemoryPlace(shelf))
    MemoryPlace(shelf).send([Run(writer_id("tablet"), (), (head("tablet", whole),))])
    office.sync(MemoryPlace(shelf))
    assert count(office, "tablet") == 3


def test_another_first_entry_of_the_founder_keeps_nobody_from_joining(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    office.sync(MemoryPlace(shelf))
    body = office.journal()[0]
    twin = body.replace(decode(body).written.encode(), b"2026-03-14T07:31:00+00:00")
    shelf.entries[entry_id(twin)] = Kept(decode(twin).writer, 1, None, twin)
    new = joined("new", shelf, tmp_path)
    assert new.journal() == office.journal()


def test_a_number_that_a_place_says_is_not_believed(office: Machine, shelf: Shelf) -> None:
    """A place that lists the entry that the office wrote first as its newest one."""
    for number in range(4):
        office.note(f"line {number}")
    journal = office.journal()
    writer = decode(journal[0]).writer
    lying = Inventory({writer: frozenset([(6, entry_id(journal[0]))])})
    with views.reading(office.store) as store:
        runs = list(exchange.runs_for(store, lying, []))
    assert [body for run in runs for body in run.bodies] == journal[1:]


def test_what_is_no_entry_is_said_once_and_the_rest_goes_on(office: Machine, shelf: Shelf) -> None:
    bench = chain("bench", 3)
    put(shelf, "bench", bench)
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    junk = bench[-1].replace(b'"v":1', b'"v":9').replace(b'"seq":3', b'"seq":4')
    junk = junk.replace(
        f'"prev":"{entry_id(bench[1])}"'.encode(), f'"prev":"{entry_id(bench[2])}"'.encode()
    )

    class Junk(MemoryPlace):
        def inventory(self) -> Inventory:
            there = super().inventory()
            tips = {**there.tips, writer_id("bench"): frozenset([(4, entry_id(junk))])}
            return Inventory(tips, there.heads)

        def fetch(self, known):  # type: ignore[no-untyped-def]
            yield from super().fetch(known)
            yield Run(writer_id("bench"), (junk,))

    office.note("mine")
    told = office.sync(Junk(shelf))
    assert [problem.what for problem in told.problems] == [
        "an entry of format 9; this program reads 1"
    ]
    assert told.sent_entries == 2
    again = office.sync(Junk(shelf))
    assert (again.problems, again.sent_entries) == ([], 0)


@pytest.mark.parametrize("year", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_no_machine_writes_in_such_a_year(office: Machine, shelf: Shelf, year: str) -> None:
    put(shelf, "mallory", (first("mallory", None, None, year),))
    told = office.sync(MemoryPlace(shelf))
    assert office.waiting() == 0
    assert [problem.what for problem in told.problems] == [
        f"entry 1 of {writer_id('mallory')[:8]} was written in no year of ours"
    ]


def test_a_false_head_at_the_place_does_not_stand_for_the_true_one(
    office: Machine, shelf: Shelf
) -> None:
    office.sync(MemoryPlace(shelf))
    (true,) = shelf.heads
    shelf.heads = {Head(true.writer, true.seq, true.id, "00" * 64)}
    office.sync(MemoryPlace(shelf))
    assert true in shelf.heads


def damage(machine: Machine, table: str, name: str) -> None:
    """Change a letter of an entry's text on the disk, past the program."""
    with closing(sqlite3.connect(machine.store)) as store, store:
        triggers = store.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (table,)
        ).fetchall()
        for trigger, _ in triggers:
            store.execute(f"DROP TRIGGER {trigger}")
        (body,) = store.execute(f"SELECT body FROM {table} WHERE id = ?", (name,)).fetchone()
        changed = body.replace(b"line", b"lime") if b"line" in body else body.replace(b"mL", b"mK")
        assert changed != body
        store.execute(f"UPDATE {table} SET body = ? WHERE id = ?", (changed, name))
        for _, sql in triggers:
            store.execute(sql)


def test_a_damaged_entry_is_not_sent(office: Machine, shelf: Shelf) -> None:
    office.note("line 2")
    name = entry_id(office.journal()[-1])
    damage(office, "entry", name)
    told = office.sync(MemoryPlace(shelf))
    assert [problem.what for problem in told.problems] == [
        "its bytes do not match its id: it was damaged, and is not sent"
    ]
    assert name not in shelf.entries


def test_an_entry_that_changed_while_it_waited_is_not_let_in(office: Machine, shelf: Shelf) -> None:
    bench = chain("bench", 4)
    put(shelf, "bench", bench)
    office.sync(MemoryPlace(shelf))
    damage(office, "held", entry_id(bench[2]))
    office.enrol("bench")
    assert count(office, "bench") == 0
    assert office.waiting() == 3
    office.sync(MemoryPlace(shelf))
    assert count(office, "bench") == 4


def test_what_is_missing_below_what_waits_is_fetched(office: Machine, shelf: Shelf) -> None:
    """Entries 3 and on came by another way; the place has them all."""
    bench = chain("bench", 6)
    put(shelf, "bench", bench)
    stick = Shelf({name: kept for name, kept in shelf.entries.items() if kept.seq > 2}, set())
    office.sync(MemoryPlace(stick))
    assert office.waiting() == 4
    with views.reading(office.store) as store:
        assert exchange.Here(store).tips(writer_id("bench")) == frozenset()
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    assert count(office, "bench") == 6


def test_a_head_that_waits_for_an_entry_is_kept(office: Machine, shelf: Shelf) -> None:
    """One branch's end comes before its beginning, and the other branch in between."""
    base = chain("bench", 3)
    put(shelf, "bench", base)
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    one, other = longer("bench", base, 2, "A"), longer("bench", base, 4, "B")
    end = Shelf({entry_id(one[1]): Kept(writer_id("bench"), 5, entry_id(one[0]), one[1])})
    end.heads = {head("bench", (*base, *one))}
    office.sync(MemoryPlace(end))
    put(shelf, "bench", (*base, *other))
    office.sync(MemoryPlace(shelf))
    MemoryPlace(shelf).send([Run(writer_id("bench"), one)])
    office.sync(MemoryPlace(shelf))
    names = {entry_id(body) for body in office.journal()}
    assert {entry_id(body) for body in (*base, *one, *other)} <= names
    assert office.waiting() == 0


def test_a_key_file_left_behind_is_brought_up_by_an_exchange(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    """A program died between its commit and the key file, and an older store is put back later."""
    shutil.copy2(office.store, tmp_path / "older.db")
    (key,) = office.state.glob("writer-*.json")
    before = key.read_text()
    office.note("one more")
    key.write_text(before)
    office.sync(MemoryPlace(shelf))
    writer = json.loads(before)["writer"]
    kept = config.load(office.state, writer)
    assert kept is not None
    assert kept.seq == json.loads(before)["seq"] + 1
    shutil.copy2(tmp_path / "older.db", office.store)
    office.note("after the old store came back")
    assert decode(office.journal()[-1]).writer != writer or len(office.journal()) == 4
    numbers = [(decode(body).writer, decode(body).seq) for body in office.journal()]
    assert len(set(numbers)) == len(numbers)
    assert (writer, kept.seq) not in numbers
