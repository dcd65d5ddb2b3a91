"""What `levels` says, free of format: cells, sentences, and the document for programs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from logbook.report import marks
from logbook.study.levels import NO_CLASS, bound
from logbook.study.standing import Drift, Levels, Standing
from logbook.trial.chemistry import ANALYTES
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    from datetime import date

    from logbook.handbook import Handbook

NO_ADVICE = (
    "a level is no fertiliser recommendation: tables differ by region, soil and crop; ask your "
    "local extension service or laboratory what it means where you are"
)
ASK = "logbook levels --with-amended compares them bare with the tables"
_NONE = "-"


def title(found: Levels) -> str:
    """What it is about."""
    return f"{found.trial}: where the soil stands in published tables"


def label(one: Standing | Drift) -> str:
    """The nutrient, with its unit where that is not the usual mg/kg."""
    unit = "" if one.unit in ("mg/kg", one.analyte) else f" {one.unit}"
    return f"{one.analyte}{unit}"


def value(one: Standing) -> str:
    """The mean, or what it may be where a result lies beyond a limit."""
    if one.value is not None:
        return _digits(one.analyte, one.value)
    if one.high is None:
        return f"[{marks.digits(one.low or 0.0)} or more]"
    if not one.low:
        return f"[{marks.digits(one.high)} or less]"
    return f"[{marks.digits(one.low)} to {marks.digits(one.high)}]"


def _digits(analyte: str, number: float) -> str:
    acid = ANALYTES[analyte].dimension == "acidity"
    return f"{number:.2f}" if acid else marks.digits(number)


def cells(one: Standing) -> list[str]:
    """Nutrient, method, value, class, the class's bounds, the range that is enough, where in it."""
    level = one.level
    where = " ".join(filter(None, (level.distance, level.position)))
    return [
        label(one),
        one.method,
        value(one),
        level.class_name or _NONE,
        span((level.low, level.high)) if level.class_name else _NONE,
        span(level.sufficient),
        where or _NONE,
    ]


def span(ends: tuple[float | None, float | None] | None) -> str:
    """ "35.5 to 68.5", "above 4.5", "up to 2", "-": the lower end lies outside."""
    if ends is None or ends == (None, None):
        return _NONE
    low, high = ends
    if low is None:
        return f"up to {bound(high)}" if high is not None else _NONE
    return f"above {bound(low)}" if high is None else f"{bound(low)} to {bound(high)}"


def days(first: date, last: date) -> str:
    """ "Wed 11 Nov 2026" or "... to ..."."""
    one, other = spoken_day(first), spoken_day(last)
    return one if one == other else f"{one} to {other}"


def of_when(found: Sequence[Standing]) -> str:
    """The beds and days of some standings."""
    first = [one.first for one in found if one.first is not None]
    last = [one.last for one in found if one.last is not None]
    return f"{marks.beds_text(one.beds for one in found)}, {days(min(first), max(last))}"


def reasons(found: Iterable[Standing]) -> Iterator[str]:
    """Why there is no class: each reason once, with its nutrients, their values and methods."""
    owners: dict[str, list[str]] = {}
    for one in found:
        if one.level.reason:
            told = f"{label(one)} {value(one)} ({one.method})"
            owners.setdefault(one.level.reason, []).append(told)
    for reason, names in owners.items():
        yield f"{reason}: {', '.join(names)}"


def sources(found: Levels) -> Iterator[str]:
    """Where every table shown comes from, and what else it says."""
    owners: dict[str, list[str]] = {}
    indexed = []
    for one in (*found.start, *found.control, *found.amended):
        level = one.level
        if level.source and level.class_name:
            source = f"{level.source}; {level.note}" if level.note else level.source
            owners.setdefault(source, []).append(f"{one.analyte} ({one.method})")
        if level.index is not None:
            indexed.append(f"{one.analyte} {value(one)}: index {marks.digits(level.index)}")
    for source, names in owners.items():
        yield f"{', '.join(dict.fromkeys(names))}: {source}"
    yield from dict.fromkeys(indexed)


