"""What a sheet shows beside its cells: decimal marks in its texts, what the person is told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from logbook.labs import grid
from logbook.labs.grid import letters


@dataclass
class Marks:
    """Which decimal marks the texts of a sheet show, by column: a number has none of its own."""

    commas: dict[int, int] = field(default_factory=dict)
    points: dict[int, int] = field(default_factory=dict)
    doubtful: bool = False

    def look_at(self, text: str, column: int) -> None:
        """Count a text that has a comma or point."""
        mark = grid.mark_of(text)
        if mark == ",":
            self.commas[column] = self.commas.get(column, 0) + 1
        elif mark == ".":
            self.points[column] = self.points.get(column, 0) + 1
        elif mark == "?":
            self.doubtful = True

    @property
    def comma(self) -> bool | None:
        """True for a decimal comma, False for a point, None if nothing shows it."""
        if any(count > self.points.get(column, 0) for column, count in self.commas.items()):
            return True
        return False if self.points else None


@dataclass
class Noted:
    """What the person is told of a sheet."""

    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)
    formulas: int = 0
    longer: int = 0

    def sentences(self, width: int) -> tuple[str, ...]:
        """One for each thing that is worth knowing."""
        told = []
        if self.hidden_rows:
            told.append(f"hidden rows were read as well: {_some(map(str, self.hidden_rows))}")
        places = {at for first, last in self.hidden_columns for at in range(first, last)}
        if columns := [letters(at) for at in sorted(places) if at < width]:
            told.append(f"hidden columns were read as well: {_some(columns)}")
        if self.formulas:
            told.append(f"{_many(self.formulas)} a formula: the result stored in the file was read")
        if self.longer:
            told.append(f"{_many(self.longer)} more digits than shown: all of them were read")
        return tuple(told)


def _many(count: int) -> str:
    return f"{count:,} cells hold" if count != 1 else "1 cell holds"


def _some(names: Iterable[str]) -> str:
    listed = list(names)
    more = f" and {len(listed) - 10:,} more" if len(listed) > 10 else ""
    return ", ".join(listed[:10]) + more
