"""What a laboratory rejected: in no curve, asked about, and counted again only by a person."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

import pytest

from tests.cli.test_quality import LATER, asked, imported, nitrate
from tests.program import Program
from tests.study.small_season import VALUES, season

PROFILE = """\
format = 1
lab = "Invented Soil Lab"
[layout]
header = [1]
[columns]
sample = "ID"
[usual]
basis = "dry"
[[column]]
title = "N"
nutrient = "NO3-N"
unit = "mg/kg"
method = "1 M KCl"
optional = true
[[column]]
title = "P"
nutrient = "P"
unit = "mg/kg"
method = "Olsen"
optional = true
[qualifiers]
R = "rejected"
"""
REASON = "the laboratory meant the spiked twin"


@pytest.fixture(autouse=True)
def _profiles(started: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGBOOK_PROFILES", str(started.folder / "profiles"))


def flagged(program: Program, mark: str = "R") -> str:
    """The small season, its B2 of day 7 rejected by the laboratory; the sample's code."""
    values = {day: {k: v for k, v in beds.items() if (day, k) != (7, "B2")}
              for day, beds in VALUES.items()}  # fmt: skip
    season(program, values=values, parts=(("nitrate-N", 1.0),))
    said = program.must("pull", "B2", "--when", "2026-03-09 09:30", on="2026-03-31T09:00+02:00")
    (code,) = said.samples
    by_profile(program, "f", f"ID,N\n{code},30 {mark}\n")
    return code


def by_profile(program: Program, name: str, text: str) -> None:
    """Import a report in which R means rejected."""
    folder = program.folder / "profiles"
    folder.mkdir(exist_ok=True)
    (folder / "mine.toml").write_text(PROFILE, encoding="utf-8")
    (program.folder / f"{name}.csv").write_text(text, encoding="utf-8")
    words = ("lab", "import", f"{name}.csv", "--report", name, "--profile", "mine")
    program.must(*words, on=LATER)


def treated_beds(program: Program, day: int = 7) -> list[int]:
    """How many treated beds each pull of the curve has on a day."""
    return [one["treated_beds"] for one in nitrate(program)["pulls"] if one["day"] == day]


def result(program: Program, code: str) -> dict[str, Any]:
    """The only result of a sample, for programs."""
    words = ("lab", "results", "--sample", code, "--json")
    (found,) = json.loads(program.must(*words, on=LATER).out)["results"]
    return dict(found)


def test_a_rejected_number_opens_a_query_and_stays_out(started: Program) -> None:
    code = flagged(started)
    (query,) = asked(started)
    assert (query["sample"], query["kind"], query["state"]) == (code, "flag", "open")
    assert query["what"] == (
        "rejected by the laboratory, and gave 30 mg/kg: does it count all the same?"
    )
    assert query["deadline"] == "2026-05-22"
    assert treated_beds(started) == [1]
    note = "left out, as the laboratory flagged it: " + f"{code} of B2 (rejected by the laboratory)"
    assert note in nitrate(started)["notes"]
    said = " ".join(started.must("lab", "queries", on=LATER).out.split())
    assert "flagged by the laboratory (report f): rejected by the laboratory, and gave 30" in said


def test_a_person_counts_it_all_the_same_and_the_flag_stays(started: Program) -> None:
    code = flagged(started)
    words = ("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", REASON)
    started.must(*words, on=LATER)
    assert treated_beds(started) == [2]
    notes = nitrate(started)["notes"]
    # No name: sentences on curves go into exports, which leave people out.
    assert f"{code} of B2: counted although the laboratory rejected it: {REASON}" in notes
    assert not [one for one in notes if "left out" in one]
    found = result(started, code)
    assert found["flags"] == ["rejected"]
    assert found["counted_although_flagged"] == {
        "by": "mira", "when": "2026-04-22T09:00+02:00", "reason": REASON,
    }  # fmt: skip
    said = " ".join(started.must("lab", "results", "--sample", code, on=LATER).out.split())
    assert said.endswith(
        "rejected by the laboratory; counted all the same, by mira on Wed 22 Apr 2026 09:00: "
        + REASON
    )
    assert asked(started) == []
    started.must("undo", on=LATER)
    assert treated_beds(started) == [1]
    assert result(started, code)["counted_although_flagged"] is None
    assert [one["state"] for one in asked(started)] == ["open"]


