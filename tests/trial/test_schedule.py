"""The calendar of a trial: what is due, overdue, missed, done early or late, and for whom.

No published standard says how a sampling calendar is kept; the rules tested here are common
practice (no source), written down at the head of the module. Days of the calendar are counted by
hand from the Gregorian one.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbook.trial.owing import obligations
from logbook.trial.ranges import BedRef
from logbook.trial.records import PlannedPull
from logbook.trial.schedule import (
    STATES,
    Obligation,
    Status,
    Taken,
    asked_by,
    extra_pulls,
    follows,
    last_day,
    status,
    trial_day,
)
from logbook.trial.times import parse_when

FILLED = date(2026, 2, 20)
APPLIED = date(2026, 3, 2)


def _plan(*days: int, tolerance: int = 2, before: bool = True) -> list[PlannedPull]:
    first = [PlannedPull("t", "before", None, 0)] if before else []
    return [
        *first,
        *(PlannedPull("t", f"day {day}", day, min(tolerance, day) if day >= 0 else tolerance)
          for day in days),
    ]  # fmt: skip


PLAN = _plan(0, 14, 28)


def _bed(name: str, block: str = "1", code: str = "COM") -> BedRef:
    return BedRef(name, name, block, code, code == "CTL", ord(name[-1]))


TREATED, OTHER, CONTROL = _bed("B1"), _bed("B2", code="MEAL"), _bed("B3", code="CTL")


def _on(bed: BedRef, day: int, **more: str | bool | None) -> Taken:
    """A pull of that bed so many days after 2 March; its code tells bed and day."""
    taken = APPLIED + timedelta(days=day)
    planned, again = more.get("planned"), more.get("again", False)
    code = str(more.get("code", f"{bed.id}/{day}"))
    return Taken(code, bed.id, taken, None if planned is None else str(planned), bool(again))


def _schedule(
    beds: Sequence[BedRef] = (TREATED,),
    pulls: Iterable[Taken] = (),
    plan: Sequence[PlannedPull] = PLAN,
    applied: dict[str, date] | None = None,
    filled: dict[str, date] | None = None,
) -> list[Obligation]:
    on = {bed.id: APPLIED for bed in beds} if applied is None else applied
    since = {bed.id: FILLED for bed in beds} if filled is None else filled
    return obligations(beds, plan, on, since, pulls)


def _of(owed: Iterable[Obligation], bed: BedRef, planned: str) -> Obligation:
    [one] = [one for one in owed if one.bed == bed.id and planned in one.names]
    return one


def _targets(owed: Iterable[Obligation], bed: BedRef, planned: str) -> list[int | None]:
    """Targets in days after 2 March."""
    found = [one.target for one in owed if one.bed == bed.id and planned in one.names]
    return [None if day is None else (day - APPLIED).days for day in found]


def _state(one: Obligation, day: int) -> str:
    return status(one, APPLIED + timedelta(days=day)).state


def _days(one: Obligation, day: int) -> tuple[str, int | None]:
    found = status(one, APPLIED + timedelta(days=day))
    return found.state, found.days


class TestOneTreatedBed:
    def test_dates_of_the_example_in_the_module(self) -> None:
        one = _of(_schedule(), TREATED, "day 14")
        assert (one.opens, one.target, one.closes) == (
            date(2026, 3, 14), date(2026, 3, 16), date(2026, 3, 18),
        )  # fmt: skip
        assert one.missed_from == date(2026, 3, 21)

    def test_unpulled_from_coming_to_missed(self) -> None:
        one = _of(_schedule(), TREATED, "day 14")
        assert [_state(one, day) for day in range(11, 21)] == [
            "coming", "due", "due", "due", "due", "due", "overdue", "overdue", "missed", "missed",
        ]  # fmt: skip
        assert _days(one, 11) == ("coming", 3)
        assert _days(one, 13) == ("due", 1)
        assert _days(one, 18) == ("overdue", 4)

    def test_reasons(self) -> None:
        one = _of(_schedule(), TREATED, "day 14")
        said = [status(one, APPLIED + timedelta(days=day)).why for day in (11, 14, 17, 19)]
        assert said == [
            "opens on Sat 14 Mar 2026",
            "open until Wed 18 Mar 2026",
            "its window closed on Wed 18 Mar 2026",
            "not pulled; its window closed on Wed 18 Mar 2026",
        ]

    def test_without_tolerance_still_one_day_of_grace(self) -> None:
        one = _of(_schedule(plan=_plan(0, 14, tolerance=0)), TREATED, "day 14")
        assert [_state(one, day) for day in (13, 14, 15, 16)] == [
            "coming", "due", "overdue", "missed",
        ]  # fmt: skip

    def test_overdue_never_reaches_into_the_next_window(self) -> None:
        """Days 0, 3 and 7 with tolerance 1 and 2: day 3 closes on 4, day 7 opens on 5."""
        plan = [PlannedPull("t", "day 3", 3, 1), PlannedPull("t", "day 7", 7, 2)]
        owed = _schedule(plan=plan)
        assert _state(_of(owed, TREATED, "day 3"), 4) == "due"
        assert _state(_of(owed, TREATED, "day 3"), 5) == "missed"
        assert _state(_of(owed, TREATED, "day 7"), 5) == "due"

    def test_pull_inside_the_window_is_done(self) -> None:
        one = _of(_schedule(pulls=[_on(TREATED, 16)]), TREATED, "day 14")
        assert one.pull == "B1/16"
        assert _days(one, 40) == ("done", 2)

    @pytest.mark.parametrize(
        ("day", "planned", "state"),
        [
            (11, "day 14", ("done early", 3)),
            (17, "day 14", ("done late", 3)),
            (10, "day 14", ("done early", 4)),  # as long before it opens as it is overdue after
            (18, "day 14", ("done late", 4)),
            (32, "day 28", ("done late", 4)),
        ],
    )
    def test_pull_a_little_outside_a_window_goes_to_it(
        self, day: int, planned: str, state: tuple[str, int]
    ) -> None:
        owed = _schedule(pulls=[_on(TREATED, day)])
        assert _days(_of(owed, TREATED, planned), 60) == state
        assert [one.planned for one in owed if one.pull] == [planned]

    @pytest.mark.parametrize("day", [5, 9, 19, 21, 23, 33, 60])
    def test_pull_far_from_every_window_uses_no_planned_one_up(self, day: int) -> None:
        pulls = [_on(TREATED, day)]
        owed = _schedule(pulls=pulls)
        assert not any(one.pull for one in owed)
        assert extra_pulls(owed, pulls) == pulls
        # The planned pull is still asked for on its day, and the extra one never serves it.
        assert _state(_of(owed, TREATED, "day 28"), 28) == "due"

    @pytest.mark.parametrize("day", [5, 21, 60])
    def test_far_from_its_window_a_pull_serves_what_it_names(self, day: int) -> None:
        owed = _schedule(pulls=[_on(TREATED, day, planned="day 14")])
        assert [one.planned for one in owed if one.pull] == ["day 14"]

    def test_pull_that_nobody_planned_is_an_extra(self) -> None:
        pulls = [_on(TREATED, 14), _on(TREATED, 18), _on(TREATED, 60)]
        owed = _schedule(pulls=pulls)
        assert [pull.code for pull in extra_pulls(owed, pulls)] == ["B1/18", "B1/60"]
        assert not any(one.repeats for one in owed)

    @pytest.mark.parametrize(
        ("days", "pulled", "served"),
        [
            ((14, 28), 9, []),
            ((14, 28), 10, ["day 14"]),  # two days before its window opens on day 12
            ((14,), 18, ["day 14"]),  # the last day on which it is overdue
            ((14,), 19, []),
            ((14, 18), 18, ["day 18"]),  # inside the next one's window
            ((14,), 9, []),
        ],
    )
    def test_how_far_the_first_and_the_only_pull_reach(
        self, days: tuple[int, ...], pulled: int, served: list[str]
    ) -> None:
        owed = _schedule(pulls=[_on(TREATED, pulled)], plan=_plan(*days, before=False))
        assert [one.planned for one in owed if one.pull] == served

    def test_what_the_person_said_goes_before_dates(self) -> None:
        owed = _schedule(pulls=[_on(TREATED, 20), _on(TREATED, 22, planned="day 14")])
        assert _of(owed, TREATED, "day 14").pull == "B1/22"
        assert _of(owed, TREATED, "day 28").pull is None

    def test_name_that_the_calendar_lacks_serves_nothing(self) -> None:
        pulls = [_on(TREATED, 14, planned="day 15")]
        owed = _schedule(pulls=pulls)
        assert all(one.pull is None for one in owed)
        assert extra_pulls(owed, pulls) == pulls

    def test_same_pull_twice_keeps_both_and_the_first_decides(self) -> None:
        first, second = _on(TREATED, 17), _on(TREATED, 18, planned="day 14", again=True)
        one = _of(_schedule(pulls=[second, first]), TREATED, "day 14")
        assert (one.pull, one.repeats) == ("B1/17", ("B1/18",))
        assert _days(one, 40) == ("done late", 3)

    def test_repeat_without_a_name_repeats_the_nearest(self) -> None:
        pulls = [_on(TREATED, 14), _on(TREATED, 18, again=True)]
        one = _of(_schedule(pulls=pulls), TREATED, "day 14")
        assert (one.pull, one.repeats) == ("B1/14", ("B1/18",))

    def test_repeat_of_the_same_day_never_decides(self) -> None:
        again, first = _on(TREATED, 14, again=True, code="A"), _on(TREATED, 14, code="Z")
        one = _of(_schedule(pulls=[again, first]), TREATED, "day 14")
        assert (one.pull, one.repeats) == ("Z", ("A",))

    def test_repeat_of_an_extra_pull_is_outside_the_calendar_with_it(self) -> None:
        extra, again = _on(TREATED, 18, code="Z"), _on(TREATED, 18, again=True, code="A")
        pulls = [_on(TREATED, 14), extra, again]
        owed = _schedule(pulls=pulls)
        assert _of(owed, TREATED, "day 14").repeats == ()
        assert {pull.code for pull in extra_pulls(owed, pulls)} == {"A", "Z"}
        # One that names the pull that it repeats says so itself.
        named = _on(TREATED, 18, planned="day 14", again=True, code="N")
        assert _of(_schedule(pulls=[*pulls, named]), TREATED, "day 14").repeats == ("N",)

    def test_looking_back_a_later_pull_is_not_yet_made(self) -> None:
        one = _of(_schedule(pulls=[_on(TREATED, 16)]), TREATED, "day 14")
        assert [_state(one, day) for day in (11, 15, 16)] == ["coming", "due", "done"]


class TestBeforeAndDayZero:
    def test_before_is_due_from_the_filling_until_the_application(self) -> None:
        one = _of(_schedule(), TREATED, "before")
        assert [_state(one, day) for day in (-11, -10, -1, 0, 30)] == [
            "coming", "due", "due", "missed", "missed",
        ]  # fmt: skip
        assert status(one, APPLIED).why == "applied on Mon 2 Mar 2026 without it"

    def test_bed_that_is_not_yet_applied(self) -> None:
        owed = _schedule(applied={})
        before, zero = _of(owed, TREATED, "before"), _of(owed, TREATED, "day 0")
        assert status(before, FILLED) == Status("due", None, "open until its application")
        assert status(zero, FILLED) == Status("coming", None, "starts at application")
        assert (zero.opens, zero.target, zero.closes, zero.missed_from) == (None,) * 4

    def test_bed_that_is_not_yet_filled(self) -> None:
        owed = _schedule(applied={}, filled={})
        before = _of(owed, TREATED, "before")
        assert status(before, APPLIED) == Status("coming", None, "starts at filling")

    def test_filling_that_nobody_logged(self) -> None:
        before = _of(_schedule(filled={}), TREATED, "before")
        assert [_state(before, day) for day in (-30, -1, 0)] == ["due", "due", "missed"]

    def test_pull_before_application_is_before(self) -> None:
        for applied in ({}, {TREATED.id: APPLIED}):
            owed = _schedule(pulls=[_on(TREATED, -1)], applied=applied)
            assert _state(_of(owed, TREATED, "before"), 0) == "done"
            assert _of(owed, TREATED, "day 0").pull is None

    def test_pull_on_the_application_day_is_day_0_unless_it_says_before(self) -> None:
        silent = _schedule(pulls=[_on(TREATED, 0)])
        assert _of(silent, TREATED, "before").pull is None
        assert _days(_of(silent, TREATED, "day 0"), 0) == ("done", 0)
        said = _schedule(pulls=[_on(TREATED, 0, planned="before"), _on(TREATED, 0, code="later")])
        assert _days(_of(said, TREATED, "before"), 0) == ("done", 0)
        assert _of(said, TREATED, "day 0").pull == "later"

    def test_silent_pull_on_the_application_day_is_never_before(self) -> None:
        owed = _schedule(plan=_plan(14), pulls=[_on(TREATED, 0)])
        assert not any(one.pull for one in owed)

    def test_second_pull_before_application_is_a_repeat(self) -> None:
        owed = _schedule(pulls=[_on(TREATED, -3), _on(TREATED, -2)])
        assert _of(owed, TREATED, "before").repeats == ("B1/-2",)

    def test_window_of_day_0_does_not_open_before_the_application(self) -> None:
        plan = [PlannedPull("t", "day 0", 0, 2)]
        pulls = [_on(TREATED, -1)]
        owed = _schedule(plan=plan, pulls=pulls)
        assert owed[0].opens == APPLIED
        assert extra_pulls(owed, pulls) == pulls

    def test_negative_day_lies_in_the_pre_wetting(self) -> None:
        plan = [PlannedPull("t", "day -1", -1, 2), *_plan(0, 14)]
        one = _of(_schedule(plan=plan, pulls=[_on(TREATED, -2)]), TREATED, "day -1")
        assert (one.pull, one.closes) == ("B1/-2", date(2026, 3, 1))


class TestControlFollowsItsBlock:
    BEDS = (TREATED, OTHER, CONTROL)

    def test_beds_applied_on_one_day_share_the_controls_pull(self) -> None:
        owed = _schedule(self.BEDS)
        assert _targets(owed, CONTROL, "day 14") == [14]
        assert len([one for one in owed if one.bed == CONTROL.id]) == 4

    def test_blocks_applied_on_different_days_have_their_own_control_days(self) -> None:
        far, far_control = _bed("C1", "2"), _bed("C2", "2", "CTL")
        beds = (*self.BEDS, far, far_control)
        applied = {bed.id: APPLIED + timedelta(days=7 * (bed.block == "2")) for bed in beds}
        owed = _schedule(beds, applied=applied)
        assert _targets(owed, CONTROL, "day 14") == [14]
        assert _targets(owed, far_control, "day 14") == [21]

    def test_block_applied_over_two_days_asks_for_the_control_twice(self) -> None:
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=5)}
        owed = _schedule(self.BEDS, applied=applied)
        assert _targets(owed, CONTROL, "day 14") == [14, 19]

    @pytest.mark.parametrize("day", [11, 17, 18])
    def test_treated_bed_pulled_early_or_late_moves_the_control(self, day: int) -> None:
        owed = _schedule((TREATED, CONTROL), pulls=[_on(TREATED, day)])
        one = _of(owed, CONTROL, "day 14")
        assert _targets(owed, CONTROL, "day 14") == [day]
        assert one.moved
        assert _state(one, day) == "due"
        with_it = _schedule((TREATED, CONTROL), pulls=[_on(TREATED, day), _on(CONTROL, day)])
        assert _days(_of(with_it, CONTROL, "day 14"), 40) == ("done", 0)

    def test_one_late_bed_of_two_asks_for_the_control_on_both_days(self) -> None:
        pulls = [_on(TREATED, 14), _on(CONTROL, 14), _on(OTHER, 18)]
        owed = _schedule(self.BEDS, pulls=pulls)
        assert _targets(owed, CONTROL, "day 14") == [14, 18]
        first, second = [one for one in owed if one.bed == "B3" and one.planned == "day 14"]
        assert (_state(first, 18), _state(second, 18)) == ("done", "due")

    def test_days_inside_one_window_are_one_pull_on_the_first_of_them(self) -> None:
        owed = _schedule(self.BEDS, pulls=[_on(TREATED, 13), _on(OTHER, 15)])
        assert _targets(owed, CONTROL, "day 14") == [13]

    def _a_day_later(self, *pulls: Taken) -> list[Obligation]:
        """B2 was applied a day after B1; a pull may be made two days early or late."""
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=1)}
        return _schedule(self.BEDS, pulls, applied=applied)

    def test_one_control_pull_in_both_windows_is_asked_for_once(self) -> None:
        owed = self._a_day_later()
        assert _targets(owed, CONTROL, "day 14") == [14]
        assert _targets(owed, CONTROL, "day 0") == [0, 1]  # no tolerance, no day in both
        both = [one.bed for one in owed if one.bed != "B3" and "day 14" in one.names
                and follows(_of(owed, CONTROL, "day 14"), one)]  # fmt: skip
        assert both == ["B1", "B2"]
        pulls = [_on(TREATED, 14), _on(CONTROL, 14), _on(OTHER, 15)]
        [one] = [one for one in self._a_day_later(*pulls) if one.bed == "B3" and one.day == 14]
        assert _days(one, 40) == ("done", 0)

    def test_beds_pulled_far_apart_ask_for_their_own_controls(self) -> None:
        """B1 was pulled two days early: on that day the window of B2 was not open yet."""
        owed = self._a_day_later(_on(TREATED, 12))
        first, second = [one for one in owed if one.bed == "B3" and one.planned == "day 14"]
        assert (_targets(owed, CONTROL, "day 14"), first.day0) == ([12, 15], APPLIED)
        own = [first, second]
        followed = [asked_by(_of(owed, bed, "day 14"), own) for bed in (TREATED, OTHER)]
        assert followed == own

    def test_a_control_pull_between_them_serves_both(self) -> None:
        owed = self._a_day_later(_on(TREATED, 12), _on(CONTROL, 13))
        [one] = [one for one in owed if one.bed == "B3" and one.planned == "day 14"]
        assert (one.pull, one.target) == ("B3/13", APPLIED + timedelta(days=12))
        assert follows(one, _of(owed, OTHER, "day 14"))

    def test_a_named_pull_is_for_the_obligation_that_is_still_open(self) -> None:
        """Day 17 lies in the window of what was served; the other's window is over."""
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=3)}
        pulls = [_on(CONTROL, day, planned="day 14") for day in (16, 17)]
        owed = _schedule(self.BEDS, pulls, applied=applied)
        served = [one.pull for one in owed if one.bed == "B3" and one.planned == "day 14"]
        assert served == ["B3/17", "B3/16"]

    def test_late_bed_that_meets_another_beds_day_shares_its_control(self) -> None:
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=5)}
        pulls = [_on(TREATED, 19, planned="day 14")]
        owed = _schedule(self.BEDS, pulls=pulls, applied=applied)
        one = _of(owed, CONTROL, "day 14")
        assert (_targets(owed, CONTROL, "day 14"), one.moved) == ([19], False)
        assert one.day0 == applied["B2"]

    def test_missed_treated_pull_leaves_the_controls_day_alone(self) -> None:
        owed = _schedule((TREATED, CONTROL), pulls=[_on(CONTROL, 14)])
        assert _state(_of(owed, TREATED, "day 14"), 25) == "missed"
        assert _state(_of(owed, CONTROL, "day 14"), 25) == "done"

    def test_amendment_that_joins_in_week_5_has_its_own_days_and_controls(self) -> None:
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=35)}
        owed = _schedule(self.BEDS, plan=_plan(0, 7, 42), applied=applied)
        mine = [one for one in owed if one.bed == CONTROL.id and one.target and one.day is not None]
        days = [((one.target or APPLIED) - APPLIED).days for one in mine]
        assert days == [0, 7, 35, 42, 77]
        shared = mine[3]  # day 42 of the first beds is day 7 of the one that joined
        assert shared.names == ("day 42", "day 7")
        said = _schedule(self.BEDS, [_on(CONTROL, 42, planned="day 7")], _plan(0, 7, 42), applied)
        assert [one.planned for one in said if one.pull] == ["day 42"]

    @pytest.mark.parametrize(
        ("joined", "control_applied", "targets"),
        [({"B2"}, 0, [14]), ({"B2", "B3"}, 100, [14, 114]), ({"B2"}, 100, [14, 114])],
    )
    def test_bed_that_joined_drags_no_control_of_another_history_along(
        self, joined: set[str], control_applied: int, targets: list[int]
    ) -> None:
        """B2 joined and was applied on day 100: is the control of its age?"""
        days = {"B1": 0, "B2": 100, "B3": control_applied}
        applied = {bed: APPLIED + timedelta(days=day) for bed, day in days.items()}
        owed = obligations(self.BEDS, PLAN, applied, {}, [], joined=joined)
        assert _targets(owed, CONTROL, "day 14") == targets

    def test_control_waits_for_a_bed_that_is_not_yet_applied(self) -> None:
        owed = _schedule(self.BEDS, applied={"B1": APPLIED, "B3": APPLIED})
        assert _targets(owed, CONTROL, "day 14") == [14, None]
        assert last_day(owed) is None

    def test_second_record_of_a_controls_pull_does_not_serve_its_other_day(self) -> None:
        """Two machines recorded the pull of day 14: the one of day 19 is still owed."""
        applied = {bed.id: APPLIED for bed in self.BEDS} | {"B2": APPLIED + timedelta(days=5)}
        twice = [_on(CONTROL, 14, planned="day 14", code=code) for code in ("one", "two")]
        owed = _schedule(self.BEDS, twice, applied=applied)
        first, second = [one for one in owed if one.bed == "B3" and one.planned == "day 14"]
        assert (first.pull, first.repeats, second.pull) == ("one", ("two",), None)

    def test_mock_application_that_nobody_logged(self) -> None:
        owed = _schedule((TREATED, CONTROL), applied={"B1": APPLIED})
        assert _state(_of(owed, CONTROL, "before"), 0) == "missed"
        assert _targets(owed, CONTROL, "day 14") == [14]

    def test_control_without_treated_beds_follows_its_own_mock_application(self) -> None:
        owed = _schedule((CONTROL,))
        assert [_targets(owed, CONTROL, name) for name in ("before", "day 0", "day 28")] == [
            [0], [0], [28],
        ]  # fmt: skip


