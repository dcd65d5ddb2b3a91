"""What the tables say, read: sufficiency rows, salt thresholds of crops, nitrogen materials."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise


@dataclass(frozen=True)
class Step:
    """One class of a table: its name and upper bound (None: no bound, the last class).

    A value equal to the bound belongs to the class, unless `below`: then it is the next one's.
    """

    name: str
    upper: Decimal | None
    below: bool = False

    def holds(self, value: Decimal) -> bool:
        """Whether a value that no lower class holds is in this one."""
        if self.upper is None:
            return True
        return value < self.upper if self.below else value <= self.upper


@dataclass(frozen=True)
class Index:
    """A table read by an index: constant + slope x value + ph x soil pH, no unit."""

    constant: Decimal
    slope: Decimal
    ph: Decimal


@dataclass(frozen=True)
class Table:
    """The classes of one nutrient by some methods, from the lowest up.

    methods: names as `trial.chemistry.method_name` gives them; no other method matches. unit:
    of the bounds; factor: table units per canonical unit (2 where the table counts lb/acre as
    twice mg/kg), None where the unit is one of the nutrient's own; "mg/L" counts per litre of
    soil. sufficient: names of the classes that the table holds for enough, possibly none.
    """

    nutrient: str
    methods: tuple[str, ...]
    unit: str
    factor: Decimal | None
    steps: tuple[Step, ...]
    sufficient: tuple[str, ...]
    index: Index | None
    source: str
    note: str = ""

    @property
    def per_volume(self) -> bool:
        """True for a table per litre of soil, which a content needs a bulk density for."""
        return self.unit == "mg/L"


@dataclass(frozen=True)
class Crop:
    """Salt tolerance of a crop: EC of the saturated paste in dS/m, then % yield lost per dS/m."""

    name: str
    threshold: Decimal
    slope: Decimal
    source: str

    def yield_at(self, conductivity: Decimal) -> Decimal:
        """Yield in % of that on soil without salt, 0 to 100 (Maas & Hoffman 1977, two lines)."""
        lost = self.slope * max(conductivity - self.threshold, Decimal(0))
        return max(Decimal(100) - lost, Decimal(0))


@dataclass(frozen=True)
class Product:
    """A nitrogen material of no brand.

    n_percent: N in % of the material as it is, None where it must come from its own analysis;
    of: what the shares of `available` are a share of ("N", "organic N"); available: (days after
    working it in, % available by then), rising from day 0, empty where no day is known; season:
    what is known of the whole season only, in words.
    """

    name: str
    n_percent: Decimal | None
    of: str
    available: tuple[tuple[int, Decimal], ...]
    season: str
    cautions: tuple[str, ...]
    source: str

    @property
    def dated(self) -> bool:
        """Whether anything of it may be counted by a day."""
        return bool(self.available)


def available_n(product: Product, days: float) -> float | None:
    """The share of a product's N (0 to 1) that is available so many days after working it in.

    Between two dated points the share is interpolated. Beyond the last one it stays at that
    point's: what was available stays so, and nothing further is known. None where no day is
    known: a figure for a season says nothing of a day in it. `days` below 0 give 0.
    """
    if not product.available:
        return None
    if days <= 0:
        return float(product.available[0][1]) / 100.0 if days == 0 else 0.0
    known = [(float(day), float(share) / 100.0) for day, share in product.available]
    for (start, low), (end, high) in pairwise(known):
        if days <= end:
            return low + (high - low) * (days - start) / (end - start)
    return known[-1][1]


@dataclass(frozen=True)
class Handbook:
    """All tables, and the files they came from (name, "" where it is the program's own)."""

    tables: tuple[Table, ...]
    crops: tuple[Crop, ...]
    products: tuple[Product, ...]
    files: tuple[str, ...] = ()

    @property
    def own(self) -> tuple[str, ...]:
        """File names of the user's own copies that were read, without their folder."""
        return tuple(re.split(r"[/\\]", name)[-1] for name in self.files if name)

    def table(self, nutrient: str, method: str) -> Table | None:
        """The table of a nutrient by a method, its name in the usual spelling; None: there is none.

        "Mehlich-3" and "Mehlich-3 ICP" are two methods: a table is for those that it names.
        """
        wanted = method.casefold()
        return next(
            (
                one
                for one in self.tables
                if one.nutrient == nutrient and wanted in (name.casefold() for name in one.methods)
            ),
            None,
        )

    def methods(self, nutrient: str) -> list[str]:
        """Methods that have a table of a nutrient."""
        return [name for one in self.tables if one.nutrient == nutrient for name in one.methods]
