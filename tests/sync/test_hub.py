"""The hub: the contract of all places, and its own; on older PostgreSQL in the long run."""

from __future__ import annotations

import json
import random
import re
import secrets
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from itertools import product
from pathlib import Path

import psycopg
import pytest

from logbook.journal.entry import MOST_BYTES, BadEntry, decode, entry_id
from logbook.sync.hub import Hub, connecting, init, open_hub
from logbook.sync.hub.address import parsed
from logbook.sync.hub.connecting import NewerHub
from logbook.sync.place import Unreachable
from tests.postgres import Server
from tests.sync.chains import (
    Having,
    chain,
    head,
    ids,
    inventory,
    longer,
    noted,
    run,
    tip,
    writer_id,
)
from tests.sync.contract import Contract, Opened
from tests.sync.hubs import Made, held_open, made_on, restored, waits_for_a_lock


def says(writer: bytes, seq: int, prev: bytes | None) -> bytes:
    """Bytes that say where they stand, and no more."""
    place = {"writer": writer.hex(), "seq": seq, "prev": prev and prev.hex()}
    return json.dumps(place).encode()


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
    """A hub, on each PostgreSQL found."""
    with made_on(each_postgres, book) as made:
        yield made


CHANGES = [
    "UPDATE entry SET seq = seq + 1",
    "DELETE FROM entry",
    "TRUNCATE entry CASCADE",
    "UPDATE head SET seq = 1",
    "DELETE FROM head",
    "TRUNCATE head",
    "DELETE FROM fork",
    "UPDATE hub SET version = 0",
]


def test_nothing_is_changed_or_deleted_by_its_owner_neither(made: Made) -> None:
    made.send(run("bench", chain("bench", 3), signed=True))
    for change in CHANGES:
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="changed or deleted"):
            made.owner.execute(change.encode())


def test_a_role_with_the_rights_printed_may_append_and_read_only(made: Made) -> None:
    with closing(made.open("bench")) as hub:
        hub.send([run("bench", chain("bench", 3), signed=True)])
        assert hub.inventory() == inventory(
            chain("bench", 3), heads=[head("bench", chain("bench", 3))]
        )
    with psycopg.connect(made.server.url("bench"), autocommit=True) as connection:
        connection.execute(f"SET search_path TO {made.schema}".encode())
        for change in [*CHANGES, "INSERT INTO fork VALUES ('', 1)", "DROP TABLE head"]:
            with pytest.raises(
                psycopg.errors.InsufficientPrivilege, match=r"permission|must be owner"
            ):
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
            made.insert(says(writer, seq, prev), writer, seq, prev)
    with pytest.raises(psycopg.errors.CheckViolation, match="entry_check"):
        made.insert(says(bytes(16), 3, None), bytes(16), 3, None)


WRITER, ID = bytes.fromhex("ab" * 16), bytes.fromhex("cd" * 32)
NOT_SO = [
    says(bytes(16), 2, ID),
    says(WRITER, 1, ID),
    says(WRITER, 2, WRITER * 2),
    says(WRITER, 2, None),
    says(WRITER, 2, ID).replace(b": 2", b': "2"'),
    says(WRITER, 2, ID).replace(b'"prev"', b'"before"'),
    b'{"a":{"by":"b","prev":"%s","seq":2,"v":1,"writer":"%s","writes":[]}}'
    % (ID.hex().encode(), WRITER.hex().encode()),
    b'{"a":"[","b":{"by":"b","prev":"%s","seq":2,"v":1,"writer":"%s","writes":[]},"seq":3}'
    % (ID.hex().encode(), WRITER.hex().encode()),
    b'{"a":1,"prev":"%s","seq":3,"v":1,"writer":"%s","writes":[{"a":1,"seq":2,"v":1,"writer":"%s",'
    b'"writes":[]}]}' % (ID.hex().encode(), WRITER.hex().encode(), WRITER.hex().encode()),
    b"[" + says(WRITER, 2, ID) + b"]",
    b'{"writes": [' + says(WRITER, 2, ID) + b"]}",
    says(WRITER, 2, ID)[:-1],
    b"null",
    b"",
    b"\xff\xfe",
    b"[" * 100_000,
]