class TestCalendar:
    def test_trial_of_400_days_over_a_leap_day(self) -> None:
        """From 1 February 2028, a leap year: day 28 is 29 February, day 400 is 7 March 2029."""
        start = date(2028, 2, 1)
        owed = _schedule(plan=_plan(0, 28, 400), applied={"B1": start}, filled={})
        assert [one.target for one in owed if one.day is not None] == [
            start, date(2028, 2, 29), date(2029, 3, 7),
        ]  # fmt: skip
        assert trial_day({"B1": start}, date(2029, 3, 7)) == 400
        assert last_day(owed) == date(2029, 3, 9)
        on_time = Taken("x", "B1", date(2029, 3, 7))
        done = _schedule(plan=_plan(0, 28, 400), applied={"B1": start}, filled={}, pulls=[on_time])
        assert status(_of(done, TREATED, "day 400"), date(2029, 6, 1)).state == "done"

    def test_trial_day_counts_from_the_first_application(self) -> None:
        blocks = {"B1": APPLIED + timedelta(days=7), "B2": APPLIED}
        assert trial_day(blocks, APPLIED + timedelta(days=10)) == 10
        assert trial_day(blocks, APPLIED - timedelta(days=3)) == -3
        assert trial_day({}, APPLIED) is None

    def test_today_is_today_in_the_trials_zone(self) -> None:
        """The same instant is the last day of the window in one place and past it in another."""
        one = _of(_schedule(), TREATED, "day 14")
        now = datetime(2026, 3, 18, 23, 30, tzinfo=ZoneInfo("America/Los_Angeles"))
        there = parse_when("today", ZoneInfo("America/Los_Angeles"), now).day
        ahead = parse_when("today", ZoneInfo("Pacific/Auckland"), now).day
        assert (status(one, there).state, status(one, ahead).state) == ("due", "overdue")

    @pytest.mark.parametrize("run_on", ["1999-12-31", "2026-03-15", "2040-02-29"])
    def test_the_day_of_the_run_does_not_matter(self, run_on: str) -> None:
        with freeze_time(run_on):
            owed = _schedule(pulls=[_on(TREATED, 0)])
            assert [_state(one, 15) for one in owed] == ["missed", "done", "due", "coming"]

    def test_no_beds_no_plan(self) -> None:
        assert obligations([], PLAN, {}, {}, []) == []
        assert obligations([TREATED], [], {}, {}, []) == []
        assert last_day([]) is None


