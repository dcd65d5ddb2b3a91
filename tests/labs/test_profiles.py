"""Profiles: how they are read, applied and proposed. Laboratories and layouts are invented."""

from __future__ import annotations

import csv
import io
import random
from datetime import date
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.errors import BadData, LogbookError, UserMistake
from logbook.labs import dates
from logbook.labs.cells import Beside
from logbook.labs.profiles import applying, asking, keeping, proposing
from logbook.labs.profiles.applying import Applied
from logbook.labs.profiles.reading import read
from logbook.labs.profiles.words import understood
from logbook.labs.reader import read_grid
from logbook.trial import codes, units
from logbook.trial.records import Result

A, B, C = (body + codes.check_symbol(body) for body in ("3479ACD", "HJKLMNP", "TTWWXXY"))
NOWHERE = Path("/nonexistent")
FEN = f"""\
Fen Soil Laboratory (invented);;;;;;;;
Report no.;26-114;;;;;;;
;;;;;;;;
Lab no.;Sample;Received;Nitrate-N;P;P rating;K2O;K % of CEC;pH
;;;mg/kg;mg/kg;;mg/kg;;
;;;1 M KCl;Mehlich-3;;Mehlich-3;;1:5
1001;{A};03/04/2026;12,5 J;1.234,5;VH;100;3,1;6,8
1002;{B};03/04/2026;<0,5;ND;L;n/a;2,0;6,80
1003;{C};04/04/2026;ND;7 *;M;50;;5,5
Notes;J: estimated;;;;;;;
"""
HARBOUR = f"""\
Harbour Analytical (invented),,,,,,,,,
Client ID,Lab ID,Received,Work order,Parameter,Result,Units,Procedure,RL,Q
{A},x1,04/03/2026,W7,Nitrate as N,"1,234.5",mg/kg,2M KCl,0.5,
{A},x1,04/03/2026,W7,Phosphorus,0.5,mg/kg,Bray P1,0.5,U
{B},x2,04/03/2026,W7,Nitrate as N,3.1,mg/kg,2M KCl,0.5,J
{B},x2,04/03/2026,W7,Phosphorus,,mg/kg,Bray P1,0.5,IS
{B},x2,04/03/2026,W7,pH,6.5,,water 1:1,,
{B},x2,04/03/2026,W7,Moisture,12,%,oven,,
Total results,,,,,,,,,
"""
SMALL = """\
format = 1
lab = "Invented"
[layout]
header = [1]
[columns]
sample = "ID"
[usual]
basis = "dry"
"""
P = '[[column]]\ntitle = "P"\nnutrient = "P"\nunit = "mg/kg"\nmethod = "Olsen"\n'


def applied(folder: Path, content: str, profile: str, **limits: str) -> Applied:
    path = folder / "r.csv"
    path.write_text(content, encoding="utf-8")
    if profile.startswith("example-"):
        found = keeping.load(NOWHERE, profile)
    else:
        found = read(profile.encode(), "p.toml", "p")
    return applying.apply(found, read_grid(path), limits, path.name)


def results(folder: Path, content: str, profile: str, **limits: str) -> list[Result]:
    made = applied(folder, content, profile, **limits)
    parsed = made.parse(Beside(frozenset({A, B, C}), lab="L", report=made.number or None))
    assert [str(problem) for problem in parsed.problems] == []
    return parsed.results


def shown(one: Result) -> tuple[str, str, str, str, str]:
    number = one.limit if one.value is None else one.value
    text = "none" if number is None else f"{one.qualifier}{units.short(number)}"
    return (one.sample, one.analyte, one.method, text, one.flags)


def refused(text: str) -> list[str]:
    with pytest.raises(BadData) as found:
        read(text.encode(), "p.toml", "p")
    return [str(problem) for problem in found.value.problems]


def test_a_wide_layout_with_three_header_rows(tmp_path: Path) -> None:
    made = applied(tmp_path, FEN, "example-fen")
    assert (made.number, made.received) == ("26-114", date(2026, 4, 4))
    assert made.notes == [
        "columns left out: P rating, K % of CEC",
        "1 cell says that nothing was reported, or are left out",
    ]
    found = [shown(one) for one in results(tmp_path, FEN, "example-fen")]
    # 100 mg K2O/kg is 83.015 mg K/kg (IUPAC weights).
    assert found == [
        (A, "nitrate-N", "1 M KCl 1:10", "12.5", "estimated"),
        (A, "P", "Mehlich-3 ICP", "1234.5", ""),
        (A, "K", "Mehlich-3 ICP", "83.0151302183966130052784", ""),
        (A, "pH", "0.01 M CaCl2 1:5", "6.8", ""),
        (B, "nitrate-N", "1 M KCl 1:10", "<0.5", ""),
        (B, "P", "Mehlich-3 ICP", "none", "not-detected"),
        (B, "pH", "0.01 M CaCl2 1:5", "6.8", ""),
        (C, "nitrate-N", "1 M KCl 1:10", "<0.5", "not-detected"),
        (C, "P", "Mehlich-3 ICP", "7", "see-note"),
        (C, "K", "Mehlich-3 ICP", "41.5075651091983065026392", ""),
        (C, "pH", "0.01 M CaCl2 1:5", "5.5", ""),
    ]


def test_cells_are_kept_as_they_stood(tmp_path: Path) -> None:
    found = {(one.sample, one.analyte): one for one in results(tmp_path, FEN, "example-fen")}
    assert found[A, "nitrate-N"].reported == "12,5 J"
    assert found[A, "P"].reported == "1.234,5"
    assert (found[A, "K"].form, found[A, "K"].reported_unit) == ("K2O", "mg/kg")
    assert found[B, "P"].reported == "ND"


def test_a_limit_said_beside_the_file(tmp_path: Path) -> None:
    found = {(one.sample, one.analyte): one for one in results(tmp_path, FEN, "example-fen", P="2")}
    assert found[B, "P"].limit == 2


def test_a_long_layout_with_marks_in_a_column(tmp_path: Path) -> None:
    made = applied(tmp_path, HARBOUR, "example-harbour")
    assert made.received == date(2026, 4, 3)
    found = results(tmp_path, HARBOUR, "example-harbour")
    assert [shown(one) for one in found] == [
        (A, "nitrate-N", "2 M KCl", "1234.5", ""),
        (A, "P", "Bray P1", "<0.5", "not-detected"),
        (B, "nitrate-N", "2 M KCl", "3.1", "estimated"),
        (B, "P", "Bray P1", "none", "insufficient"),
        (B, "pH", "water 1:1", "6.5", ""),
    ]
    assert {one.report for one in found} == {"W7"}
    assert [one.reported for one in found] == ["1,234.5", "0.5 U", "3.1 J", "IS", "6.5"]


