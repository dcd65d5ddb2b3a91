"""Where samples are: `lab mark` writes down what was done with bags, `lab log` shows the log."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli import completing
from logbook.cli.acts import WhenOption
from logbook.cli.laboratory import tell, tell_notes
from logbook.cli.marks import Mark, fitting
from logbook.cli.naming import codes_in, named_beds, trial_of_bags
from logbook.cli.sending import PartOption, PullOption, narrowed
from logbook.cli.session import Chosen, Session, addressed, as_json, chosen, say
from logbook.cli.wording import own_words
from logbook.errors import NeedsAnswer, UserMistake
from logbook.journal.entry import key
from logbook.report import custody as shown
from logbook.study import queries, samplelog, shipped
from logbook.study.bags import RETAINED
from logbook.study.usual import Usual, usual_days
from logbook.trial import codes, parts, records
from logbook.trial.ranges import resolve
from logbook.trial.times import zone

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samplelog import LogLine

# What people say -> the state; and the kinds of part that a state fits, where beds are named.
_MARKS = (*samplelog.KEEPING, records.PACKED, records.RECEIVED, records.ACCEPTED, records.LOST)
_STATES = {
    **{name: name for name in _MARKS},
    **dict.fromkeys(("dry", "dried"), records.DRIED),
    **dict.fromkeys(("chill", "cooled"), records.CHILLED),
    "freeze": records.FROZEN,
    "pack": records.PACKED,
    "accept": records.ACCEPTED,
}
# One word, one meaning: these are said of a query, which keeps its result out of curves.
_ASKED = ("query", "queried", "re-run", "rerun", records.RERUN)
_FITS = {records.DRIED: "dried", records.CHILLED: "chilled", records.FROZEN: "frozen"}
_MOST_CODES = 6
_AT_HAND = (*_FITS, records.PACKED)


def mark(
    context: typer.Context,
    state: Annotated[
        str,
        typer.Argument(
            help="dried, chilled, frozen, packed, received, accepted, lost.",
            show_default=False,
        ),
    ],
    what: Annotated[
        list[str],
        typer.Argument(
            help="Beds, codes of bags, CODE:NUTRIENT, or a shipment's code.",
            show_default=False,
            autocompletion=completing.codes,
        ),
    ],
    pull: PullOption = None,
    part: PartOption = None,
    text: Annotated[str, typer.Option(help="A remark: 'at 9 C', 'bag torn'.")] = "",
    when: WhenOption = None,
) -> None:
    """Write down what was done with bags, or what became of them.

    Beds mean their bags that are still at hand, of the kind of part that the state fits.

    Examples: logbook lab mark dried control,B2 --pull 'day 14' --when 'tue 17:00'
              logbook lab mark received K7M3QX4R --text 'at 9 C'
              logbook lab mark accepted XW3KRT9D:nitrate-N
    """
    session: Session = context.obj
    name = _state(state)
    remark = own_words(text, "the remark")
    trial, log = session.read(lambda store: _meant(store, session, what))
    said = _Said(what, pull, part)
    marks = session.read(lambda store: _marks(store, trial, log, name, said))
    at = session.when(when, trial.trial)
    lines = {one.bag.code: one for one in log}
    doubted = session.read(queries.waiting) if name == records.ACCEPTED else ()
    marks, left_out = fitting(name, marks, lines, at, doubted)
    with session.write() as book:
        act = book.new_code()
        written = [
            (_key(act, one), records.Handling(one.code, one.analysis, name, at, remark))
            for one in marks
        ]
        book.record("handle", written, code=act)
    count = len({one.code for one in marks})
    many = f"{count} bag{'s' * (count != 1)}"
    whose = _of_pull(marks, lines) if said.by_beds else ""
    named = shipped.few([one.named for one in marks], 8)
    tell(f"{act}  {many} {name}, {at.spoken}{whose}: {named}", 10)
    after = session.read(lambda store: samplelog.sample_log(store, trial.id, at.day))
    tell_notes([*left_out, *_remarks(name, marks, lines, after)])


def _state(said: str) -> str:
    word = " ".join(said.lower().split())
    if word in _ASKED:
        raise UserMistake(
            f"{said!r} is said of a result in question, not of a bag",
            "logbook lab queries lists them; logbook lab answer CODE:NUTRIENT re-run asks again",
        )
    if word not in _STATES:
        raise UserMistake(
            f"{said!r} is not done with samples",
            f"use: {', '.join(_MARKS)}; lab send sends, lab import reports",
        )
    return _STATES[word]


def _key(act: str, one: Mark) -> str:
    return key("handling", act, one.code, *([one.analysis] if one.analysis else []))


@dataclass(frozen=True)
class _Said:
    """Which bags the command line means."""

    what: Sequence[str]
    pull: str | None
    part: str | None

    @property
    def by_beds(self) -> bool:
        """Whether beds are named, not codes."""
        return not codes_in(_words(self.what)[0].partition(":")[0])


def _of_pull(marks: Sequence[Mark], lines: dict[str, LogLine]) -> str:
    names = dict.fromkeys(lines[one.code].bag.name for one in marks)
    return f" ({', '.join(names)})"


def _words(what: Iterable[str]) -> list[str]:
    return [word.strip() for text in what for word in text.split(",") if word.strip()]


def _meant(
    store: sqlite3.Connection, session: Session, what: Sequence[str]
) -> tuple[Chosen, list[LogLine]]:
    """The trial of the bags or beds named, and its sample log."""
    words = _words(what)
    named = [code for word in words for code in codes_in(word.partition(":")[0])]
    if len(named) == len(words):
        trial = trial_of_bags(store, session, named)
    elif named:
        raise UserMistake("beds and codes are mixed", "name the ones or the others")
    else:
        trial, _ = named_beds(store, session, ",".join(words))
    today = session.clock.now().astimezone(zone(trial.trial.zone)).date()
    return trial, samplelog.sample_log(store, trial.id, today)


def _marks(
    store: sqlite3.Connection, trial: Chosen, log: Sequence[LogLine], state: str, said: _Said
) -> list[Mark]:
    words = _words(said.what)
    if not said.by_beds:
        known = {one.bag.code: one for one in log}
        found = [one for word in words for one in _of_code(known, word)]
        return list(dict.fromkeys(found))
    beds = {bed.id for bed in resolve(",".join(words).rpartition(":")[2], trial.beds)}
    if state not in _AT_HAND:
        fitting = narrowed(store, trial, log, beds, said.pull, said.part)
        raise _by_code_only(state, [one.bag.code for one in fitting])
    fits = ("", _FITS[state]) if state in _FITS else None
    bags = [
        one
        for one in narrowed(store, trial, log, beds, said.pull, said.part)
        if one.open and (said.part is not None or fits is None or one.bag.kind in fits)
    ]
    if not bags:
        raise UserMistake(
            "no such bag of these beds is at hand", "logbook lab log lists them; name codes"
        )
    names = list(dict.fromkeys(one.bag.name for one in bags))
    if len(names) > 1:
        raise NeedsAnswer(
            f"bags of {len(names)} pulls fit: {', '.join(names)}",
            f"say which: --pull '{names[0]}', or name codes",
        )
    return [Mark(one.bag.code, "") for one in bags]


def _by_code_only(state: str, fitting: Sequence[str]) -> UserMistake:
    """That this is said of bags by their codes: what was packed last lies in several places."""
    remedy = "name the shipment, or bags by their codes: CODE,CODE"
    if 0 < len(fitting) <= _MOST_CODES:
        remedy = f"name the shipment, or the bag's code: lab mark {state} {','.join(fitting)}"
    return UserMistake(f"which bags are {state}?", remedy)


def _of_code(known: dict[str, LogLine], word: str) -> Iterator[Mark]:
    """A bag, an analysis on it, or every bag of a shipment."""
    text, _, nutrient = word.partition(":")
    code = codes.tidy(text)
    if code in known:
        yield Mark(code, parts.analysis(nutrient) if nutrient.strip() else "")
        return
    inside = [one.bag.code for one in known.values() if one.shipment == code]
    if not inside:
        raise UserMistake(f"{code}: no bag and no shipment", "logbook lab log lists them")
    for one in inside:
        yield Mark(one, parts.analysis(nutrient) if nutrient.strip() else "")


def _remarks(
    state: str, marks: Sequence[Mark], before: dict[str, LogLine], after: Sequence[LogLine]
) -> Iterator[str]:
    """What does not go with what is known of the bags."""
    lines = [before[one.code] for one in marks]
    stray = [one.bag.code for one in lines if not one.shipment]
    if state == records.RECEIVED and stray:
        yield f"never sent by this logbook: {shipped.few(stray)}"
    gone = [one.bag.code for one in lines if one.shipment]
    if state in _AT_HAND and gone:
        yield f"sent already: {shipped.few(gone)}"
    if state in _FITS:
        names = {one.bag.name for one in lines}
        done = {one.bag.code for one in lines}
        of_pulls = [one for one in after if one.bag.name in names]
        waiting = [one for one in of_pulls if one.open and one.bag.code not in done]
        # Half done is not said: the others may be next.
        if state == records.DRIED and not any(
            one.stages[-1].state != records.DRIED for one in waiting
        ):
            yield from shipped.unlike_keeping(of_pulls)


def log(
    context: typer.Context,
    sample: Annotated[str | None, typer.Option(help="Of this bag's code, with all steps.")] = None,
    bed: Annotated[str | None, typer.Option(help="Of these beds: B1-B6, control, CODE.")] = None,
    pull: PullOption = None,
    shipment: Annotated[str | None, typer.Option(help="Of this shipment's code.")] = None,
    waiting: Annotated[
        bool, typer.Option("--waiting", help="Only what is not sent, or awaited.")
    ] = False,
    each: Annotated[
        bool, typer.Option("--each", help="Each bag with its code, also those that stand alike.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show the sample log: where each analysis on each bag stands.

    Bags of one pull that stand alike are in one row.

    Examples: logbook lab log --waiting
              logbook lab log --pull 'day 14' --each
              logbook lab log --sample XW3KRT9D
              logbook lab log --pull 'day 14' --json
    """
    session: Session = context.obj
    trial, lines, usual = session.read(
        lambda store: _shown(store, session, sample, bed, pull, shipment)
    )
    if waiting:
        lines = [one for one in lines if _waits(one)]
    split = session.read(lambda store: shipped.split_pulls(store, trial.id))
    named = {name for one in lines for name in one.bag.name.split(" and ")}
    notes = [one.sentence for one in split if named.intersection(one.name.split(" and "))]
    if json:
        as_json(shown.document(lines, usual, notes))
        return
    for row in shown.rows(lines, usual, steps=sample is not None, each=each):
        tell(row, len(row) - len(row.lstrip()) + 4)
    if not lines:
        say("Nothing is awaited." if waiting else "No such bags yet.")
    tell_notes(notes)


