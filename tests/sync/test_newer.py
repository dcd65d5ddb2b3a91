"""What a newer program wrote: kept and passed on byte for byte, replacing, and not shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbook.book import corrections, receiving
from logbook.book.checking import check_store
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal import kinds
from logbook.journal.entry import Entry, Write, encode, entry_id
from logbook.store import database, projections, views
from logbook.study import conflicts
from tests.faults.counting import Counting
from tests.sync.chains import Bodies, chain, head, run, tip, writer_id
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf
from tests.sync.simulation import exchange_all, must_agree, must_be_rebuilt_alike

BENCH = writer_id("bench")
OF_NOW = {"about": "a trial", "when": "2026-03-14", "text": "as a newer program says it"}


def newer(below: Bodies, write: Write, kind: str, kv: int) -> bytes:
    """An entry of the bench that this program does not know."""
    seq, prev = tip(below)
    return encode(
        Entry(
            BENCH, seq + 1, prev, kind, "2026-04-01T09:00:00+02:00", "bench", (write,), kv,
            act="NEWER", reason="a new reason",
        )
    )  # fmt: skip


@pytest.fixture
def office(tmp_path: Path) -> Machine:
    """The founder's machine, which has let the bench in."""
    machine = Machine("office", tmp_path)
    machine.note("the trial begins")
    return machine


def let_in(office: Machine, shelf: Shelf, bodies: Bodies) -> None:
    one = run("bench", bodies, signed=True)
    MemoryPlace(shelf).send([one])
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")


def shown(machine: Machine) -> list[str]:
    """The remarks that are read there."""
    with views.reading(machine.store) as connection:
        return sorted(one.record.text for one in views.fetch(connection, "note"))


def newer_lines(machine: Machine) -> int:
    with views.reading(machine.store) as connection:
        return conflicts.newer_lines(connection)


@pytest.mark.parametrize(
    ("kind", "kv", "value"),
    [
        ("note", 99, OF_NOW),
        ("inspect", 1, {"seen": "what no program of today writes", "by": ["a", "b"], "n": 3}),
        ("inspect", 7, None),
    ],
)
def test_bytes_of_a_newer_program_pass_through_three_machines(
    office: Machine,
    kind: str,
    kv: int,
    value: journal.Value | None,
    counting: Counting,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    how = "an unknown kind or version through 3 machines of today, then an upgrade"
    with counting.fault("19", "lines of a newer program", how, 1) as count:
        key = office.note("what stood before")
        others = [office.copied(name) for name in ("second", "third")]
        first = chain("bench", 1)
        below_id = entry_id(office.journal()[-1])
        # By its bytes it replaces what stands under the key.
        body = newer(first, Write(key, value, (below_id,)), kind, kv)
        shelf = Shelf()
        let_in(office, shelf, (*first, body))
        assert head("bench", (*first, body)).id == entry_id(body)
        shelves = [Shelf(), Shelf()]
        office.sync(MemoryPlace(shelves[0]))
        others[0].sync(MemoryPlace(shelves[0]))
        others[0].sync(MemoryPlace(shelves[1]))
        summary = others[1].sync(MemoryPlace(shelves[1]))
        assert summary.admitted.newer == 1
        for machine in (office, *others):
            assert body in machine.journal(), machine.name
            assert shown(machine) == ["the trial begins"], "it replaces, and is not shown"
            assert newer_lines(machine) == 1
            assert check_store(machine.store) == []
            must_be_rebuilt_alike(machine)
            count.saw["machines passed through"] += 1
        assert shelves[1].entries[entry_id(body)].body == body
        must_agree([office, *others])
        refuses_to_replace_it_unread(others[1], key)
        folds_after_an_upgrade(others[1], kind, kv, value, monkeypatch)
        count.passed += 1


def refuses_to_replace_it_unread(machine: Machine, key: str) -> None:
    """A correction would lose what nobody here has read."""
    with pytest.raises(UserMistake) as refused, machine.book() as book:
        corrections.correct(book, key, {"text": "unread"}, "read again")
    assert "was written by a newer version of the program" in str(refused.value)


def folds_after_an_upgrade(
    machine: Machine,
    kind: str,
    kv: int,
    value: journal.Value | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The program that knows it shows it, from the bytes that were kept."""
    monkeypatch.setitem(kinds.KINDS, kind, kv)
    with database.writing(machine.store) as connection:
        projections.rebuild(connection)
    read = ["as a newer program says it"] if value == OF_NOW else []
    assert shown(machine) == [*read, "the trial begins"]
    assert newer_lines(machine) == 0
    assert check_store(machine.store) == []


def test_an_older_line_does_not_come_back_beside_a_newer_one(office: Machine) -> None:
    key = office.note("read by all")
    shelf = Shelf()
    first = chain("bench", 1)
    let_in(office, shelf, first)
    beside = newer(first, Write(key, OF_NOW), "note", 99)
    MemoryPlace(shelf).send([run("bench", (beside,), signed=True)])
    office.sync(MemoryPlace(shelf))
    with views.reading(office.store) as connection:
        live = connection.execute("SELECT count(*) FROM write WHERE key = ? AND live", (key,))
        assert live.fetchone() == (2,), "both stand: neither replaces the other"
    assert shown(office) == ["read by all", "the trial begins"], "what cannot be read is no version"
    with pytest.raises(UserMistake):
        office.correct(key, "would replace both")


def test_a_newer_format_of_entries_is_refused_in_one_sentence(office: Machine) -> None:
    first = chain("bench", 1)
    shelf = Shelf()
    let_in(office, shelf, first)
    body = newer(first, Write("note/K7/1", OF_NOW), "note", 1).replace(b'"v":1', b'"v":2')
    with database.writing(office.store) as connection:
        received = receiving.receive(
            connection, BENCH, (body,), [], now=office.now, source="a file"
        )
    assert [str(problem) for problem in received.problems] == [
        f"a file, writer {BENCH[:8]}: an entry of format 2; this program reads 1; "
        "It was not taken in."
    ]
    exchange_all([office], [shelf])
    assert office.waiting() == 0
