"""What is found of mineral N: below the control or not, the curve, and nitrogen to make up."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.handbook import Product, available_n
from logbook.study.brought import Stated
from logbook.study.findings.content import Finding, listed, made, number, signed, size, span
from logbook.study.losses import TIED_UP
from logbook.study.series import Row, Series
from logbook.study.supply import Layer, seen

if TYPE_CHECKING:
    from logbook.analysis.below import Below, MakeUp
    from logbook.analysis.fits import Fit
    from logbook.analysis.intervals import Interval
    from logbook.study.fitted import Fitted

LABEL_FIRST = (
    "first of all the product's label and local rules: nitrogen salts burn roots and leaves, hurt "
    "eyes and skin, and ammonium and urea give off ammonia beside lime or ash"
)
TEST_INSTEAD = "test nitrate before planting"


def design_of(rows: Sequence[Row], method: str = "") -> str:
    """ "4+8 beds, within blocks": treated and control beds behind some rows, how it was made."""
    treated = sorted({row.difference.treated_beds for row in rows})
    control = sorted({row.difference.control_beds for row in rows})
    beds = f"{_from_to(treated)}+{_from_to(control)} beds"
    how = made(method)
    return f"{beds}, {how}" if how else beds


def _from_to(counts: Sequence[int]) -> str:
    if not counts:
        return "0"
    return f"{counts[0]}" if len(counts) == 1 else f"{counts[0]}-{counts[-1]}"


def tied(word: str, why: Sequence[str]) -> str:
    """What made mineral N stand below the control, as far as losses and ammonium tell."""
    reasons = f" ({'; '.join(map(counted, why))})" if why else ""
    if word != TIED_UP:
        return f"{word}{reasons}"
    return f"tied up, as far as this trial can tell: ammonium counted, no loss seen{reasons}"


_MANY = 3  # beds that are named one by one; more are counted
_BEDS = re.compile(r"(?<=^how wet ).+?(?= stood )")


def counted(sentence: str) -> str:
    """Many beds of which wetness cannot be judged as a number of beds."""

    def count(found: re.Match[str]) -> str:
        beds = sum(map(_in_range, found[0].split(", ")))
        return found[0] if beds <= _MANY else f"{beds} beds"

    return _BEDS.sub(count, sentence)


def _in_range(labels: str) -> int:
    """How many labels `B17-B20` stands for."""
    ends = re.fullmatch(r"\D*(\d+)-\D*(\d+)", labels)
    return 1 if ends is None else int(ends[2]) - int(ends[1]) + 1


def below_findings(series: Series, tied: str) -> Iterator[Finding]:
    """Mineral N below the control, and the day level with it again; tied: what made it so."""
    fitted = series.fitted
    if fitted is None or fitted.below is None:
        return
    below = fitted.below
    design = design_of([row for row in series.rows if row.difference.day in below.days])
    start = Finding("nitrogen", series.analyte, "", "", unit=series.unit, design=design)
    blind = unseen(below)
    if blind:
        said = f"whether mineral N was below the control: cannot say: on {blind} {SPREAD_UNSEEN}"
        yield replace(start, kind="cannot say", sentence=said)
        return
    if not below.shown:
        if not below.days:
            yield from _alone(start, series)
        elif below.bounds:
            yield _not_below(start, series, below)
        return
    yield _depth(start, series, below, tied)
    if below.level is not None:
        yield _level(start, below, below.level)


def _depth(start: Finding, series: Series, below: Below, tied: str) -> Finding:
    depth = below.depth
    found = f"mineral N was below the control {_days(below)}"
    if depth is None or depth.value is None:
        return replace(start, kind="below control", sentence=f"{found}; {tied}")
    most = f", most on day {below.trough_day:g}:" if len(below.days_below) > 1 else ""
    found += f"{most} by {number(depth.value)} {series.unit}"
    ends = f" ({span(depth.low, depth.high)})"
    found += ends if depth.low is not None else f" ({depth.reason_low})" * bool(depth.reason_low)
    found += diluted(series)
    return replace(
        start,
        kind="below control",
        sentence=f"{found}{_share(series, below)}; {tied}",
        value=depth.value,
        low=depth.low,
        high=depth.high,
        pull=f"day {below.trough_day:g}",
    )


SPREAD_UNSEEN = "the beds agree to the last digit reported, so that their spread is not known"


def unseen(below: Below) -> str:
    """The days on which beds agree to the last digit, "" without any that matters: no bound."""
    blind = [
        day
        for day, bound in zip(below.days, below.bounds, strict=True)
        if seen(bound).low is None and (not below.shown or day in below.days_below)
    ]
    return listed([f"day {day:g}" for day in blind])


def _not_below(start: Finding, series: Series, below: Below) -> Finding:
    """Not shown below at any pull, and how far below it may have been all the same."""
    least = min(one.low for one in below.bounds if one.low is not None)
    count = len(below.days)
    when = f"at any of {count} pulls" if count > 1 else f"on day {below.days[0]:g}"
    said = f"mineral N was not shown to be below the control {when}"
    if least >= 0.0:
        said += ": it was above, by a bound for all pulls at once"
        return replace(start, kind="no difference shown", sentence=said)
    said += f": at most {number(-least)} {series.unit} below fits"
    return replace(start, kind="no difference shown", sentence=said, high=-least)


def _alone(start: Finding, series: Series) -> Iterator[Finding]:
    """One bed a side: whether mineral N was below the control is not for them to say."""
    seen = [
        (row.difference.against_control.value, row.difference.day)
        for row in series.rows
        if row.difference.day >= 0.0 and row.difference.against_control.value is not None
    ]
    if not seen:
        return
    said = "whether mineral N was below the control: cannot say: one bed on a side"
    value, day = min(seen)
    if value < 0.0:
        said += f"; the lowest, {signed(value)} {series.unit} on day {day:g}, is between two beds"
    design = design_of([row for row in series.rows if row.difference.day >= 0.0])
    yield replace(start, kind="cannot say", sentence=said, design=design)


#: Share of the dry mass from which on a bed's own and the amendment's difference are both said.
DILUTES = 0.01


def diluted(series: Series) -> str:
    """Whether the dilution by the amendment itself was taken off, where that matters."""
    if not series.points.corrected:
        return ", its dilution by the amendment not known and not taken off"
    if series.dilution is None or series.dilution < DILUTES:
        return ""
    return ", its dilution by the amendment taken off"


def _days(below: Below) -> str:
    """ "from day 3 to day 21", or each day where a pull between them was not shown below."""
    under = below.days_below
    first, last = under[0], under[-1]
    if first == last:
        return f"on day {first:g}"
    if [day for day in below.days if first <= day <= last] == [*under]:
        return f"from day {first:g} to day {last:g}"
    return f"on days {listed([f'{day:g}' for day in under])}"


def _share(series: Series, below: Below) -> str:
    """What the treated beds then held, as a share of the control's mineral N."""
    from logbook.analysis.ratios import ratio_of

    rows = [row for row in series.rows if row.difference.day == below.trough_day]
    if not rows:
        return ""
    ratio = ratio_of(rows[0].observations, None)
    if ratio.value is None:
        return ""
    held = f"; the beds then held {100.0 * ratio.value:.0f} % of the control's mineral N"
    if ratio.low is not None and ratio.high is not None:
        held += f" ({100.0 * ratio.low:.0f} to {100.0 * ratio.high:.0f} %)"
    return held


