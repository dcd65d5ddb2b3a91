"""When something happened: a field day (`date`) or an instant with its offset, never mixed up.

A day-only act stays a day: no hour is invented for it. "Today" is today in the trial's zone,
whatever the laptop's zone is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from logbook.errors import UserMistake

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
# Years beyond these are slips of the hand, and the calendar must have room to count days on.
YEARS = range(1900, 2200)
_FULL = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3])[:.]([0-5][0-9])\Z")
_NUMBERS = re.compile(r"([0-9]{1,2})([./])([0-9]{1,2})\2([0-9]{4})")
_HINT = "write yesterday, 08:30, tue 17:00, 2026-03-14 or 2026-03-14T08:30"


def age_text(days: float) -> str:
    """Days since application as they are written everywhere: "28", "3.25", "0.33".

    They are a mean over beds applied, or pulled, on different days.
    """
    return f"{round(days, 2):g}"


def days_text(days: Iterable[float]) -> str:
    """ "day 7", "days 7 and 28", "days 3, 7 and 28"."""
    *most, last = map(age_text, days)
    return f"days {', '.join(most)} and {last}" if most else f"day {last}"


def span(days: int) -> str:
    """How long something is ahead or takes already, in whole days: "3 d"; "today" for none."""
    return f"{days} d" if days else "today"


def ago(days: int) -> str:
    """How long ago something was, in whole days: "3 d ago", "today"."""
    return f"{days} d ago" if days else "today"


@dataclass(frozen=True)
class When:
    """The time of an act: the day in the trial's zone and, if it was given, the instant."""

    day: date
    instant: datetime | None = None

    @property
    def text(self) -> str:
        """The stored form: `2026-03-14` or `2026-03-14T08:30+01:00`."""
        return self.day.isoformat() if self.instant is None else _minutes(self.instant)

    @property
    def spoken(self) -> str:
        """The form shown to people: `Sat 14 Mar 2026` or `Sat 14 Mar 2026 08:30`."""
        clock = "" if self.instant is None else f" {self.instant:%H:%M}"
        return f"{spoken_day(self.day)}{clock}"


def spoken_day(day: date) -> str:
    """`Sat 14 Mar 2026`, in English whatever the machine's locale."""
    month = "JanFebMarAprMayJunJulAugSepOctNovDec"[3 * day.month - 3 : 3 * day.month]
    return f"{WEEKDAYS[day.weekday()].title()} {day.day} {month} {day.year}"


def zone(name: str) -> ZoneInfo:
    """The IANA time zone of that name; raises UserMistake for an unknown one."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UserMistake(
            f"{name!r} is not a time zone", "use an IANA name such as Europe/Lisbon"
        ) from None


# The lines of an act share its time.
@lru_cache(maxsize=1024)
def read_stored(text: str) -> When:
    """The `When` of a stored form; the day is the day at the offset that was written."""
    if "T" not in text:
        return When(date.fromisoformat(text))
    instant = datetime.fromisoformat(text)
    return When(instant.date(), instant)


def parse_when(text: str, tz: ZoneInfo, now: datetime) -> When:
    """Read a time as people say it, in the trial's zone; `now` is an aware instant.

    Accepts `now`, `today`, `yesterday`, `tomorrow`, a weekday (the latest one, today included), an
    ISO date, `19.8.2026` (the day is first), `19/8/2026` where only one number can be the day, each
    with or without a clock time; a clock time alone is today; ISO 8601 with an offset is taken as
    it stands. Raises UserMistake for anything else, for years outside YEARS, for hours
    that a clock change skips and for hours that it repeats (those need an offset).
    """
    words = text.strip().lower().split()
    here = now.astimezone(tz)
    if words in ([], ["now"]):
        return When(here.date(), here)
    if len(words) == 1 and "t" in words[0] and words[0][:1].isdigit():
        return _iso_instant(text.strip(), tz)
    clock = _clock(words[-1])
    if clock is not None:
        words = words[:-1]
    day = _day(words, here.date(), text) if words else here.date()
    return When(day) if clock is None else When(day, _aware(day, clock, tz))


def _clock(word: str) -> time | None:
    match = _CLOCK.match(word)
    return time(int(match[1]), int(match[2])) if match else None


def _day(words: list[str], today: date, text: str) -> date:
    word = " ".join(words)
    if word == "today":
        return today
    if word == "yesterday":
        return today - timedelta(days=1)
    if word == "tomorrow":
        return today + timedelta(days=1)
    named = [n for n, full in enumerate(_FULL) if len(word) >= 3 and full.startswith(word)]
    if named:
        return today - timedelta(days=(today.weekday() - named[0]) % 7)
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", word):
        try:
            return _plausible(date.fromisoformat(word))
        except ValueError:
            raise UserMistake(f"{word!r} is not a day of the calendar", _HINT) from None
    numbers = _NUMBERS.fullmatch(word)
    if numbers:
        return _plausible(_of_numbers(word, numbers))
    raise UserMistake(f"{text.strip()!r} is not a time", _HINT)


def _of_numbers(word: str, numbers: re.Match[str]) -> date:
    """The day of `19.8.2026` or `19/8/2026`; refused where a slash leaves two days to choose."""
    one, other, year = int(numbers[1]), int(numbers[3]), int(numbers[4])
    orders = [(one, other)] if numbers[2] == "." else [(one, other), (other, one)]
    days = []
    for day, month in orders:
        with suppress(ValueError):
            days.append(date(year, month, day))
    several = dict.fromkeys(days)
    if len(several) == 2:
        both = " or ".join(day.isoformat() for day in several)
        raise UserMistake(f"{word!r} can be read in two ways", f"write {both}")
    if not days:
        raise UserMistake(f"{word!r} is not a day of the calendar", _HINT)
    return days[0]


def _plausible(day: date) -> date:
    if day.year not in YEARS:
        raise UserMistake(f"{day.year:04d} is not a year in which a trial is kept", _HINT)
    return day


def _iso_instant(text: str, tz: ZoneInfo) -> When:
    try:
        instant = datetime.fromisoformat(text.upper().replace("Z", "+00:00"))
    except ValueError:
        raise UserMistake(f"{text!r} is not a time", _HINT) from None
    _plausible(instant.date())
    if instant.tzinfo is None:
        instant = _aware(instant.date(), instant.time(), tz)
    local = instant.astimezone(tz)
    return When(local.date(), local)


def _aware(day: date, clock: time, tz: ZoneInfo) -> datetime:
    """The instant of a wall-clock time; refuses hours that occur twice or never."""
    first = datetime.combine(day, clock, tz)
    second = first.replace(fold=1)
    if first.utcoffset() == second.utcoffset():
        return first
    wall = first.astimezone(UTC).astimezone(tz).replace(tzinfo=None, fold=0)
    if wall != first.replace(tzinfo=None, fold=0):
        raise UserMistake(
            f"{clock:%H:%M} did not exist on {day} in {tz.key}: the clocks were put forward",
            "give a time before or after the change",
        )
    raise UserMistake(
        f"{clock:%H:%M} happened twice on {day} in {tz.key}: the clocks were put back",
        f"write {_minutes(first)} or {_minutes(second)}",
    )


def _minutes(instant: datetime) -> str:
    return instant.isoformat(timespec="minutes")
