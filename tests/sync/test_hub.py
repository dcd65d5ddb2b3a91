"""The hub: the contract of all places, on the oldest and the newest PostgreSQL, and its own."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import psycopg
import pytest

from logbook.journal.entry import MOST_BYTES, entry_id
from logbook.sync.hub import Hub, connecting, init, open_hub
from logbook.sync.hub.connecting import NewerHub
from logbook.sync.place import Unreachable
from tests.postgres import Server
from tests.sync.chains import Having, chain, head, ids, inventory, longer, run, tip, writer_id
from tests.sync.contract import Contract, Opened
from tests.sync.hubs import Made, held_open, made_on, restored, waits_for_a_lock


@pytest.fixture
def book() -> str:
    """A book that no other test has."""
    return secrets.token_hex(8)


class TestHub(Contract):
    @pytest.fixture
    def opened(self, each_postgres: Server, book: str) -> Iterator[Opened]:
        init(each_postgres.url(), book, "bench", "test")
        places: list[Hub] = []

        def anew() -> Hub:
            places.append(open_hub(each_postgres.url(), book))
            return places[-1]

        yield anew
        for place in places:
            place.close()


@pytest.fixture
def made(each_postgres: Server, book: str) -> Iterator[Made]:
    """A hub, on the oldest and on the newest PostgreSQL."""
    with made_on(each_postgres, book) as made:
        yield made


CHANGES = [
    "UPDATE entry SET seq = seq + 1",
    "DELETE FROM entry",
    "TRUNCATE entry",
    "UPDATE head SET seq = 1",
    "DELETE FROM head",
    "TRUNCATE head",
    "DELETE FROM fork",
    "UPDATE hub SET version = 0",
]


@pytest.mark.parametrize("change", CHANGES)
def test_nothing_is_changed_or_deleted_by_its_owner_neither(made: Made, change: str) -> None:
    made.send(run("bench", chain("bench", 3), signed=True))
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="changed or deleted"):
        made.owner.execute(change.encode())


@pytest.mark.parametrize("change", [*CHANGES, "INSERT INTO fork VALUES ('', 1)", "DROP TABLE head"])
def test_a_role_with_the_rights_printed_may_append_and_read_only(made: Made, change: str) -> None:
    with closing(made.open("bench")) as hub:
        hub.send([run("bench", chain("bench", 3), signed=True)])
        assert hub.inventory() == inventory(
            chain("bench", 3), heads=[head("bench", chain("bench", 3))]
        )
    with psycopg.connect(made.server.url("bench")) as connection:
        connection.execute(f"SET search_path TO {made.schema}".encode())
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match=r"permission|must be owner"):
            connection.execute(change.encode())


def test_an_entry_is_taken_only_if_the_one_before_it_is_there(made: Made) -> None:
    bodies = chain("bench", 6)
    made.send(run("bench", bodies[:2]))
    with pytest.raises(Unreachable) as refused:
        made.send(run("office", chain("office", 2)), run("bench", bodies[3:]))
    assert refused.value.message == (
        f"{made.open().label}: an entry was refused, as the one before it is not there"
    )
    assert made.count() == 2


def test_of_the_entry_before_number_and_writer_count_too(made: Made) -> None:
    bodies = chain("bench", 2)
    made.send(run("bench", bodies))
    prev = bytes.fromhex(entry_id(bodies[1]))
    for writer, seq in ((bytes(16), 3), (bytes.fromhex(writer_id("bench")), 4)):
        with pytest.raises(psycopg.errors.ForeignKeyViolation):
            made.owner.execute(
                "INSERT INTO entry (writer, seq, prev, body) VALUES (%s, %s, %s, 'x')",
                (writer, seq, prev),
            )
    with pytest.raises(psycopg.errors.CheckViolation):
        made.owner.execute(
            "INSERT INTO entry (writer, seq, body) VALUES (%s, 3, 'x')", (bytes(16),)
        )


def test_an_entry_larger_than_a_mebibyte_is_refused(made: Made) -> None:
    with pytest.raises(psycopg.errors.CheckViolation):
        made.owner.execute(
            "INSERT INTO entry (writer, seq, body) VALUES (%s, 1, %s)",
            (bytes(16), bytes(MOST_BYTES + 1)),
        )


def test_a_temporary_table_does_not_stand_in_for_one_of_the_hub(made: Made) -> None:
    bodies = chain("bench", 4)
    schema = made.schema
    with psycopg.connect(made.server.url("bench")) as connection:
        connection.execute(f"CREATE TEMPORARY TABLE entry (LIKE {schema}.entry)".encode())
        writer, prev = bytes.fromhex(writer_id("bench")), bytes.fromhex(entry_id(bodies[2]))
        connection.execute(
            "INSERT INTO pg_temp.entry (writer, seq, id, body, at) VALUES (%s, 3, %s, '', now())",
            (writer, prev),
        )
        with pytest.raises(psycopg.errors.ForeignKeyViolation):
            connection.execute(
                f"INSERT INTO {schema}.entry (writer, seq, prev, body) "
                "VALUES (%s, 4, %s, %s)".encode(),
                (writer, prev, bodies[3]),
            )


def test_two_that_fork_a_chain_at_once_are_both_seen(made: Made) -> None:
    """Neither transaction sees the other's entry; the fork is noted all the same."""
    trunk = chain("bench", 2)
    one, other = longer("bench", trunk, 2), longer("bench", trunk, 1, text="250 mL")
    made.send(run("bench", trunk))
    with ThreadPoolExecutor(1) as pool:
        with held_open(made, one) as finish:
            waiting = pool.submit(made.send, run("bench", other))
            waits_for_a_lock(made)
            assert made.open().inventory() == inventory(trunk)
            finish()
        waiting.result(timeout=30)
    assert made.open().inventory() == inventory(trunk + one, trunk + other)


