"""Values that have the right types and yet cannot be: what no reader of the tables should meet.

A newer program may know a nutrient or a unit that this one does not; another machine may have
written nonsense. Such a value is kept and forwarded like one of a newer program, and not shown.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from logbook.errors import UserMistake
from logbook.journal.entry import Value
from logbook.trial import rates, records, times
from logbook.trial.chemistry import ANALYTES

# No trial is as long: about ten years, in days.
_LONGEST = 3_700


def makes_sense(space: str, value: Value) -> bool:
    """True unless a value with the fields of its record says something that cannot be."""
    check = _CHECKS.get(space)
    return check is None or check(value)


def _result(value: Value) -> bool:
    if value.get("analyte") not in ANALYTES or value.get("qualifier") not in ("", "<", ">"):
        return False
    if value.get("flags") and value.get("value") is None and value.get("limit") is None:
        return True  # cancelled, or not detected and without its limit yet
    return (value.get("value") is None) == bool(value.get("qualifier")) and (
        value.get("value") is not None or value.get("limit") is not None
    )


def _analyte(value: Value) -> bool:
    return value.get("analyte") in ANALYTES


def _planned(value: Value) -> bool:
    day, tolerance = value.get("day") or 0, value.get("tolerance") or 0
    return abs(int(day)) <= _LONGEST and 0 <= int(tolerance) <= _LONGEST


def _trial(value: Value) -> bool:
    try:
        times.zone(str(value.get("zone")))
    except UserMistake:
        return False
    usual = value.get("usual_days")
    return usual is None or int(usual) >= 1


def _followed(value: Value) -> bool:
    return _analyte(value) and all(_positive(name)(value) for name in ("cv", "sd", "margin"))


def _content(value: Value) -> bool:
    return _analyte(value) and _positive("sd")(value)


def _positive(name: str) -> Callable[[Value], bool]:
    def check(value: Value) -> bool:
        return value.get(name) is None or Decimal(str(value.get(name))) > 0

    return check


def _moisture(value: Value) -> bool:
    return 0 <= Decimal(str(value.get("moisture"))) < 100


def _treatment(value: Value) -> bool:
    if value.get("rate") is None:
        return True
    rate, unit = Decimal(str(value.get("rate"))), value.get("rate_unit")
    most = Decimal(100 if unit == rates.OF_MIX else "Infinity")
    return unit in rates.RATE_UNITS and 0 < rate < most


def _watering(value: Value) -> bool:
    return 1 <= int(value.get("interval") or 0) <= _LONGEST and value.get("unit") in (
        "mL",
        "L",
        "L/m2",
        "mL/m2",
    )


def _sent(value: Value) -> bool:
    analyses, methods = value.get("analyses") or (), value.get("methods") or ()
    known = all(name in ANALYTES for name in analyses)
    return known and int(value.get("place") or 0) >= 1 and len(methods) in (0, len(analyses))


def _handling(value: Value) -> bool:
    return value.get("state") in records.HANDLED and value.get("analysis") in ("", *ANALYTES)


def _reference(value: Value) -> bool:
    analyte = ANALYTES.get(str(value.get("analyte")))
    return analyte is not None and value.get("unit") == analyte.unit and _positive("sd")(value)


def _one_of(name: str, words: tuple[str, ...]) -> Callable[[Value], bool]:
    return lambda value: value.get(name) in words


_CHECKS: dict[str, Callable[[Any], bool]] = {
    "result": _result,
    "soil-value": _analyte,
    "lot-content": _content,
    "followed": _followed,
    "planned-pull": _planned,
    "trial": _trial,
    "soil": _positive("bulk_density"),
    "lot-density": _positive("density"),
    "lot-moisture": _moisture,
    "treatment": _treatment,
    "watering-plan": _watering,
    "bed": _positive("area_m2"),
    "sent": _sent,
    "handling": _handling,
    "blind": _one_of("kind", records.BLINDS),
    "reference": _reference,
    "query": _one_of("analyte", ("", *ANALYTES)),
    "answer": _one_of("what", records.ANSWERS),
}
