"""The whole vocabulary in one place: what a trial is made of and what happens to it.

Every record is frozen and holds exactly what the journal keeps under one key. Ids are opaque;
labels and codes are what people say. Masses are in g or kg, volumes in L or mL, areas in m2,
depths in cm, densities in kg/L, as the field names say. `None` means "not known yet".
`known` says how an amount was known (one of KNOWN; "as planned": nobody said an amount, the plan's
was taken; "not said": one was typed, but not how it was known); `typed` is the amount
as the person wrote it, beside the canonical one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, Field, FrozenInstanceError, dataclass
from datetime import date
from decimal import Decimal
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar, NoReturn, TypeVar, dataclass_transform

from logbook.trial.times import When

if TYPE_CHECKING:
    from logbook.trial.custody import *  # noqa: F403
    from logbook.trial.machines import *  # noqa: F403
    from logbook.trial.measured import *  # noqa: F403

KNOWN = ("weighed", "metered", "by eye", "not said", "as planned")
# Where the soil of a bed that joined later came from.
UNTREATED = "run untreated since the start"
NEW_FILL = "new fill"
UNKNOWN_ORIGIN = "not known"
ORIGINS = (UNTREATED, NEW_FILL, UNKNOWN_ORIGIN)
# Parts of a pull: what is kept how, for what.
PARTS = ("chilled", "frozen", "dried", "tin", "retained")
BULK_DENSITY = "bulk density"  # of a bed: kg/L, dry, after settling
# What is measured on the spot -> its dimension (see units.UNITS).
MEASURED = {
    "soil temperature": "temperature",
    "air temperature": "temperature",
    "moisture": "fraction",
    "weight": "mass",
    "EC": "conductivity",
    "pH strip": "acidity",
    BULK_DENSITY: "density",
}
# What may happen to a bed. Mishaps flag its later pulls; ammonia that was smelt is nitrogen on its
# way into the air and flags no pull; from sowing on a bed is planted, outside release fits; from
# the day that it is out of the trial its pulls count no longer.
MISHAPS = ("spilled", "refilled", "flooded", "drained", "heat off")
SOWN = "sown"
OUT = "out of the trial"
AMMONIA = "ammonia smelt"
EVENTS = (*MISHAPS, AMMONIA, SOWN, OUT)
# What is done with a sample on its way; pulled, sent and reported follow from other records.
DRIED, CHILLED, FROZEN = "air-dried", "chilled", "frozen"
PACKED, RECEIVED, QUERIED = "packed", "received", "queried"
RERUN, ACCEPTED, LOST = "re-run asked", "accepted", "lost"
HANDLED = (DRIED, CHILLED, FROZEN, PACKED, RECEIVED, QUERIED, RERUN, ACCEPTED, LOST)
# What a code of ours hides from the laboratory, and what a person makes of a query.
BLINDS = ("duplicate", "reference")
ANSWERS = (ACCEPTED, "struck", RERUN)
_ELSEWHERE = {
    "custody": ("Answer", "Blind", "Handling", "Query", "Reference", "Sent", "Shipment"),
    "machines": ("Member",),
    "measured": ("Measurement", "Report", "Result", "SoilValue", "Weighing"),
}


def __getattr__(name: str) -> Any:
    """The records of the modules beside this one, loaded when one of them is asked for."""
    for module, names in _ELSEWHERE.items():
        if name in names:
            found = getattr(import_module(f"logbook.trial.{module}"), name)
            # From now on it is found without asking: imports ask for a result's record often.
            globals()[name] = found
            return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


class Record:
    """What every record is: made of its fields by place or name, frozen, equal and shown by them.

    Written once: to make these methods for each class is a sixth of what a command takes to start.
    What the daily board is made of uses it for the same reason.
    """

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    def __init__(self, *cells: object, **named: object) -> None:
        names = self.__dataclass_fields__
        self.__dict__.update(zip(names, cells, strict=False))
        if named or len(cells) != len(names):
            self._complete(len(cells), named)

    def _complete(self, given: int, named: Mapping[str, object]) -> None:
        """Add what was given by name, and defaults; raises TypeError for what does not fit."""
        names, mine = self.__dataclass_fields__, self.__dict__
        if given > len(names) or not named.keys() <= names.keys() - mine.keys():
            raise TypeError(f"{type(self).__name__}: {given} fields and {', '.join(named)} given")
        for name, field in names.items():
            if name not in mine:
                mine[name] = named.get(name, field.default)
                if mine[name] is MISSING:
                    raise TypeError(f"{type(self).__name__}: no {name} given")

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> NoReturn:
        raise FrozenInstanceError(f"cannot delete field {name!r}")

    def _cells(self) -> tuple[object, ...]:
        return tuple(map(self.__dict__.get, self.__dataclass_fields__))

    def __eq__(self, other: object) -> bool:
        return type(other) is type(self) and self._cells() == other._cells()

    def __hash__(self) -> int:
        return hash((type(self), self._cells()))

    def __repr__(self) -> str:
        cells = zip(self.__dataclass_fields__, self._cells(), strict=True)
        return f"{type(self).__name__}({', '.join(f'{name}={cell!r}' for name, cell in cells)})"


_Kind = TypeVar("_Kind")


@dataclass_transform(frozen_default=True)
def record(kind: type[_Kind]) -> type[_Kind]:
    """Make a kind of record of a class: a dataclass with the methods of `Record`."""
    return dataclass(init=False, repr=False, eq=False)(kind)


@record
class Trial(Record):
    """One trial as its protocol sets it up.

    `zone` is the site's IANA zone; `assigned` says how beds got their treatments ("drawn" with
    `seed`, or "by hand"); `planting_day` counts from application (None: nothing is planted);
    `endpoint` is the analyte whose difference on `endpoint_day` was named beforehand; `protocol`
    is the SHA-256 of the protocol file; `depth_cm` is how deep samples are taken; `sample_cost`
    is what the laboratory asks for one sample, as written ("18.50 EUR"); `usual_days` how long it
    usually takes from a shipment to the report.
    """

    name: str
    question: str
    zone: str
    assigned: str
    seed: int | None
    planting_day: int | None
    endpoint: str
    protocol: str
    depth_cm: Decimal
    cores: int
    lab: str | None
    endpoint_day: int = 28
    sample_cost: str | None = None
    usual_days: int | None = None


@record
class Soil(Record):
    """The one soil that fills every bed; `bulk_density` in kg/L, dry, after settling."""

    trial: str
    source: str
    texture: str
    bulk_density: Decimal | None


@record
class Amendment(Record):
    """A material under trial; `material` is its class (compost, manure, lime, meal, ...)."""

    trial: str
    code: str
    name: str
    material: str


@record
class Lot(Record):
    """One bag or batch of an amendment; `price` as written ("0.80 EUR/kg")."""

    trial: str
    amendment: str
    name: str
    price: str | None = None


@record
class LotDensity(Record):
    """Bulk density of a lot as it is, moist, in kg/L."""

    lot: str
    density: Decimal


@record
class LotMoisture(Record):
    """Water in a lot as it is, % of its wet mass."""

    lot: str
    moisture: Decimal


@record
class LotContent(Record):
    """What a lot contains: mg/kg (or the analyte's canonical unit) on the `basis` named.

    `sd` is the standard deviation that the laboratory states of the analysis, in the same unit.
    """

    lot: str
    analyte: str
    value: Decimal
    unit: str
    basis: str
    method: str
    sd: Decimal | None = None


@record
class Treatment(Record):
    """What a group of beds gets: nothing (`control`) or a lot at a rate.

    `rate_unit` is one of `rates.RATE_UNITS`; a volume rate says whether it is a share of the mix
    or comes on top of the soil. `depth_cm` is the incorporation depth.
    """

    trial: str
    code: str
    name: str
    control: bool
    lot: str | None
    rate: Decimal | None
    rate_unit: str | None
    depth_cm: Decimal


@record
class Bed(Record):
    """One raised bed: the unit of replication. `place` orders beds on lists and labels.

    `origin` says where the soil of a bed that joined later came from (one of ORIGINS; None: there
    from the start), `since` the day it joined, `was` the bed whose soil it goes on with.
    """

    trial: str
    label: str
    block: str
    treatment: str
    place: int
    area_m2: Decimal
    depth_cm: Decimal
    origin: str | None = None
    since: date | None = None
    was: str | None = None


@record
class PlannedPull(Record):
    """A pull of the calendar: `day` after the bed's application (None: before it).

    It is in force for targets from `since` (None: from the start) to the day before `until`
    (None: to the end): a change of the calendar applies from its date on.
    """

    trial: str
    name: str
    day: int | None
    tolerance: int
    since: date | None = None
    until: date | None = None


@record
class Followed(Record):
    """A nutrient the trial follows, with the one method that makes its results comparable.

    `cv` is the laboratory's declared coefficient of variation, in %; `sd` the error that stays
    where there is next to nothing of the nutrient, and `margin` a difference that matters, declared
    beforehand, both in the nutrient's canonical unit. An error is sqrt(sd^2 + (cv x)^2). The sum
    mineral-N has a margin at most: `method` is empty, `cv` and `sd` are those of its parts.
    """

    trial: str
    analyte: str
    method: str
    cv: Decimal | None = None
    sd: Decimal | None = None
    margin: Decimal | None = None


@record
class WateringPlan(Record):
    """How often (days) and how much (`amount` in `unit`: mL per bed, or L/m2)."""

    trial: str
    interval: int
    amount: Decimal
    unit: str


@record
class Filling(Record):
    """A bed filled with soil; `moisture` is % of the dry mass."""

    bed: str
    when: When
    mass_kg: Decimal | None
    moisture: Decimal | None
    known: str
    typed: str


@record
class Application(Record):
    """The amendment mixed in, day 0 of its bed; a control bed gets a mock application."""

    bed: str
    when: When
    mass_g: Decimal | None
    volume_l: Decimal | None
    mock: bool
    known: str
    typed: str


@record
class Watering(Record):
    """Water given to a bed, in mL."""

    bed: str
    when: When
    volume_ml: Decimal
    known: str
    typed: str


@record
class Pull(Record):
    """A soil sample taken from a bed; its code is its name everywhere, the laboratory included.

    `planned` is the calendar's pull it was taken for, where the person said so; `again` is why
    the same pull was taken a second time. `also` are further beds mixed into a composite, which
    counts as one replicate.
    """

    code: str
    bed: str
    when: When
    planned: str | None
    cores: int | None
    depth_cm: Decimal
    again: str | None
    also: tuple[str, ...] = ()


@record
class Note(Record):
    """A remark about a bed (`about` is its id) or about the whole trial (the trial's id)."""

    about: str
    when: When
    text: str


@record
class Event(Record):
    """A mishap or change on a bed: later pulls are flagged with it (`what`: see EVENTS)."""

    bed: str
    when: When
    what: str
    text: str


@record
class Writer(Record):
    """One store used by one account on one machine; `public_key` is Ed25519, in hex.

    `book` names the book all its writers share; `predecessor` is the writer that this machine
    used before (after a restored backup, a copied store), if any; `signed` is the signature of the
    new key by the predecessor's, where its key was at hand.
    """

    book: str
    machine: str
    public_key: str
    predecessor: str | None
    signed: str | None = None


@record
class PlannedPart(Record):
    """What every pull of a trial is divided into: `kind` (one of PARTS) and its analyses."""

    trial: str
    kind: str
    analyses: tuple[str, ...]


@record
class Part(Record):
    """One bag or tin of a pull: its own code, how it is kept and what it is for."""

    code: str
    pull: str
    kind: str
    analyses: tuple[str, ...]
    when: When


@record
class Bag(Record):
    """A code reserved and written on a bag beforehand; the pull binds it to a bed."""

    trial: str
    code: str
    reserved: When


@record
class Skip(Record):
    """A planned pull of a bed that will not be taken, and why."""

    bed: str
    planned: str
    when: When
    reason: str