def test_problems_name_the_cells_of_the_file(tmp_path: Path) -> None:
    made = applied(tmp_path, FEN.replace("12,5 J", "12,5 X"), "example-fen")
    parsed = made.parse(Beside(frozenset({A, B, C}), lab="L"))
    assert [str(one) for one in parsed.problems] == [
        "r.csv, row 7, column 4 'Nitrate-N mg/kg 1 M KCl' (value '12,5 X'): 'X' in '12,5 X' is no "
        'mark that the profile explains; explain it in [qualifiers], such as "X" = "estimated"'
    ]


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("Lab no.;Sample", "Lab no.;Field", "there is no cell 'Sample', by which the profile"),
        ("K % of CEC", "Zn", "the profile does not say what this is"),
        (";P;", ";Pb;", "there is no column 'P mg/kg Mehlich-3' ([[column]] of the profile)"),
        ("P rating", "P", "the profile does not say what this is"),
        ("26-114", "", "the report's number is missing"),
        ("04/04/2026", "04/31/2026", "'04/31/2026' is no date"),
    ],
)
def test_a_layout_that_has_changed(tmp_path: Path, old: str, new: str, problem: str) -> None:
    problems = applied(tmp_path, FEN.replace(old, new), "example-fen").problems
    assert any(problem in one.what for one in problems), problems


def test_a_method_that_changes_in_the_rows_is_another_series(tmp_path: Path) -> None:
    text = HARBOUR.replace("3.1,mg/kg,2M KCl", '3.1,mg/kg,"2M KCl, flow injection"')
    found = [one.method for one in results(tmp_path, text, "example-harbour")]
    assert found[:3] == ["2 M KCl", "Bray P1", "2 M KCl flow injection"]


def test_a_row_that_contradicts_its_profile(tmp_path: Path) -> None:
    profile = SMALL.replace("[layout]\n", '[layout]\nshape = "long"\n').replace(
        'sample = "ID"\n',
        'sample = "ID"\nnutrient = "N"\nvalue = "V"\nunit = "U"\nmethod = "M"\n',
    )
    content = f"ID,N,V,U,M\n{A},P,4,g/kg,Olsen\n{B},P,4,mg/kg,Bray P1\n{C},P,4,ppm,olsen\n"
    problems = [one.what for one in applied(tmp_path, content, profile + P).problems]
    assert problems == [
        "the row says g/kg, the profile mg/kg", "the row says Bray P1, the profile Olsen"
    ]  # fmt: skip


def test_two_columns_of_one_heading_are_told_apart_by_their_place(tmp_path: Path) -> None:
    content = f"ID,P,P\n{A},4,H\n"
    (problem,) = applied(tmp_path, content, SMALL + P).problems[:1]
    assert problem.what == "columns 2 and 3 are both 'P'"
    profile = SMALL + P.replace('title = "P"', 'at = "B"') + '[skip]\ncolumns = ["at C"]\n'
    assert [one.value for one in results(tmp_path, content, profile)] == [4]


def test_rows_and_ends(tmp_path: Path) -> None:
    profile = SMALL.replace(
        "header = [1]\n", 'header = [1]\nfirst = 3\nskip_rows = ["mean"]\nblank_ends = true\n'
    )
    content = f"ID,P\nsite,\n{A},4\nMean,4\n{B},5\n,\nlegend,x\n"
    made = applied(tmp_path, content, profile + P)
    assert made.notes == ["rows left out: 4"]
    assert [one.value for one in results(tmp_path, content, profile + P)] == [4, 5]


def test_extracts_areas_and_the_rule_of_twos(tmp_path: Path) -> None:
    columns = (
        '[[column]]\ntitle = "P"\nnutrient = "P"\nunit = "lb/acre"\nmethod = "Mehlich-3"\n'
        "by_twos = true\n"
        '[[column]]\ntitle = "K"\nnutrient = "K"\nunit = "mg/L"\nmethod = "water"\nratio = "1:5"\n'
        '[[column]]\ntitle = "S"\nnutrient = "SO4-S"\nunit = "kg/ha"\nmethod = "1 M KCl"\n'
        'depth = "15 cm"\ndensity = "1.3 kg/L"\n'
    )
    found = results(tmp_path, f"ID,P,K,S\n{A},71,4,1.95\n", SMALL + columns)
    # 71 lb/acre of P is 35.5 ppm by the rule (Rutgers NJAES classes are printed in lb/acre).
    assert [one.value for one in found] == [Decimal("35.5"), 20, 1]
    assert [one.reported_unit for one in found] == ["lb/acre", "mg/L", "kg/ha"]


def test_moist_contents_by_each_samples_own_moisture(tmp_path: Path) -> None:
    profile = SMALL.replace('basis = "dry"', 'basis = "moist"\nto_dry = true')
    made = applied(tmp_path, f"ID,P\n{A},25\n{B},25\n", profile + P)
    parsed = made.parse(Beside(frozenset({A, B}), lab="L", report="1"))
    made_dry, problems = applying.dried(
        parsed.results, made.to_dry, {A: Decimal("0.2"), B: Decimal("0.25")}, "r.csv"
    )
    assert [(one.value, one.basis, one.flags) for one in made_dry] == [
        (30, "dry", "dried-by-tin"), (Decimal("31.25"), "dry", "dried-by-tin"),
    ]  # fmt: skip
    assert problems == []
    _, problems = applying.dried(parsed.results, made.to_dry, {A: Decimal("0.2")}, "r.csv")
    assert [str(one) for one in problems] == [
        f"r.csv, sample {B}: its moisture is not known, so that its moist contents cannot be made "
        "dry ones; weigh its tin (logbook weigh), or leave to_dry out of the profile"
    ]


def spreadsheet(folder: Path, rows: list[list[object]], sheet: str = "Results") -> Path:
    """A spreadsheet, by another program than ours."""
    book = openpyxl.Workbook()
    book.active.title = "Cover"
    book.active["A1"] = "Mill Lane Soil Testing (invented)"
    page = book.create_sheet(sheet)
    for row in rows:
        page.append(row)
    path = folder / "MLS-0042.xlsx"
    book.save(path)
    return path


def test_a_spreadsheet_in_pounds_an_acre_on_moist_soil(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["Grower", "made up"], [], [],
        [None, "Mehlich-3", "Water", "Rating"],
        ["Sample ID", "P (lb/A)", "K (mg/L)", "of P"],
        [A, 71, 4.5, "High"], ["Average", 71, 4.5, None], [B, "<2", None, "Low"],
        [None], ["Explanations", "x"],
    ]  # fmt: skip
    profile = keeping.load(NOWHERE, "example-mill")
    grid = read_grid(spreadsheet(tmp_path, rows), sheet=profile.sheet)
    made = applying.apply(profile, grid, {}, grid.file)
    assert (made.problems, made.number) == ([], "MLS-0042")
    parsed = made.parse(Beside(frozenset({A, B}), lab="L", report=made.number))
    assert parsed.problems == []
    dry, problems = applying.dried(
        parsed.results, made.to_dry, {A: Decimal("0.2"), B: Decimal("0.5")}, grid.file
    )
    assert problems == []
    assert [(shown(one)[1:4], one.basis) for one in dry] == [
        (("P", "Mehlich-3 colorimetric", "42.6"), "dry"),  # 71 / 2 x 1.2
        (("K", "water 1:5", "27"), "dry"),  # 4.5 x 5 x 1.2
        (("P", "Mehlich-3 colorimetric", "<1.5"), "dry"),  # 2 / 2 x 1.5
    ]


