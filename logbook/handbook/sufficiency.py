"""The file of sufficiency tables: from its bytes to tables and crops, or to all its problems."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from typing import Any

from logbook.handbook.content import Crop, Index, Step, Table
from logbook.handbook.entries import FORMAT, Entry, Findings, as_number, parsed, rows, shown
from logbook.trial import chemistry, units

FILE = "sufficiency.toml"
_SOURCE = "name where the numbers come from"
_STEP_KEYS = {"name", "to", "below"}


def read_sufficiency(data: bytes, file: str) -> tuple[tuple[Table, ...], tuple[Crop, ...]]:
    """Read the tables; `file` is the name for messages.

    Raises BadData with every problem, each with the file, line, row and key it belongs to.
    """
    top, findings = opened(data, file)
    tables = [_table(entry) for entry in rows(top, "table")]
    crops = [_crop(entry) for entry in rows(top, "crop")]
    top.close()
    _once(tables, findings)
    findings.refuse()
    return (
        tuple(one for one in tables if one is not None),
        tuple(one for one in crops if one is not None),
    )


def opened(data: bytes, file: str) -> tuple[Entry, Findings]:
    """The top of a file of tables, its format checked."""
    table, findings = parsed(data, file)
    top = Entry(findings, table)
    if top.raw("format", f"write format = {FORMAT}") not in (None, FORMAT):
        top.problem(
            "format", f"{shown(table['format'])} is not known", f"this program reads {FORMAT}"
        )
    return top, findings


def _table(entry: Entry) -> Table | None:
    before = len(entry.findings.problems)
    analyte = entry.parsed("nutrient", chemistry.find_analyte, "such as P")
    methods = entry.texts("methods", 'such as methods = ["Mehlich-3"]')
    unit = entry.text("unit", "the unit of the bounds")
    factor = entry.number("factor", least=0)
    steps = _steps(entry)
    sufficient = _sufficient(entry, steps)
    index = _index(entry)
    source, note = entry.text("source", _SOURCE), entry.text("note")
    entry.close()
    if analyte is not None and analyte[1] != 1:
        entry.problem("nutrient", f"{shown(entry.row['nutrient'])} is a chemical form",
                      f"write {analyte[0].name}, and its bounds as {analyte[0].name}")  # fmt: skip
    if analyte is not None and unit:
        unit = _unit(entry, unit, factor, analyte[0])
    if analyte is None or len(entry.findings.problems) > before:
        return None
    names = tuple(dict.fromkeys(chemistry.method_name(name) for name in methods))
    return Table(analyte[0].name, names, unit, factor, steps, sufficient, index, source, note)


def _unit(entry: Entry, unit: str, factor: Decimal | None, analyte: chemistry.Analyte) -> str:
    """The unit in its usual spelling; a problem where no factor leads to the nutrient's own."""
    if factor is not None:
        if factor == 0:
            entry.problem("factor", "a factor of 0 says nothing", f"give {unit} per {analyte.unit}")
        return units.canonical_unit(unit) or unit
    if unit.replace(" ", "").lower() == "mg/l" and analyte.unit == "mg/kg":
        return "mg/L"
    known = units.canonical_unit(unit) or ""
    if known not in units.UNITS[analyte.dimension]:
        entry.problem(
            "unit",
            f"{shown(unit)} is not a unit of {analyte.name}",
            f"write the bounds in {analyte.unit}, or add factor = ({unit} per {analyte.unit})",
        )
    return known


def _steps(entry: Entry) -> tuple[Step, ...]:
    value = entry.raw("classes", 'such as [ { name = "low", to = 10 }, { name = "high" } ]')
    if value is None:
        return ()
    if not isinstance(value, list) or len(value) < 2:
        entry.problem("classes", f"{shown(value)} is no list of two or more classes",
                      'like [ { name = "low", to = 10 }, { name = "high" } ]')  # fmt: skip
        return ()
    found = [_step(entry, one, place, place == len(value) - 1) for place, one in enumerate(value)]
    steps = tuple(one for one in found if one is not None)
    # Without all of its classes nothing further can be said of a row: it would only be noise.
    return steps if len(steps) == len(value) and _rising(entry, steps) else ()


