"""Quantities: read "2.5 kg" or "250 mL", convert exactly, refuse nonsense.

Factors are exact fractions, so a conversion there and back returns the same decimal. Sources:
the international yard and pound agreement of 1959 (1 lb = 0.45359237 kg, 1 ft = 0.3048 m exactly),
the US gallon of 231 cubic inches, the acre of 43,560 square feet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal, InvalidOperation
from fractions import Fraction

from logbook.errors import UserMistake

_LB = Fraction("0.45359237")
_FT = Fraction("0.3048")
_OZ = _LB / 16
_GAL = Fraction(231) * (_FT / 12) ** 3 * 1000
_ACRE = 43560 * _FT**2
_YD3 = (3 * _FT) ** 3 * 1000

# dimension -> unit -> factor to the dimension's canonical unit (the first one)
UNITS: dict[str, dict[str, Fraction]] = {
    "mass": {
        "g": Fraction(1),
        "kg": Fraction(1000),
        "mg": Fraction(1, 1000),
        "t": Fraction(1_000_000),
        "lb": _LB * 1000,
        "oz": _OZ * 1000,
    },
    "volume": {
        "mL": Fraction(1, 1000),
        "L": Fraction(1),
        "m3": Fraction(1000),
        "cm3": Fraction(1, 1000),
        "ft3": _FT**3 * 1000,
        "yd3": _YD3,
        "gal": _GAL,
        "fl oz": _GAL / 128,
    },
    "length": {
        "cm": Fraction(1),
        "mm": Fraction(1, 10),
        "m": Fraction(100),
        "in": _FT / 12 * 100,
        "ft": _FT * 100,
    },
    "area": {
        "m2": Fraction(1),
        "cm2": Fraction(1, 10_000),
        "ha": Fraction(10_000),
        "ft2": _FT**2,
        "acre": _ACRE,
    },
    "density": {
        "kg/L": Fraction(1),
        "g/cm3": Fraction(1),
        "g/mL": Fraction(1),
        "t/m3": Fraction(1),
        "kg/m3": Fraction(1, 1000),
        "g/L": Fraction(1, 1000),
        "lb/yd3": _LB / _YD3,
        "lb/ft3": _LB / (_FT**3 * 1000),
    },
    "content": {
        "mg/kg": Fraction(1),
        "ppm": Fraction(1),
        "ug/g": Fraction(1),
        "g/kg": Fraction(1000),
        "%": Fraction(10_000),
    },
    "charge": {
        "cmol(+)/kg": Fraction(1),
        "cmolc/kg": Fraction(1),
        "meq/100 g": Fraction(1),
        "mmol(+)/kg": Fraction(1, 10),
    },
    "conductivity": {
        "dS/m": Fraction(1),
        "mS/cm": Fraction(1),
        "mmho/cm": Fraction(1),
        "uS/cm": Fraction(1, 1000),
        "mS/m": Fraction(1, 100),
    },
    "acidity": {"pH": Fraction(1)},
    "mass per area": {
        "g/m2": Fraction(1),
        "kg/m2": Fraction(1000),
        "t/ha": Fraction(100),
        "kg/ha": Fraction(1, 10),
        "lb/1000 ft2": _LB * 1000 / (1000 * _FT**2),
        "lb/100 ft2": _LB * 1000 / (100 * _FT**2),
        "lb/acre": _LB * 1000 / _ACRE,
        "ton/acre": 2000 * _LB * 1000 / _ACRE,
    },
    "fraction": {"%": Fraction(1, 100)},
    "temperature": {"C": Fraction(1)},
    "time": {"d": Fraction(1), "h": Fraction(1, 24)},
}

_SPELLINGS = {
    "ml": "mL", "l": "L", "ltr": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L",
    "grams": "g", "gram": "g", "kilo": "kg", "kilos": "kg", "lbs": "lb", "gallon": "gal",
    "m²": "m2", "m³": "m3", "cm³": "cm3", "cc": "cm3", "ft²": "ft2", "ft³": "ft3", "sq ft": "ft2",
    "sq m": "m2", "cu ft": "ft3", "cu yd": "yd3", "inch": "in", "inches": "in", "foot": "ft",
    "feet": "ft", "mg kg-1": "mg/kg", "mg.kg-1": "mg/kg", "µg/g": "ug/g", "μg/g": "ug/g",
    "mg/kg dry soil": "mg/kg", "pct": "%", "percent": "%", "°c": "C", "degc": "C", "deg c": "C",
    "us/cm": "uS/cm", "µs/cm": "uS/cm", "μs/cm": "uS/cm", "ds/m": "dS/m", "ms/cm": "mS/cm",
    "ds m-1": "dS/m", "mmhos/cm": "mmho/cm", "ms/m": "mS/m", "cmol/kg": "cmol(+)/kg",
    "meq/100g": "meq/100 g", "me/100g": "meq/100 g", "me/100 g": "meq/100 g", "ph": "pH",
    "ph units": "pH", "su": "pH", "s.u.": "pH", "std units": "pH", "days": "d", "day": "d",
    "hours": "h", "hour": "h", "tonne/ha": "t/ha", "tonnes/ha": "t/ha", "kg/l": "kg/L",
    "g/l": "g/L", "g/ml": "g/mL", "g/cc": "g/cm3", "g/cm³": "g/cm3", "kg/m³": "kg/m3",
    "lb/1000ft2": "lb/1000 ft2", "lb/100ft2": "lb/100 ft2", "lb/ac": "lb/acre",
}  # fmt: skip
_KNOWN = {unit.lower(): unit for table in UNITS.values() for unit in table}
_QUANTITY = re.compile(r"\s*([+-]?[0-9][0-9., ]*|[+-]?[.,][0-9]+)\s*(.*?)\s*\Z", re.DOTALL)


@dataclass(frozen=True)
class Quantity:
    """A decimal number with its unit, as read; `str` gives it back in plain notation."""

    value: Decimal
    unit: str

    def __str__(self) -> str:
        return f"{plain(self.value)} {self.unit}".rstrip()

    def to(self, unit: str, dimension: str) -> Decimal:
        """The value in another unit of the same dimension; refuses everything else."""
        return convert(self.value, self.unit, unit, dimension)


def plain(value: Decimal) -> str:
    """A decimal in plain notation, without exponent and without losing trailing zeros."""
    return format(value, "f")


def short(value: Decimal) -> str:
    """A decimal in plain notation without trailing zeros, for reading."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def canonical_unit(text: str) -> str | None:
    """The unit's usual spelling ("ml" -> "mL"), or None if it is not known."""
    wanted = " ".join(text.split())
    lowered = wanted.lower()
    if wanted in _KNOWN.values():
        return wanted
    return _SPELLINGS.get(wanted) or _SPELLINGS.get(lowered) or _KNOWN.get(lowered)


