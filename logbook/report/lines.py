"""A line of the journal in words: what was done, as a person would say it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from decimal import Context, Decimal
from functools import cache
from typing import Any

from logbook.study.parts import moisture as gravimetric_moisture
from logbook.trial import qualifiers, records
from logbook.trial.machines import RETIRED
from logbook.trial.parts import spoken
from logbook.trial.times import spoken_day
from logbook.trial.units import short, tidied

_SIX = Context(prec=6)
UNKNOWN_LIMIT = "not detected, waits for its limit"


def describe(record: Any) -> str:
    """One record as half a sentence; records without words of their own name their class."""
    words = _WORDS.get(type(record)) or _elsewhere().get(type(record))
    return words(record) if words else type(record).__name__.lower()


def rounded(record: Any) -> Any:
    """The record with its numbers as a screen shows them: six significant digits at most."""
    numbers = {
        field.name: _six(value)
        for field in fields(record)
        if isinstance(value := getattr(record, field.name), Decimal)
    }
    return replace(record, **numbers)


def _six(value: Decimal) -> Decimal:
    return tidied(_SIX.plus(value)) if value else value


def counted(count: int, word: str) -> str:
    """A number with its word: `1 sample`, `2 samples`."""
    return f"{count} {word}{'s' * (count != 1)}"


def how_known(known: str) -> str:
    """How an amount was known, to stand in brackets behind it."""
    return "how known: not said" if known == "not said" else known


def with_unit(value: Decimal | str, unit: str) -> str:
    """A value and its unit; a pH has none, since its name says it."""
    number = short(value) if isinstance(value, Decimal) else value
    return number if unit in ("pH", "") else f"{number} {unit}"


def _amount(typed: str, canonical: str, known: str) -> str:
    return f"{typed or canonical} ({how_known(known)})"


def _filling(line: records.Filling) -> str:
    mass = "" if line.mass_kg is None else f"{short(line.mass_kg)} kg"
    return f"filled {_amount(line.typed, mass, line.known)}" if mass else "filled"


def _application(line: records.Application) -> str:
    if line.mock:
        return "mock application"
    parts = (_unit(line.mass_g, "g"), _unit(line.volume_l, "L"))
    amount = " = ".join(part for part in parts if part) or "amount not known"
    return f"amendment mixed in: {_amount(line.typed, amount, line.known)}"


def _unit(value: Decimal | None, unit: str) -> str:
    return "" if value is None else f"{short(value)} {unit}"


def _watering(line: records.Watering) -> str:
    return f"watered {_amount(line.typed, _volume(line.volume_ml), line.known)}"


def _volume(millilitres: Decimal) -> str:
    """`250 mL`, `8.64 L`: as the echo of the act has it, in full."""
    if millilitres >= 1000:
        return f"{short(millilitres.scaleb(-3))} L"
    return f"{short(millilitres)} mL"


def _pull(line: records.Pull) -> str:
    cores = "" if line.cores is None else f", {line.cores} cores"
    planned = f" for {line.planned}" if line.planned else ""
    again = f" again: {line.again}" if line.again else ""
    mixed = f", mixed from {len(line.also) + 1} beds" if line.also else ""
    return f"pulled {line.code}{planned}{cores} to {short(line.depth_cm)} cm{mixed}{again}"


def _part(line: records.Part) -> str:
    whose = "" if line.pull == line.code else f" of {line.pull}"
    purpose = f" for {', '.join(line.analyses)}" if line.analyses else ""
    return f"{line.kind} part {line.code}{whose}{purpose}"


def weights_spoken(line: records.Weighing | None) -> str:
    """The weights of a tin as far as they are known: `empty 20.1 g, moist 94 g`."""
    if line is None:
        return "not weighed"
    known = (("empty", line.tare_g), ("moist", line.wet_g), ("dry", line.dry_g))
    return ", ".join(f"{word} {short(grams)} g" for word, grams in known if grams is not None)


def moisture_spoken(line: records.Weighing) -> str:
    """The moisture of a tin's soil: `27.6 % of the dry mass`; empty until it can be told."""
    moisture = gravimetric_moisture(line)
    return "" if moisture is None else f"{round(moisture * 100, 1)} % of the dry mass"


def _weighing(line: records.Weighing) -> str:
    moisture = moisture_spoken(line)
    tail = f": moisture {moisture}" if moisture else ""
    return f"tin {line.part} weighed, {weights_spoken(line)}{tail}"


def _planned_part(line: records.PlannedPart) -> str:
    return f"every pull has a part: {spoken((line.kind, line.analyses))}"


def result_value(line: records.Result) -> str:
    """The canonical value of a result with its limit sign: `12.5`, `<0.5`."""
    if line.value is not None:
        return short(line.value)
    return f"{line.qualifier}{short(line.limit)}" if line.limit is not None else "no value"


