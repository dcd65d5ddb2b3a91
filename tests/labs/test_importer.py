"""Laboratory tables into results, and every wrong cell with its place, reason and remedy."""

from __future__ import annotations

import random
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.errors import Problem, UserMistake
from logbook.labs import cells
from logbook.labs.cells import Beside
from logbook.labs.importer import Parsed, parse_long, parse_report
from logbook.labs.reader import read_sound_rows, read_table
from logbook.labs.typed import option_text
from logbook.study.report_lines import result_key
from logbook.trial import codes
from logbook.trial.records import Result

A, B, C = (body + codes.check_symbol(body) for body in ("3479ACD", "HJKLMNP", "TTWWXXY"))
BASIS = "the basis is not named: taken as dry"
PROFILE = "let a profile say it (logbook lab profile new)"
HEADER = "sample,nutrient,value,unit,method"


def parse(folder: Path, content: str | bytes, *, lab: str | None = "Invented Lab") -> Parsed:
    path = folder / "r.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return parse_long(read_table(path), {A, B}, lab=lab, report="R1")


def rows(folder: Path, *lines: str, header: str = HEADER) -> Parsed:
    return parse(folder, "\n".join([header, *lines]) + "\n")


def told(problem: Problem) -> str:
    return f"{problem.where} | {problem.what} | {problem.remedy}"


def test_a_row_becomes_a_result(tmp_path: Path) -> None:
    parsed = rows(tmp_path, f"{A},NO3,44.27,mg/kg,2M KCl")
    assert (parsed.problems, parsed.notes, parsed.waiting) == ([], [BASIS], [])
    (result,) = parsed.results
    assert result == Result(
        lab="Invented Lab", report="R1", sample=A, analyte="nitrate-N", method="2 M KCl",
        basis="dry", run=1, n=1, value=result.value, limit=None, qualifier="", unit="mg/kg",
        reported="44.27", reported_unit="mg/kg", form="NO3",
    )  # fmt: skip
    assert float(result.value or 0) == pytest.approx(44.27 * 0.2259048, rel=1e-6)


def test_decimal_comma_semicolons_bom_and_a_limit(tmp_path: Path) -> None:
    text = (
        "Sample ID;Analyte;Result;Units;Extractant\n"
        f"{A};NO3-N;<0,5;ppm;2M KCl\n{A};P;12,50;mg kg-1;M3\n"
    )
    parsed = parse(tmp_path, b"\xef\xbb\xbf" + text.encode())
    assert parsed.problems == []
    nitrate, phosphorus = parsed.results
    assert (nitrate.value, nitrate.limit, nitrate.qualifier) == (None, Decimal("0.5"), "<")
    assert (nitrate.reported, nitrate.unit, nitrate.reported_unit) == ("<0,5", "mg/kg", "ppm")
    assert str(phosphorus.value) == "12.5"
    assert (phosphorus.reported, phosphorus.method) == ("12,50", "Mehlich-3")


def test_a_limit_is_converted_like_a_value(tmp_path: Path) -> None:
    (result,) = rows(tmp_path, f"{A},K,<0.1,cmol(+)/kg,Mehlich-3").results
    assert result.limit == Decimal("39.0983")


def test_optional_columns(tmp_path: Path) -> None:
    header = HEADER + ",basis,report,lab,limit,run,repeat,comment"
    parsed = rows(
        tmp_path,
        f"{A},P,ND,mg/kg,Olsen,as received,77,Made-up Lab,0.5,2,3,x",
        f"{A},P,4,mg/kg,Olsen,,,,,,,",
        header=header,
    )
    first, second = parsed.results
    assert (first.lab, first.report, first.basis) == ("Made-up Lab", "77", "moist")
    assert (first.run, first.n, first.limit, first.qualifier) == (2, 3, Decimal("0.5"), "<")
    assert (second.lab, second.report, second.basis) == ("Invented Lab", "R1", "dry")
    assert (second.run, second.n, second.value) == (1, 1, Decimal(4))
    assert parsed.notes == ["columns not used: comment", BASIS]


