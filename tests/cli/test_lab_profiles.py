"""Reports in a laboratory's own layout: profiles proposed, listed, used, and what they refuse."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import openpyxl
import pytest
import typer

from logbook.cli import profile as profiles
from tests.cli.parted import parted
from tests.program import Program, Said

__all__ = ["parted"]

ON = "2026-04-20T09:00+02:00"
PROFILE = """\
format = 1
lab = "Invented Soil Lab"
[file]
dates = "day first"
[layout]
header = "ID"
[columns]
sample = "ID"
received = "In"
[usual]
basis = "dry"
[[column]]
title = "N"
nutrient = "NO3-N"
unit = "mg/kg"
method = "1 M KCl"
[qualifiers]
R = "rejected"
J = "estimated"
IS = "insufficient"
"""


@pytest.fixture
def folder(started: Program, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = started.folder / "profiles"
    monkeypatch.setenv("LOGBOOK_PROFILES", str(path))
    return path


@pytest.fixture
def pulled(started: Program, folder: Path) -> tuple[Program, list[str]]:
    """The small trial with its first pull, and a profile of its laboratory."""
    folder.mkdir()
    (folder / "mine.toml").write_text(PROFILE, encoding="utf-8")
    said = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00")
    return started, said.samples


def report(program: Program, codes: list[str], values: list[str], name: str = "r.csv") -> str:
    rows = [f"{code},03/04/2026,{value}" for code, value in zip(codes, values, strict=True)]
    (program.folder / name).write_text("\n".join(["Lab,,", "ID,In,N", *rows]) + "\n")
    return name


def imported(program: Program, name: str, *words: str) -> Said:
    return program("lab", "import", name, "--profile", "mine", *words, on=ON)


SIX = ["10", "11 J", "12 R", "ND", "IS", "< 0.5"]


def test_a_report_by_a_profile(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    name = report(program, codes, SIX)

    said = imported(program, name, "--report", "26-1")

    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines()[0].endswith(
        "imported 6 results of 6 samples, report 26-1 of Invented Soil Lab"
    )
    assert "estimated by the laboratory (used, with a note)" in said.out
    assert "rejected by the laboratory (not used in curves)" in " ".join(said.out.split())
    assert f"not detected (waits for its limit): {codes[3]} nitrate-N" in said.out
    with sqlite3.connect(program.store) as connection:
        rows = connection.execute('SELECT sample, value, "limit", flags FROM result').fetchall()
        (received,) = connection.execute("SELECT received FROM report").fetchone()
    connection.close()
    assert {row[0]: row[1:] for row in rows} == {
        codes[0]: ("10", None, ""), codes[1]: ("11", None, "estimated"),
        codes[2]: ("12", None, "rejected"), codes[3]: (None, None, "not-detected"),
        codes[4]: (None, None, "insufficient"), codes[5]: (None, "0.5", ""),
    }  # fmt: skip
    assert received == "2026-04-03"
    again = imported(program, name)
    assert again.out == f"{name}: imported already (6 results); nothing was written\n"
    program.must("verify", on=ON)


def test_what_is_listed_and_what_is_used(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    imported(program, report(program, codes, SIX), "--report", "26-1")
    listed = program.must("lab", "results", on=ON).out
    assert "estimated by the laboratory" in listed
    document = json.loads(program.must("lab", "results", "--json", on=ON).out)
    flags = {line["sample"]: line["flags"] for line in document["results"]}
    assert flags[codes[2]] == ["rejected"]

    correct = ("correct", f"{codes[3]}:nitrate-N", "--value", "<2", "--reason", "asked the lab")
    program.must(*correct, on=ON)
    document = json.loads(program.must("lab", "results", "--json", on=ON).out)
    values = {line["sample"]: line["value"] for line in document["results"]}
    assert values[codes[3]] == "<2"
    program.must("verify", on=ON)


def test_flagged_results_are_in_no_curve_and_named_there(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    imported(program, report(program, codes, ["10", "11", "12 R", "13", "14", "15 J"]),
             "--report", "1")  # fmt: skip
    for day, values in ((9, SIX[:1] * 6), (16, ["20"] * 6)):
        program.must("apply", "all", on="2026-03-02T10:00+01:00") if day == 9 else None
        said = program.must("pull", "all", on=f"2026-03-{day:02}T09:00+01:00")
        name = report(program, said.samples, values, f"{day}.csv")
        assert imported(program, name, "--report", str(day)).code == 0
    curve = program("curve", "nitrate-N", on=ON)
    text = " ".join((curve.out + curve.err).split())
    assert f"left out, as the laboratory flagged it: {codes[2]} of B3" in text
    assert f"flagged by the laboratory and used: {codes[5]} (estimated by the laboratory)" in text


def test_what_was_not_detected_has_words_and_no_number(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    imported(program, report(program, codes, SIX), "--report", "R1")
    said = program.must("lab", "results", "--sample", codes[3], on=ON)
    assert " ".join(said.out.split()) == (
        f"{codes[3]} Mon 2 Mar 2026 B4 nitrate-N not detected, waits for its limit "
        "(1 M KCl, dry; report R1)"
    )
    (line,) = json.loads(program.must("lab", "results", "--sample", codes[3], "--json", on=ON).out)[
        "results"
    ]
    assert (line["value"], line["flags"]) == ("no value", ["not-detected"])
    said = program.must("history", codes[3], on=ON)
    assert "nitrate-N not detected, waits for its limit (reported ND" in " ".join(said.out.split())


def test_a_limit_said_at_the_import(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    name = report(program, codes, SIX)
    said = imported(program, name, "--report", "26-1", "--limit", "NO3-N=2")
    assert "waits for its limit" not in said.out
    with sqlite3.connect(program.store) as connection:
        rows = connection.execute('SELECT sample, "limit" FROM result WHERE "limit" IS NOT NULL')
        found = dict(rows.fetchall())
    connection.close()
    assert found == {codes[3]: "2", codes[5]: "0.5"}


def test_a_limit_said_too_late_is_not_dropped_in_silence(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    name = report(program, codes, SIX)
    imported(program, name, "--report", "26-1")
    said = imported(program, name, "--report", "26-1", "--limit", "NO3-N=2")
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        f"Error: r.csv: imported already, and {codes[3]} nitrate-N waits for its limit, which the "
        "same file does not give by being imported again; nothing was written\n"
        f"Try: logbook correct {codes[3]}:nitrate-N --value '<LIMIT' --reason TEXT\n"
    )
    at = f"{codes[3]}:nitrate-N"
    program.must("correct", at, "--value", "<2", "--reason", "asked", on=ON)
    said = imported(program, name, "--report", "26-1", "--limit", "NO3-N=2")
    assert said.out == "r.csv: imported already (6 results); nothing was written\n"


def test_a_plain_table_takes_a_limit_or_waits_for_it(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    header = "sample,nutrient,value,unit,method"
    for name, code in (("d0.csv", codes[0]), ("d1.csv", codes[1])):
        (program.folder / name).write_text(f"{header}\n{code},P,ND,mg/kg,Mehlich-3\n")
    said = program.must("lab", "import", "d0.csv", "--dry-run", on=ON)
    assert "waits for its limit" in said.out
    said = program.must("lab", "import", "d0.csv", on=ON)
    assert "waits for its limit" in " ".join(said.out.split())
    assert "logbook correct SAMPLE:NUTRIENT --value" in " ".join(said.out.split())
    program.must("lab", "import", "d1.csv", "--limit", "P=0.5", on=ON)
    said = program.must("lab", "results", "--nutrient", "P", on=ON)
    listed = " ".join(said.out.split())
    assert f"{codes[0]} Mon 2 Mar 2026 B1 P not detected, waits for its limit" in listed
    assert f"{codes[1]} Mon 2 Mar 2026 B2 P <0.5 mg/kg" in listed


def test_the_number_is_asked(
    pulled: tuple[Program, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    program, codes = pulled
    name = report(program, codes, SIX)
    said = imported(program, name)
    assert (said.code, said.out) == (2, "")
    assert "which number has the report?" in said.err
    assert "--report NUMBER" in said.err
    assert not [body for body in program.journal() if b'"kind":"lab"' in body]


def test_moist_contents_by_the_tins(pulled: tuple[Program, list[str]], folder: Path) -> None:
    program, codes = pulled
    moist = PROFILE.replace('basis = "dry"', 'basis = "moist"\nto_dry = true')
    (folder / "mine.toml").write_text(moist, encoding="utf-8")
    name = report(program, codes, ["10"] * 6)
    said = imported(program, name, "--report", "1")
    assert said.code == 2
    assert said.err.count("its moisture is not known") == 6
    assert "weigh its tin" in said.err


WRONG = [
    (["--profile", "none"], "there is no profile 'none'"),
    (["--profile", "../mine"], "'../mine' cannot be the name of a profile"),
    (["--profile", "mine", "--method", "P=x"], "--method does not go with --profile"),
    (["--profile", "mine", "--skip", "P"], "--skip does not go with --profile"),
    (["--limit", "P=0"], "--limit 'P=0': a limit is above 0"),
    (["--profile", "mine", "--limit", "P=0,5"], "--limit 'P=0,5': "),
    (["--profile", "mine", "--limit", "P=x"], "--limit 'P=x': "),
    (["--profile", "mine", "--limit", "P=0"], "--limit 'P=0': a limit is above 0"),
    (["--profile", "mine", "--limit", "P"], "--limit 'P' is not NUTRIENT=LIMIT"),
    (["--profile", "mine", "--limit", "snow=1"], "'snow' is not a nutrient this program knows"),
    (["--profile", "example-fen"], "there is no cell 'Sample'"),
]


@pytest.mark.parametrize(("words", "what"), WRONG)
def test_wrong_words(pulled: tuple[Program, list[str]], words: list[str], what: str) -> None:
    program, codes = pulled
    name = report(program, codes, SIX)
    before = program.journal()
    said = program("lab", "import", name, *words, on=ON)
    assert (said.code, said.out) == (2, "")
    assert what in said.err
    assert "Traceback" not in said.err
    assert program.journal() == before


def test_a_profile_of_which_the_samples_are_another_column_is_one_sentence(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    text = PROFILE.replace('sample = "ID"', 'sample = "No"') + '[skip]\ncolumns = ["ID"]\n'
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    rows = [f"{n},{code},03/04/2026,{n}" for n, code in enumerate(codes, start=1)]
    (program.folder / "r.csv").write_text("\n".join(["Lab,,,", "No,ID,In,N", *rows]) + "\n")
    said = imported(program, "r.csv", "--report", "1")
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines() == [
        "r.csv, row 3, column 1 'No' (value '1'): no cell of this column holds a sample code of "
        "this book (6 rows); column 'ID' holds sample codes in 6 rows: sample = 'ID' in [columns] "
        "of the profile",
        "Error: r.csv: 1 problem; nothing was written",
    ]


def test_a_profile_with_mistakes_names_them_all(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    text = PROFILE.replace("1 M KCl", "Bray equivalent").replace('"rejected"', '"maybe"')
    (folder / "mine.toml").write_text(text, encoding="utf-8")
    said = imported(program, report(program, codes, SIX), "--report", "1")
    assert said.code == 2
    assert "mine.toml, line 16, [column] method 1 (value 'Bray equivalent')" in said.err
    assert "mine.toml, line 18, [qualifiers] R (value 'maybe')" in said.err
    assert "2 problems" in said.err
    listed = program.must("lab", "profile", "list", on=ON).out
    assert "mine  cannot be used: logbook lab profile show mine says why" in listed


def test_new_without_a_terminal(pulled: tuple[Program, list[str]], folder: Path) -> None:
    program, codes = pulled
    name = report(program, codes, ["10", "11", "12", "13", "14", "15 q"])
    path = program.folder / name
    path.write_text(path.read_text().replace("ID,In,N", "ID,Received,N"))
    said = program("lab", "profile", "new", name, "--name", "fresh", "--lab", "Fen", on=ON)
    assert said.code == 2
    for key in ("basis=dry", "dates=day first", "mark q=", "nutrient of N=", "unit of N="):
        assert key in said.err
    assert "# open: " in (folder / "fresh.toml").read_text(encoding="utf-8")
    listed = program.must("lab", "profile", "list", on=ON).out
    assert "fresh  not completed: 6 questions still open\n" in listed
    second = program("lab", "profile", "new", name, "--name", "fresh", on=ON)
    assert (second.code, "already there" in second.err) == (2, True)


def test_new_with_every_answer_then_used(pulled: tuple[Program, list[str]], folder: Path) -> None:
    program, codes = pulled
    rows = [f"{code},{n},x" for n, code in enumerate(codes)]
    text = "\n".join(["A made-up laboratory,,", "Sample,Nitrate (ppm) 1 M KCl,Crop", *rows, ""])
    (program.folder / "first.csv").write_text(text)
    said = program(
        "lab", "profile", "new", "first.csv", "--lab", "Invented Soil Lab",
        "--say", "nutrient of Nitrate (ppm) 1 M KCl=NO3-N", "--say", "basis=dry", on=ON,
    )  # fmt: skip
    assert (said.code, said.err) == (0, "")
    assert "columns that are left out: Crop" in said.out
    used = program("lab", "import", "first.csv", "--profile", "first", "--report", "7", on=ON)
    assert (used.code, "imported 6 results of 6 samples" in used.out) == (0, True)
    shown = program.must("lab", "profile", "show", "first", on=ON).out
    assert "NO3-N, ppm, 1 M KCl, dry" in shown


def test_new_proposes_the_method_that_the_trial_follows(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    (program.folder / "first.csv").write_text(f"Sample,NO3-N (ppm)\n{codes[0]},4\n{codes[1]},5\n")
    said = program("lab", "profile", "new", "first.csv", "--lab", "Fen", on=ON)
    assert (
        "by which method is 'NO3-N (ppm)' measured? (the trial follows '1 M KCl'); "
        "--say 'method of NO3-N (ppm)=1 M KCl'"
    ) in said.err


def test_new_asks_which_column_names_the_nutrient_and_writes_nothing(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    rows = f"{codes[0]},P,a,4,ppm\n{codes[1]},K,N,5,ppm\n{codes[2]},K,N,5,ppm\n"
    (program.folder / "first.csv").write_text(f"Sample,Test,Sort,Result,Unit\n{rows}")
    said = program("lab", "profile", "new", "first.csv", "--lab", "Fen", on=ON)
    assert (said.code, said.out) == (2, "")
    assert "which column names the nutrient?; --say 'nutrient=Test'" in said.err
    assert not (folder / "first.toml").exists()
    words = ("--say", "nutrient=Test", "--say", "basis=dry", "--say", "method of P=Olsen")
    said = program(
        "lab", "profile", "new", "first.csv", "--lab", "Fen", *words,
        "--say", "method of K=Mehlich-3", on=ON,
    )  # fmt: skip
    assert (said.code, said.err) == (0, "")
    used = program("lab", "import", "first.csv", "--profile", "first", "--report", "7", on=ON)
    assert "imported 3 results of 3 samples" in used.out


def test_new_asks_on_a_terminal(
    pulled: tuple[Program, list[str]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, codes = pulled
    (program.folder / "first.csv").write_text(f"Sample,P (ppm)\n{codes[0]},4\n{codes[1]},5\n")
    asked: list[str] = []

    def answer(question: str) -> str:
        asked.append(question)
        return "dry" if "dry or on the moist" in question else "Olsen"

    monkeypatch.setattr(profiles, "ask_or_later", answer)
    monkeypatch.setattr(
        profiles.sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})()
    )
    said = program("lab", "profile", "new", "first.csv", "--lab", "Fen", on=ON)
    assert (said.code, said.err) == (0, "")
    assert len(asked) == 2
    text = (folder / "first.toml").read_text(encoding="utf-8")
    assert 'method = "Olsen"' in text
    assert 'basis = "dry"' in text


ASKING = "Plot,Received,Nitrate,P (ppm)\nx,03/04/2026,4 J,1.5\ny,03/04/2026,5,2.5\n"


def test_every_answer_that_cannot_be_one_is_refused_and_nothing_is_written(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, _ = pulled
    (program.folder / "first.csv").write_text(ASKING)
    nonsense = {
        "lab": ("x" * 81, "it has more than 80 characters; shorten it"),
        "basis": ("soggy", "'soggy' is no answer to that; answer dry or moist"),
        "dates": ("noon first", "'noon first' is no answer to that; answer day first or month"),
        "mark J": ("perhaps", "'perhaps' is not a meaning known here; use: below-limit, "),
        "sample": ("Bag", "there is no column 'Bag'; it has: Plot, Received, Nitrate, P (ppm)"),
        "nutrient of Nitrate": ("P", "'P' is neither; answer NO3 or NO3-N"),
        "unit of Nitrate": ("acres", "'acres'"),
        "method of P (ppm)": ("Bray equivalent", "is computed from another extractant's value"),
    }
    words = [f"--say={key}={said}" for key, (said, _) in nonsense.items() if key[0] != "u"]
    new = ("lab", "profile", "new", "first.csv")
    said = program(*new, *words, on=ON)
    assert (said.code, said.out) == (2, "")
    assert "Error: 7 answers cannot be so; nothing was written" in said.err
    for key, (text, why) in nonsense.items():
        lines = [one for one in said.err.splitlines() if one.startswith(f"--say '{key}={text}': ")]
        assert key[0] == "u" or (len(lines) == 1 and why in lines[0])
    # A unit is judged by its nutrient.
    words = ["--say=nutrient of Nitrate=NO3", "--say=unit of Nitrate=acres"]
    said = program(*new, *words, on=ON)
    assert said.code == 2
    assert "--say 'unit of Nitrate=acres': " in said.err
    assert not (folder / "first.toml").exists()


def test_a_unit_that_is_answered_is_asked_what_it_needs(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    (program.folder / "first.csv").write_text(f"Sample,NO3-N\n{codes[0]},4\n{codes[1]},5\n")
    words = ("--say=basis=dry", "--say=unit of NO3-N=mg/L", "--say=method of NO3-N=1 M KCl")
    new = ("lab", "profile", "new", "first.csv", "--lab", "Fen")
    said = program(*new, *words, on=ON)
    assert "at which ratio of soil to solution?; --say 'ratio of NO3-N=1:5'" in said.err
    program.must(*new, *words, "--say=ratio of NO3-N=1:5", "--replace", on=ON)


def at_a_terminal(monkeypatch: pytest.MonkeyPatch, *answers: str) -> list[str]:
    """A terminal at which these are typed, then the input ends; what was asked."""
    asked: list[str] = []

    def prompt(question: str, **_: object) -> str:
        asked.append(question)
        try:
            if len(asked) > len(answers):
                raise EOFError
        except EOFError:
            raise typer.Abort from None
        return answers[len(asked) - 1]

    monkeypatch.setattr(profiles.typer, "prompt", prompt)
    monkeypatch.setattr(
        profiles.sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})()
    )
    return asked


@pytest.fixture
def asking(pulled: tuple[Program, list[str]], folder: Path) -> tuple[Program, tuple[str, ...]]:
    """A profile of which the basis and the method of P are asked."""
    program, codes = pulled
    (program.folder / "first.csv").write_text(f"Sample,P (ppm)\n{codes[0]},4\n{codes[1]},5\n")
    return program, ("lab", "profile", "new", "first.csv", "--lab", "Fen")


def test_what_cannot_be_an_answer_is_asked_again_with_those_that_can(
    asking: tuple[Program, tuple[str, ...]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, new = asking
    asked = at_a_terminal(monkeypatch, "soggy", "dry", "Olsen equivalent", "Olsen")
    said = program(*new, on=ON)
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith("'soggy' is no answer to that; answer dry or moist\n")
    assert (asked[0], asked[2]) == (asked[1], asked[3])
    assert 'method = "Olsen"' in (folder / "first.toml").read_text(encoding="utf-8")


@pytest.fixture
def followed(pulled: tuple[Program, list[str]]) -> tuple[Program, tuple[str, ...]]:
    """A profile of which the method of nitrate is asked, which the trial follows by 1 M KCl."""
    program, codes = pulled
    title = "A report of many words (invented) NO3-N mg/kg DM"
    (program.folder / "first.csv").write_text(f"Sample;{title}\n{codes[0]};4\n{codes[1]};5\n")
    return program, ("lab", "profile", "new", "first.csv", "--lab", "Fen")


def test_yes_takes_the_method_that_the_trial_follows(
    followed: tuple[Program, tuple[str, ...]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, new = followed
    asked = at_a_terminal(monkeypatch, "q", "yes", "no", "yes", "yes")
    said = program(*new, on=ON)
    assert said.code == 0
    assert said.out.startswith("'q' is no method; write its name, such as Olsen\n")
    assert 'method = "1 M KCl"' in (folder / "first.toml").read_text(encoding="utf-8")
    assert " ".join(asked[0].split()).endswith("(yes: 1 M KCl; empty: later)")
    # A word that may be another method: yes is confirmed, and asked again after a no.
    assert " ".join(asked[2].split()) == (
        "'A report many words invented' is not understood and may be another method; is '1 M KCl' "
        "meant? (yes/no)"
    )
    assert (asked[3], asked[4]) == (asked[0], asked[2])
    # A question breaks between words.
    assert all(len(line) <= 68 for line in asked[0].splitlines())
    assert len(asked[0].splitlines()) > 1


def test_another_method_than_the_trials_is_confirmed_at_once(
    followed: tuple[Program, tuple[str, ...]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, new = followed
    asked = at_a_terminal(monkeypatch, "2 M KCl", "no", "0.01 M CaCl2", "yes")
    said = program(*new, on=ON)
    assert said.code == 0
    assert [" ".join(one.split()) for one in (asked[1], asked[3])] == [
        "'2 M KCl' is not the trial's method ('1 M KCl'): a series of its own; is '2 M KCl' "
        "meant? (yes/no)",
        "'0.01 M CaCl2' is not the trial's method ('1 M KCl'): a series of its own; is "
        "'0.01 M CaCl2' meant? (yes/no)",
    ]
    assert asked[0] == asked[2]
    assert 'method = "0.01 M CaCl2"' in (folder / "first.toml").read_text(encoding="utf-8")


def test_a_method_unlike_the_trials_is_told_of_where_nobody_can_be_asked(
    followed: tuple[Program, tuple[str, ...]], folder: Path
) -> None:
    program, new = followed
    key = "method of A report of many words (invented) NO3-N mg/kg DM"
    said = program(*new, "--say", f"{key}=2 M KCl", on=ON)
    assert said.code == 0
    assert "'2 M KCl' is not the trial's method ('1 M KCl'): a series of its own" in " ".join(
        said.out.split()
    )
    said = program(*new, "--replace", "--say", f"{key}=y", on=ON)
    assert (said.code, "series of its own" in said.out) == (0, False)
    assert 'method = "1 M KCl"' in (folder / "first.toml").read_text(encoding="utf-8")
    said = program(*new, "--replace", "--say", f"{key}=7", on=ON)
    assert (said.code, "'7' is no method" in said.err) == (2, True)


def test_it_is_not_asked_for_ever(
    asking: tuple[Program, tuple[str, ...]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, new = asking
    asked = at_a_terminal(monkeypatch, *["soggy"] * 9)
    said = program(*new, on=ON)
    assert (said.code, len(asked)) == (2, 3)
    assert said.err == (
        "Error: nothing was written: 3 answers, none of which can be one to: are contents given on "
        "the dry or on the moist soil?\nTry: an empty answer leaves it for later\n"
    )
    assert not (folder / "first.toml").exists()


def test_the_end_of_the_input_is_one_error(
    asking: tuple[Program, tuple[str, ...]], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, new = asking
    at_a_terminal(monkeypatch, "dry")
    said = program(*new, on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines() == [
        "Error: the input ended before everything was asked; nothing was written",
        "Try: run it again: an empty answer leaves a question for later, --say answers it",
    ]
    assert not (folder / "first.toml").exists()


def test_an_answer_to_nothing_that_was_asked_is_refused(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    (program.folder / "first.csv").write_text(f"Sample,P (ppm)\n{codes[0]},4 J\n{codes[1]},5\n")
    words = ("lab", "profile", "new", "first.csv", "--lab", "Fen", "--say")
    said = program(*words, "bogus=1", on=ON)
    assert (said.code, said.out) == (2, "")
    assert 'nothing was asked that "bogus" answers' in said.err
    assert "asked: basis, method of P (ppm), mark J" in said.err
    assert not (folder / "first.toml").exists()
    said = program(*words, "basis=dry", on=ON)
    assert said.err.count("below-reporting") == 1


def test_a_layout_that_needs_a_profile_is_one_sentence(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    rows = [f"{code};1;2,5" for code in codes]
    text = "\n".join(["Made-up Lab;;", "Sample;No;NO3-N", ";;mg/kg", *rows, ""])
    (program.folder / "own.csv").write_text(text)
    said = program("lab", "import", "own.csv", on=ON)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines() == [
        "Error: own.csv: this layout needs a profile: logbook lab profile new own.csv"
    ]


def test_contents_of_the_moist_soil_are_told_as_a_series_of_their_own(
    pulled: tuple[Program, list[str]],
) -> None:
    program, codes = pulled
    lines = ["sample,nutrient,value,unit,method,basis"]
    lines += [f"{codes[0]},NO3-N,10,mg/kg,1 M KCl,as received"]
    (program.folder / "wet.csv").write_text("\n".join(lines) + "\n")
    said = program.must("lab", "import", "wet.csv", "--lab", "L", on=ON)
    text = " ".join(said.out.split())
    assert (
        "nitrate-N on the moist soil (as received), not on the dry: it stands in a series" in text
    )


def test_the_list_fits_eighty_columns(program: Program, folder: Path) -> None:
    listed = program.must("lab", "profile", "list", on=ON).out
    folder_line = str(folder)
    assert all(len(line) <= 80 for line in listed.splitlines() if folder_line not in line)


def test_list_and_show(program: Program, folder: Path) -> None:
    listed = program.must("lab", "profile", "list", on=ON).out
    assert "example-fen  Fen Soil Laboratory (invented), an example" in listed
    document = json.loads(program.must("lab", "profile", "list", "--json", on=ON).out)
    assert (document["folder"], document["profiles"]) == (str(folder), [])
    shown = program.must("lab", "profile", "show", "example-fen", on=ON).out
    assert "K2O mg/kg Mehlich-3: K2O, mg/kg, Mehlich-3 ICP, dry" in shown
    document = json.loads(
        program.must("lab", "profile", "show", "example-fen", "--json", on=ON).out
    )
    assert (document["lab"], document["qualifiers"]["J"]) == (
        "Fen Soil Laboratory (invented)", "estimated",
    )  # fmt: skip
    assert program("lab", "profile", "show", "exmple-fen", on=ON).code == 2


def test_a_ratio_that_is_stated_starts_a_series_of_its_own(
    pulled: tuple[Program, list[str]], folder: Path
) -> None:
    program, codes = pulled
    assert imported(program, report(program, codes, ["10"] * 6), "--report", "1").code == 0
    program.must("apply", "all", on="2026-03-02T10:00+01:00")
    for day in (9, 16):
        ratio = PROFILE.replace('method = "1 M KCl"\n', 'method = "1 M KCl"\nratio = "1:10"\n')
        text = ratio if day == 16 else PROFILE
        (folder / "mine.toml").write_text(text, encoding="utf-8")
        said = program.must("pull", "all", on=f"2026-03-{day:02}T09:00+01:00")
        name = report(program, said.samples, ["20"] * 6, f"{day}.csv")
        assert imported(program, name, "--report", str(day)).code == 0
    text = " ".join(program("curve", "nitrate-N", on=ON).out.split())
    assert "another method was used too: those results stand in a series of their own" in text
    results = json.loads(program.must("lab", "results", "--json", on=ON).out)["results"]
    assert {one["method"] for one in results} == {"1 M KCl", "1 M KCl 1:10"}


def test_a_sheet_of_several(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    book = openpyxl.Workbook()
    book.active.append(["Invented Soil Lab", "cover"])
    page = book.create_sheet("Soil")
    for row in (["ID", "In", "N"], *([code, "03/04/2026", 10.5] for code in codes)):
        page.append(row)
    book.save(program.folder / "several.xlsx")
    said = imported(program, "several.xlsx", "--report", "1")
    assert (said.code, "--sheet NAME" in said.err) == (2, True)
    said = imported(program, "several.xlsx", "--report", "1", "--sheet", "Soil")
    assert (said.code, "imported 6 results" in said.out) == (0, True)
    plain = program("lab", "import", "several.xlsx", "--sheet", "Soil", "--dry-run", on=ON)
    assert plain.code == 2  # "ID" and "N" say too little without the profile


def test_the_remedy_for_a_sheet_names_the_sheet(pulled: tuple[Program, list[str]]) -> None:
    program, codes = pulled
    book = openpyxl.Workbook()
    page = book.create_sheet("Soil 1")
    for row in (["Made-up Lab"], [], ["Sample", "NO3-N"], *([code, 10.5] for code in codes)):
        page.append(row)
    book.active.append(["cover"])
    book.save(program.folder / "own.xlsx")
    said = program("lab", "import", "own.xlsx", "--sheet", "Soil 1", on=ON)
    assert said.err.splitlines() == [
        "Error: own.xlsx: this layout needs a profile: logbook lab profile new own.xlsx "
        "--sheet 'Soil 1'"
    ]


def test_moist_contents_of_a_chilled_part_by_the_tin_of_its_pull(
    parted: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = parted.folder / "profiles"
    folder.mkdir()
    monkeypatch.setenv("LOGBOOK_PROFILES", str(folder))
    moist = PROFILE.replace('basis = "dry"', 'basis = "moist"\nto_dry = true')
    (folder / "mine.toml").write_text(moist, encoding="utf-8")
    (bags,) = parted.must("pull", "B1").bags
    chilled, tin = bags[0], bags[2]
    parted.must("weigh", tin, "--tare", "0 g", "--wet", "120 g", "--dry", "100 g")
    said = imported(parted, report(parted, [chilled], ["25"]), "--report", "1")
    assert (said.code, said.err) == (0, "")
    (one,) = json.loads(parted.must("lab", "results", "--json", on=ON).out)["results"]
    # 25 mg/kg moist at 20 % of the dry mass is 30.0 dry.
    assert (one["value"], one["basis"], one["reported"]) == ("30", "dry", "25")
    assert one["flags"] == ["dried-by-tin"]
    # A correction is typed as it was reported: of the moist soil.
    parted.must("correct", f"{chilled}:nitrate-N", "--value", "50", "--reason", "misread", on=ON)
    (one,) = json.loads(parted.must("lab", "results", "--json", on=ON).out)["results"]
    assert (one["value"], one["reported"]) == ("60", "50")
