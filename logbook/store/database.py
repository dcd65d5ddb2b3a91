"""Opening the store for writing: pragmas, immediate transactions, schema, one door for errors."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from logbook import __version__
from logbook.errors import StoreError
from logbook.store import backups, causes, views
from logbook.store.schemas import SCHEMA, SCHEMAS, NotUpgraded, newer

# Which program wrote last, for the refusal that an older one gives; no write if it stays the same.
_SIGN = (
    "INSERT INTO local (name, value) VALUES ('program', ?) "
    "ON CONFLICT (name) DO UPDATE SET value = excluded.value WHERE value <> excluded.value"
)


def engine(path: Path) -> Engine:
    """An engine on the store at `path`; every transaction takes the write lock at its start."""
    made = create_engine(URL.create("sqlite", database=str(path)))
    event.listen(made, "connect", _on_connect)
    event.listen(made, "begin", _begin_immediate)
    return made


def _on_connect(connection: Any, _record: Any) -> None:
    # pysqlite would otherwise begin late, and two writers could read the same head.
    connection.isolation_level = None
    settings = [f"busy_timeout = {causes.BUSY_MS}", "recursive_triggers = 1", views.CACHE]
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
                connection.exec_driver_sql(_SIGN, (__version__,))
                yield connection
    finally:
        store.dispose()


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's raw errors into one sentence with the file's name and the likely cause."""
    try:
        yield
    except DBAPIError as problem:
        raise causes.explained(path, problem.orig or problem) from problem
    except views.UNREADABLE as problem:
        # The fold reads through `views` on the transaction's own connection.
        raise causes.explained(path, problem) from problem


def inside(connection: Connection) -> Any:
    """The open transaction as the standard library's sqlite3 knows it, for the reads of `views`."""
    return connection.connection.driver_connection


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
    if row is None:
        raise causes.explained(Path(connection.engine.url.database or ""), "not a database")
    return str(row[0])


def _bring_up_to_date(store: Engine, path: Path) -> str:
    """Create or upgrade the schema if need be; what was done to an older store, in a sentence.

    One transaction from the look at the version to the last row folded: what is kept beside the
    store is what was upgraded, and a program that dies on the way leaves the older store as it was.
    """
    with store.begin() as connection:
        found = schema_version(connection)
        if found is None:
            upgrade(connection)
        if found in (None, SCHEMA):
            return ""
        if found not in SCHEMAS:
            raise newer(path, found, _signed(connection))
        try:
            kept = backups.free_name(path, f"before-{SCHEMA}-from-{found}")
            backups.back_up(path, kept)
            with translated(path):
                upgrade(connection)
        except StoreError as problem:
            raise NotUpgraded(path, found, problem) from problem
    return f"{path.name} was upgraded from schema {found} to {SCHEMA}; it was kept as {kept.name}"


def _signed(connection: Connection) -> str | None:
    row = connection.exec_driver_sql("SELECT value FROM local WHERE name = 'program'").first()
    return str(row[0]) if row else None


def upgrade(connection: Connection) -> None:
    """Create or upgrade the schema by Alembic, which is imported only here.

    The folded tables are filled again from the journal in the same transaction, whatever a
    migration did to them: journal content is never migrated.
    """
    from alembic import command
    from alembic.config import Config

    from logbook.store import projections

    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
    projections.rebuild(connection)


def migrations_folder() -> Path:
    """Where Alembic's scripts are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "migrations"
    return inside if inside.is_dir() else package.parent / "migrations"
