"""Amounts, moistures, cores and depths as they are typed; the same rules for acts and corrections.

What cannot be is refused; what is far from the plan is written, with a note that says the plan.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.report.board import volume_spoken
from logbook.report.lines import with_unit
from logbook.store import views
from logbook.trial import records, units
from logbook.trial.ranges import BedRef, compact

if TYPE_CHECKING:
    import sqlite3

AS_PLANNED = "as planned"
NOT_SAID = "not said"
# Ten cores a bed are usual; more than this is a slip of the hand. Common practice, no source.
_MOST_CORES = 60
# How far from the plan an amount is worth a remark.
_FAR = Decimal("0.25")
# Readings outside these are slips of the hand or another unit; common practice, no source.
_SENSIBLE = {
    "temperature": (Decimal(-30), Decimal(80)),
    "fraction": (Decimal(0), Decimal(300)),
    "acidity": (Decimal(0), Decimal(14)),
    "conductivity": (Decimal(0), Decimal(100)),
    # From dry peat moss to where hardly a pore would be left between the grains.
    "density": (Decimal("0.03"), Decimal("2.5")),
}
_MOST_NAMED = 6
_PER_AREA = re.compile(r"\s*(.*[0-9.,])\s*(?:mm|l\s*/\s*m\s*(?:2|²)|l\s*m-2)\s*\Z", re.I | re.S)


def known_as(known: str | None, *, given: bool) -> str:
    """How an amount was known: as said, else "not said" where one was typed, or "as planned"."""
    if known is None:
        return NOT_SAID if given else AS_PLANNED
    word = " ".join(known.lower().split())
    if word not in records.KNOWN:
        raise UserMistake(
            f"{known!r} is not a way to know an amount", f"use one of: {', '.join(records.KNOWN)}"
        )
    if given and word == AS_PLANNED:
        raise UserMistake(
            "an amount that is typed is not 'as planned'",
            "leave the amount out, or say how it was known: weighed, metered, by eye, not said",
        )
    if not given and word in ("weighed", "metered"):
        raise UserMistake(f"what was {word}? the planned amount is not a measurement", "give it")
    if not given and word == NOT_SAID:
        raise UserMistake(
            "without an amount the planned one is taken, 'as planned'", "give it, or drop --known"
        )
    return word


def amendment(text: str) -> tuple[Decimal | None, Decimal | None]:
    """An amendment amount as (g, L): one of the two, as it was measured."""
    try:
        return units.positive(text, "mass").to("g", "mass"), None
    except UserMistake as no_mass:
        try:
            return None, units.positive(text, "volume").to("L", "volume")
        except UserMistake:
            raise UserMistake(no_mass.message, "give a mass or a volume: 2.4 kg, 4.3 L") from None


def water(text: str, area_m2: Decimal) -> Decimal:
    """Water for one bed, in mL: a volume, or a depth (1 mm = 1 L/m2) times the bed's area in m2."""
    deep = _PER_AREA.match(text)
    if deep is None:
        return units.positive(text, "volume").to("mL", "volume")
    depth = units.number(deep[1])
    if depth <= 0:
        raise UserMistake(f"{text.strip()!r} must be more than nothing")
    return units.tidied(depth * area_m2 * 1000)


def read_value(name: str, text: str) -> tuple[Decimal, str]:
    """The value in its dimension's first unit; degrees Fahrenheit become Celsius."""
    dimension = records.MEASURED[name]
    unit = next(iter(units.UNITS[dimension]))
    if dimension == "acidity" and text.strip()[-1:].isdigit():
        number = units.number(text)
    elif dimension == "temperature" and text.strip().upper().endswith("F"):
        fahrenheit = units.number(text.strip()[:-1].rstrip(" °"))
        number = round((fahrenheit - 32) / Decimal("1.8"), 2)
    else:
        number = _parsed(text, dimension).to(unit, dimension)
    low, high = _SENSIBLE.get(dimension, (Decimal(0), Decimal("1e9")))
    if not low <= number <= high:
        most = with_unit(str(high), unit)
        raise UserMistake(
            f"{name} {text.strip()} cannot be: it lies between {low} and {most}",
            "check the unit and the decimal point",
        )
    return number, unit


