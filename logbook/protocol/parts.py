"""The section [sampling.parts]: what every pull is divided into, how it is kept and what for."""

from __future__ import annotations

from logbook.errors import UserMistake
from logbook.protocol.lines import Path
from logbook.protocol.section import Findings, Section
from logbook.trial import parts
from logbook.trial.parts import Planned

PATH: Path = ("sampling", "parts")
_DRYING = ("nitrate-N", "ammonium-N")


def read_parts(section: Section) -> tuple[Planned, ...]:
    """Every part of [sampling.parts] with its analyses, in the order in which bags go."""
    if section.present and not section.table:
        section.problem(None, "no part is named", "name one, or leave the section out")
    found = []
    for key in section.table:
        section.has(key)
        try:
            word = parts.kind(key)
        except UserMistake as mistake:
            section.problem(key, mistake.message, mistake.hint)
            continue
        if word != key:
            section.problem(key, f"{key!r} is not written as a part is", f"write {word}")
            continue
        found.append((word, _analyses(section, key)))
    return tuple(parts.in_order(found))


def _analyses(section: Section, key: str) -> tuple[str, ...]:
    value = section.table[key]
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        section.problem(key, f'"{key}" is not a list of nutrients', f'like {key} = ["P", "K"]')
        return ()
    if key == "tin" and value:
        section.problem(key, "a tin is dried for its moisture: no nutrient comes of it", "tin = []")
        return ()
    found = []
    for place, name in enumerate(value):
        try:
            found.append(parts.analysis(name))
        except UserMistake as mistake:
            section.findings.add((*section.path, key, place), mistake.message, mistake.hint)
    return tuple(found)


def check_parts(planned: tuple[Planned, ...], followed: list[str], findings: Findings) -> None:
    """Parts are for nutrients that are followed, and a nutrient is measured in one part."""
    of: dict[str, str] = {}
    for word, names in planned:
        for name in names:
            path = (*PATH, word)
            if name not in followed:
                findings.add(path, f"{name} is not followed", "add it to [nutrients], or drop it")
            if name in of:
                where = "twice" if of[name] == word else f"in {of[name]} already"
                findings.add(path, f"{name} is {where}", "measure it in one part")
            of.setdefault(name, word)


def dried_nitrogen(planned: tuple[Planned, ...]) -> str:
    """The caution where nitrate or ammonium is to be measured in dried soil, else "".

    Source: Nelson & Bremner 1972, Agron. J. 64:196: air drying alone added 4.2 mg/kg of
    ammonium-N and 1.7 of nitrate-N, the mean of ten soils.
    """
    dried = [name for word, names in planned if word == "dried" for name in names]
    changed = [name for name in _DRYING if name in dried]
    if not changed:
        return ""
    return (
        f"{' and '.join(changed)} in dried soil: drying alone adds some of it (air drying about "
        "4 mg/kg of ammonium-N), which looks like release; dry treated and control beds alike, on "
        "the same day, or keep that part chilled or frozen"
    )


def without_part(planned: tuple[Planned, ...], followed: list[str]) -> str:
    """The caution about nutrients that are followed and that no part is for, else ""."""
    meant = {name for _, names in planned for name in names}
    left = [name for name in followed if name not in meant]
    if not planned or not left:
        return ""
    return f"no part of a pull is meant for {', '.join(left)}"
