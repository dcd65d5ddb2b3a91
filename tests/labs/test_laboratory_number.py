"""What the laboratory calls a sample: read, kept, found, and no part of what was measured."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import logbook
from logbook.journal.fold import agree
from logbook.journal.kinds import to_value
from logbook.labs.cells import Beside
from logbook.labs.importer import Parsed, parse_report
from logbook.labs.reader import read_table
from logbook.trial.records import Result
from tests.labs.test_importer import A, B
from tests.program import Program

ON = "2026-03-20T09:00+01:00"


def numbers(parsed: Parsed) -> list[str]:
    assert parsed.problems == []
    return [one.laboratory_number for one in parsed.results]


def read(folder: Path, content: str) -> Parsed:
    path = folder / "r.csv"
    path.write_text(content, encoding="utf-8")
    return parse_report(read_table(path), Beside(frozenset({A, B}), "Invented Lab", "R1"))


def test_a_row_per_result_with_a_column_of_it(tmp_path: Path) -> None:
    parsed = read(
        tmp_path,
        "Lab ref,Lab No.,sample,nutrient,value,unit,method\n"
        f"x, 26-1001 ,{A},NO3-N,12,mg/kg,1 M KCl\ny,,{B},NO3-N,13,mg/kg,1 M KCl\n",
    )
    # Of two such columns the one with the better name: nothing hangs on it.
    assert numbers(parsed) == ["26-1001", ""]


def test_a_column_per_nutrient_with_a_column_of_it(tmp_path: Path) -> None:
    head = "sample,Lab sample ID,NO3-N 1 M KCl (mg/kg),pH water 1:1\n"
    parsed = read(tmp_path, head + f"{A},1001,12,6.1\n{B},1002,13,6.2\n")
    assert numbers(parsed) == ["1001", "1001", "1002", "1002"]


def test_one_that_is_too_long(tmp_path: Path) -> None:
    head = "sample,lab id,nutrient,value,unit,method\n"
    (problem,) = read(tmp_path, head + f"{A},{'9' * 81},NO3-N,12,mg/kg,1 M KCl\n").problems
    assert problem.what == "the laboratory number has 81 characters, more than 80"


def result(number: str) -> Result:
    return Result(
        lab="L", report="R1", sample=A, analyte="pH", method="water", basis="dry", run=1, n=1,
        value=None, limit=None, qualifier="", unit="pH", reported="6", reported_unit="", form="pH",
        laboratory_number=number,
    )  # fmt: skip


def test_it_makes_no_two_results_differ_and_is_left_out_where_there_is_none() -> None:
    assert agree(to_value(result("1001")), to_value(result("")))
    assert "laboratory_number" not in to_value(result(""))
    assert to_value(result("1001"))["laboratory_number"] == "1001"


PROFILE = """\
format = 1
lab = "Invented Soil Lab"
[layout]
header = "ID"
[columns]
laboratory_number = "Our no."
sample = "ID"
[usual]
basis = "dry"
[[column]]
title = "N"
nutrient = "NO3-N"
unit = "mg/kg"
method = "1 M KCl"
"""


@pytest.fixture
def imported(started: Program, monkeypatch: pytest.MonkeyPatch) -> tuple[Program, list[str]]:
    """Two of six bags in a report that calls them 26-7 and 26-8."""
    folder = started.folder / "profiles"
    folder.mkdir()
    monkeypatch.setenv("LOGBOOK_PROFILES", str(folder))
    (folder / "mine.toml").write_text(PROFILE, encoding="utf-8")
    codes = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00").samples
    (started.folder / "r.csv").write_text(
        f"Our no.,ID,N\n26-7,{codes[0]},10\n26-8,{codes[1]},11\n", encoding="utf-8"
    )
    started.must("lab", "import", "r.csv", "--profile", "mine", "--report", "R1", on=ON)
    return started, codes


def test_by_a_profile_it_is_kept_shown_and_found(imported: tuple[Program, list[str]]) -> None:
    program, codes = imported
    said = program.must("lab", "results", "--laboratory-number", " 26-8 ", on=ON)
    assert " ".join(said.out.split()) == (
        f"{codes[1]} Mon 2 Mar 2026 B2 nitrate-N 11 mg/kg (1 M KCl, dry; report R1, 26-8 there)"
    )
    shown = json.loads(program.must("lab", "results", "--json", on=ON).out)["results"]
    assert [one["laboratory_number"] for one in shown] == ["26-7", "26-8"]
    said = program.must("lab", "results", "--laboratory-number", "26-9", on=ON)
    assert said.out == "No such results yet.\n"
    assert "no problems found" in program.must("verify", on=ON).out


def test_a_correction_keeps_it(imported: tuple[Program, list[str]]) -> None:
    program, codes = imported
    program.must("correct", f"{codes[0]}:nitrate-N", "--value", "9.5", "--reason", "asked", on=ON)
    shown = json.loads(program.must("lab", "results", "--json", on=ON).out)["results"]
    assert [(one["value"], one["laboratory_number"]) for one in shown] == [
        ("9.5", "26-7"),
        ("11", "26-8"),
    ]


def test_a_re_issue_that_only_numbers_anew_changes_nothing(
    imported: tuple[Program, list[str]],
) -> None:
    program, codes = imported
    (program.folder / "again.csv").write_text(
        f"Our no.,ID,N\n26-7b,{codes[0]},10\n26-8b,{codes[1]},11\n", encoding="utf-8"
    )
    words = ("lab", "import", "again.csv", "--profile", "mine", "--report", "R1")
    assert "nothing was written" in program.must(*words, on=ON).out


def test_notebooks_have_it(imported: tuple[Program, list[str]]) -> None:
    program, _ = imported
    trial = logbook.open(program.store).trial()
    assert list(trial.results()["laboratory_number"]) == ["26-7", "26-8"]
