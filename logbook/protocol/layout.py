"""The sections [sizes.NAME] and [layout]: bed geometries, beds, blocks, how beds were assigned."""

from __future__ import annotations

import re
from decimal import Decimal

from logbook.errors import UserMistake
from logbook.protocol.content import MOST_BEDS, BedLine, Size
from logbook.protocol.section import Section
from logbook.trial import units

ASSIGNED = ("drawn", "by hand")
_LONGEST = 16
_ADDRESS = re.compile(r"[^-,:\s]+\Z")


def read_sizes(section: Section) -> tuple[Size, ...]:
    """Every size of [sizes.NAME]: area and depth, length, width and depth, or volume and depth."""
    if section.present and not section.table:
        section.problem(None, "no bed size is described", "add [sizes.NAME]")
    return tuple(_size(name, one) for name, one in section.sections())


def _size(name: str, section: Section) -> Size:
    depth = section.length("depth", 'say how deep the bed is filled: depth = "30 cm"')
    ways = [way for way in ("area", "volume", "length") if section.has(way)]
    section.has("width")
    if len(ways) != 1:
        section.problem(
            None,
            "does not say how large the bed is"
            if not ways
            else f"says it twice: {' and '.join(ways)}",
            "give area, or length and width, or volume, beside the depth",
        )
        area = None
    else:
        area = _area(section, ways[0], depth)
    section.close()
    return Size(name, area or Decimal(0), depth or Decimal(0))


def _area(section: Section, way: str, depth: Decimal | None) -> Decimal | None:
    """The area in m2; V / (10 x depth) from a volume in L and a depth in cm."""
    if way == "area":
        return section.parsed("area", lambda text: units.positive(text, "area").to("m2", "area"))
    if way == "volume":
        litres = section.parsed(
            "volume", lambda text: units.positive(text, "volume").to("L", "volume")
        )
        return litres / depth / 10 if litres and depth else None
    length = section.length("length")
    width = section.length("width", 'say the width too: width = "1.2 m"')
    return length * width / 10_000 if length and width else None


_LIST_BEDS = "list every bed with its block and treatment, or have logbook trial layout draw them"


def read_beds(section: Section, sizes: tuple[Size, ...]) -> tuple[BedLine, ...]:
    """The beds of [layout], in the order of the file, which is the order of lists and labels."""
    entries = section.entries("beds", _LIST_BEDS)
    if len(entries) > MOST_BEDS:
        section.problem(
            "beds",
            f"{len(entries)} beds are more than {MOST_BEDS}",
            "split them into several trials",
        )
    if section.has("beds") and not entries and section.table["beds"] == []:
        section.problem("beds", "has no bed in it", _LIST_BEDS)
    return tuple(_bed(entry, [size.name for size in sizes]) for entry in entries)


def _bed(entry: Section, sizes: list[str]) -> BedLine:
    only = sizes[0] if len(sizes) == 1 else ""
    size = entry.text("size", "" if only or not sizes else f"say which: {', '.join(sizes)}") or only
    if size and sizes and size not in sizes:
        entry.problem("size", f"{size!r} is not described", f"use one of: {', '.join(sizes)}")
    bed = BedLine(
        label=entry.parsed("label", address, 'give the bed a label: label = "B1"') or "",
        block=entry.parsed("block", address, 'say its block: block = "1"') or "",
        treatment=entry.text("treatment", "say its treatment's code") or "",
        size=size,
    )
    entry.close()
    return bed


def address(text: str) -> str:
    """A label fit for ranges like B1-B6,B9 and TRIAL:B1. Raises UserMistake."""
    if not _ADDRESS.match(text):
        raise UserMistake(
            f"{text!r} cannot be used in a range such as B1-B6,B9",
            "leave out blanks, hyphens, commas and colons",
        )
    if len(text) > _LONGEST:
        raise UserMistake(
            f"{text!r} is too long for lists and bags", f"use at most {_LONGEST} characters"
        )
    if text.lower() == "all":
        raise UserMistake(f"{text!r} stands for every bed", "use another label")
    return text


def read_assigned(section: Section) -> tuple[str, int | None]:
    """How beds got their treatments, and the seed of the draw."""
    assigned = section.parsed("assigned", _assigned, 'say "drawn" (by lot) or "by hand"')
    seed = section.whole("seed", 0)
    if assigned == "drawn" and not section.has("seed"):
        section.problem("assigned", "beds were drawn, but the seed is missing", "write seed = 4711")
    if assigned == "by hand" and section.has("seed"):
        section.problem("seed", "belongs to beds that were drawn", 'take it out, or write "drawn"')
    return assigned or "", seed


def _assigned(text: str) -> str:
    if text not in ASSIGNED:
        raise UserMistake(f"{text!r} is not a way to assign beds", 'use "drawn" or "by hand"')
    return text
