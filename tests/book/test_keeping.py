"""`backup` and `restore` as people type them: what is copied, what is refused, what stays."""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import sys
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from logbook.book import keeping, writing
from logbook.book.checking import check_store
from logbook.store import backups, causes, views
from logbook.trial import records
from logbook.trial.times import When
from tests.program import Program, Said

LATER = "2026-03-05T09:00+01:00"
KEPT = "logbook-before-restore.db"
HOT = ("logbook.db", "logbook.db-journal")


def entries(path: Path) -> list[tuple[Any, ...]]:
    """Writer, number, id and bytes of every entry of a store, asked past the program."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(
            "SELECT writer, seq, id, body FROM entry ORDER BY writer, seq, id"
        ).fetchall()


def damage(path: Path, script: str) -> None:
    """Do to a store what the program never does."""
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(script)


def notes(program: Program, first: int, last: int) -> None:
    """Write notes, an act and a transaction each."""
    now = datetime.fromisoformat(LATER)
    for n in range(first, last):
        with writing.opened(program.store, program.folder / "state", by="mira", now=now) as book:
            code = book.new_code()
            line = records.Note("t", When(now.date()), f"line {n}")
            book.record("note", [(f"note/{code}/t", line)], code=code)


def files(program: Program) -> dict[str, bytes]:
    """Every file of the folder with its bytes."""
    return {
        str(one.relative_to(program.folder)): one.read_bytes()
        for one in program.folder.rglob("*")
        if one.is_file()
    }


def never_twice(*stores: Path) -> None:
    """No number of a writer stands for two entries, over all these stores together."""
    seen: dict[tuple[str, int], str] = {}
    for path in stores:
        for writer, seq, name, _ in entries(path):
            assert seen.setdefault((writer, seq), name) == name, f"{writer} used {seq} twice"


def test_a_backup_is_the_whole_store_and_says_how_much(started: Program) -> None:
    said = started.must("backup", "copy.db")
    copy = started.folder / "copy.db"
    held = entries(started.store)
    assert said == Said(0, f"copy.db: {len(held)} entries, {copy.stat().st_size} bytes\n", "")
    assert entries(copy) == held
    assert check_store(copy) == []
    assert not [one for one in started.folder.iterdir() if one.name.endswith(".part")]


def test_a_backup_is_made_while_another_program_writes(started: Program) -> None:
    held = entries(started.store)
    with closing(sqlite3.connect(started.store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("INSERT INTO local VALUES ('half', 'written')")
        started.must("backup", "copy.db")
        other.execute("ROLLBACK")
    assert entries(started.folder / "copy.db") == held
    with closing(sqlite3.connect("copy.db")) as copy:
        assert copy.execute("SELECT * FROM local WHERE name = 'half'").fetchall() == []


@pytest.mark.parametrize(
    ("to", "said"),
    [
        (
            "taken.txt",
            "Error: taken.txt: there is a file of that name already\nTry: choose another name\n",
        ),
        ("state", "Error: state: this is a folder\nTry: name a new file in it\n"),
        ("logbook.db", None),
        (
            "nowhere/copy.db",
            "Error: nowhere/copy.db: there is no folder nowhere\nTry: make it first\n",
        ),
    ],
)
def test_where_a_backup_cannot_go(started: Program, to: str, said: str | None) -> None:
    (started.folder / "taken.txt").write_text("a list of seeds")
    before = files(started)
    told = said or (
        "Error: logbook.db: there is a file of that name already\nTry: choose another name\n"
    )
    assert started("backup", to) == Said(2, "", told)
    assert files(started) == before


def test_what_cannot_be_backed_up(program: Program) -> None:
    assert program("backup", "copy.db") == Said(
        2, "", f"Error: {program.store}: there is no logbook here yet\nTry: {views.FIRST}\n"
    )
    assert program("verify") == program("backup", "copy.db")
    program.store.write_text("no database at all" * 100)
    assert program("backup", "copy.db") == Said(
        2,
        "",
        f"Error: {program.store}: this file is not a logbook store\n"
        "Try: name another with --store FILE\n",
    )
    assert sorted(files(program)) == ["logbook.db"]


def test_a_backup_of_a_store_with_damaged_pages_is_refused(started: Program) -> None:
    content = started.store.read_bytes()
    started.store.write_bytes(content[: len(content) // 2])
    said = started("backup", "copy.db")
    assert said == Said(
        2, "", f"Error: {started.store}: {causes.Damaged.what}\nTry: run: logbook verify\n"
    )
    assert not (started.folder / "copy.db").exists()


def flip(path: Path) -> None:
    """Change one byte of an entry."""
    content = path.read_bytes()
    assert content.count(b'"mass_kg":"110"') >= 1
    path.write_bytes(content.replace(b'"mass_kg":"110"', b'"mass_kg":"111"', 1))


def test_a_backup_of_a_broken_chain_is_kept_and_said(started: Program) -> None:
    flip(started.store)
    said = started("backup", "copy.db")
    assert said.code == 1
    assert "its bytes do not match its id" in said.out
    assert said.err == (
        f"Error: copy.db is a faithful copy of {started.store}, which is not sound\n"
        "Try: logbook verify\n"
    )
    assert entries(started.folder / "copy.db") == entries(started.store)


@pytest.mark.skipif(not hasattr(os, "link"), reason="no second names here")
def test_a_stick_that_knows_no_second_names(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT has no hard links: link(2) fails with EPERM there (man 2 link)."""

    def refuse(*_: Any) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    started.must("backup", "copy.db")
    assert started("backup", "copy.db").code == 2
    before = entries(started.store)
    started.must("note", "later", on=LATER)
    started.must("restore", "copy.db", "--yes")
    assert entries(started.store) == before
    assert len(entries(started.folder / KEPT)) == len(before) + 1


