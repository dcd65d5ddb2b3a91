"""The way to a hub: connections that give up in time, and errors that people understand.

Whatever the server, the driver or the network says becomes one sentence without a password in it;
the raw error is not kept beside it, as it may quote the URL.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from logbook.errors import LogbookError, UserMistake
from logbook.sync.hub.address import Address
from logbook.sync.place import Unreachable

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

CONNECT_SECONDS = 8
# A connection whose other end has gone is given up after some 20 s without an answer.
_QUIET = {
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "2",
    "tcp_user_timeout": "20000",
}
# Of each transaction: how long it waits for another one's lines, and how long a question may take.
_PATIENCE = """
    SELECT set_config('lock_timeout', '30s', true), set_config('statement_timeout', '10min', true),
        set_config('search_path', %s, true)
"""


class NewerHub(Unreachable):
    """The hub was made by a newer program than this one."""

    exit_code = 3


def engine(address: Address, environment: Mapping[str, str] = os.environ) -> Engine:
    """An engine on the database; nothing is asked of it yet."""
    import logging

    from sqlalchemy import create_engine
    from sqlalchemy.exc import ArgumentError

    # What the driver notes of a broken connection is told as an error already.
    logging.getLogger("psycopg").addHandler(logging.NullHandler())
    given = {"application_name": "logbook", **_QUIET}
    if "PGCONNECT_TIMEOUT" not in environment:
        given["connect_timeout"] = str(CONNECT_SECONDS)
    given = {name: value for name, value in given.items() if not address.has(name)}
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise UserMistake(
            "the driver of PostgreSQL cannot be loaded here", "pip install 'psycopg[binary]'"
        ) from None
    try:
        return create_engine(
            address.for_driver,
            connect_args=given,
            isolation_level="READ COMMITTED",
            use_native_hstore=False,
            hide_parameters=True,
        )
    except (ArgumentError, ValueError):
        raise UserMistake(
            f"{address.shown}: the URL of the hub cannot be understood",
            "write it as postgresql://bench@db.example/trials",
        ) from None


@contextmanager
def transaction(store: Engine, address: Address, schema: str) -> Iterator[Connection]:
    """One transaction in a book's schema; errors become sentences."""
    with translated(address), store.begin() as connection:
        # What a session calls its own comes last: no temporary table stands in for one of the hub.
        connection.exec_driver_sql(_PATIENCE, (f"{schema}, pg_temp",))
        yield connection


def raw(connection: Connection) -> Any:
    """The driver's own connection, for COPY."""
    return connection.connection.driver_connection


@contextmanager
def translated(address: Address) -> Iterator[None]:
    """Turn every error of the database into one sentence that names the hub."""
    import psycopg
    from sqlalchemy.exc import DBAPIError, SQLAlchemyError

    try:
        yield
    except DBAPIError as problem:
        raise explained(address, problem.orig or problem) from None
    except (psycopg.Error, SQLAlchemyError) as problem:
        raise explained(address, problem) from None


def explained(address: Address, problem: BaseException) -> LogbookError:
    """The sentence for an error of the database."""
    state = getattr(problem, "sqlstate", None) or ""
    said = str(problem)
    who = address.shown
    for states, words, sentence, hint in _KNOWN:
        if state in states or (not state and any(word in said for word in words)):
            return Unreachable(f"{who}: {sentence}", hint)
    return Unreachable(
        f"{who}: the hub cannot be reached or used now ({_first(said, address)})",
        "check the address and the network; logbook sync goes on where it stopped",
    )


_CREDENTIALS = "check the role and its password: in the URL, in PGPASSWORD or in ~/.pgpass"
# States are of PostgreSQL 15, appendix A; a failed connection has none, only libpq's words.
_KNOWN: tuple[tuple[tuple[str, ...], tuple[str, ...], str, str], ...] = (
    (
        ("28P01", "28000"),
        ("password authentication failed", "no password supplied", "no pg_hba.conf entry",
         "authentication failed"),
        "the server does not let this role in",
        _CREDENTIALS,
    ),
    (
        (),
        ('role "',),
        "there is no such role on the server",
        _CREDENTIALS,
    ),
    (
        ("3D000",),
        ('database "',),
        "there is no such database on the server",
        "check the part of the URL behind the last /",
    ),
    (
        (),
        ("could not translate host name", "Name or service not known", "failed to resolve host",
         "Temporary failure in name resolution"),
        "there is no such host, or its name cannot be looked up now",
        "check the URL and the network",
    ),
    (
        (),
        ("timeout expired", "timed out"),
        "the server does not answer",
        "check the network; logbook sync goes on where it stopped",
    ),
    (
        (),
        ("Connection refused", "No such file or directory", "No route to host",
         "Network is unreachable"),
        "no server answers there",
        "check host and port of the URL, and that PostgreSQL runs there",
    ),
    (
        (),
        ("definition of service", "service file"),
        "the service of that name is not described on this machine",
        "check PGSERVICE and ~/.pg_service.conf",
    ),
    (
        (),
        ("root certificate", "certificate", "SSL", "server does not support SSL"),
        "no connection of the wanted safety could be made (TLS)",
        "check sslmode and sslrootcert of the URL, and the server's certificate",
    ),
    (
        (),
        ("invalid connection option", "invalid integer value", "invalid sslmode value",
         "invalid URI query parameter"),
        "the URL has an option that PostgreSQL does not know",
        "check the part of the URL behind the ?",
    ),
    (
        ("25006",),
        (),
        "the server only reads now",
        "it may be a standby: check the host of the URL",
    ),
    (
        ("42501",),
        (),
        "this role has not the right to do that",
        "logbook hub init, run by the database's owner, prints the rights that a role needs",
    ),
    (
        ("53300",),
        ("too many clients", "remaining connection slots"),
        "the server has no connection free",
        "try again in a while",
    ),
    (
        ("55P03", "40P01", "40001"),
        (),
        "another machine is sending the same lines just now",
        "try again in a while",
    ),
    (
        ("53100", "53200", "58030"),
        (),
        "the server has no room left, or its disk fails",
        "tell its keeper; nothing of this sending was kept",
    ),
    (
        ("23503",),
        (),
        "an entry was refused, as the one before it is not there",
        "run logbook sync again: the hub may have gone back to an older state",
    ),
    (
        ("23514", "23502", "22023", "22P02", "22P05", "22021", "22003", "54001"),
        (),
        "an entry was refused, as it is not of the form that the hub takes",
        "logbook verify",
    ),
    (
        ("57P01", "57P02", "57P03", "08006", "08003"),
        ("server closed the connection", "terminating connection", "the database system is",
         "connection is closed", "connection is lost", "SSL connection has been closed"),
        "the connection broke",
        "run logbook sync again: it goes on where it stopped",
    ),
    (
        ("57014",),
        (),
        "the server took too long over a question",
        "try again in a while, or ask its keeper",
    ),
)  # fmt: skip


def _first(said: str, address: Address) -> str:
    """The gist of what a library said, on one line, no secret in it."""
    lines = [line.strip() for line in said.splitlines() if line.strip()] or ["no reason given"]
    gist = lines[0]
    for secret in filter(None, address.secrets):
        gist = gist.replace(secret, "...")
    return gist[:200]
