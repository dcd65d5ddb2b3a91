"""From mg/kg to what a grower weighs: per m2, per 100 sq ft, per hectare, per bed, per kg bought.

A content is of a kg of the dry mix. It becomes an amount with the dry mass of the layer into which
the amendment was worked, soil and amendment together: by the bulk density measured on its beds,
else the soil's part by the soil's density and the amendment's dry mass as applied. One mass serves
per area and per kg of product, so that product per m2 x g per kg of product is g per m2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.protocol import measure
from logbook.study import amounts
from logbook.study import losses as lost
from logbook.study.brought import Matter, Stated, waiting
from logbook.trial import units
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.analysis.intervals import Interval
    from logbook.study.losses import Losses
    from logbook.study.series import Series

_PER_100_SQ_FT = "lb/100 ft2"
NOT_RELEASED = "what an extractant dissolves is no supply: only mineral nitrogen and sulfate are"
_NO_WIDTH = 1e-9  # far below the last digit that any laboratory reports
NONE_YET = "none was shown to be available by then: a price for each kg of it has no sense"
_LITRES = 10  # in 1 m2 x 1 cm


@dataclass(frozen=True)
class Layer:
    """The dry mix that a content is of: depth, bulk density in kg/L and whose; a bed's area in m2.

    mass, soil: kg of dry soil and amendment per m2 as applied, and of the soil in it, None where
    the bulk density is that of the treated beds themselves; product: kg of the amendment as it is
    per m2, None where not known.
    reason: why it is no layer that a content can be multiplied with, "" where it is.
    """

    depth_cm: Decimal
    bulk_density: Decimal | None
    whose: str
    area_m2: Decimal | None
    reason: str = ""
    mass: Decimal | None = None
    soil: Decimal | None = None
    product: Decimal | None = None

    @property
    def kg_per_m2(self) -> Decimal | None:
        """Dry mass of the layer, soil and amendment, kg for each m2; None where not known."""
        if self.mass is not None or self.bulk_density is None:
            return self.mass
        return self.bulk_density * self.depth_cm * _LITRES

    @property
    def spoken(self) -> str:
        """`15 cm: 168 kg of dry mix per m2 (at 1.12 kg/L, measured on B2, B6)`; else its parts.

        Every number that its mass is made of: a reader may want to do it again by hand.
        """
        depth, mass = f"{short(self.depth_cm)} cm", self.kg_per_m2
        if self.bulk_density is None or mass is None:
            return f"{depth}, bulk density not known"
        density = f"at {short(round(self.bulk_density, 3))} kg/L, {self.whose}"
        told = f"{depth}: {_kg(mass)} of dry mix per m2"
        if self.mass is None or self.soil is None:
            return f"{told} ({density})"
        share = self.soil / (self.bulk_density * self.depth_cm * _LITRES)
        volume = short(round(100 * share, 1))
        part = "" if share > _ALL_OF_IT else f", in {volume} % of the volume"
        rest = _kg(mass - self.soil)
        return f"{told} ({_kg(self.soil)} of soil {density}{part}, and {rest} of amendment)"

    def per_ha(self, content: Stated) -> Stated:
        """kg/ha of a content in mg/kg of the dry mix: 1 mg/kg x 1 kg/m2 is 0.01 kg/ha."""
        mass = self.kg_per_m2
        if self.reason or mass is None:
            return Stated(None, "kg/ha", reason=self.reason)
        return content.times(float(mass) / 100.0, "kg/ha")

    def per_m2(self, content: Stated) -> Stated:
        """g/m2; 1 g/m2 is 10 kg/ha."""
        return self.per_ha(content).times(0.1, "g/m2")

    def per_100_sq_ft(self, content: Stated) -> Stated:
        """lb for 100 square feet."""
        factor = float(1 / units.UNITS["mass per area"][_PER_100_SQ_FT])
        return self.per_m2(content).times(factor, _PER_100_SQ_FT)

    def per_bed(self, content: Stated) -> Stated:
        """g in the layer of one bed."""
        if self.area_m2 is None:
            return Stated(None, "g/bed", reason="the beds differ in size: see the amount per m2")
        return self.per_m2(content).times(float(self.area_m2), "g/bed")


_ALL_OF_IT = Decimal("0.9995")  # of a layer's volume, to three digits


def _kg(mass: Decimal) -> str:
    """Kilograms to four digits, so that the parts add up."""
    return f"{float(mass):.4g} kg" if mass < 1000 else f"{mass:.0f} kg"


@dataclass(frozen=True)
class Supply:
    """What an amendment made available by a day, net: each with its interval or its reason.

    per_kg_product in g for each kg as it is; cost in money for each kg of the nutrient, `currency`
    beside it. bound, because: as in `recovery.Recovered`. method: how the interval was found.
    """

    day: float
    per_kg_product: Stated
    per_m2: Stated
    per_100_sq_ft: Stated
    kg_per_ha: Stated
    per_bed: Stated
    cost: Stated
    layer: Layer
    bound: str
    because: tuple[str, ...]
    method: str

    @property
    def depth_cm(self) -> Decimal:
        """The depth that the amounts per area are of."""
        return self.layer.depth_cm

    @property
    def bulk_density(self) -> Decimal | None:
        """The bulk density that the amounts per area are of, kg/L."""
        return self.layer.bulk_density

    @property
    def whose(self) -> str:
        """Whose bulk density that is."""
        return self.layer.whose


def layer_of(matter: Matter, code: str) -> Layer:
    """The layer of a treatment's beds into which its amendment was worked."""
    ident, treatment = matter.treatment(code)
    areas = {matter.known.beds[bed].area_m2 for bed in matter.beds(ident)}
    density = amounts.bulk_density(matter.known, matter.densities, ident)
    reason = ""
    if matter.depth_cm > treatment.depth_cm:
        reason = (
            f"cannot be given: samples reach {short(matter.depth_cm)} cm and the amendment "
            f"{short(treatment.depth_cm)} cm"
        )
    elif density is None:
        reason = waiting(["the soil's bulk density"])
    own = density is not None and any(bed in matter.densities for bed in matter.beds(ident))
    mass, product, soil = _applied_per_m2(matter, ident)
    if not reason and mass is None and not own:
        unknown = amounts.missing_for_dilution(matter.known, ident)
        reason = waiting(unknown or ["the amount in every bed"])
    return Layer(
        depth_cm=treatment.depth_cm,
        bulk_density=density[0] if density else None,
        whose=density[1] if density else "",
        area_m2=areas.pop() if len(areas) == 1 else None,
        reason=reason,
        mass=None if own else mass,
        soil=None if own else soil,
        product=product,
    )


