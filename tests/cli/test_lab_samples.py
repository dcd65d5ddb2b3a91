"""Whose samples a report names: their trial's laboratory, methods, zone; and codes of no sample."""

from __future__ import annotations

import pytest

from tests.cli.test_lab import BASIS, HEADER, ON, SIX, long, pulled, report, results
from tests.program import PROTOCOL, Program

__all__ = ["pulled"]

LAB = "Invented Soil Lab"


@pytest.fixture
def two(pulled: tuple[Program, list[str]]) -> tuple[Program, str, str]:
    """A second trial, in Auckland, with another laboratory and P by Olsen; a sample of each."""
    program, codes = pulled
    other = (
        PROTOCOL.replace("Small house", "Far house")
        .replace("Europe/Berlin", "Pacific/Auckland")
        .replace(LAB, "Fen Lab")
        .replace('pH = "water 1:1"', 'pH = "water 1:1"\nP = "Olsen"')
        .replace('nitrate-N = "1 M KCl"', 'nitrate-N = "2 M KCl"')
    )
    (program.folder / "far.toml").write_text(other, encoding="utf-8")
    program.must("trial", "start", "far.toml", on="2026-03-01T09:00+01:00")
    far = ("--trial", "Far house (invented)")
    program.must(*far, "fill", "all", "--mass", "110 kg", on="2026-03-01T10:00+01:00")
    said = program.must(*far, "pull", "B1", "--for", "before", on="2026-03-02T08:00+01:00")
    return program, codes[0], said.samples[0]


def test_laboratory_and_methods_are_those_of_the_samples_trial(
    two: tuple[Program, str, str],
) -> None:
    program, near, far = two
    own = report(program, f"{HEADER}{far},NO3-N,9,mg/kg,2 M KCl\n")
    said = program.must("lab", "import", own, "--report", "1", on=ON)
    assert said.out == f"{said.act}  imported 1 result of 1 sample, report 1 of Fen Lab\n{BASIS}"
    said = program.must("lab", "add", near, "NO3-N", "9 mg/kg", "--method", "1 M KCl", on=ON)
    assert said.out == f"{said.act}  {near} nitrate-N 9 mg/kg (1 M KCl, dry; report typed)\n"
    # 09:00 in Berlin is 21:00 in Auckland, the same day: tomorrow's date is refused in both.
    said = program("lab", "add", far, "P", "9 mg/kg", on=ON)
    assert said.err.startswith(
        "Error: by which method was P measured? (the trial follows 'Olsen')\n"
    )
    # 20 March 13:00 in Berlin is the 21st in Auckland.
    words = ("P", "9 mg/kg", "--method", "Olsen", "--received", "2026-03-21")
    program.must("lab", "add", far, *words, on="2026-03-20T13:00+01:00")
    said = program("lab", "add", near, *words, on="2026-03-20T13:00+01:00")
    assert said.err.startswith("Error: Sat 21 Mar 2026 is in the future\n")


def test_a_file_of_samples_of_several_trials(two: tuple[Program, str, str]) -> None:
    program, near, far = two
    lines = f"{near},NO3-N,9,mg/kg,1 M KCl\n{far},NO3-N,8,mg/kg,2 M KCl\n"
    name = report(program, HEADER + lines)
    said = program("lab", "import", name, "--report", "1", on=ON)
    assert said.err == (
        "report.csv: the file does not name its laboratory; add --lab NAME\n"
        "Error: report.csv: 1 problem; nothing was written\n"
    )
    said = program.must("lab", "import", name, "--report", "1", "--lab", "fen lab", on=ON)
    assert said.out.splitlines()[1:] == [
        "Note: 'fen lab' is taken as 'Fen Lab', as it is written here",
        BASIS.strip(),
        f"Note: Fen Lab is not the trial's laboratory ({LAB}): its results",
        "      stand in series of their own",
    ]
    swapped = f"{near},NO3-N,9,mg/kg,2 M KCl\n"
    said = program.must("lab", "import", report(program, HEADER + swapped, "b.csv"), on=ON)
    assert said.out.splitlines()[-2:] == [
        "Note: nitrate-N by '2 M KCl' is not the trial's method ('1 M KCl'): it stands in",
        "      a series of its own",
    ]


