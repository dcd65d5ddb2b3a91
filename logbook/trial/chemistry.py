"""Nutrients and other analytes: names, canonical units, chemical forms, methods, limits.

Canonical names are what laboratories print: elements by symbol, nitrogen forms as N. A value is
only ever compared with another of the same analyte, method and basis.
"""

from __future__ import annotations

import re
from contextlib import suppress
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
    ("CaCO3", "carbonate, as calcium carbonate"),
)
_IN_PER_CENT = ("OM", "CaCO3")
ANALYTES: dict[str, Analyte] = {
    name: Analyte(name, "%" if name in _IN_PER_CENT else "mg/kg", title) for name, title in _CONTENT
} | {
    "pH": Analyte("pH", "pH", "pH", "acidity"),
    "EC": Analyte("EC", "dS/m", "electrical conductivity", "conductivity"),
    "CEC": Analyte("CEC", "cmol(+)/kg", "cation exchange capacity", "charge"),
}

# Names of the trade, lower case, as `_plain_name` leaves them.
_ALIASES = {
    "no3-n": "nitrate-N", "no3n": "nitrate-N", "no3 n": "nitrate-N", "n-no3": "nitrate-N",
    "nitrate-n": "nitrate-N", "nitrate nitrogen": "nitrate-N", "nitrate n": "nitrate-N",
    "nitrate-nitrogen": "nitrate-N", "nh4-n": "ammonium-N", "nh4n": "ammonium-N",
    "nh4 n": "ammonium-N", "n-nh4": "ammonium-N", "ammonium-n": "ammonium-N",
    "ammonium nitrogen": "ammonium-N", "ammonium n": "ammonium-N",
    "ammonium-nitrogen": "ammonium-N", "ammonia-n": "ammonium-N", "total n": "total-N",
    "total nitrogen": "total-N", "tn": "total-N", "phosphorus": "P", "potassium": "K",
    "calcium": "Ca", "magnesium": "Mg", "sodium": "Na", "aluminium": "Al", "aluminum": "Al",
    "so4-s": "sulfate-S", "so4 s": "sulfate-S", "sulfate-s": "sulfate-S",
    "sulphate-s": "sulfate-S", "sulfate sulfur": "sulfate-S", "sulphate sulphur": "sulfate-S",
    "sulfur": "S", "sulphur": "S", "iron": "Fe", "manganese": "Mn", "zinc": "Zn", "copper": "Cu",
    "boron": "B", "chloride": "Cl", "organic matter": "OM", "soil organic matter": "OM",
    "org matter": "OM", "org. matter": "OM", "organic material": "OM",
    "electrical conductivity": "EC", "soluble salts": "EC", "conductivity": "EC",
    "cation exchange capacity": "CEC", "soil ph": "pH", "organic carbon": "organic-C",
    "toc": "organic-C", "mineral n": "mineral-N", "mineral nitrogen": "mineral-N",
    "min-n": "mineral-N", "nmin": "mineral-N", "n min": "mineral-N", "n-min": "mineral-N",
    "calcium carbonate": "CaCO3", "calcium carbonate equivalent": "CaCO3",
    "caco3 equivalent": "CaCO3", "caco3 equiv": "CaCO3", "caco3 equiv.": "CaCO3",
    "carbonate as caco3": "CaCO3", "carbonates as caco3": "CaCO3",
}  # fmt: skip

# Names in German, French and Spanish, from memory: those that mean one thing only.
_ALIASES |= {
    "nitrat-n": "nitrate-N", "nitrat-stickstoff": "nitrate-N", "nitratstickstoff": "nitrate-N",
    "ammonium-stickstoff": "ammonium-N", "ammoniumstickstoff": "ammonium-N",
    "gesamt-n": "total-N", "gesamtstickstoff": "total-N", "ph-wert": "pH", "kalzium": "Ca",
    "natrium": "Na", "eisen": "Fe", "mangan": "Mn", "zink": "Zn", "kupfer": "Cu", "bor": "B",
    "chlorid": "Cl", "organische substanz": "OM", "leitfähigkeit": "EC",
    "elektrische leitfähigkeit": "EC",
    "azote nitrique": "nitrate-N", "azote ammoniacal": "ammonium-N", "azote total": "total-N",
    "magnésium": "Mg", "manganèse": "Mn", "cuivre": "Cu", "matière organique": "OM",
    "conductivité": "EC",
    "nitrógeno nítrico": "nitrate-N", "nitrógeno amoniacal": "ammonium-N",
    "nitrógeno total": "total-N", "calcio": "Ca", "magnesio": "Mg", "sodio": "Na",
    "hierro": "Fe", "manganeso": "Mn", "cobre": "Cu", "materia orgánica": "OM",
    "conductividad eléctrica": "EC",
}  # fmt: skip

