"""Clocks that are wrong: the same lines stand as with a right one, and the clock is told of.

The same acts are written under clocks that go right, a year behind, in 2099, an hour off around a
change to summer time, or jump in the middle. What was done when is said by each act; the clock is
only data. What stands must not differ in anything but that data.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from logbook.book import corrections, writing
from logbook.journal.entry import decode
from logbook.trial import records
from logbook.trial.times import When
from tests.faults.counting import Counting
from tests.faults.killing import must_be_sound
from tests.program import Program

# The last Sunday of March 2026: 02:00 becomes 03:00 in central Europe (EU directive 2000/84/EC).
START = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
STEPS = 40
Clock = Callable[[int], datetime]


def right(step: int) -> datetime:
    """Every six minutes an act."""
    return START + timedelta(minutes=6 * step)


CLOCKS: dict[str, Clock] = {
    "a year behind": lambda step: right(step) - timedelta(days=365),
    "in 2099": lambda step: right(step).replace(year=2099),
    "an hour off, as if summer time had not begun": lambda step: right(step) - timedelta(hours=1),
    "a year back in the middle": lambda step: right(step) - timedelta(days=365 * (step >= 20)),
    "to 2099 and back": lambda step: right(step).replace(year=2099 if 10 <= step < 30 else 2026),
    "standing still": lambda _: START,
    "running backwards": lambda step: START - timedelta(minutes=6 * step),
}


def act(book: writing.Book, step: int, rng: Random) -> None:
    """One act: a watering written, corrected, struck, or the last act undone."""
    what = rng.choice(["water", "water", "water", "correct", "strike", "undo"])
    beds = [key for key, _ in _standing(book)]
    if what == "water" or not beds:
        line = records.Watering("b1", When(START.date()), rng.randint(1, 9) * 100, "metered", "")
        book.record("water", [(f"water/K{step:03d}/b1", line)])
    elif what == "correct":
        corrections.correct(book, rng.choice(beds), {"volume_ml": str(rng.randint(1, 9))}, "slip")
    elif what == "strike":
        corrections.strike(book, [rng.choice(beds)], "other bed")
    else:
        corrections.undo(book)


def _standing(book: writing.Book) -> list[tuple[str, Any]]:
    keys = [key for (key,) in book.connection.exec_driver_sql("SELECT DISTINCT key FROM write")]
    values = book.values(sorted(key for key in keys if key.startswith("water/")))
    return [(key, value) for key, value in sorted(values.items()) if value is not None]


def lived(folder: Path, clock: Clock) -> list[tuple[str, int, Any]]:
    """The live writes after all acts under a clock: key, number of the entry, value."""
    rng = Random(20260329)
    store = folder / "logbook.db"
    for step in range(STEPS):
        with writing.opened(
            store, folder / "keys", by="mira", now=clock(step), choose=rng.choice
        ) as book:
            act(book, step, rng)
    must_be_sound(store)
    with closing(sqlite3.connect(store)) as connection:
        rows = connection.execute(
            "SELECT key, seq, body FROM write JOIN entry ON entry.id = write.entry "
            "WHERE live = 1 AND key LIKE 'water/%' ORDER BY key, seq"
        ).fetchall()
    found = []
    for key, seq, body in rows:
        (value,) = [write.value for write in decode(body).writes if write.key == key]
        found.append((key, seq, value))
    return found


@pytest.mark.long
def test_the_same_lines_stand_under_every_clock(tmp_path: Path, counting: Counting) -> None:
    expected = lived(tmp_path / "right", right)
    assert len(expected) > 10
    how = f"{STEPS} acts, corrections, strikes and undos under each wrong clock"
    with counting.fault("15", "wrong clocks", how, len(CLOCKS), always=True) as count:
        for name, clock in CLOCKS.items():
            assert lived(tmp_path / name, clock) == expected, name
            count.passed += 1
            count.saw["live lines, each as with a right clock"] += len(expected)


RIGHT = "2026-03-05T09:00+01:00"


@pytest.mark.parametrize(
    ("wrong", "then", "afterwards"),
    [
        ("2099-03-05T09:00+01:00", (True, False), (False, True)),
        ("2025-03-05T09:00+01:00", (False, True), (False, False)),
        ("2026-03-05T10:00+01:00", (False, False), (False, False)),
    ],
)
def test_a_wrong_clock_is_told_of(
    started: Program, wrong: str, then: tuple[bool, bool], afterwards: tuple[bool, bool]
) -> None:
    """`machines` shows what the lines themselves say of their clock; an hour is a zone."""
    started.must("note", "x", on=RIGHT)
    assert flags(started) == (False, False)
    started.must("note", "x", on=wrong)
    assert flags(started) == then
    started.must("note", "x", on=RIGHT)
    assert flags(started) == afterwards
    assert started.must("verify", on=RIGHT).code == 0, "a clock is no damage"


def flags(program: Program) -> tuple[bool, bool]:
    """Whether a clock is said to be ahead, and whether it is said to have gone back."""
    (one,) = json.loads(program.must("machines", "--json", on=RIGHT).out)["machines"]
    return one["clock_ahead"], one["clock_went_back_from"] is not None
