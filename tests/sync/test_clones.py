"""Copied and restored stores: a new writer goes on, and where none could know, both branches stay.

The machines here have disks that lie at one path while they run: no path tells a copy of a whole
disk from the original.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logbook.book import admitting, keeping, vouching, writing
from logbook.book.checking import check_store, look
from logbook.book.writing import Book
from logbook.journal import chain
from logbook.journal import entry as journal
from logbook.store import held, local, views
from logbook.sync import exchange
from logbook.trial.records import Note
from logbook.trial.times import read_stored
from tests.faults.counting import Counting
from tests.sync.machine import NOW, Machine
from tests.sync.memory import MemoryPlace, Shelf
from tests.sync.simulation import Disk, exchange_all, must_agree, must_be_rebuilt_alike

CONTINUED = "lines of this machine's writer came from elsewhere (a copied or restored disk?)"


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


@pytest.fixture
def office(tmp_path: Path) -> Disk:
    """The founder's machine, with its first line."""
    machine = Disk("office", tmp_path)
    lines(machine, "the first of the office", 1)
    return machine


@pytest.fixture
def bench(office: Disk, shelf: Shelf) -> Disk:
    """Another machine, let in."""
    machine = office.copied("bench")
    lines(machine, "the first of the bench", 1)
    machine.sync(MemoryPlace(shelf))
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    exchange_all([office, machine], [shelf])
    return machine


def lines(machine: Machine, text: str, count: int) -> list[str]:
    """Write so many remarks, each an act of its own; what was announced."""
    with machine.book() as book:
        record(book, text, count)
        return list(book.announced)


def record(book: Book, text: str, count: int) -> None:
    when = read_stored("2026-03-14")
    for n in range(1, count + 1):
        key = journal.key("note", book.new_code(), "1")
        book.record("note", [(key, Note("a trial", when, f"{text} {n}"))])


def texts(machine: Machine) -> Counter[str]:
    """The remarks that are read there, without their numbers."""
    with views.reading(machine.store) as connection:
        found = views.fetch(connection, "note")
    return Counter(one.record.text.rpartition(" ")[0] for one in found)


def fact(machine: Machine, name: str) -> str | None:
    with views.reading(machine.store) as connection:
        row = connection.execute("SELECT value FROM local WHERE name = ?", (name,)).fetchone()
    return row and str(row[0])


def used_twice(*machines: Machine) -> set[str]:
    """Writers one number of which two entries have, wherever they are."""
    found: dict[tuple[str, int], set[bytes]] = {}
    for machine in machines:
        for body in machine.journal():
            entry = journal.decode(body)
            found.setdefault((entry.writer, entry.seq), set()).add(body)
    return {writer for (writer, _), bodies in found.items() if len(bodies) > 1}


def faults(machine: Machine) -> list[str]:
    """What a check of the chains says."""
    with views.reading(machine.store) as connection:
        return [problem.what for problem in chain.check(views.filed_entries(connection))]


def forks(machine: Machine, writer: str | None) -> tuple[int, list[int]]:
    """Where a writer's chain forks, and the number of each branch's newest entry."""
    with views.reading(machine.store) as connection:
        (found,) = vouching.forks(connection, str(writer))
    return found.seq, [branch.last_seq for branch in found.branches]


@contextmanager
def disk_kept(machine: Disk) -> Iterator[None]:
    """At the end the whole disk, key files and all, is again what it is now."""
    kept = machine.disk.with_name(f"{machine.name}-kept")
    shutil.copytree(machine.disk, kept)
    yield
    shutil.rmtree(machine.disk)
    kept.rename(machine.disk)


class Beside(Machine):
    """A store beside another one on the same machine: it has the same key files."""

    keys: Path

    @property
    def state(self) -> Path:
        return self.keys


# Copies


def test_a_copy_on_the_same_machine_goes_on_as_a_new_writer(
    tmp_path: Path, shelf: Shelf, counting: Counting
) -> None:
    how = "50 lines written on each of the two, then exchanged"
    with counting.fault("16", "a store copied, beside it", how, 1) as count:
        office = Machine("office", tmp_path)
        lines(office, "before", 3)
        office.sync(MemoryPlace(shelf))
        lines(office, "not sent when it was copied", 2)
        copy = Beside("office-copy", tmp_path)
        copy.keys = office.state
        copy.store.parent.mkdir()
        shutil.copy2(office.store, copy.store)
        assert lines(copy, "on the copy", 50) == [
            f"this store is a copy of {office.store}: writing as a new writer"
        ]
        assert lines(office, "on the original", 50) == []
        exchange_all([copy, office], [shelf])
        must_agree([office, copy])
        assert texts(office) == {
            "before": 3, "not sent when it was copied": 2, "on the copy": 50, "on the original": 50,
        }  # fmt: skip
        assert used_twice(office, copy) == set()
        count.saw["lines written after the copy, and kept"] += 100
        count.passed += 1