def test_a_qualifier_in_its_own_column_counts(tmp_path: Path) -> None:
    header = HEADER + ",flag"
    parsed = rows(tmp_path, f"{A},P,0.5,mg/kg,Olsen,<", f"{B},P,0.5,mg/kg,Olsen,J", header=header)
    assert [(r.value, r.limit) for r in parsed.results] == [(None, Decimal("0.5"))]
    assert [told(p).split(" | ", 1)[1] for p in parsed.problems] == [
        f"its qualifier 'J' is not understood here | only < and > are: {PROFILE}"
    ]


@pytest.mark.parametrize("cell", ["12.5 J", "12.5*", "x"])
def test_a_mark_of_the_laboratory_is_explained_and_not_edited_out_of_its_file(
    tmp_path: Path, cell: str
) -> None:
    (problem,) = rows(tmp_path, f"{A},P,{cell},mg/kg,Olsen").problems
    assert problem.what == f"'{cell}' is not a number"
    assert problem.remedy == f"if that is a mark of the laboratory, {PROFILE}"


def test_a_report_without_number_is_named_by_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"{HEADER}\n{A},P,4,mg/kg,Olsen\n")
    table = read_table(path)
    (result,) = parse_long(table, [A], lab="L", report=None).results
    assert result.report == table.sha256[:12]


def test_ph_needs_no_unit(tmp_path: Path) -> None:
    (result,) = rows(tmp_path, f"{A},pH,6.80,,water 1:1").results
    assert (result.value, result.unit, result.reported_unit) == (Decimal("6.8"), "pH", "")


def test_unknown_codes_wait_and_wrong_ones_get_candidates(tmp_path: Path) -> None:
    swapped = A[1] + A[0] + A[2:]
    parsed = rows(
        tmp_path, f"{C},P,4,mg/kg,Olsen", f"{swapped},P,4,mg/kg,Olsen",
        f"{A.lower()[:4]}-{A[4:]},P,4,mg/kg,Olsen",
    )  # fmt: skip
    assert [result.sample for result in parsed.results] == [C, A]
    assert parsed.waiting == [C]
    assert [told(problem) for problem in parsed.problems] == [
        f"r.csv, row 3, column sample (value '{swapped}') | this is not a sample code: its check "
        f"symbol does not fit: a symbol is wrong or swapped | is it {A}?"
    ]


def test_repeats_are_counted_and_named(tmp_path: Path) -> None:
    line = f"{A},P,4,mg/kg,Olsen"
    parsed = rows(tmp_path, line, f"{B},P,4,mg/kg,Olsen", line, f"{A},P,5,mg/kg,Olsen")
    assert [(r.sample, r.n) for r in parsed.results] == [(A, 1), (B, 1), (A, 2), (A, 3)]
    assert parsed.notes == [BASIS, f"rows 2, 4 and 5 are repeats of one analysis: {A}, P"]


def test_one_measurement_printed_twice_is_no_repeat(tmp_path: Path) -> None:
    parsed = rows(
        tmp_path, f"{A},NO3-N,10,mg/kg,2 M KCl", f"{A},NO3,44.3,mg/kg,2 M KCl",
        f"{B},K,1,meq/100 g,M3", f"{B},K,391,ppm,M3",
    )  # fmt: skip
    assert [told(problem) for problem in parsed.problems] == [
        "r.csv, row 3, column nutrient (value 'NO3') | row 2 gives the same analysis in another "
        "nutrient | keep one of the rows, or add a column 'repeat'",
        "r.csv, row 5, column unit (value 'ppm') | row 4 gives the same analysis in another "
        "unit | keep one of the rows, or add a column 'repeat'",
    ]


def test_precision_is_kept(tmp_path: Path) -> None:
    (result,) = rows(tmp_path, f"{A},P,0.12345678901234567891,ppm,Olsen").results
    assert str(result.value) == "0.12345678901234567891"


