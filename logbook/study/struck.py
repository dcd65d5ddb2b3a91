"""Results in no curve, listed where they would have been: struck, or left out by their flags."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from json import dumps
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.journal.kinds import from_value
from logbook.store import views
from logbook.study import counting, rejected
from logbook.study.samples import MINERAL_N, PARTS, Reading
from logbook.trial import qualifiers

if TYPE_CHECKING:
    import sqlite3

    from logbook.journal.entry import Entry
    from logbook.trial.records import Result

_STRUCK = (
    "SELECT w.key FROM write w WHERE w.key >= ? AND w.key < ? AND w.struck AND w.live "
    "AND NOT EXISTS (SELECT 1 FROM write o WHERE o.key = w.key AND o.live AND NOT o.struck) "
    "ORDER BY w.key"
)


@dataclass(frozen=True)
class Struck:
    """One result that was struck, or that lost its pull: by whom and why.

    `by` is empty where nobody struck it: the laboratory itself says why it cannot be used. `pull`:
    the code of the pull that the sample is, or is a part of. `stands`: another result of the
    nutrient is there for the sample, another run of it or the value typed anew.
    """

    pull: str
    sample: str
    bed: str
    analyte: str
    method: str
    by: str
    reason: str
    stands: bool = False


def struck(store: sqlite3.Connection, trial: str) -> list[Struck]:
    """Every result of a trial that is in no curve, in order of sample.

    It was struck, its pull was, or its laboratory flagged it so that it cannot be used. What was
    only taken back, as by the undo of an import, was never to be there: it is not among them.
    """
    labels = {bed.id: bed.label for bed in views.bed_refs(store, trial)}
    gone = {
        journal.ident(key): (value, entry.by, _why(entry))
        for key, value, entry in _last_values(store, "pull")
        if value.get("bed") in labels
    }
    beds = {code: labels[value["bed"]] for code, (value, _, _) in gone.items()}
    rows = store.execute(
        "SELECT p.id, p.bed FROM pull p JOIN bed b ON b.id = p.bed WHERE b.trial = ?", (trial,)
    )
    beds |= {code: labels[bed] for code, bed in rows if bed in labels}
    parts = dict(store.execute("SELECT id, pull FROM part").fetchall())
    last = [one for one in _last_values(store, "result") if one[2].kind != "undo"]
    there, alike = _standing(store, {value["sample"] for _, value, _ in last})
    found = []
    for _, value, entry in last:
        code, analyte, method = value["sample"], value["analyte"], value["method"]
        pull = parts.get(code, code)
        # What stands with the very same number says it all: as under another report's number.
        if pull in beds and _number(value) not in alike:
            bed, stands = beds[pull], (code, analyte) in there
            found.append(Struck(pull, code, bed, analyte, method, entry.by, _why(entry), stands))
    for code, (_, by, reason) in gone.items():
        of_pull = "sample = ? OR sample IN (SELECT id FROM part WHERE pull = ?)"
        found += [
            Struck(
                code,
                one.record.sample,
                beds[code],
                one.record.analyte,
                one.record.method,
                by,
                reason,
            )
            for one in views.fetch(store, "result", of_pull, (code, code))
        ]
    found += _flagged(store, beds, parts)
    return sorted(found, key=lambda one: (one.sample, one.analyte, one.method))


# What makes two results the same measurement, and the number that it gave.
_SAME = ("sample", "analyte", "method", "basis", "lab", "qualifier")


def _standing(
    store: sqlite3.Connection, samples: Collection[str]
) -> tuple[set[tuple[str, str]], set[tuple[object, ...]]]:
    """Of which samples and nutrients results stand, and what numbers they give."""
    named = dumps(list(samples))
    of_samples = "sample IN (SELECT value FROM json_each(?))"
    rows = store.execute(
        f'SELECT {", ".join(_SAME)}, value, "limit" FROM result WHERE {of_samples}', (named,)
    ).fetchall()
    names = (*_SAME, "value", "limit")
    return {row[:2] for row in rows}, {_number(dict(zip(names, row, strict=True))) for row in rows}


def _number(value: Mapping[str, str | None]) -> tuple[object, ...]:
    """A result's analysis and the number that it gave."""
    numbers = (value.get(name) for name in ("value", "limit"))
    return (
        *(value.get(name) or "" for name in _SAME),
        *(None if one is None else Decimal(one) for one in numbers),
    )


