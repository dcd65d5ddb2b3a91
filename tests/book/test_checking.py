"""`check_store` finds real damage, says where, and changes nothing."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from logbook.book import corrections, writing
from logbook.book.checking import check_store
from logbook.errors import StoreError
from logbook.store import views
from logbook.trial import records
from logbook.trial.times import When
from tests.store import made

NOW = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)
DAY = date(2026, 3, 13)
REBUILD = (
    "The journal is not touched by this. To have the tables made anew: logbook backup FILE, "
    "then logbook restore FILE."
)
RESTORE = "Restore a backup, or copy the book anew from another machine: logbook join."
LATER = "Mend the journal first: a restore makes the tables anew."


@pytest.fixture
def filled(store: Path, state: Path) -> Path:
    """A store with a bed, its pulls and waterings, a correction and an undo."""
    with writing.opened(store, state, by="mira", now=NOW) as book:
        plan = records.PlannedPull("t", "start", None, 1)
        book.record("trial", [("bed/b1", made.bed()), ("planned-pull/p", plan)])
        for n in range(30):
            code = f"K{n}"
            line = made.watering("b1", DAY, str(200 + n))
            act = book.record("water", [(f"water/{code}/b1", line)], code=code)
        corrections.correct(book, act.keys[0], {"volume_ml": "100"}, "slip")
        corrections.strike(book, ["water/K3/b1"], "other bed")
        corrections.undo(book)
        pull = records.Pull("P1", "b1", When(DAY), None, 8, Decimal(15), None)
        book.record("pull", [("pull/P1", pull), ("pull/P2", pull)])
    return store


@contextmanager
def damaging(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that may do to the store what the program never does."""
    connection = sqlite3.connect(path)
    try:
        yield connection
        connection.commit()
    finally:
        connection.close()


