"""What joins a running trial: `bed add`, `treatment add`, each with its own day 0."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.app import group
from logbook.cli.session import Chosen, Session, as_json, ask, chosen, say
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.store import views
from logbook.trial import rates, records
from logbook.trial.ranges import BedRef, compact, resolve
from logbook.trial.times import When, spoken_day

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

    from logbook.store.views import Found

Json = Annotated[bool, typer.Option("--json", help="For programs.")]
_WORDS = {
    "untreated": records.UNTREATED,
    "new": records.NEW_FILL,
    "unknown": records.UNKNOWN_ORIGIN,
}
_LABEL_LENGTH = 16
_RESERVED = {"all", "control", "check"}


def add_bed(
    context: typer.Context,
    label: Annotated[str, typer.Argument(help="The new bed's label.", show_default=False)],
    treatment: Annotated[str, typer.Option(help="Its treatment's code (the control's too).")],
    block: Annotated[
        str, typer.Option(help="Its block: late beds and their own control form a block.")
    ],
    continues: Annotated[
        str | None,
        typer.Option(
            "--from", help="The bed, untreated since the start, whose soil it goes on with."
        ),
    ] = None,
    soil: Annotated[
        str | None,
        typer.Option(
            help="Where its soil came from: untreated (with --from), new, unknown [asked]."
        ),
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(help="The bed whose size it has [the one of --from, or the first]."),
    ] = None,
    when: Annotated[str | None, typer.Option("--when", help="The day it joined [today].")] = None,
) -> None:
    """Add a bed to a running trial; its day 0 is its own application.

    A late bed is compared with a control of its own history in its own block: a
    spare control bed forked the same day, or newly filled soil beside it. The bed
    that it goes on from is out of the trial from that day; its pulls stand.

    Examples: logbook bed add L1 --treatment rock --block late --from B6
              logbook bed add L2 --treatment none --block late --from B12
    """
    session: Session = context.obj
    trial = session.read(lambda store: chosen(store, session))
    day = session.when(when or "today", trial.trial).day
    session.read(lambda store: _free_names(store, trial.id, label, block))
    origin = _origin(soil, continues)
    was = _one_bed(continues, trial) if continues else None
    model = was or (_one_bed(like, trial) if like else trial.beds[0])
    given = session.read(lambda store: _treatment(store, trial, treatment))
    if was is not None:
        spare: BedRef = was
        session.read(lambda store: _refuse_used(store, trial.id, spare, day))
    size = session.read(lambda store: views.fetch(store, "bed", "id = ?", (model.id,)))[0].record
    place = max(bed.place for bed in trial.beds) + 1
    bed = records.Bed(
        trial.id, label, block, given.id, place, size.area_m2, size.depth_cm,
        origin, day, was.id if was else None,
    )  # fmt: skip
    act = _write_bed(session, bed, was, day)
    tail = f", the soil of {was.label} goes on in it" if was else ""
    say(f"{act}  {label} joined with {given.record.code} in block {block}, soil {origin}{tail}")
    words = session.read(lambda store: list(_worth_saying(store, trial, bed, was, given.record)))
    for sentence in words:
        say(f"Note: {sentence}")


def _write_bed(session: Session, bed: records.Bed, was: BedRef | None, day: date) -> str:
    """Write the bed and, in the same act, that the one it goes on from left the trial."""
    from logbook.book.corrections import inside

    with session.write() as book:
        # Again where nobody else can write: two people may add beds at once.
        store = inside(book)
        _free_names(store, bed.trial, bed.label, bed.block)
        if was is not None:
            _refuse_used(store, bed.trial, was, day)
        code = book.new_code()
        written: list[tuple[str, Any]] = [(key("bed", code, "1"), bed)]
        if was is not None:
            left = records.Event(was.id, When(day), records.OUT, f"goes on as {bed.label}")
            written.append((key("event", code, was.id), left))
        book.record("set", written, code=code)
    return code


def _treatment(store: sqlite3.Connection, trial: Chosen, code: str) -> Found:
    treatments = views.fetch(store, "treatment", "trial = ?", (trial.id,))
    fitting = [one for one in treatments if one.record.code.casefold() == code.casefold()]
    if not fitting:
        known = ", ".join(sorted(one.record.code for one in treatments))
        raise UserMistake(
            f"there is no treatment {code!r}", f"use one of: {known}; or logbook treatment add"
        )
    return fitting[0]


def _refuse_used(store: sqlite3.Connection, trial: str, was: BedRef, day: date) -> None:
    """Only a control bed that is still in the trial, and was not pulled later, can go on."""
    if not was.control:
        raise UserMistake(
            f"{was.label} was treated: only a bed that ran untreated can go on as another",
            "fill a new one: --soil new",
        )
    gone = views.left(store, trial).get(was.id)
    if gone is not None:
        raise UserMistake(f"{was.label} is out of the trial since {spoken_day(gone)}")
    heirs = views.fetch(store, "bed", "was = ?", (was.id,))
    if heirs:
        raise UserMistake(f"the soil of {was.label} goes on as {heirs[0].record.label} already")
    filled = views.fillings(store, trial).get(was.id)
    if filled is not None and day < filled:
        raise UserMistake(f"{was.label} was filled on {spoken_day(filled)}, after that day")
    pulls = views.fetch(store, "pull", "bed = ? OR instr(also, json_quote(?))", (was.id, was.id))
    later = [one.record for one in pulls if one.record.when.day > day]
    if later:
        raise UserMistake(
            f"{was.label} was pulled on {later[0].when.spoken}, after {spoken_day(day)}",
            "say when it was forked: --when",
        )


def _worth_saying(
    store: sqlite3.Connection,
    trial: Chosen,
    bed: records.Bed,
    was: BedRef | None,
    treatment: records.Treatment,
) -> Iterator[str]:
    """What to know about a bed that joined: what it lacks, what it leaves behind."""
    beside = [one for one in trial.beds if one.block == bed.block and one.control]
    fitting = _of_its_age(store, trial, bed, beside)
    if bed.origin == records.UNKNOWN_ORIGIN:
        yield (
            "where its soil came from is not known: its curve cannot be told from the "
            "rewetting flush"
        )
    elif not treatment.control and not fitting:
        lacks = f"block {bed.block} has no control bed yet"
        if beside:
            labels = compact(one.label for one in beside)
            many = len(beside) > 1
            lacks = (
                f"block {bed.block} has no control bed that joined with {bed.label}: {labels} "
                f"{'have' if many else 'has'} another history, and {'are' if many else 'is'} not "
                "pulled for it"
            )
        yield (
            f"{lacks}: add one of the same history, forked the same day, or the curve cannot be "
            "told from the rewetting flush"
        )
    if bed.origin == records.NEW_FILL:
        yield f"write down its filling: logbook fill {bed.label}"
    if was is None:
        return
    for one in views.fetch(store, "event", "bed = ?", (was.id,)):
        if one.record.what in records.MISHAPS:
            yield f"{was.label} was noted {one.record.what} on {one.record.when.spoken}"
    gone = views.left(store, trial.id)
    others = [one for one in trial.beds if one.block == was.block and one.id not in gone]
    if others and not any(one.control for one in others):
        yield (
            f"block {was.block} has no control bed from that day on: its later pulls cannot be "
            "compared"
        )


def _of_its_age(
    store: sqlite3.Connection, trial: Chosen, bed: records.Bed, controls: list[BedRef]
) -> list[BedRef]:
    """The controls of a bed's block that can be of its age: that joined, or were not applied."""
    joined = views.joined(store, trial.id)
    applied = views.first_days(store, "apply", trial.id)
    begun = any(one.id in applied for one in trial.beds if one.block == bed.block)
    return [one for one in controls if one.id in joined or not begun]