def closing(found: Levels, handbook: Handbook) -> Iterator[str]:
    """What must be known of all of it."""
    yield (
        "classes are the tables' own words; a value equal to an upper bound is in that class; "
        '"enough": what the table holds for enough; '
        '"just": within a quarter of the end of the range, or inside it within a tenth of '
        'one; "far": twice as far out or more'
    )
    yield "tables were calibrated on settled mineral soil, in the field and region of their source"
    yield from sources(found)
    own = [name for name in handbook.files if name]
    if own:
        yield f"read from your own copy: {', '.join(own)}"
    yield NO_ADVICE


def drift_cells(one: Drift) -> list[str]:
    """Nutrient, change and its 95 % range, beds."""
    change = one.change
    ends = [end for end in (change.value, change.low, change.high) if end is not None]
    acid = ANALYTES[one.analyte].dimension == "acidity"
    places = 2 if acid else marks.places_for(ends)
    told = [_NONE if end is None else marks.signed(end, places) for end in
            (change.value, change.low, change.high)]  # fmt: skip
    between = _NONE if told[1] == told[2] == _NONE else f"{told[1]} to {told[2]}"
    if change.value is None and between != _NONE:
        between = f"[{between}]"
    return [label(one), one.method, told[0], between, str(one.beds)]


def drift_reasons(found: Iterable[Drift]) -> Iterator[str]:
    """Why a change has no range: each reason once, with its nutrients."""
    owners: dict[str, list[str]] = {}
    for one in found:
        if one.change.reason:
            owners.setdefault(one.change.reason, []).append(one.analyte)
    for reason, names in owners.items():
        yield f"{', '.join(dict.fromkeys(names))}: {reason}"


def levels_document(found: Levels, handbook: Handbook) -> dict[str, Any]:
    """All of it for programs; a missing number is null, with its reason."""
    return {
        "trial": found.trial,
        "texture": found.texture,
        "bulk_density": found.ground.bulk_density,
        "no_class": found.ground.no_class,
        "start": [_document(one) for one in found.start],
        "control": [_document(one) for one in found.control],
        "control_drift": [_drift_document(one) for one in found.drift],
        "amended": [_document(one) for one in found.amended],
        "with_amended": found.with_amended,
        "crops_above_threshold": list(found.crops),
        "notes": list(found.notes),
        "about": [NO_ADVICE, NO_CLASS["amended"]],
        "own_tables": [name for name in handbook.files if name],
    }


def _document(one: Standing) -> dict[str, Any]:
    level = one.level
    return {
        "nutrient": one.analyte,
        "method": one.method,
        "basis": one.basis,
        "laboratory": one.lab,
        "treatment": one.treatment,
        "unit": one.unit,
        "first_date": one.first and one.first.isoformat(),
        "last_date": one.last and one.last.isoformat(),
        "beds": one.beds,
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "class": level.class_name or None,
        "class_low": level.low,
        "class_high": level.high,
        "sufficient": None if level.sufficient is None else list(level.sufficient),
        "position": level.position or None,
        "index": level.index,
        "source": level.source or None,
        "note": level.note or None,
        "reason": level.reason or None,
        "sentence": NO_CLASS["amended"] if one.amended else None,
    }


def _drift_document(one: Drift) -> dict[str, Any]:
    return {
        "nutrient": one.analyte,
        "method": one.method,
        "unit": one.unit,
        "first_dates": [one.first.isoformat(), one.first_until.isoformat()],
        "newest_dates": [one.newest_from.isoformat(), one.newest.isoformat()],
        "beds": one.beds,
        "change": one.change.value,
        "low": one.change.low,
        "high": one.change.high,
        "df": one.change.df,
        "reason": one.change.reason or None,
    }
