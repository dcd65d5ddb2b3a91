"""Charts of individuals, against the NIST/SEMATECH e-Handbook of Statistical Methods."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import norm

from logbook.analysis import control_chart as chart

# e-Handbook, section 6.3.2.2: flow rate of ten batches, retyped.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_worked_example_of_the_e_handbook() -> None:
    # 6.3.2.2: mean 50.81, mean moving range 1.8778; limits 55.8041 and 45.8159
    found = chart.individuals(FLOW)
    assert found.centre == pytest.approx(50.81)
    assert found.sd * chart.D2 == pytest.approx(1.8778, abs=5e-5)
    assert found.line(3) == pytest.approx(55.8041, abs=5e-5)
    assert found.line(-3) == pytest.approx(45.8159, abs=5e-5)


def test_the_constants_of_moving_ranges() -> None:
    # d2 is the mean range of two normal values, 2 / sqrt pi; D4 = 1 + 3 d3/d2 (e-Handbook 6.3.2.1)
    assert pytest.approx(2 / math.sqrt(math.pi), abs=5e-4) == chart.D2
    square, _ = integrate.quad(lambda x: x**2 * norm.pdf(x, scale=math.sqrt(2)), -20, 20)
    d3 = math.sqrt(square - chart.D2**2)
    assert pytest.approx(1 + 3 * d3 / chart.D2, abs=2e-3) == chart.D4


def judged(*z: float) -> list[tuple[str, ...]]:
    return [one.rules for one in chart.judged([10 + value for value in z], assigned=10, sd=1)]


def test_one_beyond_three() -> None:
    assert judged(0.5, 3.1, 0.2) == [(), ("1",), ()]


def test_two_of_three_beyond_two_on_one_side() -> None:
    assert judged(2.1, 0, 2.2)[-1] == ("2",)
    assert judged(2.1, 0, -2.2)[-1] == ()
    assert judged(2.1, 2.2, 0)[-1] == ()  # the newest is fine
    point = chart.judged([12.5], assigned=10, sd=1)[0]
    assert (point.out, point.warning) == (False, True)


def test_four_of_five_beyond_one_on_one_side() -> None:
    assert judged(1.1, 1.2, 0.5, 1.3, 1.4)[-1] == ("3",)
    assert judged(1.1, 1.2, 0.5, 0.9, 1.4)[-1] == ()


def test_eight_on_one_side() -> None:
    # Of a material without an sd of its own the first eight are not judged, so the ninth is.
    found = judged(*[0.3] * 8)
    assert found[6:] == [(), ("4",)]


def test_until_eight_are_there_the_assigned_values_count_then_moving_ranges() -> None:
    points = chart.judged(FLOW, assigned=50.0, sd=3.0)
    sources = [one.limits.source for one in points if one.limits]
    assert sources == ["as assigned"] * 8 + ["8 results before it", "9 results before it"]
    assert {one.limits.centre for one in points if one.limits} == {50.0}
    nothing = chart.judged(FLOW)
    assert [one.z is None for one in nothing] == [True] * 8 + [False] * 2
    assert nothing[8].limits == chart.individuals(FLOW[:8])


def test_a_batch_out_of_control_does_not_widen_the_limits() -> None:
    points = chart.judged([10.0, 10.2] * 4 + [30.0, 10.1])
    assert points[8].out
    assert not points[9].out
    assert points[9].limits == points[8].limits


def test_false_alarms_are_as_rare_as_published() -> None:
    # Average run length of the four rules in control 91.75: Champ & Woodall 1987, Technometrics
    # 29:393: at most 8 / 91.75 = 8.7 % of stretches of 8, fewer while the windows fill.
    rng = np.random.default_rng(5)
    stretches = rng.standard_normal((1500, 8))
    alarms = [
        any(one.out for one in chart.judged(values.tolist(), assigned=0.0, sd=1.0))
        for values in stretches
    ]
    assert 0.03 < np.mean(alarms) < 0.09