def _flagged(
    store: sqlite3.Connection, beds: Mapping[str, str], parts: Mapping[str, str]
) -> Iterator[Struck]:
    """Results that their laboratory says cannot be used; `beds` by pull, `parts` to pulls."""
    flagged = views.fetch(store, "result", "flags <> ''")
    counted = rejected.lifted(store) if flagged else {}
    for one in flagged:
        record = one.record
        if one.id in counted:
            continue
        pull = parts.get(record.sample, record.sample)
        bed = beds.get(pull)
        has_number = record.value is not None or record.limit is not None
        if bed is not None and not qualifiers.counts(record.flags, has_number):
            reason = qualifiers.spoken(record.flags)
            if qualifiers.effect(record.flags, has_number) == qualifiers.WAITS:
                reason += "; its limit is not known yet"
            yield Struck(pull, record.sample, bed, record.analyte, record.method, "", reason)


def struck_results(store: sqlite3.Connection) -> list[Result]:
    """Every result that a person struck, as it was last."""
    return [from_value("result", value) for _, value, _ in _last_values(store, "result")]


def _last_values(
    store: sqlite3.Connection, space: str
) -> Iterator[tuple[str, dict[str, str], Entry]]:
    """Struck keys of a space: key, the value that was struck, and the entry that struck it."""
    keys = store.execute(_STRUCK, journal.below(space)).fetchall()
    for (key,) in keys:
        written = views.writes_of_key(store, key)
        values = {
            name: entry.writes[place].value
            for name, entry, place, _ in written
            if entry.writes[place].value is not None
        }
        strikes = [
            (entry, entry.writes[place].replaces)
            for _, entry, place, live in written
            if live and entry.writes[place].value is None
        ]
        # Of several the last; that a person struck it says more than that an act was taken back.
        strikes.sort(key=lambda one: one[0].kind != "undo")
        entry, replaced = strikes[-1]
        if entry.kind == "lab":
            continue  # a re-issued report took its place: nothing is left out
        last = next((values[name] for name in replaced if name in values), None)
        if last is None and values:
            last = values[max(values)]
        if last is not None:
            yield key, last, entry


def _why(entry: Entry) -> str:
    return entry.reason or "undone"


def sentences(
    found: Iterable[Struck], analyte: str, labels: Iterable[str], elsewhere: Collection[str]
) -> list[str]:
    """What of one nutrient was struck on these beds, a sentence for each reason.

    elsewhere: codes of pulls that have no part in what is compared.

    Who struck it stands in the history: sentences go into exports, which leave people out.
    """
    wanted = PARTS if analyte == MINERAL_N else (analyte,)
    beds = frozenset(labels)
    about: dict[str, list[tuple[str, str]]] = {}
    for one in found:
        if one.analyte in wanted and one.bed in beds and one.pull not in elsewhere:
            what = f"{one.sample} of {one.bed}"
            what += f" ({one.analyte})" if analyte == MINERAL_N else ""
            left = ", while another result of the sample stands" if one.stands else " and left out"
            why = f"struck{left}: {{}} ({one.reason})"
            if not one.by:
                why = f"left out, as the laboratory flagged it: {{}} ({one.reason})"
            about.setdefault(why, []).append((one.sample, what))
    return [why.replace("{}", counting.named(some), 1) for why, some in about.items()]


def noted(found: Iterable[Reading]) -> Iterator[str]:
    """What the laboratory said of results that are used, a sentence for each of its words."""
    said: dict[str, dict[str, None]] = {}
    for one in found:
        for word in qualifiers.words(one.flags):
            if qualifiers.effect(word) == qualifiers.NOTED:
                said.setdefault(word, {})[one.sample] = None
    for word, codes in said.items():
        several = counting.named([(code, code) for code in codes])
        yield f"flagged by the laboratory and used: {several} ({qualifiers.spoken(word)})"
