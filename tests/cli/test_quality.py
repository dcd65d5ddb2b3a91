"""From a report to a trusted number: doubts, answers, runs, duplicates, reference materials."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from statistics import stdev
from typing import Any

import pytest

from logbook.study import queries
from tests.program import PROTOCOL, Program
from tests.study.small_season import DAY0, RESULTS, VALUES, opened, season

LATER = "2026-04-22T09:00+02:00"
BEDS = ("B1", "B2", "B3", "B4", "B5", "B6")
HEADER = "sample,nutrient,value,unit,method\n"


def asked(program: Program, *options: str, on: str = LATER) -> list[dict[str, Any]]:
    """The queries for programs."""
    said = program.must("lab", "queries", "--json", *options, on=on)
    return list(json.loads(said.out)["queries"])


def imported(program: Program, name: str, rows: str, *options: str, on: str = LATER) -> str:
    """Import rows of a report; what it said."""
    (program.folder / f"{name}.csv").write_text(HEADER + rows, encoding="utf-8")
    return program.must("lab", "import", f"{name}.csv", "--report", name, *options, on=on).out


def pulled(program: Program) -> dict[str, str]:
    """Apply and pull on day 7: codes by bed."""
    for beds in ("control", "M"):
        amount = [] if beds == "control" else ["--amount", "100 g"]
        program.must("apply", beds, *amount, on=DAY0)
    said = program.must("pull", "B1,B2,B5,B6", on="2026-03-09T09:30+01:00")
    lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
    return {label: code for code, label, *_ in lines}


def values(program: Program) -> dict[tuple[str, str], str]:
    """What stands as the laboratory wrote it, by sample and nutrient."""
    found = json.loads(program.must("lab", "results", "--json", on=LATER).out)["results"]
    return {(one["sample"], one["nutrient"]): one["reported"] for one in found}


def nitrate(program: Program) -> dict[str, Any]:
    """The nitrate curve of the meal, unfitted values and notes."""
    said = program.must("curve", "nitrate-N", "M", "--json", on=LATER)
    (one,) = json.loads(said.out)["curves"]
    return dict(one)


def test_the_slips_of_reports_are_asked_about_and_no_value_is_touched(started: Program) -> None:
    codes = pulled(started)
    cells = {
        (codes["B1"], "pH", "", "water 1:1"): "65",
        (codes["B2"], "pH", "", "water 1:1"): ".65",
        (codes["B1"], "OM", "%", "loss on ignition"): "350",
        (codes["B1"], "K", "mg/kg", "Mehlich-3"): "1.2",
        (codes["B2"], "K", "mg/kg", "Mehlich-3"): "120",
    }
    rows = "".join(f"{s},{n},{value},{u},{m}\n" for (s, n, u, m), value in cells.items())
    said = imported(started, "26-1", rows)
    assert "Note: 4 queries about these results" in said
    found = asked(started)
    assert {(one["nutrient"], one["kind"]) for one in found} == {
        ("pH", "decimal"),
        ("OM", "unit"),
        ("K", "unit"),
    }
    assert {one["deadline"] for one in found} == {"2026-05-22"}  # a month after 22 April
    stands = values(started)
    assert {(s, n): stands[s, n] for s, n, _, _ in cells} == {
        (s, n): value for (s, n, _, _), value in cells.items()
    }


# 1 cmol(+)/kg of K is 391 mg/kg (IUPAC weights): 0.35 are 137, 0.8 are 313.
@pytest.mark.parametrize(
    ("number", "kind", "question"),
    [
        (1.35, "decimal", "a misplaced decimal point, about a hundredth?"),
        (0.35, "unit", "cmol(+)/kg where mg/kg is written?"),
        (0.8, "decimal", "a misplaced decimal point, or cmol(+)/kg where mg/kg is written?"),
    ],
)
def test_a_number_out_of_range_is_explained_by_what_its_bed_had_before(
    started: Program, number: float, kind: str, question: str
) -> None:
    beds = {"B1": 135.0, "B2": 140.0, "B5": 135.0, "B6": 138.0}
    values = {0: beds, 7: beds, 28: {**beds, "B5": number}}
    codes = season(started, values=values, parts=(("K", 1.0),), method="Mehlich-3")
    (one,) = asked(started)
    assert (one["sample"], one["kind"]) == (codes[28, "B5"], kind)
    beside = "(its bed's nearest pull 135, the beds like it 135)"
    assert one["what"] == f"K {number} mg/kg lies outside 3 to 20,000 mg/kg {beside}: {question}"


def test_importing_twice_asks_once(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    before = started.journal()
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    assert started.journal() == before
    assert len(asked(started, "--all")) == 1
    # The re-issue with the point where it belongs: the question is moot.
    (started.folder / "again.csv").write_text(f"{HEADER}{code},pH,6.5,,water 1:1\n")
    started.must("lab", "import", "again.csv", "--report", "26-1", "--reissued", on=LATER)
    assert [one["state"] for one in asked(started, "--all")] == ["moot"]
    assert asked(started) == []


def test_undo_takes_the_queries_back_with_the_import(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    started.must("undo", on=LATER)
    assert asked(started, "--all") == []
    assert values(started) == {}
    # Imported again, it is asked about again.
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    assert [one["state"] for one in asked(started)] == ["open"]


def slipped(day: int, bed: str, value: float) -> Mapping[int, Mapping[str, float | str]]:
    """The small season with one value of it changed."""
    return {
        when: {**beds, **({bed: value} if when == day else {})} for when, beds in VALUES.items()
    }


def test_a_slip_is_named_though_the_blind_half_of_its_bag_shows_it_too(started: Program) -> None:
    send = ("lab", "send", "B5", "--pull", "day 7", "--duplicate")
    values = slipped(7, "B5", 150.0)
    codes = season(started, send, values=values, parts=(("nitrate-N", 1.0),))
    started.must("undo", on=LATER)
    with opened(started) as (store, _):
        ((twin,),) = store.execute("SELECT code FROM blind").fetchall()
    rows = (started.folder / "season.csv").read_text(encoding="utf-8").removeprefix(HEADER)
    imported(started, "s2", f"{rows}{twin},nitrate-N,15.1,mg/kg,1 M KCl\n")
    (one,) = asked(started)
    assert (one["sample"], one["kind"]) == (codes[7, "B5"], "decimal")


def test_a_lost_point_stays_out_of_the_curve_until_it_is_answered(started: Program) -> None:
    codes = season(started, values=slipped(7, "B5", 150.0), parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    (query,) = asked(started)
    assert (query["sample"], query["kind"], query["bed"]) == (code, "decimal", "B5")
    notes = nitrate(started)["notes"]
    assert any(
        note.startswith(f"queried and left out until answered: {code} of B5") for note in notes
    )
    said = started.must(
        "lab", "answer", f"{code}:nitrate-N", "accept", "--reason", "spilt urea", on=LATER
    )
    assert "1 query answered, accepted: spilt urea" in said.out
    assert asked(started) == []
    assert not any("queried" in note for note in nitrate(started)["notes"])
    # Accepted once, never asked again, however often the beds are looked at.
    imported(started, "more", f"{codes[28, 'B1']},P,12,mg/kg,Olsen\n")
    assert asked(started) == []


def listed(program: Program, code: str) -> tuple[list[str], list[str | None]]:
    """The lines of a sample's results, and for programs what is asked of each."""
    said = program.must("lab", "results", "--sample", code, on=LATER).out
    assert max(map(len, said.splitlines())) <= 80
    lines = [" ".join(one.split()) for one in re.split(r"\n(?=\S)", said.strip())]
    found = json.loads(program.must("lab", "results", "--sample", code, "--json", on=LATER).out)
    return lines, [one["in_question"] for one in found["results"]]


def test_results_say_that_they_are_in_question(started: Program) -> None:
    codes = pulled(started)
    imported(started, "26-1", f"{codes['B1']},pH,65,,water 1:1\n{codes['B2']},pH,6.4,,water 1:1\n")
    (query,) = asked(started)
    ((line,), (what,)) = listed(started, codes["B1"])
    assert what == query["what"]
    assert line.endswith(f"report 26-1) in question: {query['what']}")
    assert listed(started, codes["B2"])[1] == [None]
    started.must("lab", "answer", f"{codes['B1']}:pH", "re-run", "--reason", "?", on=LATER)
    assert listed(started, codes["B1"])[1] == [query["what"]]


def test_runs_that_differ_are_each_in_question(started: Program) -> None:
    code = pulled(started)["B1"]
    row = f"{code},pH,{{}},,water 1:1\n"
    imported(started, "26-1", row.format("6.23"))
    imported(started, "again", row.format("61.8"), "--repeat")
    lines, asked_of = listed(started, code)
    assert [" in question: " in line for line in lines] == [True, True]
    assert None not in asked_of


