"""One date compared: which pull is meant, what each line claims, and what is never claimed.

Ranges are worked by hand from the beds in `tests.one_date`: two blocks, so t(0.975, 1) = 12.706
(the t table of any handbook).
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.one_date import DAY0, DAY7, DAY28, day28, pulled, report
from tests.program import PROTOCOL, Program, begun

T1 = 12.7062


def compared(program: Program, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(program.must("compare", *words, "--json").out)
    assert found["format"] == 1
    return found["comparison"]  # type: ignore[no-any-return]


def line(found: dict[str, Any], treatment: str, nutrient: str) -> dict[str, Any]:
    (one,) = [
        one
        for one in found["differences"]
        if (one["treatment"], one["nutrient"]) == (treatment, nutrient)
    ]
    return one  # type: ignore[no-any-return]


def test_the_newest_pull_is_compared_unless_one_is_named(started: Program) -> None:
    day28(started)
    assert compared(started)["pull"] == "day 28"
    for word in ("day 7", "7", " DAY  7 ", "day7"):
        found = compared(started, word)
        assert found["pull"] == "day 7"
        assert [one["nutrient"] for one in found["differences"]] == ["K"]


def test_a_newer_pull_without_its_control_is_not_the_newest(started: Program) -> None:
    day28(started)
    codes = pulled(started, "B2", "2026-04-10T09:00+02:00")
    report(started, [(codes["B2"], "P", "30", "mg/kg", "Olsen")], "3")
    assert compared(started)["pull"] == "day 28"


def test_differences_and_ranges_by_hand(started: Program) -> None:
    found = compared(day28(started))
    # Block 1: 42 - 21 = 21, block 2: 47 - 24 = 23: 22 +- 12.706 x 1.
    one = line(found, "M", "mineral-N")
    assert (one["treated"], one["control"]) == (44.5, 22.5)
    assert one["difference"]["value"] == pytest.approx(22)
    assert one["difference"]["low"] == pytest.approx(22 - T1, abs=1e-3)
    assert one["finding"] == "more"
    assert one["sentence"] == "more than the control by 22 mg/kg (9.29 to 34.7)"
    # C10: 19 - 21 = -2 and 23 - 24 = -1: -1.5 +- 12.706 x 0.5.
    none = line(found, "C10", "mineral-N")
    assert none["finding"] == "no difference shown"
    assert none["sentence"] == "no difference shown: anything from -7.85 to 4.85 mg/kg fits"


def test_ratios_on_logs_by_hand_and_only_where_they_are_meant(started: Program) -> None:
    found = compared(day28(started))
    # Ratios 4 and 16 in the two blocks: their geometric mean 8, logs ln 2 either side of it.
    ratio = line(found, "M", "Zn")["ratio"]
    assert ratio["value"] == pytest.approx(8)
    assert ratio["high"] == pytest.approx(8 * 2**T1, rel=1e-3)
    assert ratio["interval_method"] == "within-block" and ratio["df"] == 1
    # P has a limit of 2 (a "<2" of another treatment): 12 and 13 lie above five times that.
    assert line(found, "M", "P")["ratio"]["value"] == pytest.approx((30 * 31 / 12 / 13) ** 0.5)
    one = line(found, "M", "pH")["ratio"]
    assert (one["value"], one["low"], one["high"]) == (None, None, None)
    assert one["reason"] == "no concentration: a difference only"
    # No salt conducts nothing, so that twice the conductivity has a meaning.
    ratio = line(found, "M", "EC")["ratio"]
    assert ratio["value"] == pytest.approx((0.70 * 0.73 / 0.20 / 0.22) ** 0.5)


def test_near_the_limit_there_is_a_difference_and_no_ratio(started: Program) -> None:
    day28(started)
    early = pulled(started, "all", "2026-04-02T09:00+02:00")
    report(started, [(early["B3"], "Zn", "<0.5", "mg/kg", "DTPA")], "3")
    one = line(compared(started, "day 28"), "M", "Zn")
    assert one["difference"]["value"] == pytest.approx(18)
    assert one["ratio"]["reason"] == (
        "a bed is below 5 times the reporting limit of 0.5: a difference, never a ratio"
    )


def test_the_limit_of_mineral_nitrogen_is_that_of_its_parts(started: Program) -> None:
    day28(started)
    extra = pulled(started, "B3", "2026-04-02T09:00+02:00")["B3"]
    rows = [(extra, name, "<3", "mg/kg", "1 M KCl") for name in ("nitrate-N", "ammonium-N")]
    report(started, rows, "3")
    one = line(compared(started, "day 28"), "M", "mineral-N")  # 21 < 5 x (3 + 3)
    assert one["ratio"]["reason"].startswith("a bed is below 5 times the reporting limit of 6:")


def test_a_result_below_its_limit_is_a_bound_and_claims_nothing(started: Program) -> None:
    one = line(compared(day28(started)), "C10", "P")
    # Treated "<2" and 9: mean 4.5 to 5.5; control 12.5.
    assert (one["difference"]["low"], one["difference"]["high"]) == (-8.0, -7.0)
    assert one["difference"]["value"] is None and one["ratio"]["value"] is None
    assert one["finding"] == "cannot say: limits"
    assert one["sentence"].startswith("possible from -8 up to -7 mg/kg: range of possible values")


def test_a_fall_in_ph_with_a_rise_in_ec_is_possibly_salt(started: Program) -> None:
    # pH: -0.50 and -0.52; EC: +0.50 and +0.51.
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY7)
    rows = [
        (codes[bed], analyte, value, unit, method)
        for analyte, unit, method, values in (
            ("pH", "pH", "water 1:1", ("6.50", "6.00", "6.60", "6.08")),
            ("EC", "dS/m", "water 1:5", ("0.20", "0.70", "0.22", "0.73")),
        )
        for bed, value in zip(codes, values, strict=True)
    ]
    report(started, rows, "1")
    (salt,) = compared(started)["possibly_salt"]
    assert salt.startswith("M: pH lower and EC higher: possibly salt;")


def test_ph_and_ec_stand_side_by_side_at_the_end(started: Program) -> None:
    found = compared(day28(started))
    names = [one["nutrient"] for one in found["differences"] if one["treatment"] == "M"]
    assert names == ["mineral-N", "nitrate-N", "ammonium-N", "P", "Zn", "pH", "EC"]


@pytest.mark.parametrize(
    ("ec", "told"),
    [
        (None, "M: pH lower, and no EC on this date: a fall by salt cannot be told from one by"),
        (("0.20", "0.21", "0.20", "0.19"), None),
    ],
)
def test_salt_is_named_only_where_both_are_shown(
    started: Program, ec: tuple[str, ...] | None, told: str | None
) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY7)
    rows = [
        (codes[bed], "pH", value, "pH", "water 1:1")
        for bed, value in zip(codes, ("6.50", "6.00", "6.60", "6.08"), strict=True)
    ]
    for bed, value in zip(codes, ec or (), strict=False):
        rows.append((codes[bed], "EC", value, "dS/m", "water 1:5"))
    report(started, rows, "1")
    salt = compared(started)["possibly_salt"]
    assert [one[: len(told or "")] for one in salt] == ([told] if told else [])


def test_salt_goes_by_the_finding_that_is_told_and_not_by_a_range_of_its_own(
    started: Program,
) -> None:
    """M's pH falls by 0.50 and 0.52 within its blocks; with C10, of uneven beds, p is 0.08."""
    found = compared(day28(started))
    assert line(found, "M", "pH")["finding"] == "lower"  # by the range of this line alone
    assert line(found, "M", "pH")["test"]["finding"] == "no difference shown"
    assert found["possibly_salt"] == []