def test_numbers_of_a_spreadsheet_have_no_thousands(tmp_path: Path) -> None:
    profile = SMALL.replace("[layout]", '[file]\ndecimal = ","\nthousands = "point"\n[layout]') + P
    found = read(profile.encode(), "p.toml", "p")
    path = spreadsheet(tmp_path, [["ID", "P"], [A, 1.234], [B, 12.5]])
    made = applying.apply(found, read_grid(path, sheet="Results"), {})
    parsed = made.parse(Beside(frozenset({A, B}), lab="L", report="1"))
    assert [one.value for one in parsed.results] == [Decimal("1.234"), Decimal("12.5")]
    path = spreadsheet(tmp_path, [["ID", "P"], [A, "1.234,5"], [B, "12,5"], [C, 1.234]])
    made = applying.apply(found, read_grid(path, sheet="Results"), {})
    parsed = made.parse(Beside(frozenset({A, B, C}), lab="L", report="1"))
    assert [str(one.value) for one in parsed.results] == ["1234.5", "12.5", "1.234"]


def test_every_example_reads(tmp_path: Path) -> None:
    assert keeping.shipped() == ["example-fen", "example-harbour", "example-mill"]
    labs = [keeping.load(tmp_path, name).lab for name in keeping.shipped()]
    assert all("(invented)" in lab for lab in labs)


WRONG = [
    ("lab = 4\n" + P, "p.toml, line 1: 'format' is missing"),
    ("format = 2\n" + P, "p.toml, line 1, format (value 2): this format is not known; this program "
     "reads format 1"),
    ("[layout]\nheader = [2, 1]\n", "[layout] header (value [2, 1]): the rows are not in order"),
    ("[layout]\nheader = 0\n", "[layout] header (value 0): this names no row"),
    ("[file]\ndecimal = ';'\n", "[file] decimal (value ';'): this word is not known here"),
    ("[file]\nthousands = 'comma'\n", "the decimal mark is not named beside it"),
    ("[file]\ndates = 'american'\n", "use: year first, day first, month first"),
    ("[file]\nencoding = 'klingon'\n", "there is no encoding 'klingon'"),
    ("[columns]\nnutrient = 'N'\n", "this is for a long layout"),
    ("[usual]\nbasis = 'soggy'\n", "use: dry, moist"),
    ("[report]\nnumber = 'top'\n", "this is no place"),
    ("[qualifiers]\nJ = 'guessed'\n", "'guessed' is not a meaning known here"),
    ("[[column]]\nnutrient = 'P'\n", "the column is not named"),
    ("[[column]]\ntitle = 'P'\n", "'nutrient' is missing"),
    ("[[column]]\ntitle = 'P'\nnutrient = 'nitrate'\n", "'nitrate' may mean NO3 or NO3-N"),
    ("[[column]]\ntitle = 'P'\nnutrient = 'P'\nunit = 'mg/kg'\n", "'method' is missing"),
    ("[[column]]\ntitle = 'P'\nnutrient = 'P'\nmethod = 'Olsen'\n", "'unit' is missing"),
    (P.replace("mg/kg", "mg/L"), "mg/L is a concentration in an extract"),
    (P.replace("mg/kg", "lb/acre"), "without the depth and the bulk density"),
    (P.replace("Olsen", "Bray equivalent"), "is computed from another extractant's value"),
    (P.replace('"P"', '"K"').replace("mg/kg", "%"), "its share of the base saturation"),
    (P + "[[column]]\n" + P.partition("\n")[2], "give the same analysis: P, Olsen, dry"),
    (P + "metod = 'x'\n", "there is no such key in this section; did you mean 'method'?"),
    ("[layuot]\nx = 1\n", "did you mean 'layout'?"),
    ("lab = \n", "this is no TOML"),
    ('"a\\u001bb" = 1\n', "'a\\x1bb'"),
    ('[qualifiers]\n"\\u001b[2J" = "estimated"\n', "this is no mark that can be printed"),
    (P.replace("Olsen", "x" * 81), "the method has 81 characters, more than 80"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "problem"), WRONG)
def test_profiles_that_do_not_do(text: str, problem: str) -> None:
    assert any(problem in one for one in refused(text)), refused(text)


def test_all_problems_of_a_profile_come_at_once_with_their_lines() -> None:
    text = (
        SMALL.replace('lab = "Invented"', "lab = 7") + P.replace("mg/kg", "ell") + "[skip]\nx = 1\n"
    )
    assert refused(text) == [
        "p.toml, line 2, lab (value 7): this is not a text; name the laboratory",
        "p.toml, line 12, [column] unit 1 (value 'ell'): 'ell' is not a unit of P; use mg/kg, ppm, "
        "ug/g, ug/kg, g/kg, mg/100 g, g/100 g, %",
        "p.toml, line 15, [skip] x (value 1): there is no such key in this section; known here: "
        "columns, rest",
    ]


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_a_profile_or_refused(data: bytes) -> None:
    with pytest.raises(BadData):
        read(data, "p.toml", "p")


HEADINGS = [
    (["NO3-N (mg/kg)"], ("NO3-N", "mg/kg", "", "")),
    (["P ppm M3"], ("P", "ppm", "M3", "")),
    (["K, mg/kg, Mehlich-3"], ("K", "mg/kg", "Mehlich-3", "")),
    (["OM %"], ("OM", "%", "", "")),
    (["pH 1:1"], ("pH", "", "", "1:1")),
    (["Olsen P"], ("P", "", "Olsen P", "")),
    (["Bray P1 (ppm)"], ("P", "ppm", "Bray P1", "")),
    (["Nitrate-N", "mg/kg", "1 M KCl"], ("Nitrate-N", "mg/kg", "1 M KCl", "")),
    (["Ca (cmol(+)/kg)"], ("Ca", "cmol(+)/kg", "", "")),
    (["Phosphorus as P2O5 (mg/kg)"], ("Phosphorus as P2O5", "mg/kg", "", "")),
    (["EC 1:5 dS/m"], ("EC", "dS/m", "", "1:5")),
    (["Nitrate"], ("Nitrate", "", "", "")),
]  # fmt: skip


@pytest.mark.parametrize(("parts", "expected"), HEADINGS)
def test_headings(parts: list[str], expected: tuple[str, str, str, str]) -> None:
    said = understood(parts)
    first = [one[0] if one else "" for one in (said.units, said.methods, said.ratios)]
    assert (said.one_nutrient, *first) == expected
    assert said.others == []


def proposed(folder: Path, content: str, **said: str) -> proposing.Proposal:
    path = folder / "r.csv"
    path.write_text(content, encoding="utf-8")
    answers = {key.replace("_", " "): text for key, text in said.items()}
    return proposing.propose(read_grid(path), asking.answers(answers), "Invented")