def test_what_was_not_sent_when_it_was_copied_comes_with_the_copy(
    tmp_path: Path, shelf: Shelf
) -> None:
    """The original is lost: what it signed covers less than the copy brings."""
    office = Machine("office", tmp_path)
    lines(office, "before", 3)
    office.sync(MemoryPlace(shelf))
    away = office.copied("away")
    lines(office, "not sent when it was copied", 2)
    copy = Beside("office-copy", tmp_path)
    copy.keys = office.state
    copy.store.parent.mkdir()
    shutil.copy2(office.store, copy.store)
    lines(copy, "on the copy", 1)
    copy.sync(MemoryPlace(shelf))
    away.sync(MemoryPlace(shelf))
    assert texts(away) == {"before": 3, "not sent when it was copied": 2, "on the copy": 1}


def test_what_only_a_copy_without_keys_has_comes_when_it_is_let_in(
    office: Disk, bench: Disk, shelf: Shelf
) -> None:
    """Nobody who has the key signs it any more: the copy says what it had when it began."""
    lines(office, "not sent when it was copied", 2)
    copy = office.copied("copy")
    lines(copy, "on the copy", 1)
    copy.sync(MemoryPlace(shelf))
    bench.sync(MemoryPlace(shelf))
    assert texts(bench)["not sent when it was copied"] == 0
    bench.enrol("copy")
    assert (texts(bench)["not sent when it was copied"], texts(bench)["on the copy"]) == (2, 1)


def test_both_branches_of_a_fork_are_signed_whoever_goes_on_after_it(
    office: Disk, bench: Disk, shelf: Shelf
) -> None:
    """A third line of it was written by a store that was put back, and sent nowhere before."""
    twin = bench.copied("twin", keys=True)
    backup = twin.folder / "backup.db"
    lines(bench, "on the bench", 5)
    bench.sync(MemoryPlace(shelf))
    lines(twin, "on the twin", 2)
    keeping.back_up(twin.store, backup, twin.state)
    lines(twin, "thrown away", 1)
    shutil.copy2(backup, twin.store)
    lines(twin, "after the restore", 1)
    assert twin.writer() != bench.writer()
    exchange_all([twin, office, bench], [shelf])
    must_agree([office, bench, twin])
    assert (texts(office)["on the bench"], texts(office)["on the twin"]) == (5, 2)


def test_a_copy_without_key_files_is_a_new_writer_that_waits(office: Disk, shelf: Shelf) -> None:
    other = office.copied("other")
    assert lines(other, "on the copy", 50) == [
        "this store came from elsewhere: writing as a new writer"
    ]
    lines(office, "on the original", 50)
    exchange_all([office, other], [shelf])
    assert office.waiting() == 51
    office.enrol("other")
    exchange_all([office, other], [shelf])
    must_agree([office, other])
    assert (texts(office)["on the copy"], texts(office)["on the original"]) == (50, 50)
    assert used_twice(office, other) == set()


def test_a_copied_disk_that_wrote_too_is_a_fork_with_both_branches_kept(
    office: Disk, bench: Disk, shelf: Shelf, counting: Counting
) -> None:
    how = "50 lines written on each of the two, then exchanged"
    with counting.fault("16", "a whole disk copied, key files and all", how, 1) as count:
        old = bench.writer()
        twin = bench.copied("twin", keys=True)
        for machine in (bench, twin):
            assert lines(machine, f"on the {machine.name}", 50) == []
            assert machine.writer() == old, "nothing there can tell"
        exchange_all([bench, twin, office], [shelf])
        must_agree([office, bench, twin])
        both = {"on the bench": 50, "on the twin": 50}
        assert {text: texts(office)[text] for text in both} == both
        assert used_twice(office) == {old}
        at, last = forks(office, old)
        assert [one for one in check_store(office.store) if "the chain forks" in one.what] != []
        assert (at, last) == (3, [52, 52])
        for machine in (bench, twin):
            assert fact(machine, "ended") == CONTINUED
            assert lines(machine, "after the fork", 5) == [f"{CONTINUED}: writing as a new writer"]
            assert machine.writer() != old
        assert bench.writer() != twin.writer()
        for machine in (bench, twin):
            assert machine.sync(MemoryPlace(shelf)).waiting == {}
        exchange_all([office, bench, twin], [shelf])
        must_agree([office, bench, twin])
        assert texts(office)["after the fork"] == 10
        assert used_twice(office) == {old}, "no number was used twice since"
        must_be_rebuilt_alike(office)
        assert check_store(office.store) == [], "it is dealt with"
        (said,) = look(office.store).notes
        assert said.what.startswith("the chain forks: this number was used 2 times, and goes on as")
        count.saw["lines written after the copy, and kept"] += 100
        count.saw["forks, each said by verify"] += 1
        count.passed += 1


