"""The form that goes with a shipment: a line for each sample, in packing order.

It is blind: neither bed nor treatment stands on it, and a sample slipped in looks like any other.
Content first; the CSV file is made here, the page in `submission_page`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.report.sheets import Sheet, columns, sheet_bytes
from logbook.store import views
from logbook.study import samplelog
from logbook.trial import packing, records
from logbook.trial.units import short

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samplelog import LogLine

_COLUMNS = columns("""
    shipment || code of the shipment
    trial || name of the trial
    laboratory || where it goes
    sent || day or time on which it was handed over
    place || place in the packing order
    sample || code on the bag
    pulled || day or time on which the soil was taken, from which holding times count
    depth_cm | cm | depth of the cores
    kept || how the soil was kept
    analyses || what to measure, each with its method
    received || by the laboratory: day and time
    condition || by the laboratory: condition on receipt, temperature
    laboratory_number || by the laboratory
    remarks || by the laboratory
""")


@dataclass(frozen=True)
class FormLine:
    """One sample as the laboratory is told of it; times as people say them."""

    place: int
    code: str
    pulled: str
    pulled_stored: str
    depth_cm: str
    kept: str
    analyses: tuple[str, ...]


@dataclass(frozen=True)
class Form:
    """A shipment as the laboratory is told of it."""

    trial: str
    shipment: str
    lab: str
    sent: str
    sent_stored: str
    by_what: str
    text: str
    lines: tuple[FormLine, ...]


def form(store: sqlite3.Connection, code: str) -> Form:
    """The form of a shipment; raises UserMistake if there is none of that code."""
    found = views.fetch(store, "shipment", "id = ?", (code,))
    if not found:
        raise UserMistake(f"there is no shipment {code}", "logbook lab log lists them")
    shipment: records.Shipment = found[0].record
    trial = views.fetch(store, "trial", "id = ?", (shipment.trial,))[0].record
    log = {
        one.bag.code: one for one in samplelog.sample_log(store, shipment.trial, shipment.when.day)
    }
    depths = {one.id: one.record.depth_cm for one in views.fetch(store, "pull")}
    sent = [one.record for one in views.fetch(store, "sent", "shipment = ?", (code,))]
    inside = [log[one.sample] for one in sent if one.sample in log]
    plain = {
        line.bag.code: _plain(line, short(depths.get(line.bag.pull, trial.depth_cm)))
        for line in inside
        if not line.bag.blind
    }
    lines = []
    for one in sorted(sent, key=lambda one: (one.place, one.sample)):
        told = plain.get(one.sample) or _cover(code, log.get(one.sample), plain)
        if told is not None:
            asked = zip(one.analyses, one.methods or [""] * len(one.analyses), strict=False)
            words = tuple(f"{name} ({how})" if how else name for name, how in asked)
            lines.append(replace(told, place=one.place, code=one.sample, analyses=words))
    return Form(
        trial=trial.name,
        shipment=code,
        lab=shipment.lab,
        sent=shipment.when.spoken,
        sent_stored=shipment.when.text,
        by_what=shipment.by_what,
        text=shipment.text,
        lines=tuple(lines),
    )


def _plain(line: LogLine, depth: str) -> FormLine:
    stages = line.stages
    before = [one for one in stages if line.shipped is None or one.since.day <= line.shipped.day]
    kept = (before or stages)[-1].state
    pulled = line.bag.pulled
    return FormLine(0, line.bag.code, pulled.spoken, pulled.text, depth, kept, ())


def _cover(shipment: str, blind: LogLine | None, plain: Mapping[str, FormLine]) -> FormLine | None:
    """What the form says of a blind: what it says of a sample that it could be.

    A duplicate has the time of its other half only where further samples have that time too: else
    it would be seen. It then takes that of another sample kept alike.
    """
    if blind is None or not plain:
        return None
    own = plain.get(blind.bag.of)
    if own is not None:
        same = [one for one in plain.values() if one.pulled == own.pulled]
        if len(same) > 1:
            return own
    others = [code for code in plain if code != blind.bag.of] or list(plain)
    alike = [code for code in others if own is None or plain[code].kept == own.kept]
    return plain[packing.drawn_one(shipment, f"cover {blind.bag.code}", alike or others)]


def form_csv(one: Form) -> bytes:
    """The form as a CSV file, a row for each sample; no cell can run as a formula."""
    rows: Sequence[tuple[str | int, ...]] = [
        (
            one.shipment,
            one.trial,
            one.lab,
            one.sent_stored,
            line.place,
            line.code,
            line.pulled_stored,
            line.depth_cm,
            line.kept,
            "; ".join(line.analyses),
            "",
            "",
            "",
            "",
        )
        for line in one.lines
    ]
    return sheet_bytes(Sheet("form.csv", "a sample of the shipment", _COLUMNS, tuple(rows)))