# --- properties ---------------------------------------------------------------------------------

HOUSE = (
    _bed("B1"), _bed("B2", code="MEAL"), _bed("B3", code="CTL"),
    _bed("C4", "2"), _bed("C5", "2", "MEAL"), _bed("C6", "2", "CTL"), _bed("C7", "2", "CTL"),
)  # fmt: skip
LONG = _plan(0, 7, 14, 28, 56)
days0 = st.dictionaries(
    st.sampled_from([bed.id for bed in HOUSE]),
    st.integers(0, 40).map(lambda day: APPLIED + timedelta(days=day)),
)
taken = st.builds(
    Taken,
    code=st.just(""),
    bed=st.sampled_from([bed.id for bed in HOUSE]),
    day=st.integers(-15, 120).map(lambda day: APPLIED + timedelta(days=day)),
    planned=st.sampled_from([None, None, None, "before", "day 14", "day 28", "no such day"]),
    again=st.sampled_from([False, False, False, True]),
)
histories = st.lists(taken, max_size=30).map(
    lambda pulls: [
        Taken(f"P{n}", one.bed, one.day, one.planned, one.again) for n, one in enumerate(pulls)
    ]
)
fast = settings(derandomize=True, max_examples=120, deadline=None)


@fast
@given(applied=days0, pulls=histories)
def test_every_pull_serves_repeats_or_is_extra_once(
    applied: dict[str, date], pulls: list[Taken]
) -> None:
    owed = obligations(HOUSE, LONG, applied, {}, pulls)
    used = [code for one in owed for code in (one.pull, *one.repeats) if code is not None]
    used += [pull.code for pull in extra_pulls(owed, pulls)]
    assert Counter(used) == Counter(pull.code for pull in pulls)
    by_code = {pull.code: pull for pull in pulls}
    for one in owed:
        for code in (one.pull, *one.repeats):
            if code is not None:
                assert by_code[code].bed == one.bed
                assert by_code[code].planned in (None, *one.names)


