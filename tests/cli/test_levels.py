"""`levels` as its user meets it: the screen, the document, edited tables, what gets no class."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from logbook import handbook
from logbook.report.levels import NO_ADVICE
from tests import program as programs
from tests.one_date import DAY0, DAY28, day28, pulled, report
from tests.program import PROTOCOL, Program

SENTENCE = "extractable today, not a recommendation"
START = """
[soil.start]
P = { value = "35.5 mg/kg", method = "Mehlich-3" }
Mn = { value = "20 mg/kg", method = "Mehlich-3" }
pH = { value = "6.5", method = "water 1:1" }
EC = { value = "0.4 dS/m", method = "water 1:2" }
"""


def begun(program: Program, soil: str = START, texture: str = "sandy loam") -> Program:
    """The small trial with another soil."""
    text = PROTOCOL.replace("\n[sizes.bed]", f"{soil}\n[sizes.bed]")
    text = text.replace('texture = "sandy loam"', f'texture = "{texture}"')
    return programs.begun(program, text)


def rows(said: str) -> list[list[str]]:
    return [line.split() for line in said.splitlines()]


def flat(said: str) -> str:
    return " ".join(said.split())


def document(program: Program, *words: str) -> dict[str, list[dict[str, object]]]:
    found: dict[str, list[dict[str, object]]] = json.loads(
        program.must("levels", "--json", *words).out
    )["levels"]
    return found


def test_the_starting_soil(program: Program) -> None:
    """Rutgers NJAES: P 71 lb/acre = 35.5 mg/kg ends "medium"; MnAI of Mn 20, pH 6.5 is 77.9."""
    said = begun(program).must("levels").out
    assert ["P", "Mehlich-3", "35.5", "medium", "22.5", "to", "35.5", "35.5", "to", "68.5",
            "just", "below"] in rows(said)  # fmt: skip
    assert "Mn 20.0: index 77.9" in said
    assert "no table for this nutrient: pH 6.50 (water 1:1)" in said
    assert "(there is one for saturated paste): EC dS/m 0.400 (water 1:2)" in flat(said)
    assert "Rutgers NJAES, relative levels of nutrients by Mehlich-3" in flat(said)
    assert "Control: no result yet" in said
    assert NO_ADVICE in flat(said)


def test_the_control_and_its_amended_neighbours(started: Program) -> None:
    """Northern Ireland SR 2019/81: 12.5 mg/kg x 1.2 kg/L = 15 mg/L, the end of index 1."""
    said = day28(started).must("levels").out
    assert max(map(len, said.splitlines())) <= 80 and said.isascii()
    assert "Starting soil: no value is known" in said
    assert "Control today: 2 beds, Mon 9 Mar 2026 to Mon 30 Mar 2026" in said
    assert ["P", "Olsen", "12.5", "index", "1", "7.5", "to", "12.5", "-", "-"] in rows(said)
    assert ["Zn", "DTPA", "2.00", "sufficient", "above", "1", "above", "1", "within"] in rows(said)
    # 90 mg/kg are 180 lb/acre: "high" by Rutgers NJAES.
    assert ["K", "Mehlich-3", "90.0", "high"] in [row[:4] for row in rows(said)]
    assert f"Amended beds (C10, M): {SENTENCE}: no class" in flat(said)
    assert "30.5" not in said


def test_amended_beds_bare_where_it_is_asked_for(started: Program) -> None:
    said = day28(started).must("levels", "--with-amended").out
    assert max(map(len, said.splitlines())) <= 80
    assert f"M, {SENTENCE}: 2 beds" in said and f"C10, {SENTENCE}: 2 beds" in said
    assert ["P", "Olsen", "30.5", "index", "3", "20.83", "to", "37.5", "-", "-"] in rows(said)
    # "<2" and 9 mg/kg: a mean from 4.5 to 5.5, 5.4 to 6.6 mg/L.
    assert ["P", "Olsen", "[4.50", "to", "5.50]", "index", "0", "up", "to", "7.5", "-", "-"] in (
        rows(said)
    )


def test_the_document(started: Program) -> None:
    found = document(day28(started))
    control = {str(one["nutrient"]): one for one in found["control"]}
    assert control["P"]["class"] == "index 1" and control["P"]["beds"] == 2
    assert control["EC"]["class"] is None
    assert control["EC"]["reason"] == "no table for this method (there is one for saturated paste)"
    assert control["Zn"]["sufficient"] == [1.0, None]
    assert "mineral-N" not in control
    amended = [one for one in found["amended"] if one["nutrient"] == "P"]
    assert {one["treatment"] for one in amended} == {"M", "C10"}
    assert all(one["class"] is None and one["sufficient"] is None for one in amended)
    assert all(one["reason"] == one["sentence"] == SENTENCE for one in amended)
    bare = [one for one in document(started, "--with-amended")["amended"] if one["class"]]
    assert bare and all(one["sentence"] == SENTENCE for one in bare)


def drifted(program: Program, labels: str, early: list[str], late: list[str]) -> Program:
    """P of control beds on days 0 and 28."""
    begun(program).must("apply", "all", on=DAY0)
    for number, (on, values) in enumerate(((DAY0, early), (DAY28, late)), 1):
        codes = pulled(program, labels, on)
        values_of = zip(codes.values(), values, strict=True)
        lines = [(code, "P", value, "mg/kg", "Mehlich-3") for code, value in values_of]
        report(program, lines, str(number))
    return program


def test_the_controls_drift_is_paired_by_bed(program: Program) -> None:
    """By hand: changes 2 and 4, mean 3, se 1, t(.975, 1) = 12.706: -9.7 to 15.7."""
    (one,) = document(drifted(program, "B1,B5", ["20", "60"], ["22", "64"]))["control_drift"]
    assert (one["change"], one["df"], one["beds"]) == (3.0, 1.0, 2)
    assert one["low"] == pytest.approx(-9.706, abs=1e-3)
    assert one["high"] == pytest.approx(15.706, abs=1e-3)
    assert "95 % range between beds" in program.must("levels").out


def test_one_bed_drifts_without_a_range(program: Program) -> None:
    said = drifted(program, "B1", ["20"], ["22"]).must("levels").out
    assert "P: one control bed: no range" in said
    assert ["P", "Mehlich-3", "+2.00", "-", "1"] in rows(said)


def test_a_drift_with_a_limit_is_bounds(program: Program) -> None:
    (one,) = document(drifted(program, "B1,B5", ["<4", "10"], ["6", "12"]))["control_drift"]
    assert (one["change"], one["low"], one["high"]) == (None, 2.0, 4.0)
    assert "not a 95 % interval" in str(one["reason"])


@pytest.mark.parametrize(
    "texture", ["soilless mix", "peat and coir", "Potting soil", "loam with compost", "muck"]
)
def test_no_class_of_mineral_soil_for_a_soilless_mix(program: Program, texture: str) -> None:
    said = begun(program, texture=texture).must("levels").out
    why = "no class: the tables are for settled mineral soil, and this one's texture is said to be"
    assert f"{why} '{texture}'" in flat(said)
    assert "medium" not in said and "index 77.9" not in said


@pytest.mark.parametrize(
    "texture", ["sandy loam, 3 % organic matter", "loam, no compost", "peat-free loam", "barky"]
)
def test_words_that_a_mineral_soil_may_have(program: Program, texture: str) -> None:
    assert document(begun(program, texture=texture))["no_class"] == ""


def test_manganese_needs_a_ph_in_water(program: Program) -> None:
    """Rutgers NJAES: MnAI reads water pH; one in calcium chloride is another scale."""
    soil = START.replace("water 1:1", "0.01 M CaCl2")
    start = {str(one["nutrient"]): one for one in document(begun(program, soil))["start"]}
    assert start["Mn"]["class"] is None
    assert "pH in water" in str(start["Mn"]["reason"])


def test_sources_stand_with_their_own_notes(program: Program) -> None:
    """Zn of DTPA has a note of its own (sources differ), Fe of the same source has none."""
    soil = """