def _result(line: records.Result) -> str:
    value = with_unit(result_value(line), line.unit)
    if line.value is None and line.limit is None:
        value = UNKNOWN_LIMIT
    said = f"; flagged: {qualifiers.spoken(line.flags)}" if line.flags else ""
    return (
        f"{line.analyte} {value} "
        f"(reported {with_unit(line.reported, line.reported_unit)} as {line.form}; {line.method}, "
        f"{line.basis}, report {line.report} of {line.lab}{run_words(line)}{said})"
    )


def run_words(line: records.Result) -> str:
    """`, run 2, repeat 3`: what there is only of what was measured again."""
    run = f", run {line.run}" if line.run > 1 else ""
    return run + (f", repeat {line.n}" if line.n > 1 else "")


def _bed(line: records.Bed) -> str:
    if line.since is None:
        return f"bed {line.label} set up in block {line.block}"
    return f"bed {line.label} joined in block {line.block}, soil {line.origin}"


def _measurement(line: records.Measurement) -> str:
    deep = "" if line.depth_cm is None else f" at {short(line.depth_cm)} cm"
    value = with_unit(line.value, line.unit)
    same = line.typed in (value, f"{short(line.value)} {line.unit}")
    return f"{line.what}{deep}: {value}{'' if same else f' (typed {line.typed})'}"


def _planned_pull(line: records.PlannedPull) -> str:
    tolerance = "" if line.day is None else f" +-{line.tolerance} d"
    since = "" if line.since is None else f", from {spoken_day(line.since)} on"
    until = "" if line.until is None else f", before {spoken_day(line.until)}"
    return f"planned pull {line.name}{tolerance}{since}{until}"


def _shipment(line: records.Shipment) -> str:
    how = f" {line.by_what}" if line.by_what else ""
    return f"shipment {line.code} to {line.lab}{how}{': ' + line.text if line.text else ''}"


def _sent(line: records.Sent) -> str:
    asked = f" for {', '.join(line.analyses)}" if line.analyses else ""
    return f"sent {line.sample} in shipment {line.shipment}, place {line.place}{asked}"


def _handling(line: records.Handling) -> str:
    what = f"{line.sample} {line.analysis}".strip()
    return f"{what} {line.state}{': ' + line.text if line.text else ''}"


def _blind(line: records.Blind) -> str:
    what = "a second half of" if line.kind == "duplicate" else "reference material"
    return f"blind code {line.code}: {what} {line.of}"


def _reference(line: records.Reference) -> str:
    spread = "" if line.sd is None else f" (sd {short(line.sd)})"
    value = f"{with_unit(line.value, line.unit)}{spread}"
    return f"reference material {line.name}: {line.analyte} {value} by {line.method}"


def _query(line: records.Query) -> str:
    until = (
        ""
        if line.deadline is None
        else f" (can be measured again until {spoken_day(line.deadline)})"
    )
    return f"query on {line.sample} {line.analyte}: {line.what}{until}".replace(" :", ":")


def _answer(line: records.Answer) -> str:
    return f"query on {line.sample} {line.what}{': ' + line.text if line.text else ''}"


def _member(line: records.Member) -> str:
    machine = f"machine {line.machine} ({line.writer[:8]})"
    if line.standing != RETIRED:
        return f"{machine} let in"
    return f"{machine} retired after its entry {line.last_seq or 0}"


@cache
def _elsewhere() -> dict[type[Any], Callable[[Any], str]]:
    return {
        records.Shipment: _shipment,
        records.Sent: _sent,
        records.Handling: _handling,
        records.Blind: _blind,
        records.Reference: _reference,
        records.Query: _query,
        records.Answer: _answer,
        records.Member: _member,
    }


_WORDS: dict[type[Any], Callable[[Any], str]] = {
    records.Filling: _filling,
    records.Application: _application,
    records.Watering: _watering,
    records.Pull: _pull,
    records.Result: _result,
    records.Part: _part,
    records.Weighing: _weighing,
    records.PlannedPart: _planned_part,
    records.Bag: lambda line: f"code {line.code} reserved for a bag",
    records.Note: lambda line: f"note: {line.text}",
    records.Event: lambda line: f"{line.what}{': ' + line.text if line.text else ''}",
    records.Bed: _bed,
    records.Treatment: lambda line: f"treatment {line.code}: {line.name}",
    records.Amendment: lambda line: f"amendment {line.code}: {line.name} ({line.material})",
    records.Lot: lambda line: f"lot {line.name}",
    records.Measurement: _measurement,
    records.PlannedPull: _planned_pull,
    records.Skip: lambda line: f"{line.planned} skipped: {line.reason}",
    records.Bag: lambda line: f"code {line.code} reserved for a bag",
    records.Report: lambda line: (
        f"report {line.number} of {line.lab}, {counted(line.rows, 'result')}"
    ),
}
