"""What starting a protocol would create: beds, amounts, dates, samples, and what is not known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from logbook.protocol import measure
from logbook.protocol.content import Protocol, PullLine, TreatmentLine
from logbook.trial import rates, unknown
from logbook.trial.rates import Amount
from logbook.trial.unknown import Waiting


@dataclass(frozen=True)
class AmountRow:
    """What each of `beds` beds of one treatment and size gets, and all of them together."""

    treatment: str
    amendment: str
    size: str
    beds: int
    amount: Amount
    total_volume_l: Decimal | None
    total_mass_g: Decimal | None


@dataclass(frozen=True)
class MaterialTotal:
    """How much of an amendment the whole trial takes, as it is."""

    amendment: str
    volume_l: Decimal | None
    mass_g: Decimal | None


@dataclass(frozen=True)
class CalendarRow:
    """A pull: `dates` by block ("" for all), empty without a planned date.

    The pull before application carries the date it must be done by.
    """

    name: str
    day: int | None
    tolerance: int
    dates: tuple[tuple[str, date], ...]


@dataclass(frozen=True)
class Overview:
    """What would be created; `beds` counts them by treatment; money as (amount, currency).

    `bags` are the bags and tins that all samples take, one for each part.
    """

    beds: tuple[tuple[str, int], ...]
    amounts: tuple[AmountRow, ...]
    totals: tuple[MaterialTotal, ...]
    calendar: tuple[CalendarRow, ...]
    samples: int
    bags: int
    lab_cost: tuple[Decimal, str] | None
    not_known: tuple[Waiting, ...]


def overview(protocol: Protocol) -> Overview:
    """Everything that follows from the protocol before anything is done.

    A sample is one bed on one day: control beds are pulled with every treated pull of their
    block, once per date, so the samples are all beds times all pulls.
    """
    counts = Counter(bed.treatment for bed in protocol.beds)
    amounts = tuple(_amounts(protocol))
    samples = len(protocol.beds) * len(protocol.pulls)
    return Overview(
        beds=tuple((one.code, counts[one.code]) for one in protocol.treatments),
        amounts=amounts,
        totals=tuple(_total(material.code, amounts) for material in protocol.materials),
        calendar=tuple(_calendar_row(protocol, pull) for pull in protocol.pulls),
        samples=samples,
        bags=samples * max(len(protocol.parts), 1),
        lab_cost=_lab_cost(protocol, samples),
        not_known=tuple(_not_known(protocol)),
    )


def amount_per_bed(protocol: Protocol, treatment: TreatmentLine, size: str) -> Amount | None:
    """What one bed of that size gets; None for the control."""
    if treatment.amendment is None or treatment.rate is None or treatment.rate_unit is None:
        return None
    material = protocol.material(treatment.amendment)
    return rates.amount_for_bed(
        treatment.rate,
        treatment.rate_unit,
        protocol.size(size).area_m2,
        protocol.incorporated_cm,
        bulk_density=protocol.bulk_density,
        density=material.density,
        moisture=material.moisture,
    )


def _amounts(protocol: Protocol) -> Iterator[AmountRow]:
    counts = Counter((bed.treatment, bed.size) for bed in protocol.beds)
    for treatment in protocol.treatments:
        for size in protocol.sizes:
            beds = counts[treatment.code, size.name]
            amount = amount_per_bed(protocol, treatment, size.name) if beds else None
            if amount is not None:
                yield AmountRow(
                    treatment.code,
                    treatment.amendment or "",
                    size.name,
                    beds,
                    amount,
                    _times(amount.volume_l, beds),
                    _times(amount.mass_g, beds),
                )


def _times(value: Decimal | None, beds: int) -> Decimal | None:
    return None if value is None else value * beds


def _total(code: str, rows: tuple[AmountRow, ...]) -> MaterialTotal:
    mine = [row for row in rows if row.amendment == code]
    return MaterialTotal(
        code,
        _sum([row.total_volume_l for row in mine]),
        _sum([row.total_mass_g for row in mine]),
    )


def _sum(values: list[Decimal | None]) -> Decimal | None:
    known = [value for value in values if value is not None]
    return sum(known, Decimal(0)) if len(known) == len(values) else None


def _calendar_row(protocol: Protocol, pull: PullLine) -> CalendarRow:
    shift = timedelta(days=0 if pull.day is None else pull.day)
    dates = tuple((block, day + shift) for block, day in protocol.planned.items())
    return CalendarRow(pull.name, pull.day, pull.tolerance, dates)


def _lab_cost(protocol: Protocol, samples: int) -> tuple[Decimal, str] | None:
    if protocol.sample_cost is None:
        return None
    value, currency = measure.money_parts(protocol.sample_cost)
    return value * samples, currency


def _not_known(protocol: Protocol) -> Iterator[Waiting]:
    if protocol.bulk_density is None:
        by_soil = [one.code for one in protocol.treatments if one.rate_unit == rates.PER_SOIL]
        yield unknown.soil_density(by_soil)
    for start in protocol.start:
        if start.value is None:
            yield Waiting(
                f"the soil's starting {start.analyte}", "its level before the trial waits on it"
            )
    for material in protocol.materials:
        users = [one for one in protocol.treatments if one.amendment == material.code]
        missing = [one.analyte for one in material.contents if one.value is None]
        yield from unknown.of_lot(
            material.code,
            [one.rate_unit or "" for one in users],
            density=material.density is None,
            moisture=material.moisture is None,
            contents=missing if material.contents else ("analysis",),
        )
    if protocol.lab is None:
        yield unknown.LABORATORY