def test_ph_in_a_salt_solution_says_nothing_of_salt(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY7)
    values = zip(codes, ("6.50", "6.00", "6.60", "6.08"), strict=True)
    report(started, [(codes[b], "pH", v, "pH", "0.01 M CaCl2") for b, v in values], "1")
    found = compared(started)
    assert line(found, "M", "pH")["finding"] == "lower" and found["possibly_salt"] == []


def test_the_declared_endpoint_is_marked_on_its_day_only(started: Program) -> None:
    found = compared(day28(started))
    assert found["declared_endpoint"] == {"nutrient": "mineral-N", "day": 28}
    declared = {one["nutrient"] for one in found["differences"] if one["declared"]}
    assert declared == {"mineral-N"}
    assert found["about"][-2:] == [
        "9 ranges, each at 95 % on its own, not widened for there being 2 treatments: about one in "
        "twenty such ranges misses the truth by chance",
        "declared beforehand: mineral-N on day 28 (marked *); all else is exploratory",
    ]
    assert len(compared(started, "--treatment", "M")["about"]) == 2
    codes = pulled(started, "B1,B2", "2026-03-16T09:00+01:00")
    parts = ("nitrate-N", "ammonium-N")
    report(started, [(codes[b], n, "9", "mg/kg", "1 M KCl") for b in codes for n in parts], "3")
    early = compared(started, "day 14")
    assert line(early, "M", "mineral-N")["treated"] == 18
    assert not any(one["declared"] for one in early["differences"])
    assert early["about"][-1] == (
        "all of it is exploratory: declared beforehand was mineral-N on day 28"
    )


