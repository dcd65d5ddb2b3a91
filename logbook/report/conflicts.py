"""What is open between machines, in words: each version of a line, each pair of pulls.

Content only; `terminal` prints it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import tzinfo
from decimal import Decimal
from typing import Any

from logbook.errors import UserMistake
from logbook.journal.entry import Value
from logbook.report.lines import counted, describe, rounded
from logbook.study.conflicts import Disagreement, Duplicate, Line, Open, Twin, Version
from logbook.trial import units
from logbook.trial.machines import Member
from logbook.trial.times import read_stored

SHORT = 8  # hex digits of an entry's id: one chance in 4 billion that two are alike


@dataclass(frozen=True)
class VersionTold:
    """One version: its number, its entry, who wrote it where and when, and what it says.

    `value` is as the journal has it, None: struck; `besides` are the parts that differ and that the
    words leave out, by name. A screen shows `short`, `written_shown` and `besides_shown`.
    """

    number: int
    entry: str
    by: str
    machine: str
    written: str
    words: str
    value: dict[str, Any] | None
    besides: dict[str, str]
    reason: str
    same_as: int | None
    written_shown: str
    besides_shown: tuple[str, ...]

    @property
    def short(self) -> str:
        """As much of the entry's id as `settle --keep` needs."""
        return self.entry[:SHORT]


@dataclass(frozen=True)
class DisagreementTold:
    """One line that machines disagree about; `differ` names the parts of it that do.

    `when` is when it was done, where the versions agree on that. A screen does not list the parts
    (`differ_shown`) where the words say it all.
    """

    reference: str
    key: str
    line: str
    trial: str
    beds: tuple[str, ...]
    when: str
    differ: tuple[str, ...]
    versions: tuple[VersionTold, ...]
    left_out_of: tuple[str, ...]
    when_shown: str
    differ_shown: tuple[str, ...]


@dataclass(frozen=True)
class PullTold:
    """One of two pulls that may be one, and how much hangs on it."""

    code: str
    by: str
    machine: str
    written: str
    when: str
    words: str
    parts: tuple[str, ...]
    results: int
    sent: int
    written_shown: str
    when_shown: str


@dataclass(frozen=True)
class DuplicateTold:
    """Two pulls that may be one."""

    trial: str
    bed: str
    first: PullTold
    second: PullTold


@dataclass(frozen=True)
class Page:
    """All that is open; `newer_lines` were written by a newer version of the program."""

    conflicts: tuple[DisagreementTold, ...]
    possible_duplicates: tuple[DuplicateTold, ...]
    newer_lines: int

    @property
    def open(self) -> bool:
        """Whether anything waits for a decision."""
        return bool(self.conflicts or self.possible_duplicates)

    def document(self) -> dict[str, Any]:
        """For JSON: stable names, times as they were written, whole ids."""
        return asdict(self, dict_factory=_for_programs)


def _for_programs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    return {name: value for name, value in pairs if not name.endswith("_shown")}


def page(found: Open) -> Page:
    """What is open, in words."""
    return Page(
        tuple(map(_disagreement, found.disagreements)),
        tuple(map(_duplicate, found.duplicates)),
        found.newer,
    )


def line_words(one: Disagreement) -> str:
    """What kind of line it is and of which beds: `water of B3`."""
    space = one.key.partition("/")[0].replace("-", " ")
    machine = _member(one)
    if machine is not None:
        return f"whether the machine {machine.machine} is let in"
    return f"{space} of {'+'.join(one.beds)}" if one.beds and space != "bed" else space


def version_words(one: Disagreement, version: Version) -> str:
    """What a version says, the parts that differ included: `watered 250 mL (metered)`."""
    words, besides = _said(one, version)
    more = "; ".join(_besides(besides))
    return f"{words}; {more}" if more else words


def _disagreement(one: Disagreement) -> DisagreementTold:
    values = [version.value for version in one.versions if version.value is not None]
    when = str(values[0].get("when") or "") if values and "when" not in one.fields else ""
    return DisagreementTold(
        reference=one.name,
        key=one.key,
        line=line_words(one),
        trial=one.trial,
        beds=one.beds,
        when=when,
        differ=one.fields,
        versions=tuple(_version(one, version) for version in one.versions),
        left_out_of=one.curves,
        when_shown=read_stored(when).spoken if when else "",
        differ_shown=() if _member(one) is not None else tuple(map(called, one.fields)),
    )


def _member(one: Disagreement) -> Member | None:
    """The machine that a line is about, if it is about one."""
    records = (version.record for version in one.versions)
    return next((record for record in records if isinstance(record, Member)), None)


def _version(one: Disagreement, version: Version) -> VersionTold:
    words, besides = _said(one, version)
    return VersionTold(
        number=version.number,
        entry=version.line.entry,
        by=version.line.by,
        machine=version.line.machine,
        written=version.line.written.isoformat(),
        words=words,
        value=version.value,
        besides=besides,
        reason=version.reason,
        same_as=version.same_as,
        written_shown=_written(version.line, one.zone),
        besides_shown=_besides(besides),
    )


