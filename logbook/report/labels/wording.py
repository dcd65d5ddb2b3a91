"""What a label says, item by item, in the order in which it stands there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logbook.report.labels import faces
from logbook.report.labels.content import Label


@dataclass(frozen=True)
class Item:
    """A few words of one kind (`name`: see arranging.LEFT_OFF) and how they are set.

    Items of one `group` stand beside each other where there is room. `sign` is "snow" or "box"
    before the words; `rule` a line after them, to write on; `rows` how many lines they may take;
    `shorten` whether their end may be cut off.
    """

    name: str
    text: str
    group: int
    bold: bool = False
    scale: float = 1.0
    sign: str = ""
    rule: bool = False
    rows: int = 1
    shorten: bool = False


def items_of(label: Label) -> list[Item]:
    """Everything that a label says besides its code."""
    trial = Item("trial", faces.shown(label.trial), 8, rows=2, shorten=True)
    if label.bare:
        return [trial] if trial.text else []
    blank = label.bed is None
    items = [
        Item("bed", faces.shown(f"bed {label.bed or ''}"), 0, True, 1.3, rule=blank, rows=3),
        Item("part", faces.shown(_part(label)), 1 if blank else 0, bool(label.part)),
        *(Item("part", faces.shown(kind), 1, sign="box") for kind in label.kinds),
        Item("keep cold", label.keep, 2, True, 1.15, "snow"),
        Item("nitrate", _quick(label), 3, rows=3),
        Item("treatment", faces.shown(label.treatment), 4, rows=2, shorten=True),
        Item("pull", faces.shown(label.pull), 5),
        Item("date", label.when or "date, time", 5, rule=label.when is None),
        *_details(label),
        trial,
    ]
    return [one for one in items if one.text]


def _details(label: Label) -> list[Item]:
    """Depth, number of cores, sampler; two lines to write on where there is no pull yet."""
    if label.when is None:
        return [
            Item("depth and cores", "depth, cores", 6, rule=True),
            Item("sampler", "by", 7, rule=True),
        ]
    counted = f"{label.cores} core{'s' * (label.cores != 1)}" if label.cores else ""
    return [
        Item("depth and cores", ", ".join(filter(None, (f"{label.depth} cm", counted))), 6),
        Item("sampler", faces.shown(f"by {label.by}"), 6, shorten=True),
    ]


def _part(label: Label) -> str:
    """The kind of bag, and which of how many."""
    count = f"{label.number} of {label.of}" if label.of > 1 else ""
    return ", ".join(filter(None, (label.part, count)))


def _quick(label: Label) -> str:
    return f"{label.quick}: keep cold, dry or freeze within hours" if label.quick else ""


def grouped(items: Sequence[Item]) -> list[list[Item]]:
    """Rows of items: each group begins a line of its own."""
    rows: dict[int, list[Item]] = {}
    for one in items:
        rows.setdefault(one.group, []).append(one)
    return list(rows.values())


def spread(items: Sequence[Item]) -> list[list[Item]]:
    """All items one after the other, where there is little room."""
    return [list(items)]