def test_a_moot_query_says_why_and_not_the_old_reason(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},K,1.2,mg/kg,Mehlich-3\n")
    started.must("lab", "answer", f"{code}:K", "re-run", "--reason", "cmol?", on=LATER)
    (started.folder / "again.csv").write_text(f"{HEADER}{code},K,0.39,cmol/kg,Mehlich-3\n")
    started.must("lab", "import", "again.csv", "--report", "26-1", "--reissued", on=LATER)
    said = started.must("lab", "queries", "--all", on=LATER).out
    assert f"{code}:K  B1  moot\n" in said
    assert said.splitlines()[-2:] == ["  re-run asked: cmol?", "  moot: it is 152.5 mg/kg now"]


def test_a_struck_result_says_how_the_right_one_comes_in(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "R-28", f"{code},pH,65,,water 1:1\n{code},K,1.2,mg/kg,Mehlich-3\n")
    for name in ("pH", "K"):
        started.must("lab", "answer", f"{code}:{name}", "strike", "--reason", "no", on=LATER)
    said = started("correct", f"{code}:pH", "--value", "6.4", "--reason", "typed", on=LATER)
    assert said.err == (
        f"Error: sample {code} has no result of pH any more: it was struck\n"
        f"Try: logbook lab add {code} pH 'VALUE' --method 'water 1:1' --report R-28\n"
    )
    said = started("correct", f"{code}:K", "--value", "120", "--reason", "typed", on=LATER)
    assert f"lab add {code} K 'VALUE mg/kg' --method Mehlich-3 --report R-28\n" in said.err
    started.must("lab", "add", code, "pH", "6.4", "--method", "water 1:1", "--report", "R-28",
                 on=LATER)  # fmt: skip
    assert values(started) == {(code, "pH"): "6.4"}


