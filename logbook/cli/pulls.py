"""The command `pull`: a dated soil sample from each bed, with a code for each of its bags."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli import given as typed
from logbook.cli.acts import Beds, WhenOption
from logbook.cli.app import command
from logbook.cli.bags import (
    codes_on_bags,
    fresh_codes,
    kept_otherwise,
    refuse_used,
    wanted_parts,
)
from logbook.cli.given import bottoms, few
from logbook.cli.labelling import (
    LabelsOption,
    OpenOption,
    SheetOption,
    StartOption,
    print_after,
    wanted,
)
from logbook.cli.naming import planned_name
from logbook.cli.remarks import not_applied, out_of_order, refuse_across_application
from logbook.cli.session import Chosen, Session, addressed, ask, remark, say, still_in
from logbook.cli.wording import own_words
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.report.lines import counted
from logbook.store import views
from logbook.trial import records
from logbook.trial.parts import Planned
from logbook.trial.ranges import BedRef, compact
from logbook.trial.schedule import Obligation, Taken, status
from logbook.trial.times import When, spoken_day

if TYPE_CHECKING:
    import sqlite3

_WIDTH = 80
_MOST_DAYS = 3


def pull(
    context: typer.Context,
    beds: Beds,
    planned: Annotated[
        str | None,
        typer.Option(
            "--for",
            help="The calendar's pull it is for: before, 'day 14' [by date].",
            autocompletion=completing.pulls,
        ),
    ] = None,
    cores: Annotated[int | None, typer.Option(help="Cores in each sample [as planned].")] = None,
    depth: Annotated[
        str | None, typer.Option(help="Depth of the cores, such as '15 cm' [as planned].")
    ] = None,
    code: Annotated[
        str | None,
        typer.Option(help="Codes already on the bags, by bed, then by part: CODE,CODE."),
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option(
            "--part", help="A part and what it is for, once each: 'dried: P, K' [as planned]."
        ),
    ] = None,
    whole: Annotated[bool, typer.Option("--whole", help="One undivided bag of each bed.")] = False,
    composite: Annotated[
        bool, typer.Option("--composite", help="One sample mixed from all these beds.")
    ] = False,
    again: Annotated[
        str | None, typer.Option(help="Why the same pull is taken a second time.")
    ] = None,
    when: WhenOption = None,
    labels: LabelsOption = None,
    sheet: SheetOption = None,
    start: StartOption = None,
    shown: OpenOption = False,
) -> None:
    """Take a soil sample from each bed; write its codes on the bags.

    A pull is divided into the parts that the protocol plans, each with a code of its own;
    the first one's is the sample's. A composite of several beds counts as one replicate.

    Examples: logbook pull control,B2 --when 09:10
              logbook pull all --part 'chilled: nitrate-N, ammonium-N' --part 'dried: P'
              logbook pull B1-B3 --composite --whole --for 'day 14' --labels bags.pdf
    """
    session: Session = context.obj
    printed = wanted(labels, sheet, start, shown)
    given = _Given(beds, planned, cores, depth, code, part or (), whole, composite, again, when)
    todo = _looked_at(session, given)
    act, bags = _write(session, todo)
    _tell(session, todo, act, bags)
    codes = [one for of_bed in bags for one in of_bed]
    print_after(session, printed, codes, f"{act} is written down", act)


@dataclass(frozen=True)
class _Given:
    """What was typed; see the options of `pull`."""

    beds: str
    planned: str | None
    cores: int | None
    depth: str | None
    code: str | None
    parts: Sequence[str]
    whole: bool
    composite: bool
    again: str | None
    when: str | None


@dataclass(frozen=True)
class _How:
    """What is the same for every sample of an act."""

    at: When
    planned: str | None
    cores: int
    depth_cm: Decimal
    again: str | None


@dataclass(frozen=True)
class _Todo:
    """Samples to be written down: of which beds, in which parts, under which codes if known."""

    trial: Chosen
    groups: Sequence[Sequence[BedRef]]
    kinds: Sequence[Planned]
    codes: Sequence[str]
    how: _How
    served: dict[str, Obligation]

    @property
    def beds(self) -> list[BedRef]:
        """Every bed that is sampled."""
        return [bed for group in self.groups for bed in group]


def _looked_at(session: Session, given: _Given) -> _Todo:
    """What was typed, checked against the book. Raises UserMistake."""
    trial, named = session.read(lambda store: addressed(store, session, given.beds))
    at = session.when(given.when, trial.trial)
    beds = session.read(lambda store: still_in(store, trial, named, at.day))
    calendar = session.read(lambda store: views.calendar(store, trial.id))
    name = planned_name(given.planned, calendar.planned) if given.planned is not None else None
    groups = _mixed(beds, calendar) if given.composite else [(bed,) for bed in beds]
    kinds = session.read(lambda store: wanted_parts(store, trial.id, given.parts, given.whole))
    what = "a composite" if given.composite else counted(len(groups), "bed")
    codes = session.read(
        lambda store: codes_on_bags(store, trial, given.code, len(groups), len(kinds), what)
    )
    typed.cores(1 if given.cores is None else given.cores, "leave --cores out if nobody counted")
    deep = session.read(lambda store: _depth(store, trial, beds, given.depth))
    session.read(lambda store: refuse_across_application(store, trial.id, name, beds, at.day))
    served = _served(calendar, [_taken(bed, at, name, given.again) for bed in beds])
    reason = _reason(given.again, at, beds, calendar, served)
    how = _How(at, name, given.cores or trial.trial.cores, deep, reason)
    return _Todo(trial, groups, kinds, codes, how, served)


def _tell(session: Session, todo: _Todo, act: str, bags: Sequence[Sequence[str]]) -> None:
    """Say which codes go on which bags, and what is unusual about the pull."""
    at, trial = todo.how.at, todo.trial
    say(f"{act}  pulled {_counted(todo.groups, todo.kinds)}, {at.spoken}")
    purposes = [_purposes(group, todo.served, at) for group in todo.groups]
    _say_bags(bags, todo.groups, todo.kinds, purposes)
    early = session.read(lambda store: out_of_order(store, trial.id, "pull", todo.beds, at.day))
    early += session.read(lambda store: not_applied(store, trial.id, todo.how.planned, todo.beds))
    kept = session.read(
        lambda store: kept_otherwise(store, trial.id, [one[0] for one in bags], todo.kinds)
    )
    _note(*early, *typed.other_depth(todo.how.depth_cm, trial.trial.depth_cm), *kept)


def _note(*remarks: str) -> None:
    for sentence in remarks:
        remark(sentence)


def _depth(
    store: sqlite3.Connection, trial: Chosen, beds: Sequence[BedRef], depth: str | None
) -> Decimal:
    """How deep the cores went, cm: as said, within every bed, or as the protocol has it."""
    if depth is None:
        return trial.trial.depth_cm
    return typed.depth(depth, bottoms(store, beds))


def _write(session: Session, todo: _Todo) -> tuple[str, list[list[str]]]:
    """Write the samples down as one act; its code, and the codes of each sample's bags.

    Codes and repeats are looked at again once the store is held: another program may have written
    in between.
    """
    from logbook.book.corrections import inside

    with session.write() as book:
        refuse_used(inside(book), todo.codes)
        _refuse_meanwhile(views.calendar(inside(book), todo.trial.id), todo.beds, todo.how)
        act = book.new_code()
        every = todo.codes or fresh_codes(book, len(todo.groups) * max(len(todo.kinds), 1))
        bags = _shared_out(every, len(todo.groups))
        lines = [
            line
            for of_bed, group in zip(bags, todo.groups, strict=True)
            for line in _lines(of_bed, group, todo.kinds, todo.how)
        ]
        book.record("pull", lines, code=act)
    return act, bags


def _refuse_meanwhile(calendar: views.Calendar, beds: Sequence[BedRef], how: _How) -> None:
    """Another program may have written the same pull since it was looked for."""
    if how.again is not None:
        return
    served = _served(calendar, [_taken(bed, how.at, how.planned, None) for bed in beds])
    twice = _twice(how.at, beds, calendar, served)
    if twice:
        raise UserMistake(
            f"this pull of {few(bed.label for bed in twice)} was written down by another program "
            "just now; nothing was written",
            "logbook history BED shows it; --again REASON if it is a second one",
        )


def _mixed(beds: Sequence[BedRef], calendar: views.Calendar) -> list[tuple[BedRef, ...]]:
    """The beds of one composite, in bench order: alike in treatment and in age."""
    if len(beds) < 2:
        raise UserMistake("a composite is mixed from two beds or more", "leave --composite out")
    ordered = sorted(beds, key=lambda bed: (bed.place, bed.label))
    codes = {bed.treatment_code for bed in ordered}
    if len(codes) > 1:
        raise UserMistake(
            f"{compact(bed.label for bed in ordered)} have different treatments "
            f"({', '.join(sorted(codes))}): a composite of them would say nothing of any",
            "mix beds of one treatment only",
        )
    days = {calendar.applications.get(bed.id) for bed in ordered}
    if len(days) > 1:
        raise UserMistake(
            f"{compact(bed.label for bed in ordered)} were not applied on the same day: "
            "a composite of them would have no age",
            "mix beds of one application day only",
        )
    return [tuple(ordered)]


def _taken(bed: BedRef, at: When, name: str | None, again: str | None) -> Taken:
    return Taken(f"new {bed.id}", bed.id, at.day, name, again is not None, "~")


def _shared_out(codes: Sequence[str], samples: int) -> list[list[str]]:
    """The codes of each sample's bags: by sample, then by part."""
    each = len(codes) // samples
    return [list(codes[place * each : (place + 1) * each]) for place in range(samples)]


