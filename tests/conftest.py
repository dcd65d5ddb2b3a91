"""What every test stands on: a fixed clock, seeded choices, and no way to the user's own data."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import Connection

from logbook.store import database
from logbook.store.schemas import SCHEMA

# The same examples at every run, and no deadline: a slow machine is no bug of the program.
settings.register_profile(
    "steady",
    derandomize=True,
    deadline=None,
    max_examples=60,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _apart(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Iterator[None]:
    """Home, store and key files of the test's own; plain text 80 columns wide."""
    home = tmp_path_factory.mktemp("home")
    for name in ("HOME", "USERPROFILE", "LOCALAPPDATA", "APPDATA"):
        monkeypatch.setenv(name, str(home))
    for name in ("XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(home / name.lower()))
    monkeypatch.setenv("LOGBOOK_STORE", str(home / "data" / "logbook.db"))
    monkeypatch.setenv("LOGBOOK_STATE", str(home / "keys"))
    monkeypatch.setenv("LOGBOOK_BY", "mira")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    yield


@pytest.fixture(autouse=True, scope="session")
def migrations(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[Connection], None]]:
    """New stores take the schema that the migrations made once: thousands of tests make one.

    Gives what runs the migrations. Stores that have a schema are upgraded as ever; processes of
    their own, and tests of the schema, make new ones by migrations, too.
    """
    template = tmp_path_factory.mktemp("template") / "logbook.db"
    with database.writing(template) as connection:
        rows = connection.exec_driver_sql(
            "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid"
        ).all()
    made_by_migrations = [sql for (sql,) in rows]
    migrated = database.upgrade

    def upgrade(connection: Connection) -> None:
        if connection.exec_driver_sql("SELECT 1 FROM main.sqlite_master").first():
            migrated(connection)
            return
        for sql in made_by_migrations:
            connection.exec_driver_sql(sql)
        connection.exec_driver_sql("INSERT INTO main.alembic_version VALUES (?)", (SCHEMA,))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "upgrade", upgrade)
        yield migrated


# How the program sets a connection, and how it waits for the disk.
WAITING = (database._on_connect, os.fsync)


@pytest.fixture(autouse=True, scope="session")
def _hurried(migrations: object) -> Iterator[None]:
    """In the tests' own processes nothing waits for the disk: there, the power stays on."""

    def on_connect(connection: Any, record: Any) -> None:
        WAITING[0](connection, record)
        connection.execute("PRAGMA synchronous = OFF")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "_on_connect", on_connect)
        patch.setattr(os, "fsync", os.fstat)
        yield


@pytest.fixture
def waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program waits for the disk as it does at work: for tests of just that."""
    monkeypatch.setattr(database, "_on_connect", WAITING[0])
    monkeypatch.setattr(os, "fsync", WAITING[1])


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where this test's store will be; nothing is there yet."""
    path = tmp_path / "data" / "logbook.db"
    monkeypatch.setenv("LOGBOOK_STORE", str(path))
    return path


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of this test's key files."""
    path = tmp_path / "keys"
    monkeypatch.setenv("LOGBOOK_STATE", str(path))
    return path


@pytest.fixture
def now() -> datetime:
    """A fixed instant: a Saturday in spring, 08:30 in central Europe."""
    return datetime(2026, 3, 14, 7, 30, tzinfo=UTC)


@pytest.fixture
def choose() -> Callable[[str], str]:
    """Chooses symbols of codes from a seeded sequence, the same at every run."""
    return random.Random(20260314).choice


pytest_plugins = ["tests.program", "tests.faults.counting", "tests.postgres"]


def pytest_addoption(parser: pytest.Parser) -> None:
    """How often faults are tried, and where their figures go: see tests/faults/counting.py.

    How many seeds of the simulation of five machines are lived: see tests/sync/test_simulation.py.
    """
    parser.addoption("--faults", choices=("tenth", "full"), default="tenth")
    parser.addoption("--seeds", type=int, default=3, metavar="N")
    parser.addoption("--figures", default=None, metavar="FILE")
