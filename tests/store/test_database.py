"""The store's file: its schema, its settings, and every way in which it cannot be used."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from logbook import __version__
from logbook.book import writing
from logbook.errors import NewerStore, StoreError
from logbook.store import causes, database, schemas, views
from logbook.store.tables import METADATA, TRIGGERS
from logbook.trial import records
from logbook.trial.times import When

NOW = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)


def note(path: Path, state: Path, text: str = "x") -> None:
    """Write one note."""
    with writing.opened(path, state, by="mira", now=NOW) as book:
        code = book.new_code()
        book.record("note", [(f"note/{code}/t", records.Note("t", When(NOW.date()), text))])


def texts(path: Path) -> list[str]:
    """The notes in a store, oldest code first."""
    with views.reading(path) as store:
        return [found.record.text for found in views.fetch(store, "note")]


@contextmanager
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection past the program, committed and closed at the end."""
    connection = sqlite3.connect(path)
    try:
        yield connection
        connection.commit()
    finally:
        connection.close()


@pytest.fixture(autouse=True)
def _by_migrations(
    migrations: Callable[[Connection], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """New stores are made by the migrations here."""
    monkeypatch.setattr(database, "upgrade", migrations)


@contextmanager
def without_rights() -> Iterator[None]:
    """As an account that file modes hold back, which they do not for root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_the_migrations_make_the_tables_of_the_metadata(store: Path) -> None:
    with database.writing(store) as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, METADATA) == []
        rows = connection.exec_driver_sql(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        )
        assert dict(rows.all()) == TRIGGERS


def test_the_migrations_keep_what_the_comparison_does_not_see(store: Path) -> None:
    """Tables without rowid, partial indexes: by the SQL that each of the two ways makes."""
    with database.writing(store):
        pass
    other = store.with_name("other.db")
    engine = database.engine(other)
    METADATA.create_all(engine)
    engine.dispose()

    def made(path: Path) -> dict[str, str]:
        with raw(path) as connection:
            rows = connection.execute(
                "SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'index') "
                "AND sql IS NOT NULL AND name <> 'alembic_version'"
            ).fetchall()
        return {name: "".join(sql.split()) for name, sql in rows}

    assert made(store) == made(other)


def test_the_schema_versions_named_are_the_newest_migration() -> None:
    config = Config()
    config.set_main_option("script_location", str(database.migrations_folder()))
    scripts = ScriptDirectory.from_config(config)
    named = [one.revision for one in scripts.walk_revisions()]
    assert list(schemas.SCHEMAS) == named[::-1]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET body = x'00'",
        "UPDATE entry SET seq = seq + 1",
        "DELETE FROM entry",
        "INSERT OR REPLACE INTO entry SELECT id, writer, seq, act, x'00' FROM entry",
        "REPLACE INTO entry SELECT 'x', writer, seq, act, body FROM entry WHERE 0 "
        "UNION ALL SELECT id, writer, seq, act, body FROM entry",
    ],
)
def test_the_journal_refuses_changes(store: Path, state: Path, statement: str) -> None:
    note(store, state)
    with pytest.raises(StoreError) as refused, database.writing(store) as connection:
        connection.exec_driver_sql(statement)
    assert str(refused.value) == (
        f"{store}: the journal is append-only: a line written stays written"
    )
    assert texts(store) == ["x"]


def _pragma(connection: Any, name: str) -> Any:
    execute = getattr(connection, "exec_driver_sql", None) or connection.execute
    return execute(f"PRAGMA {name}").fetchone()[0]


@pytest.mark.usefixtures("waiting")
def test_every_writing_connection_has_its_settings(store: Path) -> None:
    for _ in range(2):
        with database.writing(store) as connection:
            settings = {
                name: _pragma(connection, name)
                for name in ("busy_timeout", "recursive_triggers", "synchronous", "journal_mode")
            }
        # 3 is EXTRA (sqlite.org/pragma.html, "synchronous").
        assert settings == {
            "busy_timeout": 5000,
            "recursive_triggers": 1,
            "synchronous": 3,
            "journal_mode": "delete",
        }


def test_every_reading_connection_has_its_settings_and_cannot_write(
    store: Path, state: Path
) -> None:
    note(store, state)
    with views.reading(store) as connection:
        settings = {
            name: _pragma(connection, name)
            for name in ("busy_timeout", "recursive_triggers", "query_only")
        }
    assert settings == {"busy_timeout": 5000, "recursive_triggers": 1, "query_only": 1}
    with pytest.raises(StoreError) as refused, views.reading(store) as connection:
        connection.execute("DELETE FROM note")
    assert str(refused.value) == f"{store}: the store cannot be written to"


def _both_refuse(path: Path, state: Path, message: str, hint: str) -> None:
    with pytest.raises(StoreError) as read, views.reading(path):
        pass
    with pytest.raises(StoreError) as written:
        note(path, state)
    for refused in (read.value, written.value):
        assert (str(refused), refused.hint) == (message, hint)


def test_a_file_that_is_no_database(tmp_path: Path, state: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("bought a new can\n" * 100)
    _both_refuse(
        path, state, f"{path}: this file is not a logbook store", "name another with --store FILE"
    )
    assert path.read_text() == "bought a new can\n" * 100


def test_another_programs_database_is_left_alone(tmp_path: Path, state: Path) -> None:
    path = tmp_path / "stamps.db"
    with raw(path) as connection:
        connection.execute("CREATE TABLE stamp (name TEXT)")
    before = path.read_bytes()
    _both_refuse(
        path, state, f"{path}: this file is not a logbook store", "name another with --store FILE"
    )
    assert path.read_bytes() == before


def test_a_folder_as_store(tmp_path: Path, state: Path) -> None:
    path = tmp_path / "folder"
    path.mkdir()
    _both_refuse(
        path, state, f"{path}: this is a folder, not a store", "name a file with --store FILE"
    )


def test_a_store_below_a_file(tmp_path: Path, state: Path) -> None:
    (tmp_path / "file").write_text("")
    path = tmp_path / "file" / "below" / "logbook.db"
    with pytest.raises(StoreError) as refused:
        note(path, state)
    assert str(refused.value).startswith(f"{path}: the store's folder cannot be made (")
    assert refused.value.hint == "name another place with --store FILE"


def test_no_store_yet(store: Path) -> None:
    with pytest.raises(views.NoStore) as refused, views.reading(store):
        pass
    assert str(refused.value) == f"{store}: there is no logbook here yet"
    assert not store.parent.exists()


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
@pytest.mark.parametrize("mode", ["folder", "file", "both"])
def test_what_may_not_be_written_can_be_read(tmp_path: Path, state: Path, mode: str) -> None:
    tmp_path.chmod(0o755)
    for parent in tmp_path.parents:
        if parent.stat().st_uid == os.geteuid() and parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    folder = tmp_path / "data"
    path = folder / "logbook.db"
    note(path, state)
    if mode != "folder":
        path.chmod(0o444)
    if mode != "file":
        folder.chmod(0o555)
    try:
        with without_rights():
            assert texts(path) == ["x"]
            with pytest.raises(StoreError) as refused, database.writing(path) as connection:
                connection.exec_driver_sql("INSERT INTO local VALUES ('a', 'b')")
    finally:
        folder.chmod(0o755)
    assert str(refused.value) in (
        f"{path}: the store cannot be written to",
        f"{path}: the store cannot be opened",
    )
    assert "check" in refused.value.hint


def test_a_locked_store_is_said_after_a_wait(
    store: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note(store, state)
    monkeypatch.setattr(causes, "BUSY_MS", 200)
    monkeypatch.setattr(views, "BUSY_MS", 200)
    with raw(store) as other:
        other.isolation_level = None
        other.execute("BEGIN EXCLUSIVE")
        _both_refuse(
            store,
            state,
            f"{store}: another program has been writing to the store for more than 5 seconds",
            "wait for it to end and try again; nothing was written",
        )
        other.execute("ROLLBACK")
    note(store, state)
    assert texts(store) == ["x", "x"]


def test_a_store_of_a_newer_program(store: Path, state: Path) -> None:
    note(store, state)
    with raw(store) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0999'")
        connection.execute("UPDATE local SET value = '0.9.0' WHERE name = 'program'")
    before = store.read_bytes()
    with pytest.raises(NewerStore) as written:
        note(store, state)
    with pytest.raises(NewerStore) as read, views.reading(store):
        pass
    for refused in (written.value, read.value):
        assert str(refused) == (
            f"{store}: written by a newer version (schema 0999, program 0.9.0; "
            f"this is program {__version__}, which knows schema {schemas.SCHEMA})"
        )
        assert refused.exit_code == 3
    assert store.read_bytes() == before


def test_a_store_that_names_no_schema(store: Path, state: Path) -> None:
    note(store, state)
    with raw(store) as connection:
        connection.execute("DELETE FROM alembic_version")
    _both_refuse(
        store, state, f"{store}: this file is not a logbook store", "name another with --store FILE"
    )


def test_names_of_stores_may_hold_any_character(tmp_path: Path, state: Path) -> None:
    path = tmp_path / "a?b=c#d%20e ü.db"
    note(path, state)
    assert path.exists() and texts(path) == ["x"]
    assert sorted(one.name for one in tmp_path.glob("*.db")) == [path.name]


def test_a_hot_journal_is_rolled_back_by_the_next_reader(store: Path, state: Path) -> None:
    """A writer that died in its commit leaves a journal; what it half wrote must not be seen."""
    note(store, state)
    with raw(store) as connection:
        connection.execute("PRAGMA cache_spill = 1")
        connection.execute("PRAGMA cache_size = 1")
        connection.isolation_level = None
        connection.execute("BEGIN IMMEDIATE")
        for n in range(500):
            connection.execute(
                "INSERT INTO note (id, entry, conflict, text) VALUES (?, 'e', 0, ?)",
                (f"n{n}", "half written" * 50),
            )
        hot = store.with_name("hot.db")
        shutil.copy(store, hot)
        shutil.copy(f"{store}-journal", f"{hot}-journal")
        connection.execute("ROLLBACK")
    assert b"half written" in hot.read_bytes()
    assert texts(hot) == ["x"]
    assert not Path(f"{hot}-journal").exists()


KILLED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from logbook.book import writing
from logbook.trial import records
from logbook.trial.times import When

now = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)
with writing.opened(Path(sys.argv[1]), Path(sys.argv[2]), by="mira", now=now) as book:
    book.connection.exec_driver_sql("PRAGMA cache_size = 20")
    line = records.Note("t", When(now.date()), "x" * 500)
    book.record("note", [(f"note/{n:06d}/t", line) for n in range(5_000)])
    print("written", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's")
def test_a_program_killed_in_a_large_act_leaves_nothing_of_it(store: Path, state: Path) -> None:
    note(store, state)
    size = store.stat().st_size
    program = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(store), str(state)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert program.stdout is not None and program.stdout.readline() == "written\n"
    program.send_signal(signal.SIGKILL)
    program.communicate()
    # The act is larger than the cache: pages of it were in the file already.
    assert store.stat().st_size > size
    assert Path(f"{store}-journal").exists()
    assert texts(store) == ["x"]
    note(store, state, "y")
    assert sorted(texts(store)) == ["x", "y"]


def test_raw_errors_keep_what_was_said_if_no_cause_is_known(store: Path) -> None:
    with pytest.raises(StoreError) as refused, database.writing(store) as connection:
        connection.exec_driver_sql("SELECT * FROM nowhere")
    assert str(refused.value) == f"{store}: no such table: nowhere"
    assert isinstance(refused.value.__cause__, DBAPIError)
