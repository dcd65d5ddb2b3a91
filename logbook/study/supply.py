"""From mg/kg to what a grower weighs: per m2, per 100 sq ft, per hectare, per bed, per kg bought.

A content becomes an amount only with a depth and a bulk density, and both are named: the layer
into which the amendment was worked, at the bulk density measured on its beds, else the soil's.
Per kg of product it is the dose that counts, so that no density of the bed comes in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from logbook.protocol import measure
from logbook.study import amounts
from logbook.study import losses as lost
from logbook.study.brought import Matter, Stated, waiting
from logbook.trial import rates, units
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.analysis.intervals import Interval
    from logbook.study.losses import Losses
    from logbook.study.series import Series

_PER_100_SQ_FT = "lb/100 ft2"
NOT_RELEASED = "what an extractant dissolves is no supply: only mineral nitrogen and sulfate are"
_NO_WIDTH = 1e-9  # far below the last digit that any laboratory reports
NONE_YET = "none was available by then: a price for each kg of it has no sense"


@dataclass(frozen=True)
class Layer:
    """The soil that a content is of: depth, bulk density in kg/L and whose; the beds' area in m2.

    reason: why it is no layer that a content can be multiplied with, "" where it is.
    """

    depth_cm: Decimal
    bulk_density: Decimal | None
    whose: str
    area_m2: Decimal | None
    reason: str = ""

    @property
    def spoken(self) -> str:
        """`15 cm at 1.12 kg/L (measured on B2, B6)`."""
        if self.bulk_density is None:
            return f"{short(self.depth_cm)} cm, bulk density not known"
        density = short(round(self.bulk_density, 3))
        return f"{short(self.depth_cm)} cm at {density} kg/L ({self.whose})"

    def per_ha(self, content: Stated) -> Stated:
        """kg/ha of a content in mg/kg of dry soil."""
        if self.reason or self.bulk_density is None:
            return Stated(None, "kg/ha", reason=self.reason)
        factor = rates.kg_per_ha(Decimal(1), self.bulk_density, self.depth_cm)
        return content.times(float(factor), "kg/ha")

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
    return Layer(
        depth_cm=treatment.depth_cm,
        bulk_density=density[0] if density else None,
        whose=density[1] if density else "",
        area_m2=areas.pop() if len(areas) == 1 else None,
        reason=reason,
    )


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
    product = _per_product(series, content, matter)
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


def _per_product(series: Series, content: Stated, matter: Matter) -> Stated:
    """g of the nutrient for each kg of the amendment as it is."""
    from logbook.study.series import RELEASED

    unit = "g/kg"
    if series.analyte not in RELEASED:
        return Stated(None, unit, reason=f"cannot be given: {NOT_RELEASED}")
    if content.value is None and content.low is None:
        return Stated(None, unit, reason=content.reason)
    ident, treatment = matter.treatment(series.treatment)
    if matter.depth_cm > treatment.depth_cm:
        return Stated(None, unit, reason=layer_of(matter, series.treatment).reason)
    doses = [_dose(matter, bed) for bed in matter.beds(ident)]
    known = [one for one in doses if one is not None]
    if not known or len(known) < len(doses):
        unknown = amounts.missing_for_dilution(matter.known, ident)
        return Stated(None, unit, reason=waiting(unknown or ["the amount in every bed"]))
    # mg of the nutrient in a kg of the mix, over g of product in it, is g for each kg of product.
    return content.times(1.0 / (sum(known) / len(known)), unit)


def _dose(matter: Matter, bed: str) -> float | None:
    """g of product as it is in each kg of a bed's dry mix."""
    got = amounts.applied(matter.known, bed)
    if got is None or None in (got.mass_g, got.dry_mass_g, got.soil_dry_mass_g):
        return None
    mass, dry, soil = (got.mass_g, got.dry_mass_g, got.soil_dry_mass_g)
    assert mass is not None and dry is not None and soil is not None
    return float(mass / (dry + soil) * 1000)


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
    if product.value <= 0:
        return Stated(None, unit, reason=f"cannot be given: {NONE_YET}")
    return _over(float(each) * 1000.0, product, unit)


def _over(money: float, product: Stated, unit: str) -> Stated:
    """Money for each kg; where the supply may be nothing, the dearer end is open."""
    low = None if product.high is None else money / product.high
    high, reason = None, product.reason
    if product.low is not None and product.low > 0:
        high = money / product.low
    elif product.low is not None:
        reason = "no upper end: the supply may have been nothing"
    assert product.value is not None
    return Stated(money / product.value, unit, low, high, reason)