WRONG = [
    (f"{A},unobtainium,4,mg/kg,x", "nutrient", "unobtainium",
     "'unobtainium' is not a nutrient this program knows"),
    (f"{A},nitrate,4,mg/kg,x", "nutrient", "nitrate", "'nitrate' may mean NO3 or NO3-N"),
    (f"{A},,4,mg/kg,x", "nutrient", "", "there is no nutrient"),
    (f"{A},mineral N,4,mg/kg,x", "nutrient", "mineral N",
     "mineral-N is not imported: it is the sum of nitrate-N and ammonium-N"),
    (f"{A},P,4,mg/kg,", "method", "",
     "there is no method, and without one nothing can be compared"),
    (f"{A},P,4,mg/kg," + "x" * 81, "method", "x" * 37 + "...",
     "the method has 81 characters, more than 80"),
    (f"{A},P,4,,x", "unit", "", "there is no unit"),
    (f"{A},P,4,furlong,x", "unit", "furlong", "'furlong' is not a unit of P"),
    (f"{A},P,4,lb/acre,x", "unit", "lb/acre", "lb/acre is an amount per area: without the depth "
     "and the bulk density that the laboratory took it is no content of the soil"),
    (f"{A},P,4,mg/L,x", "unit", "mg/L", "mg/L is a concentration in an extract (or per volume of "
     "soil), not a content of the dry soil"),
    (f"{A},P,4,cmol/kg,x", "unit", "cmol/kg", "'cmol/kg' is not a unit of P"),
    (f"{A},P,,mg/kg,x", "value", "", "there is no value"),
    (f"{A},P,NaN,mg/kg,x", "value", "NaN", "'NaN' is not a number"),
    (f"{A},P,inf,mg/kg,x", "value", "inf", "'inf' is not a number"),
    (f"{A},P,-1,mg/kg,x", "value", "-1", "P cannot be negative"),
    (f"{A},P,=1+1,mg/kg,x", "value", "=1+1", "'=1+1' is not a number"),
    (f'{A},P,"1,234.5",mg/kg,x', "value", "1,234.5", "'1,234.5' has a thousands mark"),
    (f'{A},P,"1,234",mg/kg,x', "value", "1,234", "'1,234' can be read as 1234 or as 1.234"),
    (f"{A},P,1O.5,mg/kg,x", "value", "1O.5", "'1O.5' has a letter in place of a digit"),
    (f"{A},Ca,68,%,x", "unit", "%", "per cent of Ca is usually its share of the base saturation"),
    (f"{A},Al,2,% DM,x", "unit", "% DM",
     "per cent of Al is usually its share of the base saturation"),
    (f"{A},P,H,mg/kg,x", "value", "H", "'H' is a rating, not a measurement"),
    (f"{A},pH,6500,,x", "value", "6500", "a pH of 6500 does not exist"),
    (f"{A},pH,<15,,x", "value", "<15", "a pH of 15 does not exist"),
    (f"{A},OM,35000,%,x", "value", "35000", "35000 % of OM is more than the whole sample"),
    (f"{A},P,{'9' * 25},mg/kg,x", "value", "9" * 25,
     f"'{'9' * 25}'... has more digits than a measurement can have"),
    (",P,4,mg/kg,x", "sample", "", "there is no sample code"),
    ("BED 1,P,4,mg/kg,x", "sample", "BED 1",
     "this is not a sample code: a code has 8 symbols, this one 4"),
    ("3.33E+51,P,4,mg/kg,x", "sample", "3.33E+51",
     "a spreadsheet has turned the sample code into a number"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "column", "value", "what"), WRONG)