def _free_names(store: sqlite3.Connection, trial: str, label: str, block: str) -> None:
    beds, codes = _named(store, trial)
    _free_label(label, beds, codes)
    _free_block(block, label, beds, codes)


def _named(store: sqlite3.Connection, trial: str) -> tuple[list[BedRef], set[str]]:
    """The beds of a trial, and the codes of all its treatments, with a bed or without."""
    treatments = views.fetch(store, "treatment", "trial = ?", (trial,))
    return views.bed_refs(store, trial), {one.record.code.casefold() for one in treatments}


def _free_label(label: str, beds: list[BedRef], codes: set[str]) -> None:
    _refuse_unfit(label, "a label")
    taken = {bed.label.casefold() for bed in beds} | {bed.block.casefold() for bed in beds}
    taken |= codes | _RESERVED
    if label.casefold() in taken:
        raise UserMistake(f"{label!r} is the name of something else here", "choose another label")


def _free_block(block: str, label: str, beds: list[BedRef], codes: set[str]) -> None:
    """A block may be there already, or be new; its name is that of nothing else."""
    _refuse_unfit(block, "a block")
    others = {bed.label.casefold() for bed in beds} | {label.casefold()} | codes | _RESERVED
    if block.casefold() in others:
        raise UserMistake(f"{block!r} is the name of something else here", "choose another block")


def _refuse_unfit(word: str, what: str) -> None:
    fits = 0 < len(word) <= _LABEL_LENGTH and word.isprintable()
    if not fits or any(c in " -,:" for c in word):
        raise UserMistake(
            f"{word!r} cannot be {what}",
            f"up to {_LABEL_LENGTH} characters, without blanks, hyphens, commas or colons",
        )


