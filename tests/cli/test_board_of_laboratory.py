"""What the daily board says of the laboratory: open queries, late results, with what to type."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from typing import Any

import pytest

from tests.cli.parted import begun
from tests.cli.test_quality import LATER, asked, imported, pulled
from tests.program import PROTOCOL, Program

USUAL = PROTOCOL.replace('"Invented Soil Lab"\n', '"Invented Soil Lab"\nusual_days = 5\n', 1)
QUERY = (
    "1 query about a result is open, a re-run can be asked for until Fri 22 May 2026 ({} d): "
    "logbook lab queries"
)


def wrong(program: Program, on: str) -> list[str]:
    """What the board says must be looked at."""
    (board,) = json.loads(program.must("today", "--json", on=on).out)["boards"]
    return list(board["wrong"])


def test_open_queries_are_on_the_board_until_they_are_answered(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    assert wrong(started, LATER) == [QUERY.format(30)]
    said = started.must("today", on="2026-05-20T09:00+02:00").out
    lines = " ".join(said.partition("Look at")[2].split())
    assert lines == QUERY.format(2)
    # After the deadline, and before the query was opened.
    assert wrong(started, "2026-05-23T09:00+02:00") == [
        "1 query about a result is open, too late for a re-run, most likely: logbook lab queries"
    ]
    assert wrong(started, "2026-04-21T09:00+02:00") == []
    started.must("lab", "answer", f"{code}:pH", "strike", "--reason", "point lost", on=LATER)
    assert wrong(started, LATER) == []


def test_several_queries_are_one_line_with_the_nearest_day(started: Program) -> None:
    codes = pulled(started)
    imported(started, "26-1", f"{codes['B1']},pH,65,,water 1:1\n")
    imported(started, "26-2", f"{codes['B2']},pH,.65,,water 1:1\n", on="2026-04-25T09:00+02:00")
    assert wrong(started, "2026-04-25T09:00+02:00") == [
        "2 queries are open, a re-run can be asked for until Fri 22 May 2026 (27 d): "
        "logbook lab queries"
    ]


def test_a_query_that_became_moot_is_not_on_the_board(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    imported(started, "26-1", f"{code},pH,6.5,,water 1:1\n", "--reissued")
    assert [one["state"] for one in asked(started, "--all")] == ["moot"]
    assert wrong(started, LATER) == []


def sent(program: Program) -> tuple[str, dict[str, str]]:
    """Four bags of day 14 sent on the 17th to a laboratory that takes 5 days: shipment, codes."""
    begun(program, USUAL)
    said = program.must("pull", "control,M", "--when", "09:00", on="2026-03-16T09:00+01:00")
    lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
    act = program.must("lab", "send", "all", "--on", "today", on="2026-03-17T10:00+01:00").out
    week = json.loads(program.must("week", "--json", on="2026-03-23T09:00+01:00").out)["weeks"][0]
    (late,) = week["late"]
    assert late["shipment"] in act
    return late["shipment"], {label: code for code, label, *_ in lines}


LATE = "{} of shipment {} {} late, 6 d since it was sent (usually 5 d): logbook lab log --waiting"


def test_late_results_are_on_the_board_until_they_are_here(program: Program) -> None:
    shipment, codes = sent(program)
    assert wrong(program, "2026-03-22T09:00+01:00") == []
    on = "2026-03-23T09:00+01:00"
    assert wrong(program, on) == [LATE.format("12 results", shipment, "are")]
    rows = "".join(
        f"{code},{nutrient},10,mg/kg,1 M KCl\n"
        for code in codes.values()
        for nutrient in ("nitrate-N", "ammonium-N")
    )
    rows += "".join(f"{codes[bed]},pH,6.5,,water 1:1\n" for bed in codes if bed != "B1")
    imported(program, "r", rows, on=on)
    assert wrong(program, on) == [LATE.format("1 result", shipment, "is")]
    program.must("lab", "mark", "lost", codes["B1"], on=on)
    assert wrong(program, on) == []


def test_a_re_run_is_late_from_the_day_it_was_asked_for(program: Program) -> None:
    shipment, codes = sent(program)
    rows = "".join(
        f"{code},{cell}\n"
        for code in codes.values()
        for cell in ("nitrate-N,10,mg/kg,1 M KCl", "ammonium-N,1,mg/kg,1 M KCl",
                     f"pH,{65 if code == codes['B1'] else 6.5},,water 1:1")
    )  # fmt: skip
    imported(program, "r", rows, on="2026-03-20T09:00+01:00")
    words = ("lab", "answer", f"{codes['B1']}:pH", "re-run", "--alone", "--reason", "point?")
    program.must(*words, on="2026-03-20T10:00+01:00")
    # The 20th and 5 days: late on the 26th.
    assert wrong(program, "2026-03-25T09:00+01:00") == []
    on = "2026-03-26T09:00+01:00"
    told = f"1 re-run of shipment {shipment} is late, 6 d since it was asked for (usually 5 d"
    assert wrong(program, on) == [f"{told}): logbook lab log --waiting"]
    assert f"[ ] ask Invented Soil Lab: {told}," in " ".join(
        program.must("week", on=on).out.split()
    )
    again = f"{codes['B1']},pH,6.4,,water 1:1\n"
    imported(program, "again", again, "--repeat", on="2026-03-26T10:00+01:00")
    assert not [one for one in wrong(program, "2026-03-26T11:00+01:00") if " late" in one]


def test_first_results_and_re_runs_that_are_late_are_told_apart(program: Program) -> None:
    shipment, codes = sent(program)
    rows = "".join(f"{codes[bed]},pH,65,,water 1:1\n" for bed in ("B1", "B5"))
    imported(program, "r", rows, on="2026-03-20T09:00+01:00")
    for bed, day in (("B1", 20), ("B5", 21)):
        words = ("lab", "answer", f"{codes[bed]}:pH", "re-run", "--alone", "--reason", "point?")
        program.must(*words, on=f"2026-03-{day}T10:00+01:00")
    on = "2026-03-27T09:00+01:00"
    assert [one for one in wrong(program, on) if " late, " in one] == [
        f"10 results of shipment {shipment} are late, 10 d since it was sent (usually 5 d): "
        "logbook lab log --waiting",
        f"2 re-runs of shipment {shipment} are late, 7 d since the first was asked for "
        "(usually 5 d): logbook lab log --waiting",
    ]
    (week,) = json.loads(program.must("week", "--json", on=on).out)["weeks"]
    assert [(one["results"], one["days"], one["again"]) for one in week["late"]] == [
        (10, 10, False),
        (2, 7, True),
    ]


def test_a_re_run_that_is_answered_by_a_re_issue_is_awaited_until_somebody_says_so(
    program: Program,
) -> None:
    _, codes = sent(program)
    code = codes["B1"]
    rows = "".join(f"{one},pH,{65 if one == code else 6.5},,water 1:1\n" for one in codes.values())
    imported(program, "26-1", rows, on="2026-03-20T09:00+01:00")
    words = ("lab", "answer", f"{code}:pH", "re-run", "--alone", "--reason", "point?")
    program.must(*words, on="2026-03-20T10:00+01:00")
    on = "2026-03-22T09:00+01:00"
    said = program("lab", "mark", "accepted", f"{code}:pH", on=on)
    assert said.code == 2 and "is in question" in said.err
    out = imported(program, "26-1", rows.replace(",65,", ",6.4,"), "--reissued", on=on)
    assert f"  {code}  pH          65 -> 6.4\n" in out
    assert f"still awaited is the re-run of {code}:pH" in out
    waits = ("lab", "log", "--waiting", "--bed", "B1", "--pull", "day 14")
    assert "pH re-run asked" in " ".join(program.must(*waits, on=on).out.split())
    # In the minute of the request, or on its day without an hour, it is said after it.
    for when in ("2026-03-20T10:00+01:00", "2026-03-20"):
        program.must("lab", "mark", "accepted", f"{code}:pH", "--when", when, on=on)
        assert "re-run asked" not in program.must(*waits, on=on).out
        program.must("undo", on=on)
        assert "pH re-run asked" in " ".join(program.must(*waits, on=on).out.split())


@pytest.mark.parametrize("module", ["study.queries", "study.samplelog", "trial.custody"])
def test_a_quiet_board_loads_nothing_for_it(started: Program, module: str) -> None:
    """Today is typed most: what has nothing to say must not be felt."""
    pulled(started)
    code = (
        "import sys; from logbook.cli.run import run; "
        f"assert run(['today']) == 0; sys.exit('logbook.{module}' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True)
    assert done.returncode == 0, done.stderr


def today(program: Program, on: str) -> dict[str, Any]:
    """The board as a document."""
    (board,) = json.loads(program.must("today", "--json", on=on).out)["boards"]
    return dict(board)


def rows(program: Program, heading: str, on: str) -> list[str]:
    """The lines of the printed board under one heading."""
    said = program.must("today", on=on).out.splitlines()
    return [line[11:] for line in said if line.startswith(heading)]


def test_bags_that_were_not_sent_are_to_send_and_not_awaited(program: Program) -> None:
    begun(program, PROTOCOL)
    codes = program.must("pull", "control,M", on="2026-03-16T09:00+01:00").samples
    on = "2026-03-18T09:00+01:00"
    assert rows(program, "To send", on) == ["4 bags of Mon 16 Mar 2026, 2 d"]
    assert rows(program, "Awaited", on) == []
    program.must("lab", "send", ",".join(codes[:3]), "--on", "tue 10:00", on=on)
    assert rows(program, "To send", on) == ["1 bag of Mon 16 Mar 2026, 2 d"]
    assert rows(program, "Awaited", on) == ["results of 3 bags of Mon 16 Mar 2026, 2 d"]
    found = today(program, on)
    assert set(found["awaited"][0]["codes"]) == set(codes)
    assert found["to_send"] == [{"pulled": "2026-03-16", "codes": codes[3:], "days": 2}]
    # As of the evening before they were sent.
    assert set(today(program, "2026-03-16T20:00+01:00")["to_send"][0]["codes"]) == set(codes)
    program.must("lab", "mark", "lost", codes[0], codes[3], on=on)
    assert rows(program, "To send", on) == []
    assert rows(program, "Awaited", on) == ["results of 2 bags of Mon 16 Mar 2026, 2 d"]


def test_where_results_come_without_shipments_bags_are_awaited(started: Program) -> None:
    """Somebody who writes no shipments down is not told for ever to send what is gone."""
    codes = pulled(started)
    on = "2026-03-20T09:00+01:00"
    assert rows(started, "To send", on) == ["4 bags of Mon 9 Mar 2026, 11 d"]
    imported(started, "26-1", f"{codes['B1']},pH,6.5,,water 1:1\n", on=on)
    assert rows(started, "To send", on) == []
    assert rows(started, "Awaited", on) == ["results of 3 bags of Mon 9 Mar 2026, 11 d"]


@pytest.mark.parametrize("shipped", [True, False])
def test_a_re_run_with_its_companion_is_awaited_everywhere(
    started: Program, *, shipped: bool
) -> None:
    codes = pulled(started)
    if shipped:
        started.must("lab", "send", "all", on="2026-03-10T09:00+01:00")
    cells = "".join(
        f"{code},pH,{65 if bed == 'B1' else 6.5},,water 1:1\n" for bed, code in codes.items()
    )
    imported(started, "26-1", cells, on="2026-03-20T09:00+01:00")
    words = ("lab", "answer", f"{codes['B1']}:pH", "re-run", "--reason", "point?")
    said = started.must(*words, on="2026-03-20T10:00+01:00").out
    (drawn,) = re.findall(r"Note: (\w{8}) pH: not in question", said)
    on = "2026-03-25T09:00+01:00"
    told = "re-run of 2 results, asked for Fri 20 Mar 2026, 5 d"
    assert told in rows(started, "Awaited", on)
    assert f"  {told} ago\n" in started.must("week", on=on).out
    asked_for = sorted(f"{code}:pH" for code in (codes["B1"], drawn))
    assert today(started, on)["reruns"] == [
        {"asked": "2026-03-20", "results": asked_for, "days": 5}
    ]
    listed = json.loads(started.must("lab", "log", "--waiting", "--json", on=on).out)["samples"]
    days = {
        one["sample"]: of["days"]
        for one in listed
        for of in one["analyses"]
        if of["state"] == "re-run asked"
    }
    assert days == {codes["B1"]: 5, drawn: 5}
    again = f"{codes['B1']},pH,6.4,,water 1:1\n{drawn},pH,6.5,,water 1:1\n"
    imported(started, "again", again, "--repeat", on=on)
    assert today(started, on)["reruns"] == []
    assert "re-run" not in started.must("lab", "log", "--waiting", on=on).out
    # Before anybody asked.
    assert today(started, "2026-03-19T09:00+01:00")["reruns"] == []
