"""Reports of a laboratory, as a person imports, types, re-imports and mistakes them."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from logbook.cli import session
from logbook.journal.entry import Entry, decode
from logbook.study import reports
from tests.program import Program

WAITING = "RT4MAXCL"  # valid check symbol, no such sample
HEADER = "sample,nutrient,value,unit,method\n"
METHODS = ("--method", "nitrate-N=1 M KCl", "--method", "pH=water 1:1")
ON = "2026-03-20T09:00+01:00"
BASIS = "Note: the basis is not named: taken as dry\n"


@pytest.fixture
def pulled(started: Program) -> tuple[Program, list[str]]:
    """The small trial with the first pull of its six beds; the codes in the order of the beds."""
    said = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00")
    return started, said.samples


def report(program: Program, content: str | bytes, name: str = "report.csv") -> str:
    path = program.folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return name


def long(codes: list[str], nitrate: list[str]) -> str:
    lines = [
        f"{code},NO3-N,{value},mg/kg,1 M KCl\n{code},pH,6.{place},,water 1:1\n"
        for place, (code, value) in enumerate(zip(codes, nitrate, strict=True))
    ]
    return HEADER + "".join(lines)


def results(program: Program) -> dict[tuple[str, str], str | None]:
    """What stands: value, or limit with its sign, by sample and nutrient."""
    with sqlite3.connect(program.store) as connection:
        rows = connection.execute(
            'SELECT sample, analyte, coalesce(value, qualifier || "limit") FROM result'
        ).fetchall()
    connection.close()
    return {(sample, analyte): value for sample, analyte, value in rows}


SIX = ["10", "11", "12", "13", "14", "<0.5"]


def test_the_codes_are_in_the_column_that_is_not_skipped(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    rows = "".join(f"L{n},{code},pH,6.5,,water 1:1\n" for n, code in enumerate(codes))
    name = report(program, "Sample,Field ID,nutrient,value,unit,method\n" + rows)
    said = program.must("lab", "import", name, "--skip", "Sample", on=ON)
    assert "imported 6 results of 6 samples" in said.out
    assert "wait" not in said.out


@pytest.mark.parametrize("wide", [False, True])
def test_a_wrong_column_of_samples_is_one_sentence(
    pulled: tuple[Program, list[str]], wide: bool
) -> None:
    program, codes = pulled
    shape = ("pH", "6.5") if wide else ("nutrient,value,unit,method", "pH,6.5,,water 1:1")
    rows = "".join(f"Plot {n},{code},{shape[1]}\n" for n, code in enumerate(codes))
    name = report(program, f"Sample,Field ID,{shape[0]}\n{rows}")
    methods = METHODS[2:] if wide else ()
    before = program.journal()
    said = program("lab", "import", name, "--skip", "Field ID", *methods, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines() == [
        "report.csv, row 2, column Sample (value 'Plot 0'): no cell of this column holds a sample "
        "code of this book (6 rows); column 'Field ID' holds sample codes in 6 rows: --skip "
        "'Sample', and not that one",
        "Error: report.csv: 1 problem; nothing was written",
    ]
    assert program.journal() == before
    program.must("lab", "import", name, "--skip", "Sample", *methods, on=ON)


def test_a_report_of_other_samples_is_one_sentence_and_its_other_problems_are_told(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    rows = "".join(f"Plot {n},pH,{n}x,,water 1:1\n" for n in range(2))
    said = program("lab", "import", report(program, HEADER + rows), on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines()[0] == (
        "report.csv, row 2, column sample (value 'Plot 0'): no cell of this column holds a sample "
        "code of this book (2 rows); are these samples of this book, and is it the column of their "
        "codes?"
    )
    assert "row 3, column value (value '1x')" in said.err
    assert "3 problems" in said.err
    # Those that another machine pulled are not known here.
    rows = "".join(f"Plot {n},{WAITING},P,{n},mg/kg,Olsen\n" for n in range(2))
    name = report(program, f"Sample,Client ref,{HEADER[7:]}{rows}")
    said = program("lab", "import", name, on=ON)
    assert "column 'Client ref' holds sample codes in 2 rows: --skip 'Sample'" in said.err
    # Codes that were mistyped are told row by row, with the codes that they may be.
    slipped = [code[:-1] + ("C" if code.endswith("A") else "A") for code in codes[:2]]
    slips = "".join(f"{code},pH,6.5,,water 1:1\n" for code in slipped)
    said = program("lab", "import", report(program, HEADER + slips, "slips.csv"), on=ON)
    assert f"is it {codes[0]}" in said.err
    assert f"is it {codes[1]}" in said.err


def test_a_long_report(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))

    said = program.must("lab", "import", name, "--report", "26-1", on=ON)

    assert said.out == (
        f"{said.act}  imported 12 results of 6 samples, report 26-1 of Invented Soil Lab\n{BASIS}"
    )
    assert results(program)[codes[5], "nitrate-N"] == "<0.5"
    assert results(program)[codes[1], "pH"] == "6.1"
    program.must("verify", on=ON)


def test_a_wide_report_means_the_same_as_its_long_twin(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    pairs = zip(codes, SIX, strict=True)
    body = "".join(f"{code};{value};6,{n};\n" for n, (code, value) in enumerate(pairs))
    wide = "Sample;Nitrate-N (mg/kg);pH;Remark\n" + body.replace(".", ",")
    name = report(program, b"\xef\xbb\xbf" + wide.encode(), "wide.csv")

    said = program.must(
        "lab", "import", name, "--report", "26-1", *METHODS, "--skip", "Remark", on=ON
    )
    assert said.out.splitlines(keepends=True)[1:] == [BASIS, "Note: columns left out: Remark\n"]

    again = report(program, long(codes, SIX))
    twin = program.must("lab", "import", again, "--report", "26-1", on=ON)
    assert twin.out == "report.csv: imported already (12 results); nothing was written\n"


def test_decimal_commas_in_a_long_file_with_a_byte_order_mark(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    lines = f"{HEADER}{codes[0]},NO3-N,|12,5|,mg/kg,1 M KCl\n".replace(",", ";")
    name = report(program, b"\xef\xbb\xbf" + lines.replace("|12;5|", "12,5").encode())
    program.must("lab", "import", name, on=ON)
    assert results(program) == {(codes[0], "nitrate-N"): "12.5"}


def test_dry_run_writes_nothing(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    before = program.journal()
    name = report(program, long(codes, SIX))
    said = program.must("lab", "import", name, "--report", "26-1", "--dry-run", on=ON)
    assert said.out == f"report.csv: 12 results can be imported; nothing was written\n{BASIS}"
    assert program.journal() == before


def test_the_same_file_twice_also_under_another_name(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    content = long(codes, SIX)
    program.must("lab", "import", report(program, content), on=ON)
    before = program.journal()
    for name in ("report.csv", report(program, content, "copy of report.csv")):
        said = program.must("lab", "import", name, on=ON)
        assert said.out == f"{name}: imported already (12 results); nothing was written\n"
    assert program.journal() == before


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (
            ["--report", "26-2"],
            "leave --report out; or --replaces 26-1 gives it the number 26-2 instead",
        ),
        (
            ["--report", "26-1", "--lab", "Other Lab (invented)"],
            "leave --report and --lab out, or strike the first import: logbook strike {} --reason "
            "TEXT",
        ),
    ],
)
def test_the_same_file_under_another_number_or_laboratory_is_refused(
    pulled: tuple[Program, list[str]], words: list[str], hint: str
) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    act = program.must("lab", "import", name, "--report", "26-1", on=ON).act
    before = program.journal()
    said = program("lab", "import", name, *words, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "Error: report.csv: this very file was imported as report 26-1 of Invented Soil Lab; "
        f"nothing was written\nTry: {hint.format(act)}\n"
    )
    assert program.journal() == before
    again = program.must("lab", "import", name, on=ON)
    assert again.out == "report.csv: imported already (12 results); nothing was written\n"


def test_the_same_file_by_another_method_is_refused(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    name = report(program, f"sample,P (mg/kg),K M3 (ppm)\n{codes[0]},4,50\n")
    words = ["lab", "import", name, "--method"]
    first = program.must(*words, "P=Olsen", "--skip", "K M3 (ppm)", on=ON)
    said = program(*words, "P=Mehlich-3", on=ON)
    assert said.code == 2
    assert f"but not with {codes[0]} P by 'Mehlich-3'; nothing was written" in said.err

    # A column that was left out at first may still be added from the same file.
    program.must(*words, "P=Olsen", on=ON)
    assert results(program) == {(codes[0], "P"): "4", (codes[0], "K"): "50"}

    # After a strike, the file may be read anew.
    program.must("strike", first.act, "--reason", "read by the wrong method", on=ON)
    program.must(*words, "P=Mehlich-3", on=ON)
    assert results(program) == {(codes[0], "P"): "4", (codes[0], "K"): "50"}


def test_an_undone_import_can_be_made_again(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    program.must("lab", "import", name, on=ON)
    stood = results(program)
    program.must("undo", on=ON)
    assert results(program) == {}
    program.must("lab", "import", name, on=ON)
    assert results(program) == stood
    program.must("verify", on=ON)


def test_results_wait_for_their_pull(started: Program) -> None:
    name = report(started, f"{HEADER}{WAITING},NO3-N,12,mg/kg,1 M KCl\n")
    said = started.must("lab", "import", name, on="2026-03-03T09:00+01:00")
    assert said.out.endswith(
        f"\n{BASIS}Note: no pull here has these codes yet, so their results wait for it: RT4MAXCL\n"
        "      (another machine's samples?)\n"
    )
    started.must("pull", "B2", "--code", WAITING, "--when", "2026-03-02 08:00", on=ON)
    again = started.must("lab", "import", name, on=ON)
    assert again.out == "report.csv: imported already (1 result); nothing was written\n"
    assert results(started) == {(WAITING, "nitrate-N"): "12"}


@pytest.fixture
def reissued(pulled: tuple[Program, list[str]]) -> tuple[Program, list[str]]:
    """Report 26-1 imported from first.csv; second.csv is its re-issue, without B6's pH.

    B2 (treatment M) and B5 (the control of block 2, with treatments C10 and M) have other values.
    """
    program, codes = pulled
    first = report(program, long(codes, SIX), "first.csv")
    program.must("lab", "import", first, "--report", "26-1", on=ON)
    lines = long(codes, ["10", "21.5", "12", "13", "<1", "<0.5"]).splitlines(keepends=True)
    report(program, "".join(lines[:-1]), "second.csv")
    return program, codes


WHY = ("--reason", "the laboratory rang")


def one_corrected_one_struck(program: Program, codes: list[str]) -> None:
    """By hand: B1's nitrate is 9 and not 10, B3's is struck; the re-issue has both as before."""
    program.must("correct", f"{codes[0]}:nitrate-N", "--value", "9", *WHY, on=ON)
    program.must("strike", f"{codes[2]}:nitrate-N", "--reason", "bag torn", on=ON)


def test_a_re_issue_is_shown_and_refused_without_a_terminal(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    before = program.journal()
    said = program("lab", "import", "second.csv", "--report", "26-1", on=ON)
    assert said.code == 2
    assert said.out == (
        "second.csv: report 26-1 of Invented Soil Lab is here with other values:\n"
        f"  {codes[1]}  nitrate-N   11 -> 21.5 mg/kg\n"
        f"  {codes[4]}  nitrate-N   14 -> <1 mg/kg\n"
        f"  {codes[5]}  pH          6.5 -> not in it, left standing\n"
    )
    assert said.err == (
        "Error: second.csv: has report 26-1 of Invented Soil Lab been re-issued, with 2 values "
        "changed and 1 result left out? (yes/no)\nTry: answer with --reissued\n"
    )
    assert program.journal() == before


def test_a_re_issue_writes_only_what_changed_and_keeps_both(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    before = program.journal()
    said = program.must("lab", "import", "second.csv", "--report", "26-1", "--reissued", on=ON)
    act = said.out.splitlines()[4].split()[0]
    assert said.out.splitlines()[4:] == [
        f"{act}  imported 2 results (2 of them re-issued) of 2 samples, report 26-1 of",
        "          Invented Soil Lab",
        "Curves that change: nitrate-N of C10, nitrate-N of M",
        BASIS.strip(),
        "Note: not in the re-issue and left standing: 1 result; logbook strike",
        "      SAMPLE:NUTRIENT --reason TEXT strikes one",
    ]
    stands = results(program)
    assert (stands[codes[1], "nitrate-N"], stands[codes[4], "nitrate-N"]) == ("21.5", "<1")
    assert stands[codes[5], "pH"] == "6.5"
    (new,) = set(program.journal()) - set(before)
    keys = [write[0] for write in json.loads(new)["writes"]]
    assert [key.split("/")[0] for key in keys] == ["report", "result", "result"]

    told = program.must("history", f"{codes[1]}:nitrate-N", on=ON).out
    assert "nitrate-N 11 mg/kg" in told
    assert "nitrate-N 21.5 mg/kg" in told
    assert "because: re-issued report 26-1 of Invented Soil Lab" in told
    program.must("verify", on=ON)


def test_a_re_issue_that_only_leaves_rows_out_names_them(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    first = report(program, long(codes, SIX), "first.csv")
    program.must("lab", "import", first, "--report", "26-1", on=ON)
    program.must("correct", f"{codes[5]}:nitrate-N", "--value", "<0.4", *WHY, on=ON)
    second = report(program, long(codes[:5], SIX[:5]), "second.csv")
    before = program.journal()
    words = ("lab", "import", second, "--report", "26-1")

    # Without --reissued it may be a part of the report.
    said = program.must(*words, on=ON)
    assert said.out == "second.csv: imported already (10 results); nothing was written\n"
    assert json.loads(program.must(*words, "--json", on=ON).out)["missing"] == []

    said = program.must(*words, "--reissued", on=ON)
    assert said.out == (
        "second.csv: report 26-1 of Invented Soil Lab is here with results that this file\n"
        "  leaves out:\n"
        f"  {codes[5]}  all 2 results -> not in it, left standing\n"
        "second.csv: imported already (10 results); nothing was written\n"
        "Note: not in the re-issue and left standing: 2 results; logbook strike\n"
        "      SAMPLE:NUTRIENT --reason TEXT strikes one\n"
    )
    document = json.loads(program.must(*words, "--reissued", "--json", on=ON).out)
    assert document["missing"] == [
        {"sample": codes[5], "nutrient": "nitrate-N", "value": "<0.4", "unit": "mg/kg"},
        {"sample": codes[5], "nutrient": "pH", "value": "6.5", "unit": "pH"},
    ]
    assert any(note.startswith("not in the re-issue") for note in document["notes"])
    assert program.journal() == before

    program.must("strike", f"{codes[5]}:nitrate-N", "--reason", "left out of the re-issue", on=ON)
    named = json.loads(program.must(*words, "--reissued", "--json", on=ON).out)["missing"]
    assert [one["nutrient"] for one in named] == ["pH"]


def test_the_file_that_stands_names_again_what_it_left_out(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    words = ("lab", "import", "second.csv", "--report", "26-1", "--reissued")
    program.must(*words, on=ON)
    again = program.must(*words, on=ON).out
    assert f"  {codes[5]}  pH          6.5 -> not in it, left standing\n" in again
    assert "second.csv: imported already (11 results); nothing was written\n" in again


def test_an_older_part_of_a_report_leaves_nothing_out_of_the_later_one(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    part = report(program, long(codes[:5], SIX[:5]), "part.csv")
    words = ("lab", "import", part, "--report", "26-1")
    program.must(*words, on=ON)
    report(program, long(codes, SIX), "all.csv")
    program.must("lab", "import", "all.csv", "--report", "26-1", on=ON)
    said = program.must(*words, "--reissued", on=ON)
    assert said.out == "part.csv: imported already (10 results); nothing was written\n"


def test_after_a_re_issue_neither_file_changes_anything(
    reissued: tuple[Program, list[str]],
) -> None:
    program, _ = reissued
    program.must("lab", "import", "second.csv", "--report", "26-1", "--reissued", on=ON)
    before = program.journal()
    said = program.must("lab", "import", "second.csv", "--report", "26-1", on=ON)
    assert said.out == "second.csv: imported already (11 results); nothing was written\n"
    for words in ([], ["--reissued"]):
        said = program("lab", "import", "first.csv", "--report", "26-1", *words, on=ON)
        assert said.code == 2
        assert said.err.splitlines()[0] == (
            "Error: first.csv: report 26-1 of Invented Soil Lab was replaced by second.csv on Fri "
            "20 Mar 2026 09:00; the older file is not taken again, and nothing was written"
        )
    said = program("lab", "import", "first.csv", "--report", "26-9", on=ON)
    assert said.code == 2
    assert "this very file was imported as report 26-1" in said.err
    assert program.journal() == before


def test_an_undone_re_issue_can_be_taken_again(reissued: tuple[Program, list[str]]) -> None:
    program, codes = reissued
    words = ("lab", "import", "second.csv", "--report", "26-1", "--reissued")
    program.must(*words, on=ON)
    program.must("undo", on=ON)
    assert results(program)[codes[1], "nitrate-N"] == "11"
    said = program.must("lab", "import", "first.csv", "--report", "26-1", on=ON)
    assert said.out == "first.csv: imported already (12 results); nothing was written\n"
    program.must(*words, on=ON)
    assert results(program)[codes[1], "nitrate-N"] == "21.5"


def test_a_re_issue_leaves_what_a_person_corrected_and_the_laboratory_did_not_change(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    one_corrected_one_struck(program, codes)
    program.must("correct", f"{codes[1]}:nitrate-N", "--value", "20", *WHY, on=ON)
    before = program.journal()
    said = program.must("lab", "import", "first.csv", "--report", "26-1", on=ON)
    assert said.out == "first.csv: imported already (12 results); nothing was written\n"
    assert program.journal() == before

    said = program.must("lab", "import", "second.csv", "--report", "26-1", "--reissued", on=ON)
    assert f"  {codes[1]}  nitrate-N   20 (corrected here) -> 21.5 mg/kg\n" in said.out
    assert (
        "Note: corrected or struck here and not changed by the laboratory, left so:\n"
        f"      {codes[0]} nitrate-N, {codes[2]} nitrate-N\n"
    ) in said.out
    stands = results(program)
    assert stands[codes[0], "nitrate-N"] == "9"
    assert (codes[2], "nitrate-N") not in stands


class Terminal:
    """A standard input that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("answer", "code"), [("yes", 0), ("no", 2)])
