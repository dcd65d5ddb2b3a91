"""What is due, overdue or missed, and why: from the plan, the history and a day; pure.

The rules, in the words of the trade:

- Day 0 belongs to the bed: it is the day of its application (of its mock application, if it is a
  control). Planned pulls count from there; the window is the target plus or minus the tolerance.
- The pull *before* (planned day None) is open from the bed's filling until its application; a
  pull on the application day is day 0's unless it says that it was the one before.
- The control is pulled whenever a treated bed of its block is. So a control bed has one
  obligation for every day on which a treated bed of its block has a planned pull; treated beds
  share it if that day lies in the windows of them all, and a pull that was made in the windows of
  two of its obligations serves both. Where treated beds were in fact pulled on another day, the
  control's target moves there: to the first such day inside the window, or to each day outside.
  A treated bed that joined later asks for no control but those that joined too or were applied on
  its day: others have another history, and may have been finished with long ago.
- A pull serves the obligation that it names, however far away (of several the one still open,
  even where another's window holds its day); otherwise the one whose window
  holds its day; otherwise the nearest unserved one that is overdue on that day ("late"), or that
  opens within as many days as its tolerance, at least one ("early"). One that names nothing and
  lies farther away uses no planned pull up: it stays due, and
  it is an extra pull. A second pull of the same obligation is kept as a repeat; the first counts.
  A repeat of an extra pull, on the same day, is outside the calendar with it.
- A planned pull is in force for the targets from its `since` to the day before its `until`, so a
  change of the calendar applies from its date on. A pull may be skipped, with a reason; controls
  do not follow it then. A bed that is out of the trial owes nothing from that day on.

Example: a bed applied on 2 March with a pull on day 14, tolerance 2, has the target 16 March and
the window 14 to 18 March; unpulled it is overdue on 19 and 20 March and missed from 21 March.

Two stages: `owing.obligations` knows dates only and can be kept; `status` here looks at one of
them on a day. How many days early, late or overdue is always counted from the target. Lines that
were struck and duplicates are left out by the caller.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from logbook.trial.records import Record, record
from logbook.trial.times import spoken_day

STATES = ("coming", "due", "overdue", "missed", "skipped", "done", "done early", "done late")
DONE = ("done", "done early", "done late")
SETTLED = (*DONE, "missed", "skipped")
_ONE_BEFORE = 3  # days between applications that share one pull "before"


@dataclass(frozen=True)
class Taken:
    """A pull that was made: its code, the bed's id, the field day in the trial's zone.

    `planned` is the calendar's pull it was taken for, where the person said so; `again` whether
    it was recorded as a repeat; `order` is what orders pulls of one day (the entry's id).
    """

    code: str
    bed: str
    day: date
    planned: str | None = None
    again: bool = False
    order: str = ""


class Obligation(NamedTuple):
    """One pull that one bed owes the calendar; dates only.

    `bed` is the bed's id and `planned` the calendar's name of the pull; `also` holds further names
    of a control's pull that serves treated beds of different age on the same day. `day` counts
    from `day0`. `opens`, `target` and `closes` are days, both ends included, None as long as they
    hang on an application (or a filling) that has not been made; `missed_from` is the first day
    on which it is lost. `moved`: the target is a day on which treated beds were in fact pulled.
    `pull` and `pulled` are the code and day of the pull that serves it, `repeats` the codes of
    further ones. `skipped` is the reason why it will not be pulled. `home` is None but while
    obligations are worked out: the day that decides which calendar they belong to.
    """

    bed: str
    planned: str
    day: int | None
    day0: date | None
    opens: date | None
    target: date | None
    closes: date | None
    missed_from: date | None
    tolerance: int
    also: tuple[str, ...] = ()
    moved: bool = False
    pull: str | None = None
    pulled: date | None = None
    repeats: tuple[str, ...] = ()
    skipped: str | None = None
    home: date | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Every name of the calendar that a pull may give to serve this obligation."""
        return (self.planned, *self.also)


@record
class Status(Record):
    """How an obligation stands on a day: one of STATES, days from the target, and why.

    `days` is the distance to the target: still to go ("coming", "due"; negative when past it),
    past it ("overdue", "missed", "done late", "done") or ahead of it ("done early"); None where
    there is no target.
    """

    state: str
    days: int | None
    why: str


def trial_day(applications: Mapping[str, date], today: date) -> int | None:
    """Days since the trial's first application (bed id -> day); None before there is one."""
    return (today - min(applications.values())).days if applications else None


def pull_word(text: str) -> str:
    """What somebody calls a pull, as the calendar writes it: "Day14" is "day 14"."""
    word = " ".join(text.casefold().split())
    return f"day {word[3:]}" if word.startswith("day") and word[3:].isdecimal() else word


def age_order(day: int | None) -> int:
    """For sorting: the pull before comes ahead of every numbered day, whatever its sign."""
    return -(10**6) if day is None else day


def follows(control: Obligation, treated: Obligation) -> bool:
    """Whether a control bed of the same block owes its pull because of this treated bed's.

    Beds of a block may be applied over weeks, so that one name means several days in it. A pull
    before is shared by applications that lie at most three days apart (common practice, no source).
    """
    if not set(control.names) & set(treated.names):
        return False
    if treated.day is None:
        first, second = control.day0, treated.day0
        return not first or not second or abs((first - second).days) <= _ONE_BEFORE
    if control.target is None or treated.opens is None or treated.closes is None:
        return control.target is None and treated.target is None
    days = [day for day in (control.target, control.pulled) if day is not None]
    return control.target in (treated.target, treated.pulled) or any(
        treated.opens <= day <= treated.closes for day in days
    )


def asked_by(treated: Obligation, controls: Iterable[Obligation]) -> Obligation | None:
    """Which of a control bed's obligations is there because of that treated bed's: the nearest."""
    day = treated.pulled or treated.target

    def away(one: Obligation) -> int:
        return abs((one.target - day).days) if one.target and day else 0

    return min((one for one in controls if follows(one, treated)), key=away, default=None)


def extra_pulls(owed: Iterable[Obligation], pulls: Iterable[Taken]) -> list[Taken]:
    """The pulls that serve and repeat nothing of the calendar, in order of day and code."""
    used = {code for one in owed for code in (one.pull, *one.repeats)}
    return sorted(
        (pull for pull in pulls if pull.code not in used), key=lambda pull: (pull.day, pull.code)
    )


def status(owed: Obligation, today: date) -> Status:
    """How that obligation stands on `today`; a pull made after that day does not count."""
    if owed.pulled is not None and owed.pulled <= today:
        return _done(owed, owed.pulled)
    to_go = None if owed.target is None else (owed.target - today).days
    if owed.skipped is not None:
        return Status("skipped", to_go, f"skipped: {owed.skipped}")
    if owed.missed_from is not None and today >= owed.missed_from:
        return Status("missed", None if to_go is None else -to_go, _why_missed(owed))
    if owed.closes is not None and today > owed.closes:
        past = None if to_go is None else -to_go
        return Status("overdue", past, f"its window closed on {spoken_day(owed.closes)}")
    if _open(owed, today):
        until = "its application" if owed.closes is None else spoken_day(owed.closes)
        return Status("due", to_go, f"open until {until}")
    return Status("coming", to_go, _why_coming(owed))


def last_day(owed: Iterable[Obligation]) -> date | None:
    """The last day on which the calendar asks for soil; None while a bed is not yet applied."""
    days = [one.pulled or one.closes for one in owed]
    known = [day for day in days if day is not None]
    return max(known) if known and len(known) == len(days) else None


def _open(one: Obligation, today: date) -> bool:
    if one.opens is not None:
        return one.opens <= today
    return one.day is None and one.day0 is not None


def _done(one: Obligation, pulled: date) -> Status:
    if one.target is None:
        return Status("done", None, f"pulled on {spoken_day(pulled)}")
    away = (pulled - one.target).days
    if one.opens is not None and one.day is not None and pulled < one.opens:
        return Status("done early", -away, f"pulled before its window, {-away} d before its day")
    if one.closes is not None and pulled > one.closes:
        return Status("done late", away, f"pulled after its window, {away} d after its day")
    return Status("done", away, f"pulled on {spoken_day(pulled)}")


def _why_coming(one: Obligation) -> str:
    if one.opens is not None:
        return f"opens on {spoken_day(one.opens)}"
    return f"starts at {'filling' if one.day is None else 'application'}"


def _why_missed(one: Obligation) -> str:
    if one.day is None and one.day0 is not None:
        return f"applied on {spoken_day(one.day0)} without it"
    return (
        "" if one.closes is None else f"not pulled; its window closed on {spoken_day(one.closes)}"
    )
