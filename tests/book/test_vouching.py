"""What `verify` says of other machines: signatures, cut-off tails, what waits, forks."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logbook.book import receiving
from logbook.book.checking import Found, check_store, look
from logbook.errors import StoreError
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Write
from logbook.store import database, held, local, views
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf

FETCH = "Fetch it: logbook sync, with a place that this machine uses; else restore a backup."


@pytest.fixture
def place() -> MemoryPlace:
    """Where both machines exchange."""
    return MemoryPlace(Shelf(), "stick")


@pytest.fixture
def bench(tmp_path: Path) -> Machine:
    """The founder, with two remarks."""
    machine = Machine("bench", tmp_path)
    machine.note("first")
    machine.note("second")
    return machine


@pytest.fixture
def office(bench: Machine, place: MemoryPlace) -> Machine:
    """Another machine that goes on in a copy of the book, not enrolled; it has sent two remarks."""
    other = bench.copied("office")
    other.note("from the office")
    other.note("and another")
    other.sync(place)
    return other


def found(machine: Machine) -> Found:
    return look(machine.store)


def writers(machine: Machine) -> dict[str, str]:
    """Machine name -> writer."""
    with views.reading(machine.store) as store:
        return {name: writer for writer, name in store.execute("SELECT id, machine FROM writer")}


def tampered(machine: Machine, *statements: str) -> None:
    with closing(sqlite3.connect(machine.store)) as store:
        for statement in statements:
            store.execute(statement)
        store.commit()


def said(problems: Sequence[object]) -> list[str]:
    return [str(one) for one in problems]


def test_a_book_of_one_machine_has_no_witness(bench: Machine) -> None:
    told = found(bench)
    assert (told.problems, told.notes) == ([], [])
    assert (told.writers, told.written, told.witnessed) == (1, 3, 0)


def test_what_waits_is_a_note_and_no_fault(
    bench: Machine, office: Machine, place: MemoryPlace
) -> None:
    bench.sync(place)
    told = found(bench)
    assert told.problems == []
    short = writers(office)["office"][:8]
    # A note names the machine, how much waits, why, and what to do.
    assert said(told.notes) == [
        f"office ({short}): 3 lines in 3 entries wait: it is not enrolled; "
        f"To let it in: logbook machines enrol {short}."
    ]


def test_another_machine_is_a_witness(bench: Machine, office: Machine, place: MemoryPlace) -> None:
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    office.sync(place)
    office.note("after the exchange")
    office.sync(place)
    bench.sync(place)
    told = found(bench)
    assert (told.problems, told.notes, told.writers) == ([], [], 2)
    assert (told.written, told.witnessed) == (4, 4)
    bench.note("nobody else has seen this yet")
    told = found(bench)
    assert (told.written, told.witnessed) == (5, 4)


def test_a_truncated_tail_is_found_by_what_another_machine_has_seen(
    bench: Machine, office: Machine, place: MemoryPlace
) -> None:
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    office.sync(place)
    office.note("seen all of it")
    office.sync(place)
    bench.sync(place)
    own = writers(bench)
    with views.reading(bench.store) as store:
        ((_, name),) = held.tips(store, own["bench"])
        rows = store.execute("SELECT sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    tampered(
        bench,
        "DROP TRIGGER entry_no_delete",
        f"DELETE FROM entry WHERE id = '{name}'",
        *(sql for (sql,) in rows if "entry_no_delete" in sql),
    )
    first, *rest = said(check_store(bench.store))
    who = f"office ({own['office'][:8]})"
    assert first == (
        f"bench ({own['bench'][:8]}), entry 4 ({name[:12]}): {who} has seen it, and it is not "
        f"here: a truncated tail, or not fetched yet; {FETCH}"
    )
    assert all(one.startswith("table ") for one in rest)


def test_a_history_written_anew_is_found_by_what_another_machine_has_seen(
    bench: Machine, office: Machine, place: MemoryPlace
) -> None:
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    own = writers(bench)
    tampered(
        bench,
        'INSERT INTO head (writer, id, "by", seq, signature) '
        f"VALUES ('{own['bench']}', '{'a' * 64}', '{own['office']}', 3, '')",
    )
    assert said(check_store(bench.store)) == [
        f"bench ({own['bench'][:8]}), entry 3 (aaaaaaaaaaaa): office ({own['office'][:8]}) has "
        "seen another entry 3 than the one here: one of the two was written anew, or one store is "
        "in use on two machines; Compare with a backup and with the other machine before anything "
        "is trusted."
    ]


def test_a_signature_that_is_not_the_writers(
    bench: Machine, office: Machine, place: MemoryPlace
) -> None:
    bench.sync(place)
    own = writers(bench)["bench"]
    tampered(bench, f"UPDATE head SET signature = '{'0' * 128}' WHERE writer = '{own}'")
    (problem,) = check_store(bench.store)
    assert problem.where.startswith(f"bench ({own[:8]}), entry 3 (")
    assert problem.what == "the signature kept for it is not by that writer's key"


def test_heads_of_a_stranger_are_no_finding(bench: Machine) -> None:
    """Whoever writes to a shared folder could plant them: they vouch for nothing."""
    tampered(
        bench,
        'INSERT INTO head (writer, id, "by", seq, signature) '
        f"VALUES ('{'b' * 32}', '{'a' * 64}', '{'b' * 32}', 9, '00')",
    )
    assert check_store(bench.store) == []


def forged_after(machine: Machine, name: str) -> tuple[str, int, str]:
    """Splice an entry that nobody signed onto the chain of the machine of that name."""
    writer = writers(machine)[name]
    with views.reading(machine.store) as store:
        ((seq, prev),) = held.tips(store, writer)
    value = {"subject": "a trial", "when": "2026-03-14", "text": "invented"}
    body = journal.encode(
        Entry(writer, seq + 1, prev, "note", "2026-03-14T09:00:00+00:00", "x",
              (Write("note/ZZZZ/1", value),), act="ZZZZ")
    )  # fmt: skip
    forged = journal.entry_id(body)
    with closing(sqlite3.connect(machine.store)) as store:
        store.execute("INSERT INTO entry (id, writer, seq, act, body) VALUES (?, ?, ?, ?, ?)",
                      (forged, writer, seq + 1, "ZZZZ", body))  # fmt: skip
        store.commit()
    return writer, seq + 1, forged


@pytest.fixture
def both(bench: Machine, office: Machine, place: MemoryPlace) -> Machine:
    """The bench, once the office is let in and both have said a line since."""
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    office.sync(place)
    office.note("let in")
    office.sync(place)
    bench.sync(place)
    assert check_store(bench.store) == []
    return bench


NOBODY = "vouched for by nobody: that machine did not sign {}, and no other has seen {}"


def test_an_entry_spliced_onto_the_chain_of_another_machine(both: Machine) -> None:
    writer, seq, name = forged_after(both, "office")
    with_tables = check_store(both.store)
    (problem,) = look(both.store, tables=False).problems
    assert problem in with_tables
    assert problem.where == f"office ({writer[:8]}), entry {seq} ({name[:12]})"
    assert problem.what == NOBODY.format("it", "it")
    forged_after(both, "office")
    (problem,) = look(both.store, tables=False).problems
    assert problem.where.startswith(f"office ({writer[:8]}), entries {seq} to {seq + 1} (")


def test_a_new_writer_here_does_not_vouch_for_it(
    both: Machine, office: Machine, place: MemoryPlace
) -> None:
    """As after a backup and a restore: its first entry says what it saw, which others believe."""
    _, seq, name = forged_after(both, "office")
    with database.writing(both.store) as connection:
        local.put(connection, "ended", "restored")
    both.note("as a new writer")
    (problem,) = look(both.store, tables=False).problems
    assert f"entry {seq} ({name[:12]})" in problem.where
    both.sync(place)
    office.sync(place)
    with views.reading(office.store) as store:
        assert not held.is_accepted(store, name)


def test_a_line_of_this_machine_needs_nobodys_word(both: Machine) -> None:
    """Its owner could have written it: no check can tell before another machine has seen it."""
    forged_after(both, "bench")
    assert look(both.store, tables=False).problems == []


def test_signatures_taken_away_are_missed_and_come_again(both: Machine, place: MemoryPlace) -> None:
    writer = writers(both)["office"]
    tampered(both, "DELETE FROM head")
    (problem,) = check_store(both.store)
    assert problem.where.startswith(f"office ({writer[:8]}), entries 1 to ")
    assert problem.what == NOBODY.format("them", "them")
    both.sync(place)
    assert check_store(both.store) == []


def test_what_a_retired_machine_signed_stands_after_strangers_are_ignored(
    both: Machine, place: MemoryPlace
) -> None:
    both.retire("office")
    with database.writing(both.store) as connection:
        receiving.turn_away(connection, writers(both)["office"])
    assert check_store(both.store) == []


def test_the_writer_before_a_restore_elsewhere_needs_no_signature(bench: Machine) -> None:
    """Nobody ever exchanged: no head was signed, and the machine before is not here."""
    other = bench.copied("other")
    assert check_store(other.store) == []
    other.note("as a new writer")
    assert check_store(other.store) == []


@pytest.mark.parametrize(
    ("fact", "what"),
    [
        ("root", "the founder that this copy trusts is zz, whom no entry introduces"),
        ("writer", "the writer that goes on here is zz, whom no entry introduces"),
    ],
)
def test_facts_that_no_entry_introduces(bench: Machine, fact: str, what: str) -> None:
    tampered(bench, f"UPDATE local SET value = 'zz' WHERE name = '{fact}'")
    assert what in [one.what for one in check_store(bench.store)]


def test_what_is_no_value_of_its_column(bench: Machine, office: Machine, place: Any) -> None:
    bench.sync(place)
    tampered(bench, "UPDATE head SET seq = 'three'", "UPDATE held SET body = CAST(body AS TEXT)")
    assert [(one.where, one.what) for one in check_store(bench.store)] == [
        ("table held", "3 of its rows hold what is no value of it"),
        ("table head", "2 of its rows hold what is no value of it"),
    ]


@pytest.mark.parametrize(
    ("name", "value"), [("learnt", '{"ab": [1'), ("learnt", "[1]"), ("ignored", "3")]
)
def test_a_note_of_other_machines_that_was_damaged(bench: Machine, name: str, value: str) -> None:
    tampered(bench, f"INSERT OR REPLACE INTO local VALUES ('{name}', '{value}')")
    assert [(one.where, one.what) for one in check_store(bench.store)] == [
        ("table local", "1 of its rows hold what is no value of it")
    ]
    if name == "learnt":
        with pytest.raises(StoreError, match="note 'learnt' of other machines is damaged"):
            bench.note("goes on")


@pytest.mark.parametrize("flipped", ["from the 0ffice", 'from the "office'])
def test_what_waits_and_was_damaged_here(
    bench: Machine, office: Machine, place: MemoryPlace, flipped: str
) -> None:
    bench.sync(place)
    tampered(
        bench,
        "UPDATE held SET body = CAST(replace(CAST(body AS TEXT), 'from the office', "
        f"'{flipped}') AS BLOB)",
    )
    (problem,) = check_store(bench.store)
    assert problem.where.startswith(f"writer {writers(office)['office'][:8]}, entry 2 (")
    assert problem.what == (
        "it waits to be let in, and its bytes do not match its id: it was damaged here"
    )


def test_a_fork_names_both_branches_and_is_a_note_once_the_machine_goes_on(
    bench: Machine, place: MemoryPlace
) -> None:
    """A store in use twice with its keys: as after a disk was cloned."""
    clone = bench.copied("clone", keys=True)
    bench.store.rename(bench.store.with_name("aside.db"))
    clone.note("on the clone")
    clone.note("once more")
    clone.sync(place)
    bench.store.with_name("aside.db").rename(bench.store)
    bench.note("on the bench")
    bench.sync(place)
    told = found(bench)
    own = writers(bench)["bench"]
    (fork,) = told.problems
    assert fork.where == f"bench ({own[:8]}), entry 4"
    assert fork.what.startswith("the chain forks: this number was used 2 times, and goes on as ")
    assert "(1 entry, to number 4)" in fork.what
    assert "(2 entries, to number 5)" in fork.what
    assert told.notes == []

    bench.note("goes on as a new writer")
    told = found(bench)
    assert (told.problems, told.notes) == ([], [fork])


def test_the_docs_say_of_every_finding_what_it_means() -> None:
    """The first column of their table has the program's own words."""
    root = Path(__file__).resolve().parents[2]
    page = (root / "docs" / "machines.md").read_text(encoding="utf-8")
    table = page.partition("<!-- findings of verify")[2].partition("\nNotes do not")[0]
    rows = [line.split("|")[1].strip() for line in table.splitlines() if line.startswith("| ")][1:]
    sources = (
        "book/checking.py",
        "book/vouching.py",
        "config.py",
        "journal/chain.py",
        "store/soundness.py",
    )
    program = "".join((root / "logbook" / one).read_text(encoding="utf-8") for one in sources)
    words = " ".join(re.sub(r'"\s+f?"', "", program).split())
    for row in rows:
        for part in row.split("; "):
            assert part in words, part
    assert len(rows) == 19
