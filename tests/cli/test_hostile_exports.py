"""What a laboratory's cell or a note says reaches every export as text, never as a command.

Formula injection: a spreadsheet runs a CSV cell that begins with = + - @, a tab or a line break
(common practice; the list is that of public advice on CSV files). Terminal escapes: ECMA-48.
"""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pytest

from tests.labs.hostile import csv_text, sheet_of
from tests.labs.test_round_trip import as_workbook
from tests.program import Program

ON = "2026-03-20T09:00+01:00"
HOSTILE = [
    "=cmd|' /C dir'!A0", "+1+cmd|' /C dir'!A0", "-2+3+cmd|' /C dir'!A0", "@SUM(1+1)*2",
    "=HYPERLINK(\"file:///etc/passwd\")", "\uff1d1+1", "%0A=1+1", " =1+1", "'=1+1", "=1+1;x,y|z",
]  # fmt: skip
ESCAPES = ["\x1b[2J", "\x1b]0;owned\x07", "\x9b31m", "\u202eevil", "a\x00b", "\u2028=1+1"]
NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)*(?:[eE][+-]?[0-9]+)?")


@pytest.fixture
def pulled(started: Program) -> tuple[Program, list[str]]:
    """The small trial with the first pull of its six beds; the codes in the order of the beds."""
    said = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00")
    return started, said.samples


def report_of(samples: list[str], nasty: str) -> list[list[str]]:
    """Each text cell that is kept as the laboratory wrote it holds something nasty."""
    header = ["sample", "nutrient", "value", "unit", "method", "lab", "comment"]
    rows = [
        [sample, "NO3-N", "12.5", "mg/kg", nasty, f"{nasty} laboratory", nasty]
        for sample in samples
    ]
    return [header, *rows]


def runs(cell: str) -> bool:
    """True if a spreadsheet would run the cell."""
    first = cell.lstrip()[:1]
    return bool(first) and first in "=+-@\uff1d\uff0b\uff0d\uff20" and not NUMBER.fullmatch(cell)


def harmless(name: str, data: bytes) -> None:
    """No control character in a file, and no cell of a table that a spreadsheet would run."""
    text = data.decode("utf-8")
    for line in text.splitlines():
        assert line.isprintable(), (name, line)
    if name.endswith(".csv"):
        for row in csv.reader(io.StringIO(text, newline="")):
            assert not any(map(runs, row)), (name, row)
    if name.endswith(".json"):
        json.loads(text)


@pytest.mark.parametrize("nasty", HOSTILE)
@pytest.mark.parametrize("kind", ["csv", "xlsx"])
@pytest.mark.long
def test_a_cell_of_a_report_is_text_in_every_export(
    pulled: tuple[Program, list[str]], nasty: str, kind: str
) -> None:
    program, samples = pulled
    rows = report_of(samples, nasty)
    data = csv_text(rows).encode() if kind == "csv" else as_workbook(rows)
    (program.folder / f"r.{kind}").write_bytes(data)
    program.must("lab", "import", f"r.{kind}", "--report", f"{nasty}26", on=ON)
    exported(program)
    kept = json.loads(program.must("lab", "results", "--json", on=ON).out)["results"]
    assert {one["method"] for one in kept} == {" ".join(nasty.split())}


def test_a_formula_of_a_spreadsheet_is_refused_not_kept(
    pulled: tuple[Program, list[str]],
) -> None:
    program, samples = pulled
    (program.folder / "r.xlsx").write_bytes(sheet_of(report_of(samples, HOSTILE[0])))
    before = program.journal()
    said = program("lab", "import", "r.xlsx", on=ON)
    assert said.code == 2
    assert "the formula has no stored result" in said.err
    assert program.journal() == before


