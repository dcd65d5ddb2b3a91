"""A day's acts, as a practitioner types them."""

from __future__ import annotations

import json
from typing import Any

from tests.program import Program


def _json(program: Program, *words: str, on: str) -> Any:
    return json.loads(program.must(*words, "--json", on=on).out)


def test_an_act_echoes_one_line_with_its_code(started: Program) -> None:
    said = started.must("water", "B1-B3,B5", "--amount", "0.3 L", "--when", "08:30")

    code, _, text = said.out.strip().partition("  ")
    assert len(code) == 8
    assert text == "watered B1-B3, B5, 300 mL each (how known: not said), Mon 2 Mar 2026 08:30"


def test_a_default_amount_is_recorded_as_planned_never_as_measured(started: Program) -> None:
    act = started.must("water", "all").act

    lines = _json(started, "history", act, on="2026-03-02T10:00+01:00")["lines"]
    assert {line["what"] for line in lines} == {
        f"B{place}: watered 250 mL (as planned)" for place in range(1, 7)
    }


def test_a_time_may_be_a_date_only_and_no_hour_is_invented(started: Program) -> None:
    said = started.must("note", "fan moved", "--when", "yesterday")

    assert said.out.strip().endswith("noted: fan moved, Sun 1 Mar 2026")


def test_controls_get_a_mock_application_and_treated_beds_the_planned_amount(
    started: Program,
) -> None:
    # 2 t/ha on 0.5 m2 is 100 g: 2,000,000 g / 10,000 m2 x 0.5 m2 (arithmetic of the units).
    said = started.must("apply", "control,M")

    assert "amendment mixed into B2, B6 as planned; mock application on B1, B5" in said.out
    history = started.must("history", "B2").out
    assert "amendment mixed in: 100 g" in history


def test_a_volume_rate_needs_no_density_to_be_applied(started: Program) -> None:
    # 10 % of 0.5 m2 x 15 cm = 7.5 L; at 0.55 kg/L 4.125 kg (the layer's volume times the rate).
    started.must("apply", "B3")
    assert "amendment mixed in: 7.5 L (as planned)" in started.must("history", "B3").out

    started.must(
        "amendment", "set", "compost", "--density", "0.55 kg/L", "--moisture", "40 % wet basis"
    )
    started.must("apply", "B4")
    assert "amendment mixed in: 4125 g = 7.5 L (as planned)" in started.must("history", "B4").out


def test_the_days_of_a_bed_count_from_its_own_application(started: Program) -> None:
    started.must("apply", "control,M", on="2026-03-02T09:00+01:00")
    started.must("apply", "C10", "--amount", "4 kg", on="2026-03-05T09:00+01:00")
    (board,) = _json(started, "today", on="2026-03-11T09:00+01:00")["boards"]

    due = {(task["what"], tuple(task["beds"])): task["state"] for task in board["pulls"]}
    assert due["day 7", ("B2", "B6")] == "overdue"
    # The controls are pulled with both; their first day 7 ended when the second one opened.
    assert due["day 7", ("B3", "B4")] == "due"
    controls = {
        task["state"]: task["why"]
        for task in board["pulls"]
        if (task["what"], task["beds"]) == ("day 7", ["B1", "B5"])
    }
    assert list(controls) == ["due", "missed"]
    assert controls["due"].endswith("; follows B3, B4")
    assert controls["missed"].endswith("; follows B2, B6")
    assert board["day"] == 9


def test_pulling_twice_needs_a_reason(started: Program) -> None:
    started.must("apply", "control,M")
    started.must("pull", "control,M", "--for", "day 0")

    refused = started("pull", "B1")
    assert refused.code == 2
    assert refused.err == (
        "Error: day 0 (Mon 2 Mar 2026) of B1 was written down already; why again?\n"
        "Try: answer with --again REASON\n"
    )
    again = started.must("pull", "B1", "--again", "bag torn")
    assert "for day 0 again" in again.out


def test_a_repeat_of_a_pull_outside_the_calendar_is_outside_it_too(started: Program) -> None:
    started.must("apply", "all", on="2026-03-02T09:00+01:00")
    started.must("pull", "M", on="2026-03-30T09:00+02:00")
    later = "2026-04-02T09:00+02:00"
    assert "outside the calendar" in started.must("pull", "B6", on=later).out
    refused = started("pull", "B6", on=later)
    assert refused.err.startswith("Error: a pull on Thu 2 Apr 2026 of B6 was written down already")
    again = started.must("pull", "B6", "--again", "second", on=later)
    assert again.out.splitlines()[1].endswith("B6     outside the calendar")


def test_undo_strike_and_correct_keep_every_line_readable(started: Program) -> None:
    act = started.must("water", "B1,B2", "--amount", "250 mL").act
    started.must("correct", f"{act}:B2", "--amount", "200 mL", "--reason", "can half full")
    started.must("strike", f"{act}:B1", "--reason", "B1 was left dry")
    started.must("undo")

    told = started.must("history", "B1").out
    assert "watered 250 mL (how known: not said)" in told
    assert "struck" in told
    assert "because: B1 was left dry" in told
    assert "because: undo of" in told
    told = started.must("history", "B2").out
    assert "corrected to B2: watered 200 mL (how known: not said)" in told
    assert "because: can half full" in told


def test_a_bag_labelled_beforehand_keeps_its_code(started: Program) -> None:
    first = started.must("pull", "B1", "--for", "before").samples[0]
    started.must("undo")
    said = started.must("pull", "B2", "--code", f"{first[:4]}-{first[4:]}".lower())

    assert said.samples == [first]


def test_a_correction_says_what_stood_and_what_stands_now(started: Program) -> None:
    act = started.must("water", "B1-B3").act
    later = "2026-03-03T09:00+01:00"

    def correct(name: str, *words: str) -> str:
        said = started.must("correct", name, *words, "--reason", "slip", on=later).out
        return said.partition("  ")[2].strip()

    assert correct(act, "--when", "2026-03-02 08:00") == (
        f"corrected {act}, when from Mon 2 Mar 2026 09:00 to Mon 2 Mar 2026 08:00: slip"
    )
    assert correct(f"{act}:B1", "--amount", "0.2 L", "--known", "metered") == (
        f"corrected {act}:B1, from 'watered 250 mL (as planned)' to 'watered 0.2 L (metered)': slip"
    )
    assert correct(f"{act}:B2", "--bed", "B5") == f"corrected {act}:B2, bed from B2 to B5: slip"
    assert correct(act, "--amount", "240 mL") == (
        f"corrected {act}, from 'watered 0.2 L (metered)' or 'watered 250 mL (as planned)' to "
        "'watered 240 mL (how known: not said)': slip"
    )