def test_a_fork_comes_across_whole_whoever_was_there_first(
    office: Disk, bench: Disk, shelf: Shelf
) -> None:
    twin = bench.copied("twin", keys=True)
    third = office.copied("third")
    lines(bench, "on the bench", 5)
    lines(twin, "on the twin", 9)
    near, far = Shelf(), Shelf()
    exchange_all([bench], [near])
    exchange_all([twin], [far])
    exchange_all([third], [near, far])
    away = Shelf()
    exchange_all([third, office], [away])
    assert (texts(office)["on the bench"], texts(office)["on the twin"]) == (5, 9)
    # Half of it is there already, and the other branch is the shorter one.
    exchange_all([third], [far, near])
    assert len(near.entries) == len(far.entries) == len(away.entries)


# Backups


@pytest.mark.parametrize("way", ["restore", "copied back by hand"])
def test_a_restored_backup_uses_no_number_again(
    office: Disk, bench: Disk, shelf: Shelf, way: str, counting: Counting
) -> None:
    how = "a backup at 100 lines, 150 lines sent, the backup put back, 10 more"
    with counting.fault("17", "an old backup put back", how, 1) as count:
        lines(bench, "backed up", 100)
        backup = bench.folder / "backup.db"
        keeping.back_up(bench.store, backup, bench.state)
        lines(bench, "after the backup", 50)
        bench.sync(MemoryPlace(shelf))
        old = bench.writer()
        if way == "restore":
            with bench.mounted(), keeping.checked(backup, bench.store) as found:
                assert found.put_back(bench.store, bench.state) is not None
        else:
            shutil.copy2(backup, bench.store)
        assert texts(bench)["after the backup"] == 0
        assert lines(bench, "after the restore", 10) == [
            "this store is older than this machine's last line (a restored backup?): "
            "writing as a new writer"
        ]
        assert bench.writer() != old
        exchange_all([bench, office], [shelf])
        must_agree([office, bench])
        assert [texts(office)[text] for text in ("backed up", "after the backup")] == [100, 50]
        assert texts(office)["after the restore"] == 10
        assert used_twice(office, bench) == set()
        assert fact(bench, "ended") is None, "the old writer's tail ends no new writer"
        count.saw["lines kept"] += 160
        count.saw["numbers used twice"] += len(used_twice(office, bench))
        count.passed += 1


def test_a_restored_disk_fetches_its_own_tail_and_goes_on_as_a_new_writer(
    office: Disk, bench: Disk, shelf: Shelf, counting: Counting
) -> None:
    how = "a copy of the disk at 100 lines, 150 lines sent, the copy put back, 10 more"
    with counting.fault("17", "a whole disk put back, key files and all", how, 1) as count:
        lines(bench, "kept", 100)
        with disk_kept(bench):
            lines(bench, "after that", 50)
            bench.sync(MemoryPlace(shelf))
            old = bench.writer()
        assert texts(bench)["after that"] == 0
        summary = bench.sync(MemoryPlace(shelf))
        assert summary.fetched == {old: 50}
        assert fact(bench, "ended") == CONTINUED
        assert lines(bench, "since", 10) == [f"{CONTINUED}: writing as a new writer"]
        assert fact(bench, "ended") is None
        bench.sync(MemoryPlace(shelf))
        announced = office.sync(MemoryPlace(shelf)).admitted
        assert announced.joined == [bench.writer()]
        exchange_all([bench, office], [shelf])
        must_agree([office, bench])
        assert [texts(office)[text] for text in ("kept", "after that", "since")] == [100, 50, 10]
        assert used_twice(office, bench) == set()
        count.saw["lines kept"] += 160
        count.saw["numbers used twice"] += len(used_twice(office, bench))
        count.passed += 1


def test_a_restored_disk_that_writes_before_it_fetches_is_a_fork(
    office: Disk, bench: Disk, shelf: Shelf
) -> None:
    with disk_kept(bench):
        lines(bench, "after that", 5)
        bench.sync(MemoryPlace(shelf))
        old = bench.writer()
    lines(bench, "too early", 3)
    bench.sync(MemoryPlace(shelf))
    assert lines(bench, "since", 1) == [f"{CONTINUED}: writing as a new writer"]
    exchange_all([bench, office], [shelf])
    must_agree([office, bench])
    assert [texts(office)[text] for text in ("after that", "too early", "since")] == [5, 3, 1]
    assert used_twice(office) == {old}