def test_one_bed_a_side_has_no_range_and_the_wording(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY28)
    rows = [(codes["B1"], "P", "10", "mg/kg", "Olsen"), (codes["B2"], "P", "15", "mg/kg", "Olsen")]
    report(started, rows, "1")
    found = compared(started)
    one = line(found, "M", "P")
    assert one["finding"] == "cannot say: one bed"
    assert (one["difference"]["value"], one["ratio"]["value"]) == (5, pytest.approx(1.5))
    assert one["sentence"].startswith("a difference of +5 mg/kg is no finding: one bed per treat")
    assert (one["test"]["family_method"], one["test"]["adjusted_p"]) == ("none", None)
    assert "no test is reported" in one["test"]["reason"]
    for part in (one["difference"], one["ratio"]):
        assert part["low"] is None and part["high"] is None
        assert "no test is reported" in part["reason"]
    assert not any("95 %" in sentence for sentence in found["about"])


def test_a_ph_difference_of_a_twentieth_between_single_samples_is_no_finding(
    started: Program,
) -> None:
    # Common practice, no source: two single samples differ by as much when drawn from one bed.
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY28)
    rows = [(codes[bed], "pH", v, "pH", "water 1:1") for bed, v in (("B1", "6.40"), ("B2", "6.35"))]
    report(started, rows, "1")
    one = line(compared(started), "M", "pH")
    assert one["finding"] == "cannot say: one bed"
    assert one["sentence"].startswith("a difference of -0.05 pH is no finding: one bed per treat")
    said = " ".join(started.must("compare").out.split())
    assert "pH 6.35 6.40 -0.05 - cannot say: one bed" in said
    assert "no test is reported" in said and "together" not in said


