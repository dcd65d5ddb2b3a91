"""The bags of a trial that may go to a laboratory: whole pulls, parts of them, blinds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study import parts as pulled_parts
from logbook.study.samples import Sample, samples
from logbook.trial import records
from logbook.trial.chemistry import ANALYTES
from logbook.trial.times import When, spoken_day

if TYPE_CHECKING:
    import sqlite3

RETAINED = "retained"


@dataclass(frozen=True)
class Bag:
    """One bag: a whole pull (`kind` ""), a part of one, or a blind ("duplicate", "reference").

    `name` is the calendar's pull, `of` what a blind hides, `methods` those of the analyses, in the
    same order ("": the trial follows no method of it). A reference sample has no bed and no pull.
    """

    code: str
    pull: str
    kind: str
    pulled: When
    name: str
    label: str
    beds: tuple[str, ...]
    block: str
    treatment: str
    control: bool
    analyses: tuple[str, ...]
    methods: tuple[str, ...]
    of: str = ""

    @property
    def blind(self) -> bool:
        """Whether it is a code of ours that hides what it is."""
        return self.kind in records.BLINDS


def bags(store: sqlite3.Connection, trial: str) -> list[Bag]:
    """Every bag of a trial that may go to a laboratory, in order of day and bed: no tins."""
    followed = _followed(store, trial)
    parts = pulled_parts.of_trial(store, trial)
    times = {
        one.id: one.record.when for one in views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    }
    found = []
    for sample in samples(store, trial):
        own = parts.get(sample.code)
        if own is None:
            found.append(
                _bag(sample, times[sample.code], sample.code, "", tuple(followed), followed)
            )
        for part in own or ():
            if part.kind != pulled_parts.TIN:
                found.append(_bag(sample, part.when, part.code, part.kind, part.analyses, followed))
    return found


def _followed(store: sqlite3.Connection, trial: str) -> dict[str, str]:
    """The method of each nutrient that a laboratory measures, in the order of the nutrients."""
    found = {
        one.record.analyte: one.record.method
        for one in views.fetch(store, "followed", "trial = ?", (trial,))
        if one.record.method
    }
    order = list(ANALYTES)
    return {name: found[name] for name in sorted(found, key=order.index)}


def _bag(
    sample: Sample,
    pulled: When,
    code: str,
    kind: str,
    analyses: Sequence[str],
    followed: Mapping[str, str],
) -> Bag:
    return Bag(
        code=code,
        pull=sample.code,
        kind=kind,
        pulled=pulled,
        name=" and ".join(sample.names) or f"the extra pull of {spoken_day(sample.day)}",
        label=sample.label,
        beds=sample.beds,
        block=sample.block,
        treatment=sample.treatment,
        control=sample.control,
        analyses=tuple(analyses),
        methods=tuple(followed.get(one, "") for one in analyses),
    )


def blinds(store: sqlite3.Connection, trial: str, known: Mapping[str, Bag]) -> Iterator[Bag]:
    """The blinds of a trial, by code; `known` are its bags."""
    for found in views.fetch(store, "blind", "trial = ?", (trial,)):
        blind: records.Blind = found.record
        sent = views.fetch(store, "sent", "sample = ?", (blind.code,))
        asked = sent[0].record if sent else None
        original = known.get(blind.of)
        day = _shipped(store, asked.shipment) if asked else None
        yield Bag(
            code=blind.code,
            pull=original.pull if original else "",
            kind=blind.kind,
            pulled=original.pulled if original else day or When(date.min),
            name=original.name if original else "",
            label="",
            beds=(),
            block="",
            treatment="",
            control=False,
            analyses=asked.analyses if asked else (),
            methods=asked.methods if asked else (),
            of=blind.of,
        )


def _shipped(store: sqlite3.Connection, code: str) -> When | None:
    found = views.fetch(store, "shipment", "id = ?", (code,))
    return found[0].record.when if found else None