def _applied_per_m2(
    matter: Matter, treatment: str
) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    """Dry soil and amendment, the product as it is, the dry soil: kg per m2, means over beds."""
    masses, products, soils = [], [], []
    for bed in matter.beds(treatment):
        got, area = amounts.applied(matter.known, bed), matter.known.beds[bed].area_m2 * 1000
        if got is None or got.mass_g is None:
            return None, None, None
        products.append(got.mass_g / area)
        if got.dry_mass_g is not None and got.soil_dry_mass_g is not None:
            masses.append((got.dry_mass_g + got.soil_dry_mass_g) / area)
            soils.append(got.soil_dry_mass_g / area)
    if not products:
        return None, None, None
    known = len(masses) == len(products)
    whole, soil = (_mean(masses), _mean(soils)) if known else (None, None)
    return whole, _mean(products), soil


def _mean(numbers: Sequence[Decimal]) -> Decimal:
    return sum(numbers, Decimal(0)) / len(numbers)


def as_applied(matter: Matter, code: str) -> float:
    """The layer's dry mass as it was applied, over the mass that amounts per area are of."""
    ident, _ = matter.treatment(code)
    mass, layer = _applied_per_m2(matter, ident)[0], layer_of(matter, code).kg_per_m2
    return 1.0 if mass is None or not layer else float(mass / layer)


def available(series: Series, day: float, matter: Matter, losses: Losses) -> Supply:
    """What was available by a day, per kg of product and per area: D(day), what came in included.

    Between two pulls the straight line that joins them counts. matter: from `brought.matter` of
    the same trial; losses: of the series' treatment.
    """
    interval = series.fitted.at_day(day) if series.fitted is not None else None
    return supply_of(series, day, interval, matter, losses)


