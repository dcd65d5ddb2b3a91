"""What a protocol says, read and in canonical units: frozen records of the file itself.

Lengths in cm, areas in m2, densities in kg/L, money as written. `None` where the file says
"not known yet".
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

NOT_KNOWN = "not known yet"

# Intervals that roughly double suit curves that fall off exponentially; days 0, 7, 14 and 28 are
# those of the soil incubation guideline OECD 216, day 3 catches fast organic fertilisers.
DEFAULT_PULLS: tuple[tuple[int | None, int], ...] = (
    (None, 0), (0, 0), (3, 1), (7, 1), (14, 1), (28, 2), (42, 2), (56, 3), (84, 3),
)  # fmt: skip
DEFAULT_ENDPOINT = "mineral-N"
DEFAULT_ENDPOINT_DAY = 28
MOST_BEDS = 500


@dataclass(frozen=True)
class Size:
    """A bed's geometry: `area_m2` and fill depth `depth_cm`."""

    name: str
    area_m2: Decimal
    depth_cm: Decimal

    @property
    def volume_l(self) -> Decimal:
        """The fill in L: 1 m2 x 1 cm is 10 L."""
        return self.area_m2 * self.depth_cm * 10


@dataclass(frozen=True)
class BedLine:
    """One bed of the layout, with the names of its block, treatment and size."""

    label: str
    block: str
    treatment: str
    size: str


@dataclass(frozen=True)
class Value:
    """A starting value of the soil or a content of an amendment; `basis` is "" for the soil.

    `sd` is what the laboratory states of a content's analysis, in the same unit.
    """

    analyte: str
    value: Decimal | None
    unit: str
    basis: str
    method: str
    sd: Decimal | None = None


@dataclass(frozen=True)
class Material:
    """An amendment and its one lot; `moisture` in % of the wet mass, `price` as written."""

    code: str
    name: str
    material: str
    lot: str
    density: Decimal | None
    moisture: Decimal | None
    contents: tuple[Value, ...]
    price: str | None


@dataclass(frozen=True)
class TreatmentLine:
    """The control (no amendment), or an amendment at a rate (`rate_unit`: rates.RATE_UNITS)."""

    code: str
    name: str
    control: bool
    amendment: str | None
    rate: Decimal | None
    rate_unit: str | None


@dataclass(frozen=True)
class NutrientLine:
    """A nutrient that is followed; what is declared of it is as `trial.records.Followed` says.

    `method` is "" for mineral-N, the sum of two that are followed: it has a margin at most.
    """

    analyte: str
    method: str
    cv: Decimal | None = None
    sd: Decimal | None = None
    margin: Decimal | None = None


@dataclass(frozen=True)
class PullLine:
    """A pull of the calendar: `day` after application, None before it; `tolerance` in days."""

    name: str
    day: int | None
    tolerance: int


@dataclass(frozen=True)
class Water:
    """Watering every `interval` days with `amount` in `unit` ("mL" a bed, or "L/m2")."""

    interval: int
    amount: Decimal
    unit: str


@dataclass(frozen=True)
class Protocol:
    """A whole trial as its file says it, without problems; `warnings` are for people to read.

    `planned` maps a block to its planned application date ("" stands for every block); it is only
    used to show dates. `parts` are what every pull is divided into, each with its analyses (none:
    one undivided bag). `sha256` is that of the file's bytes.
    """

    sha256: str
    name: str
    question: str
    zone: str
    planting_day: int | None
    endpoint: str
    endpoint_day: int
    lab: str | None
    sample_cost: str | None
    depth_cm: Decimal
    cores: int
    source: str
    texture: str
    bulk_density: Decimal | None
    start: tuple[Value, ...]
    incorporated_cm: Decimal
    planned: Mapping[str, date]
    assigned: str
    seed: int | None
    sizes: tuple[Size, ...]
    beds: tuple[BedLine, ...]
    materials: tuple[Material, ...]
    treatments: tuple[TreatmentLine, ...]
    pulls: tuple[PullLine, ...]
    water: Water | None
    nutrients: tuple[NutrientLine, ...]
    parts: tuple[tuple[str, tuple[str, ...]], ...] = ()
    usual_days: int | None = None
    warnings: tuple[str, ...] = ()

    @property
    def followed(self) -> list[str]:
        """The nutrients that a laboratory measures: without the sum mineral-N."""
        return [one.analyte for one in self.nutrients if one.analyte != DEFAULT_ENDPOINT]

    @property
    def tid(self) -> str:
        """The trial's id: the same on every machine that starts the same file."""
        return self.sha256[:12]

    def id_of(self, kind: str, label: str) -> str:
        """The id of a thing of this trial: first 12 hex digits of SHA-256 of tid/kind/label."""
        return hashlib.sha256(f"{self.tid}/{kind}/{label}".encode()).hexdigest()[:12]

    def size(self, name: str) -> Size:
        """The bed size of that name (it is there: the protocol was checked)."""
        return next(size for size in self.sizes if size.name == name)

    def material(self, code: str) -> Material:
        """The amendment of that code (it is there: the protocol was checked)."""
        return next(material for material in self.materials if material.code == code)
