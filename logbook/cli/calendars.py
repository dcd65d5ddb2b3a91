"""Changing the calendar: `calendar show|add|drop`, and `skip` for single beds."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli.acts import Beds, WhenOption
from logbook.cli.app import command, group
from logbook.cli.session import Chosen, Session, addressed, as_json, chosen, say, still_in
from logbook.cli.wording import needed
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.journal.kinds import to_value
from logbook.store import views
from logbook.trial import records
from logbook.trial.ranges import BedRef, compact
from logbook.trial.schedule import pull_word
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    import sqlite3

    from logbook.store.views import Found
    from logbook.trial.schedule import Obligation

Json = Annotated[bool, typer.Option("--json", help="For programs.")]
From = Annotated[str | None, typer.Option("--from", help="The date from which it applies [today].")]
_MOST_DAYS = 3650
_NAMED = 3


def show(context: typer.Context, json: Json = False) -> None:
    """Show the calendar of pulls, with every change and from when it applies.

    Examples: logbook calendar show
              logbook calendar show --json
    """
    session: Session = context.obj
    trial, plans = session.read(lambda store: _plans(store, session))
    if json:
        as_json({"trial": trial.trial.name, "pulls": [to_value(one.record) for one in plans]})
        return
    from logbook.report.terminal.tables import table

    table(
        ("Pull", "Tolerance", "In force"),
        [(one.record.name, _tolerance(one.record), _in_force(one.record)) for one in plans],
    )


def add(
    context: typer.Context,
    day: Annotated[int, typer.Argument(help="Days after application.", show_default=False)],
    tolerance: Annotated[int, typer.Option(help="Days early or late that still count.")] = 1,
    since: From = None,
) -> None:
    """Add a pull to the calendar, or give one another tolerance, from a date on.

    Examples: logbook calendar add 70 --tolerance 3
              logbook calendar add 14 --tolerance 2 --from 2026-04-01
    """
    from logbook.book.corrections import inside

    session: Session = context.obj
    trial, plans = session.read(lambda store: _plans(store, session))
    if not 0 <= day <= _MOST_DAYS or not 0 <= tolerance <= _MOST_DAYS:
        raise UserMistake(f"day {day} +-{tolerance} is not a day of a calendar")
    start = _date(session, since, trial)
    name = f"day {day}"
    standing = [one for one in plans if one.record.name == name and one.record.until is None]
    if any(one.record.tolerance == tolerance for one in standing):
        raise UserMistake(f"the calendar has {name} +-{tolerance} d already")
    _refuse_overlap(plans, day, tolerance, start)
    plan = records.PlannedPull(trial.id, name, day, tolerance, start, None)
    with session.write() as book:
        _refuse_changed(inside(book), trial, plans)
        code = book.new_code()
        ended = [(f"planned-pull/{one.id}", _ending(one, start)) for one in standing]
        book.record("set", [*ended, (key("planned-pull", code), plan)], code=code)
    say(f"{code}  {name} +-{tolerance} d from {spoken_day(start)} on")


def drop(
    context: typer.Context,
    pull: Annotated[
        str,
        typer.Argument(
            help="The pull, such as 'day 84'.", show_default=False, autocompletion=completing.pulls
        ),
    ],
    reason: Annotated[str | None, typer.Option(help="Why.")] = None,
    since: From = None,
) -> None:
    """Take a pull out of the calendar from a date on.

    Examples: logbook calendar drop 'day 84' --reason 'house is needed for seedlings'
              logbook calendar drop 'day 3' --from 2026-04-01 --reason 'too much work'
    """
    from logbook.book.corrections import inside

    session: Session = context.obj
    why = needed(reason, "a change of the calendar needs its reason")
    trial, plans = session.read(lambda store: _plans(store, session))
    start = _date(session, since, trial)
    standing = [one for one in _called(plans, pull) if one.record.until is None]
    if not standing:
        name = _called(plans, pull)[0].record.name
        raise UserMistake(f"the calendar has dropped {name} already")
    with session.write() as book:
        _refuse_changed(inside(book), trial, plans)
        code = book.new_code()
        lines = [(f"planned-pull/{one.id}", _ending(one, start)) for one in standing]
        book.record("set", lines, code=code, reason=why)
    name, day = standing[0].record.name, standing[0].record.day
    say(f"{code}  {name} dropped from {spoken_day(start)} on: {why}")
    if day == trial.trial.endpoint_day:
        say(f"Note: {name} is the day of the difference named beforehand ({trial.trial.endpoint})")


def skip(
    context: typer.Context,
    beds: Beds,
    pull: Annotated[str, typer.Option("--for", help="The planned pull, such as 'day 14'.")],
    reason: Annotated[str | None, typer.Option(help="Why it will not be taken.")] = None,
    when: WhenOption = None,
) -> None:
    """Skip a planned pull of some beds; their controls do not follow it then.

    Examples: logbook skip B7 --for 'day 28' --reason 'too wet to core'
              logbook skip 'block 2' --for 'day 3' --reason 'nobody there'
    """
    from logbook.book.corrections import inside

    session: Session = context.obj
    why = needed(reason, "skipping a pull needs its reason")
    trial, chosen_beds = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    chosen_beds = session.read(lambda store: still_in(store, trial, chosen_beds, at.day))
    name = session.read(lambda store: _called(_of_trial(store, trial), pull)[0].record.name)
    owed = session.read(lambda store: views.obligations(store, trial.id))
    _refuse_settled(chosen_beds, name, owed)
    with session.write() as book:
        _refuse_settled(chosen_beds, name, views.obligations(inside(book), trial.id))
        code = book.new_code()
        lines = [
            (key("skip", code, bed.id), records.Skip(bed.id, name, at, why)) for bed in chosen_beds
        ]
        book.record("skip", lines, code=code)
    labels = compact(bed.label for bed in chosen_beds)
    say(f"{code}  {name} skipped on {labels}: {why}, {at.spoken}")
    left = _left_alone(trial, chosen_beds, name, owed)
    if left:
        say(f"Note: {compact(left)} have no control for {name} then: skip it there too")


def _refuse_settled(beds: list[BedRef], name: str, owed: list[Obligation]) -> None:
    """Skipping is for what is still to be taken; every bed that stands against it is named."""
    wrong = [why for bed in beds if (why := _settled(bed, name, owed))]
    if wrong:
        more = f"; and {len(wrong) - _NAMED} more" if len(wrong) > _NAMED else ""
        raise UserMistake("; ".join(wrong[:_NAMED]) + more)


def _settled(bed: BedRef, name: str, owed: list[Obligation]) -> str:
    """Why there is nothing to skip on a bed; empty where there is."""
    mine = [one for one in owed if one.bed == bed.id and name in one.names]
    pulled = [one for one in mine if one.pulled is not None]
    if not mine:
        return f"{bed.label} owes no {name}: there is nothing to skip"
    if len(pulled) == len(mine):
        return f"{bed.label} was pulled for {name} already ({pulled[0].pull})"
    if all(one.skipped for one in mine if one.pulled is None):
        return f"{name} is skipped on {bed.label} already: {mine[0].skipped}"
    return ""


def _left_alone(
    trial: Chosen, skipped: list[BedRef], name: str, owed: list[Obligation]
) -> list[str]:
    """Treated beds that are still pulled though every control of their block skips it."""
    gone = {bed.id for bed in skipped} | {
        one.bed for one in owed if name in one.names and one.skipped is not None
    }
    open_ = {one.bed for one in owed if name in one.names and one.pulled is None} - gone
    blocks = {bed.block for bed in skipped if bed.control}
    blocks -= {bed.block for bed in trial.beds if bed.control and bed.id not in gone}
    return [
        bed.label
        for bed in trial.beds
        if bed.id in open_ and bed.block in blocks and not bed.control
    ]


def _plans(store: sqlite3.Connection, session: Session) -> tuple[Chosen, list[Found]]:
    trial = chosen(store, session)
    return trial, _of_trial(store, trial)


def _of_trial(store: sqlite3.Connection, trial: Chosen) -> list[Found]:
    plans = views.fetch(store, "planned-pull", "trial = ?", (trial.id,))
    return sorted(plans, key=lambda one: (_age(one.record.day), one.record.since or date.min))


def _age(day: int | None) -> int:
    return -1 if day is None else day


def _refuse_changed(store: sqlite3.Connection, trial: Chosen, seen: list[Found]) -> None:
    """The calendar must still be the one that was looked at before the store was held."""
    if _of_trial(store, trial) != seen:
        raise UserMistake(
            "the calendar was changed by another program just now; nothing was written",
            "logbook calendar show, then type it again if it still holds",
        )


def _called(plans: list[Found], text: str) -> list[Found]:
    """The planned pulls that `14`, `day 14` or `before` names."""
    word = pull_word(text)
    found = [one for one in plans if word in (one.record.name, str(one.record.day))]
    if not found:
        known = ", ".join(dict.fromkeys(one.record.name for one in plans))
        raise UserMistake(f"the calendar has no pull {text!r}", f"it has: {known}")
    return found


def _ending(plan: Found, start: date) -> Any:
    """The planned pull as it was, in force until that date."""
    record = plan.record
    return records.PlannedPull(
        record.trial, record.name, record.day, record.tolerance, record.since, start
    )


def _refuse_overlap(plans: list[Found], day: int, tolerance: int, start: date) -> None:
    """Two windows that meet would leave it open which pull a sample served."""
    for one in plans:
        record = one.record
        over = record.until is not None and record.until <= start
        if record.day is None or record.day == day or over:
            continue
        if abs(record.day - day) <= record.tolerance + tolerance:
            raise UserMistake(
                f"day {day} +-{tolerance} d meets the window of "
                f"{record.name} +-{record.tolerance} d",
                "choose another day or a smaller tolerance",
            )


def _date(session: Session, text: str | None, trial: Chosen) -> date:
    """A calendar date, which may lie ahead."""
    from logbook.trial import times

    return times.parse_when(text or "today", times.zone(trial.trial.zone), session.clock.now()).day


def _tolerance(plan: records.PlannedPull) -> str:
    return "" if plan.day is None else f"+-{plan.tolerance} d"


def _in_force(plan: records.PlannedPull) -> str:
    parts = []
    if plan.since is not None:
        parts.append(f"from {spoken_day(plan.since)} on")
    if plan.until is not None:
        parts.append(f"before {spoken_day(plan.until)}")
    return ", ".join(parts) or "throughout"


COMMANDS = {
    "calendar": group("The calendar of pulls, and its changes.", show=show, add=add, drop=drop),
    "skip": command(skip),
}
