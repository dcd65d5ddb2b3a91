"""Where a soil value stands: its class by the published table of its nutrient and its method.

A table is for the methods that it names and for no other; what it cannot say has a sentence in
`NO_CLASS`. The words are the table's. None of it is a fertiliser recommendation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from logbook.errors import UserMistake
from logbook.handbook import Handbook, Table
from logbook.trial import chemistry

NO_CLASS = {
    "nutrient": "no table for this nutrient",
    "method": "no table for this method",
    "bulk density": "no class: the table is per litre of soil, and the bulk density is not known",
    "pH": "no class: the table needs the soil's pH in water, and none is known",
    "basis": "no class: the table is of dry soil, and this result is not",
    "range": "no class: what the limits leave open reaches over several classes",
    "soil": "no class: the tables are for settled mineral soil",
    "amended": "extractable today, not a recommendation",
}
_JUST, _FAR, _WITHIN = 1.25, 2.0, 1.1  # times the nearer end of the range; words of ours, no source
_DIGITS = 12


def bound(value: float) -> str:
    """A bound of a published table: four digits at least, so that 138.5 stays so; no exponent."""
    return f"{value:.4g}" if abs(value) < 1000.0 else f"{value:.0f}"


@dataclass(frozen=True)
class Level:
    """Where one value stands.

    class_name: the table's word, "" where there is none and `reason` says why; low, high: the
    class's bounds in `unit`, the unit of `value` (low itself lies in the class below; None:
    open); sufficient: the same for all classes that the table holds for enough, None where it
    names none; position: "below", "within" or "above" that range, "" where there is none. index:
    the value of a table that is read by one. source, note: of the table, "" without one.
    """

    nutrient: str
    method: str
    value: float
    unit: str
    class_name: str = ""
    low: float | None = None
    high: float | None = None
    sufficient: tuple[float | None, float | None] | None = None
    position: str = ""
    index: float | None = None
    source: str = ""
    note: str = ""
    reason: str = ""

    @property
    def times(self) -> float | None:
        """The value as a multiple of the end of the range that it lies beyond; None within it."""
        if self.sufficient is None or self.position not in ("below", "above"):
            return None
        end = self.sufficient[self.position == "above"]
        return None if not end else self.value / end

    @property
    def distance(self) -> str:
        """ "just" or "far" beyond the range, or "": within a quarter of its end, or twice it.

        Inside it "just" within a tenth of an end.

        Words of ours, so that a few mg/kg are not made much of: common practice, no source.
        """
        times = self.times
        if times is None:
            return "just" if self.position == "within" and self._near() else ""
        beyond = times if times >= 1.0 else (1.0 / times if times > 0 else float("inf"))
        return "just" if beyond <= _JUST else ("far" if beyond >= _FAR else "")

    def _near(self) -> bool:
        """Whether a value inside the range lies within a tenth of one of its ends."""
        low, high = self.sufficient or (None, None)
        at_low = bool(low) and self.value < low * _WITHIN  # type: ignore[operator]
        return at_low or (high is not None and self.value * _WITHIN > high)

    @property
    def words(self) -> str:
        """ "just below its range", "far above its range", "within its range", "" without one."""
        return " ".join(
            filter(None, (self.distance, self.position, "its range" * bool(self.position)))
        )


def level_of(
    handbook: Handbook,
    nutrient: str,
    method: str,
    value: float,
    unit: str,
    *,
    bulk_density: float | None = None,
    ph: float | None = None,
) -> Level:
    """The class of a value of the soil by the table of its nutrient and method.

    nutrient: canonical name ("P"); method: in any spelling of its usual name; unit: one of the
    nutrient's, or "mg/L" of soil; bulk_density in kg/L, for tables per litre of soil; ph in
    water, for tables read by an index. Where no class can be given, `Level.reason` says why.

    Raises UserMistake for a nutrient or unit that does not exist, or a number that no soil has.
    """
    for name, number in (("value", value), ("bulk density", bulk_density), ("pH", ph)):
        if number is not None and not 0.0 <= number < math.inf:
            raise UserMistake(f"a {name} of {number:g} does not exist")
    analyte = chemistry.find_analyte(nutrient)[0]
    plain = Level(analyte.name, chemistry.method_name(method), value, unit)
    table = handbook.table(plain.nutrient, plain.method)
    if table is None:
        return replace(plain, reason=_why_no_table(handbook, plain))
    plain = replace(plain, source=table.source, note=table.note)
    if table.per_volume and unit != "mg/L" and not bulk_density:
        return replace(plain, reason=NO_CLASS["bulk density"])
    if table.index is not None and ph is None:
        return replace(plain, reason=NO_CLASS["pH"])
    scale = _Scale(table, _units_per(table, analyte, unit, bulk_density), ph)
    return _classed(plain, table, scale)


def level_between(
    handbook: Handbook,
    nutrient: str,
    method: str,
    low: float,
    high: float | None,
    unit: str,
    *,
    bulk_density: float | None = None,
    ph: float | None = None,
) -> Level:
    """The class of a result that is only known to lie between two bounds (high None: open).

    `value` is `low`. A class where both bounds have the same, else none with the reason; the
    position likewise.
    """
    known = {"bulk_density": bulk_density, "ph": ph}
    bottom = level_of(handbook, nutrient, method, low, unit, **known)
    # Beyond every bound of every table: the last class holds whatever is open above.
    top = level_of(handbook, nutrient, method, 1e9 if high is None else high, unit, **known)
    if not bottom.class_name or bottom.class_name == top.class_name:
        return bottom
    position = bottom.position if bottom.position == top.position else ""
    reason = f"{NO_CLASS['range']} ({bottom.class_name} to {top.class_name})"
    return replace(bottom, class_name="", low=None, high=None, position=position, reason=reason)


@dataclass(frozen=True)
class _Scale:
    """From a value's unit to the table's and back; exact, so that a bound stays a bound."""

    table: Table
    per: Fraction
    ph: float | None

    def to_table(self, value: float) -> Fraction:
        number = _exact(value) * self.per
        index = self.table.index
        if index is None:
            return number
        return Fraction(index.slope) * number + self._offset()

    def back(self, bound: Decimal | None) -> float | None:
        """A bound in the value's unit; None where there is none, or none that a soil can have."""
        if bound is None:
            return None
        index = self.table.index
        number = Fraction(bound)
        if index is not None:
            number = (number - self._offset()) / Fraction(index.slope)
        return float(number / self.per) if number >= 0 else None

    def _offset(self) -> Fraction:
        index = self.table.index
        if index is None or self.ph is None:
            return Fraction(0)
        return Fraction(index.constant) + Fraction(index.ph) * _exact(self.ph)


