"""Tables dropped and folded again from the journal alone: the same rows, byte for byte."""

from __future__ import annotations

import gzip
import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logbook.journal.entry import decode, entry_id
from logbook.store import database, entries, projections
from tests.faults.counting import Counting
from tests.program import Program
from tests.store.made import dump

GOLDEN = sorted((Path(__file__).resolve().parents[1] / "golden").glob("store-*.db.gz"))


def journal(path: Path) -> list[bytes]:
    """The bytes of every entry."""
    with closing(sqlite3.connect(path)) as store:
        return [body for (body,) in store.execute("SELECT body FROM entry ORDER BY writer, seq")]


def digest(path: Path) -> str:
    """One number for every row of every folded table."""
    with database.writing(path) as connection:
        return hashlib.sha256(repr(dump(connection)).encode()).hexdigest()


def folded(path: Path, bodies: list[bytes]) -> str:
    """The digest of a new store that is given these entries, one by one, in this order."""
    with database.writing(path) as connection:
        for body in bodies:
            entry = decode(body)
            entries.append(connection, [(entry_id(body), entry, body)])
            projections.apply(connection, [(entry_id(body), entry)])
    return digest(path)


@pytest.mark.parametrize("packed", GOLDEN, ids=lambda path: path.name)
def test_the_journal_of_every_release_folds_to_one_state(
    packed: Path, program: Program, counting: Counting
) -> None:
    program.store.write_bytes(gzip.decompress(packed.read_bytes()))
    bodies = journal(program.store)
    program.must("today", on="2026-06-01T09:00+02:00")
    assert journal(program.store) == bodies, "an upgrade leaves the journal as it is"
    upgraded = digest(program.store)
    how = "the journal of each release, upgraded, rebuilt, and folded anew in another order"
    with counting.fault("10", "rebuild", how, 3) as count:
        for n in range(count.asked):
            with database.writing(program.store) as connection:
                projections.rebuild(connection)
            assert digest(program.store) == upgraded
            shuffled = count.rng.sample(bodies, len(bodies))
            assert folded(program.folder / f"anew-{n}.db", shuffled) == upgraded
            count.saw["entries folded"] += 2 * len(bodies)
            count.passed += 1
