"""From the bytes of a protocol file to a `Protocol`, or to every problem in it at once."""

from __future__ import annotations

import hashlib
import tomllib
from decimal import Decimal
from typing import Any

from logbook.errors import BadData, Problem, UserMistake
from logbook.protocol import calendar, checks, layout, materials, measure, nutrients, parts
from logbook.protocol.content import (
    DEFAULT_ENDPOINT,
    DEFAULT_ENDPOINT_DAY,
    Protocol,
    Water,
)
from logbook.protocol.lines import Path, error_line, find_lines
from logbook.protocol.section import Findings, Section
from logbook.trial import times

FORMAT = 1
_MOST_BYTES = 1_048_576


def read(data: bytes, file: str) -> Protocol:
    """Read a protocol; `file` is its name for messages.

    Raises BadData with every problem found, each with the file, line and key it belongs to.
    """
    table, lines = parsed(data, file)
    findings = Findings(file, lines)
    protocol = sections(table, findings, hashlib.sha256(data).hexdigest())
    checks.check(protocol, findings)
    refuse(findings)
    return checks.with_warnings(protocol)


def parsed(data: bytes, file: str) -> tuple[dict[str, Any], dict[Path, int]]:
    """The file as TOML, not judged yet, and the lines of its keys. Raises BadData."""
    return _parsed(_decoded(data, file), file)


def sections(table: dict[str, Any], findings: Findings, sha256: str) -> Protocol:
    """Every section by itself, with stand-ins where there are problems, added to `findings`."""
    return _protocol(Section(findings, table), sha256)


def refuse(findings: Findings) -> None:
    """Raise BadData with every problem found so far, if there is one."""
    problems = findings.in_order()
    if problems:
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        raise BadData(f"{findings.file} cannot be used: {count}", problems)


def _decoded(data: bytes, file: str) -> str:
    if len(data) > _MOST_BYTES:
        raise _refused(
            file, 1, f"{len(data)} bytes are too many for a protocol", "is it this file?"
        )
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        shown = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise _refused(file, line, shown, "save the file as UTF-8") from error


def _parsed(text: str, file: str) -> tuple[dict[str, Any], dict[Path, int]]:
    try:
        return tomllib.loads(text, parse_float=Decimal), find_lines(text)
    except tomllib.TOMLDecodeError as error:
        line, words = error_line(error, text)
        remedy = "check quotes, brackets and commas on this line and the one before"
        raise _refused(file, line, f"the file is not valid TOML here: {words}", remedy) from error
    except (RecursionError, ValueError, ArithmeticError) as error:
        what = "the file cannot be read as TOML: brackets too deep or a number too long"
        raise _refused(file, 1, what, "write it as the template has it") from error


def _refused(file: str, line: int, what: str, remedy: str) -> BadData:
    problem = Problem(f"{file}, line {line}", what, remedy)
    return BadData(f"{file} cannot be used: 1 problem", [problem])


def _protocol(top: Section, sha256: str) -> Protocol:
    """Everything the file says, section by section, with stand-ins where there are problems."""
    _format(top)
    sizes = layout.read_sizes(top.section("sizes", "describe at least one bed size"))
    placed = top.section(
        "layout", "list the beds and how they were assigned, or have logbook trial layout draw them"
    )
    assigned, seed = layout.read_assigned(placed)
    beds = layout.read_beds(placed, sizes)
    placed.close()
    stuff = materials.read_materials(top.section("amendments"))
    applied = top.section("application", 'say how deep: incorporated = "15 cm"')
    depth = applied.length("incorporated", 'say how deep: incorporated = "15 cm"')
    planned = calendar.read_planned(applied)
    applied.close()
    protocol = Protocol(
        sha256=sha256,
        **_trial(top.section("trial", "name the trial, its question and its time zone")),
        **_lab(top.section("lab")),
        **_sampling(top.section("sampling", "say how deep and with how many cores")),
        **_soil(top.section("soil", "describe the soil that fills the beds")),
        incorporated_cm=depth or Decimal(0),
        planned=planned,
        assigned=assigned,
        seed=seed,
        sizes=sizes,
        beds=beds,
        materials=stuff,
        treatments=materials.read_treatments(
            top.section("treatments", "describe the control and every treatment"), stuff
        ),
        pulls=calendar.read_pulls(top.section("calendar")),
        water=_water(top.section("watering")),
        nutrients=nutrients.read_nutrients(
            top.section("nutrients", "name what to follow, with its method")
        ),
    )
    top.close()
    return protocol


def _format(top: Section) -> None:
    number = top.whole("format", 1, f"write format = {FORMAT} as the first line")
    if number is not None and number > FORMAT:
        what = f"format {number} is newer than this program, which reads format {FORMAT}"
        top.problem("format", what, "use a newer program")


def _trial(section: Section) -> dict[str, Any]:
    planting = section.whole("planting_day", 0)
    day = section.whole("endpoint_day", 0)
    usual = DEFAULT_ENDPOINT_DAY if planting is None else planting
    found = {
        "name": section.text("name", "give the trial a name") or "",
        "question": section.text("question", "write the question it is to answer") or "",
        "zone": section.parsed("zone", _zone, 'name the site\'s time zone: zone = "Europe/Lisbon"')
        or "",
        "planting_day": planting,
        "endpoint": section.parsed("endpoint", _analyte) or DEFAULT_ENDPOINT,
        "endpoint_day": usual if day is None else day,
    }
    section.close()
    return found


def _zone(text: str) -> str:
    """An IANA name; abbreviations such as EST or CET are refused, since clocks change."""
    if text != "UTC" and "/" not in text:
        raise UserMistake(f"{text!r} is not a time zone", "use an IANA name such as Europe/Lisbon")
    times.zone(text)
    return text


def _analyte(text: str) -> str:
    return measure.nutrient(text).name


def _lab(section: Section) -> dict[str, Any]:
    found = {
        "lab": section.later("name", str),
        "sample_cost": section.later("cost_per_sample", measure.money),
        "usual_days": section.whole("usual_days", 1),
    }
    section.close()
    return found


def _sampling(section: Section) -> dict[str, Any]:
    found = {
        "depth_cm": section.length("depth", 'say how deep cores go: depth = "10 cm"') or Decimal(0),
        "cores": section.whole("cores", 1, "say how many cores make a sample: cores = 8") or 0,
        "parts": parts.read_parts(section.section("parts")),
    }
    section.close()
    return found


def _soil(section: Section) -> dict[str, Any]:
    found = {
        "source": section.text("source", 'say where it is from: source = "..."') or "",
        "texture": section.text("texture", 'say its texture: texture = "sandy loam"') or "",
        "bulk_density": section.later("bulk_density", measure.soil_density),
        "start": materials.read_values(section.section("start"), with_basis=False),
    }
    section.close()
    return found


def _water(section: Section) -> Water | None:
    if not section.present:
        return None
    interval = section.whole("every_days", 1, "say how often: every_days = 2")
    amount = section.parsed("amount", measure.watering, 'like amount = "3 L/m2"')
    section.close()
    return None if interval is None or amount is None else Water(interval, *amount)