def dimension_of(unit: str) -> tuple[str, ...]:
    """Every dimension that has this unit ("%" is a content and a fraction)."""
    return tuple(name for name, table in UNITS.items() if unit in table)


def number(text: str) -> Decimal:
    """Read a plain decimal; a single comma is a decimal comma ("2,5" is 2.5).

    Refuses grouped thousands ("1,234.5"), since the same text means two things in two countries.
    """
    tidy = text.strip().replace("−", "-")
    if tidy.count(",") == 1 and "." not in tidy:
        tidy = tidy.replace(",", ".")
    try:
        if not re.fullmatch(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)", tidy):
            raise InvalidOperation
        value = Decimal(tidy)
    except InvalidOperation:
        raise UserMistake(f"{text.strip()!r} is not a number", "write it like 2.5") from None
    if len(value.as_tuple().digits) > 24:
        raise UserMistake(f"{text.strip()[:30]!r}... has more digits than a measurement can have")
    return value


def parse(text: str, dimension: str) -> Quantity:
    """Read "2.5 kg" as a quantity of `dimension`; raises UserMistake naming what would do."""
    usual = ", ".join(UNITS[dimension])
    match = _QUANTITY.match(text)
    if match is None:
        raise UserMistake(
            f"{text.strip()!r} is not an amount", f"write a number and a unit ({usual})"
        )
    value, unit_text = number(match[1]), match[2]
    if not unit_text:
        raise UserMistake(f"{text.strip()!r} has no unit", f"add one of: {usual}")
    unit = canonical_unit(unit_text)
    if unit is None or unit not in UNITS[dimension]:
        raise UserMistake(f"{unit_text!r} is not a unit of {dimension}", f"use one of: {usual}")
    return Quantity(value, unit)


def positive(text: str, dimension: str) -> Quantity:
    """`parse`, refusing zero and negative amounts."""
    quantity = parse(text, dimension)
    if quantity.value <= 0:
        raise UserMistake(f"{text.strip()!r} must be more than nothing")
    return quantity


def convert(value: Decimal, unit: str, target: str, dimension: str) -> Decimal:
    """`value` in another unit of `dimension`, exact where a decimal can be (else 24 digits)."""
    table = UNITS[dimension]
    if unit not in table or target not in table:
        raise UserMistake(f"{unit} cannot be turned into {target}: they measure different things")
    return to_decimal(Fraction(value) * table[unit] / table[target])


_DIGITS = Context(prec=24, rounding=ROUND_HALF_EVEN)


def to_decimal(exact: Fraction) -> Decimal:
    """The decimal of a fraction: exact if it ends within 24 digits, else rounded to 24."""
    value = _DIGITS.divide(Decimal(exact.numerator), Decimal(exact.denominator)).normalize(_DIGITS)
    whole = value.as_tuple().exponent
    return value.quantize(Decimal(1)) if isinstance(whole, int) and whole > 0 else value