@fast
@given(applied=days0, pulls=histories)
def test_a_silent_pull_serves_only_in_or_just_beside_a_window(
    applied: dict[str, date], pulls: list[Taken]
) -> None:
    owed = obligations(HOUSE, LONG, applied, {}, pulls)
    silent = {pull.code for pull in pulls if pull.planned is None}
    for one in owed:
        if one.pull in silent and one.day is not None:
            assert one.pulled is not None and one.opens is not None and one.missed_from is not None
            assert one.opens - timedelta(days=max(1, one.tolerance)) <= one.pulled
            assert one.pulled < one.missed_from


@fast
@given(applied=days0, pulls=histories, after=st.integers(-20, 150))
def test_states_partition_and_follow_the_dates(
    applied: dict[str, date], pulls: list[Taken], after: int
) -> None:
    today = APPLIED + timedelta(days=after)
    for one in obligations(HOUSE, LONG, applied, {}, pulls):
        found = status(one, today)
        served = one.pulled is not None and one.pulled <= today
        expected = {
            "done": served,
            "missed": not served and one.missed_from is not None and today >= one.missed_from,
        }
        assert found.state in STATES
        assert found.state.startswith("done") == expected["done"]
        assert (found.state == "missed") == expected["missed"]
        if found.state in ("due", "overdue") and one.closes is not None:
            assert (found.state == "overdue") == (today > one.closes)
        if found.state == "coming" and one.opens is not None:
            assert today < one.opens
        assert found.why


