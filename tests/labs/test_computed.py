"""A number computed from another extractant's is no measurement, and is refused wherever it comes.

The factors between extractants are regional means that contradict one another (docs/laboratory.md).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from logbook.labs.cells import Beside
from logbook.labs.importer import Parsed, parse_report
from logbook.labs.profiles import proposing
from logbook.labs.profiles.asking import answers
from logbook.labs.reader import read_grid, read_table
from logbook.trial import codes, contents

A = "3479ACD" + codes.check_symbol("3479ACD")
WHY = "is computed from another extractant's value and was not measured"


def parse(folder: Path, content: str, *methods: str) -> Parsed:
    path = folder / "r.csv"
    path.write_text(content, encoding="utf-8")
    beside = Beside(frozenset({A}), "Invented Lab", "R1")
    return parse_report(read_table(path), beside, methods=methods)


COMPUTED = [
    "Bray P1 (calculated from Mehlich-3)", "Bray P1 calculated from Mehlich-3", "Bray equivalent",
    "Mehlich-3 calc.", "Olsen, converted", "estimated from Mehlich-3",
]  # fmt: skip


@pytest.mark.parametrize("method", COMPUTED)
def test_in_a_row_per_result(tmp_path: Path, method: str) -> None:
    text = f'sample,nutrient,value,unit,method\n{A},P,30,mg/kg,"{method}"\n'
    parsed = parse(tmp_path, text)
    assert parsed.results == []
    assert [one.what for one in parsed.problems] == [f"{method!r} {WHY}"]
    assert parsed.problems[0].where.startswith("r.csv, row 2, column method")


@pytest.mark.parametrize("method", COMPUTED)
def test_in_a_row_of_methods_and_as_an_option(tmp_path: Path, method: str) -> None:
    by_row = f'sample,P (mg/kg)\nmethod,"{method}"\n{A},30\n'
    by_option = f"sample,P (mg/kg)\n{A},30\n"
    for parsed in (parse(tmp_path, by_row), parse(tmp_path, by_option, f"P={method}")):
        assert parsed.results == []
        (problem,) = parsed.problems
        assert WHY in problem.what
        assert problem.remedy.startswith("--skip 'P (mg/kg)'")


@pytest.mark.parametrize(
    "title", ["P Bray equivalent (mg/kg)", "P Bray P1 equiv. (mg/kg)", "K calc. Mehlich-3 (ppm)"]
)
def test_in_a_heading_no_method_that_is_said_helps(tmp_path: Path, title: str) -> None:
    for methods in ((), (f"{title}=Bray P1",)):
        parsed = parse(tmp_path, f"sample,{title}\n{A},30\n", *methods)
        assert parsed.results == []
        first = parsed.problems[0]
        assert first.what == f"{title!r} {WHY}"
        assert f"--skip '{title}'" in first.remedy
        assert "METHOD" not in first.remedy


def test_a_proposed_profile_leaves_it_out_and_says_why(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"Sample,K Olsen (ppm),K calc. Mehlich-3 (ppm)\n{A},30,41\n")
    proposal = proposing.propose(read_grid(path), answers({}), "Invented Lab")
    assert "Mehlich-3" not in proposal.text.partition("[skip]")[0]
    assert proposal.skipped == ["K calc. Mehlich-3 (ppm)"]
    assert f"'K calc. Mehlich-3 (ppm)' {WHY}: it is left out" in proposal.notes

    path.write_text(
        f"Sample;Analyte;Result;Unit;Method\n{A};P (Bray equiv.);4;mg/kg;M3\n{A};K;4;mg/kg;M3\n"
    )
    proposal = proposing.propose(read_grid(path), answers({}), "Invented Lab")
    assert proposal.skipped == ["P (Bray equiv.)"]


@pytest.mark.parametrize(
    ("text", "analyte"),
    [
        ("NO3-N (calculated on dry matter)", "nitrate-N"), ("P calculated as P2O5", "P"),
        ("NO3-N, converted to the dry soil", "nitrate-N"), ("CaCO3 equivalent (%)", "CaCO3"),
        ("Calcium carbonate equivalent", ""), ("calculated", "CEC"), ("calculated", "OM"),
        ("0.01 M CaCl2", "P"), ("meq/100 g", "K"),
    ],
)  # fmt: skip
def test_what_only_looks_like_it(text: str, analyte: str) -> None:
    assert not contents.is_converted(text, analyte)


def test_a_method_calculated_as_another_is(tmp_path: Path) -> None:
    assert contents.is_converted("Mehlich-3, calculated as Bray P1", "P")
    assert contents.is_converted("converted to Olsen", "P")
