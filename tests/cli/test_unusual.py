"""What can be, but seldom is, is written with a remark; bounds are common practice, no source.

The small trial's beds hold 100 L of a soil whose bulk density is 1.2 kg/L.
"""

from __future__ import annotations

import pytest

from tests.program import Program

HEAVY = "Note: 300 kg in 100 L (B1) is 3 kg/L, and the soil's bulk density is 1.2 kg/L: "
DENSITY = "Note: the soil's bulk density by the protocol is 1.2 kg/L: this is more than 25 % off"


@pytest.mark.parametrize(
    ("words", "remark"),
    [
        ("measure|bulk density|1.9 kg/L|--on|B1", DENSITY),
        ("measure|bulk density|1.4 kg/L|--on|B1", ""),
        ("measure|soil temperature|80 C|--on|B1", "Note: soil temperature 80 C is unusual"),
        ("measure|soil temperature|80 F|--on|B1", ""),
        ("measure|air temperature|-29 C", "Note: air temperature -29 C is unusual"),
        ("measure|EC|12 dS/m|--on|B1", ""),
        ("amendment|set|compost|--density|0.6 g/L",
         "Note: 0.0006 kg/L is lighter than loose materials are: check the unit."),
        ("amendment|set|compost|--density|4 kg/L", "Note: 4 kg/L is heavier than"),
        ("amendment|set|compost|--density|0.6 kg/L", ""),
        ("amendment|set|soil|--density|1.7 kg/L|--reason|cores", DENSITY),
    ],
)  # fmt: skip
def test_it_is_written_and_remarked_on(started: Program, words: str, remark: str) -> None:
    said = started.must(*words.split("|"))
    assert said.err.startswith(remark), said.err
    assert bool(said.err) == bool(remark)


def test_soil_that_does_not_fit_the_bed(program: Program, started: Program) -> None:
    started.must("strike", _filling(started), "--reason", "not filled yet")
    assert started.must("fill", "B1", "--mass", "300 kg").err.startswith(HEAVY)
    # Loose and moist soil is lighter or heavier than the dry one that has settled.
    assert started.must("fill", "B2", "--mass", "80 kg").err == ""
    act = started.must("fill", "B3,B4", "--mass", "160 kg", "--moisture", "15 %").act
    assert started.must("history", "B3").err == ""
    said = started.must("correct", act, "--mass", "16 kg", "--reason", "slip")
    assert said.err == (
        "Note: 16 kg in 100 L (B3, B4) is 0.16 kg/L, and the soil's bulk density is "
        "1.2 kg/L: check it.\n"
    )


def test_a_corrected_reading_is_looked_at_too(started: Program) -> None:
    act = started.must("measure", "soil temperature", "20 C", "--on", "B1,B2").act
    said = started.must("correct", act, "--value", "79 C", "--reason", "slip")
    assert said.err.count("Note: soil temperature 79 C is unusual") == 1


def _filling(program: Program) -> str:
    """The act that filled the beds."""
    lines = program.must("history", "B1").out.splitlines()
    return next(line.split()[-1].partition(":")[0] for line in lines if ":B1" in line)
