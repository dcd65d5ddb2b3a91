"""docs/sync.md says of everything that an exchange may find what it means and what to do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logbook.sync.segment import BadSegment, stored_length, unpack
from tests.sync import hostile

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "sync.md").read_text(encoding="utf-8")


def rows(after: str) -> list[tuple[list[str], str]]:
    """Of each row of the table after these words: what the program says, and what is to be done."""
    table = PAGE.partition(after)[2].partition("|---|---|---|")[2].partition("\n\n")[0]
    cells = [line.split("|")[1:-1] for line in table.strip().splitlines()]
    return [(said.strip().split("; "), do.strip()) for said, _, do in cells]


FINDINGS = rows("<!-- findings of sync")
REMARKS = rows("\nRemarks stand below")


def source(*names: str) -> str:
    """The text of modules, strings that go on over several lines put together."""
    text = "".join((ROOT / "logbook" / one).read_text(encoding="utf-8") for one in names)
    return " ".join(re.sub(r'"\s+f?"', "", text).split())


def test_the_words_are_the_programs_own() -> None:
    files = ("sync/segment.py", "sync/files.py", "sync/exchange.py")
    program = source(*files, "book/receiving.py", "book/admitting.py", "journal/entry.py")
    for said, do in FINDINGS:
        for part in said:
            assert part in program, part
        for sentence in do.removesuffix(" Find out who can write there").split(". "):
            assert sentence.strip(".") in program, sentence
    remarks = source("report/exchanges.py")
    for said, _ in REMARKS:
        for part in said:
            assert part in remarks, part
    assert (len(FINDINGS), len(REMARKS)) == (15, 8)


def test_no_finding_about_a_file_is_left_out() -> None:
    said = [part for parts, _ in FINDINGS for part in parts]
    program = source("sync/segment.py", "sync/files.py")
    found = re.findall(r'BadSegment\(\s*Fault\.\w+, f?"([^"{]*)', program)
    found += re.findall(r'_find\(name, f?"([^"{]*)', program)
    found += re.findall(r'return "(it is [^"]*)"', program)
    assert len(found) > 10
    for words in found:
        assert any(words.startswith(part) for part in said), words


@pytest.mark.parametrize("fault", ["empty", "torn", "damaged", "foreign", "newer", "refused"])
def test_the_remedy_of_each_fault_stands_in_its_row(fault: str) -> None:
    whole = hostile.framed(b"")
    data = {
        "empty": b"",
        "torn": whole[:-1],
        "damaged": whole + b"!",
        "foreign": b"a picture",
        "newer": whole[:32] + (2).to_bytes(4, "big") + whole[36:],
        "refused": whole,
    }[fault]
    with pytest.raises(BadSegment) as bad:
        stored_length(data[:76], len(data))
        unpack(data)
    assert bad.value.fault == fault
    meant = [do for said, do in FINDINGS if any(map(bad.value.message.startswith, said))]
    assert meant == [bad.value.hint]
