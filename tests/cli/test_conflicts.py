"""`conflicts` and `settle`, as the person who must decide meets them."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from logbook.journal.entry import Write
from logbook.store import views
from tests.elsewhere import Elsewhere, keys_of, standing
from tests.one_date import DAY0, DAY7, pulled, report
from tests.program import Program

LATER = "2026-03-10T09:00+01:00"


class House:
    """The small trial with B3 watered three ways: here, and as two other machines have it."""

    def __init__(self, program: Program) -> None:
        self.program = program
        program.must("apply", "all", on=DAY0)
        self.act = program.must("water", "B3", "--amount", "250 mL", "--known", "metered").act
        (self.key,) = keys_of(program.store, self.act)
        self.name = f"{self.act}:B3"
        self.first, self.value = standing(program.store, self.key)
        program.must("correct", self.name, "--amount", "300 mL", "--reason", "read again")
        self.mine, _ = standing(program.store, self.key)
        self.greenhouse = Elsewhere(program.store)
        self.office = Elsewhere(program.store, "office", "ann")
        self.theirs = self.greenhouse.says(
            self.key, {**self.value, "volume_ml": "200", "typed": "200 mL"}, (self.first,), "half"
        )

    def struck(self) -> str:
        """The office struck the line; the id of its entry."""
        return self.office.says(self.key, None, (self.first,), "B3 was left dry")

    def settle(self, *words: str) -> Any:
        return self.program("settle", self.name, *words, on=LATER)

    def listed(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.program("conflicts", "--json", on=LATER).out)
        return found

    def millilitres(self) -> str:
        return str(standing(self.program.store, self.key)[1]["volume_ml"])


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test's own machine is called bench."""
    monkeypatch.setattr("logbook.config.machine_name", lambda: "bench")


@pytest.fixture
def house(bench: None, started: Program) -> House:
    return House(started)


def test_nothing_is_open_and_the_exit_code_is_0(started: Program) -> None:
    said = started.must("conflicts")
    assert said.out == "Machines agree: nothing is open.\n"
    assert json.loads(started.must("conflicts", "--json").out) == {
        "format": 1, "conflicts": [], "possible_duplicates": [], "newer_lines": 0,
    }  # fmt: skip