# Going back.


def test_restoring_an_older_backup_loses_no_line_and_uses_no_number_twice(
    started: Program,
) -> None:
    """160 lines, the backup made after 100 of them."""
    begun = len(entries(started.store))
    notes(started, 0, 100 - begun)
    started.must("backup", "copy.db")
    notes(started, 100, 160)
    whole = entries(started.store)
    assert len(whole) == 160
    said = started.must("restore", "copy.db", "--yes")
    assert said == Said(
        0,
        f"{started.store}: restored 100 entries from copy.db\n"
        f"The store that was there is kept as {KEPT}\n"
        "60 entries (the first of 2026-03-05 08:00 UTC) written after the backup: not here now\n"
        "logbook sync brings back what was sent somewhere; until then logbook today may ask "
        "for pulls that were taken already\n",
        "",
    )
    kept = started.folder / KEPT
    assert entries(kept) == whole
    assert entries(started.store) == whole[:100]
    said = started.must("note", "after the backup", on=LATER)
    assert said.err == (
        "Note: this store is older than this machine's last line (a restored backup?): "
        "writing as a new writer.\n"
    )
    notes(started, 200, 220)
    assert len({writer for writer, *_ in entries(started.store)}) == 2
    newest = json.loads(entries(started.store)[-1][3])
    assert newest["by"] == "mira"
    never_twice(started.store, kept)
    assert check_store(started.store) == check_store(kept) == []


def test_the_store_kept_aside_can_be_gone_back_to(started: Program) -> None:
    started.must("backup", "copy.db")
    notes(started, 0, 3)
    whole = entries(started.store)
    started.must("restore", "copy.db", "--yes")
    notes(started, 3, 5)
    second = entries(started.store)
    said = started.must("restore", KEPT, "--yes")
    assert (
        "The store that was there is kept as logbook-before-restore-2.db\n3 entries (" in said.out
    )
    assert entries(started.store) == whole
    assert entries(started.folder / "logbook-before-restore-2.db") == second
    # The first writer's newest line is in it: it may go on.
    assert started.must("note", "on", on=LATER).err == ""
    never_twice(started.store, *started.folder.glob("logbook-before-restore*.db"))


def test_after_a_restore_undo_says_whose_the_lines_before_are(started: Program) -> None:
    started.must("note", "before", on=LATER)
    started.must("backup", "copy.db")
    started.must("note", "after", on=LATER)
    started.must("restore", "copy.db", "--yes")
    started.must("note", "as a new writer", on=LATER)
    started.must("undo", on=LATER)
    assert started("undo", on=LATER) == Said(
        2,
        "",
        "Error: there is nothing of mira's on this machine to undo: it goes on as a new writer, "
        "and 3 acts of mira's are by the writer before\n"
        "Try: strike or correct them by their codes; logbook history shows those\n",
    )


def test_a_restored_backup_of_the_newest_line_goes_on_with_its_writer(started: Program) -> None:
    started.must("backup", "copy.db")
    started.must("restore", "copy.db", "--yes")
    assert started.must("note", "on", on=LATER).err == ""
    assert len({writer for writer, *_ in entries(started.store)}) == 1


def test_a_key_file_a_line_behind_does_not_hide_the_lost_line(started: Program) -> None:
    """The program died between a commit and the key file, and the backup is as old as that file."""
    started.must("backup", "copy.db")
    (file,) = (started.folder / "state").iterdir()
    behind = file.read_bytes()
    started.must("note", "the last line", on=LATER)
    file.write_bytes(behind)
    started.must("restore", "copy.db", "--yes")
    assert "writing as a new writer" in started.must("note", "another", on=LATER).err
    never_twice(started.store, started.folder / KEPT)