def _parsed(text: str, dimension: str) -> units.Quantity:
    """A quantity; of a temperature it is said that Fahrenheit will do as well."""
    try:
        return units.parse(text, dimension)
    except UserMistake as mistake:
        if dimension != "temperature":
            raise
        raise UserMistake(mistake.message, mistake.hint.replace("one of: C", "C or F")) from None


def soil_moisture(text: str) -> Decimal:
    """The moisture of soil, % of its dry mass; refuses what no soil holds."""
    return read_value("moisture", text)[0]


def cores(count: int, remedy: str) -> int:
    """The number of cores in a sample; refuses none, and more than anybody takes."""
    if count < 1:
        raise UserMistake("a sample has at least one core", remedy)
    if count > _MOST_CORES:
        raise UserMistake(
            f"{count} cores in one sample: more than {_MOST_CORES} cannot be", "check the number"
        )
    return count


def depth(text: str, beds: Mapping[str, Decimal]) -> Decimal:
    """The depth of the cores, cm; refuses one below the bottom of a bed (label -> its depth)."""
    deep = units.positive(text, "length").to("cm", "length")
    for bottom in sorted(set(beds.values())):
        if deep > bottom:
            labels = compact(label for label, its in beds.items() if its == bottom)
            raise UserMistake(
                f"{text.strip()} is below the bottom of {labels}, {units.short(bottom)} cm deep",
                "check the depth and its unit",
            )
    return deep


def bottoms(store: sqlite3.Connection, beds: Iterable[BedRef]) -> dict[str, Decimal]:
    """The depth of each of these beds, cm, by label."""
    labels = {bed.id: bed.label for bed in beds}
    marks = ", ".join("?" * len(labels))
    found = views.fetch(store, "bed", f"id IN ({marks})", list(labels))
    return {labels[one.id]: one.record.depth_cm for one in found}


def other_depth(deep: Decimal, planned: Decimal) -> list[str]:
    """A remark if cores went another way down than the protocol says."""
    if deep == planned:
        return []
    return [
        f"{units.short(deep)} cm is not the protocol's depth, {units.short(planned)} cm: "
        "other depths are not comparable"
    ]


Amounts = Iterable[tuple[str, Decimal | None, Decimal | None]]


def far_from_plan(what: str, amounts: Amounts, unit: str) -> list[str]:
    """Remarks on amounts over a quarter off the plan: (label, given, planned), both in `unit`."""
    far: dict[Decimal, list[str]] = {}
    for label, given, planned in amounts:
        if given is not None and planned and abs(given - planned) > _FAR * planned:
            far.setdefault(planned, []).append(label)
    return [
        f"planned for {compact(labels)} {'are' if len(labels) > 1 else 'is'} "
        f"{_spoken(planned, unit)} {what}{' each' if len(labels) > 1 else ''}: "
        "this is more than 25 % off, check it"
        for planned, labels in far.items()
    ]


def _spoken(amount: Decimal, unit: str) -> str:
    if unit == "mL":
        return volume_spoken(amount)
    if unit == "g" and amount >= 1000:
        return f"{units.short(round(amount / 1000, 3))} kg"
    return f"{units.short(round(amount, 2))} {unit}"


def few(labels: Iterable[str]) -> str:
    """Labels of beds as ranges; of a long list the first six of these, and how many more."""
    ranges = compact(labels).split(", ")
    more = f" and {len(ranges) - _MOST_NAMED} more" if len(ranges) > _MOST_NAMED else ""
    return ", ".join(ranges[:_MOST_NAMED]) + more
