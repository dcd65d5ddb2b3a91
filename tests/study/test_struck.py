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
