"""The sections [amendments.CODE], [treatments.CODE] and the values of soils and materials."""

from __future__ import annotations

from decimal import Decimal

from logbook.errors import UserMistake
from logbook.protocol import measure
from logbook.protocol.content import NOT_KNOWN, Material, TreatmentLine, Value
from logbook.protocol.section import Section
from logbook.trial import chemistry, rates

MATERIALS = (
    "compost", "manure", "meal", "guano", "biochar", "lime", "ash", "rock powder", "gypsum",
    "sulfur", "straw", "green manure", "seaweed", "mineral fertiliser", "other",
)  # fmt: skip


def read_materials(section: Section) -> tuple[Material, ...]:
    """Every amendment of [amendments.CODE] with its lot."""
    return tuple(_material(code, one) for code, one in section.sections())


def _material(code: str, section: Section) -> Material:
    material = Material(
        code=code,
        name=section.text("name") or code,
        material=section.parsed("material", _class, f"say what it is: {', '.join(MATERIALS)}")
        or "",
        lot=section.text("lot", 'say which bag or batch: lot = "..."') or "",
        density=section.later("density", measure.lot_density),
        moisture=section.later("moisture", measure.moisture),
        contents=read_values(section.section("contents"), with_basis=True),
        price=section.later("price", measure.price),
    )
    section.close()
    return material


def _class(text: str) -> str:
    if text not in MATERIALS:
        raise UserMistake(
            f"{text!r} is not a class of material", f"use one of: {', '.join(MATERIALS)}"
        )
    return text


def read_values(section: Section, *, with_basis: bool) -> tuple[Value, ...]:
    """Values by analyte: `K = "not known yet"`, or a table with value, method (and basis)."""
    values: dict[str, Value] = {}
    for key in section.table:
        value = _value(section, key, with_basis=with_basis)
        if value is None:
            continue
        if value.analyte in values:
            section.problem(key, f"{value.analyte} is given twice", "keep one of them")
        values[value.analyte] = value
    return tuple(values.values())


def _value(section: Section, key: str, *, with_basis: bool) -> Value | None:
    section.has(key)
    try:
        analyte = chemistry.find_analyte(key)[0]
    except UserMistake as mistake:
        section.problem(key, mistake.message, mistake.hint)
        return None
    if section.table[key] == NOT_KNOWN:
        return Value(analyte.name, None, analyte.unit, "", "")
    if not isinstance(section.table[key], dict):
        example = f'{key} = {{ value = "12 {analyte.unit}", method = "..." }}'
        section.problem(key, "needs a value and its method", f"write {example}")
        return None
    return _measured(section.section(key), key, analyte, with_basis=with_basis)


def _measured(
    entry: Section, key: str, analyte: chemistry.Analyte, *, with_basis: bool
) -> Value | None:
    needed = f'say how much: value = "12 {analyte.unit}"'
    pair = entry.later("value", lambda text: measure.content(text, key), needed)
    needed = "name the method that gave this value"
    method = entry.parsed("method", chemistry.method_name, needed)
    basis, error = "", None
    if with_basis:
        basis = entry.parsed("basis", _basis, 'say basis = "dry" or basis = "as is"') or ""
        error = entry.later("sd", lambda text: _error(text, key))
    entry.close()
    value = pair[0] if pair else None
    return Value(analyte.name, value, analyte.unit, basis, method or "", error)


def _error(text: str, key: str) -> Decimal:
    """The standard deviation of an analysis, in the unit and form of its value."""
    value, _ = measure.content(text, key)
    if value <= 0:
        raise UserMistake(f"{text!r} must be more than nothing", "leave sd out if it is not known")
    return value


def _basis(text: str) -> str:
    if text not in rates.BASES:
        raise UserMistake(f"{text!r} is not a basis", 'use "dry" or "as is"')
    return text


def read_treatments(section: Section, materials: tuple[Material, ...]) -> tuple[TreatmentLine, ...]:
    """Every treatment of [treatments.CODE], its amendment looked up among `materials`."""
    codes = [material.code for material in materials]
    return tuple(_treatment(code, one, codes) for code, one in section.sections())


def _treatment(code: str, section: Section, codes: list[str]) -> TreatmentLine:
    control = section.flag("control")
    needed = "" if control else "name it, or write control = true"
    amendment = section.text("amendment", needed)
    rate = section.parsed("rate", rates.parse_rate, "" if control else 'like "20 t/ha"')
    if control and (section.has("amendment") or section.has("rate")):
        section.problem("control", "a control gets no amendment and no rate", "take them out")
    if amendment is not None and amendment not in codes:
        listed = ", ".join(codes) if codes else "none is described yet"
        section.problem(
            "amendment",
            f"{amendment!r} is not described",
            f"add [amendments.{amendment}], or use: {listed}",
        )
    name = section.text("name") or code
    section.close()
    value, unit = rate if rate else (None, None)
    return TreatmentLine(code, name, control, amendment, value, unit)
