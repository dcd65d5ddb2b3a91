"""Wrong input of many classes: one clear error, exit code 2, no traceback, no trace anywhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.program import PROTOCOL, Program

ON = "2026-03-02T09:00+01:00"
GOOD_CODE = "RT4MAXCL"  # valid check symbol, no such sample
HEADER = "sample,nutrient,value,unit,method\n"

# name: (what is typed, what is said on stderr in full)
COMMANDS: dict[str, tuple[list[str], str]] = {
    "unknown bed": (
        ["water", "B9"],
        "Error: 'B9' is no bed, block or treatment here\n",
    ),
    "range over missing beds": (
        ["water", "B4-B9"],
        "Error: 'B4-B9' reaches over beds that do not exist: B7, B8, B9\n",
    ),
    "unit of another kind": (
        ["water", "B1", "--amount", "250 kg"],
        "Error: 'kg' is not a unit of volume\n",
    ),
    "no unit": (["water", "B1", "--amount", "250"], "Error: '250' has no unit\n"),
    "no number": (["water", "B1", "--amount", "much"], "Error: 'much' is not an amount\n"),
    "nothing": (["water", "B1", "--amount", "0 mL"], "Error: '0 mL' must be more than nothing\n"),
    "negative": (
        ["apply", "B2", "--amount", "-5 kg"],
        "Error: '-5 kg' must be more than nothing\n",
    ),
    "no such day": (
        ["water", "B1", "--when", "2026-02-30"],
        "Error: '2026-02-30' is not a day of the calendar\n",
    ),
    "no time": (["water", "B1", "--when", "soon"], "Error: 'soon' is not a time\n"),
    "future": (
        ["water", "B1", "--when", "2026-03-03"],
        "Error: Tue 3 Mar 2026 is in the future\n",
    ),
    "hour that the clocks skip": (
        ["note", "x", "--when", "2025-03-30 02:30"],
        "Error: 02:30 did not exist on 2025-03-30 in Europe/Berlin: the clocks were put forward\n",
    ),
    "hour that occurs twice": (
        ["note", "x", "--when", "2025-10-26 02:30"],
        "Error: 02:30 happened twice on 2025-10-26 in Europe/Berlin: the clocks were put back\n",
    ),
    "known in no way": (
        ["water", "B1", "--amount", "1 L", "--known", "guessed"],
        "Error: 'guessed' is not a way to know an amount\n",
    ),
    "planned called measured": (
        ["water", "B1", "--known", "metered"],
        "Error: what was metered? the planned amount is not a measurement\n",
    ),
    "amount for a control": (
        ["apply", "B1", "--amount", "1 kg"],
        "Error: control beds get no amendment: leave out --amount\n",
    ),
    "filled twice": (
        ["fill", "B1"],
        "Error: filled already: B1 on Sun 1 Mar 2026 10:00; nothing was written\n",
    ),
    "no such planned pull": (
        ["pull", "B1", "--for", "day 99"],
        "Error: the calendar has no pull 'day 99'\n",
    ),
    "no cores": (["pull", "B1", "--cores", "0"], "Error: a sample has at least one core\n"),
    "code with a wrong check symbol": (
        ["pull", "B1", "--code", "RT4MAXCX"],
        "Error: 'RT4MAXCX' is not a sample code: its check symbol is wrong\n",
    ),
    "too few codes": (
        ["pull", "B1,B2", "--code", GOOD_CODE],
        "Error: 2 beds need 2 different codes, not 1\n",
    ),
    "reference value without a method": (
        ["lab", "reference", "soil", "P = 35 mg/kg"],
        "Error: P needs its method\n",
    ),
    "reference value without a unit": (
        ["lab", "reference", "soil", "P = 35 by Olsen"],
        "Error: 35 of P has no unit\n",
    ),
    "reference value that says no nutrient": (
        ["lab", "reference", "soil", "35 mg/kg by Olsen"],
        "Error: '35 mg/kg by Olsen' is not a value\n",
    ),
    "reference SD in per cent of something": (
        ["lab", "reference", "soil", "P = 35 mg/kg +- 5 % by Olsen"],
        "Error: '5 %' may be a share of the value or of the soil\n",
    ),
    "reference SD of nothing": (
        ["lab", "reference", "soil", "P = 35 mg/kg +- 0 by Olsen"],
        "Error: an SD is more than nothing\n",
    ),
    "reference SD beyond the value": (
        ["lab", "reference", "soil", "P = 35 mg/kg +- 200 by Olsen"],
        "Error: the SD '200' is larger than the value\n",
    ),
    "reference value of an extract": (
        ["lab", "reference", "soil", "P = 35 mg/L by Olsen"],
        "Error: mg/L is a concentration in an extract (or per volume of soil), not a content of "
        "the dry soil\n",
    ),
    "reference pH that does not exist": (
        ["lab", "reference", "soil", "pH = 68 by water 1:1"],
        "Error: a pH of 68 does not exist\n",
    ),
    "reference value twice": (
        ["lab", "reference", "soil", "P = 1 mg/kg by Olsen", "P = 2 mg/kg by Olsen"],
        "Error: P by Olsen is given twice\n",
    ),
    "reference without a name": (
        ["lab", "reference", "  ", "P = 1 mg/kg by Olsen"],
        "Error: the material has no name\n",
    ),
    "reference method of no value": (
        ["lab", "reference", "soil", "--method", "Olsen"],
        "Error: no value was given\n",
    ),
    "no such event": (["event", "B1", "exploded"], "Error: 'exploded' is not an event\n"),
    "empty note": (["note", "  "], "Error: the note is empty\n"),
    "strike without a reason": (
        ["strike", GOOD_CODE],
        "Error: a correction needs its reason\n",
    ),
    "unknown code": (
        ["strike", GOOD_CODE, "--reason", "x"],
        f"Error: no line has the code {GOOD_CODE}\n",
    ),
    "not a code": (
        ["correct", "B1", "--amount", "1 L", "--reason", "x"],
        "Error: 'B1' is not a code of this logbook\n",
    ),
    "settling that decides nothing": (
        ["settle", GOOD_CODE, "--reason", "x"],
        "Error: nothing was decided\nTry: of a line, say --keep or --strike\n",
    ),
    "settling two pulls without a word": (
        ["settle", GOOD_CODE, "XW3KRT9D", "--reason", "x"],
        "Error: nothing was decided\nTry: of two pulls, say --same or --different\n",
    ),
    "settling in two ways": (
        ["settle", GOOD_CODE, "--keep", "1", "--strike", "--reason", "x"],
        "Error: --keep and --strike contradict\nTry: of a line, say --keep or --strike\n",
    ),
    "settling one pull as the same": (
        ["settle", GOOD_CODE, "--same", "--reason", "x"],
        "Error: --same is about two pulls, and a line was named\n"
        "Try: of a line, say --keep or --strike\n",
    ),
    "settling two pulls by a version": (
        ["settle", GOOD_CODE, "XW3KRT9D", "--keep", "1", "--reason", "x"],
        "Error: --keep is about one line, and two pulls were named\n"
        "Try: of two pulls, say --same or --different\n",
    ),
    "settling without a reason": (
        ["settle", GOOD_CODE, "--keep", "1"],
        "Error: a decision needs its reason\nTry: add --reason TEXT\n",
    ),
    "settling what is not there": (
        ["settle", GOOD_CODE, "--keep", "1", "--reason", "x"],
        f"Error: no line has the code {GOOD_CODE}\n",
    ),
    "settling a mistyped line": (
        ["settle", "the third one", "--keep", "1", "--reason", "x"],
        "Error: 'the third one' is not a code of this logbook\nTry: logbook conflicts",
    ),
    "settling pulls with a mistyped code": (
        ["settle", GOOD_CODE, "RT4MAXCX", "--same", "--reason", "x"],
        "Error: 'RT4MAXCX' is not a sample code: its check symbol does not fit: "
        "a symbol is wrong or swapped\n",
    ),
    "settling pulls that are no pair": (
        ["settle", GOOD_CODE, "NEKQ9REE", "--same", "--reason", "x"],
        f"Error: {GOOD_CODE} and NEKQ9REE are no pair of pulls that may be one\n",
    ),
    "settling with a reason of two lines": (
        ["settle", GOOD_CODE, "--strike", "--reason", "x\ny"],
        "Error: the reason has a line break (character 2)\n",
    ),
    "enrolling nobody": (
        ["machines", "enrol", "shed", "--yes"],
        "Error: there is no machine called 'shed' in this book\nTry: logbook machines\n",
    ),
    "enrolling no name": (
        ["machines", "enrol", " ", "--yes"],
        "Error: there is no machine called ' ' in this book\nTry: logbook machines\n",
    ),
    "retiring nobody": (
        ["machines", "retire", "ffffffff", "--reason", "x"],
        "Error: there is no machine called 'ffffffff' in this book\nTry: logbook machines\n",
    ),
    "retiring without a reason": (
        ["machines", "retire", "shed"],
        "Error: a retirement needs its reason\nTry: add --reason TEXT\n",
    ),
    "something else with machines": (
        ["machines", "enroll", "shed"],
        "Error: No such command 'enroll'. Did you mean 'enrol'?\n",
    ),
    "an option that listing machines has not": (
        ["machines", "--words"],
        "Error: No such option: --words\n",
    ),
    "unknown treatment": (
        ["curve", "pH", "Z9"],
        "Error: there is no treatment 'Z9' to compare with the control\n",
    ),
    "unknown nutrient": (
        ["curve", "unobtainium"],
        "Error: 'unobtainium' is not a nutrient this program knows\n",
    ),
    "no results yet": (
        ["curve", "pH"],
        "Error: there are no results of pH to compare with the control yet\n",
    ),
    "started twice": (
        ["trial", "start", "trial.toml"],
        "Error: trial.toml: this trial was started already; nothing was written\n",
    ),
    "no such trial": (
        ["--trial", "Other", "today"],
        "Error: there is no trial called 'Other'\n",
    ),
    "no such amendment": (
        ["amendment", "set", "gold", "--density", "1 kg/L"],
        "Error: there is no amendment 'gold'\n",
    ),
    "known already": (
        ["amendment", "set", "meal", "--density", "0.7 kg/L"],
        "Error: known already: lot-density\n",
    ),
    "no such protocol": (
        ["trial", "check", "missing.toml"],
        "Error: missing.toml: cannot be read (No such file or directory)\n",
    ),
    "unknown command": (
        ["amend"],
        "Error: No such command 'amend'. Did you mean 'amendment', 'calendar'?\n",
    ),
    "unknown option": (["water", "B1", "--litres", "1"], "Error: No such option: --litres\n"),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_one_clear_error_and_no_trace(started: Program, name: str) -> None:
    words, expected = COMMANDS[name]
    before = started.journal()

    said = started(*words, on=ON)

    assert said.code == 2
    assert expected in said.err, said.err
    assert "Traceback" not in said.err
    assert said.out == ""
    assert started.journal() == before


# name: (the file's bytes, a line of stderr in full)
FILES: dict[str, tuple[bytes, str]] = {
    "unknown unit": (
        f"{HEADER}{GOOD_CODE},P,12,stones,Olsen\n".encode(),
        "report.csv, row 2, column unit (value 'stones')",
    ),
    "mistyped code": (
        f"{HEADER}RT4MAXCX,P,12,mg/kg,Olsen\n".encode(),
        "report.csv, row 2, column sample (value 'RT4MAXCX')",
    ),
    "unknown nutrient in a file": (
        f"{HEADER}{GOOD_CODE},Unobtainium,12,mg/kg,Olsen\n".encode(),
        "report.csv, row 2, column nutrient (value 'Unobtainium')",
    ),
    "not a value": (
        f"{HEADER}{GOOD_CODE},P,high,mg/kg,Olsen\n".encode(),
        "report.csv, row 2, column value (value 'high')",
    ),
    "no method": (
        f"{HEADER}{GOOD_CODE},P,12,mg/kg,\n".encode(),
        "report.csv, row 2, column method (value '')",
    ),
    "empty": (b"", "report.csv: the file is empty"),
    "header only": (HEADER.encode(), "report.csv"),
    "binary": (
        b"PK\x03\x04" + bytes(range(256)),
        "report.csv: the spreadsheet is damaged or cut short",
    ),
    "NULs": (HEADER.encode() + b"\x00\x00\x00", "report.csv"),
}


@pytest.mark.parametrize("name", FILES)
def test_a_wrong_file_names_file_row_column_value(started: Program, name: str) -> None:
    data, expected = FILES[name]
    (started.folder / "report.csv").write_bytes(data)
    before = started.journal()

    said = started("lab", "import", "report.csv", on=ON)

    assert said.code == 2
    assert expected in said.err, said.err
    assert "Traceback" not in said.err
    assert started.journal() == before


def test_all_problems_of_a_file_come_at_once(started: Program) -> None:
    rows = f"{GOOD_CODE},P,x,mg/kg,Olsen\n{GOOD_CODE},K,12,stones,Olsen\n"
    (started.folder / "report.csv").write_text(HEADER + rows)

    said = started("lab", "import", "report.csv", on=ON)

    assert "row 2, column value" in said.err
    assert "row 3, column unit" in said.err
    assert "2 problems; nothing was written" in said.err


def test_all_problems_of_a_protocol_come_at_once_with_their_lines(program: Program) -> None:
    wrong = PROTOCOL.replace('"1.2 kg/L"', '"1.2 kg"').replace("Europe/Berlin", "Europe/Atlantis")
    Path("trial.toml").write_text(wrong, encoding="utf-8")

    said = program("trial", "start", "trial.toml")

    assert said.code == 2
    assert "trial.toml, line 6, trial.zone: " in said.err
    assert "trial.toml, line 19, soil.bulk_density: " in said.err
    assert not program.store.exists()


@pytest.mark.parametrize("words", [["history", "B1"], ["water", "B1"], ["curve"], ["verify"]])
def test_an_empty_store_is_said_so_and_nothing_is_made(program: Program, words: list[str]) -> None:
    said = program(*words)

    assert said.code == 2
    assert "there is no logbook here yet" in said.err
    assert not program.store.exists()


def test_a_file_that_is_no_store_is_left_alone(program: Program) -> None:
    program.store.write_text("shopping list")

    for words in (["today"], ["note", "x"], ["trial", "start", "trial.toml"]):
        (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
        said = program(*words)
        assert said.code == 2
        assert "is not a logbook store" in said.err
        assert program.store.read_text() == "shopping list"


def test_asking_without_a_terminal_names_the_flag(started: Program) -> None:
    started.must("apply", "control,M")
    started.must("pull", "B1", "--for", "day 0")
    before = started.journal()

    said = started("pull", "B1")

    assert said.code == 2
    assert said.err.endswith("Try: answer with --again REASON\n")
    assert started.journal() == before
