"""What disks, drives and people do to a folder of segments: nothing is accepted that is not whole.

Numbers are those of the list of faults in docs/reliability.md; each fault is tried a tenth as often
as by `--faults full`.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
import tracemalloc
from pathlib import Path

import pytest

from logbook.sync.folder import SUBFOLDER, Folder
from logbook.sync.place import Inventory, Unreachable
from logbook.sync.remembered import Remembered
from logbook.sync.segment import unpack
from tests.faults.counting import Counting
from tests.sync import hostile
from tests.sync.chains import Having, chain, head, ids, inventory, run
from tests.sync.contract import bodies_of
from tests.sync.osdisk import PowerCut, left_by_a_cut, watched

BENCH = chain("bench", 40)
OWN = "ab12"


@pytest.fixture
def there(tmp_path: Path) -> Path:
    """A place with two segments of one writer: entries 1 to 25, then 26 to 40 and a head."""
    place = tmp_path / "stick"
    place.mkdir()
    Folder(place, OWN).send([run("bench", BENCH[:25])])
    Folder(place, OWN).send([run("bench", BENCH[25:], signed=True)])
    return place


def segments(place: Path) -> list[Path]:
    """The segments of a place, the one that begins a chain first."""
    found = (place / SUBFOLDER).glob("*.seg")
    return sorted(found, key=lambda path: int(path.name.split("-")[1]))


def names(place: Path) -> set[str]:
    """What lies in the folder of segments."""
    return {path.name for path in (place / SUBFOLDER).iterdir()}


def emptied(place: Path) -> Path:
    """The folder of a place with every file of it taken away, on the disk of the same test."""
    for path in (place / SUBFOLDER).iterdir():
        path.unlink()
    return place / SUBFOLDER


def test_written_forced_named_and_its_name_forced_in_this_order(there: Path) -> None:
    more = chain("bench", 45)[40:]
    with watched(there) as disk:
        Folder(there, OWN).send([run("bench", more)])
    assert disk.order == ["create", "write", "fsync", "link", "fsync folder", "unlink"]
    part, target = disk.calls[3].path, disk.calls[3].more
    assert {call.path for call in disk.calls[:3]} == {part}
    assert disk.calls[4].path == target.parent == part.parent


def test_a_power_cut_leaves_the_old_state_or_the_new(
    counting: Counting, there: Path, tmp_path: Path
) -> None:
    old, new = inventory(BENCH, heads=[head("bench", BENCH)]), chain("bench", 60)
    sent = inventory(new, heads=[head("bench", BENCH), head("bench", new)])
    how = "cut before any call of writing a segment; what was not forced is there in part"
    with counting.fault("2", "power cut, folder", how, 200) as count:
        for number in range(count.asked):
            place, left = tmp_path / f"place{number}", tmp_path / f"left{number}"
            shutil.copytree(there, place)
            shutil.copytree(there, left)
            with watched(place, most_written=300, failure=PowerCut()) as disk:
                disk.fails_at = count.rng.randint(1, 14)
                try:
                    Folder(place, OWN).send([run("bench", new[40:], signed=True)])
                    said = True
                except PowerCut:
                    said = False
            calls = [call for call in disk.calls if call.what != "failed"]
            left_by_a_cut(calls, count.rng, left, place)
            found = Folder(left, "cd34").inventory()
            assert found == sent or (found == old and not said)
            count.saw["said to be safe"] += said
            count.saw["the new state"] += found == sent
            # The next sync ends it.
            Folder(left, OWN).send([run("bench", new[40:], signed=True)])
            count.passed += Folder(left, OWN).inventory() == sent
            shutil.rmtree(place)
            shutil.rmtree(left)


@pytest.mark.parametrize("failing", [errno.EIO, errno.ENOSPC])
def test_any_call_may_fail(counting: Counting, tmp_path: Path, failing: int) -> None:
    how = "each call of writing into a folder in turn, by an error of the disk or a full one"
    with counting.fault("3", "n-th I/O fails, folder", how, 100) as count:
        for number in range(count.asked):
            place = tmp_path / f"place{number}"
            place.mkdir()
            calls = 16
            failure = OSError(failing, os.strerror(failing))
            with watched(place, most_written=400, failure=failure) as disk:
                disk.fails_at = number % calls + 1
                try:
                    Folder(place, OWN).send([run("bench", BENCH[:20])])
                except Unreachable as problem:
                    count.saw["one sentence"] += 1
                    assert "\n" not in problem.message and str(place) in problem.message
            assert Folder(place, OWN).inventory() in (Inventory(), inventory(BENCH[:20]))
            assert not [path for path in segments(place) if not _is_whole(path)]
            Folder(place, OWN).send([run("bench", BENCH[:20])])
            count.passed += Folder(place, OWN).inventory() == inventory(BENCH[:20])


def _is_whole(path: Path) -> bool:
    return bool(unpack(path.read_bytes()))


def spoiled(there: Path, data: bytes, name: str) -> tuple[Folder, list[bytes]]:
    """What a new machine fetches where the second segment holds these bytes."""
    (there / SUBFOLDER / name).write_bytes(data)
    place = Folder(there, OWN)
    assert place.inventory() == inventory(BENCH[:25])
    fetched = bodies_of(place.fetch(Having()))
    assert [problem.where for problem in place.problems] == [name]
    return place, fetched


def test_a_torn_segment_is_not_accepted(counting: Counting, there: Path) -> None:
    second = segments(there)[1]
    data = second.read_bytes()
    with counting.fault("4", "torn segment", "cut off at a random length", 2_000) as count:
        for _ in range(count.asked):
            length = count.rng.randrange(len(data))
            place, fetched = spoiled(there, data[:length], second.name)
            said = "it is cut off" if length else "it is empty"
            count.passed += fetched == list(BENCH[:25]) and place.problems[0].what.startswith(said)


def test_a_segment_with_flipped_bits_is_not_accepted(counting: Counting, there: Path) -> None:
    second = segments(there)[1]
    data = second.read_bytes()
    how = "one to three random bits"
    with counting.fault("5", "flipped bits in a segment", how, 2_000) as count:
        for _ in range(count.asked):
            flipped = bytearray(data)
            for place in count.rng.sample(range(len(data) * 8), count.rng.randint(1, 3)):
                flipped[place // 8] ^= 1 << place % 8
            found, fetched = spoiled(there, bytes(flipped), second.name)
            count.saw[_word(found.problems[0].what)] += 1
            count.passed += fetched == list(BENCH[:25])


def _word(what: str) -> str:
    words = {
        "it is cut off": "said to be cut off",
        "it is no segment": "said to be foreign",
        "it is of format": "said to be newer",
        "it is refused": "said to hold too much",
    }
    return next((word for start, word in words.items() if what.startswith(start)), "damaged")


def test_segments_may_come_in_any_order_and_more_than_once(
    counting: Counting, tmp_path: Path
) -> None:
    source = tmp_path / "source"
    source.mkdir()
    office = chain("office", 12)
    for bodies in (BENCH[:10], BENCH[10:20], BENCH[20:35], BENCH[35:], BENCH[15:25]):
        Folder(source, OWN).send([run("bench", bodies, signed=True)])
    Folder(source, OWN).send([run("office", office[:5]), run("office", office[5:])])
    found = segments(source)
    how = "each segment one to three times, in a random order, looked at after each"
    with counting.fault("7", "duplicates, reordering", how, 10) as count:
        for number in range(count.asked):
            place = tmp_path / f"shuffled{number}"
            (place / SUBFOLDER).mkdir(parents=True)
            copies = [path for path in found for _ in range(count.rng.randint(1, 3))]
            count.rng.shuffle(copies)
            having, seen = Having(), dict[str, Remembered]()
            for at, path in enumerate(copies):
                shutil.copy(path, place / SUBFOLDER / f"{at:03}.SEG")
                folder = Folder(place, OWN, seen)
                having.fetch_all(folder)
                assert folder.problems == []
            assert Folder(place, OWN).inventory() == Folder(source, OWN).inventory()
            assert Folder(place, OWN, seen).inventory() == Folder(source, OWN).inventory()
            assert list(Folder(place, OWN, seen).fetch(having)) == []
            count.saw["files"] += len(copies)
            count.passed += set(having.entries) == set(ids(BENCH + office))


CLOUDY = (
    "{stem} (1).seg",
    "{stem} - Copy.seg",
    "{stem} (bench's conflicted copy 2026-03-14).seg",
    "{stem}.sync-conflict-20260314-083000-ABCDEFG.seg",
    "{upper}.SEG",
    "{stem}.seg (2)",
    "{stem}.seg.bak",
    "{stem}.seg;1",
    "Kopie von {stem}.Seg",
    "renamed by a person",
)
NOT_YET = (".{stem}.seg.tmp", "{stem}.seg.part", "~syncthing~{stem}.seg.tmp", "{stem}.SEG.PARTIAL")


def test_what_a_cloud_folder_does_to_names(counting: Counting, there: Path) -> None:
    first, second = (path.read_bytes() for path in segments(there))
    how = "renamed, copied, upper case, conflicted, unfinished, empty, foreign files; clocks wrong"
    with counting.fault("18", "cloud folder", how, 100) as count:
        for number in range(count.asked):
            folder = emptied(there)
            stem = f"{number:032x}-1-25-0badcafe"
            names = {"stem": stem, "upper": stem.upper()}
            chosen = count.rng.sample(CLOUDY, 4)
            for name, data in zip(chosen, (first, second, second, first), strict=True):
                path = folder / name.format(**names)
                path.write_bytes(data)
                # 1980 is where a stick begins, 2099 a laptop whose clock is wrong.
                os.utime(path, (0, count.rng.choice((315_532_800, 4_070_908_800))))
            unfinished = count.rng.choice(NOT_YET).format(**names)
            (folder / unfinished).write_bytes(second[: count.rng.randrange(len(second))])
            (folder / f"{stem}-empty.seg").write_bytes(b"")
            (folder / "holiday.jpg").write_bytes(b"\xff\xd8\xff\xe0 a picture")
            for name in ("desktop.ini", ".DS_Store", f"._{stem}.seg"):
                (folder / name).write_bytes(b"\0\5\x16\7 of a system")
            place = Folder(there, OWN)
            assert place.inventory().tips == inventory(BENCH).tips
            assert bodies_of(place.fetch(Having())) == list(BENCH)
            listed = {problem.where: problem.what for problem in place.problems}
            count.passed += listed == {
                unfinished: "it is not finished",
                f"{stem}-empty.seg": "it is empty",
                "holiday.jpg": "it is no segment of a logbook",
            }


def test_a_full_disk_keeps_nothing_half(counting: Counting, tmp_path: Path) -> None:
    how = "no space left at a random write into a folder"
    with counting.fault("11", "disk full, folder", how, 60) as count:
        for number in range(count.asked):
            place = tmp_path / f"full{number}"
            place.mkdir()
            Folder(place, OWN).send([run("bench", BENCH[:25])])
            with watched(place, most_written=200, failure=OSError(errno.ENOSPC, "full")) as disk:
                disk.fails_at = count.rng.randint(2, 6)
                with pytest.raises(Unreachable) as refused:
                    Folder(place, OWN).send([run("bench", BENCH[25:])])
            assert refused.value.message == (
                f"{place / SUBFOLDER}: no space is left there; what could not be kept whole was "
                "taken back"
            )
            assert refused.value.hint == "free some space and sync again"
            assert names(place) == {"README.txt", segments(place)[0].name}
            Folder(place, OWN).send([run("bench", BENCH[25:])])
            count.passed += Folder(place, OWN).inventory() == inventory(BENCH)


ODD_NAMES = (
    "..\\..\\x.seg",
    "C:\\outside\\x.seg",
    "\\\\server\\share\\x.seg",
    "..x.seg",
    "...seg",
    "~root.seg",
    "%2e%2e%2fx.seg",
    "-rf.seg",
    "\x1b]0;owned\x07.seg",
    "a\nb.seg",
    "'; --",
)


def test_hostile_segments_are_refused_within_bounds(
    counting: Counting, there: Path, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "kept.seg").write_bytes(segments(there)[1].read_bytes())
    (outside / "kept.txt").write_text("as it was")
    folder = emptied(there)
    # By a whole path, by one that climbs, to a folder, round in a circle.
    absolute = [outside / name for name in ("kept.seg", "kept.txt", "missing")]
    climbing = [os.path.relpath(path, folder) for path in absolute]
    assert all(path.startswith("../") for path in climbing)
    assert (folder / climbing[0]).samefile(absolute[0])
    leading_out = [*absolute, *climbing, outside, "..", "link.seg"]
    before = _all_files(tmp_path)
    how = "crafted with a right hash: bombs, giant sizes, hostile JSON, forged and chained anew"
    with counting.fault("22", "hostile bundles, folder", how, 300) as count:
        kinds = list(hostile.KINDS)
        for number in range(count.asked):
            kind = kinds[number % len(kinds)]
            name = count.rng.choice((*ODD_NAMES, f"{number:032x}-1-2-0badcafe.seg"))
            (folder / name).write_bytes(hostile.KINDS[kind](count.rng))
            link = folder / "link.seg"
            link.symlink_to(count.rng.choice(leading_out))
            having = Having()
            tracemalloc.start()
            start = time.process_time()
            place = Folder(there, OWN)
            found = place.inventory()
            having.fetch_all(place)
            took = time.process_time() - start
            most = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            assert (found, having.entries, having.heads) == (Inventory(), {}, set())
            assert took < 2 and most < 100 * hostile.MIB, (kind, took, most)
            assert {problem.what for problem in place.problems} >= {
                "it is a link, which is not followed"
            }
            assert all(str(problem).isprintable() for problem in place.problems)
            count.saw[kind] += 1
            (folder / name).unlink()
            link.unlink()
            count.passed += len(place.problems) == 2 and _all_files(tmp_path) == before


def _all_files(root: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
