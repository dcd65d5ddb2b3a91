"""Drawing by lot: every block complete, every order equally likely, the same seed the same beds."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.trial import randomise

CODES = ["A", "B", "C"]


def test_the_draw_by_hand() -> None:
    # random() of seed 1 begins 0.134..., 0.847..., 0.763...: the entries that change places are
    # 3 with int(4 x 0.134) = 0, 2 with int(3 x 0.847) = 2, 1 with int(2 x 0.763) = 1.
    numbers = random.Random(1)
    assert [round(numbers.random(), 3) for _ in range(3)] == [0.134, 0.847, 0.764]
    assert randomise.complete_blocks(1, 1, "0", 1, CODES) == [["C", "A", "B", "0"]]


# Frozen: a seed written in a protocol must give the same layout with every later version.
GOLDEN_BLOCKS = ["D0BCA0", "0AD0BC", "CD0AB0", "B0DAC0"]
GOLDEN_RANDOM = "DC0DB0BC00DAA0A00BDCCBA0"


def test_golden_layouts() -> None:
    blocks = randomise.complete_blocks(4711, 4, "0", 2, ["A", "B", "C", "D"])
    assert ["".join(block) for block in blocks] == GOLDEN_BLOCKS
    drawn = randomise.completely_random(4711, 4, "0", 8, ["A", "B", "C", "D"])
    assert "".join(drawn) == GOLDEN_RANDOM


SEEDS = st.integers(0, 2**63 - 1)
TREATMENTS = st.lists(st.text("ABCDEFGH", min_size=1, max_size=3), min_size=1, unique=True)


@settings(derandomize=True, deadline=None)
@given(SEEDS, st.integers(1, 12), st.integers(1, 5), TREATMENTS)
def test_every_block_is_complete(seed: int, blocks: int, controls: int, codes: list[str]) -> None:
    drawn = randomise.complete_blocks(seed, blocks, "0", controls, codes)
    assert len(drawn) == blocks
    for block in drawn:
        assert Counter(block) == Counter({"0": controls, **dict.fromkeys(codes, 1)})
    assert drawn == randomise.complete_blocks(seed, blocks, "0", controls, codes)
    assert drawn[:1] == randomise.complete_blocks(seed, 1, "0", controls, codes)


@settings(derandomize=True, deadline=None)
@given(SEEDS, st.integers(1, 12), st.integers(1, 30), TREATMENTS)
def test_random_has_every_bed(seed: int, repeats: int, controls: int, codes: list[str]) -> None:
    drawn = randomise.completely_random(seed, repeats, "0", controls, codes)
    assert Counter(drawn) == Counter({"0": controls, **dict.fromkeys(codes, repeats)})
    assert drawn == randomise.completely_random(seed, repeats, "0", controls, codes)


def test_every_order_and_place_is_equally_likely() -> None:
    # Pearson's chi-square. 0.1 % points of standard tables: 49.73 on 23 df, 27.88 on 9 df. The
    # places of a permutation have (n-1)^2 df after the factor (n-1)/n: rows and columns are fixed.
    draws = 6000
    orders: Counter[str] = Counter()
    places: Counter[tuple[str, int]] = Counter()
    for seed in range(draws):
        (block,) = randomise.complete_blocks(seed, 1, "0", 1, CODES)
        orders["".join(block)] += 1
        places.update((code, at) for at, code in enumerate(block))
    assert len(orders) == 24
    assert sum((n - draws / 24) ** 2 / (draws / 24) for n in orders.values()) < 49.73
    assert sum((n - draws / 4) ** 2 / (draws / 4) for n in places.values()) * 3 / 4 < 27.88


def test_blocks_are_drawn_independently() -> None:
    # The same order twice running: 1 in 24. 6000 draws: 250, standard deviation 15.5; 4 of them.
    pairs = (randomise.complete_blocks(seed, 2, "0", 1, CODES) for seed in range(6000))
    assert abs(sum(first == second for first, second in pairs) - 250) < 62


def test_controls_by_the_square_root() -> None:
    # Dunnett 1955: with 4 treatments twice as many control beds; about the square root.
    assert [randomise.control_beds(k) for k in range(1, 10)] == [1, 2, 2, 2, 2, 3, 3, 3, 3]
    for k in range(1, 200):
        cost = {c: (c + 1) * (k + c) / c for c in range(1, k + 2)}
        found = randomise.control_beds(k)
        assert cost[found] == pytest.approx(min(cost.values()), rel=1e-12)
        assert (found + 2) * (k + found + 1) / (found + 1) > cost[found]  # of level ones the larger
        assert abs(found - k**0.5) <= 0.6


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["0AB", "0BA", "0AB"], ["0 is at place 1 of every block"]),
        (["0AB0", "0BA0", "0BA0"], ["0 is at place 1, 4 of every block"]),
        (["0AB0", "A0B0", "BA00"], ["A lie in the first half"]),
        (["0A", "A0"], []),
        (["0AB", "0BA"], []),
        (["A0BC", "0ACB", "A0BC"],
         ["A lie in the first half", "0 lie in the first half",
          "B lie in the second half", "C lie in the second half"]),
        (["A0B", "B0A", "0AB"], []),
        (["000AAA"], ["0 lie in the first half", "A lie in the second half"]),
        (["00A0AAA"], []),
        (["0A0A0A"], []),
        (["0AA"], []),
    ],
)  # fmt: skip
def test_what_the_eye_objects_to(rows: list[str], said: list[str]) -> None:
    found = randomise.concerns(rows)
    assert len(found) == len(said)
    for whole, part in zip(found, said, strict=True):
        assert part in whole


def test_one_row_has_no_places_in_common() -> None:
    assert randomise.concerns(["0AB"]) == []
    assert randomise.concerns(["000AAA"])[0] == "all beds of 0 lie in the first half of the bench"