[soil.start]
Fe = { value = "3 mg/kg", method = "DTPA" }
Zn = { value = "0.7 mg/kg", method = "DTPA" }
"""
    told = flat(begun(program, soil).must("levels").out)
    assert "Fe (DTPA): Havlin et al. 1999" in told
    assert "Zn (DTPA): Havlin et al. 1999" in told and "0.8 mg/kg" in told


def test_a_control_that_joined_late_does_not_drift_with_the_others(program: Program) -> None:
    """The newest round is of the beds pulled within a fortnight of the last one."""
    begun(program).must("apply", "all", on=DAY0)
    early = pulled(program, "B5", DAY0)
    late = pulled(program, "B1", DAY28)
    lines = [(code, "P", "20", "mg/kg", "Mehlich-3") for code in (*early.values(), *late.values())]
    report(program, lines, "1")
    found = document(program)
    assert [one["beds"] for one in found["control"]] == [1]
    assert found["control"][0]["first_date"] == "2026-03-30"
    assert found["control_drift"] == []


@pytest.mark.parametrize(("organic", "classed"), [("20", True), ("20.5", False)])
def test_no_class_of_mineral_soil_for_an_organic_one(
    program: Program, organic: str, classed: bool
) -> None:
    """Organic soil: from 12 % organic C on, x 1.724 (Keys to Soil Taxonomy, from memory)."""
    soil = f'{START}OM = {{ value = "{organic} %", method = "loss on ignition" }}\n'
    found = document(begun(program, soil))
    start = {str(one["nutrient"]): one for one in found["start"]}
    assert (start["P"]["class"] == "medium") == classed
    assert ("organic matter" in str(found["no_class"])) != classed


def test_salts_of_the_paste_name_the_crops(program: Program) -> None:
    """UC IPM, Maas & Hoffman: bean 1.0 dS/m and 19 %: at 1.2, 96 %; onion's 1.2 is not passed."""
    begun(program).must("apply", "all", on=DAY0)
    codes = pulled(program, "B1,B5", DAY28)
    report(
        program, [(code, "EC", "1.2", "dS/m", "saturated paste") for code in codes.values()], "1"
    )
    said = program.must("levels").out
    assert "bean: threshold 1.0 dS/m, about 96 % of its yield" in said
    assert "onion" not in said and "strawberry" in said


