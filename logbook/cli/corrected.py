"""What is said once lines are corrected: what they said and say now, and what is worth a remark."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logbook.cli import given as entered
from logbook.cli import unusual
from logbook.cli.acts import applied_far_from_plan, planned_amounts
from logbook.cli.changes import Changes
from logbook.cli.remarks import out_of_order
from logbook.cli.session import Chosen
from logbook.journal.kinds import from_value, to_value
from logbook.report.lines import describe, rounded
from logbook.store import views
from logbook.study import amounts
from logbook.trial import records
from logbook.trial.ranges import BedRef
from logbook.trial.times import read_stored

if TYPE_CHECKING:
    import sqlite3

# The acts whose order or amount may be unusual.
_SPACES: dict[type[Any], str] = {
    records.Filling: "fill",
    records.Application: "apply",
    records.Watering: "water",
    records.Pull: "pull",
}


def from_to(store: sqlite3.Connection, corrected: Iterable[tuple[str, Any, Changes]]) -> str:
    """What lines (space, record, changes) said before, and what they say now.

    `when from Mon 2 Mar 2026 09:00 to Mon 2 Mar 2026 10:00; from 'watered 2 L' to 'watered 3 L'`;
    of several lines each wording once.
    """
    told: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for space, old, changes in corrected:
        new = from_value(space, {**to_value(old), **changes})
        pairs = {
            "when": (_time(old), _time(new)),
            "bed": (_beds(store, old), _beds(store, new)),
            "": (f"{describe(rounded(old))!r}", f"{describe(rounded(new))!r}"),
        }
        for name, (before, after) in pairs.items():
            if before != after:
                olds, news = told.setdefault(name, ({}, {}))
                olds[before], news[after] = None, None
    return "; ".join(
        f"{name} from {' or '.join(olds)} to {' or '.join(news)}".strip()
        for name, (olds, news) in told.items()
    )


def _time(record: Any) -> str:
    when = getattr(record, "when", None)
    return "" if when is None else str(when.spoken)


def _beds(store: sqlite3.Connection, record: Any) -> str:
    beds = [getattr(record, "bed", ""), *getattr(record, "also", ())]
    marks = ", ".join("?" * len(beds))
    found = {
        one.id: one.record.label for one in views.fetch(store, "bed", f"id IN ({marks})", beds)
    }
    return "+".join(found[bed] for bed in beds if bed in found)


def remarks(store: sqlite3.Connection, corrected: Iterable[tuple[Any, Changes]]) -> list[str]:
    """What is worth a remark once lines (record, changes) are corrected, lines alike together.

    An unusual order, another depth than planned, an amount off the plan.
    """
    groups: dict[tuple[str, date, str], list[tuple[Any, Changes]]] = {}
    read: list[tuple[str, str, Changes]] = []
    for record, changes in corrected:
        if isinstance(record, records.Measurement):
            read.append((record.what, record.about, changes))
        space = _SPACES.get(type(record))
        if space is not None:
            day = read_stored(changes["when"]).day if "when" in changes else record.when.day
            trial = views.fetch(store, "bed", "id = ?", (record.bed,))[0].record.trial
            groups.setdefault((space, day, trial), []).append((record, changes))
    return [
        *(
            remark
            for (space, day, trial), lines in groups.items()
            for remark in _of_lines(store, trial, space, day, lines)
        ),
        *unusual.corrected_readings(store, read),
    ]


def _trial(store: sqlite3.Connection, ident: str) -> Chosen:
    record = views.fetch(store, "trial", "id = ?", (ident,))[0].record
    return Chosen(ident, record, tuple(views.bed_refs(store, ident)))


def _of_lines(
    store: sqlite3.Connection,
    ident: str,
    space: str,
    day: date,
    lines: Sequence[tuple[Any, Changes]],
) -> list[str]:
    """Remarks on corrected lines of one kind, day and trial."""
    trial = _trial(store, ident)
    refs = {bed.id: bed for bed in trial.beds}
    told: dict[str, None] = {}
    moved: list[BedRef] = []
    for record, changes in lines:
        idents = [changes.get("bed", record.bed), *changes.get("also", getattr(record, "also", ()))]
        if changes.keys() & {"when", "bed"}:
            moved += [refs[ident] for ident in idents if ident in refs]
        if "depth_cm" in changes:
            deep = Decimal(changes["depth_cm"])
            told |= dict.fromkeys(entered.other_depth(deep, trial.trial.depth_cm))
    amounted = [
        (refs[bed], changes)
        for record, changes in lines
        if (bed := changes.get("bed", record.bed)) in refs
    ]
    return [
        *out_of_order(store, trial.id, space, moved, day),
        *told,
        *_far(store, trial, space, amounted),
    ]


def _soil(
    store: sqlite3.Connection, lines: Sequence[tuple[BedRef, Changes]]
) -> Iterator[tuple[BedRef, Decimal | None, Decimal | None]]:
    """The soil of beds whose mass is typed anew, with the moisture as it stands or is said."""
    for bed, changes in lines:
        if changes.get("mass_kg") is not None:
            was = views.fetch(store, "fill", "bed = ?", (bed.id,))
            moisture = was[0].record.moisture if was else None
            if changes.get("moisture") is not None:
                moisture = Decimal(changes["moisture"])
            yield bed, Decimal(changes["mass_kg"]), moisture


def _far(
    store: sqlite3.Connection,
    trial: Chosen,
    space: str,
    lines: Sequence[tuple[BedRef, Changes]],
) -> list[str]:
    """Remarks on amounts that are far off the plan."""

    def number(changes: Changes, name: str) -> Decimal | None:
        return Decimal(changes[name]) if changes.get(name) is not None else None

    if space == "water":
        given = [(bed, number(changes, "volume_ml")) for bed, changes in lines]
        plan = amounts.watering_volumes(store, trial.id, [bed for bed, _ in lines])
        of_beds = [(bed.label, volume, plan.get(bed.id)) for bed, volume in given]
        return entered.far_from_plan("of water", of_beds, "mL")
    if space == "fill":
        return unusual.fillings(store, trial.id, _soil(store, lines))
    if space != "apply":
        return []
    return applied_far_from_plan(
        [(bed, number(line, "mass_g"), number(line, "volume_l")) for bed, line in lines],
        planned_amounts(store, trial),
    )