def _waits(line: LogLine) -> bool:
    """Whether a bag is to be sent or something of it is awaited; a half retained here is not."""
    awaited = any(one.days is not None for one in line.analyses)
    return awaited or (line.open and line.bag.kind != RETAINED)


def _shown(
    store: sqlite3.Connection,
    session: Session,
    sample: str | None,
    bed: str | None,
    pull: str | None,
    shipment: str | None,
) -> tuple[Chosen, list[LogLine], dict[str, Usual]]:
    """The lines asked for, and how long each laboratory of them usually takes."""
    beds: set[str] = set()
    named = codes_in(sample or shipment or "")
    if (sample or shipment) and not named:
        said = codes.tidy(sample or shipment or "")
        raise UserMistake(f"{said!r} is not a code: {codes.flaw(said)}", "read it again")
    if named:
        trial = trial_of_bags(store, session, named)
    elif bed is not None:
        trial, refs = addressed(store, session, bed)
        beds = {one.id for one in refs}
    else:
        trial = chosen(store, session)
    today = session.clock.now().astimezone(zone(trial.trial.zone)).date()
    every = samplelog.sample_log(store, trial.id, today)
    lines = every if not (beds or pull) else list(narrowed(store, trial, every, beds, pull, None))
    if sample:
        lines = [one for one in lines if named[0] in (one.bag.code, one.bag.pull, one.bag.of)]
    if shipment:
        lines = [one for one in lines if one.shipment == codes.tidy(shipment)]
    labs = {one.lab for one in lines if one.lab}
    usual = {lab: usual_days(store, trial.trial, lab) for lab in sorted(labs)}
    return trial, lines, usual
