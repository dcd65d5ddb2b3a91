"""The command `history`: every line ever written about a bed, a sample or an act, in order."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli.app import command
from logbook.cli.naming import lines_of, named_beds, plain
from logbook.cli.session import Session, addressed, as_json, say
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.fold import agree
from logbook.journal.kinds import from_value, readable, understood
from logbook.report.lines import describe, rounded
from logbook.store import asking, views
from logbook.trial import chemistry, codes, times
from logbook.trial.ranges import BedRef
from logbook.trial.records import Pull
from logbook.trial.times import read_stored

if TYPE_CHECKING:
    import sqlite3

    from logbook.study import queries

_HOW = {"correct": "corrected to ", "settle": "settled as ", "undo": "again: "}
# What a strike or an undo says itself.
_PLAIN = ("stands", "corrected", "struck")
_INDENT = 18
_WIDTH = 80


def history(
    context: typer.Context,
    of: Annotated[
        str,
        typer.Argument(
            help="A bed, a sample code, SAMPLE:NUTRIENT, an act's code.",
            show_default=False,
            autocompletion=completing.lines,
        ),
    ],
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show every line ever written about a bed, a sample or an act.

    Examples: logbook history B3
              logbook history XW3KRT9D:nitrate-N
              logbook history XW3KRT9D --json
    """
    session: Session = context.obj
    lines = session.read(lambda store: _history(store, session, of))
    if json:
        as_json({"of": of, "lines": [line.document() for line in lines]})
        return
    for line in lines:
        written = datetime.fromisoformat(line.written).astimezone(line.zone)
        _say(f"{line.by}: {line.shown}", f"{written:%Y-%m-%d %H:%M}  ")
        tail = [f"acted {line.acted}"] if line.acted else []
        tail += [f"on {line.machine}"] if line.machine else []
        tail += [line.became, line.reference]
        _say(" | ".join(part for part in tail if part))
        if line.reason:
            _say(f"because: {line.reason}")
    if not lines:
        say(f"Nothing was written about {of} yet.")


def _say(text: str, start: str = " " * _INDENT) -> None:
    """Print within the width of a screen, further lines below the first one's words."""
    rest = " " * _INDENT
    for line in textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=start,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    ):
        say(line)


@dataclass(frozen=True)
class Line:
    """One line of a history; a screen shows `shown`, `what` in few digits, in the trial's zone.

    `machine` wrote it, where the book has several; else it is empty. `answer`: what was made of a
    query that stands; `moot`: why it asks nothing any more, "" while it does.
    """

    written: str
    by: str
    machine: str
    kind: str
    what: str
    acted: str
    state: str
    reason: str
    reference: str
    answer: str
    moot: str
    shown: str
    zone: tzinfo

    @property
    def became(self) -> str:
        """What became of it, for a screen: of a query that it was answered, or is moot, and why."""
        answered = f"answered: {self.answer}" if self.answer else ""
        moot = f"moot: {self.moot}" if self.moot else ""
        return "; ".join(filter(None, (answered, moot))) or self.state

    def document(self) -> dict[str, str]:
        """For JSON: nothing rounded, times as they were written."""
        return {name: text for name, text in vars(self).items() if name not in ("shown", "zone")}


def _history(store: sqlite3.Connection, session: Session, of: str) -> list[Line]:
    """The lines in the order in which they were written; those of one second by their number.

    The results of one report, which are written in order of code, stand bag by bag.
    """
    labels = _Labels(store)
    usual = next(iter(labels.zones.values()), UTC)
    found: list[tuple[tuple[datetime, str, int, int], Line]] = []
    for key in dict.fromkeys(_keys_of(store, session, of)):
        named = asking.reference(store, key)
        told = _told(store, key)
        for name, (entry, place) in told.writes.items():
            line = _line(name, told, labels, named, usual)
            moment = datetime.fromisoformat(entry.written)
            at = 0 if journal.space(key) == "result" else place
            found.append(((moment, entry.writer, entry.seq, at), line))
    return [line for _, line in sorted(found, key=lambda pair: pair[0])]


def _told(store: sqlite3.Connection, key: str) -> Told:
    rows = views.writes_of_key(store, key)
    writes = {name: (entry, place) for name, entry, place, _ in rows}
    return Told(key, writes, frozenset(name for name, _, _, live in rows if live))


def _keys_of(store: sqlite3.Connection, session: Session, of: str) -> Iterator[str]:
    code = codes.tidy(of.partition(":")[0])
    if codes.is_valid(code):
        # What was struck, or replaced by another report, is named by no reference any more.
        yield from _of_nutrient(store, code, of) or lines_of(store, session, of)
        if ":" not in of:
            yield from _keys_about_code(store, code)
        return
    for bed in _beds_of(store, session, of):
        pulls = [*views.keys_about(store, bed.id), *mixed_into(store, bed.id)]
        yield f"bed/{bed.id}"
        yield from pulls
        yield from _weighings(store, (key for key in pulls if journal.space(key) == "pull"))


