"""Setting up: `trial template`, `check`, `start`, `list`, `show` (`trial layout`: layouts)."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from logbook.cli.app import group
from logbook.cli.layouts import layout
from logbook.cli.session import Chosen, Session, as_json, chosen, say
from logbook.errors import UserMistake
from logbook.protocol import Protocol, overview, planned_records, read, template
from logbook.protocol.overview import AmountRow, Overview
from logbook.store import views
from logbook.trial.parts import spoken
from logbook.trial.times import spoken_day
from logbook.trial.units import short

FileArgument = Annotated[
    Path, typer.Argument(help="The protocol, a TOML file.", show_default=False)
]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]


def show_template() -> None:
    """Print a documented protocol to start from.

    Examples: logbook trial template > trial.toml
              logbook trial template | less
    """
    typer.echo(template(), nl=False)


def check(context: typer.Context, file: FileArgument, json: Json = False) -> None:
    """Check a protocol: every problem at once, and what it would create.

    Examples: logbook trial check trial.toml
              logbook trial check trial.toml --json
    """
    protocol = _read(file)
    plan = overview(protocol)
    if json:
        as_json(_document(protocol, plan))
        return
    _show(protocol, plan)
    say(f"\nNo problems. To begin: logbook trial start {file}")


def start(context: typer.Context, file: FileArgument) -> None:
    """Start the trial of a protocol: beds, treatments and calendar, in one act.

    Examples: logbook trial start trial.toml
              logbook --store bench.db trial start trial.toml
    """
    from logbook.book.corrections import inside
    from logbook.study.amounts import not_known

    session: Session = context.obj
    protocol = _read(file)
    pairs = planned_records(protocol)
    with session.write(founding=True) as book:
        # What was started and undone, or struck, does not stand: it may start again.
        if any(book.values([key for key, _ in pairs[:1]]).values()):
            raise UserMistake(
                f"{file}: this trial was started already; nothing was written", "logbook today"
            )
        standing = views.fetch(inside(book), "trial")
        if any(one.record.name.casefold() == protocol.name.casefold() for one in standing):
            raise UserMistake(
                f"{file}: a trial called {protocol.name!r} is here already; nothing was written",
                "give this one a name of its own",
            )
        act = book.record("trial", pairs)
    plan = overview(protocol)
    beds = sum(count for _, count in plan.beds)
    say(f"{act.code}  started {protocol.name!r}: {beds} beds, {plan.samples} samples planned")
    for warning in protocol.warnings:
        say(f"Note: {warning}")
    # The list that `trial show` gives; what the file alone leaves open is told by `trial check`.
    for waiting in session.read(lambda store: not_known(store, protocol.tid)):
        say(f"Waits: {waiting}")
    say(f"The store is {session.store}. Next: logbook fill all")


def list_trials(context: typer.Context, json: Json = False) -> None:
    """List the trials of this logbook.

    Examples: logbook trial list
              logbook trial list --json
    """
    session: Session = context.obj
    rows = session.read(
        lambda store: [
            (found.id, found.record, len(views.bed_refs(store, found.id)))
            for found in views.fetch(store, "trial")
        ]
    )
    if json:
        trials = [{"id": i, "name": t.name, "question": t.question, "beds": n} for i, t, n in rows]
        as_json({"trials": trials})
        return
    for ident, trial, beds in rows:
        say(f"{ident}  {trial.name}, {beds} beds, {trial.zone}")
        say(f"              {trial.question}")
    if not rows:
        say("There is no trial yet: logbook trial start FILE")


def show(context: typer.Context, json: Json = False) -> None:
    """Show a trial as it stands: beds and treatments, and what is not known yet.

    Examples: logbook trial show
              logbook --trial 'A compost' trial show --json
    """
    session: Session = context.obj
    trial, treatments, joined, waits = session.read(lambda store: _standing(store, session))
    rows = [(bed.label, bed.block, bed.treatment_code) for bed in trial.beds]
    if json:
        as_json(
            {
                "id": trial.id,
                "name": trial.trial.name,
                "question": trial.trial.question,
                "zone": trial.trial.zone,
                "assigned": trial.trial.assigned,
                "beds": [
                    {"bed": b, "block": k, "treatment": t, "joined": joined.get(b)}
                    for b, k, t in rows
                ],
                "not_known": waits,
            }
        )
        return
    from logbook.report.terminal.tables import table

    say(f"{trial.trial.name}: {trial.trial.question}")
    if trial.trial.assigned != "drawn":
        say("Beds were assigned by hand: not randomised.")
    table(
        ("Bed", "Block", "Treatment"),
        [
            (b, k, treatments.get(t, t) + (f"; joined {joined[b]}" if b in joined else ""))
            for b, k, t in rows
        ],
    )
    for sentence in waits:
        say(f"Waits: {sentence}")


def _standing(
    store: Any, session: Session
) -> tuple[Chosen, dict[str, str], dict[str, str], list[str]]:
    """The trial, its treatments in words, the day on which late beds joined, what is not known."""
    from logbook.study.amounts import not_known

    trial = chosen(store, session)
    treatments = {
        found.record.code: f"{found.record.code}, {found.record.name}"
        for found in views.fetch(store, "treatment", "trial = ?", (trial.id,))
    }
    joined = {
        found.record.label: found.record.since.isoformat()
        for found in views.fetch(store, "bed", "trial = ? AND since IS NOT NULL", (trial.id,))
    }
    return trial, treatments, joined, not_known(store, trial.id)


def _read(file: Path) -> Protocol:
    try:
        data = file.read_bytes()
    except OSError as problem:
        raise UserMistake(
            f"{file}: cannot be read ({problem.strerror})",
            "logbook trial template > trial.toml makes one",
        ) from None
    return read(data, str(file))


def _show(protocol: Protocol, plan: Overview) -> None:
    from logbook.report.terminal.tables import table

    say(f"{protocol.name}: {protocol.question}")
    names = {one.code: one.name for one in protocol.treatments}
    table(
        ("Treatment", "", "Beds"),
        [(code, names[code], str(count)) for code, count in plan.beds],
        right="2",
    )
    if plan.amounts:
        say("\nAmendment per bed:")
        table(
            ("Treatment", "Size", "L", "kg", "beds", "L in all", "kg in all"),
            [_amount_row(row) for row in plan.amounts],
            right="23456",
        )
    say("\nCalendar (days after application):")
    table(("Pull", "Tolerance", "Dates"), [_calendar_row(row) for row in plan.calendar])
    cost = f", about {short(plan.lab_cost[0])} {plan.lab_cost[1]}" if plan.lab_cost else ""
    bags = f" in {plan.bags} bags and tins" if plan.bags != plan.samples else ""
    say(f"\n{plan.samples} samples{bags} for the laboratory{cost}.")
    for part in protocol.parts:
        say(f"Part of every pull: {spoken(part)}.")
    for warning in protocol.warnings:
        say(f"Note: {warning}")
    for waiting in plan.not_known:
        say(f"Waits: {waiting}")


def _amount_row(row: AmountRow) -> list[str]:
    def litres(value: Any) -> str:
        return "?" if value is None else short(round(value, 2))

    def kilos(value: Any) -> str:
        return "?" if value is None else short(round(value / 1000, 3))

    return [
        row.treatment,
        row.size,
        litres(row.amount.volume_l),
        kilos(row.amount.mass_g),
        str(row.beds),
        litres(row.total_volume_l),
        kilos(row.total_mass_g),
    ]


def _calendar_row(row: Any) -> list[str]:
    dates = "; ".join(
        f"block {block}: {spoken_day(day)}" if block else spoken_day(day)
        for block, day in row.dates
    )
    tolerance = "" if row.day is None else f"+-{row.tolerance} d"
    return [row.name, tolerance, dates or "from each bed's application"]


def _document(protocol: Protocol, plan: Overview) -> dict[str, Any]:
    """The overview for JSON."""
    return {
        "name": protocol.name,
        "beds": dict(plan.beds),
        "amounts": [
            {
                "treatment": row.treatment,
                "size": row.size,
                "beds": row.beds,
                "litres_per_bed": row.amount.volume_l,
                "grams_per_bed": row.amount.mass_g,
                "litres": row.total_volume_l,
                "grams": row.total_mass_g,
            }
            for row in plan.amounts
        ],
        "calendar": [
            {
                "pull": row.name,
                "day": row.day,
                "tolerance": row.tolerance,
                "dates": [{"block": block, "date": day} for block, day in row.dates],
            }
            for row in plan.calendar
        ],
        "samples": plan.samples,
        "bags": plan.bags,
        "parts": {kind: list(analyses) for kind, analyses in protocol.parts},
        "lab_cost": list(plan.lab_cost) if plan.lab_cost else None,
        "not_known": [str(waiting) for waiting in plan.not_known],
        "warnings": list(protocol.warnings),
    }


COMMANDS = {
    "trial": group(
        "Set up a trial from its protocol file.",
        template=show_template,
        layout=layout,
        check=check,
        start=start,
        list=list_trials,
        show=show,
    )
}
