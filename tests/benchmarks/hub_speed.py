"""Sending to a hub and fetching from it, against PostgreSQL's bare bulk commands, in one run.

    python tests/benchmarks/hub_speed.py [ENTRIES] [--runs N]

The server is the newest found, with fsync. The peers have the entries' columns ready in memory:
COPY into a temporary table, then INSERT .. SELECT .. ON CONFLICT DO NOTHING into a table with the
same columns and the same key but no rule; and COPY of the bodies out of it. Ours gets runs of
bodies and must find out what is lacking, hash, check every chain and keep heads.
"""

from __future__ import annotations

import argparse
import hashlib
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import psycopg

from logbook.journal.entry import decode
from logbook.sync.hub import init, open_hub
from logbook.sync.place import Run
from tests.postgres import found, serving
from tests.sync.chains import Having, chain, run

WRITERS = 20
LEAST_SENDING, LEAST_FETCHING, MOST_INVENTORY_MS = 0.6, 0.3, 100
BARE = """
    DROP TABLE IF EXISTS bare;
    CREATE TABLE bare (writer bytea, seq bigint, id bytea, prev bytea, body bytea,
        at timestamptz DEFAULT now(), PRIMARY KEY (writer, seq, id));
"""
Row = tuple[bytes, int, bytes, bytes | None, bytes]


def bare_rows(runs: Sequence[Run]) -> list[Row]:
    """The columns of every entry."""
    rows: list[Row] = []
    for one in runs:
        prev = decode(one.bodies[0]).prev
        before = bytes.fromhex(prev) if prev else None
        for seq, body in enumerate(one.bodies, decode(one.bodies[0]).seq):
            name = hashlib.sha256(body).digest()
            rows.append((bytes.fromhex(one.writer), seq, name, before, body))
            before = name
    return rows


def bare_send(url: str, rows: Sequence[Row]) -> None:
    """The least that puts the entries into a table."""
    with psycopg.connect(url) as connection, connection.cursor() as cursor:
        cursor.execute(
            "CREATE TEMPORARY TABLE arriving (writer bytea, seq bigint, id bytea, prev bytea, "
            "body bytea) ON COMMIT DROP"
        )
        with cursor.copy("COPY arriving FROM STDIN (FORMAT binary)") as copy:
            copy.set_types(["bytea", "int8", "bytea", "bytea", "bytea"])
            for row in rows:
                copy.write_row(row)
        cursor.execute(
            "INSERT INTO bare (writer, seq, id, prev, body) SELECT * FROM arriving "
            "ON CONFLICT DO NOTHING"
        )


def bare_fetch(url: str) -> int:
    """The least that reads them out again; how many."""
    query = "COPY (SELECT body FROM bare ORDER BY writer, seq) TO STDOUT (FORMAT binary)"
    with psycopg.connect(url) as connection, connection.cursor().copy(query) as copy:
        copy.set_types(["bytea"])
        return sum(1 for _ in copy.rows())


def seconds(act: Callable[[], object]) -> float:
    """How long it took."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def main() -> None:
    """Take turns, and print medians and ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("entries", nargs="?", type=int, default=200_000)
    parser.add_argument("--runs", type=int, default=3)
    asked = parser.parse_args()
    each = asked.entries // WRITERS
    runs = []
    for number in range(WRITERS):
        name = f"machine {number}"
        bodies = chain(name, each)
        runs += [run(name, bodies[at : at + 1_000]) for at in range(0, each, 1_000)]
    rows = bare_rows(runs)
    taken: dict[str, list[float]] = {}
    for server in serving(found()[-1], durable=True):
        for number in range(asked.runs):
            for name, took in turn(server.url(), f"{number:016x}", runs, rows):
                taken.setdefault(name, []).append(took)
    told(len(rows), {name: statistics.median(some) for name, some in taken.items()})


def turn(
    url: str, book: str, runs: Sequence[Run], rows: Sequence[Row]
) -> Iterator[tuple[str, float]]:
    """Ours and the bare way, each once, into empty tables: names and seconds."""
    init(url, book, "bench", "bench")
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(BARE)
        connection.execute("CHECKPOINT")
    with closing(open_hub(url, book)) as hub:
        yield "bare send", seconds(lambda: bare_send(url, rows))
        yield "send", seconds(lambda: hub.send(runs))
        yield "inventory", seconds(hub.inventory)
        yield "bare fetch", seconds(lambda: bare_fetch(url))
        yield "fetch", seconds(lambda: sum(len(one.bodies) for one in hub.fetch(Having())))
        yield "send again", seconds(lambda: hub.send(runs))


def told(count: int, took: dict[str, float]) -> None:
    """Print how it went against the goals."""
    for name, least in (("send", LEAST_SENDING), ("fetch", LEAST_FETCHING)):
        share = took[f"bare {name}"] / took[name]
        print(
            f"hub {name:<5} {took[name]:7.3f} s for {count} entries against "
            f"{took[f'bare {name}']:7.3f} s: {share:4.0%} of the bare rate "
            f"(goal {least:.0%}: {'met' if share >= least else 'MISSED'})"
        )
    print(f"hub send of what is there already: {took['send again']:.3f} s")
    inventory = took["inventory"] * 1000
    verdict = "met" if inventory <= MOST_INVENTORY_MS else "MISSED"
    print(f"hub inventory {inventory:.1f} ms (goal {MOST_INVENTORY_MS} ms: {verdict})")


if __name__ == "__main__":
    main()
