"""From the bytes of a profile to a `Profile`, or to every problem in it at once."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import fields
from decimal import Decimal
from fractions import Fraction
from typing import Any

from logbook.errors import UserMistake
from logbook.labs import encodings
from logbook.labs.cells import MOST_TEXT
from logbook.labs.grid import control_character
from logbook.labs.marks import THOUSANDS, read_meaning
from logbook.labs.profiles import content
from logbook.labs.profiles.content import Layout, Measure, Profile, Roles
from logbook.labs.profiles.numbers import is_number
from logbook.labs.profiles.section import Section, parsed
from logbook.trial import chemistry, contents, methods, units
from logbook.trial.chemistry import Analyte
from logbook.trial.contents import Known

_LONGEST_MARK = 30
_LONG_ROLES = ("nutrient", "value")
_CELL = re.compile(r"[A-Za-z]{1,3}[1-9][0-9]{0,5}\Z")
_LETTERS = re.compile(r"[A-Za-z]{1,3}\Z|[1-9][0-9]{0,3}\Z")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_NO_SHARE = "skip the column, or give its content in mg/kg or g/kg"


def read(data: bytes, file: str, name: str) -> Profile:
    """Read a profile called `name`; `file` names it in messages.

    Raises BadData with every problem found, each with file, line, key, value and remedy.
    """
    top = parsed(data, file)
    number = top.raw("format", f"write format = {content.FORMAT} as the first line")
    if number is not None and number != content.FORMAT:
        remedy = f"this program reads format {content.FORMAT}"
        top.problem("format", "this format is not known", remedy)
    lab = top.text("lab", "name the laboratory")
    if len(lab) > MOST_TEXT:
        top.problem("lab", f"it has more than {MOST_TEXT} characters", "shorten it")
    about = _file(top.section("file"))
    layout = _layout(top.section("layout"))
    roles = _roles(top.section("columns"), layout.long)
    usual = top.section("usual")
    common = _common(usual)
    in_rows = [role for role in ("unit", "method") if getattr(roles, role)]
    found = [_measure(row, common, in_rows) for row in top.rows("column")]
    for row in top.rows("column"):
        _check_limit(row, about["decimal"], layout.long)
    measures = tuple(one for one in found if one is not None)
    if not measures and not top.findings.problems:
        remedy = "describe each nutrient in a section that begins with [[column]]"
        top.problem("", "there is no column of a nutrient", remedy)
    left_out = top.section("skip")
    profile = Profile(
        name=name,
        lab=lab,
        layout=layout,
        roles=roles,
        measures=measures,
        skip=left_out.texts("columns"),
        skip_rest=left_out.flag("rest"),
        marks=_marks(top.section("qualifiers")),
        **about,
        **_report(top.section("report")),
    )
    for section in (left_out, usual, top):
        section.close()
    _refuse_twice(top, profile)
    top.findings.refuse()
    return profile


def _file(section: Section) -> dict[str, Any]:
    decimal = section.one_of("decimal", (".", ","), "")
    thousands = THOUSANDS[section.one_of("thousands", tuple(THOUSANDS), "none")]
    if thousands and thousands == decimal:
        remedy = "name two different marks"
        section.problem("thousands", "this is the decimal mark as well", remedy)
    if thousands and not decimal:
        section.problem("thousands", "the decimal mark is not named beside it", 'decimal = "."')
    delimiter = section.one_of("delimiter", tuple(DELIMITERS), "")
    found = {
        "sheet": section.text("sheet") or None,
        "encoding": section.parsed("encoding", encodings.named),
        "delimiter": DELIMITERS.get(delimiter),
        "decimal": decimal,
        "thousands": thousands,
        "dates": section.one_of("dates", content.ORDERS, ""),
    }
    section.close()
    return found


def _layout(section: Section) -> Layout:
    shape = section.one_of("shape", ("wide", "long"), "wide")
    value = section.raw("header", 'say which row it is (header = [4]), or a cell of it ("Sample")')
    header: tuple[int, ...] = ()
    below = ""
    if isinstance(value, str) and value.strip():
        below = section.text("header")
    elif isinstance(value, list) and value and all(_is_row(one) for one in value):
        header = tuple(value)
        if list(header) != sorted(set(header)):
            section.problem("header", "the rows are not in order", "write them like [4, 5]")
    elif value is not None:
        section.problem("header", "this names no row", 'write it like [4], [4, 5] or "Sample ID"')
    found = Layout(
        long=shape == "long",
        header=header,
        below=below,
        header_rows=section.whole("header_rows", 1) or 1,
        first=section.whole("first"),
        end=section.texts("end"),
        blank_ends=section.flag("blank_ends"),
        skip_rows=section.texts("skip_rows"),
        spread=section.flag("spread"),
    )
    if header and found.first is not None and found.first <= header[-1]:
        section.problem("first", "the data begin before the header ends", "count the rows again")
    section.close()
    return found


def _is_row(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 500_000


def _roles(section: Section, long: bool) -> Roles:
    needed = {"sample": 'name the column with the sample codes: sample = "Sample ID"'}
    if long:
        needed |= {role: f"a long layout has a column of the {role}" for role in _LONG_ROLES}
    said = {one.name: section.text(one.name, needed.get(one.name, "")) for one in fields(Roles)}
    if not long:
        for role in ("nutrient", "value", "unit", "method", "limit", "qualifier"):
            if said[role]:
                section.problem(role, "this is for a long layout", '[layout] shape = "long"')
    section.close()
    return Roles(**said)


def _report(section: Section) -> dict[str, str]:
    number = section.text("number") or content.ASKED
    if number not in (content.ASKED, content.FILE_NAME) and not _CELL.match(number):
        section.problem("number", "this is no place", 'write a cell "B2", "file name" or "asked"')
    received = section.text("received")
    if received and not _CELL.match(received):
        section.problem("received", "this is no cell", 'write it like "B3"')
    section.close()
    return {"number": number, "received": received}


def _marks(section: Section) -> dict[str, str]:
    """What each mark stands for: words of the vocabulary."""
    found: dict[str, str] = {}
    for mark in section.table:
        said = section.text(mark, "say what the mark stands for")
        if not mark.strip() or control_character(mark) or len(mark) > _LONGEST_MARK:
            section.problem(mark, "this is no mark that can be printed", "write the mark itself")
            continue
        try:
            if said:
                found[" ".join(mark.split())] = read_meaning(said)
        except UserMistake as mistake:
            section.problem(mark, mistake.message, mistake.hint)
    return found


def _common(usual: Section) -> dict[str, Any]:
    """What holds for every column that does not say otherwise."""
    return {
        "basis": usual.one_of("basis", ("dry", "moist"), ""),
        "to_dry": usual.flag("to_dry"),
        "depth": usual.parsed("depth", read_depth),
        "density": usual.parsed("density", read_density),
        "by_twos": usual.flag("by_twos"),
        "detection": usual.text("detection"),
    }


def read_depth(text: str) -> Decimal:
    """A depth in cm. Raises UserMistake."""
    return units.positive(text, "length").to("cm", "length")


def read_density(text: str) -> Decimal:
    """A bulk density in kg/L. Raises UserMistake."""
    return units.positive(text, "density").to("kg/L", "density")


def _measure(row: Section, common: dict[str, Any], in_rows: Collection[str]) -> Measure | None:
    """One [[column]]; None with its problems noted. `in_rows`: what each row says itself."""
    title = row.text("title")
    at = row.text("at")
    if not title and not at:
        row.problem("", "the column is not named", 'title = "NO3-N (mg/kg)", or at = "D"')
    if at and not _LETTERS.match(at):
        row.problem("at", "this names no column", 'write its letters or its number: "D" or "4"')
    named = row.parsed("nutrient", read_nutrient, "name what is measured, such as NO3-N")
    ratio = row.parsed("ratio", contents.read_ratio)
    analyte = named[0].name if named else ""
    _refuse_converted(row, title, analyte)
    method = _method(row, (ratio, common["detection"], analyte), "method" in in_rows)
    known = Known(
        ratio,
        row.parsed("depth", read_depth) or common["depth"],
        row.parsed("density", read_density) or common["density"],
        row.flag("by_twos") or common["by_twos"],
    )
    unit = _unit(row, named, known, "unit" in in_rows)
    by_unit = units.of_basis(unit or "")[1]
    basis = row.one_of("basis", ("dry", "moist"), by_unit or common["basis"])
    if by_unit and basis and basis != by_unit:
        row.problem("unit", f"it says {by_unit}, the basis {basis}", "ask the laboratory")
    if named and named[0].dimension == "content" and not basis and "basis" not in row.table:
        remedy = 'basis = "dry" or "moist", here or in [usual]'
        row.problem("", "it is not said on which basis it is", remedy)
    to_dry = (row.flag("to_dry") or common["to_dry"]) and basis == "moist"
    limit = row.text("limit")
    optional = row.flag("optional")
    row.close()
    if named is None or method is None or unit is None:
        return None
    nutrient = row.text("nutrient")
    return Measure(
        title, nutrient, unit, method, basis or "dry", known, limit, at, to_dry, optional
    )


def _check_limit(row: Section, decimal: str, long: bool) -> None:
    """A limit is a number; of a wide layout it may be the heading of a column."""
    said = row.text("limit") if isinstance(row.table.get("limit"), str) else ""
    if not said or is_number(said, decimal):
        return
    if long:
        remedy = "write a number; a column of limits is named in [columns] limit"
        row.problem("limit", "this is no number above 0", remedy)
    elif not any(map(str.isalpha, said)) or said[0] in "<>≤≥":
        mark = f"with the decimal mark {decimal}" if decimal else "such as 0.5"
        remedy = f"write it {mark}, without a sign, or the heading of the column of limits"
        row.problem("limit", "this is no number above 0", remedy)


def read_nutrient(text: str) -> tuple[Analyte, Fraction]:
    """A nutrient that is measured, and the share of it in its form. Raises UserMistake."""
    try:
        found = chemistry.find_analyte(text)
    except UserMistake as mistake:  # the sum is none of those that can be used
        raise UserMistake(mistake.message, mistake.hint.replace("mineral-N, ", "")) from None
    if found[0].name == "mineral-N":
        what = "mineral-N is not imported: it is the sum of nitrate-N and ammonium-N"
        raise UserMistake(what, "import those two")
    return found


def _refuse_converted(row: Section, title: str, analyte: str) -> None:
    """Note a heading that says itself that its numbers were computed from another extractant's."""
    try:
        contents.refuse_converted(title, analyte)
    except UserMistake as mistake:
        row.problem("title", mistake.message, "name it in [skip] columns instead")