# Words that name an ion or an element with it: laboratories print both readings under them.
_AMBIGUOUS = {
    "nitrate": ("NO3", "NO3-N"),
    "ammonium": ("NH4", "NH4-N"),
    "ammonia": ("NH4", "NH4-N"),
    "sulfate": ("SO4", "SO4-S"),
    "sulphate": ("SO4", "SO4-S"),
    "phosphate": ("P2O5", "P"),
    "potash": ("K2O", "K"),
    "nitrogen": ("total-N", "NO3-N"),
    "n": ("total-N", "NO3-N"),
    # In German, French and Spanish, from memory: reports print the oxide under the element's name.
    "nitrat": ("NO3", "NO3-N"),
    "sulfat": ("SO4", "SO4-S"),
    "phosphor": ("P2O5", "P"),
    "phosphore": ("P2O5", "P"),
    "fósforo": ("P2O5", "P"),
    "kalium": ("K2O", "K"),
    "kali": ("K2O", "K"),
    "potasio": ("K2O", "K"),
}


def _oxide(element: str, atoms: int, oxygens: int) -> Fraction:
    mass = atoms * WEIGHTS[element]
    return mass / (mass + oxygens * WEIGHTS["O"])


# Chemical forms that laboratories and bags use for the same analyte, and the share of it in them.
FORMS: dict[str, tuple[str, Fraction]] = {
    "no3": ("nitrate-N", _oxide("N", 1, 3)),
    "nh4": ("ammonium-N", WEIGHTS["N"] / (WEIGHTS["N"] + 4 * WEIGHTS["H"])),
    "p2o5": ("P", _oxide("P", 2, 5)),
    "k2o": ("K", _oxide("K", 2, 1)),
    "po4": ("P", _oxide("P", 1, 4)),
    "so4": ("sulfate-S", _oxide("S", 1, 4)),
    "cao": ("Ca", _oxide("Ca", 1, 1)),
    "mgo": ("Mg", _oxide("Mg", 1, 1)),
}
# By itself CaCO3 is the carbonate of a soil, its lime; only "Ca as CaCO3" is calcium.
_AS_CARBONATE = WEIGHTS["Ca"] / (WEIGHTS["Ca"] + WEIGHTS["C"] + 3 * WEIGHTS["O"])


_BY_NAME = {name.lower(): name for name in ANALYTES} | _ALIASES
_NAMED_FORM = re.compile(r"(.+?)\s*(?:\bas\b|[(,])\s*([^()]+?)\s*\)?\Z", re.DOTALL)
SUBSCRIPTS = str.maketrans("₂₃₄₅", "2345")


def find_analyte(text: str) -> tuple[Analyte, Fraction]:
    """The analyte a name means and the share of it in the form named.

    "NO3-N" is (nitrate-N, 1); "NO3" is (nitrate-N, 14.007/62.004). Raises UserMistake for an
    unknown name and for a word such as "nitrate", which laboratories print for either.
    """
    by_symbol = ANALYTES.get(" ".join(text.split()))
    name = _plain_name(text)
    found = (by_symbol, Fraction(1)) if by_symbol else _look_up(name) or _with_form(name)
    if found is not None:
        return found
    if name in _AMBIGUOUS:
        one, other = _AMBIGUOUS[name]
        raise UserMistake(f"{text.strip()!r} may mean {one} or {other}", f"write {one} or {other}")
    near = _nearest(name)
    raise UserMistake(
        f"{text.strip()[:40]!r} is not a nutrient this program knows",
        f"did you mean {near}?" if near else f"use one of: {', '.join(ANALYTES)}",
    )