def _exact(value: float) -> Fraction:
    """A float as the decimal that people see: a mean of 35.5 is 35.5, whatever its last bits."""
    return Fraction(f"{value:.{_DIGITS}g}")


def _units_per(
    table: Table, analyte: chemistry.Analyte, unit: str, bulk_density: float | None
) -> Fraction:
    """Units of the table in one unit of the value."""
    if table.per_volume:
        if unit == "mg/L":
            return Fraction(1)
        canonical = chemistry.canonical_factor(unit, analyte, Fraction(1))
        return canonical * _exact(bulk_density or 0.0)
    canonical = chemistry.canonical_factor(unit, analyte, Fraction(1))
    if table.factor is not None:
        return canonical * Fraction(table.factor)
    return canonical / chemistry.canonical_factor(table.unit, analyte, Fraction(1))


def _classed(plain: Level, table: Table, scale: _Scale) -> Level:
    """The level with its class, bounds, range and position."""
    exact = scale.to_table(plain.value)
    number = Decimal(exact.numerator) / Decimal(exact.denominator)
    place = next(n for n, step in enumerate(table.steps) if step.holds(number))
    lower = table.steps[place - 1].upper if place else None
    sufficient, position = None, ""
    if table.sufficient:
        names = [step.name for step in table.steps]
        first, last = names.index(table.sufficient[0]), names.index(table.sufficient[-1])
        ends = (table.steps[first - 1].upper if first else None, table.steps[last].upper)
        sufficient = (scale.back(ends[0]), scale.back(ends[1]))
        position = "below" if place < first else ("above" if place > last else "within")
    return replace(
        plain,
        class_name=table.steps[place].name,
        low=scale.back(lower),
        high=scale.back(table.steps[place].upper),
        sufficient=sufficient,
        position=position,
        index=None if table.index is None else float(number),
    )


def _why_no_table(handbook: Handbook, plain: Level) -> str:
    """No table, and by which methods there is one."""
    methods = handbook.methods(plain.nutrient)
    if not methods:
        return NO_CLASS["nutrient"]
    return f"{NO_CLASS['method']} (there is one for {', '.join(methods)})"
