"""From what laboratories print to a content of the dry soil, where the unit alone is not enough.

mg/L of an extract needs the extraction ratio, an amount per area its depth and bulk density, a
content of moist soil the sample's own moisture. Factors are exact fractions. An amount that cannot
be converted is refused with what is missing; between extractants there is no factor at all.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from logbook.errors import UserMistake
from logbook.trial import chemistry, units
from logbook.trial.chemistry import Analyte

# Concentrations in an extract, as mg/L; and those of charge, as meq/L.
_IN_EXTRACT = {
    "mg/l": Fraction(1), "mg/dm3": Fraction(1), "g/m3": Fraction(1), "ug/ml": Fraction(1),
    "ug/l": Fraction(1, 1000), "g/l": Fraction(1000),
}  # fmt: skip
_CHARGE_IN_EXTRACT = {
    "meq/l": Fraction(1), "me/l": Fraction(1), "mmol(+)/l": Fraction(1), "mmolc/l": Fraction(1),
}  # fmt: skip
# What a laboratory weighs by volume, as mg/L of soil: 1 mg/100 mL is 10 mg/L.
_IN_VOLUME = {f"mg/100{blank}{unit}": 10 for blank in ("", " ") for unit in ("ml", "cm3", "cc")}
# Soil weighed to make an acre's slice in the rule "lb/acre = 2 x ppm": 2,000,000 lb. Rule of US
# laboratories (NRES 201, University of Illinois); its depth is given as 6 to 8 in.
POUNDS_IN_THE_RULE = 2_000_000
_RATIO = re.compile(
    r"([0-9]+(?:\.[0-9]+)?)\s*(?:g)?\s*(?::|/|\+|in)\s*([0-9]+(?:\.[0-9]+)?)\s*(?:ml)?\Z"
)
_CONVERTED = re.compile(r"\b(equiv\w*|converted|calculated|estimated from|calc)\b")
_COMPUTED = frozenset({"CEC", "OM"})
# Carbonate is given as what would neutralise as much acid; and a basis or a chemical form is only
# another way to write the same measurement.
_NO_CONVERSION = re.compile(
    r"\b(?:(?:calcium )?carbonate|caco3) equiv\w*|\b(?:converted|calculated|calc\.?) "
    r"(?:(?:on|to) (?:an? |the )?(?:as received|dry|oven|air|moist|wet|fresh|field)"
    r"|(?:as|to) (?:an? |the )?(?:element\w*|n|p|k|s|c|no3|nh4|p2o5|k2o|so4|po4|cao|mgo|caco3))\b"
)
_MOST_RATIO = 1000
# Of these a laboratory prints the share of the exchange complex in per cent.
EXCHANGED = frozenset({"Ca", "Mg", "K", "Na", "Al"})


@dataclass(frozen=True)
class Known:
    """What a report says beside a unit: `ratio` in mL of extract per g of soil, depth in cm,
    bulk density in kg/L; `by_twos`: the laboratory made lb/acre as 2 x ppm.
    """

    ratio: Fraction | None = None
    depth_cm: Decimal | None = None
    density: Decimal | None = None
    by_twos: bool = False


def read_ratio(text: str) -> Fraction:
    """mL of solution per g of soil: "1:5" is 5, "2 g : 30 mL" is 15. Raises UserMistake."""
    found = _RATIO.match(" ".join(text.lower().replace(",", ".").split()))
    if found is None:
        raise UserMistake(
            f"{text.strip()[:40]!r} is not an extraction ratio", "write it like 1:5 or 2 g : 30 mL"
        )
    soil, solution = Fraction(found[1]), Fraction(found[2])
    if not soil or not 0 < solution / soil <= _MOST_RATIO:
        raise UserMistake(f"{text.strip()!r} is no ratio of an extraction", "soil first: 1:5")
    return solution / soil


def ratio_text(ratio: Fraction) -> str:
    """A ratio as methods name it: `1:5`, `1:2.5`; one that no short decimal is, as it is."""
    decimal = units.to_decimal(ratio)
    if Fraction(decimal) == ratio:
        return f"1:{units.short(decimal)}"
    return f"{ratio.denominator}:{ratio.numerator}"


def dry_factor(moisture: Decimal) -> Fraction:
    """What a content of moist soil is multiplied with: 1 + u, u being water per DRY mass.

    A wet-basis w gives u = w / (1 - w): 25 mg/kg at u = 0.20 is 30.0, at w = 0.20 it is 31.25.
    """
    if moisture < 0:
        raise UserMistake("a moisture cannot be negative", "weigh the tin again")
    return 1 + Fraction(moisture)


def factor(unit: str, analyte: Analyte, share: Fraction, known: Known) -> Fraction:
    """What a value in `unit` and form is multiplied with to be canonical; exact.

    Raises UserMistake that says what is missing.
    """
    unit = units.of_basis(unit)[0]
    tidy = _tidy(unit)
    if analyte.dimension != "content":
        return chemistry.canonical_factor(chemistry.read_unit(unit, analyte), analyte, share)
    if tidy in _IN_EXTRACT:
        ratio = _needed_ratio(unit, known)
        return share * _IN_EXTRACT[tidy] * ratio / units.UNITS["content"][analyte.unit]
    if tidy in _CHARGE_IN_EXTRACT:
        # meq/L x L/kg = meq/kg, and 10 meq/kg are 1 cmol(+)/kg.
        of_charge = chemistry.canonical_factor("cmol(+)/kg", analyte, share)
        return _CHARGE_IN_EXTRACT[tidy] * _needed_ratio(unit, known) / 10 * of_charge
    if is_per_volume(unit):
        return share * _per_volume(unit, known) / units.UNITS["content"][analyte.unit]
    known_unit = units.canonical_unit(unit)
    if known_unit in units.UNITS["mass per area"]:
        return share * _per_area(known_unit, known) / units.UNITS["content"][analyte.unit]
    return chemistry.canonical_factor(chemistry.read_unit(unit, analyte), analyte, share)


def read_unit(unit: str, analyte: Analyte, known: Known) -> str:
    """The unit's usual spelling; raises UserMistake where it does not measure the analyte."""
    factor(unit, analyte, Fraction(1), known)
    unit = units.of_basis(unit)[0]
    return units.canonical_unit(unit) or " ".join(unit.split())