def test_a_profile_is_proposed_and_reads_the_file_that_it_came_from(tmp_path: Path) -> None:
    asked = proposed(tmp_path, FEN)
    assert [one.key for one in asked.open] == [
        "dates", "basis", "method of pH 1:5", "mark J", "mark *",
    ]  # fmt: skip
    assert asked.skipped == ["P rating", "K % of CEC"]
    said = {
        "dates": "day first", "basis": "dry", "method of pH 1:5": "water", "mark J": "estimated",
        "mark *": "see-note",
    }  # fmt: skip
    path = tmp_path / "r.csv"
    proposal = proposing.propose(read_grid(path), asking.answers(said), "Invented")
    assert proposal.open == []
    found = results(tmp_path, FEN, proposal.text)
    assert len(found) == 11
    assert shown(found[0])[:4] == (A, "nitrate-N", "1 M KCl", "12.5")
    assert applied(tmp_path, FEN, proposal.text).number == "26-114"


def test_open_questions_stand_in_the_file_and_keep_it_from_being_used(tmp_path: Path) -> None:
    text = proposed(tmp_path, FEN).text
    assert "# open: are contents given on the dry or on the moist soil?" in text
    assert any("it is not said on which basis it is" in one for one in refused(text))


def test_a_long_profile_is_proposed(tmp_path: Path) -> None:
    said = {"basis": "dry", "dates": "month first", "mark_U": "not-detected",
            "mark_J": "estimated", "mark_IS": "insufficient"}  # fmt: skip
    proposal = proposed(tmp_path, HARBOUR, **said)
    assert (proposal.open, proposal.skipped) == ([], ["Moisture"])
    assert len(results(tmp_path, HARBOUR, proposal.text)) == 5


@pytest.mark.parametrize(
    ("content", "open_"),
    [
        (f"Sample,Nitrate (mg/kg)\n{A},4\n{B},5\n", "nutrient of Nitrate (mg/kg)"),
        (f"Sample,P Olsen\n{A},4\n{B},5\n", "unit of P Olsen"),
        (f"Sample,P (mg/kg)\n{A},4\n{B},5\n", "method of P (mg/kg)"),
        (f"Sample,K water (mg/L)\n{A},4\n{B},5\n", "ratio of K water (mg/L)"),
        (f"Sample,P M3 (lb/acre)\n{A},4\n{B},5\n", "depth of P M3 (lb/acre)"),
        (f"Sample;P Olsen (mg/kg)\n{A};1.250\n{B};1.300\n", "decimal"),
        (f"Sample,P Olsen (mg/kg)\n{A},4\n{B},4 q\n", "mark q"),
        (f"Sample,Received,P Olsen (mg/kg)\n{A},03/04/2026,4\n{B},03/05/2026,5\n", "dates"),
    ],
)
def test_what_cannot_be_known_is_asked(tmp_path: Path, content: str, open_: str) -> None:
    assert open_ in [one.key for one in proposed(tmp_path, content).open]


UNUSUAL = f"""Sample ID;Test;Result;Units;Procedure;Qualifier;RL
{A};NO3-N;5,1;mg/kg;1 M KCl;J;0,5
{B};P;0,4;mg/kg;Olsen;;0,5
"""


def test_a_column_that_names_nutrients_makes_a_long_layout_whatever_its_heading(
    tmp_path: Path,
) -> None:
    proposal = proposed(tmp_path, UNUSUAL, basis="dry", mark_J="estimated")
    assert proposal.open == []
    assert 'shape = "long"' in proposal.text
    assert 'nutrient = "Test"' in proposal.text
    found = [
        (one.analyte, one.method, one.value) for one in results(tmp_path, UNUSUAL, proposal.text)
    ]
    assert found == [("nitrate-N", "1 M KCl", Decimal("5.1")), ("P", "Olsen", Decimal("0.4"))]

    # Nothing but the sample has a usual name.
    strange = UNUSUAL.replace("Test;Result;Units;Procedure", "Was;Got;In;How")
    proposal = proposed(tmp_path, strange, basis="dry", mark_J="estimated")
    assert (proposal.open, len(results(tmp_path, strange, proposal.text))) == ([], 2)


DOUBTFUL = f"""Sample ID;Test;Sort;Result;Units
{A};NO3-N;N;5,1;mg/kg
{B};P;P;4,5;mg/kg
"""


def test_of_two_columns_that_may_name_the_nutrient_one_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(BadData) as caught:
        proposed(tmp_path, DOUBTFUL)
    assert [str(one) for one in caught.value.problems] == [
        "r.csv: which column names the nutrient?; --say 'nutrient=Test'; without a role are: "
        "Test, Sort"
    ]
    proposal = proposed(tmp_path, DOUBTFUL, nutrient="test", basis="dry")
    assert 'nutrient = "Test"' in proposal.text
    assert 'title = "NO3-N"' in proposal.text
    with pytest.raises(BadData) as caught:
        proposed(tmp_path, DOUBTFUL, nutrient="Tset")
    assert "there is no column 'Tset'" in str(caught.value.problems[0])


@pytest.mark.parametrize(
    "content",
    [
        f"Sample ID;Test;Result;Units\n{A};snow;5,1;mg/kg\n{B};rain;4,5;mg/kg\n",
        f"Sample ID;Lab no;Snow\n{A};1;5,1\n{B};2;4,5\n",
        f"Sample ID;Lab no;K calc. Mehlich-3 (ppm)\n{A};1;5,1\n{B};2;4,5\n",
    ],
)
def test_there_is_no_profile_without_a_nutrient(tmp_path: Path, content: str) -> None:
    with pytest.raises(BadData):
        proposed(tmp_path, content, nutrient="Test")


@pytest.mark.parametrize(
    ("heading", "unit"),
    [("N-NO3 mg/100g KCl 1M", "mg/100g"), ("P Olsen (mg/100 g)", "mg/100 g"),
     ("P Olsen mg/100 mL", "mg/100 mL")],
)  # fmt: skip
def test_a_unit_that_is_there_is_taken(tmp_path: Path, heading: str, unit: str) -> None:
    proposal = proposed(tmp_path, f"Sample;{heading}\n{A};4,5\n{B};5,5\n")
    assert f'unit = "{unit}"' in proposal.text
    assert not any(one.key.startswith("unit of") for one in proposal.open)
    assert not any("not understood" in note for note in proposal.notes)


@pytest.mark.parametrize("heading", ["P2O5 ell/100g", "P Olsen grain/lb", "P Olsen ppm mg/100g"])
def test_no_other_unit_is_offered_than_one_that_is_there(tmp_path: Path, heading: str) -> None:
    proposal = proposed(tmp_path, f"Sample;{heading}\n{A};4,5\n{B};5,5\n")
    (question,) = [one for one in proposal.open if one.key == f"unit of {heading}"]
    assert question.example in ("UNIT", "ppm")
    assert "mg/kg" not in question.text + question.example


def test_the_unit_that_is_proposed_measures_the_nutrient(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, f"Sample;EC water 1:5;pH water 1:5\n{A};4,5;7\n{B};5,5;7\n")
    assert {one.key: one.example for one in proposal.open} == {"unit of EC water 1:5": "dS/m"}


FOLLOWED = {"pH": "water 1:1", "P": "Bray P1"}


