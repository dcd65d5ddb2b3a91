"""The results that stand: `lab results`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal, InvalidOperation
from json import dumps
from typing import Annotated, Any

import typer

from logbook.cli.laboratory import setting, tell
from logbook.cli.naming import bags_of
from logbook.cli.session import Session, addressed, as_json, say
from logbook.errors import UserMistake
from logbook.report.lines import UNKNOWN_LIMIT, result_value, run_words, with_unit
from logbook.store import asking, views
from logbook.study import parts, queries, rejected, report_lines
from logbook.study.rejected import Lifted
from logbook.trial import codes, qualifiers
from logbook.trial.chemistry import ANALYTES, named
from logbook.trial.records import Part, Pull, Result
from logbook.trial.times import parse_when, spoken_day, zone
from logbook.trial.units import rounded


@dataclass(frozen=True)
class _Line:
    """A result with the pull that it belongs to; `bed` is empty while it waits for one.

    `part` is the bag that was analysed, where the pull was divided; `struck` says that its pull
    or part was struck here, so that it counts no longer; `blind` what a code of ours hid; `lifted`
    who counts it although its laboratory rejected it; `asked` what is asked of it while it counts
    in no curve.
    """

    result: Result
    conflict: bool
    pull: Pull | None
    bed: str
    place: int
    part: Part | None = None
    struck: bool = False
    blind: str = ""
    lifted: Lifted | None = None
    asked: str = ""

    @property
    def order(self) -> tuple[str, int, str, int, int, int]:
        """By day, then bench order, then the order of the nutrients; the waiting ones last."""
        day = self.pull.when.day.isoformat() if self.pull else "~"
        nutrient = list(ANALYTES).index(self.result.analyte)
        return (
            day, self.place, self.result.sample, nutrient, self.result.run, self.result.n,
        )  # fmt: skip

    def document(self) -> dict[str, Any]:
        """For JSON."""
        one = self.result
        return {
            "sample": one.sample,
            "part_of": self.part.pull if self.part else None,
            "kind": self.part.kind if self.part else None,
            "bed": self.bed or None,
            "pulled": self.pull.when.text if self.pull else None,
            "struck": self.struck,
            "blind": self.blind or None,
            "nutrient": one.analyte,
            "value": result_value(one),
            "unit": one.unit,
            "reported": one.reported,
            "reported_unit": one.reported_unit,
            "flags": list(qualifiers.words(one.flags)),
            "counted_although_flagged": self.lifted and self.lifted.document(),
            "form": one.form,
            "method": one.method,
            "basis": one.basis,
            "lab": one.lab,
            "report": one.report,
            "laboratory_number": one.laboratory_number or None,
            "run": one.run,
            "repeat": one.n,
            "disagrees": self.conflict,
            "in_question": self.asked or None,
        }


def results(
    context: typer.Context,
    sample: Annotated[str | None, typer.Option(help="Of this sample's code.")] = None,
    bed: Annotated[str | None, typer.Option(help="Of these beds: B1-B6, control, CODE.")] = None,
    nutrient: Annotated[str | None, typer.Option(help="Of this nutrient.")] = None,
    number: Annotated[
        str | None,
        typer.Option("--laboratory-number", help="Of what the laboratory calls by this number."),
    ] = None,
    report: Annotated[str | None, typer.Option(help="Of the report of this number.")] = None,
    first: Annotated[
        str | None, typer.Option("--from", help="Pulled on this day or later: 2026-03-14.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--to", help="Pulled on this day or earlier: yesterday.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """List the results that stand, by day, bed and nutrient.

    A sample's results are those of all its parts; each names the bag that was analysed. Those that
    wait for their pull have no day: --from and --to leave them out.

    Examples: logbook lab results --bed B1-B3 --nutrient nitrate-N
              logbook lab results --sample XW3KRT9D --json
              logbook lab results --from 2026-03-14 --to 2026-04-14
              logbook lab results --laboratory-number 26-1001
              logbook lab results --report 26-114
    """
    session: Session = context.obj

    def question(store: Any) -> tuple[list[_Line], list[str]]:
        asked = _Asked(sample, nutrient, number, report, *_days(store, session, first, last))
        found = _lines(store, session, bed, asked)
        return found, [] if found else report_lines.gone(store, " ".join((report or "").split()))

    lines, gone = session.read(question)
    if json:
        as_json({"results": [line.document() for line in lines]})
        return
    for line in lines:
        tell(_words(line), 10)
    for one in gone:
        tell(f"{one[:1].upper()}{one[1:]}.")
    if not lines and not gone:
        say("No such results yet.")


@dataclass(frozen=True)
class _Asked:
    """What a result must be of: a sample's code, a nutrient, a number of the laboratory, a report,
    days.
    """

    sample: str | None
    nutrient: str | None
    number: str | None
    report: str | None
    first: date | None = None
    last: date | None = None

    def meant(self, pull: Pull) -> bool:
        """True for a pull of these days."""
        day = pull.when.day
        return (self.first or day) <= day <= (self.last or day)


def _days(
    store: Any, session: Session, first: str | None, last: str | None
) -> tuple[date | None, date | None]:
    """The days named, in the zone of the trial; raises UserMistake where they end before."""
    from logbook.labs.typed import option_text

    if first is None and last is None:
        return None, None
    place, now = zone(setting(store, session, ()).zone), session.clock.now()
    begin, end = (
        None if text is None else parse_when(option_text(option, text) or "", place, now).day
        for option, text in (("--from", first), ("--to", last))
    )
    if begin and end and end < begin:
        raise UserMistake(
            f"--to {spoken_day(end)} lies before --from {spoken_day(begin)}", "turn the two round"
        )
    return begin, end


def _lines(store: Any, session: Session, bed: str | None, asked: _Asked) -> list[_Line]:
    beds = {found.id: found.record for found in views.fetch(store, "bed")}
    wanted = None
    if bed is not None:
        wanted = {ref.id for ref in addressed(store, session, bed)[1]}
    pulls = {found.id: found.record for found in views.fetch(store, "pull")}
    bags = parts.by_code(store)
    waiting = set(asking.waiting_results(store))
    blinds = {one.id: one.record for one in views.fetch(store, "blind")}
    lifted, doubted = rejected.lifted(store), queries.asked_of(store)
    where, given = _condition(store, asked)
    if wanted is not None or asked.first or asked.last:
        near = {
            code
            for code, pull in pulls.items()
            if asked.meant(pull) and (wanted is None or wanted.intersection((pull.bed, *pull.also)))
        }
        near |= {code for code, part in bags.items() if part.pull in near}
        # Those of many seasons are not all read for one bed.
        where += " AND sample IN (SELECT value FROM json_each(?))"
        given.append(dumps(sorted(near)))
    lines = []
    for found in views.fetch(store, "result", where, given):
        part = bags.get(found.record.sample)
        pull = pulls.get(part.pull if part else found.record.sample)
        of = [pull.bed, *pull.also] if pull else []
        code = found.record.sample
        struck = pull is None and code not in waiting and code not in blinds
        label = "+".join(beds[one].label for one in of if one in beds)
        place = min((beds[one].place for one in of if one in beds), default=0)
        hidden = f"blind {blinds[code].kind} of {blinds[code].of}" if code in blinds else ""
        line = _Line(found.record, found.conflict, pull, label, place, part, struck, hidden)
        asked_of_it = doubted.get(found.id, "")
        lines.append(replace(line, lifted=lifted.get(found.id), asked=asked_of_it))
    return sorted(lines, key=lambda line: line.order)


def _condition(store: Any, asked: _Asked) -> tuple[str, list[str]]:
    """The SQL condition of what was asked for, and its values."""
    conditions, given = ["1"], []
    if asked.sample is not None:
        code = codes.tidy(asked.sample)
        if not codes.is_valid(code):
            raise UserMistake(f"{asked.sample!r} is not a sample code: {codes.flaw(code)}")
        of = bags_of(store, code)
        conditions.append(f"sample IN ({', '.join('?' * len(of))})")
        given += of
    if asked.number is not None:
        conditions.append("laboratory_number = ?")
        given.append(" ".join(asked.number.split()))
    if asked.report is not None:
        conditions.append(report_lines.OF_NUMBER)
        given.append(" ".join(asked.report.split()))
    if asked.nutrient is not None:
        analyte = named(asked.nutrient)
        if analyte == "mineral-N":
            raise UserMistake(
                "mineral-N is no result of its own: it is the sum of nitrate-N and ammonium-N",
                "logbook lab results --nutrient nitrate-N, or: logbook curve mineral-N",
            )
        conditions.append("analyte = ?")
        given.append(analyte)
    return " AND ".join(conditions), given


def _words(line: _Line) -> str:
    one = line.result
    missing = line.blind or ("its pull was struck" if line.struck else "waits for its pull")
    where = f"{spoken_day(line.pull.when.day)}  {line.bed}" if line.pull else missing
    kind = f", {line.part.kind}" if line.part else ""
    own = f", {one.laboratory_number} there" if one.laboratory_number else ""
    disputed = "  machines disagree" if line.conflict else ""
    waits = one.flags == "not-detected" and one.value is None and one.limit is None
    said = f"  {qualifiers.spoken(one.flags)}" if one.flags and not waits else ""
    said += f"; {line.lifted.spoken}" if line.lifted else ""
    said += f"  in question: {line.asked}" if line.asked else ""
    return (
        f"{one.sample}  {where:<21}  {one.analyte:<11} {_value(one)}"
        f"  ({_reported(one)}{one.method}{kind}, {one.basis}; "
        f"report {one.report}{own}{run_words(one)})"
        f"{said}{disputed}"
    )


def _value(one: Result) -> str:
    """The value with its unit, rounded for people; what was not detected has no value yet."""
    number = one.limit if one.value is None else one.value
    if number is None:
        return UNKNOWN_LIMIT
    side = one.qualifier if one.value is None else ""
    return with_unit(f"{side + rounded(number):>8}", one.unit)


def _reported(one: Result) -> str:
    """The number of the report, where another stands before it: `88.6 mg/kg as NO3 reported; `."""
    number = one.limit if one.value is None else one.value
    unit = "" if one.unit == "pH" else one.unit
    try:
        told: Decimal | None = Decimal(one.reported.strip().lstrip("<>=\u2264\u2265 "))
    except InvalidOperation:
        told = None  # a word, or a decimal comma
    same = number is not None and told in (number, Decimal(rounded(number)))
    if number is None or (same and one.reported_unit in (one.unit, unit)):
        return ""
    form = f" as {one.form}" if one.form and told is not None and not same else ""
    return f"{with_unit(one.reported, one.reported_unit)}{form} reported; "