def _nearest(name: str) -> str:
    """The nutrient whose name, or a name of the trade for it, is nearly this one; "" if none is."""
    from difflib import get_close_matches

    asked = {word: FORMS.get(form.lower(), (form,))[0] for word, (form, _) in _AMBIGUOUS.items()}
    known = {form: analyte for form, (analyte, _) in FORMS.items()} | asked | _BY_NAME
    # The same first letter: kalium is as near to calcium as potasium is to potassium.
    alike = [word for word in known if len(word) > 3 and word[0] == name[:1]]
    found = get_close_matches(name, alike, 1, 0.8)
    return known[found[0]] if found else ""


def name_of(text: str) -> str:
    """The name of the analyte that a text means; "" where it means none, or two."""
    with suppress(UserMistake):
        return find_analyte(text)[0].name
    return ""


def named(text: str) -> str:
    """The name of the analyte that is asked for, where no value stands beside it: "nitrate".

    In which form a report gives it does not matter there. Raises UserMistake.
    """
    both = {find_analyte(form)[0].name for form in _AMBIGUOUS.get(_plain_name(text), ())}
    return both.pop() if len(both) == 1 else find_analyte(text)[0].name


def is_ambiguous(text: str) -> bool:
    """True for a word such as "nitrate", which laboratories print for an ion or its element."""
    return _plain_name(text) in _AMBIGUOUS


def readings(text: str) -> tuple[str, str]:
    """The two forms that an ambiguous word may mean: ("NO3", "NO3-N")."""
    return _AMBIGUOUS[_plain_name(text)]


def _plain_name(text: str) -> str:
    """Lower case, one blank between words, no subscripts and no charge ("NO₃⁻" -> "no3")."""
    lowered = " ".join(text.translate(SUBSCRIPTS).lower().split())
    lowered = re.sub(r"\s*[-–_]\s*", "-", lowered)
    return re.sub(r"(?<=[0-9])( ?[0-9]?[-+⁻⁺²]+)\Z", "", lowered)


def _look_up(name: str) -> tuple[Analyte, Fraction] | None:
    if name in FORMS:
        analyte, share = FORMS[name]
        return ANALYTES[analyte], share
    known = _BY_NAME.get(name)
    return None if known is None else (ANALYTES[known], Fraction(1))


def _with_form(name: str) -> tuple[Analyte, Fraction] | None:
    """ "phosphorus as P2O5", "nitrate (NO3-N)", "nitrate as N": the form named last counts."""
    match = _NAMED_FORM.match(name)
    if match is None:
        return None
    outer, inner = match[1], match[2]
    readings = [_look_up(_plain_name(form)) for form in _AMBIGUOUS.get(outer, (outer,))]
    analytes = {reading[0] for reading in readings if reading}
    element = {"n": {"nitrate-N", "ammonium-N"}, "s": {"sulfate-S"}}.get(inner)
    if element:
        named = [analyte for analyte in analytes if analyte.name in element]
        return (named[0], Fraction(1)) if len(named) == 1 else None
    if inner == "caco3" and outer in ("ca", "calcium"):
        return ANALYTES["Ca"], _AS_CARBONATE
    found = _look_up(inner)
    return found if found and found[0] in analytes else None


# Extractants and procedures by their usual names; keys as `_method_key` leaves them.
_METHODS = {
    "Mehlich-3": ("mehlich 3", "mehlich iii", "mehlich3", "m3", "m 3"),
    "Mehlich-1": ("mehlich 1", "mehlich i", "mehlich1", "m1", "m 1"),
    "Bray P1": ("bray p1", "bray 1", "bray i", "bray1", "bray 1 p"),
    "Bray P2": ("bray p2", "bray 2", "bray ii", "bray2", "bray 2 p"),
    "Olsen": ("olsen", "olsen p"),
    "DTPA": ("dtpa",),
    "ammonium acetate": ("ammonium acetate", "nh4oac", "nh4 acetate"),
    "1 M KCl": ("1 m kcl", "1m kcl", "kcl 1 m", "kcl 1m", "1 n kcl", "1n kcl", "1 mol/l kcl"),
    "2 M KCl": ("2 m kcl", "2m kcl", "kcl 2 m", "kcl 2m", "2 n kcl", "2n kcl", "2 mol/l kcl"),
    "CaCl2": ("cacl2",),
    "CAL": ("cal", "calcium acetate lactate", "calcium acetat lactat"),
    "0.01 M CaCl2": ("0.01 m cacl2", "0.01m cacl2", "cacl2 0.01 m", "cacl2 0.01m"),
    "saturated paste": ("saturated paste", "sat paste", "saturation extract"),
    "loss on ignition": ("loss on ignition", "loi"),
    "Walkley-Black": ("walkley black",),
    "dry combustion": ("dry combustion", "dumas"),
    "Kjeldahl": ("kjeldahl", "tkn"),
} | {
    f"water {ratio}": (
        f"water {ratio}", f"{ratio} water", f"h2o {ratio}", f"{ratio} h2o", f"{ratio} soil:water"
    )
    for ratio in ("1:1", "1:2", "1:2.5", "1:5")
}  # fmt: skip
_METHOD_NAMES = {key: name for name, keys in _METHODS.items() for key in keys}


