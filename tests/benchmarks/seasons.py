"""Large stores out of the demo's season: copies of its journal with other ids, a year apart each.

    python seasons.py realistic|stress|samples FOLDER

writes FOLDER/logbook.db, its writer's key in FOLDER/state, and for `samples` FOLDER/report.csv.
The lines of a copy are those of the demo's mix of acts; only ids, codes, report numbers, dates and
the trial's name differ. They are filed as one writer's chain and folded once at the end.
"""

from __future__ import annotations

import hashlib
import itertools
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
        if text.endswith("(invented)"):
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


def add_samples(store: Path, state: Path, report: Path, rows: int) -> None:
    """File pulls for `rows` results of the trial's nutrients, and write those results as CSV."""
    draw = random.Random(rows)
    connection = sqlite3.connect(store)
    followed = connection.execute("SELECT analyte, method FROM followed ORDER BY id").fetchall()
    connection.close()
    wanted = -(-rows // len(followed))
    with writing.opened(store, state, by="bench", now=datetime.now(UTC)) as book:
        sample = book.connection.exec_driver_sql("SELECT id FROM pull ORDER BY id LIMIT 1").scalar()
        model = dict(book.values([f"pull/{sample}"])[f"pull/{sample}"] or {})
        made = {codes.new_code(draw.choice) for _ in range(wanted)}
        pulls = [(f"pull/{code}", model | {"code": code, "again": "bench"}) for code in made]
        book.write("pull", pulls)
    units = {"pH": "", "EC": "dS/m"}
    with report.open("w", encoding="utf-8", newline="") as file:
        file.write("sample,nutrient,value,unit,method,lab\n")
        lines = ((code, *pair) for code in sorted(made) for pair in followed)
        for code, analyte, method in itertools.islice(lines, rows):
            value = f"{draw.uniform(4, 9):.2f}"
            unit = units.get(analyte, "mg/kg")
            file.write(f"{code},{analyte},{value},{unit},{method},Bench lab (invented)\n")


def main(which: str, folder: Path) -> None:
    """Build one of the stores that the benchmarks need."""
    store, state = folder / "logbook.db", folder / "state"
    season = demo_journal(folder)
    if which == "realistic":  # 10,000 entries, 30,000 results
        build(store, state, season, 14, waterings=648)
    elif which == "stress":  # 200,000 writes
        build(store, state, season, 64)
    else:
        build(store, state, season, 1)
        add_samples(store, state, folder / "report.csv", rows=100_000)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
