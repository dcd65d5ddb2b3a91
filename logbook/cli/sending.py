"""Samples on their way to the laboratory: `lab send`."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli.forms import Paper, check_form, write_form
from logbook.cli.labelling import LabelsOption, SheetOption, StartOption, print_after, wanted
from logbook.cli.laboratory import sent_to, tell, tell_notes
from logbook.cli.naming import codes_in, named_beds, planned_name, trial_of_bags
from logbook.cli.references import about_slipped_in, known_name
from logbook.cli.session import Chosen, Session, chosen
from logbook.cli.wording import own_words
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.store import views
from logbook.study import origins, samplelog, shipped
from logbook.study.bags import RETAINED
from logbook.trial import packing, parts, records
from logbook.trial.ranges import resolve
from logbook.trial.times import When, zone

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samplelog import LogLine

Taken = Callable[[str], bool]
Wanted = Annotated[
    str | None,
    typer.Argument(
        help="Beds or codes of bags: B1-B6, control, CODE,CODE.",
        show_default=False,
        autocompletion=completing.beds,
    ),
]
PullOption = Annotated[
    str | None,
    typer.Option(
        "--pull", help="Bags of this pull: before, 'day 14'.", autocompletion=completing.pulls
    ),
]
PartOption = Annotated[
    str | None, typer.Option("--part", help="Only parts of this kind: chilled, dried.")
]


def send(
    context: typer.Context,
    what: Wanted = None,
    pull: PullOption = None,
    part: PartOption = None,
    every: Annotated[
        bool, typer.Option("--all-waiting", help="Every bag that was not sent yet.")
    ] = False,
    lab: Annotated[str | None, typer.Option(help="The laboratory [the trial's].")] = None,
    on: Annotated[str | None, typer.Option("--on", help="When it was handed over [today].")] = None,
    by_what: Annotated[str, typer.Option("--by-what", help="How: 'by post', 'by hand'.")] = "",
    analyses: Annotated[
        str | None, typer.Option(help="Only these: 'nitrate-N,P' [what each bag is for].")
    ] = None,
    duplicate: Annotated[
        bool, typer.Option("--duplicate", help="Slip in half of one bag under a code of its own.")
    ] = False,
    reference: Annotated[
        list[str] | None,
        typer.Option(
            help="Slip in soil of this reference material. As often as needed.", metavar="NAME"
        ),
    ] = None,
    text: Annotated[str, typer.Option(help="Remarks for the laboratory.")] = "",
    form: Annotated[Path | None, typer.Option(help="Write the form: FILE.pdf or FILE.csv.")] = None,
    paper: Paper = "a4",
    labels: LabelsOption = None,
    sheet: SheetOption = None,
    start: StartOption = None,
) -> None:
    """Send bags to the laboratory: draw the packing order, write the form.

    Treated and control of one pull belong in one shipment: they are spread over the box in random
    order. The form names neither bed nor treatment, and hides what is slipped in; labels have
    codes alone.

    Examples: logbook lab send --pull 'day 14' --duplicate --form form.pdf
              logbook lab send B1-B6 --part chilled --on 'tue 10:00'
    """
    session: Session = context.obj
    check_form(form, paper)
    printed = wanted(labels, sheet, start, openly=False)
    trial, log = session.read(lambda store: _log(store, session, what))
    at = session.when(on or "today", trial.trial)
    meant = _lab(session, trial, lab)
    to, of_lab = session.read(lambda store: sent_to(store, trial, meant))
    asked = _Asked(trial, at, to, _only(analyses))
    picked = session.read(lambda store: _picked(store, trial, log, _Pick(what, pull, part, every)))
    lines = _askable(picked, asked)
    slips = _Slips(duplicate, session.read(lambda store: _materials(store, reference or ())))
    remarks = (own_words(by_what, "how it was sent"), own_words(text, "the remarks"))
    act, packed = _write(session, asked, [one.bag.code for one in lines], slips, remarks)
    notes = [*of_lab, *_notes(session, asked, log, lines, on)]
    notes += session.read(lambda store: _split_by(store, trial.id, packed.code))
    _say(act, asked, packed, {one.bag.code: one for one in log})
    named = {one.code: one.of for one in packed.blinds if one.kind == "reference"}
    for one in packed.order:
        if one.sample in named:
            pairs = list(zip(one.analyses, one.methods, strict=True))
            beside = [line for line in lines if asked.analyses(line)[0] == one.analyses]
            material = named[one.sample]
            notes += session.read(partial(about_slipped_in, material, beside, pairs, trial.id))
    if form is not None:
        write_form(session, packed.code, form, paper)
    bare = printed and replace(printed, bare=True)
    order = [one.sample for one in packed.order]
    stands = f"shipment {packed.code} is written down"
    print_after(session, bare, order, stands, f"--shipment {packed.code}")
    tell_notes(notes)


@dataclass(frozen=True)
class _Asked:
    """What is the same for every bag of a shipment; `only` are the analyses wanted (): all."""

    trial: Chosen
    at: When
    lab: str
    only: tuple[str, ...]

    def analyses(self, line: LogLine) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The analyses of a bag, and the method of each."""
        pairs = [
            (name, method)
            for name, method in zip(line.bag.analyses, line.bag.methods, strict=True)
            if not self.only or name in self.only
        ]
        return tuple(name for name, _ in pairs), tuple(method for _, method in pairs)


