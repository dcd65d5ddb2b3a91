"""Opening the store for writing: pragmas, immediate transactions, schema, one door for errors."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from logbook.errors import NewerStore, StoreError
from logbook.store import backups, causes

# The newest schema version in migrations/versions; a test compares the two.
SCHEMA = "0002"
SCHEMAS = ("0001", "0002")


def engine(path: Path) -> Engine:
    """An engine on the store at `path`; every transaction takes the write lock at its start."""
    made = create_engine(URL.create("sqlite", database=str(path)))
    event.listen(made, "connect", _on_connect)
    event.listen(made, "begin", _begin_immediate)
    return made


def _on_connect(connection: Any, _record: Any) -> None:
    # pysqlite would otherwise begin late, and two writers could read the same head.
    connection.isolation_level = None
    settings = [f"busy_timeout = {causes.BUSY_MS}", "recursive_triggers = 1"]
    settings += ["journal_mode = DELETE", "synchronous = EXTRA", "temp_store = MEMORY"]
    if sys.platform == "darwin":
        settings.append("fullfsync = 1")
    for setting in settings:
        connection.execute(f"PRAGMA {setting}")


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


@contextmanager
def writing(path: Path, told: Callable[[str], None] | None = None) -> Iterator[Connection]:
    """One durable transaction on the store at `path`, created or upgraded first if need be.

    `told` is called with one sentence when an older store was backed up and upgraded.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        where = problem.filename or path.parent
        raise StoreError(
            f"{path}: the store's folder cannot be made ({where}: {problem.strerror})",
            "name another place with --store FILE",
        ) from problem
    store = engine(path)
    try:
        with translated(path):
            sentence = _bring_up_to_date(store, path)
            if sentence and told is not None:
                told(sentence)
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
        raise causes.explained(path, str(problem.orig or problem)) from problem


def schema_version(connection: Connection) -> str | None:
    """The version in the store, or None for an empty file; refuses another program's database."""
    tables = {
        name
        for (name,) in connection.exec_driver_sql(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
        )
    }
    if not tables:
        return None
    if not {"alembic_version", "entry"} <= tables:
        raise causes.explained(Path(connection.engine.url.database or ""), "not a database")
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    return str(row[0]) if row else "none"


def _bring_up_to_date(store: Engine, path: Path) -> str:
    """Create or upgrade the schema if need be; what was done to an older store, in a sentence."""
    with store.connect() as connection:
        found = schema_version(connection)
    if found == SCHEMA:
        return ""
    if found is not None and found not in SCHEMAS:
        raise newer(path, found)
    if found is None:
        upgrade(store)
        return ""
    # Beside the store, never over an earlier one: the journal in it is all there is.
    kept = backup_name(path, found)
    backups.back_up(path, kept)
    upgrade(store)
    return f"{path.name} was upgraded from schema {found} to {SCHEMA}; it was kept as {kept.name}"


def backup_name(path: Path, found: str) -> Path:
    """A name beside the store that no file has yet."""
    names = (
        path.with_name(f"{path.stem}-before-{SCHEMA}-from-{found}{number}.db")
        for number in ("", *(f"-{count}" for count in range(2, 1000)))
    )
    return next(name for name in names if not name.exists())


def newer(path: Path, found: str) -> NewerStore:
    """The refusal of a store that a newer program wrote."""
    return NewerStore(
        f"{path}: written by a newer version (schema {found}; this program knows {SCHEMA})",
        "install the newer version of the program on this machine",
    )


def upgrade(store: Engine) -> None:
    """Create or upgrade the schema by Alembic, which is imported only here.

    The folded tables are filled again from the journal in the same transaction, whatever a
    migration did to them: journal content is never migrated.
    """
    from alembic import command
    from alembic.config import Config

    from logbook.store import projections

    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    with store.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        projections.rebuild(connection)


def migrations_folder() -> Path:
    """Where Alembic's scripts are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "migrations"
    return inside if inside.is_dir() else package.parent / "migrations"
