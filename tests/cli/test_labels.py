"""Labels as they are asked for: with a pull, with reserved codes, once more; wrong input."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import pytest

from logbook.book import writing
from logbook.trial import records
from tests.cli.parted import KINDS, parted
from tests.program import PROTOCOL, Program, begun

__all__ = ["parted"]
SVG = "{http://www.w3.org/2000/svg}"
LATER = "2026-03-09T10:30+01:00"
TREATMENTS = ("C10", "meal", "compost", "untreated", "control", "treatment")


@pytest.fixture(autouse=True)
def _here(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(program.folder)


def texts(path: Path) -> list[list[str]]:
    """What stands on each label of an SVG page."""
    page = ET.fromstring(path.read_text(encoding="utf-8"))
    return [[one.text or "" for one in label.iter(f"{SVG}text")] for label in page.iter(f"{SVG}g")]


def files(program: Program) -> list[str]:
    return sorted(path.name for path in program.folder.iterdir() if path.suffix in (".pdf", ".svg"))


def spaced(code: str) -> str:
    return f"{code[:4]} {code[4:]}"


def test_a_pull_prints_a_label_for_each_bag(parted: Program) -> None:
    said = parted.must("pull", "B1,B2", "--labels", "x.svg", "--sheet", "a4-99x67", on=LATER)
    assert "Written: x.svg: 8 labels, 1 page of a4-99x67. Print at 100 %" in said.out
    written = texts(parted.folder / "x.svg")
    assert [one[0] for one in written] == [spaced(code) for bags in said.bags for code in bags]
    assert [one[2] for one in written] == [
        f"{kind}, {place} of 4" for place, kind in enumerate(KINDS, start=1)
    ] * 2
    assert [one[1] for one in written] == ["bed B1"] * 4 + ["bed B2"] * 4
    cold = ["KEEP COLD" in one for one in written]
    assert cold == [kind == "chilled" for kind in KINDS] * 2
    hurried = ["nitrate: keep cold, dry or" in one for one in written]
    assert hurried == cold
    for one in written:
        assert {"day 7", "Mon 9 Mar 2026 10:30", "15 cm, 8 cores", "by mira"} <= set(one)


def test_an_undivided_bag_keeps_cold_for_the_nitrate_of_the_trial(started: Program) -> None:
    said = started.must("pull", "B1", "--labels", "x.pdf", on="2026-03-01T12:00+01:00")
    assert "Note" not in said.err
    page = pypdfium2.PdfDocument(started.folder / "x.pdf")[0].get_textpage().get_text_range()
    for words in (spaced(said.samples[0]), "bed B1", "KEEP COLD", "nitrate", "Small house"):
        assert words in page


def test_labels_are_blind_unless_asked(parted: Program) -> None:
    parted.must("pull", "all", "--whole", "--labels", "blind.svg", on=LATER)
    drawn = (parted.folder / "blind.svg").read_text(encoding="utf-8").casefold()
    assert not [word for word in TREATMENTS if word.casefold() in drawn]
    parted.must("labels", "--pull", "day 7", "--out", "open.svg", "--open", "--sheet", "a4-99x67")
    said = [" ".join(one) for one in texts(parted.folder / "open.svg")]
    assert sum("treatment none: untreated" in one for one in said) == 2
    assert sum("treatment M: meal" in one for one in said) == 2


def test_names_that_tell_are_not_printed(program: Program) -> None:
    protocol = PROTOCOL.replace('"B', '"C10.').replace("Small house", "Meal house")
    begun(program, protocol)
    said = program.must("pull", "all", "--labels", "x.svg", on="2026-03-01T12:00+01:00")
    assert [one[1] for one in texts(program.folder / "x.svg")] == [
        f"bed place {place}" for place in range(1, 7)
    ]
    assert "bed labels of this trial name treatments" in said.err
    assert "the trial's name names a treatment: it is left off" in said.err
    drawn = (program.folder / "x.svg").read_text(encoding="utf-8")
    assert "C10" not in drawn
    assert "Meal" not in drawn


def test_the_name_of_a_pull_is_not_printed_where_it_tells_a_treatment(parted: Program) -> None:
    """C10 was applied a week later: on 16 March M's bags are of day 14, C10's of day 7."""
    parted.must("apply", "C10", on="2026-03-09T08:00+01:00")
    on = "2026-03-16T09:00+01:00"
    parted.must("pull", "all", "--whole", "--labels", "x.svg", "--sheet", "a4-99x67", on=on)
    written = texts(parted.folder / "x.svg")
    assert len(written) == 6
    assert not [text for one in written for text in one if "day" in text]
    codes = ",".join("".join(one[0].split()) for one in written)
    parted.must("labels", codes, "--out", "open.svg", "--open", "--sheet", "a4-99x67", on=on)
    named = {next(t for t in one if "day" in t) for one in texts(parted.folder / "open.svg")}
    assert {"day 14", "day 7"} <= named


def test_reserved_codes_have_lines_to_write_on(parted: Program) -> None:
    on = "2026-03-14T09:00+01:00"
    said = parted.must("week", "--reserve", "--labels", "x.svg", "--sheet", "a4-99x67", on=on)
    written = [one for path in sorted(parted.folder.glob("x*.svg")) for one in texts(path)]
    codes = re.findall(r"\b[3479A-Z]{8}\b", said.out.split("codes reserved")[1])
    assert sorted(one[0] for one in written) == sorted(map(spaced, codes))
    for one in written:
        assert one[1:7] == ["bed", *KINDS, "nitrate: keep cold, dry or"]
        assert one[8:11] == ["date, time", "depth, cores", "by"]
    again = parted.must("labels", "--reserved", "--out", "y.svg", "--sheet", "a4-99x67", on=on)
    assert f"{len(codes)} labels" in again.out
    parted.must("pull", "B1", "--code", ",".join(codes[:4]), on=on)
    rest = parted.must("labels", "--reserved", "--out", "y.svg", on=on)
    assert f"{len(codes) - 4} labels" in rest.out


def test_only_codes_reserved_now_are_printed(parted: Program) -> None:
    """A bag that was labelled last week must not get a twin."""
    early, late = "2026-03-09T09:00+01:00", "2026-03-12T09:00+01:00"
    parted.must("week", "--reserve", "--labels", "x.svg", on=early)
    before = {one[0] for path in parted.folder.glob("x*.svg") for one in texts(path)}
    parted.must("pull", "B1", "--for", "day 7", on=early)
    parted.must("apply", "C10", on=late)
    parted.must("week", "--reserve", "--labels", "y.svg", on=late)
    after = {one[0] for path in parted.folder.glob("y*.svg") for one in texts(path)}
    assert after
    assert not after & before


def test_the_same_labels_once_more(parted: Program) -> None:
    said = parted.must("pull", "B1,B2", "--labels", "x.pdf", on=LATER)
    first = (parted.folder / "x.pdf").read_bytes()
    codes = [code for bags in said.bags for code in bags]
    for words in (said.act, ",".join(codes), "--pull=7", f"{said.act},{codes[0]}"):
        parted.must("labels", words, "--out", "again.pdf", on="2026-03-20T08:00+01:00")
        assert (parted.folder / "again.pdf").read_bytes() == first
    parted.must("labels", codes[2].lower(), "--out", "one.svg")
    ((one, *_),) = texts(parted.folder / "one.svg")
    assert one == spaced(codes[2])


def test_the_sampler_stays_whoever_corrects_the_pull(
    parted: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = parted.must("pull", "B1", "--whole", "--when", "2026-03-09", on=LATER).samples[0]
    monkeypatch.setenv("LOGBOOK_BY", "tomas")
    parted.must("correct", code, "--cores", "12", "--reason", "counted again", on=LATER)
    parted.must("labels", code, "--out", "x.svg", "--sheet", "a4-99x67")
    ((*written,),) = texts(parted.folder / "x.svg")
    assert {"Mon 9 Mar 2026", "15 cm, 12 cores", "by mira"} <= set(written)


def test_a_composite_names_its_beds(parted: Program) -> None:
    parted.must("pull", "B1,B5", "--composite", "--whole", "--labels", "x.svg", on=LATER)
    assert texts(parted.folder / "x.svg")[0][1] == "bed B1, B5"


def test_a_code_hidden_from_the_laboratory_names_no_bed(parted: Program) -> None:
    bag = parted.must("pull", "B1", "--whole", on=LATER).samples[0]
    state, now = parted.folder / "keys", datetime(2026, 3, 9, 12, tzinfo=UTC)
    with writing.opened(parted.store, state, by="mira", now=now) as book:
        code = book.new_code()
        trial = _trial(parted)
        book.record("send", [(f"blind/{code}", records.Blind(code, "duplicate", bag, trial))])
    parted.must("labels", code, "--out", "x.svg", "--open")
    written = texts(parted.folder / "x.svg")[0]
    assert written[0] == spaced(code)
    assert written[1] == "bed"
    assert "duplicate" not in " ".join(written)


def _trial(program: Program) -> str:
    from logbook.store import views

    with views.reading(program.store) as store:
        return views.fetch(store, "trial")[0].id


def test_letters_that_cannot_be_printed_are_told(parted: Program) -> None:
    said = parted.must("--by", "\u7530", "pull", "B1", "--labels", "x.svg", on=LATER)
    assert "by ?" in texts(parted.folder / "x.svg")[1]
    assert "printed as question marks" in said.err


def test_a_used_sheet_is_begun_where_it_is_free(parted: Program) -> None:
    parted.must("pull", "B1", "--whole", "--labels", "x.svg", "--start", "21", on=LATER)
    page = (parted.folder / "x.svg").read_text(encoding="utf-8")
    assert 'transform="translate(139.25 243.75)"' in page  # the last of 3 x 7


def test_the_list_of_sheets(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(program.folder / "own"))
    shown = program.must("labels", "--sheets").out.splitlines()
    assert shown[1] == "a4-63x38       63.5 x 38.1 mm    3 x 7 on A4  (if none is named)"
    assert shown[-1] == "roll-57x32     57 x 32 mm        1 x 1 on 57 x 32 mm"
    said = program.must("labels", "--copy").out
    own = program.folder / "own" / "label-sheets.toml"
    assert f"Written: {own}\n" in said
    own.write_text(own.read_text().replace("a4-63x38", "bags"), encoding="utf-8")
    assert program.must("labels", "--sheets").out.splitlines()[1].startswith("bags ")
    assert program("labels", "--copy").code == 2


# What is typed after `pull B1`, and what is said.
WRONG = {
    "ending": (["--labels", "x.png"], "x.png: labels are a .pdf or an .svg file"),
    "no ending": (["--labels", "x"], "x: labels are a .pdf or an .svg file"),
    "sheet": (["--labels", "x.pdf", "--sheet", "A5"], "there is no sheet 'A5'"),
    "start": (["--labels", "x.pdf", "--start", "22"],
              "--start 22 is not on the sheet a4-63x38"),
    "start 0": (["--labels", "x.pdf", "--start", "0"], "--start 0 is not on the sheet a4-63x38"),
    "folder": (["--labels", "no/x.pdf"], "no/x.pdf: there is no such folder"),
    "a folder": (["--labels", "f.pdf"], "f.pdf: is a folder"),
    "long name": (["--labels", "x" * 300 + ".pdf"],
                  "x" * 300 + ".pdf: cannot be written: File name too long"),
    "name too long for its draft": (["--labels", "x" * 250 + ".pdf"],
                  "x" * 250 + ".pdf: cannot be written: File name too long"),
    "no file": (["--sheet", "a4-63x38"], "--sheet is for labels"),
    "no file, start": (["--start", "2"], "--start is for labels"),
    "no file, open": (["--open"], "--open is for labels"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_writes_nothing(name: str, parted: Program) -> None:
    words, said = WRONG[name]
    (parted.folder / "f.pdf").mkdir()
    before = parted.must("history", "B1").out
    answer = parted("pull", "B1", *words, on=LATER)
    assert (answer.code, answer.out) == (2, "")
    error, remedy = answer.err.splitlines()
    assert error == f"Error: {said}"
    assert remedy.startswith("Try: ")
    assert parted.must("history", "B1").out == before
    assert files(parted) == ["f.pdf"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name the bags in one way"),
        (["RT4MAXCL", "--reserved", "--out", "x.pdf"], "name the bags in one way"),
        (["--reserved"], "labels need a file"),
        (["--reserved", "--out", "x.pdf"],
         "no code of Small house (invented) is reserved and free"),
        (["--pull", "day 7", "--out", "x.pdf"],
         "no bed of Small house (invented) has a pull 'day 7' yet"),
        (["--pull", "day 99", "--out", "x.pdf"], "the calendar has no pull 'day 99'"),
        (["RT4MAXCL", "--out", "x.pdf"], "no bag has the code RT4MAXCL"),
        (["RT4MAXCX", "--out", "x.pdf"],
         "'RT4MAXCX' is not a code: its check symbol does not fit: a symbol is wrong or swapped"),
    ],
)  # fmt: skip
def test_labels_of_nothing(words: list[str], said: str, parted: Program) -> None:
    answer = parted("labels", *words, on=LATER)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines()[0] == f"Error: {said}"
    assert files(parted) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--labels", "x.pdf"], "--labels prints the codes that --reserve reserves"),
        (["--reserve", "--json", "--labels", "x.pdf"], "--labels and --json do not go together"),
        (["--reserve", "--labels", "x.doc"], "x.doc: labels are a .pdf or an .svg file"),
    ],
)
def test_a_week_reserves_nothing_for_labels_that_cannot_be(
    words: list[str], said: str, parted: Program
) -> None:
    answer = parted("week", *words, on=LATER)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.splitlines()[0] == f"Error: {said}"
    assert "codes reserved: 0" in parted.must("week", on=LATER).out


def test_a_pull_stands_though_its_labels_fail(parted: Program) -> None:
    (parted.folder / ".x.pdf.part").mkdir()
    answer = parted("pull", "B1", "--whole", "--labels", "x.pdf", on=LATER)
    assert answer.code == 2
    error, remedy = answer.err.splitlines()[-2:]
    assert error.startswith(f"Error: {answer.act} is written down, but there are no labels: x.pdf")
    assert remedy == f"Try: logbook labels {answer.act} --out FILE.pdf"
    parted.must("labels", answer.act, "--out", "y.pdf")
    assert files(parted) == ["y.pdf"]


def test_nothing_heavy_is_loaded_for_labels() -> None:
    import subprocess
    import sys

    code = (
        "import sys, tempfile, pathlib\n"
        "from logbook.report import labels\n"
        "one = labels.Label('RT4MAXCL', 'x', 'B1')\n"
        "sheet = labels.load().named(None)\n"
        "labels.write_labels(pathlib.Path(tempfile.mkdtemp()) / 'x.pdf', [one], sheet)\n"
        "print({'matplotlib', 'numpy', 'sqlalchemy', 'pandas'} & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True
    )
    assert done.stdout == "set()\n"
