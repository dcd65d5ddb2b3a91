"""The sample log on a screen: bags of one pull that stand alike are in one row."""

from __future__ import annotations

import json

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


def test_each_pull_of_a_day_has_one_heading(started: Program) -> None:
    started.must("apply", "control,M", on="2026-03-02T10:00+01:00")
    started.must("apply", "C10", on="2026-03-09T10:00+01:00")
    started.must("pull", "all", on=PULLED)
    headings = [line for line in log(started) if ", pulled " in line]
    assert len(headings) > 1
    assert len(set(headings)) == len(headings)


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