def test_single_beds_show_no_more_decimals_than_their_results_have(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    for number, on in enumerate((DAY7, DAY28), 1):
        codes = pulled(started, "B1,B2", on)
        rows = [
            (codes[bed], *one)
            for bed, ammonium, ph in (("B1", "2.2", "6.4"), ("B2", "2.9", "6.5"))
            for one in (("NH4-N", ammonium, "mg/kg", "1 M KCl"), ("pH", ph, "pH", "water 1:1"))
        ]
        report(started, rows, str(number))
    said = " ".join(started.must("compare").out.split())
    assert "ammonium-N 2.9 2.2 +0.7 - cannot say" in said
    assert "pH 6.50 6.40 +0.10 - cannot say" in said
    # 6.5 - 6.4 is a little less than a tenth.
    said = " ".join(started.must("compare", "--all-dates").out.split())
    assert "pH 2 +0.10 - - cannot say" in said


def test_single_beds_show_the_decimals_of_their_results_in_comparisons_and_curves(
    started: Program,
) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY7)
    report(started, [(codes[bed], "EC", "0.21", "dS/m", "water 1:5") for bed in codes], "1")
    # Two that are the same have a difference without any digit.
    assert "EC dS/m 0.21 0.21 0.00 -" in " ".join(started.must("compare").out.split())
    curve = " ".join(started.must("curve", "EC", "M").out.split())
    assert "day 7 7 0.21 0.21 0.00 - 1+1" in curve
    codes = pulled(started, "B1,B2", DAY28)
    rows = [(codes[b], "EC", v, "dS/m", "water 1:5") for b, v in (("B1", "0.26"), ("B2", "0.34"))]
    report(started, rows, "2")
    said = " ".join(started.must("compare").out.split())
    assert "EC dS/m 0.34 0.26 +0.08 -" in said
    curve = " ".join(started.must("curve", "EC", "M").out.split())
    assert "day 28 28 0.34 0.26 +0.08 - 1+1" in curve


def test_another_method_is_a_line_of_its_own_without_a_control(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY7)
    rows = [(codes[bed], "P", "10", "mg/kg", "Olsen") for bed in codes]
    report(started, [*rows, (codes["B2"], "P", "40", "mg/kg", "Mehlich-3")], "1")
    found = {one["method"]: one["finding"] for one in compared(started)["differences"]}
    assert found == {"Olsen": "cannot say: no spread seen", "Mehlich-3": "cannot say: no control"}


def test_what_has_no_result_on_the_date_is_said(started: Program) -> None:
    assert compared(day28(started))["missing"] == [
        "M: no result on this date, but on others: K (Mehlich-3)"
    ]


def in_question(program: Program, *beds: str) -> dict[str, str]:
    """K and P of days 7 and 28; K of day 28 is in question of these beds: codes of that day."""
    program.must("apply", "all", on=DAY0)
    codes: dict[str, str] = {}
    for number, on in enumerate((DAY7, DAY28), 1):
        codes = pulled(program, "B1,B2,B5,B6", on)
        rows = [(code, name, "40", "mg/kg", "Olsen") for code in codes.values() for name in "KP"]
        report(program, rows, str(number))
    for bed in beds:
        program.must("lab", "answer", f"{codes[bed]}:K", "re-run", "--reason", f"{bed}?")
    return codes


def test_a_result_in_question_is_none_that_counts_and_its_note_stands(started: Program) -> None:
    codes = in_question(started, "B2", "B6")
    found = compared(started, "day 28")
    assert found["missing"] == ["M: no result that counts on this date: K (Olsen)"]
    for bed in ("B2", "B6"):
        assert any(
            note.startswith("M, K: queried and left out until answered: ") and codes[bed] in note
            for note in found["notes"]
        )
    # Of the other date nothing is in question.
    assert not [note for note in compared(started, "day 7")["notes"] if "queried" in note]
    limits = json.loads(started.must("findings", "M", "--pull", "day 7", "--json").out)
    (told,) = limits["findings"]
    assert any(one.startswith("K: queried and left out until") for one in told["limits"])


def test_every_nutrient_with_a_result_in_question_is_named_in_findings(started: Program) -> None:
    codes = in_question(started, "B2")
    started.must("lab", "answer", f"{codes['B6']}:P", "re-run", "--reason", "B6?")
    told = json.loads(started.must("findings", "M", "--json").out)["findings"][0]["limits"]
    about = [one.partition(": ")[0] for one in told if "queried and left out until" in one]
    assert about == ["P", "K"]