@fast
@given(applied=days0, pulls=histories, seed=st.integers(0, 99))
def test_order_of_the_inputs_is_irrelevant(
    applied: dict[str, date], pulls: list[Taken], seed: int
) -> None:
    shuffled = random.Random(seed)
    beds, plan, history = list(HOUSE), list(LONG), list(pulls)
    for some in (beds, plan, history):
        shuffled.shuffle(some)
    other_way = dict(reversed(applied.items()))
    first = obligations(HOUSE, LONG, applied, {}, pulls)
    assert obligations(beds, plan, other_way, {}, history) == first


@fast
@given(applied=days0, pulls=histories, code=st.sampled_from(["COM", "CTL"]))
def test_a_bed_of_another_block_changes_nothing(
    applied: dict[str, date], pulls: list[Taken], code: str
) -> None:
    stranger = _bed("X9", "9", code)
    more = [*pulls, Taken("new", stranger.id, APPLIED + timedelta(days=9))]
    first = obligations(HOUSE, LONG, applied, {}, pulls)
    second = obligations([*HOUSE, stranger], LONG, applied | {stranger.id: APPLIED}, {}, more)
    assert [one for one in second if one.bed != stranger.id] == first


@fast
@given(applied=days0, pulls=histories)
# A pull for day 14 that was written down before the application: its control's window held no day.
@example(applied={"B1": date(2026, 3, 5)}, pulls=[Taken("P0", "B1", date(2026, 3, 2), "day 14")])
def test_windows_hold_their_target_and_missed_comes_after(
    applied: dict[str, date], pulls: list[Taken]
) -> None:
    for one in obligations(HOUSE, LONG, applied, {}, pulls):
        if one.target is None or one.day is None:
            continue
        assert one.opens is not None
        assert one.closes is not None
        assert one.missed_from is not None
        assert one.closes < one.missed_from
        assert one.opens <= one.target <= one.closes


