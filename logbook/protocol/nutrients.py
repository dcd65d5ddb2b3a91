"""The section [nutrients]: what is followed, by which method, and what was declared beforehand.

`nitrate-N = "1 M KCl"` names the method; the longer form
`nitrate-N = { method = "1 M KCl", cv = "8 %", sd = "0.5 mg/kg", margin = "10 mg/kg" }` declares
the laboratory's error too, and a difference that matters.
"""

from __future__ import annotations

import re
from decimal import Decimal

from logbook.errors import UserMistake
from logbook.protocol import measure
from logbook.protocol.content import DEFAULT_ENDPOINT, NOT_KNOWN, NutrientLine
from logbook.protocol.section import Section
from logbook.trial import chemistry, units

SUM = DEFAULT_ENDPOINT
_METHOD = "name the method, for example Mehlich-3"
_MOST_CV = 100
_UNITS_OF_PH = re.compile(r"\s*(units?|pH units?|pH)\s*\Z", re.IGNORECASE)


def read_nutrients(section: Section) -> tuple[NutrientLine, ...]:
    """What is followed, each with the one method that makes its results comparable."""
    found: dict[str, NutrientLine] = {}
    for key in section.table:
        name = _followed(section, key)
        if name is None:
            continue
        if name in found:
            section.problem(key, f"{name} is followed twice", "keep one of them")
        found[name] = _line(section, key, name)
    return tuple(found.values())


def _followed(section: Section, key: str) -> str | None:
    section.has(key)
    try:
        name = measure.nutrient(key).name
    except UserMistake as mistake:
        section.problem(key, mistake.message, mistake.hint)
        return None
    if name == SUM and not isinstance(section.table[key], dict):
        what = f"{SUM} is the sum of nitrate-N and ammonium-N and has no method of its own"
        section.problem(key, what, "follow nitrate-N and ammonium-N instead")
        return None
    return name


def _line(section: Section, key: str, name: str) -> NutrientLine:
    if not isinstance(section.table[key], dict):
        return NutrientLine(name, section.parsed(key, _method, _METHOD) or "")
    entry = section.section(key)
    margin = entry.parsed("margin", lambda text: _amount(text, name), _margin_needed(name))
    if name == SUM:
        _only_margin(entry)
        return NutrientLine(name, "", margin=margin)
    found = NutrientLine(
        name,
        entry.parsed("method", _method, _METHOD) or "",
        entry.parsed("cv", lambda text: _cv(text, name)),
        entry.parsed("sd", lambda text: _amount(text, name)),
        margin,
    )
    entry.close()
    return found


def _margin_needed(name: str) -> str:
    return 'say how much matters: margin = "15 mg/kg"' if name == SUM else ""


def _only_margin(entry: Section) -> None:
    """Refuse what belongs to the two that are measured, not to their sum."""
    for key in ("method", "cv", "sd"):
        if entry.has(key):
            what = f"{SUM} is a sum: its {key} follows from nitrate-N and ammonium-N"
            entry.problem(key, what, "write it there, and only margin here")
    entry.close()


def _method(text: str) -> str:
    if text == NOT_KNOWN:
        raise UserMistake("the method is missing", "a nutrient is only followed by one method")
    return chemistry.method_name(text)


def _cv(text: str, name: str) -> Decimal:
    """A coefficient of variation in %, above 0 and below 100. Raises UserMistake."""
    if chemistry.ANALYTES[name].dimension == "acidity":
        raise UserMistake(
            "a pH is a logarithm: a percentage of it means nothing",
            'declare the error in units: sd = "0.05"',
        )
    value = units.positive(text, "fraction").to("%", "fraction")
    if value >= _MOST_CV:
        raise UserMistake(
            f"a laboratory whose results are off by {text} measures nothing", 'write it like "8 %"'
        )
    return value


def _amount(text: str, name: str) -> Decimal:
    """An error or a margin in the canonical unit, more than nothing; pH in units."""
    analyte = chemistry.ANALYTES[name]
    amount = _UNITS_OF_PH.sub("", text) if analyte.dimension == "acidity" else text
    value, _ = measure.content(amount, name)
    if value <= 0:
        raise UserMistake(
            f"{text!r} must be more than nothing", "leave the key out if none is known"
        )
    return value