def _origin(soil: str | None, continues: str | None) -> str:
    """Where the soil came from; asked if nothing says it, never guessed."""
    if continues and soil in (None, "untreated"):
        return records.UNTREATED
    if continues:
        raise UserMistake(f"--from says that the soil ran untreated; --soil {soil} says otherwise")
    word = soil or ask(
        "where does its soil come from: a bed untreated since the start, new fill, or unknown?",
        "--from BED, --soil new or --soil unknown",
    )
    word = word.strip().lower()
    if word == "untreated":
        raise UserMistake("which bed ran untreated?", "name it with --from BED")
    if word not in _WORDS:
        raise UserMistake(f"{word!r} is no origin of soil", "use --from BED, --soil new or unknown")
    return _WORDS[word]


def _one_bed(text: str, trial: Chosen) -> BedRef:
    beds = resolve(text, trial.beds)
    if len(beds) != 1:
        raise UserMistake(f"{text!r} names {len(beds)} beds: name one")
    return beds[0]


def list_beds(context: typer.Context, json: Json = False) -> None:
    """List the beds: block, treatment, and where a late one's soil came from.

    Examples: logbook bed list
              logbook bed list --json
    """
    session: Session = context.obj
    trial, rows = session.read(lambda store: _beds(store, session))
    if json:
        as_json({"trial": trial, "beds": rows})
        return
    from logbook.report.terminal.tables import table

    table(
        ("Bed", "Block", "Treatment", "Joined", "Soil"),
        [(r["bed"], r["block"], r["treatment"], r["joined"] or "", r["soil"] or "") for r in rows],
    )


def _beds(store: sqlite3.Connection, session: Session) -> tuple[str, list[dict[str, Any]]]:
    trial = chosen(store, session)
    labels = {bed.id: bed.label for bed in trial.beds}
    found = {one.id: one.record for one in views.fetch(store, "bed", "trial = ?", (trial.id,))}
    rows = []
    for bed in trial.beds:
        record = found[bed.id]
        soil = record.origin
        if record.was:
            soil = f"{record.origin} ({labels.get(record.was, '?')})"
        rows.append(
            {
                "bed": bed.label,
                "block": bed.block,
                "treatment": bed.treatment_code,
                "joined": record.since.isoformat() if record.since else None,
                "soil": soil,
            }
        )
    return trial.trial.name, rows


def add_treatment(
    context: typer.Context,
    code: Annotated[str, typer.Argument(help="Its code, as on labels.", show_default=False)],
    amendment: Annotated[str, typer.Option(help="The amendment's code.")],
    rate: Annotated[str, typer.Option(help="Such as '10 % v/v of the mix', '2 t/ha'.")],
    name: Annotated[str, typer.Option(help="What it is, in words.")] = "",
) -> None:
    """Add a treatment to a running trial: an amendment at a rate.

    Examples: logbook treatment add R5 --amendment rock --rate '5 t/ha'
              logbook treatment add A20 --amendment compost-A --rate '20 % v/v of the mix'
    """
    from logbook.book.corrections import inside

    session: Session = context.obj
    trial = session.read(lambda store: chosen(store, session))
    session.read(lambda store: _free_label(code, *_named(store, trial.id)))
    value, unit = rates.parse_rate(rate)
    lot, depth = session.read(lambda store: _ground(store, trial, amendment, code))
    words = " ".join(name.split()) or f"{amendment} at {' '.join(rate.split())}"
    record = records.Treatment(trial.id, code, words, False, lot, value, unit, depth)
    with session.write() as book:
        _free_label(code, *_named(inside(book), trial.id))
        _ground(inside(book), trial, amendment, code)
        act = book.new_code()
        book.record("set", [(key("treatment", act), record)], code=act)
    say(f"{act}  treatment {code}: {amendment} at {rate.strip()}")


def _ground(store: sqlite3.Connection, trial: Chosen, amendment: str, code: str) -> tuple[str, Any]:
    """The lot of an amendment, and the incorporation depth of the trial."""
    treatments = views.fetch(store, "treatment", "trial = ?", (trial.id,))
    if any(one.record.code.casefold() == code.casefold() for one in treatments):
        raise UserMistake(f"there is a treatment {code!r} already")
    amendments = views.fetch(store, "amendment", "trial = ?", (trial.id,))
    fitting = [one for one in amendments if one.record.code.casefold() == amendment.casefold()]
    if not fitting:
        known = ", ".join(sorted(one.record.code for one in amendments))
        raise UserMistake(
            f"there is no amendment {amendment!r}",
            f"use one of: {known}; or logbook amendment add",
        )
    lots = views.fetch(store, "lot", "amendment = ?", (fitting[0].id,))
    if not lots:
        raise UserMistake(f"{amendment} has no lot")
    return lots[0].id, treatments[0].record.depth_cm


COMMANDS = {
    "bed": group("Beds that join a running trial.", add=add_bed, list=list_beds),
    "treatment": group("Treatments that join a running trial.", add=add_treatment),
}
