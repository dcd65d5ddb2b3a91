"""What counts in a curve and what is paired: first pulls, a method a sum, disputes, days apart."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from typing import Any

import pytest

from tests.one_date import LATER, day28, pulled, report
from tests.program import PROTOCOL, Program
from tests.scenario import Plan, day_of

DAY0 = "2026-03-02T09:00+01:00"
DAY7 = "2026-03-09T09:00+01:00"


def curves(program: Program, *words: str) -> list[dict[str, Any]]:
    said = program.must("curve", *words, "--json", on=LATER).out
    found: list[dict[str, Any]] = json.loads(said)["curves"]
    return found


def potassium(program: Program, values: dict[str, str], codes: dict[str, str], number: str) -> None:
    rows = [(codes[bed], "K", value, "mg/kg", "Olsen") for bed, value in values.items()]
    report(program, rows, number)


class TestOneMethodASum:
    def test_several_methods_make_a_sum_for_each_pair_and_no_mean(self, started: Program) -> None:
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B1,B2", DAY0)
        rows = []
        for bed, kcl, strip in (("B1", "10", "16"), ("B2", "20", "30")):
            rows += [
                (codes[bed], "nitrate-N", kcl, "mg/kg", "1 M KCl"),
                (codes[bed], "nitrate-N", strip, "mg/kg", "test strip"),
                (codes[bed], "ammonium-N", "2", "mg/kg", "1 M KCl"),
            ]
        report(started, rows, "1")
        found = {one["method"]: one["pulls"][0] for one in curves(started, "mineral-N", "M")}
        assert {name: (one["treated"], one["control"]) for name, one in found.items()} == {
            "1 M KCl": (22, 12),
            "test strip + 1 M KCl": (32, 18),
        }

    def test_repeats_by_one_method_are_averaged(self, started: Program) -> None:
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B1,B2", DAY0)
        rows = [(codes[bed], "ammonium-N", "2", "mg/kg", "1 M KCl") for bed in codes]
        rows += [
            (codes[bed], "nitrate-N", value, "mg/kg", "1 M KCl")
            for bed in codes
            for value in ("10", "12")
        ]
        report(started, rows, "1")
        (curve,) = curves(started, "mineral-N", "M")
        assert (curve["pulls"][0]["treated"], curve["pulls"][0]["control"]) == (13, 13)


class TestTheFirstCounts:
    def _twice(self, program: Program) -> tuple[dict[str, str], dict[str, str]]:
        program.must("apply", "control,M", on=DAY0)
        first = pulled(program, "B1,B2", DAY7)
        said = program.must(
            "pull", "B2", "--again", "spilt on the way", on="2026-03-10T09:00+01:00"
        )
        again = {"B2": said.samples[0]}
        potassium(program, {"B1": "100", "B2": "130"}, first, "1")
        potassium(program, {"B2": "190"}, again, "2")
        return first, again

    def test_a_repeat_is_not_used_and_it_is_said(self, started: Program) -> None:
        _, again = self._twice(started)
        (curve,) = curves(started, "K", "M")
        (pull,) = curve["pulls"]
        assert (pull["day"], pull["treated"]) == (7, 130)
        note = f"{again['B2']} repeats day 7 of B2: not used; strike the first to use it"
        assert note in curve["notes"]

    def test_once_the_first_is_struck_the_repeat_is_used(self, started: Program) -> None:
        first, _ = self._twice(started)
        started.must("strike", first["B2"], "--reason", "jar broke", on=LATER)
        (curve,) = curves(started, "K", "M")
        (pull,) = curve["pulls"]
        assert (pull["day"], pull["treated"]) == (8, 190)
        assert not any("repeats" in note for note in curve["notes"])

    def test_one_bed_with_more_results_weighs_no_more_in_the_day(self, started: Program) -> None:
        started.must("apply", "control,M", on=DAY0)
        first = pulled(started, "B1,B2,B5", DAY7)
        second = pulled(started, "B6", "2026-03-10T09:00+01:00")
        codes = first | second
        potassium(started, {"B1": "100", "B2": "130", "B5": "100", "B6": "130"}, codes, "1")
        text = f"sample,nutrient,value,unit,method\n{codes['B6']},K,131,mg/kg,Olsen\n"
        (started.folder / "again.csv").write_text(text, encoding="utf-8")
        started.must("lab", "import", "again.csv", "--report", "2", "--repeat", on=LATER)
        (curve,) = curves(started, "K", "M")
        assert curve["pulls"][0]["day"] == 7.5


class TestDisputes:
    @pytest.mark.parametrize(
        ("table", "where", "what"),
        [
            ("pull", "id = :b2", "the pull {b2}"),
            ("apply", "bed = (SELECT id FROM bed WHERE label = 'B2')", "the application of B2"),
            ("fill", "bed = (SELECT id FROM bed WHERE label = 'B2')", "the filling of B2"),
            ("bed", "label = 'B2'", "bed B2"),
            ("treatment", "code = 'M'", "treatment M"),
            ("lot", "name = 'bag 1'", "lot bag 1"),
            ("lot_density", "lot IN (SELECT id FROM lot WHERE name = 'bag 1')", "the density of"),
        ],
    )
    def test_a_sample_of_something_in_dispute_is_left_out_and_named(
        self, started: Program, table: str, where: str, what: str
    ) -> None:
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B1,B2,B5,B6", DAY7)
        potassium(started, {"B1": "100", "B2": "130", "B5": "100", "B6": "140"}, codes, "1")
        with closing(sqlite3.connect(started.store)) as store, store:
            store.execute(f'UPDATE "{table}" SET conflict = 1 WHERE {where}', {"b2": codes["B2"]})
        (curve,) = curves(started, "K", "M")
        assert all(one["treated"] != 135 for one in curve["pulls"])
        (note,) = [one for one in curve["notes"] if one.startswith("machines disagree on")]
        assert what.format(b2=codes["B2"]) in note
        assert codes["B2"] in note and note.endswith("left out until settled")


class TestDaysApart:
    def test_a_control_of_the_same_planned_pull_is_compared_however_late(
        self, started: Program
    ) -> None:
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B2,B6", DAY7)
        late = "2026-03-13T09:00+01:00"
        said = started.must("pull", "B1,B5", "--for", "day 7", on=late)
        codes |= dict(zip(("B1", "B5"), said.samples, strict=True))
        potassium(started, {"B1": "100", "B2": "130", "B5": "100", "B6": "140"}, codes, "1")
        (curve,) = curves(started, "K", "M")
        (pull,) = curve["pulls"]
        assert (pull["treated_beds"], pull["control_beds"]) == (2, 2)
        notes = [one for one in curve["notes"] if "was pulled" in one or "were pulled" in one]
        assert "control B1 was pulled 4 d after B2 on day 7" in notes
        assert any(one.startswith("day 7 of B1, B5 was pulled") for one in notes)
        said = json.loads(started.must("compare", "day 7", "--json", on=LATER).out)["comparison"]
        assert any("control B1 was pulled 4 d after B2" in note for note in said["notes"])

    def test_a_pull_outside_its_window_is_said_on_its_date_only(self, started: Program) -> None:
        day28(started)
        codes = pulled(started, "B1,B2,B5,B6", "2026-04-09T09:00+02:00")
        assert codes  # outside the calendar: serves nothing
        started.must("strike", codes["B2"], "--reason", "x", on=LATER)
        found = json.loads(started.must("compare", "day 28", "--json", on=LATER).out)
        assert not any("window" in note for note in found["comparison"]["notes"])

    def test_controls_within_the_tolerance_are_not_mentioned(self, started: Program) -> None:
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B2,B6", DAY7)
        codes |= pulled(started, "B1,B5", "2026-03-10T09:00+01:00")
        potassium(started, {"B1": "100", "B2": "130", "B5": "100", "B6": "140"}, codes, "1")
        (curve,) = curves(started, "K", "M")
        assert curve["pulls"][0]["control_beds"] == 2
        assert not any("pulled" in note for note in curve["notes"])


def test_limits_widen_the_range_of_a_sum_and_a_clear_difference_is_said(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY0)
    rows = []
    for bed, nitrate in (("B1", "10"), ("B2", "110"), ("B5", "11"), ("B6", "112")):
        rows += [
            (codes[bed], "nitrate-N", nitrate, "mg/kg", "1 M KCl"),
            (codes[bed], "ammonium-N", "<2", "mg/kg", "1 M KCl"),
        ]
    report(started, rows, "1")
    (curve,) = curves(started, "mineral-N", "M")
    one = curve["pulls"][0]
    # 110 to 112 is known to within 1 %, 10 to 12 is not: gaps 99 to 101 and 100 to 102 by block.
    assert one["interval_method"] == "bounds + within-block"
    # At the controls' lower ends gaps 101 and 102: 101.5 +- 12.7062 x 0.5 (t table, any); what is
    # open of the controls, up to 2, can only take from it.
    assert one["difference"]["value"] is None
    assert one["difference"]["low"] == pytest.approx(101.5 - 12.7062 * 0.5 - 2.0, abs=1e-3)
    assert one["difference"]["high"] == pytest.approx(101.5 + 12.7062 * 0.5, abs=1e-3)
    said = json.loads(started.must("compare", "day 0", "--json", on=LATER).out)["comparison"]
    (line,) = [one for one in said["differences"] if one["nutrient"] == "mineral-N"]
    assert line["finding"] == "more"
    assert line["sentence"].startswith("more than the control by 93.1 to 108 mg/kg: reporting")
    assert "[" in started.must("curve", "mineral-N", "M", on=LATER).out


class TestSeveralMethods:
    def _two(self, program: Program) -> None:
        program.must("apply", "control,M", on=DAY0)
        codes = pulled(program, "B1,B2,B5,B6", DAY7)
        potassium(program, {"B1": "100", "B2": "130", "B5": "100", "B6": "140"}, codes, "1")
        rows = [(codes[bed], "K", "50", "mg/kg", "ammonium acetate") for bed in codes]
        report(program, rows, "2")

    def test_each_set_gets_a_figure_of_its_own(self, started: Program) -> None:
        self._two(started)
        said = started.must("curve", "K", "--svg", "k.svg", on=LATER)
        assert "Drawn: k.svg (Olsen" in said.err
        assert "Drawn: k-2.svg (ammonium acetate" in said.err
        assert {one.name for one in started.folder.glob("*.svg")} == {"k.svg", "k-2.svg"}

    def test_one_method_may_be_chosen(self, started: Program) -> None:
        self._two(started)
        said = started.must("curve", "K", "--method", "ACET", "--svg", "k.svg", on=LATER)
        assert said.err == "Drawn: k.svg\n" and "Olsen" not in said.out
        wrong = started("curve", "K", "--method", "bray", on=LATER)
        assert wrong.code == 2
        assert "no result is by a method like 'bray'" in wrong.err
        assert "there are: Olsen, ammonium acetate" in wrong.err


def test_one_nutrient_and_method_of_two_laboratories_is_not_named_twice(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY0)
    rows = [(codes[bed], "pH", "6.5", "pH", "CaCl2") for bed in codes]
    report(started, rows, "1")
    text = (started.folder / "report-1.csv").read_text(encoding="utf-8").replace("6.5", "6.4")
    (started.folder / "other.csv").write_text(text, encoding="utf-8")
    started.must("lab", "import", "other.csv", "--report", "2", "--lab", "Other Soil Lab", on=LATER)
    later = pulled(started, "B1,B2", DAY7)
    potassium(started, {"B1": "100", "B2": "130"}, later, "3")
    found = json.loads(started.must("compare", "day 7", "--json", on=LATER).out)["comparison"]
    (sentence,) = found["missing"]
    names = sentence.partition("others: ")[2].split("), ")
    assert len(names) == len(set(names)) == 2


def test_an_unknown_trial_is_said_to_be_unknown(started: Program) -> None:
    second = PROTOCOL.replace("Small house", "Second house")
    (started.folder / "second.toml").write_text(second, encoding="utf-8")
    started.must("trial", "start", "second.toml")
    for wanted in ("nope", "S"):
        said = started("--trial", wanted, "compare")
        assert said.code == 2
        assert said.err.startswith(f"Error: there is no trial called '{wanted}'")


class TestTheBoard:
    def _board(self, program: Program, on: str) -> str:
        return program.must("today", on=on).out

    def test_filled_beds_wait_for_their_application(self, started: Program) -> None:
        text = self._board(started, "2026-03-05T09:00+01:00")
        assert "Apply      B1-B6: filled 4 d ago" in text
        started.must("apply", "B2", on="2026-03-05T10:00+01:00")
        # Block 1 has begun: its control waits for nothing.
        text = self._board(started, "2026-03-05T11:00+01:00")
        assert "Apply      B3-B6: filled 4 d ago" in text
        started.must("apply", "B3-B6", on="2026-03-05T12:00+01:00")
        assert "Apply" not in self._board(started, "2026-03-05T13:00+01:00")

    def test_a_control_of_beds_of_several_ages_says_whom_it_follows(self, started: Program) -> None:
        started.must("apply", "B1,B2", on=DAY0)
        started.must("apply", "B3", on="2026-03-05T09:00+01:00")
        found = json.loads(started.must("today", "--json", on=DAY7).out)["boards"][0]["pulls"]
        why = {one["why"] for one in found if one["beds"] == ["B1"] and one["what"] == "day 7"}
        assert any(one.endswith("follows B2") for one in why)
        assert any(one.endswith("follows B3") for one in why)


class TestABedPulledADayLateOnDay0:
    """What came with the amendment is seen on a bed's own day 0: one day late is another day."""

    def _pulled(self, program: Program, blocks: int) -> dict[str, Any]:
        plan = Plan(blocks=blocks)
        (program.folder / "trial.toml").write_text(plan.text(), encoding="utf-8")
        program.must("trial", "start", "trial.toml", on=day_of(-1))
        program.must("fill", "all", "--mass", "110 kg", on=day_of(-1, "10:00"))
        program.must("apply", "all", on=day_of(0, "08:00"))
        late = [f"B{2 * blocks}", f"B{2 * blocks - 1}"]
        rows = []
        for day in (0, 1, 7, 14, 28):
            beds = ",".join(late) if day == 1 else "all"
            if day == 0:
                beds = ",".join(f"B{n}" for n in range(1, 2 * blocks - 1))
            for bed, code in pulled(program, beds, day_of(day)).items():
                number = int(bed[1:])
                value = 10.0 + number / 4 + (day + 2.0 + number / 10) * (number % 2 == 0)
                rows += [
                    (code, "nitrate-N", f"{value:g}", "mg/kg", "1 M KCl"),
                    (code, "ammonium-N", "1", "mg/kg", "1 M KCl"),
                ]
        report(program, rows, "1")
        (curve,) = curves(program, "mineral-N", "C", "--day", "28")
        return curve

    def test_the_others_are_day_0_and_what_was_released_since_is_told(
        self, program: Program
    ) -> None:
        curve = self._pulled(program, 4)
        first = curve["pulls"][0]
        assert (first["pull"], first["day"]) == ("day 0", 0.0)
        assert (first["treated_beds"], first["control_beds"]) == (3, 3)
        # T - C of the beds 2, 4, 6: a quarter of one place, and 2 and a tenth of the place.
        assert first["difference"]["value"] == pytest.approx(0.25 + 2.4)
        assert "day 0 is without B8, pulled on day 1 of its own" in curve["notes"]
        released = [one for one in curve["at_days"] if one["day"] == 28.0][-1]["released"]
        # The bed left out on day 0 is one of those of day 28, a tenth of its place more: 28.1.
        assert released["value"] == pytest.approx(28.0, abs=0.3)
        assert released["low"] is not None

    def test_where_too_few_would_remain_the_reason_is_the_true_one(self, program: Program) -> None:
        curve = self._pulled(program, 2)
        assert curve["pulls"][0]["day"] == 0.5
        assert curve["pulls"][0]["treated_beds"] == 2
        released = [one for one in curve["at_days"] if one["day"] == 28.0][-1]["released"]
        assert released["reason_low"] == (
            "the first pull is of day 0.5 on average, not all of its beds on their day 0: what "
            "came with the amendment is not known"
        )