def test_killed_between_fetching_and_letting_in_its_own_tail_it_is_a_new_writer_too(
    office: Disk, bench: Disk, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    with disk_kept(bench):
        lines(bench, "after that", 5)
        bench.sync(MemoryPlace(shelf))
        old = bench.writer()

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(admitting, "admit", killed)
        with pytest.raises(KeyboardInterrupt):
            bench.sync(MemoryPlace(shelf))
    assert texts(bench)["after that"] == 0
    assert lines(bench, "since", 1) == [f"{CONTINUED}: writing as a new writer"]
    exchange_all([bench, office], [shelf])
    must_agree([office, bench])
    assert used_twice(office) == set()
    assert bench.writer() != old


def test_a_restored_disk_that_nobody_let_in_yet_is_a_new_writer_too(
    office: Disk, shelf: Shelf
) -> None:
    stranger = office.copied("stranger")
    lines(stranger, "kept", 2)
    with disk_kept(stranger):
        lines(stranger, "after that", 5)
        stranger.sync(MemoryPlace(shelf))
        old = stranger.writer()
    assert stranger.sync(MemoryPlace(shelf)).waiting == {old: 5}
    lines(stranger, "since", 1)
    assert stranger.writer() != old
    exchange_all([stranger, office], [shelf])
    assert office.enrol_all() == 1, "its second writer follows from the first"
    exchange_all([office, stranger], [shelf])
    must_agree([office, stranger])
    assert used_twice(office) == set()
    assert texts(office)["after that"] == 5


def test_what_nobody_signed_ends_no_writer(office: Disk, bench: Disk, shelf: Shelf) -> None:
    """Else whoever can write to the place could have every machine change its writer."""
    old = bench.writer()
    (last,) = [body for body in bench.journal() if journal.decode(body).writer == old][-1:]
    entry = journal.decode(last)
    forged = journal.Entry(
        writer=entry.writer,
        seq=entry.seq + 1,
        prev=journal.entry_id(last),
        kind="note",
        written=entry.written,
        by="mallory",
        writes=(journal.Write("note/K7/1", {"text": "not the bench's"}),),
    )
    body = journal.encode(forged)
    head = exchange.Head(str(old), forged.seq, journal.entry_id(body), "00" * 64)
    MemoryPlace(shelf).send([exchange.Run(str(old), (body,), (head,))])
    bench.sync(MemoryPlace(shelf))
    assert fact(bench, "ended") is None
    assert lines(bench, "since", 1) == []
    assert bench.writer() == old


def test_a_backup_of_an_ended_writer_is_one_too(office: Disk, bench: Disk, shelf: Shelf) -> None:
    with disk_kept(bench):
        lines(bench, "after that", 5)
        bench.sync(MemoryPlace(shelf))
    bench.sync(MemoryPlace(shelf))
    backup = bench.folder / "backup.db"
    keeping.back_up(bench.store, backup, bench.state)
    with bench.mounted(), keeping.checked(backup, bench.store) as found:
        found.put_back(bench.store, bench.state)
    assert fact(bench, "ended") == CONTINUED
    old = bench.writer()
    lines(bench, "since", 1)
    assert bench.writer() != old


def test_a_backup_keeps_what_the_next_line_will_say_was_seen(
    office: Disk, bench: Disk, shelf: Shelf
) -> None:
    lines(bench, "news", 1)
    exchange_all([bench, office], [shelf], rounds=1)
    backup = office.folder / "backup.db"
    keeping.back_up(office.store, backup, office.state)
    with office.mounted(), keeping.checked(backup, office.store) as found:
        found.put_back(office.store, office.state)
    lines(office, "an answer", 1)
    last = max(
        (journal.decode(body) for body in office.journal()),
        key=lambda entry: (entry.writer == office.writer(), entry.seq),
    )
    with views.reading(bench.store) as connection:
        (tip,) = held.tips(connection, str(bench.writer()))
    assert last.saw == {bench.writer(): list(tip)}


def test_the_key_file_may_be_a_line_behind(
    office: Disk, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed between the commit and the key file: it is this writer's own work all the same."""
    old = office.writer()

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(writing.config, "save", killed)
        with pytest.raises(KeyboardInterrupt):
            lines(office, "committed", 1)
    assert lines(office, "since", 1) == []
    assert office.writer() == old
    assert faults(office) == []
    assert (texts(office)["committed"], texts(office)["since"]) == (1, 1)


def test_a_new_writer_killed_before_its_first_line_leaves_no_trace(
    office: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = office.copied("other")
    before = other.journal()

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(local, "put", killed)
        with pytest.raises(KeyboardInterrupt):
            lines(other, "lost", 1)
    assert other.journal() == before
    lines(other, "written", 1)
    assert len(other.journal()) == len(before) + 2
    assert other.now == NOW
