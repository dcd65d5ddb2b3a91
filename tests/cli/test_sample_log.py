"""The sample log on a screen: bags of one pull that stand alike are in one row."""

from __future__ import annotations

import json
import sqlite3

import pytest

from logbook.journal.entry import Entry
from logbook.store import reported, views
from tests.program import Program

PULLED = "2026-03-16T09:00+01:00"
SENT = "2026-03-17T10:00+01:00"
LATER = "2026-03-26T09:00+01:00"
TOGETHER = "Bags that stand alike are in one row; --each lists each with its code."


def begun(program: Program) -> dict[str, str]:
    """Apply, pull the six beds on day 14 and send them: codes by bed."""
    program.must("apply", "control,M", on="2026-03-02T10:00+01:00")
    program.must("apply", "C10", on="2026-03-02T11:00+01:00")
    said = program.must("pull", "all", on=PULLED)
    lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
    program.must("lab", "send", "all", "--on", "today", on=SENT)
    return {label: code for code, label, *_ in lines}


def log(program: Program, *options: str, on: str = LATER) -> list[str]:
    return program.must("lab", "log", *options, on=on).out.splitlines()


def test_bags_that_stand_alike_are_one_row(started: Program) -> None:
    begun(started)
    assert log(started)[:4] == [
        "day 14, pulled Mon 16 Mar 2026",
        "  B1-B6: 6 bags, 18 analyses: awaited for 9 d (sent Tue 17 Mar 2026 by mira)",
        TOGETHER,
        "Awaited: 18 results.",
    ]


def test_what_went_or_was_pulled_today_says_so(started: Program) -> None:
    begun(started)
    assert "awaited since today (sent Tue 17 Mar 2026 by mira)" in " ".join(log(started, on=SENT))
    for command in ("today", "week"):
        said = started.must(command, "--on", "yesterday", on=SENT).out
        assert "6 bags of Mon 16 Mar 2026, today\n" in said
        assert " 0 d" not in said
    assert "results of 6 bags of Mon 16 Mar 2026, 1 d\n" in started.must("today", on=SENT).out


def test_each_pull_of_a_day_has_one_heading(started: Program) -> None:
    started.must("apply", "control,M", on="2026-03-02T10:00+01:00")
    started.must("apply", "C10", on="2026-03-09T10:00+01:00")
    started.must("pull", "all", on=PULLED)
    headings = [line for line in log(started) if ", pulled " in line]
    assert len(headings) > 1
    assert len(set(headings)) == len(headings)


HEADER = "sample,nutrient,value,unit,method\n"


def reissued(program: Program) -> tuple[str, str]:
    """A report of the 20th, re-issued on the 25th with another pH of B1: the codes of B1, B2."""
    codes = begun(program)
    rows = "".join(f"{codes[bed]},pH,6.5,,water 1:1\n" for bed in ("B1", "B2"))
    changed = rows.replace("6.5", "6.4", 1)
    for name, text, options in (("first", rows, ()), ("second", changed, ("--reissued",))):
        (program.folder / f"{name}.csv").write_text(HEADER + text)
        on = "2026-03-20T09:00+01:00" if name == "first" else "2026-03-25T09:00+01:00"
        program.must("lab", "import", f"{name}.csv", "--report", "r", *options, on=on)
    return codes["B1"], codes["B2"]


def when_reported(program: Program, code: str) -> list[str]:
    """The days on which the pH of a bag was reported, as its log says."""
    found = json.loads(program.must("lab", "log", "--sample", code, "--json", on=LATER).out)
    return [
        event["when"][:10]
        for line in found["samples"]
        for event in line["events"]
        if event["state"] == "reported"
    ]


def test_a_re_issue_dates_only_what_it_changed(started: Program) -> None:
    changed, same = reissued(started)
    assert when_reported(started, changed) == ["2026-03-25"]
    assert when_reported(started, same) == ["2026-03-20"]
    text = " ".join(" ".join(log(started)).split())
    awaited = "nitrate-N, ammonium-N awaited for 9 d (sent Tue 17 Mar 2026 by mira)"
    assert f"{changed} B1: {awaited}; pH reported Wed 25 Mar 2026 by mira" in text
    assert f"{same} B2: {awaited}; pH reported Fri 20 Mar 2026 by mira" in text