def test_wrong_cells(tmp_path: Path, line: str, column: str, value: str, what: str) -> None:
    parsed = rows(tmp_path, f"{A},K,4,mg/kg,x", line)
    (problem,) = parsed.problems
    assert problem.where == f"r.csv, row 3, column {column} (value '{value}')"
    assert problem.what == what
    assert problem.remedy
    assert [result.analyte for result in parsed.results] == ["K"]


def test_per_cent_of_a_cation_in_rows_names_a_remedy_and_is_told_once(tmp_path: Path) -> None:
    lines = [f"{A},K,3.1,%,x", f"{B},K,3.0,%,x", f"{A},OM,3.1,%,x"]
    (problem,) = rows(tmp_path, *lines).problems
    assert told(problem) == (
        "r.csv, row 2, column unit (value '%') | per cent of K is usually its share of the base "
        "saturation (2 rows) | leave the row out, or give the content in mg/kg"
    )


def test_not_detected_waits_for_its_limit_or_takes_the_one_said(tmp_path: Path) -> None:
    lines = [f"{A},P,ND,mg/kg,x", f"{B},NO3,< LOD,mg/kg,x"]
    waiting = [(one.value, one.limit, one.flags) for one in rows(tmp_path, *lines).results]
    assert waiting == [(None, None, "not-detected")] * 2
    beside = Beside(frozenset({A, B}), "L", "R1", limits={"nitrate-N": "2"})
    first, second = parse_report(read_table(tmp_path / "r.csv"), beside).results
    assert (first.limit, second.value, second.qualifier) == (None, None, "<")
    assert float(second.limit or 0) == pytest.approx(2 * 0.2259048, rel=1e-6)


def test_a_row_without_a_method_names_the_trials_but_does_not_take_it(tmp_path: Path) -> None:
    rows(tmp_path, f"{A},P,4,mg/kg,", f"{B},P,4,mg/kg,", f"{A},K,4,mg/kg,")
    beside = Beside(frozenset({A, B}), "L", "R1", followed={"P": "Mehlich-3"})
    parsed = parse_report(read_table(tmp_path / "r.csv"), beside)
    what = "there is no method, and without one nothing can be compared"
    assert [told(problem) for problem in parsed.problems] == [
        f"r.csv, row 2, column method (value '') | {what} (2 rows) | name the extractant or "
        "procedure: 'Mehlich-3' (the trial's method), if that is how it was measured",
        f"r.csv, row 4, column method (value '') | {what} | name the extractant or procedure",
    ]


@pytest.mark.parametrize(
    ("column", "cell", "what"),
    [
        ("basis", "soggy", "'soggy' is not a basis"),
        ("run", "0", "the run must be a whole number from 1 to 999"),
        ("repeat", "two", "the repeat must be a whole number from 1 to 999"),
        ("report", "x" * 81, "the report has 81 characters, more than 80"),
    ],
)
def test_wrong_optional_cells(tmp_path: Path, column: str, cell: str, what: str) -> None:
    parsed = rows(tmp_path, f"{A},P,4,mg/kg,x,{cell}", header=f"{HEADER},{column}")
    assert [problem.what for problem in parsed.problems] == [what]


def test_the_same_repeat_twice(tmp_path: Path) -> None:
    line = f"{A},P,4,mg/kg,x,2"
    parsed = rows(tmp_path, line, line, header=f"{HEADER},repeat")
    assert told(parsed.problems[0]) == (
        "r.csv, row 3, column repeat (value '2') | row 2 already has repeat 2 of this analysis | "
        "number the repeats 1, 2, 3 .."
    )


def test_every_problem_of_a_row_at_once(tmp_path: Path) -> None:
    parsed = rows(tmp_path, "nobody,snow,many,feet,")
    assert [p.where.split("column ")[1].split(" ")[0] for p in parsed.problems] == [
        "sample", "method", "nutrient", "value",
    ]  # fmt: skip