def test_what_is_committed_late_is_not_missed(made: Made) -> None:
    """Another machine's entries came first and are committed last: the next question finds them."""
    bench, office = chain("bench", 3), chain("office", 2)
    having = Having()
    with held_open(made, bench) as finish:
        made.send(run("office", office))
        with closing(made.open()) as hub:
            having.fetch_all(hub)
            assert having.entries.keys() == set(ids(office))
        finish()
    with closing(made.open()) as hub:
        having.fetch_all(hub)
    assert having.entries.keys() == set(ids(office + bench))


def test_the_same_entries_sent_at_once_are_there_once(made: Made) -> None:
    bodies = chain("bench", 5)
    with ThreadPoolExecutor(1) as pool, held_open(made, bodies[:3]) as finish:
        waiting = pool.submit(made.send, run("bench", bodies))
        waits_for_a_lock(made)
        finish()
        waiting.result(timeout=30)
    assert made.open().inventory() == inventory(bodies)
    assert made.count() == 5


def test_a_machine_does_not_wait_for_ever_for_another_one(
    made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    bodies = chain("bench", 3)
    assert "30s" in connecting._PATIENCE
    monkeypatch.setattr(connecting, "_PATIENCE", connecting._PATIENCE.replace("30s", "100ms"))
    with held_open(made, bodies), pytest.raises(Unreachable) as refused:
        made.send(run("bench", bodies))
    assert refused.value.message.endswith(": another machine is sending the same lines just now")
    made.send(run("bench", bodies))
    assert made.open().inventory() == inventory(bodies)


def test_a_fork_and_its_branches_in_any_order_end_no_two_senders_in_a_deadlock(made: Made) -> None:
    trunk = chain("bench", 2)
    branches = [trunk + longer("bench", trunk, 20, text=f"{n} mL") for n in range(4)]

    def sends(first: int) -> None:
        for at in range(4):
            made.send(*(run("bench", branches[(first + at + n) % 4]) for n in range(2)))

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(sends, range(3)))
    assert made.open().inventory() == inventory(*branches)
    assert made.count() == 2 + 4 * 20


def test_gaps_of_what_is_held_back_are_filled(made: Made) -> None:
    """A stick may bring entries 1 to 3 and 7 to 9: 4 to 6 are lacking, though 9 is the last."""
    bodies = chain("bench", 9)
    made.send(run("bench", bodies))
    having = Having(bodies[:3] + bodies[6:])
    with closing(made.open()) as hub:
        having.fetch_all(hub)
    assert having.entries.keys() == set(ids(bodies))


def test_a_fork_between_here_and_there_is_fetched_from_the_last_common_entry(made: Made) -> None:
    trunk = chain("bench", 40)
    there, here = longer("bench", trunk, 3), longer("bench", trunk, 5, text="250 mL")
    made.send(run("bench", trunk + there))
    with closing(made.open()) as hub:
        bodies = [body for one in hub.fetch(Having(trunk + here)) for body in one.bodies]
    assert bodies == list(there)


def test_a_hub_from_an_older_copy_gets_again_what_it_lacks(made: Made) -> None:
    bodies = chain("bench", 30)
    trunk = bodies[:10]
    made.send(run("bench", trunk, signed=True))
    dump = made.server.run("pg_dump", "-n", made.schema, "postgres").decode()
    made.send(run("bench", bodies[10:], signed=True))
    made.owner.execute(f"DROP SCHEMA {made.schema} CASCADE".encode())
    restored(made.server, dump)
    assert made.open().inventory() == inventory(trunk, heads=[head("bench", trunk)])
    made.send(run("bench", bodies[10:], signed=True))
    assert max(made.open().inventory().tips[writer_id("bench")]) == tip(bodies)
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        made.owner.execute("DELETE FROM entry")


def test_a_book_of_a_newer_program_is_refused(made: Made) -> None:
    made.owner.execute("INSERT INTO hub (version, book, program) VALUES (2, 'b', '9.1.0')")
    with pytest.raises(NewerHub) as refused:
        made.open()
    assert refused.value.exit_code == 3
    assert refused.value.message == (
        "the hub was made by a newer logbook (9.1.0): its tables are of version 2, "
        "this program knows 1"
    )
    with pytest.raises(NewerHub):
        init(made.server.url(), made.book, "bench", "test")


def test_made_twice_it_stays_as_it_is(made: Made) -> None:
    made.send(run("bench", chain("bench", 3)))
    assert not init(made.server.url(), made.book, "bench", "test").new
    assert made.count() == 3


def test_rows_are_let_go_when_nobody_reads_on(made: Made) -> None:
    made.send(run("bench", chain("bench", 2_500)))
    with closing(made.open()) as hub:
        runs = hub.fetch(Having())
        next(runs)
        runs.close()  # type: ignore[attr-defined]
        assert hub.inventory() == inventory(chain("bench", 2_500))