def test_striking_answers_the_query_and_strikes_the_result(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    started.must("lab", "answer", f"{code}:pH", "strike", "--reason", "point lost", on=LATER)
    assert values(started) == {}
    (one,) = asked(started, "--all")
    assert (one["state"], one["reason"]) == ("struck", "point lost")
    assert re.fullmatch(
        rf"\w{{8}}  took back the answer \w{{8}} on {code}:pH\n", started.must("undo", on=LATER).out
    )
    assert [one["state"] for one in asked(started)] == ["open"]
    assert values(started) == {(code, "pH"): "65"}


def test_a_number_that_cannot_be_is_not_accepted(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    said = started("lab", "answer", f"{code}:pH", "accept", "--reason", "odd", on=LATER)
    assert (said.code, said.out) == (2, "")
    assert said.err == f"Error: {code}:pH: 65 cannot be\nTry: strike it, or ask: re-run\n"


def test_a_re_run_takes_an_unsuspected_bed_along(started: Program) -> None:
    codes = season(started, values=slipped(7, "B5", 150.0), parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    said = started.must(
        "lab", "answer", f"{code}:nitrate-N", "re-run", "--reason", "point?", on=LATER
    )
    listed = [
        line.split()[0]
        for line in said.out.splitlines()
        if line.startswith("    ") and " by " in line
    ]
    others = {codes[7, bed] for bed in ("B1", "B2", "B6")}
    assert code in listed
    assert len(listed) == 2
    assert set(listed) - {code} <= others
    assert listed == sorted(listed)  # the laboratory cannot see which one surprised
    assert [one["state"] for one in asked(started)] == ["re-run asked"]
    assert any("queried" in note for note in nitrate(started)["notes"])


def test_a_re_run_asked_for_twice_is_written_once_and_its_letter_printed_again(
    started: Program,
) -> None:
    codes = season(started, values=slipped(7, "B5", 150.0), parts=(("nitrate-N", 1.0),))
    name = f"{codes[7, 'B5']}:nitrate-N"
    words = ("lab", "answer", name, "re-run", "--reason")
    letter = started.must(*words, "point?", on=LATER).out.split("To the laboratory:")[1]
    before = started.journal()
    again = started.must(*words, "still not here", on="2026-04-30T09:00+02:00").out
    assert started.journal() == before
    told, printed = again.split("To the laboratory:")
    assert " ".join(told.split()) == (
        f"{codes[7, 'B5']} nitrate-N: a re-run was asked for on Wed 22 Apr 2026 09:00 by mira: "
        "point?; nothing was written"
    )
    assert printed == letter
    # It may be answered otherwise all the same.
    started.must("lab", "answer", name, "accept", "--reason", "they say so", on=LATER)
    assert asked(started) == []


def test_asked_for_again_is_what_was_named_and_what_was_drawn_and_is_not_here(
    started: Program,
) -> None:
    codes = pulled(started)
    numbers = {"B1": "65", "B5": "66", "B2": "6.4"}
    rows = "".join(f"{codes[bed]},pH,{value},,water 1:1\n" for bed, value in numbers.items())
    imported(started, "26-1", rows)
    words = ("re-run", "--reason", "point?")
    started.must("lab", "answer", "26-1:pH", *words, on=LATER)

    def again() -> str:
        return started.must("lab", "answer", f"{codes['B1']}:pH", *words, on=LATER).out

    # The other one in question was not named now, and was never drawn.
    said = again()
    assert codes["B5"] not in said
    assert f"{codes['B2']} pH: not in question, drawn by chance" in said
    imported(started, "26-2", f"{codes['B2']},pH,6.5,,water 1:1\n", "--repeat")
    said = again()
    assert codes["B1"] in said.split("To the laboratory:")[1]
    assert codes["B2"] not in said


def test_a_re_run_of_a_report_is_asked_for_where_it_was_not_yet(started: Program) -> None:
    codes = pulled(started)
    rows = "".join(
        f"{codes[bed]},pH,{value},,water 1:1\n" for bed, value in (("B1", 65), ("B5", 66))
    )
    imported(started, "26-1", rows)
    started.must("lab", "answer", f"{codes['B1']}:pH", "re-run", "--reason", "point?", on=LATER)
    said = " ".join(
        started.must("lab", "answer", "26-1:pH", "re-run", "--reason", "too", on=LATER).out.split()
    )
    assert "1 query answered, re-run asked: too" in said
    assert f"{codes['B5']} pH by water 1:1 Note:" in said
    assert (
        f"Note: {codes['B1']} pH: a re-run was asked for on Wed 22 Apr 2026 09:00 by mira" in said
    )


def test_a_re_run_that_was_asked_for_yesterday_is_awaited(started: Program) -> None:
    """The question carries the minute of typing: an answer may be dated before it."""
    codes = season(started, values=slipped(7, "B5", 150.0), parts=(("nitrate-N", 1.0),))
    name = f"{codes[7, 'B5']}:nitrate-N"
    words = ("lab", "answer", name, "re-run", "--alone", "--reason", "point?")
    started.must(*words, "--when", "2026-04-20", on=LATER)
    said = json.loads(started.must("lab", "log", "--waiting", "--json", on=LATER).out)["samples"]
    waits = [
        f"{one['sample']}:{of['nutrient']}"
        for one in said
        for of in one["analyses"]
        if of["state"] == "re-run asked"
    ]
    assert waits == [name]


def test_a_re_run_with_no_bed_to_draw_says_so(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    words = ("lab", "answer", f"{code}:pH", "re-run", "--reason", "point?")
    said = started.must(*words, on=LATER).out
    assert (
        f"Note: {code} pH: no other bed of its pull has an unsuspected result in the report"
    ) in " ".join(said.split())
    undone = started.must("undo", on=LATER).out
    assert re.fullmatch(rf"\w{{8}}  took back the answer \w{{8}} on {code}:pH\n", undone)
    alone = started.must(*words, "--alone", on=LATER).out
    assert "no other bed" not in alone  # as it was asked for


def test_runs_within_r_are_averaged(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    imported(started, "again", f"{codes[7, 'B1']},nitrate-N,14.8,mg/kg,1 M KCl\n", "--repeat")
    assert asked(started) == []
    assert sorted(value_of(started, codes[7, "B1"])) == [14.0, 14.8]


def value_of(program: Program, code: str) -> list[float]:
    """The readings of a sample that a curve would use."""
    from logbook.study import flags
    from logbook.study.samples import readings

    with opened(program) as (store, trial):
        found = readings(store, trial, "nitrate-N")
        kept = flags.usable(found, flags.history(store, trial), False)
        return [one.value or 0.0 for one in kept if one.sample == code]


def test_runs_beyond_r_count_neither_until_a_third_or_a_cause(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    code = codes[7, "B1"]
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "again", row.format("20"), "--repeat")
    (query,) = asked(started)
    # r by common practice: a fifth of the mean of 14 and 20, 17 mg/kg
    assert query["what"].startswith(
        "run 1 gave 14, run 2 gave 20 mg/kg: 6 apart, more than r = 3.4"
    )
    assert value_of(started, code) == []
    refused = started("lab", "answer", f"{code}:NO3-N", "accept", "--reason", "x", on=LATER)
    assert "two runs that differ by more than r are not both right" in refused.err
    which = started("lab", "answer", f"{code}:NO3-N", "strike", "--reason", "x", on=LATER)
    assert "which run is wrong?" in which.err
    words = ("strike", "--run", "1", "--reason", "dilution not reckoned, the laboratory says")
    started.must("lab", "answer", f"{code}:NO3-N", *words, on=LATER)
    assert value_of(started, code) == [20.0]
    assert asked(started) == []


def test_a_third_run_settles_two(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    code = codes[7, "B1"]
    for name, value in (("again", "20"), ("third", "19.5")):
        imported(started, name, f"{code},nitrate-N,{value},mg/kg,1 M KCl\n", "--repeat")
    # 14, 20 and 19.5 lie further apart than CR(3): the median counts, and it is said.
    assert value_of(started, code) == [19.5]
    assert asked(started) == []
    assert any("the median counts" in note for note in nitrate(started)["notes"])


def test_a_report_in_another_form_is_asked_about_as_a_whole(started: Program) -> None:
    season(started, parts=(("nitrate-N", 1.0),), values={0: VALUES[0]})
    said = started.must("pull", "B1,B2,B5,B6", on="2026-03-09T09:30+01:00")
    codes = [line.split()[0] for line in said.out.splitlines() if line.startswith("  ")]
    rows = "".join(
        f"{code},nitrate-N,{4.4266 * value:.4g},mg/kg,1 M KCl\n"
        for code, value in zip(codes, (10.4, 14.6, 12.3, 15.8), strict=True)
    )
    imported(started, "ions", rows)
    found = asked(started)
    assert [one["kind"] for one in found] == ["form"] * 4
    assert "nitrate where nitrate-N is written?" in found[0]["what"]
    answer = ("lab", "answer", "ions:nitrate-N", "strike", "--reason", "it was NO3")
    assert "4 queries answered, struck" in started.must(*answer, on=LATER).out


def test_zeros_and_limits(started: Program) -> None:
    codes = pulled(started)
    rows = "".join(
        f"{codes[bed]},P,{value},mg/kg,Olsen\n"
        for bed, value in (("B1", "<0.5"), ("B2", "0"), ("B5", "0.5"), ("B6", "0.5"))
    )
    imported(started, "26-1", rows)
    assert [one["kind"] for one in asked(started)] == ["zero"]  # two at the limit are chance
    more = "".join(f"{codes[bed]},Zn,{'<1' if bed == 'B1' else 1},mg/kg,DTPA\n" for bed in codes)
    imported(started, "26-2", more)
    assert [one["kind"] for one in asked(started)].count("limit") == 3


def test_deadlines_pass(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n{code},ammonium-N,9999,mg/kg,1 M KCl\n")
    said = started.must("lab", "queries", on="2026-05-20T09:00+02:00").out
    assert "ask until Fri 22 May 2026 (2 d)" in said
    last = "2026-05-22T09:00+02:00"
    assert "ask until Fri 22 May 2026 (today)" in started.must("lab", "queries", on=last).out
    board = " ".join(started.must("today", on=last).out.split())
    assert "can be asked for until Fri 22 May 2026 (today)" in board
    late = started.must("lab", "queries", on="2026-05-23T09:00+02:00").out
    assert "overdue: the soil was kept until" in late
    history = " ".join(started.must("history", code, on="2026-05-23T09:00+02:00").out.split())
    assert "(can be measured again until Fri 22 May 2026)" in history
    assert max(map(len, late.splitlines())) <= 80
    assert asked(started, on="2026-05-23T09:00+02:00")[0]["overdue"]


def test_a_laboratory_that_keeps_soil_longer_is_written_in_a_file(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(started.folder / "tables"))
    (started.folder / "tables").mkdir()
    file = started.folder / "tables" / "laboratory.toml"
    file.write_text('[keeps_days]\n"Invented Soil Lab" = 60\n[most_rpd]\nP = 15\n')
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    assert asked(started)[0]["deadline"] == "2026-06-21"
    file.write_text("[keeps_days]\nx = -1\n")
    (started.folder / "b.csv").write_text(f"{HEADER}{code},P,5,mg/kg,Olsen\n")
    before = started.journal()
    said = started("lab", "import", "b.csv", on=LATER)
    assert said.code == 2
    assert "each with numbers above 0" in said.err
    assert started.journal() == before
    for text, error in (
        ("keeps_days = 3\n", "only [keeps_days] and [most_rpd], each with numbers above 0"),
        ("[most_rpd]\nPQ = 3\n", "laboratory.toml: 'PQ' is not a nutrient this program knows"),
    ):
        file.write_text(text)
        said = started("lab", "precision", on=LATER)
        assert (said.code, said.out) == (2, "")
        assert error in said.err


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (("XW3KRT9D:K", "accept", "--reason", "x"), "there is no open query on XW3KRT9D:K"),
        (("XW3KRT9D", "accept", "--reason", "x"), "of which nutrient?"),
        (("XW3KRT9D:K", "perhaps", "--reason", "x"), "'perhaps' is no answer to a query"),
        (("XW3KRT9D:K", "accept"), "an answer needs its reason"),
    ],
)
def test_wrong_answers(started: Program, words: tuple[str, ...], error: str) -> None:
    before = started.journal()
    said = started("lab", "answer", *words, on=RESULTS)
    assert (said.code, said.out) == (2, "")
    assert error in said.err
    assert started.journal() == before


def test_a_number_that_was_accepted_is_not_asked_about_under_another_report(
    started: Program,
) -> None:
    """A report that gets its own number, or a re-issue that changes something else."""
    codes = season(started, values=slipped(7, "B5", 1.5), parts=(("nitrate-N", 1.0),))
    (query,) = asked(started)
    started.must("lab", "answer", f"{codes[7, 'B5']}:nitrate-N", "accept", "--reason", "so it is",
                 on=LATER)  # fmt: skip
    started.must("lab", "import", "season.csv", "--report", "s-2", "--replaces", "s", on=LATER)
    assert asked(started) == []
    assert query["sample"] == codes[7, "B5"]


def test_a_re_run_stays_awaited_when_its_report_gets_another_number(started: Program) -> None:
    codes = season(started, values=slipped(7, "B5", 1.5), parts=(("nitrate-N", 1.0),))
    named = f"{codes[7, 'B5']}:nitrate-N"
    started.must("lab", "answer", named, "re-run", "--reason", "?", "--alone", on=LATER)
    started.must("lab", "import", "season.csv", "--report", "s-2", "--replaces", "s", on=LATER)
    waiting = started.must("lab", "log", "--waiting", "--each", on=LATER).out
    assert any(
        codes[7, "B5"] in line and "re-run asked" in line for line in waiting.splitlines()
    ), waiting


def test_a_re_issue_under_a_new_number(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    rows = [
        f"{codes[7, bed]},nitrate-N,{value},mg/kg,1 M KCl\n" for bed, value in VALUES[7].items()
    ]
    rows[0] = rows[0].replace(",14.0,", ",15.5,")
    said = imported(started, "s-2", "".join(rows), "--replaces", "s")
    assert "report s-2 of Invented Soil Lab has other values than report s:" in said
    assert f"{codes[7, 'B1']}  nitrate-N   14 -> 15.5 mg/kg" in said
    assert "Curves that change: nitrate-N of M" in said
    assert "it takes the place of 4 results of report s, now struck" in " ".join(said.split())
    assert value_of(started, codes[7, "B1"]) == [15.5]
    assert not any("struck" in note for note in nitrate(started)["notes"])
    history = started.must("history", codes[7, "B1"], on=LATER).out
    assert "14" in history
    assert "15.5" in history
    started.must("undo", on=LATER)
    assert value_of(started, codes[7, "B1"]) == [14.0]
    (started.folder / "s-4.csv").write_text(HEADER + "".join(rows[1:]), encoding="utf-8")
    words = ("--report", "s-4", "--replaces", "s", "--dry-run")
    lacks = started.must("lab", "import", "s-4.csv", *words, on=LATER).out
    assert "s-4.csv: report s-4 of Invented Soil Lab lacks results of the report" in lacks
    assert f"  {codes[7, 'B1']}  nitrate-N   14 mg/kg -> not in it, left standing\n" in lacks
    wrong = started("lab", "import", "s-2.csv", "--report", "s-3", "--replaces", "x", on=LATER)
    assert wrong.code == 2
    both = started("lab", "import", "s-2.csv", "--replaces", "s", "--repeat", on=LATER)
    assert "exclude each other" in both.err


def sent(program: Program, *options: str, on: str) -> dict[str, str]:
    """Send the bags that wait; codes of the blinds by kind."""
    said = program.must("lab", "send", "--all-waiting", "--on", "today", *options, on=on).out
    found = {}
    for line in said.splitlines():
        for kind in ("duplicate", "reference"):
            if f"{kind} of " in line:
                found[kind] = line.split()[1]
    return found


def test_blind_duplicates_and_reference_materials(started: Program) -> None:
    codes = pulled(started)
    value = "nitrate-N = 30 mg/kg +- 1 mg/kg by 1 M KCl"
    started.must("lab", "reference", "house soil", value, on=RESULTS)
    blinds = sent(started, "--duplicate", "--reference", "house soil", on="2026-03-10T09:00+01:00")
    twin = blinds["duplicate"]
    of = next(c for c in codes.values() if c in started.must("lab", "log", "--sample", twin,
                                                              on=LATER).out)  # fmt: skip
    rows = "".join(f"{code},nitrate-N,12.4,mg/kg,1 M KCl\n" for code in codes.values())
    rows += (
        f"{twin},nitrate-N,14.1,mg/kg,1 M KCl\n{blinds['reference']},nitrate-N,34,mg/kg,1 M KCl\n"
    )
    imported(started, "26-1", rows)
    # 12.83 % passes at 20 %; 34 is 4 s above 30.
    (query,) = asked(started)
    assert (query["sample"], query["kind"]) == (blinds["reference"], "reference")
    found = json.loads(started.must("lab", "precision", "--json", on=LATER).out)
    (pair,) = found["pairs"]
    assert (pair["samples"], round(pair["rpd"], 2)) == ([of, twin], 12.83)
    (one,) = found["precision"]
    assert (one["df"], one["used"]) == (1, "declared")
    assert one["cv"] == pytest.approx(1.2021 / 13.25, rel=1e-4)
    chart = json.loads(started.must("lab", "chart", "house soil", "--json", on=LATER).out)
    (point,) = chart["charts"][0]["results"]
    assert (point["z"], point["rules"]) == (4.0, ["1"])
    assert started.must("lab", "chart", "House Soil", "nitrate-N", "--json", on=LATER).out == (
        started.must("lab", "chart", "house soil", "--json", on=LATER).out
    )
    assert started("lab", "chart", "P", on=LATER).err == (
        "Error: there is no reference material called 'P'\n"
        "Try: name one of: house soil; a nutrient comes after it: logbook lab chart NAME P\n"
    )
    assert started("lab", "chart", "blank", on=LATER).err == (
        "Error: there is no reference material called 'blank'\nTry: name one of: house soil\n"
    )
    said = started.must("lab", "chart", on=LATER).out
    assert "out of control (one beyond 3 s)" in " ".join(said.split())
    note = "report 26-1, nitrate-N: reference house soil gave 34 mg/kg, +4.0 s: out of control"
    assert any(one.startswith(note) for one in nitrate(started)["notes"])
    assert "nitrate-N" in started.must("lab", "precision", on=LATER).out


def materials(program: Program, name: str, count: int) -> list[str]:
    """So many shipments with a bag of a material in each; its codes."""
    found = []
    for place in range(count):
        at = f"2026-03-{10 + place:02d}T09:00+01:00"
        program.must("pull", f"B{place + 1}", on=at)
        found.append(sent(program, "--reference", name, on=at)["reference"])
    return found


def test_a_reference_out_of_control_is_said_at_import_and_asked_about(started: Program) -> None:
    value = "K = 150 mg/kg +- 5 by Mehlich-3"
    started.must("lab", "reference", "SOILX", value, on=RESULTS)
    told = []
    for place, (code, number) in enumerate(
        zip(materials(started, "SOILX", 4), (150, 156, 162, 161), strict=True)
    ):
        at = f"2026-04-22T09:0{place}+02:00"
        rows = f"{code},K,{number},mg/kg,Mehlich-3\n"
        told.append(" ".join(imported(started, f"26-{place + 1}", rows, on=at).split()))
    # 162 and 161 are 2.4 and 2.2 s above: only together are they out of control.
    assert [("Note: K, report" in one) for one in told] == [False, False, False, True]
    why = (
        "reference SOILX gave 161 mg/kg, +2.2 s: out of control (two of three in a row beyond 2 s "
        "on one side)"
    )
    assert f"Note: K, report 26-4: {why}; its whole batch is in doubt" in told[-1]
    assert "1 query about these results: logbook lab queries" in told[-1]
    (query,) = asked(started)
    assert (query["kind"], query["report"], query["what"]) == ("reference", "26-4", why)
    assert "1 query about a result is open" in started.must("today", on=LATER).out
    shown = started.must("lab", "queries", on=LATER).out
    assert "control chart (report 26-4): reference SOILX gave 161 mg/kg" in shown
    started.must("lab", "answer", f"{query['sample']}:K", "accept", "--reason", "new lot", on=LATER)
    assert asked(started) == []


def test_a_reference_typed_by_hand_is_judged_too(started: Program) -> None:
    started.must("lab", "reference", "SOILX", "K = 150 mg/kg +- 5 by Mehlich-3", on=RESULTS)
    (code,) = materials(started, "SOILX", 1)
    words = ("lab", "add", code, "K", "180 mg/kg", "--method", "Mehlich-3", "--report", "26-1")
    said = " ".join(started.must(*words, on=LATER).out.split())
    assert "reference SOILX gave 180 mg/kg, +6.0 s: out of control (one beyond 3 s)" in said


def test_a_ph_is_told_without_a_unit(started: Program) -> None:
    started.must("lab", "reference", "SOILX", "pH = 6.0 +- 0.1 by water 1:1", on=RESULTS)
    (code,) = materials(started, "SOILX", 1)
    words = ("lab", "add", code, "pH", "6.4", "--method", "water 1:1", "--report", "26-1")
    said = " ".join(started.must(*words, on=LATER).out.split())
    assert f"{code} pH 6.4 (water 1:1" in said
    assert "reference SOILX gave 6.4, +4.0 s: out of control" in said


def test_a_correct_blank_is_asked_nothing(started: Program) -> None:
    codes = pulled(started)
    started.must("lab", "reference", "BLK", "K = 0 mg/kg by Mehlich-3", on=RESULTS)
    blinds = sent(started, "--reference", "BLK", on="2026-03-10T09:00+01:00")
    row = "{},K,{},mg/kg,Mehlich-3\n"
    soil = row.format(codes["B1"], "<5") + row.format(codes["B2"], "120")
    imported(started, "26-1", soil + row.format(blinds["reference"], "0"))
    assert asked(started) == []
    # A 0 of a bed is asked about, once.
    imported(started, "26-2", row.format(codes["B5"], "0"))
    assert [(one["sample"], one["kind"]) for one in asked(started)] == [(codes["B5"], "zero")]
    imported(started, "26-3", row.format(blinds["reference"], "7"), "--repeat")
    assert {one["kind"] for one in asked(started)} == {"zero", "blank"}


@pytest.mark.parametrize(
    ("numbers", "doubted"),
    [
        # A 0 beside a limit, and 11.2: their mean, 5.6, is a tenth of 56.
        (("0", "11.2", "56", "<0.5"), ("B1",)),
        # Two below what soils have of potassium are alike, and a tenth of 25.
        (("2.5", "2.6", "25", "<0.5"), ("B1", "B2")),
    ],
)
def test_what_is_in_question_does_not_judge_its_neighbours(
    started: Program, numbers: tuple[str, ...], doubted: tuple[str, ...]
) -> None:
    beds = ("B1", "B2", "B5", "B6")
    codes = started.must("pull", ",".join(beds), on="2026-03-01T11:00+01:00").samples
    rows = "".join(
        f"{code},K,{number},mg/kg,Mehlich-3\n" for code, number in zip(codes, numbers, strict=True)
    )
    imported(started, "26-1", rows)
    assert sorted(one["bed"] for one in asked(started)) == list(doubted)


def test_a_ph_that_jumps_is_asked_about(started: Program) -> None:
    level = {"B1": 6.5, "B2": 6.4, "B5": 6.6, "B6": 6.5}
    season(started, parts=(("pH", 1.0),), method="water 1:1", unit="", values={0: level, 7: level})
    assert asked(started) == []
    said = started.must("pull", ",".join(level), on="2026-03-16T09:30+01:00")
    codes = [line.split()[0] for line in said.out.splitlines() if line.startswith("  ")]
    rows = "".join(
        f"{code},pH,{value},,water 1:1\n"
        for code, value in zip(codes, (6.5, 6.4, 4.45, 6.4), strict=True)
    )
    imported(started, "26-2", rows)
    (query,) = asked(started)
    assert (query["sample"], query["kind"]) == (codes[2], "jump")
    assert query["what"] == (
        "pH 4.45 is 2.05 below the beds like it (6.5) and 2.15 below its last (6.6): more than 1 "
        "at once: another bag, or a slip of the pen?"
    )


def test_runs_beyond_a_limit_are_compared(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),), values={0: VALUES[0]})
    code = codes[0, "B1"]
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "again", row.format("<0.5"), "--repeat")
    (query,) = asked(started)
    # r by common practice: a fifth of the mean of 10 and the limit
    assert query["what"].startswith(
        "run 1 gave 10, run 2 gave <0.5 mg/kg: at least 9.5 apart, more than r = 1.05"
    )
    assert (query["kind"], query["run"], query["value"]) == ("runs", 2, None)
    assert value_of(started, code) == []
    # Two of three are numbers: the lower one is in the middle, and counts.
    imported(started, "third", row.format("12.4"), "--repeat")
    assert asked(started) == []
    assert value_of(started, code) == [10.0]
    assert any(
        "run 1 gave 10, run 2 gave <0.5, run 3 gave 12.4 mg/kg" in note
        and "the median counts" in note
        for note in nitrate(started)["notes"]
    )


def test_a_queried_number_and_its_re_runs(started: Program) -> None:
    """A lost point, a re-run below the limit, another: nothing counts but what two runs bear."""
    codes = season(started, values=slipped(7, "B5", 120.3), parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    started.must("lab", "answer", f"{code}:nitrate-N", "re-run", "--reason", "point?", on=LATER)
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "again", row.format("<0.5"), "--repeat")
    assert [one["kind"] for one in asked(started)] == ["runs"]
    assert value_of(started, code) == []
    imported(started, "third", row.format("12.4"), "--repeat")
    assert asked(started) == []
    assert value_of(started, code) == [12.4]


def test_two_halves_of_which_one_is_below_a_limit(started: Program) -> None:
    _, twin = two_halves(started, "<0.5")
    (query,) = asked(started)
    assert query["what"] == (
        f"blind duplicate {twin}: 14 and <0.5, at least 13.5 mg/kg apart, more than twice the "
        "limit of 0.5 mg/kg"
    )


def test_charts_show_four_digits_and_documents_all(started: Program) -> None:
    started.must("lab", "reference", "SOILX", "K = 150 mg/kg +- 5 by Mehlich-3", on=RESULTS)
    one, other = materials(started, "SOILX", 2)
    rows = f"{one},K,0.39,cmol/kg,Mehlich-3\n{other},K,147,mg/kg,Mehlich-3\n"
    imported(started, "26-1", rows)
    said = started.must("lab", "chart", "SOILX", "K", on=LATER).out
    assert "152.5 " in said
    assert "152.48" not in said
    told = json.loads(started.must("lab", "chart", "SOILX", "K", "--json", on=LATER).out)
    assert any(len(str(one["value"])) > 6 for one in told["charts"][0]["results"])


def test_bags_of_one_material_in_one_report_tell_the_repeatability(started: Program) -> None:
    started.must("lab", "reference", "SOILX", "K = 150 mg/kg +- 5 by Mehlich-3", on=RESULTS)
    numbers = ((150, 153), (148, 152), (155, 151))
    codes = materials(started, "SOILX", 6)
    for place, several in enumerate(numbers):
        rows = "".join(
            f"{code},K,{value},mg/kg,Mehlich-3\n"
            for code, value in zip(codes[2 * place : 2 * place + 2], several, strict=True)
        )
        imported(started, f"26-{place + 1}", rows)
    assert asked(started) == []
    found = json.loads(started.must("lab", "precision", "--json", on=LATER).out)
    assert [one["how"] for one in found["pairs"]] == ["reference material"] * 3
    (one,) = found["precision"]
    squares = sum((a - b) ** 2 / 2 / ((a + b) / 2) ** 2 for a, b in numbers)
    assert (one["pairs"], one["df"], one["cv"]) == (3, 3, pytest.approx((squares / 3) ** 0.5))
    (over,) = found["intermediate"]
    # Means 151.5, 150 and 153: their variance 2.25 is less than s_r^2 / 2, so nothing but s_r.
    within = sum((a - b) ** 2 / 2 for a, b in numbers) / 3
    assert (over["material"], over["reports"], over["results"], over["df"]) == ("SOILX", 3, 6, 2)
    assert over["sd"] == pytest.approx(within**0.5)


def test_a_material_once_a_report_tells_the_intermediate_precision(started: Program) -> None:
    started.must("lab", "reference", "SOILX", "K = 150 mg/kg +- 5 by Mehlich-3", on=RESULTS)
    for place, (code, number) in enumerate(
        zip(materials(started, "SOILX", 4), (150, 154, 147, 152), strict=True)
    ):
        imported(started, f"26-{place + 1}", f"{code},K,{number},mg/kg,Mehlich-3\n")
    found = json.loads(started.must("lab", "precision", "--json", on=LATER).out)
    assert (found["precision"], found["pairs"]) == ([], [])  # it is no repeatability
    (one,) = found["intermediate"]
    assert (one["sd"], one["df"]) == (pytest.approx(stdev([150, 154, 147, 152])), 3)
    said = started.must("lab", "precision", on=LATER).out
    assert "No duplicates and no repeats yet" in said
    assert "SOILX     K         Mehlich-3        4   3  150.8 mg/kg    3  2" in said
    assert "s_I: intermediate precision (ISO 5725-3)" in said
    assert max(map(len, said.splitlines())) <= 80


def test_enough_repeats_replace_the_declared_error(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    rows = "".join(
        f"{code},nitrate-N,{value:g},mg/kg,1 M KCl\n"
        for code in codes.values()
        for value in (20.0, 20.4)
    )
    imported(started, "twice", rows, "--repeat")
    from logbook.study.fitted import declared_of

    with opened(started) as (store, trial):
        found = declared_of(store, trial)["nitrate-N"]
    assert found.source == "measured"
    assert found.cv == pytest.approx(0.4 / 2**0.5 / 20.2)


SLIPS = ("pH,65,,water 1:1", "P,5,mg/kg,Olsen")


def slips(program: Program) -> str:
    """A report with a lost decimal point, as a file."""
    code = pulled(program)["B1"]
    text = HEADER + "".join(f"{code},{row}\n" for row in SLIPS)
    (program.folder / "26-1.csv").write_text(text, encoding="utf-8")
    return code


def test_a_dry_run_shows_the_queries_that_the_import_would_open(started: Program) -> None:
    code = slips(started)
    words = ("lab", "import", "26-1.csv", "--report", "26-1")
    files = {one: one.read_bytes() for one in started.folder.rglob("*") if one.is_file()}
    said = started.must(*words, "--dry-run", on=LATER).out
    assert {one: one.read_bytes() for one in started.folder.rglob("*") if one.is_file()} == files
    assert said.startswith(
        "26-1.csv: 2 results can be imported; nothing was written\n"
        "It would open 1 query:\n"
        f"{code}:pH  B1  ask until Fri 22 May 2026 (30 d)\n"
        "  decimal point (report 26-1): "
    )
    shown = said.partition("It would open 1 query:\n")[2].partition("Note:")[0]
    would = json.loads(started.must(*words, "--dry-run", "--json", on=LATER).out)
    assert (would["dry_run"], would["written"], would["queries"]) == (True, 0, 1)
    assert asked(started) == []

    real = started.must(*words, on=LATER).out
    # The notes of both are the same, and so are the queries as they are listed afterwards.
    assert said.partition("Note:")[2] == real.partition("Note:")[2]
    assert started.must("lab", "queries", on=LATER).out.startswith(shown)
    assert would["asked"] == asked(started)


def test_a_dry_run_of_what_is_here_already_asks_nothing(started: Program) -> None:
    slips(started)
    words = ("lab", "import", "26-1.csv", "--report", "26-1")
    started.must(*words, on=LATER)
    said = started.must(*words, "--dry-run", on=LATER).out
    assert said == "26-1.csv: imported already (2 results); nothing was written\n"


def test_a_dry_run_needs_room_for_its_copy(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    slips(started)
    monkeypatch.setattr("tempfile.tempdir", str(started.folder / "not there"))
    said = started("lab", "import", "26-1.csv", "--dry-run", on=LATER)
    assert (said.code, said.out) == (2, "")
    assert "it cannot be tried on a copy (No such file or directory)" in said.err


def test_a_trials_own_assigned_value_wins_over_that_of_every_trial(started: Program) -> None:
    """Two trials use one soil; only the first found a value of its own for it."""
    folder = started.folder / "other"
    folder.mkdir()
    other = PROTOCOL.replace("Small house", "Far house").replace('label = "B', 'label = "F')
    (folder / "far.toml").write_text(other, encoding="utf-8")
    started.must("trial", "start", str(folder / "far.toml"), on=DAY0)
    value = "nitrate-N = {} mg/kg +- 1 mg/kg by 1 M KCl"
    started.must("lab", "reference", "house soil", value.format(30), "--all-trials", on=RESULTS)
    near = ("--trial", "Small house (invented)")
    started.must(*near, "lab", "reference", "house soil", value.format(34), on=RESULTS)
    rows = ""
    for name, beds in (("Small house (invented)", "B1,B2"), ("Far house (invented)", "F1,F2")):
        started.must("--trial", name, "pull", beds, on="2026-03-09T09:30+01:00")
        words = ("lab", "send", "--all-waiting", "--on", "today", "--reference", "house soil")
        said = started.must("--trial", name, *words, on="2026-03-10T09:00+01:00").out
        (line,) = [one for one in said.splitlines() if "reference of" in one]
        rows += f"{line.split()[1]},nitrate-N,34,mg/kg,1 M KCl\n"
    imported(started, "26-1", rows)

    found = json.loads(started.must("lab", "chart", "--json", on=LATER).out)["charts"]
    assert [(one["trial"], one["assigned"], [p["z"] for p in one["results"]]) for one in found] == [
        (None, 30.0, [4.0]),
        ("Small house (invented)", 34.0, [0.0]),
    ]
    said = started.must("lab", "chart", on=LATER).out
    assert "assigned 30 (sd 1); the newest" in said
    assert "assigned 34 (sd 1) in Small house (invented); the newest" in " ".join(said.split())


def two_halves(program: Program, other: str) -> tuple[str, str]:
    """A bag whose blind half came back with another value: codes of both."""
    season(program, parts=(("nitrate-N", 1.0),), values={0: VALUES[0]})
    said = program.must("pull", "B1,B2,B5,B6", on="2026-03-09T09:30+01:00")
    codes = [line.split()[0] for line in said.out.splitlines() if line.startswith("  ")]
    words = ("lab", "send", ",".join(codes), "--on", "today", "--duplicate")
    lines = program.must(*words, on="2026-03-10T09:00+01:00").out.splitlines()
    (twin,) = {line.split()[1] for line in lines if "duplicate of " in line}
    log = json.loads(program.must("lab", "log", "--sample", twin, "--json", on=LATER).out)
    (of,) = {one["of"] for one in log["samples"] if one["sample"] == twin}
    rows = "".join(f"{code},nitrate-N,{value},mg/kg,1 M KCl\n"
                   for code, value in [*((one, "14") for one in codes), (twin, other)])  # fmt: skip
    imported(program, "26-1", rows)
    return of, twin


def test_duplicates_beyond_the_limit_say_so_and_how_to_change_it(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = started.folder / "tables"
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(tables))
    of, twin = two_halves(started, "18")
    (query,) = asked(started)
    # 4 of the mean 16 are 25 %.
    told = f"blind duplicate {twin}: 14 and 18, RPD 25 %, beyond 20 %; most_rpd of laboratory.toml"
    assert (query["sample"], query["what"]) == (of, f"{told} sets that")
    setting = (
        "Duplicates that differ by more than 20 % (pH: 0.2) put their result in question, and out "
        f"of curves and fits; [most_rpd] in {tables / 'laboratory.toml'} sets another limit by "
        "nutrient, from the next import on."
    )
    for words in (("lab", "queries"), ("lab", "precision")):
        assert setting in " ".join(started.must(*words, on=LATER).out.split())
    notes = nitrate(started)["notes"]
    assert any("queried and left out" in one and told in one for one in notes)


def repeats_apart(program: Program) -> str:
    """A sample of which the laboratory gives two repeats that differ: its code."""
    code = pulled(program)["B1"]
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    said = imported(program, "26-1", row.format("30") + row.format("60"))
    assert "Note: 1 query about these results" in said
    return code


def test_repeats_that_differ_are_one_question_that_keeps_all_of_them_out(started: Program) -> None:
    code = repeats_apart(started)
    (query,) = asked(started)
    assert query["what"].startswith("laboratory repeat: 30 and 60, RPD 66.7 %, beyond 20 %")
    assert value_of(started, code) == []
    listed = json.loads(started.must("lab", "results", "--json", on=LATER).out)["results"]
    assert [one["in_question"] for one in listed] == [query["what"]] * 2
    # They are not held against the beds like them either, by a later report.
    imported(started, "26-2", f"{code},pH,6.5,,water 1:1\n")
    assert asked(started) == [query]
    started.must("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", "odd", on=LATER)
    assert sorted(value_of(started, code)) == [30.0, 60.0]


def test_of_repeats_that_differ_one_may_be_struck_or_all(started: Program) -> None:
    code = repeats_apart(started)
    told = " ".join(started.must("lab", "queries", on=LATER).out.split())
    assert "logbook strike CODE:NUTRIENT names them, and strikes one" in told
    started.must("strike", f"{code}:nitrate-N:2", "--reason", "spilled", on=LATER)
    assert asked(started) == []
    assert value_of(started, code) == [30.0]
    started.must("undo", on=LATER)
    started.must("lab", "answer", f"{code}:nitrate-N", "strike", "--reason", "both", on=LATER)
    assert values(started) == {}


def test_repeats_that_still_differ_are_asked_about_whatever_became_of_the_first(
    started: Program,
) -> None:
    code = repeats_apart(started)
    first = f"{code}:nitrate-N:1"
    why = ("--reason", "slip of the pen")
    started.must("correct", first, "--value", "31", *why, on=LATER)
    assert [one["value"] for one in asked(started)] == ["31"]
    assert value_of(started, code) == []
    started.must("correct", first, "--value", "58", *why, on=LATER)
    assert asked(started) == []
    assert sorted(value_of(started, code)) == [58.0, 60.0]


def test_of_three_repeats_the_two_that_are_left_are_asked_about(started: Program) -> None:
    code = pulled(started)["B1"]
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "26-1", "".join(map(row.format, ("30", "60", "200"))))
    started.must("strike", f"{code}:nitrate-N:1", "--reason", "spilled", on=LATER)
    assert [one["value"] for one in asked(started)] == ["60"]
    assert value_of(started, code) == []
    started.must("lab", "answer", f"{code}:nitrate-N", "strike", "--reason", "all", on=LATER)
    assert values(started) == {}


def test_repeats_that_are_re_issued_and_still_differ_are_one_question(started: Program) -> None:
    code = repeats_apart(started)
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "26-1", row.format("30") + row.format("90"), "--reissued")
    (query,) = asked(started)
    assert query["what"].startswith("laboratory repeat: 30 and 90, ")
    # The older question does not come back once the new one is answered.
    started.must("lab", "answer", f"{code}:nitrate-N", "accept", "--reason", "odd", on=LATER)
    assert asked(started) == []
    assert sorted(value_of(started, code)) == [30.0, 90.0]


@pytest.mark.parametrize("changed", [("60", "31"), ("30", "62")])
def test_a_re_issue_of_one_repeat_is_held_against_the_other(
    started: Program, changed: tuple[str, str]
) -> None:
    code = pulled(started)["B1"]
    row = f"{code},nitrate-N,{{}},mg/kg,1 M KCl\n"
    imported(started, "26-1", row.format("30") + row.format("31"))
    assert asked(started) == []
    imported(started, "26-1", "".join(map(row.format, changed)), "--reissued")
    assert [one["kind"] for one in asked(started)] == ["duplicate"]
    # Once the other is another, and near, nothing is asked of the one that stayed.
    near = ("60", "61") if changed[0] == "60" else ("61", "62")
    imported(started, "26-1", "".join(map(row.format, near)), "--reissued")
    assert asked(started) == []
    every = started.must("lab", "queries", "--all", on=LATER).out
    assert "moot: what it was held against is another now" in every


def test_a_wider_limit_lets_duplicates_pass(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = started.folder / "tables"
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(tables))
    tables.mkdir()
    (tables / "laboratory.toml").write_text("[most_rpd]\nnitrate-N = 30\n")
    two_halves(started, "18")
    assert asked(started) == []
    assert "Duplicates" not in started.must("lab", "precision", on=LATER).out


# On day 28 the bags of B1, a control, and B2 were exchanged.
EXCHANGED = {
    0: {"B1": 10.0, "B2": 14.0, "B5": 12.0, "B6": 15.0},
    7: {"B1": 12.0, "B2": 50.0, "B5": 13.0, "B6": 55.0},
    28: {"B1": 62.0, "B2": 14.0, "B5": 15.0, "B6": 65.0},
}


def test_a_second_look_into_exchanged_bags_does_not_say_whose_they_are(started: Program) -> None:
    codes = season(started, values=EXCHANGED, parts=(("nitrate-N", 1.0),))
    bags = [codes[28, "B1"], codes[28, "B2"]]
    # Whatever else is measured in such a bag is not used meanwhile either.
    imported(started, "P", f"{bags[0]},P,31,mg/kg,Mehlich-3\n")
    with opened(started) as (store, _):
        doubts = [what.partition(":")[0] for what in queries.in_question(store).values()]
    assert sorted(doubts) == ["its bag is in question", "nitrate-N 14 mg/kg", "nitrate-N 62 mg/kg"]
    named = ",".join(f"{bag}:nitrate-N" for bag in bags)
    started.must("lab", "answer", named, "re-run", "--reason", "?", "--alone", on=LATER)
    again = "".join(
        f"{bag},nitrate-N,{value},mg/kg,1 M KCl\n"
        for bag, value in zip(bags, (62.5, 14.2), strict=True)
    )
    imported(started, "again", again, "--repeat")
    assert {one["sample"]: one["state"] for one in asked(started)} == dict.fromkeys(bags, "open")
    assert [value_of(started, bag) for bag in bags] == [[], []]
    for label, other in (("B1", "B2"), ("B2", "B1")):
        words = ("correct", codes[28, label], "--bed", other, "--reason", "bags exchanged")
        started.must(*words, on=LATER)
    assert asked(started) == []
    assert [sorted(value_of(started, bag)) for bag in bags] == [[62.0, 62.5], [14.0, 14.2]]


def test_beds_corrected_in_the_second_of_the_import_end_its_questions(started: Program) -> None:
    codes = season(started, values=EXCHANGED)
    for label, other in (("B1", "B2"), ("B2", "B1")):
        words = ("correct", codes[28, label], "--bed", other, "--reason", "bags exchanged")
        started.must(*words, on=RESULTS)
    assert asked(started) == []


def test_a_correction_is_looked_at_as_an_import_is(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    words = ("correct", f"{codes[7, 'B5']}:nitrate-N", "--value", "1500", "--reason", "typing slip")
    said = started.must(*words, on=LATER)
    assert "1 query about these results, out of curves until answered" in said.err
    (query,) = asked(started)
    assert query["sample"] == codes[7, "B5"]


def test_bags_that_were_exchanged_are_asked_about_until_their_beds_are_corrected(
    started: Program,
) -> None:
    codes = season(started, values=EXCHANGED)
    bags = {codes[28, "B1"], codes[28, "B2"]}
    found = asked(started)
    assert {one["kind"] for one in found} == {"exchange"}
    assert {one["sample"] for one in found} == bags
    assert "ends its questions" in " ".join(started.must("lab", "queries", on=LATER).out.split())
    for label, other in (("B1", "B2"), ("B2", "B1")):
        words = ("correct", codes[28, label], "--bed", other, "--reason", "bags exchanged")
        started.must(*words, on=LATER)
    assert asked(started) == []
    assert {one["state"] for one in asked(started, "--all")} == {"moot"}
    every = started.must("lab", "queries", "--all", on=LATER).out
    assert "moot: its bed was corrected since" in every
    # Taken back: the bag of B2 is that of B2 again.
    started.must("undo", on=LATER)
    assert {one["sample"] for one in asked(started)} == {codes[28, "B2"]}


def test_a_person_puts_in_question_what_no_check_asks_about(started: Program) -> None:
    codes = season(started, parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    assert asked(started, "--all") == []
    words = ("lab", "answer", f"{code}:nitrate-N", "re-run", "--reason", "want a second")
    said = started.must(*words, on=LATER).out
    assert f"{code} nitrate-N put in question, re-run asked: want a second" in said
    assert f"    {code}  nitrate-N by 1 M KCl\n" in said
    assert said.count(" by 1 M KCl\n") == 2  # an unsuspected bed goes along
    (query,) = asked(started)
    assert (query["kind"], query["state"], query["deadline"]) == (
        "hand", "re-run asked", "2026-05-20",
    )  # fmt: skip
    assert query["what"] == "15 mg/kg is put in question: want a second"
    listing = started.must("lab", "queries", on=LATER).out
    assert "by hand (report s): 15 mg/kg is put in question: want a second" in listing
    assert listing.count("want a second") == 1
    # Out of the curve, and awaited, until the second run is here.
    assert value_of(started, code) == []
    assert any(query["what"] in note for note in nitrate(started)["notes"])
    waiting = started.must("lab", "log", "--waiting", "--each", on=LATER).out
    assert any(code in line and "re-run asked" in line for line in waiting.splitlines())
    imported(started, "again", f"{code},nitrate-N,15.4,mg/kg,1 M KCl\n", "--repeat")
    assert sorted(value_of(started, code)) == [15.0, 15.4]
    assert asked(started) == []
    # Both of its runs are in question where a third one is asked for.
    started.must(*words, on=LATER)
    assert value_of(started, code) == []
    started.must("undo", on=LATER)
    assert sorted(value_of(started, code)) == [15.0, 15.4]


def test_what_was_put_in_question_by_hand_is_one_act_and_may_be_answered(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},K,14.6,mg/kg,Mehlich-3\n")
    words = ("lab", "answer", f"{code}:K")
    refused = started(*words, "accept", "--reason", "fine", on=LATER)
    assert refused.code == 2
    assert f"there is no open query on {code}:K" in refused.err
    assert "the answer re-run to SAMPLE:NUTRIENT puts one in question" in refused.err
    started.must(*words, "re-run", "--reason", "last 148", on=LATER)
    started.must("undo", on=LATER)
    assert asked(started, "--all") == []
    started.must(*words, "re-run", "--reason", "last 148", on=LATER)
    started.must(*words, "accept", "--reason", "the laboratory is sure", on=LATER)
    assert asked(started) == []
    # In question once more: the person's word counts, although it was accepted.
    started.must(*words, "re-run", "--reason", "still not", on=LATER)
    assert [one["state"] for one in asked(started)] == ["re-run asked"]
    # Nothing stands of what was never measured.
    refused = started("lab", "answer", f"{code}:P", "re-run", "--reason", "x", on=LATER)
    assert (refused.code, refused.out) == (2, "")


def lines_of_letter(said: str) -> set[str]:
    """The codes that the laboratory is asked to measure again."""
    return set(re.findall(r"^    (\w{8})  \S+ by ", said, re.MULTILINE))


def test_of_two_halves_that_differ_both_are_measured_again(started: Program) -> None:
    of, twin = two_halves(started, "19.8")
    words = ("lab", "answer", f"{of}:nitrate-N", "re-run", "--reason", "halves")
    said = started.must(*words, on=LATER).out
    assert {of, twin} < lines_of_letter(said)
    assert len(lines_of_letter(said)) == 3  # and a bed drawn by chance
    told = " ".join(said.split())
    assert f"Note: {twin} nitrate-N: the other half of a bag in question, measured again" in told
    assert f"{twin} nitrate-N: not in question" not in told
    again = started.must(*words, on=LATER).out
    assert again.split("To the laboratory:")[1] == said.split("To the laboratory:")[1]
    waiting = started.must("lab", "log", "--waiting", "--each", on=LATER).out
    assert any(twin in line and "re-run asked" in line for line in waiting.splitlines())
    # What the other half gave speaks for one of two runs that differ.
    imported(started, "again", f"{of},nitrate-N,19.5,mg/kg,1 M KCl\n", "--repeat")
    (query,) = asked(started)
    assert query["kind"] == "runs"
    assert f"; the other half {twin} gave 19.8: ask for a third, or strike" in query["what"]


def test_a_second_run_that_bears_out_the_first_question_says_so(started: Program) -> None:
    codes = season(started, values=slipped(7, "B5", 1.5), parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    (query,) = asked(started)
    assert query["kind"] == "decimal"
    started.must("lab", "answer", f"{code}:nitrate-N", "re-run", "--reason", "?", on=LATER)
    imported(started, "again", f"{code},nitrate-N,15.2,mg/kg,1 M KCl\n", "--repeat")
    (query,) = asked(started)
    cause = "a misplaced decimal point, about a tenth"
    assert f"; run 2 bears out what was asked of run 1: {cause}: ask for a" in query["what"]


def test_a_third_run_takes_along_a_bed_that_was_measured_only_once(started: Program) -> None:
    codes = season(started, values=slipped(7, "B5", 1.5), parts=(("nitrate-N", 1.0),))
    code = codes[7, "B5"]
    words = ("lab", "answer", f"{code}:nitrate-N", "re-run", "--reason", "?")
    (first,) = lines_of_letter(started.must(*words, on=LATER).out) - {code}
    value = {codes[7, bed]: of for bed, of in VALUES[7].items()}[first]
    row = "{},nitrate-N,{},mg/kg,1 M KCl\n"
    imported(started, "again", row.format(code, "15.2") + row.format(first, value), "--repeat")
    words = (*words[:-1], "a third")
    said = started.must(*words, on=LATER).out
    (second,) = lines_of_letter(said) - {code}
    assert second in {codes[7, bed] for bed in ("B1", "B2", "B6")} - {first}
    assert "no other bed" not in said
    assert "--repeat: it is a measurement of its own" in " ".join(said.split())
    again = started.must(*words, on=LATER).out
    assert again.split("To the laboratory:")[1] == said.split("To the laboratory:")[1]


@pytest.mark.parametrize(
    ("row", "right", "value"),
    [
        ("K,0.33,mg/kg,Mehlich-3", "0.33 cmol(+)/kg", "129.02"),
        ("pH,65,,water 1:1", "6.5", "6.5"),
    ],
)
def test_a_slip_of_unit_or_point_is_corrected_as_the_footer_says(
    started: Program, row: str, right: str, value: str
) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},{row}\n")
    footer = " ".join(started.must("lab", "queries", on=LATER).out.split())
    assert "logbook correct CODE:NUTRIENT --value 'X UNIT' --reason TEXT puts the number" in footer
    name = f"{code}:{row.partition(',')[0]}"
    started.must("correct", name, "--value", right, "--reason", "asked them", on=LATER)
    assert asked(started) == []
    found = json.loads(started.must("lab", "results", "--json", on=LATER).out)["results"]
    assert [one["value"][:6] for one in found] == [value]
    assert "correct CODE" not in started.must("lab", "queries", "--all", on=LATER).out


def test_an_import_of_awaited_re_runs_says_that_they_were_asked_for(started: Program) -> None:
    codes = pulled(started)
    row = "{},K,{},mg/kg,Mehlich-3\n"
    imported(started, "R-1", "".join(row.format(codes[bed], 120) for bed in BEDS if bed in codes))
    for bed in ("B1", "B5"):
        words = ("lab", "answer", f"{codes[bed]}:K", "re-run", "--alone", "--reason", "?")
        started.must(*words, on=LATER)
    # The one came back with the very same number.
    rows = row.format(codes["B1"], 120) + row.format(codes["B5"], 131)
    (started.folder / "R-2.csv").write_text(HEADER + rows)
    import_it = ("lab", "import", "R-2.csv", "--report", "R-2")
    before = started.journal()
    said = started(*import_it, on=LATER)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "Error: R-2.csv: a re-run of just these was asked for on Wed 22 Apr 2026; the 2 results of "
        "report R-2 stand here already under report R-1 of Invented Soil Lab (1 equal, 1 "
        "different); nothing was written\n"
        "Try: --repeat if this is that re-run, or --replaces R-1 if it replaces that report\n"
    )
    assert started.journal() == before
    # Of a file with more than what is awaited nothing is supposed.
    (started.folder / "R-3.csv").write_text(HEADER + rows + row.format(codes["B2"], 125))
    other = started("lab", "import", "R-3.csv", "--report", "R-3", on=LATER).err
    assert "Try: --replaces R-1 if it replaces that report, or --repeat if" in other
    assert "a re-run" not in other
    started.must(*import_it, "--repeat", on=LATER)
    assert asked(started) == []


def test_a_re_run_that_gives_the_same_number_is_not_taken_for_the_first(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "R-1", f"{code},pH,6.4,,water 1:1\n")
    words = ("lab", "answer", f"{code}:pH", "re-run", "--reason", "?")
    started.must(*words, on=LATER)
    (started.folder / "R-2.csv").write_text(f"{HEADER}{code},pH,6.40,,water 1:1\n")
    said = started("lab", "import", "R-2.csv", "--report", "R-2", on=LATER)
    assert said.code == 2
    assert "a re-run of this one was asked for on Wed 22 Apr 2026" in said.err
    started.must("lab", "import", "R-2.csv", "--report", "R-2", "--repeat", on=LATER)
    assert asked(started) == []


def test_an_import_says_whose_numbers_it_puts_in_doubt(started: Program) -> None:
    """Day 7 came in first: only beside day 0 is it seen that its B5 has lost its point."""
    values = slipped(7, "B5", 150.0)
    codes = season(started, values={0: VALUES[0], 7: values[7]}, parts=(("nitrate-N", 1.0),))
    started.must("undo", on=LATER)
    row = "{},nitrate-N,{},mg/kg,1 M KCl\n"
    rows = {day: "".join(row.format(codes[day, bed], value) for bed, value in values[day].items())
            for day in (0, 7)}  # fmt: skip
    assert "about" not in imported(started, "R-7", rows[7])
    slip = f"{codes[0, 'B1']},K,0.33,mg/kg,Mehlich-3\n"
    said = " ".join(imported(started, "R-0", rows[0] + slip).split())
    assert {one["report"] for one in asked(started)} == {"R-0", "R-7"}
    assert "Note: 1 query about these results, 1 query about report R-7, out of curves" in said


def test_a_run_has_the_number_by_which_it_is_struck(started: Program) -> None:
    code = pulled(started)["B1"]
    row = f"{code},K,{{}},mg/kg,Mehlich-3\n"
    # In order of report the second run stands first.
    imported(started, "R-9", row.format(120))
    imported(started, "R-1", row.format(122), "--repeat")
    which = " ".join(started("strike", f"{code}:K", "--reason", "x", on=LATER).err.split())
    assert f"{code}:K:2 122 mg/kg, Mehlich-3, report R-1 of Invented Soil Lab, run 2" in which
    started.must("strike", f"{code}:K:1", "--reason", "spilled", on=LATER)
    assert values(started) == {(code, "K"): "122"}
    # What is left is run 2 as before, and no number of a list.
    wrong = started("strike", f"{code}:K:1", "--reason", "x", on=LATER)
    assert wrong.code == 2
    assert f"sample {code} has no result of K numbered 1\n" in wrong.err
    started.must("strike", f"{code}:K:2", "--reason", "spilled too", on=LATER)
    assert values(started) == {}


def test_a_history_says_that_a_query_is_moot_and_why(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},pH,65,,water 1:1\n")
    (started.folder / "again.csv").write_text(f"{HEADER}{code},pH,6.5,,water 1:1\n")
    started.must("lab", "import", "again.csv", "--report", "26-1", "--reissued", on=LATER)
    said = " ".join(started.must("history", f"{code}:pH", on=LATER).out.split())
    assert f"moot: it is 6.5 now | query {code}:pH" in said
    assert f"stands | query {code}:pH" not in said
    found = json.loads(started.must("history", f"{code}:pH", "--json", on=LATER).out)["lines"]
    assert [one["moot"] for one in found if one["kind"] == "query"] == ["it is 6.5 now"]


def test_a_history_names_runs_and_what_was_made_of_a_query(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "R-1", f"{code},pH,65,,water 1:1\n")
    query = f"| query {code}:pH"

    def told() -> str:
        return " ".join(started.must("history", f"{code}:pH", on=LATER).out.split())

    assert f"stands {query}" in told()
    started.must("lab", "answer", f"{code}:pH", "re-run", "--reason", "?", on=LATER)
    assert f"answered: re-run asked {query}" in told()
    imported(started, "R-2", f"{code},pH,6.5,,water 1:1\n", "--repeat")
    assert f"answered: re-run asked; moot: run 2 is here {query}" in told()
    assert "report R-2 of Invented Soil Lab, run 2)" in told()
    assert "report R-1 of Invented Soil Lab)" in told()
    said = json.loads(started.must("history", f"{code}:pH", "--json", on=LATER).out)["lines"]
    assert [one["answer"] for one in said if one["kind"] == "query"] == ["re-run asked", "", ""]


def re_issued(program: Program, number: str, rows: str) -> str:
    """Imported as a report that takes the place of 26-1."""
    (program.folder / "new.csv").write_text(HEADER + rows, encoding="utf-8")
    words = ("lab", "import", "new.csv", "--report", number, "--replaces", "26-1")
    return program.must(*words, on=LATER).out


def test_what_a_person_put_in_question_stays_so_under_the_number_of_a_re_issue(
    started: Program,
) -> None:
    codes = pulled(started)
    rows = [
        f"{codes[bed]},K,{value},mg/kg,Mehlich-3\n" for bed, value in (("B1", 14.6), ("B5", 20))
    ]
    imported(started, "26-1", "".join(rows))
    words = ("lab", "answer", f"{codes['B1']}:K", "re-run", "--alone", "--reason", "last 148")
    started.must(*words, on=LATER)
    re_issued(started, "26-2", "".join(rows))
    assert [one["state"] for one in asked(started)] == ["re-run asked"]
    (found, _) = json.loads(started.must("lab", "results", "--json", on=LATER).out)["results"]
    assert (found["report"], found["in_question"]) == (
        "26-2",
        "14.6 mg/kg is put in question: last 148",
    )
    started.must("undo", on=LATER)
    assert [one["state"] for one in asked(started)] == ["re-run asked"]
    for way in (("--method", "Olsen"), ("--basis", "moist")):
        started.must("correct", f"{codes['B1']}:K", *way, "--reason", "asked", on=LATER)
        assert [one["state"] for one in asked(started)] == ["re-run asked"]
    imported(started, "again", f"{codes['B1']},K,15,mg/kg as received,Olsen\n", "--repeat")
    assert asked(started) == []
    for _ in range(3):
        started.must("undo", on=LATER)
    # Another number is another matter, and so is one that a person struck.
    re_issued(started, "26-2", rows[0].replace("14.6", "146") + rows[1])
    assert asked(started) == []
    started.must("undo", on=LATER)
    started.must("strike", f"{codes['B1']}:K", "--reason", "spilled", on=LATER)
    imported(started, "26-3", rows[0], "--repeat")
    assert asked(started) == []


def test_a_number_that_was_accepted_is_not_asked_about_again_in_a_re_issue(
    started: Program,
) -> None:
    codes = pulled(started)
    rows = [
        f"{codes[bed]},K,{value},mg/kg,Mehlich-3\n" for bed, value in (("B1", 0.33), ("B5", 0.3))
    ]
    imported(started, "26-1", "".join(rows))
    started.must("lab", "answer", f"{codes['B1']}:K", "accept", "--reason", "sand", on=LATER)
    assert "1 query about these results" in re_issued(started, "26-2", "".join(rows))
    assert [one["sample"] for one in asked(started)] == [codes["B5"]]


def test_a_number_put_in_question_by_hand_is_answered_as_any_other(started: Program) -> None:
    code = pulled(started)["B1"]
    imported(started, "26-1", f"{code},K,14.6,mg/kg,Mehlich-3\n")
    words = ("lab", "answer", f"{code}:K")
    assert (
        f"{code} K put in question" in started.must(*words, "re-run", "--reason", "?", on=LATER).out
    )
    said = started.must(*words, "strike", "--reason", "point lost", on=LATER).out
    assert "  1 query answered, struck: point lost" in said
