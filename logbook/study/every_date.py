"""All dates at once: each nutrient's mean over the dates against the control, with a random bed.

Dates on one bed are no replicates of each other. A nutrient's season holds the planned pulls from
application on which the control and every treatment share; a treatment that lacks half of them, as
a late joiner does, stands outside and is named. Whether differences change from date to date is
tested, since a difference that turns is hidden by its mean. What is said of a single date goes by
the rule that holds where one date is compared: exploratory, by Holm over all dates and treatments.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import views
from logbook.study.comparison import asked_and_all, limits_of, place_of
from logbook.study.samples import parted
from logbook.study.tested import (
    CONTROL,
    Families,
    Kind,
    Tested,
    beds_of_rows,
    fit_for_logs,
    kind_of,
    logged,
    sharing_controls,
    words_of,
)

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.intervals import Interval
    from logbook.analysis.repeated import Dated, Season
    from logbook.study.series import Row, Series

TOO_FEW = "fewer than two dates that the control and the treatments share: no mean over dates"
OWN_CONTROLS = "has control beds of its own: stands outside the means over the dates"
LACKS = "has {} of {} dates: stands outside the means over the dates"


@dataclass(frozen=True)
class Line:
    """A treatment's mean over the dates: what is found, in a few words and with its numbers.

    area: the area under T - C over these dates, from beds, of the declared nutrient only; None
    elsewhere; on_dates: the dates used, in order, each as it is tested by itself.
    """

    series: Series
    finding: str
    sentence: str
    area: Interval | None
    on_dates: tuple[tuple[str, Tested], ...] = ()


@dataclass(frozen=True)
class Nutrient:
    """One nutrient by one method over the dates; apart: what sets it apart from others of it.

    season: None where there is none, with `reason`; dates: names of the pulls used, in order;
    outside: a sentence for each treatment and date left out; lines: the treatments asked for.
    """

    kind: Kind
    declared: bool
    season: Season | None
    reason: str
    dates: tuple[str, ...]
    outside: tuple[str, ...]
    lines: tuple[Line, ...]
    apart: str = ""

    @property
    def name(self) -> str:
        """The nutrient's name, with what sets it apart where it stands there several times."""
        return f"{self.analyte} ({self.apart})" if self.apart else self.analyte

    @property
    def analyte(self) -> str:
        """The nutrient's name."""
        return self.kind[0]


@dataclass(frozen=True)
class EveryDate:
    """All nutrients of a trial over the dates; endpoint, endpoint_day as in `Comparison`."""

    trial: str
    randomised: bool
    endpoint: str
    endpoint_day: int
    nutrients: tuple[Nutrient, ...]
    flagged_left_out: bool

    @property
    def treatments(self) -> list[str]:
        """Codes of the treatments shown, in order."""
        return sorted({line.series.treatment for one in self.nutrients for line in one.lines})


def every_date(
    store: sqlite3.Connection,
    trial: str,
    treatment: str | None = None,
    *,
    without_flagged: bool = False,
) -> EveryDate:
    """Compare the means over the dates; arguments as for `comparison.compare`.

    Raises:
        UserMistake: a treatment that does not exist, or no result to compare.
    """
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    asked, everyone = asked_and_all(store, trial, treatment, without_flagged=without_flagged)
    if not asked:
        raise UserMistake(
            "no pull has a result of a treated bed yet",
            "logbook lab import FILE brings results in",
        )
    limits = limits_of(store, trial, everyone)
    shown = {one.treatment for one in asked}
    kinds = dict.fromkeys(kind_of(one) for one in sorted(asked, key=place_of))
    endpoint = (record.endpoint, f"day {record.endpoint_day}")
    found = []
    for kind in kinds:
        series = [one for one in everyone if kind_of(one) == kind]
        one = nutrient_of(series, limits[kind], shown, endpoint)
        found.append(replace(one, apart=_apart(kind, kinds)))
    return EveryDate(
        trial=record.name,
        randomised=record.assigned == "drawn",
        endpoint=record.endpoint,
        endpoint_day=record.endpoint_day,
        nutrients=tuple(found),
        flagged_left_out=without_flagged,
    )


def _apart(kind: Kind, kinds: Iterable[Kind]) -> str:
    """In what a kind differs from others of its nutrient: `chilled`, `1 M KCl, Bench lab`."""
    same = [_facets(one) for one in kinds if one[0] == kind[0]]
    return ", ".join(
        its
        for its, every in zip(_facets(kind), zip(*same, strict=True), strict=True)
        if its and len(set(every)) > 1
    )


def _facets(kind: Kind) -> tuple[str, ...]:
    _, method, *rest = kind
    return (*parted(method), *rest)


def nutrient_of(
    series: Sequence[Series],
    limit: float | None,
    shown: Iterable[str],
    endpoint: tuple[str, str] = ("", ""),
) -> Nutrient:
    """The series of one kind, one for each treatment, over the dates that they share.

    endpoint: the nutrient and pull that were declared beforehand.
    """
    from logbook.analysis import repeated

    kind = kind_of(series[0])
    declared = kind[0] == endpoint[0]
    usable = {one.treatment: _usable(one.rows) for one in series}
    kept, outside = _sharing(usable)
    kept, apart = _of_one_control(usable, kept)
    outside += apart
    first = usable[kept[0]] if kept else {}
    common = [name for name in first if all(name in usable[code] for code in kept)]
    outside += _not_shared(series, kept, common)
    season = None
    if len(common) > 1:
        given = _dated({code: usable[code] for code in kept}, common)
        logs = logged(series[0].analyte) and fit_for_logs((one.value for one in given), limit)
        try:
            season = repeated.season(given, CONTROL, logs=logs)
        except UserMistake as refused:
            reason = refused.message
    else:
        reason = TOO_FEW
    families = Families(series, {kind: limit})
    lines = [
        replace(
            _line(one, season, common, declared=declared),
            on_dates=_on_dates(one, common, families, endpoint) if one.treatment in kept else (),
        )
        for one in series
        if one.treatment in set(shown)
    ]
    return Nutrient(
        kind=kind,
        declared=declared,
        season=season,
        reason="" if season is not None else reason,
        dates=tuple(common),
        outside=tuple(outside),
        lines=tuple(sorted(lines, key=lambda line: line.series.treatment)),
    )


