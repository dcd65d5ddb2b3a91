"""Samples that no curve may use yet, since machines disagree on what they are samples of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from logbook.store import views

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.amounts import Facts
    from logbook.study.samples import Sample

_OF_LOT = "lot IN (SELECT id FROM lot WHERE trial = ?) AND conflict = 1"


def disputed(
    store: sqlite3.Connection, trial: str, known: Facts, pulled: Iterable[Sample]
) -> dict[str, tuple[str, ...]]:
    """What machines disagree on, in words, for each sample code that it touches.

    A pull, the filling, application or record of its bed, its treatment, and the treatment's lot
    with the lot's density and moisture.
    """
    pulls = {one.id for one in _conflicts(store, "pull", trial)}
    beds = _of_beds(store, trial, known)
    found: dict[str, tuple[str, ...]] = {}
    for sample in pulled:
        what = [f"the pull {sample.code}"] if sample.code in pulls else []
        what += [word for bed in sample.beds for word in beds.get(bed, ())]
        if what:
            found[sample.code] = tuple(dict.fromkeys(what))
    return found


def sentences(touched: Mapping[str, tuple[str, ...]], codes: Iterable[str]) -> list[str]:
    """A sentence for each dispute that touches some of these samples, naming them."""
    about: dict[str, list[str]] = {}
    for code in sorted(set(codes)):
        for what in touched.get(code, ()):
            about.setdefault(what, []).append(code)
    return [
        f"machines disagree on {what}: {', '.join(some)} left out until settled"
        for what, some in about.items()
    ]


def _conflicts(store: sqlite3.Connection, space: str, trial: str) -> list[views.Found]:
    where = views.OF_TRIAL if space in ("pull", "fill", "apply") else "trial = ?"
    return views.fetch(store, space, f"{where} AND conflict = 1", (trial,))


def _of_beds(store: sqlite3.Connection, trial: str, known: Facts) -> dict[str, list[str]]:
    """What machines disagree on for each bed id."""
    found: dict[str, list[str]] = {}
    for space, what in (("fill", "filling"), ("apply", "application")):
        for one in _conflicts(store, space, trial):
            bed = one.record.bed
            label = known.beds[bed].label if bed in known.beds else bed
            found.setdefault(bed, []).append(f"the {what} of {label}")
    for one in _conflicts(store, "bed", trial):
        found.setdefault(one.id, []).append(f"bed {one.record.label}")
    treatments = _of_treatments(store, trial, known)
    for ident, bed in known.beds.items():
        if bed.treatment in treatments:
            found.setdefault(ident, []).extend(treatments[bed.treatment])
    return found


def _of_treatments(store: sqlite3.Connection, trial: str, known: Facts) -> dict[str, list[str]]:
    """What machines disagree on for each treatment id: itself, or its lot."""
    lots: dict[str, list[str]] = {}
    for one in _conflicts(store, "lot", trial):
        lots.setdefault(one.id, []).append(f"lot {one.record.name}")
    for space, what in (("lot-density", "density"), ("lot-moisture", "moisture")):
        for one in views.fetch(store, space, _OF_LOT, (trial,)):
            name = known.lot_names.get(one.record.lot, one.record.lot)
            lots.setdefault(one.record.lot, []).append(f"the {what} of {name}")
    found = {
        one.id: [f"treatment {one.record.code}"] for one in _conflicts(store, "treatment", trial)
    }
    for ident, treatment in known.treatments.items():
        if treatment.lot in lots:
            found.setdefault(ident, []).extend(lots[treatment.lot])
    return found