def method_name(text: str) -> str:
    """A method's usual name ("mehlich 3" -> "Mehlich-3"), or the text with single blanks.

    Only spellings of one and the same procedure are joined: "KCl" without its strength and
    "Mehlich-3 ICP" stay what they are, series of their own.
    """
    return _METHOD_NAMES.get(_method_key(text), " ".join(text.translate(SUBSCRIPTS).split()))


# The other name by which people know a method.
_ALSO_CALLED = {
    "dry combustion": "Dumas", "loss on ignition": "LOI", "CAL": "calcium acetate lactate",
}  # fmt: skip


def method_spoken(name: str) -> str:
    """A method's usual name with the other one that people type: `dry combustion, Dumas`."""
    return f"{name}, {_ALSO_CALLED[name]}" if name in _ALSO_CALLED else name


def is_method(text: str) -> bool:
    """True for a method that `method_name` knows under one of its usual names."""
    return _method_key(text) in _METHOD_NAMES


def _method_key(text: str) -> str:
    lowered = text.translate(SUBSCRIPTS).lower().replace("0,01", "0.01")
    return " ".join(re.sub(r"[-_,]", " ", lowered).split())


_NOT_OF_SOIL = re.compile(r"(mg|ug|g|meq|mmol|mmolc)/(l|dm3|m3|ml|100(ml|cm3|cc))\Z")


def read_unit(text: str, analyte: Analyte) -> str:
    """The canonical spelling of a unit that measures `analyte`; raises UserMistake with why not.

    mg/L belongs to an extract or a paste and lb/acre to an area: neither is a content of the dry
    soil, and no factor makes it one without knowing more.
    """
    known = units.canonical_unit(text)
    usual = ", ".join(_units_of(analyte))
    if known in _units_of(analyte):
        return known or ""
    if analyte.dimension == "content" and known in units.UNITS["mass per area"]:
        raise UserMistake(
            f"{known} is an amount per area: without the depth and the bulk density that the "
            "laboratory took it is no content of the soil",
            f"ask the laboratory for {analyte.unit}",
        )
    if _NOT_OF_SOIL.match(" ".join(text.lower().split()).replace(" ", "")):
        raise UserMistake(
            f"{text.strip()} is a concentration in an extract (or per volume of soil), "
            "not a content of the dry soil",
            f"ask the laboratory for {analyte.unit}",
        )
    raise UserMistake(f"{text.strip()[:40]!r} is not a unit of {analyte.name}", f"use {usual}")


def _units_of(analyte: Analyte) -> list[str]:
    charged = analyte.dimension == "content" and analyte.name in _CHARGE
    return [*units.UNITS[analyte.dimension], *(units.UNITS["charge"] if charged else ())]


def to_canonical(value: Decimal, unit: str, analyte: Analyte, share: Fraction) -> Decimal:
    """A reported value in the analyte's canonical unit and form.

    Charge (cmol(+)/kg = meq/100 g) becomes mg/kg through molar mass / charge. Raises UserMistake
    where the unit does not measure this analyte.
    """
    return units.scale(value, canonical_factor(unit, analyte, share))


