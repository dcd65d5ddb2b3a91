"""The packing order: spread over the box, no treatment and no block in order, the same anywhere."""

from __future__ import annotations

from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.trial import codes, packing
from logbook.trial.packing import derived_code, longest_run, packed, slipped_in

CODES = st.text(codes.ALPHABET, min_size=8, max_size=8)
# Up to five treatments of up to twelve samples, in up to four blocks.
SIZES = st.lists(st.integers(1, 12), min_size=1, max_size=5)


def box(sizes: list[int], blocks: int = 3) -> tuple[dict[str, str], dict[str, str]]:
    """Samples with their treatment and their block."""
    treatment = {f"S{t}{n:02}": f"T{t}" for t, size in enumerate(sizes) for n in range(size)}
    return treatment, {one: str(place % blocks) for place, one in enumerate(treatment)}


@given(CODES, SIZES, st.integers(1, 4))
def test_every_sample_is_packed_once_and_no_treatment_runs(
    code: str, sizes: list[int], blocks: int
) -> None:
    treatment, block = box(sizes, blocks)
    order = packed(code, treatment, treatment, block)
    assert sorted(order) == sorted(treatment)
    backwards = packed(code, reversed(treatment), treatment, block)
    assert backwards == order, "the order in which bags were named is no matter"
    for name, run in groupby(order, key=treatment.__getitem__):
        group = int(name[1:])
        assert len(list(run)) <= longest_run(sizes, group)


@given(CODES, st.integers(1, 20), st.integers(2, 4))
def test_each_part_of_the_box_has_one_sample_of_each_treatment(
    code: str, each: int, treatments: int
) -> None:
    """Drift along the tray then meets all alike: in every stretch they differ by two at most."""
    treatment, block = box([each] * treatments)
    order = [treatment[one] for one in packed(code, treatment, treatment, block)]
    for end in range(1, len(order) + 1):
        counts = [order[:end].count(f"T{number}") for number in range(treatments)]
        assert max(counts) - min(counts) <= 2


@given(CODES, CODES)
def test_another_shipment_has_another_order(one: str, other: str) -> None:
    treatment, block = box([8, 8, 8])
    same = packed(one, treatment, treatment, block) == packed(other, treatment, treatment, block)
    assert same == (one == other)


def test_blocks_do_not_come_one_after_the_other() -> None:
    """Two blocks of two: of 24 orders, 8 have the blocks in order; none of 400 draws has."""
    treatment = {"A1": "T0", "A2": "T0", "B1": "T1", "B2": "T1"}
    block = {"A1": "1", "A2": "2", "B1": "1", "B2": "2"}
    for number in range(400):
        order = packed(f"code {number}", treatment, treatment, block)
        assert len(list(groupby(order, key=block.__getitem__))) > 2


def test_every_sample_comes_to_every_place() -> None:
    """Of 3,000 draws each of six samples is at each place 500 times; 4 sd is 82."""
    treatment, block = box([3, 3])
    counts = {(one, place): 0 for one in treatment for place in range(6)}
    for number in range(3000):
        for place, one in enumerate(packed(f"code {number}", treatment, treatment, block)):
            counts[one, place] += 1
    assert all(abs(count - 500) < 82 for count in counts.values()), counts


def test_a_known_order_stays() -> None:
    """Frozen: a shipment whose form was printed must be drawn the same by every later program."""
    treatment, block = box([3, 2, 2])
    assert packed("K7M3QX4R", treatment, treatment, block) == KNOWN
    assert derived_code("shipment", "t", "lab", "2026-03-16", "S000") == KNOWN_CODE


KNOWN = ["S100", "S002", "S201", "S000", "S101", "S200", "S001"]
KNOWN_CODE = "F9T4CA4K"


@given(st.lists(st.text(max_size=20), max_size=4), st.sets(st.integers(0, 3)))
def test_derived_codes_are_valid_and_free(parts: list[str], taken: set[int]) -> None:
    code = derived_code(*parts)
    assert codes.is_valid(code) and derived_code(*parts) == code
    other = derived_code(*parts, taken=lambda one: one == code)
    assert codes.is_valid(other) and other != code


@given(CODES, st.integers(1, 30), st.integers(0, 29))
def test_a_duplicate_is_not_beside_its_other_half(code: str, count: int, at: int) -> None:
    order = [f"S{n:02}" for n in range(count)]
    half = order[at % count]
    found = slipped_in(code, order, "NEW", apart=half)
    assert [one for one in found if one != "NEW"] == order
    apart = abs(found.index("NEW") - found.index(half))
    assert apart > 1 or count == 1


@pytest.mark.parametrize(
    ("sizes", "of", "most"), [([4], 0, 4), ([6, 6], 0, 3), ([6, 3, 3], 0, 5), ([2, 10], 0, 2)]
)
def test_the_longest_run(sizes: list[int], of: int, most: int) -> None:
    assert longest_run(sizes, of) == most


def test_one_of_several_is_drawn_by_the_shipment() -> None:
    among = [f"S{n}" for n in range(9)]
    drawn = [packing.drawn_one(f"code {n}", "halved", among) for n in range(300)]
    assert set(drawn) == set(among)
    assert drawn == [packing.drawn_one(f"code {n}", "halved", reversed(among)) for n in range(300)]


def test_each_kind_of_bag_is_packed_by_itself() -> None:
    kind = {f"{kind}{n}": kind for kind in ("chilled", "dried") for n in range(6)}
    treatment = {name: "M" if int(name[-1]) % 2 else "control" for name in kind}
    block = {name: str(int(name[-1]) // 2) for name in kind}
    orders = packing.packed_by_kind("RT4MAXCL", kind, treatment, block)
    assert list(orders) == ["chilled", "dried"]
    for name, order in orders.items():
        assert sorted(order) == [one for one in kind if kind[one] == name]
    alone = {name: its for name, its in kind.items() if its == "dried"}
    only = packing.packed_by_kind("RT4MAXCL", alone, treatment, block)
    assert only == {"dried": packing.packed("RT4MAXCL", alone, treatment, block)}