def _level(start: Finding, below: Below, level: Interval) -> Finding:
    """Level with the control again, on about which day."""
    last = below.days[-1]
    if level.value is None:
        said = f"it was not shown to be level with the control again by day {last:g}"
    else:
        said = f"level with the control again about day {level.value:.0f}"
        if level.low is not None and level.high is not None:
            said += f" ({level.low:.0f} to {level.high:.0f})"
        elif level.high is None:
            said += f" by the means, but not shown to be level by day {last:g}"
        else:
            said += f" ({level.high:.0f} at the latest; {level.reason_low})"
    if below.bracket is not None and below.bracket[1] is not None:
        said += f"; by the means below on day {below.bracket[0]:g}, not on day {below.bracket[1]:g}"
    return replace(
        start,
        kind="level with control again",
        sentence=said,
        value=level.value,
        low=level.low,
        high=level.high,
        unit="days",
    )


def make_up_findings(
    make_up: MakeUp | None, below: Below | None, layer: Layer, products: Sequence[Product]
) -> Iterator[Finding]:
    """Nitrogen to make up: a range per m2 and per bed, cautions first; or to test instead."""
    if make_up is None or below is None or not below.shown or unseen(below):
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
    told = dict.fromkeys(caution for one, _ in counted for caution in one.cautions)
    yield replace(start, kind="caution", sentence="; ".join((LABEL_FIRST, *told)))
    said = (
        f"missing when it was lowest (day {below.trough_day:g}): "
        f"{span(per_m2.low, per_m2.high)} g N per m2"
    )
    if per_bed.low is not None:
        said += f", {span(per_bed.low, per_bed.high)} g per bed"
    said += (
        f" (in {layer.spoken}), for this soil, rate and temperature; {TEST_INSTEAD} none the less"
    )
    low, high = per_m2.low, per_m2.high
    yield replace(start, sentence=said, value=per_m2.value, low=low, high=high, unit="g N per m2")
    for product, share in counted:
        yield _product(start, product, share, below.trough_day, (low, high))


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
        said += f" ({part:.0f} % of its N counted, by day {trough:g})"
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


