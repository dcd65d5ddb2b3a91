"""The tables of what was corrected, struck and taken back, and of what people wrote in words.

Who wrote a line, and people's own words, stay out unless asked; the reason of a correction is part
of the record and is always told.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

from logbook.journal.kinds import field_names
from logbook.report.lines import describe
from logbook.report.season import Season
from logbook.report.sheets import Cell, Sheet, columns
from logbook.study.changed import Change
from logbook.trial.times import When
from logbook.trial.units import plain

_CORRECTIONS = """
written | | when the change was written down, by the clock of the machine that wrote it
first_written | | when the line that it changed was written down
how | | corrected, struck, taken back (undone), settled, changed by the laboratory
what | | what kind of line: pull, water, result, ...
bed | | the bed's label
sample | | the sample's code
nutrient | | for results and analyses
field | | which part of the line changed; (whole line) where all of it was struck or came back
old | | what it said
new | | what it says since; empty: struck
reason | | why, as given
act | | code of the act that changed it
"""
_BY = "by | | handle of who wrote the change"


def corrections_sheet(season: Season, *, authors: bool, notes: bool) -> Sheet:
    """Every change of a line, field by field; with authors and with notes only if asked."""
    rows: list[tuple[Cell, ...]] = []
    for one in sorted(season.changes, key=lambda one: _place(season, one)):
        if one.note and not notes:
            continue
        change = one if notes else one.without_words()
        for field, old, new in _fields(season, change):
            rows.append(_correction_row(season, change, field, old, new, authors))
    about = "One row for each part of a line that was corrected, struck or taken back."
    text = _CORRECTIONS + (_BY if authors else "")
    return Sheet("corrections.csv", about, columns(text), tuple(rows))


def _correction_row(
    season: Season, one: Change, field: str, old: str, new: str, authors: bool
) -> tuple[Cell, ...]:
    bed = season.bed(one.bed) or season.bed(_bed_of(season, one.sample))
    label = bed.label if bed else ""
    row = (one.written, one.first, one.how, one.space, label, one.sample, one.analyte)
    cells: tuple[Cell, ...] = (*row, field, old, new, one.reason, one.act)
    return (*cells, one.by) if authors else cells


def _place(season: Season, one: Change) -> tuple[str, str, int, str, str]:
    """In order of time, within an act in bench order."""
    bed = season.bed(one.bed) or season.bed(_bed_of(season, one.sample))
    return (one.written, one.act, bed.place if bed else -1, one.key, one.first)


def _bed_of(season: Season, sample: str) -> str:
    code = season.pull_of(sample)
    return season.pulls[code].record.bed if code in season.pulls else ""


def _fields(season: Season, change: Change) -> Iterator[tuple[str, str, str]]:
    """What a change altered, field by field: (field, old, new)."""
    if change.after is None or not change.before:
        old = " | ".join(dict.fromkeys(_whole(one) for one in change.before))
        yield "(whole line)", old, "" if change.after is None else _whole(change.after)
        return
    for name in _names(change.after):
        new = _plain(season, name, getattr(change.after, name))
        olds = [_plain(season, name, getattr(one, name)) for one in change.before]
        if set(olds) != {new}:
            yield name, " | ".join(dict.fromkeys(olds)), new


def _names(record: Any) -> tuple[str, ...]:
    kind: Any = type(record)
    return field_names(kind)


def _whole(record: Any) -> str:
    when = getattr(record, "when", None)
    return describe(record) + (f", {when.text}" if when else "")


def _plain(season: Season, name: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, When):
        return value.text
    if name == "bed" and (bed := season.bed(value)):
        return bed.label
    if isinstance(value, tuple):
        return ", ".join(_plain(season, "bed" if name == "also" else "", one) for one in value)
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str) else _number(value)


def _number(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if isinstance(value, int) else plain(value)


_NOTES = """
date | | the field day
time | | the time as written down
bed | | the bed's label; empty: about the whole trial
kind | | note, or the event
text | | the words
"""


def notes_sheet(season: Season) -> Sheet:
    """What people wrote in their own words: notes, and the words of events."""
    told: list[tuple[When, str, str, str]] = [
        (found.record.when, found.record.about, "note", found.record.text) for found in season.notes
    ]
    told += [(one.when, one.bed, one.what, one.text) for one in season.events]
    found = []
    for when, about, kind, text in told:
        bed = season.bed(about)
        found.append((when.day, when.text, bed.label if bed else "", kind, text))
    about_rows = "One row for each note and event, in the words of who wrote it."
    return Sheet("notes.csv", about_rows, columns(_NOTES), tuple(sorted(found)))
