"""How far chance takes a pull's difference, and the lack-of-fit test that follows from it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logbook.analysis import errors, fitting
from logbook.analysis.errors import errors_of
from logbook.analysis.fits import Fit
from logbook.analysis.scores import Beds, beds_of
from logbook.analysis.tails import f_tail

DAYS = [0.0, 3.0, 7.0, 14.0, 28.0, 42.0, 56.0]
BLOCKS = ("1", "2", "3", "4")


def _fit(shape: str, values: list[float], sd: float) -> Fit:
    (found,) = [o for o in fitting.fit_series(DAYS, values, True, sd=sd) if o.shape == shape]
    assert isinstance(found, Fit)
    return found


def _marked(shape: str, values: list[float], sd: float, df: float) -> Fit:
    one = _fit(shape, values, sd)
    return errors.checked(one, {shape: errors.misfit(one, df)}.get)


def test_f_tail_is_the_tabled_one() -> None:
    # Upper 5 % points of F, NIST/SEMATECH e-Handbook 1.3.6.7.3: F(4, 10) = 3.478, F(5, 20) = 2.711.
    assert f_tail(3.478, 4, 10) == pytest.approx(0.05, abs=2e-5)
    assert f_tail(2.711, 5, 20) == pytest.approx(0.05, abs=2e-5)


def test_a_straight_line_through_a_draw_down_is_named() -> None:
    fit = _marked("zero order", [1.0, -6.0, -10.0, -10.5, -4.5, 4.0, 7.0], 0.8, 21.0)

    assert not fit.sound
    assert fit.checks[-1].name == "fits its pulls"
    assert fit.verdict == (
        "zero order misses its pulls by more than their errors allow: this is not the shape"
    )


def test_a_line_within_the_errors_passes() -> None:
    fit = _marked("zero order", [0.2, 0.9, 2.3, 3.9, 8.6, 12.4, 17.1], 0.4, 21.0)

    assert fit.sound
    assert fit.checks[-1].passed


def test_few_degrees_of_freedom_forgive_more_than_a_declared_error() -> None:
    fit = _fit("zero order", [0.0, 2.5, 1.0, 5.5, 7.0, 13.5, 16.0], 1.0)
    by_beds, declared = errors.misfit(fit, 3.0), errors.misfit(fit, math.inf)
    assert by_beds is not None
    assert declared is not None
    assert by_beds[0] == declared[0] == pytest.approx(fit.rss / fit.df)
    assert by_beds[1] > declared[1]


def _made(cv: float, seed: int, blocks: bool = False) -> Beds:
    """Invented beds: a rise of 40 over 25, every result off by a CV of its own."""
    rng = np.random.default_rng(seed)
    days = np.arange(0.0, 400.0)
    level = np.array([25.0 + 40.0 * (1 - np.exp(-0.05 * days)), np.full_like(days, 25.0)])
    results = level[:, None, :] * (1.0 + cv * rng.standard_normal((2, 4, len(days))))
    if blocks:
        results += 8.0 * rng.standard_normal(4)[None, :, None]
    labels = BLOCKS if blocks else None
    return beds_of(days, *results, treated_blocks=labels, control_blocks=labels)


@pytest.mark.parametrize("blocks", [False, True])
def test_the_spread_between_beds_comes_back(blocks: bool) -> None:
    beds = _made(0.1, 20260214, blocks)
    found = errors_of(beds)
    assert found is not None
    assert found.beds == pytest.approx(0.1, rel=0.08)
    # SD of a difference of two means of four beds, each with a CV of 10 %.
    last = beds.on([len(beds.days) - 1])
    size = math.hypot(last.treated.mean(), last.control.mean())
    assert found.sd[-1] == pytest.approx(found.beds * size / 2.0, rel=1e-9)
    assert found.df == (1200.0 if blocks else 2400.0)


def test_the_larger_of_declared_and_seen_counts_pull_by_pull() -> None:
    beds = _made(0.02, 7)
    seen = errors_of(beds)
    found = errors_of(beds, cv=0.1, floor=1.5)
    assert seen is not None
    assert found is not None
    assert (found.sd > seen.sd).all()
    assert math.isinf(found.df)
    # SD^2 = s0^2 + (CV x)^2 of each result, over four beds a side (ISO 11352 has the same form).
    level = beds.treated.mean(0)[0], beds.control.mean(0)[0]
    expected = sum((1.5**2 + (0.1 * x) ** 2) / 4 for x in level)
    assert found.sd[0] == pytest.approx(math.sqrt(expected), rel=1e-9)
    assert "declared CV is 10 %" in found.words


def test_one_bed_a_side_tells_nothing_by_itself() -> None:
    beds = beds_of(DAYS, [[20.0, 25, 30, 35, 40, 42, 45]], [[20.0, 20, 21, 22, 22, 23, 23]])
    assert errors_of(beds) is None
    found = errors_of(beds, cv=0.08)
    assert found is not None
    assert found.beds is None
    assert found.sd[0] == pytest.approx(0.08 * math.hypot(20.0, 20.0))


def test_beds_with_gaps_count_where_they_have_results() -> None:
    gap = float("nan")
    treated = [[20.0, 30, gap], [22.0, 33, 41], [21.0, 31, 40]]
    control = [[20.0, 20, 21], [21.0, gap, 22]]
    found = errors_of(beds_of([0.0, 7, 14], treated, control))
    assert found is not None
    assert found.df == (2 + 1) + (2 + 0) + (1 + 1)


def line_of(values: list[float], *, free: bool = True) -> Fit:
    days = [float(day) for day in range(0 if free else 7, 7 * len(values) + 7, 7)][: len(values)]
    found = fitting.fit_series(days, values, free)
    (line,) = (
        one
        for one in errors.straight_checked(found, days, values)
        if isinstance(one, Fit) and one.shape == "zero order"
    )
    return line


def test_a_line_that_bends_away_fails_its_check() -> None:
    """By hand: t = 0 1 2 3 4 weeks, t^2 0 1 4 9 16; the contrast of a bend is 2 -1 -2 -1 2 over
    the root of 14, so that for 0 10 15 17.5 19 it takes 37.7 of the line's rss of 38.7 on 3 df."""
    line = line_of([0.0, 10.0, 15.0, 17.5, 19.0])
    (check,) = (one for one in line.checks if one.name == "straight")
    bend = (2 * 0 - 10 - 2 * 15 - 17.5 + 2 * 19) ** 2 / 14
    assert check.statistic == pytest.approx(bend / ((line.rss - bend) / 2))
    assert (check.passed, line.verdict) == (False, errors.BENT)
    assert not line.sound


def test_a_line_with_scatter_passes_and_four_values_are_not_judged() -> None:
    assert line_of([0.0, 5.2, 9.7, 15.1, 19.9]).sound
    few = line_of([9.0, 15.0, 18.0, 19.0], free=False)
    assert [one.name for one in few.checks] == ["values differ"]


def test_a_pull_without_anything_in_it_is_not_known_without_error() -> None:
    beds = _made(0.1, 3).on(list(range(0, 60, 6)))
    beds.treated[:, 0] = beds.control[:, 0] = 0.0
    found = errors_of(beds)
    assert found is not None
    assert found.sd[0] == pytest.approx(0.1 * float(np.median(found.sd[1:])), rel=0.1)


def test_of_the_declared_floor_the_control_counts_for_one_less_the_share() -> None:
    # SD^2 = s0^2 + ((1 - f) s0)^2 for one bed a side: 1 + 0.25 with f = 0.5.
    beds = beds_of(DAYS, [[20.0] * 7], [[20.0] * 7], share=0.5)
    found = errors_of(beds, floor=1.0)
    assert found is not None
    assert found.sd[0] == pytest.approx(math.sqrt(1.25))
