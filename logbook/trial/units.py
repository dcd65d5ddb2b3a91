"""Quantities: read "2.5 kg" or "250 mL", convert exactly, refuse nonsense.

Factors are exact fractions, so a conversion there and back returns the same decimal. Sources:
the international yard and pound agreement of 1959 (1 lb = 0.45359237 kg, 1 ft = 0.3048 m exactly),
the US gallon of 231 cubic inches, the acre of 43,560 square feet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
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
        "ug/kg": Fraction(1, 1000),
        "g/kg": Fraction(1000),
        "mg/100 g": Fraction(10),
        "g/100 g": Fraction(10_000),
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

# Spellings with another case or word; keys are lower case and already in `_usual` form.
_SPELLINGS = {
    "ltr": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L", "grams": "g",
    "gram": "g", "kilo": "kg", "kilos": "kg", "lbs": "lb", "gallon": "gal", "gallons": "gal",
    "cc": "cm3", "sq ft": "ft2", "sq m": "m2", "cu ft": "ft3", "cu yd": "yd3", "inch": "in",
    "inches": "in", "foot": "ft", "feet": "ft", "mg/kg dry soil": "mg/kg", "mg/kg dry": "mg/kg",
    "mg/kg dw": "mg/kg", "parts per million": "ppm", "pct": "%", "percent": "%", "per cent": "%",
    "%w/w": "%", "% w/w": "%", "wt%": "%", "°c": "C", "degc": "C", "deg c": "C",
    "mmhos/cm": "mmho/cm", "umho/cm": "uS/cm", "umhos/cm": "uS/cm", "cmol/kg": "cmol(+)/kg",
    "cmol+/kg": "cmol(+)/kg", "cmol (+)/kg": "cmol(+)/kg", "cmol(c)/kg": "cmolc/kg",
    "mg/kg soil": "mg/kg", "mg/100g": "mg/100 g", "mg/100 gm": "mg/100 g",
    "mg/100gm": "mg/100 g", "mg/100 g soil": "mg/100 g", "mg/100g soil": "mg/100 g",
    "mg 100/g": "mg/100 g", "mg 100g-1": "mg/100 g", "g/100g": "g/100 g",
    "meq/100g": "meq/100 g", "me/100g": "meq/100 g", "me/100 g": "meq/100 g",
    "meq/100 gm": "meq/100 g", "ph units": "pH", "ph unit": "pH", "su": "pH", "s.u.": "pH",
    "s.u": "pH", "standard units": "pH", "standard unit": "pH", "std units": "pH",
    "std. units": "pH", "days": "d", "day": "d", "hours": "h", "hour": "h", "tonne/ha": "t/ha",
    "tonnes/ha": "t/ha", "g/cc": "g/cm3", "lb/1000ft2": "lb/1000 ft2", "lb/100ft2": "lb/100 ft2",
    "lb/ac": "lb/acre", "lbs/acre": "lb/acre", "lbs/ac": "lb/acre",
}  # fmt: skip
# Upper case matters here: Mg is a megagram (a tonne), and alone it may also be a shouted mg.
_MEGAGRAM = {"Mg/ha": "t/ha", "Mg/m3": "t/m3", "Mg": None}
_UNIT_NAMES = frozenset(unit for table in UNITS.values() for unit in table)
_KNOWN = {unit.lower(): unit for unit in _UNIT_NAMES}
_MARKS = str.maketrans({"²": "2", "³": "3", "¹": "1", "⁻": "-", "−": "-", "µ": "u", "μ": "u"})
# What a unit may say behind its sign: of which kg the amount is. TS, TM, FM are German: the dry and
# the fresh mass.
_DRY = r"dry (?:soil|matter|weight|mass|basis)|oven dry|dry|d\.?w\.?|d\.?m\.?|t\.?[sm]\.?"
_MOIST = (
    r"as (?:received|is)|field moist|(?:fresh|wet) (?:weight|basis|soil)|fresh|moist|wet|[fw]w|fm"
)
_OF_BASIS = re.compile(
    rf"(.+?)(?:(?<=%)|(?=[\s,(-]))[\s,(-]*(?:({_DRY})|{_MOIST})\)?", re.IGNORECASE
)
_PER = re.compile(r"[ .·*]\s*([A-Za-z]+)-([123]?)(?=\Z)")
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


def rounded(value: Decimal) -> str:
    """A number for a screen, four significant digits at most: no laboratory knows more."""
    return short(_FOUR.plus(value)) if value else short(value)


def canonical_unit(text: str) -> str | None:
    """The unit's usual spelling ("ml" -> "mL", "mg kg-1" -> "mg/kg"), or None if unknown."""
    wanted = _usual(text)
    if wanted in _UNIT_NAMES:
        return wanted
    if wanted in _MEGAGRAM:
        return _MEGAGRAM[wanted]
    lowered = wanted.lower()
    return _SPELLINGS.get(lowered) or _KNOWN.get(lowered)