def _beds_of(store: sqlite3.Connection, session: Session, of: str) -> list[BedRef]:
    """The beds of a text; raises UserMistake, of what else a history may be asked with the way."""
    try:
        return named_beds(store, session, of)[1]
    except UserMistake as mistake:
        first, colon, rest = of.rpartition(":")
        nutrient = _nutrient(rest) if colon else ""
        if nutrient and _are_beds(store, session, first):
            raise UserMistake(
                f"{of!r}: a nutrient has a history by sample, CODE:{nutrient}",
                f"logbook lab results --bed {shlex.quote(first)} --nutrient {nutrient} lists codes",
            ) from None
        from logbook.study import report_lines

        report = " ".join(of.split())
        gone = report_lines.gone(store, report)
        if gone:
            raise UserMistake(
                f"{'; '.join(gone)}: a history is that of a bed, a sample or an act",
                "logbook history CODE:NUTRIENT shows what a report said of a sample",
            ) from None
        if report_lines.stands(store, report):
            raise UserMistake(
                f"{of!r} is a report, and a history is that of a bed, a sample or an act",
                f"logbook lab results --report {shlex.quote(report)} lists its results",
            ) from None
        if "is no bed" not in mistake.message:
            raise
        hint = f"{mistake.hint}; or the code of a sample or an act"
        raise UserMistake(mistake.message, hint) from None


def _are_beds(store: sqlite3.Connection, session: Session, text: str) -> bool:
    with suppress(UserMistake):
        return bool(addressed(store, session, text)[1])
    return False


def _nutrient(text: str) -> str:
    """The nutrient that is asked for; "" for any other text."""
    with suppress(UserMistake):
        return chemistry.named(text)
    return ""


def _of_nutrient(store: sqlite3.Connection, code: str, of: str) -> list[str]:
    """All that was written of a nutrient of a sample, `CODE:NUTRIENT` or `CODE:NUTRIENT:METHOD`.

    Nothing for any other reference, and for a nutrient of which there never was a result.
    """
    nutrient, _, method = of.partition(":")[2].partition(":")
    wanted = _nutrient(nutrient)
    found = [
        key
        for key in (_keys_about_code(store, code) if wanted else ())
        if (named := _analysis(key))[0] == wanted and (not method or plain(method) == named[1])
    ]
    return found if any(journal.space(key) == "result" for key in found) else []