def said(path: Path) -> list[str]:
    """What the check says, having made sure that the store's bytes stay as they are."""
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    names = sorted(one.name for one in path.parent.iterdir())
    problems = check_store(path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert sorted(one.name for one in path.parent.iterdir()) == names
    return [f"{one.where}: {one.what} {one.remedy}" for one in problems]


def test_a_sound_store_has_no_problem(filled: Path) -> None:
    assert said(filled) == []


def test_without_a_store_there_is_nothing_to_check(store: Path) -> None:
    with pytest.raises(views.NoStore):
        check_store(store)
    store.parent.mkdir()
    store.write_text("no database at all" * 100)
    with pytest.raises(StoreError) as refused:
        check_store(store)
    assert str(refused.value) == f"{store}: this file is not a logbook store"


def test_a_byte_flipped_in_an_entry(filled: Path) -> None:
    content = filled.read_bytes()
    assert content.count(b'"volume_ml":"207"') == 1
    filled.write_bytes(content.replace(b'"volume_ml":"207"', b'"volume_ml":"208"'))
    with views.reading(filled) as store:
        ((name, writer, seq),) = store.execute(
            "SELECT e.id, e.writer, e.seq FROM entry e WHERE act = 'K7'"
        ).fetchall()
    assert said(filled) == [
        f"writer {writer[:8]}, entry {seq} ({name[:12]}): its bytes do not match its id: it was "
        f"changed or damaged {RESTORE}",
        f"table water: does not say what the journal says {LATER}",
    ]


def test_an_entry_that_is_no_json_any_more(filled: Path) -> None:
    content = filled.read_bytes()
    filled.write_bytes(content.replace(b'"volume_ml":"207"', b'"volume_ml":"20"7'))
    first, second = said(filled)
    assert "its bytes do not match its id" in first
    assert second == (
        f"tables: cannot be compared with the journal while an entry of it cannot be read {RESTORE}"
    )


EDITS = {
    "UPDATE water SET volume_ml = '9' WHERE id = 'K5/b1'": ["water"],
    "UPDATE water SET volume_ml_num = 9 WHERE id = 'K5/b1'": ["water"],
    "UPDATE water SET conflict = 1 WHERE id = 'K5/b1'": ["water"],
    "DELETE FROM water WHERE id = 'K5/b1'": ["water"],
    "INSERT INTO note (id, entry, conflict, text) VALUES ('n', 'e', 0, 'x')": ["note"],
    "UPDATE write SET live = 1": ["write"],
    "DELETE FROM replaced": ["replaced"],
    "DELETE FROM due": ["due"],
    "UPDATE due SET target = '2026-01-01'": ["due"],
    "DELETE FROM possible_duplicate": ["possible_duplicate"],
    "UPDATE bed SET label = 'Z'; DELETE FROM pull": ["bed", "pull"],
}


@pytest.mark.parametrize("statement", EDITS)
def test_every_table_edited_past_the_program_is_named(filled: Path, statement: str) -> None:
    with damaging(filled) as store:
        store.executescript(statement)
    assert said(filled) == [
        f"table {name}: does not say what the journal says {REBUILD}" for name in EDITS[statement]
    ]


DROPPED = {
    "DROP INDEX water_by_bed": "the index water_by_bed is missing",
    "DROP INDEX entry_by_writer": "the index entry_by_writer is missing",
    "DROP TRIGGER entry_no_update": "the trigger entry_no_update is missing",
    "DROP TRIGGER entry_no_delete": "the trigger entry_no_delete is missing",
    "CREATE TABLE stamp (name TEXT)": "the table stamp does not belong here",
    "CREATE TRIGGER t AFTER INSERT ON water BEGIN DELETE FROM note; END": (
        "the trigger t does not belong here"
    ),
    "DROP TRIGGER entry_no_delete; CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry "
    "BEGIN SELECT 1; END": "the trigger entry_no_delete is not as this program makes it",
}


@pytest.mark.parametrize("statement", DROPPED)
def test_a_changed_schema_is_named(filled: Path, statement: str) -> None:
    with damaging(filled) as store:
        store.executescript(statement)
    assert said(filled) == [f"{filled}: {DROPPED[statement]} {REBUILD}"]


def test_a_missing_table_is_named(filled: Path) -> None:
    with damaging(filled) as store:
        store.execute("DROP TABLE soil")
    assert said(filled) == [
        f"{filled}: the index soil_in_conflict is missing {REBUILD}",
        f"{filled}: the table soil is missing {REBUILD}",
        f"table soil: does not say what the journal says {REBUILD}",
    ]


def test_entries_filed_elsewhere_or_lost(filled: Path) -> None:
    with damaging(filled) as store:
        store.execute("DROP TRIGGER entry_no_update")
        store.execute("DROP TRIGGER entry_no_delete")
        store.execute("UPDATE entry SET act = 'K8' WHERE act = 'K7'")
        store.execute("DELETE FROM entry WHERE act = 'K9'")
    found = said(filled)
    assert len(found) == 6
    assert "it is filed under another writer, number or act than it says" in found[0]
    assert "of this writer is missing before it" in found[1]
    assert found[2:4] == [
        f"{filled}: the trigger {name} is missing {LATER}"
        for name in ("entry_no_delete", "entry_no_update")
    ]
    assert [one.partition(":")[0] for one in found[4:]] == ["table write", "table water"]


def test_an_index_that_does_not_fit_its_table(filled: Path) -> None:
    with damaging(filled) as store:
        store.execute("PRAGMA writable_schema = 1")
        store.execute("UPDATE sqlite_master SET sql = replace(sql, '(bed)', '(code)') "
                      "WHERE name = 'pull_by_bed'")  # fmt: skip
    found = said(filled)
    assert any("SQLite finds damage: " in one and "pull_by_bed" in one for one in found)
    assert f"{filled}: the index pull_by_bed is not as this program makes it {REBUILD}" in found


def test_a_page_overwritten(filled: Path) -> None:
    content = bytearray(filled.read_bytes())
    size = int.from_bytes(content[16:18], "big")
    with views.reading(filled) as store:
        (page,) = store.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'entry'"
        ).fetchone()
    content[(page - 1) * size : page * size] = b"\xff" * size
    filled.write_bytes(content)
    found = said(filled)
    assert found and all(RESTORE in one or LATER in one for one in found)
    assert any("damage" in one for one in found)