def test_a_lost_store_is_restored_without_a_question(started: Program) -> None:
    started.must("backup", "copy.db")
    notes(started, 0, 2)
    started.store.unlink()
    said = started.must("restore", "copy.db")
    assert said == Said(
        0,
        f"{started.store}: restored {len(entries(started.store))} entries from copy.db\n"
        "2 entries written after the backup: not here now\n"
        "logbook sync brings back what was sent somewhere; until then logbook today may ask "
        "for pulls that were taken already\n",
        "",
    )
    assert "older than this machine's last line" in started.must("note", "x", on=LATER).err


def test_a_restore_on_another_machine_becomes_a_writer_of_its_own(started: Program) -> None:
    started.must("backup", "copy.db")
    shutil.rmtree(started.folder / "state")
    started.store.unlink()
    started.must("restore", "copy.db")
    assert "this store came from elsewhere" in started.must("note", "x", on=LATER).err


def test_without_a_terminal_a_restore_needs_yes(started: Program) -> None:
    started.must("backup", "copy.db")
    count = len(entries(started.store))
    before = files(started)
    assert started("restore", "copy.db") == Said(
        2,
        "",
        f"Error: {started.store} would make room for the {count} entries of copy.db: not restored\n"
        "Try: say so with --yes\n",
    )
    assert files(started) == before
    notes(started, 0, 1)
    assert started("restore", "copy.db").err == (
        f"Error: {started.store} would make room for the {count} entries of copy.db, which lack 1 "
        "entry (the first of 2026-03-05 08:00 UTC) of it: not restored\nTry: say so with --yes\n"
    )


def test_a_file_that_is_no_backup_is_named_as_the_argument_it_is(started: Program) -> None:
    before = files(started)
    assert started("restore", "trial.toml", "--yes") == Said(
        2,
        "",
        "Error: trial.toml: this file is not a logbook store\nTry: name a file that backup made\n",
    )
    assert files(started) == before


def test_a_store_that_cannot_be_read_is_replaced_all_the_same(started: Program) -> None:
    started.must("backup", "copy.db")
    started.store.write_bytes(b"nothing that a program could read" * 200)
    said = started.must("restore", "copy.db", "--yes")
    assert f"kept as {KEPT}\nWhat it has more could not be read\nlogbook sync brings" in said.out