@pytest.mark.parametrize(
    ("heading", "text", "example"),
    [
        ("pH", "by which method is 'pH' measured? (the trial follows 'water 1:1')", "water 1:1"),
        ("pH 1:1", "by which method is 'pH 1:1' measured? (the trial follows 'water 1:1')",
         "water 1:1"),
        ("pH 1:5", "by which method is 'pH 1:5' measured?", "water"),
        ("P mg/kg", "by which method is 'P mg/kg' measured? (the trial follows 'Bray P1')",
         "Bray P1"),
        ("P Zorb mg/kg", "by which method is 'P Zorb mg/kg' measured? (the trial follows "
         "'Bray P1'; not understood: Zorb)", "METHOD"),
        ("Avail. P mg/kg", "by which method is 'Avail. P mg/kg' measured? (the trial follows "
         "'Bray P1')", "Bray P1"),
        ("pH (H2O)", "by which method is 'pH (H2O)' measured? (it says 'water'; the trial follows "
         "'water 1:1')", "water 1:1"),
        ("K mg/kg", "by which method is 'K mg/kg' measured?", "Mehlich-3"),
    ],
)  # fmt: skip
def test_the_trials_own_method_is_the_example(
    tmp_path: Path, heading: str, text: str, example: str
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"Sample;{heading}\n{A};6,5\n{B};7,5\n", encoding="utf-8")
    proposal = proposing.propose(read_grid(path), asking.answers({}), "Invented", FOLLOWED)
    (question,) = [one for one in proposal.open if one.key == f"method of {heading}"]
    assert (question.text, question.example) == (text, example)


TRIAL = {"nitrate-N": "1 M KCl", "P": "Mehlich-3", "K": "Mehlich-3", "pH": "water 1:1"}
GERMAN = f"""Prüfbericht-Nr.;D-128;;;;
Probenbezeichnung;Labor-Nr.;Nitrat-N;Phosphor;Zorb;pH-Wert
;;mg/kg TM;mg/kg TM;mg/kg TM;
;;1 M KCl;Mehlich-3;Mehlich-3;Wasser 1:1
{A};1041;24,1;55;171;6,5
{B};1042;58,4;47;139;6,1
Mittelwert;;41,2;51;155;6,3
"""


def of_the_trial(folder: Path, content: str, said: dict[str, str]) -> proposing.Proposal:
    path = folder / "r.csv"
    path.write_text(content, encoding="utf-8")
    return proposing.propose(read_grid(path), asking.answers(said), "Invented", TRIAL)


def test_numbers_under_a_heading_that_is_not_understood_are_asked_about(tmp_path: Path) -> None:
    proposal = of_the_trial(tmp_path, GERMAN, {})
    unknown, phosphor = "Zorb mg/kg TM Mehlich-3", "Phosphor mg/kg TM Mehlich-3"
    assert {one.key: one.text for one in proposal.open} == {
        f"nutrient of {unknown}": f"what is {unknown!r}? (a nutrient, or: leave out)",
        f"nutrient of {phosphor}": f"is {phosphor!r} P2O5 or P?",
    }
    assert proposal.notes == []  # the open question may be answered: K
    # What the heading says is in the lines to complete.
    problems = refused(proposal.text)
    assert ["'nutrient' is missing" in one for one in problems] == [True, True]
    for part in ('number = "B1"', 'end = ["Mittelwert"]', 'laboratory_number = "Labor-Nr."'):
        assert part in proposal.text

    said = {f"nutrient of {unknown}": "K", f"nutrient of {phosphor}": "P2O5"}
    proposal = of_the_trial(tmp_path, GERMAN, said)
    assert (proposal.open, proposal.skipped) == ([], [])
    assert proposal.notes == []
    found = [
        (one.analyte, one.method, one.basis) for one in results(tmp_path, GERMAN, proposal.text)
    ]
    assert found[:4] == [
        ("nitrate-N", "1 M KCl", "dry"), ("P", "Mehlich-3", "dry"), ("K", "Mehlich-3", "dry"),
        ("pH", "water 1:1", "dry"),
    ]  # fmt: skip
    assert len(found) == 8

    said[f"nutrient of {unknown}"] = "leave out"
    proposal = of_the_trial(tmp_path, GERMAN, said)
    assert (proposal.open, proposal.skipped) == ([], [unknown])
    assert proposal.notes == ["the trial follows K, for which no column was found"]
    assert len(results(tmp_path, GERMAN, proposal.text)) == 6


def test_names_in_rows_that_are_not_understood_are_asked_about(tmp_path: Path) -> None:
    strange = HARBOUR.replace("Phosphorus", "Zorb")
    assert [one.text for one in of_the_trial(tmp_path, strange, {"basis": "dry"}).open][:1] == [
        "what is 'Zorb'? (a nutrient, or: leave out)"
    ]
    proposal = of_the_trial(tmp_path, strange, {"nutrient of Zorb": "leave out"})
    assert proposal.skipped[-2:] == ["Zorb", "Moisture"]
    assert "the trial follows P, K, which no row names" in proposal.notes


@pytest.mark.parametrize(
    "title",
    [
        "Plot no",
        "P rating",
        "Moisture %",
        "Sand %",
        "Sampled",
        "Depth cm",
        "Year",
        "Words",
        "Eingang",
    ],
)
def test_what_is_no_nutrient_is_not_asked_about(tmp_path: Path, title: str) -> None:
    cell = {"Words": "low", "Eingang": "05.11.2026"}.get(title, "12")
    content = f"Sample;P Olsen mg/kg DM;{title}\n{A};4,5;{cell}\n{B};5,5;{cell}\n"
    proposal = of_the_trial(tmp_path, content, {})
    assert [one.key for one in proposal.open] == []
    assert proposal.skipped == [title]


def test_a_column_mostly_below_its_limit_is_asked_about(tmp_path: Path) -> None:
    rows = f"{A};4,5;ND\n{B};5,5;<LOD\n{C};5,5;0,3\n"
    proposal = of_the_trial(tmp_path, f"Sample;P Olsen mg/kg DM;Zorb\n{rows}", {})
    assert [one.key for one in proposal.open] == ["nutrient of Zorb"]


@pytest.mark.parametrize("said", ["q", "yes", "12", "No", "3.5 %", "?", "maybe", "Yes!"])
def test_no_such_word_is_a_method(tmp_path: Path, said: str) -> None:
    proposal = of_the_trial(tmp_path, f"Sample;S mg/kg DM\n{A};4,5\n{B};5,5\n", {})
    (question,) = proposal.open
    with pytest.raises(UserMistake, match="is no method"):
        question.check(said)


def test_yes_takes_the_trials_method_and_another_is_doubted(tmp_path: Path) -> None:
    content = f"Sample;P mg/kg DM 1:10\n{A};4,5\n{B};5,5\n"
    key = "method of P mg/kg DM 1:10"
    for said in ("yes", "Y", "mehlich iii"):
        proposal = of_the_trial(tmp_path, content, {key: said})
        assert ("Mehlich-3" in proposal.text) == (said != "mehlich iii")
        assert not any("series of its own" in note for note in proposal.notes)
    proposal = of_the_trial(tmp_path, content, {key: "Bray 99"})
    assert (
        f"{key[len('method of ') :]!r}: 'Bray 99 1:10' is not the trial's method ('Mehlich-3'): "
        "a series of its own"
    ) in proposal.notes