def test_an_entry_says_itself_where_it_stands(made: Made) -> None:
    """No row gives a writer an entry that stands elsewhere, or that is no entry at all."""
    told = ": an entry was refused, as it is not of the form that the hub takes"
    for body in NOT_SO:
        with pytest.raises(psycopg.Error) as refused:
            made.insert(body, WRITER, 2, ID)
        said = connecting.explained(parsed(made.server.url()), refused.value)
        assert said.message.endswith(told), body
    with pytest.raises(psycopg.errors.ForeignKeyViolation):
        made.insert(says(WRITER, 2, ID), WRITER, 2, ID)


FRAGMENTS = [
    b",", b"{", b"}", b"[", b"]", b'"', b"\\", b" ", b":", b'"a"', b"null", b"\\u0000", b'","',
    b'"writes":[', b'"v":1', b'"seq":1', b'"seq":2', b'"seq":3', b'"prev":null', b'"saw":{',
]  # fmt: skip


def spliced(rng: random.Random, good: bytes) -> bytes:
    """An entry with some bytes of entries put into it, or over it."""
    tail = good[good.index(b',"seq"') : good.index(b'"writes":[') + 10]
    whole = [*FRAGMENTS, tail, good[: good.index(tail)], good[1:-1], b'{"a":' + good + b"}"]
    body = bytearray(good)
    for _ in range(rng.randint(1, 2)):
        at = rng.choice([0, 1, good.index(b',"prev"'), rng.randrange(len(body)), len(body)])
        body[at : at + rng.choice([0, 0, 1, 30])] = rng.choice(whole)
    return bytes(body)


def reordered(rng: random.Random, good: bytes) -> bytes:
    """An entry as another program might write it, or one of another place."""
    items = list(json.loads(good).items())
    items[rng.randrange(len(items))] = rng.choice(
        [("by", good.decode()), ("seq", 3), ("prev", None), ("prev", "cd" * 32), ("v", 1),
         ("writer", "00" * 16), ("by", '","seq":2'), ("reason", "{["), ("saw", {})]
    )  # fmt: skip
    if rng.random() < 0.5:
        rng.shuffle(items)
    dots = rng.choice([(",", ":"), (", ", ": "), (",\n", ":\t")])
    return json.dumps(dict(items), separators=dots, ensure_ascii=rng.random() < 0.5).encode()


@pytest.mark.parametrize("change", [spliced, reordered])
def test_whatever_bytes_are_made_of_it_only_entries_that_say_so_are_taken(
    made: Made, change: Callable[[random.Random, bytes], bytes]
) -> None:
    """Of bytes that are an entry, the hub takes those that say where they lie, and no others."""
    rng = random.Random(7)
    bodies = chain("bench", 1)
    made.send(run("bench", bodies))
    writer, prev = writer_id("bench"), entry_id(bodies[0])
    row = bytes.fromhex(writer), 2, bytes.fromhex(prev)
    seen = Counter[tuple[bool, bool]]()
    with psycopg.connect(made.server.url()) as connection:
        connection.execute(f"SET search_path TO {made.schema}".encode())
        for _ in range(400):
            body = change(rng, noted("bench", bodies, "any text"))
            taken = True
            try:
                with connection.transaction():
                    connection.execute(
                        "INSERT INTO entry (writer, seq, prev, body) VALUES (%s, %s, %s, %s) "
                        "ON CONFLICT DO NOTHING",
                        (*row, body),
                    )
            except (psycopg.DataError, psycopg.IntegrityError):
                taken = False
            try:
                read = decode(body)
            except BadEntry:
                continue
            says_so = (read.writer, read.seq, read.prev) == (writer, 2, prev)
            assert taken == says_so, body
            seen[says_so, taken] += 1
    assert seen[True, True] > 3, seen
    assert change is spliced or seen[False, False] > 5, seen


