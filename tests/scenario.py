"""Whole invented trials of one amendment, played through the program, and what is found of it.

Odd beds are controls, even ones got the compost; beds of a block stand side by side.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator, validate

from tests.program import Program

ROOT = Path(__file__).resolve().parents[1]
SCHEMA = json.loads((ROOT / "docs" / "schema" / "findings.json").read_text(encoding="utf-8"))
START = date(2026, 3, 2)
MINERAL = (("nitrate-N", "mg/kg", "1 M KCl"), ("ammonium-N", "mg/kg", "1 M KCl"))
NITRATE, AMMONIUM = MINERAL
NITROGEN = tuple(f'{nutrient} = "{method}"' for nutrient, _, method in MINERAL)

Way = tuple[str, str, str]  # nutrient, unit, method
Cells = Sequence[float | str]  # a result as a number, or as the laboratory writes it: "<0.5"
Values = Mapping[int, tuple[Cells, Cells]]  # day: controls, treated

_PROTOCOL = """\
format = 1

[trial]
name = "One compost (invented)"
question = "What does it do by day 28?"
zone = "Europe/Berlin"
planting_day = 28

[lab]
name = "Invented Soil Lab"

[sampling]
depth = "15 cm"
cores = 8

[soil]
source = "one heap (invented)"
texture = "sandy loam"
bulk_density = "1.2 kg/L"

[sizes.bed]
length = "1 m"
width = "0.5 m"
depth = "20 cm"

[application]
incorporated = "15 cm"

[amendments.compost]
name = "leaf compost (invented)"
material = "compost"
lot = "heap 1"
density = "0.5 kg/L"
moisture = "50 % wet basis"
price = "0.10 EUR/kg"
{contents}
[treatments.none]
name = "untreated"
control = true

[treatments.C]
name = "{name}"
amendment = "compost"
rate = "10 t/ha"

[layout]
assigned = "drawn"
seed = 7
beds = [
{beds}
]

[calendar]
pulls = [
{pulls}
]

[watering]
every_days = 3
amount = "250 mL per bed"

[nutrients]
{nutrients}
"""
_CONTENTS = """
[amendments.compost.contents]
total-N = {{ value = "{nitrogen} %", basis = "dry", method = "dry combustion" }}
organic-C = {{ value = "{carbon} %", basis = "dry", method = "dry combustion" }}
"""


@dataclass(frozen=True)
class Plan:
    """What differs from trial to trial; nutrients: lines of the protocol's section."""

    blocks: int = 4
    days: tuple[int, ...] = (0, 7, 14, 28)
    nutrients: tuple[str, ...] = NITROGEN
    carbon: float | None = None
    nitrogen: float = 2.0
    name: str = "leaf compost"

    def text(self) -> str:
        """The protocol."""
        beds = [
            f'  {{ label = "B{2 * block + side}", block = "{block + 1}", '
            f'treatment = "{("none", "C")[side - 1]}", size = "bed" }},'
            for block in range(self.blocks)
            for side in (1, 2)
        ]
        contents = ""
        if self.carbon is not None:
            contents = _CONTENTS.format(nitrogen=self.nitrogen, carbon=self.carbon)
        return _PROTOCOL.format(
            contents=contents,
            name=self.name,
            beds="\n".join(beds),
            pulls="\n".join(
                f"  {{ day = {day}, tolerance = {min(2, day // 3)} }}," for day in self.days
            ),
            nutrients="\n".join(self.nutrients),
        )


def day_of(day: float, clock: str = "09:00") -> str:
    """An instant so many days after application."""
    return f"{START + timedelta(days=int(day))}T{clock}+00:00"


def play(
    program: Program,
    plan: Plan,
    results: Mapping[Way, Values],
    *acts: tuple[int, tuple[str, ...]],
) -> Program:
    """Start, apply, pull on every day that has results, do the acts, import everything.

    results: by nutrient, unit and method: each day's controls and treated beds, in bench order;
    acts: what else is done, each with its day. A bed that left has no result after that.
    """
    (program.folder / "trial.toml").write_text(plan.text(), encoding="utf-8")
    program.must("trial", "start", "trial.toml", on=day_of(-1))
    program.must("fill", "all", "--mass", "110 kg", on=day_of(-1, "10:00"))
    program.must("apply", "all", on=day_of(0, "08:00"))
    codes: dict[tuple[int, str], str] = {}
    pulled = {day for values in results.values() for day in values}
    for day in sorted(pulled | {day for day, _ in acts}):
        if day in pulled:
            for line in program.must("pull", "all", on=day_of(day)).out.splitlines():
                if line.startswith("  "):
                    code, label, *_ = line.split()
                    codes[day, label] = code
        for words in (words for other, words in acts if other == day):
            program.must(*words, on=day_of(day, "12:00"))
    rows = ["sample,nutrient,value,unit,method"]
    for (nutrient, unit, method), values in results.items():
        for day, sides in values.items():
            rows += [
                f"{codes[day, f'B{2 * block + side + 1}']},{nutrient},"
                f"{value if isinstance(value, str) else f'{value:g}'},{unit},{method}"
                for side, beds in enumerate(sides)
                for block, value in enumerate(beds)
                if (day, f"B{2 * block + side + 1}") in codes
            ]
    (program.folder / "results.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    program.must("lab", "import", "results.csv", "--report", "R1", on=day_of(120))
    return program


def told(program: Program, *options: str) -> str:
    """What `findings` says, each bullet on a line of its own; its JSON is held to the schema."""
    listed(program, *options)
    said = program.must("findings", *options, on=day_of(121)).out
    lines: list[str] = []
    for line in said.splitlines():
        if line.startswith("  ") and lines:
            lines[-1] += " " + line.strip()
        else:
            lines.append(line)
    return "\n".join(lines)


def listed(program: Program, *options: str) -> list[dict[str, Any]]:
    """The findings of the compost for programs, held to their schema."""
    said = json.loads(program.must("findings", "--json", *options, on=day_of(121)).out)
    validate(said, SCHEMA, cls=Draft202012Validator)
    (found,) = said["findings"]
    return list(found["findings"])


def of_kind(found: Iterable[dict[str, Any]], kind: str) -> dict[str, Any]:
    """The only finding of a kind."""
    (one,) = (one for one in found if one["kind"] == kind)
    return one