# What parts of lines are called on a screen, and their unit; others by their names.
_CALLED = {
    "volume_ml": ("volume", " mL"),
    "volume_l": ("volume", " L"),
    "mass_g": ("mass", " g"),
    "mass_kg": ("mass", " kg"),
    "tare_g": ("tare", " g"),
    "wet_g": ("wet weight", " g"),
    "dry_g": ("dry weight", " g"),
    "depth_cm": ("depth", " cm"),
    "area_m2": ("area", " m2"),
    "known": ("how known", ""),
    "also": ("further beds", ""),
    "planned": ("the pull it was for", ""),
    "again": ("why again", ""),
    "mock": ("mock application", ""),
    "by_what": ("sent by", ""),
    "since": ("since when", ""),
    "was": ("the bed before it", ""),
    "n": ("place among several", ""),
    "cv": ("declared error", " %"),
    "last_seq": ("newest entry", ""),
    "last_id": ("newest entry's id", ""),
}


def called(name: str) -> str:
    """What a part of a line is called on a screen: `volume` for volume_ml."""
    return _CALLED.get(name, (name.replace("_", " "), ""))[0]


def _besides(besides: dict[str, str]) -> tuple[str, ...]:
    """The parts that differ and that the words leave out: `volume 300 mL`."""
    return tuple(
        f"{called(name)} {value}{_CALLED.get(name, ('', ''))[1] if value != '-' else ''}"
        for name, value in besides.items()
    )


def _written(line: Line, zone: tzinfo) -> str:
    """When a line was written down, by its machine's clock, in the zone of the trial."""
    return f"{line.written.astimezone(zone):%Y-%m-%d %H:%M}"


def _said(one: Disagreement, version: Version) -> tuple[str, dict[str, str]]:
    if version.value is None:
        return "struck", {}
    words = describe(rounded(version.record))
    if isinstance(version.record, Member) and not {"standing", "last_seq"}.isdisjoint(one.fields):
        return words, {}  # the words say it: at which entry, not by which id
    told = {name: _plain(version.value, name) for name in one.fields}
    if told.keys() & {"bed", "also"}:
        told = {name: told[name] for name in told if name not in ("bed", "also")}
        told["bed"] = "+".join(version.beds) or "-"
    if words == type(version.record).__name__.lower():
        return words, told  # it has no words of its own: its name says nothing of a part
    return words, {
        name: said
        for name, said in told.items()
        if not _within(said, words) and not _as_amount(name, said, words)
    }


def _plain(value: Value, name: str) -> str:
    """A part of a value as a person reads it; a field that was not said is a dash."""
    said = value.get(name)
    if said is None or said in ("", []):
        return "-"
    if name == "when":
        return read_stored(said).spoken
    if isinstance(said, bool):
        return "yes" if said else "no"
    return ", ".join(map(str, said)) if isinstance(said, list) else str(said)


def _within(said: str, words: str) -> bool:
    """Whether words hold a value as a word of its own."""
    return re.search(rf"(?<![\w.]){re.escape(said)}(?![\w]|\.\w)", words) is not None


# How the name of an amount ends: its unit and what it measures.
_UNITS = {
    "_ml": ("mL", "volume"),
    "_l": ("L", "volume"),
    "_g": ("g", "mass"),
    "_kg": ("kg", "mass"),
    "_cm": ("cm", "length"),
}


def _as_amount(name: str, said: str, words: str) -> bool:
    """Whether words hold an amount in another unit: 6000 mL in `watered 6 L`."""
    unit, dimension = _UNITS.get(name[name.rfind("_") :], ("", ""))
    if not unit or said == "-":
        return False
    for amount in re.findall(r"\d[\d.,]* ?[A-Za-z]+", words):
        with suppress(UserMistake):
            if units.parse(amount, dimension).to(unit, dimension) == Decimal(said):
                return True
    return False


def _duplicate(one: Duplicate) -> DuplicateTold:
    return DuplicateTold(
        one.trial, one.bed, _twin(one.first, one.zone), _twin(one.second, one.zone)
    )


def _twin(one: Twin, zone: tzinfo) -> PullTold:
    return PullTold(
        code=one.pull.code,
        by=one.line.by,
        machine=one.line.machine,
        written=one.line.written.isoformat(),
        when=one.pull.when.text,
        words=describe(rounded(one.pull)),
        parts=tuple(f"{part.kind} {part.code}" for part in one.parts),
        results=one.results,
        sent=one.sent,
        written_shown=_written(one.line, zone),
        when_shown=one.pull.when.spoken,
    )


def hanging(one: PullTold) -> str:
    """What hangs on a pull: `2 parts, 3 results`."""
    told = [counted(len(one.parts), "part")] if one.parts else []
    told += [counted(one.results, "result")] if one.results else []
    told += [f"{counted(one.sent, 'line')} in a shipment"] if one.sent else []
    return ", ".join(told) or "no part, no result"


def summary(found: Page) -> Sequence[str]:
    """How much is open, a sentence each."""
    told = []
    if found.conflicts:
        told.append(f"Machines disagree about {counted(len(found.conflicts), 'line')}.")
    if found.possible_duplicates:
        pairs = counted(len(found.possible_duplicates), "pair")
        told.append(f"{pairs} of pulls may be one pull written down twice.")
    return told or ["Machines agree: nothing is open."]