@pytest.mark.parametrize(
    "change",
    [
        lambda body: body.replace(b"any text", b"\\u0000"),
        lambda body: body.replace(b"any text", b"\\\\u0000 \\u0000\\u00001"),
        lambda body: body.replace(b'"writer":', b'\n\t"wr\\u0069ter"\r :  '),
        lambda body: body.replace(b'"seq":2', b'"seq": 2 '),
        lambda body: b" " + body + b"\n\n",
        lambda body: body.replace(b"any text", "½ 🌱 \ufffe\x7f".encode()),
        lambda body: body.replace(b"any text", b'\\ud83c\\udf31 \\" \\/'),
        lambda body: json.dumps(dict(reversed(json.loads(body).items())), indent=3).encode(),
    ],
)
def test_whatever_is_an_entry_is_taken(made: Made, change: Callable[[bytes], bytes]) -> None:
    """A machine that could not send one of its entries could send none after it."""
    bodies = chain("bench", 1)
    body = change(noted("bench", bodies, "any text"))
    assert decode(body).seq == 2 and body != noted("bench", bodies, "any text")
    made.send(run("bench", (*bodies, body)))
    assert [one.bodies for one in made.open().fetch(Having())] == [(*bodies, body)]


def test_a_row_of_another_number_with_bytes_of_before_stops_nobody(made: Made) -> None:
    """X, n + 1, after its tip, with the bytes of X's entry 1: its own next entry found no place."""
    bodies = chain("bench", 4)
    made.send(run("bench", bodies[:3]))
    writer, prev = bytes.fromhex(writer_id("bench")), bytes.fromhex(entry_id(bodies[2]))
    with pytest.raises(psycopg.errors.CheckViolation, match="says_so"):
        made.insert(bodies[0], writer, 4, prev, role="bench")
    made.send(run("bench", bodies[3:]))
    assert made.open().inventory() == inventory(bodies)


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
        connection.execute(
            f"CREATE TEMPORARY TABLE entry (LIKE {schema}.entry INCLUDING DEFAULTS)".encode()
        )
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


@pytest.mark.parametrize(
    "held",
    [range(5, 21), range(20, 21), [*range(1, 4), *range(7, 21)], [1, 3, 5, 20], [*range(2, 8), 9]],
)
def test_what_is_lacking_below_entries_from_a_stick_is_fetched(
    made: Made, held: Iterable[int]
) -> None:
    bodies = chain("bench", 20)
    made.send(run("bench", bodies))
    having = Having(bodies[number - 1] for number in held)
    with closing(made.open()) as hub:
        having.fetch_all(hub)
        assert having.entries.keys() == set(ids(bodies))
        assert list(hub.fetch(having)) == []


@pytest.mark.parametrize("gone", [range(1), range(2, 3), range(4, 5), range(1, 6)])
def test_of_branches_too_what_is_lacking_below_is_fetched(made: Made, gone: range) -> None:
    """Here is one branch whole, and of the other what a stick brought, with a gap."""
    trunk = chain("bench", 10)
    here, there = longer("bench", trunk, 9), longer("bench", trunk, 6, text="250 mL")
    made.send(run("bench", trunk + here), run("bench", there))
    having = Having(trunk + here + tuple(b for n, b in enumerate(there) if n not in gone))
    with closing(made.open()) as hub:
        fetched = having.fetch_all(hub)
        assert having.entries.keys() == set(ids(trunk + here + there))
        assert not set(trunk) & {body for one in fetched for body in one.bodies}
        assert list(hub.fetch(having)) == []


def test_what_is_known_is_not_asked_for_again(made: Made) -> None:
    """Of a machine that has more than the hub, the hub lacks something, not the machine."""
    bodies = chain("bench", 9)
    made.send(run("bench", bodies[:5]))
    with closing(made.open()) as hub:
        assert list(hub.fetch(Having(bodies))) == []


