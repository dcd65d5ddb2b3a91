"""Findings of many small random trials: no sentence with what is no number, no range upside down.

Seeded, so that every run makes the same trials; beds may agree to the last digit, results may lie
below the limit, pulls and beds may be missing, and values reach from hundredths to thousands.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from decimal import Decimal

import numpy as np
import pytest

from logbook import handbook
from logbook.analysis import series as analysis
from logbook.analysis.series import Observation
from logbook.study import tested
from logbook.study.amounts import Facts
from logbook.study.brought import Matter
from logbook.study.comparison import Line, words_of
from logbook.study.findings import (
    KINDS,
    Finding,
    carbon,
    changes,
    content,
    dated,
    makeup,
    nitrogen,
    nutrients,
)
from logbook.study.findings.supplied import supply_findings
from logbook.study.fitted import Declared, fit, points_of
from logbook.study.losses import Losses
from logbook.study.series import Row, Series
from logbook.study.supply import layer_of
from logbook.study.tested import Families, kind_of, logged
from logbook.trial.records import Bed, LotContent, Treatment

SHARE = 0.03
NEVER = re.compile(
    r"\b(nan|inf|infinity|None)\b|\d[eE][+-]?\d|-0(?![.\d])"
    r"|[Dd]raw-?down|[Cc]rossing|[Ss]ignific|[Vv]erdict|\b[Dd]ose\b|\b[Ss]ame\b"
)
METHODS = {"mineral-N": "1 M KCl", "P": "Mehlich-3", "Fe": "DTPA", "EC": "water 1:5"}
UNITS = {"pH": "pH", "EC": "dS/m"}


def matter(analysed: bool) -> Matter:
    """A compost on one bed, weighed by plan."""
    record = Treatment("t", "C", "compost", False, "lot", Decimal(10), "t/ha", Decimal(15))
    bed = Bed("t", "B2", "1", "c", 2, Decimal("0.5"), Decimal(20))
    contents = {
        name: LotContent("lot", name, Decimal(value), "mg/kg", "dry", "dry combustion")
        for name, value in (("total-N", 20_000), ("organic-C", 400_000))
    }
    known = Facts(
        bulk_density=Decimal("1.2"),
        densities={"lot": Decimal("0.5")},
        moistures={"lot": Decimal(50)},
        treatments={"c": record},
        beds={"b": bed},
        applications={},
        lot_names={"lot": "compost"},
        contents={},
    )
    prices = {"lot": "0.10 EUR/kg"} if analysed else {}
    return Matter(
        known, {"lot": contents} if analysed else {}, frozenset(), prices, {}, Decimal(15)
    )


def trial(rng: np.random.Generator, analyte: str, *, fitted: bool) -> Series:
    """A series of one nutrient with whatever beds, pulls and gaps chance gives."""
    beds, level = int(rng.integers(1, 5)), 10.0 ** rng.uniform(-1.5, 3.0)
    days = [0.0, *sorted(rng.choice([3, 7, 14, 21, 28, 42, 56], rng.integers(1, 8), False))]
    spread = rng.choice([0.0, 0.02, 0.1, 0.4])
    course = rng.uniform(-0.9, 2.0) * (1.0 - np.exp(-np.array(days) / rng.uniform(3.0, 60.0)))
    rows = []
    for place, day in enumerate(days):
        found = []
        for bed in range(beds):
            for treated in (False, True):
                if day and rng.random() < 0.05:
                    continue
                true = level * (1.0 + treated * course[place]) * (1.0 + rng.normal(0.0, spread))
                value = round(max(true, level / 50.0), 4)
                low = rng.random() < 0.03
                known = (None, 0.0, value) if low else (value, None, None)
                name = f"B{2 * bed + 1 + treated}"
                found.append(Observation(float(day), name, str(bed), treated, *known))
        if {one.treated for one in found} != {True, False}:
            continue
        for one in analysis.differences(found, SHARE):
            rows.append(Row(f"day {day:g}", None, None, one, tuple(found)))
    points = points_of(rows)
    declared = Declared(cv=0.1) if rng.random() < 0.5 else Declared()
    decided = fit(analyte, rows, points, SHARE, declared)[1] if fitted and points.days else None
    return Series(
        "random (invented)", analyte, UNITS.get(analyte, "mg/kg"),
        METHODS.get(analyte, "water 1:1"), "dry", "bench (invented)", "C",
        "compost", SHARE, tuple(rows), points, (), (), fitted=decided,
    )  # fmt: skip


def lines_of(series: Series) -> Iterator[Line]:
    """Its pulls as lines of a comparison, with the tests that belong to them."""
    from logbook.analysis import ratios

    families = Families([series], {kind_of(series): None})
    for row in series.rows:
        none = ratios.Ratio(None, None, None, None, "none", "")
        ratio = ratios.ratio_of(row.observations, None) if logged(series.analyte) else none
        declared = row.name == "day 28"
        finding, sentence = words_of(series, row)
        test = families.of(series, row, declared=declared, endpoint=("mineral-N", "day 28"))
        yield Line(series, row, ratio, None, "", declared, finding, sentence, test)


def holds(one: Finding) -> None:
    """What must be true of every finding."""
    assert one.kind in KINDS
    assert one.sentence and not NEVER.search(f"{one.sentence} {one.design} {one.aside}"), one
    numbers = (one.value, one.low, one.high, one.detectable, one.treated, one.control, one.chance)
    assert all(math.isfinite(number) for number in numbers if number is not None), one
    if one.low is not None and one.high is not None:
        assert one.low <= one.high, one
        if one.value is not None:
            assert one.low - 1e-9 <= one.value <= one.high + 1e-9, one


@pytest.mark.parametrize("analyte", ["mineral-N", "P", "Fe", "EC", "pH"])
@pytest.mark.long
def test_lines_of_a_date(analyte: str) -> None:
    rng = np.random.default_rng(20260302)
    book = handbook.load()
    seen = set()
    for turn in range(40):
        declared = {analyte: Declared(0.08, 0.0, 5.0)} if turn % 3 == 0 else {}
        beside = nutrients.Beside(book, declared, 1.2, 6.5, turn % 2 == 0, turn % 5 == 0)
        for line in lines_of(trial(rng, analyte, fitted=False)):
            found = nutrients.of_line(line, beside)
            holds(found)
            assert found.kind == "equivalent" or found.kind == dated.kind_of(line)
            seen.add(found.kind)
    assert {"no difference shown", "cannot say"} <= seen
    assert seen & {"more", "less"}


def test_mineral_n_make_up_and_supply() -> None:
    rng = np.random.default_rng(20260330)
    products = handbook.load().products
    seen = set()
    for turn in range(24):
        series = trial(rng, "mineral-N", fitted=True)
        if series.fitted is None:
            continue
        known, below = matter(turn % 2 == 0), series.fitted.below
        found = [
            *nitrogen.below_findings(series, nitrogen.tied("tied up", ())),
            *makeup.make_up_findings(series, layer_of(known, "C"), products),
            *supply_findings(known, series, Losses(), 28.0),
            *changes.of_methods([series]),
        ]
        for one in (
            nitrogen.curve_finding(series),
            carbon.carbon_finding(carbon.ratio_of(known, "C"), below),
        ):
            found += [] if one is None else [one]
        for one in found:
            holds(one)
        seen |= {one.kind for one in found}
    assert {"below control", "curve", "supply", "recovery", "C:N", "make-up N"} <= seen


@pytest.mark.parametrize(
    ("value", "text"),
    [(999.7, "1,000"), (-0.0, "0"), (-1e-9, "0"), (4e-5, "0.00004"), (-0.0499, "-0.0499")],
)
def test_numbers_without_exponent_or_minus_nothing(value: float, text: str) -> None:
    assert content.number(value) == text
    assert tested.number(999.7) == "1000"


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_no_number_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="cannot stand in a finding"):
        content.number(value)
