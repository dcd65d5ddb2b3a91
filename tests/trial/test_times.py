"""Field days and instants: what people say, in the zone of the trial, across clock changes.

Dates of clock changes: European Union, last Sundays of March and October at 01:00 UTC (Directive
2000/84/EC); United States, second Sunday of March and first Sunday of November at 02:00 local
time (Energy Policy Act of 2005); New Zealand, last Sunday of September at 02:00 standard time to
the first Sunday of April at 03:00 daylight time (Daylight Time Order 2007).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial.times import When, days_text, parse_when, read_stored, spoken_day, zone

AUCKLAND = ZoneInfo("Pacific/Auckland")
LOS_ANGELES = ZoneInfo("America/Los_Angeles")
LISBON = ZoneInfo("Europe/Lisbon")
# half past eleven in the evening of Saturday 14 March 2026, at two ends of the world
LATE_IN_AUCKLAND = datetime(2026, 3, 14, 10, 30, tzinfo=UTC)
LATE_IN_LOS_ANGELES = datetime(2026, 3, 15, 6, 30, tzinfo=UTC)


def test_days_are_listed_as_a_person_lists_them() -> None:
    assert days_text([7.0]) == "day 7"
    assert days_text([7.0, 28.0]) == "days 7 and 28"
    assert days_text([-1.0, 3.333, 28.0]) == "days -1, 3.33 and 28"


@pytest.mark.parametrize(
    ("said", "tz", "now", "stored"),
    [
        ("today", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-14"),
        ("today", LOS_ANGELES, LATE_IN_AUCKLAND, "2026-03-14"),
        ("today", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-14"),
        ("today", AUCKLAND, LATE_IN_LOS_ANGELES, "2026-03-15"),
        ("yesterday", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-13"),
        ("yesterday", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-13"),
        ("tomorrow", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-15"),
        ("Tomorrow", AUCKLAND, LATE_IN_LOS_ANGELES, "2026-03-16"),
        ("tomorrow 07:05", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-15T07:05+13:00"),
        ("", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-14T23:30+13:00"),
        ("now", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-14T23:30-07:00"),
        ("08:30", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-14T08:30-07:00"),
        ("8.30", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-14T08:30+13:00"),
        ("sat", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-14"),
        ("Sunday", LOS_ANGELES, LATE_IN_LOS_ANGELES, "2026-03-08"),
        ("tue 17:00", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-10T17:00+13:00"),
        ("thurs", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-12"),
        ("yesterday 07:05", AUCKLAND, LATE_IN_AUCKLAND, "2026-03-13T07:05+13:00"),
        ("2026-02-01", AUCKLAND, LATE_IN_AUCKLAND, "2026-02-01"),
        ("2026-02-01 06:00", LOS_ANGELES, LATE_IN_AUCKLAND, "2026-02-01T06:00-08:00"),
        ("2026-02-01T06:00", LOS_ANGELES, LATE_IN_AUCKLAND, "2026-02-01T06:00-08:00"),
    ],
)
def test_time_as_people_say_it(said: str, tz: ZoneInfo, now: datetime, stored: str) -> None:
    assert parse_when(said, tz, now).text == stored


def test_instant_with_offset_becomes_the_trials_own_day() -> None:
    """Friday morning in London is Friday night in New Zealand, and a little later Saturday."""
    friday = parse_when("2026-03-13T10:00Z", AUCKLAND, LATE_IN_AUCKLAND)
    saturday = parse_when("2026-03-13T11:00+00:00", AUCKLAND, LATE_IN_AUCKLAND)
    assert (friday.day, saturday.day) == (date(2026, 3, 13), date(2026, 3, 14))
    assert saturday.text == "2026-03-14T00:00+13:00"


@pytest.mark.parametrize("laptop", [-11, 0, 13])
def test_the_laptops_clock_and_zone_do_not_matter(laptop: int) -> None:
    with freeze_time("2031-07-01 12:00", tz_offset=laptop):
        assert parse_when("today", AUCKLAND, LATE_IN_LOS_ANGELES).day == date(2026, 3, 15)


def test_a_day_alone_gets_no_hour() -> None:
    when = parse_when("yesterday", LISBON, LATE_IN_AUCKLAND)
    assert when.instant is None
    assert when.spoken == "Fri 13 Mar 2026"
    assert parse_when("fri 09:10", LISBON, LATE_IN_AUCKLAND).spoken == "Fri 13 Mar 2026 09:10"


@pytest.mark.parametrize(
    ("tz", "day", "clock"),
    [
        (LISBON, "2026-03-29", "01:30"),
        (LOS_ANGELES, "2026-03-08", "02:30"),
        (AUCKLAND, "2026-09-27", "02:30"),
        (ZoneInfo("Australia/Lord_Howe"), "2026-10-04", "02:15"),  # half an hour only
    ],
)
def test_hour_that_the_clocks_skipped_is_asked(tz: ZoneInfo, day: str, clock: str) -> None:
    with pytest.raises(UserMistake) as caught:
        parse_when(f"{day} {clock}", tz, LATE_IN_AUCKLAND)
    message = f"{clock} did not exist on {day} in {tz.key}: the clocks were put forward"
    assert caught.value.message == message
    assert caught.value.hint == "give a time before or after the change"


@pytest.mark.parametrize(
    ("tz", "day", "clock", "offsets"),
    [
        (LISBON, "2026-10-25", "01:30", ("+01:00", "+00:00")),
        (LOS_ANGELES, "2026-11-01", "01:30", ("-07:00", "-08:00")),
        (AUCKLAND, "2026-04-05", "02:30", ("+13:00", "+12:00")),
    ],
)
def test_hour_that_came_twice_needs_its_offset(
    tz: ZoneInfo, day: str, clock: str, offsets: tuple[str, str]
) -> None:
    for text in (f"{day} {clock}", f"{day}T{clock}"):
        with pytest.raises(UserMistake) as caught:
            parse_when(text, tz, LATE_IN_AUCKLAND)
        assert caught.value.message.startswith(f"{clock} happened twice on {day} in {tz.key}")
        first, second = (f"{day}T{clock}{offset}" for offset in offsets)
        assert caught.value.hint == f"write {first} or {second}"
    for offset in offsets:  # what the hint says is taken, and stored as it was written
        written = f"{day}T{clock}{offset}"
        assert parse_when(written, tz, LATE_IN_AUCKLAND).text == written


@pytest.mark.parametrize(
    ("tz", "day", "before", "after"),
    [
        (LISBON, "2026-03-29", "00:59", "02:00"),
        (LOS_ANGELES, "2026-03-08", "01:59", "03:00"),
        (AUCKLAND, "2026-09-27", "01:59", "03:00"),
    ],
)
def test_a_minute_before_and_after_the_change(
    tz: ZoneInfo, day: str, before: str, after: str
) -> None:
    """By the wall 61 minutes, by the sun one."""
    early = parse_when(f"{day} {before}", tz, LATE_IN_AUCKLAND).instant
    late = parse_when(f"{day} {after}", tz, LATE_IN_AUCKLAND).instant
    assert early is not None
    assert late is not None
    assert late.astimezone(UTC) - early.astimezone(UTC) == timedelta(minutes=1)


def test_yesterday_of_a_day_with_23_hours_is_the_calendars_yesterday() -> None:
    shortly_after_midnight = datetime(2026, 3, 9, 0, 10, tzinfo=LOS_ANGELES)
    assert parse_when("yesterday", LOS_ANGELES, shortly_after_midnight).day == date(2026, 3, 8)


def test_leap_day() -> None:
    now = datetime(2028, 3, 1, 9, 0, tzinfo=LISBON)
    assert parse_when("yesterday", LISBON, now).day == date(2028, 2, 29)
    assert parse_when("tue", LISBON, now).text == "2028-02-29"
    assert spoken_day(date(2028, 2, 29)) == "Tue 29 Feb 2028"
    with pytest.raises(UserMistake, match="'2026-02-29' is not a day of the calendar"):
        parse_when("2026-02-29", LISBON, now)


@pytest.mark.parametrize(
    "said",
    [
        "monkey", "sunny", "mo", "morrow", "25:00", "8:61", "14/03/26", "2026-3-14", "tue wed",
        "2026-13-01T08:00", "2026-03-14T25:00", "17:00 tue", "2026-03-14 08:30 09:30", "\x00",
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_examples(said: str) -> None:
    with pytest.raises(UserMistake) as caught:
        parse_when(said, LISBON, LATE_IN_AUCKLAND)
    assert "tue 17:00" in caught.value.hint


@pytest.mark.parametrize(
    ("said", "stored"),
    [
        ("19.8.2025", "2025-08-19"),
        ("03.08.2025", "2025-08-03"),  # dots: the day is first
        ("19/8/2025", "2025-08-19"),
        ("8/19/2025", "2025-08-19"),
        ("8/8/2025", "2025-08-08"),
        ("19.8.2025 08:30", "2025-08-19T08:30+01:00"),
    ],
)
def test_a_date_in_numbers_that_can_be_one_day_only(said: str, stored: str) -> None:
    assert parse_when(said, LISBON, LATE_IN_AUCKLAND).text == stored


@pytest.mark.parametrize(
    ("said", "message", "hint"),
    [
        ("3/8/2025", "'3/8/2025' can be read in two ways", "write 2025-08-03 or 2025-03-08"),
        ("8.19.2025", "'8.19.2025' is not a day of the calendar", "write yesterday"),
        ("32/1/2025", "'32/1/2025' is not a day of the calendar", "write yesterday"),
        ("19.8/2025", "'19.8/2025' is not a time", "write yesterday"),
        ("19.8.25", "'19.8.25' is not a time", "write yesterday"),
        ("19.8.0025", "0025 is not a year", "write yesterday"),
    ],
)
def test_a_date_in_numbers_that_can_be_two_or_none(said: str, message: str, hint: str) -> None:
    with pytest.raises(UserMistake) as caught:
        parse_when(said, LISBON, LATE_IN_AUCKLAND)
    assert caught.value.message.startswith(message)
    assert caught.value.hint.startswith(hint)


@pytest.mark.parametrize(
    "said", ["0206-03-14", "9999-12-31", "0001-01-01T00:00+14:00", "9999-12-31T23:59-12:00"]
)
def test_years_of_no_trial_are_slips_of_the_hand(said: str) -> None:
    with pytest.raises(UserMistake, match="is not a year in which a trial is kept"):
        parse_when(said, LISBON, LATE_IN_AUCKLAND)


@pytest.mark.parametrize("name", ["Europe/Atlantis", "", "../etc/passwd", "/etc/localtime", "CETT"])
def test_unknown_zone(name: str) -> None:
    with pytest.raises(UserMistake, match="is not a time zone"):
        zone(name)


def test_known_zone() -> None:
    assert zone("Pacific/Auckland").key == "Pacific/Auckland"


@settings(derandomize=True, max_examples=80, deadline=None)
@given(
    moment=st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC)),
    tz=st.sampled_from([AUCKLAND, LOS_ANGELES, LISBON]),
)
def test_stored_form_reads_back_as_the_same_minute_and_day(moment: datetime, tz: ZoneInfo) -> None:
    when = parse_when("now", tz, moment)
    back = read_stored(when.text)
    assert back.day == when.day == moment.astimezone(tz).date()
    assert back.instant == moment.replace(second=0, microsecond=0)
    assert back.text == when.text


@settings(derandomize=True, max_examples=40, deadline=None)
@given(day=st.dates(date(1900, 1, 1), date(2199, 12, 31)))
def test_stored_day_reads_back(day: date) -> None:
    assert read_stored(When(day).text) == When(day)
    assert parse_when(day.isoformat(), LISBON, LATE_IN_AUCKLAND) == When(day)
