"""An entry is lost out of the middle of a chain here: it comes again, and stops nothing else."""

from __future__ import annotations

import secrets
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logbook.book.checking import check_store
from logbook.store import views
from logbook.sync.folder import Folder
from logbook.sync.hub import init, open_hub
from tests.postgres import Server
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf


def lose(machine: Machine, of: str, *numbers: int) -> None:
    """Delete entries of the machine of that name, past the program."""
    with closing(sqlite3.connect(machine.store)) as store:
        ((trigger,),) = store.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'entry_no_delete'"
        ).fetchall()
        store.execute("DROP TRIGGER entry_no_delete")
        for number in numbers:
            done = store.execute(
                "DELETE FROM entry WHERE seq = ? "
                "AND writer = (SELECT id FROM writer WHERE machine = ?)", (number, of)
            )  # fmt: skip
            assert done.rowcount == 1
        store.execute(trigger)
        store.commit()


@pytest.fixture
def bench(tmp_path: Path) -> Machine:
    """The founder, with four remarks."""
    machine = Machine("bench", tmp_path)
    for text in ("first", "second", "third", "fourth"):
        machine.note(text)
    return machine


def let_in(bench: Machine, place: MemoryPlace | Folder) -> Machine:
    """Another machine of the book, with three remarks; both have all."""
    office = bench.copied("office")
    for text in ("from the office", "and another", "and a third"):
        office.note(text)
    office.sync(place)
    bench.sync(place)
    bench.enrol("office")
    bench.sync(place)
    office.sync(place)
    return office


LOST = [("bench", (3,)), ("office", (2,)), ("office", (1,)), ("bench", (2, 3)), ("bench", (2, 4))]


@pytest.mark.parametrize(("of", "numbers"), LOST)
def test_what_is_lost_comes_again_and_is_let_in(
    bench: Machine, of: str, numbers: tuple[int, ...]
) -> None:
    place = MemoryPlace(Shelf(), "stick")
    let_in(bench, place)
    before = bench.journal()
    lose(bench, of, *numbers)
    said = [one.what for one in check_store(bench.store)]
    assert any("missing before it" in what for what in said)
    bench.sync(place)
    assert bench.journal() == before
    assert (bench.waiting(), check_store(bench.store)) == (0, [])


def test_a_machine_that_gets_its_own_line_again_goes_on_as_the_same_writer(bench: Machine) -> None:
    place = MemoryPlace(Shelf(), "stick")
    let_in(bench, place)
    lose(bench, "bench", 3)
    bench.sync(place)
    with bench.book() as book:
        assert book.announced == []


def test_from_a_folder_that_was_read_whole_before(bench: Machine, tmp_path: Path) -> None:
    path = tmp_path / "stick"
    path.mkdir()
    let_in(bench, Folder(path, "0a"))
    before = bench.journal()
    lose(bench, "bench", 3)
    bench.sync(Folder(path, "0b"))
    assert bench.journal() == before
    assert check_store(bench.store) == []


@pytest.mark.long
def test_from_a_hub(bench: Machine, postgres: Server) -> None:
    book = secrets.token_hex(8)
    init(postgres.url(), book, "bench", "test")
    place = open_hub(postgres.url(), book)
    let_in(bench, place)  # type: ignore[arg-type]
    before = bench.journal()
    lose(bench, "office", 2)
    bench.sync(place)
    place.close()
    assert bench.journal() == before
    assert check_store(bench.store) == []


@pytest.mark.parametrize("of", ["bench", "office"])
def test_a_new_place_gets_all_that_is_sound(bench: Machine, tmp_path: Path, of: str) -> None:
    let_in(bench, MemoryPlace(Shelf(), "stick"))
    lose(bench, of, 3)
    path = tmp_path / "new"
    path.mkdir()
    told = bench.sync(Folder(path, "0c"))
    assert told.refused is None
    (problem,) = told.problems
    assert problem.where.endswith(", entry 3")
    assert problem.what == "it is missing here: what follows it is not sent"
    assert problem.remedy == "Run: logbook verify"
    with views.reading(bench.store) as store:
        names = dict(store.execute("SELECT machine, id FROM writer"))
        last = dict(store.execute("SELECT writer, max(seq) FROM entry GROUP BY writer"))
    tips = Folder(path, "0d").inventory().tips
    sent = {name: max(seq for seq, _ in tips[writer]) for name, writer in names.items()}
    assert sent == {name: 2 if name == of else last[writer] for name, writer in names.items()}


def test_what_is_damaged_stops_neither_what_is_below_it_nor_others(
    bench: Machine, tmp_path: Path
) -> None:
    let_in(bench, MemoryPlace(Shelf(), "stick"))
    whole = bench.store.read_bytes()
    bench.store.write_bytes(whole.replace(b'"text":"third"', b'"text":"thirb"'))
    path = tmp_path / "new"
    path.mkdir()
    told = bench.sync(Folder(path, "0c"))
    assert [one.what for one in told.problems] == [
        "its bytes do not match its id: it was damaged, and is not sent"
    ]
    tips = Folder(path, "0d").inventory().tips
    assert sorted(max(seq for seq, _ in of) for of in tips.values()) == [3, 4]