def test_the_sum_of_mineral_n_says_it_too(started: Program) -> None:
    code = flagged(started)
    imported(started, "a", f"{code},ammonium-N,2,mg/kg,1 M KCl\n")
    started.must("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", REASON, on=LATER)
    said = json.loads(started.must("curve", "mineral-N", "M", "--json", on=LATER).out)
    told = [note for one in said["curves"] for note in one["notes"]]
    assert f"{code} of B2: counted although the laboratory rejected it: {REASON}" in told


@pytest.mark.parametrize("mark", ["CAN", "QNS"])
def test_other_grave_words_are_named(started: Program, mark: str) -> None:
    code = flagged(started, mark)
    words = ("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", REASON)
    started.must(*words, on=LATER)
    meaning = {"CAN": "cancelled", "QNS": "too little sample"}[mark]
    told = f"{code} of B2: counted although the laboratory says: {meaning}: {REASON}"
    assert told in nitrate(started)["notes"]


def test_a_number_corrected_since_is_rejected_again(started: Program) -> None:
    """What was accepted is the number that somebody looked at."""
    code = flagged(started)
    named = f"{code}:nitrate-N"
    started.must("lab", "answer", named, "accept", "--reason", REASON, on=LATER)
    started.must("correct", named, "--value", "33", "--reason", "misread", on=LATER)
    assert treated_beds(started) == [1]
    said = started.must("lab", "answer", named, "accept", "--reason", "and still so", on=LATER)
    assert "1 query answered, accepted: and still so" in said.out
    assert treated_beds(started) == [2]


def test_a_re_run_speaks_for_itself(started: Program) -> None:
    code = flagged(started)
    imported(started, "again", f"{code},nitrate-N,31,mg/kg,1 M KCl\n", "--repeat")
    assert [one["state"] for one in asked(started, "--all")] == ["moot"]
    assert treated_beds(started) == [2]


def test_a_re_issue_without_the_flag_settles_it(started: Program) -> None:
    code = flagged(started)
    imported(started, "f", f"{code},nitrate-N,30,mg/kg,1 M KCl\n", "--reissued")
    assert [one["state"] for one in asked(started, "--all")] == ["moot"]
    assert treated_beds(started) == [2]


def test_what_came_in_before_such_queries_can_be_answered(started: Program) -> None:
    """A book of an earlier version has rejected results of which nothing was asked."""
    code = flagged(started)
    with sqlite3.connect(started.store) as store:
        # The tables are a cache: as if the entry of the query had never been written.
        store.execute("DROP TRIGGER IF EXISTS entry_delete")
        store.execute("DELETE FROM query")
        store.execute("DELETE FROM write WHERE key LIKE 'query/%'")
    store.close()
    assert asked(started, "--all") == []
    words = ("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", REASON)
    assert "1 query answered, accepted" in started.must(*words, on=LATER).out
    assert treated_beds(started) == [2]
    assert [one["state"] for one in asked(started, "--all")] == ["accepted"]


def test_a_rejected_number_says_nothing_of_the_laboratory(started: Program) -> None:
    """Not of its repeatability either, until somebody counts it."""
    code = flagged(started)
    by_profile(started, "p", f"ID,P\n{code},10\n{code},40 R\n")
    assert [one["kind"] for one in asked(started)] == ["flag", "flag"]
    found = json.loads(started.must("lab", "precision", "--json", on=LATER).out)
    assert (found["precision"], found["pairs"]) == ([], [])
    started.must("lab", "answer", f"{code}:P", "accept", "--reason", REASON, on=LATER)
    found = json.loads(started.must("lab", "precision", "--json", on=LATER).out)
    assert [one["values"] for one in found["pairs"]] == [[10.0, 40.0]]


def test_the_history_says_who_counts_it(started: Program) -> None:
    code = flagged(started)
    words = ("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", REASON)
    started.must(*words, on=LATER)
    said = " ".join(started.must("history", code, on=LATER).out.split())
    assert "mira: " in said.rpartition(REASON)[0].rpartition("stands")[2], said


def test_a_run_that_its_laboratory_rejected_differs_from_nothing(started: Program) -> None:
    code = flagged(started)
    imported(started, "again", f"{code},nitrate-N,12.4,mg/kg,1 M KCl\n", "--repeat")
    assert [one["kind"] for one in asked(started, "--all")] == ["flag"]
