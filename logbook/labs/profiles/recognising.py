"""What the cells of a column show where its heading has none of the usual names.

A column of "NO3-N, P, K" names nutrients whatever stands above it. What two columns show alike is
left open, and asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from logbook.labs.grid import Grid
from logbook.labs.marks import Marks
from logbook.labs.profiles.numbers import looks_like_one
from logbook.labs.profiles.words import is_unit, understood
from logbook.trial import chemistry

_MOST_ROWS = 500


def with_shown(grid: Grid, rows: Sequence[int], roles: dict[str, int]) -> dict[str, int]:
    """The roles, and those that a column without one shows beyond doubt: of a long layout."""
    found = dict(roles)
    for role, is_one in _SHOWN.items():
        if role in found:
            continue
        columns = _mostly(grid, rows[:_MOST_ROWS], is_one, found.values())
        if len(columns) == 1:
            found[role] = columns[0]
        elif role == "nutrient":  # of a table without any, nothing else is asked
            return roles
    return found


def _mostly(
    grid: Grid, rows: Sequence[int], is_one: Callable[[str], bool], taken: Iterable[int]
) -> list[int]:
    """The columns that are not taken and of whose cells most are such."""
    free = [column for column in range(grid.width) if column not in taken]
    return [column for column in free if _share(_cells(grid, rows, column), is_one) > 0.5]


def _cells(grid: Grid, rows: Sequence[int], column: int) -> Iterator[str]:
    return (cell for row in rows if (cell := grid.rows[row][column].strip()))


def _share(cells: Iterator[str], is_one: Callable[[str], bool]) -> float:
    said = [is_one(cell) for cell in cells]
    return sum(said) / len(said) if said else 0.0


def _is_nutrient(cell: str) -> bool:
    return bool(understood([cell]).nutrients) and not chemistry.is_method(cell)


def _is_value(cell: str) -> bool:
    return looks_like_one(cell) or Marks().words(cell) is not None


# In the order in which they are looked for: units and methods are no longer free for a value.
_SHOWN: dict[str, Callable[[str], bool]] = {
    "nutrient": _is_nutrient,
    "unit": is_unit,
    "method": chemistry.is_method,
    "value": _is_value,
}