@fast
@given(applied=days0, pulls=histories)
def test_control_has_a_pull_for_every_treated_one(
    applied: dict[str, date], pulls: list[Taken]
) -> None:
    """Whenever a treated bed is pulled for the calendar, its block's controls are asked for."""
    owed = obligations(HOUSE, LONG, applied, {}, pulls)
    blocks = {bed.id: bed.block for bed in HOUSE}
    controls = [bed for bed in HOUSE if bed.control]
    treated = [
        one for one in owed if one.day is not None and one.bed not in {c.id for c in controls}
    ]
    for one in treated:
        for control in (bed for bed in controls if bed.block == blocks[one.bed]):
            asked = [c.target for c in owed if c.bed == control.id and one.planned in c.names]
            day = one.pulled or one.target
            if day is None:
                assert None in asked
            else:
                known = [target for target in asked if target is not None]
                assert min(abs((target - day).days) for target in known) <= 2 * one.tolerance


# --- changes of the calendar --------------------------------------------------------------------

changes = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 4), st.sampled_from(["add", "drop"])), max_size=4
)


def _changed(plan: list[PlannedPull], change: tuple[int, int, str], since: date) -> None:
    """One change of the calendar, as `calendar add` and `calendar drop` write it."""
    day, tolerance, what = change
    name = f"day {day}"
    standing = [one for one in plan if one.name == name and one.until is None]
    for one in standing:
        plan[plan.index(one)] = PlannedPull("t", name, day, one.tolerance, one.since, since)
    if what == "add":
        plan.append(PlannedPull("t", name, day, min(tolerance, day), since, None))


