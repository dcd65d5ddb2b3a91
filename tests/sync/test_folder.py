"""A folder as a place: the contract, then what people and drives do to files."""

from __future__ import annotations

import errno
import multiprocessing
import os
import sqlite3
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import closing
from itertools import count
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from logbook.errors import StoreError, UserMistake
from logbook.journal.entry import decode
from logbook.store import place_files
from logbook.sync import putting
from logbook.sync.folder import SUBFOLDER, Folder
from logbook.sync.place import Inventory, Run, Unreachable
from logbook.sync.remembered import Remembered, Seen, noted, recalled
from logbook.sync.segment import Segment, pack, unpack
from tests.faults.counting import Counting
from tests.sync.chains import Bodies, Having, chain, head, ids, inventory, longer, run, writer_id
from tests.sync.chains import noted as remark
from tests.sync.contract import Contract, Opened, bodies_of
from tests.sync.osdisk import watched


class TestFolder(Contract):
    @pytest.fixture
    def opened(self, tmp_path: Path) -> Opened:
        numbers = count()
        return lambda: Folder(tmp_path, f"{next(numbers):08x}")


BENCH = chain("bench", 12)
OWN = "ab12"


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """An empty stick."""
    path = tmp_path / "stick"
    path.mkdir()
    return path


def sent(place: Path, *bodies: Bodies) -> list[Path]:
    """The files after these runs were sent, each by itself."""
    for some in bodies:
        Folder(place, OWN).send([Run(decode(some[0]).writer, some)])
    return files(place)


def files(place: Path) -> list[Path]:
    """The segments that lie there."""
    found = (place / SUBFOLDER).glob("*.seg")
    return sorted(found, key=lambda path: [int(part, 16) for part in path.stem.split("-")])


def found(place: Folder) -> list[tuple[str, str]]:
    """What a place had to complain of: file and sentence."""
    return [(problem.where, problem.what) for problem in place.problems]


def test_what_people_find_there_is_explained(stick: Path) -> None:
    sent(stick, BENCH)
    assert [path.name for path in stick.iterdir()] == ["amendment-logbook-segments"]
    text = (stick / SUBFOLDER / "README.txt").read_text()
    assert text.startswith("This folder belongs to an amendment trial logbook.")
    assert text.isascii()


def test_what_explains_the_folder_may_be_a_dangling_link_or_fail(stick: Path) -> None:
    (stick / SUBFOLDER).mkdir()
    (stick / SUBFOLDER / "README.txt").symlink_to(stick / "nowhere")
    sent(stick, BENCH)
    assert Folder(stick, OWN).inventory() == inventory(BENCH)
    assert not (stick / "nowhere").exists()


