"""The journal as text: the same bytes from the same journal, read back whole or not at all."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from logbook.errors import BadData, UserMistake
from logbook.journal import entry as journal
from logbook.sync import exchange, joining, textfile
from logbook.sync.textfile import TextFile
from tests.faults.counting import Counting
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf


def exported(machine: Machine, file: Path) -> bytes:
    """The journal of a machine as text, signed as the command signs it."""
    exchange.sign_heads(machine.store, machine.state)
    textfile.write(machine.store, file)
    return file.read_bytes()


@pytest.fixture
def office(tmp_path: Path) -> Machine:
    machine = Machine("office", tmp_path)
    key = machine.note("the fan is loud")
    machine.correct(key, "the fan is loud; tape 'Müller' = «laut»\n\u2028second line")
    machine.note("watered by hand")
    return machine


def joined(name: str, file: Path, folder: Path) -> Machine:
    """A machine that begins with the journal in a file."""
    machine = Machine(name, folder)
    machine.store.parent.mkdir()
    with joining.offered(machine.store, TextFile(file), now=machine.now) as offer:
        (founder,) = offer.founders
        offer.accept(founder, machine.store, machine.now)
    return machine


def test_every_entry_is_a_line_whose_bytes_give_its_id(office: Machine, tmp_path: Path) -> None:
    lines = exported(office, tmp_path / "all.jsonl").split(b"\n")
    assert json.loads(lines[0])["what"] == "journal of an amendment trial logbook"
    assert lines[1:5] == office.journal()
    ids = [hashlib.sha256(line).hexdigest() for line in lines[1:5]]
    assert [json.loads(line)["prev"] for line in lines[2:5]] == ids[:3]
    assert json.loads(lines[5])["head"]["id"] == ids[3]
    assert json.loads(lines[6])["end"]["entries"] == 4
    assert lines[7:] == [b""]


def test_a_machine_that_begins_with_the_text_has_the_same_book(
    office: Machine, tmp_path: Path
) -> None:
    first = exported(office, tmp_path / "first.jsonl")
    other = joined("other", tmp_path / "first.jsonl", tmp_path)
    assert other.journal() == office.journal()
    assert other.rows() == office.rows()
    textfile.write(other.store, tmp_path / "second.jsonl")
    assert (tmp_path / "second.jsonl").read_bytes() == first


def test_two_machines_that_exchanged_export_the_same_bytes(office: Machine, tmp_path: Path) -> None:
    shelf = Shelf()
    office.sync(MemoryPlace(shelf))
    exported(office, tmp_path / "first.jsonl")
    bench = joined("bench", tmp_path / "first.jsonl", tmp_path)
    bench.note("on the bench")
    bench.sync(MemoryPlace(shelf))
    office.sync(MemoryPlace(shelf))
    office.enrol("bench")
    for machine in (office, bench, office):
        machine.sync(MemoryPlace(shelf))
    assert exported(office, tmp_path / "o.jsonl") == exported(bench, tmp_path / "b.jsonl")


def test_the_file_is_taken_in_twice_and_nothing_is_doubled(office: Machine, tmp_path: Path) -> None:
    exported(office, tmp_path / "first.jsonl")
    other = joined("other", tmp_path / "first.jsonl", tmp_path)
    office.note("one more")
    exported(office, tmp_path / "second.jsonl")
    for _ in range(2):
        other.sync(TextFile(tmp_path / "second.jsonl"))
    assert other.journal() == office.journal()


def test_an_entry_that_another_program_wrote_over_two_lines_survives(tmp_path: Path) -> None:
    machine = Machine("office", tmp_path)
    machine.note("first")
    plain = machine.journal()[1]
    spread = plain.replace(b',"writes"', b',\n"writes"')
    assert journal.decode(spread) == journal.decode(plain)
    assert b"\n" not in textfile._as_line(spread)
    assert json.loads(textfile._as_line(spread)).keys() == {"bytes"}


def test_an_existing_file_is_never_overwritten(office: Machine, tmp_path: Path) -> None:
    (tmp_path / "mine.jsonl").write_text("mine")
    with pytest.raises(UserMistake, match="there is a file of that name already"):
        textfile.write(office.store, tmp_path / "mine.jsonl")
    assert (tmp_path / "mine.jsonl").read_text() == "mine"


def test_a_file_that_is_no_journal_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "some.jsonl"
    file.write_text('{"format":1,"what":"something else"}\n')
    with pytest.raises(BadData, match="this file is not the journal of a logbook"):
        TextFile(file).check()
    with pytest.raises(BadData, match=r"none\.jsonl: cannot be read \(No such file or directory\)"):
        TextFile(tmp_path / "none.jsonl").check()
    file.write_text('{"format":2,"what":"journal of an amendment trial logbook"}\n')
    with pytest.raises(BadData, match="a journal of format 2; this program reads 1"):
        TextFile(file).check()


def test_more_after_the_end_is_refused(office: Machine, tmp_path: Path) -> None:
    file = tmp_path / "all.jsonl"
    exported(office, file)
    with file.open("ab") as more:
        more.write(b"{}\n")
    with pytest.raises(BadData, match="line 8: there is more after the end; nothing was imported"):
        TextFile(file).check()


def test_every_cut_and_every_flipped_bit_is_found(
    office: Machine, tmp_path: Path, counting: Counting
) -> None:
    whole = exported(office, tmp_path / "all.jsonl")
    file = tmp_path / "broken.jsonl"
    with counting.fault("4", "torn journal in text", "cut anywhere", 1_000) as count:
        for _ in range(count.asked):
            file.write_bytes(whole[: count.rng.randrange(len(whole))])
            with pytest.raises(BadData):
                TextFile(file).check()
            count.passed += 1
    with counting.fault("5", "flipped bit in a journal in text", "anywhere", 1_000) as count:
        for _ in range(count.asked):
            place = count.rng.randrange(len(whole) * 8)
            broken = bytearray(whole)
            broken[place // 8] ^= 1 << place % 8
            file.write_bytes(broken)
            with pytest.raises(BadData):
                TextFile(file).check()
            count.passed += 1