def of_basis(text: str) -> tuple[str, str]:
    """A unit without the words for its basis, and the basis ("" if it names none).

    "mg/kg DM" is ("mg/kg", "dry"), "% as received" ("%", "moist").
    """
    found = _OF_BASIS.fullmatch(" ".join(text.split()))
    if found is None:
        return text, ""
    return found[1], "dry" if found[2] else "moist"


def _usual(text: str) -> str:
    """Blanks, superscripts and negative powers in one way: "dS m⁻¹" -> "dS/m"."""
    tidy = " ".join(text.translate(_MARKS).split())
    tidy = _PER.sub(lambda match: f"/{match[1]}{match[2].replace('1', '')}", tidy)
    return re.sub(r"\s*/\s*", "/", tidy)


def dimension_of(unit: str) -> tuple[str, ...]:
    """Every dimension that has this unit ("%" is a content and a fraction)."""
    return tuple(name for name, table in UNITS.items() if unit in table)


def number(text: str, decimal_comma: bool | None = None) -> Decimal:
    """Read a plain decimal; raises UserMistake with the remedy for anything else.

    `decimal_comma` says how the source writes decimals: True with a comma, False with a point,
    None if nothing is known (a keyboard): then "2,5" is 2.5 and "1,234" is refused, since it
    means two things in two countries. Thousands marks are always refused, as are exponents
    (spreadsheets drop digits when they write them).
    """
    tidy = text.strip().replace("−", "-")
    plain_text = tidy.replace(",", ".") if decimal_comma is not False else tidy
    if _DECIMAL.fullmatch(plain_text) is None:
        raise UserMistake(*_why_no_number(tidy))
    if decimal_comma and "." in tidy:
        raise UserMistake(*_other_mark(tidy, ".", ","))
    if "," in tidy and decimal_comma is None and _EITHER.fullmatch(tidy):
        raise UserMistake(*_two_readings(tidy, "."))
    value = Decimal(plain_text)
    if len(value.as_tuple().digits) > 24:
        raise UserMistake(
            f"{text.strip()[:30]!r}... has more digits than a measurement can have",
            "write at most 24 digits",
        )
    return value


