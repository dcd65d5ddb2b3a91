"""Correcting what was written: undo, strike, correct, history. Every old line stays readable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.app import command
from logbook.cli.changes import changed
from logbook.cli.session import Session, addressed, as_json, chosen, say
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.kinds import from_value, readable, understood
from logbook.report.lines import describe
from logbook.store import views
from logbook.trial import codes
from logbook.trial.chemistry import find_analyte
from logbook.trial.ranges import resolve
from logbook.trial.times import read_stored

if TYPE_CHECKING:
    import sqlite3

Reference = Annotated[
    str,
    typer.Argument(
        help="A code, or one line of it: CODE, CODE:BED, SAMPLE:NUTRIENT.", show_default=False
    ),
]
Reason = Annotated[str | None, typer.Option(help="Why; kept with the line.")]


def undo(context: typer.Context) -> None:
    """Take back your last act on this machine; it stays readable.

    Examples: logbook undo
              logbook --by mira undo
    """
    from logbook.book import corrections

    session: Session = context.obj
    with session.write() as book:
        undone, act = corrections.undo(book)
    lines = f"{len(undone.keys)} line{'s' * (len(undone.keys) != 1)}"
    say(f"{act.code}  took back {undone.kind} {undone.code} ({lines})")


def strike(context: typer.Context, reference: Reference, reason: Reason = None) -> None:
    """Strike a line: it stays readable and counts no longer.

    Examples: logbook strike K7M3QX4R --reason 'wrong trial'
              logbook strike K7M3QX4R:B3 --reason 'B3 was left dry'
    """
    from logbook.book import corrections

    session: Session = context.obj
    why = _reason(reason)
    keys = session.read(lambda store: _living(store, lines_of(store, session, reference)))
    with session.write() as book:
        act = corrections.strike(book, keys, why)
    say(f"{act.code}  struck {len(keys)} line{'s' * (len(keys) != 1)} of {reference}: {why}")


def correct(
    context: typer.Context,
    reference: Reference,
    reason: Reason = None,
    amount: Annotated[str | None, typer.Option(help="Water or amendment given.")] = None,
    mass: Annotated[str | None, typer.Option(help="Soil filled in.")] = None,
    moisture: Annotated[str | None, typer.Option(help="Its moisture.")] = None,
    known: Annotated[str | None, typer.Option(help="How the amount was known.")] = None,
    when: Annotated[str | None, typer.Option(help="When it happened.")] = None,
    bed: Annotated[str | None, typer.Option(help="The bed it was.")] = None,
    planned: Annotated[str | None, typer.Option("--for", help="The planned pull.")] = None,
    cores: Annotated[int | None, typer.Option(help="Cores in the sample.")] = None,
    depth: Annotated[str | None, typer.Option(help="Depth of the cores.")] = None,
    value: Annotated[str | None, typer.Option(help="A result, as reported: 12.5, <0.5.")] = None,
    text: Annotated[str | None, typer.Option(help="The words of a note or event.")] = None,
) -> None:
    """Correct a line: a new one takes its place, the old one stays readable.

    Examples: logbook correct K7M3QX4R:B3 --amount '200 mL' --reason 'can half full'
              logbook correct XW3KRT9D:nitrate-N --value 12.5 --reason 'typing slip'
    """
    from logbook.book import corrections

    session: Session = context.obj
    why = _reason(reason)
    asked = {
        "amount": amount, "mass": mass, "moisture": moisture, "known": known, "when": when,
        "bed": bed, "for": planned, "cores": cores, "depth": depth, "value": value, "text": text,
    }  # fmt: skip
    given = {name: said for name, said in asked.items() if said is not None}
    if not given:
        raise UserMistake("nothing to correct was given", "say what is right, as in --when 08:30")
    changes = session.read(lambda store: _changes(store, session, reference, given))
    with session.write() as book:
        code = book.new_code()
        for key, values in changes.items():
            corrections.correct(book, key, values, why, code=code)
    said = ", ".join(f"{name} {text}" for name, text in given.items())
    say(f"{code}  corrected {reference} ({said}): {why}")


def history(
    context: typer.Context,
    of: Annotated[
        str, typer.Argument(help="A bed, a sample code, an act's code.", show_default=False)
    ],
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show every line ever written about a bed, a sample or an act.

    Examples: logbook history B3
              logbook history XW3KRT9D --json
    """
    session: Session = context.obj
    lines = session.read(lambda store: _history(store, session, of))
    if json:
        as_json({"of": of, "lines": [line.document() for line in lines]})
        return
    for line in lines:
        say(f"{line.written[:16].replace('T', ' ')}  {line.by}: {line.what}")
        tail = [f"acted {line.acted}"] if line.acted else []
        tail += [line.state, line.reference]
        say("                  " + " | ".join(part for part in tail if part))
        if line.reason:
            say(f"                  because: {line.reason}")
    if not lines:
        say(f"Nothing was written about {of} yet.")


