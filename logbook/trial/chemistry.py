"""Nutrients and other analytes: names, canonical units, chemical forms, methods, limits.

Canonical names are what laboratories print: elements by symbol, nitrogen forms as N. A value is
only ever compared with another of the same analyte, method and basis.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from logbook.errors import UserMistake
from logbook.trial import units

# Atomic weights: IUPAC/CIAAW abridged values.
WEIGHTS = {
    "H": Fraction("1.008"),
    "C": Fraction("12.011"),
    "N": Fraction("14.007"),
    "O": Fraction("15.999"),
    "Na": Fraction("22.98976928"),
    "Mg": Fraction("24.305"),
    "Al": Fraction("26.9815384"),
    "P": Fraction("30.973761998"),
    "S": Fraction("32.06"),
    "K": Fraction("39.0983"),
    "Ca": Fraction("40.078"),
}
_CHARGE = {"Ca": 2, "Mg": 2, "K": 1, "Na": 1, "Al": 3, "ammonium-N": 1}


@dataclass(frozen=True)
class Analyte:
    """What is measured: `name` as shown, canonical `unit`, its dimension, a plain `title`."""

    name: str
    unit: str
    title: str
    dimension: str = "content"


_CONTENT = (
    ("nitrate-N", "nitrate nitrogen"),
    ("ammonium-N", "ammonium nitrogen"),
    ("mineral-N", "nitrate + ammonium nitrogen"),
    ("total-N", "total nitrogen"),
    ("organic-C", "organic carbon"),
    ("P", "phosphorus"),
    ("K", "potassium"),
    ("Ca", "calcium"),
    ("Mg", "magnesium"),
    ("Na", "sodium"),
    ("Al", "aluminium"),
    ("sulfate-S", "sulfate sulfur"),
    ("S", "sulfur"),
    ("Fe", "iron"),
    ("Mn", "manganese"),
    ("Zn", "zinc"),
    ("Cu", "copper"),
    ("B", "boron"),
    ("OM", "organic matter"),
    ("Cl", "chloride"),
)
ANALYTES: dict[str, Analyte] = {
    name: Analyte(name, "%" if name == "OM" else "mg/kg", title) for name, title in _CONTENT
} | {
    "pH": Analyte("pH", "pH", "pH", "acidity"),
    "EC": Analyte("EC", "dS/m", "electrical conductivity", "conductivity"),
    "CEC": Analyte("CEC", "cmol(+)/kg", "cation exchange capacity", "charge"),
}

_ALIASES = {
    "no3-n": "nitrate-N", "no3n": "nitrate-N", "n-no3": "nitrate-N", "nitrate-n": "nitrate-N",
    "nitrate nitrogen": "nitrate-N", "nitrate n": "nitrate-N", "nh4-n": "ammonium-N",
    "nh4n": "ammonium-N", "n-nh4": "ammonium-N", "ammonium-n": "ammonium-N",
    "ammonium nitrogen": "ammonium-N", "ammonium n": "ammonium-N", "total n": "total-N",
    "total nitrogen": "total-N", "tn": "total-N", "phosphorus": "P", "potassium": "K",
    "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "aluminium": "Al", "aluminum": "Al",
    "so4-s": "sulfate-S", "sulfate-s": "sulfate-S", "sulphate-s": "sulfate-S",
    "sulfur": "S", "sulphur": "S", "iron": "Fe", "manganese": "Mn", "zinc": "Zn", "copper": "Cu",
    "boron": "B", "chloride": "Cl", "organic matter": "OM", "ec": "EC", "soluble salts": "EC",
    "conductivity": "EC", "cec": "CEC", "ph": "pH", "organic carbon": "organic-C",
    "toc": "organic-C", "mineral n": "mineral-N", "min-n": "mineral-N",
}  # fmt: skip


def _oxide(element: str, atoms: int, oxygens: int) -> Fraction:
    mass = atoms * WEIGHTS[element]
    return mass / (mass + oxygens * WEIGHTS["O"])


# Chemical forms that laboratories and bags use for the same analyte, and the share of it in them.
FORMS: dict[str, tuple[str, Fraction]] = {
    "no3": ("nitrate-N", _oxide("N", 1, 3)),
    "nitrate": ("nitrate-N", _oxide("N", 1, 3)),
    "nh4": ("ammonium-N", WEIGHTS["N"] / (WEIGHTS["N"] + 4 * WEIGHTS["H"])),
    "ammonium": ("ammonium-N", WEIGHTS["N"] / (WEIGHTS["N"] + 4 * WEIGHTS["H"])),
    "p2o5": ("P", _oxide("P", 2, 5)),
    "k2o": ("K", _oxide("K", 2, 1)),
    "so4": ("sulfate-S", _oxide("S", 1, 4)),
    "cao": ("Ca", _oxide("Ca", 1, 1)),
    "mgo": ("Mg", _oxide("Mg", 1, 1)),
    "caco3": ("Ca", WEIGHTS["Ca"] / (WEIGHTS["Ca"] + WEIGHTS["C"] + 3 * WEIGHTS["O"])),
}


def find_analyte(text: str) -> tuple[Analyte, Fraction]:
    """The analyte a name means and the share of it in the form named.

    "NO3-N" is (nitrate-N, 1); "NO3" is (nitrate-N, 14.007/62.004). Raises UserMistake for an
    unknown name.
    """
    name = " ".join(text.replace("₂", "2").replace("₃", "3").replace("₄", "4").split())
    by_symbol = ANALYTES.get(name)
    if by_symbol:
        return by_symbol, Fraction(1)
    lowered = re.sub(r"\s*-\s*", "-", name.lower())
    if lowered in FORMS:
        analyte, share = FORMS[lowered]
        return ANALYTES[analyte], share
    known = _ALIASES.get(lowered) or {key.lower(): key for key in ANALYTES}.get(lowered)
    if known is None:
        raise UserMistake(
            f"{text.strip()!r} is not a nutrient this program knows",
            f"use one of: {', '.join(ANALYTES)}",
        )
    return ANALYTES[known], Fraction(1)


def to_canonical(value: Decimal, unit: str, analyte: Analyte, share: Fraction) -> Decimal:
    """A reported value in the analyte's canonical unit and form.

    Charge (cmol(+)/kg = meq/100 g) becomes mg/kg through molar mass / charge. Raises UserMistake
    where the unit does not measure this analyte.
    """
    if analyte.dimension == "content" and unit in units.UNITS["charge"]:
        per_cmol = _charge_factor(analyte)
        exact = Fraction(value) * units.UNITS["charge"][unit] * per_cmol
        return units.to_decimal(exact)
    table = units.UNITS[analyte.dimension]
    if unit not in table:
        raise UserMistake(
            f"{unit} is not a unit of {analyte.name}", f"use one of: {', '.join(table)}"
        )
    exact = Fraction(value) * share * table[unit] / table[analyte.unit]
    return units.to_decimal(exact)


def _charge_factor(analyte: Analyte) -> Fraction:
    """mg/kg per cmol(+)/kg: molar mass in g/mol over charge, times 10."""
    charge = _CHARGE.get(analyte.name)
    if charge is None:
        raise UserMistake(f"{analyte.name} is not an exchangeable cation: it has no cmol(+)/kg")
    element = "N" if analyte.name == "ammonium-N" else analyte.name
    return WEIGHTS[element] / charge * 10


@dataclass(frozen=True)
class Measured:
    """A laboratory cell understood: a value, or a limit with the side it lies on.

    `qualifier` is "" (a value), "<" (below `limit`) or ">" (above `limit`).
    """

    value: Decimal | None
    limit: Decimal | None
    qualifier: str = ""


_LIMIT = re.compile(r"([<>])\s*=?\s*(.+)\Z", re.DOTALL)


def parse_cell(text: str, limit: str = "") -> Measured:
    """Read a result cell: `12.5`, `12,5`, `<0.5`, `>200`, `ND` (with `limit` from its column).

    A non-detect without a limit is refused, never read as zero. Raises UserMistake.
    """
    cell = text.strip()
    match = _LIMIT.match(cell)
    if match:
        return Measured(None, _not_negative(match[2]), match[1])
    if cell.upper() in {"ND", "N.D.", "BDL", "BLQ", "NOT DETECTED"}:
        if not limit.strip():
            raise UserMistake(f"{cell!r} needs the laboratory's limit", "write it as <LIMIT")
        return Measured(None, _not_negative(limit), "<")
    return Measured(units.number(cell), None)


def _not_negative(text: str) -> Decimal:
    value = units.number(text)
    if value < 0:
        raise UserMistake(f"{text.strip()!r} is a negative limit")
    return value
