"""Reports as they come: every layout here is invented, and each once went wrong or asked too much.

What laboratories do is common practice, no source.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from logbook.errors import BadData
from logbook.labs.cells import Beside
from logbook.labs.importer import parse_report
from logbook.labs.profiles import applying, asking, proposing
from logbook.labs.profiles.reading import read
from logbook.labs.reader import read_grid, read_table
from logbook.trial import codes
from tests.labs.test_importer import A, B, C
from tests.labs.test_profiles import SMALL, P, applied, proposed, results

Q = "QC" + "3479A"
Q += codes.check_symbol(Q)


def keys(proposal: proposing.Proposal) -> list[str]:
    return [one.key for one in proposal.open]


def test_a_report_with_everything(tmp_path: Path) -> None:
    """A title, three header rows with units below, decimal commas, lower-case codes, footers."""
    content = (
        "Valley Soil Lab (invented);;;;;;\nOrder no. 26-771;;;;;;\n;;;;;;\n"
        "Lab no;Sample;Received;Nitrate-N;P;pH;Org. matter\n"
        ";;;1 M KCl;Olsen;H2O;LOI\n;;;mg/kg TS;mg/kg TS;;% TS\n"
        f"26-400;{A.lower()}  ;27.11.26;12,5;1.034,5;6,8;3,1\n"
        f"26-401; {B};28.11.26;n.d.;98,2;6,4;2,9\n"
        f"26-402;{C};29.11.26;<0,5;1.200;7,0;-\n"
        ";;;;;;\nMean;;;12,5;777,6;6,7;3\n* see the note;;;;;;\n"
    )
    assert keys(proposed(tmp_path, content)) == ["dates"]
    proposal = proposed(tmp_path, content, dates="day first")
    assert (proposal.open, proposal.skipped, proposal.notes) == ([], [], [])
    made = applied(tmp_path, content, proposal.text)
    assert (made.received, made.problems) == (date(2026, 11, 29), [])
    found = results(tmp_path, content, proposal.text)
    assert [(one.sample, one.analyte, one.reported, one.laboratory_number) for one in found] == [
        (A, "nitrate-N", "12,5", "26-400"), (A, "P", "1.034,5", "26-400"),
        (A, "pH", "6,8", "26-400"), (A, "OM", "3,1", "26-400"),
        (B, "nitrate-N", "n.d.", "26-401"), (B, "P", "98,2", "26-401"),
        (B, "pH", "6,4", "26-401"), (B, "OM", "2,9", "26-401"),
        (C, "nitrate-N", "<0,5", "26-402"), (C, "P", "1.200", "26-402"),
        (C, "pH", "7,0", "26-402"),
    ]  # fmt: skip
    assert [str(one.value) for one in found if one.analyte == "P"] == ["1034.5", "98.2", "1200"]
    assert {(one.method, one.basis) for one in found if one.analyte == "pH"} == {("water", "dry")}


def workbook(folder: Path, rows: list[list[Any]], merged: list[str]) -> Path:
    """A spreadsheet of a cover sheet and the results."""
    book = openpyxl.Workbook()
    cover, sheet = book.active, book.create_sheet("Results")
    assert cover is not None
    cover.append(["Hill Lab (invented)"])
    for row in rows:
        sheet.append(row)
    for one in merged:
        sheet.merge_cells(one)
    path = folder / "r.xlsx"
    book.save(path)
    return path


def test_merged_headings_over_others_are_read_though_a_ratio_has_a_colon(tmp_path: Path) -> None:
    rows: list[list[Any]] = [
        ["Certificate of analysis: H-77", *[None] * 7],
        [],
        ["Sample", None, "Received", "KCl 1 M extract", None, "Olsen", "1:5 water", None],
        ["Your ref", "Lab no.", None, "NO3-N mg/kg DM", "NH4-N mg/kg DM", "P mg/kg DM", "pH",
         "EC uS/cm"],
        [f"{A.lower()} ", 26001, datetime(2026, 11, 27), 12.5, "<0.5", 33, 6.5, 240],
        [B, 26002, datetime(2026, 11, 28), 13.5, 0.8, 34, 6.5, 241],
        [],
        ["Average", None, None, 13, 0.8, 33.5, 6.5, 240.5],
    ]  # fmt: skip
    path = workbook(tmp_path, rows, ["A1:H1", "A3:B3", "C3:C4", "D3:E3", "G3:H3"])
    grid = read_grid(path, sheet="Results")
    proposal = proposing.propose(grid, asking.answers({}), "Hill")
    assert (keys(proposal), proposal.skipped) == ([], [])
    made = applying.apply(read(proposal.text.encode(), "p.toml", "p"), grid)
    assert (made.number, made.received) == ("H-77", date(2026, 11, 28))
    parsed = made.parse(Beside(frozenset({A, B}), lab="Hill", report=made.number))
    assert parsed.problems == []
    assert [(one.analyte, one.method, one.laboratory_number) for one in parsed.results[:5]] == [
        ("nitrate-N", "1 M KCl", "26001"), ("ammonium-N", "1 M KCl", "26001"),
        ("P", "Olsen", "26001"), ("pH", "water 1:5", "26001"), ("EC", "water 1:5", "26001"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("dates", "asked"),
    [
        (("11/25/26", "11/26/26"), ""),
        (("11/10/26", "12/10/26"), "is the year or the day or the month first in 11/10/26?"),
        (("26-11-25", "26-11-24"), "is the year or the day first in 26-11-25?"),
        (("11/10/2026", "12/10/2026"), "is the day or the month first in 11/10/2026?"),
    ],
)
def test_the_order_of_dates_with_years_of_two_digits(
    tmp_path: Path, dates: tuple[str, str], asked: str
) -> None:
    content = "Sample,Date received,P Olsen (mg/kg DM)\n"
    content += "".join(f"{code},{day},4\n" for code, day in zip((A, B), dates, strict=True))
    proposal = proposed(tmp_path, content)
    assert [one.text for one in proposal.open] == ([asked] if asked else [])
    if not asked:
        assert applied(tmp_path, content, proposal.text).received == date(2026, 11, 26)


def test_the_laboratorys_own_controls_are_left_out_and_named(tmp_path: Path) -> None:
    content = f"No,ID,P Olsen (mg/kg DM)\n1,Method Blank,<1\n2,{A},4\n3,QC-1,50\n4,{Q},5\n"
    proposal = proposed(tmp_path, content)
    assert proposal.notes == ["rows that are left out: Method Blank, QC-1"]
    made = applied(tmp_path, content, proposal.text)
    assert "rows left out: 2, 4" in made.notes
    assert made.codes == {A, Q}


@pytest.mark.parametrize("layout", ['skip_rows = ["QC"]\n', 'end = ["qc"]\n'])
def test_a_code_that_begins_like_a_row_to_leave_out_is_a_sample(
    tmp_path: Path, layout: str
) -> None:
    profile = SMALL.replace("header = [1]\n", "header = [1]\n" + layout) + P
    made = applied(tmp_path, f"ID,P\n{Q.lower()},4\nQC 7,50\n", profile)
    assert made.codes == {Q}
    in_full = SMALL.replace("header = [1]\n", f'header = [1]\nskip_rows = ["{Q}"]\n') + P
    assert applied(tmp_path, f"ID,P\n{A},4\n{Q},5\n", in_full).codes == {A}


def test_a_row_of_no_sample_tells_how_to_leave_it_out(tmp_path: Path) -> None:
    made = applied(tmp_path, f"ID,P\n{A},4\n{A} dup,4\n", SMALL + P)
    (problem,) = made.parse(Beside(frozenset({A}), lab="L", report="R1")).problems
    assert problem.remedy == (
        "copy the code from the label, or name it in skip_rows of the profile if it is no sample "
        "of yours"
    )


LYING = f"Analyte,Unit,Method,{A},{B}\nNO3-N,mg/kg,1 M KCl,12,13\nP,mg/kg,Olsen,3,4\n"
TURNED = (
    "the samples stand beside one another, a column for each; turn the table in a spreadsheet "
    "program (copy, paste transposed), so that each has a row"
)


def test_a_table_that_lies_on_its_side_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadData) as found:
        proposed(tmp_path, LYING)
    assert [str(one) for one in found.value.problems] == [f"r.csv: {TURNED}"]
    parsed = parse_report(read_table(tmp_path / "r.csv"), Beside(frozenset({A, B}), "L", "R1"))
    assert [str(one) for one in parsed.problems] == [f"r.csv, header: {TURNED}"]


def test_rows_of_something_that_is_no_nutrient_are_told_once(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(
        "Client Sample ID,Analyte,Result,Units,Method\n"
        + "".join(f"{code},Percent Moisture,12,%,oven\n{code},P,4,mg/kg DM,Olsen\n"
                  for code in (A, B)),
        encoding="utf-8",
    )  # fmt: skip
    parsed = parse_report(read_table(tmp_path / "r.csv"), Beside(frozenset({A, B}), "L", "R1"))
    (problem,) = parsed.problems
    assert problem.where == "r.csv, row 2, column Analyte (value 'Percent Moisture')"
    assert problem.what == "'Percent Moisture' is not a nutrient this program knows (2 rows)"


def test_wrong_dates_are_told_from_the_top(tmp_path: Path) -> None:
    content = f"ID,In,P\n{A},31/02/2026,4\n{B},soon,5\n"
    profile = SMALL.replace('sample = "ID"\n', 'sample = "ID"\nreceived = "In"\n') + P
    problems = applied(tmp_path, content, profile).problems
    assert [one.where for one in problems] == [
        "r.csv, row 2, column 2 'In' (value '31/02/2026')",
        "r.csv, row 3, column 2 'In' (value 'soon')",
    ]


def test_codes_in_a_column_of_another_name_are_pointed_at(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(f"Lab,Ref,P Olsen (mg/kg DM)\nL1,{A},4\nL2,{B},5\n")
    parsed = parse_report(read_table(tmp_path / "r.csv"), Beside(frozenset({A, B}), "L", "R1"))
    assert [str(one) for one in parsed.problems] == [
        "r.csv, header: the codes stand in column 'Ref', and no column is the sample; let a "
        "profile say it (logbook lab profile new), or name it 'sample'"
    ]


def test_a_column_of_limits_behind_one_of_uncertainties(tmp_path: Path) -> None:
    content = (
        "Sample;NO3-N [mg/kg TS] 1 M KCl;Unc.;LOQ;MDL;P [mg/kg TS] Olsen;Unc.;LOQ\n"
        f"{A};12,5;1,2;0,5;0,1;<LOQ;3;1,5\n{B};<LOQ;1,2;0,7;0,1;31,5;3;1,5\n"
    )
    proposal = proposed(tmp_path, content)
    assert (proposal.open, proposal.skipped) == ([], ["Unc.", "MDL", "Unc."])
    found = results(tmp_path, content, proposal.text)
    assert [str(one.limit) for one in found] == ["None", "1.5", "0.7", "None"]


def test_a_header_that_is_printed_again_on_each_page(tmp_path: Path) -> None:
    head = "Sample,P Olsen (mg/kg DM)\n"
    content = f"{head}{A},4\n{B},5\n{head}{C},6\n"
    proposal = proposed(tmp_path, content)
    assert proposal.notes == ["rows that are left out: Sample"]
    assert applied(tmp_path, content, proposal.text).codes == {A, B, C}


def test_a_second_table_below_the_first_is_not_lost(tmp_path: Path) -> None:
    content = f"Sample,P Olsen (mg/kg DM)\n{A},4\n{B},5\n,\nSample,K M3 (mg/kg DM)\n{A},60\n"
    with pytest.raises(BadData, match="there are several tables") as found:
        proposed(tmp_path, content)
    assert [str(one) for one in found.value.problems] == [
        "r.csv, row 5: another table begins here, with the same heading for its samples; save "
        "each table as a file or sheet of its own"
    ]
