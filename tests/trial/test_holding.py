"""How long samples may wait. The clock starts at sampling."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from logbook.trial import holding
from logbook.trial.chemistry import ANALYTES
from logbook.trial.holding import MOIST, Stage, between, limit, waits
from logbook.trial.records import CHILLED, DRIED, FROZEN
from logbook.trial.times import When

BERLIN = ZoneInfo("Europe/Berlin")
HOUR = timedelta(hours=1)
PULLED = datetime(2026, 3, 16, 8, 30, tzinfo=UTC)


def at(hours: float) -> When:
    """A time so many hours after the pull."""
    moment = (PULLED + hours * HOUR).astimezone(BERLIN)
    return When(moment.date(), moment)


def late(stages: list[Stage], hours: float, *names: str) -> list[tuple[str, str]]:
    """The analyses that waited too long, and in which state."""
    return [(one.analyte, one.state) for one in waits(at(0), stages, names, at(hours), BERLIN)]


@pytest.mark.parametrize(
    ("analyte", "state", "longest"),
    [
        # US EPA's answer on SW-846 methods: nitrate in soil, 48 h from collection to analysis.
        ("nitrate-N", CHILLED, timedelta(hours=48)),
        ("ammonium-N", CHILLED, timedelta(hours=48)),
        # The same answer: metals in soils and waters, 180 days.
        ("K", MOIST, timedelta(days=180)),
        ("Zn", DRIED, timedelta(days=180)),
        # A comparison: -20 C equal to fresh for two months.
        ("nitrate-N", FROZEN, timedelta(days=60)),
        # A conservation district's sampling rule: dry within 12 h, or refrigerate.
        ("nitrate-N", MOIST, timedelta(hours=12)),
    ],
)
def test_limits_that_have_a_source(analyte: str, state: str, longest: timedelta) -> None:
    found = limit(analyte, state)
    assert found.longest == longest
    assert found.source != holding.PRACTICE


def test_every_nutrient_has_a_limit_in_every_state_and_moist_soil_keeps_least() -> None:
    for name in ANALYTES:
        found = [limit(name, state) for state in (MOIST, CHILLED, FROZEN)]
        assert [one.longest for one in found] == sorted(one.longest for one in found)
        assert all(one.source for one in [*found, limit(name, DRIED)])


def test_moist_soil_is_over_by_hours() -> None:
    moist = [Stage(MOIST, at(0))]
    assert late(moist, 12, "nitrate-N", "P") == []
    assert late(moist, 12.5, "nitrate-N", "P") == [("nitrate-N", MOIST)]
    assert late([Stage(CHILLED, at(0))], 48, "ammonium-N") == []
    assert late([Stage(CHILLED, at(0))], 49, "ammonium-N") == [("ammonium-N", CHILLED)]


def test_drying_stops_the_clock_of_the_state_before() -> None:
    dried = [Stage(MOIST, at(0)), Stage(DRIED, at(3))]
    assert late(dried, 30 * 24, "nitrate-N") == []
    assert late(dried, 91 * 24, "nitrate-N") == [("nitrate-N", DRIED)]


def test_what_was_dried_too_late_stays_too_late() -> None:
    dried = [Stage(MOIST, at(0)), Stage(DRIED, at(30))]
    assert late(dried, 48, "nitrate-N", "P") == [("nitrate-N", MOIST)]


def test_the_clock_starts_at_the_pull_and_not_at_the_next_state() -> None:
    """Cooled after 10 h, frozen 45 h after that: 55 h after the pull, more than 48."""
    kept = [Stage(MOIST, at(0)), Stage(CHILLED, at(10)), Stage(FROZEN, at(55))]
    assert late(kept, 60, "nitrate-N") == [("nitrate-N", CHILLED)]


def test_a_day_without_its_hour_leaves_room() -> None:
    day, next_day = When(date(2026, 3, 16)), When(date(2026, 3, 17))
    least, most = between(day, next_day, BERLIN)
    assert (least, most) == (timedelta(), timedelta(hours=48))
    (one,) = waits(day, [Stage(MOIST, day)], ["nitrate-N"], next_day, BERLIN)
    assert not one.certain
    (one,) = waits(day, [Stage(MOIST, day)], ["nitrate-N"], When(date(2026, 3, 19)), BERLIN)
    assert one.certain and one.least == timedelta(hours=48)


def test_the_day_on_which_clocks_change_has_its_own_length() -> None:
    """29 March 2026 has 23 hours in Berlin (European summer time, from 01:00 UTC)."""
    day = When(date(2026, 3, 29))
    assert between(day, day, BERLIN)[1] == 23 * HOUR


@pytest.mark.parametrize(
    ("hours", "words"), [(12, "12 h"), (48, "48 h"), (71, "71 h"), (72, "3 d"), (90 * 24, "90 d")]
)
def test_spoken(hours: int, words: str) -> None:
    assert holding.spoken(hours * HOUR) == words