def _lines(
    codes: Sequence[str], beds: Sequence[BedRef], kinds: Sequence[Planned], how: _How
) -> Iterator[tuple[str, Any]]:
    """The pull and its parts under their keys; the first part has the pull's own code."""
    first, *others = beds
    own = codes[0]
    also = tuple(bed.id for bed in others)
    pulled = records.Pull(
        own, first.id, how.at, how.planned, how.cores, how.depth_cm, how.again, also
    )
    yield key("pull", own), pulled
    for code, (kind, analyses) in zip(codes, kinds, strict=False):
        yield key("part", code), records.Part(code, own, kind, analyses, how.at)


def _counted(groups: Sequence[Sequence[BedRef]], kinds: Sequence[Planned]) -> str:
    """How many samples, what of, and in how many bags."""
    mixed = f" mixed from {len(groups[0])} beds" if len(groups[0]) > 1 else ""
    bags = f" in {len(groups) * len(kinds)} bags and tins" if len(kinds) > 1 else ""
    return f"{counted(len(groups), 'sample')}{mixed}{bags}"


def _say_bags(
    bags: Sequence[Sequence[str]],
    groups: Sequence[Sequence[BedRef]],
    kinds: Sequence[Planned],
    purposes: Sequence[str],
) -> None:
    """One line for each sample: its codes, under their kinds where there are any, and its bed."""
    labels = [compact(bed.label for bed in group) for group in groups]
    rows = [f"  {'  '.join(codes)}  {label:<6}" for codes, label in zip(bags, labels, strict=True)]
    if kinds:
        say(f"  {'  '.join(f'{kind:<8}' for kind, _ in kinds)}  bed")
    lines = [f"{row} {purpose}" for row, purpose in zip(rows, purposes, strict=True)]
    if all(len(line) <= _WIDTH for line in lines):
        rows = lines
        purposes = ()
    for row in rows:
        say(row.rstrip())
    for purpose in dict.fromkeys(purposes):
        of = [label for label, one in zip(labels, purposes, strict=True) if one == purpose]
        say(f"{', '.join(of)}: {purpose}")