@settings(derandomize=True, max_examples=400, deadline=None)
@given(
    applied=days0,
    pulls=histories,
    earlier=changes,
    change=st.tuples(
        st.sampled_from([0, 7, 14, 18, 21, 28, 56]),
        st.integers(0, 4),
        st.sampled_from(["add", "drop"]),
    ),
    since=st.integers(-5, 70),
)
@pytest.mark.long
def test_a_change_of_the_calendar_moves_nothing_from_before_its_date(
    applied: dict[str, date],
    pulls: list[Taken],
    earlier: list[tuple[int, int, str]],
    change: tuple[int, int, str],
    since: int,
) -> None:
    """No target, window, limit or pull of an obligation whose target lies before that date."""
    from_day = APPLIED + timedelta(days=since)
    plan = list(LONG)
    for place, one in enumerate(earlier):
        _changed(plan, one, APPLIED + timedelta(days=7 * place))
    before = obligations(HOUSE, plan, applied, {}, pulls)
    _changed(plan, change, from_day)
    after = obligations(HOUSE, plan, applied, {}, pulls)

    def early(owed: list[Obligation]) -> list[Obligation]:
        return [one for one in owed if one.target is not None and one.target < from_day]

    assert early(after) == early(before)


@fast
@given(applied=days0, pulls=histories, change=changes, seed=st.integers(0, 99))
def test_a_changed_calendar_is_served_once_whatever_the_order(
    applied: dict[str, date], pulls: list[Taken], change: list[tuple[int, int, str]], seed: int
) -> None:
    plan = list(LONG)
    for place, one in enumerate(change):
        _changed(plan, one, APPLIED + timedelta(days=7 * place))
    owed = obligations(HOUSE, plan, applied, {}, pulls)
    used = [(one.bed, code) for one in owed for code in (one.pull, *one.repeats) if code]
    assert len(used) == len(set(used))
    random.Random(seed).shuffle(plan)
    assert obligations(HOUSE, plan, applied, {}, pulls) == owed


