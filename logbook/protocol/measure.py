"""Texts of the protocol that are quantities of the trade: contents, moistures, money, water."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from logbook.errors import UserMistake
from logbook.trial import chemistry, units, water

_AMOUNT = re.compile(r"\s*([+-]?[0-9][0-9.,]*|[+-]?[.,][0-9]+)\s*(.*?)\s*\Z", re.DOTALL)
_MONEY = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Z]{3})\Z")
_PRICE = re.compile(r"([0-9]+(?:\.[0-9]+)? ?[A-Z]{3}) ?(?:/|per) ?([0-9.]*) ?([A-Za-z0-9]+)\Z")


def nutrient(text: str) -> chemistry.Analyte:
    """The analyte itself, refusing a chemical form of it ("NO3" for nitrate-N)."""
    analyte, share = chemistry.find_analyte(text)
    if share != 1:
        raise UserMistake(
            f"{text!r} is a chemical form", f"follow the nutrient itself: {analyte.name}"
        )
    return analyte


def content(text: str, name: str) -> tuple[Decimal, str]:
    """A value of the analyte `name` (or of a form of it) in its canonical unit.

    "1.5 %" of total-N is (15000, "mg/kg"); "2 %" of P2O5 is phosphorus; a bare number is a pH.
    Raises UserMistake for a unit that does not measure it and for what no material can have.
    """
    analyte, share = chemistry.find_analyte(name)
    match = _AMOUNT.match(text)
    unit = match[2] if match else ""
    if match is None or not (unit or analyte.name == "pH"):
        what = f"{text!r} is not an amount of {name}" if match is None else f"{text!r} has no unit"
        raise UserMistake(what, f'write it like "12 {analyte.unit}", or "not known yet"')
    usual = chemistry.read_unit(unit or analyte.unit, analyte)
    value = chemistry.to_canonical(units.number(match[1]), usual, analyte, share)
    chemistry.check_range(value, analyte)
    return value, analyte.unit


def soil_density(text: str) -> Decimal:
    """Dry bulk density in kg/L; below 2.65, the density of the grains (water.QUARTZ)."""
    value = _density(text)
    water.porosity(value)
    return value


def lot_density(text: str) -> Decimal:
    """Bulk density of a moist material in kg/L; no loose material reaches 5."""
    value = _density(text)
    if value >= 5:
        raise UserMistake(f"{text!r} is heavier than any loose material", "check the unit: kg/L?")
    return value


def _density(text: str) -> Decimal:
    try:
        return units.positive(text, "density").to("kg/L", "density")
    except UserMistake as mistake:
        raise UserMistake(
            f"{text!r} is not a density", 'write it like "1.3 kg/L", or "not known yet"'
        ) from mistake


def moisture(text: str) -> Decimal:
    """Water of a material in % of its wet mass; the text must name its basis.

    "67 % dry basis" (water per dry mass) is 40.1 % wet basis. Raises UserMistake.
    """
    match = _AMOUNT.match(text)
    words = match[2].lower() if match else ""
    found = re.fullmatch(r"%\s*(?:\(?(wet|dry) (?:basis|mass)\)?|of the (wet|dry) mass)?", words)
    if match is None or found is None:
        raise UserMistake(f"{text!r} is not a moisture", 'write it like "40 % wet basis"')
    share, basis = units.number(match[1]) / 100, found[1] or found[2]
    if basis is None:
        raise UserMistake(
            f"{text!r} can be read in two ways",
            'write "% wet basis" (water in the wet mass) or "% dry basis" (water per dry mass)',
        )
    if share < 0 or (basis == "wet" and share >= 1):
        raise UserMistake(f"{text!r} is not a share of the {basis} mass that water can have")
    wet = share if basis == "wet" else round(water.wet_basis(share), 6)
    return wet * 100


def money(text: str) -> str:
    """An amount of money, as written: "18.50 EUR"."""
    match = _MONEY.match(text)
    if match is None:
        raise UserMistake(f"{text!r} is not a price", 'write it like "18.50 EUR"')
    return f"{match[1]} {match[2]}"


def money_parts(text: str) -> tuple[Decimal, str]:
    """The number and the currency of what `money` accepted."""
    value, currency = text.split()
    return Decimal(value), currency


def price(text: str) -> str:
    """A price per mass or volume, as written: "0.80 EUR/kg", "12 EUR per 40 L"."""
    match = _PRICE.match(text)
    unit = units.canonical_unit(match[3]) if match else None
    if match is None or unit is None or not {"mass", "volume"} & set(units.dimension_of(unit)):
        raise UserMistake(
            f"{text!r} is not a price of a material", 'write it like "0.80 EUR/kg" or "12 EUR/40 L"'
        )
    amount = f"{units.number(match[2])} " if match[2] else ""
    return f"{money(match[1])}/{amount}{unit}"


@dataclass(frozen=True)
class Price:
    """What was paid: `money` in `currency` for `amount` in `unit`, kg or L as it is."""

    money: Decimal
    currency: str
    amount: Decimal
    unit: str

    @property
    def each(self) -> Decimal:
        """For one kg or one L."""
        return self.money / self.amount


def price_parts(text: str) -> Price:
    """What `price` accepted, in numbers: "12 EUR/40 L" is 0.3 EUR for a L. Raises UserMistake."""
    match = _PRICE.match(price(text))
    if match is None:
        raise UserMistake(f"{text!r} is not a price of a material")
    money_text, count, unit = match[1], match[2], match[3]
    value, currency = money_parts(money_text)
    dimension, to = ("mass", "kg") if unit in units.UNITS["mass"] else ("volume", "L")
    amount = units.convert(units.number(count or "1"), unit, to, dimension)
    if amount <= 0:
        raise UserMistake(f"{text!r} is a price of nothing", 'write it like "12 EUR/40 L"')
    return Price(value, currency, amount, to)


def watering(text: str) -> tuple[Decimal, str]:
    """A planned amount of water: ("mL" a bed) or ("L/m2"; 1 mm is 1 L/m2). Raises UserMistake."""
    match = _AMOUNT.match(text)
    words = match[2].lower().replace("²", "2") if match else ""
    value = units.number(match[1]) if match else Decimal(0)
    if match is None or value <= 0:
        raise UserMistake(f"{text!r} is not an amount of water", _WATER)
    if words in ("l/m2", "mm", "litres/m2"):
        return value, "L/m2"
    bed = re.fullmatch(r"(.+?)\s*(?:per|/|a)\s*bed", words)
    if bed is None:
        raise UserMistake(f"{text!r} does not say per bed or per m2", _WATER)
    return units.positive(f"{match[1]} {bed[1]}", "volume").to("mL", "volume"), "mL"


_WATER = 'write it like "250 mL per bed" or "3 L/m2"'