@dataclass(frozen=True)
class _Pick:
    """Which bags the command line means."""

    what: str | None
    pull: str | None
    part: str | None
    every: bool


@dataclass(frozen=True)
class _Slips:
    """What is slipped in: a second half of a bag, soil of each of these reference materials."""

    duplicate: bool
    # Each with the nutrients of which a value is assigned to it.
    references: Mapping[str, frozenset[str]]


@dataclass(frozen=True)
class _Packed:
    """A shipment as it was written: its code, the packing order, its blinds."""

    code: str
    order: tuple[records.Sent, ...]
    blinds: tuple[records.Blind, ...]


def _log(
    store: sqlite3.Connection, session: Session, what: str | None
) -> tuple[Chosen, list[LogLine]]:
    """The trial meant, by its beds or by the bags named, and its sample log."""
    if what is None:
        trial = chosen(store, session)
    elif named := codes_in(what):
        trial = trial_of_bags(store, session, named)
    else:
        trial, _ = named_beds(store, session, what)
    today = session.clock.now().astimezone(zone(trial.trial.zone)).date()
    return trial, samplelog.sample_log(store, trial.id, today)


def _lab(session: Session, trial: Chosen, said: str | None) -> str:
    lab = own_words(said or trial.trial.lab or "", "the laboratory's name")
    if not lab:
        known = session.read(origins.laboratories)
        name = shlex.quote(known[0]) if len(known) == 1 else "NAME"
        raise UserMistake(
            "the laboratory is not known yet: the trial names none", f"say which: --lab {name}"
        )
    return lab


def _materials(store: sqlite3.Connection, said: Sequence[str]) -> dict[str, frozenset[str]]:
    """The reference materials named, each with the nutrients of which a value is assigned to it.

    Raises UserMistake for one that is named twice.
    """
    assigned = [one.record for one in views.fetch(store, "reference")] if said else []
    found: dict[str, frozenset[str]] = {}
    for one in said:
        name = known_name(store, one)
        if name.casefold() in map(str.casefold, found):
            raise UserMistake(
                f"the reference material {name} is named twice",
                "each goes into a shipment once; name another, or leave one out",
            )
        found[name] = frozenset(one.analyte for one in assigned if one.name == name)
    return found


def _only(text: str | None) -> tuple[str, ...]:
    if text is None:
        return ()
    return tuple(dict.fromkeys(parts.analysis(one) for one in text.split(",") if one.strip()))


def _picked(
    store: sqlite3.Connection, trial: Chosen, log: Sequence[LogLine], pick: _Pick
) -> list[LogLine]:
    """The bags meant. Raises UserMistake if none is, or one named alone was sent already."""
    named = codes_in(pick.what) if pick.what else []
    if pick.what is None and pick.pull is None and not pick.every:
        raise UserMistake("which bags?", "name beds or codes, or: --pull 'day 14', --all-waiting")
    if named:
        return _by_code(log, named)
    beds = set()
    if pick.what:
        beds = {bed.id for bed in resolve(pick.what.rpartition(":")[2], trial.beds)}
    found = list(narrowed(store, trial, log, beds, pick.pull, pick.part))
    waiting = [one for one in found if one.open and one.bag.kind != RETAINED]
    if not waiting:
        why = "they were sent, reported or lost" if found else "none was pulled"
        raise UserMistake(f"no bag of these waits to be sent: {why}", "logbook lab log")
    return waiting


