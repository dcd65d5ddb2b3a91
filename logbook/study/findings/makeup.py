"""Nitrogen to make up: a range per area and per bed, its products, each with its cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.handbook import Product, available_n
from logbook.study.brought import Stated
from logbook.study.deeper import maybe_deeper
from logbook.study.findings.content import Finding, number, span
from logbook.study.findings.nitrogen import AT_ONCE, unseen
from logbook.study.findings.pulls import called, words
from logbook.study.supply import Layer
from logbook.trial.times import age_text
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.study.series import Series

LABEL_FIRST = (
    "first of all the product's label and local rules: nitrogen salts burn roots and leaves, hurt "
    "eyes and skin, and ammonium and urea give off ammonia beside lime or ash"
)
TEST_INSTEAD = "test nitrate before planting"


def make_up_findings(
    series: Series, layer: Layer, products: Sequence[Product]
) -> Iterator[Finding]:
    """Nitrogen to make up: a range per m2 and per bed, cautions first; or to test instead."""
    fitted = series.fitted
    make_up, below = (None, None) if fitted is None else (fitted.make_up, fitted.below)
    if make_up is None or below is None or not below.shown or unseen(series, below):
        return
    start = Finding("make-up", "mineral-N", "make-up N", "")
    trough = make_up.trough
    if trough is None or trough.low is None or trough.high is None or below.trough_day is None:
        why = make_up.reason.replace("recovery not shown", "level with the control again not shown")
        yield replace(start, sentence=f"no amount of make-up N can be given: {why}")
        return
    missing = Stated(trough.value, "mg/kg", max(trough.low, 0.0), trough.high)
    per_m2, per_bed = layer.per_m2(missing), layer.per_bed(missing)
    if per_m2.low is None or per_m2.high is None:
        said = f"no amount of make-up N can be given: {per_m2.reason}; {TEST_INSTEAD}"
        yield replace(start, sentence=said)
        return
    counted = [(one, share) for one in products if (share := _share_by(one, below.trough_day))]
    yield replace(start, kind="caution", sentence=LABEL_FIRST)
    said = (
        f"missing when it was lowest ({called(series, below.trough_day)}): "
        f"{span(per_m2.low, per_m2.high)} g N per m2"
    )
    if per_bed.low is not None:
        area = "" if layer.area_m2 is None else f" of {short(layer.area_m2)} m2"
        said += f", {span(per_bed.low, per_bed.high)} g per bed{area}"
    said += f": {_DEFICIT.format(span(missing.low, missing.high), layer.spoken)}"
    deeper = maybe_deeper(series)
    said += f"; {words(series, deeper, number)}: more may be missing then" * bool(deeper)
    said += f"; for this soil, rate and temperature; {TEST_INSTEAD} none the less"
    low, high = per_m2.low, per_m2.high
    yield replace(start, sentence=said, value=per_m2.value, low=low, high=high, unit="g N per m2")
    for product, share in counted:
        yield _product(start, product, share, below.trough_day, (low, high))


#: -(T - (1 - f) C) times the mass of the treated bed: its soil's part of C less what the bed holds.
_DEFICIT = (
    "the deficit with dilution taken off, against what the soil in the bed would hold unamended, "
    f"{{}} mg/kg by {AT_ONCE}, x the layer of {{}}"
)


def _share_by(product: Product, trough: float) -> float:
    """The share of a product's mass that is N and available before the trough, 0 where unknown."""
    share = available_n(product, trough)
    if not share or product.n_percent is None or product.of != "N":
        return 0.0
    return float(product.n_percent) / 100.0 * share


def _product(
    start: Finding, product: Product, share: float, trough: float, ends: tuple[float, float]
) -> Finding:
    """Grams of one product, counting only what it has available before the trough."""
    low, high = (end / share for end in ends)
    said = f"{product.name}: {span(low, high)} g per m2"
    part = 100.0 * (available_n(product, trough) or 0.0)
    if part < 100.0:
        said += f" ({part:.0f} % of its N counted, by day {age_text(trough)})"
    said += "".join(f"; {one}" for one in product.cautions)
    return replace(
        start,
        about=product.name,
        kind="product",
        sentence=said,
        low=low,
        high=high,
        unit="g per m2",
        source=product.source,
    )