@pytest.mark.parametrize("nasty", ESCAPES)
def test_a_cell_that_steers_a_terminal_is_refused(
    pulled: tuple[Program, list[str]], nasty: str
) -> None:
    program, samples = pulled
    (program.folder / "r.csv").write_bytes(csv_text(report_of(samples, nasty)).encode())
    before = program.journal()
    said = program("lab", "import", "r.csv", on=ON)
    assert said.code == 2
    assert all(line.isprintable() for line in (said.out + said.err).splitlines())
    assert program.journal() == before


def test_notes_and_mishaps_are_text_in_every_export(pulled: tuple[Program, list[str]]) -> None:
    program, samples = pulled
    (program.folder / "r.csv").write_bytes(csv_text(report_of(samples, "1 M KCl")).encode())
    program.must("lab", "import", "r.csv", on=ON)
    kept = 0
    for nasty in [*HOSTILE, *ESCAPES]:
        if "\0" in nasty:
            continue  # no command line can hold it
        for words in (
            ("note", "--on", "B1", "--", nasty),
            ("note", "--", nasty),
            ("event", "B2", "spilled", f"--text={nasty}"),
        ):
            said = program(*words, on=ON)
            assert said.code in (0, 2), said
            assert all(line.isprintable() for line in (said.out + said.err).splitlines())
            kept += said.code == 0
    assert kept >= 3 * len(HOSTILE)
    exported(program, "--with-notes", "--with-authors")
    text = program.must("history", "B1", on=ON).out
    assert all(line.isprintable() for line in text.splitlines())


def test_remarks_on_a_shipment_are_text_in_its_form(pulled: tuple[Program, list[str]]) -> None:
    program, samples = pulled
    for sample, nasty in zip(samples, HOSTILE, strict=False):
        words = (f"--text={nasty}", f"--by-what={nasty}", f"--lab={nasty}", "--form", "form.csv")
        program.must("lab", "send", sample, *words, on="2026-03-02T12:00+01:00")
        harmless("form.csv", (program.folder / "form.csv").read_bytes())
        (program.folder / "form.csv").unlink()
    exported(program)


def exported(program: Program, *options: str) -> None:
    """Everything that the program writes for others, looked through."""
    program.must("season", "season", *options, on=ON)
    names = {path.name for path in (program.folder / "season").iterdir()}
    assert {"pulls.csv", "manifest.csv", "README.txt"} <= names
    for name in sorted(names):
        if name.endswith((".csv", ".txt", ".json")):
            harmless(name, (program.folder / "season" / name).read_bytes())
    for words in WORDS:
        said = program(*words, on=ON)
        assert said.code in (0, 1), said
        for line in (said.out + said.err).splitlines():
            assert line.isprintable(), (words, line)
        if "--json" in words:
            json.loads(said.out)


WORDS = [
    ("lab", "results", "--json"), ("lab", "results"), ("history", "all", "--json"),
    ("history", "B1"), ("today", "--json"), ("week", "--json"), ("findings", "--json"),
    ("levels", "--json"), ("lab", "log", "--json"),
]  # fmt: skip


def test_the_test_knows_a_formula() -> None:
    """Cells of a sheet without the guard would fail."""
    assert all(runs(text) for text in HOSTILE if text.lstrip()[0] in "=+-@\uff1d")
    assert not any(runs(text) for text in ("-0.5", "+3", "1-2", "'=1+1", "", "n.d.", "-1.5e-3"))
    with pytest.raises(AssertionError):
        harmless("x.csv", b"a,=1+1\n")
    with pytest.raises(AssertionError):
        harmless("x.txt", b"a\x1b[2J\n")


def test_the_peer_reads_the_guarded_cell_as_text(tmp_path: Path) -> None:
    """openpyxl, given a guarded cell, keeps a text; given the cell itself, a formula."""
    import openpyxl

    from logbook.report.sheets import safe_text

    sheet = openpyxl.Workbook().active
    for at, nasty in enumerate(HOSTILE, start=1):
        assert sheet.cell(at, 1, safe_text(nasty)).data_type == "s"
    assert sheet.cell(1, 2, HOSTILE[0]).data_type == "f"