def own_tables(program: Program) -> Path:
    """Copies of the tables in the test's configuration folder."""
    written = program.must("levels", "--copy").out.splitlines()
    paths = [Path(line.removeprefix("Written: ")) for line in written[:-1]]
    assert [path.name for path in paths] == list(handbook.FILES)
    return paths[0]


def test_an_edited_copy_is_read(program: Program) -> None:
    begun(program)
    own = own_tables(program)
    text = own.read_text(encoding="utf-8")
    own.write_text(text.replace('name = "medium", to = 71', 'name = "middling", to = 71'),
                   encoding="utf-8")  # fmt: skip
    said = program.must("levels").out
    assert "middling" in said
    assert f"read from your own copy: {own},".replace(" ", "") in "".join(said.split())


def test_a_copy_is_never_overwritten(program: Program) -> None:
    own = own_tables(program)
    own.write_text("mine", encoding="utf-8")
    said = program("levels", "--copy")
    assert said.code == 2 and "already there" in said.err and said.out == ""
    assert own.read_text(encoding="utf-8") == "mine"


def test_every_mistake_in_a_copy_at_once(program: Program) -> None:
    begun(program)
    own = own_tables(program)
    text = own.read_text(encoding="utf-8").replace('nutrient = "K"', 'nutrient = "potash"')
    own.write_text(text.replace("to = 83", 'to = "83"'), encoding="utf-8")
    said = program("levels")
    assert (said.code, said.out) == (2, "")
    first, second, error, remedy = said.err.splitlines()
    assert first.startswith(f"{own}, line ") and ", table 2, nutrient: 'potash' may" in first
    assert (
        second.startswith(f"{own}, line ") and ", table 3, classes: class 2 (low): '83'" in second
    )
    assert error == f"Error: {own} cannot be used: 2 problems"
    assert remedy.startswith("Try: mend it, or move it away")


def test_copying_stands_alone(program: Program) -> None:
    said = program("levels", "--copy", "--json")
    assert said.code == 2 and "--copy stands alone" in said.err


def test_the_folder_is_named_by_the_environment(
    program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOGBOOK_HANDBOOK", str(program.folder / "tables"))
    assert own_tables(program).parent == program.folder / "tables"


def test_without_a_logbook(program: Program) -> None:
    said = program("levels")
    assert said.code == 2 and "there is no logbook here yet" in said.err
