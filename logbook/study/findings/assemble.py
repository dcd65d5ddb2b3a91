"""The findings of a trial: everything that is said of each amendment, put together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study import amounts, brought, flags, losses, standing, supply
from logbook.study.comparison import Comparison, Line, compare
from logbook.study.findings import carbon, changes, makeup, nitrogen, nutrients, settling
from logbook.study.findings.content import Finding, Findings
from logbook.study.findings.nutrients import PLANTING, Beside
from logbook.study.findings.reach import COOLER, CROP, NO_CROP, reach
from logbook.study.findings.supplied import supply_findings
from logbook.study.fitted import Declared, declared_of, with_fits
from logbook.study.samples import MINERAL_N, PARTS
from logbook.study.series import Row, Series, of_treatment, series_of
from logbook.trial.cautions import cautions

if TYPE_CHECKING:
    import sqlite3

    from logbook.handbook import Handbook
    from logbook.trial.records import Trial


OWN_TABLES = "classes and products are by your own copy of the tables ({})"


@dataclass(frozen=True)
class _Ground:
    """What the findings of every amendment share, read once."""

    ident: str
    trial: Trial
    known: amounts.Facts
    history: flags.History
    series: tuple[Series, ...]
    beside: Beside
    matter: brought.Matter
    comparison: Comparison | None
    endpoint: Comparison | None


def findings(
    store: sqlite3.Connection,
    trial: str,
    handbook: Handbook,
    treatment: str | None = None,
    pull: str | None = None,
    *,
    with_amended: bool = False,
    without_flagged: bool = False,
    series: Sequence[Series] | None = None,
) -> list[Findings]:
    """What a trial says of every amendment, or of one by its treatment's code.

    pull: the date of the other nutrients (None: the planting day's pull where it has results,
    else the newest); with_amended: also hold amended soil against the tables, bare;
    series: those of all treatments, fitted, where the caller has read them (None: they are read).

    Raises UserMistake for a treatment or pull that does not exist, or where nothing was compared.
    """
    asked = treatment, pull, with_amended, without_flagged
    ground = _ground(store, trial, handbook, asked, series)
    treated = {
        record.code: ident
        for ident, record in ground.known.treatments.items()
        if not record.control
    }
    wanted = [
        code
        for code in sorted(treated)
        if treatment is None or code.casefold() == treatment.casefold()
    ]
    return [_of_treatment(store, ground, code, treated[code]) for code in wanted]


def _ground(
    store: sqlite3.Connection,
    trial: str,
    handbook: Handbook,
    asked: tuple[str | None, str | None, bool, bool],
    read: Sequence[Series] | None,
) -> _Ground:
    """asked: treatment, pull, with_amended and without_flagged; read: the series, or None."""
    treatment, pull, with_amended, without_flagged = asked
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    every = read
    if every is None:
        every = series_of(store, trial, fitted=False, without_flagged=without_flagged)
    found = of_treatment(store, trial, every, treatment)
    if read is None:
        # Only mineral-N has findings of its curve: fitting the others would take most of the time.
        curves = with_fits(store, trial, (one for one in found if one.analyte == MINERAL_N))
        found = [*curves, *(one for one in found if one.analyte != MINERAL_N)]
    rows = [row for one in found for row in one.rows]
    names = {row.name for row in rows}
    planting = f"day {record.endpoint_day}"

    def on(name: str | None) -> Comparison | None:
        if name is None and not any(map(_both, rows)):
            return None
        return compare(store, trial, name, treatment, without_flagged=without_flagged, series=every)

    endpoint = on(planting) if planting in names else None
    others = endpoint if pull is None and endpoint is not None else on(pull)
    soil = standing.ground_of(store, trial)
    return _Ground(
        ident=trial,
        trial=record,
        known=amounts.facts(store, trial),
        history=flags.history(store, trial),
        series=tuple(found),
        beside=Beside(
            handbook=handbook,
            declared=declared_of(store, trial),
            bulk_density=soil.bulk_density,
            ph=_ph(others),
            settled=not soil.no_class,
            amended=with_amended,
        ),
        matter=brought.matter(store, trial),
        comparison=others,
        endpoint=endpoint,
    )


def _ph(found: Comparison | None) -> float | None:
    """The untreated soil's pH in water on that date."""
    values = [
        line.row.difference.control_mean
        for line in (found.lines if found is not None else ())
        if line.series.analyte == "pH" and standing.in_water(line.series.method)
    ]
    return next((one for one in values if one is not None), None)


def _of_treatment(store: sqlite3.Connection, ground: _Ground, code: str, ident: str) -> Findings:
    record = ground.known.treatments[ident]
    mine = [one for one in ground.series if one.treatment == code]
    material = _material(store, record.lot)
    beside = replace(ground.beside, material=material)
    ground = replace(ground, beside=beside)
    mineral = _longest(one for one in mine if one.analyte == MINERAL_N)
    lost = losses.losses(store, ground.ident, code)
    found = [
        *_endpoint(ground, code),
        *_nitrogen(ground, mineral, lost, carbon.ratio_of(ground.matter, code)),
        *changes.of_methods(mine),
        *supply_findings(ground.matter, mineral, lost, float(ground.trial.endpoint_day)),
        *_others(ground, code),
    ]
    declared = ground.beside.declared.get(ground.trial.endpoint, Declared())
    missing = amounts.missing_for_dilution(ground.known, ident)
    return Findings(
        trial=ground.trial.name,
        treatment=code,
        name=record.name,
        material=material,
        reach=reach(
            store,
            ground.ident,
            ground.trial,
            ground.known,
            ident,
            ground.history,
            _newest(mine),
            _most_beds(mine),
        ),
        endpoint=f"{ground.trial.endpoint} on day {ground.trial.endpoint_day}",
        findings=tuple(found),
        settle=tuple(settling.settling(mineral, _read_line(ground, code), declared, missing)),
        cautions=cautions(material),
        notes=tuple(_notes(ground, mine, found)),
    )


