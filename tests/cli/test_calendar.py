"""Changing the calendar of a running trial, and skipping pulls of single beds, as typed.

The rules are common practice (no source); that a change moves nothing from before its date is
tested at the schedule, on thousands of histories.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.program import Program

DAY0 = "2026-03-02T09:00+01:00"
DAY10 = "2026-03-12T09:00+01:00"


@pytest.fixture
def applied(started: Program) -> Program:
    """The small trial with its controls and M applied on 2 March."""
    started.must("apply", "control,M", on=DAY0)
    return started


def board(program: Program, day: str) -> Any:
    said = program.must("today", "--json", on=f"{day}T09:00+01:00").out
    (one,) = json.loads(said)["boards"]
    return one


def states(program: Program, day: str, pull: str) -> dict[str, str]:
    """State by bed of one pull."""
    found = (task for task in board(program, day)["pulls"] if pull in task["what"])
    return {bed: task["state"] for task in found for bed in task["beds"]}


def calendar(program: Program) -> set[str]:
    """The calendar as shown: its rows, blanks made single."""
    lines = program.must("calendar", "show", on=DAY10).out.splitlines()[1:]
    return {" ".join(line.split()) for line in lines}


class TestCalendar:
    def test_a_pull_is_added_from_its_date_on(self, applied: Program) -> None:
        said = applied.must("calendar", "add", "21", "--tolerance", "2", on=DAY10)
        assert said.out == f"{said.act}  day 21 +-2 d from Thu 12 Mar 2026 on\n"
        found = states(applied, "2026-03-23", "day 21")
        assert found == {"B1": "due", "B2": "due", "B5": "due", "B6": "due"}

    def test_another_tolerance_keeps_the_old_row(self, applied: Program) -> None:
        applied.must("calendar", "add", "14", "--tolerance", "3", "--from", "2026-03-20", on=DAY10)
        rows = calendar(applied)
        assert "day 14 +-2 d before Fri 20 Mar 2026" in rows
        assert "day 14 +-3 d from Fri 20 Mar 2026 on" in rows
        # Day 14 of these beds is 16 March: its window is the old one and closes on the 18th.
        assert set(states(applied, "2026-03-19", "day 14").values()) == {"overdue"}

    def test_a_dropped_pull_is_owed_no_more_and_its_reason_stays(self, applied: Program) -> None:
        said = applied.must("calendar", "drop", "14", "--reason", "house is needed", on=DAY10)
        assert said.out == f"{said.act}  day 14 dropped from Thu 12 Mar 2026 on: house is needed\n"
        assert states(applied, "2026-03-16", "day 14").keys() & {"B1", "B2", "B5", "B6"} == set()
        history = applied.must("history", said.act, on=DAY10).out
        assert "planned pull day 14 +-2 d, before Thu 12 Mar 2026" in history
        assert "because: house is needed" in history

    def test_the_day_it_is_run_on_does_not_matter(self, applied: Program) -> None:
        """The same change, written five days late: the board is the same."""
        change = ("calendar", "drop", "14", "--from", "2026-03-15", "--reason", "r")
        applied.must(*change, on="2026-03-14T09:00+01:00")
        early = board(applied, "2026-03-20")
        applied.must("undo", on="2026-03-19T09:00+01:00")
        assert board(applied, "2026-03-20") != early
        applied.must(*change, on="2026-03-19T09:00+01:00")
        assert board(applied, "2026-03-20") == early

    def test_undo_gives_the_calendar_back(self, applied: Program) -> None:
        before = calendar(applied)
        for words in (
            ["add", "21"],
            ["add", "14", "--tolerance", "1"],
            ["drop", "28", "--reason", "r"],
        ):
            applied.must("calendar", *words, on=DAY10)
            assert calendar(applied) != before
            applied.must("undo", on=DAY10)
            assert calendar(applied) == before

    def test_dropping_the_day_named_beforehand_is_said(self, applied: Program) -> None:
        said = applied.must("calendar", "drop", "day 28", "--reason", "r", on=DAY10).out
        assert "Note: day 28 is the day of the difference named beforehand (mineral-N)\n" in said

    def test_a_dropped_pull_may_come_back(self, applied: Program) -> None:
        applied.must("calendar", "drop", "28", "--reason", "r", on=DAY10)
        applied.must("calendar", "add", "28", "--tolerance", "2", "--from", "2026-03-20", on=DAY10)
        assert set(states(applied, "2026-03-30", "day 28").values()) == {"due"}

    def test_it_is_shown_to_programs(self, applied: Program) -> None:
        applied.must("calendar", "add", "21", on=DAY10)
        pulls = json.loads(applied.must("calendar", "show", "--json", on=DAY10).out)["pulls"]
        (added,) = [one for one in pulls if one["name"] == "day 21"]
        assert (added["since"], added["until"], added["tolerance"]) == ("2026-03-12", None, 1)


class TestSkip:
    def test_it_is_off_the_board_and_in_the_json_with_its_reason(self, applied: Program) -> None:
        said = applied.must("skip", "B2", "--for", "14", "--reason", "too wet to core", on=DAY10)
        assert said.out.endswith("day 14 skipped on B2: too wet to core, Thu 12 Mar 2026 09:00\n")
        text = applied.must("today", on="2026-03-16T09:00+01:00").out
        assert "day 14: B5, B6" in text
        assert "skipped" not in text
        tasks = board(applied, "2026-03-16")["pulls"]
        (gone,) = [one for one in tasks if one["state"] == "skipped" and "B2" in one["beds"]]
        assert gone["why"] == "skipped: too wet to core"

    def test_its_control_does_not_follow(self, applied: Program) -> None:
        """B3 of block 1 was never applied: B2 alone decides what B1 owes on that day."""
        applied.must("skip", "B2", "--for", "14", "--reason", "r", on=DAY10)
        assert states(applied, "2026-03-16", "day 14").get("B1") != "due"
        assert states(applied, "2026-03-16", "day 14")["B5"] == "due"

    def test_a_control_skipped_alone_is_said_to_be_missing(self, applied: Program) -> None:
        said = applied.must("skip", "B5", "--for", "Day14", "--reason", "r", on=DAY10).out
        assert "Note: B4, B6 have no control for day 14 then: skip it there too\n" in said

    def test_undo_puts_it_back(self, applied: Program) -> None:
        before = board(applied, "2026-03-16")
        applied.must("skip", "M", "--for", "14", "--reason", "r", on=DAY10)
        assert board(applied, "2026-03-16") != before
        applied.must("undo", on=DAY10)
        assert board(applied, "2026-03-16") == before

    def test_it_stands_in_the_history_of_its_bed(self, applied: Program) -> None:
        applied.must("skip", "B2", "--for", "14", "--reason", "too wet", on=DAY10)
        assert "B2: day 14 skipped: too wet" in applied.must("history", "B2", on=DAY10).out


WRONG = {
    "add: overlap": (
        ["calendar", "add", "16", "--tolerance", "1"],
        "Error: day 16 +-1 d meets the window of day 14 +-2 d\n"
        "Try: choose another day or a smaller tolerance\n",
    ),
    "add: there already": (
        ["calendar", "add", "14", "--tolerance", "2"],
        "Error: the calendar has day 14 +-2 d already\n",
    ),
    "add: no day of a calendar": (
        ["calendar", "add", "99999"],
        "Error: day 99999 +-1 is not a day of a calendar\n",
    ),
    "add: no date": (
        ["calendar", "add", "21", "--from", "soon"],
        "Error: 'soon' is not a time\n"
        "Try: write yesterday, 08:30, tue 17:00, 2026-03-14 or 2026-03-14T08:30\n",
    ),
    "drop: no reason": (
        ["calendar", "drop", "14"],
        "Error: a change of the calendar needs its reason\nTry: add --reason TEXT\n",
    ),
    "drop: no such pull": (
        ["calendar", "drop", "day 15", "--reason", "r"],
        "Error: the calendar has no pull 'day 15'\n"
        "Try: it has: before, day 0, day 7, day 14, day 28\n",
    ),
    "drop: dropped already": (
        ["calendar", "drop", "7", "--reason", "r"],
        "Error: the calendar has dropped day 7 already\n",
    ),
    "skip: no reason": (
        ["skip", "B2", "--for", "14"],
        "Error: skipping a pull needs its reason\nTry: add --reason TEXT\n",
    ),
    "skip: blank reason": (
        ["skip", "B2", "--for", "14", "--reason", "  "],
        "Error: skipping a pull needs its reason\nTry: add --reason TEXT\n",
    ),
    "skip: no such pull": (
        ["skip", "B2", "--for", "15", "--reason", "r"],
        "Error: the calendar has no pull '15'\nTry: it has: before, day 0, day 7, day 14, day 28\n",
    ),
    "skip: skipped already": (
        ["skip", "B6", "--for", "28", "--reason", "r"],
        "Error: day 28 is skipped on B6 already: too hot\n",
    ),
    "skip: not owed": (
        ["skip", "B2", "--for", "7", "--reason", "r"],
        "Error: B2 owes no day 7: there is nothing to skip\n",
    ),
    "skip: no such bed": (
        ["skip", "B9", "--for", "14", "--reason", "r"],
        "Error: 'B9' is no bed, block or treatment here\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_message_and_no_trace(name: str, applied: Program) -> None:
    applied.must("calendar", "drop", "7", "--from", "2026-03-05", "--reason", "r", on=DAY10)
    applied.must("skip", "B6", "--for", "28", "--reason", "too hot", on=DAY10)
    before = applied.journal()
    words, expected = WRONG[name]

    said = applied(*words, on=DAY10)

    assert (said.code, said.out) == (2, "")
    assert said.err.startswith(expected) if name == "skip: no such bed" else said.err == expected
    assert applied.journal() == before


def test_a_pull_that_was_made_is_not_skipped(applied: Program) -> None:
    code = applied.must("pull", "B2", on="2026-03-09T09:00+01:00").samples[0]
    said = applied("skip", "B2", "--for", "day 7", "--reason", "r", on=DAY10)
    assert said.err == f"Error: B2 was pulled for day 7 already ({code})\n"


class TestABedAppliedADayLater:
    """B6 of block 2 got its meal on Tuesday, the others on Monday; day 7 may be a day off."""

    @pytest.fixture
    def late(self, started: Program) -> Program:
        density = ("--density", "0.5 kg/L", "--moisture", "40 % wet basis")
        started.must("amendment", "set", "compost", *density, on=DAY0)
        started.must("apply", "B1-B5", on=DAY0)
        started.must("apply", "B6", on="2026-03-03T09:00+01:00")
        return started

    @staticmethod
    def _asked(program: Program, day: str, pull: str) -> list[str]:
        """What the board says of the control bed B5 and a pull."""
        tasks = board(program, day)["pulls"]
        return [one["why"] for one in tasks if one["what"] == pull and "B5" in one["beds"]]

    def test_its_control_is_asked_for_once(self, late: Program) -> None:
        assert self._asked(late, "2026-03-09", "day 7") == [
            "open until Tue 10 Mar 2026; follows B4, B6"
        ]
        late.must("pull", "B1-B5", on="2026-03-09T09:00+01:00")
        assert self._asked(late, "2026-03-10", "day 7") == []
        late.must("pull", "B6", on="2026-03-10T09:00+01:00")
        assert not states(late, "2026-03-25", "day 7")

    def test_where_it_takes_two_pulls_each_names_the_bed_it_follows(self, late: Program) -> None:
        assert self._asked(late, "2026-03-05", "day 0") == [
            "not pulled; its window closed on Mon 2 Mar 2026; follows B4",
            "not pulled; its window closed on Tue 3 Mar 2026; follows B6",
        ]

    def test_the_control_can_be_pulled_for_the_one_that_is_still_open(self, late: Program) -> None:
        for day in ("03", "04"):
            said = late.must("pull", "B5", "--for", "day 0", on=f"2026-03-{day}T12:00+01:00").out
            assert "for day 0" in said
        assert self._asked(late, "2026-03-05", "day 0") == []

    def test_no_bed_is_pulled_for_day_0_before_its_amendment_went_in(self, late: Program) -> None:
        before = late.journal()
        said = late("pull", "all", "--for", "day 0", "--when", "2026-03-02", on=DAY10)
        assert (said.code, said.out) == (2, "")
        assert said.err == (
            "Error: B6 was applied on Tue 3 Mar 2026: a pull of Mon 2 Mar 2026 is not one for "
            "'day 0'\nTry: check the day, or leave --for out\n"
        )
        assert late.journal() == before
        late.must("pull", "B1-B5", "--for", "day 0", "--when", "2026-03-02", on=DAY10)

    def test_a_bed_whose_application_nobody_wrote_down_is_remarked_on(
        self, applied: Program
    ) -> None:
        said = applied.must("pull", "block 1", "--for", "day 0", on=DAY0)
        assert said.err == (
            "Note: B3 is not applied yet, and day 0 counts from that: logbook apply.\n"
        )
        assert applied.must("pull", "block 2", on=DAY0).err == ""