def curve_finding(series: Series) -> Finding | None:
    """What the whole curve says: levels off, still rising, or no shape to speak of."""
    fitted = series.fitted
    if fitted is None or not series.points.days:
        return None
    said, interval = _curve(fitted, series.unit, series.points.days)
    if not said:
        return None
    kept = [row for row in series.rows if row.difference.day in series.points.days]
    slope = "a" in fitted.constants
    return Finding(
        topic="nitrogen",
        about=series.analyte,
        kind="curve",
        sentence=said,
        value=None if interval is None else interval.value,
        low=None if interval is None else interval.low,
        high=None if interval is None else interval.high,
        unit=f"{series.unit} a day" if slope else series.unit,
        design=design_of(kept, "" if interval is None else interval.method),
    )


def _curve(fitted: Fitted, unit: str, days: Sequence[float]) -> tuple[str, Interval | None]:
    from logbook.analysis.choice import Printed

    choice, found = fitted.choice, fitted.constants
    one = choice.chosen
    over = f"over {max(days):g} days"
    if one is None or choice.printed is Printed.NOTHING:
        few = "too few pulls" in " ".join(c.why for c in choice.candidates)
        if one is None and few:
            said = "cannot say how it goes between the pulls, nor after them"
            return f"{said}: too few pulls for a curve", None
        return f"no curve is given of the pulls: {choice.sentence}", None
    if "a" in found:
        return _straight(found["a"], unit, days), found["a"]
    if choice.printed is Printed.CURVE:
        return _shape_only(one, choice.sentence, over), None
    if "A" not in found:
        return f"the pulls follow {_shape(one)} {over}", None
    ceiling, rate = found["A"], found.get("t1/2")
    said = f"it levels off at {_signed(ceiling)} {unit} against the control"
    if ceiling.high is None or ceiling.low is None:
        why = ceiling.reason_high or ceiling.reason_low
        said = f"where it levels off is open: {_signed(ceiling)} {unit}; {why}"
    if rate is not None and rate.value is not None:
        ends = span(rate.low, rate.high)
        said += f", half of it within {number(rate.value)} days ({ends})"
    return f"{said} (first order, {over})", ceiling


def _signed(one: Interval) -> str:
    value = "" if one.value is None else f"{signed(one.value)} "
    return f"{value}({span(one.low, one.high)})"


_WITHOUT = re.compile(r"without days ([\d., ]+\d)")


def _when(slope: Interval, days: Sequence[float]) -> tuple[float, str]:
    """The last day that a rate is of, and how to say it: days may be left out for gaps."""
    found = _WITHOUT.search(slope.method)
    gone = {float(day) for day in found[1].split(", ")} if found else set()
    used = max((day for day in days if float(f"{day:g}") not in gone), default=max(days))
    if used == max(days):
        return used, f"at the last pull (day {used:g})"
    return used, f"up to day {used:g}, the last pull that is read here"


def _straight(slope: Interval, unit: str, days: Sequence[float]) -> str:
    """A straight line: still rising, still falling, or no change with time shown."""
    last, when = _when(slope, days)
    if slope.value is None or slope.low is None or slope.high is None:
        why = slope.reason_low or slope.reason_high
        return f"cannot say whether it still changes {when}: {why}"
    ends = f"{number(slope.low)} to {number(slope.high)} {unit} a day"
    if slope.low > 0.0 or slope.high < 0.0:
        way = "rising" if slope.low > 0.0 else "falling"
        value = number(abs(slope.value))
        return (
            f"still {way} {when}: by {value} {unit} a day "
            f"({size(slope.low, slope.high)}); where it levels off was not reached"
        )
    return f"no change with time shown after application: {ends} fits, over {last:g} days"


def _shape_only(one: Fit, why: str, over: str) -> str:
    return f"the course {over}: {_shape(one)}; no rates are given: {why}"


#: Labels of fits in the words of screens.
_SHAPES = {
    "fall, then recovery": "below the control, then recovery",
    "fall in two phases": "below the control in two phases",
}


def _shape(one: Fit) -> str:
    return _SHAPES.get(one.label, one.label or one.shape)