def test_headers_that_do_not_do(tmp_path: Path) -> None:
    parsed = parse(tmp_path, "Sample,Sample ID,value\nx,y,z\n", lab=None)
    assert [told(problem) for problem in parsed.problems] == [
        "r.csv, header | columns 'Sample' and 'Sample ID' may each be the sample "
        "| rename all but one",
        f"r.csv, header | there is no column for the nutrient | {PROFILE}, or name it 'nutrient'",
        f"r.csv, header | there is no column for the unit | {PROFILE}, or name it 'unit'",
        f"r.csv, header | there is no column for the method | {PROFILE}, or name it 'method'",
        "r.csv | the file does not name its laboratory | add --lab NAME",
    ]
    assert parsed.results == []


def test_a_blank_laboratory_cell(tmp_path: Path) -> None:
    content = f"{HEADER},lab\n{A},P,4,mg/kg,x,\n"
    (problem,) = parse(tmp_path, content, lab=None).problems
    assert (problem.what, problem.remedy) == (
        "there is no laboratory", "fill it in, or add --lab NAME",
    )  # fmt: skip


def test_problems_are_bounded_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cells, "MOST_PROBLEMS", 3)
    parsed = rows(tmp_path, *[f"{A},P,x,mg/kg,m"] * 10)
    assert len(parsed.problems) == 4
    assert told(parsed.problems[-1]) == "r.csv | 7 more cells are wrong and not listed | "


def test_an_old_encoding_is_said(tmp_path: Path) -> None:
    parsed = parse(tmp_path, f"{HEADER}\n{A},P,4,µg/g,Olsen\n".encode("latin-1"))
    assert parsed.notes == ["r.csv is not UTF-8: it was read as Windows-1252", BASIS]
    assert parsed.results[0].reported_unit == "µg/g"


def test_repeats_are_all_numbered_or_none(tmp_path: Path) -> None:
    header = f"{HEADER},repeat"
    parsed = rows(
        tmp_path, f"{A},P,4,mg/kg,Olsen,1", f"{B},P,4,mg/kg,Olsen,", f"{A},P,5,mg/kg,Olsen,",
        f"{A},P,6,mg/kg,Olsen,2", header=header,
    )  # fmt: skip
    assert [told(problem) for problem in parsed.problems] == [
        "r.csv, row 4, column repeat (value '') | rows 2, 4 and 5 are repeats of one analysis, "
        "some of them numbered and some not | number all of them 1, 2, 3 .., or none"
    ]


CELLS = st.tuples(
    st.sampled_from([A, B]), st.sampled_from(["NO3-N", "NO3", "P"]),
    st.sampled_from(["", "1", "2", "3"]), st.sampled_from(["", "1", "2"]),
    st.sampled_from(["", "Invented Lab", "invented  lab", "Other Lab"]),
    st.sampled_from(["", "R1", "R2"]), st.sampled_from(["", "dry", "moist"]),
)  # fmt: skip


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300)
@given(st.lists(CELLS, min_size=1, max_size=6))
def test_each_accepted_row_is_a_result_with_a_key_of_its_own(
    tmp_path: Path, cells: list[tuple[str, ...]]
) -> None:
    lines = [
        f"{sample},{name},4,mg/kg,x,{repeat},{run},{lab},{report},{basis}"
        for sample, name, repeat, run, lab, report, basis in cells
    ]
    parsed = rows(tmp_path, *lines, header=f"{HEADER},repeat,run,lab,report,basis")
    if not parsed.problems:
        keys = {result_key(result) for result in parsed.results}
        assert len(parsed.results) == len(lines) == len(keys)


def test_the_basis_is_asked_of_contents_only(tmp_path: Path) -> None:
    assert rows(tmp_path, f"{A},pH,6.8,,water 1:1", f"{A},EC,1,dS/m,water 1:1").notes == []
    assert rows(tmp_path, f"{A},P,4,mg/kg,x,dry", header=f"{HEADER},basis").notes == []
    half = [f"{A},P,4,mg/kg,x,dry", f"{B},P,4,mg/kg,x,"]
    assert rows(tmp_path, *half, header=f"{HEADER},basis").notes == [BASIS]


