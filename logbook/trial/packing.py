"""The packing order of a shipment, and the codes that follow from what is in it.

Laboratories put check samples at fixed places of a tray, and their readings drift along it: beds
in bench order would turn that drift into a difference between treatments. So every treatment is
spread over the whole box: of a treatment with m samples one comes into each m-th part of the box,
at a place drawn within it, the samples of a treatment being in random order themselves. All draws
follow from the shipment's code by `random.Random(text).random()`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise
from random import Random
from typing import TypeVar

from logbook.trial import codes

T = TypeVar("T")
_TRIES = 40  # draws until blocks do not run in order; with two blocks or more nearly every one is


def derived_code(*parts: str, taken: Callable[[str], bool] = lambda code: False) -> str:
    """The code that follows from these words: the same on every machine.

    `taken` says which codes something else has already: then the next one is derived.
    """
    count = 0
    while True:
        text = "\n".join((*parts, str(count)))
        code = codes.new_code(_chooser(text))
        if not taken(code):
            return code
        count += 1


def _chooser(text: str) -> Callable[[str], str]:
    number = int.from_bytes(hashlib.sha256(text.encode()).digest(), "big")
    state = [number]

    def choose(symbols: str) -> str:
        state[0], at = divmod(state[0], len(symbols))
        if not state[0]:
            state[0] = int.from_bytes(hashlib.sha256(f"{number}".encode()).digest(), "big")
        return symbols[at]

    return choose


def packed(
    code: str, samples: Iterable[str], treatment: Mapping[str, str], block: Mapping[str, str]
) -> list[str]:
    """Samples in packing order, drawn by the shipment's code; their order on entry is no matter.

    No treatment comes more often in a row than `longest_run` says. Raises KeyError for a sample
    without a treatment or block.
    """
    draw = Random(f"packing {code}")
    ordered = sorted(samples)
    drawn = ordered
    for _ in range(_TRIES):
        drawn = _spread(ordered, treatment, draw)
        if not _in_order([block[one] for one in drawn]):
            break
    return drawn


def packed_by_kind(
    code: str,
    kind: Mapping[str, str],
    treatment: Mapping[str, str],
    block: Mapping[str, str],
) -> dict[str, list[str]]:
    """The packing order of each kind of bag, kinds by name: each kind is a tray of its own.

    kind: of each sample. Chilled and dried soil is measured on different days, so each kind is
    spread by itself, as `packed` does.
    """
    names = sorted(set(kind.values()))
    return {
        name: packed(
            code if len(names) == 1 else f"{code} {name}",
            [one for one, its in kind.items() if its == name],
            treatment,
            block,
        )
        for name in names
    }


def _spread(samples: Sequence[str], treatment: Mapping[str, str], draw: Random) -> list[str]:
    groups: dict[str, list[str]] = {}
    for one in samples:
        groups.setdefault(treatment[one], []).append(one)
    placed: list[tuple[float, str]] = []
    for name in sorted(groups):
        group = _shuffled(groups[name], draw)
        size = len(group)
        placed += [((at + draw.random()) / size, one) for at, one in enumerate(group)]
    return [one for _, one in sorted(placed)]


def _shuffled(items: Iterable[T], draw: Random) -> list[T]:
    """Fisher-Yates, by `random()` alone: of the module only its sequence is promised to stay."""
    drawn = list(items)
    for last in range(len(drawn) - 1, 0, -1):
        other = int(draw.random() * (last + 1))
        drawn[last], drawn[other] = drawn[other], drawn[last]
    return drawn


def _in_order(blocks: Sequence[str]) -> bool:
    """Whether each block comes in one piece, where there are two or more of two samples or more."""
    pieces = 1 + sum(one != other for one, other in pairwise(blocks))
    names = len(set(blocks))
    return 1 < names < len(blocks) and pieces == names


def longest_run(sizes: Sequence[int], of: int) -> int:
    """How many samples of the group numbered `of` may follow one another: `sizes` by group.

    r in a row hold r - 2 whole m-th parts of the box; a stretch of twice the width of a part of
    another group holds one whole, with a sample in it: so (r - 2) / m < 2 / m' for the largest
    other group m'.
    """
    others = [size for place, size in enumerate(sizes) if place != of]
    if not others:
        return sizes[of]
    return min(sizes[of], 1 + -(-2 * sizes[of] // max(others)))


def slipped_in(code: str, order: Sequence[str], new: str, apart: str | None = None) -> list[str]:
    """The order with one more sample at a random place; not beside the sample `apart`.

    A duplicate beside its other half would be seen, and measured in the same minute.
    """
    draw = Random(f"slipped in {code} {new}")
    places = list(range(len(order) + 1))
    if apart is not None:
        at = order.index(apart)
        free = [place for place in places if place not in (at, at + 1)]
        places = free or places
    place = places[int(draw.random() * len(places))]
    return [*order[:place], new, *order[place:]]


def drawn_one(code: str, what: str, among: Iterable[str]) -> str:
    """One of these, drawn by the shipment's code: the sample to halve, and the like."""
    ordered = sorted(among)
    return ordered[int(Random(f"{what} {code}").random() * len(ordered))]
