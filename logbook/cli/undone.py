"""What an act was, in words: for the echo of the command that takes it back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logbook.cli.given import few
from logbook.journal import entry as journal
from logbook.store import asking, views

if TYPE_CHECKING:
    import sqlite3

_WORDS = {
    "trial": "the start of trial",
    "set": "the setting",
    "fill": "the filling",
    "apply": "the application",
    "water": "the watering",
    "pull": "the pull",
    "weigh": "the weighing",
    "measure": "the reading",
    "skip": "the skipping",
    "send": "the shipment",
    "handle": "the marking of bags",
    "query": "the query",
    "note": "the note",
    "event": "the event",
    "correct": "the correction",
    "strike": "the striking",
}


def undone_words(store: sqlite3.Connection, code: str, kind: str, keys: Sequence[str]) -> str:
    """`the watering K7M3QX4R of B1-B3`, `the import of report 26-1 (160 results)`."""
    values = [
        (write.key, write.value)
        for _, entry in views.entries_of_act(store, code)
        for write in entry.writes
    ]
    if kind == "lab":
        return _laboratory(store, values)
    if answered := [key for key, _ in values if journal.space(key) == "answer"]:
        # An answer's key names what it is about, as its query's does.
        about = dict.fromkeys(":".join(journal.parts(key)[1:3]) for key in answered)
        return f"the answer {code} on {few(list(about))}"
    if kind == "strike":
        # What a striking leaves as it is (the other one of two pulls) was not struck.
        keys = [key for key, value in values if value is None]
    if kind in ("correct", "strike"):
        named = list(dict.fromkeys(asking.reference(store, key) for key in keys))
        more = f" and {_many(len(named) - 3, 'more line')}" if len(named) > 3 else ""
        return f"{_WORDS[kind]} {code} of {', '.join(named[:3])}{more}"
    if kind == "trial":
        name = next((v["name"] for key, v in values if v and journal.space(key) == "trial"), "")
        return f"the start of trial {name!r} ({_many(len(keys), 'line')})"
    labels = _labels(store, values)
    lines = f" ({_many(len(keys), 'line')})" if len(keys) > 1 else ""
    on = f" of {few(labels)}" if labels else lines
    return f"{_WORDS.get(kind, kind)} {code}{on}"


def _laboratory(store: sqlite3.Connection, values: list[tuple[str, journal.Value | None]]) -> str:
    """An import with its report, or single results with their names."""
    written = [(key, v) for key, v in values if journal.space(key) == "result"]
    results = [key for key, v in written if v is not None]
    replaced = len(written) - len(results)
    numbers = [v["number"] for key, v in values if v and journal.space(key) == "report"]
    if numbers:
        again = f"; {_many(replaced, 'result')} that it replaced, back again" if replaced else ""
        many = _many(len(results), "result")
        return f"the import of report {', '.join(numbers)} ({many}{again})"
    if replaced and not results:
        return f"the replacing of {_many(replaced, 'result')} by another report"
    if len(results) == 1:
        return f"the result {asking.reference(store, results[0])}"
    return _many(len(results), "result")


def _labels(store: sqlite3.Connection, values: list[tuple[str, journal.Value | None]]) -> list[str]:
    """The labels of the beds that the lines are about."""
    named = {
        bed
        for _, value in values
        if value
        for bed in (value.get("bed"), value.get("about"), *(value.get("also") or ()))
        if bed
    }
    marks = ", ".join("?" * len(named))
    found = views.fetch(store, "bed", f"id IN ({marks})", sorted(named))
    return [one.record.label for one in sorted(found, key=lambda one: one.record.place)]


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'s' * (count != 1)}"
