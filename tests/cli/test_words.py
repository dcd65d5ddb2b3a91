"""People's own words, references that narrow, notes on the order of acts, what a strike refuses."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.cli.parted import LATER
from tests.program import Program

LINE_BREAK = "Try: write it as one line of plain text\n"
ODD: dict[str, tuple[list[str], str]] = {
    "note": (["note", "fan\nmoved"], "Error: the note has a line break (character 4)\n"),
    "event": (
        ["event", "B1", "spilled", "--text", "half\x1b[2J"],
        "Error: the text has a control character (character 5)\n",
    ),
    "again": (
        ["pull", "B1", "--again", "bag\u2028torn"],
        "Error: the reason has a line break (character 4)\n",
    ),
    "skip": (
        ["skip", "B1", "--for", "day 7", "--reason", "a\tb"],
        "Error: the reason has a control character (character 2)\n",
    ),
    "drop": (
        ["calendar", "drop", "day 7", "--reason", "a\rb"],
        "Error: the reason has a line break (character 2)\n",
    ),
    "set": (
        ["amendment", "set", "meal", "--density", "0.7 kg/L", "--reason", "a\u202eb"],
        "Error: the reason has a control character (character 2)\n",
    ),
}


@pytest.mark.parametrize("name", ODD)
def test_words_are_one_line_of_plain_text(started: Program, name: str) -> None:
    words, error = ODD[name]
    before = started.journal()
    said = started(*words)
    assert (said.code, said.err, started.journal()) == (2, error + LINE_BREAK, before)


def test_words_are_of_readable_length(started: Program) -> None:
    started.must("note", "x" * 2000)
    said = started("note", "x" * 2001)
    assert (said.code, said.err) == (
        2,
        "Error: the note has 2,001 characters: at most 2,000 are kept\n"
        "Try: keep the long text in a file and name the file\n",
    )


def test_acts_out_of_order_are_written_with_a_note(program: Program) -> None:
    from tests.program import PROTOCOL

    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    program.must("fill", "B1-B3", on="2026-03-03T09:00+01:00")
    on = "2026-03-04T09:00+01:00"
    for words in (["water", "B1"], ["apply", "B1,B2"], ["pull", "B2"]):
        said = program.must(*words, "--when", "2026-03-02", on=on)
        beds = "B1, B2 were" if words[0] == "apply" else f"{words[1]} was"
        assert said.err == f"Note: {beds} filled on Tue 3 Mar 2026: this is before it.\n"
    program.must("apply", "B4", "--amount", "4 kg", "--when", "2026-03-02", on=on)
    said = program.must("fill", "B4", on=on)
    assert said.err == "Note: B4 was applied on Mon 2 Mar 2026: this is after it.\n"

    act = program.must("water", "B3", on=on).act
    said = program.must("correct", f"{act}:B3", "--when", "2026-03-01", "--reason", "x", on=on)
    assert said.err == "Note: B3 was filled on Tue 3 Mar 2026: this is before it.\n"


def test_no_pull_is_before_the_application_that_it_follows(started: Program) -> None:
    started.must("apply", "control,M")
    (code,) = started.must("pull", "B1", "--for", "before").samples
    said = started("pull", "B2", "--for", "before", on="2026-03-03T09:00+01:00")
    assert (said.code, said.err) == (
        2,
        "Error: B2 was applied on Mon 2 Mar 2026: a pull of Tue 3 Mar 2026 is not one for "
        "'before'\nTry: check the day, or leave --for out\n",
    )
    words = ("correct", code, "--when", "2026-03-04", "--reason", "x")
    said = started(*words, on="2026-03-05T09:00+01:00")
    assert said.err.startswith(
        "Error: B1 was applied on Mon 2 Mar 2026: a pull of Wed 4 Mar 2026 is not one for 'before'"
    )


def test_a_start_is_not_struck_under_what_was_done(program: Program) -> None:
    from tests.program import PROTOCOL

    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    start = program.must("trial", "start", "trial.toml").act
    first = program.must("water", "B2,B3").act
    program.must("pull", "B3")
    said = program("strike", start, "--reason", "wrong file")
    assert (said.code, said.err) == (
        2,
        f"Error: {first}:B2 speaks of bed B2, which cannot be struck while that stands\n"
        f"Try: strike the later line first: logbook strike {first}:B2 --reason TEXT\n",
    )
    program.must("undo")
    program.must("undo")
    said = program.must("strike", start, "--reason", "wrong file")
    assert f"of {start}: wrong file" in said.out


def test_a_bed_is_not_struck_under_its_pull(program: Program) -> None:
    from tests.program import PROTOCOL

    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    start = program.must("trial", "start", "trial.toml").act
    (code,) = program.must("pull", "B4").samples
    said = program("strike", f"{start}:B4", "--reason", "no such bed")
    assert said.err.startswith(
        f"Error: {code} speaks of bed B4, which cannot be struck while that stands\n"
    )
    assert program.must("strike", f"{start}:B3", "--reason", "no such bed").code == 0


def results(program: Program, *typed: tuple[str, str]) -> str:
    """A sample with nitrate-N by these methods; its code."""
    (code,) = program.must("pull", "B1").samples
    for value, method in typed:
        program.must("lab", "add", code, "nitrate-N", value, "--method", method, on=LATER)
    return code


def test_a_result_is_named_by_its_method(started: Program) -> None:
    code = results(started, ("12 mg/kg", "1 M KCl"), ("9 mg/kg", "water 1:1"))
    said = started("correct", f"{code}:nitrate-N", "--value", "13", "--reason", "x", on=LATER)
    assert said.code == 2
    head, _, *listed = said.err.splitlines()
    assert head == f"Error: sample {code} has 2 results of nitrate-N"
    assert [line.strip().split("  ")[0] for line in listed] == [
        f"'{code}:nitrate-N:1 M KCl'",
        f"'{code}:nitrate-N:water 1:1'",
    ]
    for which in ("1 m kcl", "water 1:1", "2"):
        name = f"{code}:nitrate-N:{which}"
        said = started.must("correct", name, "--value", f"1{len(which)}", "--reason", "x", on=LATER)
        assert f"corrected {name}" in said.out
    said = started("strike", f"{code}:nitrate-N:acid", "--reason", "x", on=LATER)
    assert said.err.startswith(
        f"Error: sample {code} has no result of nitrate-N by 'acid'\nTry: type one of:\n"
    )


def lines(program: Program, of: str) -> list[dict[str, Any]]:
    found = json.loads(program.must("history", of, "--json", on=LATER).out)["lines"]
    return [line for line in found if "water" in line["what"] or line["kind"] != "trial"]


def states(program: Program, of: str) -> list[tuple[str, str]]:
    return [(line["what"], line["state"]) for line in lines(program, of)]


def test_a_history_says_what_became_of_each_line(started: Program) -> None:
    act = started.must("water", "B1", "--amount", "250 mL", "--known", "metered").act
    first, second = "B1: watered 250 mL (metered)", "B1: watered 200 mL (metered)"
    line = f"{act}:B1"
    words = ("--amount", "200 mL", "--known", "metered", "--reason", "half")
    started.must("correct", line, *words, on="2026-03-02T10:00+01:00")
    told = [(first, "corrected"), (f"corrected to {second}", "stands")]
    assert states(started, line) == told
    started.must("strike", line, "--reason", "dry", on="2026-03-02T11:00+01:00")
    told = [told[0], (f"corrected to {second}", "struck"), ("struck", "")]
    assert states(started, line) == told
    started.must("undo", on="2026-03-02T12:00+01:00")
    told = [
        told[0],
        (f"corrected to {second}", "stands"),
        ("struck", "undone"),
        (f"again: {second}", ""),
    ]
    assert states(started, line) == told
    started.must("undo", on="2026-03-02T13:00+01:00")
    told = [
        (first, "stands"),
        (f"corrected to {second}", "undone"),
        ("struck", "undone"),
        (f"again: {second}", "undone"),
    ]
    assert states(started, line) == [*told, (f"again: {first}", "")]
    started.must("undo", on="2026-03-02T14:00+01:00")
    assert states(started, line)[0] == (first, "undone")
    assert states(started, line)[-1] == ("taken back", "")


def test_a_history_is_told_in_the_trials_zone_within_a_screen(started: Program) -> None:
    # Midnight in Berlin is 23:00 of the day before in UTC.
    (code,) = started.must("pull", "B1", on="2026-03-02T00:30+01:00").samples
    started.must("note", "long " * 40, "--on", "B1", on="2026-03-02T00:31+01:00")
    out = started.must("history", "B1", on=LATER).out
    assert max(map(len, out.splitlines())) <= 80
    assert "2026-03-02 00:30  mira: B1: pulled" in out
    found = json.loads(started.must("history", code, "--json", on=LATER).out)["lines"]
    assert found[0]["written"] == "2026-03-01T23:30:00+00:00"


def test_a_history_rounds_on_the_screen_only(started: Program) -> None:
    act = started.must("water", "B1", "--amount", "0.2501234567 gal").act
    (line,) = json.loads(started.must("history", act, "--json").out)["lines"]
    started.must("measure", "EC", "1.23456789 dS/m", "--on", "B1")
    assert "EC: 1.23457 dS/m" in started.must("history", "B1").out
    exact = json.loads(started.must("history", "B1", "--json").out)["lines"][-1]["what"]
    assert exact == "B1: EC: 1.23456789 dS/m"
    assert line["what"] == "B1: watered 0.2501234567 gal (how known: not said)"


def test_a_pull_names_the_planned_pull_that_it_served(started: Program) -> None:
    started.must("apply", "control,M")
    (code,) = started.must("pull", "B1").samples
    assert f"B1: pulled {code} for day 0, 8 cores to 15 cm" in started.must("history", code).out


def test_the_density_of_the_soil_is_set_once_then_corrected(program: Program) -> None:
    from tests.program import PROTOCOL

    text = PROTOCOL.replace('bulk_density = "1.2 kg/L"', 'bulk_density = "not known yet"')
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml")
    first = program.must("amendment", "set", "soil", "--density", "1.2 kg/L").act
    said = program("amendment", "set", "soil", "--density", "1.3 kg/L")
    assert (said.code, said.err) == (
        2,
        "Error: known already: the soil's density\n"
        "Try: add --reason TEXT to correct it; the old value stays readable\n",
    )
    second = program.must(
        "amendment", "set", "soil", "--density", "1.3 kg/L", "--reason", "core was short"
    ).act
    told = json.loads(program.must("history", first, "--json").out)["lines"]
    assert [line["kind"] for line in told] == ["trial", "set", "correct"]
    assert program.must("undo").out.split("  ")[1].startswith(f"took back the correction {second} ")


def test_beds_are_listed_in_bench_order(started: Program) -> None:
    reference = json.loads(started.must("history", "B2", "--json").out)["lines"][-1]["reference"]
    act = reference.partition(":")[0]
    said = started("fill", "B6,B2,B4,B5")
    assert said.err == (
        "Error: filled already: B2, B4-B6 on Sun 1 Mar 2026 10:00; nothing was written\n"
        f"Try: if that line is wrong: logbook correct {act}:B2,B4-B6; if soil was added: logbook "
        "event B2,B4-B6 refilled\n"
    )
    # What it says can be typed.
    beds = f"{act}:B2,B4-B6"
    started.must("correct", beds, "--mass", "112 kg", "--reason", "scale")
    started.must("event", "B2,B4-B6", "refilled")


def test_undo_says_in_words_what_it_took_back(started: Program) -> None:
    fill = json.loads(started.must("history", "B1", "--json").out)["lines"][-1]["reference"]
    water = started.must("water", "B1-B3").act
    assert started.must("undo").out.split("  ")[1] == f"took back the watering {water} of B1-B3\n"
    act = started.must("water", "B1").act
    correct = ("correct", f"{act}:B1", "--amount", "0.2 L", "--reason", "x")
    code = started.must(*correct).act
    said = started.must("undo").out
    assert said.split("  ")[1] == f"took back the correction {code} of {act}:B1\n"
    started.must("undo")
    said = started.must("undo").out
    assert said.split("  ")[1] == f"took back the filling {fill.partition(':')[0]} of B1-B6\n"


def test_undo_of_an_import_names_its_report(started: Program) -> None:
    (code,) = started.must("pull", "B1").samples
    file = started.folder / "r.csv"
    file.write_text(
        "sample,nutrient,value,unit,method\n"
        f"{code},NO3-N,10,mg/kg,1 M KCl\n{code},pH,6.36,,water 1:1\n"
    )
    started.must("lab", "import", str(file), "--report", "26-1", on=LATER)
    told = started.must("history", code, on=LATER).out
    assert "pH 6.36 (reported 6.36 as pH; water 1:1" in " ".join(told.split())
    said = started.must("undo", on=LATER).out
    assert said.split("  ")[1] == "took back the import of report 26-1 (2 results)\n"


def test_of_an_import_that_replaced_others_its_own_results_are_counted(started: Program) -> None:
    (code,) = started.must("pull", "B1").samples
    file = started.folder / "r.csv"
    rows = "sample,nutrient,value,unit,method\n" + f"{code},NO3-N,10,mg/kg,1 M KCl\n"
    file.write_text(f"{rows}{code},pH,6.36,,water 1:1\n")
    started.must("lab", "import", str(file), "--report", "26-1", on=LATER)
    file.write_text(f"{rows}{code},pH,6.4,,water 1:1\n")
    words = ("lab", "import", str(file), "--report", "26-2", "--replaces", "26-1")
    started.must(*words, on=LATER)
    said = started.must("undo", on=LATER).out
    assert " ".join(said.split()[1:]) == (
        "took back the import of report 26-2 (2 results; 2 results that it replaced, back again)"
    )
    told = started.must(*words, on=LATER).out.partition("  imported")[0]
    said = started.must("strike", told.split()[-1], "--reason", "x", on=LATER).out
    assert said.split("  ")[1] == (
        "struck the import of report 26-2 of Invented Soil Lab (2 results): x\n"
    )


def test_what_an_answer_holds_is_struck_after_the_act_of_the_answer(started: Program) -> None:
    (code,) = started.must("pull", "B1").samples
    file = started.folder / "r.csv"
    file.write_text(f"sample,nutrient,value,unit,method\n{code},pH,65,,water 1:1\n")
    act = started.must("lab", "import", str(file), "--report", "26-1", on=LATER).act
    answer = ("lab", "answer", f"{code}:pH", "re-run", "--reason", "point lost?")
    later = started.must(*answer, on=LATER).act
    said = started("strike", act, "--reason", "x", on=LATER)
    assert said.code == 2
    assert f"strike the later line first: logbook strike {later} --reason TEXT\n" in said.err
    started.must("strike", later, "--reason", "x", on=LATER)
    started.must("strike", act, "--reason", "x", on=LATER)
