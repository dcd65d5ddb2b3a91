"""The hub's tables: one schema for each book, made once, only ever added to.

The rules that hold whoever writes there, with whatever program:
1. an entry's id is the SHA-256 of its bytes, worked out by the server; it has at most 1 MiB;
2. its bytes are JSON that says the writer, the number and the entry before it under which it lies;
3. an entry is taken only if the one before it is there, of the same writer, by number and id;
4. two entries with one number are both kept, and the first such number is noted as a fork;
5. a head is of an entry that is there, and the newest heads are counted by the role that added
   them: nobody's crowd out another's;
6. nothing is changed or deleted, by its owner neither.

Rule 2 takes whatever `decode` takes, so that no entry of a journal is refused: jsonb knows no NUL,
which is read as another character here. Rules 3 and 4 are one trigger for each INSERT, not a
foreign key: a key looks up and locks each entry by itself, and a sending of 200,000 took 1.3 to 1.5
times as long with it. What a trigger found there stays, as rows never go. Two that fork a chain at
once cannot see each other's entries: so whoever has added some of a writer waits for others who
have to commit, and only then looks.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.sync.hub.address import parsed
from logbook.sync.hub.connecting import NewerHub, engine, raw, transaction
from logbook.sync.place import Unreachable

if TYPE_CHECKING:
    from sqlalchemy import Connection

VERSION = 1
OLDEST_SERVER = 150000
_BOOK = re.compile(r"[0-9a-f]{12,}\Z")
_SCHEMA = re.compile(r"logbook_[0-9a-f]{12}\Z")

# What an entry has to say, in the bytes that the program writes: all of it outside of any value, as
# no brace or bracket opens before but the first byte. Which is so of JSON only, and a comma before
# a quote is not inside of a text. Everything else is read as JSON, which takes three times as long.
_END = """convert_to(
    ',"seq":' || seq || ',"v":1,"writer":"' || encode(writer, 'hex') || '","writes":[', 'UTF8')"""
_PREV = """convert_to(',"prev":' || coalesce('"' || encode(prev, 'hex') || '"', 'null'), 'UTF8')"""
_BEFORE = f"substring(body FROM 2 FOR greatest(position({_END} IN body) - 2, 0))"
_SAYS_SO = f"""CASE
    WHEN position({_PREV} IN {_BEFORE}) > 0
        AND position('{{'::bytea IN {_BEFORE}) = 0 AND position('['::bytea IN {_BEFORE}) = 0
    THEN convert_from(body, 'UTF8')::json IS NOT NULL
    ELSE (
        CASE position('\\x5c7530303030'::bytea IN body)
            WHEN 0 THEN convert_from(body, 'UTF8')
            ELSE replace(convert_from(body, 'UTF8'), '\\u0000', '\\u0001')
        END::jsonb @> jsonb_build_object(
            'writer', encode(writer, 'hex'), 'seq', seq, 'prev', encode(prev, 'hex')
        )
    ) IS TRUE
