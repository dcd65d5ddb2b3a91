"""Series fitted in batches: the numbers and words of each fitted by itself. No outside source."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logbook import handbook as tables
from logbook.analysis import fitting
from logbook.analysis.fits import Fit, Limit, Refusal
from logbook.errors import UserMistake
from logbook.store import views
from logbook.study import comparison
from logbook.study.findings import findings
from logbook.study.fitted import Wanted, fit
from logbook.study.series import Series, series_of


@pytest.fixture
def demo(demo_season: Path) -> Path:
    """The demo's season."""
    return demo_season


def series_in(path: Path) -> tuple[str, list[Series]]:
    """The trial of the demo and its series, fitted."""
    with views.reading(path) as store:
        (trial,) = views.fetch(store, "trial", "1", ())
        return trial.id, series_of(store, trial.id)


def told(found: Iterator[Fit | Refusal] | tuple[Fit | Refusal, ...]) -> list[object]:
    """What a screen says of fits, numbers to six digits; where a limit leaves the curve to chance,
    its name and how well it fits."""
    lines: list[object] = []
    for one in found:
        if isinstance(one, Refusal):
            lines.append(one)
            continue
        numbers = [(p.symbol, p.reason) for p in one.parameters]
        lines.append((one.shape, one.limit, one.verdict, f"{one.rss:.6g}", numbers))
        if one.limit is Limit.INSIDE:
            lines.append([p.value if p.value is None else f"{p.value:.5g}" for p in one.parameters])
    return lines


@pytest.mark.long
def test_every_series_of_the_demo_is_fitted_as_by_itself(demo: Path) -> None:
    _, every = series_in(demo)
    fitted = [one for one in every if one.fitted is not None]
    assert len(fitted) > 30
    for one in fitted:
        assert one.fitted is not None
        share = one.dilution if one.points.corrected else None
        wanted = Wanted(one.analyte, one.rows, one.points, share, one.fitted.declared)
        alone, decided = fit(*vars(wanted).values())
        assert told(one.fits) == told(alone), (one.analyte, one.treatment)
        assert one.fitted.choice.sentence == decided.choice.sentence
        assert one.fitted.choice.printed == decided.choice.printed
        assert one.fitted.constants.keys() == decided.constants.keys()


@pytest.mark.long
def test_findings_and_comparison_of_series_already_read(demo: Path) -> None:
    trial, every = series_in(demo)
    handbook = tables.load()
    with views.reading(demo) as store:
        assert findings(store, trial, handbook, series=every) == findings(store, trial, handbook)
        read = comparison.compare(store, trial, None, "meal", series=every)
        anew = comparison.compare(store, trial, None, "meal")
        assert read.treatments == anew.treatments == ["meal"]
        assert [line.row for line in read.lines] == [line.row for line in anew.lines]
        with pytest.raises(UserMistake, match="no treatment 'chaff'"):
            comparison.compare(store, trial, None, "chaff", series=every)


def test_series_of_many_days_and_weights_each_as_by_itself() -> None:
    rng = np.random.default_rng(3)
    asked = []
    for place in range(12):
        days = np.array([0.0, 3, 7, 14, 28, 42, 56, 70][place % 3 :])
        value = 30.0 * -np.expm1(-0.05 * days) + rng.normal(size=len(days))
        sd = None if place % 2 else rng.uniform(0.5, 2.0, len(days))
        asked.append(fitting.Asked(days, value, place % 3 == 0, sd=sd))
    together = fitting.fit_each(asked)
    for one, found in zip(asked, together, strict=True):
        alone = fitting.fit_series(one.days, one.values, one.free_start, sd=one.sd)
        assert told(tuple(found)) == told(tuple(alone))


def test_two_late_pulls_met_by_any_rate_are_named_so() -> None:
    # By hand: nothing up to day 28, then two values that a lag and any rate meet exactly.
    days, values = (
        np.array([0.0, 7, 14, 21, 28, 42, 56]),
        np.array([0, 0.1, -0.1, 0.1, -0.1, 9, 10]),
    )
    batch = fitting.fit_lagged(days, values, free_start=True)
    assert Limit(int(batch.limit[0])) is Limit.TOO_FEW_LATE


def test_two_phases_over_before_the_first_pull_are_a_step() -> None:
    # By hand: a jump before day 3, and nothing after it that a second phase could follow.
    days = np.array([0.0, 3, 7, 14, 21, 28, 42, 56])
    values = np.array([0, 5.2, 4.8, 5.1, 4.9, 5.1, 4.9, 5.0])
    batch = fitting.fit_two_phases(days, values, free_start=True)
    assert np.isnan(batch.values[0, 1:]).all()
