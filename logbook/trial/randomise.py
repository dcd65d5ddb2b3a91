"""Drawing treatments by lot over beds: the same seed gives the same layout for ever.

The draw, exactly: `random.Random(seed)`, of which only `random()` is called, since of the whole
module the documentation of Python promises only its sequence for a seed to stay the same. A list
is put in random order by Fisher-Yates from its end: for i = n-1 ... 1, entry i changes places with
entry int(random() * (i + 1)). In complete blocks the list (the control as often as it has beds in
a block, then every other treatment in the order of the protocol) is drawn afresh for block after
block, by one generator. Completely at random there is one list (the control's beds, then every
other treatment's) and one draw. A layout is shown and never drawn again for its looks: a chosen
draw is no draw (Hurlbert 1984, Ecol. Monogr. 54:187-211, on interspersion, is why it is shown).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random

_FEWEST = 3  # of two blocks or beds, every other draw would be objected to


def complete_blocks(
    seed: int, blocks: int, control: str, controls: int, treatments: Sequence[str]
) -> list[list[str]]:
    """Codes bed by bed for each block: every treatment once, the control `controls` times."""
    draw = Random(seed)
    block = [control] * controls + list(treatments)
    return [_in_random_order(block, draw) for _ in range(blocks)]


def completely_random(
    seed: int, repeats: int, control: str, controls: int, treatments: Sequence[str]
) -> list[str]:
    """Codes bed by bed: every treatment `repeats` times, the control `controls` times in all."""
    each = [code for code in treatments for _ in range(repeats)]
    return _in_random_order([control] * controls + each, Random(seed))


def _in_random_order(items: Iterable[str], draw: Random) -> list[str]:
    """Fisher-Yates (Fisher and Yates 1938; Durstenfeld 1964, Comm. ACM 7:420)."""
    drawn = list(items)
    for last in range(len(drawn) - 1, 0, -1):
        other = int(draw.random() * (last + 1))
        drawn[last], drawn[other] = drawn[other], drawn[last]
    return drawn


def control_beds(treatments: int) -> int:
    """How many control beds go with one bed of each of `treatments` others.

    About the square root of their number (Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121). The
    whole number c is the one that makes the variance of a difference, 1 + 1/c, times the beds it
    costs, k + c, least; where two are level (k = 2, 6, 12) the larger: it leaves a spare control.
    """
    beds = 1
    while beds * (beds + 1) <= treatments:
        beds += 1
    return beds


def concerns(rows: Sequence[Sequence[str]]) -> list[str]:
    """What a person who looks at the map would object to; `rows` as it shows them.

    A treatment whose beds are at the same places of every row (three rows or more), or with three
    or more beds that all lie in the same half of their rows (the middle bed of an odd row lies in
    neither).
    """
    found: list[str] = []
    for code in dict.fromkeys(code for row in rows for code in row):
        places = [[at for at, one in enumerate(row, start=1) if one == code] for row in rows]
        if len(rows) >= _FEWEST and all(row == places[0] for row in places):
            at = ", ".join(str(place) for place in places[0])
            found.append(f"{code} is at place {at} of every block")
        elif side := _side(places, [len(row) for row in rows]):
            where = "of their blocks" if len(rows) > 1 else "of the bench"
            found.append(f"all beds of {code} lie in the {side} half {where}")
    return found


def _side(places: Sequence[Sequence[int]], widths: Sequence[int]) -> str:
    """The half in which every bed lies, "" if none."""
    middles = zip(places, widths, strict=True)
    leanings = [2 * at - 1 - width for row, width in middles for at in row]
    if len(leanings) < _FEWEST:
        return ""
    if all(leaning < 0 for leaning in leanings):
        return "first"
    return "second" if all(leaning > 0 for leaning in leanings) else ""
