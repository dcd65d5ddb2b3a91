"""What was measured: the soil at the start, tins, readings on the spot, a laboratory's report.

Part of the vocabulary of `records`, through which it is read (`records.Result`); a module of its
own, since the board that people look at all day needs none of it.
"""

from __future__ import annotations

from decimal import Decimal

from logbook.trial.records import Record, record
from logbook.trial.times import When


@record
class SoilValue(Record):
    """A starting value of the soil: canonical value and unit, with its method."""

    trial: str
    analyte: str
    value: Decimal
    unit: str
    method: str


@record
class Weighing(Record):
    """The weights of a moisture tin, in g: empty, with moist soil, after drying at 105 C."""

    part: str
    when: When
    tare_g: Decimal | None
    wet_g: Decimal | None
    dry_g: Decimal | None


@record
class Measurement(Record):
    """Something read on the spot, of a bed or (`about` is the trial's id) of the house.

    `what` is one of MEASURED, `value` in the first unit of its dimension; `depth_cm` where it
    was read.
    """

    about: str
    when: When
    what: str
    value: Decimal
    unit: str
    depth_cm: Decimal | None
    typed: str


@record
class Report(Record):
    """A laboratory report as it came in: its file's name and SHA-256."""

    lab: str
    number: str
    file: str
    sha256: str
    received: When
    rows: int


@record
class Result(Record):
    """One value of one sample: canonical `value` and `unit`, beside what the laboratory wrote.

    A censored result has no value but a `limit` and a `qualifier` ("<" below it, ">" above it).
    `reported` and `reported_unit` are the cell and its unit as they stood; `form` the chemical
    form named there. `run` counts re-runs, `n` repeats within a run. `flags` are what the
    laboratory said about it beside its number, words of `qualifiers.WORDS` with blanks between.
    One that was flagged so that there is no number has neither a value nor a limit.
    `laboratory_number` is what the laboratory calls the sample, where its report prints it.
    """

    lab: str
    report: str
    sample: str
    analyte: str
    method: str
    basis: str
    run: int
    n: int
    value: Decimal | None
    limit: Decimal | None
    qualifier: str
    unit: str
    reported: str
    reported_unit: str
    form: str
    flags: str = ""
    laboratory_number: str = ""