def test_a_laboratory_is_written_as_the_book_writes_it(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(
        f"{HEADER},lab\n{A},P,4,mg/kg,x,FEN  lab\n{B},P,4,mg/kg,x,Fen Lab\n{A},K,4,mg/kg,x,other\n"
    )
    beside = Beside(frozenset({A, B}), report="R1", labs=("Fen Lab", "fen lab"))
    parsed = parse_report(read_table(path), beside)
    assert [result.lab for result in parsed.results] == ["Fen Lab", "Fen Lab", "other"]
    assert parsed.notes[0] == "'FEN lab' is taken as 'Fen Lab', as it is written here"


def test_a_code_that_never_will_have_a_pull_is_refused_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"{HEADER}\n{C},P,4,mg/kg,x\n")
    beside = Beside(frozenset({A}), "L", "1", refused={C: "its pull was struck"})
    (problem,) = parse_report(read_table(path), beside).problems
    assert told(problem) == (
        f"r.csv, row 2, column sample (value '{C}') | its pull was struck | leave the row out, or "
        "mend its code"
    )


def test_a_torn_row_hides_no_other_problem(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"{HEADER}\n{A},P,4\n{A},P,x,mg/kg,m\n{B},P,4,mg/kg,m\n")
    table, problems = read_sound_rows(path)
    assert [told(problem) for problem in problems] == [
        "r.csv, row 2, column unit | the row has 3 cells, the header 5 | fill the row up"
    ]
    parsed = parse_long(table, {A, B}, lab="L", report="1")
    assert [problem.where for problem in parsed.problems] == [
        "r.csv, row 3, column value (value 'x')"
    ]


def test_one_number_for_a_file_of_several_reports(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"{HEADER},report\n{A},P,4,mg/kg,m,1\n{B},P,4,mg/kg,m,2\n")
    beside = Beside(frozenset({A, B}), "L", "26-1", renumbered=True)
    assert [told(problem) for problem in parse_report(read_table(path), beside).problems] == [
        "r.csv | the file has reports '1' and '2': they cannot all be '26-1' | split the file, one "
        "report each"
    ]


def test_what_an_option_says_is_tidied_like_a_cell() -> None:
    assert option_text("--lab", None) is None
    assert option_text("--lab", "  Fen \t Lab ") == "Fen Lab"
    assert option_text("--lab", "Cafe\u0301") == "Caf\u00e9"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (" ", "--lab says nothing"),
        ("a\x1b[2J", "--lab has a control character (U+001B)"),
        ("x" * 81, "--lab has 81 characters, more than 80"),
    ],
)
def test_an_option_that_does_not_do(text: str, message: str) -> None:
    with pytest.raises(UserMistake) as refused:
        option_text("--lab", text)
    assert refused.value.message == message


@pytest.mark.parametrize(
    ("other", "expected"),
    [("", None), ("12.5", Decimal("1.25")), ("0.125", Decimal("1.25"))],
    ids=["nothing shows what the point is", "a short decimal shows it", "a leading 0 shows it"],
)
def test_a_point_that_may_group_thousands_is_asked_about(
    tmp_path: Path, other: str, expected: Decimal | None
) -> None:
    code = codes.new_code(random.Random(1).choice)
    rows = [f"{code};P;1.250;mg/kg;Olsen"] + ([f"{code};K;{other};mg/kg;Olsen"] if other else [])
    path = tmp_path / "points.csv"
    path.write_text("sample;nutrient;value;unit;method\n" + "\n".join(rows) + "\n")

    parsed = parse_long(read_table(path), {code}, lab="Lab", report="1")

    if expected is None:
        (problem,) = parsed.problems
        assert problem.what == "'1.250' can be read as 1250 or as 1.25"
        assert problem.remedy == "write 1250 or 1.25"
    else:
        assert parsed.problems == []
        assert parsed.results[0].value == expected