def test_a_pull_is_called_by_its_name_and_its_age_written_in_one_way(program: Program) -> None:
    """A block pulled a day after the three others on both dates: on average day 3.25 and 14.25."""
    plan = Plan(blocks=4, days=(0, 3, 14, 28))
    (program.folder / "trial.toml").write_text(plan.text(), encoding="utf-8")
    program.must("trial", "start", "trial.toml", on=day_of(-1))
    program.must("fill", "all", "--mass", "110 kg", on=day_of(-1, "10:00"))
    program.must("apply", "all", on=day_of(0, "08:00"))
    rows = []
    for day, beds in ((0, "all"), (3, "B1-B6"), (4, "B7,B8"), (14, "B1-B6"), (15, "B7,B8")):
        for bed, code in pulled(program, beds, day_of(day)).items():
            number = int(bed[1:])
            value = 20.0 + number / 4 + (day + number / 10) * (number % 2 == 0)
            rows += [
                (code, "nitrate-N", f"{value:g}", "mg/kg", "1 M KCl"),
                (code, "ammonium-N", "1", "mg/kg", "1 M KCl"),
            ]
    report(program, rows, "1")
    page = " ".join(program.must("findings", on=LATER).out.split())
    assert "by the last pull (day 14)" in page
    assert "14.2" not in page and "3.25" not in page
    curve = " ".join(program.must("curve", on=LATER).out.split())
    assert " day 3 3.25 " in curve and " day 14 14.25 " in curve
    assert "net on day 14.25, the last pull: " in curve
    assert "day 14.2 " not in curve and "day 14.2," not in curve