class TestTheList:
    def test_every_version_in_words_and_what_to_type(self, house: House) -> None:
        office = house.struck()
        said = house.program("conflicts", on=LATER)
        assert (said.code, said.err) == (1, "")
        strike, theirs = sorted(
            (
                (office, "ann on office, 2026-03-02 10:15\n     struck\n"
                 "     because: B3 was left dry\n"),
                (house.theirs, "olek on greenhouse, 2026-03-02 10:15\n"
                 "     watered 200 mL (metered)\n     because: half\n"),
            )
        )  # fmt: skip
        assert said.out == (
            "Machines disagree about 1 line.\n"
            "\n"
            f"{house.name}: water of B3, Mon 2 Mar 2026 09:00; differs in how known, volume\n"
            f"  1  {house.mine[:8]}  mira on bench, 2026-03-02 09:00\n"
            "     watered 300 mL (how known: not said)\n"
            "     because: read again\n"
            f"  2  {strike[0][:8]}  {strike[1]}"
            f"  3  {theirs[0][:8]}  {theirs[1]}"
            f"  logbook settle {house.name} --keep NUMBER --reason TEXT\n"
        )

    def test_for_programs(self, house: House) -> None:
        (one,) = house.listed()["conflicts"]
        assert {name: one[name] for name in one if name != "versions"} == {
            "reference": house.name,
            "key": house.key,
            "line": "water of B3",
            "trial": "Small house (invented)",
            "beds": ["B3"],
            "when": "2026-03-02T09:00+01:00",
            "differ": ["known", "volume_ml"],
            "left_out_of": [],
        }
        assert one["versions"][1] == {
            "number": 2,
            "entry": house.theirs,
            "by": "olek",
            "machine": "greenhouse",
            "written": "2026-03-02T10:15:00+01:00",
            "words": "watered 200 mL (metered)",
            "value": {**house.value, "volume_ml": "200", "typed": "200 mL"},
            "besides": {},
            "reason": "half",
            "same_as": None,
        }

    def test_what_words_leave_out_stands_beside_them(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        code = pulled(started, "B1", DAY7)["B1"]
        name, value = standing(started.store, f"pull/{code}")
        other = Elsewhere(started.store)
        other.says(f"pull/{code}", {**value, "when": "2026-03-09T16:00+01:00"})
        with views.reading(started.store) as store:
            (bed,) = views.fetch(store, "bed", "label = 'B5'")
        at = "2026-03-10T08:00:00+01:00"
        other.says(f"pull/{code}", {**value, "bed": bed.id}, (name,), at=at)
        said = started("conflicts", on=LATER).out
        assert f"{code}: pull of B1+B5; differs in bed, when\n" in said
        assert f"     pulled {code}, 8 cores to 15 cm; when Mon 9 Mar 2026 16:00; bed B1\n" in said
        assert f"     pulled {code}, 8 cores to 15 cm; when Mon 9 Mar 2026 09:00; bed B5\n" in said

    def test_an_amount_is_said_once_in_whatever_unit(self, started: Program) -> None:
        act = started.must("water", "B3", "--amount", "6 L").act
        (key,) = keys_of(started.store, act)
        _, value = standing(started.store, key)
        # The same words for another amount (of a bed that was called larger): both are said.
        Elsewhere(started.store).says(key, {**value, "volume_ml": "4500"})
        said = started("conflicts", on=LATER).out
        assert "     watered 6 L (how known: not said)\n" in said
        assert "     watered 6 L (how known: not said); volume 4500 mL\n" in said

    def test_curves_that_wait_are_named(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        codes = pulled(started, "B1,B2", DAY7)
        report(started, [(code, "K", "90", "mg/kg", "Olsen") for code in codes.values()], "1")
        _, value = standing(started.store, f"pull/{codes['B2']}")
        Elsewhere(started.store).says(f"pull/{codes['B2']}", {**value, "cores": 5})
        assert "  left out of K of M until settled\n" in started("conflicts", on=LATER).out
        note = f"machines disagree on the pull {codes['B2']}: {codes['B2']} left out until settled"
        shown = started("curve", "K", "M", on="2026-04-20T09:00+02:00")
        assert note in " ".join((shown.out + shown.err).split())

    def test_lines_of_a_newer_program_are_counted(self, started: Program) -> None:
        Elsewhere(started.store).files("balloon", [Write("balloon/1", {"height": "9"})])
        said = started.must("conflicts")
        assert said.out == (
            "Machines agree: nothing is open.\n"
            "\n"
            "1 line was written by a newer version of the program: kept and passed on, not\n"
            "  shown here.\n"
        )

    def test_the_list_fits_80_columns_and_is_ascii(self, house: House) -> None:
        house.greenhouse.says(
            house.key, {**house.value, "volume_ml": "1"}, (house.theirs,), "x " * 90
        )
        said = house.program("conflicts", on=LATER).out
        assert max(map(len, said.splitlines())) <= 80 and said.isascii()

    def test_control_characters_of_another_machine_do_not_reach_the_screen(
        self, house: House
    ) -> None:
        house.greenhouse.by = "olek\x1b[2J"
        house.greenhouse.says(house.key, {**house.value, "volume_ml": "1"}, (house.theirs,), "\x07")
        assert "\x1b" not in house.program("conflicts", on=LATER).out

    def test_where_nothing_can_be_kept_the_list_is_shown_all_the_same(
        self, house: House, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        blocked = house.program.folder / "file"
        blocked.write_text("", encoding="utf-8")
        monkeypatch.setenv("LOGBOOK_STATE", str(blocked))
        assert house.program("conflicts", on=LATER).code == 1


class TestTheBoard:
    def test_one_line_for_conflicts_and_one_for_pairs(self, house: House) -> None:
        program = house.program
        code = pulled(program, "B1", DAY7)["B1"]
        _, value = standing(program.store, f"pull/{code}")
        house.greenhouse.files("pull", [Write("pull/RT4MAXCL", {**value, "code": "RT4MAXCL"})])
        wrong = json.loads(program.must("today", "--json", on=LATER).out)["boards"][0]["wrong"]
        first, second = sorted((code, "RT4MAXCL"))
        assert wrong == [
            f"{first} and {second} may be one pull of B1 written down twice: logbook conflicts",
            "machines disagree about 1 line: logbook conflicts",
        ]
        house.greenhouse.files("pull", [Write("pull/XW3KRT9D", {**value, "code": "XW3KRT9D"})])
        (_, bed) = standing(program.store, f"bed/{house.value['bed']}")
        house.greenhouse.says(f"bed/{house.value['bed']}", {**bed, "place": 9})
        wrong = json.loads(program.must("today", "--json", on=LATER).out)["boards"][0]["wrong"]
        assert wrong == [
            "3 pairs of pulls may be one pull written down twice: logbook conflicts",
            "machines disagree about 2 lines: logbook conflicts",
        ]


class TestSettlingALine:
    def test_by_the_number_that_was_listed(self, house: House) -> None:
        house.listed()
        said = house.settle("--keep", "2", "--reason", "olek read the meter")
        assert said.code == 0
        assert said.out == (
            f"{said.act}  kept version 2 of 2 of {house.name}, watered 200 mL (metered): "
            "olek read the meter\n"
        )
        assert house.millilitres() == "200"
        assert house.program("conflicts", on=LATER).code == 0
        told = house.program.must("history", house.name, on=LATER).out
        assert "mira: settled as B3: watered 200 mL (metered)" in told
        assert "because: olek read the meter" in told
        assert "because: read again" in told

    def test_by_the_id_shown(self, house: House) -> None:
        assert house.settle("--keep", house.mine[:8].upper(), "--reason", "x").code == 0
        assert house.millilitres() == "300"

    def test_by_the_key_or_the_act(self, house: House) -> None:
        house.listed()
        said = house.program("settle", house.act.lower(), "--keep", "1", "--reason", "x", on=LATER)
        assert said.code == 0, said
        house.greenhouse.says(house.key, {**house.value, "volume_ml": "7"}, (house.first,))
        house.listed()
        said = house.program("settle", house.key, "--keep", "1", "--reason", "x", on=LATER)
        assert said.code == 0, said

    def test_no_version_stands(self, house: House) -> None:
        said = house.settle("--strike", "--reason", "B3 was left dry")
        assert said.out == f"{said.act}  struck all 2 versions of {house.name}: B3 was left dry\n"
        assert house.program("conflicts", on=LATER).code == 0
        with views.reading(house.program.store) as store:
            assert views.fetch(store, "water") == []

    def test_a_strike_stands(self, house: House) -> None:
        struck = house.struck()
        said = house.settle("--keep", struck[:8], "--reason", "it was")
        assert f"of 3 of {house.name}, struck: it was" in said.out
        with views.reading(house.program.store) as store:
            assert views.fetch(store, "water") == []

    def test_correcting_settles_and_says_so(self, house: House) -> None:
        said = house.program.must(
            "correct", house.name, "--amount", "240 mL", "--reason", "both wrong", on=LATER
        )
        assert said.err == f"Note: machines disagreed about {house.name}: this settles it.\n"
        assert house.program("conflicts", on=LATER).code == 0

    def test_a_version_that_came_in_after_the_listing_is_not_passed_over(
        self, house: House
    ) -> None:
        house.listed()
        house.struck()
        refused = (
            f"Error: {house.name} was written again since it was listed; nothing was settled\n"
            "Try: logbook conflicts shows its versions as they are now\n"
        )
        before = house.program.journal()
        for words in (["--keep", "2"], ["--keep", house.mine[:8]], ["--strike"]):
            said = house.settle(*words, "--reason", "x")
            assert (said.code, said.err, said.out) == (2, refused, "")
        assert house.program.journal() == before
        house.listed()
        assert house.settle("--keep", "1", "--reason", "x").code == 0

    def test_a_version_replaced_after_the_listing_is_not_passed_over(self, house: House) -> None:
        house.listed()
        house.greenhouse.says(house.key, {**house.value, "volume_ml": "210"}, (house.theirs,))
        assert house.settle("--keep", "2", "--reason", "x").code == 2

    def test_a_number_means_nothing_before_the_listing(self, house: House) -> None:
        said = house.settle("--keep", "2", "--reason", "x")
        assert (said.code, said.err) == (
            2,
            f"Error: the versions of {house.name} were not listed yet, so that 2 is none of them\n"
            "Try: logbook conflicts\n",
        )

    @pytest.mark.parametrize(
        ("keep", "said"),
        [
            ("3", "Error: {name} has no version 3\nTry: it has 2: logbook conflicts\n"),
            ("0", "Error: {name} has no version 0\nTry: it has 2: logbook conflicts\n"),
            ("abcd1234", "Error: {name} has no version abcd1234\n"
             "Try: it has 2: logbook conflicts\n"),
            ("abc", "Error: 'abc' is neither a version's number nor its id\n"
             "Try: logbook conflicts shows both\n"),
            ("the best", "Error: 'the best' is neither a version's number nor its id\n"
             "Try: logbook conflicts shows both\n"),
        ],
    )  # fmt: skip
    def test_versions_that_there_are_none_of(self, house: House, keep: str, said: str) -> None:
        house.listed()
        answer = house.settle("--keep", keep, "--reason", "x")
        assert (answer.code, answer.err) == (2, said.format(name=house.name))

    def test_what_is_agreed_is_not_settled(self, house: House) -> None:
        water = house.program.must("water", "B1", "--amount", "1 L", on=LATER).act
        said = house.program("settle", f"{water}:B1", "--keep", "1", "--reason", "x", on=LATER)
        assert (said.code, said.err) == (
            2,
            f"Error: machines agree about {water}:B1\nTry: logbook conflicts lists what is open\n",
        )

    def test_an_act_with_several_lines_in_conflict_needs_one_named(self, started: Program) -> None:
        act = started.must("water", "B1,B2", "--amount", "1 L").act
        other = Elsewhere(started.store)
        for key in keys_of(started.store, act):
            other.says(key, {**standing(started.store, key)[1], "volume_ml": "900"})
        said = started("settle", act, "--strike", "--reason", "x")
        assert (said.code, said.err) == (
            2, f"Error: {act} has 2 lines in conflict: {act}:B1, {act}:B2\nTry: name one\n",
        )  # fmt: skip

    def test_a_record_of_the_trial_goes_by_its_kind_and_name(self, started: Program) -> None:
        with views.reading(started.store) as store:
            (bed,) = views.fetch(store, "bed", "label = 'B1'")
        _, value = standing(started.store, f"bed/{bed.id}")
        Elsewhere(started.store).says(f"bed/{bed.id}", {**value, "place": 7})
        said = started("conflicts").out
        assert "  logbook settle 'bed B1' --keep NUMBER --reason TEXT\n" in said
        assert "; place 7\n" in said
        assert started("settle", "Bed b1", "--keep", "1", "--reason", "as drawn").code == 0
        assert started("conflicts").code == 0

    def test_a_pull_takes_its_parts_along_and_says_what_counts_no_longer(
        self, started: Program
    ) -> None:
        started.must("apply", "all", on=DAY0)
        said = started.must(
            "pull", "B1", "--part", "chilled: nitrate-N", "--part", "dried: P", on=DAY7
        )
        code, dried = said.bags[0]
        report(started, [(dried, "P", "12", "mg/kg", "Olsen")], "1")
        _, value = standing(started.store, f"pull/{code}")
        Elsewhere(started.store).says(f"pull/{code}", {**value, "cores": 5})
        said = started.must("settle", code, "--strike", "--reason", "never taken", on=LATER)
        assert said.out == (
            f"{said.act}  struck all 2 versions of {code}: never taken\n"
            "  and 2 lines that hung on it, struck\n"
            "  1 result of it counts no longer\n"
        )

    def test_parts_struck_elsewhere_with_a_pull_that_stays_are_told(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        said = started.must(
            "pull", "B1", "--part", "chilled: nitrate-N", "--part", "dried: P", on=DAY7
        )
        code, dried = said.bags[0]
        seen = {key: standing(started.store, key)[0] for key in
                (f"pull/{code}", f"part/{code}", f"part/{dried}")}  # fmt: skip
        started.must("correct", code, "--cores", "6", "--reason", "counted", on=DAY7)
        Elsewhere(started.store).files(
            "strike", [Write(key, None, (name,)) for key, name in seen.items()], "wrong bed"
        )
        mine, _ = _standing_value(started.store, f"pull/{code}")
        said = started.must("settle", code, "--keep", mine[:8], "--reason", "it was B1", on=LATER)
        assert said.err == (
            f"Note: its parts {', '.join(sorted((code, dried)))} stay struck, as they were with "
            "the pull.\n"
        )

    def test_a_line_of_a_newer_program_is_left_alone(self, house: House) -> None:
        house.greenhouse.files("balloon", [Write(house.key, {"height": "9"})])
        said = (
            f"Error: {house.name} was written by a newer version of the program, which this one "
            "cannot read: it would be replaced unseen\n"
            "Try: install that version here, or do it on the machine that has it\n"
        )
        before = house.program.journal()
        for words in (
            ("settle", house.name, "--strike"),
            ("settle", house.name, "--keep", house.mine[:8]),
            ("correct", house.name, "--amount", "1 L"),
            ("strike", house.name),
        ):
            answer = house.program(*words, "--reason", "x", on=LATER)
            assert (answer.code, answer.err) == (2, said)
        assert house.program.journal() == before


def _standing_value(store: Path, key: str) -> tuple[str, Any]:
    """The live line of a key that is no strike."""
    with views.reading(store) as connection:
        lines = views.writes_of_key(connection, key)
    ((name, value),) = [
        (name, entry.writes[place].value)
        for name, entry, place, live in lines
        if live and entry.writes[place].value is not None
    ]
    return name, value


class TestTheHistory:
    def states(self, house: House) -> dict[str, str]:
        """What became of each line, by its words."""
        told = house.program.must("history", house.name, "--json", on=LATER)
        return {line["what"]: line["state"] for line in json.loads(told.out)["lines"]}

    def test_versions_that_disagree_are_in_conflict(self, house: House) -> None:
        house.struck()
        assert self.states(house) == {
            "B3: watered 250 mL (metered)": "corrected",
            "corrected to B3: watered 300 mL (how known: not said)": "in conflict",
            "corrected to B3: watered 200 mL (metered)": "in conflict",
            "struck": "in conflict",
        }
        shown = " ".join(house.program.must("history", "B3", on=LATER).out.split())
        assert shown.count(f"on greenhouse | in conflict | {house.name}") == 1

    def test_what_a_settling_kept_and_what_it_replaced(self, house: House) -> None:
        house.struck()
        house.listed()
        house.settle("--keep", house.theirs[:8], "--reason", "metered")
        assert self.states(house) == {
            "B3: watered 250 mL (metered)": "corrected",
            "corrected to B3: watered 300 mL (how known: not said)": "replaced",
            "corrected to B3: watered 200 mL (metered)": "kept",
            "struck": "replaced",
            "settled as B3: watered 200 mL (metered)": "stands",
        }

    def test_what_a_strike_that_stands_replaced_was_not_struck(self, house: House) -> None:
        office = house.struck()
        house.listed()
        house.settle("--keep", office[:8], "--reason", "left dry")
        found = self.states(house)
        assert found["corrected to B3: watered 300 mL (how known: not said)"] == "replaced"
        assert found["corrected to B3: watered 200 mL (metered)"] == "replaced"
        # The office struck what was first written.
        assert found["B3: watered 250 mL (metered)"] == "struck"

    def test_a_settling_that_strikes_every_version_struck_them(self, house: House) -> None:
        house.listed()
        house.settle("--strike", "--reason", "nobody was there")
        found = self.states(house)
        assert found["corrected to B3: watered 300 mL (how known: not said)"] == "struck"
        assert found["corrected to B3: watered 200 mL (metered)"] == "struck"


class TestTwoPulls:
    @pytest.fixture
    def pair(self, started: Program) -> tuple[Program, str]:
        """B1 pulled on day 7 here, and by the greenhouse as RT4MAXCL."""
        started.must("apply", "all", on=DAY0)
        code = pulled(started, "B1", DAY7)["B1"]
        _, value = standing(started.store, f"pull/{code}")
        later = {**value, "code": "RT4MAXCL", "when": "2026-03-09T09:20+01:00"}
        Elsewhere(started.store).files("pull", [Write("pull/RT4MAXCL", later)])
        return started, code

    def test_the_list_shows_both(self, pair: tuple[Program, str]) -> None:
        program, code = pair
        said = program("conflicts", on=LATER)
        first, second = sorted((code, "RT4MAXCL"))
        assert said.code == 1
        assert said.out.startswith(
            "1 pair of pulls may be one pull written down twice.\n"
            "\n"
            f"{first} and {second} may be one pull of B1 written down twice\n"
        )
        assert (
            "  RT4MAXCL  olek on greenhouse, 2026-03-01 08:00; no part, no result\n"
            "     pulled RT4MAXCL, 8 cores to 15 cm, Mon 9 Mar 2026 09:20\n"
        ) in said.out
        assert said.out.endswith(
            f"  logbook settle {first} {second} --same --reason TEXT\n"
            f"  logbook settle {first} {second} --different --reason TEXT\n"
        )

    def test_one_pull(self, pair: tuple[Program, str]) -> None:
        program, code = pair
        said = program.must("settle", code, "rt4maxcl", "--same", "--reason", "one bag", on=LATER)
        assert said.out == f"{said.act}  {code} stays, RT4MAXCL is struck: one bag\n"
        assert said.err == (
            f"Note: results that name RT4MAXCL will not count: write {code} on its bag.\n"
        )
        assert program("conflicts", on=LATER).code == 0
        told = " ".join(program.must("history", code, on=LATER).out.split())
        assert f"stays: B1: pulled {code}" in told
        undone = program.must("undo", on=LATER).out
        assert undone.endswith(f"took back the striking {said.act} of RT4MAXCL\n")
        assert program("conflicts", on=LATER).code == 1

    def test_one_pull_whose_other_bag_is_in_use(self, pair: tuple[Program, str]) -> None:
        program, code = pair
        report(program, [("RT4MAXCL", "K", "90", "mg/kg", "Olsen")], "1")
        before = program.journal()
        said = program("settle", code, "RT4MAXCL", "--same", "--reason", "one bag", on=LATER)
        assert (said.code, said.out, said.err) == (
            2,
            "",
            "Error: RT4MAXCL has 1 result: with the pull struck, that would count no longer\n"
            f"Try: keep that one: logbook settle RT4MAXCL {code} --same --reason TEXT\n",
        )
        assert program.journal() == before

    def test_two_pulls(self, pair: tuple[Program, str]) -> None:
        program, code = pair
        said = program.must(
            "settle", "RT4MAXCL", code, "--different", "--reason", "bag tore", on=LATER
        )
        # The time of the pull decides, not the order of naming.
        assert said.out == f"{said.act}  RT4MAXCL is a repeat of {code}: bag tore\n"
        assert program("conflicts", on=LATER).code == 0
        assert "again: bag tore" in program.must("history", "RT4MAXCL", on=LATER).out


class TestOneActByTwoMachines:
    """Two machines write the same act of a bed: a person is asked, nothing is merged."""

    @staticmethod
    def _again(program: Program, act: str, minutes: int) -> None:
        """The act once more, by another machine, so many minutes later."""
        olek = Elsewhere(program.store, f"olek-{minutes}")
        keys = keys_of(program.store, act)
        for key in keys:
            space, _, bed = key.split("/")
            _, value = standing(program.store, key)
            when = datetime.fromisoformat(str(value["when"])) + timedelta(minutes=minutes)
            value = {**value, "when": when.isoformat(timespec="minutes")}
            olek.files(space, [Write(f"{space}/RT4MAXCL/{bed}", value)])

    @staticmethod
    def _asked(program: Program, on: str = DAY0) -> list[str]:
        (board,) = json.loads(program.must("today", "--json", on=on).out)["boards"]
        return [one for one in board["wrong"] if "two machines" in one]

    def test_watered_in_the_same_minutes(self, started: Program) -> None:
        act = started.must("water", "B1-B3,B5", on=DAY0).act
        self._again(started, act, 3)
        first, second = sorted((act, "RT4MAXCL"))
        assert self._asked(started) == [
            f"B1-B3, B5 watered at the same time by two machines ({first}, {second}): if that was "
            f"one act, logbook strike {second}:B1-B3,B5 --reason TEXT"
        ]
        started.must("strike", f"{act}:B1-B3,B5", "--reason", "olek did it")
        assert self._asked(started) == []

    def test_an_hour_later_or_a_week_ago_is_no_question(self, started: Program) -> None:
        act = started.must("water", "B1", on=DAY0).act
        self._again(started, act, 60)
        assert self._asked(started) == []
        act = started.must("water", "B2", on=DAY0).act
        self._again(started, act, 5)
        assert self._asked(started)
        assert self._asked(started, "2026-03-12T09:00+01:00") == []

    def test_a_bed_is_applied_once_whenever_that_was(self, started: Program) -> None:
        act = started.must("apply", "B2", on=DAY0).act
        self._again(started, act, 600)
        (said,) = self._asked(started, "2026-05-12T09:00+01:00")
        assert said.startswith("B2 applied by two machines (")
