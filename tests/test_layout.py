"""`trial layout`: a drawn layout in a new protocol whose every other byte stays as it was."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook import protocol
from logbook.analysis.beds import Bed
from logbook.analysis.series import Difference, between_beds
from logbook.cli.run import run
from logbook.protocol.rewriting import rewritten

HEAD = """\
# An invented trial: two materials, one control.
format = 1
[trial]
name = "Small (invented)"   # its name
question = "Does it release anything?"
zone = "Europe/Lisbon"
[sampling]
depth = "10 cm"
cores = 8
[soil]
source = "heap"
texture = "loam"
bulk_density = "1.3 kg/L"
[sizes.bed]
area = "2.88 m2"
depth = "30 cm"
[application]
incorporated = "15 cm"
[amendments.c]
material = "compost"
lot = "heap 3"
density = "0.55 kg/L"
moisture = "40 % wet basis"
[treatments.none]
control = true
[treatments.C10]
amendment = "c"
rate = "10 % v/v of the mix"
[treatments.C20]
amendment = "c"
rate = "20 % v/v of the mix"
"""
TAIL = """\
# what is followed
[nutrients]
nitrate-N = "1 M KCl"
ammonium-N = "1 M KCl"  # both
"""
LAYOUT = """\
# -- the beds
[layout]   # by hand so far
assigned = "by hand"  # at the gate
beds = [
  # north
  { label = "P1", block = "east", treatment = "none" },  # tap
  { label = "P2", block = "east", treatment = "C10" },
  { label = "P3", block = "east", treatment = "C20" },
  # south
  { label = "P4", block = "west", treatment = "none" },
  { label = "P5", block = "west", treatment = "C10" },
  { label = "P6", block = "west", treatment = "C20" }   # the door
  # no more
]
"""
OWN = HEAD + LAYOUT + TAIL


class Bench:
    """A folder with a protocol in it, and the program run there."""

    def __init__(self, folder: Path, shown: pytest.CaptureFixture[str]) -> None:
        self.folder, self.shown = folder, shown
        self.file, self.out = folder / "trial.toml", folder / "drawn.toml"

    def run(self, *words: str) -> tuple[int, str, str]:
        code = run(words)
        said = self.shown.readouterr()
        return code, said.out, said.err

    def draw(self, text: str, *words: str) -> tuple[int, str, str]:
        self.file.write_bytes(text.encode())
        return self.run("trial", "layout", "trial.toml", "--out", "drawn.toml", *words)

    def drawn(self, text: str, *words: str) -> protocol.Protocol:
        code, _, wrong = self.draw(text, *words)
        assert (code, wrong) == (0, "")
        return protocol.read(self.out.read_bytes(), "drawn.toml")


@pytest.fixture
def bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Bench:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOGBOOK_STORE", str(tmp_path / "book.db"))
    monkeypatch.setenv("LOGBOOK_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("LOGBOOK_BY", "tester")
    return Bench(tmp_path, capsys)


def blocks_of(read: protocol.Protocol) -> dict[str, list[str]]:
    rows: dict[str, list[str]] = {}
    for bed in read.beds:
        rows.setdefault(bed.block, []).append(bed.treatment)
    return rows


def test_the_map_and_the_file(bench: Bench) -> None:
    code, said, _ = bench.draw(OWN, "--seed", "7")
    assert code == 0
    assert said.splitlines() == [
        "Randomised complete blocks, 2 blocks, seed 7: 6 beds, 2 of them none (control)",
        "",
        "Block  Beds   Treatments",
        "east   P1-P3  C10   C20   none",
        "west   P4-P6  C20   none  C10",
        "",
        "Written: drawn.toml. Look at the map, then: logbook trial check drawn.toml",
    ]
    expected = OWN
    for old, new in (
        ('"by hand"  # at the gate\n', '"drawn"  # at the gate\nseed = 7\n'),
        ('"P1", block = "east", treatment = "none"', '"P1", block = "east", treatment = "C10"'),
        ('"P2", block = "east", treatment = "C10"', '"P2", block = "east", treatment = "C20"'),
        ('"P3", block = "east", treatment = "C20"', '"P3", block = "east", treatment = "none"'),
        ('"P4", block = "west", treatment = "none"', '"P4", block = "west", treatment = "C20"'),
        ('"P5", block = "west", treatment = "C10"', '"P5", block = "west", treatment = "none"'),
        ('"P6", block = "west", treatment = "C20"', '"P6", block = "west", treatment = "C10"'),
    ):
        assert expected.count(old) == 1
        expected = expected.replace(old, new)
    assert bench.out.read_text() == expected
    read = protocol.read(bench.out.read_bytes(), "drawn.toml")
    assert (read.assigned, read.seed) == ("drawn", 7)
    assert not (bench.folder / "book.db").exists()
    assert not (bench.folder / "state").exists()
    assert bench.run("trial", "check", "drawn.toml")[0] == 0


def test_the_eye_is_told_and_the_draw_stands(bench: Bench) -> None:
    code, said, _ = bench.draw(OWN, "--seed", "5", "--blocks", "3")
    assert code == 0
    assert said.splitlines()[3:6] == [
        "1      P1-P3  none  C20   C10",
        "2      P4-P6  none  C10   C20",
        "3      P7-P9  none  C10   C20",
    ]
    assert (
        "Note: none is at place 1 of every block, by chance; should light or an edge make that "
        "matter, draw again and write down why\n"
    ) in said


def test_without_a_layout_the_usual_one(bench: Bench) -> None:
    read = bench.drawn(HEAD + TAIL)
    assert bench.out.read_text().startswith(HEAD + TAIL + "\n[layout]\n")
    assert [bed.label for bed in read.beds] == [f"B{n}" for n in range(1, 17)]
    assert list(blocks_of(read)) == ["1", "2", "3", "4"]
    for row in blocks_of(read).values():  # two treatments: two controls a block
        assert Counter(row) == Counter({"none": 2, "C10": 1, "C20": 1})
    assert read.assigned == "drawn"
    assert read.seed is not None and 0 <= read.seed < 10**9


def test_a_seed_drawn_unasked_draws_the_same_again(bench: Bench) -> None:
    first = bench.drawn(OWN)
    bench.out.unlink()
    assert bench.drawn(OWN, "--seed", str(first.seed)).beds == first.beds


def test_a_drawn_protocol_is_drawn_again_to_the_same_bytes(bench: Bench) -> None:
    bench.drawn(HEAD + TAIL, "--seed", "99")
    once = bench.out.read_bytes()
    bench.out.unlink()
    bench.drawn(once.decode(), "--seed", "99")
    assert bench.out.read_bytes() == once


def test_completely_random_is_one_block(bench: Bench) -> None:
    code, said, _ = bench.draw(HEAD + TAIL, "--design", "random", "--repeats", "5", "--seed", "3")
    assert code == 0
    assert said.startswith("Completely random, seed 3: 20 beds, 10 of them none (control)\n")
    read = protocol.read(bench.out.read_bytes(), "drawn.toml")
    assert Counter(bed.treatment for bed in read.beds) == {"none": 10, "C10": 5, "C20": 5}
    assert set(blocks_of(read)) == {"1"}
    # of one block, beds are compared as two groups, not pair by pair
    found = compared(read)
    assert (found.method, found.note) == ("welch", "blocks not used: all beds are in one block")


def test_complete_blocks_with_extra_controls_are_compared_within_blocks(bench: Bench) -> None:
    assert compared(bench.drawn(HEAD + TAIL, "--controls", "3")).method == "within-block"


def compared(read: protocol.Protocol) -> Difference:
    """One treatment against the control on one day, with made-up results."""
    beds = [
        Bed(bed.label, bed.block, bed.treatment == "C10", n, n, False, False, False)
        for n, bed in enumerate(read.beds)
        if bed.treatment in ("none", "C10")
    ]
    return between_beds(28, beds, None)


@pytest.mark.parametrize(
    ("words", "blocks", "each"),
    [
        (["--blocks", "3"], ["1", "2", "3"], {"none": 1, "C10": 1, "C20": 1}),
        (["--blocks", "2"], ["east", "west"], {"none": 1, "C10": 1, "C20": 1}),
        (["--controls", "3"], ["east", "west"], {"none": 3, "C10": 1, "C20": 1}),
        (["--beds", "8"], ["east", "west"], {"none": 2, "C10": 1, "C20": 1}),
        (["--design", "random"], ["1"], {"none": 2, "C10": 2, "C20": 2}),
        (["--design", "random", "--beds", "9"], ["1"], {"none": 5, "C10": 2, "C20": 2}),
        (["--design", "random", "--repeats", "3"], ["1"], {"none": 6, "C10": 3, "C20": 3}),
    ],
)
def test_how_many_beds_of_what(
    bench: Bench, words: list[str], blocks: list[str], each: dict[str, int]
) -> None:
    rows = blocks_of(bench.drawn(OWN, *words))
    assert list(rows) == blocks
    assert all(Counter(row) == each for row in rows.values())


def test_fewer_and_more_beds_keep_every_remark(bench: Bench) -> None:
    _, said, _ = bench.draw(OWN, "--blocks", "3", "--seed", "5", "--prefix", "Q")
    assert "Note: the list of beds has another form now: check the remarks in it" in said
    more = bench.out.read_text()
    assert more.split("beds = [")[0].startswith(HEAD)
    assert re.findall("#.*", more) == re.findall("#.*", OWN)
    lines = more.split("beds = [")[1].split("]\n")[0].splitlines()
    assert lines[6].startswith('  { label = "Q4"')
    assert lines[8].endswith("},   # the door")
    assert lines[9].startswith('  { label = "Q7"')
    assert lines[12] == "  # no more"
    bench.out.unlink()
    fewer = bench.drawn(more, "--blocks", "1", "--controls", "1", "--seed", "5")
    assert [bed.label for bed in fewer.beds] == ["Q1", "Q2", "Q3"]
    assert re.findall("#.*", bench.out.read_text()) == re.findall("#.*", OWN)
    assert bench.out.read_text().count("{ label") == 3


def test_sizes_go_with_treatments(bench: Bench) -> None:
    two = OWN.replace("[application]", '[sizes.tray]\narea = "0.2 m2"\ndepth = "20 cm"\n'
                      "[application]")  # fmt: skip
    code, _, wrong = bench.draw(two)
    assert code == 2
    assert "--size with one of: bed, tray" in wrong
    named = two.replace('"none" }', '"none", size = "bed" }')
    named = named.replace('"C10" }', '"C10", size = "tray" }')
    named = named.replace('"C20" }', '"C20", size = "bed" }')
    for bed in bench.drawn(named).beds:
        assert bed.size == ("tray" if bed.treatment == "C10" else "bed")


def test_for_programs(bench: Bench) -> None:
    code, said, _ = bench.draw(OWN, "--seed", "7", "--json")
    document = json.loads(said)
    assert code == 0
    assert {key: document[key] for key in ("format", "file", "design", "seed", "blocks")} == {
        "format": 1, "file": "drawn.toml", "design": "blocks", "seed": 7,
        "blocks": ["east", "west"],
    }  # fmt: skip
    assert document["controls_per_block"] == 1
    assert document["beds"][0] == {
        "bed": "P1", "block": "east", "treatment": "C10", "size": "bed"
    }  # fmt: skip
    assert len(document["beds"]) == 6
    assert document["notes"] == []


def test_a_long_block_is_shown_within_80_columns(bench: Bench) -> None:
    code, said, _ = bench.draw(HEAD + TAIL, "--beds", "100", "--blocks", "2")
    assert code == 0
    shown = said.split("\n\n")[1].splitlines()
    assert all(len(line) <= 80 and line.isascii() for line in shown)
    codes = [word for line in shown[1:] for word in line.split() if word in ("none", "C10", "C20")]
    assert Counter(codes) == {"none": 96, "C10": 2, "C20": 2}


def test_line_ends_and_a_byte_order_mark_stay(bench: Bench) -> None:
    data = b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode()
    bench.file.write_bytes(data)
    words = ("trial", "layout", "trial.toml", "--out", "drawn.toml", "--blocks", "4")
    assert bench.run(*words)[0] == 0
    new = bench.out.read_bytes()
    assert new.startswith(data[: len(HEAD) // 2])
    assert new.count(b"\n") == new.count(b"\r\n")
    assert len(protocol.read(new, "drawn.toml").beds) == 12


# What the file is (None: not there), what is typed after it, and what is said: word for word.
TABLES = HEAD + '[layout]\n[[layout.beds]]\nlabel = "B1"\n' + TAIL
PLANNED = OWN.replace("[amendments.c]", "planned = { east = 2026-03-02, west = 2026-03-09 }\n"
                      "[amendments.c]")  # fmt: skip
WRONG: list[tuple[str | None, list[str], str]] = [
    (None, [], "Error: trial.toml: cannot be read (No such file or directory)\n"
     "Try: logbook trial template > trial.toml makes one\n"),
    (OWN, ["--out", "trial.toml"], "Error: trial.toml: the new protocol must be another file\n"
     "Try: --out drawn.toml\n"),
    (OWN, ["--out", "."], "Error: .: exists already and is left as it is\n"
     "Try: name a new file with --out\n"),
    (OWN, ["--out", "nowhere/new.toml"],
     "Error: nowhere/new.toml: cannot be written (No such file or directory)\n"
     "Try: name another file with --out\n"),
    (OWN, ["--out", "n" * 300], f"Error: {'n' * 300}: cannot be written (File name too long)\n"
     "Try: name another file with --out\n"),
    (OWN, ["--seed", "-1"], "Error: --seed -1 cannot be kept\n"
     "Try: give a whole number from 0 up\n"),
    (OWN, ["--design", "latin"], "Error: 'latin' is not a design\nTry: use blocks or random\n"),
    (OWN, ["--blocks", "0"], "Error: --blocks 0 is not from 1 to 500\n"),
    (OWN, ["--blocks", "400"], "Error: 1200 beds are more than 500\nTry: ask for fewer\n"),
    (OWN, ["--beds", "7"], "Error: 7 beds cannot hold 2 beds of each treatment and the same "
     "number of controls in every block\nTry: --beds 6, 8, 10 ...\n"),
    (OWN, ["--design", "random", "--beds", "4"], "Error: 4 beds cannot hold 2 beds of each "
     "treatment and a control\nTry: --beds 5 or more\n"),
    (OWN, ["--beds", "8", "--controls", "1"], "Error: --beds and --controls say the same thing "
     "twice\nTry: leave one of them out\n"),
    (OWN, ["--repeats", "3"], "Error: --repeats is for --design random: a block holds every "
     "treatment once\nTry: --blocks 3\n"),
    (OWN, ["--design", "random", "--blocks", "3"], "Error: --blocks is for --design blocks: a "
     "random layout has none\nTry: --repeats 3\n"),
    (OWN, ["--size", "tub"], "Error: --size 'tub' is not described in trial.toml\n"
     "Try: use: bed\n"),
    (OWN, ["--prefix", "B1"], "Error: --prefix 'B1' cannot stand before a number\n"
     "Try: --prefix B\n"),
    (OWN, ["--prefix", "B-"], "Error: 'B-500' cannot be used in a range such as B1-B6,B9\n"
     "Try: leave out blanks, hyphens, commas and colons\n"),
    (OWN, ["--prefix", "c", "--blocks", "4"], "Error: bed c10 would have the name of a treatment\n"
     "Try: choose other labels with --prefix\n"),
    (PLANNED, ["--blocks", "3"],
     "trial.toml, line 19, application.planned.east: 'east' is not a block of the layout; use: 1, "
     "2, 3\n"
     "trial.toml, line 19, application.planned.west: 'west' is not a block of the layout; use: 1, "
     "2, 3\n"
     "trial.toml, line 19, application.planned: no planned date for block 1, 2, 3; give every "
     "block a date, or one for all\n"
     "Error: trial.toml cannot be used: 3 problems\n"),
    (OWN.replace("cores = 8", "cores = 0").replace("[treatments.C20]", "[treatments.C-20]"), [],
     "trial.toml, line 9, sampling.cores: 0 is too small; give 1 or more, up to "
     "9223372036854775807\n"
     "trial.toml, line 29, treatments.C-20: 'C-20' cannot be used in a range such as B1-B6,B9; "
     "leave out blanks, hyphens, commas and colons\n"
     "Error: trial.toml cannot be used: 2 problems\n"),
    (TABLES, [], "trial.toml, line 32: the layout is written in a way in which it cannot "
     "be replaced; write it as a section [layout] with beds = [ ... ], as the template has it\n"
     "Error: trial.toml cannot be rewritten: 1 problem\n"),
    (HEAD + '[layout]\nbeds = "B1-B9"\n' + TAIL, [], "trial.toml, line 33, layout.beds: the beds "
     "are not a list of entries; write beds = [], or leave the key out\n"
     "Error: trial.toml cannot be used: 1 problem\n"),
    (HEAD + "[layout]\nbedz = 3\n" + TAIL, [], "trial.toml, line 33, layout.bedz: \"bedz\" is not "
     'a key of this section; did you mean "beds"?\n'
     "Error: trial.toml cannot be used: 1 problem\n"),
    (HEAD + "[layout\n", [], "trial.toml, line 32: the file is not valid TOML here: "),
]  # fmt: skip


@pytest.mark.parametrize(("text", "words", "said"), WRONG)
def test_wrong_input(bench: Bench, text: str | None, words: list[str], said: str) -> None:
    if text is not None:
        bench.file.write_text(text)
    before = sorted(bench.folder.rglob("*"))
    out = () if "--out" in words else ("--out", "drawn.toml")
    code, shown, wrong = bench.run("trial", "layout", "trial.toml", *out, *words)
    assert (code, shown) == (2, "")
    assert wrong == said if said.endswith("\n") else wrong.startswith(said)
    assert sorted(bench.folder.rglob("*")) == before
    assert text is None or bench.file.read_text() == text


def test_an_existing_file_stays(bench: Bench) -> None:
    bench.out.write_text("mine")
    code, _, wrong = bench.draw(OWN)
    assert code == 2
    assert wrong.startswith("Error: drawn.toml: exists already and is left as it is\n")
    assert bench.out.read_text() == "mine"


def test_a_link_to_nothing_stays(bench: Bench) -> None:
    bench.out.symlink_to(bench.folder / "elsewhere.toml")
    assert bench.draw(OWN)[0] == 2
    assert not (bench.folder / "elsewhere.toml").exists()


def test_a_started_trial_is_not_drawn_again(bench: Bench) -> None:
    bench.drawn(OWN, "--seed", "7")
    assert bench.run("trial", "start", "drawn.toml")[0] == 0
    bench.out.rename(bench.folder / "started.toml")
    expected = (
        "Error: trial.toml: 'Small (invented)' was started already, and a layout is drawn before "
        "that\nTry: give a new trial another name in its protocol\n"
    )
    assert bench.draw(OWN) == (2, "", expected)
    assert not bench.out.exists()
    assert bench.draw(OWN.replace("Small (inv", "Next (inv"))[0] == 0


REMARK = st.sampled_from(["", "", "", "  # tap", '\t# "]" { label = 1 }, x', "# [layout]"])


@st.composite
def sections(draw: st.DrawFn) -> tuple[str, int]:
    """A layout section as people write them, and how many beds it has."""
    count = draw(st.integers(0, 5))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    keys = draw(st.permutations(["assigned", "seed", "beds"]))[draw(st.integers(0, 2)) :]
    beds = [f"{{label=\"{n}\",block = {n % 2}, treatment='t'}}" for n in range(count)]
    if draw(st.booleans()):
        comma = draw(st.sampled_from(["", ", "])) if count else ""
        listed = "[" + ", ".join(beds) + comma + "]"
    else:
        last = draw(st.sampled_from([",", ""]))
        commas = [","] * (count - 1) + [last]
        rows = [bed + comma for bed, comma in zip(beds, commas, strict=False)]
        rows = [row + draw(REMARK) + end + draw(REMARK) + end for row in rows]
        listed = "[" + draw(REMARK) + end + "".join(rows) + draw(REMARK) + end + "]"
    values = {"assigned": "'by hand'", "seed": "0x10", "beds": listed}
    lines = [f"{key} = {values[key]}{draw(REMARK)}{end}" for key in keys]
    return f"[layout] {draw(REMARK)}{end}{''.join(lines)}", count if "beds" in keys else 0


@settings(derandomize=True, deadline=None, max_examples=400)
@given(sections(), st.integers(0, 9), st.integers(0, 3), st.sampled_from(["", "\n", "# end"]))
def test_only_the_layout_changes(section: tuple[str, int], seed: int, beds: int, tail: str) -> None:
    before, after = '# first\na = "[layout]" # x\n', f"[z]\nq = [1, 2] # [layout]\n{tail}"
    text = before + section[0] + after
    wanted = [{"label": f"B{n}", "block": "1", "treatment": '"q"'} for n in range(beds + 1)]
    new = rewritten(text, seed, wanted, "f.toml")
    assert new.startswith(before)
    assert new.endswith(after)
    assert tomllib.loads(new)["layout"] == {"assigned": "drawn", "seed": seed, "beds": wanted}
    assert Counter(remarks(new)) == Counter(remarks(text))
    assert rewritten(new, seed, wanted, "f.toml") == new


def remarks(text: str) -> list[str]:
    """The remarks of these texts, whose strings hold no #."""
    return [found.rstrip() for found in re.findall("#.*", text)]
