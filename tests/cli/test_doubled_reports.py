"""The same results under two reports: asked about, never doubled unseen, by one or two programs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from logbook.cli.session import Session
from logbook.store import views
from tests.cli.test_lab import BASIS, ON, SIX, long, pulled, report, results
from tests.program import Program

__all__ = ["pulled"]

OTHER = """
import sys
from datetime import datetime
from logbook.cli.run import run
sys.exit(run(sys.argv[2:], now=datetime.fromisoformat(sys.argv[1])))
"""
LAB = "Invented Soil Lab"
CORRECTED = ["10", "21.5", *SIX[2:]]
WAYS = (
    "Try: --replaces 26-1 if it replaces that report, or --repeat if the samples were measured a "
    "second time\n"
)
NEW_NUMBER, OLD_NUMBER = "--replaces 26-1", "--report 26-1 --reissued"
# 11 and 21.5 mg/kg are further apart than r, which is a fifth of the level by common practice.
ASKED = (
    "Note: 1 query about these results, out of curves until answered: logbook lab\n"
    "      queries (laboratories keep soil about a month; ask yours)\n"
)


@pytest.fixture
def first(pulled: tuple[Program, list[str]]) -> tuple[Program, list[str]]:
    """Report 26-1 is imported; second.csv corrects one value of it under no number."""
    program, codes = pulled
    program.must("lab", "import", report(program, long(codes, SIX)), "--report", "26-1", on=ON)
    report(program, long(codes, CORRECTED), "second.csv")
    return program, codes


@pytest.mark.parametrize("more", [[], ["--dry-run"], ["--reissued"], ["--json"]])
def test_another_number_is_refused_with_the_two_ways_on(
    first: tuple[Program, list[str]], more: list[str]
) -> None:
    program, _ = first
    before = program.journal()
    said = program("lab", "import", "second.csv", "--report", "26-2", *more, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "Error: second.csv: the 12 results of report 26-2 stand here already under report 26-1 of "
        f"{LAB} (11 equal, 1 different); nothing was written\n{WAYS}"
    )
    assert program.journal() == before


def test_the_way_on_that_replaces(first: tuple[Program, list[str]]) -> None:
    program, codes = first
    program.must("lab", "import", "second.csv", "--report", "26-1", "--reissued", on=ON)
    assert results(program)[codes[1], "nitrate-N"] == "21.5"
    assert len(runs(program)) == 12


def test_the_way_on_that_replaces_also_where_the_file_has_a_number_of_its_own(
    first: tuple[Program, list[str]],
) -> None:
    program, codes = first
    lines = long(codes, CORRECTED).splitlines()
    own = "".join(f"{line},{'report' if not n else '26-2'}\n" for n, line in enumerate(lines))
    name = report(program, own, "own.csv")
    assert program("lab", "import", name, on=ON).err.endswith(WAYS)
    program.must("lab", "import", name, "--report", "26-1", "--reissued", on=ON)
    assert {one[0] for one in runs(program)} == {"26-1"}
    assert results(program)[codes[1], "nitrate-N"] == "21.5"
    again = program.must("lab", "import", name, on=ON)
    assert again.out == "own.csv: imported already (12 results); nothing was written\n"


def test_the_way_on_that_repeats_is_kept_as_the_next_run(
    first: tuple[Program, list[str]],
) -> None:
    program, _ = first
    words = ("lab", "import", "second.csv", "--report", "26-2")
    said = program.must(*words, "--repeat", on=ON)
    assert said.out == (
        f"{said.act}  imported 12 results of 6 samples, report 26-2 of {LAB}\n{ASKED}{BASIS}"
        "Note: these samples were measured before (report 26-1): the results are kept as\n"
        "      run 2\n"
    )
    assert sorted(set(runs(program))) == [("26-1", 1), ("26-2", 2)]
    before = program.journal()
    for more in ([], ["--repeat"]):
        again = program.must(*words, *more, on=ON)
        assert again.out == "second.csv: imported already (12 results); nothing was written\n"
    assert program.journal() == before
    program.must("verify", on=ON)


def test_the_same_values_in_another_file_are_here_already(
    first: tuple[Program, list[str]],
) -> None:
    program, codes = first
    before = program.journal()
    other = report(program, long(codes, SIX) + "\n", "other.csv")
    said = program.must("lab", "import", other, "--report", "26-2", on=ON)
    assert said.out == (
        "other.csv: these results are here already as report 26-1; nothing was written\n"
    )
    assert program.journal() == before


def test_an_undone_report_does_not_let_another_number_in(
    first: tuple[Program, list[str]],
) -> None:
    program, _ = first
    program.must("undo", on=ON)
    words = ("lab", "import", "second.csv", "--report")
    program.must(*words, "26-2", on=ON)
    said = program("lab", "import", "report.csv", "--report", "26-1", on=ON)
    assert said.code == 2
    assert "stand here already under report 26-2" in said.err


def test_part_of_a_report_stands_already(first: tuple[Program, list[str]]) -> None:
    program, codes = first
    more = f"sample,nutrient,value,unit,method\n{codes[0]},NO3-N,10,mg/kg,1 M KCl\n"
    name = report(program, more + f"{codes[0]},P,4,mg/kg,Olsen\n", "more.csv")
    said = program("lab", "import", name, "--report", "26-2", on=ON)
    assert said.code == 2
    assert "more.csv: 1 of the 2 results of report 26-2 stands here already under" in said.err


def runs(program: Program) -> list[tuple[str, int]]:
    with views.reading(program.store) as store:
        return [(one.record.report, one.record.run) for one in views.fetch(store, "result")]


ADD = ("--method", "1 M KCl")


def test_what_was_typed_gives_way_to_its_report(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    program.must("lab", "add", codes[0], "NO3-N", "10.5 mg/kg", *ADD, on=ON)
    name = report(program, long(codes, SIX))
    words = ("lab", "import", name, "--report", "26-1")
    said = program(*words, on=ON)
    assert said.err == (
        "Error: report.csv: 1 of the 12 results of report 26-1 stands here already under report "
        f"typed of {LAB} (0 equal, 1 different); nothing was written\n"
        "Try: --reissued if the report takes the place of what was typed, or --repeat if the "
        "samples were measured a second time\n"
    )
    said = program.must(*words, "--reissued", on=ON)
    assert said.out.endswith(
        "Note: the report takes the place of 1 result typed by hand, now struck\n"
    )
    assert results(program)[codes[0], "nitrate-N"] == "10"
    assert len(runs(program)) == 12
    program.must("undo", on=ON)
    assert results(program) == {(codes[0], "nitrate-N"): "10.5"}
    program.must("verify", on=ON)


def test_typing_what_a_report_has(first: tuple[Program, list[str]]) -> None:
    program, codes = first
    before = program.journal()
    words = ("lab", "add", codes[1], "NO3-N")
    for more in ([], ["--report", "26-1"], ["--report", "26-2"]):
        said = program.must(*words, "11 mg/kg", *ADD, *more, on=ON)
        assert said.out == (
            f"{codes[1]} nitrate-N 11 mg/kg: here already as report 26-1; nothing was written\n"
        )
    said = program(*words, "12 mg/kg", *ADD, on=ON)
    assert said.code == 2
    assert said.err == (
        f"Error: {codes[1]} has another nitrate-N by '1 M KCl' already in report 26-1 of {LAB}; "
        f"nothing was written\n{WAYS.replace(NEW_NUMBER, OLD_NUMBER)}"
    )
    assert program.journal() == before
    said = program.must(*words, "12 mg/kg", *ADD, "--repeat", on=ON)
    assert said.out == (
        f"{said.act}  {codes[1]} nitrate-N 12 mg/kg (1 M KCl, dry; report typed, run 2)\n"
    )


def test_another_laboratory_is_no_double(first: tuple[Program, list[str]]) -> None:
    program, _ = first
    said = program.must(
        "lab", "import", "second.csv", "--report", "26-1", "--lab", " Other\tLab", on=ON
    )
    assert said.out.endswith(
        f"Note: Other Lab is not the trial's laboratory ({LAB}): its results\n"
        "      stand in series of their own\n"
    )
    assert len(runs(program)) == 24


def other_program(*words: str) -> subprocess.Popen[str]:
    """Another process of the program, on the same store, at the same time of the test's clock."""
    return subprocess.Popen(
        [sys.executable, "-c", OTHER, ON, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def meanwhile(monkeypatch: pytest.MonkeyPatch, *words: str) -> list[str]:
    """Another process runs these words after this one looked, and before it writes."""
    write = Session.write
    said: list[str] = []

    @contextmanager
    def late(session: Session) -> Iterator[Any]:
        other = other_program(*words)
        said.append("".join(other.communicate(timeout=120)))
        with write(session) as book:
            yield book

    monkeypatch.setattr(Session, "write", late)
    return said


def test_the_same_import_in_two_programs(
    pulled: tuple[Program, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    program, codes = pulled
    words = ("lab", "import", report(program, long(codes, SIX)), "--report", "26-1")
    other = meanwhile(monkeypatch, *words)
    said = program.must(*words, on=ON)
    assert "imported 12 results" in other[0]
    assert said.out == "report.csv: imported already (12 results); nothing was written\n"
    assert len(runs(program)) == 12


@pytest.mark.parametrize("number", ["26-1", "26-2"])
def test_two_files_of_the_same_samples_in_two_programs(
    pulled: tuple[Program, list[str]], monkeypatch: pytest.MonkeyPatch, number: str
) -> None:
    program, codes = pulled
    report(program, long(codes, SIX))
    report(program, long(codes, CORRECTED), "second.csv")
    meanwhile(monkeypatch, "lab", "import", "report.csv", "--report", "26-1")
    said = program("lab", "import", "second.csv", "--report", number, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines()[0] == (
        "Error: second.csv: the book changed meanwhile; nothing was written"
        if number == "26-1"
        else "Error: second.csv: the 12 results of report 26-2 stand here already under report "
        f"26-1 of {LAB} (11 equal, 1 different); nothing was written"
    )
    assert results(program)[codes[1], "nitrate-N"] == "11"


@pytest.mark.parametrize("value", ["12 mg/kg", "13 mg/kg"])
def test_the_same_typing_in_two_programs(
    pulled: tuple[Program, list[str]], monkeypatch: pytest.MonkeyPatch, value: str
) -> None:
    program, codes = pulled
    words = ("lab", "add", codes[0], "NO3-N")
    meanwhile(monkeypatch, *words, "12 mg/kg", *ADD)
    said = program(*words, value, *ADD, on=ON)
    if value == "12 mg/kg":
        assert said.out.endswith("here already as report typed; nothing was written\n")
    else:
        assert said.code == 2
        assert "has nitrate-N 12 mg/kg in report typed already; nothing was written" in said.err
    assert results(program) == {(codes[0], "nitrate-N"): "12"}


def test_programs_at_the_same_moment_write_once(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    values = [("26-1", SIX), ("26-2", CORRECTED)]
    names = [report(program, long(codes, six), f"{number}.csv") for number, six in values]
    others = [other_program("lab", "import", name, "--report", name[:-4]) for name in names]
    for other in others:
        other.communicate(timeout=120)
    assert sorted(other.returncode for other in others) == [0, 2]
    assert len(runs(program)) == 12


def test_json_says_under_which_report_they_stand(first: tuple[Program, list[str]]) -> None:
    program, codes = first
    other = report(program, long(codes, SIX) + "\n", "other.csv")
    said = program.must("lab", "import", other, "--report", "26-2", "--json", on=ON)
    document = json.loads(said.out)
    assert (document["written"], document["here_as"]) == (0, ["26-1"])