def test_of_reports_that_came_again_only_those_of_the_bags_are_read(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The board asks this of few bags, in a book of many re-issues."""
    code, other = reissued(started)
    for value in ("6.5", "6.6"):
        (started.folder / "q.csv").write_text(f"{HEADER}{other},P,{value},mg/kg,Olsen\n")
        started.must("lab", "import", "q.csv", "--report", "q", "--reissued", on=LATER)
    read: list[str] = []
    written = views.writes_of_key

    def reading(store: sqlite3.Connection, key: str) -> list[tuple[str, Entry, int, bool]]:
        read.append(key)
        return written(store, key)

    monkeypatch.setattr(views, "writes_of_key", reading)
    with views.reading(started.store) as store:
        rows = store.execute("SELECT id FROM result WHERE sample = ?", (code,)).fetchall()
        (when,) = reported.came_in(store, [name for (name,) in rows]).values()
    assert when.day.isoformat() == "2026-03-25"
    assert read == ["report/Invented Soil Lab/r"]


def test_what_a_person_corrects_keeps_the_day_on_which_it_was_reported(started: Program) -> None:
    changed, same = reissued(started)
    for code, value in ((changed, "6.3"), (same, "6.6")):
        started.must("correct", f"{code}:pH", "--value", value, "--reason", "slip", on=LATER)
    assert when_reported(started, changed) == ["2026-03-25"]
    assert when_reported(started, same) == ["2026-03-20"]
    for _ in range(3):
        started.must("undo", on=LATER)
    assert when_reported(started, changed) == ["2026-03-20"]


def test_a_part_of_a_report_that_came_later_leaves_the_day_of_the_first(started: Program) -> None:
    codes = begun(started)
    for bed, day in (("B1", 20), ("B2", 24)):
        name = f"{bed}.csv"
        (started.folder / name).write_text(f"{HEADER}{codes[bed]},pH,6.5,,water 1:1\n")
        on = f"2026-03-{day}T09:00+01:00"
        started.must("lab", "import", name, "--report", "r", on=on)
    assert when_reported(started, codes["B1"]) == ["2026-03-20"]
    assert when_reported(started, codes["B2"]) == ["2026-03-24"]


def test_a_re_run_that_is_awaited_does_not_come_with_a_re_issue_of_an_earlier_one(
    started: Program,
) -> None:
    codes = begun(started)
    row = f"{codes['B1']},pH,%s,,water 1:1\n"
    other = f"{codes['B2']},pH,%s,,water 1:1\n"
    days = iter(("18", "20", "25"))

    def imported(name: str, rows: str, *options: str) -> None:
        (started.folder / f"{name}.csv").write_text(HEADER + rows)
        number = ("--report", name[:2], *options)
        on = f"2026-03-{next(days)}T09:00+01:00"
        started.must("lab", "import", f"{name}.csv", *number, on=on)

    imported("r1", row % 6.5 + other % 6.5)
    imported("r2", row % 66 + other % 6.6, "--repeat")
    words = ("lab", "answer", f"{codes['B1']}:pH", "re-run", "--alone", "--reason", "point?")
    started.must(*words, on="2026-03-22T09:00+01:00")
    awaited = "Awaited    re-run of 1 result, asked for Sun 22 Mar 2026"
    assert awaited in started.must("today", on="2026-03-23T09:00+01:00").out
    # The laboratory changes the other bag's second run: that is no third run of this one.
    imported("r2 again", row % 66 + other % 6.7, "--reissued")
    assert awaited in started.must("today", on=LATER).out
    assert "re-run asked" in " ".join(log(started, "--waiting", "--bed", "B1"))


def test_what_differs_has_a_row_of_its_own(started: Program) -> None:
    codes = begun(started)
    rows = "".join(f"{codes[bed]},nitrate-N,10,mg/kg,1 M KCl\n" for bed in ("B2", "B3", "B5"))
    rows += f"{codes['B5']},ammonium-N,2,mg/kg,1 M KCl\n"
    (started.folder / "r.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    started.must("lab", "import", "r.csv", "--report", "r", on="2026-03-25T09:00+01:00")
    text = " ".join(" ".join(log(started)).split())
    awaited = "awaited for 9 d (sent Tue 17 Mar 2026 by mira)"
    reported = "reported Wed 25 Mar 2026 by mira"
    assert text.startswith(
        "day 14, pulled Mon 16 Mar 2026 "
        f"B1, B4, B6: 3 bags, 9 analyses: {awaited} "
        f"B2, B3: 2 bags, 6 analyses: nitrate-N {reported}; ammonium-N, pH {awaited} "
        f"{codes['B5']} B5: nitrate-N, ammonium-N {reported}; pH {awaited} "
        f"{TOGETHER} Awaited: 14 results."
    )


def test_each_bag_is_listed_where_that_is_asked_and_in_json(started: Program) -> None:
    codes = begun(started)
    listed = log(started, "--each")
    assert [line.split()[:2] for line in listed[1:7]] == [
        [code, f"{bed}:"] for bed, code in codes.items()
    ]
    assert TOGETHER not in listed
    samples = json.loads(started.must("lab", "log", "--json", on=LATER).out)["samples"]
    assert [one["sample"] for one in samples] == list(codes.values())
    assert [len(one["analyses"]) for one in samples] == [3] * 6


def test_a_bag_alone_keeps_its_code(started: Program) -> None:
    codes = begun(started)
    listed = log(started, "--bed", "B4")
    assert listed[1].startswith(f"  {codes['B4']}  B4: awaited for 9 d")
    assert TOGETHER not in listed


def imported(program: Program, name: str, rows: str, *options: str, on: str) -> None:
    """Import rows of a report."""
    (program.folder / f"{name}.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    program.must("lab", "import", f"{name}.csv", "--report", name, *options, on=on)


def state(program: Program, code: str, nutrient: str, on: str = LATER) -> str:
    """Where an analysis on a bag stands."""
    (one,) = json.loads(log_document(program, code, on))["samples"]
    return next(of["state"] for of in one["analyses"] if of["nutrient"] == nutrient)


def log_document(program: Program, code: str, on: str) -> str:
    return program.must("lab", "log", "--sample", code, "--json", on=on).out


def test_a_re_run_is_one_step(started: Program) -> None:
    code = begun(started)["B1"]
    on = "2026-03-24T09:00+01:00"
    imported(started, "r", f"{code},pH,65,,water 1:1\n", on=on)
    started.must("lab", "answer", f"{code}:pH", "re-run", "--reason", "point?", on=on)
    steps = [line for line in log(started, "--sample", code) if "  re-run asked pH" in line]
    assert [line.split("asked ")[1] for line in steps] == ["pH, mira: point?"]


def test_an_analysis_of_which_one_run_was_struck_is_reported(started: Program) -> None:
    code = begun(started)["B1"]
    imported(started, "r", f"{code},pH,6.1,,water 1:1\n", on="2026-03-23T09:00+01:00")
    again = f"{code},pH,7.4,,water 1:1\n"
    imported(started, "again", again, "--repeat", on="2026-03-24T09:00+01:00")
    assert state(started, code, "pH") == "queried"
    words = ("strike", "--run", "1", "--reason", "wrong tray, the lab says")
    started.must("lab", "answer", f"{code}:pH", *words, on="2026-03-25T09:00+01:00")
    assert state(started, code, "pH") == "reported"
    started.must("strike", f"{code}:pH", "--reason", "wrong soil", on=LATER)
    assert state(started, code, "pH") == "struck"


def test_a_question_that_became_moot_is_asked_no_more(started: Program) -> None:
    code = begun(started)["B1"]
    on = "2026-03-24T09:00+01:00"
    imported(started, "r", f"{code},pH,65,,water 1:1\n", on=on)
    assert state(started, code, "pH") == "queried"
    imported(started, "r", f"{code},pH,6.5,,water 1:1\n", "--reissued", on=on)
    assert state(started, code, "pH") == "reported"