def test_that_a_newer_pull_is_left_out_is_said(started: Program) -> None:
    codes = in_question(started, "B2", "B6")
    newer = "day 28 is newer and left out: "
    assert compared(started)["pull"] == "day 28"
    for bed in ("B2", "B6"):
        started.must("lab", "answer", f"{codes[bed]}:P", "re-run", "--reason", "?", "--alone")
    found = compared(started)
    assert found["pull"] == "day 7"
    assert [note for note in found["notes"] if note.startswith(newer)]
    # Who asks for a date gets that of the date.
    assert not [note for note in compared(started, "day 7")["notes"] if note.startswith(newer)]


def test_controls_in_question_are_none_that_count(started: Program) -> None:
    in_question(started, "B1", "B5")
    one = line(compared(started, "day 28"), "M", "K")
    assert one["finding"] == "cannot say: no control"
    said = " ".join(started.must("compare", "day 28").out.split())
    assert "K: no control bed has a result that counts on day 28: no difference" in said
    assert "K: no control bed has a result that counts on this date: no test" in said


def test_a_treatment_without_any_result_on_the_date_is_one_short_line(started: Program) -> None:
    started.must("apply", "all", on=DAY0)
    early, late = pulled(started, "all", DAY7), pulled(started, "B1,B2,B5,B6", DAY28)
    for number, codes in enumerate((early, late), 1):
        rows = [(code, "P", str(10 + n), "mg/kg", "Olsen") for n, code in enumerate(codes.values())]
        report(started, rows, str(number))
    assert compared(started, "day 28")["missing"] == ["C10: no result on this date"]


def test_what_was_struck_on_one_date_is_no_note_on_another(started: Program) -> None:
    started.must("apply", "all", on=DAY0)
    struck = {}
    for number, on in enumerate((DAY7, DAY28), 1):
        codes = pulled(started, "B1,B2,B5,B6", on)
        rows = [(codes[bed], "K", "90", "mg/kg", "Mehlich-3") for bed in codes]
        report(started, rows, str(number))
        struck[number] = codes["B6"]
    for number, code in struck.items():
        started.must("strike", f"{code}:K", "--reason", f"jar {number} broke")
    started.must("event", "B2", "spilled", "--when", "2026-03-20", on=DAY28)
    first = f"M, K: struck and left out: {struck[1]} of B6 (jar 1 broke)"
    second = f"M, K: struck and left out: {struck[2]} of B6 (jar 2 broke)"
    spilled = (
        "M, K: B2 spilled on Fri 20 Mar 2026: 1 pull of it since then is flagged, and kept here"
    )
    assert compared(started, "day 7")["notes"] == [first]
    assert compared(started, "day 28")["notes"] == [second, spilled]
    # A curve has all of them.
    curve = json.loads(started.must("curve", "K", "M", "--json").out)["curves"][0]
    for note in (first, second, spilled):
        assert note.removeprefix("M, K: ") in curve["notes"]


def test_that_nothing_is_flagged_is_not_said_of_a_date_if_another_is(started: Program) -> None:
    started.must("apply", "all", on=DAY0)
    for number, on in enumerate((DAY7, DAY28), 1):
        codes = pulled(started, "B1,B2,B5,B6", on)
        report(started, [(codes[b], "K", "90", "mg/kg", "Mehlich-3") for b in codes], str(number))
    none = ["M, K: no pull of this series is flagged: nothing was left out"]
    assert compared(started, "day 7", "--without-flagged")["notes"] == none
    started.must("event", "B2", "spilled", "--when", "2026-03-20", on=DAY28)
    assert compared(started, "day 7", "--without-flagged")["notes"] == []


def test_beds_assigned_by_hand_are_not_randomised(program: Program) -> None:
    by_hand = PROTOCOL.replace('assigned = "drawn"\nseed = 7', 'assigned = "by hand"')
    begun(program, by_hand)
    found = compared(day28(program))
    assert found["randomised"] is False
    assert found["about"][0] == "beds were assigned by hand: not randomised"
    assert not any("not randomised" in note for note in found["notes"])