def test_what_was_refused_does_not_come_again_nor_what_follows_it(made: Made) -> None:
    """JSON that says where it stands, and is no entry: any role with the rights may add it."""
    bodies = chain("bench", 5)
    made.send(run("bench", bodies[:4]))
    writer, prev = bytes.fromhex(writer_id("bench")), bytes.fromhex(entry_id(bodies[3]))
    having = Having(bodies[:2])
    for number in range(5, 8):
        false = says(writer, number, prev)
        made.insert(false, writer, number, prev, role="bench")
        prev = bytes.fromhex(entry_id(false))
    with closing(made.open()) as hub:
        having.fetch_all(hub)
        assert (len(having.entries), len(having.refused)) == (4, 3)
        assert list(hub.fetch(having)) == []
    having.refused = {min(having.refused, key=lambda name: name != entry_id(false))}
    with closing(made.open()) as hub:
        hub.send([run("bench", bodies[3:])])
        having.fetch_all(hub)
        assert having.entries.keys() == set(ids(bodies))
        assert list(hub.fetch(having)) == []


def false_heads(made: Made, role: str, name: str, bodies: Sequence[bytes], count: int) -> None:
    """Let a role add heads of the last of these entries that nobody signed."""
    seq, last = tip(bodies)
    with psycopg.connect(made.server.url(role)) as connection:
        connection.cursor().executemany(
            f"INSERT INTO {made.schema}.head (writer, seq, id, signature) "
            "VALUES (%s, %s, %s, %s)".encode(),
            [
                (bytes.fromhex(writer_id(name)), seq, bytes.fromhex(last), n.to_bytes(64))
                for n in range(count)
            ],
        )


def test_false_heads_of_one_role_hide_none_of_another(made: Made) -> None:
    bodies, more = chain("bench", 4), longer("bench", chain("bench", 4), 1, text="false")
    made.send(run("bench", bodies, signed=True))
    with closing(made.open("bench")) as hub:
        hub.send([run("bench", more)])
    false_heads(made, "bench", "bench", more, 40)
    heads = made.open().inventory().heads
    assert head("bench", bodies) in heads
    assert len(heads) == 1 + 8
    fetched = {one for found in made.open().fetch(Having()) for one in found.heads}
    assert head("bench", bodies) in fetched


def test_a_head_is_of_an_entry_that_is_there(made: Made) -> None:
    bodies = chain("bench", 4)
    made.send(run("bench", bodies[:3]))
    with pytest.raises(psycopg.errors.ForeignKeyViolation):
        false_heads(made, "bench", "bench", bodies, 1)


def test_a_role_adds_nothing_in_the_name_of_another(made: Made) -> None:
    with psycopg.connect(made.server.url("bench"), autocommit=True) as connection:
        for table, column in product(("entry", "head"), ("role", "at")):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(
                    f"INSERT INTO {made.schema}.{table} ({column}) VALUES (NULL)".encode()
                )


def test_a_fork_that_was_taken_away_leaves_a_chain(made: Made) -> None:
    bodies = chain("bench", 6)
    made.send(run("bench", bodies), run("bench", longer("bench", bodies[:4], 2, text="false")))
    made.owner.execute("ALTER TABLE entry DISABLE TRIGGER is_kept")
    made.owner.execute("DELETE FROM entry WHERE seq > 2")
    assert made.open().inventory() == inventory(bodies[:2])
    made.send(run("bench", bodies))
    assert made.open().inventory() == inventory(bodies)


def test_the_keeper_takes_false_entries_away_as_the_page_says(made: Made) -> None:
    """The lines of docs/hub.md, run by the owner; what was true of it is sent again."""
    bodies = chain("bench", 6)
    false = longer("bench", bodies[:4], 3, text="false")
    made.send(run("bench", bodies, signed=True))
    with closing(made.open("bench")) as hub:
        hub.send([run("bench", false)])
    false_heads(made, "bench", "bench", bodies[:4] + false, 9)
    page = (Path(__file__).parents[2] / "docs" / "hub.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```sql\n(BEGIN;.*?)```", page, re.DOTALL)
    lines = lines.replace("logbook_5f0c4a9be211", made.schema).replace(">= 57", ">= 5")
    lines = re.sub(r"'\\x[0-9a-f]{32}'", f"'\\\\x{writer_id('bench')}'", lines)
    made.owner.execute(lines.encode())
    assert made.open().inventory() == inventory(bodies[:4])
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="changed or deleted"):
        made.owner.execute("DELETE FROM entry")
    made.send(run("bench", bodies[4:], signed=True))
    assert made.open().inventory() == inventory(bodies, heads=[head("bench", bodies)])


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
