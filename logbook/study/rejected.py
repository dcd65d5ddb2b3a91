"""Numbers that their laboratory rejected: in no curve, unless a person counts them all the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.store import asking, views
from logbook.study.queries import FLAG, number_of, result_of, results_of, understood
from logbook.trial import qualifiers
from logbook.trial.records import ACCEPTED, Result

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial.times import When


@dataclass(frozen=True)
class Lifted:
    """A result that counts although its laboratory rejected it: who says so, when and why."""

    by: str
    when: When
    reason: str

    @property
    def spoken(self) -> str:
        """In words, with the name: for the book's own screens, not for exports."""
        return f"counted all the same, by {self.by} on {self.when.spoken}: {self.reason}"

    def document(self) -> dict[str, str]:
        """For JSON."""
        return {"by": self.by, "when": self.when.text, "reason": self.reason}


def lifted(store: sqlite3.Connection) -> dict[str, Lifted]:
    """The results, by id, that a person counts although their laboratory rejected them.

    It holds for the number that was looked at: one that changed since is not among them.
    """
    found = views.fetch(
        store,
        "answer",
        "what = ? AND conflict = 0 AND id IN (SELECT id FROM query WHERE kind = ?)",
        (ACCEPTED, FLAG),
    )
    if not found:
        return {}
    about = {one.id: result_of(one.id) for one in found if understood(one.id)}
    results = results_of(store, {name for name, _, _ in about.values()})
    who = asking.about_entries(store, {one.entry for one in found})
    return {
        name: Lifted(who[one.entry][0], one.record.when, one.record.text)
        for one in found
        if one.id in about
        for name, number, _ in (about[one.id],)
        if name in results and number_of(results[name]) == number
    }


def rejected(result: Result) -> bool:
    """Whether the laboratory gave a number and says that it cannot be used."""
    has_number = result.value is not None or result.limit is not None
    return has_number and qualifiers.effect(result.flags) == qualifiers.LEFT_OUT


def flagged_out(store: sqlite3.Connection) -> set[str]:
    """Ids of the numbers that their laboratory rejected and nobody counts."""
    out = {one.id for one in all_rejected(store)}
    return out.difference(lifted(store)) if out else out


def all_rejected(store: sqlite3.Connection) -> list[views.Found]:
    """The results of the book that `rejected` is true of."""
    grave = [name for name, word in qualifiers.WORDS.items() if word.effect == qualifiers.LEFT_OUT]
    # Few results have flags: an index lists those.
    flagged = f"flags <> '' AND ({' OR '.join('instr(flags, ?)' for _ in grave)})"
    return [one for one in views.fetch(store, "result", flagged, grave) if rejected(one.record)]


def asked_of_flag(result: Result) -> str:
    """What is asked of a result that its laboratory rejected."""
    what = f"{number_of(result)}{'' if result.unit == 'pH' else f' {result.unit}'}"
    return f"{qualifiers.spoken(result.flags)}, and gave {what}: does it count all the same?"


def although(flags: str, reason: str) -> str:
    """That a result counts against its laboratory's word, without who says so."""
    grave = [word for word in qualifiers.words(flags) if not qualifiers.counts(word)]
    did = "rejected it" if grave == ["rejected"] else f"says: {qualifiers.spoken(' '.join(grave))}"
    return f"counted although the laboratory {did}: {reason}"
