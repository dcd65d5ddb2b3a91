"""A hub of many machines: what an exchange asks of it when a million entries lie there.

    python tests/benchmarks/hub_many.py [MACHINES] [ENTRIES_OF_EACH]

Printed are medians in milliseconds, what eight machines at once reach, and the size on the server's
disk. The server is the newest found, with fsync.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import psycopg

from logbook.sync.hub import Hub, init, open_hub
from logbook.sync.place import Head, Inventory, Known, Tip
from tests.postgres import found, serving
from tests.sync.chains import chain, run

BOOK = "ab" * 8
LOT = 100


@dataclass
class Before(Known):
    """A machine that has all that the hub had at an inventory."""

    had: Inventory

    def tips(self, writer: str) -> frozenset[Tip]:
        return self.had.tips.get(writer, frozenset())

    def has(self, entry: str) -> bool:
        return any(entry == name for tips in self.had.tips.values() for _, name in tips)

    def has_head(self, head: Head) -> bool:
        return head in self.had.heads


def took(act: Callable[[int], object], times: int = 7) -> float:
    """The median of some times, in milliseconds; `act` is told which time it is."""
    seconds = []
    for number in range(times):
        start = time.perf_counter()
        act(number)
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds) * 1000


def main() -> None:
    """Fill a hub, then exchange with it as one of its machines."""
    machines, each = (int(word) for word in [*sys.argv[1:], "1000", "1000"][:2])
    for server in serving(found()[-1], durable=True):
        init(server.url(), BOOK, "bench", "bench")
        with closing(open_hub(server.url(), BOOK)) as hub:
            filled(hub, machines, each)
            asked(server.url(), hub, each)
        crowded(server.url(), each)
        with psycopg.connect(server.url()) as connection:
            for table in ("entry", "head"):
                row = connection.execute(
                    "SELECT pg_table_size(%(t)s::regclass), pg_indexes_size(%(t)s::regclass)",
                    {"t": f"logbook_{BOOK[:12]}.{table}"},
                ).fetchone()
                assert row is not None
                print(f"{table}: {row[0] / 2**20:.0f} MB, indexes {row[1] / 2**20:.0f} MB")


def filled(hub: Hub, machines: int, each: int) -> None:
    """Send every machine's entries, some machines at a time."""
    start = time.perf_counter()
    for first in range(0, machines, LOT):
        names = [f"machine {number}" for number in range(first, min(first + LOT, machines))]
        hub.send([run(name, chain(name, each), signed=True) for name in names])
    print(f"{machines} machines, {machines * each} entries, {time.perf_counter() - start:.0f} s")


def asked(url: str, hub: Hub, each: int) -> None:
    """What one machine's exchange asks."""
    longer = chain("machine 0", each + 7)
    before = Before(hub.inventory())

    def opens(_: int) -> None:
        with closing(open_hub(url, BOOK)) as fresh:
            fresh.inventory()

    def sends(number: int) -> None:
        hub.send([run("machine 0", longer[each + number : each + number + 1], signed=True)])

    print(f"inventory {took(lambda _: hub.inventory()):.1f} ms")
    print(f"open and inventory {took(opens):.1f} ms")
    print(f"send an entry {took(sends):.1f} ms")
    print(f"fetch seven new entries {took(lambda _: list(hub.fetch(before))):.1f} ms")


def crowded(url: str, each: int, at_once: int = 8, turns: int = 10) -> None:
    """Some machines exchange at the same time, a new connection, entry and head for each turn."""

    def exchanges(number: int) -> None:
        name = f"machine {number}"
        longer = chain(name, each + turns)
        for turn in range(turns):
            with closing(open_hub(url, BOOK)) as hub:
                before = Before(hub.inventory())
                at = each + turn
                hub.send([run(name, longer[at : at + 1], signed=True)])
                for _ in hub.fetch(before):
                    pass

    start = time.perf_counter()
    with ThreadPoolExecutor(at_once) as pool:
        list(pool.map(exchanges, range(1, at_once + 1)))
    rate = at_once * turns / (time.perf_counter() - start)
    print(f"{at_once} machines at once: {rate:.0f} exchanges a second")


if __name__ == "__main__":
    main()
