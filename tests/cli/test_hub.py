"""A hub as its people use it: made once, joined, exchanged through."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

import psycopg
import pytest

from tests.cli.test_syncing import Bench
from tests.postgres import OWNER, Server
from tests.program import PROTOCOL, Program

ON = "2026-03-02T09:00+01:00"


@pytest.fixture
def url(postgres: Server) -> Iterator[str]:
    """An empty database on the newest PostgreSQL."""
    name = f"trials_{secrets.token_hex(4)}"
    with psycopg.connect(postgres.url(), autocommit=True) as owner:
        owner.execute(f"CREATE DATABASE {name}".encode())
        yield postgres.url(database=name)
        owner.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


@pytest.fixture
def office(program: Program, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The office with a trial that has begun."""
    made = Bench(program, monkeypatch)
    (made.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    made.must("office", "trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    return made


def test_a_place_is_made_once_and_the_rights_are_printed(office: Bench, url: str) -> None:
    said = office.must("office", "hub", "init", url, "--role", "green house")
    lines = said.out.splitlines()
    schema = lines[0].split()[2]
    assert lines[0] == f"-- {url}: {schema} is made"
    database = url.partition("?")[0].rpartition("/")[2]
    assert lines[2:] == [
        "CREATE ROLE \"green house\" LOGIN PASSWORD 'choose one';",
        f'GRANT CONNECT, TEMPORARY ON DATABASE {database} TO "green house";',
        f'GRANT USAGE ON SCHEMA {schema} TO "green house";',
        f'GRANT SELECT ON ALL TABLES IN SCHEMA {schema} TO "green house";',
        f'GRANT INSERT (writer, seq, prev, body) ON {schema}.entry TO "green house";',
        f'GRANT INSERT (writer, seq, id, signature) ON {schema}.head TO "green house";',
        f"-- Then, on that machine: logbook sync add hub {url.replace('owner@', 'green%20house@')}",
    ]
    with psycopg.connect(url) as owner:
        owner.execute(said.out.encode())
    again = office.must("office", "hub", "init", url)
    assert again.out.startswith(f"-- {url}: {schema} is there already, nothing was changed\n")


def test_without_a_logbook_the_book_is_named(program: Program, url: str) -> None:
    said = program("hub", "init", url)
    assert said.code == 2
    assert said.err == (
        f"Error: {program.store}: there is no logbook here yet\nTry: name a book with --book\n"
    )
    assert (
        "logbook_0123456789ab is made"
        in program.must("hub", "init", url, "--book", "0123456789abcdef").out
    )
    wrong = program("hub", "init", url, "--book", "my trial")
    assert (wrong.code, wrong.err.splitlines()[0]) == (
        2,
        "Error: 'my trial' cannot be the id of a book",
    )


def test_machines_exchange_lines_through_a_hub(office: Bench, url: str) -> None:
    both = office
    before = both.at("office", "sync", url)
    assert (before.code, before.err.splitlines()[0]) == (
        2,
        f"Error: {url}: there is no hub in this database yet",
    )
    both.must("office", "hub", "init", url)
    both.must("office", "sync", "add", "hub", url)
    assert both.must("office", "sync").out.startswith("hub: sent ")
    assert both.must("office", "sync").out == "hub: nothing new\n"
    joined = both.must("bench", "join", url, "--yes").out
    assert "lines of the book that office founded" in joined
    both.must("bench", "water", "B1", "--amount", "250 mL")
    assert both.must("bench", "sync").out.startswith("hub: sent 1 line\nThis machine, bench (")
    both.must("office", "sync")
    both.must("office", "machines", "enrol", "bench", "--yes")
    both.must("office", "sync")
    assert both.must("bench", "sync").out == "hub: fetched 1 line\n"
    assert both.exported("office") == both.exported("bench")


def test_of_several_books_a_machine_finds_its_own(office: Bench, url: str) -> None:
    office.must("office", "hub", "init", url, "--book", "f" * 16)
    refused = office.at("office", "sync", url)
    assert refused.code == 2
    assert ": the hub has no place for the book " in refused.err
    assert refused.err.endswith("Try: logbook hub init URL makes one; --book names another\n")
    office.must("office", "hub", "init", url)
    assert office.must("office", "sync", url).out.startswith(f"{url}: sent ")
    unclear = office.at("bench", "join", url, "--yes")
    assert unclear.code == 2
    assert unclear.err.endswith("Try: name one with --book\n")


def test_a_password_is_neither_kept_nor_shown(office: Bench, postgres: Server, url: str) -> None:
    server = postgres
    database = url.partition("?")[0].rpartition("/")[2]
    url = server.url(OWNER, database, server.password)
    for words in (("hub", "init", url), ("sync", "add", "hub", url), ("sync", url)):
        said = office.must("office", *words)
        assert server.password not in said.out + said.err
    assert server.password not in office.must("office", "sync", "places", "--json").out
    kept = (office.folder / "office" / "logbook.db").read_bytes()
    assert server.password.encode() not in kept