END"""

# In the schema of a book, which stands first in the search path. One version so far; a later one
# is a further list of statements, and `hub init` brings an older hub up to it.
_MADE = (
    """
    CREATE TABLE hub (
        version integer NOT NULL,  -- of these tables
        book text NOT NULL,        -- the id of the book
        program text NOT NULL,     -- the logbook that made them
        at timestamptz NOT NULL DEFAULT now()
    )
    """,
    f"""
    CREATE TABLE entry (
        writer bytea NOT NULL CHECK (octet_length(writer) = 16),
        seq bigint NOT NULL CHECK (seq >= 1),  -- its number in the writer's chain
        id bytea GENERATED ALWAYS AS (sha256(body)) STORED,
        prev bytea CHECK (octet_length(prev) = 32),  -- id of the entry before it
        body bytea NOT NULL CHECK (octet_length(body) <= 1048576),
        role text NOT NULL DEFAULT session_user,  -- who added it
        at timestamptz NOT NULL DEFAULT now(),  -- when it came here
        PRIMARY KEY (writer, seq, id),
        CHECK ((seq = 1) = (prev IS NULL)),
        CONSTRAINT says_so CHECK ({_SAYS_SO})
    )
    """,
    """
    CREATE TABLE head (
        writer bytea NOT NULL CHECK (octet_length(writer) = 16),
        seq bigint NOT NULL CHECK (seq >= 1),
        id bytea NOT NULL CHECK (octet_length(id) = 32),
        signature bytea NOT NULL CHECK (octet_length(signature) = 64),
        role text COLLATE "C" NOT NULL DEFAULT session_user,  -- who added it
        at timestamptz NOT NULL DEFAULT now(),
        PRIMARY KEY (writer, role, seq, id, signature),
        FOREIGN KEY (writer, seq, id) REFERENCES entry
    )
    """,
    """
    CREATE TABLE fork (
        writer bytea NOT NULL,
        seq bigint NOT NULL,  -- from here on several entries of the writer may have one number
        PRIMARY KEY (writer, seq)
    )
    """,
    """
    CREATE FUNCTION entry_follows() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path FROM CURRENT SET work_mem = '64MB' AS $$
    DECLARE
        lock integer;
        gaps bigint;
    BEGIN
        IF current_setting('transaction_isolation') <> 'read committed' THEN
            RAISE EXCEPTION 'entries are added in transactions that read what is committed'
                USING ERRCODE = 'invalid_parameter_value';
        END IF;
        FOR lock IN SELECT DISTINCT get_byte(writer, 0) FROM fresh ORDER BY 1 LOOP
            PERFORM pg_advisory_xact_lock(hashtext('logbook ' || TG_RELID), lock);
        END LOOP;
        -- What the new entries follow but is none of them. As every entry there has all below it,
        -- a fork begins where one of these is followed, or inside of what is new.
        WITH below AS MATERIALIZED (
            SELECT writer, seq - 1 AS seq, prev FROM fresh EXCEPT SELECT writer, seq, id FROM fresh
        ), noted AS (
            INSERT INTO fork
                SELECT writer, seq FROM fresh GROUP BY writer, seq HAVING count(*) > 1
                UNION
                SELECT b.writer, b.seq + 1 FROM below AS b WHERE 1 < (
                    SELECT count(*) FROM entry AS e
                    WHERE e.writer = b.writer AND e.seq = b.seq + 1
                )
                ON CONFLICT DO NOTHING
        )
        SELECT count(*) INTO gaps FROM below AS b WHERE prev IS NOT NULL AND NOT EXISTS (
            SELECT FROM entry AS e WHERE e.writer = b.writer AND e.seq = b.seq AND e.id = b.prev
        );
        IF gaps > 0 THEN
            RAISE EXCEPTION 'the entry before is not there'
                USING ERRCODE = 'foreign_key_violation';
        END IF;
        RETURN NULL;
    END
    $$
    """,
    """
    CREATE TRIGGER entry_follows AFTER INSERT ON entry
    REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION entry_follows()
    """,
    """
    CREATE FUNCTION is_kept() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        RAISE EXCEPTION 'nothing in a hub is changed or deleted'
            USING ERRCODE = 'insufficient_privilege';
    END
    $$
    """,
    *(
        f"CREATE TRIGGER is_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION is_kept()"
        for table in ("entry", "head", "fork", "hub")
    ),
)
_THERE = (
    "SELECT nspname FROM pg_catalog.pg_namespace AS n WHERE nspname ~ '^logbook_[0-9a-f]{12}$' "
    "AND EXISTS (SELECT FROM pg_catalog.pg_class WHERE relnamespace = n.oid AND relname = 'hub') "
    "ORDER BY nspname"
)


def schema_of(book: str) -> str:
    """The schema of a book's id; raises UserMistake if it cannot be one."""
    if not _BOOK.match(book):
        raise UserMistake(
            f"{book!r} cannot be the id of a book", "logbook hub init, on a machine that has it"
        )
    return f"logbook_{book[:12]}"


