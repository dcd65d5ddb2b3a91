"""The store of every release so far opens in this one: kept beside, upgraded, its answers equal.

The stores and the answers beside them were written by the releases named, from an invented season.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logbook import __version__, config
from logbook.book.checking import check_store
from logbook.errors import StoreError
from logbook.store import projections, schemas
from tests.program import Program, Said
from tests.store.test_database import without_rights

GOLDEN = sorted((Path(__file__).parent / "golden").glob("store-*.db.gz"))
ON = "2026-03-22T09:00+01:00"
NEWEST = schemas.SCHEMA


def release(packed: Path) -> str:
    """The release that wrote a golden store."""
    return packed.name.removeprefix("store-").removesuffix(".db.gz")


def unpack(packed: Path, to: Path) -> Path:
    """The golden store as a file of its own."""
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_bytes(gzip.decompress(packed.read_bytes()))
    return to


def rows(path: Path, query: str) -> list[tuple[Any, ...]]:
    """What a store says, asked past the program."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def entries(path: Path) -> list[tuple[Any, ...]]:
    """The journal of a store, byte for byte."""
    return rows(path, "SELECT id, writer, seq, act, body FROM entry ORDER BY writer, seq, id")


def schema(path: Path) -> str:
    """The schema that a store names."""
    return str(rows(path, "SELECT version_num FROM alembic_version")[0][0])


def dump(path: Path) -> list[str]:
    """Everything in a store, as SQL."""
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


# Sentences: a later release may word them otherwise, but not fall silent.
WORDED = {"notes", "reason"}


def holds(golden: Any, found: Any, at: str = "") -> None:
    """Every value of the golden answer stands in the new one; a new one may say more."""
    if at.rpartition(".")[2] in WORDED:
        assert bool(found) == bool(golden), f"{at} is gone"
    elif isinstance(golden, dict):
        for name, value in golden.items():
            assert name in found, f"{at}.{name} is gone"
            holds(value, found[name], f"{at}.{name}")
    elif at.endswith(".fits"):
        shapes = {one["shape"]: one for one in found}
        for one in golden:
            holds(one, shapes[one["shape"]], f"{at}.{one['shape']}")
    elif isinstance(golden, list):
        assert len(golden) == len(found), at
        for place, value in enumerate(golden):
            holds(value, found[place], f"{at}[{place}]")
    elif isinstance(golden, float):
        assert found == pytest.approx(golden, rel=1e-9, abs=1e-12), at
    else:
        assert golden == found, at


@pytest.fixture(params=GOLDEN, ids=release)
def packed(request: pytest.FixtureRequest) -> Path:
    """Each golden store in turn."""
    return Path(request.param)


@pytest.fixture
def old(packed: Path, program: Program) -> Program:
    """The program with the golden store as its store."""
    unpack(packed, program.store)
    return program


@pytest.fixture
def first(program: Program) -> Program:
    """The program with the store of the first release, the oldest schema there is."""
    unpack(GOLDEN[0], program.store)
    assert schema(program.store) == schemas.SCHEMAS[0] != NEWEST
    return program


def kept(program: Program) -> list[str]:
    """The names of the stores beside the store."""
    return sorted(one.name for one in program.folder.glob("logbook-*"))


UPGRADED = (
    f"Note: logbook.db was upgraded from schema 0001 to {NEWEST}; "
    f"it was kept as logbook-before-{NEWEST}-from-0001.db.\n"
)


def test_there_is_a_golden_store_of_the_first_release() -> None:
    assert GOLDEN[0].name == "store-0.1.0.db.gz"
    assert len({release(packed) for packed in GOLDEN}) == len(GOLDEN)


READING: list[list[str]] = [
    ["today"],
    ["curve"],
    ["history", "B1"],
    ["trial", "list"],
    ["compare"],
]


@pytest.mark.parametrize("words", READING[:2], ids=" ".join)
def test_a_reading_command_upgrades_an_older_store_and_says_so_in_one_line(
    first: Program, words: list[str]
) -> None:
    before = dump(first.store)
    journal = entries(first.store)
    said = first.must(*words, on=ON)
    assert said.err == UPGRADED
    assert "upgraded" not in said.out and said.out.strip()
    assert schema(first.store) == NEWEST
    assert entries(first.store) == journal
    (name,) = kept(first)
    assert dump(first.folder / name) == before
    assert check_store(first.store) == []
    assert first.must(*words, on=ON) == Said(0, said.out, "")
    assert kept(first) == [name]


def test_an_act_upgrades_an_older_store_first(first: Program) -> None:
    journal = entries(first.store)
    said = first.must("note", "opened later", on=ON)
    assert said.err.startswith(UPGRADED)
    assert [one for one in entries(first.store) if one in journal] == journal
    assert entries(first.folder / kept(first)[0]) == journal


