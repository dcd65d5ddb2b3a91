"""Holes that people who tried the program fell into, each closed."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from tests.program import PROTOCOL, Program

DAY = "2026-03-03T09:00+01:00"


def test_a_changed_calendar_is_undone_and_never_struck_away(started: Program) -> None:
    act = started.must("calendar", "drop", "day 28", "--reason", "too much", on=DAY).act

    said = started("strike", act, "--reason", "not dropped", on=DAY)

    assert said.code == 2
    assert "changed what stood before: struck, neither would count" in said.err
    started.must("undo", on=DAY)
    pulls = json.loads(started.must("calendar", "show", "--json", on=DAY).out)["pulls"]
    assert [one["name"] for one in pulls][-1] == "day 28"
    assert pulls[-1]["until"] is None


def test_a_corrected_moisture_is_not_struck_into_nothing(started: Program) -> None:
    change = ("amendment", "set", "meal", "--moisture", "9 % wet basis", "--reason", "weighed")
    act = started.must(*change, on=DAY).act
    assert started("strike", act, "--reason", "slip", on=DAY).code == 2
    assert "9 % wet basis" in started.must("amendment", "show", on=DAY).out


def test_every_bed_of_a_composite_holds_it(started: Program) -> None:
    beds = ("bed", "add", "L1", "--treatment", "none", "--block", "late", "--soil", "new")
    started.must(*beds, on=DAY)
    act = started.must("bed", "add", "L2", *beds[3:], on=DAY).act
    started.must("fill", "L1,L2", on=DAY)
    fill = started.must("history", "L2", on=DAY).out
    assert "filled" in fill
    started.must("pull", "L1,L2", "--composite", "--for", "before", on=DAY)

    said = started("strike", act, "--reason", "x", on=DAY)

    assert said.code == 2
    assert "L2" in said.err


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (
            ("bed", "add", "M", "--treatment", "none", "--block", "late", "--soil", "new"),
            "Error: 'M' is the name of something else here\n",
        ),
        (
            ("bed", "add", "L9", "--treatment", "M", "--block", "late", "--from", "B1",
             "--when", "2026-02-20"),
            "Error: B1 was filled on Sun 1 Mar 2026, after that day\n",
        ),
        (
            ("water", "B1", "--amount", "999999999999999999999999 yd3"),
            "Error: '999999999999999999999999 yd3' is no amount of a trial\n",
        ),
        (
            ("skip", "all", "--for", "day 99", "--reason", "x"),
            "Error: the calendar has no pull 'day 99'\n",
        ),
    ],
)  # fmt: skip
def test_refused_in_a_sentence(started: Program, words: tuple[str, ...], expected: str) -> None:
    before = started.journal()
    said = started(*words, on=DAY)
    assert said.code == 2
    assert expected in said.err
    assert started.journal() == before


def test_the_soil_of_a_bed_goes_on_once(started: Program) -> None:
    first = ("--treatment", "M", "--block", "late", "--from", "B1")
    act = started.must("bed", "add", "L1", *first, on=DAY).act
    # Even if somebody strikes that B1 left.
    started.must("strike", f"{act}:B1", "--reason", "still in", on=DAY)

    said = started("bed", "add", "L2", *first, on=DAY)

    assert said.code == 2
    assert "the soil of B1 goes on as L1 already" in said.err


def test_a_treatment_without_a_bed_keeps_its_name(started: Program) -> None:
    started.must("treatment", "add", "R5", "--amendment", "meal", "--rate", "5 t/ha", on=DAY)
    beds = ("--treatment", "none", "--block", "late", "--soil", "new")
    assert started("bed", "add", "R5", *beds, on=DAY).code == 2


def test_two_trials_have_two_names(started: Program) -> None:
    other = started.folder / "other.toml"
    other.write_text(PROTOCOL.replace("seed = 7", "seed = 8"), encoding="utf-8")

    said = started("trial", "start", "other.toml", on=DAY)

    assert said.code == 2
    assert "a trial called 'Small house (invented)' is here already" in said.err


def test_a_part_without_its_result_is_awaited(started: Program) -> None:
    words = ("--part", "chilled: nitrate-N", "--part", "dried: pH", "--for", "before")
    started.must("pull", "B1", *words, on=DAY)
    board = json.loads(started.must("today", "--json", on=DAY).out)["boards"][0]
    chilled, dried = board["awaited"][0]["codes"]
    started.must("lab", "add", chilled, "nitrate-N", "9 mg/kg", "--method", "1 M KCl", on=DAY)
    left = json.loads(started.must("today", "--json", on=DAY).out)["boards"][0]["awaited"]
    if left[0]["codes"] == [chilled, dried]:  # the first code was the dried part's
        pytest.fail("a result was not seen")
    assert len(left[0]["codes"]) == 1


def test_a_closed_output_is_no_traceback(started: Program) -> None:
    done = subprocess.run(
        ["/bin/sh", "-c", f"'{sys.executable}' -m logbook today >&-"],
        env=dict(os.environ),
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr
