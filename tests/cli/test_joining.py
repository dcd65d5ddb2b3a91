"""Beds, amendments and treatments that join a running trial, each with its own day 0.

That a late bed needs a control of its own history follows from the flush of mineral nitrogen when
dry soil is wetted (Birch 1958, Plant and Soil 10:9-31); how beds are named is common practice.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.program import PROTOCOL, Program, begun, once

SPARE = """\
  { label = "S1", block = "1", treatment = "none", size = "bed" },
  { label = "S2", block = "2", treatment = "none", size = "bed" },
]

[calendar]"""
DAY0 = "2026-03-02T09:00+01:00"
JOINED = "2026-03-16T09:00+01:00"
LATER = "2026-04-20T09:00+02:00"
FLUSH = "cannot be told from the rewetting flush"
ROCK = ["--name", "rock dust (invented)", "--material", "rock powder", "--lot", "sack 1",
        "--density", "1.4 kg/L", "--moisture", "1 % wet basis"]  # fmt: skip


@pytest.fixture
def house(program: Program) -> Program:
    """The small trial with a spare control bed in each block, applied on 2 March."""
    wide = PROTOCOL.replace("]\n\n[calendar]", SPARE)

    def play() -> None:
        begun(program, wide)
        program.must("apply", "control,M", on=DAY0)
        program.must("water", "all", on=JOINED.replace("16", "15"))

    return once(program, "spare beds, applied", play)


def _with_rock(program: Program) -> Program:
    program.must("amendment", "add", "rock", *ROCK, on=JOINED)
    program.must("treatment", "add", "R5", "--amendment", "rock", "--rate", "5 t/ha", on=JOINED)
    return program


def _forked(program: Program) -> Program:
    """L1 with rock and its own control L2, the spare beds forked the same day."""
    _with_rock(program)
    for label, treatment, spare in (("L1", "R5", "S1"), ("L2", "none", "S2")):
        program.must(
            "bed", "add", label, "--treatment", treatment, "--block", "late", "--from", spare,
            on=JOINED,
        )  # fmt: skip
    return program


def _json(program: Program, *words: str, on: str = LATER) -> Any:
    return json.loads(program.must(*words, "--json", on=on).out)


def _measured(program: Program, values: dict[str, str], on: str) -> None:
    """Pull these beds and import their potassium."""
    said = program.must("pull", ",".join(values), on=on)
    codes = {line.split()[1]: line.split()[0] for line in said.out.splitlines() if line[0] == " "}
    rows = "".join(f"{codes[bed]},K,{value},mg/kg,Olsen\n" for bed, value in values.items())
    name = f"report-{on[:10]}.csv"
    (program.folder / name).write_text(f"sample,nutrient,value,unit,method\n{rows}")
    program.must("lab", "import", name, "--report", on[:10], on=LATER)


def _notes(program: Program, treatment: str = "R5") -> list[str]:
    (curve,) = _json(program, "curve", "K", treatment)["curves"]
    return [note for note in curve["notes"] if FLUSH in note]


class TestALateBed:
    def test_the_bed_it_goes_on_from_leaves_and_its_pulls_stand(self, house: Program) -> None:
        _measured(house, {"S1": "100", "B1": "100"}, DAY0)
        _forked(house)
        board = house.must("today", on="2026-03-18T09:00+01:00").out
        # S1 and S2 were watered on 15 March with the others, and have left since.
        assert "Water      B1-B6: 250 mL each\n" in board
        assert "S1" not in board.split("Missed")[0]
        assert "day 0: S1" not in board
        lines = _json(house, "history", "S1")["lines"]
        assert any(line["what"] == "S1: out of the trial: goes on as L1" for line in lines)

    def test_it_is_shown_where_beds_are(self, house: Program) -> None:
        _forked(house)
        assert _json(house, "bed", "list")["beds"][-1] == {
            "bed": "L2", "block": "late", "treatment": "none", "joined": "2026-03-16",
            "soil": "run untreated since the start (S2)",
        }  # fmt: skip
        shown = house.must("trial", "show", on=LATER).out
        assert "L1   late   R5, rock at 5 t/ha; joined 2026-03-16" in shown
        assert _json(house, "trial", "show")["beds"][-2]["joined"] == "2026-03-16"

    def test_it_counts_from_its_own_application(self, house: Program) -> None:
        _forked(house)
        said = house.must("pull", "L1,L2", on=JOINED).out
        assert said.count("for before") == 2
        house.must("apply", "L1,L2", on="2026-03-17T09:00+01:00")
        board = house.must("today", on="2026-03-24T09:00+01:00").out
        assert "Pull       day 7: L1, L2 (Tue 24 Mar 2026, today)" in board

    def test_it_is_watered_from_its_joining_on(self, house: Program) -> None:
        """Every three days: joined on the 16th, so due on the 19th."""
        _forked(house)
        days = [_json(house, "today", on=f"2026-03-{day}T09:00+01:00") for day in (18, 19)]
        watered = [
            {bed for task in one["boards"][0]["water"] for bed in task["beds"]} for one in days
        ]
        assert [beds & {"L1", "L2", "S1", "S2"} for beds in watered] == [set(), {"L1", "L2"}]

    def test_its_amount_follows_from_its_own_size(self, house: Program) -> None:
        """5 t/ha is 0.5 kg/m2; the bed is 1 m x 0.5 m: 250 g."""
        _forked(house)
        act = house.must("apply", "L1", on=JOINED).act
        (line,) = _json(house, "history", act)["lines"]
        assert "250 g" in line["what"]

    def test_undo_brings_the_old_bed_back(self, house: Program) -> None:
        before = house.must("bed", "list", on=JOINED).out
        house.must("bed", "add", "L1", "--treatment", "none", "--block", "late", "--from", "S1",
                   on=JOINED)  # fmt: skip
        house.must("undo", on=JOINED)
        assert house.must("bed", "list", on=JOINED).out == before
        assert "S1" in house.must("water", "all", on=JOINED).out

    def test_undo_is_refused_once_something_was_done_to_it(self, house: Program) -> None:
        _forked(house)
        house.must("apply", "L2", on=JOINED)
        house.must("undo", on=JOINED)  # the application
        house.must("undo", on=JOINED)  # L2
        house.must("--by", "noor", "pull", "L1", on=JOINED)
        said = house("undo", on=JOINED)
        assert said.code == 2
        assert "bed L1, which cannot be undone any more" in said.err

    def test_all_means_the_beds_of_that_day(self, house: Program) -> None:
        _forked(house)
        said = house.must("water", "all", "--when", "2026-03-10", on=JOINED)
        assert "watered B1-B6, S1, S2," in said.out
        said = house.must("water", "all", on="2026-03-17T09:00+01:00")
        assert "watered B1-B6, L1, L2," in said.out


class TestItsCurve:
    def test_with_a_control_forked_the_same_day_there_is_no_note(self, house: Program) -> None:
        _forked(house)
        house.must("apply", "L1", on="2026-03-17T09:00+01:00")
        house.must("apply", "L2", on="2026-03-18T09:00+01:00")
        _measured(house, {"L1": "130", "L2": "100"}, "2026-03-18T12:00+01:00")
        (curve,) = _json(house, "curve", "K", "R5")["curves"]
        assert curve["pulls"][0]["difference"]["value"] == pytest.approx(30)
        assert not [note for note in curve["notes"] if FLUSH in note]
        # 250 g at 1 % moisture: 247.5 g dry in 0.075 m3 x 1.2 kg/L = 90 kg: f = 0.00274.
        assert curve["dilution"] == pytest.approx(0.2475 / 90.2475, rel=1e-6)

    def test_a_control_forked_two_days_later_will_not_do(self, house: Program) -> None:
        _forked(house)
        house.must("apply", "L1", on=JOINED)
        house.must("apply", "L2", on="2026-03-18T09:00+01:00")
        _measured(house, {"L1": "130", "L2": "100"}, "2026-03-18T12:00+01:00")
        note = (
            f"L1 {FLUSH}: no control bed of block late was forked the same day (a mock application)"
        )
        assert _notes(house) == [note]
        assert note in " ".join(house.must("curve", "K", "R5", on=LATER).out.split())

    def test_a_bed_that_joins_an_old_block_has_no_control_of_its_age(self, house: Program) -> None:
        _with_rock(house)
        house.must("bed", "add", "L1", "--treatment", "R5", "--block", "1", "--from", "S1",
                   on=JOINED)  # fmt: skip
        house.must("apply", "L1", on=JOINED)
        _measured(house, {"L1": "130", "B1": "100"}, JOINED)
        assert _notes(house) == [
            f"L1 {FLUSH}: no control bed of block 1 was forked the same day (a mock application)"
        ]

    @pytest.mark.parametrize(
        ("soils", "filled", "note"),
        [
            (("new", "new"), ("16", "16"), None),
            (("new", "new"), ("09", "16"), "block late has no control bed newly filled with it"),
            (("unknown", "new"), ("16", "16"), "where the soil came from is not known"),
        ],
    )
    def test_new_fill_needs_a_control_newly_filled(
        self, house: Program, soils: tuple[str, str], filled: tuple[str, str], note: str | None
    ) -> None:
        _with_rock(house)
        beds = zip(("L1", "L2"), ("R5", "none"), soils, filled, strict=True)
        for label, treatment, soil, day in beds:
            house.must("bed", "add", label, "--treatment", treatment, "--block", "late", "--soil",
                       soil, "--when", f"2026-03-{day}", on=JOINED)  # fmt: skip
            house.must("fill", label, "--when", f"2026-03-{day}", on=JOINED)
        house.must("apply", "L1,L2", on=JOINED)
        _measured(house, {"L1": "130", "L2": "100"}, JOINED)
        assert _notes(house) == ([] if note is None else [f"L1 {FLUSH}: {note}"])

    def test_an_early_bed_never_has_the_note(self, house: Program) -> None:
        _measured(house, {"B1": "100", "B2": "130"}, DAY0)
        assert _notes(house, "M") == []


def test_what_happened_to_other_beds_and_days_is_no_limit_of_a_late_one(house: Program) -> None:
    """Block 2 and the days before the late beds joined have no part in their comparison."""
    said = house.must("pull", "B1,B2,B5,B6", on=DAY0)
    codes = {line.split()[1]: line.split()[0] for line in said.out.splitlines() if line[0] == " "}
    _forked(house)
    house.must("apply", "L1,L2", on="2026-03-17T09:00+01:00")
    said = house.must("pull", "L1,L2,B5,B6", on="2026-03-24T12:00+01:00")
    late = {line.split()[1]: line.split()[0] for line in said.out.splitlines() if line[0] == " "}
    rows = "".join(
        f"{code},nitrate-N,{20 + place},mg/kg,1 M KCl\n{code},ammonium-N,<0.5,mg/kg,1 M KCl\n"
        for place, code in enumerate((*codes.values(), *late.values()))
    )
    (house.folder / "n.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    house.must("lab", "import", "n.csv", "--report", "n", on=LATER)
    for code in (codes["B1"], late["B5"]):
        house.must("strike", f"{code}:nitrate-N", "--reason", "bag torn", on=LATER)

    (page,) = _json(house, "findings", "R5")["findings"]
    assert not [one for one in page["limits"] if "bag torn" in one]
    (halved,) = [one for one in page["limits"] if "below its limit" in one]
    assert halved.startswith("a part of 2 sums is below its limit") and halved.endswith("(day 7)")
    (page,) = _json(house, "findings", "M")["findings"]
    assert len([one for one in page["limits"] if "bag torn" in one]) == 1
    # Of one bed on a side nothing is shown: no supply and no price follow from it.
    (page,) = _json(house, "findings", "R5")["findings"]
    supplied = [one for one in page["findings"] if one["kind"] == "supply"]
    assert [one["value"] for one in supplied] == [None]
    assert supplied[0]["sentence"] == (
        "plant-available N by the last pull (day 7): not shown: one bed on a side"
    )


class TestPlacesOfLateBeds:
    """The lot was drawn over the beds of the start: a late one stands where a person put it."""

    def _pulled(self, house: Program) -> None:
        house.must("apply", "L1,L2", on="2026-03-17T09:00+01:00")
        _measured(house, {"L1": "130", "L2": "100"}, "2026-03-24T12:00+01:00")

    def test_findings_comparisons_and_the_export_say_so(self, house: Program) -> None:
        _forked(house)
        self._pulled(house)
        late = "late beds L1, L2 were placed by hand: not randomised"
        (page,) = _json(house, "findings", "R5")["findings"]
        assert page["reach"][2] == (
            f"1 bed against 1 bed of the untreated control, in one block; {late}"
        )
        assert not [one for one in page["limits"] if late in one]  # said once
        one_date = _json(house, "compare", "day 7", "--treatment", "R5")["comparison"]
        assert one_date["notes"] == [f"R5, K: {late}"]
        every_date = _json(house, "compare", "--all-dates")["every_date"]
        assert f"R5: {late}" in every_date["about"]
        house.must("season", "out", on=LATER)
        readme = " ".join((house.folder / "out" / "README.txt").read_text("utf-8").split())
        assert f"Treatments were drawn by lot (seed 7); {late}." in readme
        assert "Late beds were placed by hand: their differences may come from" in readme

    def test_those_of_the_start_were_drawn_all_the_same(self, house: Program) -> None:
        _measured(house, {"B1": "100", "B2": "130", "B5": "110", "B6": "120"}, DAY0)
        _forked(house)
        house.must("bed", "add", "L3", "--treatment", "M", "--block", "late", "--soil", "new",
                   on=JOINED)  # fmt: skip
        _measured(house, {"B1": "100", "B2": "130", "B5": "110", "B6": "120"}, JOINED)
        (page,) = _json(house, "findings", "M")["findings"]
        assert page["reach"][2].startswith(
            "3 beds against 5 beds of the untreated control, in 3 blocks, places drawn by lot, but "
            "late beds L2, L3 were placed by hand: not randomised; results to compare of at most "
            "2 against 2 on one day; S1"
        )

    def test_without_a_late_bed_nothing_is_said_of_any(self, house: Program) -> None:
        _measured(house, {"B1": "100", "B2": "130", "B5": "110", "B6": "120"}, DAY0)
        (page,) = _json(house, "findings", "M")["findings"]
        assert ", places drawn by lot" in page["reach"][2] and "by hand" not in page["reach"][2]


def test_what_is_worth_knowing_is_said_when_a_bed_joins(house: Program) -> None:
    _with_rock(house)
    house.must("event", "B1", "flooded", on=JOINED)
    said = house.must("bed", "add", "L1", "--treatment", "R5", "--block", "late", "--from", "B1",
                      on=JOINED).out  # fmt: skip
    assert f"Note: block late has no control bed yet: {'add one of the same history'}" in said
    assert "Note: B1 was noted flooded on Mon 16 Mar 2026 09:00" in said
    assert "block 1 has no control" not in said  # S1 is one
    said = house.must("bed", "add", "L2", "--treatment", "none", "--block", "late", "--from", "S1",
                      on=JOINED).out  # fmt: skip
    assert "block 1 has no control bed from that day on: its later pulls cannot be compared" in said
    assert "late has no control" not in said


class TestABedThatJoinsAnOldBlock:
    """Block 1 was applied on 2 March and is finished with; L3 joins it in July, applied then."""

    JULY = "2026-07-06T09:00+02:00"

    def _joined(self, house: Program) -> str:
        _with_rock(house)
        said = house.must("bed", "add", "L3", "--treatment", "R5", "--block", "1", "--soil", "new",
                          on=self.JULY).out  # fmt: skip
        house.must("fill", "L3", on=self.JULY)
        house.must("apply", "L3", on=self.JULY)
        return said

    def test_it_is_said_that_it_has_no_control(self, house: Program) -> None:
        said = " ".join(self._joined(house).split())
        assert "Note: block 1 has no control bed that joined with L3: B1, S1 have another" in said
        assert (
            f"history, and are not pulled for it: add one of the same history, {'forked'}" in said
        )

    def test_no_old_control_is_asked_for_soil(self, house: Program) -> None:
        self._joined(house)
        for day in ("06", "20"):
            assert self._due(house, f"2026-07-{day}T09:00+02:00") == {"L3"}

    def test_its_own_control_is_pulled_for_it(self, house: Program) -> None:
        self._joined(house)
        house.must("bed", "add", "L4", "--treatment", "none", "--block", "1", "--soil", "new",
                   on=self.JULY)  # fmt: skip
        house.must("apply", "L4", on=self.JULY)
        assert self._due(house, "2026-07-20T09:00+02:00") == {"L3", "L4"}

    @staticmethod
    def _due(house: Program, on: str) -> set[str]:
        """Who is due, of those that were applied."""
        (board,) = _json(house, "today", on=on)["boards"]
        found = [task for task in board["pulls"] if task["state"] in ("due", "overdue")]
        return {bed for task in found if task["what"] != "before" for bed in task["beds"]}


class TestAnAmendmentThatJoins:
    def test_its_cautions_are_printed(self, house: Program) -> None:
        said = house.must("amendment", "add", "muck", "--name", "stable muck (invented)",
                          "--material", "Manure", "--lot", "heap", on=JOINED)  # fmt: skip
        first, *cautions = said.out.splitlines()
        assert first.endswith("  amendment muck: stable muck (invented) (manure), lot heap")
        assert all(line.startswith("Caution: ") for line in cautions)
        # The intervals of 7 CFR 205.203(c)(1).
        assert any("120 days" in line and "90 days" in line for line in cautions)
        assert not any("quicklime" in line for line in cautions)

    def test_what_is_not_known_yet_waits(self, house: Program) -> None:
        house.must("amendment", "add", "lime", "--name", "field lime (invented)", "--material",
                   "lime", "--lot", "1", "--density", "not known yet", on=JOINED)  # fmt: skip
        shown = house.must("amendment", "show", on=JOINED).out
        assert "the density of lime is not known yet" in shown
        house.must("amendment", "set", "lime", "--density", "1.1 kg/L", on=JOINED)
        assert "the density of lime" not in house.must("amendment", "show", on=JOINED).out

    def test_undo_takes_it_back_while_no_treatment_names_it(self, house: Program) -> None:
        before = house.must("amendment", "show", on=JOINED).out
        _with_rock(house)
        house.must("undo", on=JOINED)
        house.must("undo", on=JOINED)
        assert house.must("amendment", "show", on=JOINED).out == before


LATE = ["--treatment", "none", "--block", "late"]
WRONG: dict[str, tuple[list[str], str]] = {
    "bed: no such treatment": (
        ["bed", "add", "L1", "--treatment", "gold", "--block", "late", "--soil", "new"],
        "Error: there is no treatment 'gold'\n"
        "Try: use one of: C10, M, none; or logbook treatment add\n",
    ),
    "bed: label taken": (
        ["bed", "add", "b2", *LATE, "--soil", "new"],
        "Error: 'b2' is the name of something else here\nTry: choose another label\n",
    ),
    "bed: unfit label": (
        ["bed", "add", "L-1", *LATE, "--soil", "new"],
        "Error: 'L-1' cannot be a label\n"
        "Try: up to 16 characters, without blanks, hyphens, commas or colons\n",
    ),
    "bed: block is a bed": (
        ["bed", "add", "L1", "--treatment", "none", "--block", "B2", "--soil", "new"],
        "Error: 'B2' is the name of something else here\nTry: choose another block\n",
    ),
    "bed: from a treated one": (
        ["bed", "add", "L1", *LATE, "--from", "B2"],
        "Error: B2 was treated: only a bed that ran untreated can go on as another\n"
        "Try: fill a new one: --soil new\n",
    ),
    "bed: from several": (
        ["bed", "add", "L1", *LATE, "--from", "control"],
        "Error: 'control' names 5 beds: name one\n",
    ),
    "bed: nobody says where the soil came from": (
        ["bed", "add", "L1", *LATE],
        "Error: where does its soil come from: a bed untreated since the start, new fill, or "
        "unknown?\nTry: answer with --from BED, --soil new or --soil unknown\n",
    ),
    "bed: no such origin": (
        ["bed", "add", "L1", *LATE, "--soil", "shop"],
        "Error: 'shop' is no origin of soil\nTry: use --from BED, --soil new or unknown\n",
    ),
    "bed: two origins": (
        ["bed", "add", "L1", *LATE, "--from", "S1", "--soil", "new"],
        "Error: --from says that the soil ran untreated; --soil new says otherwise\n",
    ),
    "bed: ahead of time": (
        ["bed", "add", "L1", *LATE, "--soil", "new", "--when", "2026-05-01"],
        "Error: Fri 1 May 2026 is in the future\nTry: an act is written down once it happened\n",
    ),
    "bed: pulled since": (
        ["bed", "add", "L1", *LATE, "--from", "S2", "--when", "2026-03-03"],
        "Error: S2 was pulled on Mon 9 Mar 2026 09:00, after Tue 3 Mar 2026\n"
        "Try: say when it was forked: --when\n",
    ),
    "bed: gone already": (
        ["bed", "add", "L1", *LATE, "--from", "S1"],
        "Error: S1 is out of the trial since Tue 10 Mar 2026\n",
    ),
    "treatment: no such amendment": (
        ["treatment", "add", "G", "--amendment", "gold", "--rate", "2 t/ha"],
        "Error: there is no amendment 'gold'\n"
        "Try: use one of: compost, meal; or logbook amendment add\n",
    ),
    "treatment: code taken": (
        ["treatment", "add", "M", "--amendment", "meal", "--rate", "2 t/ha"],
        "Error: 'M' is the name of something else here\nTry: choose another label\n",
    ),
    "treatment: no rate": (
        ["treatment", "add", "M9", "--amendment", "meal", "--rate", "much"],
        "Error: 'much' is not a rate\n",
    ),
    "amendment: everything at once": (
        ["amendment", "add", "Soil", "--name", " ", "--material", "gold", "--lot", "1",
         "--density", "14 kg/L", "--moisture", "1 %", "--price", "cheap"],
        "code: 'Soil' cannot be the code of a new amendment; taken: compost, meal, soil\n"
        "--name: ' ' is no name; say it in words\n"
        "--material: 'gold' is not a class of material; use one of: compost, manure, meal, guano, "
        "biochar, lime, ash, rock powder, gypsum, sulfur, straw, green manure, seaweed, mineral "
        "fertiliser, other\n"
        "--density: '14 kg/L' is heavier than any loose material; check the unit: kg/L?\n"
        "--moisture: '1 %' can be read in two ways; write \"% wet basis\" (water in the wet mass) "
        'or "% dry basis" (water per dry mass)\n'
        "--price: 'cheap' is not a price of a material; write it like \"0.80 EUR/kg\" or "
        '"12 EUR/40 L"\n'
        "Error: the amendment cannot be added\n",
    ),
    "amendment: taken": (
        ["amendment", "add", "MEAL", "--name", "x", "--material", "meal", "--lot", "2"],
        "code: 'MEAL' cannot be the code of a new amendment; taken: compost, meal, soil\n"
        "Error: the amendment cannot be added\n",
    ),
    "amendment: no lot": (
        ["amendment", "add", "ash", "--name", "x", "--material", "ash"],
        "Error: Missing option '--lot'.\n",
    ),
    "fill: goes on": (
        ["fill", "L9"],
        "Error: L9 goes on with soil that is there: it needs no filling; nothing was written\n"
        "Try: logbook event BEDS refilled, if it was filled up\n",
    ),
    "water: gone": (
        ["water", "S1"],
        "Error: S1: out of the trial since Tue 10 Mar 2026\n"
        "Try: check the bed and the day; bed list shows both\n",
    ),
    "pull: before it joined": (
        ["pull", "L9", "--when", "2026-03-09"],
        "Error: L9: joined on Tue 10 Mar 2026\n"
        "Try: check the bed and the day; bed list shows both\n",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_message_and_no_trace(name: str, house: Program) -> None:
    house.must("pull", "S2", on="2026-03-09T09:00+01:00")
    house.must("bed", "add", "L9", *LATE, "--from", "S1", on="2026-03-10T09:00+01:00")
    before = house.journal()
    words, expected = WRONG[name]

    said = house(*words, on=JOINED)

    assert (said.code, said.out) == (2, "")
    if name in ("treatment: no rate", "amendment: no lot"):
        assert expected in said.err
    else:
        assert said.err == expected
    assert house.journal() == before