def _analysis(key: str) -> tuple[str, str]:
    """The nutrient and the method that a key names; empty where it names none."""
    space, *rest = (*journal.parts(key), *[""] * 5)
    if space == "handling":
        return rest[2], ""
    if space == "result":
        return rest[3], plain(rest[4])
    return (rest[1], plain(rest[2])) if space in ("query", "answer") else ("", "")


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
    """What ids mean to people: a bed's label, the pull that was served, a zone, a machine."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self.store = store
        self.machines = asking.machine_names(store)
        self.beds: dict[str, str] = {}
        self.zones: dict[str, tzinfo] = {}
        self.served: dict[str, tuple[str, ...]] = {}
        for one in views.fetch(store, "trial"):
            zone = times.zone(one.record.zone)
            refs = views.bed_refs(store, one.id)
            self.beds |= {bed.id: bed.label for bed in refs}
            self.zones |= dict.fromkeys((one.id, *(bed.id for bed in refs)), zone)
            for owed in views.obligations(store, one.id):
                self.served |= {
                    code: owed.names for code in (owed.pull, *owed.repeats) if code is not None
                }

    @cached_property
    def queries(self) -> dict[str, queries.Line]:
        """Every query of the book by its id."""
        from logbook.study import queries

        return {one.id: one for one in queries.lines(self.store)}

    def of(self, value: journal.Value) -> str:
        """The beds that a value is about: `B1`, or `B1+B2` for a composite; empty if none."""
        return "+".join(self.beds[bed] for bed in self._about(value) if bed in self.beds)

    def zone(self, value: journal.Value) -> tzinfo | None:
        """The zone of the trial that a value belongs to; None if it does not say."""
        sampled = self._of_code("pull", str(value.get("sample") or ""))
        about = [*self._about(value), *sampled, str(value.get("trial") or "")]
        return next((self.zones[one] for one in about if one in self.zones), None)

    def with_planned(self, record: Any) -> Any:
        """A pull with the planned pull that it served, were it said or not."""
        if not isinstance(record, Pull) or record.planned or record.code not in self.served:
            return record
        return replace(record, planned=" and ".join(self.served[record.code]))

    def _about(self, value: journal.Value) -> list[str]:
        own = value.get("bed") or value.get("about") or ""
        for space, name in (("part", "part"), ("pull", "pull")):
            if not own and value.get(name):
                return self._of_code(space, str(value[name]))
        return [str(one) for one in (own, *(value.get("also") or ()))]

    def _of_code(self, space: str, code: str) -> list[str]:
        found = views.fetch(self.store, space, "id = ?", (code,))
        if not found:
            return []
        record = found[0].record
        if space == "part":
            return self._of_code("pull", record.pull)
        return [record.bed, *record.also]


def _line(name: str, told: Told, labels: _Labels, named: str, usual: tzinfo) -> Line:
    """One write of a key as a line: in full for programs, in short for a screen."""
    entry, place = told.writes[name]
    value, space = entry.writes[place].value, journal.space(told.key)
    record, label, acted = None, "", ""
    if value is not None and understood(entry) and readable(space, value):
        record = labels.with_planned(from_value(space, value))
        label = labels.of(value) if space != "bed" else ""
        acted = read_stored(value["when"]).spoken if value.get("when") else ""

    def words(of: Any) -> str:
        if record is None:
            return _without_record(entry, value)
        text = describe(of)
        how = "stays: " if told.stays(name) else _HOW.get(entry.kind, "")
        return how + (f"{label}: {text}" if label else text)

    return Line(
        entry.written,
        entry.by,
        labels.machines.get(entry.writer, ""),
        entry.kind,
        words(record),
        acted,
        told.state(name),
        entry.reason or "",
        named,
        *(_made_of(labels, told, name) if space == "query" else ("", "")),
        words(rounded(record) if record is not None else None),
        told.zone(labels) or usual,
    )


def _made_of(labels: _Labels, told: Told, name: str) -> tuple[str, str]:
    """The answer to a query and why it is moot, by the line of it that stands; "" for none."""
    one = labels.queries.get(journal.ident(told.key)) if told.state(name) == "stands" else None
    if one is None:
        return "", ""
    return str(one.answer.what) if one.answer else "", one.cause if one.moot else ""


def _without_record(entry: journal.Entry, value: journal.Value | None) -> str:
    if value is not None or not understood(entry):
        return "written by a newer version"
    return "taken back" if entry.kind == "undo" else "struck"


@dataclass(frozen=True)
class Told:
    """Every write of one key, by entry: the entry and which of its writes; and what is live."""

    key: str
    writes: dict[str, tuple[journal.Entry, int]]
    living: frozenset[str]

    def state(self, name: str) -> str:
        """What became of a line: stands, in conflict, corrected, struck, undone; kept or replaced
        by a settling. "" for a strike or an undo that holds.

        A line whose correction or strike was undone is again what the undo made of it.
        """
        entry, place = self.writes[name]
        silent = entry.kind == "undo" or entry.writes[place].value is None
        found, _ = self._fate(name)
        return "" if silent and found in _PLAIN else found

    @cached_property
    def disputed(self) -> bool:
        """Whether machines disagree about the line."""
        told = (self.writes[name] for name in self.living)
        values = [entry.writes[place].value for entry, place in told if understood(entry)]
        return any(not agree(values[0], other) for other in values[1:])

    def stays(self, name: str) -> bool:
        """Whether a write leaves the line as it was: its act was about another one."""
        entry, place = self.writes[name]
        write = entry.writes[place]
        if entry.kind not in ("correct", "strike") or len(write.replaces) != 1:
            return False
        (old,) = write.replaces
        return old in self.writes and self._value(old) == write.value is not None

    def zone(self, labels: _Labels) -> tzinfo | None:
        """The zone of the trial that the line belongs to, by any of its values."""
        values = (entry.writes[place].value for entry, place in self.writes.values())
        zones = (labels.zone(value) for value in values if value)
        return next((zone for zone in zones if zone is not None), None)

    def _value(self, name: str) -> journal.Value | None:
        entry, place = self.writes[name]
        return entry.writes[place].value

    def _fate(self, name: str) -> tuple[str, str | None]:
        """What became of a write, and which undo made it so if one did."""
        if name in self.living:
            return "in conflict" if self.disputed else "stands", None
        later = [
            other
            for other, (entry, place) in self.writes.items()
            if name in entry.writes[place].replaces
        ]
        fates = [(self._after(name, other), other) for other in later]
        # Two machines may have replaced it at once: what holds goes before what was undone, and
        # before what a settling replaced.
        fates = [fate for fate in fates if fate[0][0] != "undone"] or fates
        return max(fates, key=lambda fate: self._rank(fate[1]))[0] if fates[1:] else fates[0][0]

    def _rank(self, name: str) -> tuple[bool, bool]:
        holds = self._fate(name)[0] in ("stands", "in conflict", "kept")
        return (holds, self._value(name) is not None)

    def _after(self, name: str, other: str) -> tuple[str, str | None]:
        """What the write `other`, which replaced a line, made of it."""
        entry, place = self.writes[other]
        value = entry.writes[place].value
        if entry.kind == "undo":
            return "undone", other
        state, undo = self._fate(other)
        if state == "undone" and undo is not None:
            # The undo gave the line's value back: it fares as the undo's own write does.
            return self._fate(undo)
        if self.stays(other):
            return "kept", None
        if entry.kind == "settle":
            return self._settled(name, other), None
        return "struck" if value is None else "corrected", None

    def _settled(self, name: str, other: str) -> str:
        """What a settling made of a version: kept, replaced, or struck where none was a strike."""
        entry, place = self.writes[other]
        write = entry.writes[place]
        versions = [self._value(old) for old in write.replaces if old in self.writes]
        if write.value is None and None not in versions:
            return "struck"
        return "kept" if agree(self._value(name), write.value) else "replaced"


COMMANDS = {"history": command(history)}