def narrowed(
    store: sqlite3.Connection,
    trial: Chosen,
    log: Iterable[LogLine],
    beds: set[str],
    pull: str | None,
    part: str | None,
) -> Iterator[LogLine]:
    """Bags of these beds (all if empty), of the pull and the kind of part that are named."""
    name = kind = None
    if pull is not None:
        plans = views.fetch(store, "planned-pull", "trial = ?", (trial.id,))
        name = planned_name(pull, [one.record for one in plans])
    if part is not None:
        kind = parts.kind(part)
    for line in log:
        bag = line.bag
        if bag.blind or (beds and not beds.intersection(bag.beds)):
            continue
        if name is not None and name not in bag.name.split(" and "):
            continue
        if kind is None or bag.kind == kind:
            yield line


def _by_code(log: Sequence[LogLine], named: Sequence[str]) -> list[LogLine]:
    known = {one.bag.code: one for one in log if not one.bag.blind}
    missing = [one for one in named if one not in known]
    if missing:
        raise UserMistake(f"{', '.join(missing)}: no bag to send", "logbook lab log lists them")
    return [known[one] for one in dict.fromkeys(named)]


def _askable(lines: Sequence[LogLine], asked: _Asked) -> list[LogLine]:
    """The bags with something to measure. Raises UserMistake for one that cannot be sent."""
    earlier = [one.bag.name for one in lines if one.bag.pulled.day <= asked.at.day]
    for line in lines:
        if line.shipment:
            raise UserMistake(
                f"{line.bag.code} was sent already, in shipment {line.shipment}",
                f"if that is wrong: logbook strike {line.shipment} --reason TEXT",
            )
        if line.bag.pulled.day > asked.at.day:
            raise UserMistake(
                f"{line.bag.code} was pulled on {line.bag.pulled.spoken}, after {asked.at.spoken}",
                f"say which pull was sent: --pull {shlex.quote(earlier[0])}"
                if earlier
                else "say when it was sent: --on DAY",
            )
    kept = [line for line in lines if asked.analyses(line)[0]]
    if not kept:
        raise UserMistake(
            "these bags are for none of these analyses",
            "--analyses names what to measure; a part says what it is for",
        )
    return kept


def _write(
    session: Session,
    asked: _Asked,
    bags: Sequence[str],
    slips: _Slips,
    remarks: tuple[str, str],
) -> tuple[str, _Packed]:
    """Draw the order and write the shipment down as one act; its code, and what was packed.

    Looked at again once the store is held: another program may have sent a bag meanwhile.
    """
    from logbook.book.corrections import inside

    with session.write() as book:
        store = inside(book)
        log = samplelog.sample_log(store, asked.trial.id, asked.at.day)
        lines = _askable(_by_code(log, bags), asked)
        others = views.sample_codes(store) | views.act_codes(store)
        packed = _packed(asked, lines, slips, others.__contains__)
        shipment = records.Shipment(
            asked.trial.id, packed.code, asked.lab, asked.at, remarks[0], remarks[1]
        )
        written: list[tuple[str, Any]] = [(key("shipment", packed.code), shipment)]
        written += [(key("blind", one.code), one) for one in packed.blinds]
        written += [(key("sent", packed.code, one.sample), one) for one in packed.order]
        return book.record("send", written).code, packed


