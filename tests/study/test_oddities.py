"""Slips and exchanges among beds and pulls: found where they are, and nothing else."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.study import oddities
from logbook.study.samples import Reading, Sample

DAYS = (0, 7, 14, 28, 42, 56)
Change = Callable[[str, int, float], float]


def made(
    change: Change = lambda bed, day, value: value, beds: int = 3, seed: int = 1
) -> list[tuple[Sample, Reading]]:
    """An invented trial: controls rise slowly from 10, treated beds to 60 mg/kg; CV 5 %."""
    draw = random.Random(seed)
    pairs = []
    for day in DAYS:
        for place in range(2 * beds):
            control = place % 2 == 0
            label, block = f"B{place + 1}", f"{place // 2 + 1}"
            level = 10 + 0.1 * day if control else 12 + 48 * (1 - math.exp(-day / 15))
            value = change(label, day, level * math.exp(draw.gauss(0, 0.05)))
            when = date(2026, 3, 2) + timedelta(days=day)
            sample = Sample(
                f"{label}-{day}", label, label, block, "none" if control else "M", control,
                (f"day {day}",), when, day, False, (label,), (block,),
            )  # fmt: skip
            one = Reading(
                sample.code, "nitrate-N", "1 M KCl", "dry", "L", "mg/kg", value, None, None
            )
            pairs.append((sample, one))
    return pairs


def odd(pairs: list[tuple[Sample, Reading]]) -> set[tuple[str, str]]:
    """Samples asked about, and the kind of question."""
    return {(one.sample, kind) for one, kind, _ in oddities.odd("nitrate-N", pairs)}


@pytest.mark.parametrize("seed", range(20))
def test_release_and_beds_that_differ_raise_no_question(seed: int) -> None:
    assert odd(made(seed=seed)) == set()


@pytest.mark.parametrize("day", DAYS)
@pytest.mark.parametrize(("factor", "kind"), [(10, "decimal"), (0.01, "decimal"), (4.43, "form")])
def test_a_slip_is_found_on_any_pull(day: int, factor: float, kind: str) -> None:
    found = odd(made(lambda bed, on, value: value * factor if (bed, on) == ("B2", day) else value))
    assert found == {(f"B2-{day}", kind)}


def test_a_report_of_ions_is_found_as_a_whole() -> None:
    # From day 14 on nitrate: 4.4266 times nitrate-N (IUPAC atomic weights). Asked at the shift, of
    # every bed whose own release does not hide it.
    shifted = made(lambda bed, on, value: value * 4.4266 if on == 56 else value)
    assert {(f"B{n}-56", "form") for n in range(1, 7)} <= odd(shifted)


def test_two_exchanged_bags_are_both_named() -> None:
    pairs = made(seed=4)
    here = [place for place, (s, _) in enumerate(pairs) if s.code in ("B1-28", "B2-28")]
    one, two = (pairs[place][1] for place in here)
    pairs[here[0]] = (pairs[here[0]][0], replace(one, value=two.value))
    pairs[here[1]] = (pairs[here[1]][0], replace(two, value=one.value))
    assert odd(pairs) == {("B1-28", "exchange"), ("B2-28", "exchange")}


def test_one_bed_a_side_says_nothing_of_the_newest_pull() -> None:
    tripled = made(lambda bed, on, value: value * 10 if on == 56 else value, beds=1)
    assert odd(tripled) == set()


@given(st.lists(st.floats(0.1, 1000), min_size=3, max_size=9), st.data())
def test_the_median_of_the_others(values: list[float], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(values) - 1))
    others = values[:place] + values[place + 1 :]
    found = oddities._median_without(sorted(values), values[place])
    assert found == pytest.approx(median(others))


@given(st.integers(0, 10_000), st.sampled_from([1.0, 10.0, 4.43]))
def test_no_reading_is_changed(seed: int, factor: float) -> None:
    pairs = made(lambda bed, on, value: value * factor if bed == "B3" else value, seed=seed)
    before = list(pairs)
    list(oddities.odd("nitrate-N", pairs))
    assert pairs == before
