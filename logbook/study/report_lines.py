"""What was written of a report here, whatever stands of it: its keys, its files, its lines."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from typing import TYPE_CHECKING

from logbook.journal.entry import Entry, Value, below, decode, key, parts
from logbook.journal.kinds import from_value, readable
from logbook.store import views
from logbook.trial.records import Report, Result

if TYPE_CHECKING:
    import sqlite3

OF_NUMBER = "report = ? COLLATE NOCASE"
"""The SQL condition of a result that it is in the report of a number, whatever its capitals."""

Written = list[tuple[str, Entry, int, bool]]
"""Lines of a key: the id of the entry, the entry, the place in it, and whether the line is live."""


def result_key(result: Result) -> str:
    """The key of a result: it follows from its content, so two machines make the same one."""
    of_report = _joined("result", result.lab, result.report)
    of_kind = _joined(result.analyte, result.method, result.basis)
    return f"{of_report}/{key(result.sample)}/{of_kind}/{result.run}/{result.n}"


_joined = lru_cache(maxsize=1024)(key)  # a report has few of each


def report_key(lab: str, number: str) -> str:
    """The key of a report."""
    return key("report", lab, number)


def known_as(store: sqlite3.Connection, sha256: str) -> tuple[str | None, str | None]:
    """Laboratory and number under which this very file was imported; None where it was several.

    A file that a later one of its report replaced is known, too.
    """
    found = [
        one.record
        for one in views.fetch(store, "report")
        if sha256 and (one.record.sha256 == sha256 or was_before(store, one.id, sha256))
    ]
    labs, numbers = {one.lab for one in found}, {one.number for one in found}
    return (
        labs.pop() if len(labs) == 1 else None,
        numbers.pop() if len(numbers) == 1 else None,
    )


def was_before(store: sqlite3.Connection, ident: str, sha256: str) -> bool:
    """Whether a file was that of a report until a later one replaced it."""
    key = f"report/{ident}"
    # Most reports came once: their entries, as large as they are, need not be read.
    (count,) = store.execute("SELECT count(*) FROM write WHERE key = ?", (key,)).fetchone()
    return count > 1 and state(views.writes_of_key(store, key), sha256) == "older"


def state(written: Written, sha256: str) -> str:
    """ "new", "struck", "current" or "older": how a file stands to its report here."""
    values = [(name, entry.writes[place].value, live) for name, entry, place, live in written]
    living = [value for _, value, live in values if live]
    if any(value and value["sha256"] == sha256 for value in living):
        return "current"
    if living and not any(living):
        return "struck"
    mine = {name for name, value, _ in values if value and value["sha256"] == sha256}
    replaced = {
        old
        for _, entry, place, _ in written
        if entry.kind == "lab"
        for old in entry.writes[place].replaces
    }
    return "older" if mine & replaced else "new"


def standing(store: sqlite3.Connection, report: Report) -> dict[str, Result]:
    """The results of a report that stand, by key."""
    given = (report.lab, report.number)
    found = views.fetch(store, "result", "lab = ? AND report = ?", given)
    return {f"result/{one.id}": one.record for one in found}


def standing_keys(store: sqlite3.Connection, report: Report) -> set[str]:
    """The keys of the results of a report that stand."""
    asked = "SELECT id FROM result WHERE lab = ? AND report = ?"
    rows = store.execute(asked, (report.lab, report.number)).fetchall()
    return {f"result/{ident}" for (ident,) in rows}


def ever_written(store: sqlite3.Connection, lab: str, number: str) -> bool:
    """Whether a report or a result of this number was ever here: what is typed has no report."""
    keys = (report_key(lab, number), *below(key("result", lab, number)))
    asked = "SELECT 1 FROM write WHERE key = ? OR (key >= ? AND key < ?) LIMIT 1"
    return store.execute(asked, keys).fetchone() is not None


def stands(store: sqlite3.Connection, number: str) -> bool:
    """Whether a result of a report of this number stands, whatever the capitals of the number."""
    asked = f"SELECT 1 FROM result WHERE {OF_NUMBER} LIMIT 1"
    return store.execute(asked, (number,)).fetchone() is not None


def gone(store: sqlite3.Connection, number: str) -> list[str]:
    """What became of each report of this number, where nothing of it stands; none if any does."""
    if stands(store, number):
        return []
    low, high = below("report")
    rows = store.execute("SELECT DISTINCT key FROM write WHERE key >= ? AND key < ?", (low, high))
    reports = [parts(name)[1:] for (name,) in rows]
    return [
        f"report {own} of {lab} {_fate(store, lab, own)}"
        for lab, own in reports
        if own.casefold() == number.casefold()
    ]


def _fate(
    store: sqlite3.Connection, lab: str, number: str, seen: frozenset[str] = frozenset()
) -> str:
    """By which reports one was replaced, and those in turn, up to one that stands.

    By the entries that struck its results as they took over: such an entry is a report's own, what
    a person struck or took back is of another kind.
    """
    asked = "SELECT DISTINCT entry FROM write WHERE key >= ? AND key < ? AND live"
    acts = store.execute(asked, below(key("result", lab, number))).fetchall()
    by: set[str] = set()
    for (name,) in acts:
        ((body,),) = store.execute("SELECT body FROM entry WHERE id = ?", (name,))
        entry = decode(body)
        if entry.kind == "lab":
            of = (parts(one.key) for one in entry.writes if one.value is not None)
            by |= {one[2] for one in of if one[0] in ("report", "result")}
    by.discard(number)
    if not by:
        return "stands no longer: it was struck or undone"
    seen |= {number}
    told = [f"was replaced by {' and '.join(sorted(by))}"]
    told += [
        f"{one} {_fate(store, lab, one, seen)}"
        for one in sorted(by - seen)
        if not stands(store, one)
    ]
    return ", and ".join(told)


def written(store: sqlite3.Connection, report: Report) -> Written:
    """Every line of a report itself, without its results."""
    return views.writes_of_key(store, report_key(report.lab, report.number))


def living(store: sqlite3.Connection, report: Report) -> dict[str, tuple[str, ...]]:
    """The live lines of every key of a report's results, struck ones included."""
    found: dict[str, tuple[str, ...]] = {}
    for name, entry, _, live in _lines(store, report):
        if live:
            found[name] = (*found.get(name, ()), entry)
    return found


