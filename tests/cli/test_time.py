"""Time: midnight, clock changes, a leap day, a clock that is wrong, a trial of 400 days.

Dates of clock changes are those of the IANA time zone database (2026: Berlin 29 March and 25
October, New York 8 March and 1 November, Lord Howe Island 5 April and 4 October, by half an hour).
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from freezegun import freeze_time

from logbook.cli.run import run
from tests.program import PROTOCOL, Program


def start(program: Program, zone: str, on: str, calendar: str | None = None) -> Program:
    """The small trial in another zone, started and filled."""
    text = PROTOCOL.replace("Europe/Berlin", zone)
    if calendar is not None:
        head, rest = text.split("pulls = [", 1)
        text = f"{head}pulls = [{calendar}]{rest.split(']', 1)[1]}"
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on=on)
    program.must("fill", "all", on=on)
    return program


def board(program: Program, on: str) -> Any:
    (one,) = json.loads(program.must("today", "--json", on=on).out)["boards"]
    return one


def states(program: Program, on: str, pull: str) -> dict[str, str]:
    tasks = (task for task in board(program, on)["pulls"] if task["what"] == pull)
    return {bed: task["state"] for task in tasks for bed in task["beds"]}


@pytest.fixture(params=["America/Los_Angeles", "Pacific/Auckland", "UTC"])
def machine_zone(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The laptop's own zone, which is none of the trial's business."""
    if not hasattr(time, "tzset"):
        pytest.skip("this system sets its zone in another way")
    before = os.environ.get("TZ")
    os.environ["TZ"] = request.param
    time.tzset()
    yield request.param
    os.environ.pop("TZ")
    if before is not None:
        os.environ["TZ"] = before
    time.tzset()


