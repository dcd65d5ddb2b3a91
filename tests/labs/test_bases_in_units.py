"""A unit that says its basis, "mg/kg DM" or "% as received", is understood and asked nowhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbook.errors import UserMistake
from logbook.labs.cells import Beside
from logbook.labs.importer import Parsed, parse_report
from logbook.labs.profiles.words import understood
from logbook.labs.reader import read_table
from logbook.trial import chemistry, units
from tests.labs.test_importer import A, B, told
from tests.labs.test_profiles import proposed, refused, results


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("mg/kg DM", ("mg/kg", "dry")),
        ("% DM", ("%", "dry")),
        ("%DM", ("%", "dry")),
        ("mg/kg TS", ("mg/kg", "dry")),
        ("mg kg-1 (dry weight)", ("mg kg-1", "dry")),
        ("mg/Kg-dry", ("mg/Kg", "dry")),
        ("g/kg, d.m.", ("g/kg", "dry")),
        ("cmol(+)/kg dry soil", ("cmol(+)/kg", "dry")),
        ("% as received", ("%", "moist")),
        ("mg/kg ww", ("mg/kg", "moist")),
        ("mg/kg", ("mg/kg", "")),
        ("meq/100 g", ("meq/100 g", "")),
        ("dry", ("dry", "")),
    ],
)
def test_a_unit_and_its_basis(text: str, expected: tuple[str, str]) -> None:
    assert units.of_basis(text) == expected


@pytest.mark.parametrize("text", ["s.u.", "S.U.", "su", "Standard Units", "std. units"])
def test_standard_units_are_those_of_ph(text: str) -> None:
    assert units.canonical_unit(text) == "pH"
    assert understood([f"pH ({text})"]).others == []


def test_the_moist_soil_is_no_unit_where_nobody_asks_for_a_basis() -> None:
    with pytest.raises(UserMistake, match="'mg/kg ww' is not a unit of P"):
        chemistry.read_unit("mg/kg ww", chemistry.ANALYTES["P"])


def read(folder: Path, *lines: str) -> Parsed:
    path = folder / "r.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return parse_report(read_table(path), Beside(frozenset({A, B}), "Invented Lab", "R1"))


def test_rows_that_say_it(tmp_path: Path) -> None:
    parsed = read(
        tmp_path,
        "sample,nutrient,value,unit,method",
        f"{A},NO3-N,12,mg/kg DM,1 M KCl",
        f"{B},NO3-N,10,mg/kg as received,1 M KCl",
        f"{B},OM,4,% DM,loss on ignition",
        f"{B},pH,6.1,s.u.,water",
    )
    assert (parsed.problems, parsed.notes) == ([], [])
    assert [(one.basis, one.unit, one.reported_unit) for one in parsed.results] == [
        ("dry", "mg/kg", "mg/kg DM"),
        ("moist", "mg/kg", "mg/kg as received"),
        ("dry", "%", "% DM"),
        ("dry", "pH", "s.u."),
    ]


def test_a_row_that_contradicts_itself(tmp_path: Path) -> None:
    (problem,) = read(
        tmp_path, "sample,nutrient,value,unit,method,basis", f"{A},P,12,mg/kg DM,Olsen,moist"
    ).problems
    assert told(problem) == (
        "r.csv, row 2, column basis (value 'moist') | the unit 'mg/kg DM' says dry, the basis "
        "moist | ask the laboratory which is right"
    )


def test_headings_and_rows_of_units_that_say_it(tmp_path: Path) -> None:
    parsed = read(
        tmp_path,
        "sample,NO3-N 1 M KCl (mg/kg DM),P Olsen (mg/kg),OM % fw",
        "method,-,-,loss on ignition",
        "unit,,mg/kg TS,",
        f"{A},12,30,4",
    )
    assert parsed.problems == []
    assert [(one.analyte, one.basis) for one in parsed.results] == [
        ("nitrate-N", "dry"),
        ("P", "dry"),
        ("OM", "moist"),
    ]


LONG = f"""\
Client ID,Parameter,Result,Units,Procedure
{A},Nitrate-N,12,mg/kg DM,2M KCl
{A},OM,4,% DM,loss on ignition
{A},pH,6.1,s.u.,water
{B},Nitrate-N,13,mg/kg DM,2M KCl
"""


def test_a_profile_of_rows_that_say_it_asks_nothing(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, LONG)
    assert proposal.open == []
    assert {one.basis for one in results(tmp_path, LONG, proposal.text)} == {"dry"}


def test_where_one_row_does_not_say_it_the_basis_is_asked(tmp_path: Path) -> None:
    content = LONG + f"{B},OM,4,%,loss on ignition\n"
    assert [one.key for one in proposed(tmp_path, content).open] == ["basis"]


def test_a_row_whose_unit_says_moist_is_of_a_series_of_its_own(tmp_path: Path) -> None:
    profile = proposed(tmp_path, LONG).text
    content = LONG.replace(f"{B},Nitrate-N,13,mg/kg DM", f"{B},Nitrate-N,13,mg/kg fw")
    assert [one.basis for one in results(tmp_path, content, profile)] == [
        "dry", "dry", "dry", "moist",
    ]  # fmt: skip


def test_a_profile_whose_unit_and_basis_disagree() -> None:
    text = (
        'format = 1\nlab = "Invented"\n[layout]\nheader = [1]\n[columns]\nsample = "ID"\n'
        '[[column]]\ntitle = "P"\nnutrient = "P"\nunit = "mg/kg DM"\nmethod = "Olsen"\n'
    )
    (problem,) = refused(text + 'basis = "moist"\n')
    assert problem.endswith("(value 'mg/kg DM'): it says dry, the basis moist; ask the laboratory")