def _on_dates(
    series: Series, dates: Sequence[str], families: Families, endpoint: tuple[str, str]
) -> tuple[tuple[str, Tested], ...]:
    """A treatment's place in the family of each of the dates, as `comparison.compare` has it."""
    rows = {row.name: row for row in series.rows}
    return tuple(
        (
            date,
            families.of(
                series,
                rows[date],
                declared=(series.analyte, date) == endpoint,
                endpoint=endpoint,
            ),
        )
        for date in dates
    )


def _usable(rows: Iterable[Row]) -> dict[str, Row]:
    """Pulls from application on, not yet sown, with beds on both sides and no result open."""
    return {
        row.name: row
        for row in sorted(rows, key=lambda row: row.difference.day)
        if row.difference.day >= 0.0
        and not row.planted
        and row.difference.treated_beds
        and row.difference.control_beds
        and not row.difference.censored
    }


def _sharing(usable: Mapping[str, Mapping[str, Row]]) -> tuple[list[str], list[str]]:
    """The treatments with more than half of the dates, and a sentence for each of the others."""
    most = max((len(dates) for dates in usable.values()), default=0)
    kept = [code for code in sorted(usable) if 2 * len(usable[code]) > most]
    outside = [
        f"{code} {LACKS.format(len(usable[code]), most)}" for code in usable if code not in kept
    ]
    return kept, outside


def _of_one_control(
    usable: Mapping[str, Mapping[str, Row]], codes: Sequence[str]
) -> tuple[list[str], list[str]]:
    """The largest group of treatments with the same control beds, and a sentence on the others."""
    dates = {name for code in codes for name in usable[code]}
    groups = [
        {*some}
        for name in sorted(dates)
        for some in sharing_controls(
            {code: usable[code][name] for code in codes if name in usable[code]}
        )
    ]
    most = max(groups, key=len, default=set())
    kept = [code for code in codes if code in most]
    return kept, [f"{code} {OWN_CONTROLS}" for code in codes if code not in most]


def _not_shared(series: Sequence[Series], kept: Sequence[str], common: Sequence[str]) -> list[str]:
    """Dates that are left out for all, since some treatment has none, or was sown before."""
    mine = [one for one in series if one.treatment in kept]
    names = {
        row.name: row.difference.day
        for one in mine
        for row in one.rows
        if row.difference.day >= 0.0 and row.name not in common
    }
    gone = sorted(names, key=lambda name: (names[name], name))
    return [f"not of every treatment, so left out: {', '.join(gone)}"] if gone else []


def _dated(usable: Mapping[str, Mapping[str, Row]], dates: Sequence[str]) -> list[Dated]:
    """Every bed's number on every date."""
    from logbook.analysis.repeated import Dated

    found = []
    for date in dates:
        beds, _ = beds_of_rows({code: rows[date] for code, rows in usable.items()})
        for code, mine in beds.items():
            found += [Dated(bed.name, bed.block, code, date, bed.low) for bed in mine]
    return found


def _line(series: Series, season: Season | None, dates: Sequence[str], *, declared: bool) -> Line:
    """A treatment's mean over the dates in words, and its area."""
    area = area_of(series, dates) if declared and len(dates) > 1 else None
    mine = None
    if season is not None:
        lines = {line.treatment: line for line in season.means.lines}
        mine = lines.get(series.treatment)
    if season is None or mine is None:
        return Line(series, "cannot say: few dates", "", area)
    finding, sentence = words_of(series, season.means, mine, None, 0)
    if not finding:
        few = "one bed" if mine.beds == 1 or season.means.control_beds == 1 else "no test"
        return Line(series, f"cannot say: {few}", mine.reason, area)
    return Line(series, finding, sentence, area)


def area_of(series: Series, dates: Sequence[str]) -> Interval:
    """The area under T - C over some of a series' pulls: secondary to the declared difference.

    From one number a bed, so that it is exact however a bed's dates hang together; a time below
    the control and a later gain cancel in it.
    """
    import math

    from logbook.analysis import intervals, scores
    from logbook.analysis.beds import beds_of

    rows = [row for row in series.rows if row.name in dates]
    rows.sort(key=lambda row: row.difference.day)
    sides: dict[bool, dict[str, tuple[str | None, dict[int, float]]]] = {True: {}, False: {}}
    for place, row in enumerate(rows):
        for bed in beds_of(row.observations):
            if not bed.censored:
                _, values = sides[bed.treated].setdefault(bed.name, (bed.block, {}))
                values[place] = bed.low
    days = [row.difference.day for row in rows]
    table = {
        side: [[values.get(n, math.nan) for n in range(len(rows))] for _, values in beds.values()]
        for side, beds in sides.items()
    }
    blocks = {side: [block for block, _ in beds.values()] for side, beds in sides.items()}
    labelled = all(block is not None for side in blocks.values() for block in side)
    return intervals.area(
        scores.beds_of(
            days,
            table[True],
            table[False],
            treated_blocks=[str(b) for b in blocks[True]] if labelled else None,
            control_blocks=[str(b) for b in blocks[False]] if labelled else None,
        )
    )