def histories(
    store: sqlite3.Connection, report: Report, wanted: Collection[str]
) -> dict[str, Written]:
    """Every line of the keys wanted. An entry of many results is decoded once, not for each."""
    entries: dict[str, Entry] = {}
    found: dict[str, Written] = {name: [] for name in wanted}
    for name, entry, place, live in _lines(store, report) if wanted else ():
        if name in found:
            if entry not in entries:
                rows = store.execute("SELECT body FROM entry WHERE id = ?", (entry,)).fetchall()
                entries[entry] = decode(rows[0][0])
            found[name].append((entry, entries[entry], place, bool(live)))
    return found


def _lines(store: sqlite3.Connection, report: Report) -> list[tuple[str, str, int, int]]:
    """Key, entry, place and liveness of every line under a report's results, in order of key."""
    return store.execute(
        "SELECT key, entry, pos, live FROM write WHERE key >= ? AND key < ? ORDER BY key, entry",
        below(key("result", report.lab, report.number)),
    ).fetchall()


def said_by_laboratory(written: Written) -> list[Value]:
    """What the laboratory last said under a key: not what a person made of it, nor taken back."""
    writes = {name: (entry.kind, entry.writes[place]) for name, entry, place, _ in written}
    undone = {old for kind, write in writes.values() if kind == "undo" for old in write.replaces}
    said = {name for name, (kind, _) in writes.items() if kind == "lab"} - undone
    earlier: set[str] = set()
    for name in said:
        before = list(writes[name][1].replaces)
        while before:
            one = before.pop()
            if one in writes and one not in earlier:
                earlier.add(one)
                before += writes[one][1].replaces
    return [value for name in said - earlier if (value := writes[name][1].value) is not None]


def shown(said: list[Value]) -> Result | None:
    """What a laboratory said, as a record; None where only a newer program can read it."""
    shown = [from_value("result", value) for value in said if readable("result", value)]
    return shown[0] if shown else None
