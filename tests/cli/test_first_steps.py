"""Where nothing is yet: what is said, and that nothing but a first trial makes a store."""

from __future__ import annotations

import pytest

from tests.program import PROTOCOL, Program

ON = "2026-03-01T09:00+01:00"
ACTS = [
    "undo",
    "strike K7M3QX4R --reason x",
    "correct K7M3QX4R --when yesterday --reason x",
    "settle K7M3QX4R --keep 1 --reason x",
    "settle RT4MAXCL RT4MAXCL --same --reason x",
    "fill all",
    "water all",
    "note x",
    "pull all",
    "skip B1 --for day-7 --reason x",
    "measure EC 1dS/m",
    "machines retire x --reason y",
]


@pytest.mark.parametrize("words", ACTS)
def test_an_act_makes_no_store(program: Program, words: str) -> None:
    said = program(*words.split(), on=ON)
    assert (said.code, said.out) == (2, "")
    assert "there is no logbook here yet" in said.err
    assert not program.store.exists()
    assert not (program.folder / "state").exists()


@pytest.mark.parametrize("command", ["today", "week"])
def test_a_screen_says_that_there_is_none_before_it_lists_commands(
    program: Program, command: str
) -> None:
    first, *steps = program.must(command, on=ON).out.splitlines()
    assert first == f"There is no logbook at {program.store} yet. A first step:"
    assert steps[-1].split() == ["logbook", "trial", "start", "trial.toml", "begin"]


def test_the_first_thing_to_do_is_to_fill_the_beds(program: Program) -> None:
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on=ON)
    assert program.must("today", on=ON).out.splitlines()[1:] == ["Fill       B1-B6: not filled yet"]
    program.must("fill", "B1-B5", on=ON)
    lines = program.must("today", on=ON).out.splitlines()
    assert "Fill       B6: not filled yet" in lines
    program.must("apply", "B6", on=ON)
    assert "Fill" not in program.must("today", on=ON).out
