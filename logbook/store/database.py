"""Opening the store for writing: pragmas, immediate transactions, schema, one door for errors."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from logbook.errors import NewerStore, StoreError

# The newest schema version in migrations/versions; a test compares the two.
SCHEMA = "0001"
SCHEMAS = ("0001",)


def engine(path: Path) -> Engine:
    """An engine on the store at `path`; every transaction takes the write lock at its start."""
    made = create_engine(f"sqlite:///{path}", connect_args={"timeout": 5.0})
    event.listen(made, "connect", _on_connect)
    event.listen(made, "begin", _begin_immediate)
    return made


def _on_connect(connection: Any, _record: Any) -> None:
    # pysqlite would otherwise begin late, and two writers could read the same head.
    connection.isolation_level = None
    settings = ["busy_timeout = 5000", "recursive_triggers = 1", "journal_mode = DELETE"]
    settings += ["synchronous = EXTRA", "temp_store = MEMORY"]
    if sys.platform == "darwin":
        settings.append("fullfsync = 1")
    for setting in settings:
        connection.execute(f"PRAGMA {setting}")


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


@contextmanager
def writing(path: Path) -> Iterator[Connection]:
    """One durable transaction on the store at `path`, created or upgraded first if need be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    store = engine(path)
    try:
        with translated(path):
            _bring_up_to_date(store, path)
            with store.begin() as connection:
                yield connection
    finally:
        store.dispose()


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's raw errors into one sentence with the file's name and the likely cause."""
    try:
        yield
    except DBAPIError as problem:
        raise explain(path, problem.orig or problem) from problem
    except OSError as problem:
        raise explain(path, problem) from problem


def explain(path: Path, problem: BaseException) -> StoreError:
    """The StoreError for a raw SQLite or system error on the store at `path`."""
    text = str(problem)
    for part, (sentence, hint) in _CAUSES.items():
        if part in text:
            return StoreError(f"{path}: {sentence}", hint)
    return StoreError(f"{path}: {text}", "check the disk, then run: logbook verify")


_CAUSES = {
    "locked": (
        "another program has been writing to the store for more than 5 seconds",
        "wait for it to end and try again; nothing was written",
    ),
    "not a database": ("this file is not a logbook store", "name another with --store FILE"),
    "malformed": ("the store is damaged", "run: logbook verify"),
    "readonly": ("the store cannot be written to", "check who owns the file and its folder"),
    "Permission denied": ("the store cannot be opened", "check who owns the file and its folder"),
    "unable to open": ("the store cannot be opened", "check that its folder exists and is yours"),
    "full": ("the disk is full: nothing was written", "free some space and try again"),
    "append-only": ("the journal is append-only: a line written stays written", ""),
}


def schema_version(connection: Connection) -> str | None:
    """The version in the store, or None for an empty file."""
    table = connection.exec_driver_sql(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'"
    ).first()
    if table is None:
        return None
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    return str(row[0]) if row else None


def _bring_up_to_date(store: Engine, path: Path) -> None:
    with store.connect() as connection:
        found = schema_version(connection)
    if found == SCHEMA:
        return
    if found is not None and found not in SCHEMAS:
        raise newer(path, found)
    upgrade(store)


def newer(path: Path, found: str) -> NewerStore:
    """The refusal of a store that a newer program wrote."""
    return NewerStore(
        f"{path}: written by a newer version (schema {found}; this program knows {SCHEMA})",
        "install the newer version of the program on this machine",
    )


def upgrade(store: Engine) -> None:
    """Create or upgrade the schema by Alembic, which is imported only here."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    with store.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def migrations_folder() -> Path:
    """Where Alembic's scripts are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "migrations"
    return inside if inside.is_dir() else package.parent / "migrations"