def test_a_re_issue_is_asked_on_a_terminal(
    reissued: tuple[Program, list[str]],
    monkeypatch: pytest.MonkeyPatch,
    answer: str,
    code: int,
) -> None:
    program, codes = reissued
    monkeypatch.setattr(session.sys, "stdin", Terminal())
    monkeypatch.setattr(session.typer, "prompt", lambda question: answer)
    said = program("lab", "import", "second.csv", "--report", "26-1", on=ON)
    assert said.code == code
    stands = results(program)[codes[1], "nitrate-N"]
    assert stands == ("21.5" if answer == "yes" else "11")
    if answer == "no":
        assert said.err == "Error: not taken for a re-issue; nothing was written\n"


def test_a_long_list_of_differences_ends_in_a_count(started: Program) -> None:
    lines = [f"{WAITING},P,{n},mg/kg,Olsen\n" for n in range(1, 26)]
    started.must("lab", "import", report(started, HEADER + "".join(lines)), "--report", "1", on=ON)
    other = report(started, HEADER + "".join(lines).replace(",mg/kg", ".5,mg/kg"), "b.csv")
    said = started.must("lab", "import", other, "--report", "1", "--dry-run", on=ON)
    assert said.out.count(" -> ") == 20
    assert "  and 5 more\n" in said.out


