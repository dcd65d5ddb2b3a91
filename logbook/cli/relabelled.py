"""Correcting a laboratory's result: its number with its unit, its method, basis, laboratory.

Method, basis and laboratory are part of what a result is known by, its key: such a correction
strikes the line and writes it under the key that is right, in one act.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from logbook.cli import laboratory
from logbook.errors import UserMistake
from logbook.journal.kinds import to_value
from logbook.store import views
from logbook.study import doubles, origins, report_lines
from logbook.trial import chemistry, contents, qualifiers, units
from logbook.trial.records import Report, Result
from logbook.trial.times import parse_when, zone

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.writing import Book
    from logbook.cli.session import Session

Changes = dict[str, Any]
IDENTITY = ("method", "basis", "lab")
# A number with its sign, and the unit behind it: "<0.5 mg/kg".
AMOUNT = re.compile(r"\s*([<>≤≥]?\s*=?\s*[+-]?[0-9.,]*[0-9][0-9.,]*)\s*(.*?)\s*\Z", re.DOTALL)


@dataclass(frozen=True)
class Moved:
    """Where a corrected result stands from then on: its key, and the lines that belong to it."""

    to: str
    result: Result
    beside: tuple[tuple[str, Any], ...] = ()


def value(said: str, record: Result) -> Changes:
    """A number typed anew, in the unit and form in which it was reported, or in its own unit."""
    found = AMOUNT.match(said.replace("\N{MINUS SIGN}", "-"))
    number, unit = (found[1], found[2]) if found and found[2] else (said, "")
    cell = chemistry.parse_cell(number)
    factor, changes = _factor(record), Changes()
    if unit and not _same_unit(unit, record):
        factor, changes = _other_factor(unit, record), {"reported_unit": " ".join(unit.split())}

    def canonical(one: Any) -> str | None:
        return None if one is None else units.plain(units.scale(one, factor))

    return changes | {
        "value": canonical(cell.value),
        "limit": canonical(cell.limit),
        "qualifier": cell.qualifier,
        "reported": number.strip(),
    }


def _same_unit(unit: str, record: Result) -> bool:
    """True for the unit in which a result was reported, in whatever spelling."""
    (bare, basis), reported = units.of_basis(unit), units.of_basis(record.reported_unit)[0]
    if basis and basis != record.basis:
        raise UserMistake(
            f"{unit!r} says {basis}, and the result is on the {record.basis} soil",
            f"leave that out of the unit, and add --basis {basis}",
        )
    return _spelled(bare) == _spelled(reported)


def _spelled(unit: str) -> str:
    return units.canonical_unit(unit) or "".join(unit.split()).lower()


def _other_factor(unit: str, record: Result) -> Fraction:
    """What makes a number in another unit than the reported one canonical."""
    analyte, share = _form(record)
    if "dried-by-tin" in qualifiers.words(record.flags):
        raise UserMistake(
            f"the result was made one of the dry soil from {record.reported_unit}",
            f"write it in {record.reported_unit}, as it was reported",
        )
    contents.refuse_share(unit, analyte, "write its content in mg/kg, if the laboratory gives it")
    known = chemistry.read_unit(units.of_basis(unit)[0], analyte)
    return chemistry.canonical_factor(known, analyte, share)


def _form(record: Result) -> tuple[chemistry.Analyte, Fraction]:
    """What a result measures, and the share of it in the form that was reported."""
    found = chemistry.find_analyte(record.form or record.analyte)
    if found[0].name != record.analyte:  # read before CaCO3 was a soil's carbonate
        return chemistry.find_analyte(f"{record.analyte} as {record.form}")
    return found


def _factor(record: Result) -> Fraction:
    """What makes a number as it was reported canonical.

    Where the unit alone does not say (an extract, an amount per area, moist soil), it is what the
    value itself was multiplied with. Raises UserMistake where there is none to see it by.
    """
    analyte, share = _form(record)
    known = units.canonical_unit(units.of_basis(record.reported_unit)[0])
    dried = "dried-by-tin" in qualifiers.words(record.flags)
    table = {**units.UNITS[analyte.dimension], **units.UNITS["charge"]}
    if not dried and (not record.reported_unit or known in table):
        unit = known or analyte.unit
        return chemistry.canonical_factor(unit, analyte, share)
    numbers = re.findall(r"[0-9][0-9.,]*", record.reported)
    before = record.limit if record.value is None else record.value
    with suppress(UserMistake, ZeroDivisionError):
        if len(numbers) == 1 and before:
            return Fraction(before) / Fraction(units.number(numbers[0], None))
    raise UserMistake(
        f"a value in {record.reported_unit} cannot be made {record.unit} without knowing more",
        "strike the result, and add it in mg/kg: logbook lab add",
    )


def method(said: str, record: Result) -> Changes:
    """The method that was used, by its usual name."""
    from logbook.labs.typed import option_text

    text = option_text("--method", said) or ""
    contents.refuse_converted(text, record.analyte)
    return {"method": chemistry.method_name(text)}


def basis(said: str, record: Result) -> Changes:
    """Dry or moist."""
    from logbook.labs.cells import BASES

    word = BASES.get(" ".join(said.lower().split())) if said.strip() else None
    if word is None:
        raise UserMistake(f"{said!r} is not a basis", "write dry or moist")
    if word != record.basis and "dried-by-tin" in qualifiers.words(record.flags):
        raise UserMistake(
            "the result was made one of the dry soil with the sample's own moisture",
            "strike it, and add it as it was reported: logbook lab add",
        )
    return {"basis": word}


def lab(said: str, store: sqlite3.Connection) -> Changes:
    """Who measured it, as the book writes the name."""
    from logbook.labs.cells import known_names
    from logbook.labs.typed import option_text

    name = option_text("--lab", said) or ""
    known, (folded,) = known_names(origins.laboratories(store)), known_names([name])
    return {"lab": known.get(folded, name)}


def moved(store: sqlite3.Connection, record: Any, changes: Mapping[str, Any]) -> Moved | None:
    """Where a corrected result belongs from now on; None if it stays. Raises UserMistake.

    A place where another result stands is refused: there would be two of one measurement.
    """
    given = {name: changes[name] for name in IDENTITY if name in changes}
    if not isinstance(record, Result) or all(getattr(record, n) == t for n, t in given.items()):
        return None
    new = replace(record, **given)
    own = report_lines.result_key(new)
    found = doubles.standing(store, new.lab, [new]).get(doubles.analysis(new), [])
    for one in found:
        name = f"result/{one.id}"
        if name == own or (one.report != new.report and one.run == new.run):
            raise UserMistake(
                f"{new.sample} has {new.analyte} by {new.method!r} ({new.basis}) of {new.lab} "
                f"already, in report {one.report}",
                "if one of them is wrong: logbook strike "
                f"{shlex.quote(f'{new.sample}:{new.analyte}:{new.method}')} --reason TEXT",
            )
    return Moved(own, new, tuple(_report(store, record, new)))


def _report(
    store: sqlite3.Connection, old: Result, new: Result
) -> list[tuple[str, dict[str, Any]]]:
    """The report of a result that is another laboratory's, if it is new here."""
    own = report_lines.report_key(new.lab, new.report)
    if new.lab == old.lab or views.fetch(store, "report", "id = ?", (own.partition("/")[2],)):
        return []
    where = ("lab = ? AND number = ?", (old.lab, old.report))
    for found in views.fetch(store, "report", *where):
        received = found.record.received
        return [(own, to_value(Report(new.lab, new.report, "", "", received, 1)))]
    return []


def notes(store: sqlite3.Connection, session: Session, moves: Mapping[str, Moved]) -> list[str]:
    """In which series results stand now."""
    results = [one.result for one in moves.values()]
    about = laboratory.setting(store, session, {one.sample for one in results})
    return laboratory.series_notes(about, results)


def asked_anew(book: Book, session: Session, names: Iterable[str], code: str) -> list[str]:
    """Open the queries about corrected results, by key: those about the old lines are moot."""
    from logbook.book.corrections import inside
    from logbook.cli import quality, queries

    store = inside(book)
    written = {
        name: found.record
        for name in names
        for found in views.fetch(store, "result", "id = ?", (name.partition("/")[2],))
    }
    about = laboratory.setting(store, session, {one.sample for one in written.values()})
    opened = parse_when("now", zone(about.zone), session.clock.now())
    keys = queries.ask_about(book, written, code, opened, quality.settings())
    return list(queries.told(queries.about(store, keys), written))