def _method(row: Section, about: tuple[Fraction | None, str, str], in_rows: bool) -> str | None:
    """The full name, with ratio, detection and nutrient of `about`."""
    ratio, detection, analyte = about
    needed = "name the extractant or procedure: without it nothing can be compared"
    said = row.text("method", "" if in_rows else needed)
    own = row.text("detection") or detection
    if not said:
        return "" if in_rows and "method" not in row.table else None
    try:
        return full_method(said, contents.ratio_text(ratio) if ratio else "", own, analyte)
    except UserMistake as mistake:
        row.problem("method", mistake.message, mistake.hint)
        return None


def _unit(
    row: Section, named: tuple[Analyte, Fraction] | None, known: Known, in_rows: bool
) -> str | None:
    """The unit as the laboratory writes it, if it measures the nutrient; None with a problem."""
    free = in_rows or (named is not None and named[0].dimension == "acidity")
    said = row.text("unit", "" if free else "write the laboratory's unit, such as mg/kg")
    if named is None or (not said and not free):
        return None
    try:
        if said:
            refuse_share(said, named[0])
            contents.read_unit(said, named[0], known)
    except UserMistake as mistake:
        row.problem("unit", mistake.message, mistake.hint)
        return None
    return said


def full_method(said: str, ratio: str = "", detection: str = "", analyte: str = "") -> str:
    """A method's full name, not too long to be kept; raises UserMistake."""
    name = methods.full_name(said, ratio, detection, analyte)
    if len(name) > MOST_TEXT:
        what = f"the method has {len(name)} characters, more than {MOST_TEXT}"
        raise UserMistake(what, "shorten it")
    return name


def refuse_share(unit: str, analyte: Analyte) -> None:
    """Refuse per cent of an exchangeable cation in a profile; raises UserMistake."""
    contents.refuse_share(unit, analyte, _NO_SHARE)


def _refuse_twice(top: Section, profile: Profile) -> None:
    """Two columns of one analysis would be one measurement printed twice."""
    seen: dict[tuple[str, str, str], Measure] = {}
    for one in profile.measures:
        # A long layout has several names of one analysis: rows, not columns.
        key = (one.analyte.name, one.method, one.basis)
        first = seen.setdefault(key, one)
        if first is not one and not profile.layout.long:
            both = f"{first.title or first.at!r} and {one.title or one.at!r}"
            what = f"{both} give the same analysis: {', '.join(key)}"
            top.problem("", what, "skip one of them")
