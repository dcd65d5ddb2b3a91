"""Every line of a trial that was corrected, struck or taken back: what it said before and after."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Value
from logbook.journal.kinds import SPACES, from_value, understood
from logbook.store import views

if TYPE_CHECKING:
    import sqlite3

_WORDS = {
    "correct": "corrected",
    "strike": "struck",
    "undo": "taken back",
    "settle": "settled",
    "lab": "changed by the laboratory",
}
_BELONGS = (
    ("bed", "bed"),
    ("sample", "pull"),
    ("sample", "part"),
    ("pull", "pull"),
    ("part", "part"),
    ("lot", "lot"),
    ("about", "bed"),
)
_Writes = list[tuple[str, Entry, int, bool]]


@dataclass(frozen=True)
class Change:
    """One line that took the place of others.

    `before` are the records replaced, `after` the new one (None: struck); `written` and `first` are
    when the change, and the oldest line it replaced, were written down; `space` and `bed` (a bed's
    id), `sample`, `analyte` say what it is about, "" where that does not apply.
    """

    key: str
    space: str
    how: str
    written: str
    first: str
    act: str
    by: str
    reason: str
    bed: str
    sample: str
    analyte: str
    before: tuple[Any, ...]
    after: Any

    @property
    def note(self) -> bool:
        """Whether it is about a note."""
        return self.space == "note"

    def without_words(self) -> Change:
        """The same without what people wrote in an event's words."""
        if self.space != "event":
            return self
        return replace(
            self,
            before=tuple(replace(record, text="") for record in self.before),
            after=self.after and replace(self.after, text=""),
        )


def changes_of(store: sqlite3.Connection, trial: str) -> list[Change]:
    """The changes of a trial in the order in which they were written."""
    rows = store.execute(
        "SELECT key FROM write GROUP BY key HAVING count(*) > 1 OR max(struck) = 1 ORDER BY key"
    ).fetchall()
    trials: dict[str, str] = {}
    found: list[Change] = []
    for (key,) in rows:
        space = journal.space(key)
        if space in SPACES and space != "writer" and _trial_of(store, key, trials) == trial:
            found += _changes(store, key)
    return sorted(found, key=lambda one: (one.written, one.act, one.key, one.first))


def _changes(store: sqlite3.Connection, key: str) -> Iterator[Change]:
    writes = views.writes_of_key(store, key)
    lines = {name: (entry, _value(entry, place)) for name, entry, place, _ in writes}
    for _, entry, place, _ in writes:
        write = entry.writes[place]
        olds = [lines[old] for old in sorted(write.replaces) if old in lines]
        former = [old for old in olds if old[1] is not None]
        same = len(olds) == 1 and olds[0][1] == write.value
        if not olds or same or not understood(entry):
            continue
        yield _change(key, entry, write.value, former or olds)


def _value(entry: Entry, place: int) -> Value | None:
    return entry.writes[place].value if understood(entry) else None


def _change(
    key: str, entry: Entry, value: Value | None, olds: list[tuple[Entry, Value | None]]
) -> Change:
    space = journal.space(key)
    said = value or next((old for _, old in olds if old is not None), {})
    sample = said.get("sample") or said.get("part")
    if space in ("pull", "part"):
        sample = said.get("code")
    return Change(
        key=key,
        space=space,
        how=_WORDS.get(entry.kind, entry.kind),
        written=entry.written,
        first=min(old.written for old, _ in olds),
        act=entry.act or "",
        by=entry.by,
        reason=entry.reason or "",
        bed=str(said.get("bed") or said.get("about") or ""),
        sample=str(sample or ""),
        analyte=str(said.get("analyte") or ""),
        before=tuple(from_value(space, old) for _, old in olds if old is not None),
        after=None if value is None else from_value(space, value),
    )


def _trial_of(store: sqlite3.Connection, key: str, seen: dict[str, str]) -> str:
    """The id of the trial that a key belongs to, "" for none; `seen` keeps the answers."""
    if key not in seen:
        seen[key] = ""  # ends any circle that wrong data could hold
        seen[key] = _owner(store, key, seen)
    return seen[key]


def _owner(store: sqlite3.Connection, key: str, seen: dict[str, str]) -> str:
    if journal.space(key) == "trial":
        return journal.ident(key)
    values = [_value(entry, place) for _, entry, place, _ in views.writes_of_key(store, key)]
    for value in filter(None, values):
        if value.get("trial"):
            return str(value["trial"])
        for name, space in _BELONGS:
            if value.get(name):
                owner = _trial_of(store, f"{space}/{value[name]}", seen)
                if owner or name == "about":
                    return owner or str(value[name])
    return ""
