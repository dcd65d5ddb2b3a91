"""What is read on the spot: units, what cannot be, and that it stays apart from a laboratory's.

A soil thermometer's Fahrenheit is turned to Celsius by its definition, C = (F - 32) / 1.8.
"""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from tests.program import Program

ON = "2026-03-10T09:00+01:00"


def lines(program: Program, of: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(program.must("history", of, "--json", on=ON).out)[
        "lines"
    ]
    return [line for line in found if line["kind"] == "measure"]


READ = {
    "Fahrenheit": (["soil temperature", "81.5 F"], "soil temperature of B1: 27.5 C"),
    "a degree sign": (["soil temperature", "27.5 °C"], "soil temperature of B1: 27.5 C"),
    "frost": (["air temperature", "-2.5 C"], "air temperature of B1: -2.5 C"),
    "moisture": (["moisture", "31 %"], "moisture of B1: 31 %"),
    "another unit": (["EC", "1200 uS/cm"], "EC of B1: 1.2 dS/m"),
    "capitals": (["ph Strip", "6.5"], "pH strip of B1: 6.5"),
    "weight": (["weight", "1.25 kg"], "weight of B1: 1250 g"),
    "density": (["bulk density", "1120 kg/m3"], "bulk density of B1: 1.12 kg/L"),
}


@pytest.mark.parametrize("name", READ)
def test_a_reading_in_its_unit(name: str, started: Program) -> None:
    words, expected = READ[name]
    said = started.must("measure", *words, "--on", "B1", on=ON)
    assert said.out == f"{said.act}  {expected}, Tue 10 Mar 2026 09:00\n"


def test_it_stands_in_the_history_of_each_bed_as_it_was_typed(started: Program) -> None:
    started.must(
        "measure", "soil temperature", "80 F", "--on", "B1-B3", "--depth", "4 in", "--when",
        "08:30", on=ON,
    )  # fmt: skip
    # 80 F is 26.67 C; 4 in is 10.16 cm.
    (line,) = lines(started, "B3")
    assert line["what"] == "B3: soil temperature at 10.16 cm: 26.67 C (typed 80 F)"
    assert line["acted"] == "Tue 10 Mar 2026 08:30"
    assert not lines(started, "B4")


def test_the_house_as_a_whole_is_in_no_beds_history(started: Program) -> None:
    act = started.must("measure", "air temperature", "31 C", on=ON).act
    assert not lines(started, "B1")
    (line,) = lines(started, act)
    assert line["what"] == "air temperature: 31 C"


def test_the_board_is_the_same_with_and_without(started: Program) -> None:
    before = started.must("today", on=ON).out
    started.must("measure", "moisture", "31 %", "--on", "all", on=ON)
    assert started.must("today", on=ON).out == before


def test_strips_and_field_meters_never_meet_a_laboratorys_results(started: Program) -> None:
    started.must("apply", "control,M", on="2026-03-02T09:00+01:00")
    codes = started.must("pull", "B1,B2", "--for", "day 7", on=ON).samples
    rows = "".join(
        f"{code},pH,{ph},pH,water 1:1\n" for code, ph in zip(codes, ("6.5", "6.1"), strict=True)
    )
    (started.folder / "r.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    started.must("lab", "import", "r.csv", "--report", "1", on=ON)
    before = started.must("curve", "pH", "M", "--json", on=ON).out
    started.must("measure", "pH strip", "4.5", "--on", "B1,B2", on=ON)
    started.must("measure", "EC", "2 dS/m", "--on", "B1,B2", on=ON)
    assert started.must("curve", "pH", "M", "--json", on=ON).out == before
    said = started("curve", "EC", on=ON)
    assert "there are no results of EC to compare with the control yet" in said.err


def test_undo_takes_all_its_lines_back(started: Program) -> None:
    started.must("measure", "moisture", "31 %", "--on", "B1-B3", on=ON)
    said = started.must("undo", on=ON).out
    assert re.fullmatch(r"\w{8}  took back the reading \w{8} of B1-B3\n", said)
    assert "soil temperature: not read yet" in started.must("week", on=ON).out


def test_a_week_asks_for_soil_temperature_once_it_is_old(started: Program) -> None:
    started.must("measure", "soil temperature", "18 C", "--on", "B1", on="2026-03-03T09:00+01:00")
    assert "soil temperature" not in started.must("week", on="2026-03-09T09:00+01:00").out
    asked = started.must("week", on=ON).out
    assert "  [ ] soil temperature: last read 7 d ago\n" in asked


WRONG = {
    "nothing known": (
        ["measure", "colour", "brown"],
        "Error: 'colour' is not measured here\n"
        "Try: use one of: soil temperature, air temperature, moisture, weight, EC, pH strip, "
        "bulk density\n",
    ),
    "no unit of temperature": (
        ["measure", "soil temperature", "22"],
        "Error: '22' has no unit\nTry: add C or F\n",
    ),
    "cannot be": (
        ["measure", "soil temperature", "275 C"],
        "Error: soil temperature 275 C cannot be: it lies between -30 and 80 C\n"
        "Try: check the unit and the decimal point\n",
    ),
    "no pH": (
        ["measure", "pH strip", "65", "--on", "B1"],
        "Error: pH strip 65 cannot be: it lies between 0 and 14\n"
        "Try: check the unit and the decimal point\n",
    ),
    "wrong unit": (
        ["measure", "EC", "1.2 kg"],
        "Error: 'kg' is not a unit of conductivity\n"
        "Try: use one of: dS/m, mS/cm, mmho/cm, uS/cm, mS/m\n",
    ),
    "no unit": (["measure", "moisture", "31"], "Error: '31'"),
    "no number": (["measure", "pH strip", "sour"], "Error: 'sour'"),
    "no such bed": (
        ["measure", "moisture", "31 %", "--on", "B9"],
        "Error: 'B9' is no bed, block or treatment here",
    ),
    "no depth": (
        ["measure", "moisture", "31 %", "--depth", "-3 cm"],
        "Error: '-3 cm'",
    ),
    "ahead of time": (
        ["measure", "moisture", "31 %", "--when", "2026-03-11"],
        "Error: Wed 11 Mar 2026 is in the future\nTry: an act is written down once it happened\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_message_and_no_trace(name: str, started: Program) -> None:
    before = started.journal()
    words, expected = WRONG[name]

    said = started(*words, on=ON)

    assert (said.code, said.out) == (2, "")
    assert said.err == expected if expected.endswith("\n") else said.err.startswith(expected)
    assert "Traceback" not in said.err
    assert started.journal() == before


def test_a_bulk_density_is_a_beds(started: Program) -> None:
    said = started("measure", "bulk density", "1.1 kg/L", on=ON)
    assert (said.code, said.err) == (
        2, "Error: a bulk density is a bed's\nTry: say whose: --on B1-B3\n"
    )  # fmt: skip
    said = started("measure", "bulk density", "1100 kg/L", "--on", "B1", on=ON)
    assert said.code == 2
    assert "it lies between 0.03 and 2.5 kg/L" in said.err