LIKE_A_NUMBER = "write it like 2.5"
_DECIMAL = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)")
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}([., '’\u00a0\u2009\u202f][0-9]{3})+([.,][0-9]+)?")
_LOOKALIKES = str.maketrans({"O": "0", "o": "0", "l": "1", "I": "1"})


def _why_no_number(tidy: str) -> tuple[str, str]:
    """What is wrong with a text that is no plain decimal, and the remedy."""
    if "," in tidy and _DECIMAL.fullmatch(tidy.replace(",", ".")):
        return _two_readings(tidy, ".") if _EITHER.fullmatch(tidy) else _other_mark(tidy, ",", ".")
    if _GROUPED.fullmatch(tidy):
        return f"{tidy!r} has a thousands mark", f"write {_ungrouped(tidy)}"
    digits = tidy.translate(_LOOKALIKES)
    if digits != tidy and _DECIMAL.fullmatch(digits.replace(",", ".")):
        return f"{tidy!r} has a letter in place of a digit", f"write {digits}"
    if re.fullmatch(r"[+-]?[0-9]+([.,][0-9]*)?[eE][+-]?[0-9]+", tidy):
        return (
            f"{tidy!r} has an exponent, as spreadsheets write it when they drop digits",
            "write the number out in full",
        )
    return f"{tidy[:40]!r} is not a number", LIKE_A_NUMBER


def _two_readings(tidy: str, mark: str) -> tuple[str, str]:
    whole, decimal = re.sub("[.,]", "", tidy), re.sub("[.,]", mark, tidy)
    return f"{tidy!r} can be read as {whole} or as {decimal}", f"write {whole} or {decimal}"


def _other_mark(tidy: str, mark: str, usual: str) -> tuple[str, str]:
    if mark == "." and _EITHER.fullmatch(tidy):
        return _two_readings(tidy, usual)
    names = {".": "point", ",": "comma"}
    return (
        f"{tidy!r} has a decimal {names[mark]}, and the other numbers there have a {names[usual]}",
        f"write {tidy.replace(mark, usual)}",
    )


def _ungrouped(tidy: str) -> str:
    """The number without its thousands marks: the last mark is decimal if it differs."""
    marks = re.findall(r"[^0-9+-]", tidy)
    if len(set(marks)) == 1:
        return re.sub(r"[^0-9+-]", "", tidy)
    head, _, tail = tidy.rpartition(marks[-1])
    return re.sub(r"[^0-9+-]", "", head) + "." + tail


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


# No weighing, pouring or measuring of a trial is finer or coarser, in any unit.
_LEAST, _MOST = Decimal("1e-9"), Decimal("1e9")


def positive(text: str, dimension: str) -> Quantity:
    """`parse`, refusing zero and negative amounts."""
    quantity = parse(text, dimension)
    if quantity.value <= 0:
        raise UserMistake(f"{text.strip()!r} must be more than nothing")
    if not _LEAST <= quantity.value <= _MOST:
        raise UserMistake(f"{text.strip()!r} is no amount of a trial", "check the decimal point")
    return quantity


def convert(value: Decimal, unit: str, target: str, dimension: str) -> Decimal:
    """`value` in another unit of `dimension`, exact where a decimal can be (else 24 digits)."""
    table = UNITS[dimension]
    if unit not in table or target not in table:
        raise UserMistake(f"{unit} cannot be turned into {target}: they measure different things")
    return to_decimal(Fraction(value) * table[unit] / table[target])


_DIGITS = Context(prec=24, rounding=ROUND_HALF_EVEN)
_FOUR = Context(prec=4, rounding=ROUND_HALF_EVEN)
_EXACT = Context(prec=400)


def to_decimal(exact: Fraction) -> Decimal:
    """The decimal of a fraction: exact if it ends within 24 digits, else rounded to 24."""
    return tidied(_DIGITS.divide(Decimal(exact.numerator), Decimal(exact.denominator)))


def scale(value: Decimal, factor: Fraction) -> Decimal:
    """`value` times an exact factor: what `to_decimal` gives, without a fraction a value.

    The product is exact and the division rounds once, to 24 digits.
    """
    product = _EXACT.multiply(value, Decimal(factor.numerator))
    return tidied(_DIGITS.divide(product, Decimal(factor.denominator)))


def tidied(value: Decimal) -> Decimal:
    """The same number without trailing zeros and without a positive exponent."""
    value = value.normalize(_DIGITS) if value else Decimal(0)
    exponent = value.as_tuple().exponent
    return (
        value.quantize(Decimal(1), context=_EXACT)
        if isinstance(exponent, int) and exponent > 0
        else value
    )