def test_a_re_issue_under_a_new_number_says_what_a_person_did_under_the_old_one(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    one_corrected_one_struck(program, codes)
    program.must("strike", f"{codes[4]}:nitrate-N", "--reason", "bag torn", on=ON)
    words = ("lab", "import", "second.csv", "--report", "26-9", "--replaces", "26-1")
    said = program.must(*words, on=ON).out
    assert f"  {codes[0]}  nitrate-N   9 (corrected here) -> 10 mg/kg\n" in said
    assert f"  {codes[2]}  nitrate-N   12 (struck) -> 12 mg/kg\n" in said
    assert f"  {codes[4]}  nitrate-N   14 (struck) -> <1 mg/kg\n" in said
    named = ", ".join(f"{codes[n]} nitrate-N" for n in (0, 2, 4))
    told = " ".join(said.split())
    assert (
        f"struck or corrected under report 26-1, and now as the report gives it: {named};" in told
    )
    assert results(program)[codes[2], "nitrate-N"] == "12"
    again = program.must("lab", "import", "second.csv", on=ON).out
    assert "imported already" in again
    program.must("undo", on=ON)
    assert results(program)[codes[0], "nitrate-N"] == "9"
    assert (codes[2], "nitrate-N") not in results(program)


def test_a_re_issue_under_a_new_number_names_only_the_curves_that_change(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    words = ("--report", "26-9", "--replaces", "26-1", "--json", "--dry-run")

    def curves(name: str) -> list[str]:
        return list(json.loads(program.must("lab", "import", name, *words, on=ON).out)["curves"])

    assert curves("second.csv") == ["nitrate-N of C10", "nitrate-N of M"]  # no pH differs
    again = report(program, long(codes[:5], SIX[:5]), "again.csv")
    assert curves(again) == []
    # A repeat that the older report does not have.
    repeat = f"{codes[1]},NO3-N,11.5,mg/kg,1 M KCl\n"
    more = report(program, long(codes, SIX) + repeat, "more.csv")
    assert curves(more) == ["nitrate-N of M"]


def told(program: Program, of: str) -> list[tuple[str, str]]:
    """What a history shows: the beginning of each line, and what became of it."""
    found = json.loads(program.must("history", of, "--json", on=ON).out)["lines"]
    return [(line["what"].partition(" (")[0], line["state"]) for line in found]


def test_the_history_of_a_nutrient_has_the_lines_of_a_report_that_was_replaced(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    words = ("lab", "import", "second.csv", "--report", "26-9", "--replaces", "26-1")
    program.must(*words, on="2026-03-21T09:00+01:00")
    of = f"{codes[1]}:nitrate-N"
    assert told(program, of) == [
        ("nitrate-N 11 mg/kg", "struck"),
        ("struck", ""),
        ("nitrate-N 21.5 mg/kg", "stands"),
    ]
    assert told(program, f"{of}:1 M KCl") == told(program, of)
    assert told(program, f"{codes[1]}:pH")[0] == ("pH 6.1", "struck")
    shown = program.must("history", of, on=ON).out
    assert f" struck | {of}" in shown
    assert f" stands | {of}" in shown


def test_the_history_of_a_nutrient_has_both_runs_and_what_was_asked_of_them(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    row = f"{HEADER}{codes[0]},pH,%s,,water 1:1\n"
    program.must("lab", "import", report(program, row % 65), "--report", "26-1", on=ON)
    of = f"{codes[0]}:pH"
    why = ("--reason", "point lost")
    program.must("lab", "answer", of, "re-run", *why, on="2026-03-20T10:00+01:00")
    again = report(program, row % 6.5, "again.csv")
    later = "2026-03-25T09:00+01:00"
    program.must("lab", "import", again, "--report", "26-2", "--repeat", on=later)
    program.must("strike", f"{of}:1", *why, on="2026-03-26T09:00+01:00")
    lines = told(program, of)
    assert [what for what, _ in lines if what.startswith("pH 6")] == ["pH 65", "pH 6.5"]
    assert ("pH 65", "struck") in lines
    assert ("pH 6.5", "stands") in lines
    assert any("re-run" in what for what, _ in lines)
    # Struck altogether it is still told, as `history CODE` does.
    program.must("strike", of, *why, on="2026-03-27T09:00+01:00")
    assert [state for what, state in told(program, of) if what.startswith("pH 6")] == [
        "struck", "struck",
    ]  # fmt: skip
    assert set(told(program, of)) < set(told(program, codes[0]))
    said = program("history", f"{codes[0]}:Zn", on=ON)
    assert (said.code, "has no result of Zn" in said.err) == (2, True)


def test_a_re_issue_of_what_was_struck_shows_what_that_was(
    reissued: tuple[Program, list[str]],
) -> None:
    program, codes = reissued
    program.must("strike", f"{codes[4]}:nitrate-N", "--reason", "bag torn", on=ON)
    words = ("lab", "import", "second.csv", "--report", "26-1", "--reissued", "--dry-run")
    assert f"  {codes[4]}  nitrate-N   14 (struck) -> <1 mg/kg\n" in program.must(*words, on=ON).out
    (change,) = (
        one
        for one in json.loads(program.must(*words, "--json", on=ON).out)["changed"]
        if one["sample"] == codes[4]
    )
    assert (change["old"], change["struck"], change["new"]) == ("struck", "14", "<1")


def test_the_entry_of_a_report_is_read_once_however_many_values_changed(
    reissued: tuple[Program, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    program, _ = reissued
    read: list[bytes] = []

    def counted(body: bytes) -> Entry:
        read.append(body)
        return decode(body)

    monkeypatch.setattr(reports, "decode", counted)
    program.must("lab", "import", "second.csv", "--report", "26-1", "--dry-run", on=ON)
    assert len(read) == 1


def test_json_for_programs(reissued: tuple[Program, list[str]]) -> None:
    program, codes = reissued
    words = ("lab", "import", "second.csv", "--report", "26-1", "--json")
    assert program(*words, on=ON).err.endswith("Try: answer with --reissued\n")
    document: dict[str, Any] = json.loads(program.must(*words, "--reissued", on=ON).out)
    assert (document["rows"], document["written"], document["already_there"]) == (11, 2, 9)
    assert document["changed"][1] == {
        "sample": codes[4], "nutrient": "nitrate-N", "old": "14", "struck": None, "new": "<1",
        "unit": "mg/kg",
    }  # fmt: skip
    assert document["missing"] == [
        {"sample": codes[5], "nutrient": "pH", "value": "6.5", "unit": "pH"}
    ]
    assert document["curves"] == ["nitrate-N of C10", "nitrate-N of M"]


def test_a_file_with_one_bad_row_writes_nothing(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    before, stored = program.journal(), program.store.read_bytes()
    name = report(program, long(codes, [*SIX[:5], "O.5"]))
    said = program("lab", "import", name, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "report.csv, row 12, column value (value 'O.5'): 'O.5' has a letter in place of a digit; "
        "write 0.5\nError: report.csv: 1 problem; nothing was written\n"
    )
    assert program.journal() == before
    assert program.store.read_bytes() == stored


def test_a_typed_result(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    words = ("lab", "add", codes[0], "NO3-N", "12.5 mg/kg", "--method", "1 M KCl")
    said = program.must(*words, on=ON)
    assert said.out == (
        f"{said.act}  {codes[0]} nitrate-N 12.5 mg/kg (1 M KCl, dry; report typed)\n"
    )
    before = program.journal()
    again = program.must("lab", "add", codes[0], "nitrate-N", "12,50 ppm", *words[5:], on=ON)
    assert again.out == (
        f"{codes[0]} nitrate-N 12.5 mg/kg: here already as report typed; nothing was written\n"
    )
    other = program("lab", "add", codes[0], "NO3-N", "13 mg/kg", *words[5:], on=ON)
    assert other.code == 2
    assert other.err == (
        f"Error: {codes[0]} has nitrate-N 12.5 mg/kg in report typed already; nothing was "
        f"written\nTry: logbook correct {codes[0]}:nitrate-N --value VALUE --reason TEXT, or "
        "--reissued if the laboratory sent another value, or --repeat if the sample was measured a "
        "second time\n"
    )
    assert program.journal() == before
    program.must("lab", "add", codes[0], "NO3-N", "13 mg/kg", *words[5:], "--reissued", on=ON)
    assert results(program) == {(codes[0], "nitrate-N"): "13"}


def test_typed_limits_and_ph(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    add = ("lab", "add", codes[0])
    program.must(*add, "P", "< 0.5 mg/kg", "--method", "Olsen", "--report", "26-3", on=ON)
    program.must(*add, "pH", "6.8", "--method", "water 1:1", "--basis", "moist", on=ON)
    assert results(program) == {(codes[0], "P"): "<0.5", (codes[0], "pH"): "6.8"}


def test_the_carbonate_of_a_soil_is_a_series_of_its_own(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    program.must("lab", "add", codes[0], "CaCO3", "2 %", "--method", "titration", on=ON)
    program.must("lab", "add", codes[0], "Ca", "7 meq/100 g", "--method", "Mehlich-3", on=ON)
    assert results(program) == {(codes[0], "CaCO3"): "2", (codes[0], "Ca"): "1402.73"}
    listed = program.must("lab", "results", "--nutrient", "calcium carbonate", on=ON).out
    assert "CaCO3              2 %" in listed
    program.must("verify", on=ON)


WRONG: dict[str, tuple[list[str], str]] = {
    "no method": (
        ["add", WAITING, "NO3-N", "1 mg/kg"],
        "Error: by which method was nitrate-N measured? (the trial follows '1 M KCl')\n"
        "Try: answer with --method '1 M KCl'\n",
    ),
    "no unit": (
        ["add", WAITING, "P", "12.5", "--method", "Olsen"],
        "unit '': there is no unit; write the laboratory's, such as mg/kg: '12.5 mg/kg'\n"
        "Error: the result cannot be written down\n",
    ),
    "a share of the base saturation": (
        ["add", WAITING, "Ca", "68 %", "--method", "Mehlich-3"],
        "unit '%': per cent of Ca is usually its share of the base saturation; write the content "
        "in mg/kg, if the laboratory gives it\n"
        "Error: the result cannot be written down\n",
    ),
    "two readings": (
        ["add", WAITING, "P", "1,234 mg/kg", "--method", "Olsen"],
        "value '1,234': '1,234' can be read as 1234 or as 1.234; write 1234 or 1.234\n"
        "Error: the result cannot be written down\n",
    ),
    "unknown nutrient": (
        ["add", WAITING, "nitrate", "1 mg/kg", "--method", "x"],
        "nutrient 'nitrate': 'nitrate' may mean NO3 or NO3-N; write NO3 or NO3-N\n"
        "Error: the result cannot be written down\n",
    ),
    "wrong code": (
        ["add", "RT4MAXCC", "P", "1 mg/kg", "--method", "Olsen"],
        "sample 'RT4MAXCC': this is not a sample code: its check symbol does not fit: a symbol is "
        "wrong or swapped; copy the code from the label\n"
        "Error: the result cannot be written down\n",
    ),
    "computed from another": (
        ["add", WAITING, "P", "30 mg/kg", "--method", "Bray P1 calculated from M3"],
        "method 'Bray P1 calculated from M3': 'Bray P1 calculated from M3' is computed from "
        "another extractant's value and was not measured; import the column of the method that was "
        "used, and skip this one\nError: the result cannot be written down\n",
    ),
    "impossible": (
        ["add", WAITING, "pH", "68", "--method", "water 1:1"],
        "value '68': a pH of 68 does not exist; pH lies between 0 and 14\n"
        "Error: the result cannot be written down\n",
    ),
    "wrong basis": (
        ["add", WAITING, "P", "1 mg/kg", "--method", "Olsen", "--basis", "soggy"],
        "basis 'soggy': 'soggy' is not a basis; write dry or moist\n"
        "Error: the result cannot be written down\n",
    ),
    "no file": (
        ["import", "none.csv"],
        "Error: there is no file 'none.csv'\nTry: check the name\n",
    ),
    "two methods": (
        ["import", "wide.csv", "--method", "P=M3", "--skip", "Remark"],
        "wide.csv, header, column 'P Olsen (mg/kg)': the heading says Olsen but --method says M3; "
        "ask the laboratory which is right\nError: wide.csv: 1 problem; nothing was written\n",
    ),
    "column not skipped": (
        ["import", "wide.csv"],
        "wide.csv, header, column 'Remark': this is no nutrient that is known here; --skip "
        "'Remark' leaves it out\nError: wide.csv: 1 problem; nothing was written\n",
    ),
    "received at no time": (
        ["import", "wide.csv", "--skip", "Remark", "--received", "soon"],
        "Error: 'soon' is not a time\n"
        "Try: write yesterday, 08:30, tue 17:00, 2026-03-14 or 2026-03-14T08:30\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_clear_error_and_leaves_no_trace(started: Program, name: str) -> None:
    words, expected = WRONG[name]
    report(started, f"sample,P Olsen (mg/kg),Remark\n{WAITING},4,fine\n", "wide.csv")
    before = started.journal()
    said = started("lab", *words, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err == expected
    assert started.journal() == before


def test_a_file_that_is_not_where_it_is_said(started: Program) -> None:
    Path("folder.csv").mkdir()
    said = started("lab", "import", "folder.csv", on=ON)
    assert (said.code, said.err) == (2, "Error: folder.csv is a folder\nTry: name the file in it\n")
    said = started("lab", "import", ".", on=ON)
    here = Path().resolve().name
    assert (said.code, said.err) == (2, f"Error: {here} is a folder\nTry: name the file in it\n")


def test_results_are_listed_by_sample_bed_and_nutrient(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    assert program.must("lab", "results", on=ON).out == "No such results yet.\n"
    content = long(codes, SIX) + f"{WAITING},NO3-N,9,mg/kg,1 M KCl\n"
    program.must("lab", "import", report(program, content), "--report", "26-1", on=ON)

    said = program.must("lab", "results", "--bed", "B5-B6", "--nutrient", "NO3-N", on=ON)
    assert " ".join(said.out.split()) == (
        f"{codes[4]} Mon 2 Mar 2026 B5 nitrate-N 14 mg/kg (1 M KCl, dry; report 26-1) "
        f"{codes[5]} Mon 2 Mar 2026 B6 nitrate-N <0.5 mg/kg (1 M KCl, dry; report 26-1)"
    )
    said = program.must("lab", "results", "--sample", WAITING, on=ON)
    assert " ".join(said.out.split()) == (
        "RT4MAXCL waits for its pull nitrate-N 9 mg/kg (1 M KCl, dry; report 26-1)"
    )
    document = json.loads(program.must("lab", "results", "--json", on=ON).out)
    assert [line["sample"] for line in document["results"][-2:]] == [codes[5], WAITING]
    assert document["results"][0] == {
        "sample": codes[0], "bed": "B1", "pulled": "2026-03-02T08:00+01:00",
        "nutrient": "nitrate-N", "value": "10", "unit": "mg/kg", "reported": "10",
        "reported_unit": "mg/kg", "flags": [], "form": "NO3-N", "method": "1 M KCl", "basis": "dry",
        "counted_although_flagged": None,
        "lab": "Invented Soil Lab", "report": "26-1", "run": 1, "repeat": 1, "disagrees": False,
        "laboratory_number": None, "part_of": None, "kind": None, "struck": False, "blind": None,
        "in_question": None,
    }  # fmt: skip


def test_results_are_rounded_with_the_number_of_the_report_beside(
    pulled: tuple[Program, list[str]],
) -> None:
    """88.6 mg/kg of NO3 is 88.6 x 14.007 / 62.004 = 20.02 mg/kg of N (IUPAC atomic masses)."""
    program, codes = pulled
    content = f"{HEADER}{codes[0]},NO3,88.6,mg/kg,1 M KCl\n"
    program.must("lab", "import", report(program, content), "--report", "26-1", on=ON)
    said = program.must("lab", "results", on=ON).out
    assert "nitrate-N 20.02 mg/kg (88.6 mg/kg as NO3 reported; 1 M KCl" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 80


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (
            ["--sample", "B1"],
            "Error: 'B1' is not a sample code: a code has 8 symbols, this one 2\n",
        ),
        (["--bed", "B9"], "Error: 'B9' is no bed, block or treatment here\n"),
        (["--nutrient", "snow"], "Error: 'snow' is not a nutrient this program knows\n"),
        (
            ["--nutrient", "mineral-N"],
            "Error: mineral-N is no result of its own: it is the sum of nitrate-N and ammonium-N\n",
        ),
    ],
)
def test_wrong_questions_about_results(started: Program, words: list[str], error: str) -> None:
    said = started("lab", "results", *words, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith(error)
