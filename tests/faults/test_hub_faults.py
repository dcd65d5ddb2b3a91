"""A hub that is dropped, killed, late, or put back from an old copy loses and doubles nothing."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logbook.sync.hub import open_hub
from logbook.sync.place import Run, Unreachable
from tests.faults.counting import Count, Counting
from tests.postgres import Server, found, serving
from tests.sync.chains import Having, chain, ids, inventory, run
from tests.sync.hubs import Made, held_open, made_on, restored
from tests.sync.machine import Machine

ENTRIES = 20_000
LONGEST_SENDING = 120


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    """What is sent: 20,000 entries of one writer."""
    bodies = chain("bench", ENTRIES)
    return [run("bench", bodies[at : at + 1_000]) for at in range(0, ENTRIES, 1_000)]


@pytest.fixture(scope="module")
def mortal() -> Iterator[Server]:
    """A server of these tests alone, as it is killed."""
    # Its commits are on the disk: what it has acknowledged must outlive it.
    yield from serving(found()[-1], durable=True)


def hub_on(server: Server, rng: random.Random) -> Iterator[Made]:
    """Fresh hubs, one after the other."""
    while True:
        with made_on(server, rng.randbytes(8).hex()) as made:
            yield made


def struck(
    made: Made, runs: list[Run], moment: float, strike: Callable[[], bool]
) -> tuple[bool, str]:
    """Send, and strike at a moment: whether it hit, and what the sender was told ("": all well)."""
    told: list[str] = []
    with closing(open_hub(made.server.url(), made.book)) as hub:

        def sends() -> None:
            try:
                hub.send(runs)
            except Unreachable as refused:
                told.append(refused.message)

        sending = threading.Thread(target=sends)
        sending.start()
        time.sleep(moment)
        hit = sending.is_alive() and strike()
        sending.join(LONGEST_SENDING)
        assert not sending.is_alive()
    assert hit or not told
    return hit, "".join(told)


def check(
    server: Server, book: str, runs: list[Run], count: Count, acknowledged: bool = False
) -> None:
    """All or nothing is there, all if it was acknowledged; sent again, it is what was sent."""
    bodies = [body for one in runs for body in one.bodies]
    with closing(open_hub(server.url(), book)) as hub:
        kept = hub.inventory()
        assert kept == inventory(bodies) or (kept == inventory() and not acknowledged)
        count.saw["sendings kept whole"] += kept != inventory()
        hub.send(runs)
        assert hub.inventory() == inventory(bodies)
        assert [body for one in hub.fetch(Having()) for body in one.bodies] == bodies
    count.passed += 1


@pytest.mark.long
def test_connections_cut_at_random_moments(
    counting: Counting, postgres: Server, runs: list[Run]
) -> None:
    words = "20", "connection to the hub cut", "pg_terminate_backend while 20,000 entries are sent"
    with counting.fault(*words, 20) as count:
        longest = 0.0
        for made in hub_on(postgres, count.rng):
            if count.passed == count.asked:
                break
            if not longest:
                start = time.monotonic()
                made.send(*runs)
                longest = time.monotonic() - start
                continue
            moment = count.rng.uniform(0.02, longest)
            _, told = struck(made, runs, moment, lambda: cut(made))  # noqa: B023
            if told:
                assert told.endswith(": the connection broke"), told
                check(postgres, made.book, runs, count)


def cut(made: Made) -> bool:
    """End the connection that sends; False if there was none."""
    (ended,) = made.owner.execute(
        "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity "
        "WHERE application_name = 'logbook' AND state <> 'idle'"
    ).fetchone()  # type: ignore[misc]
    return bool(ended)


@pytest.mark.long
def test_a_server_killed_while_entries_are_sent(
    counting: Counting, mortal: Server, runs: list[Run]
) -> None:
    words = "20", "hub killed", "kill -9 of the server while 20,000 entries are sent, then started"
    with counting.fault(*words, 10) as count:
        while count.passed < count.asked:
            book = count.rng.randbytes(8).hex()
            with made_on(mortal, book) as made:
                moment = count.rng.uniform(0.02, 0.5)
                hit, told = struck(made, runs, moment, lambda: killed(mortal))
            if hit:
                mortal.start()
                assert not told or told.endswith(": the connection broke"), told
                check(mortal, book, runs, count, acknowledged=not told)


def killed(server: Server) -> bool:
    server.kill()
    return True


def test_entries_committed_late_are_not_missed(counting: Counting, postgres: Server) -> None:
    words = "21", "hub commits late", "another machine's transaction held open over an exchange"
    bench, office = chain("bench", 30), chain("office", 20)
    with counting.fault(*words, 20) as count:
        for made in hub_on(postgres, count.rng):
            if count.passed == count.asked:
                break
            having = Having()
            late = count.rng.randrange(1, len(bench))
            made.send(run("bench", bench[:late]))
            with closing(made.open()) as hub:
                with held_open(made, bench[late:]) as finish:
                    made.send(run("office", office))
                    having.fetch_all(hub)
                    assert having.entries.keys() == set(ids(office + bench[:late]))
                    finish()
                having.fetch_all(hub)
            assert having.entries.keys() == set(ids(office + bench))
            count.passed += 1


def test_a_hub_put_back_from_an_older_copy_is_noticed_and_filled_again(
    counting: Counting, postgres: Server, tmp_path: Path
) -> None:
    words = "21", "hub put back from an old copy", "pg_dump, more lines, the dump put back"
    with counting.fault(*words, 10) as count:
        for made in hub_on(postgres, count.rng):
            if count.passed == count.asked:
                break
            bench = Machine(f"bench-{count.passed}", tmp_path)
            for number in range(count.rng.randrange(1, 6)):
                bench.note(f"before {number}")
            bench.sync(made.open())
            dump = made.server.run("pg_dump", "-n", made.schema, "postgres").decode()
            for number in range(count.rng.randrange(1, 6)):
                bench.note(f"after {number}")
            seen = bench.sync(made.open()).tips
            whole = made.open().inventory()
            for hub in made.hubs:
                hub.close()
            made.owner.execute(f"DROP SCHEMA {made.schema} CASCADE".encode())
            restored(made.server, dump)
            assert made.open().inventory().tips != whole.tips
            noticed = bench.sync(made.open(), seen=seen)
            assert noticed.backwards == list(whole.tips)
            assert made.open().inventory() == whole
            assert made.count() == len(bench.journal())
            count.passed += 1
