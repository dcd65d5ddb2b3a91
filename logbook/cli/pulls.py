"""The command `pull`: a dated soil sample from each bed, with its code."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from logbook.cli.acts import Beds, WhenOption
from logbook.cli.app import command
from logbook.cli.session import Session, addressed, ask, say, still_in
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.store import views
from logbook.trial import codes, records, units
from logbook.trial.ranges import BedRef
from logbook.trial.schedule import Obligation, Taken, status
from logbook.trial.times import When


def pull(
    context: typer.Context,
    beds: Beds,
    planned: Annotated[
        str | None,
        typer.Option("--for", help="The calendar's pull it is for: before, 'day 14' [by date]."),
    ] = None,
    cores: Annotated[int | None, typer.Option(help="Cores in each sample [as planned].")] = None,
    depth: Annotated[
        str | None, typer.Option(help="Depth of the cores, such as '15 cm' [as planned].")
    ] = None,
    code: Annotated[
        str | None,
        typer.Option(help="Codes already on the bags, in the order of the beds: CODE,CODE."),
    ] = None,
    again: Annotated[
        str | None, typer.Option(help="Why the same pull is taken a second time.")
    ] = None,
    when: WhenOption = None,
) -> None:
    """Take a soil sample from each bed; write its code on the bag.

    Examples: logbook pull control,B2 --when 09:10
              logbook pull all --for 'day 14' --cores 8
    """
    session: Session = context.obj
    trial, named = session.read(lambda store: addressed(store, session, beds))
    at = session.when(when, trial.trial)
    chosen_beds = session.read(lambda store: still_in(store, trial, named, at.day))
    calendar = session.read(lambda store: views.calendar(store, trial.id))
    name = _planned_name(planned, calendar)
    bag_codes = _bag_codes(session, code, chosen_beds)
    if cores is not None and cores < 1:
        raise UserMistake("a sample has at least one core", "leave --cores out if nobody counted")
    depth_cm = units.positive(depth, "length").to("cm", "length") if depth else trial.trial.depth_cm
    new = [
        Taken(f"new {bed.id}", bed.id, at.day, name, again is not None, "~") for bed in chosen_beds
    ]
    served = _served(calendar, new)
    reason = _reason(again, at, chosen_beds, calendar, served)
    with session.write() as book:
        act = book.new_code()
        samples = bag_codes or [book.new_code() for _ in chosen_beds]
        lines = {
            key("pull", sample): records.Pull(
                sample, bed.id, at, name, cores or trial.trial.cores, depth_cm, reason
            )
            for sample, bed in zip(samples, chosen_beds, strict=True)
        }
        book.record("pull", lines.items(), code=act)
    say(f"{act}  pulled {len(lines)} sample{'s' * (len(lines) != 1)}, {at.spoken}")
    for sample, bed in zip(samples, chosen_beds, strict=True):
        say(f"  {sample}  {bed.label:<6} {_purpose(served.get(bed.id), at)}")


def _planned_name(text: str | None, calendar: views.Calendar) -> str | None:
    """The calendar's own name for `14`, `day 14` or `before`."""
    if text is None:
        return None
    word = " ".join(text.lower().split())
    names = {pull.name.lower(): pull.name for pull in calendar.planned}
    names |= {str(pull.day): pull.name for pull in calendar.planned if pull.day is not None}
    if word not in names:
        known = ", ".join(pull.name for pull in calendar.planned)
        raise UserMistake(f"the calendar has no pull {text!r}", f"it has: {known}")
    return names[word]


def _bag_codes(session: Session, text: str | None, beds: Sequence[BedRef]) -> list[str]:
    if text is None:
        return []
    given = [codes.tidy(part) for part in text.split(",") if part.strip()]
    for one in given:
        if not codes.is_valid(one):
            raise UserMistake(f"{one!r} is not a sample code: its check symbol is wrong")
    if len(given) != len(beds) or len(set(given)) != len(given):
        raise UserMistake(f"{len(beds)} beds need {len(beds)} different codes, not {len(given)}")
    taken = session.read(views.sample_codes) & set(given)
    if taken:
        raise UserMistake(f"used already: {', '.join(sorted(taken))}", "check the bag")
    return given


def _served(calendar: views.Calendar, new: Sequence[Taken]) -> dict[str, Obligation]:
    """The obligation that each bed's new pull would serve or repeat."""
    wanted = {pull.code for pull in new}
    return {
        owed.bed: owed
        for owed in calendar.owed(new)
        if owed.pull in wanted or wanted.intersection(owed.repeats)
    }


def _reason(
    again: str | None,
    at: When,
    beds: Sequence[BedRef],
    calendar: views.Calendar,
    served: dict[str, Obligation],
) -> str | None:
    """Why a pull is repeated; asked, or refused without a terminal, if it is and none was given."""
    twice = [
        bed.label
        for bed in beds
        if (bed.id in served and served[bed.id].repeats)
        or any(
            one.bed == bed.id and one.day == at.day and bed.id not in served
            for one in calendar.pulls
        )
    ]
    if again is not None:
        if not again.strip():
            raise UserMistake("--again needs the reason")
        return again.strip()
    if not twice:
        return None
    reason = ask(
        f"this pull of {', '.join(twice)} was written down already; why again?", "--again REASON"
    )
    if not reason.strip():
        raise UserMistake("nothing was written: the same pull again needs a reason")
    return reason.strip()


def _purpose(owed: Obligation | None, at: When) -> str:
    if owed is None:
        return "outside the calendar"
    state = status(owed, at.day)
    how = ""
    if state.state in ("done early", "done late") and state.days is not None:
        how = f", {abs(state.days)} d {state.state.removeprefix('done ')}"
    repeat = " again" if owed.repeats else ""
    return f"for {' and '.join(owed.names)}{repeat}{how}"


COMMANDS = {"pull": command(pull)}
