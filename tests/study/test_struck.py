"""What was struck is in no curve and is named where it would have been."""

from __future__ import annotations

from tests.program import Program
from tests.study.test_series import DAY0, LATER, curves, pulled, report, rows_of


def _a_day_of_potassium(program: Program) -> dict[str, str]:
    program.must("apply", "control,M", on=DAY0)
    codes = pulled(program, "B1,B2,B5,B6", DAY0)
    report(program, rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "240"}, codes))
    return codes


def test_a_struck_result_is_listed_with_who_and_why(started: Program) -> None:
    codes = _a_day_of_potassium(started)
    said = started.must("history", codes["B2"], on=LATER).out
    assert f"{codes['B2']}:K" in said
    started.must("strike", f"{codes['B2']}:K", "--reason", "bags were swapped", on=LATER)

    (curve,) = curves(started, "K", "M")
    (note,) = [one for one in curve["notes"] if one.startswith("struck")]
    assert note.startswith(f"struck and left out: {codes['B2']} of B2 (bags were swapped)")
    assert curve["pulls"][0]["treated_beds"] == 1


def test_results_of_a_struck_pull_are_listed_too(started: Program) -> None:
    codes = _a_day_of_potassium(started)
    started.must("strike", codes["B6"], "--reason", "wrong bed", on=LATER)

    (curve,) = curves(started, "K", "M")
    (note,) = [one for one in curve["notes"] if one.startswith("struck")]
    assert note.startswith(f"struck and left out: {codes['B6']} of B6 (wrong bed)")


def test_what_was_struck_of_other_beds_and_nutrients_is_not_listed(started: Program) -> None:
    codes = _a_day_of_potassium(started)
    rows = [(codes[bed], "P", "30", "mg/kg", "Olsen") for bed in ("B1", "B2", "B5", "B6")]
    report(started, rows, "2")
    started.must("strike", f"{codes['B2']}:K", "--reason", "bags were swapped", on=LATER)

    (curve,) = curves(started, "P", "M")
    assert not [one for one in curve["notes"] if one.startswith("struck")]


def _season_of_potassium(program: Program, number: str) -> list[tuple[str, str, str, str, str]]:
    """Four days of four beds: 16 results, imported as one report."""
    program.must("apply", "control,M", on=DAY0)
    rows = []
    for day in ("02", "03", "09", "16"):
        codes = pulled(program, "B1,B2,B5,B6", f"2026-03-{day}T10:00+01:00")
        rows += rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "240"}, codes)
    report(program, rows, number)
    return rows


def test_an_import_taken_back_and_done_again_leaves_nothing_to_say(started: Program) -> None:
    rows = _season_of_potassium(started, "1")
    started.must("undo", on=LATER)
    report(started, [(code, "K", f"{value}.5", unit, "Olsen") for code, _, value, unit, _ in rows],
           "2")  # fmt: skip

    (curve,) = curves(started, "K", "M")
    assert len(curve["pulls"]) == 4
    assert not [one for one in curve["notes"] if "struck" in one]
    assert "struck" not in started.must("compare", on=LATER).out
    assert "truck and left out" not in started.must("findings", "M", on=LATER).out


def test_an_import_taken_back_leaves_nothing_to_say_of_what_is_missing_either(
    started: Program,
) -> None:
    rows = _season_of_potassium(started, "1")
    started.must("undo", on=LATER)
    report(started, rows[-4:], "2")

    (curve,) = curves(started, "K", "M")
    assert not [one for one in curve["notes"] if "struck" in one or "undo" in one]


def test_many_struck_results_are_a_number(started: Program) -> None:
    rows = _season_of_potassium(started, "1")
    for code, *_ in rows[-7:]:
        started.must("strike", f"{code}:K", "--reason", "spilled", on=LATER)

    (curve,) = curves(started, "K", "M")
    (note,) = [one for one in curve["notes"] if one.startswith("struck")]
    assert note == "struck and left out: 7 results of 7 samples (spilled)"


def test_of_a_struck_result_whose_value_was_typed_anew_nothing_is_left_out(
    started: Program,
) -> None:
    codes = _a_day_of_potassium(started)
    started.must("strike", f"{codes['B2']}:K", "--reason", "misread", on=LATER)
    report(started, [(codes["B2"], "K", "132", "mg/kg", "Mehlich-3")], "2")

    (curve,) = curves(started, "K", "M")
    assert curve["pulls"][0]["treated_beds"] == 2
    (note,) = [one for one in curve["notes"] if one.startswith("struck")]
    said = "struck, while another result of the sample stands"
    assert note == f"{said}: {codes['B2']} of B2 (misread)"


def test_one_of_two_results_that_a_person_struck_is_named_although_the_other_counts(
    started: Program,
) -> None:
    codes = _a_day_of_potassium(started)
    (started.folder / "again.csv").write_text(
        f"sample,nutrient,value,unit,method\n{codes['B2']},K,131,mg/kg,Mehlich-3\n"
    )
    started.must("lab", "import", "again.csv", "--report", "2", "--repeat", on=LATER)
    started.must("strike", f"{codes['B2']}:K:2", "--reason", "spilled", on=LATER)

    (curve,) = curves(started, "K", "M")
    assert curve["pulls"][0]["treated_beds"] == 2
    (note,) = [one for one in curve["notes"] if one.endswith("(spilled)")]
    assert note.startswith("struck, while another result of the sample stands: ")


def test_of_a_struck_result_that_stands_with_the_same_number_there_is_nothing_to_say(
    started: Program,
) -> None:
    codes = _a_day_of_potassium(started)
    rows = rows_of({"B1": "100.0", "B2": "131", "B5": "200", "B6": "240"}, codes)
    for bed in ("B1", "B2"):
        started.must("strike", f"{codes[bed]}:K", "--reason", "number", on=LATER)
    report(started, rows[:2], "2")

    (curve,) = curves(started, "K", "M")
    (note,) = [one for one in curve["notes"] if one.startswith("struck")]
    assert (
        note == f"struck, while another result of the sample stands: {codes['B2']} of B2 (number)"
    )
