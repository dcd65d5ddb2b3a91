"""The command `history`: every line ever written about a bed, a sample or an act, in order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from logbook.cli.app import command
from logbook.cli.naming import lines_of
from logbook.cli.session import Session, addressed, as_json, say
from logbook.journal import entry as journal
from logbook.journal.kinds import from_value, readable, understood
from logbook.report.lines import describe
from logbook.store import views
from logbook.trial import codes
from logbook.trial.times import read_stored

if TYPE_CHECKING:
    import sqlite3

_HOW = {"correct": "corrected to ", "undo": "taken back: "}


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


def _history(store: sqlite3.Connection, session: Session, of: str) -> list[Line]:
    """The lines in the order in which they were written; those of one second by their number."""
    labels = _Labels(store)
    found = []
    for key in dict.fromkeys(_keys_of(store, session, of)):
        named = views.reference(store, key)
        for _, entry, place, live in views.writes_of_key(store, key):
            line = _line(key, entry, place, live, labels, named)
            moment = datetime.fromisoformat(entry.written)
            found.append(((moment, entry.writer, entry.seq, place), line))
    return [line for _, line in sorted(found, key=lambda pair: pair[0])]


def _keys_of(store: sqlite3.Connection, session: Session, of: str) -> Iterator[str]:
    code = codes.tidy(of.partition(":")[0])
    if codes.is_valid(code):
        yield from lines_of(store, session, of)
        if ":" not in of:
            yield from _keys_about_code(store, code)
        return
    _, beds = addressed(store, session, of)
    for bed in beds:
        pulls = [*views.keys_about(store, bed.id), *mixed_into(store, bed.id)]
        yield f"bed/{bed.id}"
        yield from pulls
        yield from _weighings(store, (key for key in pulls if journal.space(key) == "pull"))


def _keys_about_code(store: sqlite3.Connection, code: str) -> Iterator[str]:
    """A sample's parts and results, its tins' weights, and the bags that were reserved for them."""
    bags = dict.fromkeys([code])
    for key in views.keys_about(store, code):
        yield key
        if journal.space(key) == "part":
            bags[journal.ident(key)] = None
    for bag in bags:
        yield from views.keys_about(store, bag)
        if views.writes_of_key(store, f"bag/{bag}"):
            yield f"bag/{bag}"


def _weighings(store: sqlite3.Connection, pulls: Iterable[str]) -> Iterator[str]:
    for pull in pulls:
        for part in views.keys_about(store, journal.ident(pull)):
            if journal.space(part) == "part":
                about = views.keys_about(store, journal.ident(part))
                yield from (key for key in about if journal.space(key) == "weigh")


def mixed_into(store: sqlite3.Connection, bed: str) -> list[str]:
    """The keys of the composites, struck ones too, that this bed is one of the further beds of."""
    rows = store.execute(
        "SELECT DISTINCT w.key FROM write w JOIN entry e ON e.id = w.entry "
        "WHERE w.key >= 'pull/' AND w.key < 'pull0' AND instr(e.body, ?) AND instr(e.body, ?)",
        (b'"also":["', bed.encode()),
    ).fetchall()
    return [
        key
        for (key,) in rows
        if any(
            bed in ((entry.writes[place].value or {}).get("also") or ())
            for _, entry, place, _ in views.writes_of_key(store, key)
        )
    ]


class _Labels:
    """The labels of every bed, by the id of the bed, or by what else names it in a value."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self.store = store
        self.beds = {
            bed.id: bed.label
            for one in views.fetch(store, "trial")
            for bed in views.bed_refs(store, one.id)
        }

    def of(self, value: journal.Value) -> str:
        """The beds that a value is about: `B1`, or `B1+B2` for a composite; empty if none."""
        own = value.get("bed") or value.get("about") or ""
        if not own and value.get("part"):
            return self._of_code("part", "pull", str(value["part"]))
        if not own and value.get("pull"):
            return self._of_code("pull", "", str(value["pull"]))
        beds = [own, *(value.get("also") or ())]
        return "+".join(self.beds[bed] for bed in beds if bed in self.beds)

    def _of_code(self, space: str, through: str, code: str) -> str:
        found = views.fetch(self.store, space, "id = ?", (code,))
        if not found:
            return ""
        record = found[0].record
        if through:
            return self.of({"pull": record.pull})
        return self.of({"bed": record.bed, "also": record.also})


def _line(
    key: str, entry: journal.Entry, place: int, live: bool, labels: _Labels, named: str
) -> Line:
    value = entry.writes[place].value
    space = journal.space(key)
    what, acted = "struck", ""
    if not understood(entry) or (value is not None and not readable(space, value)):
        what = "written by a newer version"
    elif value is not None:
        record = from_value(space, value)
        label = labels.of(value) if space != "bed" else ""
        what = f"{label}: {describe(record)}" if label else describe(record)
        acted = read_stored(value["when"]).spoken if value.get("when") else ""
    what = _HOW.get(entry.kind, "") + what
    state = "" if live else "replaced"
    return Line(entry.written, entry.by, entry.kind, what, acted, state, entry.reason or "", named)


COMMANDS = {"history": command(history)}
