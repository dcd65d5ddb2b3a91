"""Writers: who may go on, who must begin anew; acts of any size; several programs at once."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from logbook import config
from logbook.book import checking, corrections, writing
from logbook.errors import StoreError, UserMistake
from logbook.journal import chain
from logbook.journal.entry import BadEntry, decode
from logbook.store import database, local, projections, views
from logbook.sync import exchange
from logbook.trial import records
from logbook.trial.times import When
from tests.store import made

NOW = datetime(2026, 3, 14, 8, 30, tzinfo=timezone(timedelta(hours=1)))


def note(path: Path, state: Path, text: str = "x", by: str = "mira") -> list[str]:
    """Write one note; returns what was announced."""
    with writing.opened(path, state, by=by, now=NOW) as book:
        code = book.new_code()
        book.record("note", [(f"note/{code}/t", records.Note("t", When(NOW.date()), text))])
        return book.announced


def writers(path: Path) -> list[tuple[str, str | None, int]]:
    """Each writer in the store, its predecessor, and how many entries it has."""
    with views.reading(path) as store:
        assert chain.check(views.filed_entries(store)) == []
        return store.execute(
            "SELECT w.id, w.predecessor, count(*) FROM writer w JOIN entry e ON e.writer = w.id "
            "GROUP BY w.id ORDER BY min(e.rowid)"
        ).fetchall()


def key_file(state: Path) -> Path:
    (path,) = state.iterdir()
    return path


def test_the_first_act_makes_a_writer_and_later_ones_go_on(store: Path, state: Path) -> None:
    assert note(store, state) == []
    assert note(store, state) == []
    ((writer, predecessor, count),) = writers(store)
    assert (predecessor, count) == (None, 3)
    kept = json.loads(key_file(state).read_text())
    assert (
        kept["writer"]
        == writer
        == hashlib.sha256(bytes.fromhex(kept["public_key"])).hexdigest()[:32]
    )
    assert (kept["seq"], kept["store"]) == (3, str(store.resolve()))
    with views.reading(store) as connection:
        (body,) = connection.execute("SELECT body FROM entry WHERE seq = 3").fetchone()
    assert decode(body).written == "2026-03-14T08:30:00+01:00"


def test_the_private_half_belongs_to_the_public_one(store: Path, state: Path) -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    note(store, state)
    kept = json.loads(key_file(state).read_text())
    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(kept["private_key"]))
    assert private.public_key().public_bytes_raw().hex() == kept["public_key"]


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_the_key_file_is_its_owners_alone(store: Path, state: Path) -> None:
    note(store, state)
    assert stat.S_IMODE(key_file(state).stat().st_mode) == 0o600
    assert stat.S_IMODE(state.stat().st_mode) == 0o700
    key_file(state).chmod(0o644)
    note(store, state)
    assert stat.S_IMODE(key_file(state).stat().st_mode) == 0o600


def test_the_key_file_never_lies_beside_the_store(store: Path) -> None:
    with pytest.raises(UserMistake) as refused:
        note(store, store.parent)
    assert refused.value.message == f"{store.parent}: the key files may not lie beside the store"
    assert refused.value.hint == "name another folder with LOGBOOK_STATE"
    assert not store.exists()
    environment = {"HOME": os.environ["HOME"]}
    assert config.state_folder(environment) != config.store_path(None, environment).parent


def test_without_its_key_file_a_store_gets_a_new_writer(store: Path, state: Path) -> None:
    note(store, state)
    key_file(state).unlink()
    said = note(store, state)
    assert said == ["this store came from elsewhere: writing as a new writer"]
    first, second = writers(store)
    assert second[1:] == (first[0], 2)
    assert note(store, state) == []
    with views.reading(store) as connection:
        assert len({row[0] for row in connection.execute("SELECT book FROM writer")}) == 1


def test_a_copy_gets_a_new_writer_and_the_original_goes_on(store: Path, state: Path) -> None:
    note(store, state)
    copy = store.with_name("copy.db")
    shutil.copy(store, copy)
    said = note(copy, state)
    assert said == [f"this store is a copy of {store.resolve()}: writing as a new writer"]
    assert [one[1] is None for one in writers(copy)] == [True, False]
    assert note(store, state) == []
    assert len(writers(store)) == 1
    assert note(copy, state) == []
    assert len(writers(copy)) == 2


def test_a_moved_store_keeps_its_writer(store: Path, state: Path) -> None:
    note(store, state)
    moved = store.with_name("moved.db")
    store.rename(moved)
    assert note(moved, state) == []
    assert [one[2] for one in writers(moved)] == [3]
    assert json.loads(key_file(state).read_text())["store"] == str(moved.resolve())


def test_an_older_backup_gets_a_new_writer(store: Path, state: Path) -> None:
    note(store, state)
    backup = store.with_name("backup")
    shutil.copy(store, backup)
    note(store, state)
    shutil.copy(backup, store)
    said = note(store, state)
    assert said == [
        "this store is older than this machine's last line (a restored backup?): "
        "writing as a new writer"
    ]
    assert [one[2] for one in writers(store)] == [2, 2]


def test_another_line_under_the_last_number_means_a_backup_too(store: Path, state: Path) -> None:
    note(store, state)
    kept = json.loads(key_file(state).read_text())
    key_file(state).write_text(json.dumps({**kept, "id": "ab" * 32}))
    assert len(note(store, state)) == 1
    assert len(writers(store)) == 2


@pytest.mark.parametrize("behind", [0, 1, 2])
def test_after_a_crash_between_commit_and_key_file_the_writer_goes_on(
    store: Path, state: Path, behind: int
) -> None:
    note(store, state)
    note(store, state)
    kept = json.loads(key_file(state).read_text())
    with views.reading(store) as connection:
        ids = dict(connection.execute("SELECT seq, id FROM entry").fetchall())
    key_file(state).write_text(json.dumps({**kept, "seq": behind, "id": ids.get(behind, "")}))
    assert note(store, state) == []
    assert [one[2] for one in writers(store)] == [4]


def test_a_crash_in_the_first_act_of_all_does_not_lose_the_key(
    store: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    saved: list[int] = []
    save = config.save

    def dies_after_the_commit(folder: Path, replica: config.Replica) -> None:
        if saved:
            raise KeyboardInterrupt
        saved.append(replica.seq)
        save(folder, replica)

    with monkeypatch.context() as patched:
        patched.setattr(config, "save", dies_after_the_commit)
        with pytest.raises(KeyboardInterrupt):
            note(store, state)
    assert note(store, state) == []
    assert [one[2] for one in writers(store)] == [3]


def test_an_act_that_is_refused_leaves_neither_lines_nor_keys(store: Path, state: Path) -> None:
    with pytest.raises(UserMistake), writing.opened(store, state, by="mira", now=NOW) as book:
        book.record("note", [("note/K7/t", records.Note("t", When(NOW.date()), "x"))])
        corrections.undo(book)
        corrections.undo(book)
    assert writers(store) == []
    assert list(state.iterdir()) == []


def test_an_unreadable_key_file_is_said(store: Path, state: Path) -> None:
    note(store, state)
    key_file(state).write_text("{")
    with pytest.raises(StoreError) as refused:
        note(store, state)
    assert str(refused.value) == (
        f"{key_file(state)}: this writer's key file is damaged: it is not as it was written"
    )
    assert refused.value.hint == ("move it away: the next line will be written as a new writer")


def bend(state: Path, field: str, change: Callable[[str], str]) -> None:
    """Change a text of the key file."""
    known = json.loads(key_file(state).read_text())
    key_file(state).write_text(json.dumps(known | {field: change(known[field])}))


DAMAGED = "this writer's key file is damaged: its keys and its id do not belong together"


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("private_key", lambda key: "z" + key[1:]),
        ("private_key", lambda key: key[2:]),
        ("public_key", lambda key: key[::-1]),
        ("writer", lambda writer: writer[::-1]),
    ],
)
def test_a_damaged_key_file_is_not_written_with(
    store: Path, state: Path, field: str, change: Callable[[str], str]
) -> None:
    note(store, state)
    before = store.read_bytes()
    bend(state, field, change)
    with pytest.raises(StoreError) as refused:
        note(store, state)
    assert str(refused.value) == f"{key_file(state)}: {DAMAGED}"
    assert store.read_bytes() == before
    key_file(state).unlink()
    assert note(store, state) == ["this store came from elsewhere: writing as a new writer"]


def test_another_private_key_signs_nothing_and_verify_says_so(store: Path, state: Path) -> None:
    """An act needs no private key, and does not load what it would take to look at it."""
    note(store, state)
    assert checking.look(store, state=state).problems == []
    bend(state, "private_key", lambda key: key[::-1])
    (problem,) = checking.look(store, state=state).problems
    assert str(problem) == (
        f"{key_file(state)}: {DAMAGED}; "
        "move it away: the next line will be written as a new writer."
    )
    with pytest.raises(StoreError) as refused:
        exchange.sign_heads(store, state)
    assert str(refused.value) == f"{key_file(state)}: {DAMAGED}"
    with database.writing(store) as connection:
        local.put(connection, "ended", "a copied disk")
    with pytest.raises(StoreError) as refused:
        note(store, state)
    assert str(refused.value) == f"{key_file(state)}: {DAMAGED}"


def test_a_slower_process_does_not_set_the_key_file_back(store: Path, state: Path) -> None:
    note(store, state)
    ahead = config.load(state, writers(store)[0][0])
    assert ahead is not None
    config.save(state, replace(ahead, seq=1, id="ab" * 32))
    assert config.load(state, ahead.writer) == ahead


def test_a_clock_without_a_zone_is_refused(store: Path, state: Path) -> None:
    with (
        pytest.raises(BadEntry),
        writing.opened(store, state, by="mira", now=datetime(2026, 3, 14, 8, 30)),
    ):
        pass
    assert list(state.iterdir()) == []


def test_text_is_kept_in_nfc_in_the_tables_too(store: Path, state: Path) -> None:
    note(store, state, "Ine\u0301s moved the fan")
    with views.reading(store) as connection:
        (found,) = views.fetch(connection, "note")
    assert found.record.text == "In\u00e9s moved the fan"


@pytest.mark.parametrize(
    "line",
    [
        records.Note("t", When(NOW.date()), 5),  # type: ignore[arg-type]
        records.Note(None, When(NOW.date()), "x"),  # type: ignore[arg-type]
    ],
)
def test_a_record_that_could_not_be_shown_is_not_written(
    store: Path, state: Path, line: records.Note
) -> None:
    with pytest.raises(BadEntry), writing.opened(store, state, by="mira", now=NOW) as book:
        book.record("note", [("note/K7/t", line)])
    assert writers(store) == []


def results(count: int, value: str = "12.5") -> Iterator[tuple[str, records.Result]]:
    for n in range(count):
        yield made.result(f"S{n // 5:06d}", ("P", "K", "Ca", "Mg", "Fe")[n % 5], value)


@pytest.mark.long
def test_a_large_act_is_several_entries_of_one_act_and_is_undone_as_one(
    store: Path, state: Path
) -> None:
    with writing.opened(store, state, by="mira", now=NOW) as book:
        act = book.record("lab", results(20_000))
        dumped = made.dump(book.connection)
        projections.rebuild(book.connection)
        assert made.dump(book.connection) == dumped
    assert len(act.keys) == 20_000
    with views.reading(store) as connection:
        entries = views.entries_of_act(connection, act.code)
        assert len(entries) > 5
        assert [entry.seq for _, entry in entries] == list(range(2, len(entries) + 2))
        assert {entry.act for _, entry in entries} == {act.code}
        assert connection.execute("SELECT max(length(body)) < 1048576 FROM entry").fetchone() == (
            1,
        )
        assert connection.execute("SELECT count(*) FROM result").fetchone() == (20_000,)
    with writing.opened(store, state, by="mira", now=NOW) as book:
        undone, _ = corrections.undo(book)
        assert (undone.code, len(undone.keys)) == (act.code, 20_000)
        assert book.connection.exec_driver_sql("SELECT count(*) FROM result").one() == (0,)


def test_values_of_the_widest_letters_still_fit_their_entries(store: Path, state: Path) -> None:
    """U+1D160 is four bytes, and twelve in NFC (it is excluded from composition)."""
    with writing.opened(store, state, by="mira", now=NOW) as book:
        lines = [
            (f"note/K{n}/t", records.Note("t", When(NOW.date()), letter * 9_000))
            for n, letter in enumerate(["\U0001d160", "\x01", '"', "\\", "\u00fc", "x"] * 8)
        ]
        book.record("note", lines)
    assert writers(store)[0][2] > 2


def test_what_was_seen_of_others_is_said_once_though_an_entry_must_be_divided(
    store: Path, state: Path
) -> None:
    note(store, state)
    seen = {"ab" * 16: [3, "cd" * 32]}
    with writing.opened(store, state, by="mira", now=NOW) as book:
        local.put(book.connection, "learnt", json.dumps(seen))
        long = records.Note("t", When(NOW.date()), "x" * 3_000)
        act = book.record("note", [(f"note/{n}/t", long) for n in range(900)])
    with views.reading(store) as reading:
        entries = [entry for _, entry in views.entries_of_act(reading, act.code)]
    assert [entry.saw for entry in entries] == [seen, *[None] * (len(entries) - 1)]
    assert sum(len(entry.writes) for entry in entries) == 900
    assert len(entries) > 2


def test_one_text_too_large_for_any_entry_is_refused_whole(store: Path, state: Path) -> None:
    with pytest.raises(BadEntry) as refused:
        note(store, state, "x" * 2_000_000)
    assert "is larger than 1048576" in refused.value.message
    assert writers(store) == []


def _write_many(path: Path, state: Path, by: str, count: int, ready: Any) -> None:
    ready.wait()
    for n in range(count):
        note(path, state, f"{by} {n}", by=by)


def test_two_programs_at_once_lose_nothing(store: Path, state: Path) -> None:
    """2 x 100 acts by one writer from the first act on: no line lost, no fork, no error."""
    context = multiprocessing.get_context("fork" if os.name == "posix" else "spawn")
    ready = context.Barrier(2)
    both = [
        context.Process(target=_write_many, args=(store, state, by, 100, ready))
        for by in ("mira", "olek")
    ]
    for one in both:
        one.start()
    for one in both:
        one.join(120)
    assert [one.exitcode for one in both] == [0, 0]
    assert [one[1:] for one in writers(store)] == [(None, 201)]
    with views.reading(store) as connection:
        texts = {found.record.text for found in views.fetch(connection, "note")}
    assert texts == {f"{by} {n}" for by in ("mira", "olek") for n in range(100)}


def test_new_codes_avoid_those_that_are_taken(store: Path, state: Path) -> None:
    symbols = iter("CCCCCCC" * 3 + "DDDDDDD")

    def choose(_: str) -> str:
        return next(symbols)

    with writing.opened(store, state, by="mira", now=NOW, choose=choose) as book:
        first = book.new_code()
        sample = records.Pull(first, "b1", When(date(2026, 3, 1)), None, 8, Decimal(15), None)
        act = book.record("pull", [(f"pull/{first}", sample)], code="K7M3QX4R")
        assert act.code == "K7M3QX4R"
        assert book.new_code()[:7] == "DDDDDDD"