@dataclass(frozen=True)
class Line:
    """One line of a history."""

    written: str
    by: str
    kind: str
    what: str
    acted: str
    state: str
    reason: str
    reference: str

    def document(self) -> dict[str, str]:
        """For JSON."""
        return dict(vars(self))


def _reason(reason: str | None) -> str:
    if reason is None or not reason.strip():
        raise UserMistake("a correction needs its reason", "add --reason TEXT")
    return reason.strip()


def lines_of(store: sqlite3.Connection, session: Session, reference: str) -> list[str]:
    """The keys that a reference names: CODE, CODE:BED, SAMPLE, SAMPLE:NUTRIENT."""
    code, _, part = reference.strip().partition(":")
    code = codes.tidy(code)
    if not codes.is_valid(code):
        known = views.sample_codes(store) | views.act_codes(store)
        near = codes.candidates(code, known)
        hint = f"did you mean {' or '.join(near)}?" if near else "logbook history BED lists them"
        raise UserMistake(f"{reference!r} is not a code of this logbook", hint)
    pulled = f"pull/{code}"
    if views.writes_of_key(store, pulled):
        return _of_sample(store, code, part) if part else [pulled]
    keys = views.keys_of_act(store, code)
    if not keys:
        raise UserMistake(f"no line has the code {code}", "logbook history BED lists them")
    if not part:
        return keys
    trial = chosen(store, session)
    beds = {bed.id for bed in resolve(part, trial.beds)}
    chosen_keys = [key for key in keys if journal.parts(key)[-1] in beds]
    if not chosen_keys:
        raise UserMistake(f"the act {code} has no line about {part}")
    return chosen_keys


def _of_sample(store: sqlite3.Connection, code: str, nutrient: str) -> list[str]:
    analyte, _ = find_analyte(nutrient)
    found = views.fetch(store, "result", "sample = ? AND analyte = ?", (code, analyte.name))
    if not found:
        raise UserMistake(f"sample {code} has no result of {analyte.name}")
    if len(found) > 1:
        raise UserMistake(
            f"sample {code} has {len(found)} results of {analyte.name}",
            f"logbook history {code} shows them; strike the whole report's act instead",
        )
    return [f"result/{found[0].id}"]


def _living(store: sqlite3.Connection, keys: list[str]) -> list[str]:
    """The keys that still stand; refuses if none does."""
    standing = [
        key
        for key in keys
        if any(
            live and entry.writes[place].value is not None
            for _, entry, place, live in views.writes_of_key(store, key)
        )
    ]
    if not standing:
        raise UserMistake("the line is struck already")
    return standing


def _changes(
    store: sqlite3.Connection, session: Session, reference: str, given: dict[str, Any]
) -> dict[str, dict[str, Any]]:
    """For each line that the reference names, the journal values that change."""
    changes = {}
    for key in _living(store, lines_of(store, session, reference)):
        space = journal.space(key)
        found = views.fetch(store, space, "id = ?", (journal.ident(key),))
        if not found:
            raise UserMistake(f"{reference} is not a line that can be corrected")
        changes[key] = changed(store, session, found[0].record, given)
    return changes


def _history(store: sqlite3.Connection, session: Session, of: str) -> list[Line]:
    labels = {
        bed.id: bed.label
        for one in views.fetch(store, "trial")
        for bed in views.bed_refs(store, one.id)
    }
    lines = []
    for key in _keys_of(store, session, of):
        for _, entry, place, live in views.writes_of_key(store, key):
            lines.append(_line(key, entry, place, live, labels))
    return sorted(lines, key=lambda line: (line.written, line.reference, line.what))


def _keys_of(store: sqlite3.Connection, session: Session, of: str) -> list[str]:
    code = codes.tidy(of.partition(":")[0])
    if codes.is_valid(code):
        keys = lines_of(store, session, of)
        return keys if ":" in of else [*keys, *views.keys_about(store, code)]
    _, beds = addressed(store, session, of)
    return [key for bed in beds for key in (f"bed/{bed.id}", *views.keys_about(store, bed.id))]


def _line(key: str, entry: journal.Entry, place: int, live: bool, labels: dict[str, str]) -> Line:
    value = entry.writes[place].value
    space = journal.space(key)
    what, acted = "struck", ""
    if not understood(entry) or (value is not None and not readable(space, value)):
        what = "written by a newer version"
    elif value is not None:
        record = from_value(space, value)
        label = labels.get(value.get("bed") or value.get("about") or "", "")
        what = f"{label}: {describe(record)}" if label else describe(record)
        acted = read_stored(value["when"]).spoken if value.get("when") else ""
    if entry.kind in ("correct", "undo", "strike"):
        what = {"correct": "corrected to ", "undo": "taken back: ", "strike": ""}[entry.kind] + what
    state = "" if live else "replaced"
    part = labels.get(journal.parts(key)[-1], "")
    reference = (entry.act or "") + (f":{part}" if part else "")
    return Line(
        entry.written, entry.by, entry.kind, what, acted, state, entry.reason or "", reference
    )


COMMANDS = {
    "undo": command(undo),
    "strike": command(strike),
    "correct": command(correct),
    "history": command(history),
}
