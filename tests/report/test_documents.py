"""The JSON of curves: it follows docs/schema/curve.json, and says what the numbers are.

The schema language is JSON Schema draft 2020-12 (json-schema.org); what it demands is ours.
"""

from __future__ import annotations

import copy
import json
import math
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from logbook.cli.run import run
from logbook.report.constants import Asked
from logbook.report.documents import series_document
from logbook.study.fitted import Declared
from logbook.study.losses import Loss, Losses
from logbook.study.series import Series
from tests.program import DEMO_DAY

sys.path.insert(0, str(Path(__file__).parent))
import made_up

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "curve.json").read_text(encoding="utf-8")
)
KINDS = (
    made_up.release,
    made_up.below_control,
    made_up.one_bed,
    made_up.censored,
    made_up.empty,
    made_up.one_point,
    made_up.huge,
    made_up.all_censored,
    made_up.at_once,
)


def faults(document: dict[str, Any]) -> list[str]:
    """What the schema has against a document, as it comes from JSON's text."""
    text = json.dumps(document, allow_nan=False)
    found = Draft202012Validator(SCHEMA).iter_errors(json.loads(text))
    return [f"{list(one.absolute_path)}: {one.message}" for one in found]


def wrapped(series: Series, asked: Asked = Asked()) -> dict[str, Any]:  # noqa: B008
    return {"format": 1, "curves": [series_document(series, asked)]}


@pytest.fixture
def demo(demo_season: Path) -> Path:
    """The demo's season."""
    return demo_season


def test_the_schema_is_one_and_describes_every_field() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for name, part in SCHEMA["$defs"].items():
        for field, what in part.get("properties", {}).items():
            assert what.get("description") or "$ref" in what, f"{name}.{field}"


@pytest.mark.parametrize("nutrient", ["mineral-N", "nitrate-N", "P", "pH", "EC"])
def test_every_curve_of_the_demo_follows_the_schema(
    nutrient: str, demo: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    words = ["--store", str(demo), "curve", nutrient, "--json", "--day", "10", "--day", "99"]
    assert run(words, now=DEMO_DAY) == 0
    document = json.loads(capsys.readouterr().out)
    assert faults(document) == []
    assert len(document["curves"]) >= 5


@pytest.mark.parametrize("kind", KINDS)
def test_series_of_every_kind_follow_the_schema(kind: object) -> None:
    assert faults(wrapped(kind())) == []  # type: ignore[operator]
    declared = kind(declared=Declared(0.08, 0.5))  # type: ignore[operator]
    assert faults(wrapped(declared, Asked((3.0, 500.0), (28.0, "the planting day")))) == []
    lost = Losses(drained=(Loss("drained", "T1", False, 3, 3, "T1 drained on day 3"),))
    assert faults(wrapped(declared, Asked(losses=lost))) == []


def test_the_schema_refuses_what_is_not_a_curve() -> None:
    sound = wrapped(made_up.release())
    for spoil in ("chosen", "at_days", "fits"):
        broken = copy.deepcopy(sound)
        del broken["curves"][0][spoil]
        assert faults(broken)
    broken = copy.deepcopy(sound)
    broken["curves"][0]["fits"][1]["parameters"][0]["low"] = "open"
    assert faults(broken)
    broken = copy.deepcopy(sound)
    broken["curves"][0]["surprise"] = 1
    assert faults(broken)


def named(curve: dict[str, Any], shape: str) -> dict[str, Any]:
    (found,) = (one for one in curve["fits"] if one["shape"] == shape)
    return found  # type: ignore[no-any-return]


def test_a_first_order_curve_carries_constants_with_ranges() -> None:
    curve = series_document(made_up.release())
    assert (curve["chosen"], curve["printed"]) == ("first order", "constants")
    fit = named(curve, "first order")
    constants = {one["symbol"]: one for one in fit["parameters"] + fit["derived"]}
    for symbol in ("A", "k", "t1/2"):
        one = constants[symbol]
        assert one["low"] < one["value"] < one["high"]
        assert (one["reason_low"], one["reason_high"], one["withheld"]) == ("", "", "")
    assert constants["t1/2"]["low"] == pytest.approx(math.log(2) / constants["k"]["high"])
    assert constants["A"]["unit"] == "mg/kg" and constants["k"]["unit"] == "per day"
    assert constants["D0"]["low"] is None
    assert constants["D0"]["reason_low"] == "D on day 0 has a range; the fitted start has none"
    # chi2 + 2p of the candidate is chi2 of the fit and two for each of its constants.
    (candidate,) = (one for one in curve["candidates"] if one["chosen"])
    assert candidate["criterion"] == pytest.approx(fit["chi2"] + 2 * candidate["constants"])
    assert candidate["constants"] == fit["n"] - fit["df"] == 3
    line = named(curve, "zero order")
    assert {one["withheld"] for one in line["parameters"]} == {"not the shape chosen"}
    refused = [one for one in curve["fits"] if "refused" in one]
    assert refused == [], "nine pulls are enough for five shapes where the error is known"


def test_without_known_errors_there_is_no_chi2_and_a_reason() -> None:
    curve = series_document(made_up.one_bed())
    fit = named(curve, "zero order")
    assert fit["chi2"] is None and fit["chi2_reason"] == "the errors of the values are not known"
    assert curve["errors"] is None
    rate = fit["parameters"][1]
    assert (rate["low"], rate["high"]) == (None, None) and "one bed" in rate["reason_high"]
    assert {one["refused"] for one in curve["fits"] if "refused" in one}, "three need more pulls"


def test_below_control_level_and_make_up_are_numbers_with_ranges() -> None:
    found = series_document(made_up.below_control(), Asked(losses=Losses()))
    below = found["below_control"]
    assert below["shown"] and below["days_below"] == [3.0, 7.0, 14.0, 21.0]
    assert below["trough_day"] == 14.0
    assert (below["last_day_below"], below["first_day_level"]) == (28.0, 42.0)
    level = below["level_with_control"]
    assert level["low"] < level["value"] < level["high"] and level["unit"] == "days"
    assert below["said_to_be"] == "tied up"
    assert found["make_up"]["trough"] == below["depth"]
    none = series_document(made_up.release())
    assert none["make_up"]["trough"] is None and none["make_up"]["reason"]
    assert series_document(made_up.release(analyte="P"))["below_control"] is None


def test_days_are_told_with_why_and_never_beyond_the_pulls() -> None:
    asked = Asked((500.0, 10.5), (28.0, "the planting day"))
    days = series_document(made_up.release(), asked)["at_days"]
    assert [(one["day"], one["why"]) for one in days] == [
        (10.5, "asked for"),
        (28.0, "the planting day"),
        (70.0, "the last pull"),
        (500.0, "asked for"),
    ]
    beyond = days[-1]["net"]
    assert (beyond["value"], beyond["low"]) == (None, None) and "outside" in beyond["reason_low"]
    row = series_document(made_up.release())["pulls"][-1]["dilution_corrected_difference"]
    last = days[2]["net"]
    assert (last["value"], last["low"]) == (
        pytest.approx(row["value"]),
        pytest.approx(row["low"]),
    )