class TestMidnight:
    def test_the_board_turns_at_midnight_of_the_trial(
        self, program: Program, machine_zone: str
    ) -> None:
        """23:59 and 00:01 in Berlin, whatever the laptop's zone: the pull of day 7 +-1."""
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        program.must("apply", "control,M", on="2026-03-02T23:59+01:00")
        late, early = "2026-03-10T22:59+00:00", "2026-03-10T23:01+00:00"
        assert (board(program, late)["today"], board(program, early)["today"]) == (
            "2026-03-10", "2026-03-11",
        )  # fmt: skip
        assert set(states(program, late, "day 7").values()) == {"due"}
        assert set(states(program, early, "day 7").values()) == {"overdue"}

    def test_the_clock_of_the_machine_is_read_as_an_instant(
        self, program: Program, machine_zone: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """No clock is handed in here: 23:30 of 10 March in Berlin is 22:30 UTC."""
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        with freeze_time("2026-03-10T22:30:00Z"):
            capsys.readouterr()
            assert run(["note", "late shift"]) == 0
            assert "Tue 10 Mar 2026 23:30" in capsys.readouterr().out
        with freeze_time("2026-03-10T23:30:00Z"):
            assert run(["note", "night shift"]) == 0
            assert "Wed 11 Mar 2026 00:30" in capsys.readouterr().out

    def test_an_act_before_midnight_written_after_it_keeps_its_day(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        program.must("apply", "control,M", "--when", "yesterday", on="2026-03-03T00:10+01:00")
        assert board(program, "2026-03-03T00:11+01:00")["day"] == 1


class TestTomorrow:
    def test_what_is_due_tomorrow_in_the_zone_of_the_trial(self, program: Program) -> None:
        start(program, "Pacific/Auckland", "2026-03-01T09:00+13:00")
        now = "2026-03-10T23:30+13:00"
        for words in (("today", "--on", "tomorrow"), ("week", "--on", "tomorrow")):
            assert "Wed 11 Mar 2026" in program.must(*words, on=now).out.splitlines()[0]

    @pytest.mark.parametrize(
        "words",
        [
            ("note", "fan moved", "--when", "tomorrow"),
            ("apply", "all", "--when", "tomorrow 08:00"),
            ("pull", "all", "--for", "before", "--when", "tomorrow"),
            ("lab", "send", "--all-waiting", "--on", "tomorrow"),
        ],
    )
    def test_no_act_is_written_down_before_it_happened(
        self, program: Program, words: tuple[str, ...]
    ) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        before = program.journal()
        said = program(*words, on="2026-03-01T12:00+01:00")
        assert said.code == 2
        assert "Mon 2 Mar 2026" in said.err
        assert "is in the future" in said.err
        assert program.journal() == before


# zone: (day of application, a day after the clocks changed, its age in days of the calendar)
CHANGES = {
    "Europe/Berlin": ("2026-03-25", "2026-04-01", 7),
    "America/New_York": ("2026-10-28", "2026-11-04", 7),
    "Australia/Lord_Howe": ("2026-04-01", "2026-04-08", 7),
    "Pacific/Auckland": ("2026-09-23", "2026-09-30", 7),
}
# zone: (a time that did not exist, what the message says of it)
SKIPPED = {
    "Europe/Berlin": ("2026-03-29 02:30", "02:30 did not exist on 2026-03-29"),
    "America/New_York": ("2026-03-08 02:30", "02:30 did not exist on 2026-03-08"),
    "Australia/Lord_Howe": ("2026-10-04 02:15", "02:15 did not exist on 2026-10-04"),
}
# zone: (a time that came twice, the two offsets)
REPEATED = {
    "Europe/Berlin": ("2026-10-25 02:30", "+02:00", "+01:00"),
    "America/New_York": ("2026-11-01 01:30", "-04:00", "-05:00"),
    "Australia/Lord_Howe": ("2026-04-05 01:45", "+11:00", "+10:30"),
}


class TestClockChanges:
    @pytest.mark.parametrize("zone", CHANGES)
    def test_days_since_application_are_days_of_the_calendar(
        self, zone: str, program: Program
    ) -> None:
        """Seven days with one of 23 or 25 hours (on Lord Howe Island 23.5 or 24.5) are seven."""
        applied, later, age = CHANGES[zone]
        start(program, zone, f"{applied}T00:00+00:00")
        program.must("apply", "control,M", "--when", applied, on=f"{later}T00:00+00:00")
        for clock in ("00:05", "23:55"):
            found = json.loads(
                program.must("today", "--on", later, "--json", on=f"{later}T{clock}+00:00").out
            )["boards"][0]
            assert found["day"] == age
        assert set(states(program, f"{later}T03:00+00:00", "day 7").values()) == {"due"}

    @pytest.mark.parametrize("zone", SKIPPED)
    def test_an_hour_that_never_was_is_asked(self, zone: str, program: Program) -> None:
        when, message = SKIPPED[zone]
        start(program, zone, "2026-03-01T00:00+00:00")
        before = program.journal()
        said = program("note", "x", "--when", when, on="2026-12-01T00:00+00:00")
        assert said.code == 2
        assert f"Error: {message} in {zone}: the clocks were put forward\n" in said.err
        assert program.journal() == before

    @pytest.mark.parametrize("zone", REPEATED)
    def test_an_hour_that_came_twice_is_asked_and_an_offset_answers(
        self, zone: str, program: Program
    ) -> None:
        when, first, second = REPEATED[zone]
        day, clock = when.split()
        start(program, zone, "2026-03-01T00:00+00:00")
        said = program("note", "x", "--when", when, on="2026-12-01T00:00+00:00")
        assert said.code == 2
        assert f"Try: write {day}T{clock}{first} or {day}T{clock}{second}\n" in said.err
        for offset in (first, second):
            program.must("note", "x", "--when", f"{day}T{clock}{offset}",
                         on="2026-12-01T00:00+00:00")  # fmt: skip


class TestLeapDay:
    """2028 has a 29 February: day 28 of a bed applied on 1 February is that day."""

    def test_a_pull_on_it_and_across_it(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2028-01-31T09:00+01:00")
        program.must("apply", "control,M", on="2028-02-01T09:00+01:00")
        found = board(program, "2028-02-29T09:00+01:00")
        assert found["day"] == 28
        (pull,) = [one for one in found["pulls"] if one["what"] == "day 28"]
        assert (pull["target"], pull["state"]) == ("2028-02-29", "due")
        said = program.must("pull", "all", on="2028-02-29T10:00+01:00").out
        assert "Tue 29 Feb 2028 10:00" in said
        assert said.count("for day 28\n") == 4
        assert board(program, "2028-03-01T09:00+01:00")["day"] == 29

    def test_watering_steps_over_it(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2028-02-27T09:00+01:00")
        (one,) = board(program, "2028-03-01T09:00+01:00")["water"]
        assert (one["target"], one["days"]) == ("2028-03-01", 0)

    def test_in_another_year_it_is_no_day(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2027-02-27T09:00+01:00")
        said = program("note", "x", "--when", "2027-02-29", on="2027-03-02T09:00+01:00")
        assert said.code == 2
        assert said.err.startswith("Error: '2027-02-29' is not a day of the calendar\n")


class TestAWrongClock:
    """A laptop that believes in 2027: the acts say when they happened, its clock is only data."""

    def test_acts_order_by_their_own_time(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        program.must("apply", "control,M", "--when", "2026-03-02", on="2027-03-02T09:00+01:00")
        program.must("water", "all", "--when", "2026-03-05", on="2027-03-05T09:00+01:00")
        # The clock is put right, and a watering of the day before is written down.
        program.must("water", "all", "--when", "2026-03-04", on="2026-03-06T09:00+01:00")
        found = board(program, "2026-03-07T09:00+01:00")
        assert found["day"] == 5
        assert found["water"] == []  # the last watering is that of the 5th
        (due,) = board(program, "2026-03-08T09:00+01:00")["water"]
        assert due["target"] == "2026-03-08"

    def test_the_order_of_writing_is_kept_as_data(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        program.must("note", "fast", "--when", "2026-03-02", on="2027-03-02T09:00+01:00")
        program.must("note", "right", "--when", "2026-03-03", on="2026-03-03T09:00+01:00")
        entries = [json.loads(body) for body in program.journal()]
        written = {one["seq"]: one["written"][:10] for one in entries}
        last = max(written)
        assert (written[last - 1], written[last]) == ("2027-03-02", "2026-03-03")
        assert program.must("verify", on="2026-03-04T09:00+01:00").code == 0

    def test_undo_takes_the_act_written_last_whatever_its_clock_said(
        self, program: Program
    ) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        program.must("note", "fast", "--when", "2026-03-02", on="2027-03-02T09:00+01:00")
        last = program.must("note", "right", on="2026-03-03T09:00+01:00").act
        assert f"took back the note {last}" in program.must("undo", on="2026-03-03T09:05+01:00").out

    def test_a_slow_clock_refuses_what_lies_ahead_of_it(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00")
        before = program.journal()
        said = program("water", "all", "--when", "2026-03-10", on="2025-03-10T09:00+01:00")
        assert (said.code, program.journal()) == (2, before)
        assert said.err.startswith("Error: Tue 10 Mar 2026 is in the future\n")


class TestALongTrial:
    """400 days: two winters, both clock changes twice, a calendar that ends in another year."""

    CALENDAR = (
        "{ day = 0, tolerance = 0 }, { day = 28, tolerance = 2 }, { day = 182, tolerance = 7 }, "
        "{ day = 400, tolerance = 14 }"
    )

    def test_its_last_pull_is_owed_and_done_on_its_day(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00", self.CALENDAR)
        program.must("apply", "control,M", on="2026-03-02T09:00+01:00")
        end = date(2026, 3, 2) + timedelta(days=400)
        assert end == date(2027, 4, 6)
        found = board(program, "2027-04-06T09:00+02:00")
        assert found["day"] == 400
        assert set(states(program, "2027-04-06T09:00+02:00", "day 400").values()) == {"due"}
        said = program.must("pull", "control,M", on="2027-04-06T09:00+02:00").out
        assert said.count("for day 400\n") == 4

    def test_each_day_has_a_board(self, program: Program) -> None:
        """Every fortieth day: no bed owes two pulls at once, and the day counts on."""
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00", self.CALENDAR)
        program.must("apply", "control,M", on="2026-03-02T09:00+01:00")
        first = datetime(2026, 3, 2, 9, tzinfo=UTC)
        for days in range(0, 440, 40):
            found = board(program, (first + timedelta(days=days)).isoformat())
            assert found["day"] == days
            open_ = [
                bed
                for task in found["pulls"]
                if task["state"] in ("due", "overdue")
                for bed in task["beds"]
            ]
            assert len(open_) == len(set(open_))

    def test_a_late_bed_joins_in_its_second_year(self, program: Program) -> None:
        start(program, "Europe/Berlin", "2026-03-01T09:00+01:00", self.CALENDAR)
        program.must("apply", "control,M", on="2026-03-02T09:00+01:00")
        on = "2027-03-01T09:00+01:00"
        program.must("bed", "add", "L1", "--treatment", "M", "--block", "late", "--from", "B1",
                     on=on)  # fmt: skip
        program.must("apply", "L1", on=on)
        found = states(program, "2027-03-29T09:00+02:00", "day 28")
        assert {bed for bed, state in found.items() if state == "due"} == {"L1"}