def test_the_answers_of_the_release_still_hold(old: Program, packed: Path) -> None:
    answers = json.loads(
        packed.with_name(f"answers-{release(packed)}.json").read_text(encoding="utf-8")
    )
    journal = entries(old.store)
    holds(answers["board"], json.loads(old.must("today", "--json", on=ON).out))
    holds(answers["curves"], json.loads(old.must("curve", "--json", on=ON).out))
    assert entries(old.store) == journal
    assert check_store(old.store) == []


def test_what_is_compared_with_the_answers_can_differ() -> None:
    holds({"a": [1.0, "x"]}, {"a": [1.0 + 1e-12, "x"], "b": 2})
    for other in ({}, {"a": [1.0]}, {"a": [1.1, "x"]}, {"a": [1.0, "y"]}):
        with pytest.raises(AssertionError):
            holds({"a": [1.0, "x"]}, other)
    holds({"notes": ["spilled"]}, {"notes": ["spilled on day 3"]})
    with pytest.raises(AssertionError):
        holds({"notes": ["spilled"]}, {"notes": []})


def key_file(program: Program) -> config.Replica:
    """The key file of the golden store's writer on its machine; the private key is invented."""
    ((writer,),) = rows(program.store, "SELECT value FROM local WHERE name = 'writer'")
    ((seq, name),) = rows(
        program.store,
        f"SELECT seq, id FROM entry WHERE writer = '{writer}' ORDER BY seq DESC LIMIT 1",
    )
    ((public,),) = rows(program.store, f"SELECT public_key FROM writer WHERE id = '{writer}'")
    replica = config.Replica(writer, "11" * 32, public, str(program.store.resolve()), seq, name)
    config.save(program.folder / "state", replica)
    return replica


def test_the_writer_goes_on_with_its_chain_where_its_key_is(old: Program) -> None:
    writers = {writer for _, writer, *_ in entries(old.store)}
    replica = key_file(old)
    said = old.must("note", "the same hand", on=ON)
    assert "new writer" not in said.err
    assert {writer for _, writer, *_ in entries(old.store)} == writers
    mine = f"SELECT body FROM entry WHERE writer = '{replica.writer}' ORDER BY seq DESC LIMIT 1"
    newest = rows(old.store, mine)[0][0]
    assert (json.loads(newest)["seq"], json.loads(newest)["prev"]) == (replica.seq + 1, replica.id)
    assert check_store(old.store) == []


def test_without_its_key_another_writer_follows(old: Program) -> None:
    before = {writer for _, writer, *_ in entries(old.store)}
    said = old.must("note", "another hand", on=ON)
    assert said.err.endswith("Note: this store came from elsewhere: writing as a new writer.\n")
    assert len({writer for _, writer, *_ in entries(old.store)} - before) == 1
    assert check_store(old.store) == []


def test_the_version_of_the_program_that_wrote_last_is_kept(old: Program) -> None:
    old.must("note", "x", on=ON)
    assert rows(old.store, "SELECT value FROM local WHERE name = 'program'") == [(__version__,)]


def test_a_second_upgrade_keeps_the_first_ones_copy(first: Program) -> None:
    first.must("today", on=ON)
    unpack(GOLDEN[0], first.store)
    said = first.must("today", on=ON)
    assert kept(first) == [
        f"logbook-before-{NEWEST}-from-0001-2.db",
        f"logbook-before-{NEWEST}-from-0001.db",
    ]
    assert said.err == UPGRADED.replace("from-0001.db", "from-0001-2.db")


def test_verify_leaves_an_older_store_as_it_is(first: Program) -> None:
    before = first.store.read_bytes()
    said = first.must("verify", on=ON)
    assert said.out == (
        f"{first.store}: no problems found\n"
        "Its tables are of schema 0001 and were not compared: another command makes them anew.\n"
    )
    assert first.store.read_bytes() == before
    assert kept(first) == []


# Where an upgrade cannot be, and where one ends half-way.


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
@pytest.mark.parametrize("mode", ["folder", "both"])
def test_an_older_store_in_a_read_only_folder(first: Program, mode: str) -> None:
    for parent in first.folder.parents:
        if parent.stat().st_uid == os.geteuid() and parent != Path("/"):
            parent.chmod(parent.stat().st_mode | 0o055)
    folder = first.folder / "shared"
    store = unpack(GOLDEN[0], folder / "logbook.db")
    store.chmod(0o444 if mode == "both" else 0o666)
    folder.chmod(0o555)
    before = store.read_bytes()
    first.folder.chmod(0o755)
    try:
        with without_rights():
            said = first("--store", str(store), "today", on=ON)
    finally:
        folder.chmod(0o755)
    assert (said.code, said.out) == (2, "")
    error, hint = said.err.splitlines()
    assert error.startswith(
        f"Error: {store}: a store of schema 0001 must be upgraded to {NEWEST} before it can be "
        "used, which failed: "
    )
    assert error.endswith("; it is as it was")
    assert hint == (
        "Try: make its folder writable, or copy it to another and name it with --store FILE"
    )
    assert store.read_bytes() == before
    assert [one.name for one in folder.iterdir()] == ["logbook.db"]