def _longest(found: Iterable[Series]) -> Series | None:
    """Of several series by other methods, the one with the most pulls."""
    return max(found, key=lambda one: len(one.points.days), default=None)


def _material(store: sqlite3.Connection, lot: str | None) -> str:
    where = "id = (SELECT amendment FROM lot WHERE id = ?)"
    materials = views.fetch(store, "amendment", where, (lot or "",))
    return materials[0].record.material if materials else ""


def _both(row: Row) -> bool:
    """Whether a pull has a treated bed and its control."""
    return bool(row.difference.treated_beds and row.difference.control_beds)


def _newest(mine: Sequence[Series]) -> tuple[date, float] | None:
    """The newest pull with both sides: its date and age."""
    both = [
        (row.last, row.difference.day)
        for one in mine
        for row in one.rows
        if row.last is not None and _both(row)
    ]
    return max(both, default=None)


def _most_beds(mine: Sequence[Series]) -> tuple[int, int]:
    """The most treated and control beds with results that any one pull compares."""
    both = [row.difference for one in mine for row in one.rows if _both(row)]
    return (
        max((one.treated_beds for one in both), default=0),
        max((one.control_beds for one in both), default=0),
    )


def _declared_line(ground: _Ground, code: str) -> Line | None:
    lines = ground.endpoint.of(code) if ground.endpoint is not None else []
    return next((line for line in lines if line.declared), None)


def _read_line(ground: _Ground, code: str) -> Line | None:
    """The line declared beforehand; without it, mineral N on the date that is read."""
    lines = ground.comparison.of(code) if ground.comparison is not None else []
    mineral = next((line for line in lines if line.series.analyte == MINERAL_N), None)
    return _declared_line(ground, code) or mineral


def _endpoint(ground: _Ground, code: str) -> Iterator[Finding]:
    """The difference declared beforehand, or that its day has no result yet."""
    line = _declared_line(ground, code)
    if line is not None:
        yield nutrients.of_line(line, ground.beside)
        return
    name, day = ground.trial.endpoint, ground.trial.endpoint_day
    there = {
        one.analyte
        for one in ground.series
        if one.treatment == code and any(row.name == f"day {day}" for row in one.rows)
    }
    why = f"there is no result of day {day} to compare yet"
    alone = sorted(there & set(PARTS))
    if name == MINERAL_N and alone:
        why = f"only {alone[0]} was measured on day {day}: mineral N is nitrate and ammonium"
        why += " of one sample"
    yield Finding(
        topic="nitrogen",
        about=name,
        kind="cannot say",
        sentence=f"{name}: cannot say: {why}",
        pull=f"day {day}",
        declared=True,
    )


def _nitrogen(
    ground: _Ground, mineral: Series | None, lost: losses.Losses, ratio: float | None
) -> Iterator[Finding]:
    below = mineral.fitted.below if mineral is not None and mineral.fitted is not None else None
    of_lot = carbon.carbon_finding(ratio, below)
    if of_lot is not None:
        yield of_lot
    if mineral is None or mineral.fitted is None:
        return
    if below is not None:
        word, why = losses.why_below(lost, MINERAL_N, below.trough_day or 0.0)
        cause = nitrogen.not_caused(mineral, below) or nitrogen.tied(word, why)
        yield from nitrogen.below_findings(mineral, cause)
        yield from makeup.make_up_findings(
            mineral,
            supply.layer_of(ground.matter, mineral.treatment),
            ground.beside.handbook.products,
        )
    curve = nitrogen.curve_finding(mineral)
    if curve is not None:
        yield curve


def _others(ground: _Ground, code: str) -> Iterator[Finding]:
    """Every other nutrient of the date: those at planting, those with a difference, the rest."""
    if ground.comparison is None:
        return
    lines = [line for line in ground.comparison.of(code) if not line.declared]
    of_all = {line.series.analyte for line in ground.comparison.of(code)}
    nitrogen_of = MINERAL_N if MINERAL_N in of_all else "nitrate-N"
    if ground.comparison is not ground.endpoint or nitrogen_of != MINERAL_N:
        mineral = [one for one in lines if one.series.analyte == nitrogen_of]
        yield from (nutrients.of_line(line, ground.beside) for line in mineral)
    found = [
        nutrients.of_line(line, ground.beside)
        for line in lines
        if line.series.analyte not in (MINERAL_N, "nitrate-N")
    ]
    order = {"more": 0, "less": 0, "equivalent": 1, "no difference shown": 2}
    yield from (one for one in found if one.about in PLANTING)
    rest = [one for one in found if one.about not in PLANTING]
    yield from sorted(rest, key=lambda one: order.get(one.kind, 3))


def _notes(ground: _Ground, mine: Sequence[Series], found: Sequence[Finding]) -> Iterator[str]:
    """What limits the whole of it."""
    planted = any(row.planted for one in mine for row in one.rows)
    yield CROP if planted else NO_CROP
    yield COOLER
    told = settling.exploratory(found)
    if told:
        yield told
    mineral = [row for one in mine if one.analyte == MINERAL_N for row in one.rows]
    if any(map(_both, mineral)) and not any(row.difference.day < 0.0 for row in mineral):
        yield nitrogen.NO_BEFORE
    yield from (OWN_TABLES.format(name) for name in ground.beside.handbook.own)
    comparison = ground.comparison
    if comparison is not None and mine:
        yield from (one for one in comparison.salt if one.startswith(f"{mine[0].treatment}:"))
    yield from changes.limits(mine)
