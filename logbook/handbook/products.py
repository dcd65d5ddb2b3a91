"""The file of nitrogen materials: from its bytes to products, or to all its problems."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

from logbook.handbook.content import Product
from logbook.handbook.entries import Entry, as_number, rows, shown
from logbook.handbook.sufficiency import opened

FILE = "products.toml"
_SHARES_OF = ("N", "organic N")
_LIKE = "like available = [[0, 0], [14, 47]]: days, % available by then"


def read_products(data: bytes, file: str) -> tuple[Product, ...]:
    """Read the materials; `file` is the name for messages.

    Raises BadData with every problem, each with the file, line, row and key it belongs to.
    """
    top, findings = opened(data, file)
    found = [_product(entry) for entry in rows(top, "product")]
    top.close()
    _twice(found, top)
    findings.refuse()
    return tuple(one for one in found if one is not None)


def _twice(found: list[Product | None], top: Entry) -> None:
    seen: set[str] = set()
    for place, one in enumerate(found):
        if one is None:
            continue
        if one.name.casefold() in seen:
            top.findings.add("product", place, "name", f"{one.name} stands here twice", "drop one")
        seen.add(one.name.casefold())


def _product(entry: Entry) -> Product | None:
    before = len(entry.findings.problems)
    name = entry.text("name", "what the material is, no brand")
    percent = entry.number("n_percent", least=0, most=100)
    if percent == 0:
        entry.problem("n_percent", "a material without N makes up for none", "drop it")
    of = entry.text("of") or _SHARES_OF[0]
    if of not in _SHARES_OF:
        entry.problem("of", f"{shown(of)} is not known", f"write one of: {', '.join(_SHARES_OF)}")
    available = _available(entry)
    season, cautions = entry.text("season"), entry.texts("cautions")
    source = entry.text("source", "name where the numbers come from")
    entry.close()
    if not available and not season and "available" not in entry.row:
        entry.problem("", "neither available nor season is given", f"{_LIKE}; or season in words")
    if len(entry.findings.problems) > before:
        return None
    return Product(name, percent, of, available, season, cautions, source)


def _available(entry: Entry) -> tuple[tuple[int, Decimal], ...]:
    """Points of day and per cent: from day 0 on, days rising, shares never falling."""
    value = entry.raw("available")
    if value is None:
        return ()
    points = [_point(one) for one in value] if isinstance(value, list) else []
    good = [one for one in points if one is not None]
    if not good or len(good) != len(points):
        entry.problem("available", f"{shown(value)} is no list of days and per cent", _LIKE)
        return ()
    if good[0][0] != 0:
        entry.problem("available", f"it begins on day {good[0][0]}", "say what is there on day 0")
    for one, other in pairwise(good):
        if other[0] <= one[0] or other[1] < one[1]:
            entry.problem(
                "available",
                f"day {other[0]} with {other[1]} % follows day {one[0]} with {one[1]} %",
                "days rise, and what was available stays so",
            )
    return tuple(good)


def _point(value: object) -> tuple[int, Decimal] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    day, share = value[0], as_number(value[1])
    if isinstance(day, bool) or not isinstance(day, int) or not 0 <= day <= 3650:
        return None
    return None if share is None or not 0 <= share <= 100 else (day, share)