class TestChangedCalendar:
    """Bed B1 and its control, applied on 2 March; day 14 is the 16th, day 28 the 30th."""

    def _plan(self, *more: PlannedPull, until: date | None = None) -> list[PlannedPull]:
        fixed = [one for one in PLAN if one.day != 28]
        return [*fixed, PlannedPull("t", "day 28", 28, 2, None, until), *more]

    def _owed(self, plan: list[PlannedPull], *pulls: Taken) -> list[Obligation]:
        return _schedule((TREATED, CONTROL), pulls, plan)

    def test_a_pull_added_in_time_is_owed_by_the_control_too(self) -> None:
        plan = self._plan(PlannedPull("t", "day 21", 21, 1, date(2026, 3, 20)))
        owed = self._owed(plan)
        assert _targets(owed, TREATED, "day 21") == _targets(owed, CONTROL, "day 21") == [21]

    def test_a_pull_added_after_its_day_is_not_owed(self) -> None:
        plan = self._plan(PlannedPull("t", "day 21", 21, 1, date(2026, 3, 24)))
        assert _targets(self._owed(plan), TREATED, "day 21") == []

    @pytest.mark.parametrize(("until", "owed"), [(30, []), (31, [28])])
    def test_a_pull_is_dropped_for_targets_from_the_date_on(
        self, until: int, owed: list[int]
    ) -> None:
        found = self._owed(self._plan(until=date(2026, 3, until)))
        assert _targets(found, TREATED, "day 28") == _targets(found, CONTROL, "day 28") == owed

    def test_a_pull_taken_early_before_it_was_dropped_stands_with_its_control(self) -> None:
        plan = self._plan(until=date(2026, 3, 30))
        owed = self._owed(plan, _on(TREATED, 27))
        assert _of(owed, TREATED, "day 28").pull == "B1/27"
        # The control follows to the day on which the treated bed was in fact pulled.
        assert _targets(owed, CONTROL, "day 28") == [27]

    def test_another_tolerance_counts_from_its_date_on(self) -> None:
        plan = self._plan(
            PlannedPull("t", "day 28", 28, 5, date(2026, 3, 20)), until=date(2026, 3, 20)
        )
        one = _of(self._owed(plan), TREATED, "day 28")
        assert (one.opens, one.closes) == (date(2026, 3, 25), date(2026, 4, 4))

    def test_a_late_pull_keeps_its_name_when_a_nearer_one_is_planned_later(self) -> None:
        """Pulled two days late; three days later somebody plans a pull for the day after it."""
        late = _on(TREATED, 18)
        assert _of(self._owed(self._plan(), late), TREATED, "day 14").pull == late.code
        plan = self._plan(PlannedPull("t", "day 20", 20, 1, date(2026, 3, 22)))
        assert _of(self._owed(plan, late), TREATED, "day 14").pull == late.code

    def test_a_pull_serves_once_though_two_calendars_have_room_for_it(self) -> None:
        late = _on(TREATED, 18)
        owed = self._owed(self._plan(PlannedPull("t", "day 20", 20, 1, late.day)), late)
        assert _of(owed, TREATED, "day 14").pull == late.code
        assert _of(owed, TREATED, "day 20").pull is None

    def test_two_machines_that_add_the_same_pull_ask_for_it_once(self) -> None:
        twice = [PlannedPull("t", "day 21", 21, t, date(2026, 3, 10)) for t in (1, 2)]
        assert _targets(self._owed(self._plan(*twice)), TREATED, "day 21") == [21]


class TestSkippedAndOut:
    def _owed(
        self,
        *pulls: Taken,
        beds: Sequence[BedRef] = (TREATED, OTHER, CONTROL),
        out: dict[str, date] | None = None,
        skipped: dict[tuple[str, str], str] | None = None,
    ) -> list[Obligation]:
        on = {bed.id: APPLIED for bed in beds}
        since = {bed.id: FILLED for bed in beds}
        return obligations(beds, PLAN, on, since, pulls, out=out, skipped=skipped)

    def test_a_skipped_pull_says_why(self) -> None:
        one = _of(self._owed(skipped={("B1", "day 14"): "too wet"}), TREATED, "day 14")
        assert status(one, date(2026, 3, 16)) == Status("skipped", 0, "skipped: too wet")

    def test_a_pull_taken_all_the_same_is_done(self) -> None:
        owed = self._owed(_on(TREATED, 14), skipped={("B1", "day 14"): "too wet"})
        assert _state(_of(owed, TREATED, "day 14"), 14) == "done"

    def test_a_control_follows_as_long_as_one_treated_bed_is_pulled(self) -> None:
        one = {("B1", "day 14"): "too wet"}
        both = {**one, ("B2", "day 14"): "too wet"}
        assert _targets(self._owed(skipped=one), CONTROL, "day 14") == [14]
        assert _targets(self._owed(skipped=both), CONTROL, "day 14") == []
        assert _targets(self._owed(skipped=both), CONTROL, "day 28") == [28]

    def test_a_bed_that_is_out_owes_nothing_from_that_day_on(self) -> None:
        owed = self._owed(out={"B1": date(2026, 3, 16)})
        assert [one.planned for one in owed if one.bed == "B1"] == ["before", "day 0"]
        assert _targets(owed, CONTROL, "day 14") == [14]  # B2 goes on

    def test_a_control_owes_nothing_once_every_treated_bed_is_out(self) -> None:
        gone = {"B1": date(2026, 3, 10), "B2": date(2026, 3, 10)}
        assert _targets(self._owed(out=gone), CONTROL, "day 14") == []

    def test_a_pull_made_before_it_left_stands(self) -> None:
        """Pulled two days early, out of the trial a day later."""
        owed = self._owed(_on(TREATED, 12), out={"B1": date(2026, 3, 15)})
        assert _of(owed, TREATED, "day 14").pull == "B1/12"

    def test_a_pull_made_after_it_left_serves_nothing(self) -> None:
        late = _on(TREATED, 14)
        owed = self._owed(late, out={"B1": date(2026, 3, 10)})
        assert extra_pulls(owed, [late]) == [late]

    def test_an_open_pull_is_lost_on_the_day_that_the_bed_left(self) -> None:
        one = _of(self._owed(out={"B1": date(2026, 3, 17)}), TREATED, "day 14")
        assert [_state(one, day) for day in (13, 14, 15, 16)] == ["due", "due", "missed", "missed"]