@dataclass(frozen=True)
class Made:
    """What `init` found or made: `label` names the hub, `new` is true if the tables were made now.

    `grants` are what a server's keeper runs for a role that may append and read, nothing else;
    `url` leads that role to the hub, without a password.
    """

    label: str
    url: str
    schema: str
    new: bool
    grants: tuple[str, ...]


def init(url: str, book: str, role: str, program: str) -> Made:
    """Make a book's tables, if they are not there; a repeated call changes nothing.

    Raises UserMistake, Unreachable, or NewerHub for tables of a newer program.
    """
    address, schema = parsed(url), schema_of(book)
    store = engine(address)
    try:
        with transaction(store, address, schema) as connection:
            if raw(connection).info.server_version < OLDEST_SERVER:
                raise Unreachable(
                    f"{address.shown}: its server is older than PostgreSQL 15", "have it upgraded"
                )
            _check_encoding(connection, address.shown)
            new = _create(connection, schema, book, program)
            grants = _grants(connection, schema, role)
            return Made(address.shown, address.of(role), schema, new, grants)
    finally:
        store.dispose()


def _check_encoding(connection: Connection, label: str) -> None:
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
    if encoding != "UTF8":
        # The text of an entry could not be read there.
        raise UserMistake(
            f"{label}: the database keeps its text as {encoding}, not as UTF8",
            "CREATE DATABASE trials ENCODING 'UTF8' TEMPLATE template0 makes one",
        )


def _create(connection: Connection, schema: str, book: str, program: str) -> bool:
    connection.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext(%s))", (schema,))
    if schema in _schemas(connection):
        check(connection, schema)
        return False
    connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {schema}")
    for statement in _MADE:
        connection.exec_driver_sql(statement)
    connection.exec_driver_sql(
        "INSERT INTO hub (version, book, program) VALUES (%s, %s, %s)", (VERSION, book, program)
    )
    return True


def check(connection: Connection, schema: str) -> None:
    """Refuse the tables of a newer program."""
    found = connection.exec_driver_sql(
        f"SELECT version, program FROM {schema}.hub ORDER BY version DESC LIMIT 1"
    ).one()
    if found.version > VERSION:
        raise NewerHub(
            f"the hub was made by a newer logbook ({found.program}): its tables are of version "
            f"{found.version}, this program knows {VERSION}",
            "update this program",
        )


def meant(connection: Connection, book: str | None, label: str) -> str:
    """The schema of a book, or of the only one there; raises UserMistake if it is not there."""
    there = _schemas(connection)
    if book is not None and schema_of(book) in there:
        return schema_of(book)
    known = ", ".join(one.removeprefix("logbook_") for one in there)
    if not there:
        raise UserMistake(f"{label}: there is no hub in this database yet", "logbook hub init URL")
    if book is not None:
        raise UserMistake(
            f"{label}: the hub has no place for the book {book[:12]}, only for {known}",
            "logbook hub init URL makes one; --book names another",
        )
    if len(there) > 1:
        raise UserMistake(f"{label}: the hub keeps several books: {known}", "name one with --book")
    return there[0]


def _schemas(connection: Connection) -> list[str]:
    return [str(name) for (name,) in connection.exec_driver_sql(_THERE)]


def _grants(connection: Connection, schema: str, role: str) -> tuple[str, ...]:
    database = connection.exec_driver_sql("SELECT quote_ident(current_database())").scalar_one()
    name = connection.exec_driver_sql("SELECT quote_ident(%s)", (role,)).scalar_one()
    return (
        f"CREATE ROLE {name} LOGIN PASSWORD 'choose one';",
        f"GRANT CONNECT, TEMPORARY ON DATABASE {database} TO {name};",
        f"GRANT USAGE ON SCHEMA {schema} TO {name};",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA {schema} TO {name};",
        f"GRANT INSERT (writer, seq, prev, body) ON {schema}.entry TO {name};",
        f"GRANT INSERT (writer, seq, id, signature) ON {schema}.head TO {name};",
    )
