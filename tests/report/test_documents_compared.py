"""The JSON of comparisons: it follows docs/schema/compare.json, whatever is missing in it.

The schema language is JSON Schema draft 2020-12 (json-schema.org); what it demands is ours.
"""

from __future__ import annotations

import copy
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from logbook.report.documents_compared import comparison_document, every_date_document
from logbook.study.every_date import EveryDate, nutrient_of
from tests.one_date import day28
from tests.program import Program

sys.path.insert(0, str(Path(__file__).parent))
import made_up_date

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "schema" / "compare.json").read_text(encoding="utf-8")
)
KINDS = (
    made_up_date.with_outliers,
    made_up_date.one_bed,
    made_up_date.huge,
    made_up_date.open_ended,
    made_up_date.alone,
)


def faults(document: dict[str, Any]) -> list[str]:
    """What the schema has against a document, as it comes from JSON's text."""
    text = json.dumps(document, allow_nan=False)
    found = Draft202012Validator(SCHEMA).iter_errors(json.loads(text))
    return [f"{list(one.absolute_path)}: {one.message}" for one in found]


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("kind", KINDS)
def test_lines_without_a_test_follow_it(kind: Any) -> None:
    assert faults({"format": 1, "comparison": comparison_document(kind())}) == []


def test_what_the_program_prints_follows_it(started: Program) -> None:
    day28(started)
    for words in ((), ("day 7",), ("--treatment", "M"), ("--all-dates",)):
        assert faults(json.loads(started.must("compare", *words, "--json").out)) == []


def test_a_season_without_means_follows_it() -> None:
    series = made_up_date.line("P", (30.0, 31.0), (12.0, 13.0)).series
    one = nutrient_of([series], None, {series.treatment}, ("P", "day 28"))
    found = EveryDate("made-up trial", True, "P", 28, (one,), False)
    document = every_date_document(found)
    assert document["nutrients"][0]["family"] is None and document["nutrients"][0]["reason"]
    assert faults({"format": 1, "every_date": document}) == []


def test_it_refuses_what_is_missing_or_unknown(started: Program) -> None:
    whole = json.loads(day28(started).must("compare", "--json").out)
    spoilt = copy.deepcopy(whole)
    del spoilt["comparison"]["differences"][0]["test"]["adjusted_p"]
    assert any("adjusted_p" in one for one in faults(spoilt))
    spoilt = copy.deepcopy(whole)
    spoilt["comparison"]["differences"][0]["test"]["unadjusted_p"] = 1.5
    assert faults(spoilt)
    assert faults({**whole, "every_date": {}})
    assert faults({"format": 1})