def _step(entry: Entry, value: Any, place: int, last: bool) -> Step | None:
    """One class; its bound is "to" (within it) or "below" (beyond it), and the last has none."""
    told = f"class {place + 1}"
    name = value.get("name") if isinstance(value, dict) else None
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        entry.problem("classes", f"{told} has no name", 'like { name = "low", to = 10 }')
        return None
    told = f"class {place + 1} ({name})"
    more = sorted(set(value) - _STEP_KEYS)
    if more:
        entry.problem("classes", f"{told}: {shown(more[0])} is not known", "use name, to, below")
        return None
    bounds = [key for key in ("to", "below") if key in value]
    if len(bounds) != (0 if last else 1):
        remedy = "the last class goes on: leave its bound out" if last else "give to, or below"
        entry.problem("classes", f"{told} has {len(bounds)} bounds", remedy)
        return None
    if last:
        return Step(name, None)
    bound = as_number(value[bounds[0]])
    if bound is None:
        entry.problem("classes", f"{told}: {shown(value[bounds[0]])} is not a number",
                      "write it like 4.5, no quotes")  # fmt: skip
        return None
    return Step(name, bound, bounds[0] == "below")


def _rising(entry: Entry, steps: tuple[Step, ...]) -> bool:
    """Whether names differ and bounds rise; a problem for each that does not."""
    before = len(entry.findings.problems)
    names = [step.name for step in steps]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        entry.problem("classes", f"two classes are called {shown(name)}", "call them apart")
    for one, other in pairwise(steps):
        if one.upper is not None and other.upper is not None and other.upper <= one.upper:
            entry.problem(
                "classes",
                f"{other.name} ends at {other.upper}, not above {one.name} ({one.upper})",
                "write the classes from the lowest up",
            )
    return len(entry.findings.problems) == before


def _sufficient(entry: Entry, steps: tuple[Step, ...]) -> tuple[str, ...]:
    """The classes that are enough: names of classes that lie side by side."""
    names = entry.texts("sufficient")
    known = [step.name for step in steps]
    if not names or not known:
        return ()
    unknown = [name for name in names if name not in known]
    if unknown:
        entry.problem("sufficient", f"{shown(unknown[0])} is no class", f"use {', '.join(known)}")
        return ()
    places = sorted({known.index(name) for name in names})
    if places != list(range(places[0], places[-1] + 1)):
        entry.problem("sufficient", f"{', '.join(names)} do not lie side by side",
                      "name every class between them too")  # fmt: skip
    if len(places) == len(known):
        entry.problem("sufficient", "every class is named", "then the table says nothing")
    return tuple(known[place] for place in places)


def _index(entry: Entry) -> Index | None:
    value = entry.raw("index")
    if value is None:
        return None
    keys = ("constant", "slope", "ph")
    good = isinstance(value, dict) and set(value) == set(keys)
    found = [as_number(value[key]) for key in keys] if good else []
    constant, slope, ph = found if good else (None, None, None)
    if constant is None or slope is None or ph is None or slope <= 0:
        entry.problem("index", f"{shown(value)} is no index with a slope above 0",
                      "like { constant = 101.7, slope = 3.75, ph = -15.2 }")  # fmt: skip
        return None
    return Index(constant, slope, ph)


def _crop(entry: Entry) -> Crop | None:
    before = len(entry.findings.problems)
    name = entry.text("name", "the crop")
    threshold = entry.number("threshold", "dS/m of the saturated paste", least=0)
    slope = entry.number("slope", "% yield lost for each dS/m more", least=0, most=100)
    source = entry.text("source", _SOURCE)
    entry.close()
    if threshold is None or slope is None or len(entry.findings.problems) > before:
        return None
    return Crop(name, threshold, slope, source)


def _once(tables: list[Table | None], findings: Findings) -> None:
    """A nutrient by one method has one table."""
    seen: dict[tuple[str, str], int] = {}
    for place, one in enumerate(tables):
        for name in one.methods if one else ():
            first = seen.setdefault((one.nutrient if one else "", name.casefold()), place)
            if first != place and one:
                findings.add("table", place, "methods",
                             f"{one.nutrient} by {name} stands in table {first + 1} already",
                             "keep one of the two")  # fmt: skip
