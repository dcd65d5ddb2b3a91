"""Large stores out of the demo's season: copies of its journal with other ids, a year apart each.

    python seasons.py realistic|stress|samples FOLDER

writes FOLDER/logbook.db, its writer's key in FOLDER/state, and for `samples` FOLDER/report.csv.
The lines of a copy are those of the demo's mix of acts; only ids, codes, report numbers, dates and
the trial's name differ. They are filed as one writer's chain and folded once at the end.
"""

from __future__ import annotations

import csv
import hashlib
import math
import random
import re
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from logbook.book import writing
from logbook.cli.demo import play
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Write
from logbook.store import entries, projections
from logbook.trial import codes

_ID = re.compile(r"\b[0-9a-f]{12}\b")
_CODE = re.compile(rf"\b[{codes.ALPHABET}]{{8}}\b")
_DAY = re.compile(r"\b20\d\d-\d\d-\d\d")
RESULTS = 100_000
_BETWEEN = 52 * 7  # whole weeks, so that a copy keeps its weekdays


def demo_journal(folder: Path) -> list[tuple[str, Entry]]:
    """The demo's journal up to today, its writer's introduction left out."""
    store = folder / "demo.db"
    play(store, datetime.now(UTC))
    connection = sqlite3.connect(store)
    rows = connection.execute("SELECT id, body FROM entry ORDER BY seq").fetchall()
    connection.close()
    found = [(name, journal.decode(body)) for name, body in rows]
    return [(name, entry) for name, entry in found if entry.kind != "writer"]


def build(
    path: Path, state: Path, season: list[tuple[str, Entry]], copies: int, waterings: int = 0
) -> None:
    """A store of `copies` seasons, each with so many `waterings` more (an entry each, six beds)."""
    with writing.opened(path, state, by="bench", now=datetime.now(UTC)) as book:
        for number in reversed(range(copies)):
            batch = list(_copied(book, season, number))
            batch += list(_watered(book, batch, waterings))
            entries.append(book.connection, batch)
        projections.rebuild(book.connection)


def _copied(
    book: writing.Book, season: list[tuple[str, Entry]], number: int
) -> Iterator[tuple[str, Entry, bytes]]:
    renamed = _renaming(number)
    names: dict[str, str] = {}
    for name, entry in season:
        writes = tuple(
            Write(renamed(w.key), _renamed(renamed, w.value), tuple(names[r] for r in w.replaces))
            for w in entry.writes
        )
        act = entry.act and renamed(entry.act)
        made = _filed(book, replace(entry, writes=writes, act=act, written=renamed(entry.written)))
        names[name] = made[0]
        yield made


def _filed(book: writing.Book, entry: Entry) -> tuple[str, Entry, bytes]:
    """The entry as the next one of this book's writer."""
    here = book.replica
    chained = replace(entry, writer=here.writer, seq=here.seq + 1, prev=here.id or None, saw=None)
    body = journal.encode(chained)
    name = journal.entry_id(body)
    book.replica = replace(here, seq=chained.seq, id=name)
    return name, chained, body


def _watered(
    book: writing.Book, season: list[tuple[str, Entry, bytes]], count: int
) -> Iterator[tuple[str, Entry, bytes]]:
    """More waterings of the season, each a copy of one it has, cut to six beds."""
    models = [entry for _, entry, _ in season if entry.kind == "water"]
    draw = random.Random(len(models))
    for _ in range(count):
        model = draw.choice(models)
        code = codes.new_code(draw.choice)
        writes = [
            Write(journal.key("water", code, *journal.parts(write.key)[2:]), write.value)
            for write in draw.sample(model.writes, 6)
        ]
        yield _filed(book, replace(model, act=code, writes=tuple(writes)))


def _renaming(number: int) -> Callable[[str], str]:
    """How the texts of the `number`-th copy read; the same text always becomes the same."""
    known: dict[str, str] = {}

    def other_id(match: re.Match[str]) -> str:
        return hashlib.sha256(f"{number}/{match[0]}".encode()).hexdigest()[:12]

    def other_code(match: re.Match[str]) -> str:
        if not codes.is_valid(match[0]):
            return match[0]
        if match[0] not in known:
            known[match[0]] = codes.new_code(random.Random(f"{number}/{match[0]}").choice)
        return known[match[0]]

    def earlier(match: re.Match[str]) -> str:
        day = date.fromisoformat(match[0]) - timedelta(days=_BETWEEN * number)
        return day.isoformat()

    def renamed(text: str) -> str:
        if text.endswith("house (invented)"):
            return f"{text} {number}"
        text = re.sub(r"\bT-1", f"T{number}-1", _ID.sub(other_id, text))
        return _DAY.sub(earlier, _CODE.sub(other_code, text))

    return renamed


def _renamed(renamed: Callable[[str], str], value: Any) -> Any:
    if isinstance(value, str):
        return renamed(value)
    if isinstance(value, list):
        return [_renamed(renamed, part) for part in value]
    if isinstance(value, dict):
        return {name: _renamed(renamed, part) for name, part in value.items()}
    return value


def held_back(
    season: list[tuple[str, Entry]],
) -> tuple[list[tuple[str, Entry]], list[dict[str, Any]]]:
    """A season with the first quarter of its laboratory's reports, and the results of the others.

    Without those of samples that were measured again: they need a word that a file has not.
    """
    reports = [name for name, entry in season if entry.kind == "lab"]
    later = set(reports[len(reports) // 4 :])
    kept = [
        (name, entry)
        for name, entry in season
        if name not in later and not any(later & set(w.replaces) for w in entry.writes)
    ]
    results = [
        dict(write.value)
        for name, entry in season
        if name in later
        for write in entry.writes
        if write.key.startswith("result/") and write.value is not None and write.value["run"] == 1
    ]
    return kept, results


def write_report(path: Path, results: list[dict[str, Any]], copies: int, rows: int) -> None:
    """These results of every copy as one file of so many rows, as its laboratory would send it.

    Each copy has numbers of its own, by some 2 % others: nothing can be looked up that was worked
    out for another.
    """
    columns = ("sample", "form", "reported", "reported_unit", "method", "lab")
    with path.open("w", encoding="utf-8", newline="") as stream:
        file = csv.writer(stream)
        file.writerow(["sample", "nutrient", "value", "unit", "method", "lab"])
        for number in range(copies):
            renamed, draw = _renaming(number), random.Random(number)
            for one in results[: rows - number * len(results)]:
                cells = {**one, "sample": renamed(one["sample"])}
                cells["reported"] = _varied(one["reported"], draw)
                file.writerow([cells[name] for name in columns])


def _varied(text: str, draw: random.Random) -> str:
    """Another number with as many decimals; what is no number as it is."""
    if not text.replace(".", "", 1).isdecimal():
        return text
    decimals = len(text.partition(".")[2])
    return f"{float(text) * math.exp(draw.gauss(0.0, 0.02)):.{decimals}f}"


def main(which: str, folder: Path) -> None:
    """Build one of the stores that the benchmarks need."""
    store, state = folder / "logbook.db", folder / "state"
    season = demo_journal(folder)
    if which == "realistic":  # 10,000 entries, 30,000 results
        build(store, state, season, 14, waterings=648)
    elif which == "stress":  # 200,000 writes
        build(store, state, season, 64)
    else:  # every copy waits for most of its results
        season, results = held_back(season)
        copies = -(-RESULTS // len(results))
        build(store, state, season, copies)
        write_report(folder / "report.csv", results, copies, RESULTS)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
