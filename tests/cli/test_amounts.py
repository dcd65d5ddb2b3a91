"""How amounts are typed, known, corrected and compared with the plan."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest

from logbook.store import views
from logbook.study import amounts
from tests.elsewhere import Elsewhere, keys_of, standing
from tests.program import PROTOCOL, Program

LATER = "2026-03-05T09:00+01:00"


def one(program: Program, space: str, where: str = "1") -> object:
    with views.reading(program.store) as store:
        (found,) = views.fetch(store, space, where)
    return found.record


def share(program: Program, label: str) -> str:
    """The amendment's share of a bed's dry mass."""
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        (bed,) = views.fetch(store, "bed", "label = ?", (label,))
        found = amounts.dry_fraction(amounts.facts(store, trial.id), bed.id)
    return str(None if found is None else round(found, 5))


def test_an_amount_without_known_is_not_said(started: Program) -> None:
    said = started.must("apply", "B2", "--amount", "100 g")
    assert "amendment mixed into B2 with 100 g (how known: not said)" in said.out
    assert one(started, "apply").known == "not said"  # type: ignore[attr-defined]
    said = started.must("water", "B1", "--amount", "1.2 L", "--known", "Not  said")
    assert "watered B1, 1.2 L (how known: not said)" in said.out


def test_a_corrected_amount_counts_for_the_dilution(started: Program) -> None:
    act = started.must("apply", "B2").act
    planned = share(started, "B2")
    started.must("correct", f"{act}:B2", "--amount", "200 g", "--reason", "two bags")

    assert one(started, "apply").known == "not said"  # type: ignore[attr-defined]
    # 200 g at 8 % of wet mass is 184 g dry; 1.2 kg/L x 0.5 m2 x 15 cm is 90 kg of soil.
    assert share(started, "B2") == "0.00204"
    assert planned == "0.00102"
    said = started("correct", f"{act}:B2", "--known", "as planned", "--reason", "x")
    assert said.err == (
        "Error: an amount that is typed is not 'as planned'\n"
        "Try: leave the amount out, or say how it was known: weighed, metered, by eye, not said\n"
    )
    started.must(
        "correct", f"{act}:B2", "--amount", "0.2 kg", "--known", "weighed", "--reason", "x"
    )
    assert one(started, "apply").known == "weighed"  # type: ignore[attr-defined]


NOT_PLANNED = (
    "Error: an amount that is typed is not 'as planned'\n"
    "Try: leave the amount out, or say how it was known: weighed, metered, by eye, not said\n"
)
WRONG: dict[str, tuple[list[str], str]] = {
    "typed and planned": (
        ["water", "B1", "--amount", "250 mL", "--known", "as planned"],
        NOT_PLANNED,
    ),
    "nothing given": (
        ["water", "B1", "--known", "not said"],
        "Error: without an amount the planned one is taken, 'as planned'\n"
        "Try: give it, or drop --known\n",
    ),
    "negative water": (
        ["water", "B1", "--amount", "-1 L"],
        "Error: '-1 L' must be more than nothing\n",
    ),
    "negative amendment": (
        ["apply", "B2", "--amount", "-1 kg"],
        "Error: '-1 kg' must be more than nothing\nTry: give a mass or a volume: 2.4 kg, 4.3 L\n",
    ),
    "negative depth of water": (
        ["water", "B1", "--amount", "-2 mm"],
        "Error: '-2 mm' must be more than nothing\n",
    ),
    "cores beyond counting": (
        ["pull", "B1", "--cores", "80"],
        "Error: 80 cores in one sample: more than 60 cannot be\nTry: check the number\n",
    ),
    "below the bed": (
        ["pull", "B1-B3", "--depth", "25 cm"],
        "Error: 25 cm is below the bottom of B1-B3, 20 cm deep\n"
        "Try: check the depth and its unit\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_amounts(started: Program, name: str) -> None:
    words, error = WRONG[name]
    before = started.journal()
    said = started(*words)
    assert (said.code, said.out, said.err, started.journal()) == (2, "", error, before)


@pytest.mark.parametrize(
    ("typed", "spoken"),
    [("2 mm", "1 L"), ("3 L/m2", "1.5 L"), ("0.5 l/m²", "250 mL"), ("2,5 mm", "1.25 L")],
)
def test_water_as_a_depth(started: Program, typed: str, spoken: str) -> None:
    # 1 mm is 1 L on a square metre; these beds have 0.5 m2.
    said = started.must("water", "B1,B2", "--amount", typed)
    assert f"watered B1, B2, {spoken} each (how known: not said)" in said.out


def test_amounts_far_from_the_plan_get_a_note(started: Program) -> None:
    far = "this is more than 25 % off, check it.\n"
    assert started.must("water", "B1,B2", "--amount", "2.5 L").err == (
        f"Note: planned for B1, B2 are 250 mL of water each: {far}"
    )
    assert started.must("water", "B1", "--amount", "310 mL").err == ""
    act = started.must("apply", "B2", "--amount", "1 kg")
    assert act.err == f"Note: planned for B2 is 100 g of amendment: {far}"
    said = started.must("correct", f"{act.act}:B2", "--amount", "110 g", "--reason", "slip")
    assert said.err == ""
    said = started.must("correct", f"{act.act}:B2", "--amount", "50 g", "--reason", "slip")
    assert said.err == act.err
    said = started.must("apply", "B3", "--amount", "75 L")
    assert said.err == f"Note: planned for B3 is 7.5 L of amendment: {far}"


def test_correcting_a_whole_act_gets_a_note_once(started: Program) -> None:
    far = "this is more than 25 % off, check it.\n"
    act = started.must("water", "all", "--amount", "250 mL").act
    said = started.must("correct", act, "--amount", "2.5 L", "--reason", "a can each")
    assert said.err == f"Note: planned for B1-B6 are 250 mL of water each: {far}"
    said = started.must("correct", act, "--when", "2026-02-20 09:00", "--reason", "slip")
    assert said.err == ("Note: B1-B6 were filled on Sun 1 Mar 2026: this is before it.\n")


def test_a_volume_is_spelt_alike_in_echo_and_history(started: Program) -> None:
    act = started.must("water", "B1", "--amount", "17.28 mm")
    assert "watered B1, 8.64 L (how known: not said)" in act.out
    (key,) = keys_of(started.store, act.act)
    _, value = standing(started.store, key)
    Elsewhere(started.store).says(key, {**value, "typed": ""}, (standing(started.store, key)[0],))
    told = " ".join(started.must("history", act.act).out.split())
    assert "corrected to B1: watered 8.64 L (how known: not said)" in told


def test_another_depth_gets_a_note(started: Program) -> None:
    said = started.must("pull", "B1", "--depth", "10 cm")
    note = "Note: 10 cm is not the protocol's depth, 15 cm: other depths are not comparable.\n"
    assert said.err == note
    (code,) = said.samples
    said = started.must("correct", code, "--depth", "12 cm", "--reason", "rule was worn")
    assert said.err == note.replace("10", "12")
    said = started("correct", code, "--depth", "22 cm", "--reason", "x")
    assert said.err.startswith("Error: 22 cm is below the bottom of B1, 20 cm deep\n")
    said = started("correct", code, "--cores", "61", "--reason", "x")
    assert said.err.startswith("Error: 61 cores in one sample: more than 60 cannot be\n")


def test_a_filling_is_corrected_by_the_rules_of_its_entry(program: Program) -> None:
    from tests.program import PROTOCOL

    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    program.must("trial", "start", "trial.toml")
    act = program.must("fill", "B1", "--mass", "58 kg", "--moisture", "18 %").act
    line = f"{act}:B1"
    for words in (["correct", line, "--reason", "x"], ["fill", "B2"]):
        for wet in ("-4 %", "480 %"):
            said = program(*words, "--moisture", wet)
            assert (said.code, said.err) == (
                2,
                f"Error: moisture {wet} cannot be: it lies between 0 and 300 %\n"
                "Try: check the unit and the decimal point\n",
            )
    program.must("correct", line, "--moisture", "20 %", "--reason", "oven")
    told = " ".join(program.must("history", "B1").out.split())
    assert "corrected to B1: filled 58 kg, 20 % (how known: not said)" in told
    program.must("correct", line, "--mass", "60 kg", "--known", "weighed", "--reason", "scale")
    assert "B1: filled 60 kg, 20 % (weighed)" in program.must("history", "B1").out

    program.must("fill", "B2,B3", "--mass", "58 kg")
    said = program("correct", line, "--bed", "B2", "--reason", "x")
    assert said.code == 2
    assert said.err.startswith("Error: B2 was filled already, on Mon 2 Mar 2026 09:00\nTry: strike")


def test_a_line_that_moved_is_found_by_its_new_bed(started: Program) -> None:
    act = started.must("apply", "B2").act
    started.must("correct", f"{act}:B2", "--bed", "B6", "--reason", "wrong bed")

    said = started("strike", f"{act}:B2", "--reason", "x")
    assert said.err == (
        f"Error: that line of {act} was corrected: it is {act}:B6 now\nTry: name it {act}:B6\n"
    )
    said = started("correct", f"{act}:B6", "--bed", "B1", "--reason", "x")
    assert said.err.startswith("Error: B1 is a control bed: this line does not fit it\n")
    said = started.must("strike", f"{act}:B6", "--reason", "nothing was mixed in")
    assert f"struck 1 line of {act}:B6" in said.out


def test_a_bed_is_corrected_one_line_at_a_time(started: Program) -> None:
    act = started.must("water", "B1,B2").act
    said = started("correct", act, "--bed", "B3", "--reason", "x")
    assert said.err == (
        f"Error: {act} has 2 lines: a bed is corrected one line at a time\n"
        "Try: name one: CODE:BED, or a sample's code\n"
    )


def test_a_content_is_kept_with_its_error(started: Program) -> None:
    words = ("amendment", "set", "meal", "--basis", "as is", "--method", "Kjeldahl", "--content")
    started.must(*words, "total-N = 6 % +- 0.2 %")
    started.must(*words, "P2O5=2%±0.1%")
    shown = started.must("amendment", "show").out
    assert "  total-N 6 +- 0.2 % (60000 +- 2000 mg/kg), as is (Kjeldahl)\n" in shown
    (meal,) = (
        one
        for one in json.loads(started.must("amendment", "show", "--json").out)["amendments"]
        if one["code"] == "meal"
    )
    sds = {one["analyte"]: Decimal(str(one["sd"])) for one in meal["contents"]}
    # P2O5 is 43.64268 % P (IUPAC weights): 0.1 % are 436.43 mg/kg.
    assert sds["total-N"] == 2000
    assert round(sds["P"], 2) == Decimal("436.43")


@pytest.mark.parametrize("error", ["0 %", "", "0.2 L", "-1 %"])
def test_an_error_that_cannot_be_is_refused(started: Program, error: str) -> None:
    words = ("amendment", "set", "meal", "--content", f"total-N = 6 % +- {error}")
    said = started(*words, "--method", "Kjeldahl")
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("Error: ")
    assert '"contents": []' in started.must("amendment", "show", "--json").out


def test_an_analysis_is_shown_as_people_write_it_beside_what_is_kept(started: Program) -> None:
    started.must("amendment", "set", "meal", "--content", "total-N = 12 % +- 0.3 %", "--content",
                 "P2O5 = 0.6 %", "--content", "B = 8 mg/kg", "--method", "Dumas")  # fmt: skip
    shown = started.must("amendment", "show").out
    assert "  total-N 12 +- 0.3 % (120000 +- 3000 mg/kg), dry (dry combustion, Dumas)\n" in shown
    # 0.6 % of P2O5 is 0.6 % x 61.9475 / 141.9445 = 0.261856 % of P.
    assert "  P 0.261856 % (2618.56 mg/kg), dry" in shown
    assert "  B 8 mg/kg, dry" in shown


def test_what_waits_is_one_list_from_the_start_on(program: Program) -> None:
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    told = [
        [line for line in program.must(*words).out.splitlines() if line.startswith("Waits: ")]
        for words in (("trial", "start", "trial.toml"), ("trial", "show"), ("amendment", "show"))
    ]
    assert len(told[0]) == 4
    assert sorted(told[0]) == sorted(told[1]) == sorted(told[2])
    checked = program.must("trial", "check", "trial.toml").out.splitlines()
    assert set(told[0]) <= set(checked)
