"""`curve --from`: a plain file fitted without a logbook, both forms, and what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.program import Program

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "curve.json").read_text(encoding="utf-8")
)
# Bates & Watts 1988, Nonlinear Regression Analysis, appendix A1.4; R's data set BOD.
BOD = "day,value\n1,8.3\n2,10.3\n3,19.0\n4,16.0\n5,15.6\n7,19.8\n"


def beds_file(*, last: int = 56, sides: tuple[str, ...] = ("none", "meal")) -> str:
    """Invented: four beds a side in blocks; meal releases 30 (1 - e^(-0.06 t)) above the control.

    Beds differ by a fixed few per cent, another one on each day.
    """
    lines = ["day,bed,treatment,value,block"]
    for day in (0, 3, 7, 14, 21, 28, 42, 56):
        for bed in range(1, 5):
            for side in sides if day <= last else ():
                off = 1 + 0.02 * ((bed * 7 + day * 3 + (side == "meal")) % 5 - 2)
                level = 20.0 if side == "none" else 22.0 + 30.0 * (1 - math.exp(-0.06 * day))
                lines.append(f"{day},{side[0]}{bed},{side},{level * off:.3f},{bed}")
    return "\n".join(lines) + "\n"


def curve(program: Program, text: str, *words: str) -> dict[str, Any]:
    """The only curve of a file, its JSON checked by the schema."""
    (program.folder / "old.csv").write_text(text, encoding="utf-8")
    document = json.loads(program.must("curve", "--from", "old.csv", "--json", *words).out)
    faults = list(Draft202012Validator(SCHEMA).iter_errors(document))
    assert faults == []
    (found,) = document["curves"]
    return found  # type: ignore[no-any-return]


def constants(found: dict[str, Any], shape: str) -> dict[str, dict[str, Any]]:
    (fit,) = (one for one in found["fits"] if one["shape"] == shape)
    return {one["symbol"]: one for one in fit["parameters"] + fit["derived"]}


def test_bod_gets_its_published_constants_and_exact_profile_limits(program: Program) -> None:
    """A 19.143, k 0.5311, RSS 25.990: Bates & Watts 1988, table 2.1 and section 6.1.

    The limits are those of an exact profile; R's confint.nls, which interpolates, shows k
    0.1356-1.8101 and A 14.08-38.48.
    """
    found = curve(program, BOD)
    one = constants(found, "first order")
    assert one["A"]["value"] == pytest.approx(19.14258, abs=5e-6)
    assert one["k"]["value"] == pytest.approx(0.53109, abs=5e-6)
    (fit,) = (fit for fit in found["fits"] if fit["shape"] == "first order")
    assert fit["rss"] == pytest.approx(25.990, abs=5e-4)
    assert one["k"]["low"] == pytest.approx(0.1314, abs=5e-5)
    assert one["k"]["high"] == pytest.approx(1.8082, abs=5e-5)
    assert one["A"]["low"] == pytest.approx(14.049, abs=5e-4)
    assert one["A"]["high"] == pytest.approx(38.456, abs=5e-4)
    assert one["t1/2"]["low"] == pytest.approx(math.log(2) / one["k"]["high"])


def test_a_start_fixed_against_its_own_value_says_so_and_counts_no_day_0(program: Program) -> None:
    found = curve(program, "day,value\n0,2\n7,5\n14,7\n28,8\n35,9\n")
    assert found["notes"][0] == (
        "the start (D0) is fixed at 0, although day 0 has 2: --free-start fits it"
    )
    said = " ".join(program.must("curve", "--from", "old.csv").out.split())
    assert "the only shape that 4 pulls allow" in said
    assert curve(program, "day,value\n0,0\n7,5\n14,7\n28,8\n35,9\n")["notes"][0] == (
        "the start (D0) is fixed at 0"
    )
    free = ("day,value\n0,2\n7,5\n14,7\n28,8\n35,9\n", "--free-start")
    assert curve(program, *free)["notes"][0] == "the start (D0) is fitted"


def test_bod_is_too_short_for_the_two_judges_to_agree(program: Program) -> None:
    """n ln(RSS/n) + 2K + 2K(K + 1)/(n - K - 1), K = 3 and 2: Hurvich & Tsai 1989, Biometrika 76."""
    found = curve(program, BOD)
    assert found["chosen"] is None and found["printed"] == "nothing"
    scores = {one["shape"]: one["criterion"] for one in found["candidates"]}
    rss = {one["shape"]: one["rss"] for one in found["fits"] if "rss" in one}
    assert scores["first order"] == pytest.approx(6 * math.log(rss["first order"] / 6) + 6 + 12)
    assert scores["zero order"] == pytest.approx(6 * math.log(rss["zero order"] / 6) + 4 + 4)
    said = program.must("curve", "--from", "old.csv").out
    assert "no curve: cannot choose between zero order and first order" in said


def test_standard_errors_weigh_the_values_and_make_their_ranges(program: Program) -> None:
    text = "day,value,se\n" + "".join(
        f"{day},{30 * (1 - math.exp(-0.1 * day)):.4f},1.5\n" for day in (2, 5, 10, 20, 30, 45)
    )
    found = curve(program, text, "--day", "20")
    assert found["chosen"] == "first order" and found["criterion"] == "chi2 + 2p"
    assert constants(found, "first order")["k"]["value"] == pytest.approx(0.1, abs=1e-4)
    (day, _) = found["at_days"]
    # 1.959964 x 1.5, the normal quantile of any table
    half = 1.959964 * 1.5
    assert day["net"]["high"] - day["net"]["value"] == pytest.approx(half, abs=1e-4)
    said = " ".join(program.must("curve", "--from", "old.csv").out.split())
    assert "( ) 95 % range from the standard errors given; these values only: no beds" in said
    assert "errors: the standard errors given; shapes judged by chi2 + 2p" in said


def test_a_file_with_beds_gets_the_table_and_ranges_between_beds(program: Program) -> None:
    found = curve(program, beds_file(), "--control", "none", "--day", "10")
    assert found["chosen"] == "first order"
    one = constants(found, "first order")
    assert one["k"]["low"] < 0.06 < one["k"]["high"]
    assert one["A"]["low"] < 30.0 < one["A"]["high"]
    assert "within-block" in one["k"]["interval_method"]
    assert [day["day"] for day in found["at_days"]] == [10.0, 56.0]
    said = program.must("curve", "--from", "old.csv", "--control", "NONE").out
    assert "pull    day  treated  control  T - C" in said and "4+4" in said
    assert "difference from control (T - C), from old.csv: meal (against none)" in said
    assert "below control" not in said, "a plain file does not say that it is mineral N"


def test_every_treatment_of_a_file_is_a_curve(program: Program) -> None:
    text = beds_file() + beds_file(sides=("lime",)).partition("\n")[2]
    (program.folder / "old.csv").write_text(text, encoding="utf-8")
    said = program.must("curve", "--from", "old.csv", "--control", "none", "--json").out
    assert [one["treatment"] for one in json.loads(said)["curves"]] == ["meal", "lime"]


def test_one_bed_a_side_has_differences_and_no_test(program: Program) -> None:
    text = "day,bed,treatment,value\n" + "".join(
        f"{day},c,none,20\n{day},m,meal,{22 + day}\n" for day in (0, 7, 14)
    )
    found = curve(program, text, "--control", "none")
    assert found["chosen"] is None
    assert [one["difference"]["value"] for one in found["pulls"]] == [2, 9, 16]
    said = program.must("curve", "--from", "old.csv", "--control", "none").out
    assert "one bed per treatment" in said and "no test is reported" in said
    assert "zero order needs 5, one of them for the start, has 3" in " ".join(said.split())


def test_a_unit_is_shown_as_it_was_given(program: Program) -> None:
    text = "day,value,unit\n" + "".join(f"{day},{2 * day + day % 2},ppm\n" for day in range(1, 7))
    said = curve(program, text)
    assert said["unit"] == "ppm"
    assert "ppm per day" in program.must("curve", "--from", "old.csv").out


FEW = "day,value\n1,3\n2,4\n"
HEAD = "day,bed,treatment,value\n"
WRONG = {
    "too few pulls": (
        FEW,
        (),
        "old.csv: no shape can be fitted: too few pulls: zero order needs 4, has 2",
    ),
    "too few beside day 0": (
        "day,value\n0,2\n7,5\n14,7\n28,8\n",
        (),
        "old.csv: no shape can be fitted: too few pulls: zero order needs 4 where the errors of "
        "the values are not known, has 3 beside day 0, which is not counted: the start is fixed "
        "at 0\nTry: add values of other days\n",
    ),
    "one day beside day 0": (
        "day,value\n0,2\n7,5\n",
        (),
        "old.csv: no shape can be fitted: values of one day only beside day 0, which is not "
        "counted: the start is fixed at 0\nTry: add values of other days\n",
    ),
    "all values equal": (
        "day,value\n" + "".join(f"{day},3\n" for day in range(1, 6)),
        (),
        "old.csv: no shape can be fitted: all values are equal (3): no change to fit",
    ),
    "one date": (
        "day,value\n1,3\n1,3.1\n1,3.2\n1,3.4\n",
        (),
        "old.csv: no shape can be fitted: all values are from one day",
    ),
    "negative day": (
        "day,value\n-1,3\n2,4\n",
        (),
        "row 2, column day (value '-1'): a day counts from application: 0 or more",
    ),
    "not a number": (
        "day,value\n1,nan\n2,4\n",
        (),
        "row 2, column value (value 'nan'): 'nan' is not a number",
    ),
    "no standard error": (
        "day,value,se\n1,3,0\n2,4,1\n",
        (),
        "row 2, column se (value '0'): a standard error is above 0",
    ),
    "no column of values": (
        "day,amount\n1,3\n",
        (),
        "a plain series has the columns day and value",
    ),
    "control without beds": (
        FEW,
        ("--control", "none"),
        "old.csv: --control goes with beds, and there is no column bed",
    ),
    "control not named": (
        HEAD + "1,a,none,3\n1,b,meal,4\n",
        (),
        "old.csv: which treatment is the untreated control?",
    ),
    "control not there": (
        HEAD + "1,a,none,3\n1,b,meal,4\n",
        ("--control", "bare"),
        "old.csv: there is no treatment 'bare' to be the control",
    ),
    "control in two spellings": (
        HEAD + "1,a,none,3\n1,b,None,4\n",
        ("--control", "none"),
        "old.csv: are none and None the same treatment?",
    ),
    "control alone": (
        HEAD + "1,a,none,3\n1,b,none,4\n",
        ("--control", "none"),
        "old.csv: there is no treatment besides the control 'none'",
    ),
    "control on other days": (
        HEAD + "1,b,meal,3\n2,a,none,4\n",
        ("--control", "none"),
        "old.csv: the control 'none' and meal have no day in common",
    ),
    "a bed on both sides": (
        HEAD + "1,a,meal,3\n1,a,none,4\n",
        ("--control", "none"),
        "old.csv: bed a has two treatments: meal and none",
    ),
    "a line without a bed": (
        HEAD + "1,,meal,3\n1,a,none,4\n",
        ("--control", "none"),
        "row 2, column bed (value ''): no bed",
    ),
    "two units": (
        "day,value,unit\n1,3,mg/kg\n2,4,ppm\n",
        (),
        "old.csv: several values in the column unit: mg/kg, ppm",
    ),
    "a free start with beds": (
        HEAD + "1,a,none,3\n1,b,meal,4\n",
        ("--control", "none", "--free-start"),
        "old.csv: --free-start goes with net values",
    ),
    "a day before application": (BOD, ("--day", "-3"), "--day -3: a day counts from application"),
    "no number of a day": (BOD, ("--day", "nan"), "--day nan: a day counts from application"),
}


@pytest.mark.parametrize("name", WRONG)
@pytest.mark.parametrize("json_too", [False, True])
def test_what_cannot_be_fitted_is_one_clear_sentence(
    name: str, json_too: bool, program: Program
) -> None:
    text, words, sentence = WRONG[name]
    (program.folder / "old.csv").write_text(text, encoding="utf-8")
    said = program("curve", "--from", "old.csv", *words, *(["--json"] if json_too else []))
    assert said.code == 2
    assert sentence in said.err
    assert said.out == "" and "Traceback" not in said.err
    assert not program.store.exists()


BEDS = """day,bed,treatment,block,value
0,T1,meal,a,10
0,T2,meal,b,11
0,C1,none,a,9
0,C2,none,b,<2
7,T1,meal,a,14
7,T2,meal,b,16
7,C1,none,a,9
7,C2,none,b,10
"""


def test_a_value_below_its_limit_is_possible_values(program: Program) -> None:
    found = curve(program, BEDS, "meal", "--control", "none")
    first = found["pulls"][0]
    # T 10.5; C between (9 + 0) / 2 and (9 + 2) / 2.
    assert first["interval_method"] == "bounds"
    assert (first["difference"]["low"], first["difference"]["high"]) == (5.0, 6.0)


def test_a_block_that_others_have_must_be_there(program: Program) -> None:
    text = BEDS.replace("7,T1,meal,a,", "7,T1,meal,,")
    (program.folder / "gap.csv").write_text(text, encoding="utf-8")
    said = program("curve", "--from", "gap.csv", "--control", "none")
    assert said.code == 2
    assert "row 6, column block (value ''): block missing (others have one)" in said.err
