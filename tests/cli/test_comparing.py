"""`compare` as its user meets it: the screen at two widths, the figure's files, wrong input."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from tests.one_date import DAY0, day28
from tests.program import Program


def test_the_screen_holds_to_eighty_columns(started: Program) -> None:
    said = day28(started).must("compare").out
    assert max(map(len, said.splitlines())) <= 80
    assert said.isascii()
    lines = said.splitlines()
    assert lines[0].startswith("Small house (invented), day 28: difference of every treatment")
    # Seven lines of each treatment; two of M and three of C10 have no spread or only bounds.
    assert any(line.startswith("9 ranges, each at 95 % on its own, not widened") for line in lines)
    assert "M (meal): 2 beds, control 2 beds; Mon 30 Mar 2026" in lines
    rows = [line.split() for line in lines]
    assert ["mineral-N", "*", "44.5", "22.5", "+22.0", "+9.3", "to", "+34.7"] in rows
    # The pooled spread of three treatments in two blocks, worked in tests/study/test_tested.py.
    assert ["mineral-N", "*", "x", "1.98", "1.69", "to", "2.31", "0.003", "-", "more"] in rows
    assert ["P", "limit", "12.50", "-", "[-8.00", "to", "-7.00]"] in rows
    assert ["P", "-", "-", "-", "-", "cannot", "say:", "limits"] in rows
    ph, ec = (next(n for n, row in enumerate(rows) if row[:1] == [name]) for name in ("pH", "EC"))
    assert ec == ph + 1
    assert 'anything within the range fits; it is not "the same"' in " ".join(said.split())


def test_a_wide_screen_has_the_tests_in_the_same_table(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    day28(started)
    narrow = started.must("compare", "--treatment", "m").out
    monkeypatch.setenv("COLUMNS", "120")
    wide = started.must("compare", "--treatment", "m").out
    assert narrow.count("together  ") == wide.count("together  ") == 1
    assert any("9.3 to" in line and "x 1.98" in line for line in wide.splitlines())
    assert not any("9.3 to" in line and "x 1.98" in line for line in narrow.splitlines())
    assert "C10" not in wide.replace("P: no result", "")


def test_figures_are_written_and_said_on_stderr(started: Program) -> None:
    said = day28(started).must("compare", "day 28", "--svg", "a.svg", "--png", "a.png")
    assert said.err == "Drawn: a.svg\nDrawn: a.png\n"
    root = ET.parse(started.folder / "a.svg").getroot()
    title = root.find("{http://www.w3.org/2000/svg}title")
    assert title is not None and title.text == (
        "Small house (invented), day 28: difference of every treatment from the control"
    )
    assert (started.folder / "a.png").read_bytes().startswith(b"\x89PNG")


WRONG = {
    "unknown pull": (
        ["compare", "day 99"],
        "Error: the calendar has no pull 'day 99'\n"
        "Try: it has: before, day 0, day 7, day 14, day 28\n",
    ),
    "pull without results": (
        ["compare", "14"],
        "Error: day 14 has no result of a treated bed yet\n"
        "Try: there are results of: day 7, day 28\n",
    ),
    "unknown treatment": (
        ["compare", "--treatment", "C11"],
        "Error: there is no treatment 'C11' to compare with the control\nTry: use one of: C10, M\n",
    ),
    "the control": (
        ["compare", "--treatment", "none"],
        "Error: there is no treatment 'none' to compare with the control\n"
        "Try: use one of: C10, M\n",
    ),
    "wrong suffix": (
        ["compare", "--svg", "day28.png"],
        "Error: day28.png: a --svg file ends in .svg\n",
    ),
    "no such folder": (
        ["compare", "--svg", "no/day28.svg"],
        "Error: no/day28.svg: cannot be written: No such file or directory\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_sentence_and_no_file(name: str, started: Program) -> None:
    day28(started)
    before = sorted(started.folder.iterdir())
    words, message = WRONG[name]
    said = started(*words)
    assert (said.code, said.out, said.err) == (2, "", message)
    assert sorted(started.folder.iterdir()) == before


def test_without_results_it_says_how_they_come(started: Program) -> None:
    started.must("apply", "all", on=DAY0)
    said = started("compare")
    assert (said.code, said.out, said.err) == (
        2,
        "",
        "Error: no pull has a result of a treated bed and of its control yet\n"
        "Try: logbook lab import FILE brings results in\n",
    )
