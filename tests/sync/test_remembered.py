"""How files of one writer make up its chain: the law in its plainest words, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.sync.remembered import Remembered, Seen, Span, anchored, tips

# Entry 7 of branch "b" has the id "b7"; branches part after entry 4, and "b" and "c" after 8.
_PARTS = {"a": 0, "b": 4, "c": 8}


def entry(branch: str, seq: int) -> str:
    """The id of an entry of a branch: below where it parts, that of the branch before."""
    while seq <= _PARTS[branch]:
        branch = chr(ord(branch) - 1)
    return f"{branch}{seq}"


def remembered(branch: str, first: int, last: int, writer: str = "w") -> Remembered:
    before = entry(branch, first - 1) if first > 1 else None
    return Remembered(1, 1, Span(writer, first, before, last, entry(branch, last)))


runs = st.tuples(st.sampled_from("abc"), st.integers(1, 12), st.integers(0, 6))


@given(st.lists(runs, max_size=14))
def test_what_follows_from_entry_1_is_found_in_whatever_pieces(
    given_runs: list[tuple[str, int, int]],
) -> None:
    seen: Seen = {}
    branches: dict[str, str] = {}
    for number, (branch, first, more) in enumerate(given_runs):
        seen[f"f{number}"] = remembered(branch, first, first + more)
        branches[f"f{number}"] = branch

    def id_at(name: str, seq: int) -> str:
        return entry(branches[name], seq)

    found = anchored(seen, id_at)
    assert found.keys() == plainly_anchored(seen, branches)
    held, followed = contents({name: seen[name] for name in found}, branches)
    assert {name for _, name in tips(found, id_at).get("w", frozenset())} == held - followed


def contents(seen: Mapping[str, Remembered], branches: dict[str, str]) -> tuple[set[str], set[str]]:
    """Every entry in these files, and every one that another of them follows."""
    held: set[str] = set()
    followed: set[str] = set()
    for name, one in seen.items():
        assert one.span is not None
        for seq in range(one.span.first, one.span.last + 1):
            held.add(entry(branches[name], seq))
            followed.add(entry(branches[name], seq - 1) if seq > 1 else "")
    return held, followed


def plainly_anchored(seen: Seen, branches: dict[str, str]) -> set[str]:
    """The files that hang together with entry 1, looked for until no more are found."""
    found: set[str] = set()
    while True:
        held, _ = contents({name: seen[name] for name in found}, branches)
        more = {
            name
            for name, one in seen.items()
            if one.span is not None and (one.span.first == 1 or one.span.before in held)
        }
        if more == found:
            return found
        found = more


@pytest.mark.parametrize("far", [0, 100_000])
def test_files_that_hang_in_the_air_cost_no_look_at_each_other_one(
    monkeypatch: pytest.MonkeyPatch, far: int
) -> None:
    """They lie between the others, as of a fork whose trunk is missing, or beyond them."""
    looks = 0
    real = Span.covers

    def counted(self: Span, seq: int) -> bool:
        nonlocal looks
        looks += 1
        return real(self, seq)

    seen: Seen = {}
    for number in range(500):
        seen[f"a{number:03}"] = remembered("a", number * 10 + 1, number * 10 + 10)
        at = far + number * 10 + 6
        span = Span("w", at, f"missing {number}", at + 3, f"other {number}")
        seen[f"b{number:03}"] = Remembered(1, 1, span)
    monkeypatch.setattr(Span, "covers", counted)
    found = anchored(seen, lambda name, seq: entry("a", seq))
    assert tips(found, lambda name, seq: entry("a", seq)) == {"w": {(5_000, "a5000")}}
    assert len(found) == 500
    assert looks <= 1_000
