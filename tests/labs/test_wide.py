"""A row per sample and a column per nutrient reads like its long twin; nothing is lost silently.

The headings are common practice of laboratories' exports, no source.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.errors import BadData
from logbook.labs.cells import Beside
from logbook.labs.headings import read_heading
from logbook.labs.importer import Parsed, parse_report
from logbook.labs.reader import read_table
from logbook.trial import codes

A, B, C, D = (
    body + codes.check_symbol(body) for body in ("3479ACD", "HJKLMNP", "TTWWXXY", "ACDEFGH")
)
BASIS = "the basis is not named: taken as dry"
SAMPLES = (A, B, C, D)
FOLLOWED = {"nitrate-N": "1 M KCl", "P": "Mehlich-3"}


def parse(
    folder: Path, content: str, *, methods: tuple[str, ...] = (), skip: tuple[str, ...] = ()
) -> Parsed:
    path = folder / "w.csv"
    path.write_text(content, encoding="utf-8", newline="")
    beside = Beside(frozenset(SAMPLES), "Invented Lab", "R1", followed=FOLLOWED)
    return parse_report(read_table(path), beside, methods=methods, skip=skip)


def told(parsed: Parsed) -> list[str]:
    assert parsed.results == []
    return [str(problem) for problem in parsed.problems]


@pytest.mark.parametrize(
    ("title", "said"),
    [
        ("Nitrate-N (mg/kg)", ("Nitrate-N", "mg/kg", "", "")),
        ("P, mg/kg", ("P", "mg/kg", "", "")),
        ("NO3-N [ppm]", ("NO3-N", "ppm", "", "")),
        ("K mg/kg", ("K", "mg/kg", "", "")),
        ("NO3-N mg kg-1", ("NO3-N", "mg kg-1", "", "")),
        ("P Mehlich-3 (mg/kg)", ("P", "mg/kg", "Mehlich-3", "")),
        ("Mehlich-3 P (mg/kg)", ("P", "mg/kg", "Mehlich-3", "")),
        ("P (mg/kg) Olsen", ("P", "mg/kg", "Olsen", "")),
        ("nitrate (NO3-N) (mg/kg)", ("nitrate (NO3-N)", "mg/kg", "", "")),
        ("phosphorus as P2O5 (mg/kg)", ("phosphorus as P2O5", "mg/kg", "", "")),
        ("CEC (cmol(+)/kg)", ("CEC", "cmol(+)/kg", "", "")),
        ("CEC (meq/100 g)", ("CEC", "meq/100 g", "", "")),
        ("OM %", ("OM", "%", "", "")),
        ("% Organic Matter", ("Organic Matter", "%", "", "")),
        ("pH", ("pH", "", "", "")),
        ("Soil pH", ("Soil pH", "", "", "")),
        ("pH (water 1:1)", ("pH", "", "water 1:1", "")),
        ("P (mg/L)", ("P", "mg/L", "", "")),
        ("Buffer pH", ("pH", "", "", "Buffer")),
        ("K saturation (%)", ("K", "%", "", "saturation")),
        ("P (Invented) (mg/kg)", ("P", "mg/kg", "", "Invented")),
    ],
)
def test_headings(title: str, said: tuple[str, str, str, str]) -> None:
    heading = read_heading(title)
    assert heading is not None
    assert (heading.nutrient, heading.unit, heading.method, heading.extra) == said


@pytest.mark.parametrize("title", ["CaCO3 (%)", "CaCO3 equiv. (%)", "Calcium carbonate, %"])
def test_a_column_of_carbonate(tmp_path: Path, title: str) -> None:
    heading = f'"{title}"'
    parsed = parse(tmp_path, f"sample,{heading}\n{A},2.5\n", methods=("CaCO3=calcimeter",))
    assert [(one.analyte, one.value, one.unit) for one in parsed.results] == [
        ("CaCO3", Decimal("2.5"), "%")
    ]


@pytest.mark.parametrize(
    "title", ["Comment", "Bed", "Depth (cm)", "Ca:Mg", "C:N", "Date", "H+ (%)"]
)
def test_headings_without_a_nutrient(title: str) -> None:
    assert read_heading(title) is None


def test_methods_from_heading_row_and_option(tmp_path: Path) -> None:
    parsed = parse(
        tmp_path,
        "Sample ID,NO3-N (ppm),P Mehlich-3 (mg/kg),K mg/kg,pH\n"
        f"Method,2M KCl,,,\n{A},12.50,30,110,6.8\n{B},<0.5,,120,\n",
        methods=("K=m3", "pH=water 1:1"),
    )
    assert parsed.problems == []
    assert [(r.sample, r.analyte, r.value, r.limit, r.method) for r in parsed.results] == [
        (A, "nitrate-N", Decimal("12.5"), None, "2 M KCl"),
        (A, "P", Decimal(30), None, "Mehlich-3"),
        (A, "K", Decimal(110), None, "Mehlich-3"),
        (A, "pH", Decimal("6.8"), None, "water 1:1"),
        (B, "nitrate-N", None, Decimal("0.5"), "2 M KCl"),
        (B, "K", Decimal(120), None, "Mehlich-3"),
    ]
    first = parsed.results[0]
    assert (first.reported, first.reported_unit, first.form) == ("12.50", "ppm", "NO3-N")
    assert parsed.notes == [BASIS]


@pytest.mark.parametrize("label", ["", "unit", "Units:"])
def test_a_row_of_units(tmp_path: Path, label: str) -> None:
    parsed = parse(
        tmp_path,
        f"sample,P,CaO,pH\n{label},ppm,mg/kg,-\nmethods,Olsen,M3,water 1:1\n{A},4,10,7\n",
    )
    assert parsed.problems == []
    phosphorus, calcium, acidity = parsed.results
    assert (phosphorus.value, phosphorus.reported_unit) == (Decimal(4), "ppm")
    # CaO holds 40.078 / 56.077 calcium (IUPAC abridged weights).
    assert float(calcium.value or 0) == pytest.approx(10 * 40.078 / 56.077, rel=1e-9)
    assert (acidity.value, acidity.reported_unit) == (Decimal(7), "")


def test_a_first_row_without_code_but_with_numbers_is_no_row_of_units(tmp_path: Path) -> None:
    parsed = parse(tmp_path, f"sample,P Olsen (mg/kg),K M3 (ppm)\n,4,5\n{A},4,5\n")
    assert [str(problem) for problem in parsed.problems] == [
        "w.csv, row 2, column sample (value ''): there is no sample code; fill it in, or take "
        "the row out"
    ]


def test_a_column_without_a_method_names_the_trials_but_does_not_take_it(tmp_path: Path) -> None:
    assert told(parse(tmp_path, f"sample,Nitrate-N (mg/kg),K mg/kg\n{A},1,2\n")) == [
        "w.csv, header, column 'Nitrate-N (mg/kg)': there is no method, and without one nothing "
        "can be compared; add --method 'nitrate-N=1 M KCl' (the trial's method), if that is how "
        "it was measured, or a row 'method'",
        "w.csv, header, column 'K mg/kg': there is no method, and without one nothing can be "
        "compared; add --method 'K=METHOD'",
    ]


def test_columns_without_methods_are_one_command_to_copy(tmp_path: Path) -> None:
    header = "sample,Nitrate-N (mg/kg),P (mg/kg),K mg/kg"
    assert told(parse(tmp_path, f"{header}\n{A},1,2,3\n")) == [
        "w.csv, header, columns 'Nitrate-N (mg/kg)', 'P (mg/kg)': there is no method, and without "
        "one nothing can be compared; add --method 'nitrate-N=1 M KCl' --method 'P=Mehlich-3' (the "
        "trial's methods), if that is how they were measured, or a row 'method'; so that no report "
        "needs it again, let a profile say it (logbook lab profile new)",
        "w.csv, header, column 'K mg/kg': there is no method, and without one nothing can be "
        "compared; add --method 'K=METHOD'",
    ]


def test_the_trials_methods_may_be_said_of_a_re_run_that_has_only_some_of_them(
    tmp_path: Path,
) -> None:
    methods = ("nitrate-N=1 M KCl", "P=Mehlich-3")
    content = f"sample,Nitrate-N (mg/kg)\n{A},1\n"
    assert parse(tmp_path, content, methods=methods).problems == []
    (problem,) = told(parse(tmp_path, content, methods=(methods[0], "P=Olsen")))
    assert "no column takes --method 'P=Olsen'" in problem


def test_a_column_of_codes_beside_one_of_numbers_is_never_skipped(tmp_path: Path) -> None:
    rows = "".join(f"S-{n},{code},{n}.5\n" for n, code in enumerate(SAMPLES))
    content = f"Sample,Field,Nitrate-N 1 M KCl (mg/kg)\n{rows}"
    assert told(parse(tmp_path, content)) == [
        "w.csv, header, column 'Field': the codes stand in this column, and not in 'Sample'; let a "
        "profile say it (logbook lab profile new)"
    ]
    # Beside a column of samples it is any other column.
    rows = "".join(f"{code},{code},{n}.5\n" for n, code in enumerate(SAMPLES))
    (problem,) = told(parse(tmp_path, f"Sample,Field,Nitrate-N 1 M KCl (mg/kg)\n{rows}"))
    assert problem.endswith("--skip 'Field' leaves it out")


def test_what_is_no_nutrient_must_be_named(tmp_path: Path) -> None:
    content = f"sample,P Olsen (mg/kg),Ca (%),P rating,Comment\n{A},4,70,M,=1+1\n"
    assert told(parse(tmp_path, content)) == [
        "w.csv, header, column 'Ca (%)': per cent of Ca is usually its share of the base "
        "saturation; --skip 'Ca (%)', or give the content in mg/kg",
        "w.csv, header, column 'P rating': 'rating' beside P is neither a unit nor a method known "
        "here; --method 'P rating=METHOD' if that is how it was measured, or --skip 'P rating'",
        "w.csv, header, column 'Comment': this is no nutrient that is known here; "
        "--skip 'Comment' leaves it out",
    ]
    parsed = parse(tmp_path, content, skip=("ca (%)", "P rating", "Comment"))
    assert [r.analyte for r in parsed.results] == ["P"]
    assert parsed.notes == [BASIS, "columns left out: Ca (%), P rating, Comment"]


def test_strange_words_in_a_heading_are_cleared_up_by_the_whole_heading(tmp_path: Path) -> None:
    content = f"sample,P (Invented) (mg/kg)\n{A},4\n"
    assert len(told(parse(tmp_path, content, methods=("P=Olsen",)))) == 2
    parsed = parse(tmp_path, content, methods=("P (Invented) (mg/kg)=Invented, 1:10",))
    assert [r.method for r in parsed.results] == ["Invented, 1:10"]


WRONG: list[tuple[str, tuple[str, ...], tuple[str, ...], str]] = [
    ("sample,Nitrate (mg/kg)", ("P=x",), (), "w.csv, header, column 'Nitrate (mg/kg)': 'Nitrate' "
     "may mean NO3 or NO3-N; write NO3 or NO3-N, or --skip 'Nitrate (mg/kg)'"),
    ("sample,P Olsen", (), (), "w.csv, header, column 'P Olsen': there is no unit; write the "
     "laboratory's, such as 'P Olsen (mg/kg)', or in a row of units below the header"),
    ("sample,P Olsen (mg/L)", (), (), "w.csv, header, column 'P Olsen (mg/L)': mg/L is a "
     "concentration in an extract (or per volume of soil), not a content of the dry soil; ask the "
     "laboratory for mg/kg"),
    ("sample,P Olsen (mg/kg)", ("P=M3",), (), "w.csv, header, column 'P Olsen (mg/kg)': the "
     "heading says Olsen but --method says M3; ask the laboratory which is right"),
    ("sample,P Olsen (mg/kg)", ("K=M3",), (), "w.csv: no column takes --method 'K=M3'; name a "
     "nutrient of the file once, or the column's whole heading"),
    ("sample,P Olsen (mg/kg)", ("Olsen",), (), "w.csv: --method 'Olsen' is not NUTRIENT=METHOD; "
     "write it as --method 'P=Mehlich-3'"),
    ("sample,P Olsen (mg/kg)", (), ("Remark",), "w.csv, header: there is no column 'Remark' to "
     "skip; it has: sample, P Olsen (mg/kg)"),
    ("bed,P Olsen (mg/kg)", (), ("bed",), "w.csv, header: the codes stand in column 'bed', and no "
     "column is the sample; let a profile say it (logbook lab profile new), or name it 'sample'"),
    ("sample,mineral N (mg/kg)", (), (), "w.csv, header, column 'mineral N (mg/kg)': mineral-N is "
     "not imported: it is the sum of nitrate-N and ammonium-N; import those two, or --skip "
     "'mineral N (mg/kg)'"),
]  # fmt: skip


@pytest.mark.parametrize(("header", "methods", "skip", "problem"), WRONG)
def test_wrong_headers(
    tmp_path: Path,
    header: str,
    methods: tuple[str, ...],
    skip: tuple[str, ...],
    problem: str,
) -> None:
    assert problem in told(parse(tmp_path, f"{header}\n{A},4\n", methods=methods, skip=skip))


def test_one_analysis_in_two_columns(tmp_path: Path) -> None:
    content = f"sample,NO3-N M3 (mg/kg),NO3 M3 (mg/kg)\n{A},1,4.43\n"
    assert told(parse(tmp_path, content)) == [
        "w.csv, header, column 'NO3 M3 (mg/kg)': column 'NO3-N M3 (mg/kg)' gives the same "
        "analysis; --skip 'NO3 M3 (mg/kg)', or the other one"
    ]


def test_units_that_disagree(tmp_path: Path) -> None:
    content = f"sample,K M3 (mg/kg)\nunits,cmol(+)/kg\n{A},1\n"
    assert told(parse(tmp_path, content)) == [
        "w.csv, header, column 'K M3 (mg/kg)': the heading says mg/kg, the row of units "
        "cmol(+)/kg; ask the laboratory which is right"
    ]
    assert parse(tmp_path, content.replace("cmol(+)/kg", "ppm")).problems == []


def test_long_or_wide_is_asked_where_it_may_be_either(tmp_path: Path) -> None:
    content = f"sample,nutrient,value,unit,method,K\n{A},P,4,mg/kg,Olsen,9\n"
    assert told(parse(tmp_path, content)) == [
        "w.csv, header: columns 'nutrient' and 'value' make it a row per result, but 'K' a column "
        "per nutrient; --skip the columns that are not meant"
    ]
    assert [r.analyte for r in parse(tmp_path, content, skip=("K",)).results] == ["P"]


def test_a_long_table_names_its_methods_itself(tmp_path: Path) -> None:
    content = f"sample,nutrient,value,unit,method,n\n{A},P,4,mg/kg,Olsen,9\n"
    assert len(parse(tmp_path, content).results) == 1
    assert told(parse(tmp_path, content, methods=("P=M3",))) == [
        "w.csv: --method 'P=M3' is for a table with a column per nutrient; this one names the "
        "method in each row"
    ]


def test_wrong_cells_are_named_where_they_stand(tmp_path: Path) -> None:
    parsed = parse(
        tmp_path,
        "sample,basis,P Olsen (mg/kg),K M3 (mg/kg)\n"
        f"nobody,soggy,x,-\n{A},dry,1O,-1\n{B},moist,,\n",
    )
    assert [str(problem).partition(";")[0] for problem in parsed.problems] == [
        "w.csv, row 2, column sample (value 'nobody'): this is not a sample code: a code has 8 "
        "symbols, this one 6",
        "w.csv, row 2, column basis (value 'soggy'): 'soggy' is not a basis",
        "w.csv, row 2, column P Olsen (mg/kg) (value 'x'): 'x' is not a number",
        "w.csv, row 2, column K M3 (mg/kg) (value '-'): there is no value",
        "w.csv, row 3, column P Olsen (mg/kg) (value '1O'): '1O' has a letter in place of a digit",
        "w.csv, row 3, column K M3 (mg/kg) (value '-1'): K cannot be negative",
    ]
    assert parsed.problems[3].remedy == "leave the cell empty if nothing was measured"
    assert parsed.notes == ["rows that report nothing: 4"]


def test_repeats_of_a_sample_are_counted(tmp_path: Path) -> None:
    parsed = parse(tmp_path, f"sample,P Olsen (ppm)\n{A},1\n{B},2\n{A},3\n")
    assert [(r.sample, r.n) for r in parsed.results] == [(A, 1), (B, 1), (A, 2)]
    assert parsed.notes == [BASIS, f"rows 2 and 4 are repeats of one analysis: {A}, P"]


KINDS = (
    ("NO3-N", "mg/kg", "1 M KCl"), ("P", "ppm", "Olsen"), ("K2O", "mg/kg", "Mehlich-3"),
    ("EC", "dS/m", "water 1:5"), ("CEC", "cmol(+)/kg", "ammonium acetate"), ("OM", "%", "LOI"),
)  # fmt: skip
CELL = st.one_of(
    st.just(""),
    st.decimals("0.01", "99.99", places=2).map(str),
    st.decimals("0.01", "99.99", places=2).map(lambda value: f"<{value}"),
)
TABLES = st.lists(
    st.lists(CELL, min_size=len(KINDS), max_size=len(KINDS)), min_size=1, max_size=4
).filter(lambda rows: any(any(row) for row in rows))
TITLES = ("{0} ({1})", "{0}, {1}", "{0} [{1}]", "{0} {1}", "{0} {2} ({1})", "{0}")


@given(TABLES, st.sampled_from(TITLES), st.sampled_from(";\t"), st.booleans(), st.booleans())
def test_a_wide_file_reads_like_its_long_twin(
    tmp_path: Path, rows: list[list[str]], title: str, delimiter: str, comma: bool, by_row: bool
) -> None:
    def written(lines: list[list[str]]) -> str:
        return "".join(delimiter.join(line) + "\n" for line in lines)

    def mark(cell: str) -> str:
        return cell.replace(".", ",") if comma else cell

    head = [["sample", *(title.format(*kind) for kind in KINDS)]]
    if title == "{0}":
        head.append(["units", *(unit for _, unit, _ in KINDS)])
    if by_row:
        head.append(["method", *(method for *_, method in KINDS)])
    body = [[code, *map(mark, row)] for code, row in zip(SAMPLES, rows, strict=False)]
    options = [f"{name}={method}" for name, _, method in KINDS]
    wide = parse(
        tmp_path,
        written([*head, *body]),
        methods=() if by_row else tuple(options),
    )
    twin = [["sample", "nutrient", "value", "unit", "method"]]
    for code, row in zip(SAMPLES, rows, strict=False):
        for (name, unit, method), cell in zip(KINDS, row, strict=True):
            if cell:
                twin.append([code, name, mark(cell), unit, method])
    long = parse(tmp_path, written(twin))
    assert (wide.problems, long.problems) == ([], [])
    assert wide.results == long.results
    assert len(wide.results) == sum(bool(cell) for row in rows for cell in row)


@given(st.text(max_size=40))
def test_any_heading_is_read_or_not_without_a_crash(title: str) -> None:
    heading = read_heading(" ".join(title.split()))
    assert heading is None or heading.nutrient


@settings(max_examples=200)
@given(TABLES, st.integers(0, 10**6), st.binary(min_size=1, max_size=6))
def test_damaged_wide_files_end_in_words(
    tmp_path: Path, rows: list[list[str]], at: int, noise: bytes
) -> None:
    head = "sample," + ",".join(f"{name} {method} ({unit})" for name, unit, method in KINDS)
    body = (",".join([code, *row]) + "\n" for code, row in zip(SAMPLES, rows, strict=False))
    data = f"{head}\n{''.join(body)}".encode()
    place = at % len(data)
    path = tmp_path / "w.csv"
    path.write_bytes(data[:place] + noise + data[place + len(noise) // 2 :])
    try:
        parsed = parse_report(read_table(path), Beside(frozenset(SAMPLES), "L", "1"))
    except BadData as error:
        assert error.problems
        assert error.message.isprintable()
        return
    shown = [str(problem) for problem in parsed.problems] + parsed.notes
    assert all(line.isprintable() for line in shown)
    assert parsed.results or parsed.problems
