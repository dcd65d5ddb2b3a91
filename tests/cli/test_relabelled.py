"""Corrections of a laboratory's result: number with unit, method, basis, laboratory."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest

from logbook.study.report_lines import result_key
from logbook.trial.records import Result
from tests.cli.parted import LATER, imported, parted, write
from tests.program import Program

__all__ = ["parted"]

WHY = ("--reason", "asked the laboratory")


@pytest.fixture
def measured(parted: Program) -> tuple[Program, str]:
    """A whole pull of B1 with K, Ca and nitrate-N in report R1; and its code."""
    (code,) = parted.must("pull", "B1", "--whole").samples
    imported(parted, [(code, "K", "120"), (code, "Ca", "1400"), (code, "NO3-N", "10")])
    return parted, code


def standing(program: Program, *words: str) -> list[dict[str, Any]]:
    document = json.loads(program.must("lab", "results", *words, "--json", on=LATER).out)
    return list(document["results"])


def one(program: Program, code: str, nutrient: str) -> dict[str, Any]:
    (found,) = standing(program, "--sample", code, "--nutrient", nutrient)
    return found


@pytest.mark.parametrize(
    ("said", "value", "reported", "unit"),
    [
        ("7 mg/kg", "7", "7", "mg/kg"),
        ("7 ppm", "7", "7", "ppm"),
        ("0.7 g/kg", "700", "0.7", "g/kg"),
        ("7 mg/100 g", "70", "7", "mg/100 g"),
        ("7 meq/100 g", "1402.73", "7", "meq/100 g"),
        ("<7 mg/kg", "<7", "<7", "mg/kg"),
        ("< 0.7 g/kg", "<700", "< 0.7", "g/kg"),
        ("7", "7", "7", "mg/kg"),
    ],
)
def test_a_value_with_its_unit(
    measured: tuple[Program, str], said: str, value: str, reported: str, unit: str
) -> None:
    program, code = measured
    program.must("correct", f"{code}:Ca", "--value", said, *WHY, on=LATER)
    found = one(program, code, "Ca")
    assert (found["value"], found["reported"], found["reported_unit"]) == (value, reported, unit)
    program.must("verify", on=LATER)


def test_a_form_stays_the_one_that_was_reported(measured: tuple[Program, str]) -> None:
    program, code = measured
    program.must("lab", "add", code, "NO3", "44.26644 mg/kg", "--method", "2 M KCl", on=LATER)
    program.must("correct", f"{code}:nitrate-N:2 M KCl", "--value", "88.53288 ppm", *WHY, on=LATER)
    found = standing(program, "--sample", code, "--nutrient", "nitrate-N")
    assert sorted(float(line["value"]) for line in found) == pytest.approx([10, 20])


def test_calcium_that_was_read_from_its_carbonate_before_stays_calcium(
    measured: tuple[Program, str],
) -> None:
    program, code = measured
    old = Result(
        "Invented Soil Lab", "R0", code, "Ca", "titration", "dry", 1, 1, Decimal("8008.7"), None,
        "", "mg/kg", "2", "%", "CaCO3",
    )  # fmt: skip
    write(program, "lab", [(result_key(old), old)])
    program.must("correct", f"{code}:Ca:titration", "--value", "3 %", *WHY, on=LATER)
    (found,) = [
        line for line in standing(program, "--nutrient", "Ca") if line["method"] == "titration"
    ]
    # 3 % of CaCO3 (100.086 g/mol), of which 40.078 g are calcium.
    assert float(found["value"]) == pytest.approx(30_000 * 40.078 / 100.086, rel=1e-4)


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["--value", "7 mg/L"], "mg/L is a concentration in an extract"),
        (["--value", "7 ell"], "'ell' is not a unit of Ca"),
        (["--value", "7 mg/kg as received"], "'mg/kg as received' says moist, and the result is "
         "on the dry soil"),
        (["--method", " "], "--method says nothing"),
        (["--method", "Olsen, calculated from Mehlich-3"], "is computed from another extractant's"),
        (["--method", "mehlich 3"], "nothing would change"),
        (["--basis", "soggy"], "'soggy' is not a basis"),
        (["--lab", ""], "--lab says nothing"),
    ],
)  # fmt: skip
def test_wrong_corrections(measured: tuple[Program, str], words: list[str], error: str) -> None:
    program, code = measured
    before = program.journal()
    said = program("correct", f"{code}:Ca", *words, *WHY, on=LATER)
    assert (said.code, said.out, program.journal()) == (2, "", before)
    assert error in said.err


def test_a_pull_has_no_method(measured: tuple[Program, str]) -> None:
    program, code = measured
    said = program("correct", code, "--method", "Olsen", *WHY, on=LATER)
    assert said.code == 2
    assert "a pull has no method to correct" in said.err


def test_the_method(measured: tuple[Program, str]) -> None:
    program, code = measured
    said = program.must("correct", f"{code}:K", "--method", "NH4OAc", *WHY, on=LATER)
    told = said.out.partition(f"corrected {code}:K, from ")[2]
    assert "Mehlich-3, dry" in told and "ammonium acetate, dry" in told.partition(" to ")[2]
    assert told.endswith(": asked the laboratory\n")
    assert said.err == (
        "Note: K by 'ammonium acetate' is not the trial's method ('Mehlich-3'): it stands in a "
        "series of its own.\n"
    )
    found = one(program, code, "K")
    assert (found["method"], found["value"], found["report"]) == ("ammonium acetate", "120", "R1")
    history = program.must("history", code, on=LATER).out
    assert "asked the laboratory" in history
    assert "Mehlich-3" in history
    program.must("verify", on=LATER)

    # The file is imported already, the result can be corrected again, and each undo steps back.
    assert "nothing was written" in program.must("lab", "import", "R1.csv", on=LATER).out
    program.must("correct", f"{code}:K", "--value", "130", *WHY, on=LATER)
    program.must("undo", on=LATER)
    program.must("undo", on=LATER)
    found = one(program, code, "K")
    assert (found["method"], found["value"]) == ("Mehlich-3", "120")
    program.must("verify", on=LATER)


def test_a_report_that_is_issued_anew_with_the_method_that_was_corrected(
    measured: tuple[Program, str],
) -> None:
    program, code = measured
    program.must("correct", f"{code}:K", "--method", "NH4OAc", *WHY, on=LATER)
    issued = (program.folder / "R1.csv").read_text()
    rows = issued.replace("K,120,mg/kg,Mehlich-3", "K,120,mg/kg,NH4OAc")
    (program.folder / "again.csv").write_text(rows)
    said = program.must("lab", "import", "again.csv", "--report", "R1", on=LATER)
    assert "imported already" in said.out
    assert one(program, code, "K")["method"] == "ammonium acetate"
    # As it was issued first, but for another value elsewhere: the correction stays.
    (program.folder / "third.csv").write_text(issued.replace("Ca,1400", "Ca,1500"))
    said = program.must("lab", "import", "third.csv", "--report", "R1", "--reissued", on=LATER)
    assert f"left so: {code} K" in " ".join(said.out.split())
    assert one(program, code, "K")["method"] == "ammonium acetate"
    assert one(program, code, "Ca")["value"] == "1500"


def test_a_place_that_is_taken(measured: tuple[Program, str]) -> None:
    program, code = measured
    program.must("lab", "add", code, "K", "90 mg/kg", "--method", "NH4OAc", on=LATER)
    before = program.journal()
    said = program("correct", f"{code}:K:Mehlich-3", "--method", "NH4OAc", *WHY, on=LATER)
    assert (said.code, said.out, program.journal()) == (2, "", before)
    assert said.err == (
        f"Error: {code} has K by 'ammonium acetate' (dry) of Invented Soil Lab already, in report "
        f"typed\nTry: if one of them is wrong: logbook strike '{code}:K:ammonium acetate' --reason "
        "TEXT\n"
    )


def test_the_basis(measured: tuple[Program, str]) -> None:
    program, code = measured
    said = program.must("correct", f"{code}:K", "--basis", "as received", *WHY, on=LATER)
    assert "K on the moist soil (as received), not on the dry" in said.err
    assert one(program, code, "K")["basis"] == "moist"


def test_the_laboratory(measured: tuple[Program, str]) -> None:
    program, code = measured
    words = ("correct", f"{code}:K", "--lab", "Other Lab", "--value", "130 ppm")
    said = program.must(*words, *WHY, on=LATER)
    assert "Other Lab is not the trial's laboratory (Invented Soil Lab)" in said.err
    found = one(program, code, "K")
    assert (found["lab"], found["report"], found["value"]) == ("Other Lab", "R1", "130")
    # As it is written here, whatever the capitals.
    program.must("correct", f"{code}:Ca", "--lab", "OTHER lab", *WHY, on=LATER)
    assert one(program, code, "Ca")["lab"] == "Other Lab"
    program.must("verify", on=LATER)


def test_what_is_odd_is_asked_of_the_line_that_stands_now(measured: tuple[Program, str]) -> None:
    program, code = measured
    program.must("correct", f"{code}:K", "--value", "1", *WHY, on=LATER)
    said = program.must("correct", f"{code}:K", "--method", "NH4OAc", *WHY, on=LATER)
    assert "1 query about these results" in said.err
    asked = program.must("lab", "queries", on=LATER).out
    assert asked.startswith(f"{code}:K  B1")
    assert "K 1 mg/kg lies outside" in asked


@pytest.mark.parametrize(
    ("words", "days"),
    [
        ([], ["2026-03-02", "2026-03-09", None]),
        (["--from", "2026-03-03"], ["2026-03-09"]),
        (["--to", "2026-03-02"], ["2026-03-02"]),
        (["--from", "2026-03-02", "--to", "2026-03-09"], ["2026-03-02", "2026-03-09"]),
        (["--from", "yesterday"], ["2026-03-09"]),
        (["--from", "2026-03-03", "--to", "2026-03-08"], []),
        (["--from", "2026-03-02", "--bed", "B2"], ["2026-03-09"]),
    ],
)
def test_results_by_the_day_of_the_pull(
    parted: Program, words: list[str], days: list[str | None]
) -> None:
    (first,) = parted.must("pull", "B1", "--whole", on="2026-03-02T10:00+01:00").samples
    (second,) = parted.must("pull", "B2", "--whole", on="2026-03-09T10:00+01:00").samples
    imported(parted, [(code, "K", "120") for code in (first, second, "3479ACDC")])
    found = standing(parted, *words)
    assert [line["pulled"] and line["pulled"][:10] for line in found] == days


def test_days_that_are_none(parted: Program) -> None:
    words = ("lab", "results", "--from", "2026-03-09", "--to", "2026-03-02")
    said = parted(*words, on=LATER)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "Error: --to Mon 2 Mar 2026 lies before --from Mon 9 Mar 2026\nTry: turn the two round\n"
    )
    assert parted("lab", "results", "--from", "soon", on=LATER).code == 2
    assert parted("lab", "results", "--to", " ", on=LATER).code == 2