def test_no_words_for_people_keep_lines_from_being_sent(
    stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = putting.put

    def refused(folder: Path, names: tuple[str, ...], data: bytes, own: str) -> Path:
        if names == ("README.txt",):
            raise OSError(errno.EINVAL, "no such name here")
        return real(folder, names, data, own)

    monkeypatch.setattr(putting, "put", refused)
    sent(stick, BENCH)
    assert Folder(stick, OWN).inventory() == inventory(BENCH)


def test_junk_under_every_name_of_a_file_keeps_it_from_nowhere(stick: Path) -> None:
    (usual,) = sent(stick, BENCH)
    for name in pack(run("bench", BENCH)).names:
        (stick / SUBFOLDER / name).write_bytes(b"junk")
    Folder(stick, OWN).send([run("bench", BENCH)])
    assert Folder(stick, OWN).inventory() == inventory(BENCH)
    assert usual.read_bytes() == b"junk"


def test_looking_writes_nothing(stick: Path) -> None:
    place = Folder(stick, OWN)
    assert place.inventory() == Inventory()
    place.send([])
    place.send([Run(writer_id("bench"), ())])
    assert list(stick.iterdir()) == []


def test_the_folder_of_segments_itself_may_be_named(stick: Path) -> None:
    sent(stick, BENCH)
    assert Folder(stick / SUBFOLDER, OWN).inventory() == inventory(BENCH)


def test_names_never_differ_by_case_alone(stick: Path) -> None:
    for path in sent(stick, BENCH[:5], BENCH[5:], chain("office", 3)):
        assert path.name == path.name.casefold()
        assert len(path.name) <= 80
        assert set(path.stem) <= set("0123456789abcdef-")


def test_a_run_too_long_for_one_file_becomes_several(stick: Path) -> None:
    bodies = chain("bench", 1_500)
    Folder(stick, OWN).send([run("bench", bodies, signed=True)])
    held = [unpack(path.read_bytes()) for path in files(stick)]
    assert [len(one.ids) for one in held] == [1_000, 500]
    assert [one.heads for one in held] == [(), (head("bench", bodies),)]
    large = chain("office", 1)
    for letter in "abcdef":
        large += (remark("office", large, letter * 1_000_000),)
    Folder(stick, OWN).send([run("office", large)])
    assert Folder(stick, OWN).inventory().tips == inventory(bodies, large).tips
    assert max(len(one.bodies) for one in map(read, files(stick)) if one.last < 8) == 5


def read(path: Path) -> Segment:
    """The segment of a file."""
    return unpack(path.read_bytes())


def test_only_what_is_new_is_written(stick: Path) -> None:
    Folder(stick, OWN).send([run("bench", BENCH[:5], signed=True)])
    Folder(stick, OWN).send([run("bench", BENCH, signed=True)])
    assert [read(path).first for path in files(stick)] == [1, 6]
    before = names(stick)
    Folder(stick, OWN).send([run("bench", BENCH, signed=True), run("bench", BENCH[3:])])
    assert names(stick) - before == set()


def names(place: Path) -> set[str]:
    """What lies in the folder of segments."""
    return {path.name for path in (place / SUBFOLDER).iterdir()}


def test_each_file_is_read_once(stick: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    real = putting.opened

    def counted(path: Path) -> int:
        opened.append(path.name)
        return real(path)

    made = sent(stick, BENCH[:5], BENCH[5:9])
    seen: Seen = {}
    having = Having()
    monkeypatch.setattr(putting, "opened", counted)
    for wanted in (sorted(path.name for path in made), []):
        opened.clear()
        place = Folder(stick, OWN, seen)
        place.inventory()
        having.fetch_all(place)
        assert sorted(opened) == wanted
    monkeypatch.undo()
    sent(stick, BENCH[9:])
    monkeypatch.setattr(putting, "opened", counted)
    place = Folder(stick, OWN, seen)
    assert place.inventory() == inventory(BENCH)
    assert opened == [path.name for path in files(stick) if path not in made]


def test_what_is_remembered_keeps_in_the_store(store: Path, stick: Path) -> None:
    Folder(stick, OWN).send([run("bench", BENCH[:5], signed=True)])
    Folder(stick, OWN).send([run("bench", BENCH[2:], signed=True)])
    (stick / SUBFOLDER / "photo.jpg").write_bytes(b"a picture")
    seen: Seen = {}
    place = Folder(stick, OWN, seen)
    there = place.inventory()
    Having().fetch_all(place)
    rows = noted(seen)
    assert recalled(rows) == seen
    store.parent.mkdir()
    with closing(sqlite3.connect(store)) as connection:
        connection.execute(
            "CREATE TABLE place_file (place TEXT, file TEXT, size INTEGER, mtime INTEGER, "
            "runs TEXT, PRIMARY KEY (place, file))"
        )
        for kept in ({"old": (1, 1, "{}")}, rows, rows):
            place_files.save(connection, "stick", kept)
            assert place_files.load(connection, "stick") == kept
        assert place_files.load(connection, "another") == {}
        changes = connection.total_changes
        place_files.save(connection, "stick", rows)
        assert connection.total_changes == changes
    again = Folder(stick, OWN, recalled(rows))
    assert again.inventory() == there
    assert again.problems == []


def test_a_row_that_cannot_be_read_is_forgotten() -> None:
    rows = {"a": (1, 2, "{"), "b": (1, 2, '{"span": [1]}'), "c": (3, 4, "{}")}
    assert recalled(rows) == {"c": Remembered(3, 4)}


def test_an_interrupted_fetch_is_finished_by_the_next(stick: Path) -> None:
    sent(stick, BENCH[:4], BENCH[4:8], BENCH[8:])
    seen: Seen = {}
    having = Having()
    for one in Folder(stick, OWN, seen).fetch(having):
        # The second one is cut off before it is kept.
        if decode(one.bodies[0]).seq > 4:
            break
        having.take(one.bodies)
    fetched = bodies_of(having.fetch_all(Folder(stick, OWN, seen)))
    assert fetched == list(BENCH[4:])


def test_a_file_of_which_a_part_came_by_another_is_fetched(stick: Path) -> None:
    """Entries 1 and 12 are here, those between are not: the last one alone says nothing."""
    sent(stick, BENCH)
    having = Having((BENCH[0], BENCH[-1]))
    assert bodies_of(having.fetch_all(Folder(stick, OWN))) == list(BENCH)


def test_a_file_that_vanished_does_not_count_any_more(stick: Path) -> None:
    made = sent(stick, BENCH[:5], BENCH[5:9], BENCH[9:])
    seen: Seen = {}
    assert Folder(stick, OWN, seen).inventory() == inventory(BENCH)
    made[1].unlink()
    assert Folder(stick, OWN, seen).inventory() == inventory(BENCH[:5])
    # What is cut off from its beginning is fetched all the same, and sent again.
    assert bodies_of(Folder(stick, OWN, seen).fetch(Having())) == [*BENCH[:5], *BENCH[9:]]
    Folder(stick, OWN, seen).send([run("bench", BENCH[5:])])
    assert Folder(stick, OWN, seen).inventory() == inventory(BENCH)


def test_a_damaged_file_is_read_again_only_where_it_changed(stick: Path) -> None:
    made = sent(stick, BENCH[:5], BENCH[5:])
    data = made[1].read_bytes()
    stamp = made[1].stat().st_mtime_ns
    seen: Seen = {}
    assert Folder(stick, OWN, seen).inventory() == inventory(BENCH)
    made[1].write_bytes(data[:-1] + b"?")
    os.utime(made[1], ns=(stamp, stamp))
    assert Folder(stick, OWN, seen).inventory() == inventory(BENCH)
    place = Folder(stick, OWN, seen, thorough=True)
    assert place.inventory() == inventory(BENCH[:5])
    said = "its bytes are not those that were written"
    assert found(place) == [(made[1].name, said)]
    # It keeps its place; the entries are sent again under another name.
    place.send([run("bench", BENCH[5:])])
    assert made[1].read_bytes() == data[:-1] + b"?"
    again = Folder(stick, OWN, seen)
    assert again.inventory() == inventory(BENCH)
    assert found(again) == [(made[1].name, said)]
    assert len(files(stick)) == 3


def test_foreign_things_are_named_once_and_left_alone(stick: Path, tmp_path: Path) -> None:
    sent(stick, BENCH)
    folder = stick / SUBFOLDER
    (folder / "holiday.jpg").write_bytes(b"\xff\xd8\xff\xe0")
    (folder / "older").mkdir()
    outside = tmp_path / "outside.seg"
    outside.write_bytes(files(stick)[0].read_bytes())
    (folder / "link.seg").symlink_to(outside)
    before = names(stick)
    seen: Seen = {}
    place = Folder(stick, OWN, seen)
    for _ in range(2):
        assert place.inventory() == inventory(BENCH)
        assert found(place) == [
            ("holiday.jpg", "it is no segment of a logbook"),
            ("link.seg", "it is a link, which is not followed"),
            ("older", "it is a folder, which is not looked into"),
        ]
    later = Folder(stick, OWN, seen)
    assert later.inventory() == inventory(BENCH)
    assert later.problems == []
    assert names(stick) == before


def test_a_pipe_is_not_waited_for(stick: Path) -> None:
    sent(stick, BENCH)
    os.mkfifo(stick / SUBFOLDER / "pipe.seg")
    place = Folder(stick, OWN)
    assert place.inventory() == inventory(BENCH)
    assert found(place) == [("pipe.seg", "it is no file")]


def test_a_segment_that_lost_its_first_bytes_is_named_each_time(stick: Path) -> None:
    (path,) = sent(stick, BENCH)
    path.write_bytes(b"#" + path.read_bytes()[1:])
    seen: Seen = {}
    for _ in range(2):
        place = Folder(stick, OWN, seen)
        assert place.inventory() == Inventory()
        assert found(place) == [(path.name, "it is no segment of a logbook")]


def test_a_name_cannot_steer_the_terminal(stick: Path) -> None:
    (path,) = sent(stick, BENCH)
    odd = path.with_name("\x1b]52;c;aGk=\x07\u202e.seg")
    odd.write_bytes(b"torn")
    strange = os.fsencode(path.parent) + b"/\xff\xfe.seg"
    Path(os.fsdecode(strange)).write_bytes(path.read_bytes())
    seen: Seen = {}
    place = Folder(stick, OWN, seen)
    assert place.inventory() == inventory(BENCH)
    assert found(place) == [("�]52;c;aGk=��.seg", "it is no segment of a logbook")]
    assert set(noted(seen)) == {path.name}


def test_a_segment_of_a_newer_program_waits_for_it(stick: Path) -> None:
    (path,) = sent(stick, BENCH)
    data = path.read_bytes()
    (stick / SUBFOLDER / "newer.seg").write_bytes(data[:35] + b"\2" + data[36:])
    place = Folder(stick, OWN)
    assert place.inventory() == inventory(BENCH)
    (problem,) = place.problems
    assert str(problem) == (
        "newer.seg: it is of format 2; this program reads 1; install the newer program here, then "
        "sync again"
    )


def test_a_stick_that_is_not_in(tmp_path: Path) -> None:
    place = Folder(tmp_path / "media" / "stick", OWN)
    for ask in (place.inventory, lambda: list(place.fetch(Having())), lambda: place.send([SENT])):
        with pytest.raises(Unreachable) as refused:
            ask()
        assert refused.value.message == f"{place.path}: there is no such folder now"
        assert refused.value.hint == "put the stick in or connect the drive, then sync again"
    assert not (tmp_path / "media").exists()


SENT = run("bench", BENCH)


@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES, errno.EPERM])
def test_a_folder_that_can_only_be_read(stick: Path, number: int) -> None:
    sent(stick, BENCH[:5])
    with watched(stick, fails_at=1, failure=OSError(number, "no")):
        place = Folder(stick, OWN)
        assert place.inventory() == inventory(BENCH[:5])
        assert bodies_of(place.fetch(Having())) == list(BENCH[:5])
        with pytest.raises(Unreachable) as refused:
            place.send([run("bench", BENCH[5:])])
    where = stick / SUBFOLDER
    assert refused.value.message == f"{where}: this folder can be read but not written"
    assert Folder(stick, OWN).inventory() == inventory(BENCH[:5])