def of_one_heading(folder: Path, heading: str, said: dict[str, str]) -> proposing.Proposal:
    return of_the_trial(folder, f"Sample;{heading}\n{A};4,5\n{B};5,5\n", said)


UNLIKE = "{!r}: {!r} is not the trial's method ({!r}): a series of its own"


@pytest.mark.parametrize(
    ("heading", "method", "own"),
    [
        ("P2O5 CAL mg/kg DM", "CAL", "Mehlich-3"),
        ("P, mg/kg DM, calcium-acetate-lactate", "CAL", "Mehlich-3"),
        ("pH CaCl2", "CaCl2", "water 1:1"),
        ("pH (CaCl\u2082)", "CaCl2", "water 1:1"),
    ],
)
def test_a_method_of_the_heading_unlike_the_trials_is_told(
    tmp_path: Path, heading: str, method: str, own: str
) -> None:
    proposal = of_one_heading(tmp_path, heading, {})
    assert (proposal.open, f'method = "{method}"' in proposal.text) == ([], True)
    assert UNLIKE.format(heading, method, own) in proposal.notes


@pytest.mark.parametrize(
    ("heading", "word"), [("P Zorb mg/kg DM", "Zorb"), ("P Cal mg/kg DM", "Cal")]
)
def test_yes_beside_a_word_that_may_be_another_method_is_doubted(
    tmp_path: Path, heading: str, word: str
) -> None:
    key, may = f"method of {heading}", f"{word!r} is not understood and may be another method"
    proposal = of_one_heading(tmp_path, heading, {})
    (question,) = proposal.open
    assert question.doubt(question.meant("yes")) == may
    # What the question names has not been passed over.
    assert not any(word in note for note in proposal.notes)

    proposal = of_one_heading(tmp_path, heading, {key: "yes"})
    assert [note for note in proposal.notes if word in note] == [f"{heading!r}: {may}"]
    proposal = of_one_heading(tmp_path, heading, {key: word})
    assert not any("not understood" in note for note in proposal.notes)


def test_cal_alone_and_a_strength_nobody_knows_are_asked_about(tmp_path: Path) -> None:
    proposal = of_the_trial(
        tmp_path,
        f"Sample;P Olsen mg/kg DM;CAL mg/kg DM\n{A};4,5;900\n{B};5,5;800\n",
        {"nutrient of CAL mg/kg DM": "Ca"},
    )
    assert [one.key for one in proposal.open] == ["method of CAL mg/kg DM"]
    proposal = of_one_heading(tmp_path, "NO3-N 0.0125 M CaCl2 mg/kg DM", {})
    assert [one.key for one in proposal.open] == ["method of NO3-N 0.0125 M CaCl2 mg/kg DM"]


def test_calcium_chloride_without_the_strength_of_the_trials_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"Sample;pH CaCl2\n{A};6,5\n{B};7,5\n", encoding="utf-8")
    follows = {"pH": "0.01 M CaCl2"}
    proposal = proposing.propose(read_grid(path), asking.answers({}), "Invented", follows)
    assert [one.text for one in proposal.open] == [
        "by which method is 'pH CaCl2' measured? (it says 'CaCl2'; the trial follows "
        "'0.01 M CaCl2')"
    ]


def test_a_word_that_somebody_named_was_not_passed_over(tmp_path: Path) -> None:
    heading = "Zorb mg/kg DM"
    rows = f"Sample;P Olsen mg/kg DM;{heading}\n{A};4,5;9\n{B};5,5;8\n"
    proposal = of_the_trial(tmp_path, rows, {f"nutrient of {heading}": "K"})
    assert [one.text for one in proposal.open] == [
        f"by which method is {heading!r} measured? (the trial follows 'Mehlich-3')"
    ]
    assert not any("Zorb" in note for note in proposal.notes)


@pytest.mark.parametrize("said", ["yes", "maybe", "Zorb", "mineral-N", "total-N"])
def test_of_two_forms_the_answers_are_those_two(tmp_path: Path, said: str) -> None:
    (question,) = of_one_heading(tmp_path, "Nitrat mg/100 g DM 1 M KCl", {}).open
    with pytest.raises(UserMistake, match="is neither") as refusal:
        question.check(said)
    assert refusal.value.hint == "answer NO3 or NO3-N"


def test_a_sum_is_not_offered_as_an_answer(tmp_path: Path) -> None:
    rows = f"Sample;P Olsen mg/kg DM;Zorb\n{A};4,5;9\n{B};5,5;8\n"
    (question,) = of_the_trial(tmp_path, rows, {}).open
    with pytest.raises(UserMistake) as refusal:
        question.check("maybe")
    assert "nitrate-N, ammonium-N, total-N" in refusal.value.hint
    assert "mineral-N" not in refusal.value.hint


@pytest.mark.parametrize("said", ["yes", "No", "maybe", "ok", "later", "?"])
def test_no_such_word_is_a_laboratory(tmp_path: Path, said: str) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"Sample;P Olsen mg/kg DM\n{A};4,5\n", encoding="utf-8")
    (question,) = proposing.propose(read_grid(path), asking.answers({}), None).open
    question.check("Labor 7")
    with pytest.raises(UserMistake, match="is no laboratory"):
        question.check(said)


@pytest.mark.parametrize("order", ["Auftragsnummer", "Auftrags-Nr.", "Auftragsnr.", "Auftrag Nr."])
def test_german_headings_of_numbers_potash_and_mineral_nitrogen(tmp_path: Path, order: str) -> None:
    table = f"""Auftraggeber;7;;
Labornummer;Probe;Kali mg/kg TM Mehlich-3;Nmin kg/ha;{order}
1041;{A};171;41;D-128
1042;{B};139;52;D-128
"""
    proposal = of_the_trial(tmp_path, table, {})
    assert [one.text for one in proposal.open] == ["is 'Kali mg/kg TM Mehlich-3' K2O or K?"]
    assert proposal.skipped == ["Nmin kg/ha"]
    assert proposal.notes[0] == (
        "'Nmin kg/ha' is a sum: it is left out; ask the laboratory for nitrate and ammonium apart"
    )
    for part in ('laboratory_number = "Labornummer"', f'report = "{order}"'):
        assert part in proposal.text

    above = f"{order};D-128;;\nAuftraggeber;7;;\n" + table.split("\n", 1)[1].replace(order, "Crop")
    assert 'number = "B1"' in of_the_trial(tmp_path, above, {}).text


def test_a_sum_that_a_row_names_is_left_out(tmp_path: Path) -> None:
    proposal = of_the_trial(tmp_path, HARBOUR.replace("Phosphorus", "N min"), {})
    assert "N min" in proposal.skipped
    assert any("nitrate and ammonium apart" in note for note in proposal.notes)