def is_per_volume(unit: str) -> bool:
    """True for an amount in a volume of soil (mg/100 mL): its bulk density makes it a content."""
    return _tidy(units.of_basis(unit)[0]) in _IN_VOLUME


def _per_volume(unit: str, known: Known) -> Fraction:
    """mg/kg of soil in one of an amount per volume of soil: over the density, in kg/L."""
    if not known.density:
        raise UserMistake(
            f"{unit.strip()} is an amount per volume of soil: without the bulk density it is no "
            "content of the soil",
            'say it in a profile, such as density = "1.3 kg/L", or ask the laboratory for mg/kg',
        )
    return _IN_VOLUME[_tidy(unit)] / Fraction(known.density)


def _tidy(unit: str) -> str:
    spelled = units.canonical_unit(unit) or re.sub(r"\s*/\s*", "/", " ".join(unit.split()))
    return re.sub(r" ?l-1\Z", "/l", spelled.lower().replace("µ", "u").replace("μ", "u"))


def _needed_ratio(unit: str, known: Known) -> Fraction:
    if known.ratio is None:
        raise UserMistake(
            f"{unit.strip()} is a concentration in an extract: without the extraction ratio it is "
            "no content of the soil",
            'say how it was extracted, such as ratio = "1:5", or ask the laboratory for mg/kg',
        )
    return known.ratio


def _per_area(unit: str, known: Known) -> Fraction:
    """mg/kg of soil in one of an amount per area: over depth x density, or by the rule of twos."""
    if known.by_twos:
        if unit != "lb/acre":
            raise UserMistake(f"the rule of twos is for lb/acre, not for {unit}", "give the depth")
        return Fraction(1_000_000, POUNDS_IN_THE_RULE)
    missing = [
        name
        for name, value in (("depth", known.depth_cm), ("bulk density", known.density))
        if not value
    ]
    if missing or not known.depth_cm or not known.density:
        raise UserMistake(
            f"{unit} is an amount per area: without the {' and the '.join(missing)} that the "
            "laboratory took it is no content of the soil",
            "give both, or by_twos = true if the report says that it doubled the ppm"
            if unit == "lb/acre"
            else "give both, or ask the laboratory for mg/kg",
        )
    grams = units.UNITS["mass per area"][unit]  # per m2
    # 1 cm of soil of density 1 weighs 10 kg per m2.
    return grams * 1000 / (Fraction(known.depth_cm) * Fraction(known.density) * 10)


def refuse_share(unit: str, analyte: Analyte, remedy: str) -> None:
    """Refuse per cent of an exchangeable cation, which is its share of the charge; UserMistake."""
    if units.canonical_unit(units.of_basis(unit)[0]) == "%" and analyte.name in EXCHANGED:
        raise UserMistake(
            f"per cent of {analyte.name} is usually its share of the base saturation", remedy
        )


def is_converted(text: str, analyte: str = "") -> bool:
    """True for a method, or a column's heading, of a value computed from another extractant's.

    `analyte` is its name where it is known: a CEC is computed as a sum, organic matter from carbon.
    """
    if analyte in _COMPUTED:
        return False
    tidy = " ".join(text.translate(chemistry.SUBSCRIPTS).lower().split())
    return _CONVERTED.search(_NO_CONVERSION.sub(" ", tidy)) is not None


def refuse_converted(method: str, analyte: str = "") -> None:
    """Refuse a method, or a heading, of what is computed from another extractant's; UserMistake.

    Published factors between extractants are regional means that contradict one another (Mehlich-3
    to Bray P: 1/1.35 = 0.74 after Culman et al. 2019, Ohio ANR-75, but slopes of 0.84 after
    Mallarino): such a number is an estimate and no measurement.
    """
    if is_converted(method, analyte):
        raise UserMistake(
            f"{method!r} is computed from another extractant's value and was not measured",
            "import the column of the method that was used, and skip this one",
        )