def test_a_folder_that_another_account_owns() -> None:
    """The same with the system's own refusal, as an account that is not root."""
    # Not below this test's own folder, which no other account may enter.
    with tempfile.TemporaryDirectory() as name:
        stick = Path(name)
        sent(stick, BENCH[:5])
        stick.chmod(0o755)
        (stick / SUBFOLDER).chmod(0o555)

        def sends() -> None:
            with pytest.raises(Unreachable, match="can be read but not written"):
                Folder(stick, OWN).send([run("bench", BENCH[5:])])
            assert Folder(stick, OWN).inventory() == inventory(BENCH[:5])

        assert _as_nobody(sends) == 0
        (stick / SUBFOLDER).chmod(0o755)


def _as_nobody(act: Callable[[], None]) -> int:
    """What a child process that is not root ends with."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    try:
        if os.geteuid() == 0:
            os.setuid(65534)
        act()
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def test_a_stick_pulled_out_while_it_is_written(stick: Path, tmp_path: Path) -> None:
    sent(stick, BENCH[:5])
    away = tmp_path / "away"
    real = os.write

    def pulled(number: int, data: bytes) -> int:
        del number, data
        if stick.exists():
            stick.rename(away)
        raise OSError(errno.EIO, "Input/output error")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "write", pulled)
        with pytest.raises(Unreachable) as refused:
            Folder(stick, OWN).send([run("bench", BENCH[5:])])
    assert os.write is real
    assert refused.value.message == f"{stick / SUBFOLDER}: this folder is gone"
    away.rename(stick)
    place = Folder(stick, OWN)
    assert place.inventory() == inventory(BENCH[:5])
    assert [what for _, what in found(place)] == ["it is not finished"]


def test_a_stick_that_writes_something_else(stick: Path) -> None:
    real = os.write

    def lying(number: int, data: bytes) -> int:
        return real(number, bytes(len(data)))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "write", lying)
        with pytest.raises(Unreachable) as refused:
            Folder(stick, OWN).send([SENT])
    assert refused.value.message.endswith("what was written there reads back otherwise")
    assert refused.value.hint == "the stick or disk is failing: use another one"


def test_a_file_system_without_links_or_forced_names(stick: Path) -> None:
    """As FAT and some shares are."""

    def unknown(*args: object, **named: object) -> None:
        raise OSError(errno.EPERM, "no such thing here")

    real = os.fsync

    def forced(number: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{number}"):  # noqa: PTH112
            raise OSError(errno.EINVAL, "Invalid argument")
        real(number)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "link", unknown)
        patch.setattr(os, "fsync", forced)
        sent(stick, BENCH[:5], BENCH[5:], BENCH[:5])
    assert Folder(stick, OWN).inventory() == inventory(BENCH)
    assert len(names(stick)) == 3


def test_a_store_within_the_folder_is_refused(stick: Path, tmp_path: Path) -> None:
    (stick / "data").mkdir()
    store = stick / "data" / "logbook.db"
    (tmp_path / "by another way").symlink_to(stick)
    for path in (stick, tmp_path / "by another way", tmp_path):
        with pytest.raises(UserMistake) as refused:
            Folder(path, OWN, store=store)
        assert refused.value.message == f"{path}: the store {store} lies in this folder"
    Folder(stick, OWN, store=tmp_path / "data" / "logbook.db")


def test_keys_within_the_folder_are_refused(stick: Path) -> None:
    keys = stick / "keys"
    with pytest.raises(UserMistake) as refused:
        Folder(stick, OWN, keys=keys)
    assert refused.value.message == f"{stick}: the folder of keys {keys} lies in this folder"
    assert refused.value.hint == (
        "whoever reads it writes as this machine: name another folder, or move it"
    )


def test_a_link_in_the_place_of_the_segments_is_not_followed(stick: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (stick / SUBFOLDER).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(Unreachable) as refused:
        Folder(stick, OWN).send([SENT])
    assert refused.value.message == (
        f"{stick}: amendment-logbook-segments in it is a link, which is not followed"
    )
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_only_own_files_of_a_dead_process_are_tidied_up(stick: Path) -> None:
    sent(stick, BENCH[:5])
    folder = stick / SUBFOLDER
    child = os.fork()
    if not child:
        os._exit(0)
    os.waitpid(child, 0)
    dead = f"new-{OWN}-{child}-0.part"
    others = {f"new-cd34-{child}-0.part", f"new-{OWN}-{os.getppid()}-0.part", "new.part", "a.tmp"}
    for name in (dead, *others):
        (folder / name).write_bytes(b"half")
    before = names(stick)
    place = Folder(stick, OWN)
    place.inventory()
    assert {problem.where for problem in place.problems} == others
    place.send([])
    assert before - names(stick) == {dead}


def test_an_entry_that_is_damaged_here_is_not_sent(stick: Path) -> None:
    with pytest.raises(StoreError) as refused:
        Folder(stick, OWN).send([Run(writer_id("bench"), (BENCH[0], BENCH[2]))])
    assert refused.value.message == (
        f"writer {writer_id('bench')[:8]}: its entries cannot be sent: it is refused: entry 2 in "
        "it does not follow the one before"
    )
    assert list(stick.iterdir()) == []


@pytest.mark.long
def test_processes_write_at_once(counting: Counting, stick: Path) -> None:
    """Two send the same entries and others, a file each time, while a third one looks."""
    seconds = counting.of(60)
    how = "two processes send the same and other entries into a folder while a third fetches"
    with counting.fault("13", "writers at once, folder", how, 10) as count:
        for number in range(count.asked):
            place = stick / f"{number}"
            place.mkdir()
            whole, many = _at_once(place, seconds / count.asked)
            count.saw["files"] += many
            count.passed += whole


def _at_once(place: Path, seconds: float) -> tuple[bool, int]:
    """True if everything that two processes sent is there and nothing else; and how many files."""
    context = multiprocessing.get_context("forkserver")
    ours, its = context.Pipe(duplex=False)
    started = [
        context.Process(target=_sends, args=(place, own, ("bench", name), seconds, its))
        for own, name in (("ab12", "greenhouse"), ("cd34", "office"))
    ]
    for process in started:
        process.start()
    having, seen = Having(), dict[str, Remembered]()
    while any(process.is_alive() for process in started):
        looking = Folder(place, "ef56", seen)
        having.fetch_all(looking)
        assert {what for _, what in found(looking)} <= {"it is not finished"}
    expected: dict[str, int] = {}
    for process in started:
        process.join()
        assert process.exitcode == 0
        for name, most in ours.recv().items():
            expected[name] = max(most, expected.get(name, 0))
    having.fetch_all(Folder(place, "ef56", seen))
    chains = [chain(name, most) for name, most in expected.items()]
    there = Folder(place, "ef56").inventory()
    whole = there.tips == inventory(*chains).tips and not list(place.glob("*/*.part"))
    return whole and set(having.entries) == set(ids(sum(chains, ()))), len(names(place))


def _sends(
    place: Path, own: str, writers: tuple[str, ...], seconds: float, told: Connection
) -> None:
    """Send three entries of each writer at a time; tells how many entries each has at the end."""
    bodies: dict[str, Bodies] = dict.fromkeys(writers, ())
    seen: Seen = {}
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for name in writers:
            more = longer(name, bodies[name], 3)
            bodies[name] += more
            Folder(place, own, seen).send([run(name, more, signed=True)])
    told.send({name: len(of) for name, of in bodies.items()})