@pytest.mark.parametrize(
    ("note", "end"),
    [
        ("* estimated, samples received on 3 March 2026", "*"),
        ("** see the note of 4 March", "**"),
        ("\u00b9 J: estimated", "\u00b9"),
        ("J: estimated", "J:"),
        ("Notes", "Notes"),
        ("Results relate only to the samples as received on 12 March", "Results relate only"),
        ("Released on 12 March 2026 by the laboratory", "Released on"),
        ("3 samples were received", "3 samples were received"),
        # A word with which rows of the data begin would end the table there.
        ("Bed 7 was not sampled", "Bed 7 was not sampled"),
    ],
)
def test_the_end_is_what_the_next_report_has_alike(tmp_path: Path, note: str, end: str) -> None:
    content = f"Plot;Sample;P Olsen (mg/kg)\nBed 1;{A};4,5\nBed 2;{B};5,5\n{note};;\n"
    assert f'end = ["{end}"]' in proposed(tmp_path, content).text


def test_what_the_file_shows_is_not_asked(tmp_path: Path) -> None:
    content = f"Sample,Received,P Olsen (mg/kg)\n{A},13/04/2026,4\n{B},03/05/2026,5\n"
    proposal = proposed(tmp_path, content)
    assert [one.key for one in proposal.open] == ["basis"]
    assert 'dates = "day first"' in proposal.text


# Layouts that are common practice, no source; all invented.
TITLED = f"""Made-up Lab;;;;
Report no;26-7;;;
Client Sample;Lab no;NO3;P;pH
;;mg/kg DM;mg/kg DM;(1:1)
;;1 M KCl;Mehlich-3 ICP;water
{A};900;44,3;21,5;7,2
{B};901;88,6;32,4;6,4
"""


def test_a_title_is_no_header_and_all_between_it_and_the_data_is(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, TITLED)
    assert proposal.open == []
    assert "header = [3, 4, 5]" in proposal.text
    assert 'number = "B2"' in proposal.text
    assert 'sample = "Client Sample"' in proposal.text
    found = results(tmp_path, TITLED, proposal.text)
    assert [one.method for one in found[:3]] == ["1 M KCl", "Mehlich-3 ICP", "water 1:1"]


def test_without_codes_the_data_begin_with_numbers(tmp_path: Path) -> None:
    content = TITLED.replace(A, "one").replace(B, "two")
    assert "header = [3, 4, 5]" in proposed(tmp_path, content).text


def test_a_row_of_a_mistyped_code_is_data(tmp_path: Path) -> None:
    content = TITLED.replace(f"{A};900;44,3;21,5;7,2", "3479ACDX;900;ND;ND;ND")
    assert "header = [3, 4, 5]" in proposed(tmp_path, content).text


def test_the_basis_is_asked_where_a_content_does_not_say_it(tmp_path: Path) -> None:
    one = TITLED.replace(";;mg/kg DM;mg/kg DM", ";;mg/kg DM;mg/kg")
    assert [question.key for question in proposed(tmp_path, one).open] == ["basis"]


LIMITED = f"""Certificate 26-20,,,,
Sample ID,NO3-N,,P,
,Result,RL,Result,RL
,mg/kg,mg/kg,mg/kg,mg/kg
,1 M KCl,,Olsen,
{A},8.1,0.5,30,2
{B},ND,0.5,ND,
"""


def test_a_column_of_limits_beside_each_value(tmp_path: Path) -> None:
    proposal = proposed(tmp_path, LIMITED, basis="dry")
    assert (proposal.open, proposal.skipped) == ([], [])
    assert 'limit = "NO3-N RL mg/kg"' in proposal.text
    made = applied(tmp_path, LIMITED, proposal.text, P="2.125")
    assert (made.number, made.problems) == ("26-20", [])
    found = results(tmp_path, LIMITED, proposal.text, P="2.125")
    limits = [(one.value, one.limit) for one in found]
    assert [tuple(map(str, one)) for one in limits] == [
        ("8.1", "None"), ("30", "None"), ("None", "0.5"), ("None", "2.125"),
    ]  # fmt: skip


def test_limits_that_are_none(tmp_path: Path) -> None:
    text = SMALL + P
    for limit, what in (("<0.5", "this is no number above 0"), ("0", "no number above 0")):
        assert any(what in one for one in refused(f'{text}limit = "{limit}"\n'))
    made = applied(tmp_path, f"ID,P\n{A},4\n", f'{text}limit = "bogus"\n')
    (problem,) = made.problems
    assert "there is no column 'bogus' ([[column]] limit of the profile)" in problem.what


def test_a_limit_said_beside_a_file_of_decimal_commas_has_a_point(tmp_path: Path) -> None:
    content = f"ID;P\n{A};ND\n{B};4,5\n"
    (found, _) = results(tmp_path, content, SMALL + P, P="0.5")
    assert str(found.limit) == "0.5"


@pytest.mark.parametrize(
    ("cell", "number"),
    [("Certificate 26-20", "26-20"), ("Report No. 7", "7"), ("Reporting-7", "Reporting-7")],
)
def test_the_number_has_no_label(tmp_path: Path, cell: str, number: str) -> None:
    profile = f'{SMALL}{P}[report]\nnumber = "A1"\n'.replace("[1]", "[2]")
    assert applied(tmp_path, f"{cell},\nID,P\n{A},4\n", profile).number == number


def test_the_example_of_a_method_fits_its_nutrient(tmp_path: Path) -> None:
    content = f"Sample,Nitrate (mg/kg)\n{A},4\n{B},5\n"
    (method,) = [one for one in proposed(tmp_path, content).open if "method of" in one.key]
    assert method.example == "1 M KCl"


def test_a_file_without_a_table(tmp_path: Path) -> None:
    with pytest.raises(BadData, match="no table of results was found"):
        proposed(tmp_path, "Dear grower,thank you\nall,is well\n")


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        ("2026-04-03", "", date(2026, 4, 3)), ("3 Apr 2026", "", date(2026, 4, 3)),
        ("April 3, 2026", "", date(2026, 4, 3)), ("13/04/2026", "", date(2026, 4, 13)),
        ("04/13/2026", "", date(2026, 4, 13)), ("04/04/2026", "", date(2026, 4, 4)),
        ("03.04.2026", "day first", date(2026, 4, 3)),
        ("03/04/2026 14:30", "month first", date(2026, 3, 4)),
        ("03/04/26", "day first", date(2026, 4, 3)), ("26-04-03", "year first", date(2026, 4, 3)),
        ("03.04.26 14:30", "month first", date(2026, 3, 4)), ("11/30/26", "", date(2026, 11, 30)),
    ],
)  # fmt: skip
def test_dates(text: str, order: str, expected: date) -> None:
    assert dates.read_date(text, order) == expected


@pytest.mark.parametrize(
    ("text", "order"),
    [("03/04/2026", ""), ("03/04/26", ""), ("26-11-25", ""), ("13/04/2026", "month first"),
     ("13/04/26", "month first"), ("3/4-26", "day first"),
     ("31/02/2026", ""), ("soon", ""), ("٠٣/٠٤/٢٠٢٦", "day first")],
)  # fmt: skip
def test_dates_that_are_not_guessed(text: str, order: str) -> None:
    with pytest.raises(UserMistake):
        dates.read_date(text, order)


