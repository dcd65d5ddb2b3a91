"""How much of what was applied is seen again: apparent recovery, net mineralised organic nitrogen.

Two differences could stand over the amount applied. The beds hold T = r A + (1 - f) C, where A is
what the amendment brought per kg of the dry mix, r the share of it that is seen, and (1 - f) C
what the soil in that mix gives: the amendment has displaced a share f of the soil. So
r = (T - (1 - f) C) / A. The plain (T - C) / A is smaller by f C / A: an inert material that brings
no nitrogen at all would seem to take some up. A is only ever known where f is, since both need
the same facts; the plain figure is kept beside as `against_control`.

Nothing is clipped: below 0 and above 100 are results (immobilisation, priming, a wrong analysis).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.study import losses as lost
from logbook.study.brought import ORGANIC_N, TOTAL_N, Brought, Matter, of_nutrient
from logbook.study.samples import MINERAL_N
from logbook.study.supply import as_applied, seen
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.analysis.intervals import Interval
    from logbook.study.losses import Losses
    from logbook.study.series import Row, Series

APPARENT = "apparent N recovery"
MINERALISED = "net organic N mineralised"
BY_EXTRACTANT = "apparent recovery by the extractant"
SULFUR = "apparent S recovery"
NET = "T - (1 - f) C, what the amendment gave, with f its share of the dry mass"
_NONE = frozenset({"pH", "EC", "CEC", "OM", "organic-C", "CaCO3", "total-N"})
_HALF = "recovery is of mineral nitrogen: nitrate-N and ammonium-N of one sample together"
NO_ERROR_STATED = (
    "the laboratory states no error of the material's analysis: the amount counts as exact"
)
SOWN = "planted: what roots took up is no longer in the bed"


@dataclass(frozen=True)
class Recovered:
    """A share of what was applied, in %, on one pull.

    value: None with `reason`; low, high: the 95 % interval between beds (and of the analysis,
    where its error is stated), None with `reason` where there is none. bound: "at least",
    losses.EITHER_WAY or "", resting on the sentences `because`. against_control: the same of
    T - C, for comparison with reports that know no f. method: how the interval was found.
    """

    what: str
    pull: str
    day: float
    value: float | None
    low: float | None
    high: float | None
    bound: str
    because: tuple[str, ...]
    against_control: float | None
    method: str
    reason: str


@dataclass(frozen=True)
class Recovery:
    """What is seen again of a nutrient, pull by pull; `applied` and `organic` say of how much.

    net: which difference is meant. notes: what limits every figure.
    """

    net: str
    applied: Brought
    organic: Brought | None
    apparent: tuple[Recovered, ...]
    mineralised: tuple[Recovered, ...]
    notes: tuple[str, ...]

    @property
    def last(self) -> tuple[Recovered, ...]:
        """The figures of the last pull that has any: apparent first, then mineralised."""
        found = []
        for some in (self.apparent, self.mineralised):
            known = [one for one in some if one.value is not None or one.low is not None]
            found += known[-1:]
        return tuple(found)


@dataclass(frozen=True)
class _Net:
    """A net difference and its interval, by a t quantile where `df` is given."""

    value: float | None
    low: float | None
    high: float | None
    df: float | None
    method: str
    reason: str


def recovery(series: Series, matter: Matter, losses: Losses) -> Recovery | None:
    """Recovery of a series' nutrient; None where the word has no sense (pH, EC, plain values).

    matter: from `brought.matter` of the same trial; losses: of the series' treatment.
    """
    if series.plain or not series.analyte or series.analyte in _NONE:
        return None
    applied = of_nutrient(matter, series.treatment, _applied_as(series.analyte))
    organic = None
    if series.analyte == MINERAL_N:
        organic = of_nutrient(matter, series.treatment, ORGANIC_N)
    applied, organic = (
        _in_layer(applied, matter, series.treatment),
        organic and _in_layer(organic, matter, series.treatment),
    )
    losses = lost.met_by(losses, series)
    refused = _refused(series, matter)
    rows = [row for row in series.rows if row.difference.day >= 0]
    apparent = [_apparent(series, row, applied, losses, refused) for row in rows]
    mineralised = []
    if organic is not None:
        later = [row for row in rows if row.difference.day > 0]
        mineralised = [_mineralised(series, row, organic, losses, refused) for row in later]
    return Recovery(
        NET, applied, organic, tuple(apparent), tuple(mineralised),
        tuple(dict.fromkeys(_notes(applied, organic, losses))),
    )  # fmt: skip


def _in_layer(one: Brought, matter: Matter, code: str) -> Brought:
    """What was brought for each kg of the layer whose mass amounts per area are of."""
    return replace(one, per_mix=one.per_mix.times(as_applied(matter, code), one.per_mix.unit))


def _applied_as(analyte: str) -> str:
    """What of the amendment a nutrient is a share of."""
    if analyte in (MINERAL_N, "nitrate-N", "ammonium-N"):
        return TOTAL_N
    return "S" if analyte == "sulfate-S" else analyte


def _called(analyte: str) -> str:
    if analyte in (MINERAL_N, "nitrate-N", "ammonium-N"):
        return APPARENT
    return SULFUR if analyte == "sulfate-S" else BY_EXTRACTANT


def _refused(series: Series, matter: Matter) -> str:
    """Why no figure of a series can be given, whatever the pull; "" if one can."""
    _, treatment = matter.treatment(series.treatment)
    if series.analyte in ("nitrate-N", "ammonium-N"):
        return f"cannot be given: {_HALF}"
    if series.basis != "dry":
        return f"cannot be given: the results are of {series.basis} soil, the amount of dry"
    if matter.depth_cm > treatment.depth_cm:
        return (
            f"cannot be given: samples reach {short(matter.depth_cm)} cm and the amendment "
            f"{short(treatment.depth_cm)} cm, so that soil without it is in them"
        )
    return ""


def _notes(applied: Brought, organic: Brought | None, losses: Losses) -> Iterator[str]:
    for one in (applied, organic):
        if one is None:
            continue
        yield from one.notes
        if one.per_mix.value is not None and one.unsure:
            yield one.unsure
        elif one.per_mix.value is not None and one.share_sd is None:
            yield NO_ERROR_STATED
    yield from losses.cannot_judge


def _apparent(
    series: Series, row: Row, applied: Brought, losses: Losses, refused: str
) -> Recovered:
    found = row.difference.against_control.value
    plain = None if refused or row.planted else _percent(found, applied)
    net = _net(series, row)
    return _share(_called(series.analyte), series, row, net, applied, losses, refused, plain)


def _mineralised(
    series: Series, row: Row, organic: Brought, losses: Losses, refused: str
) -> Recovered:
    starts = [
        one.difference.against_control.value for one in series.rows if one.difference.day == 0
    ]
    end, plain = row.difference.against_control.value, None
    if not refused and not row.planted and end is not None and starts and starts[0] is not None:
        plain = _percent(end - starts[0], organic)
    net = _since_start(series, row)
    return _share(MINERALISED, series, row, net, organic, losses, refused, plain)


def _percent(value: float | None, applied: Brought) -> float | None:
    amount = applied.per_mix.value
    return None if value is None or not amount else 100.0 * value / amount


def _share(
    what: str,
    series: Series,
    row: Row,
    net: _Net,
    applied: Brought,
    losses: Losses,
    refused: str,
    plain: float | None,
) -> Recovered:
    """A net difference over the amount applied."""
    word, because = lost.bound(losses, series.analyte, row.difference.day)
    empty = Recovered(
        what, row.name, row.difference.day, None, None, None, word, because, plain, "none", ""
    )
    amount = applied.per_mix.value
    reason = refused or (SOWN if row.planted else "") or applied.per_mix.reason
    if not reason and not amount:
        reason = f"cannot be given: none of the {applied.nutrient} was applied"
    if reason or not amount:
        return replace(empty, bound="", because=(), reason=reason)
    if net.value is None:
        return _bounds(empty, net, amount, applied)
    return _fieller(empty, net, amount, applied)


def _bounds(empty: Recovered, net: _Net, amount: float, applied: Brought) -> Recovered:
    """Possible values where a side is below its limit: scaled, if the amount is exact."""
    if applied.unsure or applied.share_sd or (net.low is None and net.high is None):
        return replace(empty, bound="", because=(), reason=net.reason or applied.unsure)
    ends = (None if end is None else 100.0 * end / amount for end in (net.low, net.high))
    low, high = ends
    return replace(empty, low=low, high=high, method=net.method, reason=net.reason)


def _fieller(empty: Recovered, net: _Net, amount: float, applied: Brought) -> Recovered:
    """The ratio and the interval that holds whatever both may be (Fieller 1954)."""
    from logbook.analysis import fieller
    from logbook.analysis.tails import t_quantile

    assert net.value is not None
    value = 100.0 * net.value / amount
    if net.low is None or net.high is None:
        return replace(empty, value=value, method=net.method, reason=net.reason)
    if applied.unsure:
        return replace(empty, value=value, reason=f"no interval: {applied.unsure}")
    df = math.inf if net.df is None else net.df
    error = (net.high - net.low) / 2.0 / t_quantile(0.975, df)
    amount_error = amount * (applied.share_sd or 0.0)
    found = fieller.ratio(net.value, error, amount, amount_error, df)
    if found.value is None or found.low is None or found.high is None:
        return replace(empty, value=value, reason=found.reason)
    method = net.method if not amount_error else f"{net.method}; Fieller"
    ends = (100.0 * found.low, 100.0 * found.high)
    return replace(empty, value=value, low=ends[0], high=ends[1], method=method)


def _net(series: Series, row: Row) -> _Net:
    """T - (1 - f) C on a pull, with the interval between its beds."""
    found = row.difference.from_amendment
    if found is None:
        return _Net(None, None, None, None, "none", "its dilution is not known")
    if row.difference.method == "one bed" and series.fitted is not None:
        declared = series.fitted.at_day(row.difference.day)
        if declared is not None and declared.closed:
            return _of_interval(declared)
    return _Net(found.value, found.low, found.high, found.df, row.difference.method, found.reason)


def _since_start(series: Series, row: Row) -> _Net:
    """[T - (1 - f) C] on a pull less the same on day 0."""
    from logbook.analysis import intervals
    from logbook.study.fitted import beds_of

    day = row.difference.day
    if day not in series.points.days:
        found = row.difference.from_amendment
        why = found.reason if found is not None and found.reason else "no difference on that day"
        return _Net(None, None, None, None, "none", why)
    if series.fitted is not None and series.fitted.beds is not None:
        interval = series.fitted.released_by(day)
    else:
        beds = beds_of(series.rows, series.points, series.dilution)
        interval = None if beds is None else intervals.released_by(beds, day)
    if interval is None:
        return _Net(None, None, None, None, "none", "two pulls fell on the same day")
    return _of_interval(interval)


def _of_interval(found: Interval) -> _Net:
    one = seen(found)
    reason = one.reason_low or one.reason_high
    return _Net(one.value, one.low, one.high, one.df, one.method, reason)