def test_codes_of_acts_and_of_struck_samples(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    again = program.must("pull", "B1", "--again", "bag lost", on="2026-03-03T08:00+01:00")
    program.must("undo", on="2026-03-03T09:00+01:00")
    program.must("strike", codes[5], "--reason", "bag torn", on="2026-03-04T08:00+01:00")
    before = program.journal()
    three = (again.act, again.samples[0], codes[5])
    content = HEADER + "".join(f"{code},P,4,mg/kg,Olsen\n" for code in three)
    said = program("lab", "import", report(program, content), on=ON)
    assert said.code == 2
    assert said.err == (
        f"report.csv, row 2, column sample (value '{three[0]}'): this is the code of an act (pull, "
        "Tue 3 Mar 2026), not of a sample; leave the row out, or mend its code\n"
        f"report.csv, row 3, column sample (value '{three[1]}'): its pull was taken back on Tue 3 "
        "Mar 2026; leave the row out, or mend its code\n"
        f"report.csv, row 4, column sample (value '{three[2]}'): its pull was struck on Wed 4 Mar "
        "2026 because bag torn; leave the row out, or mend its code\n"
        "Error: report.csv: 3 problems; nothing was written\n"
    )
    said = program("lab", "add", codes[5], "P", "4 mg/kg", "--method", "Olsen", on=ON)
    assert said.code == 2
    assert "its pull was struck on Wed 4 Mar 2026 because bag torn" in said.err
    assert program.journal() == before


def test_a_report_of_a_sample_struck_since_is_imported_already(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    program.must("lab", "import", name, "--report", "26-1", on=ON)
    program.must("strike", codes[5], "--reason", "bag torn", on=ON)
    said = program.must("lab", "import", name, on=ON)
    assert said.out == "report.csv: imported already (12 results); nothing was written\n"


@pytest.mark.parametrize("words", [["import", "report.csv"], ["add", "CODE", "P", "4 mg/kg"]])
def test_a_report_comes_in_after_the_pull_and_not_in_the_future(
    pulled: tuple[Program, list[str]], words: list[str]
) -> None:
    program, codes = pulled
    report(program, long(codes, SIX))
    if words[0] == "add":
        words = ["add", codes[0], "P", "4 mg/kg", "--method", "Olsen"]
    before = program.journal()
    what = "report.csv" if words[0] == "import" else "the result"
    code = max(codes) if words[0] == "import" else codes[0]
    said = program("lab", *words, "--received", " 2026-03-01 ", on=ON)
    assert (said.code, said.err) == (
        2,
        f"Error: {what}: it cannot have come in on Sun 1 Mar 2026: {code} was pulled on Mon 2 Mar "
        "2026; nothing was written\nTry: --received DATE says when it came in\n",
    )
    said = program("lab", *words, "--received", "2026-03-20T09:01+01:00", on=ON)
    assert (said.code, said.err) == (
        2, "Error: Fri 20 Mar 2026 09:01 is in the future\nTry: write when the report came in\n",
    )  # fmt: skip
    said = program("lab", *words, "--lab", "a\x1b[2J", on=ON)
    assert said.err.startswith("Error: --lab has a control character (U+001B)\n")
    assert program.journal() == before


def test_a_content_cannot_be_negative(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    for value in ("-1 mg/kg", "\N{MINUS SIGN}1 mg/kg"):
        said = program("lab", "add", codes[0], "K", value, "--method", "M3", on=ON)
        assert (said.code, said.err) == (
            2,
            "value '-1': K cannot be negative; ask the laboratory for its limit and write it as "
            "<LIMIT\nError: the result cannot be written down\n",
        )
    said = program("lab", "add", codes[0], "K", "1 mg/kg", "--metod", "M3", on=ON)
    assert said.code == 2
    assert "No such option" in said.err


def test_a_zero_where_the_laboratory_has_a_limit(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    add = ("lab", "add", codes[0])
    program.must(*add, "K", "0 mg/kg", "--method", "M3", on=ON)
    program.must("lab", "add", codes[1], "P", "<0.5 mg/kg", "--method", "Olsen", on=ON)
    said = program.must(*add, "P", "0 mg/kg", "--method", "Olsen", on=ON)
    assert said.out.splitlines()[1:] == [
        "Note: 1 query about these results, out of curves until answered: logbook lab",
        "      queries (laboratories keep soil about a month; ask yours)",
        f"Note: 0 for {codes[0]} P, although {LAB} reports P by 'Olsen' only",
        "      from 0.5 mg/kg up: what was not found is <0.5",
    ]


def test_a_torn_row_and_a_wrong_one_at_once(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    content = f"{HEADER}{codes[0]},P,4\n{codes[1]},P,x,mg/kg,Olsen\n"
    said = program("lab", "import", report(program, content), on=ON)
    assert said.err == (
        "report.csv, row 2, column unit: the row has 3 cells, the header 5; fill the row up\n"
        "report.csv, row 3, column value (value 'x'): 'x' is not a number; if that is a mark of "
        "the laboratory, let a profile say it (logbook lab profile new)\n"
        "Error: report.csv: 2 problems; nothing was written\n"
    )
    said = program("lab", "import", report(program, f"{HEADER}{codes[0]},P,4\n"), on=ON)
    assert said.err == (
        "report.csv, row 2, column unit: the row has 3 cells, the header 5; fill the row up\n"
        "Error: report.csv: 1 problem; nothing was written\n"
    )


def test_screens_show_six_digits_and_80_columns(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    said = program.must("lab", "add", codes[0], "NO3", "44.27 mg/kg", "--method", "1 M KCl", on=ON)
    assert f"{codes[0]} nitrate-N 10 mg/kg (" in said.out
    value = results(program)[codes[0], "nitrate-N"]
    assert value is not None
    assert len(value) > 8
    name = report(program, long(codes, SIX))
    told = program.must(
        "lab", "import", name, "--report", "x" * 40, "--lab", "Long name " * 6, on=ON
    )
    assert max(map(len, told.out.splitlines())) <= 80