STYLES = st.tuples(
    st.sampled_from(
        [(".", "none", ""), (",", "none", ""), (".", "comma", ","), (",", "point", ".")]
    ),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    st.booleans(), st.integers(0, 3), st.booleans(),
)  # fmt: skip
CELLS = st.tuples(
    st.decimals("0.01", "99999", places=2), st.sampled_from(["", "<", "J", "U", "ND", "-", "R"])
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(STYLES, st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=3))
def test_no_cell_is_lost_doubled_or_changed(
    tmp_path: Path, style: tuple[tuple[str, str, str], str, str, bool, int, bool],
    rows: list[tuple[tuple[Decimal, str], tuple[Decimal, str]]],
) -> None:  # fmt: skip
    (decimal, named, thousands), delimiter, encoding, several, above, footer = style

    def written(value: Decimal, mark: str) -> str:
        grouped = f"{value:,.2f}".replace(",", "\0")
        text = grouped.replace(".", decimal).replace("\0", thousands)
        return {"": text, "<": f"< {text}", "ND": "ND", "-": "-"}.get(mark, f"{text} {mark}")

    header = [["Code", "µ P", "K"], ["", "mg/kg", "mg/kg"]] if several else [["Code", "µ P", "K"]]
    body = [[code, written(*p), written(*k)] for code, (p, k) in zip((A, B, C), rows, strict=False)]
    lines = [["Report", "x", ""]] * above + header + body + ([["End of it", "", ""]] * footer)
    stream = io.StringIO()
    csv.writer(stream, delimiter=delimiter).writerows(lines)
    path = tmp_path / "made.csv"
    path.write_bytes(stream.getvalue().encode(encoding))
    tail = " mg/kg" if several else ""
    profile = (
        f'format = 1\nlab = "L"\n[file]\ndecimal = "{decimal}"\nthousands = "{named}"\n'
        f'[layout]\nheader = "Code"\nheader_rows = {1 + several}\nend = ["End"]\n'
        '[columns]\nsample = "Code"\n[usual]\nbasis = "dry"\n'
        f'[[column]]\ntitle = "µ P{tail}"\nnutrient = "P"\nunit = "mg/kg"\nmethod = "Olsen"\n'
        f'[[column]]\ntitle = "K{tail}"\nnutrient = "K"\nunit = "mg/kg"\nmethod = "Olsen"\n'
        '[qualifiers]\nJ = "estimated"\nU = "not-detected"\nR = "rejected"\n'
    )
    delimiters = {",": "comma", ";": "semicolon", "\t": "tab"}
    profile = profile.replace("[file]\n", f'[file]\ndelimiter = "{delimiters[delimiter]}"\n')
    made = applying.apply(
        read(profile.encode(), "p.toml", "p"), read_grid(path, delimiter=delimiter)
    )
    expected = [
        (code, name, cell[0] if cell[1] != "ND" else None, cell[1])
        for code, pair in zip((A, B, C), rows, strict=False)
        for name, cell in zip(("P", "K"), pair, strict=True)
        if cell[1] != "-"
    ]
    if not expected:
        assert [one.what for one in made.problems] == ["there is no result in the file"]
        return
    parsed = made.parse(Beside(frozenset({A, B, C}), lab="L", report="1"))
    assert [str(one) for one in parsed.problems] == []
    marks = {"J": "estimated", "U": "not-detected", "R": "rejected", "ND": "not-detected"}
    assert [
        (
            one.sample,
            one.analyte,
            one.value if one.limit is None else one.limit,
            one.qualifier,
            one.flags,
        )
        for one in parsed.results
    ] == [
        (code, name, value, "<" if mark in ("<", "U") else "", marks.get(mark, ""))
        for code, name, value, mark in expected
    ]


BITS = [",", ";", "\n", '"', "(", "[", "+", "%", "ND", "<", "1e9", "NO3-N", "mg/kg", "=1+1", "\t",
        "µ", "pH", "M3", "Sample", "²", "(+)", "٣", "-", "lb/acre", "mg/L", "1:5", "Nitrate",
        "J", "½"]  # fmt: skip


def mutated(text: str, draw: random.Random) -> str:
    """A report with some of its characters changed, cut out, put in or repeated."""
    made = list(text)
    for _ in range(draw.choice([1, 2, 5, 20, 60])):
        place, what = draw.randrange(len(made) + 1), draw.random()
        if what < 0.6:
            made[place : place + (what < 0.3)] = draw.choice(BITS)
        elif what < 0.8:
            del made[place : place + draw.randrange(1, 20)]
        else:
            made[place:place] = made[draw.randrange(len(made) + 1) :][:40]
    return "".join(made) or "x"


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.long
def test_a_report_that_is_torn_is_read_or_refused(tmp_path: Path, seed: int) -> None:
    draw = random.Random(seed)
    profiles = [keeping.load(NOWHERE, name) for name in keeping.shipped()]
    path = tmp_path / "torn.csv"
    beside = Beside(frozenset({A, B, C}), lab="L", report="1")
    read_well = 0
    for _ in range(150):
        path.write_text(mutated(draw.choice([FEN, HARBOUR]), draw), encoding="utf-8")
        try:
            grid = read_grid(path)
            for profile in profiles:
                parsed = applying.apply(profile, grid, {}).parse(beside)
                read_well += bool(parsed.results) and not parsed.problems
            proposal = proposing.propose(grid, lambda question: question.example, "L")
            applying.apply(read(proposal.text.encode(), "p", "p"), grid, {}).parse(beside)
        except LogbookError as error:
            assert error.message
    assert read_well


def test_the_number_of_a_report(tmp_path: Path) -> None:
    profile = '[report]\nnumber = "A1"\n' + SMALL.partition("\n")[2].replace("[1]", "[2]") + P
    profile = f"format = 1\n{profile}"
    profile = profile.replace('lab = "Invented"\n', "").replace(
        "1\n[report]", '1\nlab = "L"\n[report]'
    )
    for text, number in (("Report no.: 26-114", "26-114"), ("26:114", "26:114"), (" 7  b", "7 b")):
        made = applied(tmp_path, f"{text},\nID,P\n{A},4\n", profile)
        assert (made.problems, made.number) == ([], number)
    named = profile.replace('"A1"', '"file name"')
    found = read(named.encode(), "p.toml", "p")
    path = tmp_path / "r.csv"
    made = applying.apply(found, read_grid(path), {}, "a\x1b[2Jb.csv")
    assert [one.what for one in made.problems] == ["'a\\x1b[2Jb' cannot be the number of a report"]


def test_an_endless_cell_is_no_result(tmp_path: Path) -> None:
    content = f"ID,P\n{A},4{' J' * 4000}\n"
    made = applied(tmp_path, content, SMALL + P)
    (problem,) = made.parse(Beside(frozenset({A}), lab="L", report="1")).problems
    assert "is too long for a result" in problem.what