def _packed(asked: _Asked, lines: Sequence[LogLine], slips: _Slips, taken: Taken) -> _Packed:
    """The packing order and the blinds, all of which follow from trial, laboratory, day, bags."""
    about = {one.bag.code: one for one in lines}
    code = packing.derived_code(
        "shipment", asked.trial.id, asked.lab, asked.at.day.isoformat(), *sorted(about), taken=taken
    )
    kind = {name: one.bag.kind for name, one in about.items()}
    orders = packing.packed_by_kind(
        code,
        kind,
        {name: one.bag.treatment for name, one in about.items()},
        {name: one.bag.block for name, one in about.items()},
    )
    like: dict[str, str] = {}
    blinds = []
    if slips.duplicate:
        of = packing.drawn_one(code, "halved", about)
        blinds.append(records.Blind(_blind(code, of, taken), "duplicate", of, asked.trial.id))
        like[blinds[-1].code] = of
        tray = orders[kind[of]]
        orders[kind[of]] = packing.slipped_in(code, tray, blinds[-1].code, apart=of)
    for name, assigned in slips.references.items():
        blinds.append(records.Blind(_blind(code, name, taken), "reference", name, asked.trial.id))
        # Where pulls are divided, it goes with the bags of what is known of it.
        near = like[blinds[-1].code] = packing.drawn_one(
            code,
            "like",
            {name for name, line in about.items() if assigned & {*asked.analyses(line)[0]}}
            or about,
        )
        orders[kind[near]] = packing.slipped_in(code, orders[kind[near]], blinds[-1].code)
    order = [one for tray in orders.values() for one in tray]
    sent = [
        records.Sent(code, one, place, *asked.analyses(about[like.get(one, one)]))
        for place, one in enumerate(order, 1)
    ]
    return _Packed(code, tuple(sent), tuple(blinds))


def _blind(shipment: str, of: str, taken: Taken) -> str:
    return packing.derived_code("blind", shipment, of, taken=taken)


def _notes(
    session: Session,
    asked: _Asked,
    log: Sequence[LogLine],
    lines: Sequence[LogLine],
    on: str | None,
) -> Iterator[str]:
    """What should be known of a shipment: what stays behind, waited, was not kept alike.

    Bags of its pulls that went before count too: this shipment may be the control's alone.
    """
    yield from shipped.behind(log, lines)
    going, names = {one.bag.code for one in lines}, {one.bag.name for one in lines}
    yield from shipped.unlike_keeping(
        one for one in log if one.bag.name in names and (one.shipment or one.bag.code in going)
    )
    place = zone(asked.trial.trial.zone)
    now = session.clock.now().astimezone(place)
    # Sent just now is an hour that is known, though only the day is written down.
    at = When(now.date(), now) if on is None else asked.at
    yield from shipped.waited([(one, asked.analyses(one)[0]) for one in lines], at, place)
    unnamed = sorted(
        {n for one in lines for n, how in zip(*asked.analyses(one), strict=True) if not how}
    )
    rest = sorted({n for one in lines for n in one.bag.analyses} - {*asked.only})
    if asked.only and rest:
        yield f"not asked for, though these bags are for it: {', '.join(rest)}"
    if unnamed:
        yield f"the trial follows no method of {', '.join(unnamed)}: write it on the form"


def _split_by(store: sqlite3.Connection, trial: str, shipment: str) -> list[str]:
    """Pulls of which this shipment parts treated and control, as the log says from now on."""
    split = shipped.split_pulls(store, trial)
    return [one.sentence for one in split if shipment in one.shipments]


def _say(act: str, asked: _Asked, packed: _Packed, known: dict[str, LogLine]) -> None:
    count = len(packed.order)
    tell(
        f"{act}  shipment {packed.code} to {asked.lab}: {count} sample{'s' * (count != 1)} in "
        f"packing order, {asked.at.spoken}",
        10,
    )
    kinds = {known[one.sample].bag.kind for one in packed.order if one.sample in known}
    if len(kinds) > 1:
        tell("  Each kind of bag is packed by itself, one after the other.", 2)
    blinds = {one.code: one for one in packed.blinds}
    for one in packed.order:
        line, blind = known.get(one.sample), blinds.get(one.sample)
        sort = f" {line.bag.kind or 'whole'}" if line and len(kinds) > 1 else ""
        whose = f"{line.bag.label:<6} {line.bag.name}{sort}" if line else ""
        whose = f"{blind.kind} of {blind.of}" if blind else whose
        tell(f"  {one.place:>3}  {one.sample}  {whose}: {', '.join(one.analyses)}", 17)
    for blind in packed.blinds:
        soil = "half of the soil of" if blind.kind == "duplicate" else "soil of the material"
        halved = known.get(blind.of)
        sort = f", {halved.bag.kind or 'whole'}" if halved and len(kinds) > 1 else ""
        tell(f"Fill a bag with the code {blind.code}: {soil} {blind.of}{sort}.", 2)