class Terminal(io.StringIO):
    """A standard input that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("answer", ["y", "n"])
def test_on_a_terminal_a_restore_asks(
    started: Program, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    started.must("backup", "copy.db")
    notes(started, 0, 1)
    before = entries(started.store)
    monkeypatch.setattr(sys, "stdin", Terminal(f"{answer}\n"))
    said = started("restore", "copy.db")
    assert "in place of" in said.out
    if answer == "y":
        assert (said.code, entries(started.store)) == (0, before[:-1])
    else:
        assert (said.code, entries(started.store)) == (2, before)
        assert said.err == "Error: not restored: nothing was changed\n"
        assert not (started.folder / KEPT).exists()


def _make_text(path: Path) -> None:
    path.write_text("bought a new can\n" * 100)


def _make_stamps(path: Path) -> None:
    path.unlink()
    damage(path, "CREATE TABLE stamp (name TEXT)")


def _cut(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _lose_an_entry(path: Path) -> None:
    damage(path, "DROP TRIGGER entry_no_delete; DELETE FROM entry WHERE seq = 1")


def _spoil(path: Path) -> None:
    path.unlink()


NO_STORE = "Error: copy.db: this file is not a logbook store\nTry: name a file that backup made\n"
NOT_SOUND = (
    "Error: copy.db: not restored, for the backup is not sound; nothing was changed\n"
    "Try: try an older backup\n"
)
WRONG = {
    "text": (_make_text, NO_STORE),
    "another program's": (_make_stamps, NO_STORE),
    "missing": (
        _spoil,
        "Error: copy.db: there is no such file\nTry: name a file that backup made\n",
    ),
    "a byte flipped": (flip, NOT_SOUND),
    "cut short": (_cut, NOT_SOUND),
    "an entry lost": (_lose_an_entry, NOT_SOUND),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_not_restored(started: Program, wrong: str) -> None:
    started.must("backup", "copy.db")
    spoil, told = WRONG[wrong]
    spoil(started.folder / "copy.db")
    before = files(started)
    said = started("restore", "copy.db", "--yes")
    assert (said.code, said.out) == (2, "")
    assert said.err.endswith(told)
    if told == NOT_SOUND:
        assert len(said.err.splitlines()) > 2
    else:
        assert said.err == told
    assert files(started) == before


def test_the_store_itself_and_folders_are_no_backups(started: Program) -> None:
    before = files(started)
    assert started("restore", "logbook.db", "--yes") == Said(
        2, "", "Error: logbook.db: this is the store itself\nTry: name a file that backup made\n"
    )
    assert started("restore", "state", "--yes") == Said(
        2,
        "",
        "Error: state: this is a folder, not a store\nTry: name a file that backup made\n",
    )
    started.must("backup", "copy.db")
    assert started("--store", "state", "restore", "copy.db", "--yes") == Said(
        2,
        "",
        "Error: state: this is a folder, not a store\nTry: name a file with --store FILE\n",
    )
    (started.folder / "copy.db").unlink()
    assert files(started) == before


def test_a_restore_that_fails_leaves_the_store_in_its_place(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    started.must("backup", "copy.db")
    notes(started, 0, 2)
    before = files(started)

    def full(_: Path) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(backups, "flush", full)
        said = started("restore", "copy.db", "--yes")
    assert said == Said(
        2,
        "",
        f"Error: {started.store}: cannot be restored (No space left on device); it is as it was\n",
    )
    assert files(started) == before


def test_a_damaged_store_makes_way_and_keeps_its_bytes(started: Program) -> None:
    started.must("backup", "copy.db")
    held = entries(started.store)
    damaged = started.store.read_bytes()[:5000]
    started.store.write_bytes(damaged)
    started.must("restore", "copy.db", "--yes")
    assert (started.folder / KEPT).read_bytes() == damaged
    assert entries(started.store) == held
    assert check_store(started.store) == []


@pytest.mark.parametrize("rolled_back_first", [True, False])
def test_what_a_killed_writer_left_is_not_rolled_back_into_the_restored_store(
    started: Program, monkeypatch: pytest.MonkeyPatch, rolled_back_first: bool
) -> None:
    """A hot journal goes with the store it belongs to (sqlite.org/howtocorrupt.html, 1.4)."""
    started.must("backup", "copy.db")
    held = entries(started.store)
    notes(started, 0, 3)
    whole = entries(started.store)
    with closing(sqlite3.connect(started.store, isolation_level=None)) as writer:
        writer.execute("PRAGMA cache_size = 1")
        writer.execute("BEGIN IMMEDIATE")
        for n in range(500):
            row = (f"n{n}", "half written" * 50)
            writer.execute(
                "INSERT INTO note (id, entry, conflict, text) VALUES (?, 'e', 0, ?)", row
            )
        hot = {name: (started.folder / name).read_bytes() for name in HOT}
        writer.execute("ROLLBACK")
    for name, content in hot.items():
        (started.folder / name).write_bytes(content)
    if not rolled_back_first:
        # As if the present store could not even be opened.
        monkeypatch.setattr(keeping, "_remember", lambda *_: None)
        monkeypatch.setattr(keeping.Checked, "missing", lambda *_: None)
    started.must("restore", "copy.db", "--yes")
    assert (started.folder / f"{KEPT}-journal").exists() is not rolled_back_first
    assert not (started.folder / "logbook.db-journal").exists()
    assert entries(started.store) == held
    assert check_store(started.store) == []
    assert entries(started.folder / KEPT) == whole
    assert check_store(started.folder / KEPT) == []


def test_only_the_journal_of_a_backup_is_believed(started: Program) -> None:
    """Tables that lie, triggers and tables of others: a restored store has none of them."""
    started.must("backup", "copy.db")
    damage(
        started.folder / "copy.db",
        "UPDATE bed SET label = 'Z'; DELETE FROM fill; DROP INDEX fill_by_bed;"
        "CREATE TABLE stamp (name TEXT); INSERT INTO local VALUES ('other', 'x');"
        "CREATE TRIGGER t AFTER INSERT ON water BEGIN DELETE FROM note; END;",
    )
    held = entries(started.store)
    assert check_store(started.folder / "copy.db")
    started.must("restore", "copy.db", "--yes")
    assert entries(started.store) == held
    assert check_store(started.store) == []
    with closing(sqlite3.connect(started.store)) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM local")}
    assert names == {"writer", "program", "root"}


def test_a_restore_leaves_no_scratch_file(started: Program) -> None:
    """What is made on the way is gone at the end."""
    started.must("backup", "copy.db")
    before = set(files(started))
    started.must("restore", "copy.db", "--yes")
    assert set(files(started)) - before == {KEPT}