def canonical_factor(unit: str, analyte: Analyte, share: Fraction) -> Fraction:
    """What a value in `unit` and form is multiplied with to be canonical; exact.

    A mole of charge is the same in every form, so `share` does not touch it.
    """
    if analyte.dimension == "content" and unit in units.UNITS["charge"]:
        return units.UNITS["charge"][unit] * _charge_factor(analyte)
    table = units.UNITS[analyte.dimension]
    if unit not in table:
        raise UserMistake(
            f"{unit} is not a unit of {analyte.name}", f"use one of: {', '.join(table)}"
        )
    return share * table[unit] / table[analyte.unit]


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

    `qualifier` is "" (a value), "<" (below `limit`) or ">" (above `limit`); `flags` are words of
    `qualifiers.WORDS`. Flagged cells may have neither a value nor a limit.
    """

    value: Decimal | None
    limit: Decimal | None
    qualifier: str = ""
    flags: str = ""


_LIMIT = re.compile(r"([<>≤≥])\s*=?\s*(.+)\Z", re.DOTALL)
_SIDES = {"<": "<", "≤": "<", ">": ">", "≥": ">"}
_ABSENT = ("ND", "N.D.", "N.D", "NOT DETECTED", "BDL", "BLQ", "BRL")
_NOT_DETECTED = frozenset((*_ABSENT, "<LOD", "<LOQ", "<RL", "<MDL", "<DL", "<QL"))
RATINGS = frozenset(("VL", "L", "M", "H", "VH", "LOW", "MEDIUM", "HIGH", "VERY LOW", "VERY HIGH"))
_NOTHING = frozenset(("", "-", "--", "NA", "N/A", "NULL", "NONE"))


def is_not_detected(text: str) -> bool:
    """True for a word by which every laboratory says that nothing was found: `ND`, `< LOD`."""
    word = text.strip().upper()
    return word in _NOT_DETECTED or word.replace(" ", "") in _NOT_DETECTED


def parse_cell(text: str, limit: str = "", decimal_comma: bool | None = None) -> Measured:
    """Read a result cell: `12.5`, `12,5`, `<0.5`, `>200`, `ND` (with `limit` from its column).

    A non-detect without a limit is refused, never read as zero; so are negative limits, thousands
    marks, ratings and empty cells. `decimal_comma` as in `units.number`. Raises UserMistake.
    """
    cell = text.strip()
    word = cell.upper()
    if is_not_detected(cell):
        if not limit.strip():
            raise UserMistake(f"{cell!r} needs the laboratory's limit", "write it as <LIMIT")
        return Measured(None, _limit(limit.strip().lstrip("<"), decimal_comma), "<")
    match = _LIMIT.match(cell)
    if match:
        return Measured(None, _limit(match[2], decimal_comma), _SIDES[match[1]])
    if word in _NOTHING:
        raise UserMistake("there is no value", "leave the row out if nothing was measured")
    if word in RATINGS:
        raise UserMistake(f"{cell!r} is a rating, not a measurement", "write the number behind it")
    return Measured(units.number(cell, decimal_comma), None)


def _limit(text: str, decimal_comma: bool | None) -> Decimal:
    value = units.number(text, decimal_comma)
    if value < 0:
        raise UserMistake(f"{text.strip()!r} is a negative limit", "write it as <LIMIT")
    if value == 0:
        raise UserMistake("a limit of 0 says nothing", "write the laboratory's limit as <LIMIT")
    return value


def most_possible(analyte: Analyte) -> Decimal:
    """The largest canonical value that can exist: pH 14, all of the sample, or no bound."""
    if analyte.dimension == "acidity":
        return Decimal(14)
    if analyte.dimension != "content":
        return Decimal("Infinity")
    return Decimal(100 if analyte.unit == "%" else 1_000_000)


def check_range(value: Decimal, analyte: Analyte) -> None:
    """Refuse what no soil can have: `value` is canonical. Raises UserMistake."""
    if 0 <= value <= most_possible(analyte):
        return
    if analyte.dimension == "acidity":
        raise UserMistake(
            f"a pH of {units.short(value)} does not exist", "pH lies between 0 and 14"
        )
    if value < 0:
        raise UserMistake(
            f"{analyte.name} cannot be negative",
            "ask the laboratory for its limit and write it as <LIMIT",
        )
    raise UserMistake(
        f"{units.short(value)} {analyte.unit} of {analyte.name} is more than the whole sample",
        "check the unit",
    )
