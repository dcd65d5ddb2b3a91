"""What an amendment supplied: plant-available N per kg of it and per area, its share, its cost."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.study import supply
from logbook.study.brought import Matter, Stated
from logbook.study.findings.content import Finding, listed, made, number, span
from logbook.study.findings.nitrogen import design_of
from logbook.study.findings.pulls import called
from logbook.study.losses import Losses
from logbook.study.recovery import Recovered, recovery
from logbook.study.series import Row, Series
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.analysis.series import Contrast, Difference
    from logbook.study.supply import Layer, Supply


def supply_findings(
    matter: Matter, series: Series | None, lost: Losses, planting: float
) -> Iterator[Finding]:
    """By the planting day and by the last pull; series: mineral-N of the treatment."""
    if series is None or not series.points.days:
        return
    last = max(series.points.days)
    for day in dict.fromkeys(one for one in (planting, last) if 0.0 < one <= last):
        there = [row for row in series.rows if row.difference.day == day]
        available = supply.available(series, day, matter, lost)
        method = available.method
        plain = next((one.against_control for one in _differences(there)), None)
        design = design_of(there, method) if there else made(method)
        beds = None if series.fitted is None else series.fitted.beds
        alone = beds is not None and beds.fewest == 1
        alone |= any(1 in (one.treated_beds, one.control_beds) for one in _differences(there))
        first = day == min(last, planting) or not 0.0 < planting <= last
        place = (called(series, day), day == last, first)
        of_day = _by(available, plain, place, design)
        yield from (
            _of_two(one) if alone else one for one in of_day if not (alone and one.kind == "cost")
        )
    found = recovery(series, matter, lost)
    if found is None:
        return
    # On day 0 nothing has had time to be recovered: what is there came in the bag, or by chance.
    apparent = [one for one in found.apparent if one.day > 0.0]
    latest = [*apparent[-1:], *found.mineralised[-1:]]
    rows = {row.name: row.difference.against_control for row in series.rows}
    yield from _recoveries(latest, {name for name, one in rows.items() if not beyond(one)})


def _differences(rows: Sequence[Row]) -> Iterator[Difference]:
    return (row.difference for row in rows)


def _of_two(one: Finding) -> Finding:
    """One bed on a side: a difference between single beds is no supply of the amendment."""
    if one.value is None:
        return one
    return replace(one, sentence=_not_shown(one.sentence.partition(":")[0], one), value=None)


def _not_shown(what: str, one: Finding) -> str:
    """That single beds show nothing; with the bound of these two where the error is declared."""
    bounds = ""
    if one.low is not None and one.high is not None:
        bounds = f"; between these two {span(one.low, one.high)} {one.unit} fits, by the error"
        bounds += " of the laboratory alone"
    return f"{what}: not shown: one bed on a side{bounds}"


def beyond(plain: Contrast) -> bool:
    """Whether treated beds hold more than the control, T - C: else only the dilution term is left.

    A bed whose soil is thinned and that holds as much as the control gives a plant nothing more.
    """
    if plain.low is not None and plain.high is not None:
        return plain.low > 0.0
    return plain.value is None or plain.value > _NO_MORE


_NO_MORE = 1e-9  # mg/kg, far below what any laboratory reports


def _recoveries(found: Sequence[Recovered], level: Collection[str]) -> Iterator[Finding]:
    """Each share; those that cannot be given together, for what the last of them lacks.

    level: pulls on which the treated beds were not shown to hold more than the control.
    """
    without = [one for one in found if one.value is None and one.low is None]
    if len(without) == 2 and len({one.pull for one in without}) == 1:
        both = replace(without[1], what=" and ".join(one.what for one in without))
        yield _recovered(both, level)
        return
    yield from (_recovered(one, level) for one in found)


def _by(
    found: Supply, plain: Contrast | None, place: tuple[str, bool, bool], design: str
) -> Iterator[Finding]:
    """Per kg of product, per area, then the cost.

    plain: T - C of the day's pull, None between pulls; place: what the day is called, whether it is
    the last pull, and the first sentence of its kind, which says of what mass it is.
    """
    day, end, first = place
    when = f"by the last pull ({day})" if end else f"by {day}"
    start = Finding(
        topic="supply",
        about="mineral-N",
        kind="supply",
        sentence="",
        unit="g N per kg of product",
        design=design,
        pull=day,
    )
    per_kg = found.per_kg_product
    if per_kg.value is not None and (_may_be_none(per_kg) or per_kg.value < 0.0):
        yield _none(start, found, when)
        return
    if per_kg.value is not None and plain is not None and not beyond(plain):
        yield _dilution_only(start, found, plain, when)
        return
    parts = [_told(one) for one in (per_kg, found.per_m2, found.per_100_sq_ft) if _known(one)]
    if not parts:
        reason = gathered(per_kg.reason or found.per_m2.reason)
        yield replace(start, sentence=f"plant-available N {when}: {reason}", design="")
        return
    said = f"plant-available N {when}: {_bound(found.bound)}{'; '.join(parts)}"
    if _known(found.per_m2):
        said += f", {_mass(found.layer) if first else f'in {short(found.depth_cm)} cm'}"
    missing = [
        gathered(one.reason) for one in (per_kg, found.per_m2) if not _known(one) and one.reason
    ]
    said += "".join(f"; {one}" for one in dict.fromkeys(missing))
    yield replace(
        start,
        sentence=f"{said}{_because(found.because)}",
        value=per_kg.value,
        low=per_kg.low,
        high=per_kg.high,
    )
    yield _cost(start, found, when)


def _mass(layer: Layer) -> str:
    """The layer, and how much of the product is on a m2 of it."""
    if layer.product is None:
        return f"in {layer.spoken}"
    return f"{number(float(layer.product))} kg of product on each m2, in {layer.spoken}"


def _may_be_none(one: Stated) -> bool:
    """Whether the range of a supply holds nothing at all."""
    return one.low is not None and one.high is not None and one.low <= 0.0 <= one.high


def _dilution_only(start: Finding, found: Supply, plain: Contrast, when: str) -> Finding:
    """No more than in the control: what the difference with dilution taken off then says."""
    per_kg = found.per_kg_product
    fits = f": {span(plain.low, plain.high)} mg/kg fits" if plain.low is not None else ""
    said = (
        f"plant-available N {when}: none shown: no more than in the control{fits}; with the "
        f"amendment's dilution taken off {_told(per_kg)}{_because(found.because)}"
    )
    return replace(start, sentence=said, value=per_kg.value, low=per_kg.low, high=per_kg.high)


def _none(start: Finding, found: Supply, when: str) -> Finding:
    """Less than in the control, or not more: nothing was supplied, and a cost has no sense."""
    one = found.per_kg_product
    start = replace(start, value=one.value, low=one.low, high=one.high)
    why = _because(found.because)
    if _may_be_none(one):
        said = f"plant-available N {when}: none shown: {_told(one)}{why}"
        return replace(start, sentence=said)
    less = one.times(-1.0, one.unit)
    ends = "" if less.low is None and less.high is None else f" ({span(less.low, less.high)})"
    said = (
        f"plant-available N {when}: none; {number(less.value or 0.0)} g less than in the control "
        f"for each kg of product{ends}{why}"
    )
    return replace(start, sentence=said)


def _known(one: Stated) -> bool:
    return one.value is not None or one.low is not None or one.high is not None


def _told(one: Stated) -> str:
    """ "2.1 g/kg of product (1.4 to 2.8)"."""
    unit = _UNITS.get(one.unit, one.unit)
    ends = "" if one.low is None and one.high is None else f" ({span(one.low, one.high)})"
    return f"{'' if one.value is None else number(one.value)} {unit}{ends}".strip()


_UNITS = {"g/kg": "g per kg of product", "g/m2": "g per m2", "lb/100 ft2": "lb per 100 sq ft"}
_LACKING = re.compile(r"the (\S+) of ([^\s,]+)")


def gathered(reason: str) -> str:
    """Several analyses of one material that are not known yet, its name said once."""
    found = _LACKING.findall(reason)
    if len(found) < 2 or len({name for _, name in found}) > 1:
        return reason
    whole = " and ".join(f"the {what} of {name}" for what, name in found)
    return reason.replace(whole, f"the {listed([what for what, _ in found])} of {found[0][1]}")


def _bound(word: str) -> str:
    return f"{word} " if word else ""


def _because(why: tuple[str, ...]) -> str:
    return f"; {'; '.join(why)}" if why else ""


def _cost(start: Finding, found: Supply, when: str) -> Finding:
    """Money for each kg of N that was available."""
    price = found.cost
    base = replace(start, kind="cost", unit=f"{price.unit} of N" if price.unit else "")
    if price.value is None:
        said = f"what a kg of its N cost {when}: {gathered(price.reason)}"
        return replace(base, sentence=said, design="")
    both = price.low is None and price.high is None
    ends = "" if both else f" ({span(price.low, price.high)})"
    why = f"; {price.reason}" if price.reason and price.high is None else ""
    return replace(
        base,
        sentence=(
            f"a kg of N that was available {when} cost {number(price.value)} "
            f"{price.unit.partition('/')[0]}{ends}{why}"
        ),
        value=price.value,
        low=price.low,
        high=price.high,
    )


def _recovered(one: Recovered, level: Collection[str]) -> Finding:
    """The share of what was applied, "at least" where something was lost; or none shown."""
    start = Finding(
        topic="supply",
        about="mineral-N",
        kind="recovery",
        sentence="",
        unit="%",
        design=made(one.method),
        pull=one.pull,
    )
    if one.value is None and one.low is None:
        return replace(start, sentence=f"{one.what}, {one.pull}: {gathered(one.reason)}", design="")
    if one.method == "one bed" or "these two beds" in one.method:
        bound = replace(start, low=one.low, high=one.high)
        return replace(bound, sentence=_not_shown(f"{one.what}, {one.pull}", bound))
    ends = "" if one.low is None and one.high is None else f" ({span(one.low, one.high)})"
    value = "" if one.value is None else f"{number(one.value)} %"
    without = one.low is None and one.high is None
    why = f"; {one.reason}" * (without and bool(one.reason))
    none = one.low is not None and one.high is not None and one.low <= 0.0 <= one.high
    told = f"not shown to differ from none: {value}" if none else f"{_bound(one.bound)}{value}"
    if not none and one.pull in level:
        told = f"no more than in the control; with the amendment's dilution taken off {value}"
    said = f"{one.what}, {one.pull}: {told}{ends}{why}{_because(one.because)}"
    return replace(start, sentence=said, value=one.value, low=one.low, high=one.high)