def supply_of(
    series: Series, day: float, interval: Interval | None, matter: Matter, losses: Losses
) -> Supply:
    """`available` of an interval that is known already; None: there are no beds to take it from."""
    content = _content(series, interval, matter)
    layer = layer_of(matter, series.treatment)
    word, because = lost.bound(lost.met_by(losses, series), series.analyte, day)
    product = _per_product(series, content, matter, layer)
    return Supply(
        day=day,
        per_kg_product=product,
        per_m2=layer.per_m2(content),
        per_100_sq_ft=layer.per_100_sq_ft(content),
        kg_per_ha=layer.per_ha(content),
        per_bed=layer.per_bed(content),
        cost=cost(product, matter, series.treatment),
        layer=layer,
        bound=word,
        because=because,
        method="none" if interval is None else interval.method,
    )


def _content(series: Series, interval: Interval | None, matter: Matter) -> Stated:
    """The net difference in mg/kg of dry soil, or why there is none."""
    if series.unit != "mg/kg" or series.basis != "dry":
        why = f"cannot be given: results in {series.unit} of {series.basis} soil are no content"
        return Stated(None, "mg/kg", reason=why)
    if series.dilution is None:
        ident, _ = matter.treatment(series.treatment)
        unknown = amounts.missing_for_dilution(matter.known, ident)
        return Stated(None, "mg/kg", reason=waiting(unknown or ["the dilution"]))
    if interval is None:
        return Stated(None, "mg/kg", reason="cannot be given: no pull of beds to take it from")
    one = seen(interval)
    return Stated(one.value, "mg/kg", one.low, one.high, one.reason_low or one.reason_high)


def seen(found: Interval) -> Interval:
    """The interval, without its ends where beds agree to the last digit: no spread was seen."""
    from logbook.analysis.series import SPREAD_UNSEEN

    if found.value is None or found.low is None or found.high is None:
        return found
    if found.high - found.low > _NO_WIDTH * max(1.0, abs(found.value)):
        return found
    unseen = SPREAD_UNSEEN
    return replace(found, low=None, high=None, df=None, reason_low=unseen, reason_high=unseen)


def _per_product(series: Series, content: Stated, matter: Matter, layer: Layer) -> Stated:
    """g of the nutrient for each kg of the amendment as it is."""
    from logbook.study.series import RELEASED

    unit = "g/kg"
    if series.analyte not in RELEASED:
        return Stated(None, unit, reason=f"cannot be given: {NOT_RELEASED}")
    if content.value is None and content.low is None:
        return Stated(None, unit, reason=content.reason)
    ident, treatment = matter.treatment(series.treatment)
    if matter.depth_cm > treatment.depth_cm:
        return Stated(None, unit, reason=layer.reason)
    mass = layer.kg_per_m2
    if not layer.product or mass is None:
        unknown = amounts.missing_for_dilution(matter.known, ident)
        return Stated(None, unit, reason=waiting(unknown or ["the amount in every bed"]))
    # mg of the nutrient on a m2 over kg of product on it, in g.
    return content.times(float(mass / layer.product) / 1000.0, unit)


def cost(product: Stated, matter: Matter, code: str) -> Stated:
    """Money for each kg of the nutrient that a kg of product gave (g/kg), from the lot's price."""
    _, treatment = matter.treatment(code)
    lot, name = treatment.lot or "", matter.name(treatment)
    written = matter.prices.get(lot)
    if written is None:
        return Stated(None, "", reason=f"cannot be given: the price of {name} is not known")
    price = measure.price_parts(written)
    unit = f"{price.currency}/kg"
    density = matter.known.densities.get(lot)
    if price.unit == "L" and density is None:
        return Stated(None, unit, reason=waiting([f"the density of {name}"]))
    each = price.each if price.unit == "kg" or density is None else price.each / density
    if product.value is None:
        return Stated(None, unit, reason=product.reason)
    if product.value <= 0 or (product.low is not None and product.low <= 0):
        return Stated(None, unit, reason=f"cannot be given: {NONE_YET}")
    return _over(float(each) * 1000.0, product, unit)


def _over(money: float, product: Stated, unit: str) -> Stated:
    """Money for each kg: the dearer end by the smaller supply."""
    assert product.value is not None
    low = None if product.high is None else money / product.high
    high = None if product.low is None else money / product.low
    return Stated(money / product.value, unit, low, high, product.reason)