def _purposes(group: Sequence[BedRef], served: dict[str, Obligation], at: When) -> str:
    """What a sample is for; the beds of a composite may owe different pulls."""
    return "; ".join(dict.fromkeys(_purpose(served.get(bed.id), at) for bed in group))


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
    twice = _twice(at, beds, calendar, served)
    if again is not None:
        if not again.strip():
            raise UserMistake("--again needs the reason")
        return own_words(again, "the reason")
    if not twice:
        return None
    reason = ask(
        f"{_which(at, twice, served)} of {few(bed.label for bed in twice)} was written down "
        "already; why again?",
        "--again REASON",
    )
    if not reason.strip():
        raise UserMistake("nothing was written: the same pull again needs a reason")
    return own_words(reason, "the reason")


def _twice(
    at: When, beds: Sequence[BedRef], calendar: views.Calendar, served: dict[str, Obligation]
) -> list[BedRef]:
    """The beds whose pull was written down before."""
    return [
        bed
        for bed in beds
        if (bed.id in served and served[bed.id].repeats)
        or any(
            one.bed == bed.id and one.day == at.day and bed.id not in served
            for one in calendar.pulls
        )
    ]


def _which(at: When, twice: Sequence[BedRef], served: dict[str, Obligation]) -> str:
    """The pull that is repeated, and the days on which it was done: `day 0 (Mon 2 Mar 2026)`."""
    owed = [served[bed.id] for bed in twice if bed.id in served]
    if len(owed) < len(twice):
        return f"a pull on {spoken_day(at.day)}"
    names = dict.fromkeys(name for one in owed for name in one.names)
    days = sorted({one.pulled for one in owed if one.pulled is not None})
    when = ", ".join(map(spoken_day, days[:_MOST_DAYS]))
    more = ", .." if len(days) > _MOST_DAYS else ""
    return f"{' and '.join(names)}{f' ({when}{more})' if days else ''}"


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