def test_an_upgrade_that_fails_in_the_rebuild_leaves_the_older_store(
    first: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = dump(first.store)
    fold = projections.rebuild

    def broken(connection: Any) -> None:
        fold(connection)
        raise StoreError(f"{first.store}: the disk is full: nothing was written")

    with monkeypatch.context() as patch:
        patch.setattr(projections, "rebuild", broken)
        said = first("today", on=ON)
    assert said.code == 2
    assert said.err.splitlines()[0] == (
        f"Error: {first.store}: a store of schema 0001 must be upgraded to {NEWEST} before it can "
        "be used, which failed: the disk is full: nothing was written; it is as it was"
    )
    assert dump(first.store) == before
    assert "was upgraded" in first.must("today", on=ON).err
    assert check_store(first.store) == []


KILLED = """
import sys
from logbook.cli.run import run
from logbook.store import projections

fold = projections.rebuild

def halted(connection):
    connection.exec_driver_sql("PRAGMA cache_size = 5")
    fold(connection)
    connection.exec_driver_sql("UPDATE result SET method = method || hex(zeroblob(20000))")
    print("folded", flush=True)
    sys.stdin.readline()

projections.rebuild = halted
run(["--store", sys.argv[1], "today"])
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is POSIX's")
def test_a_program_killed_in_the_upgrade_leaves_the_older_store(first: Program) -> None:
    before, size = dump(first.store), first.store.stat().st_size
    halted = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(first.store)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert halted.stdout is not None and halted.stdout.readline() == "folded\n"
    halted.send_signal(signal.SIGKILL)
    halted.communicate()
    # Pages of the upgraded store were in the file already.
    assert first.store.stat().st_size > size
    assert Path(f"{first.store}-journal").exists()
    aside = first.folder / "aside"
    aside.mkdir()
    for name in ("logbook.db", "logbook.db-journal"):
        shutil.copy(first.folder / name, aside / name)
    assert dump(aside / "logbook.db") == before
    said = first.must("today", on=ON)
    assert f"logbook-before-{NEWEST}-from-0001-2.db" in said.err
    assert all(dump(first.folder / name) == before for name in kept(first))
    assert check_store(first.store) == []


def test_two_programs_that_upgrade_at_once_keep_one_copy(first: Program) -> None:
    command = [sys.executable, "-m", "logbook", "--store", str(first.store), "today", "--on"]
    both = [
        subprocess.Popen([*command, "2026-03-22"], stderr=subprocess.PIPE, stdout=subprocess.PIPE)
        for _ in range(2)
    ]
    said = [one.communicate()[1].decode() for one in both]
    assert [one.returncode for one in both] == [0, 0]
    assert sorted(said) == ["", UPGRADED]
    assert len(kept(first)) == 1
    assert check_store(first.store) == []


# A store of a program that is newer than this one.


@pytest.mark.parametrize(
    "words",
    [
        *READING,
        ["verify"],
        ["note", "x"],
        ["undo"],
        ["lab", "results"],
        ["backup", "copy.db"],
        ["trial", "start", "trial.toml"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("signed", ["0.9.0", None])
def test_a_newer_store_is_refused_with_both_versions_named(
    started: Program, words: list[str], signed: str | None
) -> None:
    with closing(sqlite3.connect(started.store)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.execute("DELETE FROM local WHERE name = 'program'")
        if signed:
            connection.execute("INSERT INTO local VALUES ('program', ?)", (signed,))
        connection.commit()
    before = {one: one.read_bytes() for one in started.folder.rglob("*") if one.is_file()}
    said = started(*words, on=ON)
    by = f", program {signed}" if signed else ""
    assert said == Said(
        3,
        "",
        f"Error: {started.store}: written by a newer version (schema 9999{by}; this is program "
        f"{__version__}, which knows schema {NEWEST})\n"
        "Try: install the newer version of the program on this machine\n",
    )
    assert before == {one: one.read_bytes() for one in started.folder.rglob("*") if one.is_file()}


def test_restoring_a_newer_store_is_refused(started: Program) -> None:
    started.must("backup", "copy.db")
    with closing(sqlite3.connect("copy.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    before = started.store.read_bytes()
    said = started("restore", "copy.db", "--yes")
    assert said.code == 3
    assert said.err.startswith("Error: copy.db: written by a newer version (schema 9999, program ")
    assert started.store.read_bytes() == before


def test_a_backup_and_a_restore_of_an_older_store(first: Program) -> None:
    """A backup is of the store as it is; what is restored has this program's tables."""
    before = dump(first.store)
    journal = entries(first.store)
    said = first.must("backup", "copy.db", on=ON)
    assert said.err == ""
    assert dump(Path("copy.db")) == before == dump(first.store)
    first.store.unlink()
    said = first.must("restore", "copy.db", on=ON)
    assert said.out.startswith(f"{first.store}: restored {len(journal)} entries from copy.db\n")
    assert "No key of this book's machines is here: " in said.out, "none came with the store"
    assert schema(first.store) == NEWEST
    assert entries(first.store) == journal
    assert check_store(first.store) == []
