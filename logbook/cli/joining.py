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
from logbook.trial.ranges import BedRef, resolve

if TYPE_CHECKING:
    import sqlite3

Json = Annotated[bool, typer.Option("--json", help="For programs.")]
_WORDS = {
    "untreated": records.UNTREATED,
    "new": records.NEW_FILL,
    "unknown": records.UNKNOWN_ORIGIN,
}
_LABEL_LENGTH = 16


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
    spare control bed forked the same day, or newly filled soil beside it.

    Examples: logbook bed add L1 --treatment rock --block late --from B6
              logbook bed add L2 --treatment none --block late --from B12
    """
    session: Session = context.obj
    trial = session.read(lambda store: chosen(store, session))
    day = session.when(when or "today", trial.trial).day
    _free_label(label, trial)
    origin = _origin(soil, continues)
    was = _one_bed(continues, trial) if continues else None
    lines = session.read(
        lambda store: _bed_lines(store, trial, label, treatment, block, origin, was, like, day)
    )
    with session.write() as book:
        code = book.new_code()
        written = [(key("bed", code, "1"), lines["bed"])]
        if was is not None:
            at = session.when(day.isoformat(), trial.trial)
            left = records.Event(was.id, at, "out of the trial", f"goes on as {label}")
            written.append((key("event", code, was.id), left))
        book.record("set", written, code=code)
    tail = f", the soil of {was.label} goes on in it" if was else ""
    say(f"{code}  {label} joined with {treatment} in block {block}, soil {origin}{tail}")
    for sentence in lines["notes"]:
        say(f"Note: {sentence}")


def _bed_lines(
    store: sqlite3.Connection,
    trial: Chosen,
    label: str,
    treatment: str,
    block: str,
    origin: str,
    was: BedRef | None,
    like: str | None,
    day: date,
) -> dict[str, Any]:
    """The record of the new bed, and what is worth saying about it."""
    treatments = views.fetch(store, "treatment", "trial = ?", (trial.id,))
    fitting = [one for one in treatments if one.record.code.casefold() == treatment.casefold()]
    if not fitting:
        known = ", ".join(sorted(one.record.code for one in treatments))
        raise UserMistake(f"there is no treatment {treatment!r}", f"use one of: {known}")
    model = was or (_one_bed(like, trial) if like else trial.beds[0])
    size = views.fetch(store, "bed", "id = ?", (model.id,))[0].record
    if was is not None:
        _refuse_treated(store, was)
    place = max(bed.place for bed in trial.beds) + 1
    bed = records.Bed(
        trial.id, label, block, fitting[0].id, place, size.area_m2, size.depth_cm,
        origin, day, was.id if was else None,
    )  # fmt: skip
    notes = []
    beside = [one for one in trial.beds if one.block == block and one.control]
    if not fitting[0].record.control and not beside:
        notes.append(
            f"block {block} has no control bed yet: add one of the same history, forked the same "
            "day, or the curve cannot be told from the rewetting flush"
        )
    if origin == records.UNKNOWN_ORIGIN:
        notes.append("of unknown origin: its curve cannot be told from the rewetting flush")
    return {"bed": bed, "notes": notes}


def _refuse_treated(store: sqlite3.Connection, was: BedRef) -> None:
    if not was.control:
        raise UserMistake(
            f"{was.label} was treated: only a bed that ran untreated can go on as another",
            "fill a new one: --soil new",
        )


def _free_label(label: str, trial: Chosen) -> None:
    if (
        not label
        or len(label) > _LABEL_LENGTH
        or any(c in " -,:" or not c.isprintable() for c in label)
    ):
        raise UserMistake(
            f"{label!r} cannot be a label",
            f"up to {_LABEL_LENGTH} characters, without blanks, hyphens, commas or colons",
        )
    taken = {bed.label.casefold() for bed in trial.beds}
    taken |= {bed.block.casefold() for bed in trial.beds}
    taken |= {bed.treatment_code.casefold() for bed in trial.beds} | {"all", "control", "check"}
    if label.casefold() in taken:
        raise UserMistake(f"{label!r} is the name of something else here", "choose another label")


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
    session: Session = context.obj
    trial = session.read(lambda store: chosen(store, session))
    _free_label(code, trial)
    value, unit = rates.parse_rate(rate)
    lot, depth = session.read(lambda store: _ground(store, trial, amendment, code))
    record = records.Treatment(
        trial.id, code, name or f"{amendment} {rate}", False, lot, value, unit, depth
    )
    with session.write() as book:
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
            f"there is no amendment {amendment!r} ({known})", "logbook amendment add CODE ..."
        )
    lots = views.fetch(store, "lot", "amendment = ?", (fitting[0].id,))
    if not lots:
        raise UserMistake(f"{amendment} has no lot")
    return lots[0].id, treatments[0].record.depth_cm


COMMANDS = {
    "bed": group("Beds that join a running trial.", add=add_bed, list=list_beds),
    "treatment": group("Treatments that join a running trial.", add=add_treatment),
}
